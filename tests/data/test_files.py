"""Writing aside: all or nothing, also when interrupted."""

import os

import pytest

from teachlab.data.atomic_files import write_aside
from teachlab.errors import InputError


def test_the_file_appears_only_when_complete(tmp_path):
    target = tmp_path / "a.txt"
    target.write_text("old")
    with write_aside(target) as aside:
        aside.write_text("new")
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert os.listdir(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("fault", [ValueError, KeyboardInterrupt, SystemExit])
def test_nothing_is_left_behind(tmp_path, fault):
    def interrupted():
        with write_aside(tmp_path / "a.txt") as aside:
            aside.write_text("half")
            raise fault

    with pytest.raises(fault):
        interrupted()
    assert os.listdir(tmp_path) == []


def test_permissions_are_those_of_an_ordinary_file(tmp_path):
    (tmp_path / "plain").write_text("")
    with write_aside(tmp_path / "aside") as aside:
        aside.write_text("")
    assert (tmp_path / "aside").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_link_stays_a_link(tmp_path):
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with write_aside(tmp_path / "link") as aside:
        aside.write_text("new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("no/such/a.txt", "there is no folder"),
        ("", "it is a folder"),
        ("/dev/null", "not an ordinary file"),
        ("https://host/a", "is for reading"),
        ("no-such-scheme://bucket/a", "cannot be written"),
    ],
)
def test_places_that_cannot_be_written(tmp_path, name, message):
    target = name if "://" in name else tmp_path / name
    with pytest.raises(InputError, match=message), write_aside(target):
        pass

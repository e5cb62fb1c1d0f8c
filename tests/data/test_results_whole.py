"""A result of several files is the old one or the new one, at whatever step its writer dies."""

import contextlib
import errno
import json
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from teachlab.data import atomic_files
from teachlab.data.atomic_files import JOURNAL, check_target, current, one_result, outdated, protect, write_aside
from teachlab.errors import InputError

NAMES = ("line.parquet", "line.passes.parquet", "line.synth.json")
STEPS = ("replace", "unlink", "fsync", "flock", "open")


def write(folder: Path, content: str, names: tuple[str, ...] = NAMES) -> None:
    with one_result():
        for name in names:
            with write_aside(folder / name) as aside:
                aside.write_text(content)
        if (folder / "old.csv").exists():
            outdated(folder / "old.csv")


def read(folder: Path) -> set[str]:
    return {current(folder / name).read_text() for name in NAMES}


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.iterdir() if p.name.startswith(".teachlab")]


@contextlib.contextmanager
def dying_at(step: int) -> Iterator[list[int]]:
    """Let this process be killed at its nth call that changes the disk."""
    calls = [0]

    def counted(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            if calls[0] == step:
                os.kill(os.getpid(), signal.SIGKILL)
            calls[0] += 1
            return real(*args, **more)

        return call

    patched = pytest.MonkeyPatch()
    for owner, name in (
        (Path, "replace"), (Path, "unlink"), (os, "fsync"), (os, "open"), (atomic_files._locks, "flock"),
    ):  # fmt: skip
        patched.setattr(owner, name, counted(getattr(owner, name)))
    try:
        yield calls
    finally:
        patched.undo()


def steps_of(folder: Path) -> int:
    with dying_at(-1) as calls:
        write(folder, "new")
    return calls[0]


def test_old_or_new_at_every_step_and_the_same_after_the_next_run(tmp_path: Path) -> None:
    (tmp_path / "first").mkdir()
    write(tmp_path / "first", "old")
    steps = steps_of(tmp_path / "first")
    assert steps > 15
    seen = set()
    for step in range(steps):
        folder = tmp_path / str(step)
        folder.mkdir()
        write(folder, "old")
        (folder / "old.csv").write_text("old")
        child = os.fork()
        if child == 0:
            with dying_at(step):
                write(folder, "new")
            os._exit(0)
        _, status = os.waitpid(child, 0)
        assert os.WIFSIGNALED(status)
        found = read(folder)
        assert len(found) == 1, f"step {step}: a mixture of {found}"
        seen |= found
        write(folder, "newer", names=("other.json",))
        assert read(folder) == found
        assert {(folder / name).read_text() for name in NAMES} == found
        assert leftovers(folder) == []
        write(folder, "new")
        assert sorted(p.name for p in folder.iterdir()) == sorted((*NAMES, "other.json"))
    assert seen == {"old", "new"}


def test_an_exception_or_interrupt_leaves_all_as_it_was(tmp_path: Path) -> None:
    write(tmp_path, "old")
    for error in (ValueError, KeyboardInterrupt):
        with pytest.raises(error):
            _broken_off(tmp_path, error())
    assert read(tmp_path) == {"old"}
    assert leftovers(tmp_path) == []


def _broken_off(folder: Path, error: BaseException) -> None:
    with one_result():
        with write_aside(folder / NAMES[0]) as aside:
            aside.write_text("new")
        raise error


def test_parts_of_a_living_writer_are_left_alone(tmp_path: Path) -> None:
    with write_aside(tmp_path / "a") as aside:
        aside.write_text("a")
        write(tmp_path, "x", names=("b",))
        assert aside.exists()
    assert (tmp_path / "a").read_text() == "a"


def test_told_to_end_while_a_result_is_put_in_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ended: list[str] = []
    real = Path.replace

    def replace(self: Path, target: Path) -> Path:
        if not ended:
            ended.append("asked")
            assert atomic_files.abandon(lambda: ended.append("now")) is False
        return real(self, target)

    monkeypatch.setattr(Path, "replace", replace)
    write(tmp_path, "new")
    assert ended == ["asked", "now"]
    assert read(tmp_path) == {"new"}
    with pytest.raises(FileNotFoundError), write_aside(tmp_path / "x"):
        _removed_when_told_to_end(tmp_path)


def _removed_when_told_to_end(folder: Path) -> None:
    assert leftovers(folder) != []
    assert atomic_files.abandon(lambda: None) is True
    assert leftovers(folder) == []


@pytest.mark.parametrize(
    "journal",
    [
        "{",
        "[]",
        '{"files": [["../x", "y"]], "remove": []}',
        '{"files": [[".teachlab-0123456789abcdef.part", "../y"]], "remove": []}',
        '{"files": [[".teachlab-0123456789abcdef.part", "/etc/passwd"]], "remove": []}',
        '{"files": [], "remove": ["../../x"]}',
        '{"files": [], "remove": [".teachlab.journal"]}',
        '{"files": [["line.parquet", "line.passes.parquet"]], "remove": []}',
        "[" * 100_000,
    ],
)
def test_a_strangers_journal_is_refused_by_name(tmp_path: Path, journal: str) -> None:
    folder = tmp_path / "in" / "side"
    folder.mkdir(parents=True)
    (folder / "line.parquet").write_text("here")
    (tmp_path / "in" / "x").write_text("stays")
    (folder / JOURNAL).write_text(journal)
    for act in (lambda: current(folder / "line.parquet"), lambda: write(folder, "new")):
        with pytest.raises(InputError, match="this journal is not one that teachlab has written"):
            act()
    assert (tmp_path / "in" / "x").read_text() == "stays"
    assert (folder / "line.parquet").read_text() == "here"


def test_a_journal_of_a_dead_writer_is_followed_in_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    part = ".teachlab-0123456789abcdef.part"
    (tmp_path / "a").write_text("old")
    (tmp_path / part).write_text("new")
    (tmp_path / JOURNAL).write_text(json.dumps({"schema": 1, "files": [[part, "a"]], "remove": []}))
    assert current(tmp_path / "a").read_text() == "new"
    (tmp_path / "link").symlink_to(tmp_path / "a")
    assert current(tmp_path / "link").read_text() == "new"
    assert current(tmp_path / "b") == tmp_path / "b"


def test_a_full_disk_names_the_file_and_what_is_left(tmp_path: Path) -> None:
    write(tmp_path, "old")
    said = pytest.raises(InputError, match=r"a\.json': No space left on device; [\d,.]+ MB are free")
    with said as found, write_aside(tmp_path / "a.json"):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert "what was finished before is unchanged" in str(found.value)
    assert leftovers(tmp_path) == []


def test_inputs_are_known_by_identity(tmp_path: Path) -> None:
    source = tmp_path / "in.parquet"
    source.write_text("in")
    (tmp_path / "link").symlink_to(source)
    os.link(source, tmp_path / "hard")
    with protect([source]):
        for name in ("in.parquet", "link", "hard"):
            with pytest.raises(InputError, match="inputs are never modified"), write_aside(tmp_path / name):
                raise AssertionError
        check_target(tmp_path / "other")
    check_target(source)


def test_links_in_a_circle_long_names_and_odd_places_are_refused_before_work(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    os.mkfifo(tmp_path / "pipe")
    for name in ("a", "pipe", "x" * 256, "nul\0", "missing/x", "."):
        with pytest.raises(InputError, match="cannot write"):
            check_target(tmp_path / name)
    longest = "x" * 255
    with write_aside(tmp_path / longest) as aside:
        aside.write_text("long")
    assert (tmp_path / longest).read_text() == "long"

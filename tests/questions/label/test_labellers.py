"""How far the tables of two people agree."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import documents
import numpy as np
import pytest
import shell

from teachlab.data.quality.labellers import agreement_of
from teachlab.model.truth import Truth


def test_agreement_by_hand() -> None:
    first = Truth.from_arrays([0, 50, 100, 200], [10, 60, 120, 220], label=["tin", "tin", "jar", "jar"])
    second = Truth.from_arrays([0, 53, 150, 199], [10, 60, 160, 220], label=["tin", "jar", "jar", "jar"])
    found = agreement_of(first, second)
    assert (found.both, found.only_first, found.only_second) == (3, (2,), (2,))
    assert (found.same, found.kinds_differ, found.border_samples) == (1, (1,), 3)


def test_empty_tables_agree_on_nothing() -> None:
    none, one = Truth.from_arrays([], []), Truth.from_arrays([5], [9])
    assert (agreement_of(none, none).both, agreement_of(none, one).only_second) == (0, (0,))
    assert agreement_of(one, none).only_first == (0,)


@pytest.mark.parametrize("seed", range(40))
def test_as_many_products_are_in_both_as_can_be_paired(seed: int) -> None:
    """Every pairing in order tried, of up to five passes; and both sides say the same."""
    rng = np.random.default_rng(seed)

    def table() -> Truth:
        cuts = np.sort(rng.choice(40, 2 * int(rng.integers(1, 6)), replace=False))
        return Truth.from_arrays(cuts[::2], cuts[1::2])

    a, b = table(), table()
    most = 0
    for count in range(1, min(a.passes, b.passes) + 1):
        for rows in combinations(range(a.passes), count):
            for others in combinations(range(b.passes), count):
                if all(a.start[i] < b.end[k] and b.start[k] < a.end[i] for i, k in zip(rows, others, strict=True)):
                    most = count
    found, turned = agreement_of(a, b), agreement_of(b, a)
    assert found.both == turned.both == most
    assert (found.only_first, found.same) == (turned.only_second, turned.same)
    assert most + len(found.only_first) == a.passes


def test_the_command_says_it_first(tmp_path, monkeypatch) -> None:
    documents.files(tmp_path)
    monkeypatch.chdir(tmp_path)
    shell.run("label", "bare.parquet", "--out", "first.csv")
    words = ("--from", "first.csv", "--against", "second.csv", "--out", "both.csv")
    said = shell.run("label", "bare.parquet", *words).stdout
    assert said.startswith("Both tables have ")
    assert "only the second" in said
    Path("three.csv").write_text("".join(Path("first.csv").read_text().splitlines(keepends=True)[:5]))
    again = shell.run("label", "bare.parquet", *words[:3], "three.csv", "--out", "three.parquet").stdout
    assert "3 products with equal borders to the sample: proposed, and perhaps not looked at." in again

"""Every kind of log that other programs write imports right, or is refused in one line with place and remedy."""

from __future__ import annotations

import gc
import re
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from teachlab.data.importing import ImportJob, import_log
from teachlab.data.importing.interval_table import CountedIn
from teachlab.data.importing.reading.text_layout import TextOptions
from teachlab.data.importing.truth_columns import TruthKind
from teachlab.data.recording_files import read_recording
from teachlab.data.truth_files import read_truth
from teachlab.errors import InputError
from teachlab.model.recording import RecordingInfo

sys.path.insert(0, str(Path(__file__).parent))
from made_logs import END, KINDS, ROWS, START, Made

INFO = RecordingInfo(sample_rate_hz=1.0, unit="mV")


def job_of(made: Made, folder: Path) -> ImportJob:
    made.write(folder / made.name)
    options = dict(made.options)
    for name, text in made.tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
        options[name] = str(folder / f"{name}.csv")
    if "passes_in" in options:
        options["passes_in"] = CountedIn(options["passes_in"])
    if "truth_kind" in options:
        options["truth_kind"] = TruthKind(options["truth_kind"])
    of_text = {field.name for field in fields(TextOptions)} & set(options)
    options["text"] = TextOptions(**{name: options.pop(name) for name in of_text})
    return ImportJob(path=str(folder / made.name), out=str(folder / "out" / "r.parquet"), info=INFO, **options)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("made", KINDS, ids=lambda made: made.name)
def test_a_log_becomes_what_it_says_or_is_refused_in_one_line(made: Made, tmp_path: Path) -> None:
    if made.needs is not None:
        pytest.importorskip(made.needs)
    (tmp_path / "out").mkdir()
    job = job_of(made, tmp_path)
    if made.refused is not None:
        with pytest.raises(InputError, match=made.refused) as caught:
            import_log(job)
        told = str(caught.value)
        assert "\n" not in told
        assert len(told) < 600
        assert list((tmp_path / "out").iterdir()) == []
        del caught
        gc.collect()  # foreign readers leave their files open when they meet a damaged one
        return
    found = import_log(job)
    assert found.info.sample_rate_hz == pytest.approx(made.rate, rel=2e-4)
    assert found.info.unit == made.unit
    block = read_recording(found.recording).read(0, found.samples)
    assert found.samples == ROWS
    expected = np.ma.masked_array(made.light)
    assert np.array_equal(
        block.invalid_mask() if block.invalid is not None else np.zeros(ROWS, bool), np.ma.getmaskarray(expected)
    )
    assert np.array_equal(block.light[~np.ma.getmaskarray(expected)], expected.compressed())
    if made.begins is not None:
        assert found.began.startswith(made.begins)
        assert bool(found.began) == bool(made.begins) == (found.info.began is not None)
    if made.note is not None:
        assert any(re.search(made.note, note) for note in found.notes), found.notes
    if made.passes:
        truth = read_truth(found.truth_path, samples=found.samples)
        assert (truth.start.tolist(), truth.end.tolist()) == (START.tolist(), END.tolist())
        assert truth.uncertainty_samples >= 1
    else:
        assert found.truth is None
    assert (
        sorted(path.name for path in (tmp_path / "out").iterdir())
        == ["r.parquet", "r.passes.parquet"][: 1 + made.passes]
    )


def test_there_are_at_least_sixty_kinds_and_a_third_is_refused() -> None:
    assert len(KINDS) >= 60
    assert len({made.name for made in KINDS}) == len(KINDS)
    assert sum(made.refused is not None for made in KINDS) >= len(KINDS) / 5

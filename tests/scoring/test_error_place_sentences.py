"""Where most errors lie, as sentences."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import pytest

from teachlab.model.printable_text import moment
from teachlab.model.recording import RecordingInfo
from teachlab.scoring.error_places import ErrorPlace

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")


@dataclass(frozen=True)
class Line:
    """A recording of which only length and clock are known."""

    samples: int
    info: RecordingInfo = INFO


GAP = ErrorPlace(
    what="trips", where="gap", count=6, of=7, name="", first_pass=4, last_pass=4, first_sample=2500
)  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        ({}, "6 of 7 trips lie in one gap, after pass 4, from 2.5 s after the start on."),
        ({"first_pass": -1}, "6 of 7 trips lie in one gap, before the first pass, from 2.5 s after the start on."),
        ({"count": 7}, "All 7 trips lie in one gap, after pass 4, from 2.5 s after the start on."),
        ({"where": "stretch"}, "6 of 7 trips lie in one stretch, pass 4, from 2.5 s after the start on."),
        (
            {"where": "stretch", "last_pass": 9, "first_sample": 61_000},
            "6 of 7 trips lie in one stretch, passes 4 to 9, from 61 s after the start on.",
        ),
        ({"where": "lot", "name": "b"}, "6 of 7 trips are of the lot 'b'; the first at 2.5 s after the start, pass 4."),
        (
            {"where": "label", "name": "jar"},
            "6 of 7 trips are of the kind 'jar'; the first at 2.5 s after the start, pass 4.",
        ),
    ],
)
def test_a_place_of_errors_in_words(changed: dict[str, object], text: str) -> None:
    assert replace(GAP, **changed).sentence(Line(599_999)) == text  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("samples", "at", "told"),
    [
        (599_999, 0, "0 s"),
        (599_999, 45, "0.045 s"),
        (599_999, 128_449, "128.4 s"),
        (600_000, 45, "0:00:00"),
        (600_000, 128_449, "0:02:08"),
        (90_000_000, 45_296_999, "12:34:56"),
    ],
)
def test_one_recording_tells_all_its_times_in_one_way(samples: int, at: int, told: str) -> None:
    """By its length, not by the time itself: seconds below ten minutes, else hours, minutes and seconds."""
    assert moment(at, Line(samples)) == f"{told} after the start"


def test_a_time_of_microseconds_has_no_exponent() -> None:
    """Sample 45 of a recording of 1 MHz."""
    line = Line(100_000, RecordingInfo(sample_rate_hz=1e6, unit="counts"))
    assert moment(45, line) == "0.000045 s after the start"


@pytest.mark.parametrize(("samples", "told"), [(86_399_999, "00:00:01"), (86_400_000, "2032-01-01 00:00:01")])
def test_a_recording_that_knows_its_clock_tells_the_date_where_it_lasts_a_day(samples: int, told: str) -> None:
    began = datetime(2031, 12, 31, 23, 59, 58, tzinfo=UTC)
    line = Line(samples, RecordingInfo(sample_rate_hz=1000.0, unit="counts", began=began))
    assert moment(3_000, line) == told

"""Where most errors lie, as sentences."""

from __future__ import annotations

from dataclasses import replace

import pytest

from teachlab.model.recording import RecordingInfo
from teachlab.questions.verdict.places import place_text
from teachlab.scoring.error_places import ErrorPlace

INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts")
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
            "6 of 7 trips lie in one stretch, passes 4 to 9, from 0:01:01 after the start on.",
        ),
        ({"where": "lot", "name": "b"}, "6 of 7 trips are of the lot 'b'; the first at 2.5 s after the start, pass 4."),
        (
            {"where": "label", "name": "jar"},
            "6 of 7 trips are of the kind 'jar'; the first at 2.5 s after the start, pass 4.",
        ),
    ],
)
def test_a_place_of_errors_in_words(changed: dict[str, object], text: str) -> None:
    assert place_text(replace(GAP, **changed), INFO) == text  # type: ignore[arg-type]

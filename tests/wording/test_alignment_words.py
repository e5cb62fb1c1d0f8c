"""What is said of truth off the light: signs, clocks, periods, and what mends it."""

from dataclasses import replace

import numpy as np
import pytest

from teachlab.data.alignment.answer import Alignment, Room
from teachlab.data.alignment.finding import off_lines
from teachlab.data.alignment.lags import Lags
from teachlab.data.alignment.shift import ClockShift
from teachlab.data.alignment.whole_periods import OtherFit
from teachlab.model.recording import Direction
from teachlab.wording.alignment import after_agreement, agreement, lead_lines


def alignment(shift, *, rate=0.0, jitter=0.4, width=0.0, doubt=2.0, rival=0.1, room=None):
    """At 1 kHz over 100 s, from 100 borders of passes of 80 ms."""
    lags = Lags(
        ClockShift(100_000, shift, rate), rate, shift - width / 2, shift + width / 2, shift - 0.2, shift + 0.2,
        rate - 7e-6, rate + 7e-6, jitter, np.zeros(50), np.zeros(50),
    )  # fmt: skip
    fits = (OtherFit(0, 0.0, 0.9, 0.9), OtherFit(1, 250.0, 0.9 * rival, 0.9))
    return Alignment(
        samples=100_000, sample_rate_hz=1000.0, lags=lags, edge=5.0, uncertainty_samples=doubt, passes=50, fits=fits,
        ambiguous=rival >= 0.8, direction=Direction.RISE, shortest=80.0, by_kind=(), by_time=(), room=room,
    )  # fmt: skip


def test_nothing_is_said_within_the_doubt():
    assert lead_lines(alignment(1.9), "line.parquet") == []
    assert lead_lines(alignment(0.0, jitter=0.9), "line.parquet") == []
    assert lead_lines(None, "line.parquet") == []


def test_exact_borders_are_told_together():
    assert alignment(0.0, jitter=0.0).lags.scatter[1] == "borders"


def test_agreement_on_a_regular_line_asks_to_check_the_first_pass():
    assert agreement(alignment(0.1)).endswith("within the doubt of ±2 ms. Nothing needs mending.")
    told = agreement(alignment(0.1, rival=0.9))
    assert "90 % as many borders fit one or two passes off" in told
    assert told.endswith("off.")
    assert "Nothing needs mending" not in told
    assert after_agreement(alignment(0.1), "a line.parquet", "p.csv") == (
        "Next: teachlab inspect 'a line.parquet' --truth p.csv"
    )
    regular = alignment(0.1, rival=0.9)
    assert after_agreement(regular, "line.parquet") == (
        "Next: Check by hand that the first pass of the table is the first product of the log. If it is: "
        "teachlab inspect line.parquet"
    )
    assert after_agreement(regular, "line.parquet", settled=True) == "Next: teachlab inspect line.parquet"


@pytest.mark.parametrize(
    ("shift", "first"),
    [
        (-4.0, "Your passes lag the light by 4.0 ± 0.2 ms. Their borders were stated as exact to ±2 ms."),
        (4.0, "Your passes lead the light by 4.0 ± 0.2 ms. Their borders were stated as exact to ±2 ms."),
    ],
)
def test_a_lag_with_what_it_costs_and_what_mends_it(shift, first):
    told = lead_lines(alignment(shift, room=Room(-12.0, 408.0, "mV", 3, 0)), "line.parquet")
    assert told == [
        first,
        "Shifted, the room between passes and gaps grows from none to 408 mV.",
        "Mend it: teachlab align line.parquet --out line-aligned.parquet",
    ]


def test_without_room_passes_and_gaps_are_counted():
    told = off_lines(alignment(5.0, room=Room(-12.0, -3.0, "mV", 60, 1)))
    assert told[-1] == "Shifted, the best level has 1 pass or gap on its wrong side instead of 60."


def test_a_clock_is_told_by_where_it_leads():
    (text,) = off_lines(alignment(0.0, rate=150e-6))
    assert text.startswith(
        "Your passes and the light agree in the middle of the recording (within 0.20 ms), and their "
    )
    assert "clock runs 150 ± 7 ppm slow: 7.5 ms late at the start, 7.5 ms early at the end." in text


def test_clocks_that_differ_by_more_than_sound_ones_are_asked_for_the_rate():
    """A clock 0.9 % slow was told without a word: the sample rate is wrong, or the light is another line's."""
    for rate in (8e-3, -8e-3):
        assert off_lines(alignment(0.0, rate=rate))[1] == (
            "Sound clocks do not differ by so much: is the sample rate of the light right, and do your passes belong "
            "to this recording?"
        )
    assert len(off_lines(alignment(0.0, rate=0.9e-3))) == 1


def test_a_regular_line_is_told_under_half_a_period():
    told = lead_lines(alignment(30.0, rival=0.95), "line.parquet")
    assert told[1].startswith(
        "This holds if the passes are off by less than 125 ms, half the time between two products."
    )
    assert "95 % as many borders would fit." in " ".join(told)
    assert told[-1] == "Mend it: teachlab align line.parquet --whole-periods 0 --out line-aligned.parquet"


def test_scatter_width_and_strange_passes():
    assert off_lines(alignment(0.0, jitter=3.0))[0].endswith("stated as exact to ±2 ms. No shift mends that.")
    assert off_lines(alignment(5.0, width=6.0))[1] == (
        "Your passes are 6 ms shorter than the light shows. No shift mends that. Products narrower than the beam are "
        "seen longer than they are: if these are not, correct the lengths."
    )
    strange = alignment(5.0, jitter=15.0)
    assert off_lines(strange) == [
        "Your passes follow this light too loosely to judge by: their borders scatter by ±30 ms about it, where half "
        "of all passes and gaps are shorter than 80 ms. Take closer times. Trust no count below before that is settled."
    ]
    loose = off_lines(alignment(5.0, jitter=15.0, width=30.0))[0]
    assert "scatter by ±30 ms about it, and they are 30 ms too short, where half" in loose
    assert lead_lines(strange, "line.parquet")[-1] == "Look at it: teachlab align line.parquet --plot borders.svg"


def test_the_doubt_afterwards():
    assert alignment(5.0).doubt_after == pytest.approx(2 * 0.4 + 5.0)
    few = alignment(5.0, doubt=40.0)
    assert replace(few, lags=replace(few.lags, begins=np.zeros(20), ends=np.zeros(20))).doubt_after == 40

"""Numbers for people: read back they are the number, and no sign in them is one that only programmers read."""

import math
import re

import numpy as np
from hypothesis import example, given
from hypothesis import strategies as st

from teachlab.model.printable_text import in_figures

RIDDLE = re.compile(r"nan|\binf\b|\de[+-]?\d|Infinity|None", re.IGNORECASE)


@given(st.floats(), st.integers(1, 17))
@example(5e-324, 1)
@example(1.7976931348623157e308, 17)
@example(-0.0, 3)
@example(999999.5, 6)
def test_a_number_reads_back_and_holds_no_riddle(value: float, digits: int) -> None:
    text = in_figures(value, digits)
    assert not RIDDLE.search(text), text
    if math.isnan(value):
        assert text == "–"
        return
    if math.isinf(value):
        assert text in ("infinite", "minus infinite")
        return
    head, _, power = text.partition("10^")
    # A power of ten alone has the figure 1 before it, which is not written.
    factor = head.rstrip("·") if head.strip("-") else f"{head}1"
    read = float(f"{factor}e{power}") if power else float(text)
    assert read == float(f"{value:.{digits}g}")
    figures = re.sub(r"\D", "", head or "1").strip("0")
    assert len(figures) <= digits


@given(st.floats(1e-6, 1e14))
def test_usual_numbers_are_written_out(value: float) -> None:
    assert re.fullmatch(r"\d+(\.\d+)?", in_figures(np.float64(value)))

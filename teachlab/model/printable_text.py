"""Text from files, and numbers, made fit for a line of a terminal, a table and a figure."""

from __future__ import annotations

import math
import shlex
import unicodedata
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from teachlab.model.recording import RecordingInfo

SHOWN_OF_MESSAGE = 600
"""Characters of a message for people; in longer ones the middle is left out."""
PLAIN_FROM, PLAIN_BELOW = -7, 15
"""Powers of ten between which numbers for people are written out."""
WHOLE_BITS = 2.0**53
"""So many steps are the most that a float counts one by one."""
FUZZ = 1e-6
_JOINERS = "\u200c\u200d"
"""Invisible, but part of the spelling in several scripts."""
_HIDDEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def number_of(n: float, one: str, more: str = "", *, spec: str = ",") -> str:
    """Return a number, formatted as `spec` says, with its noun: one sample, otherwise samples.

    Examples
    --------
    >>> number_of(1, "false trip"), number_of(2, "false trip"), number_of(0, "pass", "passes")
    ('1 false trip', '2 false trips', '0 passes')
    >>> number_of(1.0, "sample", spec="g"), number_of(1.5, "sample", spec="g")
    ('1 sample', '1.5 samples')
    """
    told = format(n, spec)
    return f"{told} {one if told == '1' else more or one + 's'}"


def typed_again(*recordings: str, truth: str | None = None, setting: str | None = None) -> str:
    """Return recordings, passes and setting as a further command names them.

    Examples
    --------
    >>> typed_again("line 3.parquet", truth="seen.csv", setting="low.json")
    "'line 3.parquet' --truth seen.csv --setting low.json"
    """
    named = [("--truth", truth), ("--setting", setting)]
    return shlex.join([*recordings, *(word for option in named if option[1] is not None for word in option if word)])


def wrong_text(lost: int, false: int) -> str:
    """Return only the numbers of errors that are not zero, in words.

    Examples
    --------
    >>> wrong_text(0, 0), wrong_text(1, 0), wrong_text(0, 10), wrong_text(2, 1)
    ('no error', '1 pass lost', '10 switchings too many', '2 passes lost and 1 switching too many')
    """
    told = [f"{number_of(lost, 'pass', 'passes')} lost"] if lost else []
    told += [f"{number_of(false, 'switching')} too many"] if false else []
    return " and ".join(told) or "no error"


def in_figures(value: float | None, digits: int = 4, nothing: str = "–", *, sign: bool = False) -> str:
    """Return a number for people: with so many significant digits, and without signs that only programmers read.

    `nothing`: text for None and NaN.
    `sign`: whether numbers above 0 have a sign too.

    Examples
    --------
    >>> in_figures(1306.0), in_figures(0.000123456, 3), in_figures(12345678.0, 3), in_figures(float("-inf"))
    ('1306', '0.000123', '12300000', 'minus infinite')
    >>> in_figures(1e60), in_figures(-1.25e-12), in_figures(None), in_figures(float("nan"), nothing="not known")
    ('10^60', '-1.25·10^-12', '–', 'not known')
    """
    if value is None or math.isnan(value):
        return nothing
    if sign and 0 < value < math.inf:
        return f"+{in_figures(value, digits)}"
    if math.isinf(value):
        return "infinite" if value > 0 else "minus infinite"
    rounded = Decimal(f"{value:.{digits}g}")
    if not rounded:
        return "0"
    exponent = rounded.adjusted()
    if PLAIN_FROM <= exponent < PLAIN_BELOW:
        return f"{rounded:f}"
    head = f"{rounded.scaleb(-exponent):f}"
    return f"{head[:-1]}10^{exponent}" if head in {"1", "-1"} else f"{head}·10^{exponent}"


def unlike_figures(value: float, other: float, digits: int = 2) -> str:
    """Return a number for people, with as many digits more as it takes to differ from another number.

    Examples
    --------
    >>> unlike_figures(5.026, 5.0), unlike_figures(18.25, 5.0), unlike_figures(5.0, 5.0)
    ('5.03', '18', '5')
    """
    shown = (in_figures(value, more) for more in range(digits, digits + 5))
    return next((text for text in shown if text != f"{other:g}"), in_figures(value, digits))


def round_figure(value: float) -> str:
    """Return a number of things to record, rounded up to two digits.

    Examples
    --------
    >>> round_figure(3.2), round_figure(56), round_figure(1143.0)
    ('4', '56', '1,200')
    """
    whole = math.ceil(value)
    place = 10 ** max(0, len(str(whole)) - 2)
    return f"{-(-whole // place) * place:,}"


def round_level(level: float, room: float, step: float | None = None) -> float:
    """Return a level in whole steps of the light, or no finer than a hundredth of the room around it.

    Examples
    --------
    >>> round_level(386.5534, 340.0), round_level(0.38655, 0.34), round_level(386.5534, 40.0, step=1)
    (387.0, 0.387, 387)
    """
    if step is not None and not room > 100 * step:
        return step * round(level / step)
    if not 0 < room < math.inf:
        return level
    return round(level, -math.floor(math.log10(room / 100)))


def level_text(level: float, step: float | None = None) -> str:
    """Return a level to the smallest step of the light, or with five significant digits; whole numbers unchanged.

    In light of whole steps, a level acts exactly like the next step at or above it: that step is printed.

    Examples
    --------
    >>> level_text(1306.2), level_text(1306.2, step=1), level_text(42.3612, step=0.0244)
    ('1306.2', '1307', '42.38')
    >>> level_text(42.3497, step=0.0244), level_text(948.43, step=0.0999999999999)
    ('42.35', '948.5')
    >>> level_text(1000403.3, step=1), level_text(1000040.25, step=0.01)
    ('1000404', '1000040.25')
    """
    if step is not None and abs(level) < step * WHOLE_BITS:
        # A step of 0.1 comes out of differences as 0.0999...: that is one digit, not two.
        digits = max(0, -math.floor(math.log10(step * (1 + FUZZ))))
        if round(level, digits) != level:
            # With the digits of one step, from the step at or above the level: no other light lies between the two.
            level = math.floor(math.ceil(level / step - FUZZ) * step * 10**digits + FUZZ) / 10**digits
        return f"{level:.{digits}f}"
    return f"{level:.0f}" if abs(level) < 1e9 and level == round(level) else in_figures(level, 5)


def to_error(value: float, error: float) -> str:
    """Return a value with the digits that its error allows: one of the error, two if the first is 1.

    Examples
    --------
    >>> to_error(4.0312, 0.183), to_error(-0.0241, 0.11), to_error(-0.004, 0.11), to_error(12.3456, 0.0)
    ('4.0', '-0.02', '0.00', '12.3')
    """
    if error <= 0 or not math.isfinite(error):
        return f"{value:.3g}"
    exponent = math.floor(math.log10(error))
    digits = -exponent + (error / 10.0**exponent < 1.5)
    text = f"{value:.{max(0, digits)}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def cut(value: float, digits: int = 3, *, up: bool = False) -> float:
    """Return a number cut towards 0 to so many digits, where a rounded one would claim too much.

    `up`: away from 0 instead, where it says what is needed.

    Examples
    --------
    >>> cut(193.98), cut(-0.45678), cut(0.0), cut(200.0)
    (193.0, -0.456, 0.0, 200.0)
    >>> cut(193.02, up=True), cut(193.98, up=True), cut(200.0, up=True)
    (194.0, 194.0, 200.0)
    """
    if not (math.isfinite(value) and value):
        return value
    shown = float(f"{value:.{digits}g}")
    place = math.floor(math.log10(abs(value))) - digits + 1
    if (abs(shown) >= abs(value)) if up else (abs(shown) <= abs(value)):
        return shown
    return float(f"{shown + math.copysign(10.0**place, value if up else -value):.{digits}g}")


def cut_percent(share: float, digits: int = 3) -> float:
    """Return a share in percent, cut to so many digits; the share itself is a difference that was rounded.

    Examples
    --------
    >>> cut_percent(1 - 0.8), cut_percent(0.12566)
    (20.0, 12.5)
    """
    return cut(100 * share * (1 + 1e-12), digits)


def time_text(ms: float, *, down: bool = False) -> str:
    """Return a time in its usual unit, rounded; or cut where it must not be told too long.

    Examples
    --------
    >>> time_text(7047.0), time_text(7049.0, down=True)
    ('7.05 s', '7.04 s')
    >>> [time_text(ms) for ms in (0.5, 238, 3330, 33_600, 900_000, 2e8)]
    ['0.5 ms', '238 ms', '3.33 s', '33.6 s', '15 min', '55.6 h']
    """
    rounded = cut if down else float
    for longest, unit, each in ((1e3, "ms", 1.0), (6e5, "s", 1e3), (3.6e7, "min", 6e4)):
        if ms < longest:
            return f"{rounded(ms / each):.3g} {unit}"
    return f"{in_figures(rounded(ms / 3.6e6), 3)} h"


LONG_S = 600.0
"""Recordings from this length on, s, are read in hours and minutes."""


class Recorded(Protocol):
    """What is known of a recording: how long it is, and when it began."""

    @property
    def info(self) -> RecordingInfo:
        """Sample rate, and the time of the first sample if it is known."""

    @property
    def samples(self) -> int:
        """How many samples it holds."""


def moment(sample: int, of: Recorded) -> str:
    """Return when a sample of a recording was taken: the time of day, or the time since the recording began."""
    info = of.info
    seconds, whole = sample / info.sample_rate_hz, of.samples / info.sample_rate_hz
    if info.began is not None:
        at = info.began + timedelta(seconds=seconds)
        return f"{at:%H:%M:%S}" if whole < 86400 else f"{at:%Y-%m-%d %H:%M:%S}"
    if whole < LONG_S:
        return f"{in_figures(seconds, 3 if seconds < 100 else 4)} s after the start"
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d} after the start"


def printable(text: object, *, keep: str = "", most: int | None = None) -> str:
    r"""Return text in which control characters, line breaks, direction marks and lone surrogates are spelled out.

    `text`: text from outside: a label, a lot, a title, a unit, the name of a file.
    `keep`: characters to leave as they are, such as a line break.
    `most`: length to which the result is shortened, in its middle.

    Examples
    --------
    >>> printable("lid\x1b[31m\nred")
    'lid\\x1b[31m\\nred'
    >>> printable("a" * 50 + "end", most=12)
    'aaaaaa … end'
    """
    whole = str(text)
    if not (whole.isascii() and whole.isprintable()):
        whole = "".join(c if c in keep or not _hides(c) else _spelled(c) for c in whole)
    if most is not None and len(whole) > most:
        tail = (most - 3) // 3
        whole = f"{whole[: most - 3 - tail]} … {whole[len(whole) - tail :]}"
    return whole


def _hides(character: str) -> bool:
    no_character = ord(character) & 0xFFFE == 0xFFFE  # which XML refuses
    return no_character or (character not in _JOINERS and unicodedata.category(character) in _HIDDEN)


def _spelled(character: str) -> str:
    return character.encode("unicode_escape", "surrogatepass").decode("ascii")


class Lines(str):
    r"""Lines of our own, one below the other in a cell of a table: a line break in any other text is a stranger's.

    Examples
    --------
    >>> Lines.of("38.5", "lid\nred")
    '38.5\nlid\\nred'
    """

    __slots__ = ()

    @classmethod
    def of(cls, *parts: object) -> Lines:
        """Return parts as lines, each made printable; empty ones are left out."""
        return cls("\n".join(printable(part) for part in parts if part))

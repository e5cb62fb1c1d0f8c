"""The tables of `suite.toml`, and how a design figure is accepted.

A design figure comes from a small prototype with one recording of each line. It is accepted if the measured median
lies inside its printed 5-95 % range widened 1.5 times about its middle, or within 0.1 points where a percentage is
below 1; for a figure without a range, within 20 % or 0.1 points (0.001 per pass), whichever is wider; levels and
trips per hour within 20 %. `limits` are taken as they stand. A figure that a calculation shows to be off, or that
does not apply as printed, carries that calculation (`because`) and is judged against the recomputed value.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from pydantic import Field

from teachlab.synthetic.shared.tables import Table

HERE = Path(__file__).parent
RESULTS = HERE.parent / "results"
LEVELS = ("level", "low", "high")


class Rule(Table):
    """A strategy with its parameters; `unaveraged` takes one background sample instead of a mean of forty."""

    strategy: str
    parameters: dict[str, str | float | int] = Field(default_factory=dict)
    unaveraged: bool = False


class Fixed(Table):
    """A setting that nobody taught: level where the output becomes active, hysteresis to the release."""

    name: str
    level: float
    hysteresis: float


class Window(Table):
    """Levels scanned at one hysteresis: where nothing goes wrong, and how little at best."""

    name: str
    low: float
    high: float
    step: float = Field(gt=0)
    hysteresis: float


class Figure(Table):
    """One design figure: who, what, how much.

    `measure` is level, lost, merged (percent), extra, false (per pass), false_per_hour, ``lost:LABEL``; of a window
    low, high or best (the least sum of lost, extra and false, percent of the passes).
    """

    of: str
    measure: str
    value: float
    range: tuple[float, float] | None = None
    limits: tuple[float, float] | None = None
    recomputed: float | None = None
    because: str = ""
    across_seeds: str = ""

    @property
    def target(self) -> float:
        """The printed value, or the recomputed one."""
        return self.value if self.recomputed is None else self.recomputed

    @property
    def accepted_range(self) -> tuple[float, float]:
        """The lowest and the highest median that is accepted."""
        if self.limits is not None:
            return self.limits
        percent = self.measure in ("lost", "merged", "best") or self.measure.startswith("lost:")
        if self.recomputed is None and self.range is not None:
            middle, half = sum(self.range) / 2, 1.5 * (self.range[1] - self.range[0]) / 2
            low, high = middle - half, middle + half
            if percent and self.value < 1:
                low, high = min(low, self.value - 0.1), max(high, self.value + 0.1)
            return low, high
        least = 0.1 if percent else 0.001 if self.measure in ("extra", "false") else 0.0
        reach = max(0.2 * abs(self.target), least)
        return self.target - reach, self.target + reach

    def accepts(self, median: float) -> bool:
        """Whether a measured median is accepted; one that is not a number never is."""
        low, high = self.accepted_range
        slack = 1e-9 * max(abs(low), abs(high), 1.0)
        return bool(low - slack <= median <= high + slack)


class Case(Table):
    """One product under one condition; `boxcar` is a running mean over that many samples before the comparator.

    `teach_only` names the one kind of object that is taught on, `teach_scenario` a line other than the scored one.
    With `fading` the scored light fades evenly to that share of itself. `absent` holds figures of failures that do not
    appear here: `recomputed` or `limits` say what is expected instead, `because` why.
    """

    id: str
    scenario: str
    what: str = ""
    teach_passes: int = 200
    scored_passes: int = 4000
    teach_only: str = ""
    teach_scenario: str = ""
    base: dict[str, float | int] = Field(default_factory=dict)
    gain: float = 1.0
    ambient: float = 0.0
    fading: float = Field(default=1.0, gt=0)
    boxcar: int = Field(default=1, ge=1)
    fixed: tuple[Fixed, ...] = ()
    window: tuple[Window, ...] = ()
    figure: tuple[Figure, ...] = ()
    absent: tuple[Figure, ...] = ()
    ascending: tuple[tuple[str, ...], ...] = ()


class Teachings(Table):
    """How much the level of strategies differs between recordings that they are taught on, one draw of each.

    Measures are level_median, level_low and level_high (the least and the greatest) and level_range between them.
    """

    id: str
    scenario: str
    what: str
    teach_passes: int
    seeds: tuple[int, ...] = Field(min_length=2)
    figure: tuple[Figure, ...] = ()
    absent: tuple[Figure, ...] = ()
    ascending: tuple[tuple[str, ...], ...] = ()


class Suite(Table):
    """All cases, and the strategies under their short names."""

    draws: int
    teach_seed: int
    scored_seed: int
    seed_pairs: tuple[tuple[int, int], ...] = ()
    other_seeds: str = ""
    rule: dict[str, Rule]
    case: tuple[Case, ...]
    teachings: tuple[Teachings, ...] = ()

    def seeded(self, teach_seed: int, scored_seed: int) -> Suite:
        """Return the suite at another pair of seeds."""
        return self.model_copy(update={"teach_seed": teach_seed, "scored_seed": scored_seed})


@dataclass(frozen=True, slots=True)
class Verdict:
    """A figure beside what was measured."""

    case: Case | Teachings
    figure: Figure
    median: float
    p05: float
    p95: float

    @property
    def accepted(self) -> bool:
        """Whether the median lies in the accepted range."""
        return self.figure.accepts(self.median)


def load(path: Path = HERE / "suite.toml") -> Suite:
    """Read the suite."""
    return Suite.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


def number(value: float) -> str:
    """Write three digits of a number."""
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"

"""What a logged output shows about its sensor: intervals, classes, and a representative setting."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from teachlab.device.level_counts import EvaluationGrid
from teachlab.device.matching import ContradictedEdge
from teachlab.device.timing_classes import TimingClass
from teachlab.model.json_values import Document, picked, plain
from teachlab.model.printable_text import level_text, number_of
from teachlab.model.setting import DelaysActOn, Polarity, Setting
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictReason, sentence

NOT_UNIQUE = "not unique"
"""Decision where settings fit that differ by more than noise or hysteresis."""


@dataclass(frozen=True, slots=True)
class Interval(Document):
    """Lowest and highest value of the set; levels lie above `low` and at most at `high`."""

    low: float
    high: float


def between(span: Interval | None) -> str:
    """Return an interval in words: 3, or 3 to 5."""
    if span is None:
        return "unknown"
    low, high = level_text(span.low), level_text(span.high)
    return low if low == high else f"{low} to {high}"


@dataclass(frozen=True, slots=True, kw_only=True)
class IdentifiedClass:
    """Settings that this log cannot separate, on one grid of evaluations.

    `grid`: when the sensor evaluates.
    `latency_active`, `latency_inactive` (samples): from the crossing of a level to the logged edge.
    `lag` (samples): the part of the latency that is neither filter nor delay, at the shortest on-delay of the class.
    `levels` ((float, float), recording units): on- and off-level at which it was replayed.
    `on_level`, `off_level`: Interval, recording units.
    """

    timing: TimingClass
    light_on: bool
    grid: EvaluationGrid
    latency_active: int
    latency_inactive: int
    lag: int
    contradictions: int
    levels: tuple[float, float]
    on_level: Interval
    off_level: Interval

    @property
    def ratio(self) -> Fraction:
        """Samples per evaluation."""
        return self.grid.ratio

    @property
    def simplicity(self) -> tuple[float | Fraction, ...]:
        """Sort key of classes: contradictions, then the simplest filter, delays and rate."""
        t = self.timing
        return (
            self.contradictions,
            self.ratio.denominator,
            t.consecutive + t.on_delay + t.off_delay,
            self.lag,
            self.ratio,
        )

    @property
    def delays(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """Lowest and highest on-delay, and off-delay, as a setting states them, evaluations.

        On the light of a dark-on sensor the two change roles: the off-delay holds the output back.
        """
        t = self.timing
        back, on = (t.on_delay, t.longest_on_delay), (t.off_delay, t.longest_on_delay + t.delay_difference)
        return (on, back) if t.extends_first else (back, on)

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        t, (on, off) = self.timing, self.delays
        return {
            "polarity": str(Polarity.LIGHT_ON if self.light_on else Polarity.DARK_ON),
            "samples_per_evaluation": float(self.ratio),
            "phase_samples": float(self.grid.phase),
            "consecutive": t.consecutive,
            "on_delay": {"low": on[0], "high": on[1]},
            "off_delay": {"low": off[0], "high": off[1]},
            "delays_act_on": str(DelaysActOn.LIGHT if t.extends_first else DelaysActOn.OUTPUT),
            "lag_samples": self.lag,
            **picked(self, "latency_active", "latency_inactive", "on_level", "off_level", "contradictions"),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Identification:
    """The set of all settings that reproduce a logged output, or why there is none.

    `jitter`, `jitter_needed` (samples): the allowed jitter, and the jitter that the edges need: more explains no
    further edge.
    `groups_left`: groups of rate, polarity and latencies that were not searched because the limit of work was reached:
    the set may be larger.
    `classes`: fewest contradictions first, then the simplest; the first is the representative.
    `contradictions`: edges that the representative does not explain.
    `readings`: how often the whole light was read.
    `noise` (recording units): standard deviation of the noise of the light.
    `refused`: why no setting is given.
    `rehearsal`: whether the light is synthetic.
    `next_step`: a command that works as printed.
    """

    recording: str
    unit: str
    sample_rate_hz: float
    edges: int
    jitter: int
    jitter_needed: int = 0
    groups_left: int = 0
    classes: tuple[IdentifiedClass, ...] = ()
    contradictions: tuple[ContradictedEdge, ...] = ()
    readings: int = 0
    noise: float = 0.0
    refused: str | None = None
    rehearsal: bool = False
    next_step: str = ""

    def span(self, name: str) -> Interval | None:
        """Return the lowest and highest value of a quantity over the classes; None without any.

        `name`: on_level, off_level, latency_active, latency_inactive, lag, delay_difference, pulse_survives or
        gap_survives.
        """
        if not self.classes:
            return None
        values: list[float] = []
        for c in self.classes:
            if name in ("on_level", "off_level"):
                level: Interval = getattr(c, name)
                values += [level.low, level.high]
            elif name == "delay_difference":
                values.append(c.timing.delay_difference)
            elif name in ("pulse_survives", "gap_survives"):
                values += getattr(c.timing, name)()
            elif name == "lag":
                longer = round((c.timing.longest_on_delay - c.timing.on_delay) * c.ratio)
                values += [max(0, c.lag - longer), max(0, c.lag)]
            else:
                values.append(getattr(c, name))
        return Interval(min(values), max(values))

    @property
    def representative(self) -> Setting | None:
        """The simplest setting among those with the fewest contradictions; lag and phase are given beside it."""
        if not self.classes:
            return None
        c, rate = self.classes[0], self.sample_rate_hz
        on, off = (1000 * d * float(c.ratio) / rate for d in (c.timing.on_delay, c.timing.off_delay))
        if c.timing.extends_first:
            on, off = off, on
        return Setting(
            unit=self.unit, on_level=c.levels[0], off_level=min(c.levels),
            polarity=Polarity.LIGHT_ON if c.light_on else Polarity.DARK_ON, consecutive=c.timing.consecutive,
            on_delay_ms=on, off_delay_ms=off,
            delays_act_on=DelaysActOn.LIGHT if c.timing.extends_first else DelaysActOn.OUTPUT,
            evaluation_rate_hz=None if c.ratio == 1 else rate / float(c.ratio),
        )  # fmt: skip

    @property
    def decision(self) -> str:
        """The decision: identified, not unique, too many settings fit, or not identified."""
        if self.refused is not None:
            return "not identified"
        if self.groups_left:
            return "too many settings fit"
        return "identified" if self.unique else NOT_UNIQUE

    @property
    def combinations(self) -> int:
        """Number of combinations of polarity, filter, delays and evaluation rate that fit; phase and lag are none."""
        return len({(c.light_on, c.ratio, c.timing) for c in self.classes})

    @property
    def wide(self) -> tuple[str, ...]:
        """The levels that are known less closely than the hysteresis of the representative, and than the noise."""
        if not self.classes:
            return ()
        on, off = self.classes[0].levels
        close = max(on - off, self.noise)
        spans = {name: self.span(name) for name in ("on_level", "off_level")}
        return tuple(name for name, found in spans.items() if found is not None and found.high - found.low > close)

    @property
    def unique(self) -> bool:
        """Whether one combination of filter, delays and rate fits, and both levels are known closely."""
        return self.combinations == 1 and not self.wide

    @property
    def verdict(self) -> Verdict:
        """What to do, the intervals of the set as its claim, and the open conditions."""
        if self.refused is not None:
            return Verdict(
                decision=self.decision, reasons=(VerdictReason(text=sentence(self.refused)),), next_step=self.next_step,
                rehearsal=self.rehearsal,
            )  # fmt: skip
        on, off = (between(self.span(name)) for name in ("on_level", "off_level"))
        so_far = ", as far as the search came" if self.groups_left else ""
        polarities = " or ".join(dict.fromkeys("light-on" if c.light_on else "dark-on" for c in self.classes))
        latencies = (
            f"switch to active {between(self.span('latency_active'))} and to inactive "
            f"{between(self.span('latency_inactive'))} samples after the light; up to "
            f"{between(self.span('lag')).split(' ')[-1]} samples of it may be lag of the log, which is no part of the "
            "setting."
        )
        if self.unique and not self.groups_left:
            about = ""
            claim = HeadlineClaim(
                text=f"All settings that reproduce the log have an on-level of {on} and an off-level of {off} "
                f"{self.unit}.",
                beside=(f"They {latencies}",),
            )
        else:
            about = f"on-level {on}, off-level {off} {self.unit}, {polarities}{so_far}. Simplest that fits:"
            claim = HeadlineClaim(text=f"All settings that fit{so_far}{',' if so_far else ''} {latencies}")
        wrong, allowed = len(self.contradictions), self.jitter_needed
        reasons = [VerdictReason(
            text=f"The replay contradicts {wrong:,} of {self.edges:,} logged edges "
            f"({100 * wrong / max(self.edges, 1):.2g} %), with {number_of(allowed, 'sample')} of jitter either way.",
            count=wrong,
            first_at_s=self.contradictions[0].sample / self.sample_rate_hz if wrong else None,
        )]  # fmt: skip
        many = self.combinations
        told = (
            "One combination of filter, delays and evaluation rate fits." if many == 1
            else f"{many:,} combinations of filter, delays and evaluation rate fit."
        )  # fmt: skip
        if more := self.to_log():
            told += f" To tell settings apart, log {more}."
        reasons.append(VerdictReason(text=told, count=many))
        open_ = f"{self.groups_left:,} more groups of rate and latency were not searched: the set may be wider."
        return Verdict(
            decision=self.decision, about=about, setting=self.representative, claim=claim, reasons=tuple(reasons),
            conditions=(open_,) if self.groups_left else (), next_step=self.next_step, rehearsal=self.rehearsal,
        )  # fmt: skip

    def telling(self) -> str:
        """Return the pulse, not in this log, that would separate classes; empty if one pulse would not."""
        out = []
        for name, what in (("pulse_survives", "an active pulse"), ("gap_survives", "an inactive gap")):
            found = self.span(name)
            if found is not None and found.high > found.low:
                low, high = int(found.low), int(found.high) - 1
                width = f"{low}" if low == high else f"{low} to {high}"
                out.append(f"{what} of {width} evaluation{'' if low == high == 1 else 's'}")
        return " and ".join(out)

    def to_log(self) -> str:
        """Return what a further log must hold so that fewer settings fit; empty if nothing more would help."""
        out = []
        if pulse := self.telling():
            ms = 1000 * float(self.classes[0].ratio) / self.sample_rate_hz
            out.append(f"{pulse} (an evaluation takes {ms:.3g} ms)")
        spans = [found for name in self.wide if (found := self.span(name)) is not None]
        if spans:
            span = Interval(min(one.low for one in spans), max(one.high for one in spans))
            out.append(f"objects whose light turns back between {between(span)} {self.unit}".replace(" to ", " and "))
        return ", and ".join(out)

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON document."""
        names = ("on_level", "off_level")
        spans = ("latency_active", "latency_inactive", "delay_difference", "pulse_survives", "gap_survives")
        lag = self.span("lag")
        polarities = sorted({c.light_on for c in self.classes}, reverse=True)
        return {
            "schema": 1,
            **picked(self, "verdict", "recording", "unit", "refused", "representative"),
            **{name: plain(self.span(name)) for name in names},
            "polarity": [str(Polarity.LIGHT_ON if p else Polarity.DARK_ON) for p in polarities],
            **{name: plain(self.span(name)) for name in spans},
            "evaluation_rate_hz": sorted({self.sample_rate_hz / float(c.ratio) for c in self.classes}, reverse=True),
            "lag_samples": plain(lag),
            "jitter_samples": self.jitter,
            "jitter_needed_samples": self.jitter_needed,
            **picked(self, "groups_left", "edges", "contradictions", "classes"),
            "told_apart_by": self.telling(),
            "readings": self.readings,
        }

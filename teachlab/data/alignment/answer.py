"""The position of truth against the light, as one value."""

from __future__ import annotations

import math
import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from teachlab.data.alignment.shift import MOST_RATE, ClockShift
from teachlab.model.json_values import picked, plain
from teachlab.model.recording import Direction

if TYPE_CHECKING:
    from teachlab.data.alignment.lags import Lags
    from teachlab.data.alignment.whole_periods import OtherFit
    from teachlab.model.truth import Truth

MEASURED_FROM = 50
"""With at least this many borders, the uncertainty after a shift is measured instead of assumed."""
WIDTH_TELLS = 2.0
"""Passes that are longer or shorter by more than this many uncertainties of a border are told."""
NOT_MEASURED = (
    "fewer than three passes have an edge of the light near their begin and near their end, so nothing can be "
    "measured. Check that these passes belong to this recording and hold whole products, and that its direction (rise "
    "or dip) is right."
)
SURELY = 4.0
"""Standard errors by which a length surely differs."""
FITS_WITHIN = 0.25
"""Borders that vary by more than this share of a usual pass or gap do not fit."""


@dataclass(frozen=True, slots=True)
class Group:
    """Remaining deviations of the borders of one kind of object, or of one stretch of time.

    `name`: label, or start time of the stretch.
    `begin`, `end` (samples): medians of the remaining deviations after shift and drift; NaN if there are none.
    """

    name: str
    borders: int
    begin: float
    end: float

    @property
    def middle(self) -> float:
        """Deviation of the middles of its passes, samples."""
        sides = [side for side in (self.begin, self.end) if not math.isnan(side)]
        return sum(sides) / len(sides) if sides else float("nan")


@dataclass(frozen=True, slots=True)
class Room:
    """Smallest pass peak minus largest gap peak, recording units, objects upwards; None without passes or gaps.

    `before`, `after` (recording units): before the shift, and after it.
    `wrong_before`, `wrong_after`: passes and gaps on the wrong side of the level that has the fewest of them there,
    before and after the shift.
    """

    before: float | None
    after: float | None
    unit: str
    wrong_before: int
    wrong_after: int


@dataclass(frozen=True, slots=True)
class Parted:
    """Passes that lie elsewhere against the light than the others: the clock of the table jumped, or kinds changed.

    `first`, `last`: rows of the truth.
    `lag` (samples): how much later than the borders of the others the light crosses after theirs; negative if theirs
    are late.
    `of_kind`: whether the kind of product changes there, so that it may be the kinds that lie apart.
    """

    first: int
    last: int
    lag: float
    of_kind: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """Lag, drift and jitter of truth against light. All lengths in samples; `as_dict` gives ms.

    `lags`: a positive lag means: the light crosses after the border, so the truth is early.
    `edge` (samples): median 10–90 % time of the light's edges.
    `uncertainty_samples`: uncertainty of the borders as the truth states it.
    `passes`: number of passes with a crossing.
    `fits`: how well the truth fits as it is, and shifted by one and two passes.
    `ambiguous`: whether the shift is uncertain by whole passes.
    `direction`: what objects do to the light, for all that is measured here.
    `shortest` (samples): median of the shorter of every pass and its gaps, as long as the light shows them.
    `parted`: a part of the passes that another shift moves to the light.
    `room`: what the shift changes; measured if the lag matters.
    `by_chance`: whether edges lie no nearer to borders than they would by chance.
    `fuller`: shifted by so many passes, which fits as well, more of the passes have edges; 0 if none does.
    `turned`: whether `direction` is the contrary of what is stored, because the passes surely follow the light better
    so.
    `contrary`: in the other direction: the stored one if `turned`, else one that fits as well, with less to mend.
    `step` (samples): of which the times of the passes are multiples; 1 if none is found.
    `kinds`: the kinds whose passes come earliest and latest against the light, if these surely lie apart.
    `own_jitter` (samples): standard deviation of the borders about the medians of their kinds.
    `drowned`: whether edges are lost in the noise, but means of the light show the passes where they lie: no lag is
    known, and none is told.
    """

    samples: int
    sample_rate_hz: float
    lags: Lags
    edge: float
    uncertainty_samples: float
    passes: int
    fits: tuple[OtherFit, ...]
    ambiguous: bool
    direction: Direction
    shortest: float
    by_kind: tuple[Group, ...]
    by_time: tuple[Group, ...]
    parted: Parted | None = None
    room: Room | None = None
    by_chance: bool = False
    fuller: int = 0
    turned: bool = False
    contrary: Alignment | None = None
    step: float = 1.0
    kinds: tuple[Group, Group] | None = None
    own_jitter: float = 0.0
    drowned: bool = False

    @property
    def belongs(self) -> bool:
        """Whether the borders follow this light at all, all of them by one shift, in the stored direction."""
        return self.follows and self.contrary is None

    @property
    def follows(self) -> bool:
        """Whether the borders follow this light if products do to it what is stored."""
        if self.parted is not None or self.by_chance or self.turned:
            return False
        return 2 * self.lags.jitter <= FITS_WITHIN * self.shortest and abs(self.width) <= self.shortest

    @property
    def agrees(self) -> bool:
        """Whether nothing is to be said of how the passes lie."""
        return not (self.matters or self.misfits)

    @property
    def apart(self) -> float:
        """How far the passes are from the light in place and length, samples; a clock drifts in either direction."""
        return abs(self.shift.shift) + abs(self.width)

    @property
    def near(self) -> bool:
        """Whether the passes surely follow this light, and lie so near to it that other passes are not meant."""
        return not self.by_chance and self.apart <= self.shortest / 2

    @property
    def alone(self) -> bool:
        """Whether the passes are meant by this light, if they follow it in no other direction: also far from it."""
        return self.near or (self.follows and not self.misfits)

    @property
    def width(self) -> float:
        """How much longer the light shows products than the passes are, samples; negative if shorter."""
        return self.lags.end - self.lags.begin

    @property
    def misfits(self) -> bool:
        """Whether the passes are certainly longer or shorter than the light shows.

        A doubt that is not small beside passes or gaps excuses no length: what the light shows is far closer.
        """
        least = WIDTH_TELLS * max(min(self.doubt, FITS_WITHIN * self.shortest), self.lags.jitter)
        return abs(self.width) > max(least, SURELY * self.lags.width_error)

    @property
    def short(self) -> bool:
        """Whether the light goes over uncertain borders of the passes on both sides, so that products trip in gaps."""
        return self.outside > max(self.doubt, self.lags.jitter)

    @property
    def outside(self) -> float:
        """How far the light goes over the borders of passes that are too short, after the shift, samples; else 0."""
        return max(self.shift.shift - self.lags.begin, self.lags.end - self.shift.shift, 0.0)

    @property
    def right(self) -> str:
        """The borders that agree with the light where the others do not, "starts" or "ends"; else empty."""
        known = {"starts": self.lags.begin, "ends": self.lags.end}
        return next((name for name, lag in known.items() if self.misfits and lag == self.shift.shift), "")

    @property
    def jitter_ms(self) -> float:
        """Spread of the borders about the light, as one standard deviation, ms."""
        return float(self.ms(self.lags.scatter[0]))

    @property
    def measured_jitter_ms(self) -> float | None:
        """Spread of the borders about the light, ms; None if no edge shows it."""
        return None if self.drowned else self.jitter_ms

    @property
    def coarse(self) -> bool:
        """Whether the times of the passes come in steps, or are stated, too coarsely to compare them with the light."""
        return max(self.step, self.uncertainty_samples) > FITS_WITHIN * self.shortest

    @property
    def drifts(self) -> bool:
        """Whether the rates of the clocks certainly differ, by more than steps of the times explain."""
        return self.lags.shift.rate != 0.0

    @property
    def broken(self) -> bool:
        """Whether the rates certainly differ by more than those of sound clocks."""
        return self.drifts and (self.lags.rate_low > MOST_RATE or self.lags.rate_high < -MOST_RATE)

    @property
    def shift(self) -> ClockShift:
        """The shift that moves the truth to the light."""
        return self.lags.shift

    @property
    def matters(self) -> bool:
        """Whether a lag or twice the jitter exceeds the uncertainty, passes are too short, or borders do not fit."""
        off = self.moves or self.short or self.kinds is not None
        return not self.belongs or off or 2 * self.lags.scatter[0] > self.doubt

    @property
    def moves(self) -> bool:
        """Whether the lag at any place exceeds the uncertainty of the borders."""
        return self.shift.most > self.doubt

    @property
    def beside(self) -> float:
        """How far the light goes over uncertain borders, by a lag or as passes are too short, samples; else 0."""
        return max(self.shift.most if self.moves else 0.0, self.outside if self.short else 0.0)

    @property
    def doubt(self) -> float:
        """The present uncertainty of the borders, samples: at least one sample."""
        return max(1.0, self.uncertainty_samples)

    @property
    def doubt_after(self) -> float:
        """The uncertainty of the borders after the shift, samples: measured from 50 borders on, or as stated."""
        edge = 0.0 if math.isnan(self.edge) else self.edge
        # What a shift leaves of passes that are too short lies outside of their borders.
        spread = 2 * self.lags.scatter[0]
        if self.kinds is not None:
            spread = max(spread, 2 * self.own_jitter + max(abs(kind.middle) for kind in self.kinds))
        measured = max(1.0, spread + edge) + (self.outside if self.short else 0.0)
        return measured if self.lags.borders >= MEASURED_FROM else max(measured, self.uncertainty_samples)

    @property
    def rival(self) -> float:
        """How well the best shift by whole passes fits compared with this one, at most 1; 0 if none was tried."""
        own = next(fit.agreeing for fit in self.fits if fit.passes == 0)
        return max((min(1.0, fit.agreeing / own) for fit in self.fits if fit.passes and own), default=0.0)

    @property
    def pitch(self) -> float | None:
        """By how much one more pass changes the shift, samples."""
        return next((abs(fit.shift) for fit in self.fits if abs(fit.passes) == 1), None)

    @property
    def off(self) -> bool:
        """Whether the passes have to be moved, or the right ones found, before counts say much about a setting."""
        return self.moves or not self.belongs

    @property
    def is_clear(self) -> bool:
        """Whether one shift, and no other by whole passes, moves the passes to the light."""
        return self.moves and self.belongs and not self.ambiguous

    def settled(self, whole_periods: int | None) -> bool:
        """Whether the passes can be moved: by one shift, which on a regular line takes a word on whole passes.

        Who saw when one product passed knows its direction too.
        """
        return (
            not self.drowned and self.follows and (whole_periods is not None or not (self.ambiguous or self.contrary))
        )

    def command(self, recording: str, truth: str | None = None, *, looked: bool = False) -> str:
        """Return the command that moves the passes, or shows their borders if no shift would help.

        `looked`: whether the direction was found right by hand.
        """
        on = shlex.quote(recording) + ("" if truth is None else f" --truth {shlex.quote(truth)}")
        if not (self.follows if looked else self.belongs):
            return f"teachlab align {on} --plot borders.svg"
        whole = f" --whole-periods {self.fuller}" if self.ambiguous or self.contrary else ""
        out = f"{recording.removesuffix('.parquet')}-aligned.parquet"
        return f"teachlab align {on}{whole} --out {shlex.quote(out)}"

    def ms(self, samples: float) -> float:
        """Return samples in milliseconds."""
        return 1000 * samples / self.sample_rate_hz

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        lags = self.lags

        def groups(all_of: tuple[Group, ...]) -> list[dict[str, Any]]:
            return [
                {"name": g.name, "borders": g.borders, "begin_ms": self.ms(g.begin), "end_ms": self.ms(g.end)}
                for g in all_of
            ]

        document: dict[str, Any] = {
            "lag_ms": {
                "begin": self.ms(lags.begin),
                "end": self.ms(lags.end),
                "shift": self.ms(lags.shift.shift),
                "low": self.ms(lags.low),
                "high": self.ms(lags.high),
            },
            "drift_ppm": {"estimate": 1e6 * lags.rate, "low": 1e6 * lags.rate_low, "high": 1e6 * lags.rate_high},
            "jitter_ms": self.jitter_ms,
            "width_error_ms": self.ms(self.width),
            "edge_ms": self.ms(self.edge),
            "borders": lags.borders,
            "passes": self.passes,
            "doubt_samples": self.uncertainty_samples,
            "doubt_after_samples": self.doubt_after,
            "step_ms": self.ms(self.step),
            **picked(self, "matters", "belongs", "by_chance", "drowned", "turned", "ambiguous", "fuller"),
            "parted": None
            if self.parted is None
            else {
                **picked(self.parted, "first", "last", "of_kind"),
                "lag_ms": self.ms(self.parted.lag),
            },
            "contrary": None
            if self.contrary is None
            else {
                "shift_ms": self.ms(self.contrary.shift.shift),
                "width_error_ms": self.ms(self.contrary.width),
                "jitter_ms": self.contrary.jitter_ms,
            },
            "pass_ms": None if self.pitch is None else self.ms(self.pitch),
            "matched": {str(fit.passes): fit.agreeing for fit in self.fits},
            "by_kind": groups(self.by_kind),
            "by_time": groups(self.by_time),
            "room": plain(self.room),
        }
        if self.drowned:
            document |= {key: dict.fromkeys(document[key], math.nan) for key in ("lag_ms", "drift_ppm")}
            document |= dict.fromkeys(("jitter_ms", "width_error_ms"), math.nan)
        return document


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignAnswer:
    """What `align` found and wrote.

    `out`: file of the moved passes; None if none was written.
    `left_out`: passes that are outside the recording after the move.
    `moved`: the moved passes; None if they cannot be moved, or were not asked for.
    """

    recording: str
    alignment: Alignment
    out: str | None = None
    left_out: int = 0
    moved: Truth | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        own = picked(self, "out", "left_out")
        return {"schema": 1, "recording": self.recording, **self.alignment.as_dict(), **own}

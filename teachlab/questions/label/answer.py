"""Passes proposed from the light, their doubts, the corrections of a person, and where a replay disagrees."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from teachlab.data.quality.corrected_passes import Correction, read_corrected
from teachlab.data.quality.labellers import TableAgreement, agreement_of
from teachlab.data.quality.labelling import HYSTERESIS, Proposal, propose_passes
from teachlab.data.quality.pass_doubts import (
    LEAST_DOUBT,
    CountCheck,
    LikelyPlace,
    PassDoubt,
    doubts_and_places,
    reconcile,
    time_of,
)
from teachlab.errors import ParameterError, check_least
from teachlab.model.json_values import picked, plain
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.scoring.reasons import Reasons, reasons_of
from teachlab.scoring.scoring import score
from teachlab.sensor.edges import Edges
from teachlab.switching.run import replay


@dataclass(frozen=True, slots=True, eq=False)
class LabelAnswer:
    """Proposed passes.

    `doubts`: in time order.
    `faint`: stretches between passes that may be faint objects; their score is how far the light went (0 to 1).
    `opposite`: stretches in which the light goes to the other side of the background; their score is in the same steps.
    `count`: comparison with a known count.
    `correction`: how a person corrected the proposal.
    `second`: the table of another person.
    `agreement`: how far both agree.
    `replayed`: where the passes and a replay at the middle between the two levels disagree; None without a pass that is
    scored.
    """

    recording: str
    info: RecordingInfo
    samples: int
    proposal: Proposal
    doubts: tuple[PassDoubt, ...]
    faint: tuple[LikelyPlace, ...]
    opposite: tuple[LikelyPlace, ...]
    count: CountCheck | None
    correction: Correction | None
    replayed: Reasons | None
    second: Truth | None = None
    agreement: TableAgreement | None = None

    @property
    def truth(self) -> Truth:
        """The passes: as corrected, or as proposed."""
        return self.proposal.truth if self.correction is None else self.correction.truth

    @property
    def doubtful(self) -> list[PassDoubt]:
        """Passes with a doubt of at least `LEAST_DOUBT`, the most doubtful first."""
        return sorted((one for one in self.doubts if one.doubt >= LEAST_DOUBT), key=lambda one: (-one.doubt, one.start))

    @property
    def unanswered(self) -> list[LikelyPlace]:
        """Stretches that may be faint objects and touch no pass of the table, the strongest first."""
        return sorted(self._apart(self.faint, self.proposal.faint), key=lambda one: (-one.score, one.sample))

    @property
    def unanswered_opposite(self) -> list[LikelyPlace]:
        """Stretches on the other side of the background that touch no pass of the table, in time order."""
        return self._apart(self.opposite, self.proposal.opposite)

    def _apart(self, places: Sequence[LikelyPlace], stretches: Edges) -> list[LikelyPlace]:
        start, end = stretches[:, 0], stretches[:, 1]
        before = np.searchsorted(self.truth.end, start, side="right")
        # As many passes end at or before its start as begin before its end: none lies within.
        apart = before == np.searchsorted(self.truth.start, end)
        return [one for one, outside in zip(places, apart.tolist(), strict=True) if outside]

    def _place(self, one: LikelyPlace) -> dict[str, object]:
        return {
            **picked(one, "sample", "end"),
            "time": time_of(self.info, one.sample),
            "end_time": time_of(self.info, one.end),
            "text": one.text,
        }

    def _listed(self, places: Sequence[LikelyPlace]) -> list[dict[str, object]]:
        return [self._place(one) | {"share": one.score} for one in places]

    @property
    def agreed(self) -> str:
        """How far the tables of two people agree, as a sentence; empty without a second table."""
        if (one := self.agreement) is None:
            return ""
        all_of = one.both + len(one.only_first) + len(one.only_second)
        return (
            f"Both tables have {one.both} of {number_of(all_of, 'product')}; {len(one.only_first)} only the first, "
            f"{len(one.only_second)} only the second. Of those in both, {len(one.kinds_differ)} have another kind."
        )

    @property
    def counted(self) -> str:
        """Whether as many products were counted as passes are proposed, as a sentence; empty without a count."""
        if (check := self.count) is None:
            return ""
        told = f"{number_of(check.counted, 'product was', 'products were')} counted, "
        apart = check.counted - check.proposed
        if apart == 0:
            return f"{told}and as many passes are proposed."
        many = number_of(abs(apart), "is", "are")
        what = f"{many} likely missing" if apart > 0 else f"{many} likely no product, or counted twice"
        return f"{told}{number_of(check.proposed, 'pass is', 'passes are')} proposed: {what}."

    def sentence(self, where: str = "") -> str:
        """Return how many passes there are, and how many are in doubt; `where` they were written, in words."""
        if self.correction is not None:
            return f"{number_of(self.truth.passes, 'pass', 'passes')} taken from the corrected table{where}."
        many = number_of(self.proposal.truth.passes, "pass", "passes")
        return f"{many} proposed{where}. In doubt: {len(self.doubtful)}."

    def columns(self) -> dict[str, list[Any]]:
        """Return further columns of the table for a person: time, doubt and reason of every pass."""
        return {
            "time": [time_of(self.info, one.start) for one in self.doubts],
            "doubt": [f"{100 * one.doubt:.0f} %" for one in self.doubts],
            "reason": [one.reason for one in self.doubts],
        }

    def as_dict(self, **written: object) -> dict[str, object]:
        """Return the document, with the files that were written."""
        found, check, correction = self.proposal, self.count, self.correction
        return {
            "schema": 1,
            **written,
            "recording": self.recording,
            **picked(self.truth, "source", "passes", "uncertainty_samples"),
            **picked(found, "direction", "direction_from"),
            "levels": picked(found.levels, "low", "high", "separation"),
            **picked(found, "shortest_samples", "dropped"),
            "doubtful": [
                {
                    "pass": one.row,
                    **picked(one, "start", "end"),
                    "time": time_of(self.info, one.start),
                    **picked(one, "doubt", "reason"),
                }
                for one in self.doubtful
            ],
            "faint": self._listed(self.unanswered),
            "opposite": self._listed(self.unanswered_opposite),
            "count": None
            if check is None
            else {
                **picked(check, "counted", "proposed"),
                "places": [self._place(place) for place in check.places],
            },
            "correction": None
            if correction is None
            else picked(correction, "as_proposed", "moved", "added", "taken_out", "notes"),
            "agreement": None
            if self.agreement is None
            else {
                **picked(self.agreement, "both", "only_first", "only_second", "same", "kinds_differ"),
                "border_ms": 1000 * self.agreement.border_samples / self.info.sample_rate_hz,
            },
            "replayed": plain(self.replayed),
        }


def label(
    recording: Recording,
    *,
    direction: Direction | None = None,
    min_ms: float | None = None,
    count: int | None = None,
    corrected: str | None = None,
    against: str | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> LabelAnswer:
    """Propose passes, say what is doubtful about them, and read the corrections of a person.

    `count`: how many products passed, from another count.
    `corrected`: a corrected table to check and use.
    `against`: that of another person; both are compared.
    Raises RecordingError if the light does not have two levels.
    Raises TruthError if a corrected table cannot be used, with line and value.
    Raises ParameterError if a second table is given without a first, or the count is no number of products.
    """
    if count is not None:
        check_least("count", count, 1)
    if against is not None and corrected is None:
        raise ParameterError("--against compares with the table that --from names: give that too.")
    found = propose_passes(recording, direction=direction, min_ms=min_ms, progress=progress)
    doubts, faint, opposite = doubts_and_places(recording, found)
    check = None if count is None else reconcile(recording, found, doubts, faint, opposite, count)
    correction = None if corrected is None else read_corrected(corrected, recording, found.truth)
    truth = found.truth if correction is None else correction.truth
    second = None if against is None else read_corrected(against, recording, found.truth).truth
    return LabelAnswer(
        recording=recording.name,
        info=recording.info,
        samples=recording.samples,
        proposal=found,
        doubts=tuple(doubts),
        faint=tuple(faint),
        opposite=tuple(opposite),
        count=check,
        correction=correction,
        replayed=_replayed(recording, found, truth) if truth.passes else None,
        second=second,
        agreement=None if second is None else agreement_of(truth, second),
    )


def _replayed(recording: Recording, found: Proposal, truth: Truth) -> Reasons | None:
    levels = found.levels
    middle, band = (levels.low + levels.high) / 2, HYSTERESIS * (levels.high - levels.low) / 2
    setting = Setting(
        unit=recording.info.unit,
        on_level=middle + band,
        off_level=middle - band,
        polarity=Polarity.LIGHT_ON if found.direction is Direction.RISE else Polarity.DARK_ON,
    )
    scored = score(replay(recording, setting), truth)
    return reasons_of(recording, truth, setting, scored) if scored.counts.scored_passes else None

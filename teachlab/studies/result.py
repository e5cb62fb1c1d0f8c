"""The result of a bench of one recording: results of strategies, their order, the recommendation, the verdict."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment
    from teachlab.device.keyed_in import SteppedSetting
    from teachlab.model.draws import Draw, DrawOptions, Spread
    from teachlab.model.score import Score
    from teachlab.model.setting import Setting
    from teachlab.model.verdict import Verdict
    from teachlab.questions.stress.worth import Worth
    from teachlab.questions.surface.hindsight import Hindsight
    from teachlab.statistics.claims.orders import Order
    from teachlab.studies.in_hindsight.ceiling import Ceiling


@dataclass(frozen=True, slots=True, kw_only=True)
class StrategyResult:
    """One strategy on one recording.

    Parameters
    ----------
    parameters : mapping
        Its parameters as plain JSON values.
    draws : sequence of Draw
        In order of their numbers.
    spreads : mapping of str to Spread
        By measure; empty if no draw gave a setting.
    median_draw : Draw or None
        The draw with the median cost of those that gave a setting.
    worth : Worth or None
        Score, margin, reserves, clearance and switching position of its setting, over all scored passes.
    ranking_cost : float
        Median cost with abstentions and failures counted as infinite.
    """

    strategy: str
    parameters: Mapping[str, Any]
    draws: Sequence[Draw]
    spreads: Mapping[str, Spread]
    median_draw: Draw | None
    worth: Worth | None
    ranking_cost: float

    @property
    def median_score(self) -> Score | None:
        """Score of the median draw's setting, by replay."""
        return None if self.worth is None else self.worth.score

    @property
    def abstained(self) -> int:
        """Draws in which the strategy abstained."""
        return sum(bool(d.abstained) for d in self.draws)

    @property
    def failed(self) -> int:
        """Draws in which the strategy failed."""
        return sum(bool(d.failed) for d in self.draws)

    @property
    def unusable(self) -> str:
        """Why the median setting cannot be used at any cost; empty if it can."""
        found = self.median_score
        if found is None:
            return ""
        if found.probably_inverted:
            return "its output is active for most of the gap time"
        return "" if found.counts.onsets else "its output never switches on"

    @property
    def reasons(self) -> dict[str, int]:
        """Why it abstained or failed, and how often; one example text per kind."""
        return dict(Counter(text for d in self.draws if (text := d.abstained or d.failed)).most_common())


@dataclass(frozen=True, slots=True, kw_only=True)
class Recommendation:
    """The setting to use: chosen on the first half of the scored passes; its claim is computed on the second.

    Parameters
    ----------
    draw : int
        Number of the draw whose cost on the first half is the median of the strategy's draws.
    setting : Setting
        The setting that it taught.
    chosen_on : int
        Scored passes of the first half.
    chosen_cost : float
        Median cost of the strategy there.
    tied : tuple of str
        Other strategies whose draws cost the same there.
    worth : Worth
        Score, margin, reserves, clearance and switching position, on the second half.
    keyed : SteppedSetting or None
        With a device, what to key in, rounded on the first half. `setting` is then in its steps.
    worst_end : str
        With a device, which end of what its display values may mean costs most on the second half.
    worst : Setting or None
        The setting at that end; `worth` belongs to it.
    passed_over : tuple of (str, str)
        Strategies that cost no more on the first half and cannot be keyed in, with the reason.
    """

    strategy: str
    draw: int
    setting: Setting
    chosen_on: int
    chosen_cost: float
    tied: tuple[str, ...]
    worth: Worth
    keyed: SteppedSetting | None = None
    worst_end: str = ""
    worst: Setting | None = None
    passed_over: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingBench:
    """All strategies on one recording.

    Parameters
    ----------
    teach_passes, scored_passes : int
        Detect passes in the teach block, and detect passes that are trials in the scored block.
    ranking : sequence of str
        Names, cheapest first; strategies that abstain in more than half of the draws are left out.
    results : sequence of StrategyResult
        In the order of the ranking, unranked ones last.
    rows : sequence of list of str
        The same names in rows of one cost.
    orders : sequence of Order or None
        How sure it is that each row costs less than the next, by the settings of their first strategies.
    best_fixed : Hindsight
        The setting against which regret is measured.
    ceiling : Ceiling
        What fixed levels, a complete setting and levels that follow achieve in hindsight.
    recommendation : Recommendation or None
        None if fewer than two passes are scored, or no strategy is ranked there.
    self_labelled, synthetic : bool
        What the evidence may not be used for.
    alignment : Alignment or None
        How the passes lie against the light; None if it cannot be measured.
    device : str or None
        Name of the device in whose steps all settings are; None without one.
    """

    recording: str
    unit: str
    teach_passes: int
    scored_passes: int
    ranking: Sequence[str]
    results: Sequence[StrategyResult]
    rows: Sequence[Sequence[str]]
    orders: Sequence[Order | None]
    best_fixed: Hindsight
    ceiling: Ceiling
    recommendation: Recommendation | None
    options: DrawOptions
    verdict: Verdict
    self_labelled: bool
    synthetic: bool
    alignment: Alignment | None
    device: str | None = None

    def row_of(self, strategy: str) -> int | None:
        """Return the row of a strategy; None for one that is unranked."""
        return next((k for k, row in enumerate(self.rows) if strategy in row), None)

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

    `parameters`: its parameters as plain JSON values.
    `draws`: in order of their numbers.
    `spreads`: by measure; empty if no draw gave a setting.
    `median_draw`: the draw with the median cost of those that gave a setting.
    `worth`: score, margin, reserves, clearance and switching position of its setting, over all scored passes.
    `ranking_cost`: median cost with abstentions and failures counted as infinite.
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

    `draw`: number of the draw whose cost on the first half is the median of the strategy's draws.
    `setting`: the setting that it taught.
    `chosen_on`: scored passes of the first half.
    `chosen_cost`: median cost of the strategy there.
    `tied`: other strategies whose draws cost the same there.
    `worth`: score, margin, reserves, clearance and switching position, on the second half.
    `keyed`: with a device, what to key in, rounded on the first half. `setting` is then in its steps.
    `worst_end`: with a device, which end of what its display values may mean costs most on the second half.
    `worst`: the setting at that end; `worth` belongs to it.
    `passed_over`: strategies that cost no more on the first half and cannot be keyed in, with the reason.
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

    `teach_passes`, `scored_passes`: detect passes in the teach block, and detect passes that are trials in the scored
    block.
    `ranking`: names, cheapest first; strategies that abstain in more than half of the draws are left out.
    `results`: in the order of the ranking, unranked ones last.
    `rows`: the same names in rows of one cost.
    `orders`: how sure it is that each row costs less than the next, by the settings of their first strategies.
    `best_fixed`: the setting against which regret is measured.
    `ceiling`: what fixed levels, a complete setting and levels that follow achieve in hindsight.
    `recommendation`: None if fewer than two passes are scored, or no strategy is ranked there.
    `self_labelled`, `synthetic`: what the evidence may not be used for.
    `alignment`: how the passes lie against the light; None if it cannot be measured.
    `device`: name of the device in whose steps all settings are; None without one.
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

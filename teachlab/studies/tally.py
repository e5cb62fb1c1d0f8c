"""What the settings of a bench did on the scored block, and on its halves; the best fixed setting of all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import surface
from teachlab.questions.surface.count_settings import Counted, bare
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.questions.surface.hindsight import hindsight
from teachlab.studies.result import BestFixed


@dataclass(frozen=True, slots=True)
class Tally:
    """What every distinct setting did from one pass on."""

    counts: Counted

    def __getitem__(self, setting: Setting) -> PairCounts:
        return self.counts[bare(setting)]

    def before(self, later: Tally) -> Tally:
        """Return what is left without the later part: the counts of the first half from those of both."""
        return Tally({s: _less(n, later.counts[s]) for s, n in self.counts.items()})


def best_fixed(recording: Recording, truth: Truth, tally: Tally, *, options: DrawOptions, first_pass: int) -> BestFixed:
    """Find the best fixed setting among all pairs of levels, and among all fixed settings that were taught."""
    fixed = [(s, n.cost(options.costs)) for s, n in tally.counts.items() if type(s) is Setting]
    polarities = [s.polarity for s, _ in fixed]
    polarity = max(dict.fromkeys(polarities), key=polarities.count, default=Polarity.LIGHT_ON)
    base = options.base or Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0)
    table = surface(recording, truth, base.with_levels(0.0, 0.0, polarity), rules=options.rules.scored_from(first_pass))
    found = hindsight(table, costs=options.costs, others=fixed)
    return BestFixed(
        setting=found.setting,
        cost=found.cost,
        equally_good=found.equally_good,
        on_interval=found.on_interval,
        off_interval=found.off_interval,
        searched=found.searched,
    )


def _less(all_of_it: PairCounts, later: PairCounts) -> PairCounts:
    names: Sequence[str] = [f.name for f in fields(PairCounts)]
    return PairCounts(**{name: getattr(all_of_it, name) - getattr(later, name) for name in names})

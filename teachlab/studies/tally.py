"""Results of the settings of a bench on the scored block, and on its halves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

from teachlab.model.setting import Setting, bare
from teachlab.questions.surface.count_settings import Counted
from teachlab.questions.surface.given_settings.pairs import PairCounts


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of every distinct setting from one pass on."""

    counts: Counted

    def __getitem__(self, setting: Setting) -> PairCounts:
        return self.counts[bare(setting)]

    def before(self, later: Tally) -> Tally:
        """Return the counts without the later part: those of the first half, from those of both."""
        return Tally({s: _less(n, later.counts[s]) for s, n in self.counts.items()})


def _less(all_of_it: PairCounts, later: PairCounts) -> PairCounts:
    names: Sequence[str] = [f.name for f in fields(PairCounts)]
    return PairCounts(**{name: getattr(all_of_it, name) - getattr(later, name) for name in names})

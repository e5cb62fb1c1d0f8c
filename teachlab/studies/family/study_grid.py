"""What a study asks about which recordings, and the result of a piece: values only."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from teachlab.data.addresses import is_address, stem_of
from teachlab.data.opening import open_pair
from teachlab.data.recording_places import PASSES
from teachlab.data.truth_files import beside
from teachlab.errors import InputError, ParameterError
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.setting import Switching
from teachlab.model.truth import Truth

if TYPE_CHECKING:
    from teachlab.studies.family.configurations import Configuration
    from teachlab.studies.family.family_verdict import FamilyJudge
    from teachlab.studies.family.line_conditions import LineCondition

Row = dict[str, Any]
COUNTED = ("passes", "lost", "gaps", "tripped", "trips", "extra", "ignore_trips")
"""The counts kept for every lot of the claim half."""
STATISTICS = ("", "_p05", "_p95", "_worst")
"""Statistics of each measure over the draws: the median has the plain name."""


@dataclass(frozen=True, slots=True)
class StudiedLine:
    """A studied recording, with its passes and the user's columns.

    `path`: local path or address; for a recording in memory its name.
    `truth`: table of passes, if it is not the one beside the recording.
    `facts`: the user's own columns: sensor, condition, product and so on.
    `opened`: recording and passes that were given in memory.
    """

    path: str
    truth: str | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    opened: tuple[Recording, Truth] | None = None

    @property
    def name(self) -> str:
        """Name of the recording, as its file is called."""
        return stem_of(self.path)

    @property
    def files(self) -> list[Path]:
        """The local files of recording and passes, as far as there are any."""
        passes = [beside(self.path, ending) for ending in PASSES] if self.truth is None else [self.truth]
        named = [self.path, *passes] if self.opened is None else []
        return [Path(one) for one in named if not is_address(one)]

    def open(self) -> tuple[Recording, Truth]:
        """Open recording and passes."""
        return open_pair(self.path, self.truth) if self.opened is None else self.opened


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyGrid:
    """What a study asks about every recording.

    `bases` (mapping of name to Setting, Switching or None): delays, filters and evaluation rates under which everything
    is taught; a setting is valid for its own unit only.
    `conditions`: conditions under which every setting is tried, after it was taught on the recorded light.
    `options`: draws, share to teach on, costs and rules; base and seed are those above.
    """

    configurations: tuple[Configuration, ...]
    bases: Mapping[str, Switching | None]
    seeds: tuple[int, ...]
    conditions: tuple[LineCondition, ...]
    options: DrawOptions

    @property
    def rows(self) -> int:
        """Rows of one recording."""
        return len(self.configurations) * len(self.bases) * len(self.seeds) * len(self.conditions)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPiece:
    """Input of a worker: a recording, what is asked about it, and the keys of existing rows.

    `code`: fingerprint of the code that asks.
    `untried`: if given, no strategy is taught: every draw fails for this reason.
    """

    line: StudiedLine
    grid: StudyGrid
    known: frozenset[str] = frozenset()
    code: str
    untried: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceRows:
    """Result of a piece: its rows in the order of the grid, or why there are none.

    `recording_id`: calculated from the content of recording and passes; empty if they could not be read.
    `keys`: of all rows of the piece, in order.
    `rows`: the rows that were not known yet.
    """

    recording_id: str = ""
    keys: tuple[str, ...] = ()
    rows: Mapping[str, Row] = field(default_factory=dict)
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """What is studied, and how it is judged."""

    lines: tuple[StudiedLine, ...]
    grid: StudyGrid
    judge: FamilyJudge

    def __post_init__(self) -> None:
        if not self.lines:
            raise InputError("a study needs at least one recording.")
        if not self.grid.configurations:
            raise ParameterError("a study needs at least one strategy.")
        classes: dict[str, type] = {}
        for one in self.grid.configurations:
            if classes.setdefault(one.strategy.name, type(one.strategy)) is not type(one.strategy):
                raise ParameterError(f"two strategies call themselves '{one.strategy.name}'. Rename one of them.")
        _once("recording", [line.path for line in self.lines])
        _once("seed", list(map(str, self.grid.seeds)))
        _once("condition", [condition.name for condition in self.grid.conditions])


def _once(what: str, names: Sequence[str]) -> None:
    for name, many in Counter(names).items():
        if many > 1:
            raise ParameterError(f"the {what} '{name}' is named twice. Name every one once.")

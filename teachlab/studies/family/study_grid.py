"""What a study asks of which recordings, and what comes of a piece: values alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from teachlab.data.addresses import stem_of
from teachlab.data.opening import open_pair
from teachlab.errors import InputError, ParameterError
from teachlab.model.draws import DrawOptions
from teachlab.model.recording import Recording
from teachlab.model.truth import Truth

if TYPE_CHECKING:
    from teachlab.model.setting import Switching
    from teachlab.studies.family.configurations import Configuration
    from teachlab.studies.family.family_verdict import FamilyJudge
    from teachlab.studies.family.line_conditions import LineCondition

Row = dict[str, Any]
COUNTED = ("passes", "lost", "gaps", "tripped", "trips", "extra", "ignore_trips")
"""What is kept of every lot of the claim half."""
STATISTICS = ("", "_p05", "_p95", "_worst")
"""Of each measure over the draws: the median bears the bare name."""


@dataclass(frozen=True, slots=True)
class StudiedLine:
    """A recording that is studied, with its passes and what is known of the line.

    Parameters
    ----------
    path : str
        Local path or address; for a recording in memory its name.
    truth : str, optional
        Table of passes that is not the one beside the recording.
    facts : mapping of str to str
        Sensor, condition, product … as named by whoever asks.
    opened : (Recording, Truth), optional
        What was handed over in memory.
    """

    path: str
    truth: str | None = None
    facts: Mapping[str, str] = field(default_factory=dict)
    opened: tuple[Recording, Truth] | None = None

    @property
    def name(self) -> str:
        """Name of the recording, as its file is called."""
        return stem_of(self.path)

    def open(self) -> tuple[Recording, Truth]:
        """Open recording and passes."""
        return open_pair(self.path, self.truth) if self.opened is None else self.opened


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyGrid:
    """What a study asks of every recording.

    Parameters
    ----------
    configurations : tuple of Configuration
    bases : mapping of name to Setting, Switching or None
        Delays, filters and evaluation rates under which everything is taught; a setting is for its own unit only.
    seeds : tuple of int
    conditions : tuple of LineCondition
        Under which every setting is tried, once it is taught on the light as recorded.
    options : DrawOptions
        Draws, share to teach on, costs and rules; base and seed are those above.
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
    """What a worker is given: a recording, what is asked of it, and the keys of rows that are there already."""

    line: StudiedLine
    grid: StudyGrid
    known: frozenset[str] = frozenset()
    code: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceRows:
    """What came of a piece: its rows in the order of the grid, or why there are none.

    Parameters
    ----------
    recording_id : str
        Told from the content of recording and passes; empty where they could not be read.
    keys : tuple of str
        Of all rows of the piece, in order.
    rows : mapping of key to row
        Those that were not known yet.
    fault : str
    """

    recording_id: str = ""
    keys: tuple[str, ...] = ()
    rows: Mapping[str, Row] = field(default_factory=dict)
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPlan:
    """What is studied, and how it is judged.

    Parameters
    ----------
    lines : tuple of StudiedLine
    grid : StudyGrid
    judge : FamilyJudge
    """

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

    @property
    def teachings(self) -> int:
        """Teachings of the whole study, draws counted."""
        each = self.grid.rows // len(self.grid.conditions) * self.grid.options.draws
        return each * len(self.lines)


def _once(what: str, names: Sequence[str]) -> None:
    for name in names:
        if names.count(name) > 1:
            raise ParameterError(f"the {what} '{name}' is named twice. Name every one once.")

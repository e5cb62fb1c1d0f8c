"""What a decision rests on, the rules by which a setting is judged, its files, and the step with which these go on."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from teachlab.model.draws import Costs
from teachlab.model.printable_text import typed_again
from teachlab.statistics.claims.decisions import ACCEPTED_ERRORS, GOOD, Decision
from teachlab.statistics.claims.lot_claims import NOTHING, Assumption

if TYPE_CHECKING:
    from teachlab.data.alignment.answer import Alignment

NEW = "NEW.parquet"
"""Stands for the recording that is still to be made."""
LOG = "Log a new recording"
"""Begins the step of a verdict for which more must be recorded."""
FOLLOWERS = {"following": "background-follower", "turning points": "turning-point-follower"}
"""Strategies that teach what a change of this kind is."""
DESIGNED = frozenset({"designed", "filter", "on-delay", "off-delay", "band"})
"""Kinds of change that a design makes."""


class Ground(StrEnum):
    """What a decision rests on."""

    COST = "cost"
    BOTH_SIDES = "both sides"
    OVERTURNED = "overturned"
    LOST_BEFORE = "passes outside the claim are lost"
    LOST_KIND = "a kind is lost"
    SCALE_END = "level at an end of the scale"
    PASSES_BESIDE = "passes beside the light"
    PASSES_EMPTY = "nothing in the passes"
    LOG_STOPPED = "log stands still"
    LONE_GAP = "active in one gap"


UNSHOWN = frozenset({Ground.PASSES_BESIDE, Ground.PASSES_EMPTY})
"""Grounds on which the passes show nothing about a setting: nothing is claimed, and no room is told."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundedDecision:
    """A decision, and what it rests on."""

    decision: Decision
    ground: Ground

    @property
    def good(self) -> bool:
        """Whether the setting may be used."""
        return self.decision in GOOD


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedBy:
    """Rules by which a setting is judged.

    `accepted`: errors per pass that are accepted.
    `assumption`: what the headline may assume.
    `alignment`: how the borders of the passes lie against the light, if that was measured.
    `cures`: whether to try changes even for a setting that may be used as it is.
    `files`: for the next step.
    """

    costs: Costs = field(default_factory=Costs)
    accepted: float = ACCEPTED_ERRORS
    assumption: Assumption = NOTHING
    alignment: Alignment | None = None
    cures: bool = False
    files: FilesJudged | None = None

    @property
    def setting_file(self) -> str:
        """File of the setting that is judged; empty if it is in none."""
        return "" if self.files is None or self.files.setting is None else self.files.setting


@dataclass(frozen=True, slots=True, kw_only=True)
class FilesJudged:
    """The files of recording and setting, so that the next step works as printed.

    `setting`: file of the setting that was judged.
    `truth`: table of passes, if it is not the one beside the recording.
    `keep`: command that writes the setting, if it is in no file yet.
    """

    recording: str
    setting: str | None = None
    truth: str | None = None
    keep: str = ""

    def next_step(
        self, decision: Decision, *, fixed: bool = True, both_sides: bool = False, borders: bool = False, log: str = "",
        cure: str | None = None, align: Alignment | None = None, again: bool = False,
    ) -> str:  # fmt: skip
        """Return how to go on with the judged setting.

        `fixed`: whether its levels are fixed: only such a setting can have a record.
        `both_sides`: whether objects lie on both sides of the background.
        `borders`: whether the borders of the passes are in the way.
        `log`: how much must be recorded before anything can be decided; empty if there is enough.
        `cure`: kind of the best change that is told; empty if none leaves at most half of the errors, None if none was
        looked for.
        `align`: if the passes lie beside the light: they are moved first.
        `again`: whether a new recording is for teaching anew.
        """
        if align is not None:
            return align.command(self.recording, self.truth)
        on = typed_again(self.recording, truth=self.truth)
        of = typed_again(self.recording, truth=self.truth, setting=self.setting)
        if both_sides:
            return f"teachlab bench {on} --strategy two-threshold --strategy guard-or-window --out results"
        keep = self.keep or f"teachlab bench {on} --out results"
        if decision in GOOD:
            if self.setting is None:
                return keep
            if fixed:
                return f"teachlab report {of} --out record"
            if self.keep:
                return f"teachlab replay {of} --details"
            return f"{LOG} on another day. Then: teachlab replay {typed_again(NEW, setting=self.setting)}"
        if borders:
            return f"teachlab align {on}"
        if log:
            ask = f"{LOG} with {log}, and name the lot of every pass."
            if again:
                return f"{ask} Then: teachlab bench {NEW} --out results"
            if self.setting is None:
                return f"{ask} Save this setting for it: {keep}"
            return f"{ask} Then: teachlab replay {typed_again(NEW, setting=self.setting)}"
        # How well it follows what is to come is for its draws to say: a change that was tried knew all passes.
        follower = f"--strategy {FOLLOWERS.get(cure or '')}"
        if cure in FOLLOWERS and follower not in keep and "--strategy all" not in keep:
            return f"teachlab bench {on} {follower}"
        # A design that could be better still is not mended by the same design, nor by way of a setting that follows.
        followed = cure == "designed" and any(f"--strategy {name}" in keep for name in FOLLOWERS.values())
        if cure in DESIGNED and not followed and not keep.startswith("teachlab design "):
            return f"teachlab design {on}"
        return f"teachlab counterfactual {of} --best" if cure == "" or followed else f"teachlab surface {of}"

"""What a row keeps of its setting, so that it is judged without its light as a bench judges it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from teachlab.data.setting_files import setting_from_dict
from teachlab.model.json_values import plain
from teachlab.model.setting import Setting, Taught
from teachlab.model.verdict import MOST_REASONS, VerdictReason
from teachlab.questions.verdict.count_words import in_order
from teachlab.questions.verdict.judged_by import GroundedDecision, JudgedBy
from teachlab.questions.verdict.judgement import GroupLost, JudgedSetting, KnownSetting, Overturned
from teachlab.questions.verdict.of_setting import cause_reasons, place_reasons, rare_kind_text
from teachlab.scoring.claimable import EvidenceLimits, OpenCondition
from teachlab.scoring.claims import LotCounts
from teachlab.scoring.error_places import error_places
from teachlab.statistics.claims.orders import CostBound
from teachlab.statistics.lots import Source
from teachlab.studies.claim_half import ClaimHalf, FixedSetting, HalfByLot
from teachlab.studies.family.study_grid import COUNTED, Row
from teachlab.studies.recommend import by_choice, with_equal_cost
from teachlab.teaching.registry import RECOMMENDED

_NUMBERS = ("wrong", "of", "scored", "mistaken", "empty", "still", "usable", "share", "scale_end", "beside", "off")
_REASONS = ("both_sides", "swapped", "lone_gap")
_OTHERS = ("groups", "moved", "few_lots")


def in_order_of_choice(judged: Sequence[RowJudgement], preferred: str = RECOMMENDED) -> list[int]:
    """Return the places of the rows of one recording in the order in which a bench would recommend their settings.

    `preferred`: strategy that comes first among equals.
    """
    settings = {
        str(k): FixedSetting(one.row["strategy"], one.row["draw"], one.setting, one.row["chosen_cost"],
                             one.row["chosen_p95"], one.row["room"])
        for k, one in enumerate(judged)
    }  # fmt: skip
    compared = with_equal_cost(settings)
    fixed = [
        replace(one, room=one.room if name in compared else None, useless=judged[int(name)].useless)
        for name, one in settings.items()
    ]
    place = {id(one): k for k, one in enumerate(fixed)}
    return [place[id(one)] for one in by_choice(fixed, preferred)]


def judgement_text(case: JudgedSetting, half: ClaimHalf, taught: Taught | None) -> str:
    """Return, as JSON, what was found out about a setting, and about the same setting on the halves of its choice.

    `taught`: where this one was taught and chosen; others with its levels were shown other passes.
    """
    tried, usable = half.errors(case.truth)
    return json.dumps(
        {
            **{name: plain(getattr(case, name)) for name in (*_NUMBERS, *_REASONS, *_OTHERS)},
            **_reasons(case, half.setting),
            "left_out": plain(case.found.left_out),
            "ignore_passes": case.found.ignore_passes,
            "failing": _lots(case.failing),
            "tried": _lots(tried),
            "tried_usable": usable,
            "useless": half.useless,
            # Rows go by the digest of the light: files of one content have one row, whatever their names.
            "taught": _on(plain(taught), None),
            "half": plain(HalfByLot.of(case.recording, case.truth, half.score)),
        }
    )


def _reasons(case: JudgedSetting, setting: Setting) -> dict[str, Any]:
    """Return, by their names in `in_order`, reasons that a judgement may tell; `setting` says on what it was taught."""
    where = {"places": case.found.trials, "outside": case.every}
    found = {name: place_reasons(case.recording, error_places(case.truth, one)) for name, one in where.items()}
    found |= {"causes": cause_reasons(case)}
    # Of an output that loses most of its passes no more is told than fits the screen.
    return {name: plain(some[: MOST_REASONS + 1]) for name, some in found.items()} | {
        "rare": plain(rare_kind_text(setting, case.truth))
    }


def _on(taught: dict[str, Any] | None, recording: str | None) -> dict[str, Any] | None:
    """Return where a setting was taught with another name of the recording."""
    if taught is None:
        return None
    evidence = {
        name: value | {"recording": recording} if isinstance(value, dict) and "recording" in value else value
        for name, value in taught["evidence"].items()
    }
    return taught | {"evidence": evidence}


def _lots(counts: LotCounts) -> dict[str, Any]:
    return {"source": str(counts.source), "named_lots": counts.named_lots} | {
        name: getattr(counts, name).tolist() for name in COUNTED
    }


def _read_lots(found: dict[str, Any]) -> LotCounts:
    columns = {name: np.array(found[name], np.int64) for name in COUNTED}
    lots = columns["passes"].size
    return LotCounts(
        source=Source(found["source"]), named_lots=found["named_lots"], first_pass=np.arange(lots),
        whole=np.ones(lots, bool), **columns,
    )  # fmt: skip


def claim_counts(row: Row) -> LotCounts:
    """Return the counts of a row by the lots of the claim half."""
    lots = row["lots"] or []
    columns = {name: [lot[name] for lot in lots] for name in COUNTED}
    return _read_lots({"source": row["lot_source"] or Source.BLOCKS, "named_lots": row["named_lots"] or 0, **columns})


@dataclass(frozen=True, slots=True)
class RowJudgement:
    """A row with what it keeps for a judgement."""

    row: Row
    kept: dict[str, Any]

    @classmethod
    def of(cls, row: Row) -> RowJudgement:
        """Read what a row of the recorded light with a setting keeps."""
        return cls(row, json.loads(row["judged"]))

    @property
    def useless(self) -> bool:
        """Whether the output was active for most of the gap time of the choosing half, or never."""
        return bool(self.kept["useless"])

    @property
    def setting(self) -> Setting:
        """The setting, with the passes on which it was taught and chosen."""
        found = json.loads(self.row["setting"]) | {"taught": _on(self.kept["taught"], self.row["recording"])}
        return setting_from_dict(found, "the row of a study")

    @property
    def half(self) -> HalfByLot:
        """What the setting did on the claim half."""
        return HalfByLot(**self.kept["half"])

    def reasons(self, case: KnownSetting, judged: GroundedDecision) -> tuple[list[VerdictReason], tuple[str, ...]]:
        """Return the reasons of a decision on this setting, and what more of this recording would do."""
        told: dict[str, Any] = {
            name: [VerdictReason(**one) for one in self.kept[name]] for name in ("places", "outside", "causes")
        }
        rare = self.kept["rare"]
        return in_order(case, judged, **told, rare=None if rare is None else VerdictReason(**rare))

    def tried(self, confidence: float) -> tuple[CostBound, bool]:
        """Return its errors per pass over both halves, and whether its output is usable there."""
        return _read_lots(self.kept["tried"]).bound(confidence=confidence), bool(self.kept["tried_usable"])

    def known(
        self, by: JudgedBy, confidence: float, candidates: Sequence[tuple[CostBound, bool]] = (),
        overturned: Overturned | None = None,
    ) -> KnownSetting:  # fmt: skip
        """Return all that is known of the setting; parameters as for `setting_verdict`."""
        kept: dict[str, Any] = self.kept
        reasons: dict[str, Any] = {
            name: None if kept[name] is None else VerdictReason(**kept[name]) for name in _REASONS
        }
        return KnownSetting(
            by=by,
            confidence=confidence,
            candidates=candidates,
            overturned=overturned,
            found=EvidenceLimits(
                left_out=kept["left_out"],
                ignore_passes=kept["ignore_passes"],
                conditions={OpenCondition(one["condition"]): one["text"] for one in self.row["open"] or ()},
            ),
            counts=claim_counts(self.row),
            failing=_read_lots(kept["failing"]),
            groups=[GroupLost(**one) for one in kept["groups"]],
            moved=None if kept["moved"] is None else tuple(kept["moved"]),
            few_lots=tuple(kept["few_lots"]),
            **{name: kept[name] for name in _NUMBERS},
            **reasons,
        )

"""Quality, alignment and the best pair of fixed levels, counted, as one value."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from teachlab.data.alignment import Alignment, alignment_of
from teachlab.data.quality.report import Quality, inspect_recording
from teachlab.errors import InputError
from teachlab.model.recording import Recording
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.truth import Truth
from teachlab.questions.surface.hindsight import Hindsight, best_fixed


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InspectAnswer:
    """What `inspect` knows of a recording.

    Parameters
    ----------
    quality : Quality
    alignment : Alignment or None
        How the passes lie against the light; None without passes, or where it cannot be measured.
    best : Hindsight or None
        The best pair of fixed levels, every pass and gap counted; None without passes that can be scored.
    """

    quality: Quality
    alignment: Alignment | None
    best: Hindsight | None

    @property
    def works(self) -> bool | None:
        """Whether some pair of fixed levels gets every pass and gap right; None where nothing was counted."""
        return None if self.best is None else self.best.cost == 0

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            **self.quality.as_dict(),
            "works": self.works,
            "best_fixed": None if self.best is None else self.best.as_dict(),
            "alignment": None if self.alignment is None else self.alignment.as_dict(),
        }


def inspected(
    recording: Recording,
    truth: Truth | None,
    *,
    rules: Rules = USUAL_RULES,
    progress: Callable[[float], None] = lambda share: None,
) -> InspectAnswer:
    """Measure a recording's quality, how its passes lie, and count the best pair of fixed levels.

    Parameters
    ----------
    recording : Recording
    truth : Truth or None
    rules : Rules, optional
    progress : callable
        Told the share that is done.

    Raises
    ------
    InputError
        If recording and passes do not fit together, or no sample is valid.

    Notes
    -----
    Peaks alone do not tell whether a level works: light that dips inside an object switches twice. So every pair of
    levels is counted, as `surface` does.
    """
    quality = inspect_recording(recording, truth, rules=rules, progress=lambda share: progress(0.5 * share))
    if truth is None or truth.passes == 0:
        return InspectAnswer(quality=quality, alignment=None, best=None)
    best = None
    if quality.direction is not None:
        try:
            best = best_fixed(recording, truth, {}, rules=rules)
        except InputError:
            best = None  # nothing can be scored, or the light is too large to be counted
    alignment = alignment_of(recording, truth, rules)
    progress(1.0)
    return InspectAnswer(quality=quality, alignment=alignment, best=best)

"""A verdict: what to do, with which setting, what is claimed, why, and what comes next."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from teachlab.model.json_values import Document
from teachlab.model.margin import EqualCost
from teachlab.model.setting import Setting

MOST_REASONS = 3
"""Number of reasons that a verdict gives."""
TO_BE_COMPARED = "Its own output was logged too; agree and report compare it, which may set a limit."
"""Of a sensor whose own output lies beside the light: a replay does not look at it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadlineClaim:
    """The one claim of a verdict.

    `text`: one sentence.
    `upper`: the claimed bound; None if nothing is claimed.
    `confidence`: one-sided.
    `assume`: assumption of the bound: lots, independent, or icc = …
    `lots`, `passes`: number of lots and passes that it is based on.
    `beside`: bounds that assume more, and what is counted beside the claim, one sentence each.
    `more`: what else may be recorded, and what that shows, one sentence each: for the details. What decides stands in
    the next step.
    """

    text: str
    upper: float | None = None
    confidence: float = 0.95
    assume: str = "lots"
    lots: int | None = None
    passes: int | None = None
    beside: tuple[str, ...] = ()
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictReason:
    """One reason, largest cause first.

    `text`: one sentence.
    `count`: number of passes, gaps or trips that it is about.
    `first_at_s`: time of the first of them in the recording.
    `better`: whether it is a change that leaves fewer errors: no reason against the setting.
    """

    text: str
    count: int | None = None
    first_at_s: float | None = None
    better: bool = False

    @property
    def told(self) -> str:
        """The reason as a line."""
        # Records of before hold the word in the text.
        said = self.text.removeprefix("Better: ")
        return f"{'Better' if self.better or said != self.text else 'Why'}: {said}"


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictCure:
    """A change of the setting or the sensor that leaves fewer errors, and how many, tried by replay.

    `kind`: what is changed: level, band, filter, on-delay, averaging, following …
    `lost`, `false`: errors that remain: passes lost; trips, further onsets, and onsets on `ignore` passes.
    """

    kind: str
    text: str
    lost: int
    false: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict(Document):
    """What a command prints first.

    `decision`: in the words of the command.
    `about`: what the decision is about, in a few words: a strategy, a file.
    `reasons`: at most `MOST_REASONS` are printed.
    `next_step`: a command that works as printed, or what to do.
    `conditions`: open conditions of the evidence, one sentence each; the first one is the limit in "use with a limit".
    `equal_cost`: how far the levels may be moved at the same cost; None if that was not examined.
    `rehearsal`: whether the light is synthetic: no evidence about a real line.
    `sensor`: whether the replay was compared with the sensor's own output, in one sentence; empty without a sensor.
    `cures`: changes of each kind that leave fewer errors, best first; empty if none was looked for.
    `near`: passes or gaps that were right but far nearer to the level than the others: the next error may look like
    them.
    `tried`: number of settings that were judged together: it says whether one setting does not work, or none of
    several. None where no setting is judged.
    """

    decision: str
    about: str = ""
    setting: Setting | None = None
    claim: HeadlineClaim | None = None
    reasons: tuple[VerdictReason, ...] = ()
    next_step: str = ""
    conditions: tuple[str, ...] = ()
    equal_cost: EqualCost | None = None
    step: float | None = None
    rehearsal: bool = False
    sensor: str = ""
    cures: tuple[VerdictCure, ...] = ()
    near: VerdictReason | None = None
    tried: int | None = None

    def leading_to(self, next_step: str) -> Verdict:
        """Return the same verdict with another next step."""
        return replace(self, next_step=next_step)

    def after(self, *reasons: VerdictReason) -> Verdict:
        """Return the same verdict with these reasons before its own."""
        return replace(self, reasons=(*reasons, *self.reasons))

    def then(self, *reasons: VerdictReason) -> Verdict:
        """Return the same verdict with these reasons after its own."""
        return replace(self, reasons=(*self.reasons, *reasons))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        out = Document.as_dict(self)
        if self.setting is not None:
            out["setting"] = {"kind": kind_of(self.setting), **out["setting"]}
        return out


def sentence(text: str) -> str:
    """Return a clause as a sentence.

    Examples
    --------
    >>> sentence("the gap is too short"), sentence("is the gap too short?")
    ('The gap is too short.', 'Is the gap too short?')
    """
    return f"{text[:1].upper()}{text[1:]}".rstrip(".") + ("" if text.endswith("?") else ".")


def kind_of(setting: Setting) -> str:
    """Return the kind of a setting as documents name it: fixed, following or window."""
    return str(setting.KIND or "fixed")

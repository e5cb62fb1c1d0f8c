"""The whole question of repeatability on one recording: plain, by sweep length, averaged, by lot, and agreement."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

from teachlab.data.alignment.answer import Alignment
from teachlab.data.alignment.finding import aligned_first
from teachlab.data.alignment.room import alignment_of
from teachlab.data.split import split
from teachlab.errors import ParameterError, SettingError
from teachlab.model.draws import DrawOptions
from teachlab.model.json_values import Document, picked, plain
from teachlab.model.printable_text import in_figures, moment, number_of
from teachlab.model.recording import Recording
from teachlab.model.score import Rules
from teachlab.model.setting import Setting, bare
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.model.verdict import Verdict, VerdictReason
from teachlab.questions.repeatability.by_group import PASSES, ByGroup, lost_by_settings, scored_by_group, taught_apart
from teachlab.questions.repeatability.redraw import best_cost, repeat_teaching
from teachlab.questions.repeatability.values import USUAL_LIMITS, VARIED, Cloud, Limit, Variant
from teachlab.questions.surface.count import part_of
from teachlab.questions.surface.count_settings import count_settings, measures_of
from teachlab.questions.surface.hindsight import Hindsight
from teachlab.questions.verdict.claim_words import share_text
from teachlab.scoring.claimable import touching_text
from teachlab.statistics.variance_components import LossAgreement, agreement

LENGTH_PARAMETERS = ("sweep_passes", "pieces")
"""Parameters that say how much a strategy is shown; they are varied by default."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked in addition to the plain cloud.

    `vary`: values of parameters to try; default: `VARIED` for parameters that say how much a strategy is shown.
    `average`: numbers of teachings to average into one setting.
    `by`: column of the passes that names the groups, lot or label; empty for none.
    `passes`: number of consecutive passes shown in a teaching of one lot.
    """

    vary: Mapping[str, tuple[int, ...]] | None = None
    average: tuple[int, ...] = ()
    by: str = "lot"
    passes: int = PASSES
    limits: tuple[Limit, ...] = USUAL_LIMITS

    def __post_init__(self) -> None:
        if self.by not in {"lot", "label", ""}:
            raise ParameterError(f"teachings are grouped by lot or by label, got '{self.by}'.")


@dataclass(frozen=True, slots=True, kw_only=True)
class StrategyStudy:
    """One strategy: its cloud, the clouds of its variants, how its spread divides, and its agreement.

    `varied`: parameter and value.
    `groups`: None if the passes name no groups.
    `agreement`: agreement of all draws that gave a setting; None with fewer than two.
    `always_lost`: the passes that every one of these draws loses, by number and time.
    """

    cloud: Cloud
    varied: tuple[tuple[str, int, Cloud], ...]
    averaged: tuple[Cloud, ...]
    groups: ByGroup | None
    agreement: LossAgreement | None
    always_lost: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form; variants without their points."""
        return {
            **self.cloud.as_dict(),
            "varied": [{"parameter": key, "value": value, **_brief(cloud)} for key, value, cloud in self.varied],
            "averaged": [_brief(cloud) for cloud in self.averaged],
            "between": None if self.groups is None else self.groups.as_dict(),
            "agreement": None if self.agreement is None else self.agreement.as_dict(),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Study(Document):
    """Repeatability of strategies, and of given settings, on one recording.

    `scored_hours`: how long the scored part of the recording is.
    `settings`: who taught each given setting, and its measures.
    `people`: spread of the given settings; None without any.
    """

    recording: str
    unit: str
    teach_passes: int
    scored_passes: int
    scored_hours: float
    best: Hindsight | None
    strategies: tuple[StrategyStudy, ...]
    settings: tuple[tuple[str, dict[str, float]], ...]
    people: ByGroup | None
    settings_agreement: LossAgreement | None

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return Document.as_dict(self) | {"settings": plain([{"by": name, **rest} for name, rest in self.settings])}


def study(
    recording: Recording,
    truth: Truth,
    strategies: Sequence[Strategy],
    *,
    options: DrawOptions | None = None,
    question: Question | None = None,
    taught: Sequence[tuple[str, Setting]] = (),
    progress: Callable[[float], None] | None = None,
) -> Study:
    """Repeat teachings in every way asked for, scored on the same passes and compared with one best setting.

    `taught`: who taught, and what: a name may occur more than once.
    Raises InputError if something does not fit together.
    """
    how, asked = options or DrawOptions(), question or Question()
    for name, setting in taught:
        if setting.unit != recording.info.unit:
            raise SettingError(
                f"the setting taught by '{name}' is in '{setting.unit}', the recording {recording.name} in "
                f"'{recording.info.unit}'. Give settings taught on this line."
            )
    cut = split(truth, recording.samples, teach_share=how.teach_share)
    scored = how.rules.scored_from(cut.first_scored)
    plans = [_variants(s, asked, cut.teach_passes) for s in strategies]
    given = [setting for _, setting in taught]
    done = repeat_teaching(
        recording,
        truth,
        [v for plan in plans for _, _, v in plan],
        options=how,
        limits=asked.limits,
        beside=given,
        progress=progress,
    )
    clouds = iter(done.clouds)
    studied = []
    for strategy, plan in zip(strategies, plans, strict=True):
        unvaried, *others = [(key, value, next(clouds)) for key, value, _ in plan]
        found = [d.setting for d in unvaried[2].taught if d.setting is not None]
        agreed, always = _lost_alike(recording, truth, found, scored)
        studied.append(
            StrategyStudy(
                cloud=unvaried[2],
                varied=tuple(item for item in others if item[0]),
                averaged=tuple(cloud for key, _, cloud in others if not key),
                groups=_groups(recording, truth, strategy, how, asked),
                agreement=agreed,
                always_lost=always,
            )
        )
    # Given settings are compared with the same best setting as the draws.
    least = best_cost(done.best)
    counts = count_settings(recording, truth, given, rules=scored)
    people: dict[str, list[Setting]] = {}
    for name, setting in taught:
        people.setdefault(name, []).append(setting)
    return Study(
        recording=recording.name,
        unit=recording.info.unit,
        teach_passes=done.teach_passes,
        scored_passes=done.scored_passes,
        scored_hours=(recording.samples - int(truth.start[cut.first_scored])) / (3600 * recording.info.sample_rate_hz),
        best=done.best,
        strategies=tuple(studied),
        settings=tuple((n, measures_of(s, counts[bare(s)].apart, how.costs, best_cost=least)) for n, s in taught),
        people=scored_by_group("people", people, recording, truth, options=how, first_pass=cut.first_scored)
        if people
        else None,
        settings_agreement=_lost_alike(recording, truth, given, scored)[0],
    )


def between_recordings(
    recordings: Sequence[tuple[Recording, Truth]],
    strategy: Strategy,
    *,
    options: DrawOptions | None = None,
    passes: int = PASSES,
) -> ByGroup:
    """Divide the spread of levels and costs into that between recordings (one per person or shift) and that within.

    Raises ParameterError if two recordings share a name, or differ in their unit.
    """
    how = options or DrawOptions()
    names = [r.name for r, _ in recordings]
    units = {r.info.unit for r, _ in recordings}
    if len(set(names)) < len(names) or len(units) > 1:
        raise ParameterError(
            f"recordings to compare need different names and one unit, got {', '.join(names)} in {', '.join(units)}."
        )
    draws = {r.name: taught_apart(r, t, strategy, options=how, passes=passes).get(r.name, []) for r, t in recordings}
    # All settings are scored on the later passes of the first recording: the same for all.
    first, truth = recordings[0]
    scored_from = split(truth, first.samples, teach_share=how.teach_share).first_scored
    return scored_by_group("recordings", draws, first, truth, options=how, first_pass=scored_from)


def _lost_alike(
    recording: Recording, truth: Truth, settings: Sequence[Setting], rules: Rules
) -> tuple[LossAgreement | None, tuple[str, ...]]:
    """Return how far settings lose the same passes, and the passes that all of them lose."""
    if len(settings) < 2:
        return None, ()
    passes, lost = lost_by_settings(recording, truth, settings, rules=rules)
    everywhere = passes[lost == len(settings)].tolist()
    always = tuple(f"pass {k} ({moment(int(truth.start[k]), recording)})" for k in everywhere)
    return agreement(lost, len(settings)), always


def _variants(strategy: Strategy, asked: Question, teach_passes: int) -> list[tuple[str, int, Variant]]:
    out = [("", 0, Variant(strategy=strategy))]
    own: set[str] = {f.name for f in fields(strategy)} if is_dataclass(strategy) else set()
    usual = {name: tuple(v for v in VARIED if v <= teach_passes) for name in LENGTH_PARAMETERS if name in own}
    for name, values in (usual if asked.vary is None else asked.vary).items():
        if name not in own:
            raise ParameterError(
                f"strategy '{strategy.name}' has no parameter '{name}' to vary; it has {', '.join(sorted(own))}."
            )
        for value in values:
            changed: Any = strategy
            out.append((name, value, Variant(strategy=replace(changed, **{name: value}))))
    return out + [("", 0, Variant(strategy=strategy, average=m)) for m in asked.average]


def _groups(
    recording: Recording, truth: Truth, strategy: Strategy, options: DrawOptions, asked: Question
) -> ByGroup | None:
    names = {"lot": truth.lot, "label": truth.label, "": None}[asked.by]
    if names is None or len(set(names.tolist())) < 2:
        return None
    draws = taught_apart(recording, truth, strategy, names, options=options, passes=asked.passes)
    first = split(truth, recording.samples, teach_share=options.teach_share).first_scored
    return scored_by_group(f"{asked.by}s", draws, recording, truth, options=options, first_pass=first)


def _brief(cloud: Cloud) -> dict[str, Any]:
    return {key: value for key, value in cloud.as_dict().items() if key != "points"}


SAME_LOST, FEW = "same pass lost every time", "too few teachings"
OFTEN = 0.05
"""If more than this share of the draws exceeds a limit, or declines, the teaching depends on what is shown: a planning
value."""
MOST_OPEN = 0.1
"""If so many of the teachings to come may still differ from those tried, these are too few: a planning value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatabilityAnswer:
    """Whether other pieces would have taught the same, on one recording or several.

    `between`: how the spread of every strategy divides between recordings; empty for one recording.
    `alignments`: how the passes of each recording lie against its light.
    """

    options: DrawOptions
    studies: tuple[Study, ...]
    between: tuple[tuple[str, ByGroup], ...]
    alignments: tuple[Alignment | None, ...] = ()

    @property
    def off(self) -> int | None:
        """Which recording has passes beside the light, the first one; None if none has."""
        return next((k for k, one in enumerate(self.alignments) if one is not None and one.off), None)

    @property
    def verdict(self) -> Verdict:
        """Whether another teaching would have been as good, on these recordings."""
        return self._found if self.off is None else aligned_first(self._found, self.alignments[self.off])

    @property
    def _found(self) -> Verdict:
        reasons, shares, open_to, open_right, declined = [], [], 0.0, 0.0, False
        for study in self.studies:
            for one in study.strategies:
                none = one.cloud.abstained
                # A strategy that never teaches has nothing to repeat.
                declined |= OFTEN < none.events / none.trials < 1
                if none.events:
                    text = f"{one.cloud.strategy} on {study.recording}: {none.events} of "
                    text += f"{number_of(none.trials, 'teaching')} give{'s' if none.events == 1 else ''} no setting."
                    reasons.append(VerdictReason(text=text, count=none.events))
                for limit, rate in one.cloud.worse:
                    if not rate.trials:
                        continue
                    shares.append(rate.estimate or 0.0)
                    open_to = max(open_to, rate.upper)
                    # If all of them exceed it, the unknown is how few of the future ones may.
                    bound = f"at most {share_text(rate.upper)}"
                    if rate.events == rate.trials:
                        least = (1 - rate.confidence) ** (1 / rate.trials)
                        bound, open_right = f"at least {100 * least:.0f} %", max(open_right, 1 - least)
                    text = (
                        f"{one.cloud.strategy} on {study.recording}: {rate.events} of "
                        f"{number_of(rate.trials, 'teaching')} {limit.breach(rate.events)}; {bound} of teachings from "
                        f"this recording do, at {100 * rate.confidence:g} % confidence."
                    )
                    reasons.append(VerdictReason(text=text, count=rate.events))
        here = "of this recording" if len(self.studies) == 1 else "of these recordings"
        # A setting is as good as so many passes can show.
        scored = number_of(sum(study.scored_passes for study in self.studies), "scored pass", "scored passes")
        decision, about = "nothing was taught", "every teaching declined or failed"
        if shares and declined:
            decision, about = "not repeatable", "whether a setting is taught depends on which passes are shown"
        elif shares and max(shares) <= OFTEN and open_to > MOST_OPEN:
            decision, about = FEW, f"up to {share_text(open_to)} of others may still fail"
        elif shares and max(shares) <= OFTEN:
            decision, about = "repeatable", f"another teaching gives as good a setting, on {scored} {here}"
        elif shares and all(share <= OFTEN or share == 1 for share in shares):
            decision, about = "wrong every time", "every teaching fails alike, whichever passes are shown"
            if open_right > MOST_OPEN:
                decision, about = FEW, f"all fail alike, and up to {share_text(open_right)} of others may not"
            if self.same_lost:
                tried = "in every teaching tried" if open_right > MOST_OPEN else "whichever passes are shown"
                decision, about = SAME_LOST, f"{self._lost_words()}, {tried}"
        elif shares:
            decision, about = "not repeatable", "the result depends on which passes are shown"
        ordered = sorted(reasons, key=lambda reason: -(reason.count or 0))
        return Verdict(
            decision=decision, about=about, reasons=(*ordered[:1], *self._divided(), *ordered[1:], *self._touching())
        )

    def _touching(self) -> list[VerdictReason]:
        """Say how many products each recording holds that merge with the one that they touch."""
        found = [(study.recording, study.best.touching) for study in self.studies if study.best is not None]
        return [
            VerdictReason(text=f"{name}: {touching_text(n)} here.", count=n)
            for name, n in found
            if n
        ]  # fmt: skip

    @property
    def same_lost(self) -> tuple[str, ...]:
        """The passes that every teaching loses, if each that is judged by its losses and costs loses a pass."""
        alike = [one for study in self.studies for one in study.strategies if one.cloud.taught]
        judged = {limit.measure for one in alike for limit, _ in one.cloud.worse}
        if not judged <= {"lost_rate", "regret"} or not all(one.always_lost for one in alike):
            return ()
        several = len(self.studies) > 1
        texts = (
            text + (f" of {study.recording}" if several else "")
            for study in self.studies
            for one in study.strategies
            for text in one.always_lost
        )
        return tuple(dict.fromkeys(texts))

    def _lost_words(self) -> str:
        first, more = self.same_lost[0], len(self.same_lost) - 1
        return first + (f" and {number_of(more, 'other pass', 'other passes')}" if more else "")

    @property
    def next_look(self) -> str:
        """What to look at first where the same passes are lost every time, in one sentence; else empty."""
        if self.verdict.decision != SAME_LOST:
            return ""
        return f"Look at {self._lost_words()} in the light: is a product there, and is it weaker than the others?"

    def _divided(self) -> list[VerdictReason]:
        """Say for every strategy how its on-level varies between recordings, and within one."""
        out = []
        for name, group in self.between:
            found = group.figures["on_level"].components if group.components is not None else None
            if found is not None:
                out.append(
                    VerdictReason(
                        text=f"{name}: the on-level varies by {in_figures(found.between_sd, 3)} "
                        f"{self.studies[0].unit} (standard deviation) between recordings, by "
                        f"{in_figures(found.repeatability_sd, 3)} within one."
                    )
                )
        return out

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        how = self.options
        return {
            "schema": 1,
            "verdict": self.verdict.as_dict(),
            **picked(how, "draws", "seed", "teach_share"),
            "confidence": how.rules.confidence,
            "recordings": plain(self.studies),
            "between_recordings": [plain({"strategy": n, **group.as_dict()}) for n, group in self.between],
        }


def repeatability(
    opened: Sequence[tuple[Recording, Truth]],
    strategies: Sequence[Strategy],
    *,
    options: DrawOptions | None = None,
    question: Question | None = None,
    taught: Sequence[tuple[str, Setting]] = (),
    progress: Callable[[float], None] | None = None,
) -> RepeatabilityAnswer:
    """Repeat teachings on every recording and, for several recordings, divide the spread between and within them.

    Raises InputError if something does not fit together.
    """
    how, asked = options or DrawOptions(), question or Question()
    studies = []
    for k, (recording, truth) in enumerate(opened):
        studies.append(
            study(
                recording, truth, strategies, options=how, question=asked, taught=taught,
                progress=part_of(progress, k, len(opened)),
            )
        )  # fmt: skip
    between = [] if len(opened) == 1 else [
        (s.name, between_recordings(opened, s, options=how, passes=asked.passes)) for s in strategies
    ]  # fmt: skip
    lies = tuple(alignment_of(*pair, how.rules) for pair in opened)
    return RepeatabilityAnswer(options=how, studies=tuple(studies), between=tuple(between), alignments=lies)

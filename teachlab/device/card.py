"""The card of a setting: what to key in, and the sheet for teaching and checking it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from teachlab.device.keyed_in import LEVELS, SteppedSetting, check_levels, in_steps, level_name, refusal
from teachlab.errors import InputError
from teachlab.light.noise import JUDGED, need_for_light
from teachlab.model.draws import DrawOptions
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.json_values import Document, picked, plain
from teachlab.model.margin import SIDE_WORDS, EqualCost, Margin, wrong_side_text
from teachlab.model.printable_text import cut, cut_percent, in_figures, level_text, number_of
from teachlab.model.score import USUAL_RULES, Rules, Score
from teachlab.model.setting import Setting
from teachlab.model.setting_words import equal_cost_text
from teachlab.model.teaching import Shown, Strategy
from teachlab.model.verdict import Verdict
from teachlab.questions.coverage import coverage
from teachlab.questions.plan import plan
from teachlab.questions.repeatability.values import Repeated
from teachlab.questions.stress.setting_reading import SettingReading
from teachlab.questions.stress.worth import Worth, worth_of
from teachlab.questions.verdict import JudgedBy, setting_verdict
from teachlab.scoring.claimable import touching_merges, touching_text
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import taught_again, teach_draws

if TYPE_CHECKING:
    from teachlab.device.device_file import DeviceDocument
    from teachlab.device.scale import DisplayStep
    from teachlab.model.recording import Recording
    from teachlab.model.truth import Truth
    from teachlab.questions.coverage.cycles import Cycle

CHECKED_RATE = 0.05
"""Rate of loss that the check after teaching shows is not exceeded, at the confidence of the card."""
SHOWN = {
    Shown.BACKGROUND: "the empty place: nothing in front of the sensor",
    Shown.OBJECT: "a piece, held in front of the sensor",
    Shown.SWEEP: "pieces that run by, and the gaps between them",
    Shown.EVENTS: "marked pieces that run by, one after the other",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeyedIn(Document):
    """A setting in the steps of a device, scored at the worse end of what its display values may mean.

    `score_worst`: score at the costliest end of what lies behind the display values; None if it cannot be keyed in.
    `worst_end`: which end that is: low or high; for a window also narrow or wide.
    """

    stepped: SteppedSetting
    score_worst: Score | None
    worst_end: str
    verdict: Verdict

    @property
    def setting(self) -> Setting:
        """The setting in the steps of the device."""
        return self.stepped.setting

    @property
    def refused(self) -> str | None:
        """Why it cannot be keyed in."""
        return self.stepped.refused


def keyed_in(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    device: DeviceDocument,
    *,
    by: JudgedBy | None = None,
    rules: Rules = USUAL_RULES,
    about: str = "",
) -> KeyedIn:
    """Round a setting to the steps of a device, and score it again exactly at both ends of what they may mean.

    `setting`: a setting of fixed levels, or a window.
    `about`: name of the setting in the verdict.
    Raises ParameterError if units differ, or a delay lies beyond the range of the device.
    Raises SettingError if the levels follow.

    Notes
    -----
    Steps are those of `in_steps`. Then all levels are moved to either end of what the display may mean.
    """
    how = by or JudgedBy()
    found = in_steps(recording, truth, setting, device, rules=rules, costs=how.costs)
    if found.refused is not None:
        refused = refusal(recording, found, about=about, files=how.files)
        return KeyedIn(stepped=found, score_worst=None, worst_end="", verdict=refused)
    end, worst, result = found.worse_end(recording, truth, rules=rules, costs=how.costs)
    reading, keyed = SettingReading.together(recording, truth, [(worst, rules, True), (found.setting, rules, True)])
    verdict = setting_verdict(
        reading, worst, result, by=how, about=f"{about}, {found.key}" if about else found.key,
        margin=reading.margin_where_known(result), keyed=keyed,
    )  # fmt: skip
    return KeyedIn(
        stepped=found, score_worst=result, worst_end=end, verdict=replace(verdict, setting=found.setting)
    )  # fmt: skip


LIST = "; "
"""Between names of kinds, which may hold commas."""


@dataclass(frozen=True, slots=True)
class ExpectedLevel(Document):
    """What the display should show after teaching, over repeated teachings; without a device, in the light's unit."""

    median: float
    p05: float
    p95: float
    draws: int


@dataclass(frozen=True, slots=True)
class CycleShown(Document):
    """How long teaching must last so that a recurring disturbance has lain in an open gap."""

    name: str
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SettingCard:
    """What to key in, the evidence for it, and how to teach and check it.

    `setting`: with a device, in its steps.
    `keyed`: None without a device.
    `score`: with a device, the score at the worse end of what its display values may mean.
    `touching`: of its merged passes, those that touch the one before: no error.
    `limited_by`: the smallest margin to noise and its side; empty if none was measured.
    `reserves`: how far gain may fall and ambient light may rise, as recorded.
    `shown`: what to show, one entry for each step.
    `kinds`: kinds of pieces in the evidence, with their passes.
    `check_passes`: number of marked pieces in the check.
    """

    recording: str
    unit: str
    setting: Setting
    keyed: KeyedIn | None
    score: Score | None
    touching: int
    room: EqualCost | None
    limited_by: str
    reserves: dict[str, float | None]
    verdict: Verdict
    expected: ExpectedLevel | None
    not_expected: str
    shown: tuple[str, ...]
    kinds: dict[str, int]
    cycles: tuple[CycleShown, ...]
    check_passes: int
    confidence: float
    device: str = ""

    @property
    def refused(self) -> str | None:
        """Why the setting cannot be keyed in."""
        return None if self.keyed is None else self.keyed.refused

    def as_dict(self) -> dict[str, Any]:
        """Return the JSON document."""
        s, steps = self.setting, {} if self.keyed is None or self.refused else self.keyed.stepped.steps
        levels = {level_name(name): getattr(s, name) for name in LEVELS if hasattr(s, name)}
        return {
            "schema": 1,
            "recording": self.recording,
            "device": self.device or None,
            "verdict": self.verdict.as_dict(),
            "refused": self.refused,
            "display": {name: step.display for name, step in steps.items()} or None,
            "light": {name: _ends(steps.get(name), level) for name, level in levels.items()},
            "delays": {"on_ms": s.on_delay_ms, "off_ms": s.off_delay_ms, "act_on": str(s.delays_act_on)},
            "setting": s.as_dict(),
            "score_worst": plain(self.score),
            **picked(self, "room", "limited_by", "reserves"),
            "expected_after_teaching": plain(self.expected),
            **picked(self, "not_expected", "shown", "kinds", "cycles", "check_passes", "confidence"),
        }

    def key_lines(self) -> list[tuple[str, str]]:
        """Return what to key in, as names and values."""
        s, steps = self.setting, {} if self.keyed is None else self.keyed.stepped.steps
        window = isinstance(s, WindowSetting)
        named = {"on_level": "On-level", "off_level": "Off-level"}
        if window:
            named = {"on_level": "Upper threshold", "high_release": "Released at", "off_level": "Lower threshold",
                     "low_release": "Released from"}  # fmt: skip
        rows = []
        for name, said in named.items():
            step = steps.get(level_name(name))
            rows.append((said, f"{level_text(getattr(s, name), self.verdict.step)} {self.unit}" if step is None else
                         f"{step.display:g} on the display ({level_text(step.low)} to {level_text(step.high)} "
                         f"{self.unit})"))  # fmt: skip
        active = {"light-on": "beyond the thresholds", "dark-on": "between the thresholds"}
        rows.append(("Polarity", str(s.polarity) + (f": active {active[str(s.polarity)]}" if window else "")))
        rows.append(("Filter", f"{number_of(s.consecutive, 'evaluation')} in a row"))
        rows.append(("On-delay", f"{s.on_delay_ms:g} ms"))
        rows.append(("Off-delay", f"{s.off_delay_ms:g} ms"))
        if s.on_delay_ms or s.off_delay_ms:
            rows.append(("Delays act on", f"the {s.delays_act_on}"))
        return rows

    def rest_lines(self) -> list[tuple[str, str]]:
        """Return the evidence for the setting: room, counts at the worse end, data."""
        rows = []
        if self.room is not None:
            rows.append(("Room", equal_cost_text(self.room, self.setting, self.verdict.step)))
        dirt, ambient = (self.reserves.get(name) for name in ("contamination_reserve", "ambient_reserve"))
        if dirt is not None:
            rows.append(("Reserve", f"{cut_percent(dirt, 2):.2g} % of the light may be lost to dirt before the first "
                                    "fault, of what was recorded"))  # fmt: skip
        if ambient is not None:
            rows.append(
                ("", f"{in_figures(cut(ambient, 4))} {self.unit} of ambient light may be added, of what was recorded")
            )
        if self.limited_by:
            rows.append(("Limited by", self.limited_by))
        if self.score is not None:
            n, met = self.score.counts, self.touching
            end = "" if self.keyed is None else f", at the worse ({self.keyed.worst_end}) end of the display's doubt"
            false = n.false_trips + n.ignore_false_trips
            of = number_of(n.scored_passes - met, "pass", "passes")
            rows.append(("Counted", f"{n.lost - met} of {of} lost, {number_of(false, 'false trip')}, "
                                    f"{n.extra} extra{end}"))  # fmt: skip
            if met:
                rows.append(("", touching_text(met, "more ")))
        kinds = LIST.join(
            f"{count} of {name}" if name else number_of(count, "pass", "passes") for name, count in self.kinds.items()
        )
        rows.append(("Evidence", f"recording {self.recording}: {kinds}"))
        if self.verdict.claim is not None:
            rows.append(("Claim", self.verdict.claim.text))
            more = [text for text in self.verdict.claim.more if "more lots without" in text]
            rows += [("Record next", text) for text in more]
        return rows

    def sheet_lines(self) -> list[tuple[str, str]]:
        """Return the teach sheet: what to show, what to expect, how to check, and when to repeat it."""
        if self.shown:
            rows = [("Show", "; then ".join(self.shown))]
        else:
            rows = [("Show", "nothing: the values above are keyed in by hand")]
        rows.append(("Pieces", "of every kind: " + LIST.join(name or "those of the line" for name in self.kinds)))
        for one in self.cycles:
            long = f"at least {math.ceil(one.seconds)} s" if math.isfinite(one.seconds) else "no time is enough"
            rows.append(("How long", f"{long}, so that {one.name} has lain in a gap"))
        unit = self.unit if self.keyed is None else "on the display"
        if self.expected is not None:
            e, step = self.expected, self.verdict.step if self.keyed is None else None
            what = "upper threshold" if isinstance(self.setting, WindowSetting) else "on-level"
            middle, low, high = (level_text(level, step) for level in (e.median, e.p05, e.p95))
            apart = f"outside {low} to {high}" if low != high else "at any other"
            used = self.setting.on_level if self.keyed is None else self.keyed.stepped.steps["on"].display
            beside = not e.p05 - (step or 0.0) <= used <= e.p95 + (step or 0.0)
            other = f". The {what} above lies outside: it was taught on other pieces" if beside else ""
            rows.append(("Expect", f"if it is taught, not keyed in: an {what} of {middle} {unit}; {apart}, teach again "
                                   f"(5 to 95 % of {number_of(e.draws, 'teaching')}){other}"))  # fmt: skip
        else:
            rows.append(("Expect", self.not_expected))
        rows.append(("Check", f"{self.check_passes} marked pieces of all kinds: the output must switch once for each, "
                              f"and not between. None lost shows at most {100 * CHECKED_RATE:g} % lost at "
                              f"{100 * self.confidence:g} % confidence, if pieces are independent"))  # fmt: skip
        rows.append(("Again", "after any change of product, speed, light or dirt, and where teachlab stale says so"))
        return rows


def card(
    recording: Recording,
    truth: Truth,
    setting: Setting,
    device: DeviceDocument | None = None,
    *,
    by: JudgedBy | None = None,
    options: DrawOptions | None = None,
    cycles: Sequence[Cycle] = (),
) -> SettingCard:
    """Make the card of a setting.

    `options`: how often the teaching is repeated for the expected value, and the rules of all scores.
    Raises InputError if the pieces do not fit together.
    """
    how, drawn = by or JudgedBy(), options or DrawOptions(draws=50)
    used = check_levels(setting)
    need_for_light(recording, "a card", JUDGED, level=used.on_level)
    rules = drawn.rules
    reading = SettingReading(recording, truth, used, rules=rules)
    how = replace(how, alignment=reading.alignment())
    if device is None:
        keyed, worth = None, worth_of(reading)
        result: Score | None = worth.score
        verdict = setting_verdict(reading, used, worth.score, by=how, margin=worth.margin)
        left = dict(worth.reserves or {})
    else:
        keyed = keyed_in(recording, truth, used, device, by=how, rules=rules)
        used, result, verdict = keyed.setting, keyed.score_worst, keyed.verdict
        # What is keyed in may lie anywhere within the doubt of the display: the least of both ends is told.
        ends = [used] if keyed.refused else keyed.stepped.ends().values()
        all_worth = [worth_of(SettingReading(recording, truth, one, rules=rules)) for one in ends]
        worth = min(all_worth, key=_smallest)
        left = _least_reserves([one.reserves for one in all_worth])
    # Where the verdict states no levels of equal cost, nothing is shown of room and reserves.
    room = verdict.equal_cost
    shown = room is not None
    strategy, expected, why = None, None, "the setting does not say how it was taught: no value is expected"
    if setting.taught is not None:
        try:
            strategy, base = taught_again(setting)
        except InputError as fault:
            why = str(fault)
        else:
            expected, why = _expected(recording, truth, base, strategy, drawn, device)
    planned = plan(CHECKED_RATE, rules.confidence)
    found = coverage(recording, truth, cycles, rules=rules, teach_share=None) if cycles else None
    return SettingCard(
        recording=recording.name,
        unit=recording.info.unit,
        setting=used,
        keyed=keyed,
        score=result,
        touching=0 if result is None else int(touching_merges(truth, result.trials).sum()),
        room=room,
        limited_by=_limited_by(worth.margin) if shown else "",
        reserves=left if shown else {},
        verdict=verdict,
        expected=expected,
        not_expected=why,
        shown=() if strategy is None else tuple(SHOWN[one] for one in Shown if one in strategy.needs),
        kinds=dict(Counter(truth.label[truth.detect].tolist()).most_common()),
        cycles=() if found is None else tuple(
            CycleShown(one.cycle.name, math.inf if one.in_step("scored") else one.needed["scored"] * one.cycle.period_s)
            for one in found.cycles
        ),
        check_passes=int(planned.found["passes"]),
        confidence=rules.confidence,
        device="" if device is None else device.name,
    )  # fmt: skip


def _smallest(worth: Worth) -> float:
    side = None if worth.margin is None else worth.margin.sides.smallest()
    return math.inf if side is None else side[1]


def _least_reserves(ends: Sequence[Mapping[str, float | None] | None]) -> dict[str, float | None]:
    """Return the least of each reserve over several settings; None where one of them has none."""
    known = [one for one in ends if one is not None]
    if len(known) < len(ends):
        return {}
    out: dict[str, float | None] = dict(known[0])
    for name in ("contamination", "ambient"):
        of, value = f"{name}_reserve", f"{name}_resolution"
        left = [one[of] for one in known]
        out[of] = None if None in left else min(x for x in left if x is not None)
        out[value] = max(one[value] or 0.0 for one in known)
    return out


def _limited_by(margin: Margin | None) -> str:
    side = None if margin is None else margin.sides.smallest()
    if side is None:
        return ""
    if side[1] < 0:
        return wrong_side_text(*side)
    of, what = SIDE_WORDS[side[0]]
    return f"the {of}: {side[1]:.3g} times the noise from the {what}"


def _ends(step: DisplayStep | None, level: float) -> dict[str, float]:
    return {"low": level, "high": level} if step is None else {"low": step.low, "high": step.high}


def _expected(
    recording: Recording, truth: Truth, base: Setting, strategy: Strategy, drawn: DrawOptions,
    device: DeviceDocument | None,
) -> tuple[ExpectedLevel | None, str]:  # fmt: skip
    """Return the on-level over repeated teachings, as `repeatability` gives it; on the display, if there is one."""
    # A person who teaches again at the line may be shown any piece: so the whole recording is used, as in `teach`.
    block = TeachBlock(recording, truth, base=base, rules=drawn.rules)
    taught = [one.setting for one in teach_draws(strategy, block, range(drawn.draws), drawn.seed) if one.setting]
    if not taught:
        return None, f"{strategy.name} taught nothing in {number_of(drawn.draws, 'teaching')}"
    spread = Repeated.of(np.array([one.on_level for one in taught]))
    values = [spread.median, spread.p05, spread.p95]
    if device is not None:
        scale = device.scale()
        q = scale.resolution
        values = [round(scale.displayed(x) / q) * q for x in values]
    low, high = sorted(values[1:])
    return ExpectedLevel(values[0], low, high, len(taught)), ""

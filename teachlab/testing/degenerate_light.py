"""Evidence with hardly any information: a strategy must abstain, or teach what can switch; it must not fail."""

from __future__ import annotations

import numpy as np

import teachlab.testing.shown as shown
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Direction
from teachlab.model.setting import Setting
from teachlab.model.teaching import Levels, Shown, TeachView
from teachlab.testing.report import CheckVerdict
from teachlab.testing.subject import StrategyAnswer, Subject

Told = tuple[CheckVerdict, str]

EMPTY: Levels = np.empty(0, np.float64)


def _judge(what: str, answer: StrategyAnswer, *, must_abstain: bool, out_of_reach: str = "") -> Told:
    if answer.fault:
        return CheckVerdict.FAILED, f"on {what} it must teach or abstain, got {answer.fault}"
    if answer.setting is not None and must_abstain:
        return CheckVerdict.FAILED, f"on {what} it must abstain, got {answer}"
    if out_of_reach:
        return CheckVerdict.FAILED, f"on {what} it teaches what can never switch: {out_of_reach}"
    return CheckVerdict.PASSED, f"on {what} it {'teaches' if answer.setting else 'abstains'}"


def _needs(subject: Subject) -> frozenset[Shown]:
    return frozenset(subject.strategy.needs)


def _sees_both(needs: frozenset[Shown]) -> bool:
    """Whether both objects and background are shown."""
    return bool(needs & {Shown.EVENTS, Shown.SWEEP}) or needs >= {Shown.OBJECT, Shown.BACKGROUND}


def nothing(subject: Subject) -> Told:
    """Require an abstention if nothing is shown."""
    view = shown.view_of(_needs(subject), EMPTY, EMPTY, EMPTY, [])
    return _judge("nothing", subject.ask(view), must_abstain=True)


def one_sample(subject: Subject) -> Told:
    """Require a setting or an abstention on a single sample of everything."""
    low, high = np.array([float(shown.BACKGROUND)]), np.array([float(shown.OBJECT)])
    view = shown.view_of(_needs(subject), low, high, high, [(0, 1)])
    return _judge("one sample", subject.ask(view), must_abstain=False)


def constant(subject: Subject) -> Told:
    """Require a setting or an abstention if neither background nor objects have any noise."""
    for direction, product in ((Direction.RISE, shown.OBJECT), (Direction.DIP, shown.BACKGROUND // 4)):
        view = shown.two_levels(_needs(subject), float(shown.BACKGROUND), float(product), direction=direction)
        told = _judge("light without noise", subject.ask(view), must_abstain=False)
        if told[0] is CheckVerdict.FAILED:
            return told
    return told


def saturated(subject: Subject) -> Told:
    """Require levels that light can reach, or an abstention, if the bright side is at full scale."""
    top = float(shown.FULL_SCALE)
    cases = ((Direction.RISE, float(shown.BACKGROUND), top), (Direction.DIP, top, float(shown.BACKGROUND)))
    for direction, background, product in cases:
        view = shown.two_levels(_needs(subject), background, product, direction=direction)
        answer = subject.ask(view)
        told = _judge("saturated light", answer, must_abstain=False, out_of_reach=_out_of_reach(answer.setting, view))
        if told[0] is CheckVerdict.FAILED:
            return told
    return told


def _out_of_reach(setting: Setting | None, view: TeachView) -> str:
    """Return which level no light between dark and full scale can cross; otherwise an empty text."""
    if setting is None or isinstance(setting, WindowSetting) or view.full_scale is None:
        return ""
    if setting.on_level > view.full_scale:
        what = "activates" if setting.light_on else "releases"
        return f"the output {what} at {setting.on_level:g}, above full scale ({view.full_scale:g} {view.unit})"
    if setting.off_level <= 0:
        what = "releases" if setting.light_on else "activates"
        return f"the output {what} below {setting.off_level:g} {view.unit}, where there is no light"
    return ""


def equal(subject: Subject) -> Told:
    """Require an abstention where object and background read the same, if both are shown."""
    needs = _needs(subject)
    level = float(shown.BACKGROUND)
    answer = subject.ask(shown.two_levels(needs, level, level))
    return _judge("an object that equals the background", answer, must_abstain=_sees_both(needs))


def invalid(subject: Subject) -> Told:
    """Require an abstention if no sample is valid, and no failure if some are not."""
    needs = _needs(subject)
    spans = [(20, 44), (80, 104)]
    view = shown.view_of(needs, EMPTY, EMPTY, np.full(130, np.nan), spans)
    told = _judge("invalid samples only", subject.ask(view), must_abstain=True)
    if told[0] is CheckVerdict.FAILED:
        return told
    holes = np.random.default_rng(1)

    def some(light: Levels) -> Levels:
        return np.where(holes.random(light.size) < 0.05, np.nan, light)

    view = subject.view()
    few = shown.with_light(view, some)
    # Readings hold valid evaluations only; stretches of sweep and events have holes.
    patched = shown.replaced(view, few)
    return _judge("light with invalid samples", subject.ask(patched), must_abstain=False)

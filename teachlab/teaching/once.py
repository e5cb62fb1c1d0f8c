"""One teaching: draw the evidence, ask the strategy, and check everything that it returns."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import fields, replace
from functools import partial
from typing import Any

from teachlab.errors import Abstained, InputError, StrategyError
from teachlab.model.draws import Draw
from teachlab.model.following_and_window import unknown_kind
from teachlab.model.printable_text import SHOWN_OF_MESSAGE, printable
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting, Switching, Taught
from teachlab.model.teaching import Reading, Shown, Strategy, TeachView
from teachlab.teaching.block import SWEEP_PASSES, TeachBlock
from teachlab.teaching.parameters import parameters_of
from teachlab.teaching.registry import built, installed_class

FEW_DRAWS = 4
"""With more draws the passes and gaps of a block are measured in tables, once for all of them."""
ALWAYS_DESIGNED = frozenset({"on_level", "off_level", "polarity", "taught"})
"""What every strategy may decide; the rest of the base setting is kept unless it is declared in `designs`."""


def teach_draws(strategy: Strategy, block: TeachBlock, draws: Iterable[int], seed: int) -> list[Draw]:
    """Teach a strategy once per draw; an abstention is a result, and so is a strategy that raises an error.

    `draws`: numbers of the draws: together with the seed they select what is shown.

    The draws are in the order of the numbers, without measures.
    """
    numbers = [*draws]
    teach = draw_by_draw(strategy, block, numbers, seed)
    return [teach(draw) for draw in numbers]


def taught_again(setting: Setting) -> tuple[Strategy, Setting]:
    """Return the strategy that taught a setting, and the base that it kept: the timing that it does not design.

    Raises `InputError` if the setting does not say how it was taught, or its strategy cannot be used here.
    """
    taught = setting.taught
    if taught is None:
        raise InputError("the setting does not say by which strategy it was taught")
    try:
        strategy = built(installed_class(taught.strategy), taught.parameters)
    except (InputError, TypeError) as fault:
        raise InputError(f"the strategy '{taught.strategy}' cannot be used here: {fault}") from None
    # The polarity follows the direction of the objects.
    kept = {f.name for f in fields(Switching)} - frozenset(getattr(strategy, "designs", ())) - {"polarity"}
    timing = {name: getattr(setting, name) for name in kept}
    return strategy, Setting(unit=setting.unit, on_level=0.0, off_level=0.0, **timing)


def draw_by_draw(strategy: Strategy, block: TeachBlock, draws: Sequence[int], seed: int) -> Callable[[int], Draw]:
    """Return what teaches one of the draws, so that several strategies may take turns; parameters as `teach_draws`."""
    # A strategy that uses labelled passes only is shown few different pieces: each is taught once.
    only_events = frozenset(strategy.needs) == {Shown.EVENTS} and not getattr(strategy, "either_direction", False)
    # Half of 20 passes begins at one of 11 places: 200 draws are 11 teachings, and the others are looked up.
    seen: dict[int, Draw] = {}
    tabled = len(draws) > FEW_DRAWS
    if tabled and Shown.EVENTS in strategy.needs:
        block.expect(seed, draws)

    def teach(draw: int) -> Draw:
        at = None
        if only_events:
            with suppress(Abstained):
                at = block.events_begin(seed, draw)
        found = None if at is None else seen.get(at)
        if found is None:
            found = drawn(draw, partial(teach_once, strategy, block, seed, draw, tabled=tabled))
            if at is not None:
                seen[at] = found
        return replace(found, draw=draw)

    return teach


def drawn(draw: int, teach: Callable[[], Setting]) -> Draw:
    """Teach, and return the result: a setting, the reason of an abstention, or the reason of a failure."""
    try:
        return Draw(draw=draw, setting=teach(), measures={})
    except Abstained as refusal:
        return Draw(draw=draw, setting=None, abstained=printable(refusal.reason, most=SHOWN_OF_MESSAGE), measures={})
    except StrategyError as fault:
        return Draw(draw=draw, setting=None, failed=printable(fault, most=SHOWN_OF_MESSAGE), measures={})


def teach_once(strategy: Strategy, block: TeachBlock, seed: int, draw: int, *, tabled: bool = False) -> Setting:
    """Teach a strategy once on evidence drawn from a teach block.

    Parameters
    ----------
    strategy : Strategy
        Built-in or plug-in; it sees only what it declares that it needs.
    block : TeachBlock
    seed, draw : int
        Select what is shown; the same for every strategy.
    tabled : bool
        As of `TeachBlock.draw`: worth it where many draws follow.

    Returns
    -------
    Setting
        With strategy, all parameters and the evidence used in `taught`.

    Raises
    ------
    Abstained
        If the strategy declines, or the block has nothing to show to it.
    StrategyError
        If the strategy breaks the protocol: another error, another type, another unit, or delays that it does not
        declare to design. The message names the strategy.
    """
    name = strategy.name
    passes = getattr(strategy, "sweep_passes", SWEEP_PASSES)
    if isinstance(passes, bool) or not isinstance(passes, int) or passes < 1:
        raise StrategyError(f"strategy '{name}': sweep_passes must be a whole number of at least 1, got {passes!r}.")
    either = bool(getattr(strategy, "either_direction", False))
    view = block.draw(_needs(strategy), seed, draw, sweep_passes=passes, either_direction=either, tabled=tabled)
    try:
        setting = strategy.teach(view)
    except Abstained:
        raise
    except (Exception, SystemExit, GeneratorExit) as fault:  # nothing but a person's interrupt ends more than a draw
        told = f"{type(fault).__name__}: {fault}".rstrip(": ")
        raise StrategyError(f"strategy '{name}' failed: {told}") from fault
    _check(strategy, view, setting)
    return replace(setting, taught=_taught(strategy, setting, view, seed, draw, of=block.recording))


def _needs(strategy: Strategy) -> frozenset[Shown]:
    try:
        return frozenset(Shown(kind) for kind in strategy.needs)
    except (TypeError, ValueError):
        raise StrategyError(
            f"strategy '{strategy.name}': needs must be a set of {', '.join(Shown)}, got {strategy.needs!r}."
        ) from None


def _check(strategy: Strategy, view: TeachView, setting: object) -> None:
    name = strategy.name
    if not isinstance(setting, Setting):
        raise StrategyError(
            f"strategy '{name}' must return a Setting or raise Abstained, got {type(setting).__name__}. "
            "Return view.place(level, hysteresis, taught)."
        )
    if fault := unknown_kind(setting):
        raise StrategyError(f"strategy '{name}': {fault}")
    if setting.unit != view.unit:
        raise StrategyError(
            f"strategy '{name}' taught in {setting.unit!r}, but was shown light in {view.unit!r}. "
            "Return view.place(level, hysteresis, taught), which keeps the unit."
        )
    designed = ALWAYS_DESIGNED | frozenset(getattr(strategy, "designs", ()))
    for field in (f.name for f in fields(Setting)):
        before, after = getattr(view.base, field), getattr(setting, field)
        if field not in designed and before != after:
            raise StrategyError(
                f"strategy '{name}' changed {field} from {before!r} to {after!r} without declaring that it designs it. "
                f"Keep the base setting, or add '{field}' to the strategy's `designs`."
            )


def _taught(strategy: Strategy, setting: Setting, view: TeachView, seed: int, draw: int, *, of: Recording) -> Taught:
    told = dict(setting.taught.evidence) if setting.taught is not None else {}
    drawn = {"seed": seed, "draw": draw, "direction": str(view.direction), "recording": of.name, **_taken(view)}
    if of.info.digest:
        drawn["recording_digest"] = of.info.digest
    evidence = {**told, "drawn": drawn}
    # Looked at here, where the strategy can still be named: the setting may be written much later.
    if fault := evidence_fault(evidence):
        raise StrategyError(f"strategy '{strategy.name}': {fault}.")
    return Taught(strategy=strategy.name, parameters=parameters_of(strategy), evidence=evidence)


def evidence_fault(evidence: Mapping[str, Any]) -> str:
    """Return why evidence cannot be written into a file of a setting, or an empty text."""
    try:
        json.dumps(dict(evidence), allow_nan=False)
    except (TypeError, ValueError) as fault:
        return f"evidence must be plain JSON values and finite numbers: {fault}"
    return ""


def _taken(view: TeachView) -> dict[str, Any]:
    """Return where the evidence was taken, in samples of the recording, and how much there was."""
    out: dict[str, Any] = {}
    if view.object_ is not None:
        out["object"] = _reading(view.object_)
    if (shown := view.background_) is not None:
        out["background"] = _reading(shown.reading)
        out["background_stretch"] = _reading(Reading(shown.stretch, shown.stretch_at_sample, shown.stretch_to_sample))
    if (sweep := view.sweep_) is not None:
        out["sweep"] = {"at_sample": sweep.at_sample, "evaluations": sweep.light.size, "passes": sweep.passes}
    if (events := view.events_) is not None:
        out["events"] = {"at_sample": events.at_sample, "evaluations": events.evaluations, "passes": events.start.size}
    return out


def _reading(reading: Reading) -> dict[str, int]:
    return {"at_sample": reading.at_sample, "to_sample": reading.to_sample, "evaluations": reading.light.size}

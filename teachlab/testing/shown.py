"""Evidence for the checks: an ordinary line, its mirror image and moved copies, and degenerate lines."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.teaching import Background, Events, Levels, Reading, Shown, Strategy, Sweep, TeachView
from teachlab.model.truth import Truth
from teachlab.teaching.block import TeachBlock, frozen

FULL_SCALE, DARK = 4095, 64
BACKGROUND, OBJECT = 400, 1200
UNIT = "counts"
PASSES, PASS, GAP = 700, 24, 36
RATE_HZ = 1000.0
ALL = frozenset(Shown)

Counts = NDArray[np.int64]


def line(*, passes: int = PASSES, gap: int = GAP, length: int = PASS, seed: int = 20240229) -> tuple[Counts, Truth]:
    """Return whole-number light of an ordinary line, with bright, slightly uneven objects, and its passes."""
    rng = np.random.default_rng(seed)
    period = gap + length
    start = gap // 2 + period * np.arange(passes)
    light = BACKGROUND + np.rint(6.0 * rng.standard_normal(passes * period))
    height = OBJECT - BACKGROUND + np.rint(40.0 * rng.standard_normal(passes))
    for k, a in enumerate(start.tolist()):
        light[a : a + length] += height[k]
        light[a] -= height[k] // 2  # an edge
        light[a + length - 1] -= height[k] // 2
    return light.astype(np.int64), Truth.from_arrays(start, start + length)


def recording_of(light: Counts, direction: Direction) -> Recording:
    """Return light as a recording in memory."""
    info = RecordingInfo(
        sample_rate_hz=RATE_HZ, unit=UNIT, full_scale=float(FULL_SCALE), dark_level=float(DARK), direction=direction
    )
    return Recording.from_array(light.astype(np.int32), info)


def block_of(
    light: Counts,
    truth: Truth,
    *,
    direction: Direction = Direction.RISE,
    stop: int | None = None,
    base: Setting | None = None,
) -> TeachBlock:
    """Return light as a teach block."""
    return TeachBlock(recording_of(light, direction), truth, stop_sample=stop, base=base)


def view_for(
    strategy: Strategy, block: TeachBlock, *, draw: int = 0, shown: frozenset[Shown] | None = None
) -> TeachView:
    """Return what a strategy is shown in one draw: by default, what it declares."""
    passes = getattr(strategy, "sweep_passes", 5)
    return block.draw(strategy.needs if shown is None else shown, 0, draw, sweep_passes=passes)


def with_light(view: TeachView, change: Callable[[Levels], Levels]) -> TeachView:
    """Return a view in which every array of light has been replaced."""
    background, product, sweep, events = view.background_, view.object_, view.sweep_, view.events_
    return replace(
        view,
        background_=background
        and replace(
            background,
            reading=replace(background.reading, light=change(background.reading.light)),
            stretch=change(background.stretch),
        ),
        object_=product and replace(product, light=change(product.light)),
        sweep_=sweep and replace(sweep, light=change(sweep.light)),
        events_=events and replace(events, light=change(events.light)),
    )


def arrays_of(view: TeachView) -> list[NDArray[Any]]:
    """Return every array of a view."""
    out: list[NDArray[Any]] = []
    if view.background_ is not None:
        out += [view.background_.reading.light, view.background_.stretch]
    if view.object_ is not None:
        out.append(view.object_.light)
    if view.sweep_ is not None:
        out.append(view.sweep_.light)
    if view.events_ is not None:
        e = view.events_
        out += [e.light, e.start, e.end, e.detect, e.label]
    return out


def copied(view: TeachView) -> TeachView:
    """Return a view with its own read-only arrays."""
    out = with_light(view, lambda light: frozen(light.copy()))
    if out.events_ is None:
        return out
    e = out.events_
    own = {name: frozen(getattr(e, name).copy()) for name in ("start", "end", "detect", "label")}
    return replace(out, events_=replace(e, **own))


def in_longer_arrays(view: TeachView, tail: float) -> TeachView:
    """Return a view whose light is the first part of longer arrays, which continue with later light."""

    def front(light: Levels) -> Levels:
        return frozen(frozen(np.concatenate([light, np.full(1000, tail)]))[: light.size])

    return with_light(view, front)


def view_of(
    needs: frozenset[Shown],
    background: Levels,
    product: Levels,
    light: Levels,
    spans: list[tuple[int, int]],
    *,
    direction: Direction = Direction.RISE,
) -> TeachView:
    """Return a view made by hand: readings, and one stretch of light with its passes for sweep and events."""
    start, end = (np.array([span[k] for span in spans], np.int64) for k in (0, 1))
    label = np.full(len(spans), "object", object)
    events = Events(frozen(light.copy()), frozen(start), frozen(end), frozen(np.ones(len(spans), bool)), label, 0)
    base = Setting(unit=UNIT, on_level=0.0, off_level=0.0)
    return TeachView(
        direction=direction,
        unit=UNIT,
        full_scale=float(FULL_SCALE),
        dark_level=float(DARK),
        rate_hz=RATE_HZ,
        base=base,
        shown=needs,
        background_=Background(Reading(frozen(background[:40].copy())), frozen(background.copy()))
        if Shown.BACKGROUND in needs
        else None,
        object_=Reading(frozen(product[:40].copy())) if Shown.OBJECT in needs else None,
        sweep_=Sweep(frozen(light.copy()), len(spans)) if Shown.SWEEP in needs else None,
        events_=events if Shown.EVENTS in needs else None,
    )


def two_levels(
    needs: frozenset[Shown], background: float, product: float, *, direction: Direction = Direction.RISE
) -> TeachView:
    """Return a view of a line without any noise: two levels, as a square wave."""
    period = GAP + PASS
    start = GAP // 2 + period * np.arange(PASSES)
    light = np.full(PASSES * period, background)
    for a in start.tolist():
        light[a : a + PASS] = product
    spans = [(a, a + PASS) for a in start.tolist()]
    return view_of(needs, np.full(2000, background), np.full(40, product), light, spans, direction=direction)


def million(strategy: Strategy) -> TeachView:
    """Return a view with a million samples of every kind that a strategy declares."""
    light, truth = line(passes=2000, gap=300, length=200)
    values = frozen(light.astype(np.float64))
    spans = list(zip(truth.start.tolist(), truth.end.tolist(), strict=True))
    view = view_of(strategy.needs, values[:0], values[:0], values, spans)
    inside = np.zeros(light.size, bool)
    for a, b in spans:
        inside[a:b] = True
    background, product = (frozen(np.resize(values[at], light.size)) for at in (~inside, inside))
    return replace(
        view,
        background_=view.background_ and Background(Reading(background), background),
        object_=view.object_ and Reading(product),
    )


def replaced(view: TeachView, holed: TeachView) -> TeachView:
    """Return a view with sweep and events of another, and its own readings, which hold valid samples only."""
    return replace(view, sweep_=holed.sweep_, events_=holed.events_)

"""Settings of schemas 2 and 3 for the random recordings: a follower, a window and turning points per seed."""

from __future__ import annotations

from typing import Any

import numpy as np


def _between(rng: np.random.Generator, light: np.ndarray[Any, Any]) -> tuple[float, float]:
    """Two levels on or beside what occurs, ascending."""
    finite = light[np.isfinite(light)].astype(np.float64)
    if finite.size == 0:
        finite = np.array([0.0])
    a, b = (float(v) for v in rng.choice(finite, 2))
    if rng.random() < 0.4:
        a += float(rng.choice([0.3, -0.3, 0.05, 1.0]))
    return min(a, b), max(a, b)


def following_of(case: Any) -> dict[str, Any]:
    """A following setting in its JSON form, with the case's filter, delays and rate."""
    rng = np.random.default_rng([case.seed, 1])
    low, high = _between(rng, case.light)
    if high == low:
        high = low + max(1.0, 2 * float(np.spacing(abs(low))))
    light_on = case.setting["polarity"] == "light-on"
    reference, active = (low, high) if light_on else (high, low)
    width = (high - low) * float(rng.choice([0.0, 0.1, 0.35, 0.9]))
    on, off = (active, active - width) if light_on else (active + width, active)
    if light_on and not reference < off <= on:
        off = on
    if not light_on and not off <= on <= reference:
        on = off
    spread = float(rng.choice([0.0, 0.5, 3.0, 50.0])) * (high - low)
    gain = bool(rng.random() < 0.5)
    low_limit, high_limit = reference - spread, reference + float(rng.choice([0.0, 1.0, 4.0])) * spread
    dark = low_limit - float(rng.choice([0.1, 1.0, 20.0])) * (high - low)
    gain = gain and dark < low_limit
    evaluations_ms = 1000 / (case.setting["evaluation_rate_hz"] or case.sample_rate)
    return {
        **case.setting,
        "schema": 2,
        "kind": "following",
        "on_level": on,
        "off_level": off,
        "reference": reference,
        "low_limit": low_limit,
        "high_limit": high_limit,
        "follow": "gain" if gain else "offset",
        "dark_level": dark if gain else 0.0,
        "time_constant_ms": float(rng.choice([0.3, 3.0, 20.0, 200.0])) * evaluations_ms,
        "update_evaluations": int(rng.choice([1, 2, 3, 8, 32])),
        "freeze": bool(rng.random() < 0.7),
        "freeze_hold_ms": round(float(rng.choice([0.0, 0.0, 1.0, 5.0, 20.0])) * evaluations_ms, 6),
        "guard": float(rng.choice([0.3, 0.9, 2.0])) if rng.random() < 0.5 else None,
        "slew_per_s": float(rng.choice([0.01, 0.3])) * (high - low) * 1000 / evaluations_ms
        if rng.random() < 0.4
        else None,
        "release_after_ms": round(float(rng.choice([3.0, 17.0, 60.0])) * evaluations_ms, 6)
        if rng.random() < 0.6
        else None,
    }


def window_of(case: Any) -> dict[str, Any]:
    """A window in its JSON form, with the case's filter, delays and rate."""
    rng = np.random.default_rng([case.seed, 2])
    levels = sorted(_between(rng, case.light) + _between(rng, case.light))
    if rng.random() < 0.3:
        levels[1] = levels[0]
    if rng.random() < 0.3:
        levels[2] = levels[3]
    names = ("off_level", "low_release", "high_release", "on_level")
    return {**case.setting, "schema": 2, "kind": "window", **dict(zip(names, levels, strict=True))}


def turning_of(case: Any) -> dict[str, Any]:
    """Turning points in their JSON form, with the case's polarity, filter, delays and rate."""
    rng = np.random.default_rng([case.seed, 4])
    low, high = _between(rng, case.light)
    span = max(high - low, 1.0, 2 * float(np.spacing(abs(low))))
    gain = bool(rng.random() < 0.5)
    dip = gain or bool(rng.random() < 0.5)
    background = high if dip else low
    # Dark may lie within the light: below it the taught distance counts.
    dark = background - float(rng.choice([0.2, 1.0, 2.0, 20.0])) * span
    keys = {k: v for k, v in case.setting.items() if k not in ("on_level", "off_level")}
    by = {"share": float(rng.choice([0.05, 0.3, 0.7, 1.0]))}
    if not (gain and dark < background):
        gain, by = False, {"distance": float(rng.choice([0.05, 0.3, 0.7, 1.2])) * span}
    return {
        **keys,
        "schema": 3,
        "kind": "turning-point",
        "form": "gain" if gain else "offset",
        "direction": "dip" if dip else "rise",
        "background": background,
        **by,
        "return_share": float(rng.choice([0.2, 0.6, 0.6, 1.5])),
        "dark_level": dark if gain else 0.0,
    }

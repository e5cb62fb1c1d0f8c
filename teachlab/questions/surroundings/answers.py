"""Lamps, ambient light and other targets: small calculations, each with units, source and limits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from teachlab.errors import ParameterError, check_not_negative, check_positive
from teachlab.model.printable_text import cut, in_figures
from teachlab.model.verdict import sentence

LEAVE = "Leave the setting as it is. Ask again when lamps, neighbours or filters change."


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class SurroundingsAnswer:
    """A result with its source and limits; it prints as its sentence.

    `values`: keyed by name; the name contains the unit.
    `source`: where the formula comes from.
    `limits`: when it is valid.
    `problem`: whether it can disturb; None if nothing was judged.
    `next_step`: what to do, in one sentence.
    """

    values: dict[str, Any]
    verdict: str
    source: str
    limits: str
    problem: bool | None = None
    next_step: str = ""

    @property
    def judged(self) -> str:
        """The verdict as a sentence that begins with OK or Problem, if it judges."""
        return {None: "", True: "Problem: ", False: "OK: "}[self.problem] + sentence(self.verdict)

    @property
    def units(self) -> dict[str, str]:
        """Unit of every value that is a number: from the end of its name, or what it is a multiple or share of."""
        return {name: unit_of(name) for name, value in self.values.items() if _is_number(value)}

    def __repr__(self) -> str:
        """Return the verdict as a sentence."""
        return self.judged

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1, **self.values, "units": self.units, "verdict": self.verdict, "source": self.source,
            "limits": self.limits,
        }  # fmt: skip


_ENDS = {
    "_hz": "Hz", "_ms": "ms", "_us": "µs", "_lx": "lx", "_pulses": "pulses", "_evaluations": "evaluations",
}  # fmt: skip
_UNITS = {
    "amplitude_left": "in the unit of the amplitude", "swing": "in the unit of the amplitude, peak to peak",
    "light": "in the unit of the light measured", "share_hit": "of all pulses", "average_leaves": "of its swing",
    "head_room": "times the light on the line", "ratio": "times", "exponent": "(power of the distance)",
}  # fmt: skip


def unit_of(name: str) -> str:
    """Return the unit of a value of a `SurroundingsAnswer`."""
    return _UNITS.get(name) or next((unit for end, unit in _ENDS.items() if name.endswith(end)), "")


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


ILLUMINANCES_LX = {
    "full sun in the open": 100_000.0,
    "heavy overcast sky": 5_000.0,
    "by a window": 2_000.0,
    "fine work, indoors": 1_000.0,
    "office, indoors": 500.0,
}
"""Usual illuminances: CIBSE code figures as quoted on a lighting program's help page; EN 12464-1 gives 500 lx
for writing and reading in offices (from memory)."""
TWO_WAY_EXPONENTS = {
    "through-beam": 2,
    "diffuse, target fills the spot": 2,
    "diffuse, target smaller than the spot": 4,
    "retroreflective, reflector filled": 4,
    "retroreflective, reflector not filled": 2,
}
"""Power of the distance by which the received light falls, far field (inverse-square law once or twice)."""


def alias_hz(frequency_hz: float, rate_hz: float) -> float:
    """Return the frequency at which a ripple appears after sampling: ``|f − k · rate|`` for the nearest k.

    Examples
    --------
    >>> alias_hz(20_030.0, 1000.0)
    30.0
    """
    check_positive(rate_hz=rate_hz)
    return abs(math.remainder(frequency_hz, rate_hz))


def average_left(frequency_hz: float, window_ms: float) -> float:
    """Return the share of a ripple that a running average over a window leaves: ``|sinc(f · window)|``.

    Examples
    --------
    >>> round(average_left(100, 10), 6), round(average_left(100, 25 / 3), 2)  # 8.33 ms belong to 120 Hz
    (0.0, 0.19)
    """
    turns = math.pi * frequency_hz * window_ms / 1000
    if math.isinf(turns):
        return 0.0
    return 1.0 if turns == 0 else abs(math.sin(turns) / turns)


def lamp(
    *, evaluation_rate_hz: float, swing: float, hysteresis: float, mains_hz: float = 50.0, on_delay_ms: float = 0.0,
    ripple_hz: float | None = None,
) -> SurroundingsAnswer:  # fmt: skip
    """Find whether lamps on the mains can make the output chatter, and which on-delay or average prevents it.

    The light of a lamp swings at twice the mains frequency, f. About an on-level at its mean it is bright for half of
    the period, and with a hysteresis of a share h of half the swing until it is below the off-level: ``(1/2 + asin(h) /
    2π) / f``. An on-delay longer than that outlasts it, if the light then stays below for at least one evaluation:
    ``(1/2 − asin(h) / π) / f``. An average over one whole period removes the swing. A faster ripple of electronic
    ballasts appears at its alias, whose bright part the on-delay must outlast too. An average is advised if what whole
    evaluations leave is within the hysteresis.

    Parameters
    ----------
    evaluation_rate_hz : float, Hz
        Evaluations of the sensor per second.
    swing, hysteresis : float
        Peak to peak of the flicker at the receiver, and hysteresis of the setting, in the same unit.
    mains_hz : float, Hz
        Mains frequency.
    on_delay_ms : float, ms
        On-delay of the setting.
    ripple_hz : float, Hz, optional
        Ripple of an electronic ballast or a dimmed lamp.

    Examples
    --------
    >>> lamp(evaluation_rate_hz=1000, swing=10, hysteresis=20)
    OK: The hysteresis is wider than the swing: it cannot chatter.
    """
    check_positive(mains_hz=mains_hz, evaluation_rate_hz=evaluation_rate_hz)
    check_not_negative(swing=swing, hysteresis=hysteresis, on_delay_ms=on_delay_ms)
    if ripple_hz is not None:
        check_positive(ripple_hz=ripple_hz)
    flicker = 2 * mains_hz
    # A hysteresis of more than half the swing can hold the light from one period to the next.
    wide = math.asin(min(1.0, 2 * hysteresis / swing)) if swing > 0 else 0.0
    wider = f"iden the hysteresis beyond {in_figures(swing, 9)}."
    bright, dark = 0.5 + wide / (2 * math.pi), 0.5 - wide / math.pi  # shares of a period
    needed, below = 1000 / flicker * bright, 1000 / flicker * dark
    over = max(1, round(evaluation_rate_hz / flicker))
    values: dict[str, Any] = {
        "flicker_hz": flicker,
        "flicker_alias_hz": alias_hz(flicker, evaluation_rate_hz),
    }
    if hysteresis <= swing:  # else nothing chatters, and nothing is needed against it
        values |= {"on_delay_needed_ms": needed} if 2 * hysteresis < swing or swing == 0 else {}
        values |= {
            "average_ms": 1000 / flicker,
            "average_evaluations": over,
            "average_leaves": _evaluations_leave(flicker, evaluation_rate_hz, over),
        }
    if ripple_hz is not None:
        values["ripple_alias_hz"] = alias_hz(ripple_hz, evaluation_rate_hz)
    # Evaluated too seldom, the flicker is seen as a slower one, whose bright half no delay is sure to outlast: how slow
    # hangs on the last digit of both rates.
    sure = evaluation_rate_hz * below >= 1000 * (1 - 1e-9)
    ripple = values.get("ripple_alias_hz")
    slow = ripple is not None and not (ripple > 0 and on_delay_ms > 1000 / ripple * bright)
    quiet, step = swing == 0 or hysteresis > swing or (on_delay_ms > needed and sure and not slow), LEAVE
    longer = in_figures(cut(needed, 4, up=True))
    # The mean of whole evaluations may leave more than the hysteresis holds: then it is no remedy.
    averages = values.get("average_leaves", 1.0) * swing <= hysteresis + 1e-9 * swing
    or_average = f"verage over {1000 / flicker:.4g} ms, or w" if averages else ""
    if swing == 0:
        verdict = "the light does not flicker: it cannot chatter"
    elif hysteresis > swing:
        verdict = "the hysteresis is wider than the swing: it cannot chatter"
    elif evaluation_rate_hz < 2 * flicker:
        verdict = (
            f"it can chatter: the evaluation rate is too low for a flicker of {flicker:g} Hz, which is seen as one of "
            f"{in_figures(values['flicker_alias_hz'])} Hz, and no on-delay or average is sure to remove that"
        )
        step = f"W{wider}"
        if "on_delay_needed_ms" in values:
            faster = f"{math.ceil(1000 / below * (1 - 1e-9)):,}"
            step = f"Evaluate at least {faster} times a second and raise the on-delay above {longer} ms, or w{wider}"
    elif not sure:
        verdict = (
            f"it can switch: the hysteresis of {hysteresis:g} can hold the light of a flicker of {swing:g} from one "
            "period to the next, and no on-delay is sure to outlast that"
        )
        step = f"A{or_average}{wider}" if averages else f"W{wider}"
    elif on_delay_ms > needed and slow:
        verdict = (
            f"it can chatter: the ripple of {ripple_hz:g} Hz is seen as one of {in_figures(ripple)} Hz, and its bright "
            "part outlasts the on-delay"
        )
        step = f"W{wider}"
    elif on_delay_ms > needed:
        verdict = "the on-delay outlasts the bright part of the flicker"
    else:
        than = "wider than" if swing > hysteresis else "as wide as"
        verdict = f"it can chatter: the flicker of {swing:g} is {than} the hysteresis of {hysteresis:g}"
        step = f"Raise the on-delay above {longer} ms, {f'a{or_average}' if averages else 'or w'}{wider}"
    return SurroundingsAnswer(
        values=values,
        verdict=verdict,
        source="full-wave flicker at twice the mains frequency; sampling theorem; elementary Fourier analysis",
        problem=not quiet,
        next_step=step,
        limits="sinusoidal flicker, on-level not below its mean; an average over another period than the lamp's leaves "
        "much (8.3 ms at 50 Hz mains: 19 %)",
    )


def _evaluations_leave(frequency_hz: float, rate_hz: float, count: int) -> float:
    """Return the share of a ripple left by the mean of N evaluations: ``|sin(N x) / (N sin x)|``, x = π f / rate."""
    turn = math.pi * frequency_hz / rate_hz
    below = count * math.sin(turn)
    return 1.0 if abs(below) < 1e-12 * count else abs(math.sin(count * turn) / below)


def ambient_light(*, limit_lx: float, expected_lx: float | None = None) -> SurroundingsAnswer:
    """Compare the ambient light for which a sensor is rated with usual illuminances.

    Parameters
    ----------
    limit_lx : float, lx
        Ambient light that the sensor is rated for.
    expected_lx : float, lx, optional
        Measured or expected on the line.

    Examples
    --------
    >>> ambient_light(limit_lx=10_000, expected_lx=500).problem
    False
    """
    check_positive(limit_lx=limit_lx)
    if expected_lx is not None:
        check_not_negative(expected_lx=expected_lx)
    over = [name for name, lux in ILLUMINANCES_LX.items() if lux > limit_lx]
    values: dict[str, Any] = {"limit_lx": limit_lx, "beyond_the_limit": over}
    if expected_lx is not None:
        values["head_room"] = limit_lx / expected_lx if expected_lx > 0 else math.inf
    verdict = f"usual light beyond its rating: {', '.join(over)}" if over else "no usual light is beyond its rating"
    if expected_lx is not None:
        fits = "keeps within" if expected_lx <= limit_lx else "is beyond"
        verdict = f"{expected_lx:g} lx on the line {fits} the {limit_lx:g} lx it is rated for; {verdict}"
    return SurroundingsAnswer(
        values=values,
        verdict=verdict,
        source="CIBSE code figures as quoted in lighting software; EN 12464-1 (from memory)",
        problem=None if expected_lx is None else expected_lx > limit_lx,
        next_step=LEAVE
        if expected_lx is not None and expected_lx <= limit_lx
        else "Measure the light at the lens with a lux meter, and give it as --expected-lx."
        if expected_lx is None
        else f"Shade the lens to below {limit_lx:g} lx, or take a sensor that is rated for more.",
        limits="illuminance on the lens, not in the hall; spectrum and direction of the lamp matter as much",
    )


def other_target(
    *, measured: float, other_reflectance: float, reflectance: float = 0.9, distance: float = 1.0,
    other_distance: float = 1.0, dark: float = 0.0, mode: str = "diffuse, target fills the spot",
) -> SurroundingsAnswer:  # fmt: skip
    """Predict the light of another target or distance from a measured one.

    ``dark + (measured − dark) · (ρ₂ / ρ₁) · (d₁ / d₂)^k`` with k by mode.

    Parameters
    ----------
    measured, dark : float
        Light from the target measured, and level without any light, in one unit.
    reflectance, other_reflectance : float, in 0 … 1
        Of the target measured and of the other; white paper has 0.9.
    distance, other_distance : float
        Measured, and of the other target, in one unit.
    mode : str
        A key of `TWO_WAY_EXPONENTS`: kind of sensor, and what the target fills.

    Examples
    --------
    >>> other_target(measured=50, other_reflectance=0.18).values["light"]
    10.0
    """
    check_positive(reflectance=reflectance, distance=distance, other_distance=other_distance)
    for name, value in (("reflectance", reflectance), ("other-reflectance", other_reflectance)):
        if not 0 <= value <= 1:
            raise ParameterError(f"{name} is a share of the light, 0 … 1, got {value:g}.")
    if not (math.isfinite(measured) and math.isfinite(dark)):
        raise ParameterError(f"measured and dark must be finite numbers, got {measured:g} and {dark:g}.")
    if measured < dark:
        raise ParameterError(f"the light measured ({measured:g}) must not lie below the dark level ({dark:g}).")
    if mode not in TWO_WAY_EXPONENTS:
        raise ParameterError(f"mode must be one of {', '.join(TWO_WAY_EXPONENTS)}; got '{mode}'.")
    k = TWO_WAY_EXPONENTS[mode]
    try:
        ratio = other_reflectance / reflectance * (distance / other_distance) ** k
    except OverflowError:
        ratio = math.inf
    light = dark + (measured - dark) * ratio
    if not math.isfinite(light):
        raise ParameterError(
            f"the light must be a number: from {distance:g} to {other_distance:g} (reflectance {reflectance:g} "
            f"to {other_reflectance:g}) it grows beyond all. Give distances in one unit, less far apart."
        )
    return SurroundingsAnswer(
        values={"light": light, "ratio": ratio, "exponent": k},
        verdict=f"expect a light of {in_figures(light)}: above dark {in_figures(ratio)} times that measured",
        source="inverse-square law, Lambert's law",
        next_step="Compare it with the levels of the setting: it must lie on the right side of both.",
        limits="far field, beyond the blind zone, matt target in full view; glossy targets do not obey",
    )

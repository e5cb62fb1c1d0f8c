"""Plain models of what the strategies are predicted to fail at, apart from the generator and from the strategies.

Each draws its objects, texture and noise anew from the scenario's numbers (typed in here, not read) and walks the
comparator evaluation by evaluation. `python benchmarks/products/strategy_models.py` prints what the notes of
`predictions.toml` quote and writes it to `results/strategy_models.md`.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator

import numpy as np
from calculations import noise, onsets, texture
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.special import ndtr
from scipy.stats import genpareto

Floats = NDArray[np.float64]
rng = np.random.default_rng(20240307)
CLEAR, WALL_SD, EDGE_SD = 60.0, 3.0, 2.0
GAP, HELD = 440, 280
"""A01: evaluations of a gap of 110 mm, and of 140 ms."""


def jar_light(jars: int, gain: float) -> Iterator[Floats]:
    """A01: what passes the second wall of a jar, then the gap behind it, evaluation by evaluation."""
    wall, middle, phase = rng.normal(0.70, 0.05, jars), rng.normal(1.03, 0.02, jars), rng.random(jars)
    wide = np.hypot(WALL_SD, EDGE_SD)
    for k in range(-80, GAP):
        u = 0.25 * (k + phase)  # beyond the jar's end; the wall stands 3 mm before it
        dip = np.exp(-0.5 * ((u + 3) / wide) ** 2) * WALL_SD / wide
        fill = ndtr(-u / EDGE_SD)
        x = gain * CLEAR * (1 + fill * (middle - 1)) * (1 - (1 - wall) * dip)
        yield x + noise(x, x)


def jar_losses(jars: int, gain: float, levels: Floats, hysteresis: float) -> tuple[Floats, Floats]:
    """A01: percent of jars whose next one finds the output still active, and percent not seen at all, at each level."""
    # active until the gap has gone 140 ms without dark light
    rows = list(jar_light(jars, gain))
    least = np.min(rows[:160], axis=0)
    held, missed = [], []
    for level in levels:
        dark, since = np.zeros(jars, bool), np.full(jars, HELD)
        for x in rows:
            dark = np.where(dark, x < level + hysteresis, x < level)
            since = np.where(dark, 0, since + 1)
        held.append(100 * float(np.mean(since <= HELD)))
        missed.append(100 * float(np.mean(least >= level)))
    return np.array(held), np.array(missed)


def guards_of_jars(teachings: int, passes: int) -> Floats:
    """A01: level halfway between the 1 % quantiles of so many jars and gaps, over teachings."""
    rows = list(jar_light(40_000, 1.0))
    walls = np.array([np.maximum(np.maximum(a, b), c) for a, b, c in zip(rows, rows[1:], rows[2:], strict=False)])
    troughs, gaps = walls[:160].min(axis=0), np.min(rows[120:], axis=0)
    a, b = (np.quantile(rng.choice(x, (teachings, passes)), q, axis=1) for x, q in ((troughs, 0.99), (gaps, 0.01)))
    return (a + b) / 2


def sun_steps(release: float, passes: int, recordings: int) -> Floats:
    """A06: percent of passes lost, one per recording, while the background stands above the release.

    Half of the gaps are merged where the light rises to 7.34 below the release (see A06 in `suite.toml`). A pass each
    second.
    """
    lost = []
    for _ in range(recordings):
        time, hidden = 0.0, 0.0
        while time < passes:
            time += rng.exponential(60)
            length, rise = rng.uniform(5, 40), rng.uniform(2, 9)
            above = max(rise - (release - 7.34), 0.0) / rise
            hidden += length - 3 + 3 * above if above > 0 else 0.0
            time += length
        lost.append(100 * hidden / passes)
    return np.array(lost)


def fast_follower(lines: int, jars: int, evaluations: int) -> float:
    """A01: percent of jars merged by a level of 0.935 b, hysteresis 35 % of b - T, that follows within 100 evaluations.

    The reference b moves once in so many evaluations, and learns all light that is not dark. Lines with 60 to 100 % of
    the light stand side by side.
    """
    gain, wide = np.linspace(0.6, 1, lines), np.hypot(WALL_SD, EDGE_SD)
    b, dark, since = CLEAR * gain, np.zeros(lines, bool), np.full(lines, 2 * HELD)
    total, count, merged, step = np.zeros(lines), np.zeros(lines), 0.0, 0
    for jar in range(jars):
        wall, middle, phase = rng.normal(0.70, 0.05, lines), rng.normal(1.03, 0.02, lines), rng.random(lines)
        seen = np.zeros(lines, bool)
        for k in range(720):  # from mid-gap to mid-gap
            u = 0.25 * (k + phase) - 55
            fill = ndtr(u / EDGE_SD) - ndtr((u - 70) / EDGE_SD)
            dips = sum(np.exp(-0.5 * ((u - at) / wide) ** 2) for at in (3, 67)) * WALL_SD / wide
            x = gain * CLEAR * (1 + fill * (middle - 1)) * (1 - (1 - wall) * dips)
            x += noise(x, x)
            dark = np.where(dark, x < 0.935 * b + 0.35 * 0.065 * b, x < 0.935 * b)
            before, since = since <= HELD, np.where(dark, 0, since + 1)
            seen |= (since <= HELD) & ~before & (k >= 194)  # the window begins 26 evaluations before the jar
            total, count, step = total + np.where(dark, 0, x), count + ~dark, step + 1
            if step % evaluations == 0:
                b = b + np.where(count > 0, (total / np.maximum(count, 1) - b) * count / (count + 100), 0)
                total, count = np.zeros(lines), np.zeros(lines)
        merged += float(np.mean(~seen)) if jar >= 5 else 0.0
    return 100 * merged / (jars - 5)


def texture_trips(gaps: int, background: tuple[float, float, float], level: float, hysteresis: float) -> float:
    """A03, A09: onsets in a gap; background is level, spread and evaluations per length of its texture."""
    mean, sd, length = background

    def light() -> Iterator[Floats]:
        for _, z in zip(range(158), texture(gaps, 1, length), strict=False):
            s = mean + sd * z
            yield s + noise(s, s)

    return float(onsets(light(), level, level - hysteresis).mean())


def roof_events(events: int) -> tuple[Floats, Floats]:
    """A06: strongest light of gaps and, lasting three evaluations, of packs."""

    def strongest(level: Floats, spread: float, evaluations: int, hold: int) -> Floats:
        best, last = np.full(events, -np.inf), [np.full(events, -np.inf)] * hold
        for _, z in zip(range(evaluations), texture(events, 0.3, 10), strict=False):
            s = level + spread * z
            last = [*last[1:], s + noise(s, s)]
            best = np.maximum(best, np.min(last, axis=0))
        return best

    return strongest(np.full(events, 8.0), 0.2, 540, 1), strongest(rng.normal(26, 2, events), 0.0, 340, 3)


def tail_levels(teachings: int, passes: int) -> Floats:
    """A06: level of least cost between two generalised Pareto tails of a tenth of the events, over teachings."""
    gaps, packs = roof_events(4000)
    levels = []
    for _ in range(teachings):
        u0, x0, b0 = pareto(rng.choice(gaps, passes))
        u1, x1, b1 = pareto(-rng.choice(packs, passes))

        def cost(t: float, low=(u0, x0, b0), high=(u1, x1, b1)) -> float:
            return beyond(t - low[0], *low[1:]) + beyond(-t - high[0], *high[1:])

        levels.append(minimize_scalar(cost, bounds=(u0, -u1), method="bounded").x)
    return np.array(levels)


def pareto(upward: Floats) -> tuple[float, float, float]:
    """Start, shape (at least 0) and scale of the tail of the highest tenth."""
    start = float(np.quantile(upward, 0.9))
    excess = upward[upward > start] - start
    shape, _, scale = genpareto.fit(excess, floc=0)
    return (start, float(shape), float(scale)) if shape > 0 else (start, 0.0, float(excess.mean()))


def beyond(distance: float, shape: float, scale: float) -> float:
    """Share of a tail beyond a distance."""
    if shape < 1e-9:
        return float(np.exp(-distance / scale))
    return float((1 + shape * distance / scale) ** (-1 / shape))


def spread(values: Floats) -> str:
    """Write median and 5 to 95 %."""
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return f"{middle:.3g} [{low:.3g}, {high:.3g}]"


def main() -> None:
    """Print and store all models."""
    lines = ["# What is predicted of the strategies, by plain models", ""]
    lines += ["Written by `python benchmarks/products/strategy_models.py`. Ranges are 5 to 95 %.", ""]

    def say(line: str) -> None:
        print(line, file=sys.stderr, flush=True)
        lines.append(f"- {line}")

    taught = guards_of_jars(2000, 200)
    say(f"A01, quantile guard on 200 jars: level {spread(taught)} over 2,000 teachings.")
    levels = np.arange(54.4, 57.61, 0.2)
    for gain in (0.95, 0.90, 0.85):
        held = jar_losses(6000, gain, levels, 1.26)[0]
        lost = np.interp(taught, levels, held)
        say(f"A01, gain {gain:g}, hysteresis 1.26: merged {spread(lost)} % over these teachings.")
        if gain == 0.95:
            at = ", ".join(f"{h:.3g} % at {t:.1f}" for t, h in zip(levels, held, strict=True) if 55 < t < 57)
            say(f"A01, gain 0.95, by level: {at}.")
            for share in (0.3, 10, 36):
                say(f"A01, gain 0.95: {share:g} % or more in {100 * np.mean(lost >= share):.0f} of 100 teachings.")
    low = np.array([52.6, 52.8, 53.0])
    missed = np.mean([jar_losses(20_000, 1.0, low, 0.3)[1] for _ in range(5)], axis=0)
    say(f"A01, clean, not seen at all: {', '.join(f'{m:.2g} % at {t}' for t, m in zip(low, missed, strict=True))}.")
    for gain in (0.90, 0.85):
        held = jar_losses(6000, gain, low, 0.3)[0]
        say(f"A01, gain {gain:g}, merged: {', '.join(f'{h:.3g} % at {t}' for t, h in zip(low, held, strict=True))}.")
    for release in (14.12, 13.3):
        long = float(sun_steps(release, 20_000, 400).mean())
        share = 100 * np.mean(sun_steps(release, 4000, 2000) >= 13)
        say(
            f"A06, sun steps, release {release}: {long:.3g} % lost; 13 or more in {share:.1f} of 100 recordings of "
            "4,000."
        )
        say(f"A06, sun steps, release {release}, 20,000 passes: {spread(sun_steps(release, 20_000, 400))} %.")
    for evaluations in (1, 32):
        lost = fast_follower(1000, 25, evaluations)
        say(f"A01, follower within 100 evaluations, moved each {evaluations}: {lost:.2g} % merged.")
    cartons, sleeves = (6.0, 0.2, 20.0), (7.0, 0.4, 20.0)
    for width in (0.05, 0.2, 0.4, 0.8):
        trips = texture_trips(40_000, cartons, 6.6, width)
        say(f"A03, level 6.6, hysteresis {width}: {trips:.3g} false trips per gap.")
    trips = texture_trips(200_000, cartons, 7.7, 0.97)
    say(f"A03, level 7.7, hysteresis 0.97: {trips:.2g} false trips per gap.")
    for level, width in ((8.16, 0.9), (8.21, 0.71), (8.75, 1.1)):
        trips = texture_trips(100_000, sleeves, level, width)
        say(f"A09, level {level}, hysteresis {width}: {trips:.3g} false trips per gap.")
    for passes in (200, 1000):
        say(f"A06, tails of {passes} passes: level {spread(tail_levels(600, passes))} over 600 teachings.")
    from figures import RESULTS

    (RESULTS / "strategy_models.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

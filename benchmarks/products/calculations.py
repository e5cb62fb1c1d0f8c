"""Plain models of six of the difficult products, apart from the generator: what should a figure be, and by what luck.

Each draws its objects, edges, texture and noise anew from the scenario's numbers (typed in here, not read) and walks
the comparator and the delays evaluation by evaluation, many passes side by side.
`python benchmarks/products/calculations.py` prints what the notes of `suite.toml` quote and writes it to
`results/calculations.md`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import poisson

Floats = NDArray[np.float64]
rng = np.random.default_rng(20240229)


def onsets(
    light: Iterable[Floats], on: Floats | float, off: Floats | float, *, on_delay: int = 0, off_delay: int = 0,
    first: int = 0, stop: int = 1 << 30,
) -> NDArray[np.int64]:  # fmt: skip
    """Count per row the onsets of the output at the evaluations ``[first, stop)``; every row begins long settled."""
    counts = comparator = running = since = output = None
    for step, x in enumerate(light):
        if comparator is None:
            comparator = x >= on
            running = np.where(comparator, on_delay + 1, 0)
            since = np.where(comparator, 0, off_delay + 1)
            output, counts = comparator.copy(), np.zeros(x.size, np.int64)
            continue
        comparator = np.where(comparator, x >= off, x >= on)
        running = np.where(comparator, running + 1, 0)
        since = np.where(running > on_delay, 0, since + 1)
        before, output = output, since <= off_delay
        if first <= step < stop:
            counts += output & ~before
    return counts


def noise(x: Floats, optical: Floats) -> Floats:
    """One evaluation's noise: thermal 0.12, shot 3e-4 per percent, source 0.2 %."""
    return rng.standard_normal(x.size) * np.sqrt(0.12**2 + 3e-4 * np.maximum(x, 0) + (0.002 * optical) ** 2)


def texture(rows: int, step_mm: float, length_mm: float) -> Iterator[Floats]:
    """Unit texture, exponentially correlated, one evaluation after the other."""
    rho, y = np.exp(-step_mm / length_mm), rng.standard_normal(rows)
    while True:
        yield y
        y = rho * y + np.sqrt(1 - rho**2) * rng.standard_normal(rows)


def black_trays(gaps: int, hysteresis: float) -> tuple[float, float]:
    """A02: false trips per running hour and percent merged at 10.5, on-delay 20 ms."""
    before, after = (rng.normal(14, 0.9, gaps) for _ in range(2))

    def light() -> Iterator[Floats]:
        for k, z in zip(range(-60, 400), texture(gaps, 0.4, 8), strict=False):
            left, right = ndtr(-0.4 * k / 3), ndtr((0.4 * k - 120) / 3)
            s = (8 + 0.7 * z) * (1 - left - right) + before * left + after * right
            yield s + noise(s, s)

    # windows reach 25 evaluations into the gap, and 20 of the on-delay after a pass
    rows, off, window = list(light()), 10.5 - hysteresis, 60 + 300 - 25
    tripped = onsets(rows, 10.5, off, on_delay=20, first=60 + 25 + 20, stop=window)
    seen = onsets(rows, 10.5, off, on_delay=20, first=window)
    return float(tripped.mean()) * 3600 * 400 / 320, 100 * float((seen == 0).mean())


def wrapped_bars(gaps: int, level: float, hysteresis: float, off_delay: int) -> float:
    """A04: percent of the gaps in which the output never falls."""
    gap = np.maximum(rng.normal(10, 2, gaps), 2.5)
    before, after = (rng.normal(45, 4, gaps) for _ in range(2))
    phase = rng.random(gaps)

    def light() -> Iterator[Floats]:
        for k, z in zip(range(-10, 50), texture(gaps, 0.6, 5), strict=False):
            u = 0.6 * (k + phase)
            left, right = ndtr(-u), ndtr(u - gap)
            s = (10 + 0.3 * z) * (1 - left - right) + before * left + after * right
            yield s + noise(s, s)

    return 100 * float((onsets(light(), level, level - hysteresis, off_delay=off_delay) == 0).mean())


def glossy_cartons(cartons: int, levels: Floats) -> tuple[Floats, Floats, Floats]:
    """A03: onsets beyond the first per carton and percent lost at each level (hysteresis 2 %), and mid readings."""
    light, sd = np.full((520, cartons), 6.0), 1.5
    u = 0.25 * np.arange(-60, 460)[:, None] - 0.0
    body = rng.lognormal(np.log(30), np.sqrt(np.log1p(0.15**2)), cartons)
    light += (body - 6) * (ndtr(u / 1.5) - ndtr((u - 100) / 1.5))
    for carton, count in enumerate(rng.poisson(1.5, cartons)):
        for place, height in zip(100 * rng.random(count), 8 * rng.random(count) ** (-1 / 1.5), strict=True):
            light[:, carton] += height * np.exp(-((u[:, 0] - place) ** 2) / (2 * sd**2))
    light = np.minimum(light + np.array([noise(row, row) for row in light]), 100)
    counts = [onsets(light, t, 0.98 * t) for t in levels]
    extra = np.array([np.maximum(c - 1, 0).mean() for c in counts])
    return extra, np.array([100 * (c == 0).mean() for c in counts]), light[240:280].mean(axis=0)


def dusty_sacks(sacks: int, level: float, hysteresis: float) -> float:
    """A05: onsets beyond the first per sack, readings of 12 bits."""
    body, step = np.maximum(rng.normal(1, 0.3, sacks), 0.2), 100 / 4095

    def light() -> Iterator[Floats]:
        for u in 0.4 * np.arange(-60, 1186):
            fill = ndtr(u / 6) - ndtr((u - 450) / 6)
            s = 80 * (1 - fill) + body * fill
            yield 100 - np.clip(np.rint((s + noise(s, s)) / step) * step, 0, 100)

    return float(np.maximum(onsets(light(), 100 - level, 100 - level - hysteresis) - 1, 0).mean())


def pallet_light(pallets: int) -> Iterator[Floats]:
    """A07: what pallets leave of the light, evaluation by evaluation."""
    mean = rng.normal(25, 4, pallets)
    for k, z in zip(range(-50, 2051), texture(pallets, 0.6, 15), strict=False):
        fill = ndtr(0.6 * k / 4) - ndtr((0.6 * k - 1200) / 4)
        s = 70 * (1 - fill) + np.clip(mean + 12 * z, 3, 75) * fill
        yield s + noise(s, s)


def wrapped_pallets(pallets: int) -> float:
    """A07: pallets counted more than once at 33.6, hysteresis 3, off-delay 400 ms, per pallet."""
    again = onsets((100 - x for x in pallet_light(pallets)), 100 - 33.6, 100 - 36.6, off_delay=200)
    return float(np.maximum(again - 1, 0).mean())


def pallets_without_delay(pallets: int, levels: Floats) -> tuple[Floats, Floats]:
    """A07: onsets beyond the first per pallet at each level (hysteresis 2 %), and a mean of 40 samples per pallet."""
    rows = list(pallet_light(pallets))
    counts = [onsets((100 - x for x in rows), 100 - t, 100 - 1.02 * t) for t in levels]
    first = rng.integers(60, 1950, pallets)
    inside = np.stack(rows)
    means = np.array([inside[k : k + 40, j].mean() for j, k in enumerate(first)])
    return np.array([np.maximum(c - 1, 0).mean() for c in counts]), means


def flickering_lamps(bottles: int, levels: Floats, second_phase_deg: float) -> Floats:
    """A12: onsets beyond the first per bottle at each two-sample level, on-delay 6 ms."""
    body, phase = rng.normal(9, 0.4, bottles), rng.random(bottles)
    rows = []
    for k, z in zip(range(-100, 500), texture(bottles, 0.25, 8), strict=False):
        fill = ndtr(0.25 * k / 2.5) - ndtr((0.25 * k - 100) / 2.5)
        theta = 2 * np.pi * (100.02 * k / 1000 + phase)
        s = (5 + 0.1 * z) * (1 - fill) + body * fill
        x = s + 1.2 * np.cos(theta) + 0.3 * np.cos(2 * theta + np.radians(second_phase_deg))
        rows.append(x + noise(x, s))
    # at T = (s + 5)/2 the hysteresis is a tenth of s - 5
    counts = [onsets(rows, t, t - 0.2 * (t - 5), on_delay=6, first=68, stop=538) for t in levels]
    return np.array([np.maximum(c - 1, 0).mean() for c in counts])


def over_teachings(of_level: Callable[[Floats], Floats], taught: Floats, draws: int, passes: int = 200) -> Floats:
    """Medians over the draws from each of 2,000 teach recordings of so many passes."""
    shown = rng.choice(taught, (2000, passes))
    picked = np.take_along_axis(shown, rng.integers(0, passes, (2000, draws)), axis=1)
    return np.median(of_level(picked), axis=1)


def spread(medians: Floats, low: float, high: float) -> str:
    """Write median, range and the share outside of what is accepted."""
    a, b, c = np.quantile(medians, [0.05, 0.5, 0.95])
    outside = 100 * float(np.mean((medians < low) | (medians > high)))
    return f"{b:.3g} [{a:.2g}, {c:.2g}], outside {low:g} to {high:g} in {outside:.0f} of 100 teachings"


def main() -> None:
    """Print and store all calculations."""
    lines = ["# Figures by plain models", "", "Written by `python benchmarks/products/calculations.py`.", ""]

    def say(line: str) -> None:
        print(line, flush=True)
        lines.append(f"- {line}")

    trays = {h: np.mean([black_trays(25_000, h) for _ in range(24)], axis=0) for h in (1.0, 2.5)}
    rate = float(trays[1.0][0])
    expected = rate * 12000 / 4500
    low, high = 5.36 * 12000 / 4500, 8.04 * 12000 / 4500
    missed = 1 - poisson.cdf(np.floor(high), expected) + poisson.cdf(np.ceil(low) - 1, expected)
    say(
        f"A02, 10.5, H 1, on-delay 20 ms: {rate:.3g} false trips per hour, {expected:.3g} in 12,000 passes; outside "
        f"5.36 to 8.04 by chance in {100 * missed:.0f} of 100 recordings."
    )
    trips, held = trays[2.5]
    say(f"A02, 10.5, H 2.5, on-delay 20 ms: {trips:.3g} false trips per hour, {held:.2g} % merged.")
    merged = float(np.mean([wrapped_bars(200_000, 27.5, 3.5, 6) for _ in range(5)]))
    say(f"A04, off-delay 3 ms, two-sample at 27.5, H 3.5: {merged:.3g} % merged.")
    say(f"A04, no delay, 13, H 0.26: {np.mean([wrapped_bars(200_000, 13, 0.26, 0) for _ in range(5)]):.2g} % merged.")
    levels = np.arange(15.0, 36.1, 0.5)
    runs = [glossy_cartons(4000, levels) for _ in range(4)]
    extra, lost = (np.mean([run[k] for run in runs], axis=0) for k in (0, 1))
    readings = 0.75 * np.concatenate([run[2] for run in runs])
    for draws in (100, 25):
        medians = over_teachings(lambda t: np.interp(t, levels, extra), readings, draws)
        say(f"A03, single object, extra, {draws} draws: {spread(medians, 0.08, 0.12)}.")
    for name, value in (("extra 0.10", np.interp(0.10, extra[:25], levels[:25])), ("the median", 22.5)):
        say(
            f"A03, at {name}: level {value:.3g}, extra {np.interp(value, levels, extra):.2g}, "
            f"lost {np.interp(value, levels, lost):.2g} %."
        )
    again = float(np.mean([wrapped_pallets(20_000) for _ in range(4)]))
    say(
        f"A07, off-delay 400 ms, 33.6, H 3: {again:.2g} per pallet, {600 * again:.2g} in 600 pallets; none at all in "
        f"{100 * np.exp(-600 * again):.0f} of 100 recordings."
    )
    steps = np.arange(6.2, 7.81, 0.1)
    for phase in (45.0, 0.0, 90.0, 180.0, 270.0):
        per_level = flickering_lamps(6000, steps, phase)
        taught = (rng.normal(9, 0.4, 20000) + 5) / 2
        medians = over_teachings(lambda t, y=per_level: np.interp(t, steps, y), taught, 100)
        at_seven = np.interp(7.0, steps, per_level)
        say(f"A12, on-delay 6 ms, second phase {phase:g}: {at_seven:.3g} at 7.0; {spread(medians, 0.12, 0.18)}.")
    sacks = np.array([dusty_sacks(2000, 1.4, 0.028) for _ in range(60)])
    low, middle, high = np.quantile(sacks, [0.05, 0.5, 0.95])
    say(
        f"A05, 1.4, H 0.028: {middle:.3g} [{low:.3g}, {high:.3g}] extra per sack over recordings of 2,000; outside 24 "
        f"to 36 in {100 * np.mean((sacks < 24) | (sacks > 36)):.0f} of 100."
    )
    steps = np.arange(12.0, 64.1, 2.0)
    extra, means = pallets_without_delay(3000, steps)
    for draws in (100, 25):
        medians = over_teachings(lambda t: np.interp(t, steps, extra), means / 0.75, draws)
        say(f"A07, single object, extra, {draws} draws: {spread(medians, 46.4, 69.6)}.")
    from figures import RESULTS

    (RESULTS / "calculations.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

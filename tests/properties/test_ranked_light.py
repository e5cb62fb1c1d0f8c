"""Ranks of light answer every comparison as the light does, however it comes in parts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from teachlab.teaching.cells import ranked_light
from teachlab.teaching.cells.ranked_light import RankedLight

quick = settings(max_examples=60, deadline=None)


def looked_up(light: list[float], levels: list[float]) -> list[int]:
    """Count the levels at or below the last valid light, evaluation by evaluation."""
    valid = [x for x in light if x == x]
    now, out = valid[0] if valid else -np.inf, []
    for x in light:
        now = x if x == x else now
        out.append(sum(level <= now for level in levels))
    return out


@pytest.mark.parametrize(("together", "places"), [(1 << 16, 1 << 16), (5, 8), (1, 4)])
@quick
@given(st.integers(0, 10**6))
@example(3)
def test_a_rank_is_the_number_of_levels_at_or_below_the_light(together: int, places: int, seed: int) -> None:
    """Levels that occur, lie close together or far beyond the light, and one alone; invalid and infinite light."""
    rng = np.random.default_rng(seed)
    light = rng.normal(0, 10, int(rng.integers(1, 60)))
    light = np.round(light) if rng.integers(2) else light
    light[rng.random(light.size) < rng.choice([0, 0.2, 1.0], p=[0.6, 0.35, 0.05])] = np.nan
    light[: int(rng.integers(0, 3))] = np.nan
    light[rng.random(light.size) < 0.05] = rng.choice([np.inf, -np.inf, 1e300, -1e300])
    some = np.append(light[np.isfinite(light)], [0.0, 3.0])
    levels = np.concatenate((rng.choice(some, 4), np.nextafter(some[:2], np.inf), rng.normal(0, 30, 3)))
    levels = levels[: int(rng.integers(1, levels.size + 1))]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(ranked_light, "RANKED", together)
        patch.setattr(ranked_light, "PLACES", places)
        parts = np.split(light, np.sort(rng.integers(0, light.size + 1, 2)))
        found = RankedLight.of(parts, light.size, levels)
        short = RankedLight.of(parts, light.size // 2, levels)
    each = sorted(set(levels.tolist()))
    assert found.levels.tolist() == each
    assert found.ranks.tolist() == looked_up(light.tolist(), each)
    # What comes first stands for light before it, but only if it comes.
    if not np.isnan(light[: light.size // 2]).all():
        assert (
            short.ranks.tolist()
            == found.ranks[: light.size // 2].tolist()
            == found.first(short.ranks.size).ranks.tolist()
        )
    invalid = np.zeros(light.size, bool) if found.invalid is None else found.invalid
    assert invalid.tolist() == np.isnan(light).tolist()
    for level, mark in zip(levels.tolist(), found.marks(levels).tolist(), strict=True):
        valid = ~np.isnan(light)
        np.testing.assert_array_equal((found.ranks >= mark)[valid], light[valid] >= level)
        # Turned, a dip below the level reaches the next mark.
        turned, up = found.turned(found.ranks, False), 1 + found.turned(np.array([mark]), False)[0]
        np.testing.assert_array_equal((turned >= up)[valid], light[valid] < level)
        assert found.turned(found.ranks, True).tolist() == found.ranks.tolist()


@pytest.mark.parametrize("many", [1, 253, 254, 255, 300])
def test_ranks_take_the_smallest_numbers_that_hold_them(many: int) -> None:
    levels = np.arange(many, dtype=np.float64)
    found = RankedLight.of([np.array([-1.0, 0.0, many - 1.0, many + 9.0])], 4, levels)
    assert found.ranks.tolist() == [0, 1, many, many]
    assert found.ranks.itemsize == (1 if many < 255 else 2)

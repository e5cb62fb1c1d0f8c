"""The best level is the best of all levels, by brute force."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from teachlab.data.quality.separability import best_level

PEAKS = st.lists(st.integers(-8, 8).map(float), min_size=1, max_size=12)


@given(PEAKS, PEAKS)
def test_nothing_is_better(passes, gaps):
    level, lost, tripped = best_level(np.array(passes), np.array(gaps))
    assert lost == sum(p < level for p in passes)
    assert tripped == sum(g >= level for g in gaps)
    tried = [x / 2 for x in range(-20, 21)]
    assert lost + tripped == min(sum(p < t for p in passes) + sum(g >= t for g in gaps) for t in tried)
    assert (lost + tripped == 0) == (min(passes) > max(gaps))

"""The window: two comparators side by side; the light is beyond the window if it is beyond either of them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import Light
from teachlab.sensor.comparator import Comparator
from teachlab.sensor.edges import TwoState


class TwoThresholds:
    """Reads evaluated light block by block through the two thresholds of a window.

    The upper side is a comparator that begins at ``x >= on_level`` and ends at ``x < high_release``. The lower side
    begins at ``x < off_level`` and ends at ``x >= low_release``. If the first valid evaluation lies between the two
    thresholds, it is within the window.

    Examples
    --------
    >>> window = WindowSetting(unit="mV", off_level=10, low_release=12, high_release=28, on_level=30)
    >>> both = TwoThresholds(window, np.dtype("uint8"))
    >>> both.push(np.array([20, 31, 29, 27, 9, 11, 31, 20], np.uint8))
    >>> both.light_state().edges.tolist()
    [1, 3, 4, 7]
    """

    def __init__(self, setting: WindowSetting, dtype: np.dtype[Any]) -> None:
        self._upper = Comparator(setting.on_level, setting.high_release, dtype)
        self._lower = Comparator(setting.low_release, setting.off_level, dtype, first_level=setting.off_level)

    @property
    def first(self) -> bool | None:
        """State of the first valid evaluation; None before it."""
        if self._upper.first is None:
            return None
        return self._upper.first or not self._lower.first

    def can_skip(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch with these extremes and no invalid sample leaves both sides unchanged."""
        return self._upper.can_skip(low, high) and self._lower.can_skip(low, high)

    def must_read(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch with these extremes must be read in every state."""
        return self._upper.must_read(low, high) or self._lower.must_read(low, high)

    def skip(self, evaluations: int) -> None:
        """Skip evaluations that `can_skip` allows."""
        self._upper.skip(evaluations)
        self._lower.skip(evaluations)

    def push(self, light: Light, invalid: NDArray[np.bool_] | None = None) -> None:
        """Take the next evaluations, in the stored type; NaN need not be flagged."""
        self._upper.push(light, invalid)
        self._lower.push(light, invalid)

    def light_state(self) -> TwoState:
        """Return the state so far: true is beyond the window."""
        upper, lower = self._upper.light_state(), self._lower.light_state().inverted()
        # The light is never beyond on both sides at once: an edge of both is a jump from one side to the other.
        return TwoState(upper.first or lower.first, np.setxor1d(upper.edges, lower.edges, assume_unique=True))

    def validity(self) -> TwoState:
        """Return which evaluations were invalid so far: true is invalid."""
        return self._upper.validity()

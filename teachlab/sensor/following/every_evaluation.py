"""The common part of comparators whose levels follow the light: they must read all of it."""

from __future__ import annotations


class EveryEvaluation:
    """Reads every evaluation; extremes of a stretch never replace it."""

    def can_skip(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch can be skipped: never, because it moves the levels."""
        return False

    def must_read(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch must be read: always."""
        return True

    def skip(self, evaluations: int) -> None:
        """Skip evaluations: `can_skip` never allows it."""
        raise NotImplementedError

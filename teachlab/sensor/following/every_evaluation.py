"""What comparators have in common whose levels follow the light: they must see all of it."""

from __future__ import annotations


class EveryEvaluation:
    """Reads whatever comes; extremes of a stretch never spare it."""

    def can_skip(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch can be passed over: never, it moves the levels."""
        return False

    def must_read(self, low: float | None, high: float | None) -> bool:
        """Whether a stretch must be read: always."""
        return True

    def skip(self, evaluations: int) -> None:
        """Pass over evaluations: `can_skip` allows it never."""
        raise NotImplementedError

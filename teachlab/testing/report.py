"""Result of a conformance run: one record per check."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class CheckVerdict(StrEnum):
    """Outcome of one check."""

    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    EXPECTED_FAILURE = "expected failure"


@dataclass(frozen=True, slots=True)
class CheckResult:
    """Outcome of one check, with its reason in a sentence.

    Parameters
    ----------
    check : str
    verdict : CheckVerdict
    told : str
        What was found; for a skipped check, why it could not be made.
    """

    check: str
    verdict: CheckVerdict
    told: str


@dataclass(frozen=True, slots=True)
class ConformanceReport:
    """All checks of one strategy.

    Parameters
    ----------
    strategy : str
        Its name.
    results : tuple of CheckResult
        One per check, in the order they ran.
    taught : bool
        Whether it taught a setting on any of what it was shown; if not, hardly anything could be judged.
    """

    strategy: str
    results: tuple[CheckResult, ...]
    taught: bool = True

    @property
    def ok(self) -> bool:
        """Whether no check failed; skipped ones are listed in `skipped` and in the text."""
        return not self.failed

    @property
    def failed(self) -> tuple[str, ...]:
        """Names of the checks that failed."""
        return self._with(CheckVerdict.FAILED)

    @property
    def skipped(self) -> tuple[str, ...]:
        """Names of the checks that could not be made."""
        return self._with(CheckVerdict.SKIPPED)

    def _with(self, verdict: CheckVerdict) -> tuple[str, ...]:
        return tuple(r.check for r in self.results if r.verdict is verdict)

    def __getitem__(self, check: str) -> CheckResult:
        """Return the result of a check."""
        return next(r for r in self.results if r.check == check)

    def text(self) -> str:
        """Return the report for people: failed checks first, and a summary that hides no skipped one."""
        width = max(len(r.check) for r in self.results)
        first = sorted(self.results, key=lambda r: r.verdict is not CheckVerdict.FAILED)
        lines = [f"{r.check:<{width}}  {r.verdict.upper()}: {r.told}" for r in first]
        counts = Counter(r.verdict for r in self.results)
        summary = ", ".join(f"{counts[v]} {v}" for v in CheckVerdict if counts[v])
        good = "conforms" if self.taught else "CANNOT BE JUDGED, it never taught"
        found = good if self.ok else "DOES NOT CONFORM"
        return "\n".join([f"{self.strategy} {found}: {summary}.", *lines])

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {
            "schema": 1,
            "strategy": self.strategy,
            "ok": self.ok,
            "taught": self.taught,
            "checks": [{"check": r.check, "verdict": str(r.verdict), "told": r.told} for r in self.results],
        }

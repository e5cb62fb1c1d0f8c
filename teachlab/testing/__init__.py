"""Public: the checks that a strategy, built-in or plugged in, must pass.

>>> from teachlab.teaching import resolve
>>> conformance(resolve("two-sample-midpoint")).ok
True
"""

from teachlab.testing.report import CheckResult, CheckVerdict, ConformanceReport
from teachlab.testing.suite import CHECKS, StrategyCheck, checks, conformance

__all__ = ["CHECKS", "CheckResult", "CheckVerdict", "ConformanceReport", "StrategyCheck", "checks", "conformance"]

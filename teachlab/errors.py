"""Every deliberate error of teachlab, and two checks that raise one.

::

    TeachlabError
    ├── InputError            bad input or usage: exit code 2
    │   ├── RecordingError    a recording or its metadata
    │   │   └── UnmeasurableError  light too large for statistics
    │   ├── TruthError        a table of passes
    │   ├── SettingError      a setting
    │   ├── ParameterError    a parameter of a strategy or of a command
    │   ├── ScenarioError     a synthetic scenario
    │   └── StrategyError     a strategy that cannot be found, loaded or trusted
    └── Abstained             a strategy that declines to teach: an outcome, exit code 3
"""

from __future__ import annotations

import math
from typing import ClassVar


class TeachlabError(Exception):
    """Base of every deliberate error."""

    guide: ClassVar[str | None] = None
    """Page of the guide with more on it."""


class InputError(TeachlabError):
    """Input that cannot be used; the message says what must hold, what came, and what to do."""


class RecordingError(InputError):
    """A recording, or its metadata, breaks the file contract."""

    guide = "log"


class UnmeasurableError(RecordingError):
    """Light is too large to be measured; it can still be compared with levels."""


class TruthError(InputError):
    """A table of passes breaks the file contract."""

    guide = "truth"


class SettingError(InputError):
    """A setting breaks its invariants, or does not fit the recording."""


class ParameterError(InputError):
    """A parameter of a strategy or of a command is outside its range."""


class ScenarioError(InputError):
    """A synthetic scenario cannot be understood."""


class StrategyError(InputError):
    """A strategy cannot be found, cannot be loaded, or broke the protocol."""

    guide = "strategy"


class Abstained(TeachlabError):
    """A strategy declines to teach on the evidence it was shown.

    Parameters
    ----------
    reason : str
        The reason, in words.
    measured : str
        What was measured, with its unit.
    required : str
        What is required, with its unit.
    """

    guide = "declined"

    def __init__(self, reason: str, measured: str, required: str) -> None:
        super().__init__(reason, measured, required)
        self.reason = reason
        self.measured = measured
        self.required = required

    def __str__(self) -> str:
        return f"{self.reason} (measured: {self.measured}; required: {self.required})"


def check_share(name: str, value: float) -> None:
    """Refuse a share or a confidence outside (0, 1)."""
    if not 0 < value < 1:
        hint = " (a percentage? give 0.95 for 95 %)" if value >= 1 else ""
        raise ParameterError(f"{name} must lie strictly between 0 and 1, got {value:g}{hint}.")


def check_least(name: str, value: int, least: int = 0) -> None:
    """Refuse a number below the least one."""
    if value < least:
        raise ParameterError(f"{name} must be at least {least}, got {value}.")


def check_positive(**values: float) -> None:
    """Refuse a value that is no finite number above 0, by name."""
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise ParameterError(f"{name.replace('_', '-')} must be a finite number above 0, got {value:g}.")


def check_not_negative(**values: float) -> None:
    """Refuse a value that is no finite number of at least 0, by name."""
    for name, value in values.items():
        if not (math.isfinite(value) and value >= 0):
            raise ParameterError(f"{name.replace('_', '-')} must be a finite number of at least 0, got {value:g}.")

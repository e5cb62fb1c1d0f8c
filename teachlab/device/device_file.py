"""The device as its owner describes it in a TOML file: readings of its display, its steps, delays and filter."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import Field

from teachlab.data.atomic_files import read_text
from teachlab.data.strict_json import SchemaOne, StrictModel, check, parse_toml
from teachlab.device.scale import DisplayScale
from teachlab.errors import ParameterError
from teachlab.model.printable_text import level_text
from teachlab.teaching.cells.device_steps import KeyedRange

if TYPE_CHECKING:
    from teachlab.model.setting import Setting
    from teachlab.model.teaching import Strategy

WIDER = (2, 4, 8)
"""Doubts of the levels that are tried if no step is safe, as multiples of the display's own."""


class DisplayReading(StrictModel):
    """One reading at the same moment: the logger's value, and the display's; noise is a standard deviation."""

    light: float
    display: float
    light_noise: float | None = Field(default=None, ge=0)
    display_noise: float | None = Field(default=None, ge=0)


class DisplayTable(StrictModel):
    """The display: its resolution, the step and range in which values are keyed in."""

    step: float = Field(gt=0)
    low: float
    high: float
    resolution: float | None = Field(default=None, gt=0)


class DelayTable(StrictModel):
    """Delays that can be keyed in, ms."""

    low: float = Field(default=0.0, ge=0)
    high: float = Field(ge=0)
    step: float = Field(gt=0)


class DeviceDocument(SchemaOne):
    """A device: its readings, display, delays, hysteresis and filter."""

    name: str = ""
    unit: str
    light_noise: float = Field(default=0.0, ge=0)
    display_noise: float = Field(default=0.0, ge=0)
    confidence: float = Field(default=0.95, gt=0, lt=1)
    display: DisplayTable
    pairs: list[DisplayReading]
    on_delay_ms: DelayTable | None = None
    off_delay_ms: DelayTable | None = None
    hysteresis: float | None = Field(default=None, ge=0)
    consecutive: list[int] | None = None

    def scale(self) -> DisplayScale:
        """Fit the scale to the readings.

        Raises ParameterError as `DisplayScale.of`.
        """
        return DisplayScale.of(
            [p.light for p in self.pairs], [p.display for p in self.pairs],
            light_error=[self.light_noise if p.light_noise is None else p.light_noise for p in self.pairs],
            display_error=[self.display_noise if p.display_noise is None else p.display_noise for p in self.pairs],
            resolution=self.display.resolution or self.display.step, step=self.display.step, first=self.display.low,
            last=self.display.high, confidence=self.confidence,
        )  # fmt: skip

    def designing(self, strategy: Strategy) -> Strategy:
        """Return a strategy that chooses among what can be keyed in, if it designs whole settings; others unchanged.

        Raises ParameterError if no step of the display lies within the readings.
        """
        from teachlab.teaching.strategies.designed import Designed

        if not isinstance(strategy, Designed):
            return strategy
        scale = self.scale()
        displays = scale.steps(scale.light_low, scale.light_high)
        if not displays.size:
            raise ParameterError(
                f"no step of the display lies within the readings, {level_text(scale.light_low)} to "
                f"{level_text(scale.light_high)} {self.unit}. Read more, further apart."
            )
        # The doubt of a line is largest at its ends.
        ends = sorted((scale.behind(float(one)) for one in displays[[0, -1]]), key=lambda one: one.light)
        low, high = (one.light for one in ends)
        parts: dict[str, Any] = {
            "level_steps": (low, high, abs(scale.step / scale.line.slope)),
            "level_doubt": max(side for one in ends for side in (one.high - one.light, one.light - one.low)),
        }
        for name in ("on_delay_ms", "off_delay_ms"):
            table = getattr(self, name)
            if table is not None:
                parts[name.replace("_ms", "s_ms")] = (table.low, table.high, table.step)
        if self.consecutive:
            parts["filters"] = tuple(self.consecutive)
        if self.hysteresis is not None:
            parts["hysteresis"] = abs(self.hysteresis / scale.line.slope)
        return replace(strategy, **parts)

    def further_from_errors(self, strategy: Strategy) -> list[Strategy]:
        """Return designs that keep further and further from errors, to be tried where no step is safe.

        Passes that were not shown may leave less room than those that were.
        """
        from teachlab.teaching.strategies.designed import Designed

        if not isinstance(strategy, Designed):
            return []
        return [replace(strategy, level_doubt=times * strategy.level_doubt) for times in WIDER]

    def timing_in_steps(self, setting: Setting) -> Setting:
        """Return a setting with the nearest delays and filter that can be keyed in.

        Raises ParameterError if a delay lies beyond the range of the device.
        """
        on = _in_steps(setting.on_delay_ms, self.on_delay_ms, "on-delay")
        off = _in_steps(setting.off_delay_ms, self.off_delay_ms, "off-delay")
        n = setting.consecutive
        if self.consecutive:
            n = min(self.consecutive, key=lambda one: (abs(one - setting.consecutive), one))
        return replace(setting, on_delay_ms=on, off_delay_ms=off, consecutive=n)


def read_device(path: str | Path) -> DeviceDocument:
    """Read a device from TOML; all faults are in one message.

    Raises ParameterError if the file is no TOML, a key is unknown, missing or wrong, or the readings give no scale.
    """
    text = read_text(path, "a device in TOML", ParameterError)
    values = parse_toml(text, str(path), ParameterError)
    found = check(DeviceDocument, _with_floats(values), str(path), ParameterError)
    if found.display.low >= found.display.high:
        raise ParameterError(f"{path}: display.low must be below display.high, got {found.display.low:g}.")
    if found.consecutive is not None and not (found.consecutive and min(found.consecutive) >= 1):
        raise ParameterError(f"{path}: consecutive lists whole numbers from 1 on, got {found.consecutive}.")
    try:
        found.scale()
    except ParameterError as fault:
        raise ParameterError(f"{path}: {fault}") from None
    return found


def _with_floats(values: object) -> object:
    """Return values with whole numbers turned into floats where they are measures: TOML writes 5 for 5.0."""
    if isinstance(values, dict):
        return {k: v if k in ("schema", "consecutive") else _with_floats(v) for k, v in values.items()}
    if isinstance(values, list):
        return [_with_floats(v) for v in values]
    return float(values) if isinstance(values, int) and not isinstance(values, bool) else values


def _in_steps(delay: float, table: DelayTable | None, what: str) -> float:
    if table is None:
        return delay
    if not table.low <= delay <= table.high:
        raise ParameterError(
            f"the {what} of {delay:g} ms cannot be keyed in: the device takes {table.low:g} to {table.high:g} ms. "
            "Choose a setting within it."
        )
    return float(KeyedRange(table.low, table.high, table.step).nearest(delay))

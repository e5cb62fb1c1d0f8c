"""Bounds of the fields of a value, declared once beside each field and checked when the value is made."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import fields
from enum import StrEnum
from functools import cache
from typing import Any

LARGEST_LEVEL = 1e61
"""Largest level, dark level or full scale: above all light in calculations; fourth powers are still numbers."""


def hold_levels(value: Any, names: Iterable[str], error: Callable[[str], Exception]) -> None:
    """Convert the named fields of a frozen value to floats; refuse values that no light can have.

    `value`: a value with a `unit`.
    """
    for name in names:
        try:
            level = float(getattr(value, name))
        except OverflowError:  # a whole number of 400 digits
            level = math.inf
        if not abs(level) <= LARGEST_LEVEL:
            raise error(
                f"{name} must be a finite number of {value.unit}, at most 10^{math.log10(LARGEST_LEVEL):.0f} either "
                f"way, got {level:g}."
            )
        object.__setattr__(value, name, level)


def hold_choice(value: Any, name: str, made: type[StrEnum], error: Callable[[str], Exception]) -> None:
    """Convert the named field of a frozen value from the text of a choice to the choice; refuse any other text.

    A text that is equal to a choice is not the same object: left as it is, a rise would be taken for a dip.
    """
    given = getattr(value, name)
    if type(given) is made:
        return
    if given not in list(made):
        raise error(f"{name} must be one of {', '.join(made)}, got '{given}'.")
    object.__setattr__(value, name, made(given))


def hold_bounds(value: Any, error: Callable[[str], Exception]) -> None:
    """Refuse a field outside the bounds in its metadata: ``ge`` or ``gt``, and ``le``; None has no bounds.

    `value`: its metadata may also hold ``unit``, and ``advice``: what to do.

    Examples
    --------
    >>> from dataclasses import dataclass, field
    >>> @dataclass
    ... class Wait:
    ...     time: float = field(metadata={"ge": 0, "unit": "ms"})
    >>> hold_bounds(Wait(-1.0), ValueError)
    Traceback (most recent call last):
        ...
    ValueError: time must be a finite number of at least 0 ms, got -1.0.
    """
    for name, held in _bounded(value.__class__):
        given = getattr(value, name)
        if given is None:
            continue
        low, above, high = held.get("ge"), held.get("gt"), held.get("le", math.inf)
        least = given >= low if low is not None else given > above
        # Compared, not converted to a float: a whole number may be too large for one.
        if least and given <= high and given != math.inf:
            continue
        unit = f" {held['unit']}" if "unit" in held else ""
        if high == math.inf:
            range_ = "a finite number " + (f"of at least {low}" if low is not None else f"above {above}")
        else:
            range_ = f"{low} to {high:,}" if low is not None else f"above {above} and at most {high:,g}"
        advice = f" {held['advice']}" if "advice" in held else ""
        raise error(f"{name} must be {range_}{unit}, got {str(given)[:20]}.{advice}")


# Settings are made by the thousand, so their fields are looked up only once.
@cache
def _bounded(made: type[Any]) -> tuple[tuple[str, Mapping[str, Any]], ...]:
    return tuple((one.name, one.metadata) for one in fields(made) if "ge" in one.metadata or "gt" in one.metadata)

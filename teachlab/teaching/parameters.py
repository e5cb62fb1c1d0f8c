"""Parameters of strategies: declared with unit and range, checked and parsed in one place."""

from __future__ import annotations

import difflib
import inspect
import math
import operator
import types
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from enum import Enum
from typing import Any, Union, get_args, get_origin, get_type_hints

from teachlab.errors import ParameterError, StrategyError
from teachlab.model.setting import Taught

Plain = str | int | float | bool | None
"""A value of a parameter as JSON holds it."""

_LIMITS = {
    "above": (operator.gt, "above"),
    "at_least": (operator.ge, "at least"),
    "below": (operator.lt, "below"),
    "at_most": (operator.le, "at most"),
}
_TRUTHS = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


def about(
    help: str,
    *,
    unit: str = "",
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
) -> dict[str, Any]:
    """Return the metadata of a strategy's field: its meaning, unit and range.

    Parameters
    ----------
    help, unit : str
        For listings and messages.
    above, at_least, below, at_most : float, optional
        Range, checked by `check_parameters`.
    """
    limits = {"above": above, "at_least": at_least, "below": below, "at_most": at_most}
    return {"unit": unit, "help": help, "limits": {name: v for name, v in limits.items() if v is not None}}


@dataclass(frozen=True, slots=True)
class ParameterInfo:
    """One parameter, as listings show it.

    Parameters
    ----------
    name, type, unit, help : str
        `unit` and `help` are empty where the strategy does not give them.
    default : str, int, float, bool or None
        Default value; None as well where there is none.
    required : bool
        Whether the parameter has no default.
    choices : tuple of str
        Values of an enum.
    """

    name: str
    type: str
    default: Plain
    unit: str
    help: str
    required: bool
    choices: tuple[str, ...]


def describe(strategy: type) -> tuple[ParameterInfo, ...]:
    """Return the parameters of a strategy class, in their order."""
    hints = get_type_hints(strategy)
    return tuple(_info(f, hints[f.name]) for f in _fields(strategy))


def _info(f: Field[Any], hint: Any) -> ParameterInfo:
    kind, optional = _kind(hint)
    default, required = None, False
    if f.default is not MISSING:
        default = plain(f.default)
    elif f.default_factory is not MISSING:
        default = plain(f.default_factory())
    else:
        required = True
    choices = tuple(str(member.value) for member in kind) if issubclass(kind, Enum) else ()
    name = ("choice" if choices else kind.__name__) + (" or none" if optional else "")
    unit, text = str(f.metadata.get("unit", "")), str(f.metadata.get("help", ""))
    return ParameterInfo(f.name, name, default, unit, text, required, choices)


def parameters_of(strategy: object) -> dict[str, Plain]:
    """Return the parameters of a strategy as plain JSON values."""
    return {f.name: plain(getattr(strategy, f.name)) for f in _fields(type(strategy))}


def record(strategy: Any, **evidence: Any) -> Taught:
    """Return what a setting says about its origin: strategy, all parameters, and the numbers used."""
    return Taught(strategy=strategy.name, parameters=parameters_of(strategy), evidence=evidence)


def plain(value: Any) -> Plain:
    """Return a parameter value as JSON holds it; an enum by its value.

    Raises
    ------
    StrategyError
        If the value has no plain form.
    """
    if isinstance(value, Enum):
        value = value.value
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise StrategyError(
        f"a parameter must be a number, a text, a truth value, an enum or none, got {type(value).__name__} {value!r}."
    )


def check_parameters(strategy: Any) -> None:
    """Check every parameter of a frozen dataclass against its type and its declared range.

    To be called from ``__post_init__``. Numbers and enum values are brought to the declared type.

    Raises
    ------
    ParameterError
        Naming strategy and parameter, what must hold and what came.
    """
    hints = get_type_hints(type(strategy))
    for f in _fields(type(strategy)):
        value = _fit(strategy, f, hints[f.name], getattr(strategy, f.name))
        object.__setattr__(strategy, f.name, value)
        if value is None:
            continue
        limits: Mapping[str, float] = f.metadata.get("limits", {})
        if not all(_LIMITS[name][0](value, limit) for name, limit in limits.items()):
            must = "be " + " and ".join(f"{_LIMITS[name][1]} {limit:g}" for name, limit in limits.items())
            raise refusal(strategy.name, f.name, must, value, unit=f.metadata.get("unit", ""))


def refusal(strategy: str, name: str, must: str, value: object, *, unit: str = "") -> ParameterError:
    """Return the one error that every unusable parameter value gives."""
    told = f" ({unit})" if unit else ""
    return ParameterError(
        f"strategy '{strategy}': parameter '{name}'{told} must {must}, got {value!r}. "
        f"See `teachlab strategies` for units and defaults, and set it with --set {name}=…"
    )


def _fit(strategy: Any, f: Field[Any], hint: Any, value: Any) -> Any:
    kind, optional = _kind(hint)
    if value is None and optional:
        return None
    if issubclass(kind, Enum):
        try:
            return kind(value)
        except ValueError:
            raise refusal(strategy.name, f.name, _one_of(kind), value) from None
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
        return float(value)
    if kind is int and hasattr(value, "__index__") and not isinstance(value, bool):
        return operator.index(value)
    if kind in (bool, str) and isinstance(value, kind):
        return value
    raise refusal(strategy.name, f.name, _must(kind), value, unit=f.metadata.get("unit", ""))


def parse_assignments(assignments: Iterable[str]) -> dict[str, str]:
    """Split ``name=value`` texts; a dash in a name stands for an underscore.

    What stands before a dot, such as the name of a strategy, is left as it is.

    Raises
    ------
    ParameterError
        If a text has no name or no equals sign, or sets a parameter again.

    Examples
    --------
    >>> parse_assignments(["hysteresis-share=0.1", "single-sample.reduction=0.2"])
    {'hysteresis_share': '0.1', 'single-sample.reduction': '0.2'}
    """
    out: dict[str, str] = {}
    for text in assignments:
        key, equals, value = (part.strip() for part in text.partition("="))
        owner, dot, name = key.rpartition(".")
        if not (equals and name):
            raise ParameterError(f"a parameter is set as name=value, got {text!r}. Write for example --set name=0.2.")
        key = owner + dot + name.replace("-", "_")
        if key in out:
            raise ParameterError(f"parameter '{key}' is set twice: {out[key]!r} and {value!r}. Keep one.")
        out[key] = value
    return out


def parse_parameters(strategy: type, texts: Mapping[str, str]) -> dict[str, Any]:
    """Parse texts by the types of a strategy's fields.

    Parameters
    ----------
    strategy : type
        A dataclass with a `name`.
    texts : mapping of str to str
        Parameter names and values as typed by a person.

    Raises
    ------
    ParameterError
        If a name is unknown or a text does not fit its type.
    """
    known, hints = {f.name: f for f in _fields(strategy)}, get_type_hints(strategy)
    label = str(getattr(strategy, "name", strategy.__name__))
    out: dict[str, Any] = {}
    for name, text in texts.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else ""
            raise ParameterError(
                f"strategy '{label}' has no parameter '{name}'.{hint} It has: {', '.join(known) or 'none'}."
            )
        out[name] = _parse(label, known[name], hints[name], text)
    return out


def _parse(strategy: str, f: Field[Any], hint: Any, text: str) -> Any:
    kind, optional = _kind(hint)
    if optional and text.lower() in ("none", "null"):
        return None
    try:
        if kind is bool:
            return _TRUTHS[text.lower()]
        value = kind(text)
    except (ValueError, KeyError):
        value = None
    if value is None or (kind is float and not math.isfinite(value)):
        must = _must(kind) + (" or none" if optional else "")
        raise refusal(strategy, f.name, must, text, unit=f.metadata.get("unit", ""))
    return value


def _must(kind: type) -> str:
    if issubclass(kind, Enum):
        return _one_of(kind)
    words = {float: "a finite number", int: "a whole number", bool: "true or false", str: "a text"}
    return "be " + words[kind]


def _one_of(kind: type[Enum]) -> str:
    return "be one of " + ", ".join(str(member.value) for member in kind)


def _fields(strategy: type) -> tuple[Field[Any], ...]:
    if not is_dataclass(strategy):
        return ()
    return tuple(f for f in fields(strategy) if f.init)


def _kind(hint: Any) -> tuple[type, bool]:
    """Return the plain type of a field and whether it may be none."""
    optional = False
    if get_origin(hint) in (Union, types.UnionType):
        parts = [part for part in get_args(hint) if part is not type(None)]
        optional = len(parts) < len(get_args(hint))
        hint = parts[0] if len(parts) == 1 else hint
    if inspect.isclass(hint) and (hint in (float, int, bool, str) or issubclass(hint, Enum)):
        return hint, optional
    raise StrategyError(
        f"a parameter must be declared as float, int, bool, str, an enum, or one of them or None, got {hint!r}."
    )

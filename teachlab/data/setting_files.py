"""Settings in and out: JSON, schemas 1 to 3."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Literal

from pydantic import Field

from teachlab.data.atomic_files import read_text, write_aside
from teachlab.data.strict_json import StrictModel, check, model_of, parse_json, shown
from teachlab.errors import SettingError
from teachlab.model.following_and_window import (
    SCHEMA,
    TURNING_SCHEMA,
    FollowingSetting,
    SettingKind,
    TurningPointSetting,
    WindowSetting,
)
from teachlab.model.json_values import escaped
from teachlab.model.printable_text import typed_again
from teachlab.model.setting import Setting, Taught


def _document(made: type[Setting], kind: SettingKind | None = None) -> type[StrictModel]:
    if kind is None:
        return model_of(made, schema_=(Literal[1], Field(default=1, alias="schema")))
    schema = Literal[3] if kind is SettingKind.TURNING_POINT else Literal[2]
    without = frozenset(one.name for one in fields(made) if not one.init)
    return model_of(made, without=without, schema_=(schema, Field(alias="schema")), kind=(Literal[str(kind)], ...))


_FIXED = _document(Setting), Setting
_MADE: Mapping[int, Mapping[SettingKind, type[Setting]]] = {
    SCHEMA: {SettingKind.FOLLOWING: FollowingSetting, SettingKind.WINDOW: WindowSetting},
    TURNING_SCHEMA: {SettingKind.TURNING_POINT: TurningPointSetting},
}
_KINDS: Mapping[int, Mapping[str, tuple[type[StrictModel], type[Setting]]]] = {
    schema: {str(kind): (_document(made, kind), made) for kind, made in of.items()} for schema, of in _MADE.items()
}


def named_settings(paths: Sequence[str]) -> list[tuple[str, Setting]]:
    """Read settings, each named by its file; by its path where two files have one name."""
    stems = [Path(path).stem for path in paths]
    return [
        (stem if stems.count(stem) == 1 else path, read_setting(path)) for stem, path in zip(stems, paths, strict=True)
    ]


def setting_from_dict(values: object, where: str) -> Setting:
    """Return a setting from its parsed JSON; all faults are in one message.

    `values`: the parsed document: a mapping of schema 1, 2 or 3 without unknown keys.
    Raises SettingError if a key is missing, unknown or wrong, or the values do not fit together.

    Examples
    --------
    >>> setting_from_dict({"unit": "mV", "on_level": 5, "off_level": 4, "polarity": "light-on"}, "here").hysteresis
    1.0
    """
    if isinstance(values, Mapping) and "abstained" in values:
        raise SettingError(
            f"{where}: a strategy abstained here, so there is no setting. Teach another way, or write the record of "
            f"the abstention: teachlab report RECORDING {typed_again(setting=where)}"
        )
    model, made = _kind_of(values, where)
    stated = check(model, values, where, SettingError).model_dump(exclude={"schema_", "kind"})
    taught = stated.pop("taught")
    try:
        return made(**stated, taught=None if taught is None else Taught(**taught))
    except SettingError as fault:
        raise SettingError(f"{where}: {fault}") from None


def _kind_of(values: object, where: str) -> tuple[type[StrictModel], type[Setting]]:
    schema = values.get("schema", 1) if isinstance(values, Mapping) else 1
    if schema == 1 or not isinstance(schema, int):
        return _FIXED
    if schema not in _KINDS:
        raise SettingError(
            f"{where}: schema must be 1, 2 or 3, got {schema}. This version reads schema 1, levels, schema 2, levels "
            "that follow and windows of two thresholds, and schema 3, turning points; later kinds need a later version."
        )
    kind, kinds = values.get("kind") if isinstance(values, Mapping) else None, _KINDS[schema]
    if not isinstance(kind, str) or kind not in kinds:
        raise SettingError(
            f"{where}: kind must be {' or '.join(kinds)} in a setting of schema {schema}, got {shown(kind)}. "
            "Give the kind, or use schema 1 for one pair of fixed levels."
        )
    return kinds[kind]


def read_setting(path: str | Path) -> Setting:
    """Read a setting from a JSON file."""
    text = read_text(path, "a setting in JSON", SettingError)
    return setting_from_dict(parse_json(text, str(path), SettingError), str(path))


def setting_text(setting: Setting) -> str:
    """Return the JSON text of a setting as it is written to a file."""
    try:
        return escaped(json.dumps(setting.as_dict(), indent=2, allow_nan=False, ensure_ascii=False)) + "\n"
    except (TypeError, ValueError) as fault:
        raise SettingError(
            f"the setting cannot be written as JSON: {fault}. "
            "Parameters and evidence of `taught` must be finite numbers, text, lists and objects."
        ) from None


def write_setting(path: str | Path, setting: Setting) -> None:
    """Write a setting as JSON; the file appears only when it is complete."""
    text = setting_text(setting)
    with write_aside(path) as aside:
        aside.write_text(text, encoding="utf-8")

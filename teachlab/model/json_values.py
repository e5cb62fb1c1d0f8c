"""Values as plain JSON: what every answer prints, writes and passes to a page."""

from __future__ import annotations

import json
import math
import re
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any, ClassVar

AS_THEY_ARE = {int, bool, str, type(None)}
"""Lists that hold only these, such as millions of counts, need no check of every element."""


class Document:
    """A frozen value that makes its JSON document from its fields; override `as_dict` where the form differs."""

    __slots__ = ()
    ALSO: ClassVar[tuple[str, ...]] = ()
    """Properties that follow the fields in the document."""

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form; NaN and infinities are null."""
        return picked(self, *_names(self), *self.ALSO)


def _names(value: Any) -> list[str]:
    return [field.name for field in fields(value)]


_UNSEEN = re.compile(
    "[\x7f-\x9f\xad\u0600-\u0605\u061c\u06dd\u070f\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff\ufeff"
    "\ufff9-\ufffb\U000e0000-\U000e0fff]"
)
"""What JSON may hold raw, and neither a terminal nor an editor should see."""


def json_text(document: Any, *, indent: int | None = None) -> str:
    r"""Return a document as JSON, for a terminal or a file; what nobody sees in its texts is written as escapes.

    Examples
    --------
    >>> json_text({"label": "pnp\u202e\x1b", "share": float("nan")})
    '{"label": "pnp\\u202e\\u001b", "share": null}'
    """
    return escaped(json.dumps(plain(document), indent=indent, ensure_ascii=False, allow_nan=False))


def escaped(text: str) -> str:
    """Return the text of a JSON document in which what nobody sees is written as escapes."""
    return _UNSEEN.sub(lambda found: json.dumps(found[0])[1:-1], text)


def plain(value: Any) -> Any:
    """Return a value in plain JSON types; NaN and infinities become null, arrays and tuples lists.

    A value with `as_dict` gives that; another dataclass gives its fields.

    Examples
    --------
    >>> plain({"a": (1, float("nan"))})
    {'a': [1, None]}
    """
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        # One pass over the types, at the speed of C, saves a call for every number of a table.
        if set(map(type, value)) <= AS_THEY_ARE:
            return list(value)
        return [plain(item) for item in value]
    if isinstance(value, Enum):
        return plain(value.value)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if hasattr(value, "as_dict"):
        return plain(value.as_dict())
    if is_dataclass(value) and not isinstance(value, type):
        return picked(value, *_names(value))
    return value


def picked(value: Any, *names: str) -> dict[str, Any]:
    """Return the named attributes of a value in plain JSON types."""
    return {name: plain(getattr(value, name)) for name in names}

"""Values as plain JSON."""

from __future__ import annotations

import math
from enum import Enum
from typing import Any

AS_THEY_ARE = {int, bool, str, type(None)}
"""Lists of nothing else, such as millions of counts, need no look at every element."""


def plain(value: Any) -> Any:
    """Return a value in plain JSON types; NaN and infinities become null, arrays lists.

    Examples
    --------
    >>> plain({"a": (1, float("nan"))})
    {'a': [1, None]}
    """
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        if set(map(type, value)) <= AS_THEY_ARE:
            return list(value)
        return [plain(item) for item in value]
    if isinstance(value, Enum):
        return plain(value.value)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value

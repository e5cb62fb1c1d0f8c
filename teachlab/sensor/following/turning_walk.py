"""Turning points evaluation by evaluation: this function is also compiled."""

from __future__ import annotations

from typing import Any

# Light of a dip (~) with the furthest values before (M) and within (m) it:
#
#     ~~~~~M~~                  ~~~M      on at the first evaluation more than D below M, off at the first one
#             \            o~~~~          q·D or more above m. M begins anew at the off, m at the on.
#              o          /
#               \___~~~m_/                rise: the same upside down
#
Now = tuple[bool, float, float, float]
"""Whether an object is seen, the furthest values m and M of object and background, and the distance D that began it."""


def walk(
    light: Any, begin: int, now: Now, share: float, taught: float, back: float, dark: float, edges: Any
) -> tuple[Now, int]:
    """Go through light evaluation by evaluation, as SWITCHING.md describes; dips only.

    The result is the state at the end, and the number of edges.
    `light`: NaN changes nothing.
    `begin`: number of the first evaluation.
    `share`: share of the turning point above dark; NaN for the offset form.
    `taught`: the distance at the taught background.
    `back`: share of the distance that ends an object.
    `edges`: receives the evaluations at which the state changes.
    """
    seen, low, top, distance = now
    found = 0
    for i in range(len(light)):
        x = light[i]
        if x != x:
            continue
        if seen:
            if x < low:
                low = x
            if x - low >= back * distance:
                seen, top = False, x
                edges[found] = begin + i
                found += 1
        else:
            if x > top:
                top = x
            wanted = taught
            if share == share and top > dark:
                wanted = share * (top - dark)
            if top - x > wanted:
                seen, low, distance = True, x, wanted
                edges[found] = begin + i
                found += 1
    return (seen, low, top, distance), found

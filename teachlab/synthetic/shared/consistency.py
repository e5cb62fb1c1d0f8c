"""How keys of a scenario must fit together; checked on the raw tables, so that it is reported with all other faults."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

Raw = Mapping[str, Any]
SMALLEST, LARGEST = 1e-12, 1e12
"""Range of all numbers of a scenario except 0, in any unit: no length, time or light of a line lies beyond."""


def object_faults(kind: Raw) -> list[str]:
    """Return what does not fit together within one kind of object."""
    faults = []
    ways = [kind.get(key) is not None for key in ("level_percent", "reflectance", "transmission", "transparent")]
    if sum(ways) != 1:
        faults.append("give exactly one of level_percent, reflectance (with distance_mm), transmission and transparent")
    if (kind.get("reflectance") is None) != (kind.get("distance_mm") is None):
        faults.append("reflectance and distance_mm belong together: give both")
    if kind.get("tilt_deg") is not None and kind.get("reflectance") is None:
        faults.append("tilt_deg acts on objects given by reflectance and distance_mm only")
    return faults


def scenario_faults(tables: Raw) -> list[str]:
    """Return what does not fit together between the tables of a scenario; entries that are no table are ignored."""
    faults = list(_beyond(tables, ""))
    sensor, line = (_table(tables.get(key)) for key in ("sensor", "line"))
    kinds = [_table(kind) for kind in _entries(tables.get("object"))]
    labels = [kind["label"] for kind in kinds if isinstance(kind.get("label"), str)]
    for label in sorted({label for label in labels if labels.count(label) > 1}):
        faults.append(f"two kinds of object are labelled {label!r}: give each its own label")
    suppressed = sensor.get("sensing") == "background-suppressed"
    if any(kind.get("reflectance") is not None for kind in kinds):
        if suppressed and sensor.get("suppression") is None:
            faults.append("objects given by distance need the table [sensor.suppression]")
        if not suppressed and sensor.get("reference") is None:
            faults.append("objects given by reflectance need the table [sensor.reference]")
    if any(kind.get("zone_swap") is not None for kind in kinds) and not suppressed:
        faults.append("zone_swap happens between the two receiver zones of a background-suppressed sensor only")
    if suppressed and any(kind.get("tilt_deg") is not None for kind in kinds):
        faults.append("tilt_deg does nothing under background suppression, which compares two zones: leave it out")
    if _table(sensor.get("beam")).get("shape") == "slit" and any(kind.get("across_mm") is not None for kind in kinds):
        faults.append("across_mm needs a round beam, gaussian or circular: how far a slit reaches across is not given")
    if sensor.get("sensing") == "through-beam" and any(kind.get("wrap") is not None for kind in kinds):
        faults.append("wrap leaks past a crossed analyser, a beam pair has none: give film as transparent with texture")
    if line.get("lot_level_cv") and line.get("lot_passes") is None:
        faults.append("lot_level_cv needs lot_passes")
    return faults


def _beyond(value: object, place: str) -> Iterator[str]:
    """Yield every number that no line can have; seeds may be any number."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key != "seed":
                yield from _beyond(inner, place if key == "value" else f"{place}.{key}" if place else str(key))
    elif isinstance(value, (list, tuple)):
        for k, inner in enumerate(value):
            yield from _beyond(inner, f"{place}[{k}]")
    elif isinstance(value, (int, float)) and value and not SMALLEST <= abs(value) <= LARGEST:
        shown = (
            f"{value:g}" if isinstance(value, float) else f"a whole number of {0.30103 * value.bit_length():.0f} digits"
        )
        yield f"{place}: numbers other than 0 must lie between {SMALLEST:g} and {LARGEST:g} in size, got {shown}"


def _table(value: object) -> Raw:
    return value if isinstance(value, Mapping) else {}


def _entries(value: object) -> Iterator[object]:
    yield from value if isinstance(value, (list, tuple)) else ()

"""Places in a recording as people look them up: the time of day if known, otherwise the time since the start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.model.printable_text import moment, printable

if TYPE_CHECKING:
    from teachlab.model.printable_text import Recorded
    from teachlab.scoring.error_places import ErrorPlace


def place_text(place: ErrorPlace, recording: Recorded) -> str:
    """Return where most errors of one kind lie, as a sentence."""
    many = f"{place.count} of {place.of} {place.what}" if place.count < place.of else f"All {place.of} {place.what}"
    when = moment(place.first_sample, recording)
    if place.where == "gap":
        after = f"after pass {place.first_pass}" if place.first_pass >= 0 else "before the first pass"
        return f"{many} lie in one gap, {after}, from {when} on."
    if place.where == "stretch":
        passes = (
            f"pass {place.first_pass}"
            if place.first_pass == place.last_pass
            else f"passes {place.first_pass} to {place.last_pass}"
        )
        lot = f" of lot '{printable(place.name, most=24)}'" if place.name else ""
        return f"{many} lie in one stretch, {passes}{lot}, from {when} on."
    of = "lot" if place.where == "lot" else "kind"
    return f"{many} are of the {of} '{place.name}'; the first at {when}, pass {place.first_pass}."

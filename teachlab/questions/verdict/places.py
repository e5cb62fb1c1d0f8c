"""Places in a recording as people look them up: the time of day if known, otherwise the time since the start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from teachlab.model.printable_text import printable

if TYPE_CHECKING:
    from teachlab.model.recording import RecordingInfo
    from teachlab.scoring.error_places import ErrorPlace


def moment(sample: int, info: RecordingInfo) -> str:
    """Return when a sample was taken: 14:03:22, or the time since the recording began.

    Examples
    --------
    >>> from teachlab.model.recording import RecordingInfo
    >>> moment(7_530_000, RecordingInfo(sample_rate_hz=2000.0, unit="counts"))
    '1:02:45 after the start'
    >>> moment(90, RecordingInfo(sample_rate_hz=2000.0, unit="counts"))
    '0.045 s after the start'
    """
    seconds = sample / info.sample_rate_hz
    began = getattr(info, "began", None)
    if began is not None:
        from datetime import timedelta

        at = began + timedelta(seconds=seconds)
        return f"{at:%H:%M:%S}" if seconds < 86400 else f"{at:%Y-%m-%d %H:%M:%S}"
    if seconds < 60:
        return f"{seconds:.3g} s after the start"
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d} after the start"


def place_text(place: ErrorPlace, info: RecordingInfo) -> str:
    """Return where most errors of one kind lie, as a sentence."""
    many = f"{place.count} of {place.of} {place.what}" if place.count < place.of else f"All {place.of} {place.what}"
    when = moment(place.first_sample, info)
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

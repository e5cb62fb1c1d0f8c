"""Recompute a record and list every difference."""

from __future__ import annotations

import math
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import teachlab.evidence.identity as identity
from teachlab.data.atomic_files import read_text
from teachlab.data.recording_files import read_recording
from teachlab.data.setting_files import read_setting, setting_from_dict
from teachlab.data.strict_json import check, parse_json
from teachlab.data.truth_files import read_truth
from teachlab.errors import InputError
from teachlab.evidence.abstention import abstention_from_dict, build_abstention, read_released
from teachlab.evidence.bundle import is_bundle, unpacked
from teachlab.evidence.criteria import Criteria
from teachlab.evidence.finding import ABSTENTION, EVIDENCE, Finding, Verification
from teachlab.evidence.record import judged_record
from teachlab.evidence.record_parts import SCHEMA, RecordOptions, Sources, record_text
from teachlab.evidence.sealing import SEALS, check_page
from teachlab.model.json_values import plain
from teachlab.model.recording import Recording

RELATIVE = 1e-9
NOT_COMPARED = ("software", *SEALS)
MOST_SHOWN = 20
DIGESTS = {"data": ("recording", "samples"), "truth": ("truth_file", "truth")}
"""Digests in a record that a finding on its data, or truth, is about."""

_Given = tuple[str | None, str | None, str | None]
_Again = tuple[dict[str, Any], Recording, list[Finding]]


def verified(
    path: str | Path, *, recording: str | None = None, truth: str | None = None, setting: str | None = None
) -> Verification:
    """Verify a record, which may lie in a bundle (.zip), as `verify_record` does."""
    with unpacked(path) if is_bundle(path) else nullcontext(path) as given:
        found = verify_record(given, recording=recording, truth=truth, setting=setting)
    # Possible explanations of differences come before them.
    ordered = tuple(sorted(found, key=lambda one: one.serious))
    return Verification(record=Path(path).name, verified=not any(one.serious for one in found), findings=ordered)


def verify_record(
    path: str | Path, *, recording: str | None = None, truth: str | None = None, setting: str | None = None
) -> list[Finding]:
    """Recompute a record from its data and return every difference; without a serious one the record is verified.

    `path`: the record, result.json.
    `recording`, `truth`, `setting`: where its files are; by default beside the record, under the names that it gives.
    Raises InputError if the file is not a record, or the files of the record are not found.

    Notes
    -----
    Counts and texts are compared exactly, floating-point numbers to 1 part in 10⁹. Files are compared by their digest.
    If that differs, the digest of the decoded samples is compared as well, so that another encoding of the same samples
    is not reported as changed samples.
    """
    text = read_text(path, "an evidence record, result.json", InputError)
    record = parse_json(text, str(path), InputError)
    known = isinstance(record, dict) and record.get("kind") in (EVIDENCE, ABSTENTION)
    if not known or record.get("schema") != SCHEMA:
        raise InputError(f"{path}: this is no evidence record of schema {SCHEMA}. Give the result.json of a report.")
    if not isinstance(record.get("software", {}), dict):
        raise InputError(f"{path}: the record is damaged: 'software' must be an object with keys. Write it again.")
    try:
        changed = _own_digest(record, text)
    except ValueError:  # 1e400 is JSON, but no number that a record can hold
        raise InputError(f"{path}: the record is damaged: a number in it is too large. Write it again.") from None
    again_of = _setting_again if record["kind"] == EVIDENCE else _abstention_again
    try:
        again, opened, found = again_of(record, path, (recording, truth, setting))
    except (KeyError, TypeError, AttributeError) as fault:
        raise InputError(f"{path}: the record is damaged: {type(fault).__name__} {fault}. Write it again.") from None
    found = changed + found
    ours, theirs = (_compared(r, {finding.where for finding in found}) for r in (again, record))
    differences = list(_differences("", theirs, ours))
    found += [Finding(where, message) for where, message in differences[:MOST_SHOWN]]
    if len(differences) > MOST_SHOWN:
        found.append(Finding("values", f"{len(differences) - MOST_SHOWN} more differ"))
    try:
        found += check_page(record, opened, Path(path).parent, render=not changed)
    except (KeyError, TypeError, AttributeError, ValueError) as fault:
        found.append(Finding("page", f"cannot be rendered from this record: {type(fault).__name__} {fault}"))
    return found + _versions(record.get("software", {}))


def _compared(record: dict[str, Any], reported: set[str]) -> dict[str, Any]:
    """Return what is compared of a record: all but the software and seals, and what is reported of its files."""
    # Where a file lies may change, as may the code of a strategy; what a digest already reports is not reported twice.
    told = {f"{name}_sha256" for where in reported for name in DIGESTS.get(where, ())}
    out = {k: v for k, v in record.items() if k not in NOT_COMPARED}
    for part in ("data", "setting_source", "source"):
        if part in out:
            of_file = told if part == "data" else {"file", "file_sha256", "strategy_source_sha256"}
            out[part] = {k: v for k, v in out[part].items() if k not in of_file}
    return out


def _setting_again(record: dict[str, Any], path: str | Path, given: _Given) -> _Again:
    data, taught = record["data"], record["setting_source"]
    sources = _sources(path, given, data, taught["file"])
    options = RecordOptions.of_record(record)
    criteria = None if record["criteria"] is None else check(Criteria, record["criteria"], str(path), InputError)
    used = setting_from_dict(record["setting"], f"{path}: setting")
    found = _files(data, sources, taught["file_sha256"])
    opened = read_recording(sources.recording)
    truth = read_truth(sources.truth, samples=opened.samples)
    again, _ = judged_record(opened, truth, used, sources, options=options, criteria=criteria)
    released = None if sources.setting is None else read_setting(sources.setting)
    if released is not None and plain(released.as_dict()) != record["setting"]:
        found.append(Finding("setting", f"{Path(str(sources.setting)).name} holds another setting than the record"))
    return again, opened, found


def _abstention_again(record: dict[str, Any], path: str | Path, given: _Given) -> _Again:
    data, source = record["data"], record["source"]
    sources = _sources(path, given, data, source["file"])
    options = RecordOptions.of_record(record)
    refused = abstention_from_dict({"abstained": record["abstained"]}, f"{path}: abstained")
    found = _files(data, sources, source["file_sha256"])
    opened = read_recording(sources.recording)
    truth = read_truth(sources.truth, samples=opened.samples)
    try:
        again = build_abstention(opened, truth, refused, sources, options=options)
    except InputError as fault:
        found.append(Finding("abstained", str(fault)))
        return record, opened, found
    if sources.setting is not None and read_released(sources.setting) != refused:
        found.append(Finding("abstained", f"{Path(sources.setting).name} holds something else than the record"))
    return again, opened, found


def _sources(path: str | Path, given: _Given, data: dict[str, Any], released: str | None) -> Sources:
    return Sources(
        recording=_file(path, given[0], data["recording"], "--recording"),
        truth=_file(path, given[1], data["truth"], "--truth"),
        setting=_file(path, given[2], released, "--setting", needed=False),
    )


def _own_digest(record: dict[str, Any], text: str) -> list[Finding]:
    content = {key: value for key, value in record.items() if key not in SEALS}
    if identity.json_digest(content) != record.get("record_sha256"):
        return [Finding("record", "its content does not match its own digest: it was changed after it was written")]
    if record_text(record) != text:
        return [Finding("record", "its text was changed after it was written, though no value differs")]
    return []


def _file(record: str | Path, given: str | None, name: str | None, option: str, *, needed: bool = True) -> Any:
    if given is not None:
        return given
    if name is not None and (not isinstance(name, str) or Path(name).name != name):
        raise InputError(
            f"{record}: the record names '{name}', which is no file beside it: a record may come from a stranger. "
            f"Name the file with {option}."
        )
    for folder in (Path(record).parent, Path()):
        if name is not None and (folder / name).is_file():
            return str(folder / name)
    if needed:
        raise InputError(f"{record}: '{name}' is neither beside the record nor in this folder. Name it with {option}.")
    return None


def _files(data: dict[str, Any], sources: Sources, released_sha256: str | None) -> list[Finding]:
    recording, truth, out = sources.recording, sources.truth, []
    pairs = (
        ("data", recording, data["recording_sha256"]),
        ("truth", truth, data["truth_file_sha256"]),
        ("setting", sources.setting, released_sha256),
    )
    changed = {where for where, path, digest in pairs if path is not None and identity.file_digest(path) != digest}
    names = {where: Path(path).name for where, path, _ in pairs if path is not None}
    if "data" in changed:
        same = identity.samples_digest(read_recording(recording)) == data["samples_sha256"]
        what = "but holds the same samples" if same else "and its samples differ"
        out.append(Finding("data", f"{names['data']} is not the file of the record (SHA-256 differs), {what}"))
    if "truth" in changed:
        same = identity.truth_digest(read_truth(truth)) == data["truth_sha256"]
        what = "but holds the same passes" if same else "and its passes differ"
        out.append(Finding("truth", f"{names['truth']} is not the file of the record (SHA-256 differs), {what}"))
    if "setting" in changed:
        out.append(Finding("setting", f"{names['setting']} is not the file of the record (SHA-256 differs)"))
    return out


def _differences(where: str, theirs: Any, ours: Any) -> Any:
    """Yield the path and the two values of every difference."""
    if isinstance(theirs, dict) and isinstance(ours, dict):
        for key in dict.fromkeys((*theirs, *ours)):
            inner = f"{where}.{key}" if where else str(key)
            if key not in theirs or key not in ours:
                yield inner, "is in the record only" if key in theirs else "is missing from the record"
            else:
                yield from _differences(inner, theirs[key], ours[key])
    elif isinstance(theirs, list) and isinstance(ours, list):
        if len(theirs) != len(ours):
            yield where, f"has {len(theirs)} entries in the record, {len(ours)} when recomputed"
        for k, (a, b) in enumerate(zip(theirs, ours, strict=False)):
            yield from _differences(f"{where}[{k}]", a, b)
    elif not _equal(theirs, ours):
        yield where, f"is {theirs!r} in the record, {ours!r} when recomputed"


def _equal(a: Any, b: Any) -> bool:
    numbers = isinstance(a, (int, float)) and isinstance(b, (int, float)) and not isinstance(a, bool)
    if numbers and (isinstance(a, float) or isinstance(b, float)):
        return math.isclose(a, b, rel_tol=RELATIVE, abs_tol=1e-12)
    return bool(a == b and type(a) is type(b))


def _versions(recorded: dict[str, str]) -> list[Finding]:
    now = identity.software()
    return [
        Finding("software", f"{name} is {recorded.get(name)} in the record, {now.get(name)} here", serious=False)
        for name in dict.fromkeys((*recorded, *now))
        if recorded.get(name) != now.get(name)
    ]

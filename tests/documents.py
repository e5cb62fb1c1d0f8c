"""Documents of every command on small lines, and the JSON Schemas that describe them.

Schemas are kept in ``teachlab/schemas`` and renewed with ``python tests/documents.py [COMMAND ...]``: read the
difference before it is committed, since it is the interface.
"""

from __future__ import annotations

import json
import os
import shlex
import sys
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from typer.testing import CliRunner

import teachlab.schemas
from teachlab.cli import app
from teachlab.data.recording_files import RecordingWriter, write_recording
from teachlab.data.setting_files import write_setting
from teachlab.data.truth_files import write_truth
from teachlab.model.following_and_window import WindowSetting
from teachlab.model.recording import LoggedOutput, Recording, RecordingInfo
from teachlab.model.setting import Polarity, Setting
from teachlab.model.truth import Truth

DRAFT = "https://json-schema.org/draft/2020-12/schema"
FOLDER = Path(teachlab.schemas.__file__).parent
REFERENCE, WIDTH, WORTH_A_NAME = "#/$defs/", 120, 80
"""How a schema names one of its parts, characters in a line, and in a part that has a name if it is said again."""
MAPS = frozenset(
    ("by_label", "by_lot", "names", "hours", "spreads", "parameters", "evidence", "figures", "values", "on_levels",
     "exposure", "counts", "matched", "says", "reasons", "reasons_say", "units", "blocks", "dependence_of_rates",
     "software")
)  # fmt: skip
"""Members whose keys are names of labels, lots, measures or codes: one schema for all values."""
PARAMETER = {
    "type": ["array", "boolean", "null", "number", "string"], "items": {"type": ["boolean", "number", "string"]}
}  # fmt: skip
"""What a parameter of a strategy may be, also of one that is not among the examples."""
COMMANDS = """
synth clear-jars --passes 6 --seed 1 --out s.parquet
synth demo --toml
synth demo --explain
synth
synth --keys
inspect a.parquet
inspect bare.parquet
import line.csv --unit mV --out imported.parquet --passes-in s --passes line-passes.csv
import line.csv --unit mV --out alone.parquet --no-time --rate 1000
align a.parquet
align d.parquet
label bare.parquet --out proposed.csv --count 41
label bare.parquet --from proposed.csv --against second.csv --out both.csv
teach a.parquet --strategy two-sample-midpoint
teach a.parquet --strategy contamination-aware --set least_gain=0.01
teach d.parquet --strategy background-follower
teach d.parquet --strategy turning-point-follower
design a.parquet
design d2.parquet --set delays=4
replay a.parquet --setting good.json
replay a.parquet --setting good.json --reserves
replay a.parquet --setting high.json
replay a.parquet --setting low.json --no-margin
replay d.parquet --setting dip.json
replay d.parquet --setting follow.json
replay a.parquet --setting window.json
replay bare.parquet --setting good.json
bench a.parquet --draws 6 --strategy two-sample-midpoint --strategy contamination-aware --strategy quantile-guard
bench d.parquet --draws 4 --strategy sweep-minmax
bench a.parquet --draws 4 --strategy sweep-minmax --device device.toml
study a.parquet d2.parquet off.parquet high.json --strategy single-sample --grid reduction=0.2,0.3 --draws 4 --jobs 1
study a.parquet --strategy single-sample --draws 4 --criteria lost.toml --jobs 1
repeatability a.parquet --strategy sweep-minmax --draws 6 --average 2 --passes-per-teaching 3 --taught eve=good.json
repeatability a.parquet d2.parquet --strategy single-sample --draws 4
surface a.parquet --setting good.json --strategy two-sample-midpoint --draws 4
surface d.parquet --base delays.json --levels 20:80:8
surface a.parquet --on-delay 0:8:3 --off-delay 0:10:3 --levels 20:60:5
explore a.parquet --setting good.json --out page.html
explore d.parquet --out page.html
explore a.parquet --setting window.json --out page.html
stress a.parquet --setting good.json --gain 1,0.5 --ambient 0,5 --pedestal 0 --loss-per-day 1 --speed 1,2
stress a.parquet --setting high.json --gain 1
timing a.parquet --setting good.json --scan-ms 10
timing --speed-mm-s 500 --length-mm 120 --gap-mm 60 --evaluation-rate-hz 1000
surroundings neighbour --width-us 4 --frequency-hz 10000 --frequency-hz 10700
surroundings beat --own-hz 10000 --other-hz 10400 --amplitude 80 --integration-us 500 --hysteresis 20
surroundings lamp --evaluation-rate-hz 1000 --swing 30 --hysteresis 10
surroundings lamp --evaluation-rate-hz 1000 --swing 10 --hysteresis 20
surroundings ambient --limit-lx 5000 --expected-lx 12000
surroundings target --measured 2000 --reflectance 0.9 --other-reflectance 0.06 --distance 100 --other-distance 120
counterfactual a.parquet
coverage a.parquet --cycle belt=1s --setting low.json --begins 06:30
identify sensed.parquet --longest-ms 2
identify lawless.parquet --longest-ms 2
agree sensed.parquet --setting good.json
card a.parquet --setting good.json --device device.toml --cycle belt=1s --draws 2
card a.parquet --setting good.json --device coarse.toml --draws 2
card a.parquet --setting window.json --draws 2
compare a.parquet --setting good.json --setting high.json
compare a.parquet --setting good.json --with d2.parquet
plan --max-rate 0.001 --confidence 0.95
plan --max-rate 0.01 --icc 0.1 --lot-size 50 --seen 100 --true-rate 0.001 --taught 300 --figure 4
plan --max-rate 0.1 --hours --seen 40
report a.parquet --setting good.json --draws 4 --teach-share 0.3 --cycle belt=1s --out record
report a.parquet --setting high.json --draws 0 --out other
report sensed.parquet --truth a.passes.parquet --setting good.json --draws 0 --out sensed
verify record/result.json
stale a.parquet --setting good.json
stale a.parquet --setting good.json --before a2.parquet
strategies
conform two-sample-midpoint
guide
guide method
"""


def line(seed: int, *, dip: bool = False, lots: bool = True) -> tuple[Recording, Truth]:
    """Return 40 passes of two kinds in eight lots, one of them to be ignored, with a dim one and a trip."""
    rng = np.random.default_rng(seed)
    start = 60 + 60 * np.arange(40)
    light = 10 + rng.integers(0, 4, int(start[-1]) + 90).astype(float)
    for k, a in enumerate(start):
        light[a : a + 20] += 26.0 if k == 33 else 50.0 + rng.integers(0, 8)
    light[start[25] + 40 : start[25] + 43] = 45.0
    light[5] = np.nan
    if dip:
        light = 95.0 - light
    truth = Truth.from_arrays(
        start,
        start + 20,
        label=["tin" if k % 2 else "jar" for k in range(40)],
        detect=[k != 30 for k in range(40)],
        lot=[f"lot {k // 5}" for k in range(40)] if lots else None,
    )
    info = RecordingInfo(sample_rate_hz=1000.0, unit="counts", full_scale=200.0, line_speed_m_s=0.5)
    return Recording.from_array(light, info), truth


def files(folder: Path) -> None:
    """Write the lines and settings that the commands name."""
    for name, made in (("a", line(1)), ("a2", line(2)), ("d2", line(3, lots=False)), ("d", line(4, dip=True))):
        recording, truth = made
        write_recording(folder / f"{name}.parquet", recording)
        write_truth(folder / f"{name}.passes.parquet", truth)
    bare = line(5)[0]
    dark = bare.light[:].copy()
    dark[690:700] = np.arange(10) % 3 + 1  # a piece on the other side of the background
    write_recording(folder / "bare.parquet", Recording.from_array(dark, bare.info))
    recording, truth = line(7)
    write_recording(folder / "off.parquet", recording)
    write_truth(folder / "off.passes.parquet", replace(truth, start=truth.start + 8, end=truth.end + 8))
    sensed, at = line(6)[0], np.arange(line(6)[0].samples)
    light = sensed.light[:]
    lawful = np.roll(np.nan_to_num(light) >= 40.0, 2)
    lawful[80:83] ^= True
    info = replace(sensed.info, output=LoggedOutput())
    for name, output in (("sensed", lawful), ("lawless", at // 37 % 2 == 1)):
        with RecordingWriter(folder / f"{name}.parquet", info, light.dtype) as out:
            out.append(light, output=output)
    rows = "".join(f"{k / 1000},{10 + 50 * (k % 100 > 80)}\n" for k in range(400))
    tins = "".join(f"{a},{a + 21},tin\n" for a in (60, 120, 600, 625, 900))
    (folder / "second.csv").write_text("start,end,label\n" + tins)
    (folder / "line.csv").write_text("time,light\n" + rows)
    (folder / "line-passes.csv").write_text("start,end\n0.081,0.1\n0.181,0.2\n")
    pairs = "".join(f"[[pairs]]\nlight = {u}\ndisplay = {2 * u + 10}\n" for u in range(0, 101, 20))
    for name, step in (("device", 1), ("coarse", 90)):
        display = f"[display]\nstep = {step}\nlow = 0\nhigh = 270\nresolution = 1\n"
        noise = "light_noise = 0.2\ndisplay_noise = 0.3\n"
        (folder / f"{name}.toml").write_text(f'schema = 1\nunit = "counts"\n{noise}{display}{pairs}')
    base = {"unit": "counts", "on_level": 40.0, "off_level": 30.0}
    dips = {"unit": "counts", "on_level": 62.0, "off_level": 55.0, "polarity": Polarity.DARK_ON}
    settings = {
        "good": Setting(**base),
        "high": Setting(**base | {"on_level": 64.0, "off_level": 62.0}),
        "low": Setting(**base | {"on_level": 12.0, "off_level": 11.0}),
        "dip": Setting(**dips),
        "delays": Setting(**dips | {"on_delay_ms": 2.0}),
        "window": WindowSetting(unit="counts", on_level=40.0, high_release=38.0, low_release=2.0, off_level=1.0),
    }
    (folder / "lost.toml").write_text('[[criterion]]\nmeasure = "lost_rate"\nmax = 0.1\n')
    for name, setting in settings.items():
        write_setting(folder / f"{name}.json", setting)


def documents(folder: Path, names: Sequence[str] = ()) -> Iterator[tuple[str, str, Any]]:
    """Run every command, or those named, in order; yield the name of its schema, the line, and its document."""
    files(folder)
    before = Path.cwd()
    os.chdir(folder)
    try:
        for text in filter(None, COMMANDS.splitlines()):
            words = shlex.split(text)
            if names and words[0] not in names:
                continue
            done = CliRunner().invoke(app, [*words, "--json"])
            if done.exit_code not in (0, 1, 3):
                raise AssertionError(f"{text}: exit {done.exit_code}: {done.output} {done.exception!r}")
            document = json.loads(done.stdout, parse_constant=_refuse)
            if text.startswith("teach d.parquet"):
                Path("follow.json").write_text(json.dumps(document.get("setting", document)))
            yield "-".join(words[: 2 if words[0] == "surroundings" else 1]), text, document
    finally:
        os.chdir(before)


def _refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is no JSON")


def described(values: list[Any], name: str = "") -> dict[str, Any]:
    """Return the schema that fits all of these values of one member."""
    out: dict[str, Any] = {}
    types = {_type(value) for value in values}
    if types <= {"null"}:
        return out
    if "number" in types:
        types.discard("integer")
    # What cannot be measured is null: a count or a flag may be so only where one was.
    if name and not types <= {"integer", "boolean"}:
        types.add("null")
    out["type"] = next(iter(types)) if len(types) == 1 else sorted(types)
    objects = [value for value in values if isinstance(value, dict)]
    # A JSON Schema within a document is described by its own standard.
    if objects and name != "parameter_schema":
        keys = list(dict.fromkeys(key for one in objects for key in one))
        if name in MAPS and name:
            found = described([v for one in objects for v in one.values()])
            out["additionalProperties"] = PARAMETER if name == "parameters" else found
        else:
            out["properties"] = {key: described([one[key] for one in objects if key in one], key) for key in keys}
            required = [key for key in keys if all(key in one for one in objects)]
            if required:
                out["required"] = required
    items = [item for value in values if isinstance(value, list) for item in value]
    if items:
        out["items"] = described(items)
    return out


def _type(value: Any) -> str:
    if value is None:
        return "null"
    names = ((bool, "boolean"), (int, "integer"), (float, "number"), (str, "string"), (list, "array"), (dict, "object"))
    return next(name for kind, name in names if isinstance(value, kind))


def undescribed(
    value: Any, schema: dict[str, Any], where: str = "", root: dict[str, Any] | None = None
) -> Iterator[str]:
    """Return the members of a document that its schema does not know."""
    root = root or schema
    if "$ref" in schema:
        schema = root["$defs"][schema["$ref"].removeprefix(REFERENCE)]
    if isinstance(value, dict) and "properties" in schema:
        for key, inner in value.items():
            if key in schema["properties"]:
                yield from undescribed(inner, schema["properties"][key], f"{where}.{key}", root)
            else:
                yield f"{where}.{key}"
    elif isinstance(value, dict) and isinstance(schema.get("additionalProperties"), dict):
        for key, inner in value.items():
            yield from undescribed(inner, schema["additionalProperties"], f"{where}.{key}", root)
    elif isinstance(value, list):
        for inner in value:
            yield from undescribed(inner, schema.get("items", {}), f"{where}[]", root)


def shared(schema: dict[str, Any]) -> dict[str, Any]:
    """Return the schema with what it says more than once in ``$defs``, each by the name of a member that has it."""
    uses, names = Counter[str](), dict[str, str]()

    def inner(one: dict[str, Any], name: str) -> Iterator[tuple[dict[str, Any], str]]:
        yield from ((held, key) for key, held in one.get("properties", {}).items())
        yield from ((one[key], name) for key in ("items", "additionalProperties") if key in one)

    def count(one: dict[str, Any], name: str) -> None:
        for held, key in inner(one, name):
            text = json.dumps(held)
            uses[text] += 1
            names.setdefault(text, key)
            if uses[text] == 1:
                count(held, key)

    count(schema, "document")
    known: dict[str, str] = {}
    for text, times in uses.items():
        if times > 1 and len(text) > WORTH_A_NAME:
            same = sum(name == names[text] for name in map(names.__getitem__, known))
            known[text] = f"{names[text]}_{same + 1}" if same else names[text]

    def put(one: dict[str, Any]) -> dict[str, Any]:
        out = dict(one)
        if "properties" in one:
            out["properties"] = {key: named(held) for key, held in one["properties"].items()}
        return out | {key: named(one[key]) for key in ("items", "additionalProperties") if key in one}

    def named(one: dict[str, Any]) -> dict[str, Any]:
        text = json.dumps(one)
        return {"$ref": REFERENCE + known[text]} if text in known else put(one)

    defs = {name: put(json.loads(text)) for text, name in known.items()}
    return put(schema) | ({"$defs": defs} if defs else {})


def written(value: Any, indent: int = 0, before: int = 0) -> str:
    """Return JSON for people: what fits stands on one line.

    `before`: characters that stand before it on its line, without the indent.
    """
    text = json.dumps(value, ensure_ascii=False)
    inner = " " * (indent + 1)
    if indent + before + len(text) < WIDTH or not isinstance(value, dict | list):
        return text
    if isinstance(value, list):
        rows = textwrap.wrap(text[1:-1], WIDTH - len(inner), break_long_words=False, break_on_hyphens=False)
        return "[\n" + "\n".join(inner + row for row in rows) + "\n" + " " * indent + "]"
    keys = {key: f"{json.dumps(key, ensure_ascii=False)}: " for key in value}
    parts = [inner + head + written(value[key], indent + 1, len(head)) for key, head in keys.items()]
    return "{\n" + ",\n".join(parts) + "\n" + " " * indent + "}"


def renewed(found: Iterable[tuple[str, str, Any]]) -> dict[str, dict[str, Any]]:
    """Return one schema a command from its documents."""
    by_name: dict[str, list[Any]] = {}
    for name, _, document in found:
        by_name.setdefault(name, []).append(document)
    return {
        name: {
            "$schema": DRAFT,
            "title": f"What `teachlab {name.replace('surroundings-', 'surroundings ')} --json` prints",
            **shared(described(values)),
        }
        for name, values in by_name.items()
    }


if __name__ == "__main__":
    from tempfile import TemporaryDirectory

    with TemporaryDirectory() as made:
        for name, schema in renewed(documents(Path(made), sys.argv[1:])).items():
            (FOLDER / f"{name}.json").write_text(written(schema) + "\n", "utf-8")

"""What every command says of small lines: texts and documents, kept in ``tests/answers``.

    python tests/answers.py                  renew all
    python tests/answers.py bench plan       renew what these commands say

Every number and every sentence that a reader is told stands there, so that none changes unseen. That they are right is
shown elsewhere, by hand and by outside sources: here a person reads the difference before it is committed.
"""

from __future__ import annotations

import contextlib
import json
import math
import re
import shlex
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from unittest.mock import patch

import documents
from typer.testing import CliRunner

from teachlab.cli import app, command_of
from teachlab.cli.commands import COMMANDS
from teachlab.data.strict_json import model_of
from teachlab.device.device_file import DeviceDocument
from teachlab.errors import InputError
from teachlab.evidence.criteria import Criteria
from teachlab.model.following_and_window import FollowingSetting, TurningPointSetting
from teachlab.model.recording import RecordingInfo
from teachlab.model.setting import Setting
from teachlab.studies.family.study_plan import StudyFile
from teachlab.synthetic import Scenario
from teachlab.teaching.parameters import parameter_schema
from teachlab.teaching.registry import BUILT_IN, installed_class

HERE = Path(__file__).parent
FOLDER = HERE / "answers"
WIDTH = 240
"""A member of a document stands in one line if it fits."""
KEYS = "keys"
"""Beside the commands: defaults and ranges of all that a person writes into a file, and of all parameters."""
BAD_INPUT = 2
WRITTEN = (
    Scenario, StudyFile, Criteria, DeviceDocument,
    *map(model_of, (Setting, FollowingSetting, TurningPointSetting, RecordingInfo)),
)  # fmt: skip
"""The tables of files that a person writes."""
LONG, FEW = 12, 2
"""Longer rows of numbers, and more members of one kind, are told by the first, the last, and how many there are."""
LEFT_OUT = frozenset(("drawn", "software", "by_proxy"))
"""What depends on versions, says where evidence lay, or is worked as the member beside it."""
_HIDDEN = re.compile(
    r"(?<![\w.])(?:(?=\d*[a-f])[0-9a-f]{12,64}|\d{12}|\d{16}|\d{64})\b(?!\.)|"
    r"\b\d+(\.\d+)? [kMG]?B\b|teachlab \d+\.\d+\S*|\bv?\d+\.\d+\.\d+\b"
)
"""Digests (also those few without a letter), sizes of files and versions."""
FURTHER = """
inspect a.parquet --plot trace.svg --tolerance-ms 3
align d2.parquet --plot lag.svg
label bare.parquet --out long.csv --min-ms 10
label a.parquet --out doubts.csv --count 37
teach a.parquet --strategy balanced-guard --seed 3 --tolerance-ms 2
teach a.parquet --strategy two-component-mixture
teach a.parquet --strategy tail-balanced
teach a.parquet --strategy noise-weighted-midpoint
teach a.parquet --strategy neyman-pearson
teach a.parquet --strategy background-referenced
replay a.parquet --setting high.json --plot where.svg --confidence 0.9 --assume independent
replay a.parquet --setting good.json --tolerance-ms 3 --assume 0.05
bench a.parquet --draws 3 --strategy sweep-minmax --out results --cost-miss 7 --confidence 0.9 --jobs 1
bench a.parquet d2.parquet --draws 3 --strategy sweep-minmax --strategy single-sample --jobs 1
repeatability a.parquet --strategy two-sample-midpoint --draws 5 --by label --limit on_level=0:35 --out cloud.svg
repeatability a.parquet --strategy sweep-minmax --draws 3 --vary sweep_passes=1,2
surface a.parquet --setting good.json --levels 20:60:5 --cost-miss 7 --out surface.svg
surface a.parquet --on-delay 0:8:3 --off-delay 0:10:3 --levels 20:60:5 --out delays.svg
stress a.parquet --setting good.json --gain 1,0.8,0.5 --ambient 0,5 --out map.svg --speed 1,1.5,2 --speed-out speeds.svg
timing a.parquet --setting delays.json --scan-ms 10 --input-filter-ms 5 --speed-change 0.1
timing --speed-mm-s 500 --length-mm 9 --gap-mm 3 --evaluation-rate-hz 100 --on-delay-ms 30 --beam-mm 5 --scan-ms 20
surroundings neighbour --width-us 4 --period-us 100 --period-us 93 --consecutive 5
surroundings lamp --evaluation-rate-hz 90 --swing 30 --hysteresis 20 --on-delay-ms 20 --ripple-hz 40000
surroundings ambient --limit-lx 5000 --expected-lx 2000
counterfactual a.parquet --setting good.json --mains-hz 400 --best --cost-miss 7
coverage a.parquet --cycle belt=500mm --cycle lamp=3Hz --line-speed 2 --times 2 --out cycles.svg
compare a.parquet --setting good.json --setting high.json --setting low.json --tolerance-ms 3 --confidence 0.9
plan --max-rate 0.01 --icc 0.001 --lots 300 --events 2 --best-of 5
plan --max-rate 0.01 --seen 100 --events 1 --lost 1
report a.parquet --setting taught.json --draws 3 --teach-share 0.3 --criteria limits.toml --deviation dry --out third
report a.parquet --setting low.json --draws 0 --criteria limits.toml --tolerance-ms 3 --cycle belt=1s --out fourth
verify kept/result.json
verify kept/result.json --setting low.json
stale a.parquet --setting high.json --before d2.parquet --least-margin 50 --horizon-hours 1000
conform quantile-guard
"""
BEFOREHAND = """
teach a.parquet --strategy balanced-guard --out taught.json
report a.parquet --setting good.json --draws 0 --out kept
"""
LIMITS = """
[[criterion]]
measure = "lost_rate"
max = 0.05
confidence = 0.9
[[criterion]]
measure = "false_trips_per_running_hour"
max = 20
[[criterion]]
measure = "passes"
min = 30
[[criterion]]
measure = "margin_to_noise"
min = 6
"""


class _Sentences(HTMLParser):
    """What a page says, a line a block, without scripts, styles and the outlines of pictures."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._row: list[str] = []
        self._mute = 0

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self._mute += tag in ("script", "style")
        if tag in ("p", "tr", "li", "h1", "h2", "h3", "h4", "dt", "dd", "figure", "caption", "summary", "text"):
            self._end()

    def handle_endtag(self, tag: str) -> None:
        self._mute -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if data.strip() and not self._mute:
            self._row.append(" ".join(data.split()))

    def handle_comment(self, data: str) -> None:
        # Pictures keep their words as comments beside the outlines.
        if data.strip() and not self._mute:
            self._row.append(f"<{data.strip()}>")

    def _end(self) -> None:
        if self._row:
            self.lines.append(" | ".join(self._row))
        self._row = []

    def close(self) -> None:
        super().close()
        self._end()


def sentences(page: str) -> list[str]:
    """Return what a page, or a picture, says."""
    parser = _Sentences()
    parser.feed(page)
    parser.close()
    return parser.lines


def rounded(value: Any) -> Any:
    """Return a document with numbers of nine digits, few members of a kind, and nothing that depends on versions."""
    if isinstance(value, float):
        return float(f"{value:.9g}") + 0.0  # without the sign of a zero, which is none of the answer
    if isinstance(value, dict):
        kinds = {tuple(inner) if isinstance(inner, dict) else None for inner in value.values()}
        few = list(value) if len(value) <= FEW or len(kinds) > 1 or None in kinds else [*value][:: len(value) - 1]
        return {key: rounded(value[key]) for key in few if key not in LEFT_OUT}
    if isinstance(value, list):
        numbers = [v for v in value if isinstance(v, int | float)]
        if len(value) <= (LONG if len(numbers) == len(value) else FEW):
            return [rounded(inner) for inner in value]
        total = [f"sum {math.fsum(numbers):.9g}"] if len(numbers) == len(value) else []
        return [*map(rounded, value[:FEW]), f"… {len(value)} members", *total, rounded(value[-1])]
    return value


def written(value: Any, where: str = "") -> Iterator[str]:
    """Yield a document by lines, a member a line as far as it fits."""
    text = json.dumps(value, ensure_ascii=False)
    if len(text) <= WIDTH or not isinstance(value, dict | list) or not value:
        yield f"{where} = {text}"
        return
    members = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in members:
        yield from written(inner, f"{where}.{key}" if where else str(key))


def documented() -> dict[str, Any]:
    """Return the JSON Schema of every table that a person writes, by its name, and of the parameters of strategies."""
    found: dict[str, Any] = {}
    for model in WRITTEN:
        schema = model.model_json_schema()
        found |= {**schema.pop("$defs", {}), schema["title"]: schema}
    return found | {name: parameter_schema(installed_class(name)) for name in BUILT_IN}


def prepared(folder: Path) -> Any:
    """Write lines, settings, criteria and records into a folder; return the lines of all commands."""
    documents.files(folder)
    (folder / "limits.toml").write_text(LIMITS)
    with contextlib.chdir(folder):
        for line in BEFOREHAND.strip().splitlines():
            assert _run(shlex.split(line)).exit_code == 0, line
        follow = json.loads(_run(shlex.split("teach d.parquet --strategy background-follower --json")).stdout)
        Path("follow.json").write_text(json.dumps(follow["setting"]))
    helps = [f"{name} --help" for name in COMMANDS]
    helps += [f"{name} {sub} --help" for name in COMMANDS for sub in getattr(command_of(name), "commands", ())]
    # A guide's pages have tests of their own, and a record is verified that was written beforehand.
    calls = [*filter(None, documents.COMMANDS.splitlines()), *FURTHER.split("\n")[1:-1]]
    calls = [line for line in calls if "record/" not in line and not line.startswith("guide")]
    return [*helps, *calls, KEYS]


def answers(folder: Path, lines: list[str]) -> Iterator[str]:
    """Yield all that a command says to its lines, in a folder that is prepared: text, details, document, pages."""
    with contextlib.chdir(folder):
        for line in lines:
            words = shlex.split(line)
            if "--help" in words:
                yield "\n".join(
                    [f"$ teachlab {line}", *(row.rstrip() for row in _run(words).output.splitlines()), "", ""]
                )
                continue
            if words[0] == KEYS:
                yield "\n".join([*written(documented()), ""])
                continue
            text, details = _run(words), _run([*words, "--details"])
            told = [f"$ teachlab {line}", f"exit {text.exit_code}", *text.output.splitlines()]
            if len(details.output) > len(text.output) and details.exit_code != BAD_INPUT:
                told += details.output.splitlines()
            # Documents are many lines: those of the first calls hold every member.
            if line not in FURTHER and (asked := _run([*words, "--json"])).stdout.startswith("{"):
                told += written(rounded(json.loads(asked.stdout)))
            for place in filter(Path.exists, map(Path, words[1:])):
                pages = sorted(place.glob("*.html")) if place.is_dir() else [place]
                for page in pages:
                    if page.suffix in (".svg", ".html") and words[0] not in ("explore", "verify"):
                        told += [f"> {page.as_posix()}", *sentences(page.read_text("utf-8"))]
            yield "\n".join([*(_HIDDEN.sub("…", row).rstrip() for row in told), "", ""])


def _run(words: list[str]) -> Any:
    more = ["--force"] if {"--out", "--plot"} & set(words) and words[0] != "verify" else []
    # What a slow machine would add, of time left and of what takes long, is no part of an answer.
    with patch.multiple("teachlab.cli.console", FIRST_WORD_S=math.inf, LONG_S=math.inf):
        done = CliRunner().invoke(app, [*words, *more], env={"COLUMNS": "100"})
    if done.exception is not None and not isinstance(done.exception, SystemExit | InputError):
        raise done.exception
    return done


if __name__ == "__main__":
    with TemporaryDirectory() as made_there:
        FOLDER.mkdir(exist_ok=True)
        known = prepared(Path(made_there))
        for command in sys.argv[1:] or dict.fromkeys(line.split()[0] for line in known):
            mine = [line for line in known if line.split()[0] == command]
            (FOLDER / f"{command}.txt").write_text("".join(answers(Path(made_there), mine)), encoding="utf-8")

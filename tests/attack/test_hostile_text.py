"""Text of strangers in every field of every kind of input, through every command: nothing but text comes out.

What the commands print may hold no control character, no direction mark and no line of its own; what they write must
be whole as the format that it is (SVG, HTML, JSON, CSV), with nothing in it that a text of an input put there.
"""

from __future__ import annotations

import csv
import json
import re
import shlex
import shutil
import unicodedata
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import fields
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import documents
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import shell

from teachlab.cli import command_of
from teachlab.cli.commands import COMMANDS as LISTED
from teachlab.device.device_file import DeviceDocument
from teachlab.evidence.criteria import Criteria
from teachlab.model.recording import RecordingInfo
from teachlab.studies.family.study_plan import StudyFile
from teachlab.synthetic import scenario_text
from teachlab.synthetic.scenario import Scenario

MARKUP = "</script><x-evil onevil=1>&amp;<!--\" onevil=\"1' onevil='1"
UNSEEN = "\x1b[31m\x9b1m\x07\x08\u202egnp\u2066\u200f\u2028\ufeff\u00ad\r"
INJECTED = "Decision: use"


def hostile(field: str) -> str:
    """Return a text for a field: a formula of a spreadsheet and of the plots, markup of both kinds, what is unseen."""
    return f"={field}{MARKUP}[red]$x^{{$`{UNSEEN}\n{INJECTED}"


UNIT = f"=mV{MARKUP[:20]}[red]{UNSEEN}\n{INJECTED}"
NAME = f"=n<x-evil onevil='1'>[red]$x^{{$\x1b[1m\u202e\n{INJECTED}"
"""Of a file: no slash."""


def in_toml(field: str) -> str:
    return json.dumps(hostile(field))


def change_parquet(path: Path) -> None:
    table = pq.read_table(path)
    metadata = {**(table.schema.metadata or {}), **(pq.ParquetFile(path).metadata.metadata or {})}
    metadata.pop(b"ARROW:schema", None)
    for key, wanted in ((b"teachlab.recording", {"title": hostile("title"), "notes": hostile("notes"), "unit": UNIT}),):
        if key in metadata:
            metadata[key] = json.dumps(json.loads(metadata[key]) | wanted).encode()
    for name in ("label", "lot"):
        if name in table.column_names:
            texts = pa.array([hostile(f"{name} {text}") for text in table.column(name).to_pylist()])
            table = table.set_column(table.column_names.index(name), name, texts)
            history = {"schema": 1, "from": {"file": hostile("file"), "sha256": ""}, "edits": [], "before": None}
            metadata[b"teachlab.history"] = json.dumps(history).encode()
    pq.write_table(table.replace_schema_metadata(metadata), path)


STRATEGY = """
from dataclasses import dataclass, field
from teachlab.errors import Abstained
from teachlab.model.setting import Taught
from teachlab.model.teaching import Shown
from teachlab.teaching.parameters import about

T = {text!r}

class Base:
    __doc__ = T
    needs = frozenset({{Shown.OBJECT, Shown.BACKGROUND}})
    equivariant = frozenset()

@dataclass(frozen=True, kw_only=True)
class Odd(Base):
    __doc__ = T + "\\n\\n" + T
    name = "odd"
    share: float = about(0.5, unit=T, low=0, high=1)
    word: str = T
    def teach(self, view):
        b, s = view.background.reading.mean, view.object.mean
        return view.place(b + 0.5 * (s - b), 1.0, Taught(strategy=T, parameters={{T: T}}, evidence={{T: [T]}}))

class Mute(Odd):
    name = "mute"
    def teach(self, view):
        raise Abstained(T, T, T)

class Broken(Odd):
    name = "broken"
    def teach(self, view):
        raise ValueError(T)

class Called(Odd):
    name = T
"""


def hostile_files(folder: Path) -> None:
    documents.files(folder)
    for path in folder.glob("*.parquet"):
        change_parquet(path)
    for path in folder.glob("*.json"):
        taught = {"strategy": hostile("strategy"), "parameters": {hostile("p"): hostile("v")}}
        taught["evidence"] = {hostile("e"): [hostile("w"), {hostile("k"): 1}]}
        path.write_text(json.dumps(json.loads(path.read_text()) | {"unit": UNIT, "taught": taught}))
    for name in ("device", "coarse"):
        text = (folder / f"{name}.toml").read_text().replace('unit = "counts"', f"unit = {json.dumps(UNIT)}")
        (folder / f"{name}.toml").write_text(f"name = {in_toml('device')}\n" + text)
    criteria = (folder / "lost.toml").read_text()
    (folder / "lost.toml").write_text(f"title = {in_toml('criteria')}\n{criteria}")
    # Names of columns: one line each in a CSV, so without line breaks of their own.
    head = [
        text.replace("\r", "").replace("\n", " ").replace("\u2028", " ") for text in (hostile("t"), hostile("light"))
    ]
    rows = [
        [k / 1000, 10 + 50 * (k % 100 > 80), hostile("kind").replace("\n", " ") if k % 100 > 80 else ""]
        for k in range(400)
    ]
    with (folder / "log.csv").open("w", newline="", encoding="utf-8") as out:
        csv.writer(out, lineterminator="\n").writerows([[*head, "kind"], *rows])
    starts = [(0.081 + k / 10, 0.1 + k / 10) for k in range(4)]
    with (folder / "line-passes.csv").open("w", newline="", encoding="utf-8") as out:
        odd = [[a, b, hostile("label").replace("\n", " "), hostile("lot").replace("\n", " ")] for a, b in starts]
        csv.writer(out, lineterminator="\n").writerows([["start", "end", "label", "lot"], *odd])
    (folder / "odd.py").write_text(STRATEGY.format(text=hostile("strategy file")))
    scenario, _ = scenario_text("demo")
    scenario = re.sub(
        r'(?m)^(title|label|notes|plant|alias|difficulty) = "[^"]*"', lambda at: f"{at[1]} = {in_toml(at[1])}", scenario
    )
    (folder / "line.toml").write_text(scenario)
    (folder / "wrong.toml").write_text(f"{scenario}\n[{in_toml('table')}]\n{in_toml('key')} = {in_toml('value')}\n")
    study = f"""
schema = 1
draws = 2
[[recording]]
path = "a.parquet"
{in_toml("fact")} = {in_toml("of the line")}
[strategies]
single-sample = {{}}
[bases]
{in_toml("base")} = "delays.json"
[conditions.{in_toml("condition")}]
gain = 0.9
"""
    (folder / "study.toml").write_text(study)
    (folder / "wrong-study.toml").write_text(study.replace("single-sample", in_toml("unknown")))
    reason = {
        "strategy": "single-sample",
        "reason": hostile("reason"),
        "measured": hostile("m"),
        "required": hostile("r"),
    }
    (folder / "abstained.json").write_text(json.dumps({"schema": 1, "abstained": reason}))
    (folder / "wrong.json").write_text(json.dumps({"schema": 1, hostile("key"): hostile("value"), "unit": UNIT}))
    for ending in (".parquet", ".passes.parquet"):
        shutil.copy(folder / f"a{ending}", folder / f"{NAME}{ending}")


LEFT_OUT = (
    "identify lawless", "bench d.", "surface d.", "surface a.parquet --on-delay", "report sensed", "explore d.",
    "report a.parquet --setting high", "explore a.parquet --setting window", "card a.parquet --setting window",
    "replay d.", "teach d.", "replay a.parquet --setting low", "design d2.", "repeatability a.parquet d2.",
)  # fmt: skip
"""Lines of the documents that print what others print, of other light."""
PICTURES = {
    "inspect": "--plot {0}.svg", "align": "--plot {0}.svg", "surface": "--out {0}.svg", "stress": "--out {0}.svg",
    "coverage": "--out {0}.svg", "repeatability": "--out {0}.svg", "agree": "--plot {0}.svg",
    "identify": "--plot {0}.svg", "card": "--out {0}.html", "bench": "--out {0}", "study": "--out {0}",
    "teach": "--out {0}.json", "design": "--out {0}.json", "replay": "--edges {0}.csv",
}  # fmt: skip
"""What makes a line of the documents write something too."""
LINE, TEXT = "N", "T"
"""Stand for the hostile name of a file and a hostile text in the lines below."""
MORE = """
inspect N --plot more1.svg
replay N --setting good.json
bench N --draws 2 --strategy single-sample --strategy ./odd.py:Odd --out more2
bench a.parquet --draws 2 --strategy ./odd.py:Mute --strategy ./odd.py:Broken --strategy ./odd.py:Called --out more3
study N --strategy single-sample --draws 2 --jobs 1 --out more4
study study.toml --jobs 1 --out more5
study wrong-study.toml --jobs 1
study a.parquet --strategy single-sample --draws 2 --jobs 1 --condition T=0.8
study a.parquet --strategy ./odd.py:Odd --draws 2 --jobs 1 --out more6
report N --setting good.json --draws 2 --cycle T=1s --title T --notes T --deviation T --criteria lost.toml --out more7
report a.parquet --setting abstained.json --draws 2 --out more8
verify more7/result.json
verify wrong.json
explore N --setting good.json --out more9.html
align a.parquet --out moved.csv --shift-ms 1
align a.parquet --out moved.passes.csv --shift-ms 1
label N --out more10.csv
label a.parquet --from a.passes.parquet --out more11.csv
label a.parquet --out more12.csv
coverage a.parquet --cycle T=1s --begins T --setting low.json --out more13.svg
repeatability a.parquet --strategy sweep-minmax --draws 3 --taught T=good.json --by label --out more14.svg
repeatability a.parquet --strategy ./odd.py:Mute --draws 3
teach a.parquet --strategy ./odd.py:Odd --out more15.json
teach a.parquet --strategy ./odd.py:Mute
teach a.parquet --strategy ./odd.py:Broken
teach a.parquet --strategy T
teach a.parquet --strategy single-sample --set T=T
conform ./odd.py:Odd
conform ./odd.py:Broken
strategies ./odd.py:Odd
strategies T
synth line.toml --explain
synth line.toml --passes 3 --out more16.parquet
synth line.toml --passes 3 --out more17.csv
synth wrong.toml --passes 3 --out more18.parquet
import log.csv --unit T --column 2 --time 1 --out more19.parquet --truth-column kind
import log.csv --unit T --column T --rate 100 --out more20.parquet
import log.csv --unit T --column 3 --rate 100 --out more21.parquet
import line.csv --unit mV --out more22.parquet --passes-in s --passes line-passes.csv
replay a.parquet --setting wrong.json
replay a.parquet --setting T
inspect wrong.json
compare N --setting good.json --setting high.json
compare N --setting good.json --with d2.parquet
stale N --setting good.json --before a2.parquet
timing N --setting good.json
counterfactual N --best
card N --setting good.json --device device.toml --cycle T=1s --draws 2 --out more23.html
design a.parquet --device device.toml
guide T
surface N --setting good.json --strategy ./odd.py:Odd --draws 2 --out more24.svg
"""


def lines() -> list[list[str]]:
    """Return every line of the documents, with a picture, a page or a table written too, and those above."""
    out = []
    for k, text in enumerate(filter(None, documents.COMMANDS.splitlines())):
        words = shlex.split(text)
        if text.startswith(LEFT_OUT):
            continue
        more = PICTURES.get(words[0], "")
        if more and more.split()[0] not in words:
            words += more.format(f"made{k}").split()
        out.append(words)
    for text in filter(None, MORE.splitlines()):
        words = [{LINE: f"{NAME}.parquet", TEXT: hostile("option")}.get(word, word) for word in text.split()]
        out.append([re.sub(r"^T=", lambda _: hostile("option").replace("=", "") + "=", word) for word in words])
    return out


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("hostile")
    hostile_files(place)
    return place


# ---- what may not come out ---------------------------------------------------------------------------------------


def unseen(text: str, keep: str = "\n") -> list[str]:
    """Return the characters that nobody sees, or that change what is seen."""
    return sorted({c for c in text if c not in keep and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")})


class Marks(HTMLParser):
    """Collects what markup of a text became part of the page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [tag] if "evil" in tag else []
        self.found += [name for name, _ in attrs if "evil" in name]

    handle_startendtag = handle_starttag

    def handle_comment(self, data: str) -> None:
        self.found += [data[:40]] if "evil" in data else []


def faults_of(path: Path) -> Iterator[str]:
    """Yield what is wrong in a file that was written."""
    kind = path.suffix
    if kind in (".parquet", ".png", ".pdf", ".pyc", ".py", ".toml"):
        return
    text = path.read_text(encoding="utf-8")
    if found := unseen(text, "\n\t" if kind == ".html" else "\n"):
        yield f"{path.name}: holds {found!r}"
    if kind == ".svg":
        yield from (f"{path.name}: element {e.tag}" for e in ET.fromstring(text).iter() if "evil" in str(e.tag))
    elif kind == ".html":
        page = Marks()
        page.feed(text)
        yield from (f"{path.name}: markup {one}" for one in page.found)
    elif kind == ".json":
        json.loads(text)
    elif kind == ".csv":
        body = [line for line in text.splitlines() if not line.startswith("# teachlab.")]
        for cell in (cell for row in csv.reader(body) for cell in row):
            if cell[:1] in tuple("=+-@\t\r") and not re.fullmatch(r"[-+]?[\d.]+(e[-+]?\d+)?", cell):
                yield f"{path.name}: a formula {cell[:30]!r}"
    else:
        yield f"{path.name}: a kind of file that is not looked at"


def run(folder: Path, words: list[str]) -> Iterator[str]:
    """Run a line, in the folder; yield what is wrong in what it printed and wrote."""
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}
    options = {name for one in command_of(words[0]).params for name in one.opts}
    done = shell.invoke(*words, *(["--details"] if "--details" in options else []))
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        yield f"exception {done.exception!r}"
    if done.exit_code not in (0, 1, 2, 3):
        yield f"exit code {done.exit_code}"
    for stream, text in (("stdout", done.stdout), ("stderr", done.stderr)):
        if found := unseen(text):
            yield f"{stream} holds {found!r}: {text[:300]!r}"
        if any(line.strip().startswith(INJECTED) for line in text.splitlines()):
            yield f"{stream} has a line of a text: {text[:300]!r}"
    for path in folder.rglob("*"):
        if path.is_file() and before.get(path) != path.stat().st_mtime_ns and "__pycache__" not in path.parts:
            yield from faults_of(path)


LINES = lines()


@pytest.mark.parametrize("words", LINES, ids=[f"{k}-{w[0]}" for k, w in enumerate(LINES)])
def test_text_of_strangers_is_text(folder: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]) -> None:
    monkeypatch.chdir(folder)
    assert list(run(folder, words)) == []


# ---- that nothing is forgotten -----------------------------------------------------------------------------------


def test_every_command_is_among_them() -> None:
    assert {words[0] for words in LINES} | {"demo"} == set(LISTED)  # demo reads no file


@pytest.mark.parametrize(
    ("model", "looked_at"),
    [
        (RecordingInfo, {"unit", "title", "notes"}),
        (DeviceDocument, {"name", "unit"}),
        (Criteria, {"title"}),
        (Scenario, {"title", "plant", "alias", "difficulty", "notes"}),
        (StudyFile, {"recordings", "recording", "strategies", "bases", "conditions", "assume", "criteria"}),
    ],
)
def test_every_text_of_a_document_is_among_them(model: Any, looked_at: set[str]) -> None:
    """A new field for text has to be added to the files above, and here; words of a fixed list are no text."""
    if hasattr(model, "model_fields"):
        kinds = {name: str(one.annotation) for name, one in model.model_fields.items()}
    else:
        kinds = {one.name: str(one.type) for one in fields(model)}
    texts = {name for name, kind in kinds.items() if re.search(r"\bstr\b", kind) and name != "digest"}
    assert texts == looked_at


def test_the_texts_are_in_what_is_looked_at(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The check would find nothing if nothing of the texts came out."""
    monkeypatch.chdir(folder)
    words = ["replay", "a.parquet", "--setting", "good.json", "--details"]
    told = shell.invoke(*words).stdout
    assert "=label tin</script>" in " ".join(told.split())
    assert "\\x1b[31m" in told
    assert unseen(hostile("x")) == sorted({*UNSEEN} - set("[31mgnp1\n"))
    folder_of = folder / "raw.html"
    folder_of.write_text(f"<p>{hostile('x')}</p>")
    assert len(list(faults_of(folder_of))) >= 2
    folder_of.unlink()

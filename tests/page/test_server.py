"""The server of the page: who is answered, what, and what is saved."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import read_history, read_truth, write_truth
from teachlab.errors import TruthError
from teachlab.model.following_and_window import FollowingSetting, WindowSetting
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.score import Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth, TruthSource
from teachlab.page.corrections import CorrectedPasses, corrected_truth
from teachlab.page.packing import PackedArray
from teachlab.page.server import PageServer
from teachlab.questions.surface.given_settings.pairs import PairCounts
from teachlab.scoring.scoring import score
from teachlab.switching.run import replay

UNIT = "counts"
SETTINGS = [
    Setting(unit=UNIT, on_level=60, off_level=40),
    Setting(unit=UNIT, on_level=60, off_level=40, consecutive=2, off_delay_ms=4, polarity="dark-on"),
    WindowSetting(unit=UNIT, on_level=60, off_level=5, high_release=50, low_release=8),
    FollowingSetting(unit=UNIT, on_level=60, off_level=50, reference=10, low_limit=5, high_limit=25),
]


def line(passes: int = 30) -> tuple[Recording, Truth]:
    rng = np.random.default_rng(2)
    start = np.arange(passes) * 20 + 10
    light = rng.integers(6, 14, passes * 20 + 20).astype(np.uint16)
    for k, a in enumerate(start):
        light[a : a + 8] += 30 + 2 * k
    recording = Recording.from_array(light, RecordingInfo(sample_rate_hz=1000, unit=UNIT))
    truth = Truth.from_arrays(start, start + 8, label=["tub" if k % 2 else "lid" for k in range(passes)])
    return recording, replace(truth, uncertainty_samples=1.0)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    recording, truth = line()
    write_recording(tmp_path / "line.parquet", recording)
    tied = read_recording(tmp_path / "line.parquet")
    write_truth(tmp_path / "line.passes.parquet", truth.tied_to(tied.info.digest))
    return tmp_path


@pytest.fixture
def served(folder: Path) -> Iterator[PageServer]:
    recording, truth = read_recording(folder / "line.parquet"), read_truth(folder / "line.passes.parquet")
    corrected = CorrectedPasses(str(folder), "line", str(folder / "line.passes.parquet"))
    with PageServer("<!doctype html>page", recording, truth, Rules(tolerance_ms=1), corrected) as server:
        thread = threading.Thread(target=lambda: server.serve_forever(poll_interval=0.01))
        thread.start()
        yield server
        server.shutdown()
        thread.join()


def asked(
    server: PageServer, what: str, body: Any = None, *, method: str = "POST", path: str | None = None, **headers: str
) -> tuple[int, Any]:
    own = f"127.0.0.1:{server.server_port}"
    usual = {"Host": own, "Origin": f"http://{own}", "Content-Type": "application/json"}
    given = {**usual, **{name.replace("_", "-"): value for name, value in headers.items()}}
    text = body if isinstance(body, (bytes, str)) else json.dumps(body)
    with closing(http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=20)) as connection:
        connection.request(method, path or f"/{server.token}/{what}", text, {k: v for k, v in given.items() if v})
        answer = connection.getresponse()
        content = answer.read()
    kind = answer.headers["Content-Type"]
    return answer.status, json.loads(content) if kind == "application/json" else content.decode()


def test_only_who_knows_the_address_gets_the_page(served: PageServer) -> None:
    assert asked(served, "", method="GET") == (200, "<!doctype html>page")
    assert served.server_address[0] == "127.0.0.1"
    for path in (
        "/",
        f"/{served.token}",
        f"/{served.token}x/",
        f"/{served.token[:-1]}/",
        "/../",
        f"/{served.token}/x",
        "/%C3%A9/",
    ):
        status, told = asked(served, "", method="GET", path=path)
        assert status == 404, path
        assert served.token not in str(told)
    # A page of another name that leads here, and another page in the same browser.
    assert asked(served, "", method="GET", Host="evil.example:80")[0] == 404
    assert asked(served, "count", {}, Origin="http://evil.example")[0] == 403
    assert asked(served, "count", {}, Origin="")[0] == 403
    assert asked(served, "count", {}, Content_Type="text/plain")[0] == 403
    for method in ("PUT", "DELETE", "OPTIONS", "HEAD"):
        assert asked(served, "", method=method, path=f"/{served.token}/")[0] == 501


def test_a_token_is_drawn_for_every_start() -> None:
    recording, truth = line()
    tokens = set()
    for _ in range(5):
        with PageServer("", recording, truth, Rules(), None) as server:
            tokens.add(server.token)
    assert len(tokens) == 5
    assert all(len(token) >= 32 for token in tokens)


@pytest.mark.parametrize("setting", SETTINGS)
def test_counts_are_those_of_replay_and_score_for_every_kind(served: PageServer, setting: Setting) -> None:
    recording, truth = line()
    status, found = asked(served, "count", {"setting": setting.as_dict(), "passes": None})
    assert status == 200
    output = replay(recording, setting)
    result = score(output, truth, rules=Rules(tolerance_ms=1))
    assert found["counts"] == PairCounts.of(result, truth).by_table()
    assert found["trials"]["detect"] == result.counts.scored_passes
    assert found["trials"]["gaps"] == result.counts.gaps
    assert found["texts"]["passes"] == PackedArray.of(result.trials.passes.astype(np.uint8)).text
    assert found["texts"]["gaps"] == PackedArray.of(result.trials.gaps.astype(np.uint8)).text
    start, stop = output.output.runs(output.clock.count)
    runs = np.stack((start.clip(min=0), stop), axis=1).reshape(-1).astype(np.int32)
    assert found["texts"]["runs"] == PackedArray.of(runs).text


def test_the_light_is_the_extremes_of_blocks(served: PageServer) -> None:
    recording, _ = line()
    status, found = asked(served, "light", {"from": 100, "to": 130, "columns": 10})
    assert (status, found["from"], found["to"], found["block"]) == (200, 100, 130, 3)
    rows = np.asarray(recording.light[100:130]).reshape(-1, 3).astype(np.float32)
    assert found["texts"]["low"] == PackedArray.of(rows.min(axis=1)).text
    assert found["texts"]["high"] == PackedArray.of(rows.max(axis=1)).text
    assert asked(served, "light", {"from": -50, "to": 10**12, "columns": 7})[1]["to"] == recording.samples


def test_reserves_of_any_levels_are_told(served: PageServer) -> None:
    """The weakest pass reaches 36 at least: at a level of 20 a good part of the light may go."""
    found = asked(served, "reserve", {"setting": Setting(unit=UNIT, on_level=20, off_level=16).as_dict()})[1]
    assert "of the light may be lost" in found["text"]


def test_reserves_are_those_of_corrected_passes(served: PageServer) -> None:
    """A pass that was taken out leaves its light behind: a false trip."""
    setting, (_, truth) = Setting(unit=UNIT, on_level=20, off_level=16).as_dict(), line()
    some = {"start": truth.start[1:].tolist(), "end": truth.end[1:].tolist(), "detect": truth.detect[1:].tolist()}
    passes = {**some, "label": truth.label[1:].tolist(), "lot": None}
    found = asked(served, "reserve", {"setting": setting, "passes": passes})[1]
    assert found["text"] == "No reserve: there are errors already as recorded."


PASSES = {"start": [10, 31], "end": [18, 40], "detect": [True, False], "label": ["lid", "new =kind"], "lot": None}
EDIT = {"at": "2031-01-02T03:04:05.000Z", "what": "moved", "from": [[30, 38]], "to": [[31, 40]]}


def test_corrected_passes_are_a_new_table_with_its_history(served: PageServer, folder: Path) -> None:
    old = (folder / "line.passes.parquet").read_bytes()
    status, found = asked(served, "passes", {"passes": PASSES, "edits": [EDIT]})
    assert (status, Path(found["written"]).name) == (200, "line.corrected-1.passes.parquet")
    assert (folder / "line.passes.parquet").read_bytes() == old
    truth, before = read_truth(found["written"]), read_truth(folder / "line.passes.parquet")
    assert truth.start.tolist() == [10, 31]
    assert truth.label.tolist() == ["lid", "new =kind"]
    assert truth.detect.tolist() == [True, False]
    # Borders that were set on the light are labelled by it; doubt and tie stay.
    assert truth.source is TruthSource.SELF_LABELLED
    assert (truth.uncertainty_samples, truth.recording_digest) == (1.0, before.recording_digest)
    assert truth.recording_digest is not None
    history = read_history(found["written"])
    assert history is not None
    assert history["from"]["file"] == "line.passes.parquet"
    assert history["edits"] == [EDIT]
    # Again: another name, never over the last one.
    first = Path(found["written"]).read_bytes()
    again = asked(served, "passes", {"passes": PASSES, "edits": [EDIT]})[1]["written"]
    assert Path(again).name == "line.corrected-2.passes.parquet"
    assert Path(found["written"]).read_bytes() == first
    # What was corrected before is in the history of what is corrected then.
    third = CorrectedPasses(str(folder), "line", again).write(truth, [EDIT])
    kept = read_history(third)
    assert kept is not None
    assert kept["before"]["edits"] == [EDIT]


def test_other_names_alone_leave_the_source_as_it_was() -> None:
    recording, truth = line()
    named = {
        "start": truth.start.tolist(),
        "end": truth.end.tolist(),
        "detect": [True] * 30,
        "label": ["x"] * 30,
        "lot": ["1"] * 30,
    }
    after = corrected_truth(truth, named, recording.samples)
    assert after.source is TruthSource.INDEPENDENT
    assert after.lot is not None


@pytest.mark.parametrize(
    "change",
    [
        {"start": [10, 15]}, {"end": [18, 10**9]}, {"start": [10]}, {"start": ["10", "31"]}, {"detect": [1, 0]},
        {"more": 1}, {"start": [10, 2**70]}, {"start": [-1, 31]}, {"label": [None, ""]}, {"lot": ["a"]},
    ],
)  # fmt: skip
def test_what_are_no_passes_is_refused_and_nothing_is_written(
    served: PageServer, folder: Path, change: dict[str, Any]
) -> None:
    before = sorted(path.name for path in folder.iterdir())
    status, told = asked(served, "passes", {"passes": {**PASSES, **change}, "edits": [EDIT]})
    assert status == 400
    assert "corrected passes" in told["error"]
    assert sorted(path.name for path in folder.iterdir()) == before


@pytest.mark.parametrize(
    ("what", "body"),
    [
        ("count", b"{"), ("count", b"[]"), ("count", b"\xff"), ("count", {"setting": {"on_level": 1}}), ("count", {}),
        ("count", {"setting": {**SETTINGS[0].as_dict(), "unit": "mV"}}), ("light", {"from": 5, "to": 5, "columns": 3}),
        ("light", {"from": 0, "to": 5, "columns": 10**9}), ("light", {"from": "x"}), ("passes", {"edits": []}),
        ("passes", {"passes": PASSES, "edits": []}),
        ("passes", {"passes": PASSES, "edits": [{**EDIT, "what": "sold"}]}),
        ("reserve", {"setting": None}),
    ],
)  # fmt: skip
def test_a_question_that_cannot_be_answered_gets_one_message(served: PageServer, what: str, body: Any) -> None:
    status, told = asked(served, what, body)
    assert status == 400
    assert told["error"]
    assert asked(served, "", method="GET")[0] == 200


def test_without_a_local_table_nothing_is_saved() -> None:
    recording, truth = line()
    with PageServer("", recording, truth, Rules(), None) as server, pytest.raises(Exception, match="object store"):
        server.answer("passes", {"passes": PASSES, "edits": [EDIT]})


def test_history_of_a_csv_is_read_too(tmp_path: Path) -> None:
    _, truth = line()
    write_truth(tmp_path / "a.passes.csv", truth, history={"schema": 1, "edits": [EDIT]})
    assert read_history(tmp_path / "a.passes.csv") == {"schema": 1, "edits": [EDIT]}
    assert read_truth(tmp_path / "a.passes.csv").passes == 30
    write_truth(tmp_path / "b.passes.parquet", truth)
    assert read_history(tmp_path / "b.passes.parquet") is None
    with pytest.raises(TruthError):
        read_history(tmp_path / "none.passes.csv")


def test_the_command_serves_until_ctrl_c_and_ends_in_one_line(folder: Path) -> None:
    command = [sys.executable, "-m", "teachlab", "explore", "line.parquet", "--serve"]
    process = subprocess.Popen(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert process.stdout is not None
    address = process.stdout.readline().split()[-1]
    port, token = address.removeprefix("http://127.0.0.1:").split("/")[:2]
    connection = http.client.HTTPConnection("127.0.0.1", int(port), timeout=20)
    connection.request("GET", f"/{token}/")
    page = connection.getresponse().read().decode()
    connection.close()
    assert page.startswith("<!doctype html>")
    assert "connect-src 'self'" in page
    process.send_signal(signal.SIGINT)
    # What came with the first line is in the buffer already, which `communicate` leaves behind.
    already = process.stdout.read()
    told, fault = process.communicate(timeout=20)
    assert process.returncode == 130
    assert "Next, once it is in this folder: teachlab replay" in already + told
    assert fault == "teachlab: interrupted; nothing half-written is left behind.\n"
    assert sorted(path.name for path in folder.iterdir()) == ["line.parquet", "line.passes.parquet"]

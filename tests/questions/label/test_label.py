"""Doubts about proposed passes, a known count, the table through a spreadsheet and back, the sheet of pictures."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shell
from hypothesis import given, settings
from hypothesis import strategies as st

from teachlab.data.quality.corrected_passes import read_corrected
from teachlab.data.quality.labelling import propose_passes
from teachlab.data.recording_files import read_recording, write_recording
from teachlab.data.truth_files import read_truth, write_truth
from teachlab.errors import TruthError
from teachlab.model.recording import Direction, Recording, RecordingInfo
from teachlab.model.truth import Truth
from teachlab.questions.label import label

BEGAN = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
INFO = RecordingInfo(sample_rate_hz=1000.0, unit="counts", began=BEGAN, title="Tubs")
START = 200 + 300 * np.arange(20)


def line(*, without: tuple[int, ...] = (), spoilt: dict[int, tuple[int, float]] | None = None) -> Recording:
    """Return 20 passes of 100 ms every 300 ms; some are left out, some of other length and height."""
    light = np.random.default_rng(4).normal(10, 0.5, 6300)
    for k, a in enumerate(START):
        if k not in without:
            length, height = (spoilt or {}).get(k, (100, 60.0))
            light[a : a + length] += height
    return Recording.from_array(light, INFO)


def test_passes_as_usual_are_in_no_doubt():
    found = label(line())
    assert (found.truth.passes, found.doubtful, found.replayed.losses) == (20, [], ())


@pytest.mark.parametrize(
    ("spoilt", "row", "reason", "least"),
    [
        ({7: (100, 38.0)}, 7, "weak: 6", 0.5),
        ({7: (40, 60.0)}, 7, "short: 40 ms, usual are 100 ms", 0.6),
        ({7: (220, 60.0)}, 7, "long: 220 ms, usual are 100 ms; perhaps two", 0.99),
        ({7: (290, 60.0)}, 8, "only 10 ms after the one before", 0.9),
    ],
)
def test_what_is_unusual_is_in_doubt_with_its_reason(spoilt, row, reason, least):
    found = label(line(spoilt=spoilt))
    one = next(one for one in found.doubts if one.row == row)
    assert one.reason.startswith(reason)
    assert least <= one.doubt <= 1
    assert found.doubtful[0].doubt == max(d.doubt for d in found.doubts)
    assert [d.row for d in found.doubts] == list(range(found.truth.passes))


def test_ordinary_spread_of_products_is_no_doubt():
    found = label(line(spoilt={7: (74, 60.0), 9: (100, 50.0)}))
    assert [0 < found.doubts[k].doubt < 0.2 for k in (7, 9)] == [True, True]
    assert found.doubtful == []


def test_a_pass_that_the_record_cuts_is_in_doubt():
    recording = line()
    light = recording.read(0, recording.samples).light
    found = label(Recording.from_array(light[250:], INFO))
    assert (found.doubts[0].doubt, found.doubts[0].reason) == (1.0, "cut by the record")


def test_a_count_names_where_passes_are_likely_missing():
    found = label(line(without=(5,), spoilt={12: (100, 20.0)}), count=20)
    places = {place.sample: place.text for place in found.count.places}
    assert found.truth.passes == 18
    assert len(places) == 2
    bump, gap = (next(text for text in places.values() if word in text) for word in ("goes", "a gap of 500 ms"))
    assert re.fullmatch(r"the light goes 3\d % of the way to an object, for 100 ms", bump)
    assert "usual are 200 ms" in gap
    assert any(one.sample <= START[5] < START[5] + 100 <= one.end for one in found.count.places if one.text == gap)


@pytest.mark.parametrize("edge", [0, 20])
@pytest.mark.parametrize("direction", ["rise", "dip"])
def test_faint_objects_are_named_though_no_count_is_given(direction, edge):
    """Products of a quarter of the usual light: found beside slow edges too, which reach as far in every gap."""
    rng = np.random.default_rng(5)
    light = np.zeros(300 * 60)
    faint = (7, 23, 51)
    for k in range(60):
        light[300 * k + 100 : 300 * k + 200] = 25.0 if k in faint else 100.0
    if edge:
        light = np.convolve(light, np.full(edge, 1 / edge), mode="same")
    light = (light if direction == "rise" else 200 - light) + rng.normal(0, 1.0, light.size)
    found = label(Recording.from_array(light, INFO))
    assert found.truth.passes == 57
    assert sorted(one.sample // 300 for one in found.unanswered) == list(faint)
    assert all(0.22 < one.score < 0.32 for one in found.faint)
    assert found.as_dict()["faint"][0]["text"] == found.unanswered[0].text
    # Once a person has put one into the table, it is answered.
    counted = label(Recording.from_array(light, INFO), count=60)
    assert sorted(place.sample // 300 for place in counted.count.places) == list(faint)


def test_what_a_person_made_a_pass_of_is_no_open_question(tmp_path):
    recording = line(spoilt={12: (100, 20.0)})
    found = label(recording)
    assert [one.sample for one in found.unanswered] == [found.proposal.faint[0, 0]]
    rows = [f"{a},{b}" for a, b in zip(found.truth.start, found.truth.end, strict=True)]
    a, b = found.proposal.faint[0]
    table = tmp_path / "corrected.csv"
    table.write_text("start,end\n" + "\n".join([*rows, f"{a},{b}"]) + "\n")
    answered = label(recording, corrected=str(table))
    assert (len(answered.faint), answered.unanswered) == (1, [])


def test_faint_stretches_cost_no_further_reading(monkeypatch):
    read, blocks = [], Recording.blocks
    monkeypatch.setattr(Recording, "blocks", lambda self, *a, **k: read.append(1) or blocks(self, *a, **k))
    counted = []
    for spoilt in ({}, {7: (100, 20.0)}):
        found = label(line(spoilt=spoilt))
        counted.append((len(found.faint), len(read)))
        read.clear()
    assert [faint for faint, _ in counted] == [0, 1]
    assert counted[0][1] == counted[1][1]


def test_noise_tails_and_drift_are_no_faint_objects():
    rng = np.random.default_rng(6)
    light = np.zeros(40_000)
    for k in range(100):
        light[400 * k + 100 : 400 * k + 200] = 100.0
        light[400 * k + 200 : 400 * k + 290] = 30.0  # the end of every product shines on
    light[20_000:30_000] += 8 * np.sin(np.arange(10_000) / 500)
    found = label(Recording.from_array(light + rng.normal(0, 2.0, light.size), INFO))
    assert found.truth.passes == 100
    assert found.faint == ()


def test_a_count_names_where_passes_are_likely_double():
    recording = line()
    light = recording.read(0, recording.samples).light.copy()
    light[START[9] + 40 : START[9] + 55] = 10.0  # a slit in one object
    found = label(Recording.from_array(light, INFO), count=20)
    assert found.truth.passes == 21
    assert [place.sample for place in found.count.places] == [found.truth.start[10]]
    assert "only 15 ms after the one before; perhaps one object" in found.count.places[0].text


@pytest.mark.parametrize(("split", "seed"), [(0.1, 1), (0.5, 1), (0.5, 2), (0.9, 1)])
def test_with_a_count_the_second_parts_of_products_are_named_however_many_were_split(split, seed):
    """Of 168 passes named in jars that are dark at both rims alone, 12 were a second rim, the others whole jars."""
    rng, products = np.random.default_rng(seed), 200
    length, gap = rng.integers(60, 90, products), rng.integers(80, 200, products)
    start = np.cumsum(gap + np.concatenate(([0], length[:-1])))
    light, second = np.full(start[-1] + 400, 10.0), []
    for a, long in zip(start, length, strict=True):
        light[a : a + long] = 100.0
        if rng.random() < split:
            light[a + 30 : a + 40] = 10.0
            second.append(int(a) + 40)
    found = label(Recording.from_array(light, INFO), count=products)
    assert found.truth.passes == products + len(second)
    assert sorted(place.sample for place in found.count.places) == second
    assert all("perhaps one object" in place.text for place in found.count.places)


def test_what_a_replay_says_of_corrected_passes(tmp_path):
    recording = line()
    proposed = propose_passes(recording).truth
    table = tmp_path / "corrected.csv"
    rows = [f"{a},{b}" for a, b in zip(proposed.start, proposed.end, strict=True)]
    rows[3] = "1320,1380"  # the person says: nothing where the light is, something where it is not
    table.write_text("start,end\n" + "\n".join(rows) + "\n")
    found = label(recording, corrected=str(table))
    assert [loss.row for loss in found.replayed.losses] == [3]
    assert found.replayed.gaps_tripped >= 1
    assert (found.correction.as_proposed, found.correction.added, found.correction.taken_out) == (19, 1, 1)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_table_survives_a_spreadsheet(tmp_path, delimiter, encoding):
    """Rows sorted by doubt, metadata cut into cells, empty rows, positions as fractions, times instead of samples."""
    recording = line()
    rows = [
        ["# teachlab.passes: {schema: 2", ' ""source"": ""self-labelled""}', "", ""],
        ["Start", "End", "Label", "Expect"],
        ["800", "900.0", "Käse", "detect"],
        ["", "", "", ""],
        ["2026-03-01T06:00:00.200Z", "2026-03-01 06:00:00.300", "'=1+1", ""],
        ["1100,0" if delimiter != "," else "1100", "1200", "lid", "IGNORE"],
    ]
    table = tmp_path / "back.csv"
    table.write_bytes("".join(delimiter.join(row) + "\r\n" for row in rows).encode(encoding))
    found = read_corrected(str(table), recording, propose_passes(recording).truth)
    truth = found.truth
    assert list(zip(truth.start, truth.end, strict=True)) == [(200, 300), (800, 900), (1100, 1200)]
    assert truth.label.tolist() == ["=1+1", "Käse", "lid"]
    assert truth.detect.tolist() == [True, True, False]
    assert any("sorted" in note for note in found.notes)
    assert any("Windows-1252" in note for note in found.notes) is (encoding == "cp1252")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "there is no header"),
        ("begin,end\n1,2\n", "column 'start' is missing"),
        ("start,end\n10,20\n10,20\n", r"the passes of lines 2 \[10, 20\) and 3 \[10, 20\) are the same. Take one out"),
        ("start,end\n10,20\n15,30\n", r"the passes of lines 2 \[10, 20\) and 3 \[15, 30\) overlap"),
        ("start,end\n10,x\n", "column 'end', line 2: must be a whole number, got 'x'"),
        ("start,end\n10.5,20\n", "column 'start', line 2: must be a whole number, got '10.5'"),
        ("start;end\n10.000;20.000\n", "column 'start', line 2: must be a whole number, got '10.000'"),
        ("start,end\n20,10\n", "line 2: the pass ends at 10, not after its start 20"),
        ("start,end\n10,999999\n", "outside the recording of 6,300 samples"),
        ("start,end,expect\n10,20,maybe\n", "column 'expect', line 2: must be detect or ignore, got 'maybe'"),
        ("start,end\n2026-03-01T05:00:00Z,20\n", "lies before the recording"),
    ],
)
def test_a_table_that_cannot_be_taken_is_refused_with_its_line(tmp_path, text, message):
    table = tmp_path / "back.csv"
    table.write_text(text)
    recording = line()
    with pytest.raises(TruthError, match=message):
        read_corrected(str(table), recording, propose_passes(recording).truth)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=8),
        min_size=1,
        max_size=6,
    )
)
def test_no_label_is_a_formula_and_all_come_back(tmp_path_factory, labels):
    labels = [text.strip() for text in labels]
    start = 10 + 20 * np.arange(len(labels))
    path = tmp_path_factory.mktemp("labels") / "line.passes.csv"
    write_truth(path, Truth.from_arrays(start, start + 5, label=np.array(labels, object)))
    cells = path.read_text(encoding="utf-8").split("\n", 2)[2]
    assert not any(cell.lstrip('"').startswith(("=", "+", "-", "@")) for cell in cells.replace("\n", ",").split(","))
    assert read_truth(path).label.tolist() == labels


def test_the_command_and_back(tmp_path: Path):
    write_recording(tmp_path / "line.parquet", line(spoilt={7: (40, 60.0)}))
    files = [str(tmp_path / name) for name in ("line.parquet", "proposed.csv", "sheet.svg", "sheet.html")]
    words = ["label", files[0], "--out", files[1], "--out", files[2], "--out", files[3], "--count", "21", "--semicolon"]
    done = shell.run(*words)
    said = " ".join(done.stdout.split())
    assert said.startswith(f"20 passes proposed, written to {files[1]}. In doubt: 1.")
    assert "pass 7, 06:00:02: short: 40 ms, usual are 100 ms (doubt 67 %)" in said
    assert "21 products were counted, 20 passes are proposed: 1 is likely missing." in said
    assert "A replay at the middle between the two levels agrees with every pass." in done.stdout
    lines = Path(files[1]).read_text(encoding="utf-8").splitlines()
    assert lines[1] == "start;end;label;expect;time;doubt;reason"
    assert lines[9].startswith("2300;2340;;detect;2026-03-01T06:00:02.300+00:00;67 %;short")
    assert read_truth(files[1]).passes == 20
    assert ElementTree.parse(files[2]).getroot().tag.endswith("svg")
    page = Path(files[3]).read_text(encoding="utf-8")
    assert page.index("short: 40 ms") < page.index("as usual")
    lines.insert(2, lines.pop(9))
    Path(files[1]).write_text("\n".join(line for line in lines if not line.startswith("500;")), encoding="utf-8-sig")
    document = shell.document("label", files[0], "--from", files[1])
    assert document["correction"]["taken_out"] == 1
    assert (document["correction"]["as_proposed"], document["replayed"]["gaps_tripped"]) == (19, 1)
    taken = read_truth(tmp_path / "line.passes.parquet")
    assert (taken.passes, str(taken.source)) == (19, "self-labelled")
    assert taken.recording_digest == read_recording(files[0]).info.digest
    shell.run("label", files[0], "--from", files[1], code=2)


def test_a_slow_line_is_told_without_exponents_and_a_line_without_passes_with_what_to_do(tmp_path: Path) -> None:
    """One sample a second: passes of 100 min, one of 40 min. With --min-ms of 200 min none is left."""
    path = tmp_path / "slow.parquet"
    light = np.tile(np.repeat([10.0, 60.0], [18_000, 6_000]), 6)
    light[-3600:] = 10.0
    light = np.concatenate((light, np.full(100, 10.0)))
    write_recording(path, Recording.from_array(light, replace(INFO, sample_rate_hz=1.0, direction=Direction.RISE)))
    said = " ".join(shell.invoke("label", path).output.split())
    assert "short: 40 min, usual are 100 min" in said
    assert "Passes and gaps shorter than 10 min were smoothed away: 0." in said
    none = tmp_path / "none.csv"
    said = shell.invoke("label", path, "--min-ms", "12000000", "--out", none).output
    assert said.startswith("0 passes proposed")
    assert "Next: give a shorter --min-ms: every pass in this light is shorter than 200 min." in " ".join(said.split())


@pytest.mark.parametrize("direction", ["rise", "dip"])
def test_objects_on_the_other_side_of_the_background_are_named_and_not_proposed(direction):
    """A dark product on a bright belt: as far below it as 8 spreads, and a twelfth of the way up to the others."""
    rng = np.random.default_rng(5)
    light = np.full(300 * 60, 100.0)
    dark = (7, 23, 51)
    for k in range(60):
        light[300 * k + 100 : 300 * k + 200] = 40.0 if k in dark else 900.0
    light += rng.normal(0, 5.0, light.size)
    found = label(Recording.from_array(light if direction == "rise" else 1000 - light, INFO))
    assert (found.truth.passes, found.faint) == (57, ())
    assert [abs(one.sample - 300 * k - 100) < 5 for one, k in zip(found.opposite, dark, strict=True)] == [True] * 3
    assert all(0.07 < one.score < 0.11 for one in found.opposite)
    way = "down to [123]" if direction == "rise" else "up to 9[678]"
    assert all(re.fullmatch(rf"the light goes {way}\d(\.\d+)? counts, for \d+ ms", one.text) for one in found.opposite)
    assert [one["sample"] for one in found.as_dict()["opposite"]] == [one.sample for one in found.opposite]
    counted = label(Recording.from_array(light if direction == "rise" else 1000 - light, INFO), count=60)
    assert sorted(place.sample for place in counted.count.places) == [one.sample for one in found.opposite]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.tuples(st.integers(0, 59), st.integers(3, 160), st.integers(0, 70)), max_size=8))
def test_stretches_on_the_other_side_are_those_of_a_plain_loop(dips):
    light = np.where(np.arange(300 * 60) % 300 < 100, 900.0, 100.0)
    for k, length, depth in dips:
        light[300 * k + 120 : 300 * k + 120 + length] -= depth
    found = propose_passes(Recording.from_array(light, INFO))
    # Without noise the band begins at 5 % of the step, and is left half-way back.
    away, expected, begun = 0.05 * (found.levels.high - found.levels.low), [], None
    for n, x in enumerate(light):
        if begun is None and x < found.levels.low - away:
            begun = n
        elif begun is not None and x >= found.levels.low - away / 2:
            if found.shortest_samples <= n - begun <= 200:
                expected.append([begun, n])
            begun = None
    assert found.opposite.tolist() == expected


def test_noise_drift_and_dark_light_are_no_objects_on_the_other_side():
    rng = np.random.default_rng(6)
    light = np.full(40_000, 4.0)
    for k in range(100):
        light[400 * k + 100 : 400 * k + 200] = 900.0
    light[20_000:30_000] -= 3 * np.sin(np.arange(10_000) / 500)
    light = np.rint(light + rng.normal(0, 1.0, light.size)).clip(0).astype(np.uint16)
    found = label(Recording.from_array(light, INFO))
    assert (found.truth.passes, found.opposite) == (100, ())


def test_what_a_person_made_a_pass_of_on_the_other_side_is_no_open_question(tmp_path):
    recording = line()
    light = recording.read(0, recording.samples).light.copy()
    light[310:380] = -60.0
    recording = Recording.from_array(light, INFO)
    found = label(recording)
    assert [one.sample for one in found.unanswered_opposite] == [310]
    rows = sorted([*zip(found.truth.start.tolist(), found.truth.end.tolist(), strict=True), (310, 380)])
    table = tmp_path / "corrected.csv"
    table.write_text("start,end\n" + "".join(f"{a},{b}\n" for a, b in rows))
    answered = label(recording, corrected=str(table))
    assert (len(answered.opposite), answered.unanswered_opposite) == (1, [])


@pytest.mark.parametrize("side", ["faint", "opposite"])
def test_stretches_are_named_as_rows_of_the_table(side):
    """Their begin alone was told: no row could be added without looking at the light again."""
    light = line().read(0, 6300).light.copy()
    light[2200:2230] += 20.0 if side == "faint" else -8.0
    found = label(Recording.from_array(light, INFO))
    (one,) = found.as_dict()[side]
    assert (one["sample"], one["end"]) == (2200, 2230)
    assert (one["time"], one["end_time"]) == ("2026-03-01T06:00:02.200+00:00", "2026-03-01T06:00:02.230+00:00")

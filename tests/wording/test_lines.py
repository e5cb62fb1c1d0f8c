"""Every screen fits 100 columns; sentences are broken at words, commands never."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import numpy as np
import pytest

from teachlab.cli.console import show
from teachlab.device.matching import ContradictedEdge
from teachlab.model.margin import EqualCost
from teachlab.model.recording import Recording, RecordingInfo
from teachlab.model.setting import Setting
from teachlab.model.verdict import HeadlineClaim, Verdict, VerdictCure, VerdictReason
from teachlab.wording.course import margin_alarm
from teachlab.wording.identification import place_lines
from teachlab.wording.lines import WIDTH, page_lines, screen, wrapped
from teachlab.wording.tables import plain_table
from teachlab.wording.verdict import verdict_lines, verdict_of

ANSWERS = sorted((Path(__file__).parents[1] / "answers").glob("*.txt"))
MEMBER = re.compile(r"[\w.-]+ = ")
COMMAND = re.compile(r"\bteachlab [a-z]+ ")


def screens(text: str) -> list[str]:
    """Return the lines of screens: neither calls, nor members of documents, nor the words of pages and pictures."""
    out: list[str] = []
    shown = True
    for line in text.splitlines():
        if line.startswith("$ "):
            shown = True
        elif line.startswith("> ") or MEMBER.match(line):
            shown = False
        elif shown:
            out.append(line)
    return out


@pytest.mark.parametrize("path", ANSWERS, ids=lambda path: path.stem)
def test_every_screen_fits_its_columns(path: Path) -> None:
    """But a command, which must work as printed, a message of bad input, which is one line, and a single long value."""
    lines = screens(path.read_text(encoding="utf-8"))
    assert len(lines) > 5 or path.stem == "keys"
    for line in lines:
        allowed = COMMAND.search(line) or line.startswith("teachlab: ") or len(line.split()) == 1
        assert len(line) <= WIDTH or allowed, line


def test_the_screens_of_the_answers_are_found() -> None:
    text = "$ teachlab x\nexit 0\nUse: a setting.\nschema = 1\nfile = 2\n$ teachlab y\nexit 0\nNext.\n> a.html\nwords\n"
    assert screens(text) == ["exit 0", "Use: a setting.", "exit 0", "Next."]


def test_a_short_sentence_stays_as_it_is() -> None:
    assert wrapped("  Two  words.") == ["  Two  words."]


def test_a_long_sentence_is_broken_at_words_and_numbers_keep_their_percent_sign() -> None:
    text = "    Why: " + "word " * 17 + "at 95 % confidence."
    assert wrapped(text) == ["    Why: " + "word " * 17 + "at", "      95 % confidence."]


@pytest.mark.parametrize("command", ["teachlab report tubs.parquet --setting a.json --criteria b.toml --out record"])
def test_a_command_is_never_broken(command: str) -> None:
    """With files, options, values and placeholders; what is said after it may stand in the next line."""
    long = f"{command} --draws 200 --title 'one-word' NAME.parquet"
    lines = wrapped(f"The limits were fixed before the run, so now: {long}, and then sign the page that it writes.")
    assert sum(long in line for line in lines) == 1
    assert " ".join(map(str.strip, lines)) == (
        f"The limits were fixed before the run, so now: {long}, and then sign the page that it writes."
    )


@pytest.mark.parametrize("columns", [20, 40, 80, 100, 300])
def test_a_narrow_screen_says_the_same_in_more_lines(columns: int) -> None:
    """From 40 to 100 columns; after the block, lines are as long as before."""
    verdict = Verdict(
        decision="cannot be decided", about="a.json", setting=Setting(unit="counts", on_level=50.0, off_level=40.0),
        equal_cost=EqualCost(down=30.0, up=30.0, resolution=1.0, on_low=20.0, on_high=80.0, cost=0.0), step=1.0,
        claim=HeadlineClaim(text="0 of 38 passes in 7 stretches were lost. " * 3, upper=0.35, confidence=0.95,
                            assume="lots", lots=7, passes=38),
        reasons=(VerdictReason(text="38 passes are too few to decide. " * 3),),
        next_step="Log a new recording with at least 50 passes. Then: teachlab replay NEW.parquet --setting s.json",
    )  # fmt: skip
    wide = verdict_lines(verdict, ("what  how many", "lost  0"))
    with screen(columns):
        lines = verdict_lines(verdict, ("what  how many", "lost  0"))
    assert " ".join(" ".join(lines).split()) == " ".join(" ".join(wide).split())
    most = min(WIDTH, max(40, columns))
    assert all(len(line) <= most or COMMAND.search(line) for line in lines)
    assert (len(lines) > len(wide)) == (most < WIDTH)
    assert verdict_lines(verdict, ("what  how many", "lost  0")) == wide


def test_a_line_that_leads_to_a_command_is_one_line() -> None:
    for lead in ("Mend it", "Next, once it is in this folder"):
        line = f"{lead}: teachlab align {'/folder' * 12}/line.parquet --out moved.parquet"
        assert wrapped(line) == [line]


def test_names_of_several_words_stay_in_their_command() -> None:
    names = shlex.join(
        ["the tray of today.csv", "--unit", "percent of full scale", "--out", "it's one of many trays.parquet"]
    )
    line = f"Next: teachlab import {names}"
    assert len(line) > 100
    assert wrapped(line) == [line]
    assert wrapped(f"{line}, and then look at the sensor's own output.") == [
        f"{line},", "  and then look at the sensor's own output.",
    ]  # fmt: skip


def test_a_command_stays_with_the_sentence_that_leads_to_it() -> None:
    first, lead = (
        "Log a new recording with 5 lots of at least 5 passes each, and name the lot of every pass.",
        "Keep it",
    )
    command = f"{lead}: teachlab teach line.parquet --strategy sweep-minmax --out setting.json"
    assert wrapped(f"Next: {first} {command}") == [f"Next: {first}", f"  {command}"]


def test_a_page_flows_but_for_its_code() -> None:
    table, code = "| a | b |\n|---|---|\n| `c` | d \\| e |\n", "```toml\nx = 1   # as it is\n```\n"
    page = f"# Head\n\nOne\ntwo.\n\n{table}\n{code}- item\n  more\n- next\n"
    assert page_lines(page) == [
        "# Head", "", "One two.", "", "a: b", "`c`: d \\| e", "", "x = 1   # as it is", "", "- item more", "- next", "",
    ]  # fmt: skip


def test_steps_of_a_numbered_list_stand_one_below_the_other():
    assert page_lines("In this order:\n\n1. first\n   goes on\n2. second\n10. last\n\n1.5 is a number.\n") == [
        "In this order:", "", "1. first goes on", "2. second", "10. last", "", "1.5 is a number.", "",
    ]  # fmt: skip


@pytest.mark.parametrize("most", [5, 8, 12])
def test_the_first_reason_is_told_however_little_room_there_is(most):
    """What a verdict rests on comes before the levels of equal cost; twelve lines are never exceeded."""
    verdict = Verdict(
        decision="cannot be decided",
        setting=Setting(unit="mV", on_level=50.0, off_level=40.0),
        equal_cost=EqualCost(down=1.0, up=2.0, resolution=0.1, on_low=49.0, on_high=52.0, cost=0.1),
        claim=HeadlineClaim(text="word " * 50, confidence=0.95),
        reasons=(VerdictReason(text="26 passes are too few. " + "word " * 20), VerdictReason(text="second")),
        conditions=("a limit " * 15,),
        next_step="teachlab replay r --setting s",
    )
    lines = verdict_lines(verdict, most=most)
    assert any(line.startswith("Why: 26 passes are too few.") for line in lines)
    assert len(lines) <= 12
    assert any(line.startswith("Room: ") for line in lines) is (most == 12)


@pytest.mark.parametrize("reasons", [0, 1, 3])
def test_what_was_asked_beside_is_told_whole_however_long_the_verdict_is(reasons: int) -> None:
    """No sentence ends in its middle, and the reasons are those that a verdict alone would give."""
    verdict = Verdict(
        decision="use with a limit",
        setting=Setting(unit="mV", on_level=50.0, off_level=40.0),
        claim=HeadlineClaim(text="word " * 60, confidence=0.95),
        reasons=tuple(VerdictReason(text="reason " * 25) for _ in range(reasons)),
        conditions=("a limit " * 15,),
        next_step="teachlab replay r --setting s",
    )
    asked = [f"Line {speed} times as fast: " + "counted " * 16 + "0 extra switchings." for speed in (1, 2, 3)]
    *alone, following = verdict_lines(verdict)
    lines = verdict_lines(verdict, asked=asked)
    assert lines == [*alone, *(line for text in asked for line in wrapped(text)), following]


def test_a_verdict_reads_the_same_from_its_document() -> None:
    """A record holds the document, and its page says what the command said."""
    setting = Setting(unit="mV", on_level=50.0, off_level=40.0)
    room = EqualCost(down=2.0, up=3.0, resolution=0.5, on_low=48.0, on_high=53.0, cost=0.1)
    claim = HeadlineClaim(
        text="1 of 40 passes was lost.", upper=0.2, confidence=0.9, assume="independent", lots=8, passes=40,
        beside=("2 passes are counted beside the claim.",), more=("9 more lots halve the bound.",),
    )  # fmt: skip
    verdict = Verdict(
        decision="use with a limit", about="by hand", setting=setting, claim=claim, equal_cost=room, step=0.5,
        reasons=(VerdictReason(text="A pass is too weak.", count=1, first_at_s=4.0), VerdictReason(text="It drifts."),
                 VerdictReason(text="a filter of 3 evaluations: no error.", better=True)),
        next_step="teachlab replay line.parquet", conditions=("The lots are few.",), rehearsal=True,
        sensor="The replay has all pulses of the sensor.",
        cures=(VerdictCure(kind="filter", text="a filter of 3 evaluations", lost=0, false=0),),
        near=VerdictReason(text="2 gaps come near the level.", count=2),
    )  # fmt: skip
    lines = verdict_lines(verdict, most=40)
    assert verdict_lines(verdict_of(verdict.as_dict(), setting), most=40) == lines
    told = " ".join(" ".join(lines).split())
    parts = ("by hand", "1 of 40", "beside the claim", "too weak", "drifts", "few", "Rehearsal", "near the level", "48")
    for part in (*parts, "53", "Why: It drifts.", "Better: a filter", "Next: teachlab replay"):
        assert part in told, part


def test_a_change_that_an_old_record_tells_is_no_reason_against_the_setting() -> None:
    """Records of before hold its first word in the text."""
    text = "a filter of 3 evaluations: no error on these passes."
    assert VerdictReason(text=f"Better: {text}").told == f"Better: {text}"
    assert VerdictReason(text=text, better=True).told == f"Better: {text}"
    assert VerdictReason(text=text).told == f"Why: {text}"


def test_a_dozen_places_are_told_and_how_many_more_there_are() -> None:
    recording = Recording.from_array(np.zeros(3000), RecordingInfo(sample_rate_hz=1000.0, unit="counts"))
    edges = [ContradictedEdge(sample=100 * k, edge="active", side="logged") for k in range(20)]
    told = place_lines(edges, recording)
    assert len(told) == 13
    assert told[0] == "  0 s after the start, sample 0: becomes active; the replay does not switch."
    assert told[-1] == "  8 more with --json."
    assert len(place_lines(edges[:12], recording)) == 12


@pytest.mark.parametrize(
    ("groups", "quiet", "told"),
    [
        (1, 1, "1 group had an excess gain below 1.5: a warning. Nothing was lost after it."),
        (2, 2, "2 groups had an excess gain below 1.5: a warning. Nothing was lost after these groups."),
        (4, 1, "4 groups had an excess gain below 1.5: a warning. Nothing was lost after 1 of these groups."),
        (1, 0, "1 group had an excess gain below 1.5: a warning. Losses followed."),
    ],
)
def test_warnings_before_a_loss_are_told_in_their_number(groups: int, quiet: int, told: str) -> None:
    found = {"warned": 3, "warnings": groups, "for_nothing": quiet, "lead": 0, "factor": 1.5}
    assert margin_alarm(found) == f"3 passes in {told} No warning came before the first loss."


def test_a_table_with_least_widths_fits_and_leaves_nothing_out(capsys: pytest.CaptureFixture[str]) -> None:
    """The library makes such a table wider than asked, and then cuts its lines: heads and values were lost."""
    heads = ("false trips per hour", "extra per pass", "regret per pass", "contamination reserve", "no setting")
    table = plain_table("title", "caption " * 30)
    table.add_column("taught", min_width=21)
    for head in heads:
        table.add_column(head, justify="right", min_width=max(map(len, head.split())))
    for k in range(3):
        table.add_row(f"background-referenced {k}", *(f"{k}.{n}25 [0.0{n}, 1234567]" for n in range(len(heads))))
    show(table)
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= WIDTH
    words = set(told.split())
    assert {word for head in heads for word in head.split()} <= words
    assert {f"{k}.{n}25" for k in range(3) for n in range(len(heads))} <= words
    assert told.count("caption") == 30


@pytest.mark.parametrize("columns", [100, 80, 60, 40, 30])
def test_a_table_keeps_every_word_and_figure_at_every_width(
    columns: int, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, a terminal of 60 columns showed `on-le…` and `0.03…`."""
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    monkeypatch.setenv("NO_COLOR", "1")
    heads = ["taught", "on-level", "false trips per hour", "extra per pass", "regret", "contamination reserve"]
    rows = [
        ["  sweep_passes = 10", "1504.25\n[1484.5, 1512.75]\nsd 7.01", "2180", "0", "0.0126", "none"],
        ["guard-or-window", "831", "1150", "0", "0.0286", "15.6\u00a0%"],
    ]
    table = plain_table("Spread over the draws")
    for head in heads:
        table.add_column(head, justify="right", no_wrap=head == "regret")
    for row in rows:
        table.add_row(*row)
    with screen(columns):
        show(table)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out).splitlines()
    assert all(len(line) <= max(columns, 40) for line in lines), lines
    told = " ".join(" ".join(lines).split())
    assert "…" not in told
    for word in " ".join(heads[columns < 80 :] + rows[0] + rows[1]).split():
        assert word in told, word
    if columns < 80:
        assert "guard-or-window on-level: 831 false trips per hour: 1150" in told


def test_a_command_wider_than_the_screen_keeps_the_spaces_before_it() -> None:
    """The first of the commands that `demo` ends with stood further left than the others."""
    with screen(60):
        (line,) = wrapped("  teachlab import log.csv --rate 2000 --column light --unit counts --out line.parquet")
    assert line.startswith("  teachlab import")

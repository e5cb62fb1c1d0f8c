"""Logs as other programs write them, one of every kind, written from one and the same line.

A belt of tubs: the light rises from about 100 to about 900 while a tub passes; eight tubs in 2,000 rows. Every kind
says what it must become: rate, samples, passes; or what the refusal must name.
"""

from __future__ import annotations

import bz2
import datetime
import gzip
import json
import lzma
import re
import wave
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.feather as feather
import pyarrow.parquet as pq
from scipy.io import savemat, wavfile

ROWS, TUBS = 2000, 8
START = 100 + 230 * np.arange(TUBS)
END = START + 90
SEEN = np.zeros(ROWS, bool)
for _a, _b in zip(START, END, strict=True):
    SEEN[_a:_b] = True
LIGHT = np.where(SEEN, 900, 100) + np.arange(ROWS) % 7
EPOCH_S = 1_772_344_800  # 2026-03-01 06:00:00 UTC
BERLIN = datetime.timezone(datetime.timedelta(hours=1))


@dataclass(frozen=True)
class Made:
    """One log: how it is written, how it is imported, and what must come of it."""

    name: str
    write: Callable[[Path], None]
    options: dict[str, Any] = field(default_factory=dict)
    rate: float | None = 2000.0
    unit: str = "mV"
    light: Any = None
    passes: bool = False
    begins: str | None = None
    refused: str | None = None
    tables: dict[str, str] = field(default_factory=dict)
    note: str | None = None
    needs: str | None = None


KINDS: list[Made] = []


def kind(name: str, content: str | bytes | Callable[[Path], None], **facts: Any) -> None:
    """Add a kind of log; a table of passes stands under its name in `tables`."""

    def write(path: Path) -> None:
        if callable(content):
            content(path)
        else:
            path.write_bytes(content if isinstance(content, bytes) else content.encode())

    light = facts.pop("light", LIGHT)
    KINDS.append(Made(name, write, light=light, **facts))


def rows(*columns: Any, delimiter: str = ",", head: str | None = None, end: str = "\n") -> str:
    """Return a table as text."""
    lines = [] if head is None else [head]
    lines += [delimiter.join(map(str, row)) for row in zip(*columns, strict=True)]
    return end.join(lines) + end


def stamps(rate: float, *, count: int = ROWS, form: str = "%Y-%m-%dT%H:%M:%S.%f", shift_s: float = 0.0) -> list[str]:
    """Return dates of a uniform clock in UTC."""
    begin = datetime.datetime.fromtimestamp(EPOCH_S, datetime.UTC).replace(tzinfo=None)
    return [(begin + datetime.timedelta(seconds=shift_s + k / rate)).strftime(form) for k in range(count)]


def table(*columns: Any, head: str = "start,end") -> str:
    return rows(*columns, head=head)


def timed(times: Any, light: Any = LIGHT, *, delimiter: str = ",", end: str = "\n") -> str:
    """Return the light beside its times."""
    return rows(times, light, delimiter=delimiter, head=f"time{delimiter}light", end=end)


def one_is(word: str) -> list[Any]:
    """Return the light with a word in the place of one sample."""
    return [word if k == 5 else x for k, x in enumerate(LIGHT)]


def passes_at(written: Callable[..., Any], *more: str) -> dict[str, str]:
    """Return the table of the passes, with their borders as they are written."""
    return {"passes": table(written(START, *more), written(END, *more))}


def parquet(columns: dict[str, Any]) -> Callable[[Path], None]:
    return lambda path: pq.write_table(pa.table(columns), path)


def _dates(at: Any, zone: str = "") -> list[str]:
    every = stamps(2000)
    return [every[k] + zone for k in at]


def _american(at: Any) -> list[str]:
    """As written in New York, which lies five hours behind UTC on that day."""
    every = stamps(2000, form="%m/%d/%Y %I:%M:%S.%f %p", shift_s=-5 * 3600)
    return [every[k] for k in at]


def _epochs(at: Any) -> list[str]:
    return [f"{EPOCH_S + k / 2000:.4f}" for k in at]


def _tenths(at: Any) -> list[str]:
    return [f"{k * 3 // 2 * 0.1:.1f}" for k in at.tolist()]


K = np.arange(ROWS)
S = [f"{k / 2000:.4f}" for k in K]
LABEL = np.where(SEEN, "tub", "")
ONE_MISSING = np.ma.masked_array(LIGHT, K == 5)

# --- text: what divides it, what stands above it ---------------------------------------------------
kind("comma.csv", timed(S))
kind("semicolon.csv", timed(S, delimiter=";"))
kind("tab.tsv", timed(S, delimiter="\t"))
kind("pipe.txt", timed(S, delimiter="|"))
kind("blanks.dat", timed(S, delimiter="    "))
kind(
    "blanks_in_front.dat",
    "".join(f"  {s}   {x}\n" for s, x in zip(S, LIGHT, strict=True)),
    options={"column": "2", "time": "1"},
)
kind("no_header.csv", rows(S, LIGHT), options={"column": "2", "time": "1"})
kind("carriage_returns.csv", timed(S, end="\r\n"))
kind("old_mac.csv", timed(S, end="\r"))
kind("decimal_comma.csv", timed([s.replace(".", ",") for s in S], delimiter=";"))
kind("line_ends_of_line_ends.csv", timed(S, end="\r\r\n"))
kind("line_ends_of_line_ends_alone.csv", rows(LIGHT, head="light", end="\r\r\n"), options={"rate_hz": 2000.0})
kind("marks_above_that_end_no_line.csv", "# stopped \x85 2 \x0c pages\n" + timed(S), note=None)
kind(
    "dots_of_another_encoding_above.csv",
    "Site: hall 2 \u2026\n".encode("cp1252") + timed(S).encode(),
    options={"encoding": "latin-1"},
    note="1 line above",
)
kind(
    "marks_among_rows.csv",
    rows(S[:9], LIGHT[:9], ["a\x85b"] * 9, head="time,light,x")
    + "# paused\n"
    + rows(S[9:], LIGHT[9:], ["a\x0cb"] * (ROWS - 9)),
    options={"column": "light"},
)
kind(
    "zero_bytes_at_the_end.csv",
    timed(S[:99], LIGHT[:99]) + "\0" * 64,
    refused="ends in 64 zero bytes, as after a power cut. Cut them off",
)
kind("byte_order_mark.csv", "\ufeff" + timed(S))
kind("utf_16.csv", timed(S, delimiter="\t").encode("utf-16"))
kind("latin_1.csv", rows(S, LIGHT, head="Zeit in µs?,light").encode("latin-1"), refused="--encoding latin-1")
kind("units_row.csv", rows(K / 2, LIGHT, head="time,light\nms,mV"), options={"unit_given": False}, note="row of units")
kind(
    "bracketed_units_row.csv",
    rows(K / 2, LIGHT, delimiter=";", head="t;light\n[ms];[mV]"),
    options={"time": "t", "unit_given": False},
)
kind("units_in_names.csv", rows(K / 2, LIGHT, head="time [ms],light [mV]"), options={"unit_given": False})
kind("units_row_contradicts.csv", rows(K / 2, LIGHT, head="time,light\nms,V"), note="--unit says 'mV'")
kind("comments_above.csv", "# Tub line 4\n# 2026-03-01\n" + timed(S))
kind("percent_comments.csv", "% Tub line 4\n" + timed(S))
kind("names_in_a_comment.txt", rows(S, LIGHT, delimiter=" ", head="# time light"))
kind(
    "names_and_units_in_comments.txt",
    rows(K / 2, LIGHT, delimiter=" ", head="# time light\n# ms mV"),
    options={"unit_given": False},
)
kind("metadata_above.csv", "Site: hall 2\nChannel: 4\nRate: 2000 Hz\n\n" + timed(S), note="3 lines above")
kind("metadata_pairs_above.csv", "Site,hall 2\nOperator,M\n" + timed(S))
kind("metadata_and_units.csv", "Site: hall 2\n" + rows(K / 2, LIGHT, head="time,light\nms,mV"), note="row of units")
kind(
    "comment_among_rows.csv",
    timed(S[:900], LIGHT[:900]) + "# paused? no\n" + rows(S[900:], LIGHT[900:]),
    note="1 comment line",
)
kind(
    "divider_at_the_end.csv", rows(S, LIGHT, [""] * ROWS, delimiter=";", head="time;light"), options={"column": "light"}
)
kind("quoted.csv", rows([f'"{s}"' for s in S], [f'"{x}"' for x in LIGHT], head='"time","light"'))
kind("plus_signs.csv", timed(S, [f"+{x}" for x in LIGHT]))
kind("packed.csv.gz", gzip.compress(timed(S).encode()))
kind("packed_without_its_ending.csv", gzip.compress(timed(S).encode()))
kind("packed.csv.bz2", bz2.compress(timed(S).encode()))
kind("own_word_for_none.csv", timed(S, one_is("---")), options={"missing": ("---",)}, light=ONE_MISSING)
kind(
    "word_for_none_not_told.csv",
    timed(S, one_is("---")),
    refused=r"column 'light', row 5 \(line 7\): a number is needed, got '---'",
)
kind("short_row.csv", timed(S[:9], LIGHT[:9]) + "0.0045\n", refused=r"row 9 \(line 11\): every row must have the 2")
kind("end_line.csv", timed(S) + "END OF LOG\n", refused=r"row 2000 \(line 2002\).*'END OF LOG'.*take")
kind(
    "header_again.csv",
    timed(S[:50], LIGHT[:50]) + timed(S[50:], LIGHT[50:]),
    refused=r"row 50 \(line 52\): a number is needed, got '(light|time)'",
)
kind(
    "rate_in_a_line_above.csv",
    "Sample rate: 2000 Hz\n" + rows(LIGHT, K % 3, head="light,x"),
    refused="The log may say it: 'Sample rate: 2000 Hz'",
)

kind(
    "names_beside_empty_cells.csv",
    "Site,hall 2,,\n" + rows(S, LIGHT, [""] * ROWS, [""] * ROWS, head="time,light,,"),
    options={"column": "light"},
)
kind(
    "brackets_that_may_be_no_unit.csv",
    rows(S, LIGHT, head="time,light (filtered)"),
    options={"unit_given": False},
    unit="filtered",
    note="unit of column 'light .filtered.' is taken as 'filtered'",
)

kind(
    "words_above_columns_of_blanks.txt",
    "Logger: 4\nKey value pair x y\nChannel,1,2\nChannel,1,2\n" + timed(S, one_is("NA"), delimiter="  "),
    light=ONE_MISSING,
)

# --- numbers: thousands, blanks, what stands for none ----------------------------------------------------
COUNTS = 2 * LIGHT
_pointed = [f"{x:,}".replace(",", ".") for x in COUNTS]
_comma_s = [s.replace(".", ",") for s in S]
kind("thousands_by_points.csv", timed(S, _pointed, delimiter=";"), refused="fraction or thousands")
kind(
    "thousands_by_points_beside_commas.csv",
    timed(_comma_s, [f"{x + 20000:,}".replace(",", ".") for x in LIGHT], delimiter=";"),
    refused=r"row 0 \(line 2\): '20.100' may be a fraction or thousands, and a comma is before",
)
kind(
    "thousands_by_points_stated_comma.csv",
    timed(_comma_s, _pointed, delimiter=";"),
    options={"decimal": ","},
    refused="may be a fraction or thousands",
)
kind(
    "fractions_of_three_places.csv",
    timed(S, [f"{x / 1000 + 1:.3f}" for x in LIGHT]),
    light=np.array([float(f"{x / 1000 + 1:.3f}") for x in LIGHT]),
)
kind(
    "fractions_or_thousands_stated.csv",
    timed(S, _pointed, delimiter=";"),
    options={"decimal": "."},
    light=np.array([float(x) for x in _pointed]),
)
kind("thousands_in_quotes.csv", timed(S, [f'"{x:,}"' for x in COUNTS]), refused="or thousands .take")
kind(
    "thousands_by_blanks.csv",
    timed(S, [f"{x:,}".replace(",", "\u00a0") for x in COUNTS]),
    refused="without marks between thousands",
)
kind("blank_cells.csv", timed(S, one_is("   ")), light=ONE_MISSING)
kind(
    "a_number_for_none_in_another_spelling.csv",
    timed(S, one_is("-999.0")),
    options={"missing": ("-999",)},
    light=ONE_MISSING,
)
kind(
    "a_number_for_none_that_is_a_time.csv",
    rows(K, np.where(K == 5, 0, LIGHT), SEEN.astype(int), head="time_ms,light,seen"),
    options={"missing": ("0",), "truth_column": "seen"},
    rate=1000.0,
    light=ONE_MISSING,
    passes=True,
)
kind(
    "a_number_that_is_too_large.csv",
    timed(S, one_is("9.9E37")),
    light=np.where(K == 5, 9.9e37, LIGHT),
    note="1 sample of column 'light' is infinite or beyond 10.30.*--missing",
)
kind(
    "names_come_again.csv",
    timed(S[:9], LIGHT[:9]) + timed(S[9:], LIGHT[9:]),
    refused=r"row 9 \(line 11\).*names of the columns come again. Take that line out",
)
kind("two_bytes_a_letter.csv", timed(S).encode("utf-16-le"), refused="--encoding utf-16-le")
kind("two_bytes_a_letter_told.csv", timed(S).encode("utf-16-le"), options={"encoding": "utf-16-le"})
kind(
    "aligned_decimal_commas.txt",
    "    time     light\n" + "".join(f"{k / 2000:8.4f}{x:10.1f}\n".replace(".", ",") for k, x in enumerate(LIGHT)),
)
kind(
    "aligned_decimal_commas_beside_whole_numbers.txt",
    "light  time\n" + "".join(f"{x}  {s}\n" for x, s in zip(LIGHT, _comma_s, strict=True)),
)
kind(
    "one_column_of_decimal_commas.txt",
    "".join(f"{x},5\n" for x in LIGHT),
    options={"rate_hz": 2000.0},
    refused="which column is the light.*--decimal comma",
)
kind(
    "word_for_infinity_of_a_compiler.csv",
    timed(S, one_is("1.#INF")),
    refused="got '1.#INF'. If it stands for no value: --missing '1.#INF'",
)
kind(
    "aligned_decimal_commas_before_words.txt",
    "light  time  gate\n" + "".join(f"{x},0  {k}  OFF\n" for k, x in enumerate(LIGHT)),
    options={"time_unit": "ms", "column": "light"},
    rate=1000.0,
)
kind(
    "aligned_decimal_commas_behind_words.txt",
    "light  gate  time\n" + "".join(f"{x}  OFF  {s}\n" for x, s in zip(LIGHT, _comma_s, strict=True)),
    options={"column": "light"},
)
kind(
    "blanks_divide_dates_with_commas.txt",
    timed([s.replace(".", ",") + "Z" for s in stamps(2000)], delimiter="  "),
    begins="2026-03-01T06:00:00Z",
)
kind(
    "blanks_divide_dates_with_commas_and_words.txt",
    rows([s.replace(".", ",") for s in stamps(2000)], LIGHT, ["OFF"] * ROWS, delimiter="  ", head="time  light  gate"),
    options={"column": "light"},
)
kind(
    "blanks_divide_words.txt",
    rows(S, LIGHT, np.where(SEEN, "ON", "OFF"), ["idle"] * ROWS, delimiter=" ", head="time light gate state"),
    options={"column": "light", "truth_column": "gate"},
    passes=True,
)
kind(
    "quotes_after_blanks.csv",
    rows([f'"{s}"' for s in S], [f'"{x}"' for x in LIGHT], delimiter=", ", head='"time", "light"'),
)
kind("words_for_none_after_blanks.csv", timed(S, one_is("NA"), delimiter=", "), light=ONE_MISSING)
kind(
    "named_column_of_decimal_commas.txt",
    "light\n" + "".join(f"{x},5\n" for x in LIGHT),
    options={"rate_hz": 2000.0, "column": "light"},
    refused="no column 'light' .*If a comma is before the fractions: --decimal comma",
)
kind("packed.csv.xz", lzma.compress(timed(S).encode()), refused="packed archive .*Unpack it")

# --- what is not one signal, or no row of it --------------------------------------------------------------
_twice, _belt = np.repeat(K, 2), np.stack([LIGHT, LIGHT // 9], 1).ravel()
_halves = [f"{k / 4000:.6f}" for k in range(2 * ROWS)]
for _name, _times, _of, _head in (
    ("of_one_stamp", [S[k] for k in _twice], ["A", "B"] * ROWS, "sensor"),
    ("in_turn", _halves, ["A", "B"] * ROWS, "tag"),
    ("by_number", _halves, [1, 2] * ROWS, "channel"),
    ("in_stretches", _halves, ["A"] * ROWS + ["B"] * ROWS, "Sensor ID"),
):
    kind(
        f"rows_of_several_sensors_{_name}.csv",
        rows(_times, _of, _belt, head=f"time,{_head},light"),
        refused=rf"column '{_head}', row \d+ .line \d+.: '?[B2]'? after '?[A1]'?: rows of several sensors lie",
    )
kind(
    "rows_of_several_sensors.parquet",
    parquet({"time": np.arange(2 * ROWS) / 4000, "channel": [1, 2] * ROWS, "light": _belt}),
    refused="column 'channel', row 1: 2 after 1: rows of several sensors",
)
kind("one_sensor_named.csv", rows(S, ["A"] * ROWS, LIGHT, head="time,sensor,light"))
kind("an_id_that_counts.csv", rows(S, K, LIGHT, head="time,id,light"))
_numbered = {"rate_hz": 2000.0, "column": "light"}
kind(
    "summary_at_the_end.csv",
    rows(K, LIGHT, head="n,light") + "Min,100\nMax,906\n",
    options=_numbered,
    refused=r"column 'n', row 2000 .line 2002.: 'Min'.* a summary at the end is no sample. Take 2 rows out",
)
kind(
    "summary_at_the_end_of_dates.csv",
    rows(stamps(2000), LIGHT, head="when,light") + "Mean,506\n",
    options={**_numbered, "no_time": True},
    refused=r"column 'when', row 2000 .*'Mean'.* Take 1 row out",
)
kind(
    "comment_with_the_cells_of_a_row.csv",
    rows(K[:9], LIGHT[:9], head="n,light") + "# paused,5\n" + rows(K[9:], LIGHT[9:]),
    options=_numbered,
    refused=r"row 9 .line 11.: '# paused,5' begins as a comment and has the columns of a row. Take it out",
)
kind(
    "faults_of_a_sheet_in_a_column_that_is_not_read.csv",
    rows(np.where(K == 9, "#DIV/0!", K.astype(str)), LIGHT, head="n,light"),
    options=_numbered,
)
kind("words_in_the_first_column.csv", rows(np.where(SEEN, "on", "off"), LIGHT, head="gate,light"), options=_numbered)
kind(
    "light_of_hexadecimal_digits.csv",
    timed(S, np.where(SEEN, "03E8", "0064")),
    refused=r"row 100 .line 102.: '03E8' may be a power of ten or hexadecimal",
)
kind("light_of_powers.csv", timed(S, [f"{x:.6E}" for x in LIGHT]))
_three = [f"{x / 1000 + 1:.3f}" for x in LIGHT]
kind(
    "thousands_or_fractions.csv",
    timed(S, _three, delimiter="\t"),
    light=np.array(list(map(float, _three))),
    note="column 'light' are read as fractions, such as '1.100'; if the point divides thousands",
)
for _code in (65535, -9999, 2147483647, -999.25):
    _coded = [_code if k in (500, 501, 900) else x for k, x in enumerate(LIGHT)]
    kind(
        f"code_{_code}_for_none.csv",
        timed(S, _coded),
        light=np.array(_coded),
        note=rf"3 samples of column 'light' are {_code}; all others lie between 100 and 906. .* --missing={_code}",
    )
_said = "the rate used is 2000 Hz"
kind(
    "another_rate_above_the_times.csv",
    "# Sample rate: 1 kHz\n" + timed(S),
    note=rf"'# Sample rate: 1 kHz', but {_said}",
)
kind(
    "another_rate_above.csv",
    "Interval: 1 ms\n" + rows(LIGHT, head="light"),
    options=_numbered,
    note=f"1 ms', but {_said}",
)
kind("times_without_a_unit.csv", timed(S), note="The times name no unit and are read as s")

# --- times --------------------------------------------------------------------------------------------
kind("epoch_s.csv", timed([f"{EPOCH_S + k / 2000:.4f}" for k in K]), begins="2026-03-01T06:00:00", note="s since 1970")
kind(
    "epoch_ms.csv",
    timed([EPOCH_S * 1000 + 2 * k for k in K]),
    rate=500.0,
    begins="2026-03-01T06:00:00Z",
    note="ms since 1970",
)
kind(
    "epoch_ms_in_a_column_of_s.csv",
    rows([EPOCH_S * 1000 + 2 * k for k in K], LIGHT, head="time_s,light"),
    rate=500.0,
    note="although the column is named as s",
)
kind("epoch_us.csv", timed([EPOCH_S * 10**6 + 500 * k for k in K]), begins="2026-03-01T06:00:00Z", note="us since 1970")
kind(
    "epoch_ns.csv",
    timed([EPOCH_S * 10**9 + 500_000 * k for k in K]),
    begins="2026-03-01T06:00:00Z",
    note="ns since 1970",
)
kind("whole_ms_at_2_khz.csv", rows(K // 2, LIGHT, head="time_ms,light"))
kind("whole_ms_at_3_khz.csv", rows(K // 3, LIGHT, head="time_ms,light"), rate=3000.0)
kind("whole_ms_at_1500_hz.csv", rows((K * 2) // 3, LIGHT, head="time_ms,light"), rate=1500.0)
kind("whole_ms_at_900_hz.csv", rows((K * 10) // 9, LIGHT, head="time_ms,light"), rate=900.0)
kind("epoch_ms_at_2_khz.csv", timed(EPOCH_S * 1000 + K // 2), begins="2026-03-01T06:00:00Z")
_kept = np.delete(K, np.r_[100:160, 900:960, 1500:1560])
kind("whole_ms_with_rows_missing.csv", rows(_kept // 2, LIGHT[_kept], head="time_ms,light"), refused="3 gaps in time")
kind(
    "a_row_twice.csv",
    rows(np.insert(K, 700, 699), np.insert(LIGHT, 700, 1), head="time_ms,light"),
    refused="row 700 .*same time",
)
kind(
    "runs_back.csv",
    rows(np.r_[K[:700], K[:600]], LIGHT[:1300], head="time_ms,light"),
    refused="row 700 .*before the row before",
)
kind("ms_or_s.csv", timed(K / 2), refused="as s they would say 2 Hz, 2000 Hz as ms.*--time-unit")
kind("seconds_or_what.csv", timed(K), refused="unit of the times is not known.*1000 Hz as ms.*--time-unit")
kind("uptime_ns.csv", timed(1_800_000_000_000 + 500_000 * K), refused="2000 Hz as ns")
kind("iso.csv", timed(stamps(2000)), begins="2026-03-01T06:00:00")
kind("iso_blank.csv", timed(stamps(2000, form="%Y-%m-%d %H:%M:%S.%f")))
kind("iso_comma.csv", timed(stamps(2000, form="%Y-%m-%d %H:%M:%S,%f"), delimiter=";"))
kind(
    "iso_zulu.csv", rows([s + "Z" for s in stamps(2000)], LIGHT, head="timestamp,light"), begins="2026-03-01T06:00:00Z"
)
kind("iso_offset.csv", timed([s + "+01:00" for s in stamps(2000)]), begins="2026-03-01T05:00:00Z")
kind("iso_offset_without_colon.csv", timed([s + " +0100" for s in stamps(2000)]), begins="2026-03-01T05:00:00Z")
kind("iso_basic.csv", timed(stamps(2000, form="%Y%m%dT%H%M%S.%f")))
_winter = [s + "+01:00" for s in stamps(2000, shift_s=3600)[:1000]]
_summer = [s + "+02:00" for s in stamps(2000, shift_s=7200)[1000:]]
kind("iso_two_offsets.csv", timed(_winter + _summer), begins="2026-03-01T06:00:00Z")
_mixed = [s + "Z" if k % 2 else s for k, s in enumerate(stamps(2000))]
kind("iso_mixed.csv", timed(_mixed), refused=r"row 1 .*some times name their zone.*--time-zone")
kind("iso_mixed_with_zone.csv", timed(_mixed), options={"time_zone": "UTC"}, begins="2026-03-01T06:00:00Z")
kind("iso_local.csv", timed(stamps(2000)), options={"time_zone": "Europe/Berlin"}, begins="2026-03-01T05:00:00Z")
kind("iso_unknown_zone.csv", timed(stamps(2000)), options={"time_zone": "Hall/Two"}, refused="'Hall/Two' is not known")
_back = [f"2026-10-25T02:{59 * (k < 1000):02d}:{59 * (k < 1000):02d}.{k % 1000:03d}" for k in K]
kind("clocks_go_back.csv", timed(_back), options={"time_zone": "Europe/Berlin"}, rate=1000.0)
kind("clocks_go_back_without_zone.csv", timed(_back), refused="clocks go back.*--time-zone.*--date")
kind("days_first.csv", timed(stamps(2000, form="%d.%m.%Y %H:%M:%S.%f")), begins="2026-03-01T06:00:00")
kind("slashes.csv", timed(stamps(2000, form="%d/%m/%Y %H:%M:%S.%f")), refused="--time-format")
kind(
    "slashes_told.csv",
    timed(stamps(2000, form="%d/%m/%Y %H:%M:%S.%f")),
    options={"time_format": "%d/%m/%Y %H:%M:%S.%f"},
    begins="2026-03-01T06:00:00",
)
kind(
    "date_and_time.csv",
    rows(stamps(2000, form="%Y-%m-%d"), stamps(2000, form="%H:%M:%S.%f"), LIGHT, head="Date,Time,light"),
    begins="2026-03-01T06:00:00",
)
kind("time_of_day.csv", timed(stamps(2000, form="%H:%M:%S.%f")))
kind("past_midnight.csv", timed(stamps(2000, form="%H:%M:%S.%f", shift_s=18 * 3600 - 0.5)), note="midnight")
kind("no_such_day.csv", timed(["2026-02-30T06:00:00", *stamps(2000)[1:]]), refused=r"row 0 .*got '2026-02-30")

kind(
    "days_of_a_sheet.csv",
    timed([f"{46082.25 + k / 2000 / 86400:.12f}" for k in K]),
    refused="unit of the times is not known.* Hz as d. Name it: --time-unit",
)
kind(
    "days_of_a_sheet_told.csv",
    timed([f"{46082.25 + k / 2000 / 86400:.12f}" for k in K]),
    options={"time_unit": "d"},
    begins="2026-03-01T06:00:00",
)
# Counted from other days than 1970: 2026-03-01 06:00 is day 740,042.25 of MATLAB.
_MATLAB, _AT_S = [f"{740_042.25 + k / 2000 / 86400:.12f}" for k in K], EPOCH_S
_FILE_TIME, _TICKS = ((_AT_S + 86400 * days) * 10**7 + 5000 * K for days in (134_774, 719_162))
_SINCE_1904 = [f"{_AT_S + 2_082_844_800 + k / 2000:.4f}" for k in K]
kind(
    "days_of_matlab.csv",
    timed(_MATLAB),
    begins="2026-03-01T06:00:00",
    note="d since year 0, as MATLAB counts them, by their size: the first is 2026-03-01 06:00:00 .state it with",
)
kind(
    "days_of_matlab_named.csv",
    rows(_MATLAB, LIGHT, head="datenum,light"),
    options={"time_zone": "Europe/Berlin"},
    begins="2026-03-01T05:00:00",
)
kind(
    "days_of_matlab_at_50_hz.csv",
    timed([f"{740_042.25 + k / 50 / 86400:.12f}" for k in K]),
    refused="unit of the times is not known.* 50 Hz as d. Name it: --time-unit",
)
kind(
    "days_of_matlab_at_50_hz_told.csv",
    timed([f"{740_042.25 + k / 50 / 86400:.12f}" for k in K]),
    options={"time_unit": "d"},
    rate=50.0,
    begins="2026-03-01T06:00:00",
)
kind(
    "days_of_matlab_with_passes.csv",
    timed(_MATLAB),
    options={"passes_in": "time"},
    tables={"passes": table([_MATLAB[k] for k in START], [_MATLAB[k] for k in END])},
    passes=True,
)
kind(
    "ticks_since_1601.csv",
    timed(_FILE_TIME),
    begins="2026-03-01T06:00:00Z",
    note="100ns since 1601, by their size: the first is 2026-03-01 06:00:00 UTC .state it with --time-unit 100ns",
)
kind(
    "ticks_since_year_1.csv",
    rows(_TICKS, LIGHT, head="ticks,light"),
    begins="2026-03-01T06:00:00",
    note="100ns since year 1",
)
kind(
    "ticks_as_fractions.parquet", parquet({"time": _TICKS.astype(float), "light": LIGHT}), begins="2026-03-01T06:00:00"
)
for _name, _counts in (("1601", _FILE_TIME), ("year 1", _TICKS)):
    kind(
        f"ticks_since_{_name[:4]}_named_ns.csv",
        rows(_counts, LIGHT, head="time_ns,light"),
        refused=f"years as ns, .* as 100 ns since {_name}. Say which: .*--time-unit 100ns or ns",
    )
    kind(
        f"ticks_since_{_name[:4]}_named_100ns.csv",
        rows(_counts, LIGHT, head="time_100ns,light"),
        begins="2026-03-01T06:00:00",
    )
kind("ticks_of_no_known_day.csv", timed(12_345 + 5000 * K), options={"time_unit": "100ns"}, begins="")
kind(
    "ticks_with_passes_since_1970.csv",
    timed(_FILE_TIME),
    options={"passes_in": "time"},
    tables=passes_at(_epochs),
    passes=True,
)
kind("seconds_since_1904.csv", timed(_SINCE_1904), begins="2026-03-01T06:00:00Z", note="1904")
kind(
    "seconds_since_1904_with_passes.csv",
    timed(_SINCE_1904),
    options={"passes_in": "time"},
    tables={"passes": table([_SINCE_1904[k] for k in START], [_SINCE_1904[k] for k in END])},
    passes=True,
)
kind("a_counter_of_us_after_an_hour.csv", rows(3_600_000_000 + 500 * K, LIGHT, head="time_us,light"), begins="")
for _unit, _places, _rate in ((1, 3, 1500.0), (1, 3, 2000.0), (1, 3, 900.0), (1, 6, 1.5e6), (86400, 8, 1500.0)):
    # A float64 of such a size is off by more than a tick of 1 ns; what is written is not.
    _first = EPOCH_S if _unit == 1 else 740_042.25
    _ticks = [f"{_first + int(k / _rate / _unit * 10**_places + 1e-9) / 10**_places:.{_places}f}" for k in K.tolist()]
    kind(
        f"ticks_of_{_places}_places_at_{_rate:.0f}_hz_in_{_unit}_s.csv",
        timed(_ticks),
        options={"time_unit": "s" if _unit == 1 else "d"},
        rate=_rate,
        begins="2026-03-01T06:00:00",
    )
kind("some_hours_of_seconds.csv", timed([f"{12_345 + k / 15000:.6f}" for k in K]), rate=15000.0)
kind(
    "julian_days.csv",
    timed([f"{2_461_100.75 + k / 2000 / 86400:.10f}" for k in K]),
    refused=r"they would say 1[67]\d+ Hz, [12]\d{3}.* Hz as d. Name it: --time-unit",
)
for _form, _hint in (
    ("%d-%b-%Y %H:%M:%S.%f", "%d-%b-%Y %H:%M:%S.%f"),
    ("%d.%m.%y %H:%M:%S.%f", "%d.%m.%y %H:%M:%S.%f"),
    ("%I:%M:%S.%f %p", "%I:%M:%S.%f %p"),
    ("%Y-%m-%dT%H:%M:%S:%f", "%Y-%m-%dT%H:%M:%S:%f"),
    ("%a %Y-%m-%d %H:%M:%S.%f", "%a %Y-%m-%d %H:%M:%S.%f"),
    ("%Y%m%d_%H%M%S.%f", "%Y%m%d_%H%M%S.%f"),
    ("%Y%m%d%H%M%S.%f", "%Y%m%d%H%M%S.%f"),
):
    _name = re.sub(r"\W+", "_", _form)
    _dated = "%d" in _form
    kind(f"written{_name}.csv", timed(stamps(2000, form=_form)), refused=re.escape(f"--time-format '{_hint}'"))
    kind(
        f"written{_name}_told.csv",
        timed(stamps(2000, form=_form)),
        options={"time_format": _form},
        begins="2026-03-01T06:00:00" if _dated else "",
    )
kind(
    "digits_that_a_format_divides.csv",
    timed(stamps(2000, form="%H%M%S.%f", shift_s=59.5)),
    options={"time_format": "%H%M%S.%f"},
)
_forward = stamps(2000, shift_s=28 * 86400 - 4 * 3600 - 0.5)[:1000] + stamps(2000, shift_s=28 * 86400 - 3 * 3600)[:1000]
kind(
    "clocks_go_forward.csv",
    timed(_forward),
    refused="Did clocks go forward an hour there. Then name their zone: --time-zone",
)
kind(
    "clocks_go_forward_told.csv",
    timed(_forward),
    options={"time_zone": "Europe/Berlin"},
    begins="2026-03-29T00:59:59.5",
)
kind(
    "an_hour_that_clocks_skipped.csv",
    timed(stamps(2000, shift_s=28 * 86400 - 4 * 3600 - 0.5)),
    options={"time_zone": "Europe/Berlin"},
    refused=r"row 1000 \(line 1002\): clocks in Europe/Berlin skipped the hour in which 2026-03-29 02:00:00 lies",
)
_slower = np.where(K < 1000, K / 2000, 0.5 + (K - 1000) / 1900)
kind(
    "rate_that_changes_in_a_short_log.csv",
    timed([f"{s:.6f}" for s in _slower]),
    refused="the rate changes within the log: 2000 Hz",
)
kind(
    "blocks_of_late_stamps.csv",
    timed([f"{k // 100 * 0.05 + k // 100 % 3 * 0.004:.3f}" for k in K]),
    refused="no two rows are one period apart.*--rate with --no-time",
)
for _name in ("Elapsed Time (s)", "X_Value", "seconds", "run time"):
    kind(f"times_named_{re.sub('[^a-z]', '_', _name.lower())}.csv", rows(S, LIGHT, head=f"{_name},light"))
kind("times_named_micros.csv", rows(500 * K, LIGHT, head="micros,light"), note="read as us")
_to_the_second = [f"{k // 1200:02d}:{k // 20 % 60:02d}" for k in K]
for _form, _rate in (("", 0.0), ("%M:%S", 20.0), ("%H:%M", 0.333)):
    kind(
        f"hours_or_minutes_{_form[1:2]}.csv",
        timed(_to_the_second),
        options={"time_format": _form or None},
        rate=_rate,
        refused=None if _form else "'00:00' may be hours and minutes, or minutes and seconds. Say which: --time-format",
    )
for _form, _says in (("%d/%m/%Y %H:%M:%S.%f %p", "Write %I for %H"), ("%d/%m/%Y %I:%M:%S.%f", "without AM or PM")):
    kind(
        f"half_a_day_{_form[9:11]}.csv",
        timed(stamps(2000, form=_form, shift_s=9 * 3600)),
        options={"time_format": _form},
        refused=_says,
    )
kind("half_ms.csv", rows(K / 2, LIGHT, head="Time (msec),light"))
kind("half_ms_capital.csv", rows(K / 2, LIGHT, head="timeMs,light"))
kind("half_ms_in_a_row_of_units.csv", rows(K / 2, LIGHT, head="time,light\nmillis,mV"), note="row of units")
kind("ticks.csv", rows(K / 4, LIGHT, head="time [ticks],light"), refused="unit of the times, 'ticks', is not known")
_minutes = stamps(2000, form="%M:%S.%f", shift_s=3599.5)
kind("minutes_and_seconds.csv", timed(_minutes), refused="--time-format '%M:%S.%f'")
kind(
    "minutes_and_seconds_told.csv",
    timed(_minutes),
    options={"time_format": "%M:%S.%f"},
    begins="",
    note="past the full hour",
)
kind(
    "american_date_and_time.csv",
    rows(stamps(2000, form="%m/%d/%Y"), stamps(2000, form="%H:%M:%S.%f"), LIGHT, head="Date,Time,light"),
    options={"time_format": "%m/%d/%Y %H:%M:%S.%f"},
    begins="2026-03-01T06:00:00",
)
kind(
    "blanks_divide_date_and_time.txt",
    rows(stamps(2000, form="%Y-%m-%d"), stamps(2000, form="%H:%M:%S.%f"), LIGHT, delimiter=" ", head="date time light"),
    begins="2026-03-01T06:00:00",
)
kind(
    "begins_in_the_hour_that_comes_twice.csv",
    timed([f"2026-10-25T02:30:{k / 2000:07.4f}" for k in K]),
    options={"time_zone": "Europe/Berlin"},
    begins="2026-10-25T00:30:00Z",
    note="begins in the hour that comes twice",
)

kind("ten_us_at_48_khz.csv", timed([f"{k / 48000:.5f}" for k in K]), rate=48000.0)
kind(
    "ten_us_at_48_khz_with_rows_missing.csv",
    timed([f"{k / 48000:.5f}" for k in _kept], LIGHT[_kept]),
    options={"fill_gaps": True},
    rate=48000.0,
    light=np.ma.masked_array(LIGHT, ~np.isin(K, _kept)),
)

# --- passes ----------------------------------------------------------------------------------------
kind(
    "flag.csv", rows(S, LIGHT, SEEN.astype(int), head="time,light,seen"), options={"truth_column": "seen"}, passes=True
)
kind("label.csv", rows(S, LIGHT, LABEL, head="time,light,what"), options={"truth_column": "what"}, passes=True)
kind(
    "second_signal.csv",
    rows(S, LIGHT, np.where(SEEN, 23.1, 0.4) + K % 5 / 20, head="time,light,eye"),
    options={"truth_column": "eye", "truth_kind": "level"},
    passes=True,
)
kind(
    "second_signal_dips.csv",
    rows(S, LIGHT, np.where(SEEN, 0.4, 23.1) + K % 5 / 20, head="time,light,eye"),
    options={"truth_column": "eye", "truth_level": 12.0},
    passes=True,
)
kind(
    "second_signal_without_levels.csv",
    rows(S, LIGHT, K % 100 / 9, head="time,light,eye"),
    options={"truth_column": "eye", "truth_kind": "level"},
    refused="column 'eye'.*two levels",
)
kind(
    "iso_events.csv",
    timed(EPOCH_S * 10**6 + 500 * K),
    passes=True,
    options={"passes_in": "time"},
    tables=passes_at(_dates, "Z"),
)
kind(
    "american_events_for_iso.csv",
    timed([s + "Z" for s in stamps(2000)]),
    passes=True,
    options={"passes_in": "time", "time_format": "%m/%d/%Y %I:%M:%S.%f %p", "time_zone": "America/New_York"},
    tables=passes_at(_american),
)
kind(
    "epoch_events_for_iso.csv",
    timed([s + "Z" for s in stamps(2000)]),
    passes=True,
    options={"passes_in": "time"},
    tables=passes_at(_epochs),
)
for _name, _stamps in (
    ("epoch_s", [f"{EPOCH_S + k / 2000:.4f}" for k in K]),
    ("epoch_us", EPOCH_S * 10**6 + 500 * K),
):
    kind(
        f"american_events_for_{_name}.csv",
        timed(_stamps),
        passes=True,
        options={"passes_in": "time", "time_format": "%m/%d/%Y %I:%M:%S.%f %p", "time_zone": "America/New_York"},
        tables=passes_at(_american),
    )
kind(
    "digits_that_a_format_divides.parquet",
    parquet({"time": [int(s[:-3]) for s in stamps(1000, form="%Y%m%d%H%M%S%f")], "light": LIGHT}),
    options={"time_format": "%Y%m%d%H%M%S%f"},
    rate=1000.0,
    begins="2026-03-01T06:00:00",
)
kind(
    "events_without_zone.csv",
    timed(EPOCH_S * 10**6 + 500 * K),
    refused="zone of the times in the table",
    options={"passes_in": "time"},
    tables=passes_at(_dates),
)
kind(
    "dated_events_for_seconds.csv",
    timed(S),
    refused="cannot be compared",
    options={"passes_in": "time"},
    tables=passes_at(_dates),
)
kind(
    "instants.csv",
    timed(S),
    passes=True,
    options={"passes_in": "s", "pass_ms": 45.0, "pass_start": "t"},
    tables={"passes": rows([f"{(a + 45) / 2000:.4f}" for a in START], head="t")},
)
kind(
    "millimetres.csv",
    rows(S, LIGHT, K * 3 // 2, head="time,light,encoder"),
    passes=True,
    options={"passes_in": "mm", "encoder_column": "encoder", "encoder_mm": 0.1},
    note="The line ran at 0.3 m/s .median over its way., 0.3 to 0.3 m/s for nine tenths of the time",
    tables=passes_at(_tenths),
)
kind(
    "encoder_rolls_over.csv",
    rows(S, LIGHT, (65_000 + 2 * K) % 65_536, head="time,light,encoder"),
    passes=True,
    options={"passes_in": "mm", "encoder_column": "encoder", "encoder_mm": 0.5},
    tables={"passes": table(32_500 + START, 32_500 + END)},
)

kind(
    "on_and_off.csv",
    rows(S, LIGHT, np.where(SEEN, "ON", "OFF"), head="time,light,gate"),
    options={"truth_column": "gate"},
    passes=True,
)
kind(
    "a_voltage_is_no_label.csv",
    rows(S, LIGHT, np.where(SEEN, 5.01, 0.02), head="time,light,gate"),
    options={"truth_column": "gate"},
    refused=r"row 0 .*not whole, got '0.02'.*--truth-kind level",
)
kind(
    "counter_rolls_over.csv",
    rows((500 * K + 2**32 - 300_000) % 2**32, LIGHT, head="time_us,light"),
    note="rolled over at 32 bits",
)
kind("whole_seconds.csv", timed([s[:19] for s in stamps(200)]), rate=200.0)
kind("hundredths.csv", timed([f"{k / 2000:.2f}" for k in K]))
kind("named_zone.csv", timed([s + " UTC" for s in stamps(2000)]), begins="2026-03-01T06:00:00Z")
kind("short_hours.csv", timed([f"0:00:{k / 2000:09.6f}" for k in K]))
kind("morning_and_afternoon.csv", timed(stamps(2000, form="%I:%M:%S.%f %p")), refused="--time-format")
kind("blank_lines_at_the_end.csv", timed(S) + "   \n\n  \n")
kind("divider_told_in_the_first_line.csv", "sep=;\n" + timed(S, delimiter=";"))
kind("row_names_in_front.csv", rows(K, S, LIGHT, head=",time,light"))
kind(
    "nothing_named.csv",
    rows([s + "Z" for s in stamps(2000)], LIGHT, head="ts,value"),
    begins="2026-03-01T06:00:00Z",
    note="holds the times",
)

kind("dates_for_samples.csv", timed(S), refused="column 'start', row 0.*--passes-in time", tables=passes_at(_dates))
kind(
    "epoch_events_for_seconds.csv",
    timed(S),
    refused="cannot be compared",
    options={"passes_in": "time"},
    tables=passes_at(_epochs),
)

kind(
    "decimal_comma_flag.csv",
    rows(_comma_s, LIGHT, [f"{x},0" for x in SEEN.astype(int)], delimiter=";", head="time;light;seen"),
    options={"truth_column": "seen"},
    passes=True,
)
kind(
    "flag_that_is_low.csv",
    rows(S, LIGHT, 1 - SEEN, head="time,light,seen"),
    options={"truth_column": "seen", "truth_kind": "level"},
    passes=True,
)
kind(
    "word_for_none.parquet",
    parquet({"time": K / 2000, "light": LIGHT, "what": np.where(SEEN, "tub", "empty")}),
    options={"truth_column": "what", "missing": ("empty",)},
    passes=True,
)

# --- other formats ---------------------------------------------------------------------------------
_plain = pa.table({"time": K / 2000, "light": LIGHT.astype(np.uint16)})
kind("log.parquet", lambda path: pq.write_table(_plain, path))
kind("a_table_named_text.csv", lambda path: pq.write_table(_plain, path))
kind("log.feather", lambda path: feather.write_feather(_plain, path))
kind(
    "stamped.parquet",
    parquet({"time": pa.array(EPOCH_S * 10**6 + 500 * K, pa.timestamp("us", "UTC")), "light": LIGHT}),
    begins="2026-03-01T06:00:00Z",
)
kind("log.wav", lambda path: wavfile.write(path, 2000, LIGHT.astype(np.int16)))
kind("log.mat", lambda path: savemat(path, {"light": LIGHT.astype(np.int16), "time": K / 2000}))
kind("text_named_parquet.parquet", timed(S), refused="not a readable Parquet file.*name of what it is")
kind(
    "index_without_a_name.parquet",
    parquet({"light": LIGHT, "__index_level_0__": pa.array(EPOCH_S * 10**6 + 500 * K, pa.timestamp("us"))}),
    begins="2026-03-01T06:00:00",
    note="__index_level_0__",
)
kind(
    "times_of_day_past_midnight.parquet",
    parquet({"time": pa.array((86_399_500_000 + 500 * K) % 86_400_000_000, pa.time64("us")), "light": LIGHT}),
    note="midnight",
)
kind(
    "lying.mat",
    lambda path: savemat(path, {"data": np.vstack([K / 2000, LIGHT])}),
    options={"time": "data:1", "column": "data:2"},
)
kind(
    "struct.mat", lambda path: savemat(path, {"log": {"light": LIGHT}}), refused="Save light and times as variables of"
)
kind("log.npy", lambda path: np.save(path, LIGHT), refused="NumPy array, which is not read")
kind("log.json", json.dumps({"light": LIGHT.tolist()}), refused="JSON document, which is not read")
kind("empty.csv", "", refused="there are no rows")
kind(
    "own_number_for_none.parquet",
    parquet({"time": K / 2000, "light": np.where(K == 5, -999, LIGHT)}),
    options={"missing": ("-999",)},
    light=ONE_MISSING,
)
kind(
    "decimal_comma_in_text.parquet",
    parquet({"time": K / 2000, "light": [f"{x},5" for x in LIGHT]}),
    options={"decimal": ","},
    light=LIGHT + 0.5,
)
kind(
    "skip_in_no_text.parquet",
    lambda path: pq.write_table(_plain, path),
    options={"skip": 3},
    refused="--skip is for text, and this is parquet. Leave it out",
)
kind("sheet_of_text.csv", timed(S), options={"sheet": "A"}, refused="--sheet is for a workbook")


def _wav_24(path: Path) -> None:
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(3)
        out.setframerate(2000)
        out.writeframes(b"".join((int(x) - 500).to_bytes(3, "little", signed=True) for x in LIGHT))


kind("of_24_bits.wav", _wav_24, light=LIGHT - 500)


def _zip(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("log.csv", timed(S))


kind("log.zip", _zip, refused="ZIP archive, which is not read. Unpack it")


def _hdf5(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as out:
        group = out.create_group("run1")
        data = group.create_dataset("light", data=LIGHT.astype(np.uint16))
        data.attrs["units"] = "mV"
        group.create_dataset("time", data=K / 2000)
        group.create_dataset("both", data=np.column_stack([LIGHT, LIGHT]).T)


kind("log.h5", _hdf5, options={"unit_given": False}, needs="h5py")
kind("h5_named_dat.dat", _hdf5, options={"column": "both:2"}, needs="h5py")


def _hdf5_scaled(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as out:
        data = out.create_dataset("light", data=np.where(K == 5, -1, LIGHT).astype(np.int16))
        data.attrs.update({"units": "mV", "scale_factor": 0.5, "add_offset": 10.0, "_FillValue": np.int16(-1)})
        out.create_dataset("time", data=K / 2000)


kind(
    "scaled.h5",
    _hdf5_scaled,
    options={"unit_given": False},
    light=np.ma.masked_array(LIGHT * 0.5 + 10, K == 5),
    note="'light' is read as its attributes say: times 0.5, plus 10; -1 is no value",
    needs="h5py",
)


def _hdf5_since(units: str) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import h5py

        with h5py.File(path, "w") as out:
            out.create_dataset("light", data=LIGHT)
            out.create_dataset("time", data=1000 + K / 2).attrs["units"] = units

    return write


for _units, _begins in (
    ("milliseconds since 2026-03-01 05:59:59", "2026-03-01T06:00:00Z"),
    ("ms since 2026-03-01T06:59:59+01:00", "2026-03-01T06:00:00Z"),
    ("ms since 2026-03-01", "2026-03-01T00:00:01Z"),
    ("ms", ""),
):
    kind(f"{re.sub('[^a-z0-9]', '_', _units)}.h5", _hdf5_since(_units), begins=_begins, note="as ms", needs="h5py")
kind("since_when.h5", _hdf5_since("ms since power on"), refused="'ms since power on', is not known", needs="h5py")


def _hdf5_short(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as out:
        out.create_dataset("light", data=LIGHT)
        out.create_dataset("time", data=K[:-1] / 2000)


kind("times_too_few.h5", _hdf5_short, refused="times_too_few.h5: the columns .*differ in length: 1,999", needs="h5py")


def _mat_73(path: Path) -> None:
    import h5py

    with h5py.File(path, "w", userblock_size=512) as out:
        out.create_dataset("light", data=LIGHT.astype(float).reshape(1, -1))
        out.create_dataset("time", data=(K / 2000).reshape(1, -1))
    with path.open("r+b") as out:
        out.write(b"MATLAB 7.3 MAT-file".ljust(124) + b"\x00\x02IM")


kind("new.mat", _mat_73, needs="h5py")


def _tdms(path: Path) -> None:
    import nptdms

    about = {"wf_increment": 1 / 2000, "unit_string": "mV", "wf_start_offset": 0.0}
    with nptdms.TdmsWriter(path) as out:
        out.write_segment([nptdms.ChannelObject("Line", "light", LIGHT.astype(np.int16), about)])


kind("log.tdms", _tdms, options={"unit_given": False}, needs="nptdms")


def _tdms_of(*channels: tuple[str, float, str]) -> Callable[[Path], None]:
    """Return a writer of groups with one channel each: name, step in s, and when it began."""

    def write(path: Path) -> None:
        import nptdms

        objects = []
        for name, step, begin in channels:
            about = {"wf_increment": step, "wf_start_time": np.datetime64(begin), "unit_string": "mV"}
            light = LIGHT if name == "light" else SEEN.astype(np.int16)
            objects.append(nptdms.ChannelObject(f"group {name}", name, light.astype(np.int16), about))
        with nptdms.TdmsWriter(path) as out:
            out.write_segment(objects)

    return write


_AT, _LATER = "2026-03-01T06:00:00", "2026-03-01T06:00:00.5"
kind(
    "groups_of_two_rates.tdms",
    _tdms_of(("light", 1 / 2000, _AT), ("slow", 0.1, _AT)),
    options={"unit_given": False, "column": "light"},
    needs="nptdms",
)
kind(
    "column_of_another_rate.tdms",
    _tdms_of(("light", 1 / 2000, _AT), ("slow", 0.1, _AT)),
    options={"column": "light", "truth_column": "slow"},
    refused="the columns chosen have 10 and 2000 Hz. Choose columns of one rate",
    needs="nptdms",
)
kind(
    "column_that_began_later.tdms",
    _tdms_of(("light", 1 / 2000, _AT), ("seen", 1 / 2000, _LATER)),
    options={"column": "light", "truth_column": "seen"},
    refused="began at different times: 'light' at 2026-03-01T06:00:00.0+, 'seen' at .*00.5",
    needs="nptdms",
)
kind(
    "flag_of_another_group.tdms",
    _tdms_of(("light", 1 / 2000, _AT), ("seen", 1 / 2000, _AT)),
    options={"column": "light", "truth_column": "seen"},
    passes=True,
    needs="nptdms",
)


for _begin, _begins in ((_AT, "2026-03-01T06:00:00Z"), ("1904-01-01", "")):
    kind(
        f"began_{_begin[:4]}.tdms",
        _tdms_of(("light", 1 / 2000, _begin)),
        options={"column": "light"},
        begins=_begins,
        needs="nptdms",
    )
kind(
    "dated_passes.tdms",
    _tdms_of(("light", 1 / 2000, _AT)),
    options={"column": "light", "passes_in": "time"},
    tables=passes_at(_dates, "Z"),
    passes=True,
    needs="nptdms",
)
kind(
    "passes_of_no_date.tdms",
    _tdms_of(("light", 1 / 2000, _AT)),
    options={"column": "light", "passes_in": "time"},
    tables={"passes": table(START / 2000, END / 2000)},
    refused="cannot be compared: the log's are dates, the table's count from an unknown begin.*--passes-in s",
    needs="nptdms",
)


def _mdf(path: Path) -> None:
    import asammdf

    with asammdf.MDF(version="4.10") as out:
        out.append(
            [
                asammdf.Signal(LIGHT.astype(np.int16), K / 2000, name="light", unit="mV"),
                asammdf.Signal(SEEN.astype(np.uint8), K / 2000, name="seen"),
            ]
        )
        out.save(path, overwrite=True)


kind("log.mf4", _mdf, options={"unit_given": False, "truth_column": "seen"}, passes=True, needs="asammdf")


def _mdf_of(version: str, start: datetime.datetime | None, late_s: float) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import asammdf

        with asammdf.MDF(version=version) as out:
            if start is None:
                out.header.abs_time = 0
            else:
                out.header.start_time = start
            out.append([asammdf.Signal(LIGHT.astype(np.int16), late_s + K / 2000, name="light", unit="mV")])
            out.save(path, overwrite=True)

    return write


_HALF = datetime.datetime(2026, 3, 1, 6, 0, 0, 500_000)
for _name, _version, _start, _begins, _options in (
    ("utc.mf4", "4.10", _HALF.replace(tzinfo=datetime.UTC), "2026-03-01T06:00:01.75Z", {}),
    ("with_a_zone.mf4", "4.10", _HALF.replace(tzinfo=BERLIN), "2026-03-01T05:00:01.75Z", {}),
    ("local.mf4", "4.10", _HALF, "2026-03-01T06:00:01.75", {}),
    ("local_told.mf4", "4.10", _HALF, "2026-03-01T05:00:01.75Z", {"time_zone": "Europe/Berlin"}),
    ("never_set.mf4", "4.10", None, "", {}),
    ("old.mdf", "3.30", _HALF.replace(tzinfo=BERLIN), "2026-03-01T06:00:01.75", {}),
    ("times_left_out.mf4", "4.10", _HALF, "", {"no_time": True, "rate_hz": 2000.0}),
):
    kind(
        f"began_{_name}",
        _mdf_of(_version, _start, 1.25),
        options={"column": "light", **_options},
        begins=_begins,
        needs="asammdf",
    )
kind("unit_of_an_old_file.mdf", _mdf_of("3.30", _HALF, 0.0), options={"unit_given": False}, needs="asammdf")
kind(
    "dated_passes.mf4",
    _mdf_of("4.10", _HALF.replace(second=0, microsecond=0, tzinfo=datetime.UTC), 0.0),
    options={"passes_in": "time"},
    tables=passes_at(_dates, "Z"),
    passes=True,
    needs="asammdf",
)


def _mdf_invalid(path: Path) -> None:
    import asammdf

    with asammdf.MDF(version="4.10") as out:
        light = asammdf.Signal(LIGHT.astype(np.int16), K / 2000, name="light", unit="mV", invalidation_bits=K == 5)
        out.append([light])
        out.save(path, overwrite=True)


kind("samples_marked_invalid.mf4", _mdf_invalid, options={"unit_given": False}, light=ONE_MISSING, needs="asammdf")
kind(
    "samples_marked_invalid_without_times.mf4",
    _mdf_invalid,
    options={"no_time": True, "rate_hz": 2000.0, "column": "light"},
    light=ONE_MISSING,
    needs="asammdf",
)


def _workbook(path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Tub line 4"])
    sheet.append(["time", "light", "seen"])
    sheet.append(["ms", "mV", ""])
    for k in K.tolist():
        sheet.append([k / 2, int(LIGHT[k]), bool(SEEN[k])])
    book.create_sheet("Notes").append(["nothing"])
    book.save(path)


kind(
    "log.xlsx",
    _workbook,
    options={"unit_given": False, "truth_column": "seen"},
    passes=True,
    note="first of 2 sheets",
    needs="openpyxl",
)
kind(
    "no_such_sheet.xlsx",
    _workbook,
    options={"sheet": "Data"},
    refused="no sheet 'Data'; the sheets are: 'Sheet', 'Notes'",
    needs="openpyxl",
)


def _hdf5_told(path: Path) -> None:
    import h5py

    with h5py.File(path, "w") as out:
        out.attrs["sample_rate"] = 1000.0
        out.create_dataset("light", data=LIGHT).attrs.update({"slope": 0.5, "valid_min": 0})


kind(
    "attributes_that_are_not_applied.h5",
    _hdf5_told,
    options={"rate_hz": 2000.0},
    note="'light' is read without its attributes slope = 0.5, valid_min = 0",
    needs="h5py",
)
kind(
    "rate_in_an_attribute.h5",
    _hdf5_told,
    options={"rate_hz": 2000.0},
    note="'sample_rate = 1000.0', but the rate used is 2000 Hz",
    needs="h5py",
)
kind(
    "rate_in_a_variable.mat",
    lambda path: savemat(path, {"light": LIGHT, "Fs": 2000.0}),
    refused="rate is not known.* The log may say it: 'Fs = 2000'",
)


def _since_1904(path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    book.active.append(["time", "light"])
    for k in K.tolist():
        book.active.append([datetime.datetime(2026, 3, 1, 6) + datetime.timedelta(milliseconds=10 * k), int(LIGHT[k])])
    book.save(path)


kind(
    "days_since_1904.xlsx",
    _since_1904,
    rate=100.0,
    begins="2026-03-01T06:00:00",
    note="counts days from 1904: cells that show a date are right, but times that are plain numbers",
    needs="openpyxl",
)
kind("damaged.h5", b"\x89HDF\r\n\x1a\n" + bytes(200), refused="not a readable HDF5 file", needs="h5py")
kind("damaged.tdms", b"TDSm" + bytes(range(200)), refused="not a readable TDMS file|no channel", needs="nptdms")
kind("damaged.mf4", b"MDF     4.10    " + bytes(200), refused="not a readable MDF file|no channel", needs="asammdf")
kind("damaged.xlsx", b"PK\x03\x04" + bytes(200), refused="damaged ZIP archive")


# ---- Several sensors: in groups, or one below the other --------------------------------------------------------------
_TURNS = K % 2


def _two_groups(path: Path) -> None:
    import asammdf

    with asammdf.MDF(version="4.10") as out:
        for light in (LIGHT, LIGHT[::-1]):
            out.append([asammdf.Signal(light.astype(np.int16), K / 2000, name="light", unit="mV")])
        out.save(path, overwrite=True)


def _turns_mdf(path: Path) -> None:
    import asammdf

    with asammdf.MDF(version="4.10") as out:
        columns = {"light": LIGHT.astype(np.int16), "channel": _TURNS.astype(np.uint8)}
        out.append([asammdf.Signal(cells, K / 2000, name=name, unit="mV") for name, cells in columns.items()])
        out.save(path, overwrite=True)


def _turns_tdms(path: Path) -> None:
    import nptdms

    with nptdms.TdmsWriter(path) as out:
        about = {"wf_increment": 1 / 2000, "unit_string": "mV"}
        out.write_segment(
            [
                nptdms.ChannelObject("Line", "light", LIGHT.astype(np.int16), about),
                nptdms.ChannelObject("Line", "sensor", _TURNS.astype(np.int16)),
            ]
        )


def _turns_hdf5(*, compound: bool) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import h5py

        with h5py.File(path, "w") as out:
            if compound:
                rows_ = np.empty(ROWS, [("light", "i2"), ("sensor", "S2")])
                rows_["light"], rows_["sensor"] = LIGHT, np.where(_TURNS, b"A", b"B")
                out["rows"] = rows_
            else:
                out["line/light"], out["line/sensor"] = LIGHT.astype("i2"), np.where(_TURNS, b"A", b"B")

    return write


_SEVERAL = "rows of several sensors lie one below the other"
for _name, _write, _needs in (
    ("turns.mf4", _turns_mdf, "asammdf"), ("turns.tdms", _turns_tdms, "nptdms"),
    ("turns.h5", _turns_hdf5(compound=False), "h5py"), ("turns_of_structures.h5", _turns_hdf5(compound=True), "h5py"),
):  # fmt: skip
    kind(_name, _write, options={"column": "light", "rate_hz": 2000.0}, refused=_SEVERAL, needs=_needs)
kind(
    "turns.mat",
    lambda path: savemat(path, {"light": LIGHT, "channel": _TURNS}),
    options={"rate_hz": 2000.0, "column": "light"},
    refused=_SEVERAL,
)
kind(
    "two_groups.mf4", _two_groups, refused="which column is the light.*'light#0', 'time#1', 'light#1'", needs="asammdf"
)
kind("one_of_two_groups.mf4", _two_groups, options={"column": "light#0"}, needs="asammdf")


# ---- Files of measurement systems that are cut, damaged, or whose numbers stand for others ---------------------------
def _tdms_segments(path: Path, change: Callable[[bytearray], bytes | bytearray]) -> None:
    import nptdms

    about = {"wf_increment": 1 / 2000, "unit_string": "mV"}
    with nptdms.TdmsWriter(path) as out:
        for part in np.split(LIGHT.astype(np.int16), 4):
            out.write_segment([nptdms.ChannelObject("Line", "light", part, about)])
    path.write_bytes(change(bytearray(path.read_bytes())))


def _open_end(whole: bytearray) -> bytearray:
    at = whole.rindex(b"TDSm")
    whole[at + 12 : at + 20] = b"\xff" * 8
    return whole


for _name, _change, _facts in (
    ("whole.tdms", lambda whole: whole, {"options": {"unit_given": False}}),
    ("not_closed.tdms", _open_end, {"note": "did not close this file"}),
    ("cut.tdms", lambda whole: whole[:-40], {"refused": "cut short: its last segment goes to byte"}),
    ("cut_in_a_head.tdms", lambda whole: whole[: whole.rindex(b"TDSm") + 9], {"refused": "cut short"}),
    ("lost_bytes.tdms", lambda whole: whole[:900] + whole[910:], {"refused": "no segment begins at byte"}),
):  # fmt: skip
    kind(_name, lambda path, change=_change: _tdms_segments(path, change), needs="nptdms", **_facts)


def _tdms_about(*objects: tuple[str, Any, dict[str, Any]]) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import nptdms

        with nptdms.TdmsWriter(path) as out:
            out.write_segment([nptdms.ChannelObject("Line", *told) for told in objects])

    return write


_LIGHT16 = LIGHT.astype(np.int16)
kind(
    "gain_of_a_channel.tdms",
    _tdms_about(("light", _LIGHT16, {"wf_increment": 1 / 2000, "Gain": 0.5})),
    note="'light' is read without its attributes Gain = 0.5",
    needs="nptdms",
)
kind(
    "two_rates_told.tdms",
    _tdms_about(("light", _LIGHT16, {"wf_increment": 1 / 1000}), ("time", K / 2000, {"unit_string": "s"})),
    note="The log says '1000 Hz', but the rate used is 2000 Hz",
    needs="nptdms",
)
kind(
    "date_beyond.tdms",
    _tdms_about(("light", _LIGHT16, {"wf_increment": 1 / 2000, "wf_start_time": np.datetime64("9000-01-01")})),
    refused="a date of the first sample outside the years 1678 to 2262. Correct it, or say --no-time",
    needs="nptdms",
)
kind(
    "step_of_nothing.tdms",
    _tdms_about(("light", _LIGHT16, {"wf_increment": 1e-225})),
    refused="header says 1e.225 Hz, more than the 1,000,000,000 Hz that a log may have",
    needs="nptdms",
)


def _mdf_damaged(path: Path) -> None:
    import asammdf

    with asammdf.MDF(version="4.10") as out:
        out.append([asammdf.Signal(_LIGHT16, K / 2000, name="light", unit="mV")])
        out.save(path, overwrite=True, compression=1)
    whole = bytearray(path.read_bytes())
    whole[whole.index(b"##DZ") + 400] ^= 1
    path.write_bytes(whole)


def _mdf_by_angle(path: Path) -> None:
    import asammdf

    with asammdf.MDF(version="4.10") as out:
        out.append([asammdf.Signal(_LIGHT16, K / 2.0, name="light", unit="mV", master_metadata=("angle", 2))])
        out.save(path, overwrite=True)


kind("packed_block_damaged.mf4", _mdf_damaged, refused="cannot be decoded: .*copy it again", needs="asammdf")
kind("by_angle.mf4", _mdf_by_angle, refused="rate is not known. Give --rate HZ", needs="asammdf")
kind("by_angle_with_rate.mf4", _mdf_by_angle, options={"rate_hz": 2000.0}, needs="asammdf")


def _hdf5_attributes(*, compound: bool, **about: Any) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import h5py

        with h5py.File(path, "w") as out:
            light = np.where(K == 5, -1, np.where(K == 6, -2, LIGHT)).astype(np.int16)
            if compound:
                both = np.empty(ROWS, [("light", "i2"), ("time", "f8")])
                both["light"], both["time"] = LIGHT, K / 2000
                out["rows"] = both
            else:
                out["light"], out["time"] = light, K / 2000
            out["rows" if compound else "light"].attrs.update(about)

    return write


kind(
    "two_numbers_for_none.h5",
    _hdf5_attributes(compound=False, _FillValue=np.int16(-1), missing_value=np.int16(-2)),
    light=np.ma.masked_array(LIGHT, (K == 5) | (K == 6)),
    note="'light' is read as its attributes say: -2 is no value; -1 is no value",
    needs="h5py",
)
kind(
    "scaled_structures.h5",
    _hdf5_attributes(compound=True, scale_factor=0.5, add_offset=10.0),
    note="'rows' is read without its attributes add_offset = 10.0, scale_factor = 0.5",
    needs="h5py",
)


# ---- Cells of sheets that are shown in percent -----------------------------------------------------------------------
_SHARES = [round(x / 1000, 3) for x in LIGHT.tolist()]
_SHOWN = "Column 2 has 2,000 cells that are shown in percent, the first in row 2 of the sheet, and read as shown"


def _percent_xlsx(form: str, *, places: bool = True) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        import openpyxl

        book = openpyxl.Workbook()
        book.active.append(["an unused sheet"])
        sheet = book.create_sheet("line 1")
        sheet.append(["time_s", "light", "raw"])
        for k, share in enumerate(_SHARES, 2):
            sheet.append([K[k - 2] / 2000, share, share])
            sheet.cell(k, 2).number_format = form
            sheet.cell(k, 3).number_format = '0.0"%"'
        book.save(path)
        if not places:
            with zipfile.ZipFile(path) as whole:
                parts = {name: whole.read(name) for name in whole.namelist()}
            with zipfile.ZipFile(path, "w") as out:
                for name, part in parts.items():
                    out.writestr(name, re.sub(rb"(<(?:row|c)) r=\"\w+\"", rb"\1", part) if "sheets/" in name else part)

    return write


def _percent_ods(path: Path) -> None:
    def cell(value: float, kind_: str = "float", times: int = 1) -> str:
        many = f' table:number-columns-repeated="{times}"' if times > 1 else ""
        return f'<table:table-cell office:value-type="{kind_}" office:value="{value!r}"{many}/>'

    def word(text: str) -> str:
        return f'<table:table-cell office:value-type="string"><text:p>{text}</text:p></table:table-cell>'

    lines = [f"<table:table-row>{word('time_s')}{word('light')}{word('raw')}</table:table-row>"]
    lines += [
        f"<table:table-row>{cell(k / 2000)}{cell(x, 'percentage')}{cell(x)}</table:table-row>"
        for k, x in zip(K.tolist(), _SHARES, strict=True)
    ]
    spaces = " ".join(
        f'xmlns:{name}="urn:oasis:names:tc:opendocument:xmlns:{name}:1.0"' for name in ("office", "table", "text")
    )
    body = f'<table:table table:name="line 1">{"".join(lines)}</table:table>'
    content = f"<office:document-content {spaces}><office:body><office:spreadsheet>{body}"
    content += "</office:spreadsheet></office:body></office:document-content>"
    with zipfile.ZipFile(path, "w") as out:
        out.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        out.writestr("META-INF/manifest.xml", f"<manifest:manifest {spaces.replace('office', 'manifest')}/>")
        out.writestr("content.xml", content)


for _name, _form in (
    ("percent.xlsx", "0.0%"), ("percent_built_in.xlsx", "0.00%"), ("percent_red.xlsx", "0%;[Red]-0%"),
    ("percent_without_places.xlsx", "0.0%"),
):  # fmt: skip
    kind(
        _name, _percent_xlsx(_form, places="without" not in _name), options={"sheet": "line 1", "column": "light"},
        light=LIGHT / 10, note=_SHOWN, needs="openpyxl",
    )  # fmt: skip
kind(
    "quoted_percent.xlsx",
    _percent_xlsx('0.0"%"'),
    options={"sheet": "line 1", "column": "light"},
    light=LIGHT / 1000,
    needs="openpyxl",
)
kind("percent.ods", _percent_ods, options={"column": "light"}, light=LIGHT / 10, note=_SHOWN, needs="python_calamine")
kind("percent_beside.ods", _percent_ods, options={"column": "raw"}, light=LIGHT / 1000, needs="python_calamine")


# ---- A column that counts the rows -----------------------------------------------------------------------------------
def _counted(numbers: Any, name: str = "Index", light: Any = LIGHT) -> str:
    return rows(numbers, light, head=f"{name},light")


kind("counted.csv", _counted(K), options={"rate_hz": 2000.0})
kind("counted_in_16_bits.csv", _counted((K + 65000) % 65536, "scan no."), options={"rate_hz": 2000.0})
kind("counted_with_a_total.csv", _counted(K) + "Total,5\n", options={"rate_hz": 2000.0}, refused="summary at the end")
kind("products_by_number.csv", _counted(np.cumsum(SEEN & ~np.roll(SEEN, 1)), "no"), options={"rate_hz": 2000.0})
for _name, _numbers, _note in (
    (
        "rows_missing.csv",
        np.where(K < 500, K, np.where(K < 893, K + 7, K + 8)),
        "breaks off at 2 places.* skips 8 rows",
    ),
    ("a_number_twice.csv", np.where(K < 700, K, K - 1), "breaks off at 1 place.* skips 0 rows"),
    ("began_again.csv", [f"{k % 1500 + 1:>6}" for k in K.tolist()], "row 1500 .*breaks off at 1 place"),
):
    kind(_name, _counted(_numbers), options={"rate_hz": 2000.0}, note=_note)
kind(
    "names_again_beside_a_sensor.csv",
    rows(["S1"] * 900, K[:900] / 2000, LIGHT[:900], head="sensor,time,light") * 2,
    options={"rate_hz": 2000.0},
    refused="got 'light': the names of the columns come again",
)


def _mdf_outside(version: str, mark: bytes, place: int, flip: int = 64) -> Callable[[Path], None]:
    """Write a file whose channels lie outside of their rows: readers that believe it end with their process."""

    def write(path: Path) -> None:
        _mdf_of(version, None, 0.0)(path)
        whole = bytearray(path.read_bytes())
        for at in (found.start() for found in re.finditer(mark, bytes(whole))):
            whole[at + place] ^= flip
        path.write_bytes(whole)

    return write


for _name, _write in (
    ("outside_its_row.mf4", _mdf_outside("4.10", b"##CN", 93)),
    ("outside_its_row.mdf", _mdf_outside("3.30", b"CN\xe4\0", 187)),
    ("marks_outside_its_row.mf4", _mdf_outside("4.10", b"##CN", 100, 2)),
):
    kind(_name, _write, refused="not a readable MDF file: a channel reaches to bit", needs="asammdf")

"""Rows of a study on disk: one Parquet file per recording, written when its piece is complete.

``OUT/rows/recording_id=<16 digits>/rows.parquet``: any reader of partitioned Parquet reads ``OUT/rows`` as one table.
The bytes depend on what the study asks and finds, not on the order in which pieces are completed, and not on how often
the run was killed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from teachlab.data.addresses import check_writable, divided, found_at, is_address, joined, remove_at
from teachlab.data.atomic_files import only_writer, tidy, write_aside
from teachlab.data.parquet_source import open_parquet
from teachlab.errors import InputError
from teachlab.evidence.identity import json_digest
from teachlab.model.draws import MEASURES
from teachlab.studies.family.study_grid import COUNTED, STATISTICS, PieceRows, Row, StudiedLine, StudyGrid

ROWS, FILE, PART = "rows", "rows.parquet", "recording_id="
AT_WORK = ".teachlab.working"
"""In the folder of the rows while a run writes there, and after one that was ended from outside or by a strategy."""
_TEXT, _COUNT, _NUMBER, _FLAG = pa.string(), pa.int64(), pa.float64(), pa.bool_()
_BEFORE = {"recording": _TEXT, "path": _TEXT}
_ASKED = {"base": _TEXT, "seed": _COUNT, "condition": _TEXT}
_FOUND: dict[str, pa.DataType] = {
    **dict.fromkeys(MEASURES, _NUMBER),
    "draws": _COUNT, "taught": _COUNT, "abstained": _COUNT, "failed": _COUNT, "reason": _TEXT,
    "claim_passes": _COUNT, "claim_lost": _COUNT, "claim_false": _COUNT, "usable": _FLAG, "ranking_cost": _NUMBER,
    "chosen_cost": _NUMBER, "chosen_p95": _NUMBER, "room": _NUMBER, "lag_ms": _NUMBER,
    "teach_passes": _COUNT, "scored_passes": _COUNT,
    **{f"{name}{end}": _NUMBER for name in MEASURES for end in STATISTICS if end},
    "unit": _TEXT, "synthetic": _FLAG, "lot_source": _TEXT, "named_lots": _COUNT, "draw": _COUNT, "setting": _TEXT,
    "open": pa.list_(pa.struct([("condition", _TEXT), ("text", _TEXT)])), "judged": _TEXT,
    "draw_costs": pa.list_(_NUMBER),
    "lots": pa.list_(pa.struct([("lot", _TEXT), *((name, _COUNT) for name in COUNTED)])),
    "parameters": _TEXT, "key": _TEXT,
}  # fmt: skip
"""In the order in which they are read: the measures first, the keys last."""
NESTED = ("open", "judged", "draw_costs", "lots")
"""Columns that hold several values; a flat frame has none of them."""


class RowTable:
    """The columns of a study: fixed ones, one per parameter, one per fact.

    `parameters`: a parameter with the name of another column gets ``parameter_`` before its name.
    """

    def __init__(self, grid: StudyGrid, lines: Iterable[StudiedLine]) -> None:
        fixed = {**_BEFORE, "strategy": _TEXT, **_ASKED, **_FOUND}
        self.facts = tuple(dict.fromkeys(name for line in lines for name in line.facts))
        if taken := [name for name in self.facts if name in {*fixed, PART[:-1], ""}]:
            raise InputError(
                f"a column of facts cannot be called '{taken[0]}': the study has one of that name. Rename it."
            )
        values: dict[str, list[Any]] = {}
        for one in grid.configurations:
            for name, value in one.parameters.items():
                values.setdefault(name, []).append(value)
        taken_names = {*fixed, *self.facts}
        self.parameters = {}
        for name in values:
            column = name
            while column in taken_names:
                column = f"parameter_{column}"
            self.parameters[name] = column
        self.schema = pa.schema(
            {
                **_BEFORE,
                **dict.fromkeys(self.facts, _TEXT),
                "strategy": _TEXT,
                **{self.parameters[name]: _kind(found) for name, found in values.items()},
                **_ASKED,
                **_FOUND,
            }
        )

    def of(self, line: StudiedLine, rows: Sequence[Row]) -> pa.Table:
        """Return rows of one recording as a table; what a row does not say is null."""
        table = []
        for row in rows:
            given = row["parameters"] or {}
            whole = {
                **row, **{f: line.facts.get(f) for f in self.facts}, "recording": line.name, "path": line.path,
                "parameters": json.dumps(given, sort_keys=True) if row["parameters"] is not None else None,
            }  # fmt: skip
            for name, column in self.parameters.items():
                whole[column] = _held(given.get(name), self.schema.field(column).type)
            table.append(whole)
        return pa.Table.from_pylist(table, schema=self.schema)


def _kind(values: Sequence[Any]) -> pa.DataType:
    kinds = {type(value) for value in values if value is not None}
    if kinds <= {bool}:
        return _FLAG
    if kinds <= {int}:
        return _COUNT if all(value is None or -(2**63) <= value < 2**63 for value in values) else _TEXT
    return _NUMBER if kinds <= {int, float} else _TEXT


def _held(value: Any, kind: pa.DataType) -> Any:
    if value is None or not pa.types.is_string(kind):
        return float(value) if value is not None and pa.types.is_floating(kind) else value
    return value if isinstance(value, str) else json.dumps(value)


def fault_row(line: StudiedLine, fault: str) -> tuple[str, Row]:
    """Return the one row of a recording that could not be studied, and its key."""
    key = json_digest(["fault", line.path])
    return key[:16], {"key": key, "strategy": None, "parameters": None, "reason": fault}


def within(folder: str, name: str) -> str:
    """Return a path inside a folder, or inside a folder of addresses."""
    return joined(folder, name) if is_address(folder) else os.path.join(folder, name)


class RowStore:
    """The rows of a study in a folder or object store, or in memory alone.

    `folder`: path or address.
    `lines`: in the order of the study.
    `retry`: whether rows with draws that failed are to be worked again.
    `closed`: whether nothing is written, because nothing can be: what is kept there is only read.
    """

    def __init__(
        self, folder: str | None, table: RowTable, lines: Sequence[StudiedLine], *, retry: bool = False
    ) -> None:
        self.folder, self.retry = folder, retry
        self.closed = self._wrote = False
        self.table, self.lines = table, lines
        self._tables: dict[int, pa.Table] = {}
        self._members: dict[str, list[int]] = {}

    @contextmanager
    def writing(self) -> Iterator[bool]:
        """Make the folder, or refuse it, before any work; no other run writes into it in this block.

        In an object store nothing keeps a second run out. Yields whether the process of the last run was ended.
        """
        if self.folder is None or is_address(self.folder):
            if self.folder is not None:
                check_writable(self.folder)
            yield False
            return
        try:
            Path(self.folder, ROWS).mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            why = "it is a file" if Path(self.folder).is_file() else str(fault.strerror)
            raise InputError(f"cannot write to '{self.folder}': {why}. Give the name of a folder.") from None
        mark = Path(self.folder, ROWS, AT_WORK)
        self.closed = not all(os.access(one, os.W_OK | os.X_OK) for one in (self.folder, mark.parent))
        with only_writer(mark.parent, "a study"):
            ended = mark.exists()
            with suppress(OSError):
                mark.touch()
            try:
                yield ended
            finally:
                with suppress(OSError):
                    mark.unlink()

    @contextmanager
    def changing(self, *, needed: bool = False) -> Iterator[None]:
        """Write in this block; a store that takes nothing is closed, unless that loses what this run has found.

        Only writing shows whether an object store takes anything.
        """
        try:
            yield
        except InputError:
            if needed or self._wrote or self.folder is None or not is_address(self.folder):
                raise
            self.closed = True
        else:
            self._wrote = True

    def known(self) -> Mapping[str, frozenset[str]]:
        """Return the keys of the kept rows by the name of the recording; under "" those of files that were renamed."""
        rows: list[Row] = []
        for place in self._kept():
            with suppress(InputError):
                rows += _read(place, ["key", "recording", "path", "strategy", "failed"]).to_pylist()
        # What could not be studied is tried again.
        rows = [row for row in rows if row["strategy"] is not None and not (self.retry and row["failed"])]
        there, kept = {line.path for line in self.lines}, {row["path"] for row in rows}
        moved = {line.name for line in self.lines if line.path not in kept}
        out: dict[str, set[str]] = {}
        for row in rows:
            name = row["recording"] if row["path"] in there or row["recording"] in moved else ""
            out.setdefault(name, set()).add(row["key"])
        return {name: frozenset(keys) for name, keys in out.items()}

    @property
    def kept(self) -> int:
        """How many pieces of this run are committed."""
        return len(self._tables)

    def commit(self, number: int, found: PieceRows) -> None:
        """Keep the result of a piece: on disk from now on."""
        line = self.lines[number]
        if found.fault:
            identity, row = fault_row(line, found.fault)
            rows = [row]
        else:
            identity = found.recording_id
            before = self._before(identity, set(found.keys) - set(found.rows))
            rows = [found.rows.get(key) or before[key] for key in found.keys]
        self._tables[number] = self.table.of(line, rows)
        members = self._members.setdefault(identity, [])
        # Copies of one recording share a file; its order is that of the study.
        members.append(number)
        members.sort()
        if self.folder is None or self.closed:
            return
        place = self._place(identity)
        whole = pa.concat_tables([self._tables[k] for k in members]).combine_chunks()
        if (kept := _same_table(place, whole.schema)) is not None and kept.equals(whole):
            return
        if not is_address(place):
            Path(place).parent.mkdir(parents=True, exist_ok=True)
        with self.changing(needed=bool(found.rows)), write_aside(place) as aside:
            pq.write_table(whole, aside, compression="zstd", version="2.6", write_page_checksum=True)

    def finish(self) -> pa.Table:
        """Remove rows of recordings that are not in the study; return all rows in its order."""
        if self.folder is None or self.closed:
            pass
        elif is_address(self.folder):
            for place in self._kept():
                if not self.closed and divided(place)[0].split("/")[-2].removeprefix(PART) not in self._members:
                    with self.changing():
                        remove_at(place)
        else:
            # Also what a killed run has left in a folder into which nothing was written since.
            for folder in Path(self.folder, ROWS).glob(f"{PART}*/"):
                tidy(folder)
                if folder.name.removeprefix(PART) not in self._members:
                    (folder / FILE).unlink(missing_ok=True)
                    with suppress(OSError):
                        folder.rmdir()
        return pa.concat_tables([self._tables[k] for k in sorted(self._tables)])

    def _place(self, identity: str) -> str:
        return within(self.folder or "", f"{ROWS}/{PART}{identity}/{FILE}")

    def _before(self, identity: str, keys: set[str]) -> dict[str, Row]:
        if not keys or self.folder is None:
            return {}
        rows = _read(self._place(identity)).to_pylist()
        return {row["key"]: row | {"parameters": json.loads(row["parameters"])} for row in rows if row["key"] in keys}

    def _kept(self) -> list[str]:
        if self.folder is None:
            return []
        if is_address(self.folder):
            return found_at(within(self.folder, f"{ROWS}/{PART}*/{FILE}")) or []
        return sorted(str(p) for p in Path(self.folder, ROWS).glob(f"{PART}*/{FILE}"))


def _read(place: str, columns: list[str] | None = None) -> pa.Table:
    file = open_parquet(place, "rows of a study", InputError)
    try:
        return file.read(columns=columns, use_threads=False)
    except (pa.ArrowException, OSError, KeyError) as fault:
        raise InputError(f"{place}: rows of a study that cannot be read: {fault}. Remove the file.") from None


def _same_table(place: str, schema: pa.Schema) -> pa.Table | None:
    with suppress(InputError):
        found = _read(place)
        return found if found.schema.equals(schema) else None
    return None

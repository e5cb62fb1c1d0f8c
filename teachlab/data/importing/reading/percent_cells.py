"""Which cells of a sheet are shown in percent: the libraries that read workbooks tell their numbers alone."""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Iterable
from typing import Any, TypeVar
from xml.parsers import expat

from teachlab.data.importing.reading.unpacked_size import column_number, repeated

PIECE = 1 << 20
PERCENT_IDS = frozenset({9, 10})
"""Numbers of the formats 0% and 0.00% that every workbook has (ECMA-376, part 1, 18.8.30)."""
QUOTED = re.compile(r'"[^"]*"|\\.|\[[^\]]*\]')
"""Parts of a format in which a percent sign is only a letter."""

Marks = dict[int, bytearray]
"""Of every column, counted from 0, a byte for each row: 1 where the cell is shown in percent."""


def percent_cells(path: str, sheet: str) -> Marks:
    """Return the cells of a sheet that are shown in percent; none for a workbook that is no ZIP archive (.xls)."""
    if not zipfile.is_zipfile(path):
        return {}
    with zipfile.ZipFile(path) as book:
        names = book.namelist()
        if "content.xml" in names:
            return _read(book, "content.xml", _OpenSheet(sheet)).marks
        if not {"xl/workbook.xml", "xl/styles.xml", "xl/_rels/workbook.xml.rels"} <= {*names}:
            return {}
        styles = _read(book, "xl/styles.xml", _Styles()).percent
        head, links = (
            _read(book, "xl/workbook.xml", _Elements()),
            _read(book, "xl/_rels/workbook.xml.rels", _Elements()),
        )
        link = next((one.get("r:id") for name, one in head.found if name == "sheet" and one["name"] == sheet), None)
        part = next((one["Target"] for name, one in links.found if name == "Relationship" and one["Id"] == link), "")
        part = posixpath.normpath(posixpath.join("/xl", part))[1:]
        return _read(book, part, _Sheet(styles)).marks if styles and part in names else {}


Handler = TypeVar("Handler", bound="_Elements")


def _read(book: zipfile.ZipFile, part: str, handler: Handler) -> Handler:
    parser = expat.ParserCreate()
    parser.StartElementHandler = handler.begins
    with book.open(part) as source:
        while piece := source.read(PIECE):
            parser.Parse(piece)
    return handler


class _Elements:
    """The elements of a short part that tell formats and sheets, with their attributes."""

    NAMES = frozenset({"sheet", "Relationship", "numFmt", "cellXfs", "cellStyles", "xf"})

    def __init__(self) -> None:
        self.found: list[tuple[str, dict[str, str]]] = []

    def begins(self, name: str, attributes: dict[str, str]) -> None:
        if (name := name.rpartition(":")[2]) in self.NAMES:
            self.found.append((name, attributes))


class _Styles(_Elements):
    """The styles of cells, by their place in the list, that show percent."""

    @property
    def percent(self) -> set[str]:
        codes = {one["numFmtId"]: one.get("formatCode", "") for name, one in self.found if name == "numFmt"}
        ids = {str(k) for k in PERCENT_IDS} | {k for k, code in codes.items() if "%" in QUOTED.sub("", code)}
        at = [k for k, (name, _) in enumerate(self.found) if name == "cellXfs"]
        styles: list[Any] = []
        for name, one in self.found[at[0] + 1 :] if at else ():
            if name == "cellStyles":
                break
            styles += [one] if name == "xf" else []
        return {str(k) for k, one in enumerate(styles) if one.get("numFmtId") in ids}


class _Marked(_Elements):
    def __init__(self) -> None:
        super().__init__()
        self.marks: Marks = {}

    def _mark(self, rows: Iterable[int], columns: Iterable[int]) -> None:
        for column in columns:
            mark = self.marks.setdefault(column, bytearray())
            for row in rows:
                mark.extend(bytes(max(0, row + 1 - len(mark))))
                mark[row] = 1


class _Sheet(_Marked):
    """A sheet of an Excel workbook; rows and cells may leave out where they are."""

    def __init__(self, styles: set[str]) -> None:
        super().__init__()
        self._styles, self._row, self._column = styles, -1, -1

    def begins(self, name: str, attributes: dict[str, str]) -> None:
        name = name.rpartition(":")[2]
        if name == "row":
            self._row, self._column = int(attributes.get("r", self._row + 2)) - 1, -1
        elif name == "c":
            place = attributes.get("r", "").rstrip("0123456789")
            self._column = column_number(place.encode()) - 1 if place else self._column + 1
            if attributes.get("s") in self._styles and attributes.get("t", "n") == "n":
                self._mark([self._row], [self._column])


class _OpenSheet(_Marked):
    """A sheet of an OpenDocument, which says of a number itself that it is in percent."""

    def __init__(self, sheet: str) -> None:
        super().__init__()
        self._sheet, self._here, self._rows, self._column = sheet, False, range(0), 0

    def begins(self, name: str, attributes: dict[str, str]) -> None:
        name = name.rpartition(":")[2]
        if name == "table":
            self._here, self._rows = attributes.get("table:name") == self._sheet, range(0)
        elif not self._here:
            return
        elif name == "table-row":
            self._rows = range(self._rows.stop, self._rows.stop + repeated(attributes, "rows"))
            self._column = 0
        elif name in ("table-cell", "covered-table-cell"):
            begin, self._column = self._column, self._column + repeated(attributes, "columns")
            if attributes.get("office:value-type") == "percentage":
                self._mark(self._rows, range(begin, self._column))

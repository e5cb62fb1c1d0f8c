"""Strategies × recordings × draws."""

from teachlab.bench.document import bench_document, notes, verdict
from teachlab.bench.figure import bench_figure
from teachlab.bench.files import bench_files, open_pair, write_bench
from teachlab.bench.options import BenchOptions
from teachlab.bench.run import bench_recording
from teachlab.bench.table import (
    interval_table,
    label_table,
    margin_table,
    margins_table,
    ranking_table,
    reason_lines,
    spread_table,
)
from teachlab.bench.why import Extremes, reasons

__all__ = [
    "BenchOptions",
    "Extremes",
    "bench_document",
    "bench_figure",
    "bench_files",
    "bench_recording",
    "interval_table",
    "label_table",
    "margin_table",
    "margins_table",
    "notes",
    "open_pair",
    "ranking_table",
    "reason_lines",
    "reasons",
    "spread_table",
    "verdict",
    "write_bench",
]

"""Strategies × recordings × draws."""

from teachlab.studies.bench_verdict import ranking_lines
from teachlab.studies.document import bench_document, notes
from teachlab.studies.figure import bench_figure
from teachlab.studies.many_recordings import bench_files, write_bench
from teachlab.studies.run import bench_recording
from teachlab.studies.tables import interval_table, label_table, margin_table, ranking_table, reason_lines, spread_table
from teachlab.wording.tables import margins_table

__all__ = [
    "bench_document",
    "bench_figure",
    "bench_files",
    "bench_recording",
    "interval_table",
    "label_table",
    "margin_table",
    "margins_table",
    "notes",
    "ranking_lines",
    "ranking_table",
    "reason_lines",
    "spread_table",
    "write_bench",
]

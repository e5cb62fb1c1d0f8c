"""Logs of other programs in: delimited text, tables, sounds and the formats of measurement systems."""

from teachlab.data.importing.imported import Imported
from teachlab.data.importing.job import import_log, kept_rows
from teachlab.data.importing.request import ImportJob

__all__ = ["ImportJob", "Imported", "import_log", "kept_rows"]

"""Logs of other programs in: delimited text, Parquet, Feather, WAV, MAT."""

from teachlab.data.importing.job import Imported, import_log
from teachlab.data.importing.request import ImportJob

__all__ = ["ImportJob", "Imported", "import_log"]

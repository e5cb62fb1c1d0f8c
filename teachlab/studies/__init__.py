"""Strategies × recordings × draws."""

from teachlab.studies.run import bench_recording

__all__ = ["bench_recording"]

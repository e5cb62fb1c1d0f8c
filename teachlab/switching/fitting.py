"""Whether settings fit recordings, told by the names of their files."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import product

from teachlab.errors import SettingError
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting
from teachlab.sensor.clock import Clock
from teachlab.switching.run import check_unit


@contextmanager
def naming(setting: str | None, recording: str) -> Iterator[None]:
    """Put the names of both files before the message of a setting that does not fit a recording."""
    try:
        yield
    except SettingError as fault:
        if setting is None or setting in str(fault):
            raise
        raise SettingError(f"{setting} on {recording}: {fault}") from None


def refuse_unfit(settings: Iterable[tuple[str | None, Setting]], recordings: Iterable[tuple[str, Recording]]) -> None:
    """Refuse a setting whose unit or rate does not fit a recording, by the names of both files."""
    for (path, setting), (name, recording) in product(settings, recordings):
        with naming(path, name):
            check_unit(recording, setting)
            Clock.of(recording.samples, recording.info.sample_rate_hz, setting.evaluation_rate_hz)

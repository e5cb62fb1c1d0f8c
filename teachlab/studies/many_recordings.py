"""Bench recordings in files, several at a time, and write the results."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from teachlab.data.addresses import stem_of
from teachlab.data.atomic_files import one_result, outdated, write_aside
from teachlab.data.opening import open_pair
from teachlab.data.setting_files import write_setting
from teachlab.device.keyed_in import REFUSED
from teachlab.errors import InputError
from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
from teachlab.model.draws import MEASURES, DrawOptions
from teachlab.model.json_values import json_text
from teachlab.model.recording import Recording
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.surface.count import part_of
from teachlab.questions.verdict.judged_by import FilesJudged, JudgedBy
from teachlab.studies.document import bench_document
from teachlab.studies.family.engines import WorkerEnded, engine_of
from teachlab.studies.figure import bench_figure, unsolved_figure
from teachlab.studies.result import RecordingBench
from teachlab.studies.run import bench_recording
from teachlab.studies.taught_draws import Progress

if TYPE_CHECKING:
    from teachlab.device.device_file import DeviceDocument


def bench_files(
    recordings: Sequence[str],
    strategies: Sequence[Strategy],
    *,
    options: DrawOptions,
    truth: str | None = None,
    by: JudgedBy | None = None,
    out: str | None = None,
    keep: str = "",
    device: DeviceDocument | None = None,
    jobs: int = 0,
    progress: Progress | None = None,
) -> list[RecordingBench]:
    """Bench every recording; several at a time in worker processes, each of which opens its own files.

    `recordings`: paths or URIs.
    `truth`: passes of a single recording.
    `by`: how recommended settings are judged.
    `out`: folder into which `write_bench` will write, for the next step of the verdicts.
    `keep`: the command that writes them, if `out` is not given.
    `device`: device in whose steps all settings are.
    `jobs`: number of recordings at a time; 0 for as many as there are cores.

    The results are in the order of the recordings.
    """
    names = setting_names([stem_of(r) for r in recordings])
    files = [
        FilesJudged(recording=r, truth=truth, setting=None if out is None else str(Path(out) / name), keep=keep)
        for r, name in zip(recordings, names, strict=True)
    ]
    bench = partial(_bench, strategies=strategies, options=options, by=by or JudgedBy(), device=device)
    if len(recordings) == 1 or jobs == 1:
        return [bench(one, progress=part_of(progress, k, len(files))) for k, one in enumerate(files)]
    done: dict[int, RecordingBench] = {}
    for k, found in engine_of(jobs).run(bench, files):
        if isinstance(found, WorkerEnded):
            raise InputError(f"{recordings[k]}: {found.fault}. Use --jobs 1, or fewer draws.")
        done[k] = found
        if progress is not None:
            progress(len(done) / len(recordings))
    return [done[k] for k in range(len(recordings))]


def _bench(
    files: FilesJudged,
    *,
    strategies: Sequence[Strategy],
    options: DrawOptions,
    by: JudgedBy,
    device: DeviceDocument | None,
    progress: Progress | None = None,
) -> RecordingBench:
    opened, passes = open_pair(files.recording, files.truth)
    by = replace(by, files=files)
    return bench_recording(opened, passes, strategies, options=options, by=by, device=device, progress=progress)


def setting_names(recordings: Sequence[str]) -> list[str]:
    """Return the file of the setting for each recording: by its name, or by its number if names repeat."""
    twice = len(set(recordings)) < len(recordings)
    return [f"{number if twice else name}.setting.json" for number, name in enumerate(recordings)]


def write_bench(
    benches: Sequence[RecordingBench],
    folder: str | Path,
    *,
    recordings: Sequence[tuple[Recording, Truth, PassAndGapExtremes]],
) -> list[Path]:
    """Write ``draws.parquet``, ``bench.json`` and, per recording, figures and the recommended setting into a folder.

    `folder`: it is made if it does not exist; files with these names are replaced, those of other recordings stay.
    `recordings`: in the order of the benches, for the figures.

    The files are returned.
    """
    place = Path(folder)
    if place.exists() and not place.is_dir():
        raise InputError(f"cannot write to '{folder}': it is a file. Give the name of a folder.")
    place.mkdir(parents=True, exist_ok=True)
    names = setting_names([b.recording for b in benches])
    with one_result():
        draws, document = place / "draws.parquet", place / "bench.json"
        with write_aside(draws) as aside:
            pq.write_table(_draws_table(benches), aside, compression="zstd")
        with write_aside(document) as aside:
            aside.write_text(json_text(bench_document(benches), indent=2), encoding="utf-8")
        written = [draws, document]
        for number, (bench, (recording, truth, extremes)) in enumerate(zip(benches, recordings, strict=True)):
            name = names[number].removesuffix(".setting.json")
            figure = place / f"{name}.svg"
            with write_aside(figure) as aside:
                aside.write_bytes(bench_figure(bench, truth, extremes))
            written.append(figure)
            if unsolved := bench.ceiling.unsolved:
                pictures = place / f"{name}.unsolved.svg"
                with write_aside(pictures) as aside:
                    best = bench.ceiling.least.setting
                    aside.write_bytes(unsolved_figure(bench.recording, recording, unsolved, best))
                written.append(pictures)
            if bench.recommendation is not None and bench.verdict.decision != REFUSED:
                setting = place / f"{name}.setting.json"
                write_setting(setting, bench.recommendation.setting)
                written.append(setting)
        # What an earlier bench of these recordings left; those of other recordings keep their setting and figures.
        for name in names:
            for ending in (".svg", ".unsolved.svg", ".setting.json"):
                old = place / f"{name.removesuffix('.setting.json')}{ending}"
                if old not in written:
                    outdated(old)
    return written


def _draws_table(benches: Sequence[RecordingBench]) -> pa.Table:
    """Return one row per recording, strategy and draw."""
    text, number = pa.string(), pa.float64()
    types = {
        **dict.fromkeys(("recording", "strategy", "parameters"), text), "draw": pa.int64(), "abstained": text,
        "failed": text, **dict.fromkeys(MEASURES, number), "setting": text,
    }  # fmt: skip
    rows = [
        {
            "recording": bench.recording,
            "strategy": result.strategy,
            "parameters": json.dumps(dict(result.parameters), sort_keys=True),
            "draw": draw.draw,
            "abstained": draw.abstained or None,
            "failed": draw.failed or None,
            **draw.measures,
            "setting": None if draw.setting is None else json.dumps(draw.setting.as_dict()),
        }
        for bench in benches
        for result in bench.results
        for draw in result.draws
    ]
    return pa.Table.from_pylist(rows, schema=pa.schema(types))

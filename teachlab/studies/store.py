"""A bench on disk: one row per draw, the JSON document, one figure per recording."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from teachlab.data.atomic_files import write_aside
from teachlab.model.draws import MEASURES

if TYPE_CHECKING:
    from teachlab.studies.result import RecordingBench


def draws_table(benches: Sequence[RecordingBench]) -> pa.Table:
    """Return one row per recording, strategy and draw."""
    rows: dict[str, list[Any]] = {
        name: []
        for name in ("recording", "strategy", "parameters", "draw", "abstained", "failed", *MEASURES, "setting")
    }
    for bench in benches:
        for result in bench.results:
            for draw in result.draws:
                rows["recording"].append(bench.recording)
                rows["strategy"].append(result.strategy)
                rows["parameters"].append(json.dumps(dict(result.parameters), sort_keys=True))
                rows["draw"].append(draw.draw)
                rows["abstained"].append(draw.abstained or None)
                rows["failed"].append(draw.failed or None)
                for name in MEASURES:
                    rows[name].append(draw.measures.get(name))
                rows["setting"].append(None if draw.setting is None else json.dumps(draw.setting.as_dict()))
    types = {"draw": pa.int64(), **{name: pa.float64() for name in MEASURES}}
    return pa.table({name: pa.array(values, types.get(name, pa.string())) for name, values in rows.items()})


def write_draws(benches: Sequence[RecordingBench], path: Path) -> None:
    """Write the draws of a bench as Parquet."""
    with write_aside(path) as aside:
        pq.write_table(draws_table(benches), aside, compression="zstd")

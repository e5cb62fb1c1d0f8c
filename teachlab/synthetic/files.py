"""Recipes beside recordings, and recordings continued from them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
from pydantic import ValidationError

from teachlab.errors import ParameterError, ScenarioError, check_least
from teachlab.model.json_values import json_text
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Block, LoggedOutput, Recording
from teachlab.synthetic.line import LineStress
from teachlab.synthetic.produce import Plan, Progress, Recipe, blocks, info_of, plan, row_map, stored_type
from teachlab.synthetic.scenario import Scenario
from teachlab.synthetic.shared.streams import CHUNK
from teachlab.synthetic.shared.tables import refusal

RECIPE = ".synth.json"
DEVICE_STREAM = 0xDE71CE
"""Its own stream of random numbers."""


def write(recipe: Recipe, path: str | Path, *, progress: Progress | None = None) -> Plan:
    """Write a recording and its table of passes, in memory that does not grow with the samples.

    `path`: the recording; the passes go to ``NAME.passes.parquet`` beside it, the recipe to ``NAME.synth.json``.
    `progress`: called with the rows made so far, and the number of all rows; a simulated device takes them twice.
    """
    from teachlab.data.atomic_files import one_result
    from teachlab.data.recording_files import RecordingWriter
    from teachlab.data.truth_files import beside, write_truth

    planned = plan(recipe)
    device, info = recipe.scenario.device, info_of(recipe)
    output, runs = None, 1
    say = progress or (lambda done, of: None)

    def made(run: int) -> Iterator[Block]:
        for block in blocks(recipe, samples=planned.samples):
            yield block
            say(run * planned.rows + block.stop, runs * planned.rows)

    if device is not None:
        # An edge may come long after the light that made it: the light is made once for the edges, and again to be
        # written beside them, so that it need not be held.
        info, runs = replace(info, output=LoggedOutput()), 2
        rng = np.random.default_rng([recipe.seed, DEVICE_STREAM])
        output = device.simulated().logged((block.as_float() for block in made(0)), rng)
    with one_result():
        with RecordingWriter(path, info, stored_type(recipe.scenario)) as out:
            for block in made(runs - 1):
                switched = None if output is None else output.dense(block.light.size, block.start)
                out.append(block.light, block.invalid, switched)
        write_truth(beside(path, ".passes.parquet"), planned.truth.tied_to(out.digest))
        write_recipe(recipe, planned, path)
    return planned


def continue_recording(path: str | Path, more: int, *, progress: Progress | None = None) -> Plan:
    """Append passes to a recording of `write`, exactly as if all of them had been written in one run.

    The recipe beside the recording says what it is. The end of the file is generated again and compared with the file,
    so that a changed file, or a file of another version of the generator, is not continued unnoticed.

    `path`: the recording; it is replaced when the longer one is complete.
    `more`: number of passes to append, at least 1.
    `progress`: called with the rows written so far, and the number of all rows.
    Raises ScenarioError if the recipe is missing or does not belong to the file.
    """
    from teachlab.data.atomic_files import one_result
    from teachlab.data.recording_files import RecordingWriter, read_recording
    from teachlab.data.truth_files import beside, write_truth

    check_least("passes to append", more, 1)
    before = read_recipe(path)
    if before.scenario.device is not None:
        raise ScenarioError(
            f"{path}: the output of a simulated device follows from the whole light and is not continued. "
            "Write the recording again with more passes."
        )
    recipe = Recipe(scenario=before.scenario, passes=before.passes + more, seed=before.seed, stress=before.stress)
    old, planned = plan(before), plan(recipe)
    recording = read_recording(path)
    if recording.samples != old.rows:
        raise ScenarioError(
            f"{path}: the file has {number_of(recording.samples, 'row')}, its recipe makes {old.rows}. "
            "Write the recording again instead of continuing it."
        )
    with one_result():
        with RecordingWriter(path, info_of(recipe), stored_type(recipe.scenario)) as out:
            for block in recording.blocks():
                out.append(block.light, block.invalid)
            first = (old.samples - 1) // CHUNK * CHUNK
            skip = old.rows - int(row_map(recipe, first).row_of(np.array([first]))[0])
            for block in blocks(recipe, samples=planned.samples, first=first):
                if block.start < skip:
                    _compare(recording, old.rows - skip, block, skip, path)
                fresh = block.part(max(skip, block.start), block.stop)
                out.append(fresh.light, fresh.invalid)
                if progress is not None:
                    progress(out.samples, planned.rows)
        write_truth(beside(path, ".passes.parquet"), planned.truth.tied_to(out.digest))
        write_recipe(recipe, planned, path)
    return planned


def _compare(recording: Recording, first_row: int, block: Block, skip: int, path: str | Path) -> None:
    count = min(skip - block.start, block.light.size)
    held = recording.read(first_row + block.start, first_row + block.start + count)
    mine = block.part(block.start, block.start + count)
    if not np.array_equal(held.as_float(), mine.as_float(), equal_nan=True):
        raise ScenarioError(
            f"{path}: its last samples are not those of its recipe: the file was changed, or another version of the "
            "generator wrote it. Write the recording again instead of continuing it."
        )


def write_recipe(recipe: Recipe, planned: Plan, recording: str | Path) -> None:
    """Write the recipe of a recording beside it, ``NAME.synth.json``."""
    from teachlab.data.atomic_files import write_aside
    from teachlab.data.truth_files import beside

    document = {
        "schema": 1,
        "passes": recipe.passes,
        "seed": recipe.seed,
        "stress": asdict(recipe.stress),
        "rows": planned.rows,
        "digest": recipe.digest(),
        "scenario": recipe.scenario.model_dump(mode="json", exclude_none=True),
    }
    with write_aside(beside(recording, RECIPE)) as aside:
        aside.write_text(json_text(document, indent=1) + "\n", encoding="utf-8")


def read_recipe(recording: str | Path) -> Recipe:
    """Read the recipe beside a synthetic recording.

    Raises ScenarioError if there is none, or it was changed.
    """
    from teachlab.data.atomic_files import read_text
    from teachlab.data.strict_json import parse_json
    from teachlab.data.truth_files import beside

    if not Path(recording).name:
        raise ScenarioError(f"'{recording}' names no recording. Give the path of a synthetic recording.")
    path = beside(recording, RECIPE)
    what = "the recipe beside a synthetic recording: only one that has it can be continued"
    document = parse_json(read_text(path, what, ScenarioError), path, ScenarioError)
    try:
        recipe = Recipe(
            scenario=Scenario.model_validate(document["scenario"]),
            passes=int(document["passes"]),
            seed=int(document["seed"]),
            stress=LineStress(**document["stress"]),
        )
    except ValidationError as faults:
        raise refusal(path, faults) from faults
    except ParameterError as fault:
        raise ScenarioError(f"{path}: {fault}") from None
    except (KeyError, TypeError, ValueError, OverflowError) as fault:
        raise ScenarioError(f"{path} is not the recipe of a synthetic recording: {fault}.") from fault
    if recipe.digest() != document.get("digest"):
        raise ScenarioError(f"{path} was changed by hand: its digest does not fit. Write the recording again.")
    return recipe

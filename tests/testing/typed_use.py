"""Code of a user, for ``mypy --strict``; `.ci/run` checks it. It is read, never run."""

from __future__ import annotations

import numpy as np

import teachlab


def every_choice_has_a_public_name() -> tuple[teachlab.Recording, teachlab.Setting, teachlab.Truth]:
    """Values are made of what `teachlab` offers."""
    info = teachlab.RecordingInfo(
        sample_rate_hz=1000.0, unit="counts", sensing=teachlab.Sensing.DIFFUSE, direction=teachlab.Direction.RISE,
        origin=teachlab.Origin.RECORDED, output=teachlab.LoggedOutput(active=teachlab.OutputWhen.LOW),
    )  # fmt: skip
    setting = teachlab.Setting(
        unit="counts", on_level=60, off_level=40, polarity=teachlab.Polarity.LIGHT_ON,
        delays_act_on=teachlab.DelaysActOn.LIGHT, taught=teachlab.Taught(strategy="mine"),
    )  # fmt: skip
    truth = teachlab.Truth.from_arrays([10], [20], lot=["a"], source=teachlab.TruthSource.INDEPENDENT)
    return teachlab.Recording.from_array(np.arange(99.0), info), setting, truth


def answers_have_types() -> list[float | str | int | None]:
    """An answer's own value is typed; what `Told` hands on by name is not."""
    recording, setting, truth = every_choice_has_a_public_name()
    options = teachlab.DrawOptions(draws=2, costs=teachlab.Costs(miss=2.0), rules=teachlab.Rules(tolerance_ms=1.0))
    try:
        ranked = teachlab.bench(recording, ["single-sample"], truth, options=options).answer
    except (teachlab.Abstained, teachlab.InputError) as refused:
        return [str(refused)]
    moved = teachlab.align(recording, truth, whole_periods=0).answer.moved
    return [
        teachlab.replay(recording, setting, truth).answer.output.onsets.size,
        teachlab.inspect(recording, truth).answer.quality.contrast,
        teachlab.label(recording, direction="rise").answer.truth.passes,
        None if moved is None else moved.passes,
        teachlab.timing(recording, setting, truth, scan_ms=4.0).answer.budget.response_ms,
        teachlab.teach(recording, "single-sample", truth).on_level,
        ranked.scored_passes,
        teachlab.proportion(0, 299).upper,
        teachlab.plan_passes(0.01, 0.95).passes,
        len(teachlab.study([(recording, truth)], ["single-sample"]).to_pandas()),
    ]


def names_that_do_not_exist_are_found() -> None:
    """Before, every name of the package was accepted."""
    teachlab.repaly()  # type: ignore[attr-defined]


def options_of_a_study_that_do_not_exist_are_found() -> None:
    """Before, every option of a study was accepted."""
    teachlab.study("tubs.parquet", ["single-sample"], drawz=2)  # type: ignore[call-arg]
    teachlab.study("tubs.parquet", ["single-sample"], draws="two")  # type: ignore[arg-type]

"""The page that describes scenarios: its example runs, and no key is missing from it."""

import typing
from pathlib import Path

import pytest
from pydantic import BaseModel

import teachlab.synthetic as synthetic
from teachlab.synthetic import Scenario, generate, parse

PAGE = (Path(synthetic.__file__).parent / "SCENARIOS.md").read_text(encoding="utf-8")


def models_in(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in typing.get_args(annotation) for m in models_in(part)]


def all_models(model, seen):
    if model not in seen:
        seen.append(model)
        for field in model.model_fields.values():
            for inner in models_in(field.annotation):
                all_models(inner, seen)
    return seen


@pytest.mark.parametrize("model", all_models(Scenario, []), ids=lambda m: m.__name__)
def test_every_key_is_described(model):
    missing = [key for key in model.model_fields if key not in PAGE]
    assert model.__name__ == "Constant" or missing == []
    assert model.__doc__ or model.__name__.startswith("_")


def test_the_example_runs():
    example = PAGE.split("```toml\n")[1].split("```")[0]
    recording, truth = generate(parse(example, source="SCENARIOS.md"), 10)
    assert truth.passes == 10
    assert recording.info.title == "Cartons on a grey belt"


def test_the_formulae_of_the_page_run(capsys):
    exec(PAGE.split("```python\n")[1].split("```")[0], {})
    # source: 2 mW on a white card at 200 mm, 50 mm²: 2e-3·0.9·50/(π·200²) W, 0.5 A/W; and (0.5/(0.5 + 2·0.57735))²
    assert capsys.readouterr().out == "0.36 µA at 0.5 A/W\n0.09 between fibres 2 mm apart\n"

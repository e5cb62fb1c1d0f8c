"""Answers about synthetic lines: about one that was made, and about the scenarios that exist."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from teachlab.model.json_values import Document
from teachlab.synthetic.produce import Plan, Recipe, info_of
from teachlab.synthetic.scenario import load_scenario, scenario_names


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeRecording(Document):
    """A synthetic recording that was written.

    `uncertainty_samples`: uncertainty of every border.
    """

    ALSO: ClassVar[tuple[str, ...]] = ("synthetic",)
    schema: int = 1
    recording: str
    title: str
    samples: int
    seconds: float
    sample_rate_hz: float
    unit: str
    passes: int
    detect_passes: int
    uncertainty_samples: float
    seed: int

    @classmethod
    def of(cls, path: str, recipe: Recipe, planned: Plan) -> MadeRecording:
        """Describe a written recording by its recipe and plan."""
        info, truth = info_of(recipe), planned.truth
        return cls(
            recording=path, title=info.title, samples=planned.rows, seconds=planned.rows / info.sample_rate_hz,
            sample_rate_hz=info.sample_rate_hz, unit=info.unit, passes=truth.passes,
            detect_passes=truth.detect_passes, uncertainty_samples=truth.uncertainty_samples, seed=recipe.seed,
        )  # fmt: skip

    @property
    def synthetic(self) -> bool:
        """Whether it is no evidence about a real line: always true."""
        return True


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldScenarios(Document):
    """The scenarios, or one of them, or the keys with which they are written; what was not asked for is left out.

    `scenarios`: name, alias and title of each.
    `toml`: the TOML text as it is written.
    `words`: what it contains, in words.
    `keys`: every key, as a page.
    """

    scenarios: tuple[dict[str, str], ...] | None = None
    scenario: str | None = None
    toml: str | None = None
    words: tuple[str, ...] | None = None
    keys: str | None = None

    @classmethod
    def all(cls) -> ToldScenarios:
        """List every scenario that ships."""
        known = {name: load_scenario(name) for name in scenario_names()}
        return cls(scenarios=tuple({"name": n, "alias": s.alias, "title": s.title} for n, s in known.items()))

    def as_dict(self) -> dict[str, Any]:
        """Return the plain JSON form."""
        return {"schema": 1, **{k: v for k, v in Document.as_dict(self).items() if v is not None}}

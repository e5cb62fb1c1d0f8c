"""The strategy under test, asked so that no change it makes to its surroundings reaches the next check."""

from __future__ import annotations

import random
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

import teachlab.testing.shown as shown
from teachlab.errors import Abstained
from teachlab.model.following_and_window import unknown_kind
from teachlab.model.json_values import plain
from teachlab.model.printable_text import level_text
from teachlab.model.setting import Setting
from teachlab.model.teaching import Strategy, TeachView
from teachlab.teaching.once import evidence_fault


@dataclass(frozen=True, slots=True)
class StrategyAnswer:
    """Answer of a strategy: a setting, an abstention, or a failure.

    Parameters
    ----------
    setting : Setting, optional
    abstained : Abstained, optional
    fault : str
        What went wrong, or an empty text.
    """

    setting: Setting | None = None
    abstained: Abstained | None = None
    fault: str = ""

    def __str__(self) -> str:
        if self.setting is not None:
            s = self.setting
            return f"on {level_text(s.on_level)}, off {level_text(s.off_level)}, {s.polarity}"
        return f"abstained: {self.abstained}" if self.abstained is not None else self.fault

    def document(self) -> dict[str, Any]:
        """Return the answer in plain values; equal answers have equal documents."""
        abstained = self.abstained
        return {
            "setting": None if self.setting is None else plain(self.setting.as_dict()),
            "abstained": None if abstained is None else [abstained.reason, abstained.measured, abstained.required],
            "fault": self.fault,
        }


def _place(error: BaseException, strategy: Strategy) -> str:
    """Return the last line of the strategy's own file that the error came through."""
    own = getattr(sys.modules.get(type(strategy).__module__), "__file__", None)
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == own]
    return f" (line {lines[-1]} of {Path(own).name})" if own and lines else ""


def ask(strategy: Strategy, view: TeachView) -> StrategyAnswer:
    """Teach on a view and judge the form of what comes back."""
    try:
        setting: object = strategy.teach(view)
    except Abstained as refusal:
        if not all(isinstance(t, str) and t for t in (refusal.reason, refusal.measured, refusal.required)):
            return StrategyAnswer(
                fault=f"an abstention must say reason, measured and required in words, got {refusal.args}"
            )
        return StrategyAnswer(abstained=refusal)
    except (Exception, SystemExit, GeneratorExit) as error:  # noqa: BLE001 - whatever a strategy does is reported
        return StrategyAnswer(fault=f"{type(error).__name__}: {error}{_place(error, strategy)}")
    if not isinstance(setting, Setting):
        return StrategyAnswer(fault=f"teach must return a Setting or raise Abstained, got {type(setting).__name__}")
    if fault := unknown_kind(setting):
        return StrategyAnswer(fault=fault)
    if setting.unit != view.unit:
        return StrategyAnswer(fault=f"the setting is in '{setting.unit}', the light shown in '{view.unit}'")
    if setting.taught is not None and (fault := evidence_fault(setting.taught.evidence)):
        return StrategyAnswer(fault=fault)
    return StrategyAnswer(setting=setting)


def seeded(seed: int) -> None:
    """Put the global random generators into a known state."""
    np.random.seed(seed)  # noqa: NPY002 - the global state is what is under test
    random.seed(seed)


@contextmanager
def random_state_kept() -> Iterator[None]:
    """Restore the caller's global random generators."""
    kept, own = np.random.get_state(), random.getstate()  # noqa: NPY002
    try:
        yield
    finally:
        np.random.set_state(kept)  # noqa: NPY002
        random.setstate(own)


def insides(strategy: Any) -> list[str]:
    """Return everything that a strategy holds, as texts."""
    slots = [name for made in type(strategy).__mro__ for name in getattr(made, "__slots__", ())]
    own = {name: getattr(strategy, name, None) for name in slots} | getattr(strategy, "__dict__", {})
    return sorted(f"{name}={value!r}" for name, value in own.items() if not name.startswith("__"))


class Subject:
    """A strategy with the ordinary line that it is shown, made once for all checks."""

    def __init__(self, strategy: Strategy) -> None:
        self.strategy = strategy
        self.untaught = insides(strategy)
        self.taught = False
        """Whether it has taught a setting on any of what it was shown."""
        self.light, self.truth = shown.line()

    @cached_property
    def block(self) -> Any:
        """The ordinary line as a teach block."""
        return shown.block_of(self.light, self.truth)

    def view(self, draw: int = 0) -> TeachView:
        """Return what the strategy is shown of the ordinary line, in arrays of its own."""
        return shown.copied(shown.view_for(self.strategy, self.block, draw=draw))

    def ask(self, view: TeachView, *, seed: int = 0, strategy: Strategy | None = None) -> StrategyAnswer:
        """Teach on a copy of a view with the global random generators in a known state."""
        seeded(seed)
        answer = ask(self.strategy if strategy is None else strategy, shown.copied(view))
        self.taught |= answer.setting is not None
        return answer

    @cached_property
    def sound(self) -> StrategyAnswer:
        """The answer of the strategy on the ordinary line."""
        return self.ask(self.view())

    @cached_property
    def repeats(self) -> bool:
        """Whether it gives the same answer again, also after it was shown something else."""
        first = self.ask(self.view()).document()
        self.ask(self.view(1))
        return self.ask(self.view()).document() == first

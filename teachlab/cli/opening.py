"""Open what a command needs: a recording, its passes, a base setting, strategies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from teachlab.cli.console import warn
from teachlab.errors import ParameterError

if TYPE_CHECKING:
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.teaching import Strategy
    from teachlab.model.truth import Truth

CLASSICS = ("single-sample", "background-referenced", "sweep-minmax", "two-sample-midpoint")
USUAL = (
    *CLASSICS,
    "quantile-guard",
    "balanced-guard",
    "guard-or-window",
    "filtered-guard",
    "ratio-midpoint",
    "designed",
)
"""Strategies of a bench unless others are named: the classic ones, and those that suit most lines."""
EVERY = "all"
NEED_INPUT = ("contamination-aware", "minimax-regret")
"""These abstain without a parameter that only the user knows."""


def open_all(recordings: Sequence[str], truth: str | None) -> list[tuple[Recording, Truth]]:
    """Open recordings with their passes; a named table of passes belongs to a single one."""
    from teachlab.data.opening import open_pair

    if truth is not None and len(recordings) > 1:
        raise ParameterError("--truth names the passes of a single recording; put each table beside its recording.")
    return [open_pair(recording, truth) for recording in recordings]


def load_base(path: str | None) -> Setting | None:
    """Read the setting whose delays, filter and evaluation rate are to be kept."""
    from teachlab.data.setting_files import read_setting
    from teachlab.model.following_and_window import without_kind

    return None if path is None else without_kind(read_setting(path))


def named_strategies(names: Sequence[str]) -> list[str]:
    """Return the strategies asked for: without a name the usual ones, for `all` every installed one that can teach."""
    if not names:
        return list(USUAL)
    if EVERY not in names:
        return list(names)
    from teachlab.teaching.registry import listings

    every = []
    for one in listings():
        if one.reason:
            warn(f"{one.name} is left out: {one.reason}")
        elif one.name not in NEED_INPUT and not any(p.required for p in one.parameters):
            every.append(one.name)
    return every + [name for name in names if name != EVERY and name not in every]


def teachers(names: Sequence[str], assignments: Sequence[str]) -> list[Strategy]:
    """Build the named strategies, with the parameters set as ``[STRATEGY.]PARAMETER=VALUE``.

    A strategy is named as it was given, or by its own name; if there is only one, its name may be left out.
    """
    from teachlab.teaching.parameters import parse_assignments, parse_parameters
    from teachlab.teaching.registry import built
    from teachlab.teaching.strategy_files import strategy_class

    if len(set(names)) < len(names):
        raise ParameterError(f"every strategy is used once, got {', '.join(names)}. Name each once.")
    classes = [strategy_class(name) for name in names]
    texts: list[dict[str, str]] = [{} for _ in names]
    for key, value in parse_assignments(assignments).items():
        owner, _, parameter = key.rpartition(".")
        alone = not owner and len(names) == 1
        meant = [k for k, name in enumerate(names) if alone or owner in (name, classes[k].name)]
        if len(meant) != 1:
            raise ParameterError(
                f"--set takes STRATEGY.PARAMETER=VALUE with one of the strategies named ({', '.join(names)}), "
                f"got '{key}={value}'."
            )
        if parameter in texts[meant[0]]:
            raise ParameterError(f"parameter '{parameter}' of {names[meant[0]]} is set twice. Keep one.")
        texts[meant[0]][parameter] = value
    return [built(made, parse_parameters(made, given)) for made, given in zip(classes, texts, strict=True)]

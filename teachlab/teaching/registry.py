"""Which strategies are installed, built-in or plugged in; each is loaded when it is used."""

from __future__ import annotations

import difflib
import hashlib
import importlib
import inspect
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any, cast

from teachlab.errors import InputError, StrategyError
from teachlab.model.json_values import Document
from teachlab.model.teaching import Shown, Strategy
from teachlab.teaching.parameters import ParameterInfo, checked_values, describe, parameter_schema

GROUP = "teachlab.strategies"
"""Entry-point group of plug-ins: ``name = "package.module:Class"``."""

BUILT_IN: Mapping[str, str] = {
    "single-sample": "teachlab.teaching.strategies.single_sample:SingleSample",
    "background-referenced": "teachlab.teaching.strategies.background_referenced:BackgroundReferenced",
    "sweep-minmax": "teachlab.teaching.strategies.sweep_minmax:SweepMinmax",
    "two-sample-midpoint": "teachlab.teaching.strategies.two_sample_midpoint:TwoSampleMidpoint",
    "guard-or-window": "teachlab.teaching.strategies.guard_or_window:GuardOrWindow",
    "balanced-guard": "teachlab.teaching.strategies.balanced_guard:BalancedGuard",
    "quantile-guard": "teachlab.teaching.strategies.quantile_guard:QuantileGuard",
    "filtered-guard": "teachlab.teaching.strategies.filtered_guard:FilteredGuard",
    "ratio-midpoint": "teachlab.teaching.strategies.ratio_midpoint:RatioMidpoint",
    "noise-weighted-midpoint": "teachlab.teaching.strategies.noise_weighted:NoiseWeightedMidpoint",
    "tail-balanced": "teachlab.teaching.strategies.tail_balanced:TailBalanced",
    "neyman-pearson": "teachlab.teaching.strategies.neyman_pearson:NeymanPearson",
    "contamination-aware": "teachlab.teaching.strategies.contamination_aware:ContaminationAware",
    "minimax-regret": "teachlab.teaching.strategies.minimax_regret:MinimaxRegret",
    "stepped-trim": "teachlab.teaching.strategies.stepped_trim:SteppedTrim",
    "between-class-variance": "teachlab.teaching.strategies.between_class_variance:BetweenClassVariance",
    "iterative-mean": "teachlab.teaching.strategies.iterative_mean:IterativeMean",
    "minimum-error": "teachlab.teaching.strategies.minimum_error:MinimumError",
    "two-component-mixture": "teachlab.teaching.strategies.two_component_mixture:TwoComponentMixture",
    "background-follower": "teachlab.teaching.strategies.background_follower:BackgroundFollower",
    "turning-point-follower": "teachlab.teaching.strategies.turning_point_follower:TurningPointFollower",
    "two-threshold": "teachlab.teaching.strategies.two_threshold:TwoThreshold",
    "designed": "teachlab.teaching.strategies.designed:Designed",
}

RECOMMENDED = "guard-or-window"
"""The strategy to begin with.

It places one level between the weakest objects and the strongest background, nearer to the background if objects come
in lots of which few were shown. If objects are brighter and darker than the background, it places two levels. If
objects and background overlap, it takes the level with the fewest errors on what was shown.

In the twelve scenarios with workable delays its median cost was at most 0.05 points above that of the best classic
strategy: in 180 of 180 cells at the three pairs of seeds of its design, and in 209 of 210 at two fresh pairs. In the
other cell one lot of one colour was shown and 40 % were lost. With an off-delay longer than the shortest gaps
(wrapped bars, 3 ms) this does not hold: it cost more in 15 of 26 cells, by up to 0.5 points.
"""


class StrategyOrigin(StrEnum):
    """Where a strategy comes from."""

    BUILT_IN = "built-in"
    PLUG_IN = "plug-in"
    FILE = "file"
    BROKEN = "broken"


@dataclass(frozen=True, slots=True)
class Listing(Document):
    """One strategy, as `teachlab strategies` lists it.

    `source`: module of the class, and the distribution of a plug-in.
    `needs`: what it must be shown with its default parameters; empty for a broken one, or one without defaults.
    `summary`: first line of its documentation.
    `reason`: why a broken one cannot be used.
    `parameter_schema`: JSON Schema of its parameters; None for a broken one.
    """

    name: str
    origin: StrategyOrigin
    source: str
    needs: tuple[str, ...] = ()
    parameters: tuple[ParameterInfo, ...] = ()
    summary: str = ""
    reason: str | None = None
    parameter_schema: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class _Claim:
    target: str
    distribution: str
    origin: StrategyOrigin

    def __str__(self) -> str:
        return f"{self.target} ({self.distribution})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Listings(Document):
    """Every strategy that is installed."""

    schema: int = 1
    strategies: tuple[Listing, ...]


def listings() -> tuple[Listing, ...]:
    """Describe every strategy, built-ins first; one that cannot be loaded is listed as broken, with the reason.

    Raises `StrategyError` if two strategies have the same name.
    """
    return tuple(_listing(name, claim) for name, claim in _claims().items())


def installed_class(name: str) -> type[Strategy]:
    """Return the class of a built-in or installed strategy: data may name these.

    No file is read for a name, so a setting or a record from a stranger cannot cause a file to run.

    Raises `StrategyError` if no installed strategy has the name, it cannot be loaded, or it does not meet the protocol.
    """
    claims = _claims()
    if name not in claims:
        near = difflib.get_close_matches(name, claims, n=1)
        hint = f" Did you mean '{near[0]}'?" if near else ""
        raise StrategyError(
            f"no strategy is named '{name}'.{hint} Installed: {', '.join(sorted(claims))}. "
            "A strategy in a file is given as ./file.py:ClassName, on the command line only."
        )
    return _load(name, claims[name])


def ships(made: type[Strategy]) -> bool:
    """Return whether a strategy is one of teachlab's own."""
    return made.__module__.startswith("teachlab.teaching.strategies.")


def built(made: type[Strategy], parameters: Mapping[str, object]) -> Strategy:
    """Build a strategy of a class from values of its parameters; the others keep their defaults.

    Raises `StrategyError` if a parameter without default is missing, or the strategy cannot be built.
    Raises `ParameterError` if a parameter is unknown, of the wrong type, or outside its range.
    """
    values = checked_values(made, parameters)
    missing = [p.name for p in describe(made) if p.required and p.name not in values]
    if missing:
        raise StrategyError(
            f"strategy '{made.name}' has no default for: {', '.join(missing)}. "
            f"Set it with {' '.join(f'--set {name}=…' for name in missing)}, in a study with --grid."
        )
    try:
        return made(**values)
    except InputError:
        raise
    except Exception as fault:
        raise StrategyError(f"strategy '{made.name}' cannot be built: {type(fault).__name__}: {fault}") from fault


def source_fingerprint(strategy: Strategy | type[Strategy]) -> str:
    """Return the SHA-256 of the file that defines a strategy's class, as lower-case hex.

    Raises `StrategyError` if the class has no source file.
    """
    made = strategy if inspect.isclass(strategy) else type(strategy)
    try:
        content = Path(inspect.getsourcefile(made) or "").read_bytes()
    except (OSError, TypeError):
        raise StrategyError(
            f"strategy '{made.name}' ({made.__module__}.{made.__qualname__}) has no source file, so its results could "
            "not be told from those of other code. Write the class in a file."
        ) from None
    return hashlib.sha256(content).hexdigest()


def plug_ins() -> tuple[EntryPoint, ...]:
    """Return the entry points of installed plug-ins."""
    return tuple(sorted(entry_points(group=GROUP), key=lambda point: point.name))


@cache
# Kept, because a search for entry points goes through all installed distributions.
def _claims() -> Mapping[str, _Claim]:
    claims = {name: _Claim(target, "built in", StrategyOrigin.BUILT_IN) for name, target in BUILT_IN.items()}
    for point in plug_ins():
        distribution = point.dist.name if point.dist is not None else "unknown distribution"
        claim = _Claim(f"{point.module}:{point.attr}", distribution, StrategyOrigin.PLUG_IN)
        if point.name in claims:
            raise StrategyError(
                f"two strategies claim the name '{point.name}': {claims[point.name]} and {claim}. "
                "Uninstall one of the two, or have its author rename it."
            )
        claims[point.name] = claim
    return claims


def _listing(name: str, claim: _Claim) -> Listing:
    try:
        return listing_of(_load(name, claim), claim.origin, str(claim))
    except Exception as fault:  # noqa: BLE001 - whatever a plug-in does wrong is the reason that is listed
        reason = str(fault) if isinstance(fault, StrategyError) else f"{type(fault).__name__}: {fault}"
        return Listing(name, StrategyOrigin.BROKEN, str(claim), reason=reason)


def listing_of(made: type[Strategy], origin: StrategyOrigin, source: str) -> Listing:
    """Describe a class of strategies."""
    parameters = describe(made)
    needs = () if any(p.required for p in parameters) else tuple(sorted(Shown(kind) for kind in made().needs))
    summary = (inspect.getdoc(made) or "").split("\n", 1)[0]
    return Listing(made.name, origin, source, needs, parameters, summary, parameter_schema=parameter_schema(made))


def _load(name: str, claim: _Claim) -> type[Strategy]:
    module, _, attribute = claim.target.partition(":")
    try:
        found: object = importlib.import_module(module)
        for part in attribute.split("."):
            found = getattr(found, part)
    except (Exception, SystemExit) as fault:
        raise StrategyError(
            f"strategy '{name}' from {claim} cannot be loaded: {type(fault).__name__}: {fault}. "
            "Repair or uninstall the plug-in."
        ) from fault
    made = strategy_in(found, f"strategy '{name}' from {claim}")
    if made.name != name:
        raise StrategyError(
            f"strategy '{name}' from {claim} calls itself '{made.name}'. Its `name` must equal the entry-point name."
        )
    return made


def strategy_in(found: object, what: str) -> type[Strategy]:
    """Return the object that was found under the name of a strategy, if it meets the protocol.

    Raises `StrategyError` with what it lacks.
    """
    if not inspect.isclass(found):
        raise StrategyError(f"{what} must be a class, got {type(found).__name__}.")
    lacking = [attribute for attribute in ("name", "needs", "teach") if not hasattr(found, attribute)]
    if lacking:
        raise StrategyError(
            f"{what} does not meet the strategy protocol: it has no {', '.join(lacking)}. "
            "A strategy has a name, says what it needs, and teaches."
        )
    name: object = getattr(found, "name", None)
    if not (isinstance(name, str) and name):
        raise StrategyError(f"{what} must have a class variable `name`, a text, got {name!r}.")
    return cast(type[Strategy], found)

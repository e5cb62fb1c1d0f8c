"""The command `surface`: what every pair of levels would have done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from teachlab.cli.console import emit_json, progress, say, warn
from teachlab.cli.loading import load, load_base, not_truth_note
from teachlab.errors import ParameterError, TruthError

if TYPE_CHECKING:
    from teachlab.explore.hindsight import Hindsight
    from teachlab.explore.surface.table import Surface
    from teachlab.model.recording import Recording
    from teachlab.model.setting import Setting
    from teachlab.model.truth import Truth


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("surface")(surface_command)


def surface_command(
    recordings: Annotated[list[str], typer.Argument(help="Recordings: NAME.parquet …; counts are added up.")],
    truth: Annotated[str | None, typer.Option(help="Table of passes, for a single recording.")] = None,
    tolerance_ms: Annotated[float, typer.Option(help="Added to every border of every pass, ms.")] = 0.0,
    base: Annotated[str | None, typer.Option(help="Setting whose delays, filter and evaluation rate are kept.")] = None,
    setting: Annotated[list[str] | None, typer.Option(help="Setting to look up and mark; again for more.")] = None,
    cloud: Annotated[str | None, typer.Option(help="Strategy to teach many times and draw as a cloud.")] = None,
    draws: Annotated[int, typer.Option(help="How often the cloud is taught.")] = 200,
    seed: Annotated[int, typer.Option(help="Of the cloud.")] = 0,
    levels: Annotated[str | None, typer.Option(help="Levels to count at: LOW:HIGH:HOW_MANY.")] = None,
    cost_miss: Annotated[float, typer.Option(help="Cost of a lost pass.")] = 1.0,
    cost_false: Annotated[float, typer.Option(help="Cost of a false or extra switching.")] = 1.0,
    out: Annotated[list[str] | None, typer.Option(help="Write .json, .svg or .png; again for more.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Count lost passes and false trips for every pair of levels at once, and name the best in hindsight."""
    from teachlab.data.setting_files import read_setting
    from teachlab.explore.hindsight import hindsight, regret_of
    from teachlab.explore.surface.figure import surface_figure
    from teachlab.model.benchmark import Costs
    from teachlab.model.setting_kinds import fixed_levels

    targets = [(name, _kind(name)) for name in out or []]
    if truth is not None and len(recordings) > 1:
        raise ParameterError("--truth names the passes of a single recording; put each table beside its recording.")
    given = [fixed_levels(read_setting(name), "the surface") for name in setting or []]
    opened = [with_passes(name, truth) for name in recordings]
    shared = _base(opened, load_base(base), given)
    costs = Costs(miss=cost_miss, false=cost_false)
    with progress("counting", quiet=json) as told:
        found, curve = _count(opened, shared, _levels(levels), given, tolerance_ms, told)
    best = hindsight(found, costs=costs)
    taught = _cloud(opened, cloud, draws, seed, load_base(base), tolerance_ms)
    for note in {not_truth_note(passes) for _, passes in opened} - {""}:
        warn(note)
    document = _document([r.name for r, _ in opened], found, curve, best, given)
    for name, kind in targets:
        title = f"{', '.join(r.name for r, _ in opened)}: {found.detect_trials} passes to be detected, {found.how}"
        picture = b"" if kind == "json" else surface_figure(
            found, best, title=title, settings=given, cloud=taught, cloud_name=f"draws of {cloud}", kind=kind
        )  # fmt: skip
        _write(name, kind, document, picture)
    if json:
        emit_json(document)
        return
    _tell(found, curve, best)
    for one, regret in zip(given, regret_of(found, given, costs=costs).tolist(), strict=True):
        say(_about(one, found, regret))
    for name, _ in targets:
        say(f"Written: {name}")


def with_passes(recording: str, truth: str | None) -> tuple[Recording, Truth]:
    """Open a recording with its passes, or refuse."""
    opened, passes = load(recording, truth)
    if passes is None:
        raise TruthError(
            f"{recording}: no table of passes beside it, and none given. Name one with --truth, or propose one with: "
            f"teachlab label {recording}"
        )
    return opened, passes


def polarity_for(recording: Recording, truth: Truth) -> Any:
    """Return the polarity that makes objects active."""
    from teachlab.model.recording import Direction
    from teachlab.model.setting import Polarity
    from teachlab.teach import TeachBlock

    direction = recording.info.direction or TeachBlock(recording, truth).direction
    return Polarity.LIGHT_ON if direction is Direction.RISE else Polarity.DARK_ON


def _base(opened: list[tuple[Recording, Truth]], base: Setting | None, given: list[Setting]) -> Setting:
    """Return polarity, filter, delays and rate that all pairs share: of --base, else of the first --setting."""
    from teachlab.model.setting import Setting

    if given:
        polarity = given[0].polarity
    else:
        found = {polarity_for(recording, truth) for recording, truth in opened}
        if len(found) > 1:
            raise ParameterError("objects raise the light in one recording and lower it in another: count them apart.")
        polarity = found.pop()
    chosen = base or (given[0] if given else Setting(unit=opened[0][0].info.unit, on_level=0.0, off_level=0.0))
    return chosen.with_levels(0.0, 0.0, polarity)


def _levels(text: str | None) -> Any:
    import numpy as np

    if text is None:
        return None
    parts = text.split(":")
    try:
        low, high, count = float(parts[0]), float(parts[1]), int(parts[2])
    except (ValueError, IndexError):
        raise ParameterError(f"--levels takes LOW:HIGH:HOW_MANY, such as 0:4095:512, got '{text}'.") from None
    if len(parts) != 3 or not low < high or count < 2:
        raise ParameterError(f"--levels takes LOW < HIGH and at least 2 levels, got '{text}'.")
    return np.linspace(low, high, count)


def _count(
    opened: list[tuple[Recording, Truth]], base: Setting, levels: Any, given: list[Setting], tolerance: float, told: Any
) -> tuple[Surface, Surface | None]:
    """Return the surface and, where there are delays, the exact curve of zero hysteresis beside the grid."""
    import numpy as np

    from teachlab.explore.surface.grid import GRID, replayed_surface
    from teachlab.explore.surface.levels import read_first, stated_levels
    from teachlab.explore.surface.run import has_memory, surface_of

    marked = [level for s in given for level in (s.on_level, s.off_level)]
    if levels is None and marked:
        readings = [read_first(r, base.evaluation_rate_hz) for r, _ in opened]
        levels, distinct = stated_levels(readings)
        levels = levels if distinct else np.union1d(levels, marked)
    found = surface_of(opened, base, levels=levels, tolerance_ms=tolerance, progress=told)
    if not has_memory(base):
        return found, None
    # Both curves over one range: the grid spans the levels that the exact curve was counted at.
    grid = np.union1d(np.linspace(found.levels[0], found.levels[-1], GRID), marked)
    total = None
    for recording, truth in opened:
        one = replayed_surface(recording, truth, base, levels=grid, tolerance_ms=tolerance, progress=told)
        total = one if total is None else total + one
    return total or found, found


def _cloud(
    opened: list[tuple[Recording, Truth]], name: str | None, draws: int, seed: int, base: Setting | None, tol: float
) -> list[Setting]:
    from teachlab.errors import Abstained
    from teachlab.teach import TeachBlock, resolve, teach_once

    if name is None:
        return []
    strategy = resolve(name, {})
    block = TeachBlock(*opened[0], base=base, tolerance_ms=tol)
    taught = []
    for draw in range(draws):
        try:
            taught.append(teach_once(strategy, block, seed, draw))
        except Abstained:
            continue
    return taught


def _document(
    names: list[str], found: Surface, curve: Surface | None, best: Hindsight, given: list[Setting]
) -> dict[str, Any]:
    from teachlab.explore.hindsight import regret_of

    out: dict[str, Any] = {"recording": names[0] if len(names) == 1 else names, **found.as_dict()}
    out["hindsight"] = best.as_dict()
    if curve is not None:
        line = {name: getattr(curve, name).diagonal() for name in ("lost", "merged", "extra", "false_trips")}
        out["zero_hysteresis"] = {"levels": curve.levels, "exact": True, "how": curve.how, **line}
    regrets = regret_of(found, given, costs=best.costs).tolist()
    out["settings"] = [
        {
            "on_level": s.on_level,
            "off_level": s.off_level,
            "counts": None if (where := found.index_of(s)) is None else found.at(*where),
            "regret": regret,
        }
        for s, regret in zip(given, regrets, strict=True)
    ]
    return out


def _kind(name: str) -> str:
    kind = name.lower().rpartition(".")[2]
    if kind not in ("json", "svg", "png"):
        raise ParameterError(f"--out takes a name that ends in .json, .svg or .png, got '{name}'.")
    return kind


def _write(name: str, kind: str, document: dict[str, Any], picture: bytes) -> None:
    import json

    from teachlab.data.files import write_aside
    from teachlab.model.plain import plain

    content = json.dumps(plain(document), ensure_ascii=False, allow_nan=False).encode() if kind == "json" else picture
    with write_aside(name) as aside:
        aside.write_bytes(content)


def _interval(ends: tuple[float, float], *, open_below: bool) -> str:
    return f"{'(' if open_below else '['}{ends[0]:.5g}, {ends[1]:.5g}]"


def _tell(found: Surface, curve: Surface | None, best: Hindsight) -> None:
    unit, n = found.base.unit, found.levels.size
    pairs = n * (n + 1) // 2 if found.every_pair else n
    say(f"{pairs:,} pairs of {n} levels, {found.base.polarity}, {found.detect_trials} passes, {found.gap_trials} gaps")
    say(f"How: {found.how}.")
    if not found.distinct and curve is None:
        say("The light has more levels than that: between the levels counted the counts may differ.")
    say(
        f"Best in hindsight: on {best.setting.on_level:.5g}, off {best.setting.off_level:.5g} {unit}, "
        f"cost {best.cost:.4g} per pass; {best.equally_good:,} pairs cost the same."
    )
    names = ("lost", "merged", "extra", "false_trips", "ignore_trips")
    say("  " + ", ".join(f"{best.counts[k]} {k.replace('_', ' ')}" for k in names))
    say(
        f"  as good: on-levels {_interval(best.on_interval, open_below=best.open_below[0])} with that off-level, "
        f"off-levels {_interval(best.off_interval, open_below=best.open_below[1])} with that on-level"
    )
    if curve is not None:
        lost = curve.lost.diagonal() + curve.false_trips.diagonal() + curve.extra.diagonal()
        k = int(lost.argmin())
        say(
            f"Without hysteresis, every level exact: at best {lost[k]} lost, false and extra "
            f"(level {curve.levels[k]:.5g})"
        )


def _about(setting: Setting, found: Surface, regret: float) -> str:
    where = found.index_of(setting)
    head = f"Setting on {setting.on_level:.5g}, off {setting.off_level:.5g}: "
    if where is None:
        return head + "not among the levels counted; replay it."
    counts = found.at(*where)
    names = ("lost", "merged", "extra", "false_trips")
    return head + ", ".join(f"{counts[k]} {k.replace('_', ' ')}" for k in names) + f"; regret {regret:.4g} per pass"

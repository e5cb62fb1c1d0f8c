"""Cases of the suite: teach on one synthetic recording, score on another, judge the figures, and keep the results."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import lru_cache

import numpy as np
from figures import HERE, RESULTS, Case, Rule, Suite, Teachings, Verdict, number

from teachlab.errors import Abstained
from teachlab.model.recording import Direction, Recording
from teachlab.model.score import Outcome
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown
from teachlab.model.truth import Truth
from teachlab.scoring import score
from teachlab.switching import replay_family
from teachlab.synthetic import Scenario, generate, load_scenario
from teachlab.teaching import TeachBlock, resolve, teach_once

Logged = tuple[Recording, Truth]


def scenario_of(case: Case) -> Scenario:
    """The line of a case: beside the suite, or shipped."""
    own = HERE / "scenarios" / f"{case.scenario}.toml"
    return load_scenario(own if own.is_file() else case.scenario)


def taught_on(case: Case) -> Scenario:
    """The line while teaching: all of its products, or one kind only; another line where the case names one."""
    scenario = scenario_of(case.model_copy(update={"scenario": case.teach_scenario or case.scenario}))
    if not case.teach_only:
        return scenario
    kinds = tuple(kind for kind in scenario.object if kind.label == case.teach_only)
    return scenario.model_copy(update={"object": kinds})


@lru_cache(maxsize=2)
def scored_recording(name: str, passes: int, seed: int, gain: float, ambient: float) -> Logged:
    """The recording that is scored; conditions that follow each other share it."""
    return generate(scenario_of(Case(id="", scenario=name)), passes, seed, gain=gain, ambient=ambient)


def averaged(recording: Recording, samples: int) -> Recording:
    """The recording after a running mean over the last `samples` samples."""
    if samples == 1:
        return recording
    light = np.asarray(recording.light[0 : recording.samples], np.float64)
    before = np.concatenate([np.full(samples - 1, light[0]), light])
    mean = np.convolve(before, np.full(samples, 1 / samples), "valid")
    return Recording.from_array(mean, recording.info, name=recording.name)


def faded(recording: Recording, share: float) -> Recording:
    """The recording with its light, and its noise, fading evenly to a share."""
    if share == 1:
        return recording
    light = np.asarray(recording.light[0 : recording.samples], np.float64)
    return Recording.from_array(light * np.linspace(1, share, light.size), recording.info, name=recording.name)


def placed(base: Setting, direction: Direction | None, level: float, hysteresis: float) -> Setting:
    """Put levels for objects to be active, as a strategy would."""
    if direction is Direction.DIP:
        return replace(base, on_level=level + hysteresis, off_level=level, polarity="dark-on")
    return replace(base, on_level=level, off_level=level - hysteresis, polarity="light-on")


def teach(rule: Rule, block: TeachBlock, draws: int, direction: Direction | None) -> list[Setting]:
    """Settings of all draws that did not abstain."""
    strategy, settings = resolve(rule.strategy, rule.parameters), []
    for draw in range(draws):
        try:
            if rule.unaveraged:
                # the first sample of the stretch is one at a random place: no lamp is averaged out
                one = float(block.draw({Shown.BACKGROUND}, 0, draw).background.stretch[0])
                settings.append(placed(block.base, direction, one * 1.3, 0.02 * one * 1.3))
            else:
                settings.append(replace(teach_once(strategy, block, 0, draw), taught=None))
        except Abstained:
            continue
    return settings


def measure(recording: Recording, truth: Truth, settings: list[Setting]) -> dict[Setting, dict[str, float]]:
    """Replay and score distinct settings."""
    found: dict[Setting, dict[str, float]] = {}
    distinct = list(dict.fromkeys(settings))
    for setting, output in zip(distinct, replay_family(recording, distinct), strict=True):
        scored = score(output, truth)
        counts, passes = scored.counts, scored.counts.scored_passes
        found[setting] = {
            "level": setting.off_level if str(setting.polarity) == "dark-on" else setting.on_level,
            "lost": 100 * counts.lost / passes,
            "merged": 100 * counts.merged / passes,
            "extra": counts.extra / passes,
            "false": counts.false_trips / passes,
            "false_per_hour": float(scored.false_trips_per_running_hour.estimate or 0.0),
        }
        outcome = scored.trials.passes
        for label in sorted(set(truth.label)):
            mine = outcome[(truth.label == label) & (outcome != Outcome.EXCLUDED)]
            lost = np.isin(mine, (Outcome.MISS, Outcome.MERGED))
            found[setting][f"lost:{label}"] = 100 * float(lost.mean()) if mine.size else float("nan")
    return found


def of_scan(found: list[dict[str, float]]) -> dict[str, float]:
    """Lowest and highest level of a scan at which nothing at all goes wrong, and the least that goes wrong."""
    wrong = {m["level"]: m["lost"] + 100 * (m["extra"] + m["false"]) for m in found}
    clean = [level for level, cost in wrong.items() if cost == 0]
    return {
        "low": min(clean, default=float("nan")),
        "high": max(clean, default=float("nan")),
        "best": min(wrong.values()),
    }


def run_case(suite: Suite, case: Case, *, draws: int | None = None, passes: int | None = None) -> dict[str, np.ndarray]:
    """Measure one case: ``WHO.measure`` to its values over the draws.

    Parameters
    ----------
    suite, case
        What to run.
    draws, passes : int, optional
        Fewer teach draws, or fewer scored passes.
    """
    taught = generate(taught_on(case), case.teach_passes, suite.teach_seed)
    scored = scored_recording(case.scenario, passes or case.scored_passes, suite.scored_seed, case.gain, case.ambient)
    return measure_case(suite, case, taught, scored, draws=draws)


def measure_case(
    suite: Suite, case: Case, taught: Logged, scored: Logged, *, draws: int | None = None
) -> dict[str, np.ndarray]:
    """Measure one case on recordings that are there: taught on the one, scored on the other."""
    (learning, lessons), (recording, truth) = taught, scored
    learning, recording = averaged(learning, case.boxcar), averaged(faded(recording, case.fading), case.boxcar)
    base = Setting(unit=recording.info.unit, on_level=0.0, off_level=0.0, **case.base)
    direction = recording.info.direction
    wanted = {f.of for f in (*case.figure, *case.absent)} | {
        name.split(".")[0] for chain in case.ascending for name in chain
    }
    rules = {who: rule for who, rule in suite.rule.items() if who in wanted}
    block = TeachBlock(learning, lessons, base=base)
    groups = {who: teach(rule, block, draws or suite.draws, direction) for who, rule in rules.items()}
    groups |= {f.name: [placed(base, direction, f.level, f.hysteresis)] for f in case.fixed}
    scans = {
        w.name: [placed(base, direction, t, w.hysteresis) for t in np.arange(w.low, w.high, w.step)]
        for w in case.window
    }
    found = measure(recording, truth, [s for group in (groups | scans).values() for s in group])
    out = {}
    for who, settings in groups.items():
        for name in next(iter(found.values())):
            out[f"{who}.{name}"] = np.array([found[s][name] for s in settings])
        if who in rules:
            out[f"{who}.abstained"] = np.array([100 * (1 - len(settings) / (draws or suite.draws))])
    for who, settings in scans.items():
        for name, value in of_scan([found[s] for s in settings]).items():
            out[f"{who}.{name}"] = np.array([value])
    return out


def judge(case: Case | Teachings, measured: dict[str, np.ndarray]) -> tuple[list[Verdict], list[tuple[str, bool]]]:
    """Put figures and ordering statements beside what was measured."""
    verdicts = []
    for figure in case.figure:
        values = measured[f"{figure.of}.{figure.measure}"]
        verdicts.append(Verdict(case, figure, *(float(v) for v in np.quantile(values, [0.5, 0.05, 0.95]))))
    orders = []
    for chain in case.ascending:
        medians = [float(np.median(measured[name])) for name in chain]
        orders.append((" <= ".join(chain), medians == sorted(medians)))
    return verdicts, orders


def table(verdicts: list[Verdict], orders: list[tuple[str, str, bool]]) -> str:
    """The table of all figures in Markdown."""
    lines = [
        "| case | condition | setting | measure | measured median [5, 95 %] | design figure | accepted |",
        "|---|---|---|---|---|---|---|",
    ]
    for v in verdicts:
        f = v.figure
        spread = "" if v.p05 == v.p95 else f" [{number(v.p05)}, {number(v.p95)}]"
        printed = number(f.value) + ("" if f.range is None else f" [{number(f.range[0])}, {number(f.range[1])}]")
        if f.recomputed is not None:
            printed += f"; recomputed {number(f.recomputed)}"
        lines.append(
            f"| {v.case.id} | {v.case.what} | {f.of} | {f.measure} | {number(v.median)}{spread} | {printed} | "
            f"{'yes' if v.accepted else '**no**'} |"
        )
    lines += ["", "Orderings:", ""]
    lines += [f"- {case}: {text}: {'holds' if holds else '**does not hold**'}" for case, text, holds in orders]
    notes = [
        f"- {v.case.id}, {v.figure.of}, {v.figure.measure}: {v.figure.because}" for v in verdicts if v.figure.because
    ]
    return "\n".join([*lines, "", "Figures recomputed or remarked on:", "", *notes])


def rows_of(verdicts: list[Verdict]) -> list[dict[str, object]]:
    """Figures with what was measured, as they are stored."""
    return [
        {
            "case": v.case.id,
            "condition": v.case.what,
            **v.figure.model_dump(),
            "accepted_range": v.figure.accepted_range,
            "median": v.median,
            "p05": v.p05,
            "p95": v.p95,
            "accepted": v.accepted,
        }
        for v in verdicts
    ]


def store(name: str, text: str, document: object) -> None:
    """Write a table and its numbers."""
    RESULTS.mkdir(exist_ok=True)
    (RESULTS / f"{name}.md").write_text(text + "\n", encoding="utf-8")
    (RESULTS / f"{name}.json").write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")


def store_once(suite: Suite, verdicts: list[Verdict], orders: list[tuple[str, str, bool]], draws: int | None) -> None:
    """Write the table of one pair of seeds."""
    head = (
        "# The difficult products\n\nSynthetic lines, reference settings of the four classic strategies; "
        f"{draws or suite.draws} teach draws from one recording (seed {suite.teach_seed}), scored on another (seed "
        f"{suite.scored_seed}). lost and merged in percent of the passes, extra and false per pass, levels in percent "
        "of full scale. Written by `python benchmarks/products/run.py`; how a figure is accepted stands at the head of "
        "`figures.py`, the same at other seeds in `seeds.md`.\n\n"
    )
    chains = [{"case": c, "order": o, "holds": h} for c, o, h in orders]
    store("difficult_products", head + table(verdicts, orders), {"figures": rows_of(verdicts), "orders": chains})

"""A scenario in words."""

from __future__ import annotations

from teachlab.model.printable_text import number_of
from teachlab.synthetic.scenario import Scenario


def explain(scenario: Scenario) -> str:
    """Return what a scenario contains, one line per effect; effects that are not listed are absent.

    Examples
    --------
    >>> from teachlab.synthetic import load_scenario
    >>> print(explain(load_scenario("clear-jars")).splitlines()[0])
    Clear jars through a reflex beam (Quillmarsh Preserves)
    """
    sensor, line = scenario.sensor, scenario.line
    head = f"{scenario.title} ({scenario.plant})" if scenario.plant else scenario.title
    does = {"rise": "objects raise the light", "dip": "objects lower it", None: "objects raise or lower it"}
    unit = f"{sensor.bits}-bit counts" if sensor.unit == "counts" else f"percent of full scale in {sensor.bits} bits"
    lines = [head]
    if scenario.difficulty:
        lines.append(f"Difficulty: {scenario.difficulty}")
    lines += [
        f"Sensor: {sensor.sensing}, {sensor.sample_rate_hz:g} evaluations per second, {unit}; {does[sensor.direction]}",
        f"Optics: {sensor.beam.words()}",
        f"Line: {line.speed_mm_s:g} mm/s ({scenario.step_mm:.3g} mm per sample), gaps {line.gap_mm.words('mm')}",
    ]
    lines[-1:-1] = [f"Optics: {scale.words()}" for scale in (sensor.reference, sensor.suppression) if scale is not None]
    lines += [f"Line: {extra}" for extra in _line_extras(scenario)]
    lines.append(f"Background: {scenario.background.words()}")
    total = sum(kind.share for kind in scenario.object)
    for kind in scenario.object:
        share = "" if len(scenario.object) == 1 else f" ({100 * kind.share / total:.3g} % of them)"
        lines.append(f"Object{share}: {kind.words()}")
    lines += [f"Interference: {part}" for part in scenario.interference.words()]
    lines += [f"Drift: {part}" for part in scenario.drift.words()]
    if sensor.front_end.time_constant_us:
        lines.append(f"Receiver: {sensor.front_end.words()}")
    lines.append(f"Receiver: {sensor.noise.words()}")
    lines += [f"Recording fault: {part}" for part in scenario.faults.words()]
    if scenario.controller is not None:
        sure = line.speed_mm_s * (scenario.controller.scan_ms + scenario.controller.filter_ms) / 1000
        lines.append(
            f"{scenario.controller.words().capitalize()}: sure of products and gaps from {sure:.3g} mm on only"
        )
    if scenario.notes:
        lines.append(f"Note: {scenario.notes}")
    return "\n".join(lines)


def _line_extras(scenario: Scenario) -> list[str]:
    line = scenario.line
    parts = []
    if line.touching_share:
        parts.append(f"{100 * line.touching_share:g} % of the products touch")
    if line.lot_passes is not None:
        spread = f", level {100 * line.lot_level_cv:g} % different from lot to lot" if line.lot_level_cv else ""
        parts.append(f"lots of {number_of(line.lot_passes, 'pass', 'passes')}{spread}")
    parts += [effect.words() for effect in (line.wander, line.stops, *line.halts) if effect is not None]
    return parts

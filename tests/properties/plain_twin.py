"""The plain twin: switching and scoring written out one evaluation at a time, as slowly as it reads.

Nothing here is shared with the package: settings are the plain JSON form, recordings are lists, and
every rule is a loop. It exists to disagree with the package where either of the two is wrong.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

VOID_FROM = 6
"""An invalid evaluation is void from this one in a row on."""


def decimal(value: float) -> Fraction:
    """The shortest decimal that prints a float, as an exact fraction."""
    return Fraction(repr(float(value)))


def round_up(value: Fraction) -> int:
    """The smallest integer that is at least value - 1/1,000,000."""
    whole = math.floor(value) - 1
    while whole < value - Fraction(1, 1_000_000):
        whole += 1
    return whole


def step_ratio(sample_rate: float, evaluation_rate: float | None) -> Fraction:
    """Samples per evaluation."""
    if evaluation_rate is None:
        return Fraction(1)
    quotient = decimal(sample_rate) / decimal(evaluation_rate)
    simple = quotient.limit_denominator(1_000_000)
    ratio = simple if abs(simple - quotient) * 10**12 <= quotient else quotient
    if ratio < 1:
        raise ValueError("evaluated faster than sampled")
    return ratio


def is_invalid(value: float | None) -> bool:
    return value is None or value != value


def comparator(values: Sequence[float | None], on_level: float, off_level: float) -> list[bool]:
    """True for light."""
    first_valid = next((v for v in values if not is_invalid(v)), None)
    if first_valid is None:
        raise ValueError("no valid evaluation")
    light = float(first_valid) >= on_level
    states = []
    seen_valid = False
    for value in values:
        if not is_invalid(value):
            x = float(value)  # type: ignore[arg-type]
            if not seen_valid:
                seen_valid = True
                light = x >= on_level
            elif light:
                if x < off_level:
                    light = False
            elif x >= on_level:
                light = True
        states.append(light)
    return states


def window(values: Sequence[float | None], setting: Mapping[str, Any]) -> list[bool]:
    """True for beyond the window of two thresholds."""
    beyond_above = beyond_below = False
    states = []
    first = None
    for value in values:
        if not is_invalid(value):
            x = float(value)  # type: ignore[arg-type]
            if x >= setting["on_level"]:
                beyond_above = True
            elif x < setting["high_release"]:
                beyond_above = False
            if x < setting["off_level"]:
                beyond_below = True
            elif x >= setting["low_release"]:
                beyond_below = False
            if first is None:
                first = beyond_above or beyond_below
        states.append(beyond_above or beyond_below)
    if first is None:
        raise ValueError("no valid evaluation")
    for i, value in enumerate(values):  # what comes before the first valid one takes its state
        if not is_invalid(value):
            break
        states[i] = first
    return states


def moved_levels(setting: Mapping[str, Any], b: float) -> tuple[float, float]:
    """The two levels at a reference b."""
    on, off, taught, dark = (float(setting[k]) for k in ("on_level", "off_level", "reference", "dark_level"))
    if b == taught:
        return on, off
    if setting["follow"] == "offset":
        return on + (b - taught), off + (b - taught)
    assert setting["follow"] == "gain"
    ratio = (b - dark) / (taught - dark)
    return dark + (on - dark) * ratio, dark + (off - dark) * ratio


def following(
    values: Sequence[float | None], setting: Mapping[str, Any], rate: Fraction
) -> tuple[list[bool], dict[str, Any]]:
    """True for light, with levels that follow; and what the reference was at every evaluation."""
    hertz = float(rate)
    interval = setting["update_evaluations"]
    constant = setting["time_constant_ms"] * hertz / 1000.0
    hold = round_up(decimal(setting["freeze_hold_ms"]) * rate / 1000)
    light_on = setting["polarity"] == "light-on"
    b = float(setting["reference"])
    light = seen_valid = alarm = False
    last_object = None
    waited = 0
    states, path, releases, alarms = [], [], [], []
    counted, present = [], []
    for i, value in enumerate(values):
        on, off = moved_levels(setting, b)
        path.append(b)
        alarms.append(alarm)
        if not is_invalid(value):
            x = float(value)  # type: ignore[arg-type]
            if not seen_valid:
                seen_valid = True
                light = x >= on
            elif light:
                light = not x < off
            else:
                light = x >= on
            if light == light_on:
                last_object = i
            counts = abs(x) != math.inf
            if counts:
                present.append(x)
            if setting["freeze"] and last_object is not None and i - last_object <= hold:
                counts = False
            distance = math.inf
            if setting["guard"] is not None:
                distance = setting["guard"] * abs((on if light_on else off) - b)
            if counts and abs(x - b) < distance:
                counted.append(x)
        states.append(light)
        if (i + 1) % interval != 0:
            continue
        wanted = None
        if counted:
            waited = 0
            n = len(counted)
            step = (left_to_right(counted) / n - b) * (n / (n + constant))
            if setting["slew_per_s"] is not None:
                most = setting["slew_per_s"] * interval / hertz
                step = most if step > most else -most if step < -most else step
            wanted = b + step
        else:
            waited += interval
            after = setting["release_after_ms"]
            if after is not None and waited >= round_up(decimal(after) * rate / 1000) and present:
                waited = 0
                wanted = left_to_right(present) / len(present)
                releases.append(i + 1)
        if wanted is not None and math.isfinite(wanted):
            alarm = wanted < setting["low_limit"] or wanted > setting["high_limit"]
            b = min(max(wanted, setting["low_limit"]), setting["high_limit"])
        counted, present = [], []
    if not seen_valid:
        raise ValueError("no valid evaluation")
    first_valid = next(i for i, v in enumerate(values) if not is_invalid(v))
    states[:first_valid] = [states[first_valid]] * first_valid
    told = {"path": path, "last": b, "alarm": alarms, "releases": [i for i in releases if i < len(values)]}
    return states, told


def turning_points(values: Sequence[float | None], setting: Mapping[str, Any]) -> list[bool]:
    """True for light: dark is an object that dips, light one that rises."""
    rise, dark = setting["direction"] == "rise", float(setting["dark_level"])
    extreme = float(setting["background"])  # furthest from where objects go, since the last object
    taught = setting["share"] * (extreme - dark) if setting["form"] == "gain" else setting["distance"]
    inside = first = None
    distance = 0.0
    states = []
    for value in values:
        if not is_invalid(value):
            x = float(value)  # type: ignore[arg-type]
            if inside is not None:
                inside = max(inside, x) if rise else min(inside, x)
                if (inside - x if rise else x - inside) >= setting["return_share"] * distance:
                    inside, extreme = None, x
            else:
                extreme = min(extreme, x) if rise else max(extreme, x)
                wanted = taught
                if setting["form"] == "gain" and extreme > dark:
                    wanted = setting["share"] * (extreme - dark)
                if (x - extreme if rise else extreme - x) > wanted:
                    inside, distance = x, wanted
            if first is None:
                first = inside is not None
        states.append((inside is not None) == rise)
    if first is None:
        raise ValueError("no valid evaluation")
    valid = next(i for i, v in enumerate(values) if not is_invalid(v))
    return [first == rise] * valid + states[valid:]


def left_to_right(numbers: Sequence[float]) -> float:
    total = 0.0
    for number in numbers:
        total = total + number
    return total


def light_state(
    values: Sequence[float | None], setting: Mapping[str, Any], rate: Fraction
) -> tuple[list[bool], dict[str, Any] | None]:
    """What the comparator says, by the kind of setting; with what the reference did where it follows."""
    kind = setting.get("kind")
    if kind == "following":
        return following(values, setting, rate)
    if kind == "window":
        return window(values, setting), None
    if kind == "turning-point":
        return turning_points(values, setting), None
    assert kind is None
    return comparator(values, float(setting["on_level"]), float(setting["off_level"])), None


def consecutive_filter(states: Sequence[bool], invalid: Sequence[bool], consecutive: int) -> list[bool]:
    state = states[0]
    disagreeing = 0
    filtered = []
    for now, skip in zip(states, invalid, strict=True):
        if not skip:
            if now == state:
                disagreeing = 0
            else:
                disagreeing += 1
                if disagreeing == consecutive:
                    state = now
                    disagreeing = 0
        filtered.append(state)
    return filtered


def on_delay(states: Sequence[bool], wait: int) -> list[bool]:
    """Active only if the input was active now and in all of the `wait` evaluations before."""
    out = []
    for i in range(len(states)):
        active = True
        for back in range(wait + 1):
            if not states[max(0, i - back)]:  # before the record: as at the first evaluation
                active = False
                break
        out.append(active)
    return out


def off_delay(states: Sequence[bool], wait: int) -> list[bool]:
    """Active if the input was active now or in any of the `wait` evaluations before."""
    out = []
    for i in range(len(states)):
        active = False
        for back in range(wait + 1):
            if states[max(0, i - back)]:
                active = True
                break
        out.append(active)
    return out


def void_evaluations(invalid: Sequence[bool]) -> list[bool]:
    run = 0
    void = []
    for bad in invalid:
        run = run + 1 if bad else 0
        void.append(run >= VOID_FROM)
    return void


def plain_replay(light: Sequence[float | None], sample_rate: float, setting: Mapping[str, Any]) -> dict[str, Any]:
    """Switch a list of samples (None or NaN: invalid) by a setting in its JSON form."""
    ratio = step_ratio(sample_rate, setting["evaluation_rate_hz"])
    rate = decimal(sample_rate if setting["evaluation_rate_hz"] is None else setting["evaluation_rate_hz"])
    reads = []
    # floor(i * ratio), in whole numbers
    while (at := len(reads) * ratio.numerator // ratio.denominator) < len(light):
        reads.append(at)

    values = [light[s] for s in reads]
    invalid = [is_invalid(v) for v in values]
    state, reference = light_state(values, setting, rate)
    filtered = consecutive_filter(state, invalid, setting["consecutive"])

    light_on = {"light-on": True, "dark-on": False}[setting["polarity"]]
    undelayed = [now == light_on for now in filtered]
    wait_on = round_up(decimal(setting["on_delay_ms"]) * rate / 1000)
    wait_off = round_up(decimal(setting["off_delay_ms"]) * rate / 1000)
    if setting["delays_act_on"] == "light":
        output = [now == light_on for now in off_delay(on_delay(filtered, wait_on), wait_off)]
    else:
        assert setting["delays_act_on"] == "output"
        output = off_delay(on_delay(undelayed, wait_on), wait_off)

    lag = setting["consecutive"] - 1
    lag += wait_off if not light_on and setting["delays_act_on"] == "light" else wait_on
    changes = [i for i in range(1, len(output)) if output[i] != output[i - 1]]
    return {
        "samples": len(light),
        "sample_rate": decimal(sample_rate),
        "rate": rate,
        "reads": reads,
        "invalid": invalid,
        "void": void_evaluations(invalid),
        "state": state,
        "reference": reference,
        "filtered": filtered,
        "undelayed": undelayed,
        "output": output,
        "lag": lag,
        "active_at_start": output[0],
        "onset_evaluations": [i for i in changes if output[i]],
        "onsets": [reads[i] for i in changes if output[i]],
        "releases": [reads[i] for i in changes if not output[i]],
    }


def windows(
    replayed: Mapping[str, Any], spans: Sequence[tuple[int, int]], tolerance_ms: float, uncertainty_samples: float
) -> tuple[list[range], list[range]]:
    """What each pass covers, and its window, in evaluations; spans are [start, end) in samples."""
    reads, lag = replayed["reads"], replayed["lag"]
    count = len(reads)

    def first_at(sample: int) -> int:
        return next((i for i in range(count) if reads[i] >= sample), count)

    spread = decimal(tolerance_ms) * replayed["rate"] / 1000
    spread += decimal(uncertainty_samples) * replayed["rate"] / replayed["sample_rate"]
    e = round_up(spread)

    covers = [range(first_at(start), first_at(end)) for start, end in spans]
    seen = [k for k in range(len(spans)) if len(covers[k]) > 0]  # a pass without evaluations divides no gap
    begin = {k: covers[k].start - e for k in seen}
    stop = {k: covers[k].stop + e + lag for k in seen}
    for k, following in itertools.pairwise(seen):
        free_end, next_start = covers[k].stop + e + lag, covers[following].start
        if free_end > next_start - e:
            middle = (covers[k].stop + next_start) // 2 + lag
            border = min(middle, free_end, covers[following].stop)
            stop[k] = border
            begin[following] = border
    found = []
    for k in range(len(spans)):
        if k in begin:
            found.append(range(max(0, begin[k]), min(count, stop[k])))
        else:
            found.append(range(0))
    return covers, found


def gaps_between(found: Sequence[range], count: int) -> list[range]:
    """The stretches of evaluations that lie in no window."""
    owned = set()
    for window in found:
        for i in window:
            assert i not in owned, "two windows share an evaluation"
            owned.add(i)
    gaps = []
    begin = None
    for i in range(count + 1):
        free = i < count and i not in owned
        if free and begin is None:
            begin = i
        # Two windows that touch leave no gap, so a run of free evaluations is one gap.
        if not free and begin is not None:
            gaps.append(range(begin, i))
            begin = None
    return gaps


def is_excluded(replayed: Mapping[str, Any], span: tuple[int, int], cover: range, window: range) -> bool:
    void, invalid, lag = replayed["void"], replayed["invalid"], replayed["lag"]
    if span[0] == 0 or span[1] == replayed["samples"]:
        return True
    if len(cover) == 0:
        return False
    if any(void[i] for i in window):
        return True
    if all(invalid[i] for i in cover):
        return True
    return any(void[i] for i in range(max(0, window.start - lag - 1), min(window.start, len(void))))


def plain_score(
    replayed: Mapping[str, Any],
    passes: Sequence[tuple[int, int, str]],
    *,
    tolerance_ms: float = 0.0,
    uncertainty_samples: float = 0.0,
) -> dict[str, Any]:
    """Score what `plain_replay` gave against passes (start, end, expect) in samples."""
    output, undelayed, void = replayed["output"], replayed["undelayed"], replayed["void"]
    count = len(output)
    spans = [(start, end) for start, end, _ in passes]
    covers, found = windows(replayed, spans, tolerance_ms, uncertainty_samples)
    onsets = replayed["onset_evaluations"]
    names = "detect_passes hits misses merged extra excluded_passes excluded_onsets ignore_passes ignore_false_trips"
    names += " ignore_held excluded_ignore_passes gaps gaps_tripped false_trips excluded_gaps"
    score: dict[str, Any] = dict.fromkeys(names.split(), 0)

    for (start, end, expect), cover, window in zip(passes, covers, found, strict=True):
        inside = sum(1 for i in onsets if i in window)
        excluded = is_excluded(replayed, (start, end), cover, window)
        active = any(output[i] for i in window)
        seen = any(undelayed[i] for i in window)
        score[f"{expect}_passes"] += 1
        if excluded:
            score["excluded_passes" if expect == "detect" else "excluded_ignore_passes"] += 1
            score["excluded_onsets"] += inside
        elif expect == "ignore":
            score["ignore_false_trips"] += inside
            score["ignore_held"] += 1 if active and inside == 0 else 0
        elif inside > 0:
            score["hits"] += 1
            score["extra"] += inside - 1
        elif active and seen:
            score["merged"] += 1
        else:
            score["misses"] += 1

    scored_time = excluded_time = active_time = 0
    for gap in gaps_between(found, count):
        inside = sum(1 for i in onsets if i in gap)
        if any(void[i] for i in gap):
            score["excluded_gaps"] += 1
            score["excluded_onsets"] += inside
            excluded_time += len(gap)
        else:
            score["gaps"] += 1
            score["gaps_tripped"] += 1 if inside > 0 else 0
            score["false_trips"] += inside
            scored_time += len(gap)
            active_time += sum(1 for i in gap if undelayed[i])
    hour = 3600 * replayed["rate"]
    score["gap_hours"] = float(scored_time / hour)
    score["excluded_gap_hours"] = float(excluded_time / hour)
    score["running_hours"] = float(count / hour)
    score["false_active_share"] = float(Fraction(active_time, scored_time)) if scored_time else None
    return score


TIMES = {"gap_hours", "excluded_gap_hours", "running_hours", "false_active_share"}


def disagreements(ours: Mapping[str, Any], plain: Mapping[str, Any]) -> list[str]:
    """Name the counts in which a score differs from the plain one; times may differ by rounding."""
    found = []
    for name, value in plain.items():
        if name in TIMES and value is not None and ours[name] is not None:
            same = math.isclose(ours[name], value, rel_tol=1e-12, abs_tol=0.0)
        else:
            same = ours[name] == value
        if not same:
            found.append(f"{name}: {ours[name]} instead of {value}")
    return found

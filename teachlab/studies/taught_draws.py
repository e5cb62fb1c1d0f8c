"""The common part of bench and study: every teaching on the teach block, and all settings counted on both halves."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from teachlab.data.split import Split, split
from teachlab.errors import InputError, TruthError
from teachlab.model.draws import Draw, DrawOptions
from teachlab.model.memory import return_freed_memory
from teachlab.model.printable_text import SHOWN_OF_MESSAGE, number_of, printable
from teachlab.model.recording import Recording
from teachlab.model.setting import Setting, bare
from teachlab.model.teaching import Strategy
from teachlab.model.truth import Truth
from teachlab.questions.surface.count_settings import Counted, count_settings_from
from teachlab.questions.surface.values.levels import FirstLook, FirstReading
from teachlab.studies.claim_half import second_half
from teachlab.teaching.block import TeachBlock
from teachlab.teaching.once import draw_by_draw

Progress = Callable[[float], None]
TAUGHT = 0.9
"""Share of the teaching in the usual time of teaching and counting."""
LONG = 1 << 25
"""After teaching on recordings of more samples, memory that was freed is returned to the system."""


@dataclass(frozen=True, slots=True)
class Teaching:
    """One way to teach: a strategy with its parameters, on a base setting, with a seed."""

    strategy: Strategy
    base: Setting | None
    seed: int


@dataclass(slots=True)
class DrawClock:
    """Tells which strategy is teaching.

    `teaching`, `since`: its name, and since when it teaches one draw; empty between teachings.
    """

    teaching: str = ""
    since: float = 0.0

    def begins(self, strategy: Strategy) -> None:
        """Note that a strategy teaches from now on."""
        self.since, self.teaching = time.perf_counter(), strategy.name


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TaughtDraws:
    """Results of every teaching of one recording, and of its settings.

    `middle`: first pass of the claim half.
    `draws`: by the keys of the teachings, without measures.
    `before`: the same before their settings were turned into ones that can be keyed in.
    `counts`, `later`: of every distinct setting on all scored passes, and on the claim half.
    `first_reading`: what the recording showed beside, if all of it was read.
    """

    cut: Split
    middle: int
    draws: Mapping[str, Sequence[Draw]]
    before: Mapping[str, Sequence[Draw]]
    counts: Counted
    later: Counted
    first_reading: FirstReading | None = None

    @property
    def first_half(self) -> Counted:
        """What the settings did on the choosing half."""
        return {setting: n.before(self.later[setting]) for setting, n in self.counts.items()}

    def scored_passes(self, recording: Recording, truth: Truth) -> int:
        """Return how many detect passes are trials of the scored block.

        Raises `TruthError` if there is none.
        """
        trials = [n.detect_trials for n in self.counts.values()]
        if trials and max(trials) == 0:
            raise TruthError(
                f"{recording.name}: none of the {number_of(truth.detect_passes, 'pass', 'passes')} is left to "
                f"score: those after the teach "
                "block hold void time or are cut by the record. Log longer, or teach on a smaller share."
            )
        return max(trials, default=int(np.count_nonzero(truth.detect[self.cut.first_scored :])))


def taught_draws(
    recording: Recording,
    truth: Truth,
    teachings: Mapping[str, Teaching],
    *,
    options: DrawOptions,
    careful: bool = False,
    untried: str = "",
    keyed: Callable[[Setting], Setting] | None = None,
    progress: Progress | None = None,
    clock: DrawClock | None = None,
) -> TaughtDraws:
    """Run every teaching in many draws, and count all settings together: one reading for all.

    `options`: draws, teach share and rules; base and seed are those of the teachings.
    `careful`: whether a strategy that breaks the protocol in another way fails in all draws, instead of ending the run.
    `untried`: if given, nothing is taught: every draw fails for this reason.
    `keyed`: turns a setting into one that can be keyed in; if it refuses, the draw abstains.
    `clock`: told which strategy is teaching.
    """
    cut = split(truth, recording.samples, teach_share=options.teach_share)
    blocks: dict[Setting | None, TeachBlock] = {}
    say = progress or (lambda share: None)
    draws: dict[str, list[Draw]] = {key: [] for key in teachings}
    teach: dict[str, Callable[[int], Draw]] = {}
    failed: dict[str, str] = dict.fromkeys(teachings, untried) if untried else {}
    clock = clock or DrawClock()
    # Draw by draw: what the strategies measure of one showing is measured once, and need not be kept for the next ones.
    for draw in range(options.draws):
        for key, one in teachings.items():
            if key in failed:
                continue
            base = None if one.base is None else bare(one.base)
            if base not in blocks:
                blocks[base] = TeachBlock(recording, truth, base=base, rules=options.rules, stop_sample=cut.teach_end)
            clock.begins(one.strategy)
            try:
                if draw == 0:
                    teach[key] = draw_by_draw(one.strategy, blocks[base], range(options.draws), one.seed)
                draws[key].append(teach[key](draw))
            except Exception as fault:
                if not careful:
                    raise
                told = f"strategy '{one.strategy.name}' failed: {type(fault).__name__}: {fault}"
                failed[key] = printable(told, most=SHOWN_OF_MESSAGE)
            clock.teaching = ""
        say(TAUGHT * new_share(draw + 1, options.draws, cut.teach_passes))
    draws |= {
        key: [Draw(draw=k, setting=None, failed=text, measures={}) for k in range(options.draws)]
        for key, text in failed.items()
    }
    # What was measured of the teach blocks, and what is no longer used, would lie beside all that follows.
    teach.clear()
    blocks.clear()
    if recording.samples > LONG:
        return_freed_memory()
    before = draws
    if keyed is not None:
        draws = {key: [_keyed(one, keyed) for one in some] for key, some in before.items()}
    settings = [d.setting for some in draws.values() for d in some if d.setting is not None]
    middle = second_half(cut.first_scored, truth.passes)
    rules = [options.rules.scored_from(first) for first in (cut.first_scored, middle)]
    look = FirstLook(recording, None if options.base is None else options.base.evaluation_rate_hz)
    counts, later = count_settings_from(
        recording, truth, settings, rules, look=look, progress=lambda share: say(TAUGHT + (1 - TAUGHT) * share)
    )
    return TaughtDraws(
        cut=cut,
        middle=middle,
        draws=draws,
        before=before,
        counts=counts,
        later=later,
        first_reading=look.reading() if look.whole else None,
    )


def new_share(done: int, draws: int, passes: int) -> float:
    """Return which share of the usual work on draws is done: what was measured of one showing serves the next ones.

    `done`, `draws`: draws done, and draws in all.
    `passes`: in the teach block, half of which in a row are shown: there are no more showings than places of that half.

    Examples
    --------
    >>> [round(new_share(done, 200, 72), 2) for done in (0, 10, 50, 200)]
    [0.0, 0.24, 0.75, 1.0]
    """
    left = 1 - 1 / (passes // 2 + 1)
    seen, most = (1 - left**many for many in (done, draws))
    return seen / most


def _keyed(draw: Draw, keyed: Callable[[Setting], Setting]) -> Draw:
    if draw.setting is None:
        return draw
    try:
        return replace(draw, setting=keyed(draw.setting))
    except InputError as fault:
        return replace(draw, setting=None, abstained=f"what it taught cannot be keyed in: {fault}")

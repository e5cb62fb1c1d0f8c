"""The conformance checks, one function each, and the run over all of them."""

from __future__ import annotations

import json
import pickle
import random
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import FrozenInstanceError, fields, replace
from typing import Any
from unittest import SkipTest

import numpy as np

import teachlab.testing.degenerate_light as hardly
import teachlab.testing.shown as shown
import teachlab.testing.symmetry as symmetry
from teachlab.errors import Abstained, ParameterError, StrategyError, TeachlabError
from teachlab.model.printable_text import number_of
from teachlab.model.recording import Direction
from teachlab.model.setting import Setting
from teachlab.model.teaching import Shown, Strategy, TeachView
from teachlab.teaching.once import teach_once
from teachlab.teaching.parameters import as_text, describe, parameters_of, parse_parameters
from teachlab.testing.fresh_process import taught_elsewhere
from teachlab.testing.report import CheckResult, CheckVerdict, ConformanceReport
from teachlab.testing.subject import Subject, ask, insides, random_state_kept, seeded

TIME_LIMIT_S = 20.0
"""CPU time within which a million samples must be taught."""

_P, _F, _S = CheckVerdict.PASSED, CheckVerdict.FAILED, CheckVerdict.SKIPPED
Told = tuple[CheckVerdict, str]


def conformance(strategy: Strategy, *, expected_failures: Mapping[str, str] | None = None) -> ConformanceReport:
    """Check a strategy against everything that the package relies on.

    Parameters
    ----------
    strategy : Strategy
        As it will be used, with its parameters.
    expected_failures : mapping of str to str, optional
        Checks that are known to fail, each with its reason. If one of them passes, that is a failure.

    Returns
    -------
    ConformanceReport
        One record per check of `CHECKS`; a check that cannot be made is skipped, with its reason.

    Raises
    ------
    ParameterError
        If an expected failure names no check, or gives no reason.

    Examples
    --------
    >>> from teachlab.teaching import resolve
    >>> report = conformance(resolve("single-sample"))
    >>> report.ok, report["determinism"].verdict.value
    (True, 'passed')
    """
    made = checks(strategy, expected_failures=expected_failures)
    results = tuple(check.result() for check in made)
    return ConformanceReport(strategy.name, results, taught=made[0].taught)


def checks(strategy: Strategy, *, expected_failures: Mapping[str, str] | None = None) -> list[StrategyCheck]:
    """Return the checks of a strategy one by one, as the cases of a parametrized test.

    Parameters
    ----------
    strategy : Strategy
    expected_failures : mapping of str to str, optional
        As for `conformance`.

    Returns
    -------
    list of StrategyCheck
        Call one to run it; pytest takes its ``__name__`` as the id of the case.

    Raises
    ------
    ParameterError
        If an expected failure names no check, or gives no reason.

    Examples
    --------
    In a test module, ``@pytest.mark.parametrize("check", checks(Mine()))`` above ``def test_it(check): check()``.

    >>> from teachlab.teaching import resolve
    >>> first = checks(resolve("single-sample"))[0]
    >>> first.__name__, first.result().verdict.value
    ('single-sample-determinism', 'passed')
    """
    expected = dict(expected_failures or {})
    for name, reason in expected.items():
        if name not in CHECKS:
            raise ParameterError(f"no conformance check is named '{name}'. There are: {', '.join(CHECKS)}.")
        if not reason.strip():
            raise ParameterError(f"the expected failure of '{name}' must have a reason.")
    subject = Subject(strategy)
    return [StrategyCheck(name, subject, expected.get(name)) for name in CHECKS]


class StrategyCheck:
    """One check of one strategy, as a function without arguments."""

    def __init__(self, name: str, subject: Subject, expected_failure: str | None) -> None:
        self.name = name
        self.__name__ = f"{subject.strategy.name}-{name}"
        self._subject, self._reason = subject, expected_failure

    def __repr__(self) -> str:
        """Return the name of the strategy and of the check."""
        return f"<check {self.__name__}>"

    @property
    def taught(self) -> bool:
        """Whether the strategy taught anything in the checks that have been run."""
        return self._subject.taught

    def result(self) -> CheckResult:
        """Run the check and return its result; the global random generators are restored."""
        with random_state_kept():
            return _result(self.name, CHECKS[self.name](self._subject), self._reason)

    def __call__(self) -> None:
        """Run the check.

        Raises
        ------
        AssertionError
            If it fails, with what was found.
        unittest.SkipTest
            If it cannot be made, or fails as expected; pytest and unittest report the test as skipped.
        """
        found = self.result()
        if found.verdict is CheckVerdict.FAILED:
            raise AssertionError(f"{self.__name__}: {found.told}")
        if found.verdict is not CheckVerdict.PASSED:
            raise SkipTest(f"{found.verdict}: {found.told}")


def _result(name: str, told: Told, reason: str | None) -> CheckResult:
    verdict, text = told
    if reason is None or verdict is _S:
        return CheckResult(name, verdict, text)
    if verdict is _F:
        return CheckResult(name, CheckVerdict.EXPECTED_FAILURE, f"{reason} ({text})")
    return CheckResult(name, _F, f"it was expected to fail ({reason}), but passes: {text}")


def _judged(fault: str, good: str) -> Told:
    return (_F, fault) if fault else (_P, good)


def _unjudged(subject: Subject, *, setting: bool = False) -> Told | None:
    """Return why a check that compares answers cannot be made, or None."""
    if subject.sound.fault:
        return _S, "not judged: the strategy fails on an ordinary line, see determinism"
    if not subject.repeats:
        return _S, "not judged: the strategy does not say the same twice, see determinism"
    if setting and subject.sound.setting is None:
        return _S, f"not judged: the strategy {subject.sound} on an ordinary line"
    return None


def determinism(subject: Subject) -> Told:
    """Require the same setting for the same evidence, whatever was shown in between."""
    if subject.sound.fault:
        return _F, f"it fails on an ordinary line: {subject.sound.fault}"
    if not subject.repeats:
        return _F, f"the same evidence, shown again, gives another answer than {subject.sound}"
    return _P, f"the same evidence gives the same answer: {subject.sound}"


def global_random_state(subject: Subject) -> Told:
    """Require that the global random generators are neither read nor changed."""
    if (skip := _unjudged(subject)) is not None:
        return skip
    if subject.ask(subject.view(), seed=1).document() != subject.sound.document():
        return _F, "another seed of the global random generators gives another answer. Use a generator of its own"
    seeded(2)
    before = _random_state()
    ask(subject.strategy, subject.view())
    moved = _random_state() != before
    return _judged(
        "it draws from the global random generators" if moved else "", "the answer depends on no global seed"
    )


def _random_state() -> bytes:
    return pickle.dumps((np.random.get_state(), random.getstate()))  # noqa: NPY002


def immutability(subject: Subject) -> Told:
    """Require a frozen dataclass that teaching leaves unchanged."""
    strategy: Any = subject.strategy
    options = getattr(type(strategy), "__dataclass_params__", None)
    if options is None or not options.frozen:
        return _F, "it must be a frozen dataclass: write @dataclass(frozen=True, slots=True, kw_only=True)"
    for f in fields(strategy):
        try:
            setattr(strategy, f.name, getattr(strategy, f.name))
        except (FrozenInstanceError, AttributeError):
            continue
        return _F, f"its field '{f.name}' can be set"
    ask(strategy, subject.view())
    fault = "" if insides(strategy) == subject.untaught else "teaching changes it"
    return _judged(fault, "teaching leaves it as it was")


def pickling(subject: Subject) -> Told:
    """Require that it survives pickling, and teaches the same afterwards."""
    try:
        again = pickle.loads(pickle.dumps(subject.strategy))
    except Exception as error:  # noqa: BLE001 - anything a class does in pickling is what is reported
        return _F, f"it cannot be pickled: {type(error).__name__}: {error}"
    if again != subject.strategy:
        return _F, "what comes back from a pickle is not equal to it"
    if (skip := _unjudged(subject)) is not None:
        return skip
    same = subject.ask(subject.view(), strategy=again).document() == subject.sound.document()
    return _judged("" if same else "what comes back from a pickle teaches otherwise", "it comes back from a pickle")


def parameters(subject: Subject) -> Told:
    """Require that its name is kebab-case, and its parameters come back from JSON and from the command line."""
    strategy, made = subject.strategy, type(subject.strategy)
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", strategy.name):
        return _F, f"its name must be words of small letters and digits, joined by dashes, got {strategy.name!r}"
    try:
        plain = json.loads(json.dumps(parameters_of(strategy), allow_nan=False))
        texts = {name: as_text(value) for name, value in plain.items()}
        again = made(**parse_parameters(made, texts))
        told = describe(made)
    except (TeachlabError, TypeError, ValueError) as error:
        return _F, f"its parameters cannot be written and read: {error}"
    if again != strategy or parameters_of(again) != plain:
        return _F, f"built from its own parameters {plain} it is another: {parameters_of(again)}"
    return (
        _P,
        f"{number_of(len(told), 'parameter')} {'comes' if len(told) == 1 else 'come'} back from JSON and from text",
    )


def declared_only(subject: Subject) -> Told:
    """Require that it uses no evidence, and changes no part of the base setting, that it does not declare."""
    try:
        base = Setting(unit=shown.UNIT, on_level=0.0, off_level=0.0, consecutive=2, on_delay_ms=1.0, off_delay_ms=3.0)
        teach_once(subject.strategy, shown.block_of(subject.light, subject.truth, base=base), 0, 0)
    except Abstained:
        pass
    except StrategyError as error:
        if "without declaring" in str(error) or "must be a set of" in str(error):
            return _F, str(error)
    if (skip := _unjudged(subject)) is not None:
        return skip
    needs = frozenset(subject.strategy.needs)
    for draw in (1, 2):
        extra = shown.view_for(subject.strategy, subject.block, draw=draw, shown=shown.ALL)
        hidden = {f"{kind}_": getattr(extra, f"{kind}_") for kind in Shown if kind not in needs}
        if subject.ask(replace(subject.view(), **hidden)).document() != subject.sound.document():
            return _F, "evidence that it does not declare changes the answer"
    return _P, f"it looks at {', '.join(sorted(needs))} only, and keeps the rest of the base setting"


def _declared(subject: Subject, what: str, measure: Callable[[Subject], str]) -> Told:
    if (skip := _unjudged(subject, setting=True)) is not None:
        return skip
    declared = getattr(subject.strategy, "equivariant", None)
    fault = measure(subject)
    if declared is None:
        found = "the levels follow here, so it may be declared" if not fault else f"here {fault}"
        return _S, f"`equivariant` is not declared; {found}"
    unknown = set(declared) - {"gain", "offset"}
    if unknown:
        return _F, f"`equivariant` may hold 'gain' and 'offset', got {sorted(unknown)}"
    if what not in declared:
        return _S, f"it declares no {what} equivariance, and none is demanded"
    return _judged(fault, f"all levels follow the {what}")


def gain(subject: Subject) -> Told:
    """Require, where declared, that levels follow ``dark + g·(x − dark)``."""
    return _declared(subject, "gain", symmetry.gained)


def offset(subject: Subject) -> Told:
    """Require, where declared, that levels follow ``x + a``."""
    return _declared(subject, "offset", symmetry.shifted)


def mirror(subject: Subject) -> Told:
    """Require that objects are active in either direction and, with offset equivariance, levels mirrored."""
    if (skip := _unjudged(subject, setting=True)) is not None:
        return skip
    before = subject.sound.setting
    light, view = symmetry.mirrored_view(subject)
    answer = subject.ask(view)
    if answer.fault:
        return _F, f"on the mirrored light: {answer.fault}"
    if before is None or answer.setting is None:
        return _S, f"not judged: on the mirrored light it {answer}"
    for setting, direction in ((before, Direction.RISE), (answer.setting, Direction.DIP)):
        if fault := symmetry.wrong_polarity(setting, direction):
            return _F, fault
    if "offset" not in getattr(subject.strategy, "equivariant", ()):
        return _P, "objects are active in either direction; levels are not compared without offset equivariance"
    fault = symmetry.mirrored_wrong(subject, before, answer.setting, light)
    return _judged(fault, "polarity, levels and output are mirrored")


def no_look_ahead(subject: Subject) -> Told:
    """Require that what comes after the evidence changes nothing."""
    if (skip := _unjudged(subject)) is not None:
        return skip
    answers = [
        subject_answer(subject, shown.in_longer_arrays(subject.view(), tail)) for tail in (0.0, float(shown.FULL_SCALE))
    ]
    if any(answer != subject.sound.document() for answer in answers):
        return _F, "what lies behind the light shown, in the same memory, changes the answer"
    stop = subject.light.size // 2
    documents = []
    for later in (subject.light[stop:], np.full(subject.light.size - stop, shown.OBJECT)):
        light = np.concatenate([subject.light[:stop], later])
        seeded(0)
        try:
            setting = teach_once(subject.strategy, shown.block_of(light, subject.truth, stop=stop), 0, 0)
            documents.append(setting.as_dict())
        except Abstained as refusal:
            documents.append({"abstained": str(refusal)})
        except StrategyError as error:
            documents.append({"fault": str(error)})
    return _judged(
        "" if documents[0] == documents[1] else "samples after the teach block change the answer",
        "samples after the evidence change nothing",
    )


def subject_answer(subject: Subject, view: TeachView) -> dict[str, Any]:
    """Return the document of the answer on a view itself, not on a copy."""
    seeded(0)
    return ask(subject.strategy, view).document()


def writes_nothing(subject: Subject) -> Told:
    """Require that all that was shown is unchanged afterwards, and its arrays read-only."""
    view = subject.view()
    before = pickle.dumps(view)
    seeded(0)
    answer = ask(subject.strategy, view)
    if pickle.dumps(view) != before:
        return _F, "it changes what it is shown"
    if any(array.flags.writeable for array in shown.arrays_of(view)):
        return _F, "it makes what it is shown writeable"
    if "read-only" in answer.fault:
        return _F, f"it writes into the light that it is shown: {answer.fault}"
    return _P, "what it is shown is left as it was"


def fresh_process(subject: Subject) -> Told:
    """Require the same answer in a process that has seen nothing before."""
    if (skip := _unjudged(subject)) is not None:
        return skip
    if type(subject.strategy).__module__ == "__main__":
        return _S, "not judged: its class lies in the program that was started; put it into a module"
    try:
        pickle.dumps(subject.strategy)
    except Exception:  # noqa: BLE001 - reported by another check
        return _S, "not judged: it cannot be pickled, see pickling"
    answer = taught_elsewhere(subject.strategy, subject.view())
    if isinstance(answer, str):
        return _F, f"a fresh process cannot teach with it: {answer}"
    fault = "" if answer == subject.sound.document() else "a fresh process gives another answer"
    return _judged(fault, "a fresh process gives the same answer")


def million_samples(subject: Subject) -> Told:
    """Require that a million samples are taught in time."""
    view = shown.million(subject.strategy)
    seeded(0)
    began = time.process_time()
    answer = ask(subject.strategy, view)
    took = time.process_time() - began
    if answer.fault:
        return _F, f"on a million samples: {answer.fault}"
    if took > TIME_LIMIT_S:
        return _F, f"a million samples must take at most {TIME_LIMIT_S:g} s of CPU time, took {took:.3g} s"
    if answer.abstained is not None:
        return _S, f"not judged: it {answer} on a million samples"
    return _P, f"a million samples are taught on in less than {TIME_LIMIT_S:g} s of CPU time"


CHECKS: Mapping[str, Callable[[Subject], Told]] = {
    "determinism": determinism,
    "global-random-state": global_random_state,
    "immutability": immutability,
    "pickling": pickling,
    "parameters": parameters,
    "declared-only": declared_only,
    "gain": gain,
    "offset": offset,
    "mirror": mirror,
    "no-look-ahead": no_look_ahead,
    "writes-nothing": writes_nothing,
    "fresh-process": fresh_process,
    "nothing": hardly.nothing,
    "one-sample": hardly.one_sample,
    "constant": hardly.constant,
    "saturated": hardly.saturated,
    "object-equals-background": hardly.equal,
    "invalid": hardly.invalid,
    "million-samples": million_samples,
}
"""Every check by its name, in the order in which they run."""

"""The command `synth`: a seeded synthetic recording with truth, from a scenario."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from teachlab.cli.console import emit_json, progress, say, say_lines, say_page
from teachlab.cli.options import Json
from teachlab.errors import ParameterError
from teachlab.model.printable_text import number_of, typed_again

if TYPE_CHECKING:
    from teachlab.synthetic import Plan, Recipe

DEFAULT_PASSES = 400


def synth_command(
    context: typer.Context,
    scenario: Annotated[
        str | None, typer.Argument(help="A shipped scenario, or a TOML file. Without it: the list of those that ship.")
    ] = None,
    out: Annotated[
        str | None, typer.Option(help="The recording to write, NAME.parquet; NAME.csv for a raw log with time stamps.")
    ] = None,
    passes: Annotated[int, typer.Option(help="How many products pass.")] = DEFAULT_PASSES,
    seed: Annotated[int, typer.Option(help="The same scenario, seed and passes give the same samples.")] = 0,
    gain: Annotated[
        float, typer.Option(help="Share of the light that is left: 1 is clean. Acts on products and background.")
    ] = 1.0,
    ambient: Annotated[float, typer.Option(help="Ambient light on everything, percent of full scale.")] = 0.0,
    pedestal: Annotated[
        float, typer.Option(help="Stray light of a window that is dirty all over, percent of full scale.")
    ] = 0.0,
    explain: Annotated[bool, typer.Option("--explain", help="Say what the scenario contains, in words.")] = False,
    toml: Annotated[
        bool, typer.Option("--toml", help="Print the scenario's own TOML: a page to begin one's own with.")
    ] = False,
    keys: Annotated[
        bool, typer.Option("--keys", help="Print the reference of all tables and keys, with units and usual ranges.")
    ] = False,
    continue_: Annotated[
        str | None, typer.Option("--continue", help="Append --passes further passes to this synthetic recording.")
    ] = None,
    json: Json = False,
) -> None:
    """Make a synthetic recording with its passes, to rehearse before there is a log.

    A line of your own is a page of TOML: begin with --toml of one that ships; --keys explains every key.
    """
    from teachlab.synthetic import load_scenario

    if keys:
        _refuse(context, {"keys"}, "--keys prints the reference of the keys of a scenario")
        _keys(json)
    elif continue_ is not None:
        _refuse(context, {"passes", "continue_"}, "--continue takes all but --passes from the recipe of the recording")
        _continue(continue_, passes, json)
    elif scenario is None:
        _refuse(context, set(), "without a scenario the list of those that ship is printed")
        _list(json)
    elif toml:
        _refuse(context, {"scenario", "toml"}, "--toml prints the scenario as it is written and writes nothing")
        _toml(scenario, json)
    elif explain:
        _refuse(context, {"scenario", "explain"}, "--explain prints what the scenario contains and writes nothing")
        _explain(scenario, json)
    elif out is None:
        load_scenario(scenario)
        raise ParameterError("--out is missing: name the recording to write, such as line.parquet; or use --explain.")
    else:
        _generate(scenario, out, passes, seed, (gain, ambient, pedestal), json)


def _refuse(context: typer.Context, used: set[str], why: str) -> None:
    """Refuse options on the command line that would have no effect."""
    given = [p for p in context.command.params if p.name is not None and p.name not in used | {"json", "memory"}]
    idle = [p for p in given if getattr(context.get_parameter_source(p.name or ""), "name", "") == "COMMANDLINE"]
    if idle:
        names = ", ".join("SCENARIO" if p.name == "scenario" else p.opts[0] for p in idle)
        raise ParameterError(f"{why}: leave out {names}.")


def _generate(scenario: str, out: str, passes: int, seed: int, stress: tuple[float, float, float], json: bool) -> None:
    from teachlab.data.addresses import ending_of
    from teachlab.synthetic import LineStress, Recipe, load_scenario, write, write_log

    gain, ambient, pedestal = stress
    recipe = Recipe(
        scenario=load_scenario(scenario),
        passes=passes,
        seed=seed,
        stress=LineStress(gain=gain, ambient_percent=ambient, pedestal_percent=pedestal),
    )
    if ending_of(out) not in (".parquet", ".csv"):
        raise ParameterError(f"--out must end in .parquet (a recording) or .csv (a raw log), got {out!r}.")
    writing = write_log if ending_of(out) == ".csv" else write
    with progress("generating", quiet=json) as report:
        planned = writing(recipe, out, progress=lambda done, total: report(done / total))
    _report(out, recipe, planned, json)


def _continue(path: str, more: int, json: bool) -> None:
    from teachlab.synthetic import continue_recording, read_recipe

    with progress("generating", quiet=json) as report:
        planned = continue_recording(path, more, progress=lambda done, total: report(done / total))
    _report(path, read_recipe(path), planned, json)


def _report(path: str, recipe: Recipe, planned: Plan, json: bool) -> None:
    from teachlab.synthetic.answers import MadeRecording

    made = MadeRecording.of(path, recipe, planned)
    if json:
        emit_json(made.as_dict())
        return
    say(f"{path}: {made.title}")
    say(
        f"{number_of(made.samples, 'sample')}, {made.seconds:.1f} s, {number_of(made.passes, 'pass', 'passes')}, "
        f"seed {made.seed}."
    )
    say("Synthetic: not evidence about a real line.")
    from teachlab.data.addresses import ending_of

    if ending_of(path) == ".parquet":
        say()
        say(f"Next: teachlab inspect {typed_again(path)}")
    elif ending_of(path) == ".csv":
        from teachlab.data.truth_files import beside

        columns = f"--time time_s --column light --unit {typed_again(made.unit)}"
        files = (
            f"--passes {typed_again(beside(path, '.passes.parquet'))} --out {typed_again(beside(path, '-log.parquet'))}"
        )
        say()
        say(f"Next: teachlab import {typed_again(path)} {columns} {files}")


def _list(json: bool) -> None:
    from teachlab.synthetic import load_scenario, scenario_names
    from teachlab.synthetic.answers import ToldScenarios

    known = {name: load_scenario(name) for name in scenario_names()}
    if json:
        emit_json(ToldScenarios.all().as_dict())
        return
    for name, found in known.items():
        say(f"{name:<20} {found.alias:<5} {found.title} ({found.plant})")
    say("What a line contains: teachlab synth NAME --explain")
    say("To begin your own: teachlab synth NAME --toml > mine.toml")
    say("What every key means: teachlab synth --keys")


def _keys(json: bool) -> None:
    from teachlab.synthetic import key_reference
    from teachlab.synthetic.answers import ToldScenarios
    from teachlab.wording.lines import page_lines

    page = key_reference()
    if json:
        emit_json(ToldScenarios(keys=page).as_dict())
    else:
        say_page("\n".join(page_lines(page)).rstrip("\n"))


def _toml(scenario: str, json: bool) -> None:
    from teachlab.synthetic import scenario_text
    from teachlab.synthetic.answers import ToldScenarios

    text, _ = scenario_text(scenario)
    if json:
        emit_json(ToldScenarios(scenario=scenario, toml=text).as_dict())
    else:
        say_page(text.rstrip("\n"))


def _explain(scenario: str, json: bool) -> None:
    from teachlab.synthetic import explain, load_scenario
    from teachlab.synthetic.answers import ToldScenarios

    words = explain(load_scenario(scenario))
    if json:
        emit_json(ToldScenarios(scenario=scenario, words=tuple(words.splitlines())).as_dict())
    else:
        say_lines(words.splitlines())

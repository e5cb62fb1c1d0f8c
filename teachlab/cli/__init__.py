"""The command line: thin; every command parses, calls once and prints.

Heavy libraries are imported inside the commands, so that ``teachlab --help`` answers at once.
"""

from __future__ import annotations

import errno
from typing import Any

import typer
from typer.core import TyperGroup

from teachlab import __version__
from teachlab.errors import Abstained, InputError

CAUTION = (
    "Not a safety device: nothing here may justify protection of people, guarding, muting or a machine stop. "
    "Results hold for the recorded product, speed, light and dirt only; the logged trace may not be what the "
    "sensor saw. Verify on the line with marked pieces, under your local codes and by licensed staff."
)


class _Commands(TyperGroup):
    """Turns deliberate errors into one message and the exit code of the contract."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except InputError as error:
            typer.echo(f"teachlab: {error}", err=True)
            raise typer.Exit(2) from None
        except Abstained as error:
            typer.echo(f"teachlab: abstained: {error}", err=True)
            raise typer.Exit(3) from None
        except KeyboardInterrupt:
            typer.echo("teachlab: interrupted; nothing half-written is left behind.", err=True)
            raise typer.Exit(130) from None
        except MemoryError as error:
            typer.echo(f"teachlab: not enough memory: {error or 'for what was asked'}. Ask for less.", err=True)
            raise typer.Exit(2) from None
        except OSError as error:
            if error.errno == errno.EPIPE:
                raise
            where = f"{error.filename}: " if error.filename else ""
            typer.echo(f"teachlab: {where}{error.strerror or error}.", err=True)
            raise typer.Exit(2) from None


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help=(
        "Evidence for taught light-sensor thresholds: teach on a logged trace by several strategies, replay "
        "the sensor's switching, and read which setting loses least, and how sure that is."
    ),
    epilog=CAUTION,
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"teachlab {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    pass


def _register() -> None:
    from teachlab.cli import bench as benching
    from teachlab.cli import compare as comparing
    from teachlab.cli import conform as conforming
    from teachlab.cli import coverage, examples, repeatability, strategies, surroundings, timing
    from teachlab.cli import demo as demonstrating
    from teachlab.cli import import_log as importing
    from teachlab.cli import inspect as inspecting
    from teachlab.cli import label as labelling
    from teachlab.cli import plan as planning
    from teachlab.cli import replay as replaying
    from teachlab.cli import report as reporting
    from teachlab.cli import stale as staling
    from teachlab.cli import stress as stressing
    from teachlab.cli import surface as surfacing
    from teachlab.cli import synth as synthesis
    from teachlab.cli import teach as teaching

    path = (
        demonstrating,
        synthesis,
        importing,
        inspecting,
        labelling,
        teaching,
        replaying,
        benching,
        repeatability,
        surfacing,
        stressing,
        timing,
        surroundings,
        coverage,
        comparing,
        planning,
        reporting,
        staling,
        strategies,
        conforming,
    )
    for module in path:
        module.register(app)
    examples.explain(app)


_register()


def main() -> None:
    """Run the command line."""
    app()

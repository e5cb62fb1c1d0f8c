"""The command `demo`: the whole job on the shipped recordings."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from teachlab.cli.console import emit_json, progress, say
from teachlab.cli.opening import NEED_INPUT, teachers
from teachlab.cli.options import Draws, Json
from teachlab.errors import ParameterError

SHOWN = (
    ("demo_tubs", "a synthetic line: tubs with foil lids of two colours on a belt with a seam"),
    ("photodiode_flashes", "a real one: a photodiode taped to a monitor that flashes 150 times"),
)
"""Shipped recordings and what they are."""
DRAWS = 50
"""Fewer than the default of bench: enough for this ranking, in less than half the time."""


def demo_command(
    draws: Draws = DRAWS,
    out: Annotated[str, typer.Option(help="Folder for the figure and the page.")] = ".",
    tables: Annotated[bool, typer.Option("--tables", help="Print all tables, as bench --details does.")] = False,
    json: Json = False,
) -> None:
    """Do the whole job on data that ships: teach, replay, score, rank, and draw."""
    from teachlab.cli.bench import print_bench
    from teachlab.data.atomic_files import one_result, write_aside
    from teachlab.data.opening import open_pair
    from teachlab.data.shipped import datasets_root
    from teachlab.light.pass_and_gap_extremes import PassAndGapExtremes
    from teachlab.model.draws import DrawOptions
    from teachlab.page.assembly import page_html
    from teachlab.page.contents import page_contents
    from teachlab.questions.verdict import FilesJudged
    from teachlab.studies.document import bench_document
    from teachlab.studies.figure import bench_figure
    from teachlab.studies.many_recordings import bench_files
    from teachlab.teaching.registry import BUILT_IN

    if not Path(out).is_dir():
        raise ParameterError(f"--out: there is no folder '{out}'. Create it first.")
    strategies = teachers([name for name in BUILT_IN if name not in NEED_INPUT], [])
    benches = []
    for number, (name, what) in enumerate(SHOWN):
        path = str(datasets_root() / f"{name}.parquet")
        options = DrawOptions(draws=draws)
        if not json:
            say(f"{number + 1}. {name}: {what}.")
        with progress(f"benching {name}", quiet=json) as report:
            benches += bench_files([path], strategies, options=options, progress=report)
        recording, truth = open_pair(path)
        extremes = PassAndGapExtremes.of(recording, truth)
        if number == 0:
            figure, page = Path(out) / "teachlab-demo.svg", Path(out) / "teachlab-demo.html"
            held = page_contents(recording, truth, benches[0].verdict.setting, files=FilesJudged(recording=path))
            with one_result():
                with write_aside(figure) as aside:
                    aside.write_bytes(bench_figure(benches[0], truth, extremes))
                with write_aside(page) as aside:
                    aside.write_text(page_html(held), encoding="utf-8")
        if not json:
            print_bench(benches[-1], recording, truth, extremes, details=tables)
    if json:
        emit_json(bench_document(benches, figure=str(figure)))
        return
    say(f"Figure: {figure}")
    say(f"To drag the levels, open in a browser: {page}")
    say("All tables, and every strategy taught 200 times: teachlab demo --tables --draws 200")
    say("Not a safety device: nothing here may justify protection of people, guarding, muting or a machine stop.")
    say("Next, on a log of your own:")
    say("  teachlab import log.csv --rate 2000 --column light --unit counts --out line.parquet")
    say("  teachlab inspect line.parquet      # is there contrast enough, and in which direction?")
    say("  teachlab label line.parquet        # only if nobody knows the passes: it proposes them")
    say("  teachlab bench line.parquet --out results")

"""Evidence for what came of a teaching, computed from files and written with its pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from teachlab.data.opening import open_pair
from teachlab.data.setting_files import read_setting
from teachlab.data.truth_files import find_truth
from teachlab.errors import ParameterError
from teachlab.evidence.about import nothing_stated, read_about
from teachlab.evidence.abstention import Abstention, build_abstention, read_released
from teachlab.evidence.bundle import write_bundle
from teachlab.evidence.criteria import read_criteria
from teachlab.evidence.folder import write_record
from teachlab.evidence.page import pdf_printer
from teachlab.evidence.record import judged_record
from teachlab.evidence.record_parts import RecordOptions, Sources
from teachlab.model.draws import DRAWS
from teachlab.model.following_and_window import fixed_levels
from teachlab.model.score import USUAL_RULES, Rules
from teachlab.model.setting import Setting
from teachlab.model.truth import Truth
from teachlab.page.contents import levels_page
from teachlab.questions.verdict import FilesJudged
from teachlab.switching.fitting import refuse_unfit


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reported:
    """A record as it was written, and what it was made of.

    `setting`: None if the strategy abstained.
    `step`: what must be recorded, or moved to the light, before the record decides; empty if nothing.
    `levels`: whether the page on which the levels can be dragged was written.
    """

    record: dict[str, Any]
    truth: Truth
    sources: Sources
    setting: Setting | None
    step: str
    levels: bool


def reported(
    recording: str,
    setting: str,
    truth: str | None = None,
    *,
    out: str | None = None,
    criteria: str | None = None,
    title: str = "",
    teach_share: float | None = None,
    deviations: Sequence[str] = (),
    cycles: Sequence[str] = (),
    draws: int = DRAWS,
    sensor_setting: str | None = None,
    rehearsal: bool = False,
    about: str | None = None,
    bundle: str | None = None,
    levels: bool = True,
    pdf: bool = False,
    rules: Rules = USUAL_RULES,
) -> Reported:
    """Compute the record of a setting, or of an abstention; with `out` write it, its pages and the bundle.

    The parameters are those of `teachlab.report`.
    """
    if out is None and (pdf or bundle is not None):
        raise ParameterError(f"{'--pdf' if pdf else '--bundle'} writes what lies in the folder of --out; name one.")
    if pdf:
        pdf_printer()
    stated = nothing_stated() if about is None else read_about(about)
    where = truth if truth is not None else find_truth(recording)
    opened, passes = open_pair(recording, truth)
    options = RecordOptions(
        title=title, rules=rules, teach_share=teach_share, deviations=tuple(deviations), draws=draws,
        cycles=tuple(cycles), rehearsal=rehearsal, about=stated,
        sensor_setting=None if sensor_setting is None else read_setting(sensor_setting).as_dict(),
    )  # fmt: skip
    released = read_released(setting)
    asked = None if criteria is None else read_criteria(criteria)
    sources = Sources(recording=recording, truth=str(where), setting=setting)
    used, page, step = None, None, ""
    if isinstance(released, Abstention):
        record = build_abstention(opened, passes, released, sources, options=options)
    else:
        used = fixed_levels(released, "the evidence record")
        refuse_unfit([(setting, used)], [(recording, opened)])
        files = FilesJudged(recording=recording, setting=setting, truth=truth)
        record, step = judged_record(opened, passes, used, sources, options=options, criteria=asked, files=files)
        if out is not None and levels:
            page = levels_page(opened, passes, used, sources, rules, record["verdict"])
    if out is not None:
        record = write_record(record, opened, out, pdf=pdf, levels=page)
        if bundle is not None:
            write_bundle(bundle, out, sources)
    return Reported(
        record=record, truth=passes, sources=sources, setting=used, step=step, levels=page is not None
    )  # fmt: skip

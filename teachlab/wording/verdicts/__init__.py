"""Verdicts: made in one place for every setting, and printed first by every command."""

from teachlab.wording.verdicts.lines import verdict_lines, verdict_sentence
from teachlab.wording.verdicts.of_setting import FilesJudged, JudgedBy, setting_verdict

__all__ = ["FilesJudged", "JudgedBy", "setting_verdict", "verdict_lines", "verdict_sentence"]

"""The verdict on a setting, made in one place: whether it may be used."""

from teachlab.questions.verdict.judged_by import FilesJudged, JudgedBy
from teachlab.questions.verdict.of_setting import setting_verdict

__all__ = ["FilesJudged", "JudgedBy", "setting_verdict"]

"""The verdict on a setting, made in one place: whether it may be used."""

from teachlab.questions.verdict.of_setting import FilesJudged, JudgedBy, setting_verdict

__all__ = ["FilesJudged", "JudgedBy", "setting_verdict"]

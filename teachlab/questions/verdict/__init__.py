"""Is this setting to be used? The verdict on a setting, made in one place."""

from teachlab.questions.verdict.of_setting import FilesJudged, JudgedBy, setting_verdict

__all__ = ["FilesJudged", "JudgedBy", "setting_verdict"]

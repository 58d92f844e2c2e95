"""The project and the files that a processed survey leaves."""

from .project import SurveyLayer, dress_when_loaded, keep_style_beside, load_when_done
from .survey_files import staging, versions, write_survey

__all__ = [
    "SurveyLayer",
    "dress_when_loaded",
    "keep_style_beside",
    "load_when_done",
    "staging",
    "versions",
    "write_survey",
]

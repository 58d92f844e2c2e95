"""The project and the files that a processed survey leaves."""

from .file_names import file_stems
from .kept_inputs import check_inputs_kept, delete_output
from .output_folder import DATABASE, MARKS, staging
from .project import SurveyLayer, dress_when_loaded, keep_style_beside, load_when_done
from .survey_files import names_known_before, versions, write_survey

__all__ = [
    "DATABASE",
    "MARKS",
    "SurveyLayer",
    "check_inputs_kept",
    "delete_output",
    "dress_when_loaded",
    "file_stems",
    "keep_style_beside",
    "load_when_done",
    "names_known_before",
    "staging",
    "versions",
    "write_survey",
]

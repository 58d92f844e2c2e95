"""A whole survey: its inputs, its recipe, the run, and changes by hand."""

from .actions import first_sentence
from .edit_commands import (
    as_noted,
    edits_in,
    flagged,
    moved_to,
    note_in_force,
    obstructed,
    recipe_with_edits,
    save_text,
    started_at,
    turned,
    with_kind,
)
from .log_parts import join_logs
from .maps import outline
from .process_survey import SurveyResult, cells_of_grid, process_survey
from .read_survey import GridResult, GridSource, read_grids
from .recipe import Recipe, changed_inputs, default_recipe, parse_recipe, recipe_text
from .rewalk import AGAIN_COLUMNS, REDO_COLUMNS, TIE, GridPlan, Measure, Walk, again_rows, plan_rewalk, redo_rows
from .session import STEPS, GridState, Session, open_survey
from .sources import SurveySources, file_facts, gather_sources, sha256_of
from .tables import corner_rows, finding_places, full_scale_rows, grid_rows, traverse_rows
from .whole_grids import with_whole_grids

__all__ = [
    "AGAIN_COLUMNS",
    "GridPlan",
    "Measure",
    "REDO_COLUMNS",
    "TIE",
    "Walk",
    "again_rows",
    "first_sentence",
    "plan_rewalk",
    "read_grids",
    "redo_rows",
    "GridResult",
    "GridSource",
    "GridState",
    "Recipe",
    "STEPS",
    "Session",
    "SurveyResult",
    "SurveySources",
    "changed_inputs",
    "corner_rows",
    "default_recipe",
    "recipe_with_edits",
    "obstructed",
    "flagged",
    "with_kind",
    "turned",
    "started_at",
    "moved_to",
    "as_noted",
    "note_in_force",
    "edits_in",
    "file_facts",
    "finding_places",
    "gather_sources",
    "full_scale_rows",
    "grid_rows",
    "cells_of_grid",
    "join_logs",
    "open_survey",
    "outline",
    "parse_recipe",
    "process_survey",
    "recipe_text",
    "save_text",
    "sha256_of",
    "traverse_rows",
    "with_whole_grids",
]

"""What every stage uses: readings and their store, notes, findings, and models that several stages have in common."""

from .atomic_file import remove_sides, whole_file
from .blas_threads import matrix_product, one_blas_thread
from .checks import check_channels, check_choice, check_finite, check_positive
from .columns import (
    FIELD_ENDINGS,
    FIXED_FIELDS,
    FLAGS,
    KINDS,
    PLACE,
    channel_names,
    channels_renamed,
    flag_bit,
    flag_words,
    kind_code,
)
from .edits import BY_HAND, Edits, FlagEdit, edited_notes, edits_as_json, flag_by_hand, parse_edits
from .errors import Cancelled, EngineError
from .filters import FINE_M, band_pass, difference_of_gaussians, smoother
from .findings import (
    ACTIONS,
    FIELDS,
    SEVERITIES,
    Code,
    Finding,
    finding_rows,
    questioned_layouts_first,
    walk_again_count,
)
from .line_order import line_order
from .lines import MIN_READINGS, SAME_PLACE, Lines, lines_of
from .noise import (
    MAD_TO_SD,
    least_step,
    noise_of_lines,
    noise_of_pairs,
    noise_of_runs,
    noise_of_smooth_runs,
    robust_sd,
    variance_after_smoothing,
)
from .notes import FIRST_ROW, Note, notes_for, number_or_none, parse_notes, usable_notes
from .progress import Progress, part_of
from .readings import Key, Readings, Run, concatenate
from .records import Record, counted, with_unit
from .register import GridEntry, parse_register
from .scheme import HEADINGS, PATTERNS, Scheme
from .store import Blocks, Correction, GridStore, ValuesInUse, for_tables, grid_by_grid, scratch_folder
from .text_file import read_text
from .tie_profile import HALF_WINDOW_M, is_across, lines_at, mean_within, profile_of, recordings
from .walk_model import CARRIED, CART, INSTRUMENT, PLATFORMS, Instrument, Platform, platform_named, walk_shapes

__all__ = [
    "ACTIONS",
    "BY_HAND",
    "Blocks",
    "CARRIED",
    "CART",
    "Cancelled",
    "Code",
    "Correction",
    "Edits",
    "EngineError",
    "FIELDS",
    "FINE_M",
    "FIRST_ROW",
    "FIELD_ENDINGS",
    "FIXED_FIELDS",
    "FLAGS",
    "Finding",
    "FlagEdit",
    "GridEntry",
    "GridStore",
    "HALF_WINDOW_M",
    "HEADINGS",
    "INSTRUMENT",
    "Instrument",
    "KINDS",
    "Key",
    "Lines",
    "MAD_TO_SD",
    "MIN_READINGS",
    "Note",
    "PATTERNS",
    "PLACE",
    "PLATFORMS",
    "Platform",
    "Progress",
    "Readings",
    "Record",
    "Run",
    "SAME_PLACE",
    "SEVERITIES",
    "Scheme",
    "ValuesInUse",
    "band_pass",
    "channel_names",
    "channels_renamed",
    "check_channels",
    "check_choice",
    "check_finite",
    "check_positive",
    "concatenate",
    "counted",
    "difference_of_gaussians",
    "questioned_layouts_first",
    "edited_notes",
    "edits_as_json",
    "finding_rows",
    "flag_bit",
    "flag_by_hand",
    "flag_words",
    "for_tables",
    "grid_by_grid",
    "is_across",
    "kind_code",
    "least_step",
    "matrix_product",
    "line_order",
    "lines_at",
    "lines_of",
    "mean_within",
    "noise_of_lines",
    "noise_of_pairs",
    "noise_of_runs",
    "noise_of_smooth_runs",
    "notes_for",
    "number_or_none",
    "one_blas_thread",
    "parse_edits",
    "parse_notes",
    "parse_register",
    "part_of",
    "platform_named",
    "profile_of",
    "read_text",
    "recordings",
    "remove_sides",
    "robust_sd",
    "scratch_folder",
    "smoother",
    "usable_notes",
    "variance_after_smoothing",
    "walk_again_count",
    "walk_shapes",
    "whole_file",
    "with_unit",
]

"""Possible recording mistakes, searched for after the corrections, with what these have estimated."""

from __future__ import annotations

from dataclasses import replace
from typing import Sequence

from ..align import AlignRecord
from ..compare import grid_questioned, lines_in_error
from ..core import Code, GridStore, Note, Progress, Record, notes_for, part_of, sentence_of
from ..mistakes import aligned_by_corrections, possible_mistakes
from .read_survey import GridResult, without_repeats
from .recipe import Recipe


def searches_afterwards(recipe: Recipe) -> bool:
    """Return whether possible mistakes can wait for the corrections, which flag outliers and align, once each."""
    steps = [s.step for s in recipe.corrections if s.step in ("flagoutliers", "alignopposing")]
    return recipe.accept_certainty is None and steps == ["flagoutliers", "alignopposing"]


def search_afterwards(
    results: Sequence[GridResult],
    fresh: Sequence[str],
    notes: Sequence[Note],
    placed: GridStore,
    corrected: GridStore,
    records: Sequence[Record],
    progress: Progress = None,
) -> list[GridResult]:
    """Return the results with the possible mistakes of grids that were read just now, as the corrections align them.

    Parameters
    ----------
    results : sequence of GridResult
    fresh : sequence of str
        Names of the grids that were read just now.
    notes : sequence of Note
    placed, corrected : GridStore
        Readings before and after the corrections.
    records : sequence of Record
        Of the corrections.
    progress : callable, optional
        Called with the fraction done; what it raises ends the search.
    """
    shifts = {row.grid: row.shift_m for one in records if isinstance(one, AlignRecord) for row in one.table}
    found = []
    for number, result in enumerate(results):
        within = part_of(progress, number / len(results), (number + 1) / len(results))
        if result.grid in fresh and not grid_questioned(result.findings):
            part = placed.get(result.grid)
            try:
                aligned = aligned_by_corrections(part, corrected.get(result.grid), shifts[result.grid])
                own, wrong = notes_for(notes, result.grid), lines_in_error(result.findings)
                possible = possible_mistakes(
                    part, result.scheme, own, aligned=aligned, in_error=wrong, progress=within
                )  # fmt: skip
                more = [m.finding for m in possible]
            except Exception as error:
                said = sentence_of(error, f"The search for possible mistakes in grid {result.grid}")
                more = [
                    Code.NOT_SEARCHED.finding(said, "", "Look at the map of this grid with care.", grid=result.grid)
                ]
            result = replace(result, findings=tuple(without_repeats([*result.findings, *more])))
        found.append(result)
    return found

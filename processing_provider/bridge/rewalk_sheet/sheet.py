"""The re-walk sheet: one page a grid, with what to walk, to measure and to ask, and blanks to fill in."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Sequence

from ...engine.core import whole_file
from ...engine.workflow import GridPlan, Measure, Walk
from ..report import CAUTIONS
from .page import INNER, MARGIN, SMALL_PT, TEXT_PT, TICK, Pages
from .sketch import Sketch

WALK = (("", 6), ("line", 11), ("tape at (m)", 13), ("start at", 24), ("start station", 14), ("incre- ment", 11),
        ("from \u2013 to (m)", 21), ("why", 34), ("file", 18), ("start", 17), ("stop", 17))  # fmt: skip
MEASURE = (("", 6), ("line", 11), ("right if at (m)", 24), ("wrong if at (m)", 26), ("measured (m)", 24),
           ("what to do", 95))  # fmt: skip
ASK = (("", 6), ("line", 11), ("row", 26), ("what stands there", 46), ("what the log has", 42), ("what to do", 55))
"""Heads and widths in millimetres; each makes up the inner width of the page."""
SEE, ELSEWHERE = "see what to do", "anywhere else"
WRITE_MM = 7.0
"""Least height of a row that a person writes into."""


def write_sheet(path: Path, plans: Sequence[GridPlan], site: str, sentence: str) -> None:
    """Write the sheet as a PDF of A4 pages.

    Parameters
    ----------
    path : Path
    plans : sequence of GridPlan
        One page each, more where the tables are long; without any, one page says so.
    site : str
    sentence : str
        What is to be done in the whole survey; heads every grid.

    Raises
    ------
    EngineError
        When the file cannot be written.
    """
    with whole_file(path, "sheet") as part:
        pages = Pages(part, f"Walk again: {site}")
        try:
            pages.header = site
            if not plans:
                pages.y += 3 + pages.text(sentence, MARGIN, pages.y, INNER, 14, bold=True)
                _cautions(pages)
            for index, plan in enumerate(plans):
                if index:
                    pages.turn()
                _grid(pages, plan, site, sentence)
        finally:
            pages.close()


def _grid(pages: Pages, plan: GridPlan, site: str, sentence: str) -> None:
    scheme = plan.scheme
    pages.header = f"{site}, grid {plan.grid}"
    minutes = f"about {math.ceil(plan.minutes)} minutes in the field"
    pages.text(minutes, MARGIN, pages.y + 1.5, INNER, 10, right=True)
    pages.y += pages.text(f"Grid {plan.grid}", MARGIN, pages.y, INNER, 14, bold=True)
    pages.y += pages.text(f"{site}. {sentence}", MARGIN, pages.y, INNER, SMALL_PT) + 1
    size = f"{scheme.length_m:g} m along the lines, {scheme.width_m:g} m along the baseline"
    known = f"{size}; lines every {scheme.spacing_m:g} m, {scheme.readings_per_m:g} readings a metre."
    pages.y += pages.text(known, MARGIN, pages.y, INNER)
    pages.y += 2 + pages.text("Date:                              Walked by:", MARGIN, pages.y + 2, INNER)
    if plan.problem:
        pages.y += 1 + pages.text(plan.problem, MARGIN, pages.y + 1, INNER, TEXT_PT, bold=True)
    if plan.walks:
        pages.heading("Walk", "In this order, each line whole: set the start station, start and stop at the edges. "
                      "Tape from the start corner.")  # fmt: skip
        _table(pages, WALK, [_walk(walk) for walk in plan.walks])
    if plan.measures:
        pages.heading("Measure", "With the tape along the baseline from the start corner.")
        rows = [(TICK, _line(m.line), *_places(m), "", m.advice) for m in plan.measures]
        _table(pages, MEASURE, rows)
    if plan.questions:
        pages.heading("Ask the books")
        rows = [(TICK, _line(q.line), q.row, q.noted, q.logged, q.advice) for q in plan.questions]
        _table(pages, ASK, rows)
    pages.room(Sketch.height(plan))
    Sketch(pages, plan).draw()
    _cautions(pages)


def _table(pages: Pages, columns: Sequence[tuple[str, float]], rows: Sequence[Sequence[str]]) -> None:
    pages.table([head for head, _ in columns], [width for _, width in columns], rows, WRITE_MM)


def _walk(walk: Walk) -> tuple[str, ...]:
    return (
        TICK,
        str(walk.line),
        f"{walk.position_m:.2f}",
        walk.start_edge,
        f"{walk.start_station:g}",
        f"{walk.step:+d}",
        f"{walk.from_m:.1f} \u2013 {walk.to_m:.1f}",
        walk.why,
        "",
        "",
        "",
    )


def _places(measure: Measure) -> tuple[str, str]:
    """Return where a line is right and where it is wrong; words where no single place is known."""
    if measure.right_m is None:
        return SEE, SEE
    return f"{measure.right_m:.2f}", ELSEWHERE if measure.wrong_m is None else f"{measure.wrong_m:.2f}"


def _line(line: object) -> str:
    return "" if line is None else str(line)


def _cautions(pages: Pages) -> None:
    words = " ".join(f"{title}: {text}" for title, text in CAUTIONS)
    pages.room(pages.text(words, MARGIN, pages.y, INNER, SMALL_PT, draw=False) + 2)
    pages.y += 2 + pages.text(words, MARGIN, pages.y + 2, INNER, SMALL_PT)

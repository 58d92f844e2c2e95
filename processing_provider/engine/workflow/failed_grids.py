"""Findings about grids that could not be processed."""

from __future__ import annotations

from typing import Sequence

from ..core import Code, EngineError, Finding, WrongSize

OF_SIDE = {
    ("length_m", False): (Code.LINE_SHORT, Code.READING_RATE),
    ("length_m", True): (Code.LINE_LONG, Code.READING_RATE),
    ("width_m", False): (Code.LINE_MISSING,),
    ("width_m", True): (Code.LINE_OUTSIDE,),
}
"""What a log shows as a whole of a grid whose side is (True) larger than registered or (False) smaller."""


def grid_failed(grid: str, problem: str) -> Finding:
    """Return the finding about a grid that could not be processed; ``problem`` is the sentence that says why."""
    advice = "Ask the books for what is named here, and correct it. The other grids were finished without this one."
    return Code.GRID_FAILED.finding(problem, "", advice, grid=grid)


def frame_failed(grid: str, error: EngineError, compared: Sequence[Finding]) -> list[Finding]:
    """Return the findings about a grid whose corners are refused: what its log shows stands all the same.

    Where log and corners contradict the same side of the register, they are one finding.

    Parameters
    ----------
    grid : str
    error : EngineError
        Why the corners are refused.
    compared : sequence of Finding
        What the log shows against notes and scheme.
    """
    same: list[Finding] = []
    if isinstance(error, WrongSize):
        ways = (True, False) if error.larger is None else (error.larger,)
        codes = {code.word for column in error.columns for way in ways for code in OF_SIDE[column, way]}
        same = [f for f in compared if f.line is None and f.severity == "error" and f.code in codes]
    said = " ".join([str(error), *(f"The log bears it out: {f.found}" for f in same)])
    return [grid_failed(grid, said), *(f for f in compared if f not in same)]

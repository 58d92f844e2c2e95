"""How the surveyed corners of a grid agree with its size: sides, diagonals, the angle at the start, residuals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Optional, Sequence

import numpy as np

from ...processing_provider.engine.core import Code, EngineError
from ...processing_provider.engine.geometry import CORNERS, WARN_M, Corner, fit_frame, local_corner
from ..texts import tr

SIDE, DIAGONAL, RESIDUAL = "side", "diagonal", "residual"


@dataclass(frozen=True)
class Length:
    """A length between two corners, or a corner's distance from the fitted grid.

    Attributes
    ----------
    kind : str
        ``side``, ``diagonal`` or ``residual``.
    corners : tuple of str
    measured_m : float
    expected_m : float or None
        None where the size of the grid is not known.
    """

    kind: str
    corners: tuple[str, ...]
    measured_m: float
    expected_m: Optional[float] = None

    @property
    def off_m(self) -> Optional[float]:
        """Measured minus expected length."""
        return None if self.expected_m is None else self.measured_m - self.expected_m

    @property
    def bad(self) -> bool:
        """True when it is off by more than pegs set by tape are."""
        return self.off_m is not None and abs(self.off_m) > WARN_M


@dataclass(frozen=True)
class Measures:
    """What was measured on a grid.

    Attributes
    ----------
    lengths : tuple of Length
    start_deg : float or None
        Angle at the start corner between baseline and first traverse; None when one of their ends is not known.
    sentences : tuple of str
        What to do about it.
    """

    lengths: tuple[Length, ...]
    start_deg: Optional[float]
    sentences: tuple[str, ...]


def measure(corners: Sequence[Corner], size: Optional[tuple[float, float]] = None) -> Measures:
    """Measure a grid.

    Parameters
    ----------
    corners : sequence of Corner
        Two to four of one grid, in projected metres.
    size : (length_m, width_m), optional
        What the grid should measure along the traverses and along the baseline.

    Notes
    -----
    The residuals are those of the similarity that places the readings.
    """
    positions = {c.corner: (c.x, c.y) for c in corners}
    known = [name for name in CORNERS if name in positions]
    lengths = []
    for pair in combinations(known, 2):
        expected = math.dist(*(local_corner(name, *size) for name in pair)) if size else None
        kind = DIAGONAL if pair in (("start", "opposite"), ("baseline", "head")) else SIDE
        lengths.append(Length(kind, pair, math.dist(*(positions[name] for name in pair)), expected))
    lengths.sort(key=lambda one: one.kind == DIAGONAL)
    sentences = _lengths_in_words(lengths)
    if size and len(known) >= 2:
        try:
            frame = fit_frame(list(corners), *size, grid=corners[0].grid)
        except EngineError as error:
            sentences.append(str(error))
        else:
            lengths += [Length(RESIDUAL, (name,), float(np.hypot(*r)), 0.0) for name, r in frame.residuals_m.items()]
            sentences += [f.sentence() for f in frame.findings if f.code != Code.CORNER_DISTANCE.word]
    return Measures(tuple(lengths), _angle_deg(positions), tuple(sentences))


def _angle_deg(positions: dict) -> Optional[float]:
    if not {"start", "baseline", "head"} <= positions.keys():
        return None
    along, away = (np.subtract(positions[end], positions["start"]) for end in ("baseline", "head"))
    return math.degrees(abs(math.atan2(along[0] * away[1] - along[1] * away[0], float(along @ away))))


def _lengths_in_words(lengths: Sequence[Length]) -> list[str]:
    if any(one.expected_m is None for one in lengths):
        return [tr("Give length and width to hold the corners against them.")]
    bad = [one for one in lengths if one.bad]
    if not bad:
        return [tr("Sides and diagonals agree with the size of the grid to {limit:.2f} m.").format(limit=WARN_M)]
    named = [tr("{one} to {other} by {off:+.2f} m").format(one=b.corners[0], other=b.corners[1], off=b.off_m)
             for b in bad]  # fmt: skip
    shared = set(bad[0].corners).intersection(*(b.corners for b in bad))
    remedy = (
        tr("Measure the corner {corner} again: all of these meet there.").format(corner=shared.pop())
        if len(bad) > 1 and len(shared) == 1
        else tr("Check these with a tape, and length and width in the register.")
    )
    return [tr("Off by more than {limit:.2f} m: {which}.").format(limit=WARN_M, which=", ".join(named)), remedy]

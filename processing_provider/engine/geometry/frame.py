"""The frame of a grid: from local metres along baseline and traverse to the map, fitted to the corners."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike

from ..core import Code, EngineError, Finding, WrongSize, check_choice
from .corners import CORNERS, Corner, in_degrees
from .lattice import EDGE_M

FITS = ("similarity", "affine", "exact")
WARN_M = 0.10
"""Residual or side error that is reported: pegs set by tape agree to 0.1 m at worst. Common practice, no source."""
REFUSE_M = 0.50
"""Residual that is refused: no tape errs so much, a wrong corner does. Common practice, no source."""
REFUSE_SCALE = 0.01
"""Error of the scale that is refused: 0.2 m in 20 m, likewise. Common practice, no source."""
SIDES = ("width_m", "length_m")  # of the register, along u and along v
ROUNDING_M2 = 1e-9
"""Sums of squared residuals, in square metres, that differ by less are alike. Derived: residuals of 0.1 m times the
1e-9 m of rounding in coordinates of 5e6 m, over a few corners."""
NEWTON_STEPS = 6
"""Of the inverse of a bilinear frame. Derived: each squares the relative error, which begins at the ratio of the twist
to the sides, below 0.03 where corners are off by ``REFUSE_M`` at most: three steps reach rounding."""


@dataclass(frozen=True)
class Frame:
    """How local positions lie on the map.

    Attributes
    ----------
    local_centre, map_centre : (2,) float64
        Points that correspond; all sums are taken from them, which keeps the digits of coordinates of 5e6 m.
    matrix : (2, 2) float64
        Map metres by local metre.
    twist : (2,) float64
        Map metres by product of local metres (zero but for the exact fit).
    residuals_m : dict of (2,) float64
        Fitted minus surveyed position by corner.
    findings : tuple of Finding
        What the fit reports.
    """

    local_centre: np.ndarray
    map_centre: np.ndarray
    matrix: np.ndarray
    twist: np.ndarray
    residuals_m: Mapping[str, np.ndarray]
    findings: tuple[Finding, ...] = ()

    def to_map(self, u_m: ArrayLike, v_m: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return map x, y in metres of local positions (any shape)."""
        du, dv = np.asarray(u_m, float) - self.local_centre[0], np.asarray(v_m, float) - self.local_centre[1]
        x, y = (
            self.map_centre[i] + self.matrix[i, 0] * du + self.matrix[i, 1] * dv + self.twist[i] * (du * dv)
            for i in range(2)
        )
        return x, y

    def to_local(self, x: ArrayLike, y: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Return local u, v in metres of map positions (any shape); the twist is undone by Newton's method."""
        dx, dy = np.asarray(x, float) - self.map_centre[0], np.asarray(y, float) - self.map_centre[1]
        (a, b), (c, d) = self.matrix
        du, dv = (d * dx - b * dy) / (a * d - b * c), (a * dy - c * dx) / (a * d - b * c)
        for _ in range(NEWTON_STEPS if self.twist.any() else 0):
            p, q = self.twist
            residual_x, residual_y = a * du + b * dv + p * du * dv - dx, c * du + d * dv + q * du * dv - dy
            xu, xv, yu, yv = a + p * dv, b + p * du, c + q * dv, d + q * du
            determinant = xu * yv - xv * yu
            du = du - (yv * residual_x - xv * residual_y) / determinant
            dv = dv - (xu * residual_y - yu * residual_x) / determinant
        return du + self.local_centre[0], dv + self.local_centre[1]

    @property
    def mirrored(self) -> bool:
        """True when the traverses lead off to the right of the baseline's direction."""
        return bool(np.linalg.det(self.matrix) < 0)

    @property
    def scale(self) -> float:
        """Map metres by local metre (root of the area ratio)."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))))

    @property
    def bearing_deg(self) -> float:
        """Bearing of the traverses' direction away from the baseline, clockwise from map north, 0 to 360."""
        return float(np.degrees(np.arctan2(self.matrix[0, 1], self.matrix[1, 1])) % 360)

    @property
    def largest_residual_m(self) -> float:
        """Largest distance in metres between a surveyed and a fitted corner."""
        return max((float(np.hypot(*r)) for r in self.residuals_m.values()), default=0.0)


def local_corner(corner: str, length_m: float, width_m: float) -> tuple[float, float]:
    """Return (u, v) in metres of a named corner."""
    return {"start": (0.0, 0.0), "baseline": (width_m, 0.0), "opposite": (width_m, length_m), "head": (0.0, length_m)}[
        corner
    ]


def fit_frame(
    corners: Sequence[Corner], length_m: float, width_m: float, *, fit: str = "similarity", grid: str = ""
) -> Frame:
    """Fit the frame of one grid to its surveyed corners.

    Parameters
    ----------
    corners : sequence of Corner
        Two or more different corners of the grid, in a projected CRS in metres.
    length_m, width_m : float
        Size along the traverses and along the baseline.
    fit : {'similarity', 'affine', 'exact'}
        Shift, turn and one scale (a mirrored grid is legal); also shear and two scales (3 corners or more);
        through all 4 corners, which hides errors of the corners.
    grid : str
        Name for messages.

    Returns
    -------
    Frame
        With residuals and findings: residuals or sides off by more than ``WARN_M`` are warnings.

    Raises
    ------
    EngineError
        Too few corners, coordinates in degrees, swapped corners (the pair is named), a residual over ``REFUSE_M``
        or a scale farther than ``REFUSE_SCALE`` from 1.

    Notes
    -----
    Least squares on centred coordinates. Two corners fit a grid and its mirror image alike: the traverses are
    then taken to lead off to the left of the baseline.
    """
    check_choice("fit", fit, FITS)
    needed = {"similarity": 2, "affine": 3, "exact": 4}[fit]
    if len(corners) < needed:
        raise EngineError(
            f"Of {_named(grid)} only {len(corners)} of 4 corners are known. "
            f"The {fit} fit needs at least {needed}: survey or add the missing corners ({', '.join(_absent(corners))})."
        )
    local = np.array([local_corner(c.corner, length_m, width_m) for c in corners])
    on_map = np.array([(c.x, c.y) for c in corners])
    names = [c.corner for c in corners]
    _refuse_degrees(local, on_map, grid)
    check = _similarity(local, on_map)
    _refuse_bad(local, on_map, names, check, grid)
    frame = check if fit == "similarity" else _linear(local, on_map, twisted=fit == "exact")
    residuals = np.stack(frame.to_map(*local.T), axis=1) - on_map
    findings = _shape_findings(local, on_map, names, check, grid, fit)
    return Frame(
        frame.local_centre, frame.map_centre, frame.matrix, frame.twist, dict(zip(names, residuals)), tuple(findings)
    )


def local_frame() -> Frame:
    """Return the frame in which the map is the grid itself, for readings of a grid whose corners are not known."""
    return Frame(np.zeros(2), np.zeros(2), np.eye(2), np.zeros(2), {})


def frame_of_readings(u_m: np.ndarray, v_m: np.ndarray, x: np.ndarray, y: np.ndarray) -> Frame:
    """Recover the frame from placed readings, (n,) float each; NaN rows are left out.

    Raises
    ------
    EngineError
        With fewer than 3 placed readings or all of them on one line.
    """
    local, on_map = np.stack([u_m, v_m], axis=1).astype(float), np.stack([x, y], axis=1).astype(float)
    good = np.isfinite(local).all(axis=1) & np.isfinite(on_map).all(axis=1)
    local, on_map = local[good], on_map[good]
    if len(local) < 3 or np.linalg.matrix_rank(local - local.mean(axis=0), tol=EDGE_M) < 2:
        raise EngineError(
            "The readings lie on one line or are not placed, so the grid's direction on the map is unknown. "
            "Run 'Place readings on the ground' on at least two traverses first."
        )
    straight = _linear(local, on_map, twisted=False)
    off = np.stack(straight.to_map(*local.T), axis=1) - on_map
    # Stored coordinates carry about 1e-9 m of rounding; a bilinear grid departs by centimetres.
    return straight if np.abs(off).max() < EDGE_M else _linear(local, on_map, twisted=True)


def _named(grid: str) -> str:
    return f"grid {grid}" if grid else "the grid"


def _absent(corners: Sequence[Corner]) -> list[str]:
    return [name for name in CORNERS if name not in {c.corner for c in corners}]


def _similarity(local: np.ndarray, on_map: np.ndarray) -> Frame:
    """Fit 4 parameters both ways round and keep the better; the unmirrored one when both fit alike."""
    centre, map_centre = local.mean(axis=0), on_map.mean(axis=0)
    (u, v), (x, y) = (local - centre).T, (on_map - map_centre).T
    fits: list[tuple[float, Frame]] = []
    for hand in (1.0, -1.0):
        w = hand * v
        square = np.sum(u * u + w * w)
        a, b = np.sum(u * x + w * y) / square, np.sum(u * y - w * x) / square
        matrix = np.array([[a, -b * hand], [b, a * hand]])
        error = np.sum((np.stack([u, v], axis=1) @ matrix.T - np.stack([x, y], axis=1)) ** 2)
        fits.append((float(error), Frame(centre, map_centre, matrix, np.zeros(2), {})))
    (error, frame), (error_mirrored, mirrored) = fits
    return mirrored if error_mirrored < error - ROUNDING_M2 else frame


def _linear(local: np.ndarray, on_map: np.ndarray, *, twisted: bool) -> Frame:
    """Fit 6 parameters, or 8 with the bilinear term, by least squares."""
    centre, map_centre = local.mean(axis=0), on_map.mean(axis=0)
    du, dv = (local - centre).T
    terms = [np.ones_like(du), du, dv] + [du * dv] * twisted
    solution = np.linalg.lstsq(np.stack(terms, axis=1), on_map - map_centre, rcond=None)[0]
    twist = solution[3] if twisted else np.zeros(2)
    return Frame(centre, map_centre + solution[0], solution[1:3].T, twist, {})


def _distances(points: np.ndarray) -> np.ndarray:
    return np.array([np.hypot(*(points[i] - points[j])) for i, j in combinations(range(len(points)), 2)])


def _refuse_degrees(local: np.ndarray, on_map: np.ndarray, grid: str) -> None:
    if in_degrees(on_map, float(_distances(local).max())):
        raise EngineError(
            f"The corners of {_named(grid)} are in degrees. Corners must be in metres: "
            "transform them to a projected CRS, such as the UTM zone of the site."
        )


def _refuse_bad(local: np.ndarray, on_map: np.ndarray, names: list[str], frame: Frame, grid: str) -> None:
    residuals = _residual_lengths(frame, local, on_map)
    worst = int(np.argmax(residuals))
    if residuals[worst] > REFUSE_M or abs(frame.scale - 1) > REFUSE_SCALE:
        swaps = _swaps_that_mend(local, on_map, names)
        if swaps:
            raise EngineError(
                f"Two corners of {_named(grid)} are swapped: exchanging {' (or '.join(swaps)}{')' * (len(swaps) - 1)} "
                "would make the sides fit. Check the names of the corners against the field sketch."
            )
        if len(names) > 2:
            _refuse_one_cause(local, on_map, names, grid)
    if residuals[worst] > REFUSE_M:
        raise WrongSize(
            f"The {names[worst]} corner of {_named(grid)} is {residuals[worst]:.2f} m away from where the other "
            f"corners and the size of {local[:, 0].max():g} by {local[:, 1].max():g} m put it; more than {REFUSE_M} m "
            "is refused. Check the corner's coordinates and the size in the register.", SIDES, None,
        )  # fmt: skip
    if abs(frame.scale - 1) > REFUSE_SCALE:
        raise WrongSize(
            f"The corners of {_named(grid)} lie {frame.scale:.3f} times as far apart as the register says; "
            f"more than {REFUSE_SCALE:.0%} off is refused. Check length_m and width_m, and that the corners are in "
            "metres of a projected CRS.", SIDES, frame.scale > 1,
        )  # fmt: skip


def _refuse_one_cause(local: np.ndarray, on_map: np.ndarray, names: list[str], grid: str) -> None:
    """Name the one side of the register, or the one corner, without which all fits."""
    sizes = local.max(axis=0)
    sides = [_side_m(local, on_map, axis) for axis in (0, 1)]
    for axis, column in enumerate(SIDES):
        other = local * np.where(np.arange(2) == axis, sides[axis] / sizes, 1.0)
        if abs(sides[1 - axis] - sizes[1 - axis]) <= WARN_M and _fits(other, on_map):
            raise WrongSize(
                f"The corners of {_named(grid)} are {sides[axis]:.2f} m from each other along {column}, not "
                f"{sizes[axis]:g} m as the register says, and fit otherwise. Correct {column} in the register.",
                (column,), bool(sides[axis] > sizes[axis]),
            )  # fmt: skip
    mends = [k for k in range(len(names)) if len(names) > 3 and _fits(*(np.delete(a, k, 0) for a in (local, on_map)))]
    if len(mends) == 1:
        (k,) = mends
        frame = _similarity(np.delete(local, k, 0), np.delete(on_map, k, 0))
        raise EngineError(
            f"The {names[k]} corner of {_named(grid)} is {_residual_lengths(frame, local, on_map)[k]:.2f} m away from "
            f"where the other corners put it, which fit the size in the register; more than {REFUSE_M} m is refused. "
            "Check its coordinates, or measure it again."
        )


def _side_m(local: np.ndarray, on_map: np.ndarray, axis: int) -> float:
    """Return the mean length on the map of the sides along a local axis; NaN where none has both corners."""
    pairs = [(i, j) for i, j in combinations(range(len(local)), 2) if local[i, 1 - axis] == local[j, 1 - axis]]
    return float(np.mean([np.hypot(*(on_map[i] - on_map[j])) for i, j in pairs])) if pairs else np.nan


def _fits(local: np.ndarray, on_map: np.ndarray) -> bool:
    """Whether corners agree with a size as well as pegs set by tape do."""
    frame = _similarity(local, on_map)
    return bool(_residual_lengths(frame, local, on_map).max() <= WARN_M and abs(frame.scale - 1) <= REFUSE_SCALE)


def _residual_lengths(frame: Frame, local: np.ndarray, on_map: np.ndarray) -> np.ndarray:
    return np.hypot(*(np.stack(frame.to_map(*local.T), axis=1) - on_map).T)


def _swaps_that_mend(local: np.ndarray, on_map: np.ndarray, names: list[str]) -> list[str]:
    mends = []
    for i, j in combinations(range(len(names)), 2):
        order = list(range(len(names)))
        order[i], order[j] = j, i
        frame = _similarity(local, on_map[order])
        good = _residual_lengths(frame, local, on_map[order]).max() <= REFUSE_M
        if good and abs(frame.scale - 1) <= REFUSE_SCALE:
            mends.append((frame.mirrored, f"{names[i]} and {names[j]}"))
    return [text for _, text in sorted(mends, key=lambda m: m[0])]


def _shape_findings(
    local: np.ndarray, on_map: np.ndarray, names: list[str], frame: Frame, grid: str, fit: str
) -> list[Finding]:
    findings = []
    residuals = _residual_lengths(frame, local, on_map)
    if residuals.max() > WARN_M:
        each = ", ".join(f"{name} {r:.2f} m" for name, r in zip(names, residuals))
        findings.append(
            Code.CORNER_RESIDUAL.finding(f"The corners do not form the grid: {each} off the best fit.",
                    f"at most {WARN_M:.2f} m", "Measure the corner that stands out again.", grid=grid)
        )  # fmt: skip
    pairs = combinations(range(len(names)), 2)
    for (i, j), there, here in zip(pairs, _distances(local), _distances(on_map)):
        if abs(here - there) > WARN_M:
            findings.append(
                Code.CORNER_DISTANCE.finding(f"{names[i]} to {names[j]} measures {here:.2f} m.",
                        f"{there:.2f} m", "Measure the side with a tape. Correct it, or the register.", grid=grid)
            )  # fmt: skip
    if len(names) == 2:
        findings.append(
            Code.TWO_CORNERS.finding("Only two corners are known, so nothing checks them.", "3 or 4 corners",
                    "Measure a third corner. The traverses are taken to lead off to the left.", grid=grid)
        )  # fmt: skip
    if fit == "exact":
        findings.append(
            Code.EXACT_FIT.finding("The exact fit bends the grid through its four corners.",
                    "", "Use the exact fit only for corners that were checked. It hides a wrong one.", grid=grid)
        )  # fmt: skip
    if frame.mirrored:
        findings.append(
            Code.MIRRORED.finding("The traverses lead off to the right of the baseline (mirrored grid).",
                    "", "Nothing to do if the grid was laid out so. Otherwise easting and northing may be exchanged.",
                    severity="note", grid=grid)
        )  # fmt: skip
    return findings

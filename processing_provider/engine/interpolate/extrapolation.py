"""A line beyond the outer one: how the ground goes on, as far as the lines of the grid tell."""

from __future__ import annotations

from typing import Optional

import numpy as np

LINES = 5
"""Lines that the next one is predicted from; with more, the prediction hardly gets better."""
UNEVEN = 0.2
"""Largest departure from the usual distance between lines, as a share of it."""
SAMPLE = 6_000
"""About how many predictions of known lines the weights are taken from."""
LEAST = 20 * LINES
"""With fewer of them there are no weights."""


def lead_on(u: np.ndarray, z: np.ndarray, zvv: np.ndarray, known: np.ndarray, *, spacing_m: float, noise: float):
    """Write the values of one more line beyond the outer ones, and return where.

    Parameters
    ----------
    u : (nodes, knots) float64
        Position of the knots in metres, growing.
    z, zvv : (nodes, knots) float64
        Values, and their second derivatives along the lines. They are written to.
    known : (nodes, knots) bool
    spacing_m : float
        Usual distance between lines; only lines as far apart as that are predicted, and from such.
    noise : float
        Standard deviation of a value.

    Returns
    -------
    (nodes, knots) bool
        Nowhere when too few lines lie side by side.

    Notes
    -----
    Once the mean slope across the lines is taken off, weights w that add up to one minimise the squared error of
    z[j - 1] = w . z[j : j + 5] over all lines of the grid, in both directions, each prediction divided by 6 noise^2
    plus the mean square of the second differences of its six values: quiet ground counts as much as a strong anomaly.
    A constant and a plane are kept, smooth ground goes on smoothly, and the noisier the readings, the more the weights
    approach a mean. This is linear prediction as of time series (J. Makhoul 1975, Linear prediction: a tutorial
    review, Proceedings of the IEEE 63, 561-580; from memory).
    """
    led = np.zeros_like(known)
    some = slice(None, None, max(1, z.size // SAMPLE))
    slope = _slope(u[some], z[some], known[some])
    weights = _weights(u[some], z[some] - slope * u[some], known[some], spacing_m, noise)
    if weights is None:
        return led
    for way in (1, -1):
        places, there = u[:, ::way], known[:, ::way]
        outer = there.argmax(axis=1)
        row = np.flatnonzero(there.any(axis=1) & (outer > 0) & (outer + LINES <= there.shape[1]))[:, None]
        knot = outer[row] + np.arange(-1, LINES)
        even = np.abs(np.abs(np.diff(places[row, knot], axis=1)) - spacing_m) <= UNEVEN * spacing_m
        good = even.all(axis=1) & there[row, knot[:, 1:]].all(axis=1)
        row, knot = row[good], knot[good]
        for table, lean in ((z, slope), (zvv, 0.0)):
            turned = table[:, ::way]
            level = turned[row, knot[:, 1:]] - lean * places[row, knot[:, 1:]]
            turned[row[:, 0], knot[:, 0]] = level @ weights + lean * places[row[:, 0], knot[:, 0]]
        led[:, ::way][row[:, 0], knot[:, 0]] = True
    return led


def _slope(u: np.ndarray, z: np.ndarray, known: np.ndarray) -> float:
    """Return the mean slope from line to line."""
    both = known[:, 1:] & known[:, :-1]
    across, rise = np.diff(u, axis=1)[both], np.diff(z, axis=1)[both]
    return float(rise @ across / (across @ across)) if len(rise) else 0.0


def _weights(u: np.ndarray, z: np.ndarray, known: np.ndarray, spacing_m: float, noise: float) -> Optional[np.ndarray]:
    """Return the (LINES,) weights, the nearest line first; None when too few lines lie side by side."""
    windows = z.shape[1] - LINES
    if windows < 1:
        return None
    even = np.abs(np.diff(u, axis=1) - spacing_m) <= UNEVEN * spacing_m
    whole = np.ones((len(z), windows), bool)
    for k in range(LINES + 1):
        whole &= known[:, k : k + windows]
        if k < LINES:
            whole &= even[:, k : k + windows]
    values = np.stack([z[:, k : k + windows][whole] for k in range(LINES + 1)])
    values = np.concatenate([values, values[::-1]], axis=1)
    if values.shape[1] < LEAST:
        return None
    doubt = 6.0 * noise**2 + np.square(np.diff(values, 2, axis=0)).mean(axis=0)
    doubt += 1e-6 * doubt.mean() + np.finfo(float).tiny
    off = (values - values[1]) / np.sqrt(doubt)
    found = np.linalg.lstsq(off[2:] @ off[2:].T, off[2:] @ off[0], rcond=None)[0]
    return np.append(1.0 - found.sum(), found)

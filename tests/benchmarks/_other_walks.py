"""Sites and walks drawn by other rules than those of the simulator, on which no constant was found.

Geology of a power-law spectrum with log-normal values; ditches that bend, end and have causeways, ring ditches, pits in
groups, ridges of old ploughing; coils whose sensitivity has long tails. Speeds are log-normal and remembered over some
metres, the logger spreads the readings evenly between both ends; offsets of lines have heavy tails, drift is a random
walk with a wave of temperature, noise is heavy-tailed and correlated, and spikes come in bursts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates
from scipy.signal import fftconvolve, lfilter
from turnrow.processing_provider.engine.core import Readings, kind_code

CELL, MARGIN = 0.1, 3.0
TURN_S = 12.0


@dataclass(frozen=True)
class Stretch:
    """A line in the log and as walked, (n,) each."""

    number: int
    kind: str
    heading: int
    u: np.ndarray
    v: np.ndarray
    true_u: np.ndarray
    true_v: np.ndarray


def ground(size_m: float, rng: np.random.Generator) -> np.ndarray:
    """Return apparent conductivity on cells of 0.1 m, u down the rows, v along the columns."""
    axis = np.arange(-MARGIN, size_m + MARGIN + CELL / 2, CELL)
    u, v = np.meshgrid(axis, axis, indexing="ij")
    cut = np.zeros_like(u)
    for _ in range(rng.poisson(4)):
        cut += _ditch(u, v, size_m, rng)
    if rng.random() < 0.4:
        away = np.hypot(u - rng.uniform(0, size_m), v - rng.uniform(0, size_m))
        cut += (np.abs(away - rng.uniform(2, 6)) < rng.uniform(0.2, 0.6)) * rng.normal(0, 2.5)
    for _ in range(rng.poisson(3)):
        middle, spread = rng.uniform(0, size_m, 2), rng.uniform(1, 4)
        for _ in range(rng.poisson(5)):
            at = middle + rng.normal(0, spread, 2)
            cut += (np.hypot(u - at[0], v - at[1]) < rng.gamma(6, 0.1)) * rng.gamma(2, 1.0)
    if rng.random() < 0.3:
        angle, width = rng.uniform(0, np.pi), rng.uniform(3, 8)
        cut += rng.uniform(0.1, 0.5) * np.sin(2 * np.pi * (u * np.cos(angle) + v * np.sin(angle)) / width)
    for _ in range(rng.poisson(size_m**2 / 150)):
        away = np.hypot(u - rng.uniform(0, size_m), v - rng.uniform(0, size_m))
        cut += rng.normal(0, 8) * np.exp(-((away / 0.3) ** 2))
    # Half of what a coil sees lies within this radius; the rest far around.
    side = np.arange(-20, 21) * CELL
    kernel = (1 + (side[:, None] ** 2 + side**2) / 0.45**2) ** -2.5
    seen = fftconvolve(np.pad(cut, 20, mode="edge"), kernel / kernel.sum(), mode="valid")
    return 15 * np.exp(rng.uniform(0.02, 0.08) * _fractal(u.shape, rng)) + seen


def _ditch(u: np.ndarray, v: np.ndarray, size_m: float, rng: np.random.Generator) -> np.ndarray:
    """Return a ditch whose direction wanders, of changing depth, with an end or a causeway here and there."""
    steps = 400
    bearing = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, rng.uniform(0.0, 0.02), steps)) * 0.5
    path = np.cumsum(0.1 * np.stack([np.cos(bearing), np.sin(bearing)]), axis=1)
    path += (rng.uniform(0, size_m, 2) - path[:, steps // 2])[:, None]
    depth = np.exp(0.3 * lfilter([0.2], [1, -0.98], rng.normal(size=steps)))
    for at in rng.integers(0, steps, rng.poisson(1)):
        depth[at : at + int(rng.integers(10, 30))] = 0.0
    half, strength = rng.gamma(8, 0.06), rng.choice([-1, 1, 1]) * rng.gamma(3, 0.8)
    out = np.zeros_like(u)
    rows, columns = (np.rint((axis + MARGIN) / CELL).astype(int) for axis in path)
    reach = int(np.ceil(half / CELL))
    for i, j, d in zip(rows.tolist(), columns.tolist(), depth.tolist()):
        window = np.s_[max(i - reach, 0) : max(i + reach + 1, 0), max(j - reach, 0) : max(j + reach + 1, 0)]
        near = np.hypot(u[window] - (i * CELL - MARGIN), v[window] - (j * CELL - MARGIN)) <= half
        out[window] = np.maximum(out[window], near * d)
    return strength * out


def _fractal(shape: tuple[int, int], rng: np.random.Generator) -> np.ndarray:
    """Return a field whose power falls with the wave number to between 2.6 and 3.6, of standard deviation 1."""
    k = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1]))
    k[0, 0] = np.inf
    wave = np.fft.rfft2(rng.normal(size=shape)) * k ** (-rng.uniform(2.6, 3.6) / 2)
    field = np.fft.irfft2(wave, shape)
    return field / field.std()


def readings_of(seed: int, spacing: float, rate: float, move=None, ties=(), size_m=None) -> tuple[Readings, float]:
    """Return the readings of an ordinary walk over a random site, and the size of the grid.

    ``move`` (line count) -> spacings that lines lie off; ``ties`` are fractions of the length at which ties are walked;
    ``size_m`` is drawn when not given.
    """
    rng = np.random.default_rng(seed)
    drawn = rng.choice([20.0, 30.0])
    size = drawn if size_m is None else size_m
    count = round(size / spacing)
    off = np.zeros(count) if move is None else np.asarray(move(count), float)
    values = ground(size, rng)
    lag_s = rng.uniform(0.1, 0.5)
    stretches = []
    for k in range(count):
        at = (k + 0.5) * spacing
        stretches.append(_walked(rng, k + 1, "survey", 1 - 2 * (k % 2), at, at + off[k] * spacing, size, rate, lag_s))
    for k, share in enumerate(ties):
        stretches.append(_walked(rng, 901 + k, "tie", 1 - 2 * (k % 2), size * share, size * share, size, rate, lag_s))
    return _logged(stretches, values, rate, rng), size


def _walked(rng, number, kind, heading, at, true_at, size, rate, lag_s) -> Stretch:
    """Return one line: even readings in the log, uneven speed on the ground."""
    n = round(size * rate)
    keep = np.exp(-1 / (rate * rng.uniform(1.0, 6.0)))
    uneven = lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.normal(size=n + 200))[200:]
    speed = np.exp(rng.uniform(0.04, 0.10) * uneven)
    progress = np.cumsum(speed) - speed / 2
    begin, end = rng.normal(0, 0.1, 2)
    progress = begin + progress * (size + end - begin) / speed.sum() - lag_s * speed * (1 + rng.normal(0, 0.1))
    sway = lfilter([0.02], [1, -0.96], rng.normal(size=n + 100))[100:] * 0.5
    sag = rng.normal(0, 0.04) * np.sin(np.pi * (np.arange(n) + 0.5) / n)
    written = (np.arange(n) + 0.5) / rate
    written, along = (v if heading > 0 else size - v for v in (written, progress))
    fixed, aside = np.full(n, at), true_at + sway + sag
    if kind == "tie":
        return Stretch(number, kind, heading, written, fixed, along, aside)
    return Stretch(number, kind, heading, fixed, written, aside, along)


def _logged(stretches: list[Stretch], ground_values: np.ndarray, rate: float, rng: np.random.Generator) -> Readings:
    n = len(stretches[0].u)
    joined = {name: np.concatenate([getattr(s, name) for s in stretches]) for name in ("u", "v", "true_u", "true_v")}
    number, heading = (np.repeat([getattr(s, name) for s in stretches], n) for name in ("number", "heading"))
    kind = np.repeat([kind_code(s.kind) for s in stretches], n)
    seq = np.tile(np.arange(n), len(stretches))
    time = np.repeat(np.arange(len(stretches)) * (n / rate + TURN_S), n) + seq / rate
    total = len(time)
    noise = 0.12 * lfilter([1.0], [1, -0.2], rng.standard_t(4, total)) / np.sqrt(2)
    offset = np.repeat(rng.laplace(0, 0.35, len(stretches)), n) + heading * rng.normal(0, 0.3)
    drift = np.cumsum(rng.normal(0, 0.05, int(time[-1] / 10) + 2))
    drift = np.interp(time, np.arange(len(drift)) * 10.0, drift) + 0.5 * np.sin(time / rng.uniform(150, 500))
    burst = np.zeros(total)
    for at in rng.integers(0, total, rng.poisson(total / 800)):
        burst[at : at + int(rng.integers(1, 3))] = rng.choice([-1, 1]) * rng.gamma(2, 8)
    cells = [(joined["true_u"] + MARGIN) / CELL, (joined["true_v"] + MARGIN) / CELL]
    values = map_coordinates(ground_values, cells, order=1, mode="nearest") + noise + offset + drift + burst
    return Readings.build(
        number, {"eca": values}, grids=("A",), units={"eca": "mS/m"}, run=np.ones(total, int), seq=seq, time_s=time,
        u_m=joined["u"], v_m=joined["v"], x=joined["u"], y=joined["v"], flag=np.zeros(total, int), heading=heading,
        kind=kind, station=seq + 1.0,
    )  # fmt: skip

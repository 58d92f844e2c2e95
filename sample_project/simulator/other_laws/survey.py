"""A survey drawn by other laws than the corrections assume: its files as texts, and what is true about it."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Mapping

import numpy as np

from .ground import Ground
from .instrument import NONE, Errors, drift, full_scale, gain, noise, rounded
from .strokes import Layout, Stroke, strokes_of
from .texts import files_of
from .walking import PERFECT, Gait


@dataclass(frozen=True)
class Step:
    """A level that steps inside a line: in a grid, on the line at ``u`` from ``start`` to ``stop`` (v), by ``size``.

    u and v are those of the site, metres; mS/m.
    """

    grid: str
    u: float
    start: float
    stop: float
    size: float


@dataclass(frozen=True)
class Truth:
    """What is true about a survey.

    Attributes
    ----------
    ground : Ground
        ``ground.seen(u, v)`` is the map without errors, ``ground.feature(u, v)`` what it is to keep.
    layout : Layout
    strokes : tuple of Stroke
        Where the coils were, by recording.
    values : mapping of tuple of arrays
        By channel and recording the readings as logged.
    steps : tuple of Step
    reset_s : float
        Seconds since the first reading after which the instrument was set anew; NaN where it was not.
    scale : mapping of float
        By channel the value of full scale; infinite where none is given.
    """

    ground: Ground
    layout: Layout
    strokes: tuple[Stroke, ...]
    values: Mapping[str, tuple[np.ndarray, ...]] = field(repr=False)
    steps: tuple[Step, ...] = ()
    reset_s: float = np.nan
    scale: Mapping[str, float] = field(default_factory=dict)

    def map(self, u: np.ndarray, v: np.ndarray, channel: str = "eca_10") -> np.ndarray:
        """Return what a map without errors shows at places on the site, mS/m."""
        return self.ground.seen(u, v, size=0.5 if channel == "eca_05" else 1.0)

    def clipped(self, channel: str = "eca_10") -> np.ndarray:
        """Return the (k, 2) places u, v of the survey readings that reach full scale."""
        places = [
            np.stack(stroke.places[channel], axis=1)[values >= self.scale[channel]]
            for stroke, values in zip(self.strokes, self.values[channel])
            if stroke.kind == "survey"
        ]
        return np.concatenate(places)


@dataclass(frozen=True)
class Survey:
    """Files of a survey by name, and what is true about it; ``platform`` as a recipe names it."""

    files: Mapping[str, str] = field(repr=False)
    truth: Truth
    platform: str = "carried"

    def write(self, folder: Path) -> None:
        """Write the files."""
        for name, text in self.files.items():
            path = Path(folder) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(text.encode("utf-8"))


def stream(seed: int, what: str) -> np.random.Generator:
    """Return random numbers of their own for a part of a survey, so that one part may change and the others stay."""
    return np.random.default_rng([seed, zlib.crc32(what.encode())])


def survey(
    seed: int,
    ground: Ground,
    layout: Layout,
    gait: Gait = PERFECT,
    errors: Errors = NONE,
    channel_lag_s: float = 0.0,
    platform: str = "carried",
) -> Survey:
    """Walk a survey and log it; ``channel_lag_s`` is by how much more ``eca_05`` is late than ``eca_10``."""
    lags = {"eca_10": gait.lag_s, "eca_05": gait.lag_s + channel_lag_s}
    strokes = strokes_of(layout, gait, {c: lags[c] for c in layout.channels}, stream(seed, "walk"))
    added, steps, reset_s = _added(seed, strokes, layout, errors)
    values: dict[str, tuple[np.ndarray, ...]] = {}
    scale: dict[str, float] = {}
    for channel in layout.channels:
        values[channel], scale[channel] = _read(seed, channel, ground, strokes, added, errors)
    truth = Truth(ground, layout, tuple(strokes), values, tuple(steps), reset_s, scale)
    return Survey(files_of(layout, strokes, values), truth, platform)


def _read(
    seed: int, channel: str, ground: Ground, strokes: list[Stroke], added: list[np.ndarray], errors: Errors
) -> tuple[tuple[np.ndarray, ...], float]:
    """Return the values as logged by recording, and the value of full scale."""
    rng = stream(seed, channel)
    factor, size = (1.2, 0.5) if channel == "eca_05" else (1.0, 1.0)
    clean = [ground.seen(*stroke.places[channel], along_u=stroke.kind == "tie", size=size) for stroke in strokes]
    owner = np.cumsum([len(c) for c in clean])[:-1]
    time_s = np.concatenate([stroke.time_s for stroke in strokes])
    whole = np.concatenate(clean)
    wrong = factor * np.concatenate(added) + whole * (gain(errors, time_s, stream(seed, "gain")) - 1)
    read = whole + wrong + noise(errors, len(whole), rng)
    survey_line = np.repeat([stroke.kind == "survey" for stroke in strokes], [len(c) for c in clean])
    scale = full_scale(errors, read[survey_line])
    logged = rounded(errors, np.minimum(read, scale) if errors.cut else read)
    return tuple(np.split(logged, owner)), scale


def _added(
    seed: int, strokes: list[Stroke], layout: Layout, errors: Errors
) -> tuple[list[np.ndarray], list[Step], float]:
    """Return by recording what is added to all values, the steps inside lines, and when the instrument was set anew."""
    rng = stream(seed, "offsets")
    tails = rng.standard_t(3, len(strokes))
    stands = rng.normal(0, 1, len(strokes))
    levels = dict(zip(layout.grids, errors.level * stream(seed, "levels").standard_t(4, len(layout.grids))))
    time_s = np.concatenate([stroke.time_s for stroke in strokes])
    drifted = np.split(drift(errors, time_s, stream(seed, "drift")), np.cumsum([len(s.time_s) for s in strokes])[:-1])
    added = []
    for stroke, slow, tail, stand in zip(strokes, drifted, tails, stands):
        own = errors.base * stand if stroke.kind == "base" else errors.stripe * tail
        added.append(slow + own + errors.direction / 2 * stroke.heading + levels[stroke.grid])
    reset_s = _reset(strokes, layout, errors, added, stream(seed, "reset"))
    return added, _stepped(strokes, errors, added, stream(seed, "steps")), reset_s


def _reset(
    strokes: list[Stroke], layout: Layout, errors: Errors, added: list[np.ndarray], rng: np.random.Generator
) -> float:
    """Set the instrument anew before a line about half-way through the first grid; return when."""
    at, sign = round(layout.lines * rng.uniform(0.35, 0.65)), rng.choice([-1, 1])
    if not errors.reset:
        return np.nan
    first = [k for k, stroke in enumerate(strokes) if stroke.kind == "survey"][at]
    for values in added[first:]:
        values += sign * errors.reset
    return float(strokes[first].time_s[0]) - 1.0


def _stepped(strokes: list[Stroke], errors: Errors, added: list[np.ndarray], rng: np.random.Generator) -> list[Step]:
    """Step the level inside some lines, up to their ends; return the steps."""
    lines = [k for k, stroke in enumerate(strokes) if stroke.kind == "survey"]
    steps = []
    for k in sorted(rng.choice(lines, errors.steps, replace=False).tolist()):
        count = len(added[k])
        at, size = round(count * rng.uniform(0.3, 0.7)), rng.choice([-1, 1]) * rng.uniform(1.5, 3)
        added[k][at:] += size
        u, v = next(iter(strokes[k].places.values()))
        low, high = sorted((float(v[at]), float(v[-1])))
        steps.append(Step(strokes[k].grid, float(u.mean()), low, high, float(size)))
    return steps

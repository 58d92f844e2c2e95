"""Walks a planned grid over a site: where the coils were, what the instrument read, what must be flagged."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Mapping, Optional, Sequence

import numpy as np

from . import faults as instrument
from .faults import Faults
from .layouts import LAYOUT_CHANNELS
from .plans import GridPlan, place_on_map
from .recordings import Recording, recordings_of
from .site import SITE, Site

SEED = 20
INTERVAL_S = 0.2
"""Time between readings; 5 readings a metre are then walked at 1 m/s."""


PACE_VARIANCES = (0.6, 0.3, 0.1)
"""Fractions of the variance of an uneven pace that are sines of one, two and three half waves; made up, no source."""


@dataclass(frozen=True)
class SimulatedGrid:
    """A walked grid, n readings in the order of the log.

    Attributes
    ----------
    plan : GridPlan
    recordings : tuple of Recording
    recording : (n,) int
        Index into ``recordings``.
    line, run, seq : (n,) int
    kind : (n,) str
    heading : (n,) int
        1 out, -1 back, 0 standing (base readings).
    station, logged_station : (n,) float
        As walked, and as the logger counted.
    time_s : (n,) float
    mark : (n,) int
        1 where a fiducial was pressed since the reading before.
    u_m, v_m, x, y : (n,) float
        Where the scheme and the notes put the reading; NaN for base readings.
    true_x, true_y : (n,) float
        Where it was taken.
    flag : (n,) str
        What must be flagged once read and placed: words joined by ``;``.
    channels, clean : dict of (n,) float
        As read (NaN where the logger dropped out), and the truth where it was taken.
    offsets : (n,) float
        Stripe, direction and drift of ``eca_10`` together, mS/m.
    """

    plan: GridPlan
    recordings: tuple[Recording, ...]
    recording: np.ndarray
    line: np.ndarray
    run: np.ndarray
    seq: np.ndarray
    kind: np.ndarray
    heading: np.ndarray
    station: np.ndarray
    logged_station: np.ndarray
    time_s: np.ndarray
    mark: np.ndarray
    u_m: np.ndarray
    v_m: np.ndarray
    x: np.ndarray
    y: np.ndarray
    true_x: np.ndarray
    true_y: np.ndarray
    flag: np.ndarray
    channels: dict[str, np.ndarray]
    clean: dict[str, np.ndarray]
    offsets: np.ndarray

    def __len__(self) -> int:
        return len(self.line)


def simulate_grid(
    plan: GridPlan,
    *,
    seed: int = SEED,
    faults: Optional[Faults] = None,
    site: Site = SITE,
    channels: Optional[Sequence[str]] = None,
) -> SimulatedGrid:
    """Walk a grid.

    Parameters
    ----------
    plan : GridPlan
    seed : int
        The same seed and grid name give the same walk.
    faults : Faults, optional
        Defaults to those of the sample; ``Faults()`` is a walk without any.
    site : Site
    channels : sequence of str, optional
        Defaults to what the plan's layout carries.
    """
    faults = instrument.of_the_sample() if faults is None else faults
    rng = np.random.default_rng([seed, *plan.grid.encode()])
    recordings = recordings_of(plan, rng)
    names = LAYOUT_CHANNELS[plan.layout] if channels is None else tuple(channels)
    parts, clock = [], plan.start_s
    for recording in recordings:
        clock = round(clock + recording.pause_s, 1)
        parts.append(_columns(plan, recording, faults, rng, clock))
        clock = parts[-1]["time_s"][-1]
    columns = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    columns["recording"] = np.repeat(np.arange(len(recordings)), [r.count for r in recordings])
    for name in ("line", "run", "kind", "heading"):
        columns[name] = np.array([getattr(r, name) for r in recordings])[columns["recording"]]
    columns["x"], columns["y"] = place_on_map(plan, columns["u_m"], columns["v_m"])
    columns["true_x"], columns["true_y"] = place_on_map(plan, columns.pop("true_u"), columns.pop("true_v"))
    clean = {name: site.truth(columns["true_x"], columns["true_y"], name) for name in names}
    offsets = columns.pop("offset") + _drift(columns["time_s"] - plan.start_s, faults, rng)
    read, lost = instrument.read(clean, offsets, faults, rng)
    flag = _expected_flags(plan, recordings, columns, lost)
    return SimulatedGrid(plan, tuple(recordings), flag=flag, channels=read, clean=clean, offsets=offsets, **columns)


def _drift(elapsed_s: np.ndarray, faults: Faults, rng: np.random.Generator) -> np.ndarray:
    steps = math.ceil(elapsed_s.max() / instrument.DRIFT_STEP_S) + 2
    return instrument.drift(elapsed_s, faults, rng.standard_normal(steps + 2 * instrument.drift_reach(faults)))


def _columns(
    plan: GridPlan, recording: Recording, faults: Faults, rng: np.random.Generator, clock: float
) -> dict[str, np.ndarray]:
    """Return the columns of one recording."""
    i = np.arange(recording.count)
    step = recording.heading or 1
    station = recording.first + step * i.astype(float)
    along = (station - plan.first_station + 0.5) / plan.readings_per_m
    done = i / max(recording.count - 1, 1)
    stripe, lag, at_start, at_stop, *bends = rng.standard_normal(7)
    person = along + faults.ends_m * (at_start * (1 - done) + at_stop * done) + _pace(faults, done, bends, rng)
    late = faults.lag_m + faults.lag_jitter_m * lag
    sway = faults.across_m * _sway(done, rng)
    if recording.kind == "base":
        level = faults.base * rng.standard_normal() if faults.base else 0.0
    else:
        level = faults.stripe * stripe + faults.direction / 2 * recording.heading
    return {
        **_positions(plan, recording, along, person - step * late, sway), "seq": i, "station": station,
        "logged_station": recording.logged_first + 1.0 * recording.logged_step * i,
        "time_s": np.round(clock + INTERVAL_S * i, 1), "mark": _fiducials(plan, recording, person),
        "offset": np.full(recording.count, level),
    }  # fmt: skip


def _pace(faults: Faults, done: np.ndarray, bends: Sequence[float], rng: np.random.Generator) -> np.ndarray:
    """Return how far the person is ahead between the ends of a line, metres; ``done`` is the fraction walked."""
    ahead = np.zeros(len(done))
    for half_waves, (variance, bend) in enumerate(zip(PACE_VARIANCES, bends), 1):
        ahead = ahead + faults.pace_m * bend * math.sqrt(2 * variance) * np.sin(half_waves * math.pi * done)
    return ahead + faults.arc_m * rng.standard_normal() * np.sin(math.pi * done) if faults.arc_m else ahead


def _sway(done: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    cycles, phase = rng.uniform(0.5, 2), rng.uniform(0, 2 * np.pi)
    return math.sqrt(2) * np.sin(2 * math.pi * cycles * done + phase)


def _positions(
    plan: GridPlan, recording: Recording, along: np.ndarray, walked: np.ndarray, sway: np.ndarray
) -> dict[str, np.ndarray]:
    """Return local positions as the scheme puts them, and (``true_``) where the coils were."""
    step = recording.heading or 1
    ahead, right = step * plan.sensor_ahead_m, step * plan.sensor_right_m * (-1 if plan.mirrored else 1)
    if recording.kind == "base":
        still = np.zeros(recording.count)
        return {"u_m": still * np.nan, "v_m": still * np.nan, "true_u": still, "true_v": still}
    if recording.kind == "tie":
        across = np.full(recording.count, recording.position_m - right)
        return {"u_m": along + ahead, "v_m": across, "true_u": walked + ahead, "true_v": across + sway}
    across = np.full(recording.count, recording.position_m + right)
    return {"u_m": across, "v_m": along + ahead, "true_u": across + sway, "true_v": walked + ahead}


def _fiducials(plan: GridPlan, recording: Recording, person: np.ndarray) -> np.ndarray:
    """Return 1 at each reading before which a peg of the tape was passed."""
    mark = np.zeros(recording.count, int)
    if plan.marks_m and recording.kind not in ("tie", "base"):
        pegs = np.arange(0, plan.length_m + 1e-9, plan.marks_m)
        hit = np.array([np.count_nonzero(recording.heading * (person - peg) < 0) for peg in pegs])
        mark[hit[(hit > 0) & (hit < recording.count)]] = 1
    return mark


def _expected_flags(plan: GridPlan, recordings: Sequence[Recording], columns: Mapping, lost: np.ndarray) -> np.ndarray:
    kind, line, run = columns["kind"], columns["line"], columns["run"]
    tie = kind == "tie"
    along, limit = np.where(tie, columns["u_m"], columns["v_m"]), np.where(tie, plan.width_m, plan.length_m)
    again = {r.line for r in recordings if r.kind == "redo"}
    words = {
        "overrun": (along < -1e-6) | (along > limit + 1e-6),
        "dummy": kind == "dummy",
        "void": kind == "void",
        "redone": np.isin(line, sorted(again)) & (run == 1) & (kind == "survey"),
        "obstacle": np.zeros(len(line), bool),
        "missing": lost,
        "unplaced": kind == "base",
    }
    for event in plan.events:
        if event.what in ("obstacle", "crossed"):
            between = (columns["station"] >= event.station) & (columns["station"] <= event.stop)
            words["obstacle"] |= (line == event.line) & between
    table = np.stack(list(words.values()), axis=1)
    return np.array([";".join(w for w, on in zip(words, row) if on) for row in table], dtype=object)

"""What is walked in a grid, recording by recording, and what the logger was set to."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import Mapping

import numpy as np

from .plans import Event, GridPlan


@dataclass(frozen=True)
class Recording:
    """One recording: what was walked, and what the logger was set to."""

    line: int
    run: int
    kind: str
    heading: int
    first: float
    count: int
    logged_first: float
    logged_step: int
    position_m: float
    pause_s: float
    noted: bool = False

    @property
    def last(self) -> float:
        """Station of the last reading."""
        return self.first + (self.heading or 1) * (self.count - 1)


def recordings_of(plan: GridPlan, rng: np.random.Generator) -> list[Recording]:
    """Return the recordings of a grid in walking order, events included."""
    events: dict[tuple[str, int], list[Event]] = defaultdict(list)
    for event in plan.events:
        events[event.what, event.line].append(event)
    queue = [("base", e.line) for e in plan.events if e.what == "base"][:1]
    numbers = [plan.first_line + plan.line_step * k for k in range(plan.lines)]
    dummies = [e.line for e in plan.events if e.what == "dummy"]
    queue += [("dummy", n) for n in dummies[:1]] + [("survey", n) for n in numbers]
    queue += [(what, e.line) for what in ("redo", "tie") for e in plan.events if e.what == what]
    queue += [("dummy", n) for n in dummies[1:]] + [("base", e.line) for e in plan.events if e.what == "base"][1:]
    walked: list[Recording] = []
    for kind, line in queue:
        for one in _recordings(plan, kind, line, events, rng):
            run = 1 + sum(r.line == line for r in walked)
            walked.append(replace(one, run=run))
    return walked


def _recordings(
    plan: GridPlan, kind: str, line: int, events: Mapping[tuple[str, int], list[Event]], rng: np.random.Generator
) -> list[Recording]:
    """Return the recordings of one line as a kind of line, with what happens on it."""
    order = (line - plan.first_line) // plan.line_step
    first_heading = 1 if plan.first_heading == "out" else -1
    heading = -first_heading if plan.pattern == "alternate" and order % 2 else first_heading
    inside = plan.readings
    position = plan.spacing_m * (order + 0.5)
    if kind == "tie":
        heading, inside, position = 1, round(plan.width_m * plan.readings_per_m), events["tie", line][0].position_m
    if kind == "base":
        return [Recording(line, 1, "base", 0, 1, 12, 1, 1, 0.0, 20.0, True)]
    before, after = rng.integers(plan.overrun[0], plan.overrun[1] + 1, 2)
    low, high = plan.first_station - before, plan.first_station + inside - 1 + after
    pause = round(float(rng.uniform(6, 12)), 1) + (plan.length_m if plan.pattern == "one-way" else 0.0)
    walk = _stretch(line, kind, heading, low, high, position, pause, plan.all_noted or kind != "survey")
    if kind != "survey":
        return [walk]
    if events["void", line]:
        false_start = _stretch(line, "void", heading, *_first_part(walk, 21), position, pause, True)
        return [false_start, replace(walk, noted=True)]
    if events["obstacle", line]:
        return _around(walk, events["obstacle", line][0])
    if events["short", line]:
        return [_stretch(line, kind, heading, *_first_part(walk, events["short", line][0].station), position, pause)]
    if events["forgotten", line]:
        wrong = events["forgotten", line][0]
        return [replace(walk, logged_first=wrong.station, logged_step=wrong.step, noted=True)]
    return [replace(walk, noted=walk.noted or bool(events["crossed", line]))]


def _stretch(line: int, kind: str, heading: int, low: float, high: float, position: float, pause: float,
             noted: bool = False) -> Recording:  # fmt: skip
    """Return a recording from one station to another, walked as its heading says."""
    first = int(low if heading > 0 else high)
    return Recording(line, 1, kind, heading, first, int(high - low) + 1, first, heading, position, pause, noted)


def _first_part(walk: Recording, count: float) -> tuple[float, float]:
    ends = walk.first, walk.first + walk.heading * (count - 1)
    return min(ends), max(ends)


def _around(walk: Recording, obstacle: Event) -> list[Recording]:
    """Return the two recordings that an obstacle leaves of one."""
    low, high = min(walk.first, walk.last), max(walk.first, walk.last)
    near = _stretch(walk.line, "survey", walk.heading, low, obstacle.station - 1, walk.position_m, walk.pause_s, True)
    far = _stretch(walk.line, "survey", walk.heading, obstacle.stop + 1, high, walk.position_m, walk.pause_s, True)
    return [near, far] if walk.heading > 0 else [far, near]

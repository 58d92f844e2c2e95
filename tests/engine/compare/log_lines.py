"""Logs built line by line from a scheme, as a careful walk leaves them.

Some overrun past both edges, a clock that jitters, a line walked back counting down past its first station (common
practice, no source).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
from turnrow.processing_provider.engine.compare.compare import compare_notes
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.processing_provider.engine.core.readings import Readings
from turnrow.processing_provider.engine.core.scheme import Scheme

SCHEME = Scheme(grid="A", length_m=10, width_m=10, spacing_m=1, readings_per_m=8)


@dataclass
class Line:
    """One recording, as the log has it."""

    line: int
    station: np.ndarray
    duration_s: float
    start_s: float = 0.0
    run: int = 1
    heading: int = 0
    marks: tuple[int, ...] = ()

    def time_s(self):
        return self.start_s + np.linspace(0, self.duration_s, len(self.station))


def stations(first, last):
    """Stations from first to last, both included, up or down."""
    return np.arange(first, last + (1 if last >= first else -1), 1 if last >= first else -1, dtype=float)


def clean_lines(scheme=SCHEME, seed=None, overrun=10):
    """Every line of a scheme: overrun at both ends, up to ``overrun`` readings (exactly that without a seed)."""
    rng = np.random.default_rng(seed)
    low, high = scheme.edge_stations(1)
    lines, clock = [], 36_000.0
    for number in scheme.lines.tolist():
        before, after = rng.integers(0, overrun + 1, 2) if seed is not None else (overrun, overrun)
        walked = stations(low - before, high + after)
        if scheme.heading(number) < 0:
            walked = walked[::-1]
        speed = rng.uniform(0.8, 1.2) if seed is not None else 1.0
        duration = len(walked) * scheme.interval_m / speed
        lines.append(Line(number, walked, duration, clock))
        clock += duration + 15
    return lines


def timed(lines, per_s=8.0):
    """The lines with as many readings a second: with 8 a metre the walk of the clean ones, at 1 m/s."""
    return [replace(x, duration_s=(len(x.station) - 1) / per_s) for x in lines]


def log_of(lines, grid="A", seed=None, **columns):
    """The recordings as a table of readings, in the order given."""
    rng = np.random.default_rng(seed)
    n = [len(item.station) for item in lines]
    time = np.concatenate([item.time_s() for item in lines])
    if seed is not None:
        time = time + rng.uniform(-0.02, 0.02, len(time))
    mark = np.concatenate([np.isin(np.arange(k), item.marks).astype(float) for item, k in zip(lines, n)])
    columns = {
        "run": np.repeat([item.run for item in lines], n),
        "heading": np.repeat([item.heading for item in lines], n),
        "station": np.concatenate([item.station for item in lines]),
        "time_s": time,
        "extras": {"mark": mark},
        **columns,
    }
    values = {"eca": rng.normal(15, 1, len(time))}
    return Readings.build(np.repeat([item.line for item in lines], n), values, grids=(grid,), **columns)


def compared(lines, notes=(), scheme=SCHEME, **options):
    """The findings of a log, each checked to say in its first words what its column ``action`` says."""
    findings = compare_notes(log_of(lines), scheme, notes, **options)
    for finding in findings:
        words = re.split(r"\.(?:\s|$)", finding.advice)[0].split()
        assert len(words) <= 12, finding.advice
        assert finding.action == (words[0].lower() if words[0] in ("Walk", "Measure", "Ask") else ""), finding.advice
    return findings


def only(findings, code):
    """The one finding of a log, checked to be of this code."""
    assert [f.code for f in findings] == [code], [f.sentence() for f in findings]
    return findings[0]


def changed(line, **values):
    """The clean lines of the scheme with one of them changed."""
    return [replace(item, **values) if item.line == line else item for item in clean_lines()]


def skipped_log(left_out):
    """The log of a person who forgot a traverse and went on counting: the last number is missing."""
    lines = clean_lines()
    return lines[:-1], [Note("A", item.line) for item in lines if item.line != left_out]


def marked(scheme, **changes):
    """Lines with a mark at both edges and in the middle; ``changes``: marks by line number (``l3``)."""
    return [replace(x, marks=changes.get(f"l{x.line}", (10, 50, 90))) for x in clean_lines(scheme)]


MARKS = replace(SCHEME, pace="marks")


def with_values(**missing):
    readings = log_of(clean_lines())
    values = readings.channels["eca"].copy()
    for rows in missing.values():
        values[rows] = np.nan
    return readings.replace(channels={"eca": values})

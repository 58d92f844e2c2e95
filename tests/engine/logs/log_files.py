"""Logs written to files, with what must come back from them."""

from __future__ import annotations

import numpy as np
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout

COLUMNS = (
    LogColumn("line", "line"),
    LogColumn("station", "station"),
    LogColumn("time", "time"),
    LogColumn("cond", "channel", unit="mS/m"),
    LogColumn("inphase", "channel", unit="ppt"),
)


LAYOUT = LogLayout(name="plain", columns=COLUMNS)


NUMBERED = tuple(LogColumn(k, c.role, c.field if c.role == "channel" else "") for k, c in enumerate(COLUMNS, 1))


BARE = LogLayout(header=False, columns=NUMBERED)


OPENED = LogLayout(
    header=False,
    line_start=r"^LINE (?P<line>-?\d+)(?: (?P<station>\S+) (?P<step>\S+))?(?: at (?P<time>\S+) ?(?P<heading>\S+)?)?$",
    mark="^FID",
    columns=(LogColumn(1, "channel", "cond"),),
)


def write(folder, *rows, name="log.csv", encoding="utf-8", end="\n"):
    path = folder / name
    path.write_bytes(end.join([*rows, ""]).encode(encoding))
    return path


def codes(result):
    return [f.code for f in result.findings]


def survey(lines=3, stations=7, seed=5):
    """Return columns of a made-up survey walked to and fro: line, station, time in s, cond, inphase."""
    rng = np.random.default_rng(seed)
    station = np.concatenate([np.arange(1, stations + 1)[:: 1 if k % 2 == 0 else -1] for k in range(lines)])
    n = len(station)
    line = np.repeat(np.arange(1, lines + 1), stations)
    time = 34200 + 0.125 * np.arange(n)
    return line, station, time, np.round(rng.normal(12, 3, n), 2), np.round(rng.normal(0, 1, n), 3)


def assert_same(readings, columns):
    line, station, time, cond, inphase = columns
    np.testing.assert_array_equal(readings.line, line)
    np.testing.assert_array_equal(readings.station, station)
    np.testing.assert_allclose(readings.time_s, time, rtol=0, atol=1e-9, equal_nan=True)
    np.testing.assert_array_equal(readings.channels["cond"], cond)
    np.testing.assert_array_equal(readings.channels["inphase"], inphase)

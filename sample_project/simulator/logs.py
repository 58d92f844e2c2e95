"""Writes logs in the three layouts of the sample."""

from __future__ import annotations

import math
from typing import Sequence

from .layouts import LAYOUT_CHANNELS
from .site import CHANNELS
from .walking import SimulatedGrid


def _clock(seconds: float) -> str:
    tenths = round(seconds * 10)
    return f"{tenths // 36000:02d}:{tenths // 600 % 60:02d}:{tenths // 10 % 60:02d}.{tenths % 10}"


def _number(value: float, channel: str, missing: str) -> str:
    return missing if math.isnan(value) else f"{value:.{CHANNELS[channel].decimals}f}"


def _semicolon_log(grids: Sequence[SimulatedGrid]) -> list[str]:
    rows = ["line;station;clock;cond 1.0 m (mS/m)"]
    for grid in grids:
        columns = zip(grid.line, grid.logged_station, grid.time_s, grid.channels["eca_10"])
        for line, station, time_s, value in columns:
            row = f"{line};{station:.0f};{_clock(time_s)};{_number(value, 'eca_10', '---')}"
            rows.append(row.replace(".", ","))
    return rows


def _comma_log(grids: Sequence[SimulatedGrid]) -> list[str]:
    rows = ["# conductivity at coil spacings of 0.5 and 1.0 m, in-phase at 1.0 m",
            "grid,line,run,station,time,cond_05,cond_10,inphase_10"]  # fmt: skip
    for grid in grids:
        head = zip(grid.line, grid.run, grid.logged_station, grid.time_s)
        for i, (line, run, station, time_s) in enumerate(head):
            values = ",".join(_number(grid.channels[name][i], name, "-999") for name in LAYOUT_CHANNELS["comma"])
            stamp = f"{grid.plan.date}T{_clock(time_s)}"
            rows.append(f"{grid.plan.grid},{line},{run},{station:.0f},{stamp},{values}")
    return rows


def _fixed_log(grids: Sequence[SimulatedGrid]) -> list[str]:
    rows = ["! clock in columns 1 to 12, conductivity in mS/m in 13 to 22"]
    for grid in grids:
        for i, (seq, time_s, value) in enumerate(zip(grid.seq, grid.time_s, grid.channels["eca_10"])):
            walk = grid.recordings[grid.recording[i]]
            if seq == 0:
                rows.append(
                    f">LINE {walk.line:4d} STATION {walk.logged_first:5.0f} STEP {walk.logged_step:3d} "
                    f"CLOCK {_clock(time_s)}"
                )
            if grid.mark[i]:
                rows.append(f"=MARK {_clock(time_s - 0.1)}")
            rows.append(f"{_clock(time_s):>12}{_number(value, 'eca_10', '****'):>10}")
    return rows


LOG_WRITERS = {"semicolon": _semicolon_log, "comma": _comma_log, "fixed": _fixed_log}

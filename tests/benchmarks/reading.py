"""Prints how fast logs are read, as a fraction of the speed of ``numpy.loadtxt`` on the same numbers, and the memory.

Run with ``python tests/benchmarks/reading.py``. A fraction of 0.33 or more is what reading should hold.
"""

from __future__ import annotations

import tempfile
import tracemalloc
from functools import partial
from pathlib import Path

import numpy as np
from _measure import Measured, best_of, whole_benchmark
from turnrow.processing_provider.engine.logs.layout import LogColumn, LogLayout
from turnrow.processing_provider.engine.logs.reader import read_log

STATIONS = 160
CHANNELS = (LogColumn("cond", "channel", "cond"), LogColumn("ip", "channel", "ip"))
OPENING = r"^LINE (?P<line>\d+) (?P<station>\d+) (?P<step>-?1)"


def numbers(rows):
    """Yield line, station, time in seconds and two channels of made-up rows."""
    for k in range(rows):
        yield k // STATIONS + 1, k % STATIONS + 1, 30000 + k / 8, 12 + k % 97 / 10, k % 89 / 100 - 0.4


def clock(time_s):
    """Return seconds since midnight as HH:MM:SS.fff."""
    return f"{int(time_s // 3600) % 24:02d}:{int(time_s // 60 % 60):02d}:{time_s % 60:06.3f}"


def write_logs(folder, rows):
    """Write the same numbers in several layouts; return the plain file, and path and layout by kind."""
    plain, named = folder / "plain.csv", (LogColumn("line", "line"), LogColumn("stn", "station"))
    header, timed = ["line,stn,time,cond,ip"], (LogColumn("time", "time"), *CHANNELS)
    texts = {
        "plain": [],
        "seconds": header[:],
        "clock": header[:],
        "comma": [header[0].replace(",", ";")],
        "opened": [],
        "fixed": [],
    }
    for line, station, time_s, cond, ip in numbers(rows):
        texts["plain"].append(f"{line},{station},{time_s:.3f},{cond:.2f},{ip:.3f}")
        texts["seconds"].append(texts["plain"][-1])
        texts["clock"].append(f"{line},{station},{clock(time_s)},{cond:.2f},{ip:.3f}")
        texts["comma"].append(f"{line};{station};{time_s:.3f};{cond:.2f};{ip:.3f}".replace(".", ","))
        texts["fixed"].append(f"{line:5d}{station:5d}{clock(time_s):>13}{cond:8.2f}{ip:8.3f}")
        texts["opened"] += [f"LINE {line} 1 1"] if station == 1 else []
        texts["opened"].append(f"{clock(time_s)},{cond:.2f},{ip:.3f}" if station % 50 else f"{clock(time_s)},*,*")
    for kind, lines in texts.items():
        (folder / f"{kind}.csv").write_text("\n".join([*lines, ""]))
    timed_by_number = (LogColumn(1, "time"), LogColumn(2, "channel", "cond"), LogColumn(3, "channel", "ip"))
    numbered = (LogColumn(1, "line"), LogColumn(2, "station"), LogColumn(3, "time"))
    channels = (LogColumn(4, "channel", "cond"), LogColumn(5, "channel", "ip"))
    layouts = {
        "seconds": LogLayout(columns=(*named, *timed)),
        "clock": LogLayout(columns=(*named, *timed)),
        "comma": LogLayout(delimiter=";", decimal=",", columns=(*named, *timed)),
        "fixed": LogLayout(widths=(5, 5, 13, 8, 8), header=False, columns=(*numbered, *channels)),
        "opened": LogLayout(header=False, line_start=OPENING, missing=("*",), columns=timed_by_number),
    }
    return plain, {kind: (folder / f"{kind}.csv", layout) for kind, layout in layouts.items()}


def print_row(rows: int, kind: str, taken: Measured, rest: str = "") -> None:
    """Print a row of the table."""
    print(f"{rows:<10} {kind:<9} {taken.wall_s:6.2f} {taken.cpu_s:6.2f}   {rest}")


def main():
    """Print a row a layout and size."""
    print("rows       layout    wall s  CPU s   loadtxt's CPU time / ours   peak MB (size of the table in MB)")
    for rows in (410_000, 1_000_000):
        with tempfile.TemporaryDirectory() as folder:
            plain, logs = write_logs(Path(folder), rows)
            reference = best_of(3, partial(np.loadtxt, plain, delimiter=","))
            print_row(rows, "loadtxt", reference)
            for kind, (path, layout) in logs.items():
                taken = best_of(3, partial(read_log, path, layout))
                tracemalloc.start()
                columns = read_log(path, layout).readings.to_columns()
                peak = tracemalloc.get_traced_memory()[1] / 1e6
                tracemalloc.stop()
                size = sum(values.nbytes for values in columns.values()) / 1e6
                print_row(rows, kind, taken, f"{reference.cpu_s / taken.cpu_s:5.2f}   {peak:8.0f} ({size:.0f})")


if __name__ == "__main__":
    with whole_benchmark():
        main()

"""The check of an evening as a whole command, against the time in which QGIS lists its algorithms.

    python tests/benchmarks/evening.py [ROUNDS]

Prints medians over ROUNDS (5 when not given) of what the commands take, run in turn on one machine: ``qgis_process
list`` with the plugin enabled and without, and ``qgis_process run turnrow:eveningcheck`` on 64,000 readings in one grid
and in 34, without the sheet; when the first sentence stands on the screen; and what a page of the sheet takes. A check
should hold 2.5 times the list, its first sentence 2.2 times, a page 0.3 s. Needs Linux: the processor's time of a
program that runs is read from /proc.
"""

from __future__ import annotations

import os
import pty
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import Callable, Optional

from _measure import ROOT, Measured, print_times, whole_benchmark
from turnrow.sample_project import simulator as simulate

ROUNDS = 5
SENTENCE = re.compile(rb"Walk again|Nothing to walk again")
SURVEYS = {
    "one grid": simulate.block_plans(1, 1, length_m=100.0, width_m=40.0),
    "34 grids": simulate.block_plans(2, 17, length_m=11.0, width_m=10.0),
}
LEFT_OUT = 8
"""This line is cut out of every log of the 34 grids for the sheet: it must be walked again."""


class Qgis:
    """``qgis_process`` with profiles of its own, in one of which the plugin is enabled."""

    def __init__(self, folder: Path) -> None:
        self._program = shutil.which("qgis_process.bin") or shutil.which("qgis_process") or "qgis_process"
        (folder / "plugins").mkdir()
        (folder / "plugins" / "turnrow").symlink_to(ROOT)
        # Compiled once and kept, as in an installed plugin.
        own = {"QGIS_PLUGINPATH": str(folder / "plugins"), "PYTHONPYCACHEPREFIX": str(folder / "compiled"),
               "OPENBLAS_NUM_THREADS": "1", "XDG_RUNTIME_DIR": str(folder)}  # fmt: skip
        self._environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"} | own
        self._profiles = {enabled: str(folder / f"profile_{enabled}") for enabled in (True, False)}
        self.run("plugins", "enable", "turnrow")

    def run(self, *words: str, plugin: bool = True) -> Measured[Optional[Measured]]:
        """Run a command at a terminal; the result is what it took up to its first sentence, None where it says none."""
        environment = {**self._environment, "QGIS_CUSTOM_CONFIG_PATH": self._profiles[plugin]}
        ours, its = pty.openpty()
        start = time.perf_counter()
        program = subprocess.Popen([self._program, *words], stdout=its, stderr=subprocess.DEVNULL, env=environment)
        os.close(its)
        said, first = b"", None
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # The program has closed its side.
                break
            said += part
            if first is None and SENTENCE.search(said):
                first = Measured(time.perf_counter() - start, cpu_of(program.pid), None)
        _, status, used = os.wait4(program.pid, 0)
        os.close(ours)
        if status:
            raise SystemExit(f"{' '.join(words)} failed: {said.decode(errors='replace')}")
        return Measured(time.perf_counter() - start, used.ru_utime + used.ru_stime, first)

    def check(self, folder: Path, *outputs: str) -> Measured[Optional[Measured]]:
        """Check the survey in a folder."""
        tables = [f"{name.upper()}={folder / name}.csv" for name in ("register", "corners", "notes")]
        return self.run("run", "turnrow:eveningcheck", "--", *tables, "TARGET_CRS=EPSG:32631", *outputs)


def cpu_of(pid: int) -> float:
    """Return the seconds that a running program has used of the processor."""
    # The second field is the name of the program in brackets; user and system time are the 14th and 15th.
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def medians(rounds: int, commands: dict[str, Callable[[], Measured]]) -> dict[str, Measured]:
    """Run all commands in turn, and return the medians of each and of its first sentence."""
    for command in commands.values():
        command()  # Unmeasured: files come into memory, modules are compiled.
    taken: dict[str, list[Measured]] = {}
    for _ in range(rounds):
        for name, command in commands.items():
            done = command()
            taken.setdefault(name, []).append(done)
            if done.result is not None:
                taken.setdefault(f"{name}, first sentence", []).append(done.result)
    return {name: Measured(*(statistics.median(getattr(one, kind) for one in all_of) for kind in ("wall_s", "cpu_s")),
                           None) for name, all_of in taken.items()}  # fmt: skip


def without_a_line(folder: Path) -> None:
    """Cut a line out of every log."""
    for path in (folder / "logs").glob("*.csv"):
        rows = path.read_text().splitlines(keepends=True)
        path.write_text("".join(row for row in rows if not row.startswith(f"{LEFT_OUT};")))


def page_of_the_sheet(qgis: Qgis, folder: Path, rounds: int) -> None:
    """Print what a page of the sheet takes: the difference of the check with it and without, by its pages."""
    sheet = folder / "sheet.pdf"
    commands = {"without": partial(qgis.check, folder), "with": partial(qgis.check, folder, f"SHEET={sheet}")}
    times = medians(rounds, commands)
    pages = len(re.findall(rb"/Type\s*/Page\b", sheet.read_bytes()))
    wall, cpu = ((getattr(times["with"], kind) - getattr(times["without"], kind)) / pages for kind in
                 ("wall_s", "cpu_s"))  # fmt: skip
    print(f"a page of the sheet, of {pages}: {wall:.3f} s wall, {cpu:.3f} s CPU (at most 0.3)")


def main() -> None:
    """Print times and ratios."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        qgis = Qgis(folder)
        commands = {"list without the plugin": partial(qgis.run, "list", plugin=False),
                    "list": partial(qgis.run, "list")}  # fmt: skip
        for name, plans in SURVEYS.items():
            grids = simulate.write_survey(folder / name, plans, faults=simulate.usual(0.3), seed=1)
            print(f"{name}: {sum(map(len, grids))} readings")
            commands[name] = partial(qgis.check, folder / name)
        times = medians(rounds, commands)
        print_times(times, f"medians of {rounds}")
        for name, taken in times.items():
            most = 2.2 if "sentence" in name else 2.5
            if not name.startswith("list"):
                print(f"{name}: {taken.wall_s / times['list'].wall_s:.2f} of the list's wall time, "
                      f"{taken.cpu_s / times['list'].cpu_s:.2f} of its CPU time (at most {most})")  # fmt: skip
        without_a_line(folder / "34 grids")
        page_of_the_sheet(qgis, folder / "34 grids", rounds)


if __name__ == "__main__":
    with whole_benchmark():
        main()

"""Processes the survey in a folder through the algorithm, in a process of its own; prints the peak memory in MB.

Before that a line of its progress: time and memory at each tenth, and by how much progress ever went back.
"""

import os
import resource
import sys
import time
from pathlib import Path

from _measure import measured
from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback
from turnrow import classFactory

application = QgsApplication([], False)
application.initQgis()
plugin = classFactory(None)
plugin.initProcessing()
folder = Path(sys.argv[1])
tables = {name.upper(): str(folder / f"{name}.csv") for name in ("register", "corners", "notes")}
parameters = {**tables, "TARGET_CRS": "EPSG:32631", "CELL_SIZE": 0.25, "OUTPUT_FOLDER": str(folder / "out")}
algorithm = plugin.provider.algorithm("processregister")
feedback, seen = QgsProcessingFeedback(False), []


def memory_mb() -> float:
    """Return what the process has in memory now (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


feedback.progressChanged.connect(lambda percent: seen.append((percent, time.process_time(), memory_mb())))
print(f"QGIS with the plugin {memory_mb():.0f} MB")
taken = measured(lambda: algorithm.run(parameters, QgsProcessingContext(), feedback))
results, good = taken.result
if not good or results["GRIDS_FAILED"]:
    raise SystemExit(f"the run failed: {results}")
began, back = seen[0][1], max(before[0] - after[0] for before, after in zip(seen, seen[1:]))
tenths = [next((step for step in seen if step[0] >= percent), seen[-1]) for percent in range(10, 101, 10)]
print("; ".join(f"{percent:.0f} %: {when - began:.1f} s CPU, {memory:.0f} MB" for percent, when, memory in tenths))
print(f"progress went back by {max(back, 0.0):.1f} at most, and ended at {seen[-1][0]:.1f} %")
print(f"of which the algorithm {taken}")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
plugin.unload()

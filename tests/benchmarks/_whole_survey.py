"""Processes the survey in a folder through the algorithm, in a process of its own; prints the peak memory in MB."""

import resource
import sys
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
taken = measured(lambda: algorithm.run(parameters, QgsProcessingContext(), QgsProcessingFeedback(False)))
results, good = taken.result
if not good or results["GRIDS_FAILED"]:
    raise SystemExit(f"the run failed: {results}")
print(f"of which the algorithm {taken}")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
plugin.unload()

"""Processes the survey in a folder through the algorithm, in a process of its own; prints the peak memory in MB."""

import importlib.util
import resource
import sys
import time
from pathlib import Path

from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

ROOT = Path(__file__).resolve().parents[2]
spec = importlib.util.spec_from_file_location("turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)])
sys.modules["turnrow"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["turnrow"])

application = QgsApplication([], False)
application.initQgis()
plugin = sys.modules["turnrow"].classFactory(None)
plugin.initProcessing()
folder = Path(sys.argv[1])
tables = {name.upper(): str(folder / f"{name}.csv") for name in ("register", "corners", "notes")}
start = time.perf_counter()
results, good = plugin.provider.algorithm("processregister").run(
    {**tables, "TARGET_CRS": "EPSG:32631", "CELL_SIZE": 0.25, "OUTPUT_FOLDER": str(folder / "out")},
    QgsProcessingContext(),
    QgsProcessingFeedback(False),
)
if not good or results["GRIDS_FAILED"]:
    raise SystemExit(f"the run failed: {results}")
print(f"of which the algorithm {time.perf_counter() - start:.1f} s")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
plugin.unload()

"""Processes a survey in a program of its own, with something that goes wrong: python one_run.py OPTIONS (JSON).

Prints a row of JSON: whether the run was good, what a person read, and how often it asked whether to stop.
"""

from __future__ import annotations

import importlib.util
import json
import os
import resource
import signal
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
spec = importlib.util.spec_from_file_location("turnrow", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)])
sys.modules["turnrow"] = importlib.util.module_from_spec(spec)
spec.loader.exec_module(sys.modules["turnrow"])

from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingException, QgsProcessingFeedback  # noqa: E402
from turnrow.processing_provider.bridge.project import output_folder  # noqa: E402
from turnrow.processing_provider.provider import TurnrowProvider  # noqa: E402


class Feedback(QgsProcessingFeedback):
    """Stops at a given question whether to stop, or waits there."""

    def __init__(self, stop_at: int = -1, wait_s: float = 0.0) -> None:
        super().__init__(False)
        self.asked, self.stop_at, self.wait_s = 0, stop_at, wait_s

    def isCanceled(self) -> bool:  # noqa: N802 (name fixed by QGIS)
        """Return whether the run is to stop."""
        self.asked += 1
        if self.wait_s and self.asked == 5:
            print("waiting", flush=True)
            time.sleep(self.wait_s)
        return 0 <= self.stop_at <= self.asked - 1


def die_at_move(count: int) -> None:
    """Have this program killed after so many files were moved."""
    move, done = Path.replace, []

    def replace(self: Path, target: Path) -> Path:
        if output_folder.STAGE in str(self) and output_folder.STAGE not in str(target):
            if len(done) == count:
                os.kill(os.getpid(), signal.SIGKILL)
            done.append(target)
        return move(self, target)

    Path.replace = replace


def run(parameters: dict, feedback: Feedback) -> dict:
    """Run the algorithm as QGIS does."""
    algorithm = provider.algorithm("processregister")
    context = QgsProcessingContext()
    try:
        results, good = algorithm.run(parameters, context, feedback, {}, False)
        said = feedback.textLog()
    except QgsProcessingException as error:
        results, good, said = {}, False, str(error)
    return {"good": good, "said": said, "asked": feedback.asked, "done": results.get("GRIDS_DONE", 0)}


options = json.loads(sys.argv[1])
if options.get("finish"):
    try:
        with output_folder.staging(Path(options["finish"])):
            raise KeyError
    except KeyError:
        raise SystemExit(0) from None
application = QgsApplication([], False)
application.initQgis()
provider = TurnrowProvider()
QgsApplication.processingRegistry().addProvider(provider)
if "die_at_move" in options:
    die_at_move(options["die_at_move"])
if "file_bytes" in options:
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (options["file_bytes"],) * 2)
if "more_memory_bytes" in options:
    # What a run imports is there already, so that it is the work which has little memory.
    run(options["parameters"], Feedback(stop_at=0))
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[0])
    now = pages * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (now + options["more_memory_bytes"],) * 2)
print("ready", flush=True)
for stop_at in options.get("stop_at", [-1]):
    print(json.dumps(run(options["parameters"], Feedback(stop_at, options.get("wait_s", 0.0)))), flush=True)
os._exit(0)

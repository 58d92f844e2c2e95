"""Background work reports once, and never after cancel."""

import time

import pytest
from qgis.core import QgsApplication
from turnrow.plugin.background_tasks import Works
from turnrow.processing_provider.engine.core.errors import EngineError

from .conftest import until

pytestmark = pytest.mark.usefixtures("qgis_app", "qgis_processing")


def test_work_reports_once_and_never_after_cancel():
    works, seen = Works(), []
    works.start("a", "", lambda progress: 5, seen.append, seen.append)
    until(lambda: seen)
    assert (seen, works.names) == ([5], ())

    def long(progress):
        for _ in range(2000):
            progress(0.0)
            time.sleep(0.005)

    works.start("b", "", long, seen.append, seen.append)
    until(lambda: works.names == ("b",))
    works.cancel()
    until(lambda: QgsApplication.taskManager().countActiveTasks() == 0)
    assert seen == [5]


def test_work_that_fails_reports_its_sentence():
    def fail(progress):
        raise EngineError("The log is empty.")

    works, done, failed = Works(), [], []
    works.start("a", "", fail, done.append, failed.append)
    until(lambda: failed)
    assert (done, failed) == ([], ["The log is empty."])

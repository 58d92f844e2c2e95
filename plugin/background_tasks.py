"""Work in the background, with progress and cancel, that reports back in the main thread."""

from __future__ import annotations

from typing import Callable, Optional

from qgis.core import QgsApplication, QgsTask
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ..processing_provider.bridge.native_imports import import_apart
from ..processing_provider.engine.core import Cancelled, sentence_of
from .texts import tr

FLAGS = QgsTask.Flag.CanCancel
if hasattr(QgsTask.Flag, "Silent"):  # from QGIS 3.26 on
    FLAGS = FLAGS | QgsTask.Flag.Silent


class Work(QgsTask):
    """One job in the background.

    Parameters
    ----------
    text : str
        What the person reads while it runs.
    job : callable
        Gets a progress callback; returns the result.
    done : callable
        Gets the result, in the main thread; not called when the work was cancelled or failed.
    failed : callable
        Gets a sentence, in the main thread.
    """

    def __init__(self, text: str, job: Callable, done: Callable, failed: Callable) -> None:
        super().__init__(text, FLAGS)
        self._job, self._done, self._failed = job, done, failed
        self._result, self._problem = None, ""

    def run(self) -> bool:
        """Do the job; QGIS calls this in another thread."""
        import_apart("scipy")
        try:
            self._result = self._job(self._progress)
        except Cancelled:
            return False
        except Exception as error:
            # An exception that left this method would end QGIS.
            self._problem = sentence_of(error, tr("The work in the background"))
            return False
        return True

    def _progress(self, fraction: float) -> None:
        if self.isCanceled():
            raise Cancelled
        self.setProgress(100 * fraction)

    def finished(self, ok: bool) -> None:
        """Report; QGIS calls this in the main thread."""
        if self.isCanceled():
            return
        if ok:
            self._done(self._result)
        elif self._problem:
            self._failed(self._problem)


class Works(QObject):
    """The jobs that run now, one under each name: a new one takes the place of an older one that still runs."""

    started, ended = pyqtSignal(object), pyqtSignal()

    def __init__(self, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._running: dict[str, Work] = {}

    def start(self, name: str, text: str, job: Callable, done: Callable, failed: Callable) -> Work:
        """Start a job; return it."""
        self.cancel(name)
        work = Work(text, job, self._ending(name, done), self._ending(name, failed))
        self._running[name] = work
        self.started.emit(work)
        QgsApplication.taskManager().addTask(work)
        return work

    def _ending(self, name: str, report: Callable) -> Callable:
        def over(value: object) -> None:
            self._running.pop(name, None)
            self.ended.emit()
            report(value)

        return over

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the jobs that run."""
        return tuple(self._running)

    def cancel(self, name: Optional[str] = None) -> None:
        """Cancel one job, or all of them; none reports back after that."""
        for key in [name] if name else list(self._running):
            work = self._running.pop(key, None)
            if work is not None:
                work.cancel()
        self.ended.emit()

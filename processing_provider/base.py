"""What every algorithm shares: parameters from rows, help from rows, one place for errors, progress and cancel.

QGIS makes every algorithm when it starts, and few are run. So what declares (this module, ``parameters``, and an
algorithm's rows with the words of its choices) imports ``qgis`` alone; what works (``bridge``, ``engine``, numpy) is
imported inside the function that uses it, ``run_values`` as a rule.

Names, labels and help are written in English and translated where QGIS asks for them.
"""

from __future__ import annotations

import html
import importlib.util
import logging
from pathlib import Path
from typing import TYPE_CHECKING, Callable, Optional

from qgis.core import (
    Qgis,
    QgsMessageLog,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
)
from qgis.PyQt.QtCore import QUrl
from qgis.PyQt.QtGui import QIcon

from .language import tr

if TYPE_CHECKING:
    from .bridge.vector import LayerExtent
    from .parameters import NumberResult, Row
    from .values import Values

ROOT = Path(__file__).resolve().parents[1]
READING = 0.15
"""Fraction of the progress up to which an algorithm reads a layer of readings."""
ICON = ROOT / "plugin" / "icons" / "turnrow.svg"
Progress = Callable[[float], None]
"""Called with the fraction done; what it raises ends the run."""


def help_url(page: str) -> str:
    """Return the address of a help page such as ``align``: a file of the plugin, which needs no network.

    It is what ``docs/build.py`` made of the page, as in a release; in a checkout without, the page itself.
    """
    made = ROOT / "help" / f"{page}.html"
    written = ROOT / "docs" / (f"{page}.md" if page == "start" else f"methods/{page}.md")
    return QUrl.fromLocalFile(str(made if made.is_file() else written)).toString()


class MessageLog(logging.Handler):
    """Takes the tracebacks of faults into QGIS's message log."""

    def emit(self, record: logging.LogRecord) -> None:
        QgsMessageLog.logMessage(self.format(record), "Turnrow", Qgis.MessageLevel.Critical)


class SurveyAlgorithm(QgsProcessingAlgorithm):
    """An algorithm that is declared by rows; a subclass writes ``run_values``."""

    NAME = LABEL = GROUP = SUMMARY = HELP = HELP_PAGE = ""
    TAGS: tuple[str, ...] = ()
    PARAMETERS: tuple[Row, ...] = ()
    RESULTS: tuple[NumberResult, ...] = ()
    around: tuple[LayerExtent, ...] = ()
    """Layers of the project when the run began, for algorithms with CORNERS."""

    def run_values(self, values: Values, progress: Progress, feedback: QgsProcessingFeedback) -> None:
        """Do the work: read ``values`` (a ``Values``), call the engine, write outputs, fill ``values.results``."""
        raise NotImplementedError

    def createInstance(self) -> SurveyAlgorithm:  # noqa: N802 (names fixed by QGIS from here on)
        return type(self)()

    def name(self) -> str:
        return self.NAME

    def displayName(self) -> str:  # noqa: N802
        return tr(self.LABEL)

    def group(self) -> str:
        return tr(self.GROUP)

    def groupId(self) -> str:  # noqa: N802
        return self.GROUP.lower()

    def tags(self) -> list[str]:
        return [*self.TAGS, "survey", "electromagnetic", "conductivity", "archaeology"]

    def shortDescription(self) -> str:  # noqa: N802
        return tr(self.SUMMARY)

    def icon(self) -> QIcon:
        return QIcon(str(ICON))

    def helpUrl(self) -> str:  # noqa: N802
        return help_url(self.HELP_PAGE)

    def shortHelpString(self) -> str:  # noqa: N802
        parts = [f"<p>{html.escape(tr(self.SUMMARY), quote=False)}</p>", tr(self.HELP) if self.HELP else ""]
        for title, rows in (
            (tr("Inputs"), [r for r in self.PARAMETERS if not r.is_output]),
            (tr("Outputs"), [r for r in self.PARAMETERS if r.is_output] + list(self.RESULTS)),
        ):
            texts = [(html.escape(r.text, quote=False), html.escape(tr(r.help), quote=False)) for r in rows]
            items = "".join(f"<p><strong>{label}</strong>: {said}</p>" for label, said in texts)
            parts.append(f"<h3>{title}</h3>{items}" if items else "")
        return "".join(parts)

    def canExecute(self) -> tuple[bool, str]:  # noqa: N802
        if importlib.util.find_spec("scipy") is None:
            return False, tr("Turnrow needs the Python package scipy. Install it into QGIS's Python and start again.")
        return True, ""

    def initAlgorithm(self, configuration: Optional[dict] = None) -> None:  # noqa: N802
        for row in self.PARAMETERS:
            if not self.addParameter(row.build()):
                raise RuntimeError(f"{self.NAME}: parameter {row.id} was refused by QGIS")
        for result in self.RESULTS:
            if not self.addOutput(result.build()):
                raise RuntimeError(f"{self.NAME}: output {result.id} was refused by QGIS")

    def prepareAlgorithm(  # noqa: N802
        self, parameters: dict[str, object], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> bool:
        """Look at the layers of the project, for which corners need the main thread."""
        if self.parameterDefinition("CORNERS") is not None:
            from .bridge.vector import extents_in_project

            corners = self.parameterAsVectorLayer(parameters, "CORNERS", context)
            self.around = extents_in_project(context.project(), [corners.source()] if corners is not None else [])
        return True

    def processAlgorithm(  # noqa: N802
        self, parameters: dict[str, object], context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> dict[str, object]:
        from .bridge.native_imports import import_apart

        import_apart("scipy")
        from .engine.core import Cancelled, one_blas_thread, part_of, sentence_of
        from .parameters import ReadingsIn
        from .values import Values

        def progress(fraction: float) -> None:
            if feedback.isCanceled():
                raise Cancelled
            feedback.setProgress(100 * fraction)

        values = None
        reading = READING if any(isinstance(row, ReadingsIn) for row in self.PARAMETERS) else 0.0
        try:
            values = Values(self, self.PARAMETERS, parameters, context, feedback, part_of(progress, 0.0, reading))
            with one_blas_thread():
                self.run_values(values, part_of(progress, reading, 1.0), feedback)
        except Cancelled:
            if values is not None:
                values.discard()
            return {}
        except Exception as error:
            # A person reads the sentence; the traceback of a fault is in the message log.
            raise QgsProcessingException(sentence_of(error, self.displayName())) from None
        return values.results

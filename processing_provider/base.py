"""What every algorithm shares: parameters from rows, help from rows, one place for errors, progress and cancel."""

from __future__ import annotations

import html
import importlib.util
from pathlib import Path

from qgis.core import QgsProcessingAlgorithm, QgsProcessingException
from qgis.PyQt.QtCore import QCoreApplication
from qgis.PyQt.QtGui import QIcon

from .bridge.layers import label_units, rows_sink_fields, write_readings, write_rows
from .engine.errors import Cancelled, EngineError
from .engine.findings import FIELDS, finding_rows

ICON = Path(__file__).resolve().parents[1] / "plugin" / "icons" / "turnrow.svg"
HELP_URL = "https://example.org/turnrow"


class Values:
    """Values of an algorithm's inputs, by lower-case id, and the ways to write its outputs."""

    def __init__(self, algorithm: SurveyAlgorithm, parameters: dict, context, feedback):
        self._algorithm, self._parameters, self.context, self.feedback = algorithm, parameters, context, feedback
        self.results: dict = {}
        for row in algorithm.PARAMETERS:
            if not row.is_output:
                setattr(self, row.id.lower(), row.value(algorithm, parameters, context))

    def wants(self, output: str) -> bool:
        """Return whether the person asked for an optional output."""
        return self._parameters.get(output) not in (None, "")

    def path(self, output: str) -> Path:
        """Return the path of a file or raster output, and note it as a result."""
        self.results[output] = self._algorithm.parameterAsOutputLayer(self._parameters, output, self.context) or (
            self._algorithm.parameterAsFileOutput(self._parameters, output, self.context)
        )
        return Path(self.results[output])

    def write_readings(self, output: str, readings, crs) -> None:
        """Write a layer of readings: points where the CRS is valid, else a table."""
        write_readings(readings, lambda *shape: self._sink(output, *shape), crs)
        layer = self.context.temporaryLayerStore().mapLayer(self.results[output])
        if layer is not None:
            label_units(layer, readings)

    def write_rows(self, output: str, columns: dict, rows) -> None:
        """Write a table when asked for; ``columns`` maps names to kinds (``int``, ``float``, ``str``)."""
        if self.wants(output):
            write_rows(rows, rows_sink_fields(columns), lambda *shape: self._sink(output, *shape))

    def write_findings(self, output: str, findings) -> None:
        """Write the findings when asked for, and tell each in the log."""
        for finding in findings:
            tell = self.feedback.pushInfo if finding.severity == "note" else self.feedback.pushWarning
            tell(finding.sentence())
        kinds = {name: int if name in ("line", "run", "walk_again") else str for name in FIELDS}
        self.write_rows(output, kinds, finding_rows(list(findings)))

    def _sink(self, output: str, fields, geometry, crs):
        sink, name = self._algorithm.parameterAsSink(self._parameters, output, self.context, fields, geometry, crs)
        if sink is None:
            raise EngineError(f"The output {output} cannot be written. Choose another place for it.")
        self.results[output] = name
        return sink


class SurveyAlgorithm(QgsProcessingAlgorithm):
    """An algorithm that is declared by rows; a subclass writes ``run_values``."""

    NAME = LABEL = GROUP = SUMMARY = HELP = ""
    TAGS: tuple[str, ...] = ()
    PARAMETERS: tuple = ()
    RESULTS: tuple = ()

    def run_values(self, values: Values, progress, feedback) -> None:
        """Do the work: read ``values``, call the engine, write outputs, fill ``values.results``."""
        raise NotImplementedError

    def createInstance(self):  # noqa: N802 (names fixed by QGIS from here on)
        return type(self)()

    def name(self):
        return self.NAME

    def displayName(self):  # noqa: N802
        return QCoreApplication.translate("Turnrow", self.LABEL)

    def group(self):
        return QCoreApplication.translate("Turnrow", self.GROUP)

    def groupId(self):  # noqa: N802
        return self.GROUP.lower()

    def tags(self):
        return [*self.TAGS, "survey", "electromagnetic", "conductivity", "archaeology"]

    def shortDescription(self):  # noqa: N802
        return self.SUMMARY

    def icon(self):
        return QIcon(str(ICON))

    def helpUrl(self):  # noqa: N802
        return HELP_URL

    def shortHelpString(self):  # noqa: N802
        parts = [f"<p>{html.escape(self.SUMMARY)}</p>", self.HELP]
        for title, rows in (
            ("Inputs", [r for r in self.PARAMETERS if not r.is_output]),
            ("Outputs", [r for r in self.PARAMETERS if r.is_output] + list(self.RESULTS)),
        ):
            items = "".join(f"<p><b>{html.escape(r.label)}</b>: {html.escape(r.help)}</p>" for r in rows)
            parts.append(f"<h3>{title}</h3>{items}" if items else "")
        return "".join(parts)

    def canExecute(self):  # noqa: N802
        if importlib.util.find_spec("scipy") is None:
            return False, "Turnrow needs the Python package scipy. Install it into QGIS's Python and start again."
        return True, ""

    def initAlgorithm(self, configuration=None):  # noqa: N802
        for row in self.PARAMETERS:
            if not self.addParameter(row.build()):
                raise RuntimeError(f"{self.NAME}: parameter {row.id} was refused by QGIS")
        for row in self.RESULTS:
            if not self.addOutput(row.build()):
                raise RuntimeError(f"{self.NAME}: output {row.id} was refused by QGIS")

    def processAlgorithm(self, parameters, context, feedback):  # noqa: N802
        def progress(fraction: float) -> None:
            if feedback.isCanceled():
                raise Cancelled
            feedback.setProgress(100 * fraction)

        try:
            values = Values(self, parameters, context, feedback)
            self.run_values(values, progress, feedback)
        except EngineError as error:
            raise QgsProcessingException(str(error)) from error
        except Cancelled:
            return {}
        return values.results

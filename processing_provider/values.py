"""What an algorithm is given when it runs, and how it writes its outputs."""

from __future__ import annotations

import weakref
from pathlib import Path
from typing import Any, Callable, Iterable, Mapping, Optional, Sequence

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeatureSink,
    QgsFields,
    QgsMapLayer,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputLayerDefinition,
    QgsWkbTypes,
)
from qgis.PyQt import sip

from .bridge.vector import keep_units_in_file, label_units, rows_sink_fields, write_lines, write_readings, write_rows
from .engine.core import FIELDS, EngineError, Finding, Progress, Readings, Record, finding_rows
from .engine.geometry import BlockRaster
from .parameters import Given, Row, is_given

Colours = Callable[[Iterable[np.ndarray]], tuple[tuple[float, float], str]]
"""From values to the range and the ramp that show them."""


FORMULA = ("=", "+", "-", "@", "\t", "\r")


def as_cells(values: Iterable) -> tuple:
    """Return values for a CSV: a text that a spreadsheet would take for a formula gets an apostrophe before it.

    Source: OWASP, CSV Injection (from memory).
    """
    return tuple(f"'{v}" if isinstance(v, str) and v.startswith(FORMULA) else v for v in values)


class Values:
    """Values of an algorithm's inputs, by lower-case id, and the ways to write its outputs."""

    def __init__(
        self,
        algorithm: QgsProcessingAlgorithm,
        rows: Sequence[Row],
        parameters: Given,
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
        progress: Progress = None,
    ) -> None:
        self._algorithm, self._rows, self._parameters = algorithm, rows, parameters
        self.context, self.feedback = context, feedback
        self.results: dict = {}
        self._files: set[Path] = set()
        self._layers: list[QgsMapLayer] = []
        self._written: list[Path] = []
        self._last_sink: Callable[[], Optional[QgsFeatureSink]] = lambda: None
        self._given: dict[str, object] = {}
        for row in rows:
            if not row.is_output:
                self._given[row.id.lower()] = row.read(algorithm, parameters, context, progress)
                self._layers += row.layers(algorithm, parameters, context)
                self._files.update(row.files(algorithm, parameters, context))
        self._check_outputs()

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 (as many types as there are kinds of rows)
        """Return the value of an input, by its lower-case id."""
        try:
            return self.__dict__["_given"][name]
        except KeyError:
            raise AttributeError(f"{type(self).__name__} has no input {name}") from None

    def keep(self, inputs: Iterable[Path]) -> None:
        """Refuse outputs that would change these files, which an input names: they are inputs as well."""
        self._files.update(inputs)
        self._check_outputs()

    def discard(self) -> None:
        """Take away the files that a run has written before it was cancelled."""
        from .bridge.project import delete_output

        sink = self._last_sink()
        if sink is not None:
            # It would live, and its file be open, as long as the exception that ended the run.
            sip.delete(sink)
        for path in self._written:
            delete_output(path)

    def wants(self, output: str) -> bool:
        """Return whether the person asked for an optional output."""
        return is_given(self._parameters.get(output))

    def path(self, output: str) -> Path:
        """Return the path of a file or raster output, and note it as a result."""
        self.results[output] = self._algorithm.parameterAsOutputLayer(self._parameters, output, self.context) or (
            self._algorithm.parameterAsFileOutput(self._parameters, output, self.context)
        )
        return Path(self.results[output])

    def write_record(self, record: Record, units: Mapping[str, str]) -> None:
        """Write what a step did into the log; ``units`` by channel."""
        for sentence in record.sentences(units):
            self.feedback.pushInfo(sentence)
        for sentence in record.warnings(units):
            self.feedback.pushWarning(sentence)

    def write_readings(
        self, output: str, readings: Readings, crs: QgsCoordinateReferenceSystem, progress: Progress = None
    ) -> None:
        """Write a layer of readings: points where the CRS is valid, else a table."""
        from .bridge.project import SurveyLayer, dress_when_loaded
        from .bridge.style import looks_of

        if self._is_csv(output):
            readings = readings.replace(grids=as_cells(readings.grids), sources=as_cells(readings.sources))
        write_readings(readings, lambda *shape: self._sink(output, *shape), crs, self._asking(output, progress))
        uri = self.results[output]
        layer = self.context.temporaryLayerStore().mapLayer(uri)
        if layer is not None:
            label_units(layer, readings)
        else:
            keep_units_in_file(uri, readings)
        if crs is not None and crs.isValid():
            name = " ".join(filter(None, (self._name(output), *readings.grids[:1] * (len(readings.grids) == 1))))
            dress_when_loaded(self.context, SurveyLayer(uri, name, (), "readings", looks=looks_of(readings)))

    def write_map(
        self,
        output: str,
        raster: BlockRaster,
        crs: QgsCoordinateReferenceSystem,
        *,
        name: str,
        unit: str,
        look: Optional[Colours] = None,
        progress: Progress = None,
    ) -> None:
        """Write a raster with its style beside it; ``look`` returns range and ramp of colours, None = a channel's."""
        from .bridge.project import SurveyLayer, dress_when_loaded, keep_style_beside
        from .bridge.raster import write_raster
        from .bridge.style import channel_look

        path = self.path(output)
        write_raster(path, raster, crs.toWkt(), unit=unit, name=name, progress=progress)
        self._written.append(path)
        limits, ramp = (look or channel_look)([raster.known()])
        spec = SurveyLayer(str(path), f"{name} ({unit})" if unit else name, (), "raster", limits, unit, ramp)
        keep_style_beside(spec)
        dress_when_loaded(self.context, spec)

    def _name(self, output: str) -> str:
        return next(row.text for row in self._rows if row.id == output)

    def write_rows(self, output: str, columns: dict, rows: Iterable[Sequence]) -> None:
        """Write a table when asked for; ``columns`` maps names to kinds (``int``, ``float``, ``str``)."""
        if self.wants(output):
            rows = map(as_cells, rows) if self._is_csv(output) else rows
            write_rows(rows, rows_sink_fields(columns), lambda *shape: self._sink(output, *shape))

    def write_lines(
        self, output: str, columns: dict, rows: Iterable[Sequence], crs: QgsCoordinateReferenceSystem
    ) -> None:
        """Write a layer of lines when asked for; the last value of a row holds the map positions of the line."""
        if self.wants(output):
            rows = [(*as_cells(row[:-1]), row[-1]) for row in rows] if self._is_csv(output) else rows
            write_lines(rows, rows_sink_fields(columns), lambda *shape: self._sink(output, *shape), crs)

    def write_findings(self, output: str, findings: Iterable[Finding]) -> None:
        """Write the findings when asked for, and each as a sentence into the log."""
        for finding in findings:
            say = self.feedback.pushInfo if finding.severity == "note" else self.feedback.pushWarning
            say(finding.sentence())
        kinds = {name: int if name in ("line", "run", "walk_again") else str for name in FIELDS}
        self.write_rows(output, kinds, finding_rows(list(findings)))

    def _place(self, output: str) -> str:
        given = self._parameters.get(output)
        return str(given.sink.staticValue() if isinstance(given, QgsProcessingOutputLayerDefinition) else given)

    def _is_csv(self, output: str) -> bool:
        return self._place(output).lower().endswith(".csv")

    def _check_outputs(self) -> None:
        """Refuse, before any work, what would change an input."""
        written = [row for row in self._rows if row.is_output and self.wants(row.id)]
        if not written:
            return
        from .bridge.project import check_inputs_kept

        for row in written:
            check_inputs_kept(row.id, self._place(row.id), self._files, self._layers)

    def _sink(
        self, output: str, fields: QgsFields, geometry: QgsWkbTypes.Type, crs: QgsCoordinateReferenceSystem
    ) -> QgsFeatureSink:
        try:
            sink, name = self._algorithm.parameterAsSink(self._parameters, output, self.context, fields, geometry, crs)
        except QgsProcessingException:
            sink, name = None, ""
        if sink is None:
            raise EngineError(f"The output {output} cannot be written. Choose another place for it.")
        self.results[output] = name
        self._last_sink = weakref.ref(sink)
        # A file of its own; some appear only when rows are written. A table in a database has more to its name.
        if Path(name).is_absolute() and "|" not in name:
            self._written.append(Path(name))
        return sink

    def _asking(self, output: str, progress: Progress) -> Progress:
        """Return the progress of writing an output; what cannot be taken away again is written to its end."""

        def ask(fraction: float) -> None:
            uri = self.results[output]
            known = Path(uri) in self._written or self.context.temporaryLayerStore().mapLayer(uri) is not None
            if known and progress is not None:
                progress(fraction)

        return ask

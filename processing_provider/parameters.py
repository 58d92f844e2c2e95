"""One declarative row a parameter: it builds the QGIS definition, reads the value and carries the help."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Callable, ClassVar, Mapping, Optional, Union

from qgis.core import (
    NULL,
    QgsCoordinateReferenceSystem,
    QgsMapLayer,
    QgsProcessing,
    QgsProcessingOutputHtml,
    QgsProcessingOutputNumber,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterExtent,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterDestination,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
    QgsProviderRegistry,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.core import QgsProcessingAlgorithm as Algorithm
from qgis.core import QgsProcessingContext as Context

from .language import tr

if TYPE_CHECKING:
    from .engine.core import Progress, Readings

SOURCE = QgsProcessing.SourceType
NUMBER = QgsProcessingParameterNumber.Type
Given = Mapping[str, object]
"""What a run is given: the values by the ids of the parameters."""
Table = tuple[list[dict], Optional[QgsCoordinateReferenceSystem], Optional[Path]]
"""Rows, their CRS, and the file that they come from."""


def is_given(value: object) -> bool:
    """Return whether the value of a parameter is none of the ways to leave it out (a model passes on NULL)."""
    return value is not None and value != NULL and value != ""


def _wrong(sentence: str) -> Exception:
    """Return an error about a value; its sentence is what the person reads."""
    from .engine.core import EngineError

    return EngineError(sentence)


@dataclass(frozen=True)
class Row:
    """What every parameter has. ``unit`` stands in brackets behind the label.

    A kind of row is a dataclass itself only when it has more to declare: each costs a millisecond of QGIS's start.
    """

    id: str
    label: str
    help: str
    optional: bool = False
    advanced: bool = False
    unit: str = ""
    is_output: ClassVar[bool] = False

    def build(self) -> QgsProcessingParameterDefinition:
        """Return a fresh QGIS definition."""
        definition = self.definition()
        definition.setHelp(tr(self.help))
        if self.advanced:
            definition.setFlags(definition.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced)
        return definition

    @property
    def text(self) -> str:
        """Label with unit, in the person's language."""
        return f"{tr(self.label)} ({tr(self.unit)})" if self.unit else tr(self.label)

    def definition(self) -> QgsProcessingParameterDefinition:
        """Return the bare QGIS definition."""
        raise NotImplementedError

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> object:
        """Return the value for the engine."""
        raise NotImplementedError

    def read(self, algorithm: Algorithm, parameters: Given, context: Context, progress: Progress) -> object:
        """Return the value for the engine; where that takes long, ``progress`` is called on the way."""
        return self.value(algorithm, parameters, context)

    def layers(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[QgsMapLayer]:
        """Return the layers of the value."""
        return []

    def files(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[Path]:
        """Return the files that the value lies in: they must not be written to."""
        return list(filter(None, map(file_of, self.layers(algorithm, parameters, context))))

    def given(self, parameters: Given) -> bool:
        """Return whether the person gave a value."""
        return is_given(parameters.get(self.id))


class LayerIn(Row):
    """A vector layer, with or without geometry."""

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterFeatureSource(self.id, self.text, [SOURCE.TypeVector], None, self.optional)

    def layers(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[QgsMapLayer]:
        layer = algorithm.parameterAsVectorLayer(parameters, self.id, context)
        return [layer] if layer is not None else []


class ReadingsIn(LayerIn):
    """A layer of readings; its value is ``(Readings, CRS)``."""

    needs_lines: ClassVar[bool] = True

    def read(
        self, algorithm: Algorithm, parameters: Given, context: Context, progress: Progress
    ) -> tuple[Readings, QgsCoordinateReferenceSystem]:
        from .bridge.vector import read_readings

        source = algorithm.parameterAsSource(parameters, self.id, context)
        if source is None:
            raise _wrong(f"The layer given as {self.label.lower()} cannot be opened. Choose a layer of readings.")
        layer = algorithm.parameterAsVectorLayer(parameters, self.id, context)
        readings = read_readings(source, layer, needs_lines=self.needs_lines, progress=progress)
        return readings, source.sourceCrs()


class PointsIn(ReadingsIn):
    """Any layer of points with measured numbers; readings of other surveys need no lines."""

    needs_lines: ClassVar[bool] = False


class TableIn(LayerIn):
    """Any table; its value is ``(rows, CRS, path)``. Points bring their map position as ``x`` and ``y``."""

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Table:
        from .bridge.vector import read_table

        if not self.given(parameters):
            return [], None, None
        source = algorithm.parameterAsSource(parameters, self.id, context)
        if source is None:
            raise _wrong(f"The table given as {self.label.lower()} cannot be opened. Choose a table or a CSV.")
        path = file_of(algorithm.parameterAsVectorLayer(parameters, self.id, context))
        return read_table(source, path), source.sourceCrs(), path


class RasterIn(Row):
    """A raster in a file; its value is its Path, CRS and name."""

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterRasterLayer(self.id, self.text, None, self.optional)

    def value(
        self, algorithm: Algorithm, parameters: Given, context: Context
    ) -> tuple[Path, QgsCoordinateReferenceSystem, str]:
        layer = algorithm.parameterAsRasterLayer(parameters, self.id, context)
        path = file_of(layer)
        if path is None:
            raise _wrong(f"The raster given as {self.label.lower()} does not lie in a file. Save it as a GeoTIFF.")
        return path, layer.crs(), layer.name()

    def layers(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[QgsMapLayer]:
        layer = algorithm.parameterAsRasterLayer(parameters, self.id, context)
        return [layer] if layer is not None else []


class LayersIn(Row):
    """Several layers of one kind; its value is the list of them."""

    kind: ClassVar = SOURCE.TypeRaster

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterMultipleLayers(self.id, self.text, self.kind, None, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[QgsMapLayer]:
        if not self.given(parameters):
            return []
        layers = algorithm.parameterAsLayerList(parameters, self.id, context)
        if not layers:
            raise _wrong(f"Of the layers given as {self.label.lower()} none can be opened. Choose others.")
        return layers

    def layers(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[QgsMapLayer]:
        return algorithm.parameterAsLayerList(parameters, self.id, context) if self.given(parameters) else []


class VectorsIn(LayersIn):
    """Several vector layers."""

    kind: ClassVar = SOURCE.TypeVectorAnyGeometry


class PolygonsIn(LayerIn):
    """A layer of polygons; its value is the layer, None when left empty."""

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterVectorLayer(self.id, self.text, [SOURCE.TypeVectorPolygon], None, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Optional[QgsVectorLayer]:
        return algorithm.parameterAsVectorLayer(parameters, self.id, context)


def file_of(layer: Optional[QgsMapLayer]) -> Optional[Path]:
    """Return the file that a layer lies in; None for a layer without one."""
    uri = layer and QgsProviderRegistry.instance().decodeUri(layer.providerType(), layer.source())
    path = Path(uri["path"]) if uri and uri.get("path") else None
    return path if path and path.is_file() else None


@dataclass(frozen=True)
class Channels(Row):
    """Channels of a layer of readings; empty = all."""

    optional: bool = True
    parent: str = "INPUT"
    multiple: ClassVar[bool] = True

    def definition(self) -> QgsProcessingParameterDefinition:
        kind = QgsProcessingParameterField.DataType.Numeric
        return QgsProcessingParameterField(self.id, self.text, None, self.parent, kind, self.multiple, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Union[str, list[str]]:
        # The first name since QGIS 3.40, the second before.
        read = getattr(algorithm, "parameterAsStrings", None) or algorithm.parameterAsFields
        return read(parameters, self.id, context)


@dataclass(frozen=True)
class Channel(Channels):
    """One channel of a layer of readings."""

    optional: bool = False
    multiple: ClassVar[bool] = False

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> str:
        return super().value(algorithm, parameters, context)[0]


@dataclass(frozen=True)
class Number(Row):
    """A number; None when it is optional and left empty."""

    default: Optional[float] = None
    minimum: float = -1e9
    maximum: float = 1e9
    kind: ClassVar = NUMBER.Double

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterNumber(
            self.id, self.text, self.kind, self.default, self.optional, self.minimum, self.maximum
        )

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Optional[float]:
        if self.optional and self.default is None and not self.given(parameters):
            return None
        return algorithm.parameterAsDouble(parameters, self.id, context)


class Integer(Number):
    """A whole number."""

    kind: ClassVar = NUMBER.Integer

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> int:
        return algorithm.parameterAsInt(parameters, self.id, context)


@dataclass(frozen=True)
class Choice(Row):
    """One of some words."""

    words: tuple[str, ...] = ()
    default: str = ""

    def definition(self) -> QgsProcessingParameterDefinition:
        definition = QgsProcessingParameterEnum(self.id, self.text, list(self.words), False, self.default)
        definition.setUsesStaticStrings(True)
        return definition

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> str:
        return algorithm.parameterAsEnumString(parameters, self.id, context)


@dataclass(frozen=True)
class YesNo(Row):
    """Something that is done or not."""

    default: bool = False

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterBoolean(self.id, self.text, self.default, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> bool:
        return algorithm.parameterAsBool(parameters, self.id, context)


@dataclass(frozen=True)
class Text(Row):
    """A short text."""

    default: str = ""

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterString(self.id, self.text, self.default, False, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> str:
        return algorithm.parameterAsString(parameters, self.id, context)


@dataclass(frozen=True)
class FileIn(Row):
    """A file; its value is a Path, None when left empty.

    ``widget`` names what dialogs show for it, as a path from the plugin's root: QGIS imports it when one is opened.
    """

    extension: str = ""
    widget: str = ""

    def definition(self) -> QgsProcessingParameterDefinition:
        behavior = QgsProcessingParameterFile.Behavior.File
        made = QgsProcessingParameterFile(self.id, self.text, behavior, self.extension, None, self.optional)
        if self.widget:
            made.setMetadata({"widget_wrapper": {"class": f"{__name__.rsplit('.', 2)[0]}.{self.widget}"}})
        return made

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Optional[Path]:
        return _existing(algorithm.parameterAsFile(parameters, self.id, context), self.label)

    def files(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[Path]:
        path = self.value(algorithm, parameters, context)
        return [path] if path else []


class FilesIn(Row):
    """Several files; its value is a list of Paths."""

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterMultipleLayers(self.id, self.text, SOURCE.TypeFile, None, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[Path]:
        named = algorithm.parameterAsFileList(parameters, self.id, context)
        return [path for path in (_existing(name, self.label) for name in named) if path is not None]

    def files(self, algorithm: Algorithm, parameters: Given, context: Context) -> list[Path]:
        return self.value(algorithm, parameters, context)


class FolderIn(Row):
    """A folder; its value is a Path, None when left empty."""

    def definition(self) -> QgsProcessingParameterDefinition:
        behavior = QgsProcessingParameterFile.Behavior.Folder
        return QgsProcessingParameterFile(self.id, self.text, behavior, "", None, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Optional[Path]:
        return _existing(algorithm.parameterAsFile(parameters, self.id, context), self.label)


def _existing(path: str, label: str) -> Optional[Path]:
    """Return the path of a file or folder that is there, None for an empty one."""
    if path and not Path(path).exists():
        raise _wrong(f"{path}, given as {label.lower()}, is not there. Check its name and place.")
    return Path(path) if path else None


@dataclass(frozen=True)
class Crs(Row):
    """A CRS; invalid when left empty. Optional also where one is needed: the layers may bring it."""

    optional: bool = True

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterCrs(self.id, self.text, None, self.optional)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> QgsCoordinateReferenceSystem:
        return algorithm.parameterAsCrs(parameters, self.id, context)


@dataclass(frozen=True)
class Extent(Row):
    """An extent; None when left empty."""

    optional: bool = True

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterExtent(self.id, self.text, None, self.optional)

    def value(
        self, algorithm: Algorithm, parameters: Given, context: Context
    ) -> Optional[Callable[[QgsCoordinateReferenceSystem], QgsRectangle]]:
        if not self.given(parameters):
            return None
        return lambda crs: algorithm.parameterAsExtent(parameters, self.id, context, crs)


@dataclass(frozen=True)
class ReadingsOut(Row):
    """A layer of readings that is written: points, or a table when ``places`` is off."""

    is_output: ClassVar[bool] = True
    places: bool = True

    def definition(self) -> QgsProcessingParameterDefinition:
        kind = SOURCE.TypeVectorPoint if self.places else SOURCE.TypeVector
        return QgsProcessingParameterFeatureSink(self.id, self.text, kind, None, self.optional, not self.optional)


class TableOut(Row):
    """A table that is written; an optional one only when asked for."""

    is_output: ClassVar[bool] = True

    def definition(self) -> QgsProcessingParameterDefinition:
        kind = SOURCE.TypeVector
        return QgsProcessingParameterFeatureSink(self.id, self.text, kind, None, self.optional, not self.optional)


class LinesOut(Row):
    """A layer of lines that is written; an optional one only when asked for."""

    is_output: ClassVar[bool] = True

    def definition(self) -> QgsProcessingParameterDefinition:
        kind = SOURCE.TypeVectorLine
        return QgsProcessingParameterFeatureSink(self.id, self.text, kind, None, self.optional, not self.optional)


class RasterOut(Row):
    """A raster that is written; an optional one only when asked for."""

    is_output: ClassVar[bool] = True

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterRasterDestination(self.id, self.text, None, self.optional, not self.optional)


@dataclass(frozen=True)
class FileOut(Row):
    """A file that is written; its value is a Path, None when it is not asked for."""

    kind: str = "JSON (*.json)"
    is_output: ClassVar[bool] = True

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterFileDestination(
            self.id, self.text, self.kind, None, self.optional, not self.optional
        )


class FolderOut(Row):
    """A folder to write into; its value is a Path."""

    def definition(self) -> QgsProcessingParameterDefinition:
        return QgsProcessingParameterFolderDestination(self.id, self.text)

    def value(self, algorithm: Algorithm, parameters: Given, context: Context) -> Path:
        return Path(algorithm.parameterAsString(parameters, self.id, context))


@dataclass(frozen=True)
class NumberResult:
    """A number that a model or a script can use."""

    id: str
    label: str
    help: str

    @property
    def text(self) -> str:
        """Label in the person's language; the unit stands in the help."""
        return tr(self.label)

    def build(self) -> QgsProcessingOutputNumber:
        """Return a fresh QGIS definition."""
        return QgsProcessingOutputNumber(self.id, self.text)


class ReportResult(NumberResult):
    """The path of a report."""

    def build(self) -> QgsProcessingOutputHtml:
        """Return a fresh QGIS definition."""
        return QgsProcessingOutputHtml(self.id, self.text)

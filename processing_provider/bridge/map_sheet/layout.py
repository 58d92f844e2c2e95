"""Map sheets: print layouts at a stated scale with everything a reader needs to use them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Optional

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsLayerTreeLayer,
    QgsLayerTreeModel,
    QgsLayoutExporter,
    QgsLayoutItemLabel,
    QgsLayoutItemLegend,
    QgsLayoutItemMap,
    QgsLayoutItemMapGrid,
    QgsLayoutItemPicture,
    QgsLayoutItemScaleBar,
    QgsLayoutPoint,
    QgsLayoutSize,
    QgsLegendStyle,
    QgsMapLayerLegendUtils,
    QgsPrintLayout,
    QgsProject,
    QgsRectangle,
    QgsTextFormat,
    QgsUnitTypes,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSizeF, Qt
from qgis.PyQt.QtGui import QColor, QFont, QFontInfo

from ...engine.core import EngineError, whole_file
from ..project import file_stems
from ..report import CAUTIONS
from .geometry import PAPERS, Frame, SheetPlan

MILLIMETRES = QgsUnitTypes.LayoutUnit.LayoutMillimeters
NORTH = Path(__file__).resolve().parents[3] / "plugin" / "icons" / "north.svg"
INK = "#1d1d1d"
DOTS_PER_INCH = 300
BAR_MM = 5.0, 26.0
GRID_STEPS_M = (5, 10, 20, 25, 50, 100, 200, 250, 500, 1000)
SHOWN_CAUTIONS = 2
"""The first of ``CAUTIONS``: those about reading a map."""


@dataclass(frozen=True)
class Panel:
    """One map of a sheet: its heading, its layers from top to bottom (the raster last), and whether to explain it.

    ``marks`` is the layer among them that shows readings at full scale; None where there are none.
    """

    heading: str
    layers: tuple
    in_legend: bool = True
    marks: Optional[QgsVectorLayer] = None


@dataclass(frozen=True)
class Sheet:
    """What a sheet shows and says.

    Attributes
    ----------
    name, site, title : str
    panels : tuple of Panel
    extent : QgsRectangle
        Ground to show, in the CRS of ``crs``.
    crs : QgsCoordinateReferenceSystem
    summary : tuple of str
        Steps of the processing.
    each : QgsVectorLayer or None
        Grids; one page a grid.
    """

    name: str
    site: str
    title: str
    panels: tuple[Panel, ...]
    extent: QgsRectangle
    crs: object
    summary: tuple[str, ...] = ()
    each: Optional[object] = None


def make_layout(project: QgsProject, sheet: Sheet, plan: SheetPlan) -> QgsPrintLayout:
    """Return the print layout of a sheet; it belongs to the project's layouts only when the caller adds it there."""
    layout = QgsPrintLayout(project)
    layout.initializeDefaults()
    layout.setName(sheet.name)
    layout.pageCollection().page(0).setPageSize(QgsLayoutSize(*plan.page, MILLIMETRES))
    maps = [_map(layout, sheet, panel, frame, plan.scale) for panel, frame in zip(sheet.panels, plan.frames)]
    _column(layout, sheet, plan, maps[0])
    if sheet.each is not None:
        atlas = layout.atlas()
        atlas.setCoverageLayer(sheet.each)
        atlas.setPageNameExpression('"grid"')
        atlas.setFilenameExpression("'page_' || @atlas_featurenumber")
        atlas.setEnabled(True)
        for item in maps:
            item.setAtlasDriven(True)
            item.setAtlasScalingMode(QgsLayoutItemMap.AtlasScalingMode.Fixed)
    return layout


def _map(layout: QgsPrintLayout, sheet: Sheet, panel: Panel, frame: Frame, scale: int) -> QgsLayoutItemMap:
    heading = panel.heading + (', grid [% "grid" %]' if sheet.each is not None else "")
    _label(layout, heading, Frame(frame.x, frame.y - 6, frame.width, 6), 9, bold=True)
    item = QgsLayoutItemMap(layout)
    layout.addLayoutItem(item)
    item.attemptMove(QgsLayoutPoint(frame.x, frame.y, MILLIMETRES))
    item.attemptResize(QgsLayoutSize(frame.width, frame.height, MILLIMETRES))
    item.setCrs(sheet.crs)
    item.setLayers(list(panel.layers))
    item.setKeepLayerSet(True)
    wide, high = frame.width * scale / 1000, frame.height * scale / 1000
    item.setExtent(QgsRectangle.fromCenterAndSize(sheet.extent.center(), wide, high))
    item.setFrameEnabled(True)
    item.setId(panel.heading)
    _coordinates(item, scale)
    return item


def _coordinates(item: QgsLayoutItemMap, scale: int) -> None:
    """Mark a grid of coordinates with crosses, one about every 40 mm, and write them outside the frame."""
    step = next((s for s in GRID_STEPS_M if s >= 0.04 * scale), GRID_STEPS_M[-1])
    grid = QgsLayoutItemMapGrid("coordinates", item)
    grid.setIntervalX(step)
    grid.setIntervalY(step)
    grid.setStyle(QgsLayoutItemMapGrid.GridStyle.Cross)
    grid.setCrossLength(2.0)
    grid.setGridLineColor(QColor(INK))
    grid.setGridLineWidth(0.15)
    grid.setAnnotationEnabled(True)
    grid.setAnnotationPrecision(0)
    grid.setAnnotationTextFormat(_format(6))
    grid.setAnnotationFrameDistance(0.8)
    sides = QgsLayoutItemMapGrid.BorderSide
    for side in (sides.Right, sides.Top):
        grid.setAnnotationDisplay(QgsLayoutItemMapGrid.DisplayMode.HideAll, side)
    grid.setAnnotationDirection(QgsLayoutItemMapGrid.AnnotationDirection.Vertical, sides.Left)
    item.grids().addGrid(grid)


def _column(layout: QgsPrintLayout, sheet: Sheet, plan: SheetPlan, first: QgsLayoutItemMap) -> None:
    """Fill the column at the right: names, north, scale, colours, and what was done."""
    x, y, width = plan.column.x, plan.column.y, plan.column.width
    _label(layout, sheet.site, Frame(x, y, width, 7), 13, bold=True)
    _label(layout, sheet.title, Frame(x, y + 8, width, 10), 10)
    _north(layout, first, Frame(x, y + 20, 12, 16))
    _label(layout, f"1:{plan.scale} on {_paper(plan)}\n{_system(sheet.crs)}", Frame(x + 15, y + 20, width - 15, 16), 7)
    _scale_bar(layout, first, Frame(x, y + 38, width, 10), plan.scale)
    below = plan.column.y + plan.column.height
    cautions = "\n".join(text for _, text in CAUTIONS[:SHOWN_CAUTIONS])
    _label(layout, cautions, Frame(x, below - 34, width, 34), 6)
    steps = "\n".join(sheet.summary) or "No record of the processing lies beside the maps."
    said = f"{date.today().isoformat()}\n{steps}"
    _label(layout, said, Frame(x, below - 76, width, 40), 6)
    _colours(layout, sheet, first, Frame(x, y + 50, width, below - 76 - y - 52))


def _paper(plan: SheetPlan) -> str:
    return next(name for name, sides in PAPERS.items() if sorted(sides) == sorted(plan.page))


def _system(crs: QgsCoordinateReferenceSystem) -> str:
    return " ".join(filter(None, (crs.authid(), crs.description())))


def _colours(layout: QgsPrintLayout, sheet: Sheet, first: QgsLayoutItemMap, frame: Frame) -> None:
    """Show the colour bar of every map; maps as logged have the colours of the map that they stand beside."""
    legend = QgsLayoutItemLegend(layout)
    layout.addLayoutItem(legend)
    legend.attemptMove(QgsLayoutPoint(frame.x, frame.y, MILLIMETRES))
    legend.setAutoUpdateModel(False)
    root = legend.model().rootGroup()
    root.clear()
    for panel in sheet.panels:
        if panel.in_legend:
            _without_band_name(root.addLayer(panel.layers[-1]), legend.model())
    marks = next((panel.marks for panel in sheet.panels if panel.marks is not None), None)
    if marks is not None:
        root.addLayer(marks)
    for style, size in ((QgsLegendStyle.Style.Subgroup, 8), (QgsLegendStyle.Style.SymbolLabel, 7)):
        _set_text(legend.rstyle(style), size)
    legend.setLinkedMap(first)
    legend.setResizeToContents(True)
    legend.adjustBoxSize()
    text = "Colours end where the bar does; values beyond keep the colour of the end."
    _label(layout, text, Frame(frame.x, frame.y + frame.height - 8, frame.width, 8), 6)


def _without_band_name(node: QgsLayerTreeLayer, model: QgsLayerTreeModel) -> None:
    """Show the colour bar alone under the name of its map, tall enough to be read."""
    bar = len(model.layerOriginalLegendNodes(node)) - 1
    QgsMapLayerLegendUtils.setLegendNodeOrder(node, [bar])
    QgsMapLayerLegendUtils.setLegendNodeSymbolSize(node, bar, QSizeF(*BAR_MM))
    model.refreshLayerLegend(node)


def _set_text(style: QgsLegendStyle, size: float) -> None:
    if hasattr(style, "setTextFormat"):
        style.setTextFormat(_format(size))
    else:
        style.setFont(_format(size).font())


def _north(layout: QgsPrintLayout, linked: QgsLayoutItemMap, frame: Frame) -> None:
    picture = QgsLayoutItemPicture(layout)
    layout.addLayoutItem(picture)
    picture.setPicturePath(str(NORTH))
    picture.attemptMove(QgsLayoutPoint(frame.x, frame.y, MILLIMETRES))
    picture.attemptResize(QgsLayoutSize(frame.width, frame.height, MILLIMETRES))
    picture.setLinkedMap(linked)
    picture.setNorthMode(QgsLayoutItemPicture.NorthMode.GridNorth)
    picture.setId("grid north")


def _scale_bar(layout: QgsPrintLayout, linked: QgsLayoutItemMap, frame: Frame, scale: int) -> None:
    bar = QgsLayoutItemScaleBar(layout)
    layout.addLayoutItem(bar)
    bar.setStyle("Line Ticks Down")
    bar.setLinkedMap(linked)
    bar.setUnits(QgsUnitTypes.DistanceUnit.DistanceMeters)
    bar.setUnitLabel("m")
    bar.setMapUnitsPerScaleBarUnit(1)
    bar.setNumberOfSegmentsLeft(0)
    bar.setNumberOfSegments(2)
    bar.setUnitsPerSegment(
        max((s for s in (1, 2, 5, *GRID_STEPS_M) if 2000 * s / scale <= frame.width - 14), default=1)
    )
    bar.setTextFormat(_format(7))
    bar.attemptMove(QgsLayoutPoint(frame.x, frame.y, MILLIMETRES))
    bar.update()


def _label(layout: QgsPrintLayout, text: str, frame: Frame, size: float, *, bold: bool = False) -> None:
    label = QgsLayoutItemLabel(layout)
    layout.addLayoutItem(label)
    label.setText(text)
    label.setHAlign(Qt.AlignmentFlag.AlignLeft)
    written = _format(size, bold)
    if hasattr(label, "setTextFormat"):
        label.setTextFormat(written)
    else:
        label.setFont(written.font())
        label.setFontColor(written.color())
    label.attemptMove(QgsLayoutPoint(frame.x, frame.y, MILLIMETRES))
    label.attemptResize(QgsLayoutSize(frame.width, frame.height, MILLIMETRES))


def _format(size: float, bold: bool = False) -> QgsTextFormat:
    text = QgsTextFormat()
    # The family that is really used: the name of an alias makes QGIS warn wherever the layout is opened.
    font = QFont(QFontInfo(QFont()).family())
    font.setPointSizeF(size)
    font.setBold(bold)
    text.setFont(font)
    text.setSize(size)
    text.setColor(QColor(INK))
    return text


def export(layout: QgsPrintLayout, path: Path) -> list[Path]:
    """Write a layout as PDF or PNG; return the files: one, or for PNG with a page a grid one for each.

    Raises
    ------
    EngineError
        When the ending of the name is neither, or a file cannot be written.
    """
    kind = path.suffix.lower()
    if kind not in (".pdf", ".png"):
        raise EngineError(f"{path.name} cannot be written: a sheet is a PDF or a PNG. Give it a name ending in one.")
    if kind == ".pdf":
        settings = QgsLayoutExporter.PdfExportSettings()
        settings.dpi = DOTS_PER_INCH
        with whole_file(path, "sheet") as part:
            _check(*_pdf(layout, part, settings))
        return [path]
    settings = QgsLayoutExporter.ImageExportSettings()
    settings.dpi = DOTS_PER_INCH
    atlas = layout.atlas()
    if not atlas.enabled():
        with whole_file(path, "sheet") as part:
            _check(QgsLayoutExporter(layout).exportToImage(str(part), settings), "")
        return [path]
    return _pages(layout, path, settings)


def _pdf(layout: QgsPrintLayout, part: Path, settings: QgsLayoutExporter.PdfExportSettings) -> tuple:
    if not layout.atlas().enabled():
        return QgsLayoutExporter(layout).exportToPdf(str(part), settings), ""
    return QgsLayoutExporter.exportToPdf(layout.atlas(), str(part), settings)


def _pages(layout: QgsPrintLayout, path: Path, settings: QgsLayoutExporter.ImageExportSettings) -> list[Path]:
    atlas, written = layout.atlas(), []
    atlas.beginRender()
    stems = file_stems({str(n): atlas.nameForPage(n) for n in range(atlas.count())}, path.suffix)
    more = atlas.first()
    while more:
        page = path.with_name(f"{path.stem}_{stems[str(atlas.currentFeatureNumber())]}{path.suffix}")
        with whole_file(page, "sheet") as part:
            _check(QgsLayoutExporter(layout).exportToImage(str(part), settings), "")
        written.append(page)
        more = atlas.next()
    atlas.endRender()
    return written


def _check(result: QgsLayoutExporter.ExportResult, reason: str) -> None:
    if result != QgsLayoutExporter.ExportResult.Success:
        raise OSError(reason or "the layout was not exported")

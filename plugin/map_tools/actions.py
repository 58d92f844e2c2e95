"""Menu and toolbar of what is done on the map. Whatever an action needs is imported when it is first used."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Callable, Optional

from qgis.core import Qgis, QgsProject, QgsVectorLayer
from qgis.gui import QgisInterface
from qgis.PyQt.QtGui import QIcon
from qgis.PyQt.QtWidgets import QAction

from ..texts import tr
from .grey_mark import is_grey

if TYPE_CHECKING:
    from ..background_tasks import Works
    from .corner_check_dialog import MeasureDialog
    from .corners_tool import CornersTool
    from .plan_dialog import PlanDialog

ICONS = Path(__file__).resolve().parents[1] / "icons"
TITLE = "Turnrow"


class Tools:
    """The actions, and the tools and windows that they open."""

    def __init__(self, iface: QgisInterface, menu: str) -> None:
        self.iface, self.menu = iface, menu
        self.corners: Optional[CornersTool] = None
        self.measuring: Optional[MeasureDialog] = None
        self.plan: Optional[PlanDialog] = None
        self.works: Optional[Works] = None
        self._marked = ("", "")
        self.actions = {
            name: self._action(name, label, help_text, do)
            for name, label, help_text, do in (
                ("same_colours", tr("Same colours for all"),
                 tr("Give all maps of a channel one range, so that their colours can be compared."), self.same_colours),
                ("grey", tr("Grey for print"), tr("Show the maps in greys with the ranges they have, and back."),
                 self.grey),
                ("corners", tr("Mark grid corners"),
                 tr("Click the corners of a grid: start, baseline, opposite, head. Points of layers catch the click."),
                 self.mark),
                ("measure", tr("Measure a grid"), tr("Hold sides, diagonals and corners of a grid against its size."),
                 self.measure),
                ("plan_image", tr("Place a plan image"), tr("Place a scanned excavation plan on the map by points."),
                 self.place_plan),
            )
        }  # fmt: skip
        for name in ("grey", "corners"):
            self.actions[name].setCheckable(True)
        self.bar = iface.addToolBar(TITLE)
        self.bar.setObjectName("TurnrowToolBar")
        for action in self.actions.values():
            iface.addPluginToMenu(menu, action)
            self.bar.addAction(action)
        project = QgsProject.instance()
        project.readProject.connect(self._show_grey)
        project.cleared.connect(self._show_grey)

    def _action(self, name: str, label: str, help_text: str, do: Callable[[], None]) -> QAction:
        action = QAction(QIcon(str(ICONS / f"{name}.svg")), label, self.iface.mainWindow())
        action.setObjectName(f"Turnrow_{name}")
        action.setToolTip(help_text)
        action.triggered.connect(lambda _: do())
        return action

    def same_colours(self) -> None:
        """Give the maps of each channel one range; their values are read in the background."""
        self._try(self._share_colours)

    def _share_colours(self) -> str:
        from ..background_tasks import Works
        from .shared_colours import shared_looks, show_shared, to_share

        if self.works is None:
            self.works = Works(self.bar)
        project = QgsProject.instance()
        shares = to_share(project)
        self.works.start(
            "colours",
            tr("Turnrow: same colours for all"),
            lambda progress: shared_looks(shares, progress),
            lambda looks: self._say(show_shared(project, shares, looks)),
            lambda sentence: self._say(sentence, Qgis.MessageLevel.Warning),
        )
        return ""

    def grey(self) -> None:
        """Switch between greys and colours."""
        from .shared_colours import set_grey

        self._try(set_grey, QgsProject.instance(), self.actions["grey"].isChecked())
        self._show_grey()

    def _show_grey(self, *_: object) -> None:
        self.actions["grey"].setChecked(is_grey(QgsProject.instance()))

    def _try(self, do: Callable[..., Optional[str]], *arguments: object) -> bool:
        """Do something and show the sentence that it returns, if any; return whether it was done."""
        from ...processing_provider.engine.core import EngineError

        level = Qgis.MessageLevel.Info
        try:
            said = do(*arguments)
        except EngineError as error:
            said, level = str(error), Qgis.MessageLevel.Warning
        if said:
            self._say(said, level)
        return level == Qgis.MessageLevel.Info

    def _say(self, sentence: str, level: Qgis.MessageLevel = Qgis.MessageLevel.Info) -> None:
        self.iface.messageBar().pushMessage(TITLE, escape(sentence, quote=False), level)

    def mark(self) -> None:
        """Switch the tool that marks corners on or off."""
        canvas = self.iface.mapCanvas()
        if not self.actions["corners"].isChecked():
            canvas.unsetMapTool(self.corners)
            return
        from .corner_layers import check_may_mark

        if not self._try(check_may_mark, canvas.mapSettings().destinationCrs(), canvas.center()):
            self.actions["corners"].setChecked(False)
            return
        if self.corners is None:
            from .corners_tool import CornersTool

            self.corners = CornersTool(canvas)
            self.corners.setAction(self.actions["corners"])
            self.corners.hint.connect(self._hint)
            self.corners.ready.connect(self._name_grid)
        canvas.setMapTool(self.corners)

    def _hint(self, text: str) -> None:
        self.iface.mainWindow().statusBar().showMessage(text)

    def _name_grid(self, points: list) -> None:
        from .corner_layers import corner_layers, names_in_use
        from .grid_name_dialog import GridDialog

        project = QgsProject.instance()
        dialog = GridDialog(corner_layers(project), names_in_use(project), self._marked[0], self.iface.mainWindow())
        if dialog.exec() == GridDialog.DialogCode.Accepted:
            self._try(self.add_grid, dialog.grid(), dialog.layer(), points)

    def add_grid(self, grid: str, layer: Optional[QgsVectorLayer], points: list) -> str:
        """Keep the corners of a grid in a layer, a new one when none is given; return what was done, in a sentence."""
        from .corner_layers import add_grid, new_corner_layer

        crs = self.iface.mapCanvas().mapSettings().destinationCrs()
        target = layer if layer is not None else new_corner_layer(crs)
        add_grid(target, grid, points, crs)
        if layer is None:
            QgsProject.instance().addMapLayer(target)
        self._marked = target.id(), grid
        text = tr("Grid {grid}: {count} corners are in the layer {layer}.")
        return text.format(grid=grid, count=len(points), layer=target.name())

    def measure(self) -> None:
        """Show how a grid's corners agree with its size."""
        from .corner_check_dialog import MeasureDialog

        if self.measuring is not None:
            self.measuring.deleteLater()
        self.measuring = MeasureDialog(QgsProject.instance(), *self._marked, parent=self.iface.mainWindow())
        self.measuring.show()

    def place_plan(self) -> None:
        """Open the window that places a plan image."""
        from .plan_dialog import PlanDialog

        if self.plan is None:
            self.plan = PlanDialog(self.iface)
        self.plan.show()
        self.plan.raise_()

    def leave(self) -> None:
        """Take everything away."""
        project = QgsProject.instance()
        project.readProject.disconnect(self._show_grey)
        project.cleared.disconnect(self._show_grey)
        if self.works is not None:
            self.works.cancel()
        if self.corners is not None:
            self.iface.mapCanvas().unsetMapTool(self.corners)
            self.corners.leave()
            self.corners.deleteLater()
        if self.plan is not None:
            self.plan.leave()
        for window in (self.measuring, self.plan):
            if window is not None:
                window.close()
                window.deleteLater()
        for action in self.actions.values():
            self.iface.removePluginMenu(self.menu, action)
            action.deleteLater()
        self.iface.mainWindow().removeToolBar(self.bar)
        self.bar.deleteLater()

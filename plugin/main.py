"""Entry of the plugin: adds the provider, the menu and the workbench, and takes them away again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Optional

from qgis.core import QgsApplication
from qgis.gui import QgisInterface
from qgis.PyQt.QtCore import QCoreApplication, QLocale, Qt, QTranslator
from qgis.PyQt.QtGui import QIcon
from qgis.PyQt.QtWidgets import QAction

from .map_tools import Tools
from .texts import tr

if TYPE_CHECKING:
    from ..processing_provider.provider import TurnrowProvider
    from .workbench import Workbench

MENU = "Turnrow"
ICON = Path(__file__).with_name("icons") / "workbench.svg"
TRANSLATIONS = Path(__file__).resolve().parents[1] / "i18n"


def translator_of(language: str, folder: Path) -> Optional[QTranslator]:
    """Return what translates into a language such as ``de`` or ``de_AT``, at work; None where there is no such file."""
    translator = QTranslator()
    if not translator.load(QLocale(language), "turnrow", "_", str(folder)):
        return None
    QCoreApplication.installTranslator(translator)
    return translator


class TurnrowPlugin:
    """Adds Turnrow's algorithms to Processing, and its workbench to the window."""

    def __init__(self, iface: QgisInterface) -> None:
        self.iface = iface
        self.provider: Optional[TurnrowProvider] = None
        self.action: Optional[QAction] = None
        self.workbench: Optional[Workbench] = None
        self.tools: Optional[Tools] = None
        # Before anything is shown, so that all of it is in the person's language.
        self.translator = translator_of(QgsApplication.locale(), TRANSLATIONS)

    def initProcessing(self) -> None:  # noqa: N802 (names fixed by QGIS)
        """Add the provider; called alone where there is no window."""
        from ..processing_provider.provider import TurnrowProvider

        self.provider = TurnrowProvider()
        if not QgsApplication.processingRegistry().addProvider(self.provider):
            self.provider = None
            return
        # Now that it is registered, the models can be loaded.
        self.provider.refreshAlgorithms()

    def initGui(self) -> None:  # noqa: N802
        """Start in the desktop."""
        self.initProcessing()
        self.action = QAction(QIcon(str(ICON)), tr("Turnrow workbench"), self.iface.mainWindow())
        self.action.setObjectName("TurnrowWorkbenchAction")
        self.action.setToolTip(tr("Look through a survey: grids, findings, profiles, changes by hand"))
        self.action.setCheckable(True)
        self.action.toggled.connect(self.show_workbench)
        self.iface.addPluginToMenu(MENU, self.action)
        self.iface.addToolBarIcon(self.action)
        self.tools = Tools(self.iface, MENU)

    def show_workbench(self, wanted: bool) -> None:
        """Show or hide the workbench; it is made when it is first wanted."""
        if self.workbench is None and wanted:
            from .workbench import Workbench

            self.workbench = Workbench(self.iface, self.iface.mainWindow())
            self.iface.addDockWidget(Qt.DockWidgetArea.BottomDockWidgetArea, self.workbench)
            self.workbench.visibilityChanged.connect(self._follow)
        if self.workbench is not None:
            self.workbench.setVisible(wanted)

    def _follow(self, visible: bool) -> None:
        """Keep the action as the dock is; one behind another tab is not closed."""
        if self.action is not None and self.workbench is not None:
            self.action.setChecked(visible or not self.workbench.isHidden())

    def unload(self) -> None:
        """Leave nothing behind."""
        if self.tools is not None:
            self.tools.leave()
            self.tools = None
        if self.workbench is not None:
            self.workbench.visibilityChanged.disconnect(self._follow)
            self.workbench.leave()
            self.iface.removeDockWidget(self.workbench)
            self.workbench.setParent(None)
            self.workbench.deleteLater()
            self.workbench = None
        if self.action is not None:
            self.iface.removePluginMenu(MENU, self.action)
            self.iface.removeToolBarIcon(self.action)
            self.action.deleteLater()
            self.action = None
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
        if self.translator is not None:
            QCoreApplication.removeTranslator(self.translator)
            self.translator = None

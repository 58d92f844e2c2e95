"""The parameter of a layout in the dialog of an algorithm: the file, and a button to see it on the chosen log."""

from __future__ import annotations

from pathlib import Path
from typing import Optional, Sequence

from processing.gui.wrappers import WidgetWrapper, WidgetWrapperFactory, dialogTypes
from qgis.core import (
    QgsProcessingContext,
    QgsProcessingParameterDefinition,
)
from qgis.gui import QgsAbstractProcessingParameterWidgetWrapper, QgsGui, QgsProcessingGui
from qgis.PyQt.QtWidgets import QHBoxLayout, QPushButton, QWidget

from ..texts import tr
from .layout_dialog import LayoutDialog
from .layout_of import LayoutOf

LOGS = "LOG"


class LayoutParameter:
    """What QGIS makes for the parameter: in batch and in a model the plain file widget, else one with the button."""

    def __new__(
        cls, definition: QgsProcessingParameterDefinition, dialog: QWidget, row: int = 0, col: int = 0
    ) -> QgsAbstractProcessingParameterWidgetWrapper:
        """Return the wrapper that the dialog's kind needs."""
        if (
            dialogTypes.get(type(dialog).__name__, QgsProcessingGui.WidgetType.Standard)
            == QgsProcessingGui.WidgetType.Standard
        ):
            return LayoutWidget(definition, dialog, row, col)
        plain = definition.clone()
        plain.setMetadata({})
        wrapper = WidgetWrapperFactory.create_wrapper(plain, dialog, row, col)
        wrapper.plain = plain  # The wrapper keeps no definition alive by itself.
        return wrapper


class LayoutWidget(WidgetWrapper):
    """The file widget of QGIS with a button behind it."""

    def createWidget(self) -> QWidget:  # noqa: N802 (names fixed by QGIS from here on)
        kind = QgsProcessingGui.WidgetType.Standard
        self.file = QgsGui.processingGuiRegistry().createParameterWidgetWrapper(self.parameterDefinition(), kind)
        self.logs: Optional[QgsAbstractProcessingParameterWidgetWrapper] = None
        self.button = QPushButton(tr("See the layout ..."))
        self.button.setToolTip(tr("See the first rows of the log, what each column is taken for, and the lines."))
        self.button.setAutoDefault(False)
        self.button.clicked.connect(lambda _: self.see())
        widget = QWidget()
        row = QHBoxLayout(widget)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.file.createWrappedWidget(QgsProcessingContext()), 1)
        row.addWidget(self.button)
        self.file.widgetValueHasChanged.connect(lambda _: self.widgetValueHasChanged.emit(self))
        return widget

    def postInitialize(self, wrappers: Sequence[QgsAbstractProcessingParameterWidgetWrapper]) -> None:  # noqa: N802
        """Follow the logs that are chosen in the same dialog."""
        self.logs = next((w for w in wrappers if w.parameterDefinition().name() == LOGS), None)
        if self.logs is not None:
            self.logs.widgetValueHasChanged.connect(lambda _: self._enable())
        self._enable()

    def chosen_logs(self) -> list[Path]:
        """Return the logs that are chosen and are there."""
        if self.logs is None:
            return []
        value = self.logs.parameterValue()
        names = value if isinstance(value, (list, tuple)) else [value]
        return [Path(name) for name in names if isinstance(name, str) and name and Path(name).is_file()]

    def _enable(self) -> None:
        self.button.setEnabled(bool(self.chosen_logs()))

    def see(self) -> None:
        """Show the layout on the first of the logs; one that is kept is taken as the parameter."""
        given = str(self.value() or "")
        dialog = LayoutDialog(LayoutOf(self.chosen_logs()[0], Path(given) if given else None), self.widget.window())
        dialog.exec()
        if dialog.kept is not None:
            self.setValue(str(dialog.kept))
        dialog.deleteLater()

    def setValue(self, value: object) -> None:  # noqa: N802
        self.file.setParameterValue(value, QgsProcessingContext())

    def value(self) -> object:
        return self.file.parameterValue()

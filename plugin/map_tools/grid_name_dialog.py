"""Asks for the name of a grid whose corners were clicked, and for the layer that keeps them."""

from __future__ import annotations

from itertools import count
from typing import Collection, Optional, Sequence

from qgis.core import QgsVectorLayer
from qgis.PyQt.QtWidgets import QComboBox, QDialog, QDialogButtonBox, QFormLayout, QLineEdit, QWidget

from ..texts import plain_label, tr
from .corner_layers import grid_names


def free_name(names: Collection[str]) -> str:
    """Return the first of A to Z, then of G27 and on, that is not used."""
    letters = (chr(code) for code in range(ord("A"), ord("Z") + 1))
    numbered = (f"G{number}" for number in count(27))
    free = next((letter for letter in letters if letter not in names), None)
    return free or next(name for name in numbered if name not in names)


class GridDialog(QDialog):
    """Name of the grid and layer of its corners.

    Parameters
    ----------
    layers : sequence of QgsVectorLayer
        Of corners, to choose from.
    names : collection of str
        Of the grids that the project knows: none of them is offered.
    last : str
        Id of the layer that is offered.
    """

    def __init__(
        self, layers: Sequence[QgsVectorLayer], names: Collection[str], last: str = "", parent: Optional[QWidget] = None
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Mark grid corners"))
        self.setMinimumWidth(360)
        form = QFormLayout(self)
        self.name, self.layers, self.problem = QLineEdit(), QComboBox(), plain_label()
        for widget, label, help_text in (
            (self.name, tr("Grid"), tr("The name of the grid, as it stands in register and notes.")),
            (self.layers, tr("Layer of corners"), tr("Where the corners are kept.")),
        ):
            widget.setAccessibleName(label)
            widget.setToolTip(help_text)
            form.addRow(label, widget)
        for layer in layers:
            self.layers.addItem(layer.name(), layer)
        self.layers.addItem(tr("New layer"), None)
        self.layers.setCurrentIndex(next((n for n, layer in enumerate(layers) if layer.id() == last), 0))
        self.problem.setWordWrap(True)
        form.addRow(self.problem)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        form.addRow(self.buttons)
        self.name.setText(free_name(names))
        self.name.selectAll()
        self.name.textChanged.connect(self._check)
        self.layers.currentIndexChanged.connect(self._check)
        self._check()

    def _used(self) -> list[str]:
        layer = self.layer()
        return grid_names(layer) if layer is not None else []

    def grid(self) -> str:
        """Return the name that was given."""
        return self.name.text().strip()

    def layer(self) -> Optional[QgsVectorLayer]:
        """Return the layer that was chosen; None for a new one."""
        return self.layers.currentData()

    def _check(self) -> None:
        problem = ""
        if not self.grid():
            problem = tr("Give the grid a name.")
        elif self.grid() in self._used():
            problem = tr("This layer holds a grid of that name already. Give another name.")
        self.problem.setText(problem)
        self.buttons.button(QDialogButtonBox.StandardButton.Ok).setEnabled(not problem)

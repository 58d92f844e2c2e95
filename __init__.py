"""Turnrow: electromagnetic surveys over archaeological sites, from raw logs to maps in QGIS."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from qgis.gui import QgisInterface

    from .plugin.main import TurnrowPlugin


def classFactory(iface: QgisInterface) -> TurnrowPlugin:  # noqa: N802 (name fixed by QGIS)
    """Return the plugin; called by QGIS when it is enabled."""
    from .plugin.main import TurnrowPlugin

    return TurnrowPlugin(iface)

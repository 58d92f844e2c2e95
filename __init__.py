"""Turnrow: electromagnetic surveys over archaeological sites, from raw logs to maps in QGIS."""


def classFactory(iface):  # noqa: N802 (name fixed by QGIS)
    """Return the plugin; called by QGIS when it is enabled."""
    from .plugin.main import TurnrowPlugin

    return TurnrowPlugin(iface)

"""Entry of the plugin: adds the provider, and takes it away again."""

from __future__ import annotations

from qgis.core import QgsApplication


class TurnrowPlugin:
    """Adds Turnrow's algorithms to Processing."""

    def __init__(self, iface):
        self.iface = iface
        self.provider = None

    def initProcessing(self):  # noqa: N802 (names fixed by QGIS)
        """Add the provider; called alone where there is no window."""
        from ..processing_provider.provider import TurnrowProvider

        self.provider = TurnrowProvider()
        if not QgsApplication.processingRegistry().addProvider(self.provider):
            self.provider = None
            return
        # Models find their steps only once the provider is registered.
        self.provider.refreshAlgorithms()

    def initGui(self):  # noqa: N802
        """Start in the desktop."""
        self.initProcessing()

    def unload(self):
        """Leave nothing behind."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None

"""The provider: what stands in the toolbox."""

from __future__ import annotations

import logging
from pathlib import Path

from qgis.core import QgsApplication, QgsProcessingAlgorithm, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithms.alignopposing import AlignOpposing
from .algorithms.balancegrids import BalanceGrids
from .algorithms.balancetraverses import BalanceTraverses
from .algorithms.comparenotes import CompareNotes
from .algorithms.eveningcheck import EveningCheck
from .algorithms.flagoutliers import FlagOutliers
from .algorithms.interpolatereadings import InterpolateReadings
from .algorithms.mapsheet import MapSheet
from .algorithms.placereadings import PlaceReadings
from .algorithms.processregister import ProcessRegister
from .algorithms.readlog import ReadLog
from .algorithms.splitresponse import SplitResponse
from .base import ICON, MessageLog
from .language import tr
from .ready_model import ReadyModel

MODELS = Path(__file__).with_name("models")
ALGORITHMS = (
    ReadLog,
    CompareNotes,
    PlaceReadings,
    FlagOutliers,
    AlignOpposing,
    BalanceTraverses,
    BalanceGrids,
    InterpolateReadings,
    SplitResponse,
    MapSheet,
    EveningCheck,
    ProcessRegister,
)


class TurnrowProvider(QgsProcessingProvider):
    """Turnrow's algorithms."""

    def __init__(self) -> None:
        super().__init__()
        logging.getLogger("turnrow").handlers = [MessageLog()]

    def id(self) -> str:
        return "turnrow"

    def name(self) -> str:
        return "Turnrow"

    def longName(self) -> str:  # noqa: N802 (name fixed by QGIS)
        return tr("Turnrow: electromagnetic surveys over archaeological sites")

    def icon(self) -> QIcon:
        return QIcon(str(ICON))

    def svgIconPath(self) -> str:  # noqa: N802
        return str(ICON)

    def supportedOutputRasterLayerExtensions(self) -> list[str]:  # noqa: N802
        return ["tif"]

    def loadAlgorithms(self) -> None:  # noqa: N802
        for algorithm in ALGORITHMS:
            self._add(algorithm(), algorithm.NAME)
        # Models find their steps only in a provider that is registered: the plugin refreshes it then.
        if QgsApplication.processingRegistry().providerById(self.id()) is not self:
            return
        for path in sorted(MODELS.glob("*.model3")):
            model = ReadyModel()
            if not model.read(path):
                raise RuntimeError(f"QGIS cannot read the model {path.name}")
            self._add(model, path.name)

    def _add(self, algorithm: QgsProcessingAlgorithm, name: str) -> None:
        if not self.addAlgorithm(algorithm):
            raise RuntimeError(f"QGIS refused the algorithm {name}: its id is there already")

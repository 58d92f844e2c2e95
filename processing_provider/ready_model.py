"""The ready-made models: they come in the person's language and stand among the algorithms of their group."""

from __future__ import annotations

from pathlib import Path

from qgis.core import QgsProcessingModelAlgorithm

from .base import help_url
from .language import tr

MAKER = "ALG_CREATOR"
"""What in the help of a model is a name."""
TITLES = {
    "Map one grid": "One grid: log to map",
    "Register to map sheet": "Site: register to map sheet",
    "Many files of one layout": "Many files of one layout",
}
"""What stands in the toolbox, by the name that commands and models know."""


class ReadyModel(QgsProcessingModelAlgorithm):
    """A model from a file, which has everything in English."""

    def read(self, path: Path) -> bool:
        """Read the model; return whether QGIS could. Its steps must be registered, or it stays without them."""
        return self.fromFile(str(path)) and self._translated()

    def _translated(self) -> bool:
        for definition in self.parameterDefinitions():
            definition.setDescription(tr(definition.description()))
            definition.setHelp(tr(definition.help()))
        self.setHelpContent({part: said if part == MAKER else tr(said) for part, said in self.helpContent().items()})
        return True

    def createInstance(self) -> ReadyModel:  # noqa: N802 (names fixed by QGIS from here on)
        model = ReadyModel()
        model.loadVariant(self.toVariant())
        model._translated()
        model.setProvider(self.provider())
        return model

    def displayName(self) -> str:  # noqa: N802
        title = TITLES[self.name()]
        return tr(title)

    def helpUrl(self) -> str:  # noqa: N802
        return help_url("start")

    def group(self) -> str:
        return tr(super().group())

    def groupId(self) -> str:  # noqa: N802
        # From a file both are the same, and the toolbox would show the group a second time.
        return super().group().lower()

"""Writes site.qgz: the processed sample with the excavation plan on top. Usage: make_project.py OUT PROJECT."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

from qgis.core import QgsApplication, QgsFillSymbol, QgsProject, QgsSingleSymbolRenderer, QgsVectorLayer

ROOT = Path(__file__).resolve().parents[1]


def package() -> None:
    """Register the checkout as the package ``turnrow``."""
    inside = [str(ROOT)]
    spec = importlib.util.spec_from_file_location("turnrow", ROOT / "__init__.py", submodule_search_locations=inside)
    sys.modules["turnrow"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules["turnrow"])


def main(out: Path, project: Path) -> None:
    """Copy the project of the run, with the plan added and every path relative to its new place."""
    package()
    from turnrow.processing_provider.bridge.project.project import with_layers

    plan = QgsVectorLayer(str(ROOT / "sample_project" / "excavation_plan.geojson"), "Excavation plan", "ogr")
    style = {"color": "255,255,255,0", "outline_color": "#b3261e", "outline_width": "0.5"}
    plan.setRenderer(QgsSingleSymbolRenderer(QgsFillSymbol.createSimple(style)))
    with_layers(out / "site.qgz", project, [plan])


if __name__ == "__main__":
    application = QgsApplication([], False)
    application.initQgis()
    main(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve())
    QgsProject.instance().clear()
    application.exitQgis()

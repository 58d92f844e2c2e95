"""Whether algorithms ask, also while they read and write, if they are to stop; and what they leave when they do."""

from pathlib import Path

import numpy as np
import pytest
from qgis.core import QgsFeatureRequest, QgsProcessingContext, QgsProcessingFeedback, QgsProject, QgsVectorLayer
from turnrow.processing_provider.bridge.vector import layers

SCHEME = {"GRID": "A", "LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}
READINGS = 12 * 38
AT_ONCE = 20


class Questions(QgsProcessingFeedback):
    """Counts the questions, and says yes to one of them; keeps the progress."""

    def __init__(self, stop_at=-1):
        super().__init__(False)
        self.asked, self.stop_at, self.percents = 0, stop_at, []
        self.progressChanged.connect(self.percents.append)

    def isCanceled(self):  # noqa: N802 (name fixed by QGIS)
        self.asked += 1
        return 0 <= self.stop_at < self.asked


@pytest.fixture
def run(turnrow_provider, monkeypatch, qgis_new_project):
    """Run an algorithm that handles few rows at once; return its results and how it asked."""
    monkeypatch.setattr(layers, "ROWS_AT_ONCE", AT_ONCE)

    def call(name, stop_at=-1, **parameters):
        feedback, context = Questions(stop_at), QgsProcessingContext()
        context.setProject(QgsProject.instance())
        results, good = turnrow_provider.algorithm(name).run(parameters, context, feedback, {}, False)
        assert good
        return results, feedback

    return call


@pytest.fixture
def placed(run, survey_files):
    """Readings of grid A on the ground, in a file."""
    folder = survey_files.folder
    run("readlog", LOG=[str(folder / "A.csv")], GRID="A", OUTPUT=str(folder / "log.gpkg"))
    run("placereadings", INPUT=str(folder / "log.gpkg"), CORNERS=str(folder / "corners.csv"),
        TARGET_CRS="EPSG:32631", OUTPUT=str(folder / "placed.gpkg"), **SCHEME)  # fmt: skip
    return folder / "placed.gpkg"


@pytest.mark.parametrize("name", ["flagoutliers", "alignopposing", "balancetraverses", "balancegrids"])
def test_corrections_ask_with_every_part_that_they_write(run, placed, tmp_path, name):
    _, feedback = run(name, INPUT=str(placed), OUTPUT=str(tmp_path / "out.gpkg"))
    assert feedback.asked > READINGS / AT_ONCE
    assert feedback.percents == sorted(feedback.percents)
    assert np.diff(feedback.percents).max() < 30


def test_a_layer_in_memory_is_read_with_questions(run, placed):
    layer = QgsVectorLayer(str(placed), "placed", "ogr")
    memory = layer.materialize(QgsFeatureRequest())
    QgsProject.instance().addMapLayer(memory)
    _, feedback = run("flagoutliers", INPUT=memory.id(), OUTPUT="memory:")
    # Once for every part that is read, and once for every part that is written.
    assert feedback.asked > 2 * READINGS / AT_ONCE


def test_what_is_cancelled_while_it_writes_leaves_no_file(run, placed, tmp_path):
    _, feedback = run("flagoutliers", INPUT=str(placed), OUTPUT=str(tmp_path / "whole.gpkg"))
    assert (tmp_path / "whole.gpkg").is_file()
    for ending in ("gpkg", "shp", "csv"):
        results, stopped = run(
            "flagoutliers", feedback.asked - 3, INPUT=str(placed), OUTPUT=str(tmp_path / f"a.{ending}")
        )
        assert (results, stopped.asked) == ({}, feedback.asked - 2)
    assert sorted(path.name for path in tmp_path.glob("a.*")) == []


def test_rasters_of_a_run_that_is_cancelled_go(run, placed, tmp_path):
    both = {"OUTPUT": str(tmp_path / "map.tif"), "STANDARD_ERROR": str(tmp_path / "se.tif")}
    _, feedback = run("interpolatereadings", INPUT=str(placed), CHANNEL="cond", CELL_SIZE=0.25, **both)
    made = {path.name for path in tmp_path.iterdir()} & {"map.tif", "map.qml", "se.tif", "se.qml"}
    assert made == {"map.tif", "map.qml", "se.tif", "se.qml"}
    for path in both.values():
        Path(path).unlink()
    # The last question is asked before the block of the standard error is written, when the map is there.
    run("interpolatereadings", feedback.asked - 1, INPUT=str(placed), CHANNEL="cond", CELL_SIZE=0.25, **both)
    assert not (tmp_path / "map.tif").exists()
    assert not (tmp_path / "map.qml").exists()
    assert not (tmp_path / "se.tif").exists()


def test_a_table_in_a_database_is_written_to_its_end(run, placed, tmp_path):
    run("flagoutliers", INPUT=str(placed), OUTPUT=str(tmp_path / "site.gpkg"))
    into = f"ogr:dbname='{tmp_path / 'site.gpkg'}' table=\"again\" (geom)"
    _, feedback = run("flagoutliers", INPUT=str(placed), OUTPUT=into)
    # It is asked before the table is begun, and not afterwards: half a table could not be told from a whole one.
    assert feedback.asked < READINGS / AT_ONCE
    assert QgsVectorLayer(f"{tmp_path / 'site.gpkg'}|layername=again", "again", "ogr").featureCount() == READINGS


def test_a_whole_survey_goes_evenly_to_its_end(run, survey_files):
    _, feedback = run("processregister", **survey_files.parameters())
    percents = np.array(feedback.percents)
    assert (np.diff(percents) >= 0).all()
    assert percents[-1] == pytest.approx(100)
    assert np.diff(percents, prepend=0).max() < 7

"""A fault of the program ends the grid or the channel that it happened in: the others are finished, in a sentence."""

import importlib
import logging

import pytest
from osgeo import ogr
from qgis.core import QgsApplication, QgsProcessingException, QgsProcessingFeedback

WORKFLOW = "turnrow.processing_provider.engine.workflow"
READ, PROCESS, MAPS, SEARCH = (
    importlib.import_module(f"{WORKFLOW}.{name}") for name in ("read_survey", "process_survey", "maps", "late_search")
)
RECIPE = importlib.import_module(f"{WORKFLOW}.recipe")

pytestmark = pytest.mark.usefixtures("turnrow_provider")


def faulty(work, is_wrong):
    """Return ``work``, but with a fault for some of what it is given."""

    def broken(*given, **options):
        if is_wrong(*given):
            raise ZeroDivisionError("a fault")
        return work(*given, **options)

    return broken


@pytest.fixture
def messages():
    """What goes into the message log meanwhile."""
    kept = []
    received = QgsApplication.messageLog().messageReceived[str, str, "Qgis::MessageLevel"]

    def keep(text, tag, level):
        kept.append((tag, text))

    received.connect(keep)
    yield kept
    received.disconnect(keep)


def run(files):
    from qgis import processing

    feedback = QgsProcessingFeedback()
    result = processing.run("turnrow:processregister", files.parameters(), feedback=feedback)
    source = ogr.Open(str(files.output / "survey.gpkg"))
    found = {(f["grid"], f["code"]): f["found"] for f in source.GetLayerByName("findings")}
    assert "Traceback" not in feedback.textLog()
    assert "Traceback" not in (files.output / "report.html").read_text("utf-8")
    return result, found


def test_a_grid_that_cannot_be_placed(survey_files, monkeypatch, caplog):
    broken = faulty(READ.place_readings, lambda readings, *_: readings.grids == ("A",))
    monkeypatch.setattr(READ, "place_readings", broken)
    with caplog.at_level(logging.ERROR, "turnrow"):
        result, found = run(survey_files)
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (1, 1)
    assert found["A", "grid-failed"].startswith("Grid A ended with a fault of the program (ZeroDivisionError).")
    assert "Traceback" in caplog.text


def test_a_grid_whose_readings_end_the_corrections(survey_files, monkeypatch):
    step = RECIPE.CORRECTIONS["balancetraverses"]
    broken = faulty(step.on_store, lambda grids: "A" in grids.names)
    monkeypatch.setattr(step, "on_store", broken, raising=False)
    result, found = run(survey_files)
    assert (result["GRIDS_DONE"], result["GRIDS_FAILED"]) == (1, 1)
    assert found["A", "grid-failed"].startswith("The corrections of grid A ended with a fault")


def test_corrections_that_end_for_every_grid(survey_files, monkeypatch):
    step = RECIPE.CORRECTIONS["balancetraverses"]
    monkeypatch.setattr(step, "on_store", faulty(step.on_store, lambda grids: True), raising=False)
    with pytest.raises(QgsProcessingException, match="The corrections ended with a fault of the program"):
        run(survey_files)
    assert not survey_files.output.exists()


def test_a_grid_in_which_mistakes_cannot_be_searched(survey_files, monkeypatch):
    broken = faulty(SEARCH.possible_mistakes, lambda part, *_: part.grids == ("A",))
    monkeypatch.setattr(SEARCH, "possible_mistakes", broken)
    result, found = run(survey_files)
    assert result["GRIDS_DONE"] == 2
    assert found["A", "not-searched"].startswith("The search for possible mistakes in grid A ended with a fault")


def test_a_channel_that_cannot_be_mapped_is_all_there_is(survey_files, monkeypatch):
    monkeypatch.setattr(MAPS, "interpolate_grids", faulty(MAPS.interpolate_grids, lambda *_: True))
    with pytest.raises(QgsProcessingException, match="No channel could be mapped.*fault of the program"):
        run(survey_files)


def test_a_fault_anywhere_else_is_one_sentence_and_a_traceback_in_the_message_log(survey_files, monkeypatch, messages):
    monkeypatch.setattr(PROCESS, "check_channels", faulty(PROCESS.check_channels, lambda *_: True))
    with pytest.raises(QgsProcessingException, match="Process a survey register ended with a fault") as ended:
        run(survey_files)
    assert "Traceback" not in str(ended.value)
    assert any(tag == "Turnrow" and "Traceback" in text and "a fault" in text for tag, text in messages)


def test_memory_that_does_not_suffice_is_reported_as_that(survey_files, monkeypatch):
    def full(*_, **__):
        raise MemoryError

    monkeypatch.setattr(READ, "read_log", full)
    with pytest.raises(QgsProcessingException, match="Grid A ended because memory ran out"):
        run(survey_files)

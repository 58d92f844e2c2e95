"""The ready-made models: run from the dialog and in batch, opened and edited in the graphical modeler."""

from pathlib import Path

from _desktop import CRS, NAME, OUT, TABLES, answer_next, fresh_project, need, picture, run_dialog, shut, until, wait
from _styles import tables
from qgis.core import QgsApplication, QgsProcessingModelAlgorithm, QgsRasterLayer, QgsVectorLayer
from qgis.PyQt.QtWidgets import QAction, QDialogButtonBox, QFileDialog, QLineEdit
from qgis.utils import iface

ONE, SITE, MANY = (f"{NAME}:{name}" for name in ("Map one grid", "Register to map sheet", "Many files of one layout"))
LAYOUT = str(TABLES / "layouts" / "semicolon.json")


def log_of(grid):
    return str(TABLES / "logs" / f"plot_{grid.lower()}.csv")


def one_grid(grid, length=20.0):
    """What the model for one grid is given, and where its outputs go."""
    folder = OUT / "models"
    folder.mkdir(exist_ok=True)
    return {
        "LOG": [log_of(grid)], "LAYOUT": LAYOUT, "GRID": grid, "CHANNEL": "eca_10", "LENGTH": length, "WIDTH": 18.0,
        "SPACING": 0.6, "READINGS_PER_METRE": 5.0, "CORNERS": str(TABLES / "corners.csv"),
        "NOTES": str(TABLES / "notes.csv"), "TARGET_CRS": CRS, "interpolate:Map": str(folder / f"{grid}.tif"),
        "balance:Readings": str(folder / f"{grid}.gpkg"), "compare:Findings": str(folder / f"{grid}_findings.gpkg"),
    }  # fmt: skip


def written(grid):
    """Whether the files of a grid are there and can be opened."""
    given = one_grid(grid)
    layers = QgsRasterLayer(given["interpolate:Map"]), QgsVectorLayer(given["balance:Readings"])
    return all(layer.isValid() for layer in layers) and layers[1].featureCount() > 0


def by_dialog():
    """Each model from its dialog; the one for the site goes from the register to a sheet."""
    run_dialog(ONE, one_grid("A"), "model_one")
    need(written("A"), "the model wrote nothing for grid A")
    iface.mapCanvas().zoomToFullExtent()
    wait(1000)
    iface.messageBar().clearWidgets()
    picture(iface.mainWindow(), "model_one_loaded")
    sheet, folder = OUT / "models" / "sheet.pdf", OUT / "models" / "site"
    run_dialog(SITE, {
        **tables(), "CHANNEL": "eca_10", "SITE": "Long Acre", "SCALE": "1:500", "OUTPUT_FOLDER": str(folder),
        "sheet:Sheet": str(sheet),
    }, "model_site")  # fmt: skip
    need(sheet.is_file() and (folder / "site_eca_10.tif").is_file(), "the model for the site wrote nothing")
    run_dialog(MANY, {"LOG": [log_of("A"), log_of("B")], "LAYOUT": LAYOUT}, "model_many")


def in_batch():
    """Two grids in the rows of the batch panel."""
    from processing.gui.BatchAlgorithmDialog import BatchAlgorithmDialog
    from processing.tools.dataobjects import createContext

    rows = {"B": one_grid("B"), "D": one_grid("D", 24.0)}
    algorithm = QgsApplication.processingRegistry().createAlgorithmById(ONE)
    dialog = BatchAlgorithmDialog(algorithm, parent=iface.mainWindow())
    dialog.resize(1400, 600)
    dialog.show()
    panel, context = dialog.mainWidget(), createContext()
    panel.addRow()
    for row, parameters in enumerate(rows.values()):
        for name, value in parameters.items():
            column = panel.parameter_to_column[name]
            if algorithm.parameterDefinition(name).isDestination():
                panel.tblParameters.cellWidget(row + 1, column).setValue(value)
            else:
                panel.wrappers[row][column].setParameterValue(value, context)
    picture(dialog, "model_batch")
    dialog.runButton().click()
    until(lambda: all(written(grid) for grid in rows), "both rows are done")
    picture(dialog, "model_batch_log")
    shut(dialog)


def designed(name, short):
    """Open a model in the graphical modeler, change a step, have it checked, keep a copy in the profile."""
    from processing.modeler.ModelerDialog import ModelerDialog

    model = QgsApplication.processingRegistry().algorithmById(name)
    designer = ModelerDialog.create(model)
    designer.resize(1500, 950)
    designer.show()
    wait(300)
    picture(designer, f"modeler_{short}")
    step = next(iter(designer.model().childAlgorithms()))
    designer.beginUndoCommand("Rename a step")
    designer.model().childAlgorithm(step).setDescription("Renamed here")
    designer.repaintModel()
    designer.endUndoCommand()
    need(designer.windowTitle().startswith("*"), f"the modeler took no change: {designer.windowTitle()}")
    designer.findChild(QAction, "mActionValidate").trigger()
    picture(designer, f"modeler_{short}_checked")
    valid, faults = designer.model().validate()
    need(valid, f"{name} is not valid in the modeler: {faults}")
    folder = QgsApplication.processingRegistry().providerById("model")
    copy = keep_copy(designer, f"copy_{short}")
    need(QgsProcessingModelAlgorithm().fromFile(copy), f"the copy of {name} cannot be read")
    designer.close()
    folder.refreshAlgorithms()
    kept = [a for a in folder.algorithms() if a.sourceFilePath() == copy]
    need(len(kept) == 1, f"the copy of {name} does not stand in the toolbox")
    steps = [kept[0].childAlgorithm(s).description() for s in kept[0].childAlgorithms()]
    need("Renamed here" in steps, f"the copy has lost the change: {steps}")
    need(kept[0].canExecute()[0], f"the copy of {name} cannot run: {kept[0].canExecute()[1]}")
    Path(copy).unlink()
    folder.refreshAlgorithms()


def keep_copy(designer, name):
    """Save under another name in the folder that the modeler proposes; return the file."""
    found = []

    def answer(dialog):
        found.append(dialog.directory().filePath(f"{name}.model3"))
        dialog.findChild(QLineEdit, "fileNameEdit").setText(found[0])
        picture(dialog, "modeler_keep")
        dialog.findChild(QDialogButtonBox).button(QDialogButtonBox.StandardButton.Save).click()

    answer_next(QFileDialog, answer)
    designer.saveModel(True)
    return found[0]


def models():
    """Try the models in every way that QGIS has."""
    fresh_project()
    by_dialog()
    in_batch()
    for name, short in ((ONE, "one"), (SITE, "site"), (MANY, "many")):
        designed(name, short)
    fresh_project()

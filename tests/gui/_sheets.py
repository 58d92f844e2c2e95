"""Map sheets from the toolbox's dialog: at a stated scale and fitting, raw beside corrected, a page a grid."""

import time

import numpy as np
from _desktop import NAME, OUT, SURVEY, fresh_project, need, picture, run_dialog, say, until, wait
from osgeo import gdal
from qgis.core import QgsLayoutItemMap, QgsProject
from qgis.PyQt.QtWidgets import QDialog
from qgis.utils import iface

ALGORITHM = f"{NAME}:mapsheet"
MM_AN_INCH, POINTS_AN_INCH = 25.4, 72
A3_MM, A4_MM = (420.0, 297.0), (297.0, 210.0)
"""Long and short side (ISO 216)."""
LEAST_SPREAD = 5.0
"""Standard deviation of the lightness (0 to 255); a blank page has none."""
PLAN = SURVEY.parent / "excavation_plan.geojson"


def maps(ending="", channels=("eca_10",)):
    return [str(SURVEY / f"site_{channel}{ending}.tif") for channel in channels]


def grids():
    return f"{SURVEY / 'survey.gpkg'}|layername=grids"


def made(name, parameters):
    """Run the dialog; return the layout that the project has now, and the file."""
    before = set(QgsProject.instance().layoutManager().layouts())
    kind = parameters.pop("kind", "pdf")
    path, started = OUT / f"{name}.{kind}", time.process_time()
    run_dialog(ALGORITHM, {"SITE": "Long Acre", **parameters, "OUTPUT": str(path)}, name)
    say(f"sheet {name}: {time.process_time() - started:.1f} s of the processor")
    new = [la for la in QgsProject.instance().layoutManager().layouts() if la not in before]
    need(len(new) == 1, f"{len(new)} layouts are new in the project")
    return new[0], path


def frames(layout):
    """The maps of a layout."""
    return [item for item in layout.items() if isinstance(item, QgsLayoutItemMap)]


def in_designer(layout, name):
    """Open the layout as a person does, and look at it."""
    designer = iface.openLayoutDesigner(layout)
    window = designer.window()
    window.resize(1500, 950)
    wait(300)
    designer.view().zoomFull()
    wait(300)
    until(lambda: not any(item.isDrawing() for item in frames(layout)), "the maps of the layout are drawn")
    picture(window, f"{name}_designer")
    designer.close()
    wait(200)


def render(path, name, sides_mm):
    """Hold the pages of a PDF against the paper and see that none is blank; keep a picture of the first."""
    first = gdal.Open(str(path))
    need(first is not None, f"{path.name} cannot be opened")
    pages = [path_ for path_, _ in first.GetSubDatasets()] or [str(path)]
    for number, page in enumerate(pages):
        _check_page(gdal.OpenEx(page, open_options=["DPI=110"]), f"{name}_page{number + 1}", sides_mm, 110)
    return len(pages)


def _check_page(page, name, sides_mm, dots_per_inch):
    size_mm = [side * MM_AN_INCH / dots_per_inch for side in (page.RasterXSize, page.RasterYSize)]
    off = np.abs(np.sort(size_mm) - np.sort(sides_mm)).max()
    # A PDF gives its pages in points, and a picture has whole dots.
    need(off <= MM_AN_INCH / POINTS_AN_INCH + MM_AN_INCH / dots_per_inch, f"{name} is {size_mm} mm")
    bands = page.ReadAsArray()[:3]
    need(float(bands.mean(axis=0).std()) > LEAST_SPREAD, f"{name} is blank")
    picture_of = gdal.GetDriverByName("MEM").Create("", page.RasterXSize, page.RasterYSize, 3)
    picture_of.WriteArray(bands)
    gdal.GetDriverByName("PNG").CreateCopy(str(OUT / f"{name}.png"), picture_of)


def at_stated_scale():
    """Raw and corrected side by side at 1:500."""
    layout, path = made("sheet_scale", {
        "INPUT": maps(), "COMPARE": maps("_raw"), "GRIDS": grids(), "OVERLAYS": [str(PLAN)], "SCALE": "1:500",
        "PAPER": "A3", "TITLE": "Raw and corrected",
    })  # fmt: skip
    found = frames(layout)
    need(len(found) == 2, f"{len(found)} maps stand side by side")
    need(all(abs(item.scale() / 500 - 1) < 1e-6 for item in found), f"scales: {[i.scale() for i in found]}")
    colours = [item.layers()[-1].renderer() for item in found]
    ranges = {(c.classificationMin(), c.classificationMax()) for c in colours}
    need(len(ranges) == 1, f"the two have colours of their own: {ranges}")
    in_designer(layout, "sheet_scale")
    need(render(path, "sheet_scale", A3_MM) == 1, "one sheet has several pages")


def fitting():
    """Three channels on one page at the largest scale that fits."""
    channels = ("eca_05", "eca_10", "inphase_10")
    layout, path = made("sheet_fit", {"INPUT": maps("", channels), "GRIDS": grids(), "PAPER": "A3"})
    found = frames(layout)
    need(len(found) == 3, f"{len(found)} maps")
    for item in found:
        need(item.extent().contains(item.layers()[-1].extent()), f"{item.id()} is cut off")
    in_designer(layout, "sheet_fit")
    need(render(path, "sheet_fit", A3_MM) == 1, "one sheet has several pages")


def as_picture():
    """A PNG with 300 dots per inch."""
    _, path = made("sheet_picture", {"INPUT": maps(), "GRIDS": grids(), "PAPER": "A4", "kind": "png"})
    _check_page(gdal.Open(str(path)), "sheet_picture_png", A4_MM, 300)
    path.unlink()


def page_a_grid():
    """An atlas over the grids, as one PDF."""
    layout, path = made("sheet_pages", {
        "INPUT": maps(), "COMPARE": maps("_raw"), "GRIDS": grids(), "EACH_GRID": True, "PAPER": "A3", "SCALE": "1:250",
    })  # fmt: skip
    need(layout.atlas().enabled() and layout.atlas().updateFeatures() == 9, "the atlas has not a page a grid")
    in_designer(layout, "sheet_pages")
    need(render(path, "sheet_pages", A3_MM) == 9, "the PDF has not a page a grid")


def in_manager():
    """The layouts stand in the layout manager, each under a name of its own."""
    names = [la.name() for la in QgsProject.instance().layoutManager().layouts()]
    need(len(names) == len(set(names)) == 4, f"layouts: {names}")
    iface.actionShowLayoutManager().trigger()
    wait(300)
    manager = next(w for w in iface.mainWindow().findChildren(QDialog) if w.isVisible())
    picture(manager, "sheet_manager")
    manager.close()


def sheets():
    """Make every kind of sheet."""
    fresh_project()
    at_stated_scale()
    fitting()
    as_picture()
    page_a_grid()
    in_manager()
    fresh_project()

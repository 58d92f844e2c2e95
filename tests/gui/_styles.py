"""Every output of a processed survey as it comes into the project: groups, names, renderers, legends, pictures."""

from _desktop import CRS, NAME, OUT, TABLES, Heartbeat, drawn, fresh_project, need, picture, run_dialog, say, until
from qgis.core import QgsColorRampLegendNode, QgsProject, QgsRasterLayer, QgsWkbTypes
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QDockWidget
from qgis.utils import iface, plugins

RENDERERS = {
    "Findings": "categorizedSymbol", "Corners": "singleSymbol", "Grids": "singleSymbol", "Traverses": "singleSymbol",
    "Readings": "RuleRenderer",
}  # fmt: skip
LEGENDS = {"Findings": ["error", "warning", "note"], "Readings": ["in use", "outlying", "out of use"]}
UNITS = {"eca_10": "mS/m", "eca_05": "mS/m", "inphase_10": "ppt"}
GROUPS = ("As logged", "Standard errors", "Single grids")
GRIDS = "ABCDEFGHI"
NEAR = 400
"""Scale at which single readings are seen."""


def tables():
    """The parameters of a run over the sample survey."""
    return {
        "REGISTER": str(TABLES / "register.csv"), "CORNERS": str(TABLES / "corners.csv"),
        "NOTES": str(TABLES / "notes.csv"), "LOG_FOLDER": str(TABLES), "TARGET_CRS": CRS,
    }  # fmt: skip


def arrive():
    """Process the survey from the dialog in the background, while the window goes on."""
    folder = OUT / "survey"
    with Heartbeat() as heart:
        QgsProject.instance().layerWasAdded.connect(heart.set_apart)
        run_dialog(f"{NAME}:processregister", {**tables(), "OUTPUT_FOLDER": str(folder)}, "process")
        QgsProject.instance().layerWasAdded.disconnect(heart.set_apart)
    say(f"QGIS adds {len(QgsProject.instance().mapLayers())} layers at once: {heart.apart:.2f} s")
    heart.report("a survey is processed")


def layers_of(group):
    return {node.name(): node.layer() for node in group.findLayers()}


def legend(layer):
    """The texts of a layer's legend, and of its colour bar."""
    model = iface.layerTreeView().layerTreeModel()
    nodes = model.layerLegendNodes(QgsProject.instance().layerTreeRoot().findLayer(layer.id()))
    bars = [n for n in nodes if isinstance(n, QgsColorRampLegendNode)]
    return [n.data(Qt.ItemDataRole.DisplayRole) for n in nodes if n not in bars], bars


def stand_in_groups(site):
    """Names and groups of the layers, and the order of the tables."""
    inner = {group.name(): list(layers_of(group)) for group in site.findGroups()}
    need(sorted(inner) == sorted(GROUPS), f"groups: {list(inner)}")
    need(inner["As logged"] == [f"{c}, as logged" for c in UNITS], f"as logged: {inner['As logged']}")
    need(inner["Standard errors"] == [f"{c}, standard error" for c in UNITS], f"{inner['Standard errors']}")
    own = [node.name() for node in site.children() if node.name() not in GROUPS]
    need(own == [*RENDERERS, *(f"{c}, whole site" for c in UNITS)], f"layers of the survey: {own}")
    for name in inner["Single grids"]:
        channel, _, grid = name.partition(", grid ")
        need(channel in UNITS and grid in GRIDS, f"a map is called {name}")


def are_coloured(layers):
    """Rasters by value with their unit; tables by their renderer and the words of their legend."""
    for name, layer in layers.items():
        kind = layer.renderer().type()
        texts, bars = legend(layer)
        if isinstance(layer, QgsRasterLayer):
            need(kind == "singlebandpseudocolor" and len(bars) == 1, f"{name} is drawn as {kind}")
            unit = UNITS[name.split(",")[0]]
            need(bars[0].settings().suffix() == f" {unit}", f"the bar of {name}: {bars[0].settings().suffix()}")
        else:
            need(kind == RENDERERS[name], f"{name} is drawn as {kind}")
            wanted = LEGENDS.get(name)
            need(wanted is None or texts == wanted, f"the legend of {name}: {texts}")
    line = layers["Traverses"].renderer().symbol()
    need(line.symbolLayerCount() == 2, "the traverses have no arrows")
    need(layers["Grids"].labelsEnabled() and layers["Grids"].labeling().settings().fieldName == "grid", "no names")


def show_only(names, near=False):
    """Show some layers of the survey and nothing else, with their legends open; the site, or a grid from near."""
    root, canvas = QgsProject.instance().layerTreeRoot(), iface.mapCanvas()
    for node in root.findLayers():
        wanted = node.name() in names
        node.setItemVisibilityChecked(wanted)
        node.setExpanded(wanted)
        if wanted:
            node.setItemVisibilityCheckedParentRecursive(True)
            parent = node.parent()
            parent.setExpanded(True)
    for group in root.findGroups(True):
        if group.name() in GROUPS:
            group.setExpanded(any(node.name() in names for node in group.findLayers()))
    grids = QgsProject.instance().mapLayersByName("Grids")[0]
    if near:
        canvas.setCenter(next(grids.getFeatures("grid = 'B'")).geometry().centroid().asPoint())
        canvas.zoomScale(NEAR)
    else:
        box = grids.extent()
        box.scale(1.1)
        canvas.setExtent(box)
    drawn()


def room_for_the_legend():
    """Give the layers the whole height at the left."""
    window = iface.mainWindow()
    window.findChild(QDockWidget, "Browser").close()
    layers = window.findChild(QDockWidget, "Layers")
    layers.setUserVisible(True)
    window.resizeDocks([layers], [330], Qt.Orientation.Horizontal)


def look_at_each(layers):
    """A picture of each kind of output, with its legend."""
    window = iface.mainWindow()
    iface.messageBar().clearWidgets()
    for channel in UNITS:
        for what in ("whole site", "as logged", "standard error"):
            show_only([f"{channel}, {what}", "Grids"])
            picture(window, f"style_{channel}_{what.split()[-1]}")
    show_only(["eca_10, grid B", "eca_10, grid E", "Grids"])
    picture(window, "style_single_grids")
    show_only(["Traverses", "Grids", "Corners"])
    picture(window, "style_traverses")
    show_only(["Findings", "Grids", "eca_10, whole site"])
    picture(window, "style_findings")
    show_only(["Traverses", "Grids", "Corners"], near=True)
    picture(window, "style_traverses_near")
    readings = layers["Readings"]
    for style in readings.styleManager().styles():
        readings.styleManager().setCurrentStyle(style)
        if style != "by flag":
            need(readings.renderer().type() == "graduatedSymbol", f"{style}: {readings.renderer().type()}")
            unit = UNITS[style.partition("by ")[2]]
            need(all(text.endswith(unit) for text in legend(readings)[0] if text), f"{style}: {legend(readings)[0]}")
        show_only(["Readings", "Grids"], near=True)
        picture(window, f"style_readings_{style.replace(' ', '_')}")
    need(len(readings.styleManager().styles()) == 1 + len(UNITS), "readings lack a style by value")
    readings.styleManager().setCurrentStyle("by flag")


def ranges(layers):
    """The range of each raster's colours."""
    renderers = {n: la.renderer() for n, la in layers.items() if isinstance(la, QgsRasterLayer)}
    return {n: (r.classificationMin(), r.classificationMax()) for n, r in renderers.items()}


def same_and_grey(layers):
    """One range for the maps of a channel; greys with the ranges that the colours have, and back."""
    tools, window = plugins[NAME].tools, iface.mainWindow()
    tools.actions["same_colours"].trigger()
    until(lambda: tools.works is not None and not tools.works.names, "the colours are made the same")
    shared = ranges(layers)
    for channel in UNITS:
        found = {r for n, r in shared.items() if n.startswith(f"{channel},") and not n.endswith("standard error")}
        need(len(found) == 1, f"{channel} has {len(found)} ranges")
    show_only(["eca_10, whole site", "Grids"])
    picture(window, "same_colours")
    tools.actions["grey"].trigger()
    for layer in layers.values():
        if isinstance(layer, QgsRasterLayer):
            colours = [i.color for i in layer.renderer().shader().rasterShaderFunction().colorRampItemList()]
            need(all(max(c.getRgb()[:3]) - min(c.getRgb()[:3]) < 16 for c in colours), f"{layer.name()} is not grey")
    need(ranges(layers) == shared, "the greys have other ranges")
    iface.messageBar().clearWidgets()
    show_only(["eca_10, whole site", "Grids"])
    picture(window, "grey_for_print")
    tools.actions["grey"].trigger()
    need(ranges(layers) == shared, "the colours came back with other ranges")


def local_response():
    """The local response comes into the project in colours that part at zero, with the unit of the map."""
    made = OUT / "survey" / "local.tif"
    given = {"INPUT": str(OUT / "survey" / "site_eca_10.tif"), "WIDTH": 8.0, "LOCAL": str(made),
             "REGIONAL": str(OUT / "survey" / "regional.tif")}  # fmt: skip
    run_dialog(f"{NAME}:splitresponse", given, "split")
    until(lambda: any(la.source() == str(made) for la in QgsProject.instance().mapLayers().values()), "it is loaded")
    layer = next(la for la in QgsProject.instance().mapLayers().values() if la.source() == str(made))
    low, high = layer.renderer().classificationMin(), layer.renderer().classificationMax()
    need(abs(low + high) < 1e-6 * high, f"the colours of the local response run from {low} to {high}")
    need(legend(layer)[1][0].settings().suffix() == " mS/m", "the bar of the local response has no unit")
    iface.messageBar().clearWidgets()
    show_only([layer.name(), "Grids"])
    picture(iface.mainWindow(), "style_local_response")


def styles():
    """Process the survey, look at everything that comes of it."""
    fresh_project()
    room_for_the_legend()
    arrive()
    site = QgsProject.instance().layerTreeRoot().children()[0]
    stand_in_groups(site)
    layers = layers_of(site)
    for name, kind in (("Findings", "Point"), ("Traverses", "Line"), ("Grids", "Polygon")):
        drawn_as = QgsWkbTypes.geometryDisplayString(layers[name].geometryType())
        need(drawn_as == kind, f"{name} are drawn as {drawn_as}")
    are_coloured(layers)
    look_at_each(layers)
    same_and_grey(layers)
    local_response()
    fresh_project()

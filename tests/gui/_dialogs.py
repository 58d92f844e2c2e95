"""The toolbox and the dialog of every algorithm: each has its help, and icons stand out from what is behind them."""

from html import unescape

from _desktop import NAME, algorithms, need, open_dialog, picture, shut, wait
from qgis.core import QgsApplication
from qgis.gui import QgsProcessingToolboxTreeView
from qgis.PyQt.QtCore import QSize, Qt
from qgis.PyQt.QtGui import QPalette
from qgis.PyQt.QtWidgets import QDockWidget, QTextBrowser, QWidget
from qgis.utils import iface, plugins

LEAST_CONTRAST = 3.0
"""Between what a sign is drawn with and what is behind it (WCAG 2.1, success criterion 1.4.11)."""
LEAST_PIXELS = 16
"""A stroke across an icon of 16 pixels."""


def toolbox():
    """Show the toolbox with the plugin's group open; return its dock."""
    dock = iface.mainWindow().findChild(QDockWidget, "ProcessingToolbox")
    dock.setUserVisible(True)
    iface.mainWindow().resizeDocks([dock], [380], Qt.Orientation.Horizontal)
    tree = dock.findChild(QgsProcessingToolboxTreeView)
    tree.collapseAll()
    wait(200)
    provider = next(i for i in _children(tree.model()) if i.data() == "Turnrow")
    tree.expand(provider)
    for group in _children(tree.model(), provider):
        tree.expand(group)
    tree.scrollTo(provider, tree.ScrollHint.PositionAtTop)
    return dock, tree, provider


def _children(model, parent=None):
    parents = () if parent is None else (parent,)
    return [model.index(row, 0, *parents) for row in range(model.rowCount(*parents))]


def in_toolbox():
    """Every algorithm stands under a group of the provider, with its name; icons are seen at 16 pixels."""
    dock, tree, provider = toolbox()
    groups = {g.data(): [a.data() for a in _children(tree.model(), g)] for g in _children(tree.model(), provider)}
    shown = sorted(name for names in groups.values() for name in names)
    need(shown == sorted(a.displayName() for a in algorithms()), f"the toolbox shows {shown}")
    picture(dock, "toolbox")
    behind = tree.palette().color(QPalette.ColorRole.Base)
    # A theme that is a style sheet colours the tree past its palette: what is behind is read off the picture.
    behind = tree.viewport().grab().toImage().pixelColor(tree.viewport().width() - 4, tree.viewport().height() - 4)
    icons = {a.displayName(): a.icon() for a in algorithms()}
    icons.update({a.text(): a.icon() for a in (plugins[NAME].action, *plugins[NAME].tools.actions.values())})
    for name, icon in icons.items():
        _can_be_seen(name, icon.pixmap(QSize(16, 16)).toImage(), behind)
    dock.close()


def _can_be_seen(name, image, behind):
    """Hold an icon against the colour behind it."""
    clear = 0
    for x in range(image.width()):
        for y in range(image.height()):
            colour = image.pixelColor(x, y)
            lights = sorted((_luminance(_over(colour, behind)), _luminance(behind.getRgbF()[:3])))
            clear += (lights[1] + 0.05) / (lights[0] + 0.05) >= LEAST_CONTRAST
    need(clear >= LEAST_PIXELS, f"the icon of {name} has {clear} pixels that stand out from {behind.name()}")


def _over(colour, behind):
    opacity = colour.alphaF()
    return [opacity * c + (1 - opacity) * b for c, b in zip(colour.getRgbF()[:3], behind.getRgbF()[:3])]


def _luminance(rgb):
    """Relative luminance (WCAG 2.1)."""
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def with_help():
    """The dialog of every algorithm opens; its help panel says something, and so does the tip of every parameter."""
    for algorithm in algorithms():
        dialog = open_dialog(algorithm.id(), {})
        panel = dialog.findChild(QTextBrowser, "textShortHelp")
        need(panel is not None and panel.isVisible(), f"{algorithm.id()} shows no help")
        said = panel.toPlainText()
        need(len(said.split()) > 20, f"the help of {algorithm.id()} is: {said}")
        need("<" not in said, f"the help of {algorithm.id()} shows marks: {said}")
        tips = [unescape(w.toolTip()) for w in dialog.findChildren(QWidget) if w.toolTip()]
        for row in algorithm.parameterDefinitions():
            need(any(row.help() in tip for tip in tips), f"{algorithm.id()}: no tip for {row.name()}")
        picture(dialog, f"help_{algorithm.name().replace(' ', '_').lower()}")
        shut(dialog)


def dialogs():
    """Look at the toolbox and at every dialog."""
    need(QgsApplication.processingRegistry().providerById(NAME).isActive(), "the provider is not active")
    in_toolbox()
    with_help()

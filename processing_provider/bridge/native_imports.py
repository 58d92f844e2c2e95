"""Libraries that must first be imported in a thread of their own, or QGIS ends without a word."""

from __future__ import annotations

import importlib
import importlib.util
import sys
import threading

LIBRARIES = {"scipy": "scipy.fft", "matplotlib": "matplotlib.ft2font"}
"""By library, a module of it that is built with pybind11."""


def import_apart(library: str) -> None:
    """Import a library built with pybind11 before any of its parts is imported in a thread of QGIS's pool.

    What pybind11 modules share is made with the first of them, and keeps the state of Python in the thread that made
    it. QGIS's threads are used again with another such state, and a module that then takes up the old one ends the
    program (Python 3.12 and later: "non-NULL old thread state"). A thread that ends and is not used again leaves
    nothing behind.
    """
    module = LIBRARIES[library]
    if module not in sys.modules and importlib.util.find_spec(library) is not None:
        apart = threading.Thread(target=importlib.import_module, args=(module,))
        apart.start()
        apart.join()

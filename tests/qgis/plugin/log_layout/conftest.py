"""A log on disk, and the dialog of its layout."""

import numpy as np
import pytest
from turnrow.plugin.log_layout import LayoutDialog, LayoutOf

from ..conftest import until

LINES, STATIONS = 6, 20


def rows_of_a_log(lines=LINES, stations=STATIONS):
    """Rows walked to and fro: line, station, time, conductivity, in-phase."""
    rng = np.random.default_rng(3)
    rows, clock = ["line,station,time,cond (mS/m),inphase [ppt]"], 34200.0
    for line in range(1, lines + 1):
        for station in range(1, stations + 1)[:: 1 if line % 2 else -1]:
            time = f"{int(clock // 3600):02d}:{int(clock % 3600 // 60):02d}:{clock % 60:06.3f}"
            rows.append(f"{line},{station},{time},{rng.normal(12, 3):.2f},{rng.normal(0, 1):.3f}")
            clock += 0.125
        clock += 10
    return rows


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("\n".join([*rows_of_a_log(), ""]))
    return path


@pytest.fixture
def see(qgis_app):
    """Open the dialog of a log, and wait until the log is read; all are closed at the end."""
    opened = []

    def opens(log, layout=None, keep_as=None):
        dialog = LayoutDialog(LayoutOf(log, layout, keep_as))
        dialog.show()
        opened.append(dialog)
        return settled(dialog)

    yield opens
    for dialog in opened:
        dialog.reject()
        dialog.deleteLater()


def settled(dialog):
    """Wait until nothing is read any more."""
    until(lambda: not dialog.works.names)
    return dialog

"""The three log layouts of the sample, as they are written to JSON."""

from __future__ import annotations

from .site import CHANNELS

LAYOUT_CHANNELS = {"semicolon": ("eca_10",), "comma": ("eca_05", "eca_10", "inphase_10"), "fixed": ("eca_10",)}


def layouts() -> dict[str, dict]:
    """Return the three log layouts as they are written to JSON."""
    value = {name: {"role": "channel", "name": name, "unit": c.unit} for name, c in CHANNELS.items()}
    return {
        "semicolon": {
            "name": "Semicolons and decimal commas", "encoding": "utf-8", "delimiter": ";", "decimal": ",",
            "header": True, "missing": ["---"],
            "columns": [
                {"column": "line", "role": "line"}, {"column": "station", "role": "station"},
                {"column": "clock", "role": "time", "format": "%H:%M:%S,%f"},
                {"column": "cond 1.0 m (mS/m)", **value["eca_10"]},
            ],
        },
        "comma": {
            "name": "Two coil spacings and in-phase, several grids in a file", "encoding": "utf-8", "delimiter": ",",
            "decimal": ".", "comment": "#", "header": True, "missing": ["-999"],
            "columns": [
                {"column": "grid", "role": "grid"}, {"column": "line", "role": "line"},
                {"column": "run", "role": "run"}, {"column": "station", "role": "station"},
                {"column": "time", "role": "time", "format": "%Y-%m-%dT%H:%M:%S.%f"},
                {"column": "cond_05", **value["eca_05"]}, {"column": "cond_10", **value["eca_10"]},
                {"column": "inphase_10", **value["inphase_10"]},
            ],
        },
        "fixed": {
            "name": "Fixed columns, a row opens each traverse", "encoding": "utf-8", "widths": [12, 10],
            "decimal": ".", "comment": "!", "header": False, "missing": ["****"],
            "line_start": r"^>LINE +(?P<line>-?\d+) +STATION +(?P<station>-?\d+) +STEP +(?P<step>-?\d+)"
            r" +CLOCK +(?P<time>[\d:.]+)",
            "mark": "^=MARK",
            "columns": [
                {"column": 1, "role": "time", "format": "%H:%M:%S.%f"},
                {"column": 2, **value["eca_10"]},
            ],
        },
    }  # fmt: skip

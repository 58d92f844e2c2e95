"""Longitudes and latitudes as receivers write them."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import layout_from_json, read_log
from turnrow.processing_provider.engine.logs.fields import degrees_of
from turnrow.tests.engine.logs.log_files import write

ROWS = [(1, 1, 20.1), (1, 2, 20.2), (1, 3, 20.3), (2, 3, 20.4), (2, 2, 20.5), (2, 1, 20.6)]


def positions(tmp_path, names, lat, lon):
    head = f"line,station,{names},cond"
    readings = read_log(write(tmp_path, head, *[f"{n},{s},{lat},{lon},{c}" for n, s, c in ROWS])).readings
    assert list(readings.channels) == ["cond"]
    return [readings.extras.get(role, np.array([np.nan]))[0] for role in ("latitude", "longitude")]


# 48 deg 06.5 min = 48.108333 deg; 11 deg 30.25 min = 11.504167 deg (by hand).
@pytest.mark.parametrize(("names", "lat", "lon", "wanted"), [
    ("lat,ns,lon,ew", "4806.5,N", "01130.25,E", (48.1083333, 11.5041667)),
    ("lat,ns,lon,ew", "4806.5,S", "01130.25,W", (-48.1083333, -11.5041667)),
    ("lat,lon", "4806.5N", "01130.25W", (48.1083333, -11.5041667)),
    ("lat,lon", "0006.5", "00030.0", (0.1083333, 0.5)),
    ("lat,lon", "-48.5", "11.25", (-48.5, 11.25)),
    ("lat,ns,lon,ew", "48.5,S", "11.25,E", (-48.5, 11.25)),
    ("lat,lon", "48°06'30\"N", "11°30'15.0\"W", (48.1083333, -11.5041667)),
    ("lat,lon", "5331234.5", "691234.5", (np.nan, np.nan)),
], ids=str)  # fmt: skip
def test_notations_of_positions(tmp_path, names, lat, lon, wanted):
    np.testing.assert_allclose(positions(tmp_path, names, lat, lon), wanted, rtol=0, atol=1e-7)


@pytest.mark.parametrize("text", ["48°61'N", "N48S", "abc", "", "4 8 1 2"])
def test_no_position(text):
    assert degrees_of(text) is None


def test_a_format_that_positions_cannot_have():
    columns = '[{"column": 1, "role": "latitude", "format": "dms"}, {"column": 2, "role": "channel"}]'
    with pytest.raises(EngineError, match="Layout a.json: Invalid format of latitude in column 1: 'dms' was given"):
        layout_from_json(f'{{"header": false, "columns": {columns}}}', "a.json")

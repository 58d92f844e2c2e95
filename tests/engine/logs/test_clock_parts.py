"""Clocks over several columns, and clocks of other notations."""

from __future__ import annotations

import numpy as np
import pytest
from turnrow.processing_provider.engine.logs import layout_from_json, layout_to_json, read_log
from turnrow.tests.engine.logs.log_files import write

SECONDS = 32710 + np.round(0.4 * np.arange(24), 1)
HOUR, MINUTE = SECONDS // 3600, SECONDS // 60 % 60
CLOCK = [f"{int(s) // 3600:02d}:{int(s) // 60 % 60:02d}:{int(s) % 60:02d}" for s in SECONDS]
LINES = {
    "hour, minute and second": ("hour,minute,sec", [
        f"{h:g},{m:g},{s % 60:g}" for h, m, s in zip(HOUR, MINUTE, np.round(SECONDS, 1))]),
    "hour and minute": ("hour,minute", [f"{h:g},{m:g}" for h, m in zip(HOUR, MINUTE)]),
    "hh and mm": ("hh,mm", [f"{h:g},{m:g}" for h, m in zip(HOUR, MINUTE)]),
    "seconds half a minute apart": ("hour,minute,second", [f"9,{5 + k // 2},{30 * (k % 2)}" for k in range(24)]),
    "a clock and milliseconds": ("time,ms", [f"{c},{round(s * 1000) % 1000}" for c, s in zip(CLOCK, SECONDS)]),
    "milliseconds before the clock": ("ms,time", [f"{round(s * 1000) % 1000},{c}" for c, s in zip(CLOCK, SECONDS)]),
    "tenths beside the clock, named otherwise": ("time,tenth", [
        f"{c},{round(s * 10) % 10}" for c, s in zip(CLOCK, SECONDS)]),
    "a clock and microseconds": ("time,usec", [f"{c},{round(s * 10) % 10}00000" for c, s in zip(CLOCK, SECONDS)]),
    "a clock and its fraction": ("time,frac", [f"{c},.{round(s * 10) % 10}" for c, s in zip(CLOCK, SECONDS)]),
    "HHMM and seconds": ("hhmm,sec", [
        f"{h:g}{m:02g},{s % 60:g}" for h, m, s in zip(HOUR, MINUTE, np.round(SECONDS, 1))]),
    "stamps without signs": ("stamp", [
        f"20261128T{c.replace(':', '')}.{round(s * 10) % 10}Z" for c, s in zip(CLOCK, SECONDS)]),
    "tenths": ("t [0.1 s]", [f"{round(s * 10)}" for s in SECONDS]),
    "microseconds": ("t (us)", [f"{round(s * 1e6)}" for s in SECONDS]),
    "days counted from noon": ("jd", [f"{2461372.5 + s / 86400:.8f}" for s in SECONDS]),
    "clock with points": ("time", [f"{c.replace(':', '.')}.{round(s * 10) % 10}" for c, s in zip(CLOCK, SECONDS)]),
    "clock with letters": ("time", [
        f"{c[:2]}h{c[3:5]}m{c[6:]}.{round(s * 10) % 10}s" for c, s in zip(CLOCK, SECONDS)]),
    "hours": ("hours", [f"{s / 3600:.7f}" for s in SECONDS]),
    "minutes": ("elapsed (min)", [f"{s / 60:.5f}" for s in SECONDS]),
    "day of the year": ("doy", [f"{124 + s / 86400:.8f}" for s in SECONDS]),
}  # fmt: skip


@pytest.mark.parametrize(("names", "texts"), LINES.values(), ids=LINES)
def test_clocks(tmp_path, names, texts):
    rows = [f"{1 + k // 12},{k % 12 + 1},{text},{20 + k % 7}.5" for k, text in enumerate(texts)]
    result = read_log(write(tmp_path, f"line,station,{names},cond", *rows))
    expected = SECONDS
    if names in ("hour,minute", "hh,mm"):
        expected = 60 * (SECONDS // 60)
    elif names == "hour,minute,second":
        expected = 32700 + 30 * np.arange(24)
    np.testing.assert_allclose(result.readings.time_s % 86400, expected, rtol=0, atol=2e-3)
    assert list(result.readings.channels) == ["cond"]
    again = read_log(
        write(tmp_path, f"line,station,{names},cond", *rows), layout_from_json(layout_to_json(result.layout))
    )
    np.testing.assert_array_equal(again.readings.time_s, result.readings.time_s)


def test_a_channel_that_counts_beside_a_clock_is_no_part_of_it(tmp_path):
    rows = [f"{1 + k // 12},{k % 12 + 1},{clock},{100 + k}" for k, clock in enumerate(CLOCK)]
    result = read_log(write(tmp_path, "line,station,time,cond", *rows))
    np.testing.assert_array_equal(result.readings.channels["cond"], 100 + np.arange(24))
    np.testing.assert_array_equal(result.readings.time_s, np.floor(SECONDS))

"""How many of the cases in tests/cases come out right: python tests/benchmarks/cases.py [KIND] [part].

KIND is ``layouts``, ``mistakes`` or ``evenings``; ``part`` of their names chooses cases. Prints a line for every case
that does not, and the counts.
"""

from __future__ import annotations

import importlib.util
import json
import re
import sys
import tempfile
from collections import Counter
from pathlib import Path
from types import SimpleNamespace
from typing import Optional

import numpy as np
from _measure import ROOT, whole_benchmark
from turnrow.processing_provider.engine.core import EngineError
from turnrow.processing_provider.engine.logs import layout_from_json, read_log
from turnrow.tests.wording import fault_of

CASES = ROOT / "tests" / "cases"
SECONDS, VALUE, DEGREES = 2e-3, 1e-6, 1e-7
"""Times and positions are compared to the last digit that a log writes; sums to the rounding of doubles."""


def load(name: str, path: Path):
    """Import a file as a module."""
    spec = importlib.util.spec_from_file_location(name, path)
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


planting = load("turnrow_planting", CASES / "planting.py")
other_ground = load("turnrow_other_ground", CASES / "other_ground.py")


def log_bytes(case: dict, text: str) -> bytes:
    """Return the log of a layout case as the logger wrote it."""
    text = text.replace("\n", {"crlf": "\r\n", "cr": "\r", "crcrlf": "\r\r\n"}.get(case.get("newline"), "\n"))
    if "zero_sign" in case:
        text = text.replace(case["zero_sign"], "\0")
    return text.encode(case.get("encoding", "utf-8")) + b"\0" * case.get("zero_bytes", 0)


def judge_layout(path: Path, folder: Path) -> tuple[str, str]:
    """Return the verdict on a layout case and why: right, refused, silently wrong, or wrong but said."""
    head, text = path.read_text("utf-8").split("\n=== log ===\n", 1)
    case = json.loads(head)
    expect, log = case["expect"], folder / "log.txt"
    log.write_bytes(log_bytes(case, text))
    layout = layout_from_json(json.dumps(case["layout"])) if "layout" in case else None
    try:
        result = read_log(log, layout)
    except EngineError as error:
        return judge_refusal(expect, str(error))
    if "read" not in expect:
        return "silently wrong", "was to be refused"
    said = [*result.remarks, *(f.sentence() for f in result.findings)]
    faults = list(differences(expect, result, " ".join(said)))
    if not faults:
        return "right", ""
    # What is said of the log as a whole, not the usual remarks about what was taken for what, makes a fault a told one.
    return ("wrong, but said" if any(f.severity == "error" for f in result.findings) else "silently wrong"), faults[0]


def judge_refusal(expect: dict, sentence: str) -> tuple[str, str]:
    """Return the verdict on a log that was refused with a sentence."""
    if "refused" in expect:
        missing = [word for word in expect["refused"]["words"] if word.lower() not in sentence.lower()]
        return ("wrong, but said", f"the sentence lacks {missing}: {sentence}") if missing else ("right", "")
    if not expect.get("or_refused"):
        return "wrong, but said", f"refused: {sentence}"
    if "row" in expect and not re.search(r"\brows? \d", sentence):
        return "wrong, but said", f"refused without a row: {sentence}"
    return "refused", ""


def differences(expect: dict, result, said: str):
    """Yield what of a log was read otherwise than expected."""
    readings, wanted = result.readings, expect["read"]["runs"]
    runs = readings.runs()
    if [len(run.rows) for run in runs] != [one["readings"] for one in wanted]:
        yield f"recordings of {[len(run.rows) for run in runs]} readings"
        return
    channels = list(readings.channels)
    count = len(wanted[0]["sums"])
    if len(channels) < count or (len(channels) > count and not expect.get("extra_channels")):
        yield f"channels {channels}"
        return
    units = expect.get("units")
    if units and any(u is not None and readings.units.get(c, "") != u for c, u in zip(channels, units)):
        yield f"units {readings.units}"
    for run, one in zip(runs, wanted):
        yield from differences_of_run(readings, run, one, channels, expect.get("tolerance", VALUE))
    flags = {k: n for k, n in readings.flag_counts().items() if k != "in use"}
    if flags != expect.get("flags", flags if "flags" not in expect else {}) or (flags and "flags" not in expect):
        yield f"flags {flags}"
    missing = set(expect.get("findings", ())) - {f.code for f in result.findings}
    if missing:
        yield f"no finding {sorted(missing)}"
    unsaid = [word for word in expect.get("says", ()) if word.lower() not in said.lower()]
    if unsaid:
        yield f"not said: {unsaid}"


def differences_of_run(readings, run, one: dict, channels: list, tolerance: float):
    """Yield what of one recording was read otherwise than expected."""
    ends = run.rows[[0, -1]]
    if (run.line, run.run) != (one["line"], one["run"]) or one.get("grid", run.grid) != run.grid:
        yield f"line {run.grid} {run.line} recording {run.run}, not {one['line']} recording {one['run']}"
    if "stations" in one and not np.array_equal(readings.station[ends], one["stations"]):
        yield f"line {run.line}: stations {readings.station[ends].tolist()}, not {one['stations']}"
    if "seconds" in one and not np.allclose(readings.time_s[ends], one["seconds"], atol=SECONDS, rtol=0):
        yield f"line {run.line}: times {readings.time_s[ends].tolist()}, not {one['seconds']}"
    for field, wanted in one.get("extras", {}).items():
        found = readings.extras[field][ends] if field in readings.extras else np.full(2, np.nan)
        if not np.allclose(found, wanted, atol=DEGREES, rtol=0):
            yield f"line {run.line}: {field} {found.tolist()}, not {wanted}"
    for channel, total in zip(channels, one["sums"]):
        found = float(np.nansum(readings.channels[channel][run.rows]))
        if not abs(found - total) <= max(tolerance * len(run.rows), 1e-9 * abs(total)):
            yield f"line {run.line}: {channel} adds up to {found:.6g}, not {total:.6g}"


def judge_mistake(path: Path, folder: Path) -> tuple[str, str]:
    """Return the verdict on a planted mistake and why."""
    survey, case = planting.plant(path)
    planting.write(survey, folder)
    findings, refused = findings_of(folder)
    faults = list(misjudged(case["expect"], findings, refused))
    return ("right", "") if not faults else (faults[0][0], faults[0][1])


def judge_evening(path: Path, folder: Path) -> tuple[str, str]:
    """Return the verdict on a survey of another ground and why."""
    survey, case = other_ground.plant(path)
    other_ground.write(survey, folder)
    findings, refused = findings_of(folder)
    faults = list(misjudged_evening(case["expect"], findings, refused))
    return ("right", "") if not faults else (faults[0][0], "; ".join(f"{verdict}: {why}" for verdict, why in faults))


def findings_of(folder: Path) -> tuple[list, Optional[str]]:
    """Return the findings about a survey in a folder, as a run leaves them, and the sentence of a refusal."""
    from osgeo import ogr
    from qgis import processing
    from qgis.core import QgsProcessingException

    tables = {name.upper(): str(folder / f"{name}.csv") for name in ("register", "corners", "notes")}
    out = folder / "out"
    try:
        processing.run("turnrow:processregister", {**tables, "TARGET_CRS": planting.CRS, "OUTPUT_FOLDER": str(out)})
    except QgsProcessingException as error:
        return [], str(error)
    source = ogr.Open(str(out / "survey.gpkg"))
    return [SimpleNamespace(**feature.items()) for feature in source.GetLayerByName("findings")], None


def start_qgis():
    """Start QGIS without a window, with the plugin's algorithms; return what must be kept."""
    from qgis.core import QgsApplication

    application = QgsApplication([], False)
    application.initQgis()
    sys.path.append(str(Path(QgsApplication.pkgDataPath()) / "python" / "plugins"))
    from processing.core.Processing import Processing

    Processing.initialize()
    plugin = sys.modules["turnrow"].classFactory(None)
    plugin.initProcessing()
    return application, plugin


def misjudged(expect: dict, findings: list, refused: Optional[str]):
    """Yield (verdict, why) of what the findings lack and of what they have too much."""
    text = " ".join([*(f"{f.found} {f.expected} {f.advice}" for f in findings), refused or ""])
    if expect.get("refused") and not any(f.severity == "error" for f in findings) and refused is None:
        yield "missed", "was to be refused"
    for one in expect["must"]:
        mine = [f for f in findings if f.grid == one["grid"] and f.line == one["line"]]
        if not mine and refused is None:
            yield "missed", f"nothing about {one['grid']} {one['line'] or ''}".rstrip()
        elif mine and hasattr(mine[0], "action") and not {f.action for f in mine} & set(one["action"]):
            yield "other action", f"{one['grid']} {one['line']}: {sorted({f.action for f in mine})}"
    unsaid = [word for word in expect["says"] if word.lower() not in text.lower()]
    if unsaid:
        yield "missed", f"not said: {unsaid}"
    walk = {f.line for f in findings if f.walk_again}
    if set(expect["walk"]) - walk:
        yield "walk again left out", str(sorted(set(expect["walk"]) - walk))
    if {line for line in walk if line is not None} - set(expect["walk"]):
        yield "needless walk again", str(sorted({line for line in walk if line is not None} - set(expect["walk"])))
    named = {one["line"] for one in expect["must"]} | set(expect["may"]) | set(expect["walk"]) | {None}
    others = {f.line for f in findings if f.severity in ("error", "warning")} - named
    if others:
        yield "other line accused", str(sorted(others))


def misjudged_evening(expect: dict, findings: list, refused: Optional[str]):
    """Yield (verdict, why) of what the findings on an evening lack and of what they have too much."""
    for one in expect["must"]:
        mine = [f for f in findings if f.grid == one["grid"] and f.line in one["lines"]]
        if not mine and refused is None:
            yield "missed", f"nothing about {one['grid']} {one['lines']}"
        elif mine and not {f.action for f in mine} & set(one["action"]):
            yield "other action", f"{one['grid']} {one['lines']}: {sorted({f.action for f in mine})}"
    may_walk = {f.line for f in findings if f.walk_again} & set(expect.get("may_walk", ()))
    named = [line for one in expect["must"] for line in one["lines"]]
    plain = {**expect, "must": [], "walk": [*expect["walk"], *may_walk], "may": [*expect["may"], *named]}
    yield from misjudged(plain, findings, refused)
    loud = [f for f in findings if f.severity in ("error", "warning")]
    if len(loud) > expect["most"]:
        yield "several findings", ", ".join(f"{f.grid} {f.line} {f.code}" for f in loud)
    for f in findings:
        if bool(f.walk_again) != (f.action == "walk") or (f.advice and fault_of(f.advice, f.action or "")):
            yield "words disagree", f"{f.grid} {f.line} {f.code} {f.action}: {f.advice}"


def main(kind: str = "", part: str = "") -> None:
    """Judge all cases of a kind whose names have a part in them."""
    kept: object = None
    for name, ending, judge in (
        ("layouts", "case", judge_layout),
        ("mistakes", "json", judge_mistake),
        ("evenings", "json", judge_evening),
    ):
        if kind not in ("", name):
            continue
        verdicts: Counter = Counter()
        kept = start_qgis() if name != "layouts" and kept is None else kept  # noqa: F841 (QGIS ends with what is not kept)
        for path in sorted((CASES / name).glob(f"*{part}*.{ending}" if part else f"*.{ending}")):
            with tempfile.TemporaryDirectory() as folder:
                verdict, why = judge(path, Path(folder))
            verdicts[verdict] += 1
            if why:
                print(f"{path.stem}: {verdict}: {why}")
        print(f"{name}: " + ", ".join(f"{n} {verdict}" for verdict, n in verdicts.most_common()))


if __name__ == "__main__":
    with whole_benchmark():
        main(*sys.argv[1:])

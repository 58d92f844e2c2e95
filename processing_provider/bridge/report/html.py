"""The report of a processed survey: one HTML file that needs nothing beside it."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Mapping, Optional, Sequence

import numpy as np

from ...engine.core import Finding, Progress, Readings, Record, part_of, walk_again_count, whole_file
from ...engine.geometry import BlockRaster
from ..style import SEQUENTIAL
from .cautions import CAUTIONS
from .figures import map_figure, matplotlib_is_there, profiles_figure

TEMPLATE = "report.html.j2"
NO_FIGURES = (
    "The maps and profiles are not drawn here, because the Python package matplotlib is missing. Install it into "
    "QGIS's Python and run again; the rasters and layers beside this report are complete."
)


@dataclass(frozen=True)
class ReportMap:
    """One channel over the whole site, before and after the corrections.

    Attributes
    ----------
    channel, unit : str
    raw : BlockRaster or None
        Of the readings as placed.
    corrected : BlockRaster
    limits : (low, high)
        Values at the ends of the colours, the same for both maps.
    ramp : str
        One of ``RAMPS``.
    """

    channel: str
    unit: str
    raw: Optional[BlockRaster]
    corrected: BlockRaster
    limits: tuple[float, float]
    ramp: str = SEQUENTIAL


@dataclass(frozen=True)
class ReportContent:
    """Everything that a report says.

    Attributes
    ----------
    site : str
        Name of the survey.
    created : str
        Date and time of the run, as it is to be read.
    crs : str
        Name and code of the CRS of all coordinates.
    maps : sequence of ReportMap
    outlines : sequence of (grid, x, y)
        Rings of the grids for the maps.
    grids : sequence of mappings
        A row a grid that was done: ``grid length_m width_m spacing_m readings_per_m largest_residual_m readings
        in_use out_of_use findings walk_again``.
    failed : sequence of str
        Names of the grids that are not on the map.
    corners : sequence of mappings
        ``grid corner residual_x_m residual_y_m``.
    findings : sequence of Finding
    records : sequence of Record
        One a step.
    inputs : sequence of mappings
        ``path bytes sha256``.
    versions : mapping
        Version by program.
    profiles : Readings or None
        Placed readings of one grid for the stacked profiles.
    """

    site: str
    created: str
    crs: str
    maps: Sequence[ReportMap]
    outlines: Sequence[tuple[str, np.ndarray, np.ndarray]]
    grids: Sequence[Mapping]
    failed: Sequence[str] = ()
    corners: Sequence[Mapping] = ()
    findings: Sequence[Finding] = ()
    records: Sequence[Record] = ()
    inputs: Sequence[Mapping] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    profiles: Optional[Readings] = None


def write_report(path: Path, content: ReportContent, progress: Progress = None) -> None:
    """Write ``report.html``; without matplotlib the figures are left out, with a sentence.

    Raises
    ------
    EngineError
        When the file cannot be written.
    """
    with whole_file(path, "report") as part:
        part.write_text(report_html(content, progress), "utf-8")


def report_html(content: ReportContent, progress: Progress = None) -> str:
    """Return the report as HTML; ``progress`` is called with the fraction done before each figure."""
    from jinja2 import Environment, FileSystemLoader

    folder = str(Path(__file__).resolve().parent)
    environment = Environment(loader=FileSystemLoader(folder), autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(number=number_text, whole=whole_text, label=label_text, metres=metres_text)
    drawn = matplotlib_is_there()
    findings = sorted(content.findings, key=lambda finding: finding.urgency)
    return environment.get_template(TEMPLATE).render(
        content=content,
        summary=summary(content),
        cards=_cards(content),
        urgent=[f for f in findings if f.walk_again or f.severity != "note"],
        notes=[f for f in findings if not f.walk_again and f.severity == "note"],
        maps=_map_images(content, part_of(progress, 0.0, 0.7)) if drawn else [],
        profiles=_profile_images(content, part_of(progress, 0.7, 1.0)) if drawn else [],
        steps=[_step(record, {item.channel: item.unit for item in content.maps}) for record in content.records],
        corners=_corners(content.corners),
        cautions=CAUTIONS,
        no_figures="" if drawn else NO_FIGURES,
    )


def summary(content: ReportContent) -> str:
    """Return the survey in a few sentences."""
    readings, used = _total(content, "readings"), _total(content, "in_use")
    sentences = [f"{_count(len(content.grids), 'grid')} {'is' if len(content.grids) == 1 else 'are'} on the map."]
    if content.failed:
        names = ", ".join(content.failed)
        sentences.append(
            f"{_count(len(content.failed), 'grid')} could not be processed: {names}; the findings say why."
        )
    if readings:
        sentences.append(f"{whole_text(used)} of {whole_text(readings)} readings are in use; the others carry a flag.")
    again = walk_again_count(list(content.findings))
    sentences.append(f"{_count(again, 'line')} must be walked again." if again else "Nothing must be walked again.")
    return " ".join(sentences)


def number_text(value: object, digits: int = 4) -> str:
    """Return a number with so many digits, a true minus and no exponent where it can be read without."""
    if value is None or value == "" or (isinstance(value, float) and math.isnan(value)):
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, (int, float, np.number)):
        return str(value)
    text = f"{value:,d}".replace(",", " ") if isinstance(value, (int, np.integer)) else f"{value:.{digits}g}"
    return text.replace("-", "−", 1) if text.startswith("-") else text


def whole_text(value: float) -> str:
    """Return a count with thin gaps between the thousands."""
    return f"{int(value):,d}".replace(",", "\u202f")


def label_text(name: str) -> str:
    """Return the name of an option or figure as words, its unit in brackets."""
    for ending, unit in (("_m", "m"), ("_s", "s"), ("_deg", "°")):
        if name.endswith(ending):
            return f"{name[: -len(ending)].replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _total(content: ReportContent, name: str) -> int:
    return sum(int(row.get(name) or 0) for row in content.grids)


def _cards(content: ReportContent) -> list[tuple[str, str, str]]:
    """Return (figure, what it is, kind) for the head of the report; ``kind`` is ``bad`` where a person has to act."""
    readings, used = _total(content, "readings"), _total(content, "in_use")
    again = walk_again_count(list(content.findings))
    residuals = [float(row["largest_residual_m"]) for row in content.grids if row.get("largest_residual_m") is not None]
    grids = len(content.grids) + len(content.failed)
    return [
        (f"{len(content.grids)} of {grids}", "grids on the map", "bad" if content.failed else ""),
        (f"{100 * used / readings:.1f} %" if readings else "–", "of the readings in use", ""),
        (str(again), "line to walk again" if again == 1 else "lines to walk again", "bad" if again else ""),
        (f"{max(residuals):.2f} m" if residuals else "–", "largest corner residual", ""),
    ]


def _data_uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def _map_images(content: ReportContent, progress: Progress) -> list[dict]:
    images = []
    for number, item in enumerate(content.maps):
        if progress is not None:
            progress(number / len(content.maps))
        images.append(_map_image(item, content.outlines))
    return images


def _map_image(item: ReportMap, outlines: Sequence) -> dict:
    panels = [] if item.raw is None else [("As logged and placed", item.raw)]
    panels.append(("Corrected", item.corrected))
    png = map_figure(panels, item.limits, item.unit, outlines, item.ramp)
    return {"channel": item.channel, "unit": item.unit, "limits": item.limits, "cell_m": item.corrected.lattice.cell_m,
            "image": _data_uri(png), "both": item.raw is not None}  # fmt: skip


def _profile_images(content: ReportContent, progress: Progress) -> list[dict]:
    if content.profiles is None:
        return []
    readings, images = content.profiles, []
    for number, channel in enumerate(readings.channels):
        if progress is not None:
            progress(number / len(readings.channels))
        unit = readings.units.get(channel, "")
        png = profiles_figure(readings, channel, unit, f"Grid {readings.grids[0]}, {channel} as logged")
        if png is not None:
            images.append({"channel": channel, "grid": readings.grids[0], "image": _data_uri(png)})
    return images


def _step(record: Record, channels: Mapping[str, str]) -> dict:
    content = record.as_json()
    table, figures = content.get("table"), content["figures"]
    rows = table if isinstance(table, list) else []
    names = list(rows[0]) if rows else []
    return {
        "id": record.step,
        "title": record.title + (f": {content['channel']}" if "channel" in content else ""),
        "options": _pairs(record.options, "automatic", channels),
        "figures": _pairs(figures if isinstance(figures, Mapping) else {}, "", channels),
        "said": [*record.sentences(channels), *record.warnings(channels)],
        "names": names,
        "rows": [[row[name] for name in names] for row in rows],
    }


def _pairs(values: Mapping, blank: str, channels: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return (label, text) of options or figures, inner tables spread out; ``blank`` is the text of no value."""
    pairs: list[tuple[str, str]] = []
    for name, value in values.items():
        label = name if name in channels else label_text(name)
        if isinstance(value, Mapping):
            pairs += [(f"{label}: {inner}", text) for inner, text in _pairs(value, blank, channels)]
        elif value is None or value == "":
            pairs.append((label, blank))
        elif isinstance(value, (list, tuple)):
            pairs.append((label, ", ".join(number_text(v) for v in value)))
        else:
            pairs.append((label, number_text(value)))
    return [pair for pair in pairs if pair[1]]


def metres_text(value: float) -> str:
    """Return metres to the millimetre with their sign; nothing is less than half a millimetre."""
    text = f"{value:+.3f}"
    return "0.000" if float(text) == 0 else text.replace("-", "−")


def _corners(rows: Sequence[Mapping]) -> list[dict]:
    return [{**row, "residual_m": math.hypot(row["residual_x_m"], row["residual_y_m"])} for row in rows]

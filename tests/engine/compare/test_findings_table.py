"""Findings of a log come in order, and each says what was found, what was expected and what to do."""

from __future__ import annotations

from dataclasses import replace

from turnrow.processing_provider.engine.core.findings import SEVERITIES, finding_rows
from turnrow.processing_provider.engine.core.notes import Note
from turnrow.tests.engine.compare.log_lines import changed, compared, stations


def test_findings_come_by_severity_then_line():
    lines = changed(3, station=stations(-9, 60))
    lines = [x for x in lines if x.line != 2]
    lines.insert(5, replace(lines[4], run=2))
    findings = compared(lines, [Note("A", 9, heading=-1)])
    order = [(SEVERITIES.index(f.severity), f.line) for f in findings]
    assert order == sorted(order)
    assert {f.code for f in findings} == {"line-missing", "line-short", "line-twice", "note-disagrees"}


def test_every_finding_says_what_was_found_expected_and_to_do():
    lines = changed(3, station=stations(-9, 60))
    lines[6] = replace(lines[6], station=stations(61, 160))
    lines[7] = replace(lines[7], station=stations(-9, 90))
    lines.insert(5, replace(lines[4], line=77))
    findings = compared(lines, [Note("A", 9, stop_station=40, start_station=-9), Note("A", 60, kind="tie")])
    assert len(findings) >= 5
    for finding, row in zip(findings, finding_rows(findings)):
        assert row[0] == "A"
        assert all((finding.found, finding.expected, finding.advice))
        assert finding.found.endswith(".")
        assert finding.advice.endswith(".")
        assert not finding.expected.endswith(".")
        assert finding.sentence().startswith("Grid A")

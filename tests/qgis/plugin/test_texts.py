"""What a log or a table brings is shown as the text that it is, never as HTML, a formula or an expression."""

import csv
import html

import pytest
from qgis.core import (
    QgsExpression,
    QgsExpressionContext,
    QgsFeature,
    QgsField,
    QgsFields,
    QgsGraduatedSymbolRenderer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QTextDocument
from turnrow.plugin.texts import as_text, plain_label
from turnrow.processing_provider.bridge.style import VECTOR_STYLES, Look, add_styles_by_value
from turnrow.processing_provider.values import as_cells

HOSTILE = ('<img src="x">', "<b>A</b> & <i>B</i>", "a < b > c & d &lt;", "<script>1</script>", "plain", "[% 1 + 1 %]",
           "a < b", "R&D", "a &lt; b")  # fmt: skip


def shown(text):
    """Return what Qt shows of a text where it decides by itself whether it is HTML."""
    if not Qt.mightBeRichText(text):
        return text
    document = QTextDocument()
    document.setHtml(text)
    return document.toPlainText()


@pytest.mark.parametrize("text", [*HOSTILE, "one\n<b>two</b>"])
def test_tooltips_show_text_as_it_is(text):
    assert shown(as_text(text)) == text


@pytest.mark.parametrize("text", HOSTILE)
def test_labels_show_text_as_it_is(qgis_app, text):
    label = plain_label(text)
    assert label.textFormat() == Qt.TextFormat.PlainText
    assert label.text() == text


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("style", ["findings", "traverses"])
def test_map_tips_show_text_as_it_is(qgis_app, style, text):
    fields = ("severity", "found", "advice", "grid", "line", "run", "in_use", "readings")
    uri = "Point?" + "&".join(f"field={name}:string" for name in fields)
    layer = QgsVectorLayer(uri, "any", "memory")
    VECTOR_STYLES[style](layer)
    feature = QgsFeature(layer.fields())
    feature.setAttributes([text] * len(fields))
    context = QgsExpressionContext()
    context.setFeature(feature)
    context.setFields(layer.fields())
    tip = QgsExpression.replaceExpressionText(layer.mapTipTemplate(), context)
    document = QTextDocument()
    document.setHtml(tip.replace(f"<b>{text}</b>", ""))
    assert text in document.toPlainText()
    assert html.escape(text, quote=False) in tip


@pytest.mark.parametrize("channel", ['a"b', "a' b", "1 + 1", '" OR 1 OR "'])
def test_a_channel_is_named_in_a_style_whatever_it_is_called(qgis_app, channel):
    fields = QgsFields()
    fields.append(QgsField("flag", 10))
    fields.append(QgsField(channel, 6))
    layer = QgsVectorLayer("Point?field=flag:string", "any", "memory")
    add_styles_by_value(layer, [Look(channel, (0.0, 1.0), "mS/m", "Greys")])
    manager = layer.styleManager()
    for style in manager.styles():
        manager.setCurrentStyle(style)
        if isinstance(layer.renderer(), QgsGraduatedSymbolRenderer):
            break
    expression = QgsExpression(layer.renderer().classAttribute())
    assert not expression.hasParserError()
    context = QgsExpressionContext()
    feature = QgsFeature(fields)
    feature.setAttributes(["", 0.25])
    context.setFeature(feature)
    context.setFields(fields)
    assert expression.evaluate(context) == 0.25


def test_texts_that_look_like_formulas_stay_texts_in_a_csv():
    assert as_cells(["=1+1", "+1", "-a", "@x", "\tx", "a=b", -1.5, None, ""]) == (
        "'=1+1", "'+1", "'-a", "'@x", "'\tx", "a=b", -1.5, None, "",
    )  # fmt: skip


def test_findings_in_a_csv_hold_no_formula(turnrow_provider, survey_files, tmp_path):
    from qgis import processing

    for path in (survey_files.register, survey_files.corners, survey_files.notes):
        rows = survey_files.read(path)
        survey_files.write(path, [{**row, "grid": row["grid"].replace("A", "=A1+1")} for row in rows])
    survey_files.change(survey_files.notes, {"line": "1"}, heading="back")
    given = {"LOG": str(survey_files.folder / "A.csv"), "NOTES": str(survey_files.notes), "GRID": "=A1+1"}
    scheme = {"LENGTH": 8, "WIDTH": 6, "SPACING": 0.5, "READINGS_PER_METRE": 4}
    readings = processing.run("turnrow:readlog", {"LOG": given["LOG"], "GRID": "=A1+1", "OUTPUT": "memory:"})
    target = tmp_path / "findings.csv"
    processing.run(
        "turnrow:comparenotes",
        {"INPUT": readings["OUTPUT"], "NOTES": given["NOTES"], **scheme, "FINDINGS": str(target)},
    )
    with target.open(newline="", encoding="utf-8") as file:
        grids = {row["grid"] for row in csv.DictReader(file)}
    assert grids <= {"'=A1+1", ""}
    assert "'=A1+1" in grids

"""Translations: what is missing is counted (a release needs all of it), and QGIS shows them."""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from qgis.PyQt.QtCore import QCoreApplication
from qgis.PyQt.QtXml import QDomDocument

ROOT = Path(__file__).resolve().parents[3]
FILES = sorted((ROOT / "i18n").glob("turnrow_*.ts"))
CONTEXT = "Turnrow"


@pytest.fixture(scope="module")
def strings():
    """What lists the texts (``i18n/strings.py``), as a module."""
    spec = importlib.util.spec_from_file_location("turnrow_strings", ROOT / "i18n" / "strings.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(params=FILES, ids=lambda p: p.stem)
def translated(request):
    """Source and translation of every message of a file; an unfinished one is an empty text."""
    document = QDomDocument()
    assert document.setContent(request.param.read_text("utf-8"))
    assert document.documentElement().firstChildElement("context").firstChildElement("name").text() == CONTEXT
    messages = document.elementsByTagName("message")
    pairs = {}
    for message in (messages.at(i).toElement() for i in range(messages.count())):
        said = message.firstChildElement("translation")
        pairs[message.firstChildElement("source").text()] = "" if said.hasAttribute("type") else said.text()
    assert len(pairs) == messages.count()
    return pairs


@pytest.fixture
def done(translated):
    """The messages of a file that are translated; a text without a translation is shown in English."""
    return {source: said for source, said in translated.items() if said}


def test_texts_without_a_translation_are_counted(strings, translated, done, capsys, request):
    missing, left_over = set(strings.texts()) - set(done), set(translated) - set(strings.texts())
    with capsys.disabled():
        counts = f"{len(done)} texts translated, {len(missing)} not, {len(left_over)} left over"
        print(f"\n{request.node.callspec.id}: {counts}")
    assert len(missing) < len(done)


@pytest.mark.release
def test_every_text_is_translated_and_none_is_left_over(strings, translated, done):
    assert set(strings.texts()) - set(done) == set()
    assert set(translated) - set(strings.texts()) == set()


@pytest.mark.release
def test_every_algorithm_has_a_name_of_its_own_in_german(turnrow_provider, compiled):
    from turnrow.plugin.main import translator_of

    english = {a.id(): a.displayName() for a in turnrow_provider.algorithms()}
    translator = translator_of("de", compiled)
    try:
        assert [a.id() for a in turnrow_provider.algorithms() if a.displayName() == english[a.id()]] == []
    finally:
        QCoreApplication.removeTranslator(translator)


@pytest.mark.parametrize("kept", [r"\{[^}]*\}", r"</?\w+>", r"^\s*", r"\s*$"], ids=["gaps", "tags", "before", "after"])
def test_gaps_tags_and_outer_spaces_are_kept(done, kept):
    for source, said in done.items():
        assert sorted(re.findall(kept, said)) == sorted(re.findall(kept, source)), source


def test_full_stops_are_kept(done):
    """Help ends with a full stop, and labels that open a dialog with three."""
    for source, said in done.items():
        assert source.rstrip()[-1] not in ".:" or said.rstrip()[-1] == source.rstrip()[-1], source


def test_ids_and_words_of_tables_are_not_translated(done):
    """Column names, file names and words of the notes stand in help texts as the files have them."""
    for source, said in done.items():
        for word in re.findall(r"\b\w+_\w+\b|\b\w+\.(?:gpkg|json|html)\b", source):
            assert word in said, source


def test_what_the_window_says_is_listed(strings):
    """One text of each place that the tool must look into."""
    known = strings.texts()
    for text in ("Turnrow workbench", "log read", "Interpolate readings to a raster", "noise units", "Shift applied",
                 "Site: register to map sheet", "Layout of the logs", "Corrected readings", "Inputs"):  # fmt: skip
        assert text in known, text


def test_there_is_one_way_to_translate():
    """Or the tool would miss what goes another way."""
    code = [path for folder in ("plugin", "processing_provider") for path in (ROOT / folder).rglob("*.py")]
    own = [path.name for path in code if re.search(r"QCoreApplication.translate\(|\.tr\(", path.read_text("utf-8"))]
    assert own == ["language.py"]


def test_text_that_is_hidden_from_the_tool_is_refused(strings, monkeypatch, tmp_path):
    (tmp_path / "plugin").mkdir()
    (tmp_path / "plugin" / "new.py").write_text("label = tr(name)\n")
    monkeypatch.setattr(strings, "ROOT", tmp_path)
    with pytest.raises(KeyError, match="plugin/new.py: name"):
        strings.of_code()


# --- in QGIS


@pytest.fixture(scope="module")
def compiled(tmp_path_factory):
    if shutil.which("lrelease") is None:
        pytest.skip("there is no lrelease (Debian: qttools5-dev-tools)")
    folder = tmp_path_factory.mktemp("i18n")
    subprocess.run(["bash", str(ROOT / "i18n" / "build.sh"), str(folder)], check=True)
    return folder


@pytest.mark.parametrize("language", ["de", "de_DE", "de_AT"])
def test_german_is_shown_to_who_reads_german(qgis_app, compiled, language):
    from turnrow.plugin.main import translator_of

    translator = translator_of(language, compiled)
    try:
        assert QCoreApplication.translate(CONTEXT, "Read traverse log") == "Messdatei lesen"
    finally:
        QCoreApplication.removeTranslator(translator)
    assert QCoreApplication.translate(CONTEXT, "Read traverse log") == "Read traverse log"


@pytest.mark.parametrize("language", ["en", "en_US", "C", "fr"])
def test_english_is_shown_where_there_is_no_translation(qgis_app, compiled, language):
    from turnrow.plugin.main import translator_of

    assert translator_of(language, compiled) is None


def test_algorithms_and_models_speak_german_and_keep_their_ids(turnrow_provider, compiled):
    from turnrow.plugin.main import translator_of

    english = {a.id(): (a.displayName(), a.groupId()) for a in turnrow_provider.algorithms()}
    translator = translator_of("de", compiled)
    try:
        turnrow_provider.refreshAlgorithms()
        german = {a.id(): a for a in turnrow_provider.algorithms()}
        assert {name: a.groupId() for name, a in german.items()} == {n: group for n, (_, group) in english.items()}
        log = german["turnrow:flagoutliers"]
        assert log.group() == "Berichtigen"
        assert log.parameterDefinition("THRESHOLD").description() == "Schwelle (Rauscheinheiten)"
        assert "<h3>Eingaben</h3><p><strong>Messungen</strong>: Verortete Messungen.</p>" in log.shortHelpString()
        model = german["turnrow:Map one grid"].create()
        assert model.parameterDefinition("CELL_SIZE").description() == "Zellgröße (m)"
        assert model.parameterDefinition("balance:Readings").description() == "Berichtigte Messungen"
        assert model.validate() == (True, [])
    finally:
        QCoreApplication.removeTranslator(translator)
        turnrow_provider.refreshAlgorithms()
    assert {a.id(): (a.displayName(), a.groupId()) for a in turnrow_provider.algorithms()} == english


def test_flags_are_shown_in_german_and_stay_as_they_are_in_the_data(qgis_app, compiled):
    import numpy as np
    from turnrow.plugin.main import translator_of
    from turnrow.plugin.profile.profile_painter import ProfileContent, legend
    from turnrow.plugin.profile.traces import Trace
    from turnrow.processing_provider.engine.core.columns import FLAGS, flag_words

    n = len(FLAGS)
    bits = (1 << np.arange(n)).astype(np.uint16)
    row = np.arange(float(n))
    content = ProfileContent((Trace(("A", 1, 1), row, row, row, bits, np.arange(n), row, np.stack([row, row], 1)),))
    translator = translator_of("de", compiled)
    try:
        shown = {entry.mark: entry.text for entry in legend(content) if entry.mark in FLAGS}
        assert flag_words(bits).tolist() == list(FLAGS)
    finally:
        QCoreApplication.removeTranslator(translator)
    assert set(shown) == set(FLAGS)
    assert [word for word in FLAGS if shown[word] == word] == []
    assert shown["obstacle"] == "Hindernis"


def test_words_of_findings_and_states_are_listed(strings):
    """Severities, flags, kinds and steps come from the data; each must be known to the tool by itself."""
    from turnrow.processing_provider.engine.core import findings, notes, readings
    from turnrow.processing_provider.engine.workflow.session import STEPS

    known = set(strings.texts())
    assert {*STEPS, *findings.SEVERITIES, *readings.FLAGS, *readings.KINDS, *notes.KINDS} <= known


PROGRAM = """
import sys
from qgis.core import QgsApplication, QgsSettings

application = QgsApplication([], False)
application.initQgis()
QgsSettings().setValue("locale/overrideFlag", True)
QgsSettings().setValue("locale/userLocale", "de_AT")
sys.path.insert(0, r"{folder}")
import turnrow.plugin.main
from pathlib import Path

turnrow.plugin.main.TRANSLATIONS = Path(r"{compiled}")
for times in range(2):
    plugin = turnrow.classFactory(None)
    plugin.initProcessing()
    name = plugin.provider.algorithm("readlog").displayName()
    assert name == "Messdatei lesen", name
    plugin.unload()
    assert turnrow.plugin.main.tr("Grid") == "Grid", "the translator is left behind"
"""


def test_plugin_follows_the_language_of_qgis_and_takes_it_away(tmp_path, compiled):
    (tmp_path / "turnrow").symlink_to(ROOT, target_is_directory=True)
    script = PROGRAM.format(folder=tmp_path, compiled=compiled)
    environment = {"QGIS_CUSTOM_CONFIG_PATH": str(tmp_path / "profile")}
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False,
                          env={**os.environ, **environment})  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]

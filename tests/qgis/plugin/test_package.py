"""The zip of a release: what is in it, what the plugin site asks of it, and that its help opens without a network."""

import ast
import configparser
import json
import re
import subprocess
import sys
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pytest
from qgis.PyQt.QtCore import QUrl

ROOT = Path(__file__).resolve().parents[3]
XHTML = "{http://www.w3.org/1999/xhtml}"
# The plugin site's rules (its documentation, "Publish a plugin", and its validator).
MOST_BYTES = 25_000_000
FORBIDDEN = (".pyc", ".exe", ".dll", ".so", ".dylib", ".bat", ".sh", ".ps1", ".cmd")
BINARY = (".png", ".qm", ".gpkg", ".tif")
REQUIRED = ("name", "description", "version", "qgisMinimumVersion", "author", "email", "about", "tracker", "repository")
# What its security scan (bandit) blocks: B101, B102, B307; B301 to B303, B401 to B415.
CALLS = {"exec", "eval"}
MODULES = {"pickle", "marshal", "shelve", "dill", "telnetlib", "ftplib", "xml", "lxml", "xmlrpc", "pyghmi", "random"}

LOADER = """
import json, sys

sys.path.insert(0, r"{processing}")
from qgis.core import QgsApplication

application = QgsApplication([], False)
application.initQgis()
from processing.core.Processing import Processing

Processing.initialize()
sys.path.insert(0, r"{folder}")
import turnrow

plugin = turnrow.classFactory(None)
plugin.initProcessing()
print(json.dumps({{a.id(): a.helpUrl() for a in plugin.provider.algorithms()}}))
"""


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    """The zip of the files under version control as they are now."""
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    path = tmp_path_factory.mktemp("package") / "turnrow.zip"
    done = subprocess.run(["bash", str(ROOT / "tests" / "package.sh"), str(path)], capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return path


@pytest.fixture(scope="module")
def names(package):
    with zipfile.ZipFile(package) as archive:
        return [info.filename for info in archive.infolist() if not info.is_dir()]


@pytest.fixture(scope="module")
def unpacked(package, tmp_path_factory):
    folder = tmp_path_factory.mktemp("unpacked")
    with zipfile.ZipFile(package) as archive:
        archive.extractall(folder)
    return folder


def test_archive_holds_the_plugin_and_nothing_else(names):
    assert {"turnrow/__init__.py", "turnrow/metadata.txt", "turnrow/LICENSE", "turnrow/README.md"} <= set(names)
    folders = {name.split("/")[1] for name in names if name.count("/") > 1}
    assert folders == {"plugin", "processing_provider", "help", "i18n"}
    assert not [name for name in names if name.rsplit("/", 1)[-1].startswith(".")]
    languages = {path.stem for path in (ROOT / "i18n").glob("turnrow_*.ts")}
    assert {Path(name).stem for name in names if name.startswith("turnrow/i18n/")} == languages
    assert not [name for name in names if name.startswith("turnrow/i18n/") and not name.endswith(".qm")]


def test_archive_keeps_the_rules_for_files(package, names):
    with zipfile.ZipFile(package) as archive:
        files = [info for info in archive.infolist() if not info.is_dir()]
        assert [f.filename for f in files if (f.external_attr >> 16) & 0o111] == []
        assert sum(f.compress_size for f in files) < MOST_BYTES
        for name in names:
            if not name.endswith(BINARY):
                archive.read(name).decode("utf-8")
    assert len(names) == len(set(names))
    assert {name.split("/")[0] for name in names} == {"turnrow"}
    assert not [name for name in names if name.endswith(FORBIDDEN)]
    assert not [name for name in names if {"__pycache__", ".git", "__MACOSX", ".."} & set(name.split("/"))]


def test_metadata_of_the_archive_is_what_the_site_asks_for(unpacked, names):
    parser = configparser.ConfigParser()
    parser.optionxform = str
    parser.read_string((unpacked / "turnrow" / "metadata.txt").read_text("utf-8"))
    facts = dict(parser.items("general"))
    assert [word for word in REQUIRED if not facts.get(word)] == []
    assert "/" not in facts["author"]
    assert re.fullmatch(r"\d+\.\d+\.\d+", facts["version"])
    assert all(facts[word].startswith("https://") for word in ("tracker", "repository", "homepage"))
    assert f"turnrow/{facts['icon']}" in names


def test_code_of_the_archive_passes_the_security_scan(unpacked):
    """The rules that block an upload and that a parser can see; a finding names file and line."""
    found = []
    for path in sorted(unpacked.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            modules = []
            if isinstance(node, ast.Import):
                modules = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and not node.level:
                modules = [node.module]
            call = node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
            silent = isinstance(node, ast.ExceptHandler) and len(node.body) == 1 and isinstance(
                node.body[0], (ast.Pass, ast.Continue)) and node.type is None  # fmt: skip
            if isinstance(node, ast.Assert) or call in CALLS or silent or {m.split(".")[0] for m in modules} & MODULES:
                found.append(f"{path.relative_to(unpacked)}:{node.lineno}")
    assert found == []


def test_every_help_link_opens_from_the_archive(unpacked, qgis_processing, turnrow_provider):
    """The plugin is loaded from the unpacked zip, in a program of its own."""
    import processing

    script = LOADER.format(folder=unpacked, processing=Path(processing.__file__).parents[1])
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    links = json.loads(done.stdout.strip().splitlines()[-1])
    assert set(links) == {algorithm.id() for algorithm in turnrow_provider.algorithms()}
    seen, waiting = set(), [Path(QUrl(link).toLocalFile()) for link in links.values()]
    while waiting:
        page = waiting.pop()
        if page in seen:
            continue
        seen.add(page)
        waiting += linked_pages(page, unpacked / "turnrow" / "help")
    # From any page all others are reached.
    assert {page.name for page in seen} == {page.name for page in (unpacked / "turnrow" / "help").glob("*.html")}


def linked_pages(page: Path, folder: Path) -> list[Path]:
    """Return the pages that a help page links to; it is well-formed, and all that it shows lies in the folder."""
    assert page.parent == folder
    assert page.suffix == ".html"
    root = ElementTree.parse(page).getroot()
    text = page.read_text("utf-8")
    assert not re.search(r"url\(|@import|<script|<link|<iframe", text), page.name
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", text), page.name
    assert root.find(f".//{XHTML}h1") is not None
    images = [image.get("src") for image in root.iter(f"{XHTML}img")]
    assert images
    for image in images:
        assert (folder / image).read_bytes().startswith(b"\x89PNG"), image
    names = {place.get("id") for place in root.iter()}
    targets = [a.get("href") for a in root.iter(f"{XHTML}a") if a.get("href")]
    assert [t for t in targets if t.startswith("#") and t[1:] not in names] == []
    return [folder / target.split("#")[0] for target in targets if not target.startswith("#")]

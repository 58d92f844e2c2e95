"""The pages of docs/: what each must say, that links and figures are there, and that help pages are made of them."""

import importlib.util
import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
METHODS = sorted((DOCS / "methods").glob("*.md"))
SECTIONS = ("Model", "Symbols", "How it is", "Assumptions", "What it cannot see", "What it reports",
            "Constants that matter", "References")  # fmt: skip
MOST_BYTES = 150_000


def module(name: str, path: Path):
    """Return a module made from a script of docs/."""
    if name not in sys.modules:
        found = importlib.util.spec_from_file_location(name, path)
        sys.modules[name] = importlib.util.module_from_spec(found)
        found.loader.exec_module(sys.modules[name])
    return sys.modules[name]


@pytest.fixture(scope="module")
def builder():
    return module("turnrow_docs_build", DOCS / "build.py")


@pytest.fixture(scope="module")
def built(builder, tmp_path_factory):
    folder = tmp_path_factory.mktemp("help")
    builder.build(folder)
    return folder


@pytest.mark.parametrize("page", METHODS, ids=lambda path: path.stem)
def test_page_has_its_sections_in_order_and_a_small_figure(page):
    text = page.read_text("utf-8")
    headings = re.findall(r"^## (.+)$", text, re.MULTILINE)
    assert [next((s for s in SECTIONS if h.startswith(s)), h) for h in headings] == list(SECTIONS)
    (figure,) = re.findall(r"!\[[^\]]+\]\((figures/[\w-]+\.png)\)", text)
    assert figure == f"figures/{page.stem}.png"
    assert (page.parent / figure).stat().st_size < MOST_BYTES


def test_script_has_a_figure_for_every_page():
    """It is loaded, so that what it uses of the engine is there; drawing takes longer than a test should."""
    figures = module("turnrow_docs_figures", DOCS / "methods" / "figures.py")
    assert sorted(figures.FIGURES) == [page.stem for page in METHODS]


def test_every_page_becomes_a_help_page(builder):
    assert sorted(builder.PAGES) == sorted(["start", *(f"methods/{page.stem}" for page in METHODS)])


@pytest.mark.parametrize("page", [DOCS / "start.md", *METHODS, ROOT / "README.md"], ids=lambda path: path.stem)
def test_links_of_a_page_lead_to_files(page):
    targets = re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8"))
    assert [t for t in targets if not t.startswith("https://") and not (page.parent / t.split("#")[0]).is_file()] == []


def test_code_points_to_pages_that_are_there():
    named = set()
    for path in (ROOT / "processing_provider").rglob("*.py"):
        named |= set(re.findall(r"docs/((?:methods/)?[\w-]+\.md)", path.read_text("utf-8")))
    assert named
    assert [page for page in sorted(named) if not (DOCS / page).is_file()] == []


def test_table_of_findings_is_that_of_the_code():
    codes = module("turnrow_docs_codes", DOCS / "methods" / "codes.py")
    text = (DOCS / "methods" / "compare.md").read_text("utf-8")
    assert text == codes.with_table(text), "run docs/methods/codes.py"


@pytest.mark.parametrize("page", METHODS, ids=lambda path: path.stem)
def test_constants_of_a_page_have_the_values_of_the_code(page):
    constants = module("turnrow_docs_constants", DOCS / "methods" / "constants.py")
    rows = list(constants.rows_of(page.read_text("utf-8")))
    assert rows
    for where, names, values in rows:
        try:
            now = "; ".join(constants.value_of(where, name) for name in names)
        except (AttributeError, ImportError) as error:
            pytest.fail(f"{page.name} names a constant that is not there: {error}. Name it as the code does.")
        assert now == values, f"{page.name}: {where} {' '.join(names)} is {now}. Run docs/methods/constants.py."


def test_same_pages_make_the_same_files(builder, built, tmp_path):
    builder.build(tmp_path / "again")
    first, again = ({p.relative_to(f): p.read_bytes() for p in f.rglob("*.*")} for f in (built, tmp_path / "again"))
    assert first == again


def test_formulas_become_mathml(builder, built):
    """Every dollar outside code is a formula; MathML needs no script (W3C, MathML Core)."""
    for page in builder.PAGES:
        text = (DOCS / f"{page}.md").read_text("utf-8")
        body = re.sub(r"^```.*?^```|`[^`\n]+`", "", text, flags=re.DOTALL | re.MULTILINE)
        formulas = len(re.findall(r"\$\$.+?\$\$", body, re.DOTALL))
        formulas += body.replace("$$", "").count("$") // 2
        tree = ElementTree.parse(built / f"{builder.name_of(page)}.html")
        found = tree.findall(".//{http://www.w3.org/1998/Math/MathML}math")
        assert len(found) == formulas, page
        shown = "".join(tree.getroot().itertext())
        assert "FORMULA" not in shown, page
        # What the converter does not know it leaves as it stands.
        assert not re.search(r"\\[a-zA-Z]+", "".join("".join(f.itertext()) for f in found)), page


def test_dollars_in_code_stay_as_they_are(builder):
    page = builder.page_of("# Title\n\nA `$5` and $x_1$.\n\n```sh\necho $grid $more\n```\n", "")
    assert "<code>$5</code>" in page
    assert "echo $grid $more" in page
    assert page.count("<math") == 1

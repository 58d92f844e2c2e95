"""Makes the help pages: python docs/build.py [FOLDER] (default: ``help`` in the root, where the plugin looks for them).

Every page of ``docs`` that ``PAGES`` names becomes an HTML file of its own, formulas as MathML, figures beside it. The
pages need no network, no script and no font, follow the light or dark theme of the desktop, and print. They are
well-formed XML as well, so that a test can read them. The same pages give the same files, to the byte.

Needs the Python packages ``markdown`` and ``latex2mathml`` (group ``docs`` of pyproject.toml).
"""

from __future__ import annotations

import html
import re
import shutil
import sys
from pathlib import Path

import markdown
from latex2mathml.converter import convert

DOCS = Path(__file__).resolve().parent
PAGES = (
    "start",
    "methods/read",
    "methods/compare",
    "methods/mistakes",
    "methods/evening",
    "methods/place",
    "methods/outliers",
    "methods/align",
    "methods/balance-traverses",
    "methods/balance-grids",
    "methods/interpolate",
    "methods/minimum-curvature",
    "methods/kriging",
    "methods/standard-errors",
    "methods/regional-local",
)
"""In the order of the work; the first is where the others are reached from."""
# Code first, in which a dollar is a dollar; then formulas of their own line and those within one.
PARTS = re.compile(
    r"(?P<code>^```.*?^```|`[^`\n]+`)|\$\$(?P<block>.+?)\$\$|\$(?P<inline>[^$`]+?)\$", re.DOTALL | re.MULTILINE
)
STYLE = """
:root { color-scheme: light dark; --text: #1c1c1c; --page: #ffffff; --line: #c8c8c8; --code: #f2f2ef; --link: #0b57a4; }
@media (prefers-color-scheme: dark) {
  :root { --text: #e4e4e4; --page: #1d1f21; --line: #4a4d50; --code: #2a2d30; --link: #8ab8f0; }
}
body { max-width: 46rem; margin: 0 auto; padding: 1rem; color: var(--text); background: var(--page);
       font: 1rem/1.5 system-ui, "Segoe UI", "Noto Sans", sans-serif; }
nav { font-size: 0.85rem; border-bottom: 1px solid var(--line); padding-bottom: 0.5rem; }
a { color: var(--link); }
h1 { line-height: 1.2; } h2 { margin-top: 2rem; }
img { max-width: 100%; height: auto; background: #ffffff; padding: 0.3rem; box-sizing: border-box; }
table { border-collapse: collapse; width: 100%; font-size: 0.9rem; }
th, td { border-bottom: 1px solid var(--line); padding: 0.25rem 0.6rem 0.25rem 0; text-align: left;
         vertical-align: top; }
code, pre { font-family: ui-monospace, "DejaVu Sans Mono", Consolas, monospace; font-size: 0.88em;
            background: var(--code); border-radius: 0.2rem; }
code { padding: 0.05rem 0.2rem; overflow-wrap: break-word; }
pre { padding: 0.6rem; overflow-x: auto; } pre code { padding: 0; overflow-wrap: normal; }
math { font-size: 1.05em; }
.formula { overflow-x: auto; overflow-y: hidden; padding: 0.3rem 0; text-align: center; }
@media print {
  :root { --text: #000000; --page: #ffffff; --line: #999999; --code: #f2f2ef; --link: #000000; }
  body { max-width: none; padding: 0; font-size: 10pt; } nav { display: none; }
  img, table, pre, .formula { break-inside: avoid; } h1, h2, h3 { break-after: avoid; }
}
"""


def name_of(page: str) -> str:
    """Return the name of a page's file without its ending, such as ``align`` for ``methods/align``."""
    return page.rsplit("/", 1)[-1]


def title_of(text: str) -> str:
    """Return the title of a page: its first heading."""
    return re.search(r"^# (.+)$", text, re.MULTILINE)[1]


def with_formulas(text: str) -> tuple[str, dict[str, str]]:
    """Return a page with a mark in the place of each formula, and the MathML for each mark."""
    formulas: dict[str, str] = {}

    def replaced(part: re.Match) -> str:
        if part["code"]:
            return part[0]
        mark = f"FORMULA{len(formulas)}END"
        if part["block"]:
            shown = convert(part["block"].strip(), display="block")
            formulas[mark] = f'<div class="formula">{shown}</div>'
            return f"\n\n{mark}\n\n"
        formulas[mark] = convert(" ".join(part["inline"].split()))
        return mark

    return PARTS.sub(replaced, text), formulas


def linked(body: str) -> str:
    """Return the HTML of a page with its links to other pages and its images turned to where they lie in the folder."""
    body = re.sub(r'href="(?:\.\./|methods/)?([\w-]+)\.md(#[\w-]+)?"', r'href="\1.html\2"', body)
    return re.sub(r'src="(?:figures/|methods/figures/|\.\./)?([\w-]+\.png)"', r'src="figures/\1"', body)


def page_of(text: str, navigation: str) -> str:
    """Return a whole HTML page for a page in Markdown."""
    text, formulas = with_formulas(text)
    body = markdown.markdown(text, extensions=["tables", "fenced_code", "toc", "sane_lists"], output_format="xhtml")
    for mark, formula in formulas.items():
        body = body.replace(f"<p>{mark}</p>", formula) if f"<p>{mark}</p>" in body else body.replace(mark, formula, 1)
    return (
        '<!DOCTYPE html>\n<html lang="en" xmlns="http://www.w3.org/1999/xhtml">\n<head>\n<meta charset="utf-8" />\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1" />\n'
        f"<title>{html.escape(title_of(text))} - Turnrow</title>\n<style>{STYLE}</style>\n</head>\n<body>\n"
        f"<nav>{navigation}</nav>\n{linked(body)}\n</body>\n</html>\n"
    )


def build(folder: Path) -> None:
    """Write all pages and their images into a folder, which is emptied first."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "figures").mkdir(parents=True)
    texts = {page: (DOCS / f"{page}.md").read_text(encoding="utf-8") for page in PAGES}
    titles = {page: title_of(text) for page, text in texts.items()}
    for page, text in texts.items():
        parts = [
            html.escape(title) if other == page else f'<a href="{name_of(other)}.html">{html.escape(title)}</a>'
            for other, title in titles.items()
        ]
        out = folder / f"{name_of(page)}.html"
        out.write_bytes(page_of(text, " · ".join(parts)).encode("utf-8"))
        for image in re.findall(r"!\[[^\]]*\]\(([^)\s]+)\)", text):
            shutil.copyfile((DOCS / page).parent / image, folder / "figures" / Path(image).name)


if __name__ == "__main__":
    build(Path(sys.argv[1]) if len(sys.argv) > 1 else DOCS.parent / "help")

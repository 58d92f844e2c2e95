"""Words that have a better one: ``python tests/words.py [part of a path ...]`` prints where they are, and how many.

A word is looked for whole, in any case: in names (``count_of_plates``, ``NoPlate``), docstrings, comments and texts of
the plugin, in its templates, in the README and the pages of ``docs/``. What programs outside rely on keeps its words,
and so does what means something else: both are listed below with the reason.
"""

from __future__ import annotations

import io
import re
import sys
import tokenize
from dataclasses import dataclass
from pathlib import Path
from typing import Iterator

ROOT = Path(__file__).resolve().parents[1]
ENGINE = "processing_provider/engine/"
NAMES, TEXTS = "names", "texts"


@dataclass(frozen=True)
class Word:
    """Forms of a word, what says it better, where it is wrong (start of a path) and whether in names or in texts."""

    forms: str
    better: str
    under: str = ""
    kinds: tuple[str, ...] = (NAMES, TEXTS)

    def forms_in(self, kind: str, text: str) -> list[str]:
        """Return the forms of the word that a text holds, whole."""
        pattern = rf"(?<![^\W_])(?:{self.forms})(?![^\W_])"
        return re.findall(pattern, text, re.IGNORECASE) if kind in self.kinds else []


WORDS = (
    Word("tells?|told|telling", "estimate, imply, report, say, show"),
    Word("foretells?|foretold|foretelling", "predict"),
    Word("doubt(?:s|ed|ful)?", "recording mistake; people read: possible mistake"),
    Word("strangers?|strange", "foreign; a line of another site"),
    Word("stands? for nothing|stand for nothing", "spike (of spike and slab)"),
    Word("usual", "robust scale; where people read: common, default"),
    Word("plates?", "minimum-curvature surface"),
    Word("paint(?:s|ed|ing)?", "evaluate", ENGINE),
    Word("quiet(?:er|ly)?", "smooth, smoothing spline", ENGINE),
    Word("sheets?", "adjoining grids", ENGINE),
    Word("patch(?:es)?", "line segment", ENGINE),
    # Plain English in a sentence, but as names of what is computed they hide what it is.
    Word("shares?", "weight, fraction", ENGINE, (NAMES,)),
    Word("rest", "residual, others", ENGINE, (NAMES,)),
    Word("apart", "difference, separation", ENGINE, (NAMES,)),
    Word("ground", "geology, signal", ENGINE, (NAMES,)),
    Word("crossings?", "crossover (tie line and traverse)", ENGINE, (NAMES,)),
    Word("widths?", "prior standard deviation", ENGINE + "balance/", (NAMES,)),
    Word("widths?", "prior standard deviation", ENGINE + "mosaic/", (NAMES,)),
)
ALLOWED: tuple[tuple[str, str, str], ...] = (
    # start of a path, what is allowed (a regular expression), and why
    (ENGINE, r"\bwidth_m\b", "column of the register"),
    ("README", r"benchmarks/doubts\.py", "name of a file"),
    ("", r"\bline[-_]strange\b", "code of a finding"),
    (ENGINE + "balance/", r"\b(?:ground_step|crossings)\b", "keys of the record in recipe.json"),
    (ENGINE + "logs/text.py", r"\btell\b", "method of files"),
)


def parts_of(path: Path) -> Iterator[tuple[int, str, str]]:
    """Yield line, kind and text of every name and text of a file; a text line by line."""
    text = path.read_text("utf-8")
    if path.suffix != ".py":
        yield from ((number, TEXTS, line) for number, line in enumerate(text.splitlines(), 1))
        return
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.NAME:
            yield token.start[0], NAMES, re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", token.string)
        elif token.type == tokenize.COMMENT or tokenize.tok_name[token.type] in ("STRING", "FSTRING_MIDDLE"):
            yield from ((number, TEXTS, line) for number, line in enumerate(token.string.splitlines(), token.start[0]))


def found(path: Path, name: str) -> Iterator[str]:
    """Yield a sentence for every place of a file where a word has a better one; ``name`` is its path from the root."""
    words = [word for word in WORDS if name.startswith(word.under)]
    spared = [re.compile(pattern, re.IGNORECASE) for under, pattern, _ in ALLOWED if name.startswith(under)]
    for number, kind, text in parts_of(path):
        for pattern in spared:
            text = pattern.sub("", text)
        for word in words:
            for form in word.forms_in(kind, text):
                yield f"{name}:{number}: {form if kind == TEXTS else text}: better {word.better}"


def files(root: Path = ROOT) -> list[str]:
    """Return the paths, from the root, of all files that are read."""
    folders = [root / folder for folder in ("plugin", "processing_provider")]
    code = [path for folder in folders for path in folder.rglob("*") if path.suffix in (".py", ".j2")]
    return sorted(p.relative_to(root).as_posix() for p in (*code, root / "README.md", *(root / "docs").rglob("*.md")))


def main(*only: str) -> int:
    """Print what is found in the files whose paths hold one of ``only``; return how much it is."""
    sentences = [
        sentence
        for name in files()
        if not only or any(part in name for part in only)
        for sentence in found(ROOT / name, name)
    ]
    for sentence in sentences:
        print(sentence)
    print(f"{len(sentences)} words that have a better one", file=sys.stderr)
    return len(sentences)


if __name__ == "__main__":
    sys.exit(1 if main(*sys.argv[1:]) else 0)

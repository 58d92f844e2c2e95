"""Lists every text that a person reads and that is translated: what the rows, the models and the window say.

``update.sh`` hands the list to ``lupdate``, which cannot see texts that stand in rows and models.
"""

from __future__ import annotations

import ast
import importlib.util
import json
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
NAME = "turnrow"
CODE = ("plugin", "processing_provider")


def package():
    """Register the checkout as the package ``turnrow``, unless that is done."""
    if NAME not in sys.modules:
        init = ROOT / "__init__.py"
        spec = importlib.util.spec_from_file_location(NAME, init, submodule_search_locations=[str(ROOT)])
        sys.modules[NAME] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[NAME])


def named() -> dict[str, tuple[str, ...]]:
    """Return the texts behind every ``tr`` of something that is not a text: by file and how the code calls it."""
    from turnrow.plugin.log_layout import column_head, role_colours
    from turnrow.plugin.profile import traces
    from turnrow.plugin.workbench import controller as desk
    from turnrow.plugin.workbench import lists
    from turnrow.processing_provider import ready_model
    from turnrow.processing_provider.engine.core import edits, findings, notes, readings
    from turnrow.processing_provider.engine.logs import ROLES, ROW_WORDS
    from turnrow.processing_provider.engine.workflow import session

    columns = [c for kind in lists.List.__subclasses__() for c in kind.COLUMNS]
    rows, model = (), ()  # They are listed by themselves.
    return {
        "plugin/log_layout/column_head.py: part": tuple(part for part, _ in column_head.PARTS),
        "plugin/log_layout/role_colours.py: role.replace('_', ' ')": tuple(role.replace("_", " ") for role in ROLES),
        "plugin/log_layout/role_colours.py: UNUSED": (role_colours.UNUSED,),
        "plugin/log_layout/rows_table.py: row.kind": ROW_WORDS,
        "plugin/workbench/controller.py: AGAIN": (desk.AGAIN,),
        "plugin/workbench/view_models.py: kind": (traces.LOGGED, traces.CORRECTED),
        "plugin/workbench/controller.py: word": edits.BY_HAND,
        "plugin/workbench/lists.py: STEPS[done - 1]": session.STEPS,
        "plugin/workbench/lists.py: WALKED[int(table.heading[first])]": tuple(lists.WALKED.values()),
        "plugin/workbench/lists.py: c": tuple(columns),
        "plugin/workbench/lists.py: finding.severity": findings.SEVERITIES,
        "plugin/workbench/lists.py: severity": findings.SEVERITIES,
        "plugin/workbench/lists.py: kind": (*notes.KINDS, *readings.KINDS),
        "plugin/workbench/lists.py: step": session.STEPS,
        "plugin/workbench/line_panel.py: word": readings.FLAGS,
        "plugin/profile/profile_painter.py: flag": readings.FLAGS,
        "processing_provider/base.py: r.help": rows,
        **{f"processing_provider/base.py: self.{name}": rows for name in ("LABEL", "GROUP", "SUMMARY", "HELP")},
        **{f"processing_provider/parameters.py: self.{name}": rows for name in ("label", "unit", "help")},
        "processing_provider/ready_model.py: definition.description()": model,
        "processing_provider/ready_model.py: definition.help()": model,
        "processing_provider/ready_model.py: said": model,
        "processing_provider/ready_model.py: title": tuple(ready_model.TITLES.values()),
        "processing_provider/ready_model.py: super().group()": model,
    }


def of_code() -> list[str]:
    """Return the texts in the code, in its order.

    Raises
    ------
    KeyError
        When the code translates something that is neither a text nor known to ``named``.
    """
    known, texts = named(), []
    for path in sorted(p for folder in CODE for p in (ROOT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "tr":
                said = node.args[0]
                place = f"{path.relative_to(ROOT).as_posix()}: {ast.unparse(said)}"
                texts += [said.value] if isinstance(said, ast.Constant) else known[place]
    return texts


def of_rows() -> list[str]:
    """Return what the algorithms and their rows say."""
    from turnrow.processing_provider.provider import ALGORITHMS

    texts = []
    for algorithm in ALGORITHMS:
        texts += [algorithm.LABEL, algorithm.GROUP, algorithm.SUMMARY, algorithm.HELP]
        for row in (*algorithm.PARAMETERS, *algorithm.RESULTS):
            texts += [row.label, getattr(row, "unit", ""), row.help]
    return texts


def of_models() -> list[str]:
    """Return what the ready-made models say."""
    from qgis.core import QgsProcessingModelAlgorithm
    from turnrow.processing_provider.provider import MODELS
    from turnrow.processing_provider.ready_model import MAKER

    texts = []
    for path in sorted(MODELS.glob("*.model3")):
        model = QgsProcessingModelAlgorithm()
        model.fromFile(str(path))
        texts.append(model.group())
        texts += [text for d in model.parameterDefinitions() for text in (d.description(), d.help())]
        for step in model.childAlgorithms().values():
            texts += [output.description() for output in step.modelOutputs().values()]
        texts += [said for part, said in model.helpContent().items() if part != MAKER]
    return texts


def texts() -> list[str]:
    """Return every text once."""
    package()
    return [text for text in dict.fromkeys([*of_rows(), *of_models(), *of_code()]) if text]


if __name__ == "__main__":
    # A C++ string is written as a JSON string is.
    for text in texts():
        quoted = json.dumps(text, ensure_ascii=False)
        sys.stdout.write(f'QCoreApplication::translate("Turnrow", {quoted});\n')

"""Defaults and words of the rows are those of what works with them: found by following each value from its row.

An algorithm reads its inputs as ``values.<id>`` and passes them on. The walk below reads the code of ``run_values``,
and of every function that is handed ``values`` itself, and notes which parameter of which function each input becomes.
So a new algorithm is compared without being named here.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import sys
import textwrap
from dataclasses import dataclass, replace
from typing import Callable, Iterator, Optional

import pytest
from turnrow.processing_provider.algorithms.balancetraverses import BalanceTraverses
from turnrow.processing_provider.algorithms.comparenotes import CompareNotes
from turnrow.processing_provider.algorithms.flagoutliers import FlagOutliers
from turnrow.processing_provider.engine.core import LIMITS
from turnrow.processing_provider.engine.interpret import split_response
from turnrow.processing_provider.parameters import Choice, Number
from turnrow.processing_provider.provider import ALGORITHMS

VALUES, NONE = "values", inspect.Parameter.empty


@dataclass(frozen=True)
class Use:
    """An input, by its lower-case id, as the parameter of a function; '' where the function looks it up in a table."""

    input: str
    function: Callable
    parameter: str


def uses(function: Callable) -> Iterator[Use]:
    """Yield what becomes of the inputs in a function that has ``values`` among its parameters."""
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    names = dict(vars(sys.modules[function.__module__]))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            package = function.__module__.rsplit(".", node.level)[0]
            module = importlib.import_module(f"{package}.{node.module}")
            names.update({alias.name: getattr(module, alias.name) for alias in node.names})
    options = {
        node.targets[0].id: node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name) and isinstance(node.value, ast.Dict)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Subscript) and (name := input_in(node.slice)) is not None:
            yield Use(name, function, "")
    for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
        called = names.get(call.func.id)
        if callable(called) and getattr(called, "__module__", "").startswith("turnrow."):
            yield from _uses_in_call(call, called, options)


def _uses_in_call(call: ast.Call, called: Callable, options: dict[str, ast.Dict]) -> Iterator[Use]:
    try:
        parameters = list(inspect.signature(called).parameters)
    except ValueError:  # an error class: it takes a sentence
        return
    given = list(zip(parameters, call.args))
    for keyword in call.keywords:
        if keyword.arg is not None:
            given.append((keyword.arg, keyword.value))
        elif isinstance(keyword.value, ast.Name) and keyword.value.id in options:
            several = options[keyword.value.id]
            given += [(key.value, value) for key, value in zip(several.keys, several.values)]
    for parameter, value in given:
        if isinstance(value, ast.Name) and value.id == VALUES:
            yield from uses(inspect.unwrap(called))
        elif (name := input_in(value)) is not None:
            yield Use(name, called, parameter)


def input_in(value: ast.expr) -> Optional[str]:
    """Return the id in ``values.id`` or in a method of it, such as ``values.id.strip()``; None in anything else."""
    if isinstance(value, ast.Call) and isinstance(value.func, ast.Attribute):
        value = value.func.value
    whole = isinstance(value, ast.Attribute) and isinstance(value.value, ast.Name) and value.value.id == VALUES
    return value.attr if whole else None


def default_of(use: Use) -> object:
    """Return the default of the parameter that an input becomes; ``NONE`` where it has none."""
    return inspect.signature(use.function).parameters[use.parameter].default if use.parameter else NONE


def words_of(use: Use) -> Optional[tuple[str, ...]]:
    """Return the words that the code of a function allows for a parameter; None where it names none.

    They are what the parameter is checked against (``check_choice``), or the keys of the table that it is looked up in.
    """
    module = inspect.getmodule(inspect.unwrap(use.function))
    for node in ast.walk(ast.parse(inspect.getsource(module))):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "check_choice":
            looked_at, allowed = node.args[1:]
        elif isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id.isupper():
            looked_at, allowed = node.slice, node.value
        else:
            continue
        if ast.unparse(looked_at).rsplit(".", 1)[-1] == (use.parameter or use.input):
            return tuple(eval(compile(ast.Expression(allowed), "", "eval"), vars(module)))  # noqa: S307
    return None


def faults(algorithm, rows) -> list[str]:
    """Return a sentence for each row whose default or words are not those of what works with it."""
    found, words = [], {}
    by_id = {row.id.lower(): row for row in rows}
    for use in uses(algorithm.run_values):
        if use.input not in by_id:  # what Values itself has, such as the context
            continue
        row, default = by_id[use.input], default_of(use)
        if hasattr(row, "default") and default is not NONE and row.default != default:
            found.append(f"{row.id}: {row.default!r} is not {default!r} of {use.function.__name__}")
        if isinstance(row, Choice) and words.get(row.id) is None:
            words[row.id] = words_of(use)
    for row in rows:
        if isinstance(row, Choice) and words.get(row.id) != row.words:
            found.append(f"{row.id}: {row.words} are not {words.get(row.id)}")
    return found


def unbounded(algorithm, rows) -> list[str]:
    """Return a sentence for each number without bounds, or with others than the engine has for its parameter."""
    found = []
    # The width of features is no width of a grid.
    used = [use for use in uses(algorithm.run_values) if use.function is not split_response]
    limits = {use.input: LIMITS[use.parameter] for use in used if use.parameter in LIMITS}
    for row in rows:
        if isinstance(row, Number):
            least, most = limits.get(row.id.lower(), (-1e6, 1e6))
            if not least <= row.minimum < row.maximum <= most:
                found.append(f"{row.id}: {row.minimum:g} to {row.maximum:g} is not within {least:g} to {most:g}")
    return found


@pytest.mark.parametrize("algorithm", ALGORITHMS, ids=lambda a: a.NAME)
def test_every_number_has_bounds(algorithm):
    assert unbounded(algorithm, algorithm.PARAMETERS) == []


@pytest.mark.parametrize("id", ["LENGTH", "FIRST_OFFSET", "SENSOR_RIGHT"])
def test_a_number_without_bounds_is_found(id):
    plain = [replace(row, minimum=-1e9, maximum=1e9) if row.id == id else row for row in CompareNotes.PARAMETERS]
    (found,) = unbounded(CompareNotes, plain)
    assert found.startswith(f"{id}: -1e+09 to 1e+09 is not within ")


@pytest.mark.parametrize("algorithm", ALGORITHMS, ids=lambda a: a.NAME)
def test_defaults_and_words_are_those_of_what_works_with_them(algorithm):
    assert faults(algorithm, algorithm.PARAMETERS) == []


def test_the_inputs_of_every_correction_are_followed_into_the_engine():
    """Each compares one default at least; what is not followed would agree with anything."""
    for algorithm in (a for a in ALGORITHMS if a.GROUP == "Correct"):
        followed = [use for use in uses(algorithm.run_values) if ".engine." in use.function.__module__]
        assert any(default_of(use) is not NONE for use in followed), algorithm.NAME


@pytest.mark.parametrize(
    ("algorithm", "id", "change", "fault"),
    [
        (FlagOutliers, "THRESHOLD", {"default": 5}, "THRESHOLD: 5 is not 6"),
        (BalanceTraverses, "DRIFT", {"default": False}, "DRIFT: False is not True of balance_traverses"),
        (
            BalanceTraverses,
            "METHOD",
            {"words": ("median",), "default": "neighbours and ties"},
            "METHOD: ('median',) are not",
        ),
    ],
)
def test_another_default_and_other_words_are_found(algorithm, id, change, fault):
    rows = [replace(row, **change) if row.id == id else row for row in algorithm.PARAMETERS]
    (found,) = faults(algorithm, rows)
    assert found.startswith(fault)

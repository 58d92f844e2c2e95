"""The faults of tests/mutations.sh still have their places, and a fault that nobody notices is reported as such."""

import pytest

from . import mutations


@pytest.mark.parametrize("fault", mutations.FAULTS, ids=lambda fault: fault.what.replace(" ", "-"))
def test_a_fault_fits_one_place_and_its_tests_are_there(fault):
    path, text = mutations.planted(fault, mutations.ROOT)
    assert text != path.read_text("utf-8")
    compile(text, str(path), "exec")
    for test in fault.tests:
        file, _, name = test.partition("::")
        assert not name or f"def {name}(" in (mutations.ROOT / file).read_text("utf-8")
        assert (mutations.ROOT / file).is_file()


@pytest.fixture
def checkout(tmp_path):
    """A small checkout with a test that notices one of two faults."""
    (tmp_path / "code_of.py").write_text("def area(a, b):\n    return a * b\n", encoding="utf-8")
    test = "import code_of\n\ndef test_area():\n    assert code_of.area(2, 2) == 4\n"
    (tmp_path / "test_area.py").write_text(test, encoding="utf-8")
    return tmp_path


def fault(pattern, replacement, test="test_area.py"):
    return mutations.Fault("a fault", ".", pattern, replacement, (test,))


@pytest.mark.parametrize(("replacement", "good"), [("a - b", True), ("a + b", False)])
def test_a_fault_is_noticed_when_a_test_fails(checkout, replacement, good):
    before = (checkout / "code_of.py").read_text("utf-8")
    assert mutations.noticed(fault(r"a \* b", replacement), checkout)[0] is good
    assert (checkout / "code_of.py").read_text("utf-8") == before


def test_a_fault_that_breaks_the_import_is_not_noticed(checkout):
    good, said = mutations.noticed(fault(r"a \* b", "a *"), checkout)
    assert not good
    assert said.startswith("ERROR")


def test_code_that_has_moved_on_is_reported(checkout):
    assert mutations.noticed(fault(r"a / b", "a + b"), checkout) == (
        False, "0 places in . match a / b; the code has moved on",
    )  # fmt: skip

"""A folder takes the files of a run as one thing, whatever ends the run."""

import hashlib
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from turnrow.processing_provider.bridge.project import output_folder, staging
from turnrow.processing_provider.engine.core import EngineError

FILES = ("grids/A_ec.tif", "recipe.json", "report.html", "site_ec.tif", "survey.gpkg")


def write(folder, word, files=FILES):
    for name in files:
        path = folder / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(word, "utf-8")


def content(folder):
    """What a person sees: files that are not hidden."""
    return {
        path.relative_to(folder).as_posix(): path.read_text("utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not any(part.startswith(".") for part in path.relative_to(folder).parts)
    }


def hidden(folder):
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


@pytest.fixture
def result(tmp_path):
    """A folder with the result of an earlier run."""
    folder = tmp_path / "result"
    folder.mkdir()
    write(folder, "old")
    return folder


def test_files_appear_together_and_nothing_else_stays(tmp_path):
    with staging(tmp_path / "new") as stage:
        write(stage, "new")
        assert content(tmp_path / "new") == {}
    assert content(tmp_path / "new") == dict.fromkeys(FILES, "new")
    assert hidden(tmp_path / "new") == []


def test_a_run_that_fails_leaves_the_result_before(result):
    with pytest.raises(KeyError), staging(result) as stage:  # noqa: PT012
        write(stage, "new")
        raise KeyError("any")
    assert content(result) == dict.fromkeys(FILES, "old")
    assert hidden(result) == []


def test_a_folder_that_a_failed_run_made_goes_again(tmp_path):
    with pytest.raises(KeyError), staging(tmp_path / "new"):
        raise KeyError("any")
    assert not (tmp_path / "new").exists()


class TestTwoRuns:
    def test_the_second_is_refused_and_changes_nothing(self, result):
        with staging(result) as stage:
            write(stage, "new")
            with pytest.raises(EngineError, match="Another run writes into .*Wait until it has ended"), staging(result):
                pass
        assert content(result) == dict.fromkeys(FILES, "new")

    def test_a_lock_whose_program_is_gone_is_taken_over(self, result):
        program = (
            "import os, sys; from qgis.PyQt.QtCore import QLockFile; lock = QLockFile(sys.argv[1]); "
            "assert lock.tryLock(0); os.kill(os.getpid(), 9)"
        )
        subprocess.run([sys.executable, "-c", program, str(result / output_folder.LOCK)], check=False)
        assert hidden(result) == [output_folder.LOCK]
        with staging(result) as stage:
            write(stage, "new")
        assert content(result) == dict.fromkeys(FILES, "new")
        assert hidden(result) == []


class TestMoving:
    @pytest.mark.parametrize("moved", range(len(FILES)))
    def test_a_move_that_was_cut_off_is_finished_by_the_next_run(self, result, monkeypatch, moved):
        replace, done = Path.replace, []

        def cut_off(self, target):
            if Path(target).name != output_folder.JOURNAL:
                if len(done) == moved:
                    raise KeyboardInterrupt
                done.append(target)
            return replace(self, target)

        raised = pytest.raises(KeyboardInterrupt)
        with monkeypatch.context() as patched, raised, staging(result) as stage:
            write(stage, "new")
            patched.setattr(Path, "replace", cut_off)
        assert list(content(result).values()).count("new") == moved
        with pytest.raises(KeyError), staging(result):
            raise KeyError("the next run fails, but it has finished what was begun")
        assert content(result) == dict.fromkeys(FILES, "new")
        assert hidden(result) == []

    def test_what_a_run_left_without_a_journal_is_taken_away(self, result):
        (result / ".part-left").mkdir()
        write(result / ".part-left", "half")
        with staging(result) as stage:
            write(stage, "new", FILES[:2])
        assert hidden(result) == []
        assert content(result) == {**dict.fromkeys(FILES, "old"), **dict.fromkeys(FILES[:2], "new")}

    def test_rasters_of_the_run_before_that_are_not_made_again_go(self, result):
        digests = {name: hashlib.sha256(b"old").hexdigest() for name in ("grids/A_ec.tif", "site_ec.tif")}
        (result / "recipe.json").write_text(json.dumps({"rasters": digests}), "utf-8")
        (result / "site_ec.tif").write_text("changed by hand", "utf-8")
        (result / "grids" / "mine.tif").write_text("mine", "utf-8")
        with staging(result) as stage:
            write(stage, "new", ("recipe.json", "survey.gpkg"))
        assert content(result) == {
            "grids/mine.tif": "mine", "recipe.json": "new", "report.html": "old", "site_ec.tif": "changed by hand",
            "survey.gpkg": "new",
        }  # fmt: skip

    def test_a_recipe_cannot_name_files_outside(self, result, tmp_path):
        outside = tmp_path / "outside.tif"
        outside.write_text("old", "utf-8")
        digest = hashlib.sha256(b"old").hexdigest()
        stated = {"../outside.tif": digest, str(outside): digest}
        (result / "recipe.json").write_text(json.dumps({"rasters": stated}), "utf-8")
        with staging(result) as stage:
            write(stage, "new")
        assert outside.read_text("utf-8") == "old"


class TestInputs:
    @pytest.mark.parametrize("way", ["itself", "hard link", "symbolic link", "other spelling"])
    def test_an_input_that_would_be_replaced_is_refused_before_work(self, result, tmp_path, way):
        path, other = result / "survey.gpkg", tmp_path / "register.gpkg"
        if way == "hard link":
            os.link(path, other)
        elif way == "symbolic link":
            other.symlink_to(path)
        else:
            other = path if way == "itself" else result / "grids" / ".." / "survey.gpkg"
        sentence = "is an input, and the result would replace it as survey.gpkg.*choose another output folder"
        with pytest.raises(EngineError, match=sentence), staging(result, [other], ["survey.gpkg"]):
            pytest.fail("no work must be done")
        assert content(result) == dict.fromkeys(FILES, "old")

    def test_an_input_under_a_name_that_was_not_known_before_is_refused_before_anything_moves(self, result):
        with pytest.raises(EngineError, match="as site_ec.tif"), staging(result, [result / "site_ec.tif"]) as stage:
            write(stage, "new")
        assert content(result) == dict.fromkeys(FILES, "old")
        assert hidden(result) == []


class TestDatabases:
    def make(self, path, word):
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("CREATE TABLE words (word TEXT)")
            connection.execute("INSERT INTO words VALUES (?)", (word,))
            connection.commit()

    def test_a_log_that_a_dead_editor_left_does_not_spoil_the_new_file(self, tmp_path):
        folder = tmp_path / "result"
        folder.mkdir()
        database = folder / "survey.gpkg"
        self.make(database, "old")
        program = (
            "import os, sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute(sys.argv[2]); c.commit(); "
            "os.kill(os.getpid(), 9)"
        )
        subprocess.run([sys.executable, "-c", program, str(database), "INSERT INTO words VALUES ('edit')"], check=False)
        assert (folder / "survey.gpkg-wal").stat().st_size
        with staging(folder) as stage:
            self.make(stage / "survey.gpkg", "new")
        with closing(sqlite3.connect(database)) as connection:
            assert connection.execute("SELECT word FROM words").fetchall() == [("new",)]
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)

    def test_a_database_that_is_being_written_is_refused_before_work(self, tmp_path):
        self.make(tmp_path / "survey.gpkg", "old")
        with closing(sqlite3.connect(tmp_path / "survey.gpkg", isolation_level=None)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            with pytest.raises(EngineError, match="Another program is writing into .*survey.gpkg"), staging(tmp_path):
                pytest.fail("no work must be done")

    def test_what_is_no_database_is_replaced(self, result):
        with staging(result) as stage:
            write(stage, "new")
        assert content(result)["survey.gpkg"] == "new"


@pytest.mark.parametrize("what", ["move", "remove"])
@pytest.mark.parametrize(
    "name",
    ["../kept.txt", "grids/../../kept.txt", "/kept.txt", "C:kept.txt", "C:\\kept.txt", "..\\kept.txt", "\\\\host\\x",
     "", "a\0b", None, 7, ["x"]],
    ids=repr,
)  # fmt: skip
def test_a_journal_that_names_files_outside_is_refused_before_anything_is_moved(result, tmp_path, what, name):
    """Names of a path in Windows: its documentation on naming files, paths and namespaces (from memory)."""
    kept = tmp_path / "kept.txt"
    kept.write_text("mine", "utf-8")
    stage = result / ".part-x"
    stage.mkdir()
    write(stage, "new", ("site_ec.tif",))
    journal = {"move": ["site_ec.tif"], "remove": ["grids/A_ec.tif"]}
    journal[what].append(name)
    (stage / output_folder.JOURNAL).write_text(json.dumps(journal), "utf-8")
    with (
        pytest.raises(EngineError, match=r"moves\.json in .* is none that a run left.*Delete \.part-x there"),
        staging(result),
    ):
        raise AssertionError("no work begins")
    assert content(result) == dict.fromkeys(FILES, "old")
    assert kept.read_text("utf-8") == "mine"


@pytest.mark.parametrize("text", ["", "{", "[]", '{"move": 1, "remove": []}', '{"move": []}', "[" * 100_000, "\x00"])
def test_a_journal_that_is_none_is_refused(result, text):
    stage = result / ".part-x"
    stage.mkdir()
    (stage / output_folder.JOURNAL).write_text(text, "utf-8")
    with pytest.raises(EngineError, match="is none that a run left"), staging(result):
        raise AssertionError("no work begins")
    assert content(result) == dict.fromkeys(FILES, "old")


def test_a_journal_removes_rasters_of_a_result_only(result):
    (result / "notes.csv").write_text("mine", "utf-8")
    stage = result / ".part-x"
    stage.mkdir()
    (stage / output_folder.JOURNAL).write_text(json.dumps({"move": [], "remove": ["notes.csv"]}), "utf-8")
    with pytest.raises(EngineError, match="names 'notes.csv'"), staging(result):
        raise AssertionError("no work begins")
    assert (result / "notes.csv").read_text("utf-8") == "mine"

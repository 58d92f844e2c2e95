"""A small survey with a result of an earlier run, and what must be true of its folder whatever happens."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Optional
from xml.etree import ElementTree

from turnrow.tests.qgis.conftest import SurveyFiles

PROGRAM = Path(__file__).with_name("one_run.py")
ENVIRONMENT = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "OPENBLAS_NUM_THREADS": "1"}


LONGEST_S = 120
"""A run takes some 3 s."""


class SurveyUnderFault:
    """A survey of two grids in a folder.

    Attributes
    ----------
    output : Path
        Folder of its result.
    before : str
        Run that made the result that is there before anything goes wrong.
    """

    def __init__(self, folder: Path) -> None:
        (folder / "survey").mkdir(parents=True)
        self.files = SurveyFiles(folder / "survey")
        self.output, self.kept = folder / "out", folder / "kept"
        first = self.run(CELL_SIZE=0.5)
        if not first["good"]:
            raise RuntimeError(first["said"])
        shutil.copytree(self.output, self.kept)
        self.before = self.whole()
        self.inputs = self._sums()

    def restore(self) -> None:
        """Put the earlier result back."""
        for path in self.output.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        shutil.copytree(self.kept, self.output, dirs_exist_ok=True)

    def start(self, changes: Optional[dict] = None, **options: object) -> subprocess.Popen:
        """Start a run in a program of its own; ``options`` as in ``one_run.py``."""
        given = {"parameters": self.files.parameters(OUTPUT_FOLDER=str(self.output), **(changes or {})), **options}
        return subprocess.Popen(
            [sys.executable, str(PROGRAM), json.dumps(given)], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            text=True, env=ENVIRONMENT,
        )  # fmt: skip

    def runs(self, changes: Optional[dict] = None, **options: object) -> list[dict]:
        """Run to the end; return what each run printed, nothing when the program was killed."""
        program = self.start(changes, **options)
        try:
            printed, errors = program.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            program.kill()
            return [{"good": False, "said": f"Traceback: nothing in {LONGEST_S} s", "asked": 0}]
        rows = [json.loads(row) for row in printed.splitlines() if row.startswith("{")]
        if not rows and program.returncode not in (-9, 0):
            raise RuntimeError(f"the program ended with {program.returncode}: {errors[-2000:]}")
        return rows

    def run(self, **changes: object) -> dict:
        """Run once with other parameters."""
        return self.runs(changes)[0]

    def finish(self) -> None:
        """Begin a next run, which fails at once: it must leave one result as a whole."""
        done = subprocess.run(
            [sys.executable, str(PROGRAM), json.dumps({"finish": str(self.output)})], capture_output=True, text=True,
            check=False, env=ENVIRONMENT,
        )  # fmt: skip
        if done.returncode:
            raise AssertionError(f"the next run could not begin: {done.stderr[-2000:]}")

    def whole(self) -> str:
        """Return the run whose result lies in the folder.

        Raises
        ------
        AssertionError
            When files of several runs lie there, one is not whole, or something was left behind.
        """
        recipe = json.loads((self.output / "recipe.json").read_text("utf-8"))
        for name, digest in recipe["rasters"].items():
            found = hashlib.sha256((self.output / name).read_bytes()).hexdigest()
            assert found == digest, f"{name} is another run's"
        rasters = {p.relative_to(self.output).as_posix() for p in self.output.rglob("*.tif")}
        assert rasters == set(recipe["rasters"]), "rasters of another run"
        with closing(sqlite3.connect(self.output / "survey.gpkg")) as database:
            assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            texts = [text for (text,) in database.execute("SELECT metadata FROM gpkg_metadata")]
        items = [
            item for text in texts if "GDALMultiDomainMetadata" in text for item in ElementTree.fromstring(text).iter()
        ]
        runs = {item.text for item in items if item.get("key") == "RUN"}
        assert runs == {recipe["run"]}, "recipe and GeoPackage are of two runs"
        assert all((self.output / name).stat().st_size for name in ("report.html", "site.qgz"))
        left = [p.name for p in self.output.rglob("*") if p.name.startswith(".") or ".part-" in p.name]
        assert not left, f"left behind: {left}"
        return recipe["run"]

    def inputs_are_as_before(self) -> bool:
        """Return whether every byte of the inputs is as it was."""
        return self._sums() == self.inputs

    def _sums(self) -> dict[str, str]:
        files = sorted(p for p in self.files.folder.rglob("*") if p.is_file())
        return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}

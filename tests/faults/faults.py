"""Ends runs in every way that people and machines do: python tests/faults/faults.py [few].

Prints what was tried and what survived; ends with 1 when a result is mixed, an input changed, or a person would read a
traceback. ``few`` tries a few moments of each.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Callable, Iterator

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "benchmarks")]
import _measure  # noqa: E402, F401 (makes the checkout the package turnrow)
from turnrow.tests.faults.survey_under_fault import SurveyUnderFault  # noqa: E402

MOVES = 20
KILLS = 30
CANCELS = 30
SIZES = 8


class Tried:
    """Counts what came of each kind of fault, and keeps what was wrong."""

    def __init__(self) -> None:
        self.wrong: list[str] = []

    def kind(self, name: str, cases: Iterator[tuple[str, str]]) -> None:
        """Print how often a kind of fault had which outcome; an outcome that begins with ``!`` is wrong."""
        start, outcomes = time.perf_counter(), Counter()
        for case, outcome in cases:
            outcomes[outcome] += 1
            if outcome.startswith("!"):
                self.wrong.append(f"{name}, {case}: {outcome[1:]}")
        said = ", ".join(f"{count} {outcome}" for outcome, count in outcomes.items()) or "not tried"
        print(f"{name}: {said} ({time.perf_counter() - start:.0f} s)", flush=True)


def outcome_of(survey: SurveyUnderFault) -> str:
    """Return which result lies in the folder, as a whole; after it the earlier one is put back."""
    try:
        found = "the earlier result" if survey.whole() == survey.before else "the new result"
    except (AssertionError, OSError, ValueError, KeyError, sqlite3.Error) as error:
        found = f"!{error}"
    if not survey.inputs_are_as_before():
        found = "!an input was changed"
    survey.restore()
    return found


def said_well(rows: list[dict], *words: str) -> str:
    """Return what is wrong with what a person read; empty when nothing is."""
    for row in rows:
        if "Traceback" in row["said"] or "fault of the program" in row["said"]:
            return f"!a person reads: {row['said'][-300:]}"
        if words and not any(word in row["said"] for word in words):
            return f"!nothing said of it: {row['said'][-300:]}"
    return ""


def kills_in_time(survey: SurveyUnderFault, count: int) -> Iterator[tuple[str, str]]:
    """SIGKILL at moments over the whole run; the next run begins afterwards."""
    start = time.perf_counter()
    program = survey.start()
    program.stdout.readline()
    ready = time.perf_counter()
    program.communicate()
    length = time.perf_counter() - ready
    survey.restore()
    for number in range(count):
        moment = length * (number + 0.5) / count
        program = survey.start()
        program.stdout.readline()
        time.sleep(moment)
        program.kill()
        program.communicate()
        survey.finish()
        yield f"after {moment:.2f} s of {length:.2f} s (start {ready - start:.1f} s)", outcome_of(survey)


def kills_in_moving(survey: SurveyUnderFault, count: int) -> Iterator[tuple[str, str]]:
    """SIGKILL after each of the first files was moved; the next run has to finish the move."""
    for number in range(count):
        survey.runs(die_at_move=number)
        survey.finish()
        found = outcome_of(survey)
        yield f"after {number} files", "!the move was not finished" if found == "the earlier result" else found


def cancels(survey: SurveyUnderFault, count: int) -> Iterator[tuple[str, str]]:
    """Cancel at every question whether to stop, or at as many as wanted."""
    (whole,) = survey.runs()
    survey.restore()
    asked = whole["asked"]
    moments = range(asked) if asked <= count else [asked * (2 * k + 1) // (2 * count) for k in range(count)]
    for moment in moments:
        rows = survey.runs(stop_at=[moment])
        found = said_well(rows) or outcome_of(survey)
        yield f"at question {moment} of {asked}", "!the run went on" if found == "the new result" else found


@contextmanager
def small_disk(folder: Path, size_bytes: int) -> Iterator[bool]:
    """Lend a file system of a size on a folder; False where none can be mounted."""
    folder.mkdir(exist_ok=True)
    command = ["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(folder)]
    mounted = os.geteuid() == 0 and subprocess.run(command, capture_output=True, check=False).returncode == 0
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)


def full_disks(survey: SurveyUnderFault, count: int) -> Iterator[tuple[str, str]]:
    """A disk that becomes full at some part of what a run writes."""
    needed = sum(path.stat().st_size for path in survey.kept.rglob("*") if path.is_file())
    for number in range(count):
        size = int(needed * (1.15 + 1.2 * number / count))
        with small_disk(survey.output, size) as mounted:
            if mounted:
                shutil.copytree(survey.kept, survey.output, dirs_exist_ok=True)
                rows = survey.runs()
            else:
                limit = max(path.stat().st_size for path in survey.kept.rglob("*") if path.is_file())
                rows = survey.runs(file_bytes=int(limit * (number + 0.5) / count))
            good = rows[0]["good"]
            found = said_well(rows, *(() if good else ("disk full", "cannot be written"))) or outcome_of(survey)
        how = "a file system of its own" if mounted else "the limit of file size, as none can be mounted"
        if found == ("the earlier result" if good else "the new result"):
            found = "!the run says otherwise than the folder"
        yield f"{size} bytes", found if found.startswith("!") else f"{found} ({how})"
    survey.restore()


def read_only(survey: SurveyUnderFault) -> Iterator[tuple[str, str]]:
    """A folder that cannot be written."""
    with small_disk(survey.output, 1 << 26) as mounted:
        if not mounted:
            return
        shutil.copytree(survey.kept, survey.output, dirs_exist_ok=True)
        subprocess.run(["mount", "-o", "remount,ro", str(survey.output)], check=True)
        rows = survey.runs()
        wrong = said_well(rows, "cannot be written") or ("!the run says it is done" if rows[0]["good"] else "")
        same = survey.whole() == survey.before
    survey.restore()
    yield "the output folder", wrong or ("the earlier result" if same else "!the result changed")


def memory(survey: SurveyUnderFault, count: int) -> Iterator[tuple[str, str]]:
    """Less memory than a run needs, beyond what the program has when it begins."""
    for number in range(count):
        more = 16 << number
        rows = survey.runs(more_memory_bytes=more << 20)
        yield f"{more} MB more", said_well(rows) or outcome_of(survey)


def two_at_once(survey: SurveyUnderFault) -> Iterator[tuple[str, str]]:
    """A second run into the folder of one that is under way."""
    first = survey.start(wait_s=15.0)
    while "waiting" not in first.stdout.readline():
        if first.poll() is not None:
            yield "the first", "!ended before its time"
            return
    second = survey.runs()
    found = said_well(second, "Another run writes into")
    first.communicate()
    yield "the second", found or "refused"
    yield "the first", outcome_of(survey)


def databases(survey: SurveyUnderFault) -> Iterator[tuple[str, str]]:
    """The earlier GeoPackage is being written, or its editor was killed with a log beside it."""
    path = survey.output / "survey.gpkg"
    with closing(sqlite3.connect(path, isolation_level=None)) as editor:
        editor.execute("BEGIN EXCLUSIVE")
        rows = survey.runs()
        wrong = said_well(rows, "Another program is writing into")
        editor.execute("ROLLBACK")
    yield "being written", wrong or outcome_of(survey)
    program = (
        "import os, sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute('PRAGMA journal_mode = WAL');"
        "c.execute('CREATE TABLE more (a)'); c.commit(); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", program, str(path)], check=False)
    left = path.with_name("survey.gpkg-wal").exists()
    rows = survey.runs()
    yield "log of a dead editor", said_well(rows) or (outcome_of(survey) if left else "!no log was left")


def locked_inputs(survey: SurveyUnderFault) -> Iterator[tuple[str, str]]:
    """An input that another program holds is read and left as it is."""
    import fcntl

    with survey.files.notes.open("r+") as held:
        fcntl.lockf(held, fcntl.LOCK_EX)
        rows = survey.runs()
        yield "notes", said_well(rows) or outcome_of(survey)


def main(few: bool) -> int:
    """Try every kind of fault."""
    part: Callable[[int], int] = (lambda count: max(2, count // 10)) if few else (lambda count: count)
    tried = Tried()
    with tempfile.TemporaryDirectory() as folder:
        survey = SurveyUnderFault(Path(folder))
        tried.kind("killed over the time of a run", kills_in_time(survey, part(KILLS)))
        tried.kind("killed while files were moved", kills_in_moving(survey, part(MOVES)))
        tried.kind("cancelled", cancels(survey, part(CANCELS)))
        tried.kind("disk full", full_disks(survey, part(SIZES)))
        tried.kind("read-only folder", read_only(survey))
        tried.kind("little memory", memory(survey, part(SIZES)))
        tried.kind("two runs at once", two_at_once(survey))
        tried.kind("earlier GeoPackage in other hands", databases(survey))
        tried.kind("locked input", locked_inputs(survey))
    for sentence in tried.wrong:
        print(f"WRONG: {sentence}")
    print("Nothing was lost or mixed." if not tried.wrong else f"{len(tried.wrong)} cases went wrong.")
    return bool(tried.wrong)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:] == ["few"]))

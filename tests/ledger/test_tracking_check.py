"""A tracking store whose contents were changed behind the tool's back is told from the book."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from leafledger.ledger import run_told
from leafledger.ledger.tracking import DATABASE, copy_book
from leafledger.ledger.verdict import Verdict
from leafledger.ledger.verify import verify
from leafledger.study.study import Study

Entered = Callable[..., str]


def change(folder: Path, statement: str) -> None:
    with closing(sqlite3.connect(folder / DATABASE)) as store, store:
        assert store.execute(statement).rowcount > 0, statement


def of_database(verdict: Verdict) -> list[str]:
    return [broken.sentence for broken in verdict.broken if broken.file == DATABASE]


@pytest.fixture
def entered(study: Study, whole_run: Entered) -> Path:
    """Return a study with two runs, the second of which made only the report."""
    whole_run("r1")
    whole_run("r2", only=frozenset({"report"}))
    assert copy_book(study.folder, "t") == []
    assert of_database(verify(study.folder)) == []
    return study.folder


_OF_R1 = "(SELECT run_uuid FROM tags WHERE key = 'leafledger.run' AND value = 'r1')"
CHANGES = {
    f"UPDATE metrics SET value = 4 WHERE key = 'effects.n_things' AND run_uuid = {_OF_R1}": (
        "effects.n_things of run r1 is another number"
    ),
    f"UPDATE latest_metrics SET value = 4 WHERE key = 'effects.n_things' AND run_uuid = {_OF_R1}": (
        "effects.n_things of run r1 is another number"
    ),
    f"DELETE FROM latest_metrics WHERE key = 'effects.n_things' AND run_uuid = {_OF_R1}": (
        "effects.n_things of run r1 is another number"
    ),
    "UPDATE metrics SET value = 0.99 WHERE key = 'classes.accuracy_outer' AND step = 2": (
        "classes.accuracy_outer of run r1 at step 2 is another number"
    ),
    f"UPDATE params SET value = '0.01' WHERE key = 'effects.alpha' AND run_uuid = {_OF_R1}": (
        'effects.alpha of run r1 is "0.01", not "0.05"'
    ),
    f"UPDATE runs SET status = 'FAILED' WHERE run_uuid = {_OF_R1}": (
        "run r1 is FAILED, not FINISHED"
    ),
    "DELETE FROM tags WHERE key = 'leafledger.task' AND value = 'effects'": (
        "effects of run r1 is not there"
    ),
    "UPDATE tags SET value = 'r9' WHERE key = 'leafledger.run' AND value = 'r1'": (
        "run r1 is not there"
    ),
    f"DELETE FROM tags WHERE key = 'leafledger.outcome' AND run_uuid = {_OF_R1}": (
        'leafledger.outcome of run r1 is not there, not "done"'
    ),
}


def test_a_number_a_setting_or_a_run_changed_in_the_store_is_told(entered: Path) -> None:
    database = entered / DATABASE
    whole = database.read_bytes()
    for statement, words in CHANGES.items():
        change(entered, statement)
        (told,) = of_database(verify(entered))
        assert words in told, statement
        assert "`leafledger ledger sync` makes it again" in told
        database.write_bytes(whole)
    change(entered, next(iter(CHANGES)))
    database.unlink()
    copy_book(entered, "t")
    assert of_database(verify(entered)) == []


def test_what_a_person_adds_or_another_version_wrote_is_no_fault(
    entered: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Settings of another version may have had other names."""
    change(entered, f"INSERT INTO tags VALUES ('mine', 'for the paper', {_OF_R1})")
    change(entered, "UPDATE tags SET value = 'the good one' WHERE key = 'mlflow.runName'")
    change(entered, f"INSERT INTO metrics VALUES ('mine', 1.0, 0, {_OF_R1}, 0, 0)")
    assert of_database(verify(entered)) == []
    change(entered, f"UPDATE params SET key = key || '_' WHERE run_uuid = {_OF_R1}")
    assert of_database(verify(entered))
    monkeypatch.setattr("leafledger.ledger.tracking_check.teller", lambda: "another")
    verdict = verify(entered)
    assert of_database(verdict) == []
    assert any(note.startswith("2 runs were entered") for note in verdict.notes)


def test_a_run_whose_entering_was_cut_short_is_a_note(entered: Path) -> None:
    change(entered, f"DELETE FROM metrics WHERE run_uuid = {_OF_R1}")
    change(entered, f"UPDATE runs SET status = 'RUNNING' WHERE run_uuid = {_OF_R1}")
    verdict = verify(entered)
    assert of_database(verdict) == []
    assert any("run r1 was not entered whole" in note for note in verdict.notes)
    copy_book(entered, "t")
    verdict = verify(entered)
    assert (of_database(verdict), verdict.notes) == ([], [])


def test_the_teller_is_known_by_its_code() -> None:
    assert len(run_told.teller()) == 16
    assert run_told.digest_of_modules(run_told.__name__) != run_told.teller()

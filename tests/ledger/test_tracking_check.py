"""A tracking store whose contents were changed behind the tool's back is told from the book."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from leafledger.ledger import book, mlflow_runs
from leafledger.ledger.tracking import ARTIFACTS, DATABASE, sync_store
from leafledger.ledger.verify import verify
from leafledger.ledger.view import Verdict
from leafledger.records.digests import sha256_of_file
from leafledger.records.store import ContentStore
from leafledger.study.study import Study, Task

from .conftest import write_event

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
    assert sync_store(study.folder, "t") == []
    assert of_database(verify(study.folder)) == []
    return study.folder


_OF_R1 = "(SELECT run_uuid FROM tags WHERE key = 'leafledger.run' AND value = 'r1')"
CHANGES = {
    f"UPDATE metrics SET value = 4 WHERE key = 'effects.n_things' AND run_uuid = {_OF_R1}": (
        'number effects.n_things of run r1 is "4.0", not "3.0"'
    ),
    f"UPDATE latest_metrics SET value = 4 WHERE key = 'effects.n_things' AND run_uuid = {_OF_R1}": (
        'shown number effects.n_things of run r1 is "4.0", not "3.0"'
    ),
    f"DELETE FROM latest_metrics WHERE key = 'effects.n_things' AND run_uuid = {_OF_R1}": (
        'shown number effects.n_things of run r1 is not there, not "3.0"'
    ),
    "UPDATE metrics SET value = 0.99 WHERE key = 'classes.accuracy_outer' AND step = 2": (
        'number classes.accuracy_outer at step 2 of run r1 is "0.99", not "0.5"'
    ),
    f"UPDATE params SET value = '0.01' WHERE key = 'effects.alpha' AND run_uuid = {_OF_R1}": (
        'setting effects.alpha of run r1 is "0.01", not "0.05"'
    ),
    f"UPDATE runs SET status = 'FAILED' WHERE run_uuid = {_OF_R1}": (
        'status of run r1 is "FAILED", not "FINISHED"'
    ),
    "DELETE FROM tags WHERE key = 'leafledger.task' AND value = 'effects'": (
        "effects of run r1 is not there"
    ),
    "UPDATE tags SET value = 'r9' WHERE key = 'leafledger.run' AND value = 'r1'": (
        "run r1 is not there"
    ),
    f"DELETE FROM tags WHERE key = 'leafledger.outcome' AND run_uuid = {_OF_R1}": (
        'tag leafledger.outcome of run r1 is not there, not "done"'
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
    sync_store(entered, "t")
    assert of_database(verify(entered)) == []


MORE = {
    f"UPDATE runs SET end_time = end_time + 60000 WHERE run_uuid = {_OF_R1}": (
        "end in ms of run r1 is "
    ),
    "UPDATE runs SET start_time = 0 WHERE name = 'effects'": (
        'start in ms of effects of run r1 is "0", not '
    ),
    f"UPDATE runs SET artifact_uri = 'file:///elsewhere' WHERE run_uuid = {_OF_R1}": (
        'the address of the files of r1 is "file:///elsewhere"'
    ),
    "UPDATE experiments SET artifact_location = 'file:///elsewhere' WHERE name = 'leafledger'": (
        "the address of the files of "
    ),
    "UPDATE experiments SET lifecycle_stage = 'deleted' WHERE name = 'leafledger'": (
        "the experiment of the study is deleted"
    ),
    "UPDATE datasets SET digest = '0' WHERE name = 'units.csv'": (
        'dataset units.csv of run r1 is "sheet 0 {'
    ),
    "UPDATE datasets SET dataset_profile = '{}' WHERE name = 'raw files of day0'": (
        'dataset raw files of day0 of run r1 is "raw '
    ),
    "UPDATE input_tags SET value = 'odd'": 'of run r1 is "odd ',
    "DELETE FROM inputs": "of run r1 is not there, not ",
    "UPDATE runs SET lifecycle_stage = 'deleted'": "run r1 is marked as deleted",
    f"UPDATE runs SET lifecycle_stage = 'deleted' WHERE run_uuid = {_OF_R1}": (
        "run r1 is marked as deleted"
    ),
}


def test_times_datasets_addresses_and_deleted_runs_are_told(entered: Path) -> None:
    database = entered / DATABASE
    whole = database.read_bytes()
    for statement, words in MORE.items():
        change(entered, statement)
        (told,) = of_database(verify(entered))
        assert words in told, statement
        database.write_bytes(whole)


def test_all_runs_of_a_study_of_one_marked_as_deleted_are_told_and_come_back(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    sync_store(study.folder, "t")
    change(study.folder, "UPDATE runs SET lifecycle_stage = 'deleted'")
    (told,) = of_database(verify(study.folder))
    assert "run r1 is marked as deleted" in told
    sync_store(study.folder, "t")
    assert verify(study.folder).broken == []


def test_a_run_not_entered_yet_is_a_note(entered: Path, whole_run: Entered) -> None:
    whole_run("r3", only=frozenset({"report"}))
    verdict = verify(entered)
    assert of_database(verdict) == []
    (note,) = [note for note in verdict.notes if "r3" in note]
    assert "not in the tracking store yet" in note


COPIES = ("records/effects.json", "report.html", "effects.csv", "figures/one.svg", "files.json")


def test_a_copy_that_was_changed_or_deleted_is_told(entered: Path) -> None:
    place = entered / ARTIFACTS / first_of(entered) / "artifacts"
    for name in COPIES:
        copy = place / name
        whole, file = copy.read_bytes(), copy.relative_to(entered).as_posix()
        copy.write_bytes(whole + b" ")
        assert [(b.file, b.what) for b in verify(entered).broken] == [(file, "changed")]
        copy.unlink()
        assert [(b.file, b.what) for b in verify(entered).broken] == [(file, "missing")]
        copy.write_bytes(whole)
    assert verify(entered).broken == []
    (place / "mine.txt").write_text("for the paper", encoding="utf-8")
    assert verify(entered).broken == [], "what a person adds is no fault"


def first_of(folder: Path, run: str = "r1") -> str:
    """Return the store's id of a run."""
    asked = "SELECT run_uuid FROM tags WHERE key = 'leafledger.run' AND value = ?"
    with closing(sqlite3.connect(folder / DATABASE)) as store:
        ((store_id,),) = store.execute(asked, [run])
    return str(store_id)


def forge(folder: Path, run: str, name: str, text: str) -> None:
    """Change a copy, the list of the copies and the digest of the list, so that they agree."""
    store_id = first_of(folder, run)
    place = folder / ARTIFACTS / store_id / "artifacts"
    (place / name).write_text(text, encoding="utf-8")
    copies = json.loads((place / "files.json").read_text("utf-8"))
    copies[name] = sha256_of_file(place / name)
    (place / "files.json").write_text(json.dumps(copies), encoding="utf-8")
    digest = sha256_of_file(place / "files.json")
    change(
        folder,
        f"UPDATE tags SET value = '{digest}' WHERE key = 'leafledger.files' "
        f"AND run_uuid = '{store_id}'",
    )


def test_a_record_changed_together_with_the_list_of_copies_is_told(entered: Path) -> None:
    record = entered / ARTIFACTS / first_of(entered) / "artifacts/records/effects.json"
    text = record.read_text("utf-8").replace("0.05", "0.01")
    forge(entered, "r1", "records/effects.json", text)
    (broken,) = verify(entered).broken
    assert broken.file.endswith("records/effects.json")


def test_a_log_changed_together_with_the_list_of_copies_is_told(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    book.open_run(study, "r2")
    write_event(study, Task("effects"), "r2", "failed", "effects: no room", None)
    book.close_run(study, "r2", "failed", "effects failed: no room", {"effects", "report"})
    sync_store(study.folder, "t")
    assert verify(study.folder).broken == []
    forge(study.folder, "r2", "logs/effects.log", "all is well")
    (broken,) = verify(study.folder).broken
    assert (broken.what, broken.file.endswith("logs/effects.log")) == ("changed", True)


def test_copies_no_longer_kept_when_a_run_was_entered_are_no_fault(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    whole_run("r2", said="anew")
    ContentStore(study.folder).trim(0)
    sync_store(study.folder, "t")
    assert verify(study.folder).broken == []


def test_strangers_in_the_content_store_are_told(study: Study, whole_run: Entered) -> None:
    whole_run("r1")
    root = study.folder / "ledger/store"
    entry = sorted(root.glob("??/*"))[0]
    shard, key = entry.parent.name, entry.name
    other = "zz" if shard != "zz" else "yy"
    for named in (
        *("notes.txt", f"{shard}/notes.txt", "no/x/y", f"{other}/{key}/x"),
        *(f"{shard}/{key}/sub/record.json", f"{shard}/{key}/notes.txt"),
    ):
        path = root / named
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("a stranger", encoding="utf-8")
        (broken,) = verify(study.folder).broken
        assert (broken.file, broken.what) == (f"ledger/store/{named}", "orphan")
        path.unlink()
    (root / f".{key}.tmp").mkdir()
    (root / f".{key}.tmp" / "x").write_text("cut short", encoding="utf-8")
    assert verify(study.folder).broken == []


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
    monkeypatch.setattr("leafledger.ledger.verify.logging_code_digest", lambda: "another")
    verdict = verify(entered)
    assert of_database(verdict) == []
    assert any(note.startswith("2 runs were entered") for note in verdict.notes)


def test_a_run_whose_entering_was_cut_short_is_a_note(entered: Path) -> None:
    change(entered, f"DELETE FROM metrics WHERE run_uuid = {_OF_R1}")
    change(entered, f"UPDATE runs SET status = 'RUNNING' WHERE run_uuid = {_OF_R1}")
    verdict = verify(entered)
    assert of_database(verdict) == []
    assert any("run r1 was not entered whole" in note for note in verdict.notes)
    sync_store(entered, "t")
    verdict = verify(entered)
    assert (of_database(verdict), verdict.notes) == ([], [])


def test_the_teller_is_known_by_its_code() -> None:
    assert len(mlflow_runs.logging_code_digest()) == 16
    assert mlflow_runs.digest_of_modules(mlflow_runs.__name__) != mlflow_runs.logging_code_digest()

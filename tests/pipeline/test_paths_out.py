"""A path out of the study in a record, a run or an event: nothing is read or written by it.

A stranger can write digests and seals anew, so that all else in the study fits together.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from leafledger.cli.main import _guarded, cli
from leafledger.ledger.book import take_in
from leafledger.ledger.tracking import DATABASE, copy_book
from leafledger.ledger.verify import verify
from leafledger.records import events
from leafledger.records.digests import sha256_of_bytes
from leafledger.records.record import is_record, read_record, write_record
from leafledger.records.store import ContentStore
from leafledger.runner.run import run_study
from leafledger.study.reading import read_study

SECRET = "years of work"
Change = Callable[[dict[str, Any]], None]


@pytest.fixture
def victim(ran_study: Path) -> Path:
    """Return a file beside the study, which nothing may read or write over."""
    path = ran_study.parent / "victim.txt"
    path.write_text(SECRET, encoding="utf-8")
    return path


def entry_of(study: Path, task: str) -> Path:
    record = read_record(study / "records" / f"{task}.json")
    assert record is not None
    digest = str(record["key"]).removeprefix("sha256:")
    return study / "ledger" / "store" / digest[:2] / digest


def forge_run(study: Path, change: Change) -> str:
    """Change the newest run's file and seal it anew; return the run."""
    run = list(events.runs(study))[-1]
    change(run)
    run.pop("seal")
    events.write_run(study, run)
    return str(run["run"])


def forge_record(study: Path, task: str, change: Change) -> None:
    """Change the kept record of a task, and write every digest and seal above it anew."""
    record = read_record(study / "records" / f"{task}.json")
    assert record is not None
    change(record)
    write_record(study / "records" / f"{task}.json", record)
    data = (study / "records" / f"{task}.json").read_bytes()
    digest = sha256_of_bytes(data)
    copy = study / events.HISTORY / digest[:2] / digest
    copy.parent.mkdir(exist_ok=True)
    copy.write_bytes(data)
    forge_run(study, lambda run: run["records"].update({task: digest}))


def ended(*command: str | Path) -> int:
    return _guarded(lambda: cli([str(part) for part in command], standalone_mode=False))


# --- the content store -----------------------------------------------------------------------


@pytest.mark.parametrize("place", ["../victim.txt", "{victim}", "results/../../victim.txt"])
def test_a_kept_result_is_not_put_back_outside_the_study(
    ran_study: Path, victim: Path, place: str
) -> None:
    entry = entry_of(ran_study, "acceptance")
    record = json.loads((entry / "record.json").read_text("utf-8"))
    record["outputs"][0]["path"] = place.format(victim=victim)
    write_record(entry / "record.json", record)
    before = (ran_study / "results/accepted.csv").read_bytes()
    (ran_study / "results/accepted.csv").unlink()
    result = run_study(ran_study, cores=1)
    assert victim.read_text("utf-8") == SECRET
    assert [(e["task"], e["outcome"]) for e in result.tasks] == [("acceptance", "done")]
    (note,) = [note for note in result.notes if "damaged entry" in note]
    assert entry.name in note
    assert "made again" in note
    assert (ran_study / "results/accepted.csv").read_bytes() == before
    assert verify(ran_study).holds, "the entry was made again"


@pytest.mark.parametrize(
    "place", ["raw/day0/p01_1.txt", "study.yaml", "results/effects.csv", "records/effects.json"]
)
def test_a_kept_result_is_not_put_back_over_another_file_of_the_study(
    ran_study: Path, place: str
) -> None:
    entry = entry_of(ran_study, "acceptance")
    record = json.loads((entry / "record.json").read_text("utf-8"))
    record["outputs"].append({**record["outputs"][0], "path": place, "role": "more"})
    write_record(entry / "record.json", record)
    before = (ran_study / place).read_bytes()
    (ran_study / "results/accepted.csv").unlink()
    result = run_study(ran_study, cores=1)
    assert (ran_study / place).read_bytes() == before
    assert [e["outcome"] for e in result.tasks] == ["done"]


def test_what_is_damaged_is_said_and_thrown_away(ran_study: Path) -> None:
    entry = entry_of(ran_study, "acceptance")
    key, store = f"sha256:{entry.name}", ContentStore(ran_study)
    said: list[str] = []
    assert store.restore(key, ["results/elsewhere/"], said.append) is None
    assert "something else" in said[0]
    assert not entry.exists()
    assert store.restore(key, say=said.append) is None
    assert len(said) == 1, "what is not kept is no damage"
    for path, damage in (("record.json", "{"), (None, "")):
        entry = entry_of(ran_study, "effects" if path else "classes")
        place = entry / path if path else next(p for p in entry.iterdir() if len(p.name) == 64)
        place.write_text(damage, encoding="utf-8")
        assert store.restore(f"sha256:{entry.name}", say=said.append) is None
        assert not entry.exists()
    assert len(said) == 3
    entry = entry_of(ran_study, "unit_means")
    owed = ["results/unit_indices.csv", "results/more.csv"]
    assert store.restore(f"sha256:{entry.name}", owed, said.append) is None
    assert "without results/more.csv" in said[-1]


# --- records ---------------------------------------------------------------------------------


def output_outside(record: dict[str, Any]) -> None:
    record["outputs"][0]["path"] = "results/../../victim.txt"


def input_outside(record: dict[str, Any]) -> None:
    data = {"path": "raw/../../victim.txt", "sha256": sha256_of_bytes(SECRET.encode())}
    record["inputs"].append({"role": "raw/x", "bytes": 13, **data})


def input_absolute(record: dict[str, Any]) -> None:
    record["inputs"].append({"role": "raw/x", "bytes": 1, "path": "/victim", "sha256": "0" * 64})


def session_outside(record: dict[str, Any]) -> None:
    record["session"] = "../../../victim"


@pytest.mark.parametrize("change", [output_outside, input_outside, input_absolute, session_outside])
def test_a_record_that_leads_out_is_none(
    ran_study: Path, victim: Path, tmp_path: Path, change: Change
) -> None:
    record = read_record(ran_study / "records/effects.json")
    assert is_record(record)
    forge_record(ran_study, "effects", change)
    assert read_record(ran_study / "records/effects.json") is None
    before = {path for path in tmp_path.rglob("*") if not path.is_relative_to(ran_study)}
    for command in (
        ("reproduce", ran_study, "--keep", tmp_path / "again"),
        ("export", ran_study, tmp_path / "crate", "--raw"),
    ):
        assert ended(*command) == 2, command
    (ran_study / DATABASE).unlink()
    copy_book(ran_study, "t")
    assert victim.read_text("utf-8") == SECRET
    after = {path for path in tmp_path.rglob("*") if not path.is_relative_to(ran_study)}
    assert after - before <= {tmp_path / "again"}
    verify(ran_study)
    assert "effects" in {e["task"] for e in run_study(ran_study, cores=1).tasks}


# --- runs ------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["study", "tables", "records", "logs", "events", "plans"])
def test_a_run_that_leads_out_is_refused_by_name(
    ran_study: Path,
    victim: Path,
    tmp_path: Path,
    kind: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    for name in ("../victim.txt", str(victim)):
        run = forge_run(
            ran_study,
            lambda run, name=name: run.setdefault(kind, {}).update(
                {name: next(iter(run["study"].values()))}
            ),
        )
        for asked in (run, "latest"):
            for command in (
                ("reproduce", ran_study, asked, "--keep", tmp_path / "again"),
                ("export", ran_study, tmp_path / "crate", "--run", asked),
            ):
                assert ended(*command) == 2, command
                said = capsys.readouterr().err
                assert f"ledger/runs/{run}.json" in said
                assert "leads out of the study" in said
        assert victim.read_text("utf-8") == SECRET
        assert not (tmp_path / "crate").exists()
        assert not any((tmp_path / "again").glob("*"))
        assert f"ledger/runs/{run}.json" in {b.file for b in verify(ran_study).broken}
        (ran_study / DATABASE).unlink(missing_ok=True)
        copy_book_of_none(ran_study)
        _mend(ran_study, run, kind, name)


def copy_book_of_none(study: Path) -> None:
    """Enter what the book still holds: nothing of a run that was refused."""
    copy_book(study, "t")
    assert not list((study / "ledger/artifacts").rglob("*"))


def _mend(study: Path, run: str, kind: str, name: str) -> None:
    path = study / events.RUNS / f"{run}.json"
    entry = json.loads(path.read_text("utf-8"))
    del entry[kind][name], entry["seal"]
    events.write_run(study, entry)
    assert [r["run"] for r in events.runs(study)] == [run]


# --- events ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [{"log": "../victim.txt"}, {"task": "../../victim"}, {"rule": "../x"}, {"session": "../x"}],
)
def test_an_event_that_leads_out_brings_no_file_into_the_book(
    ran_study: Path, victim: Path, change: dict[str, str]
) -> None:
    (ran,) = events.runs(ran_study)
    event = {**events.events_of(ran_study, ran["run"])[0], "outcome": "failed"}
    events.write_event(ran_study, "20260101-000000-aaaa", "intake", event)
    assert len(events.events_of(ran_study, "20260101-000000-aaaa")) == 1
    events.write_event(ran_study, "20260101-000000-aaaa", "intake", event | change)
    assert events.events_of(ran_study, "20260101-000000-aaaa") == []
    take_in(read_study(ran_study))
    secret = sha256_of_bytes(SECRET.encode())
    assert not list((ran_study / events.HISTORY).glob(f"*/{secret}"))
    assert victim.read_text("utf-8") == SECRET

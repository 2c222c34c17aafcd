"""The chain of runs: what was removed, rewritten or forked is seen, a clock set back is not."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from leafledger.ledger import book
from leafledger.ledger.compare import run_history
from leafledger.ledger.trace import trace
from leafledger.ledger.verify import verify
from leafledger.ledger.view import Verdict
from leafledger.records import events
from leafledger.records.digests import sha256_of_bytes, sha256_of_file
from leafledger.study.study import Study, Task

from .conftest import enact

Entered = Callable[..., str]


def run_file(study: Study, run: str) -> Path:
    return study.folder / "ledger/runs" / f"{run}.json"


def told(verdict: Verdict) -> dict[str, str]:
    return {broken.file: broken.what for broken in verdict.broken}


@pytest.fixture
def three(study: Study, whole_run: Entered) -> Study:
    """Return a study with three runs in its book."""
    whole_run("r1")
    whole_run("r2", only=frozenset({"effects", "report"}), said="anew")
    whole_run("r3", only=frozenset({"report"}), said="again")
    return study


def test_three_runs_hold(three: Study) -> None:
    verdict = verify(three.folder)
    assert told(verdict) == {}
    assert verdict.notes == []
    assert verdict.head == sha256_of_file(run_file(three, "r3"))


def test_a_run_that_was_removed_is_missed(three: Study) -> None:
    run_file(three, "r2").unlink()
    assert told(verify(three.folder)) == {"ledger/runs/r2.json": "missing"}


def test_the_newest_run_removed_is_missed_by_its_events(three: Study) -> None:
    run_file(three, "r3").unlink()
    assert told(verify(three.folder)) == {"ledger/runs/r3.json": "missing"}


def test_a_run_of_plain_snakemake_is_missed_until_it_is_taken_in(three: Study) -> None:
    enact(three, Task("effects"), "by hand", said="by hand")
    assert told(verify(three.folder)) == {"ledger/runs/by hand.json": "missing"}
    book.import_snakemake_runs(three)
    assert told(verify(three.folder)) == {}


@pytest.mark.parametrize("run", ["r1", "r2", "r3"])
def test_an_entry_changed_by_hand_is_named_alone(three: Study, run: str) -> None:
    path = run_file(three, run)
    entry = json.loads(path.read_text("utf-8"))
    entry["outcome"] = "failed"
    path.write_text(events.text_of_run(entry), encoding="utf-8")
    assert told(verify(three.folder)) == {f"ledger/runs/{run}.json": "changed"}


@pytest.mark.parametrize("damage", [b"", b"{", b"[]\n", b"\xff\xfe"])
def test_an_entry_that_cannot_be_read_is_named_and_stops_nothing(
    three: Study, damage: bytes
) -> None:
    run_file(three, "r2").write_bytes(damage)
    assert told(verify(three.folder)) == {"ledger/runs/r2.json": "changed"}
    assert [entry["run"] for entry in run_history(three.folder)] == ["r1", "r3"]
    book.open_run(three, "r4")
    book.close_run(three, "r4", "done", "")
    assert told(verify(three.folder)) == {"ledger/runs/r2.json": "changed"}


@pytest.mark.parametrize("odd", [None, 1, "x", [], {"a": 1}, {"a": "b"}])
def test_whatever_stands_in_an_entry_or_an_event_it_is_named_and_stops_nothing(
    three: Study, odd: object
) -> None:
    for file in ("ledger/runs/r2.json", "ledger/events/r2/effects.json"):
        path = three.folder / file
        whole = path.read_text("utf-8")
        for key in json.loads(whole):
            value = json.loads(whole) | {key: odd}
            if value == json.loads(whole):
                continue
            path.write_text(json.dumps(value), encoding="utf-8")
            assert file in told(verify(three.folder)), key
            assert run_history(three.folder)
            assert trace(three.folder, "effects.csv").nodes
        path.write_text(whole, encoding="utf-8")


def test_a_middle_run_sealed_anew_breaks_the_link(three: Study) -> None:
    path = run_file(three, "r2")
    entry = json.loads(path.read_text("utf-8"))
    events.write_run(three.folder, entry | {"message": "nothing happened here"})
    assert told(verify(three.folder)) == {"ledger/runs/r2.json": "changed"}


def test_a_chain_written_anew_as_a_whole_is_seen_by_the_head_alone(three: Study) -> None:
    head = verify(three.folder).head
    previous = None
    for run in ("r1", "r2", "r3"):
        entry = json.loads(run_file(three, run).read_text("utf-8"))
        entry |= {"message": "rewritten", "previous": previous}
        events.write_run(three.folder, entry)
        previous = {"run": run, "sha256": sha256_of_file(run_file(three, run))}
    assert told(verify(three.folder)) == {}
    assert told(verify(three.folder, head)) == {"ledger/runs": "chain"}


def test_a_head_noted_down_earlier_still_holds_when_runs_have_followed(
    three: Study, whole_run: Entered
) -> None:
    head = verify(three.folder).head
    whole_run("r4", only=frozenset({"report"}), said="once more")
    verdict = verify(three.folder, head)
    assert verdict.holds
    assert any("1 run has followed" in note for note in verdict.notes)
    last = verify(three.folder, verdict.head).notes
    assert any("no run has followed" in note for note in last)


def test_runs_are_told_in_the_order_of_the_chain_whatever_the_clock_said(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The ids, too, come from the clock: z was first, a last."""
    for run, hour in (("z", 9), ("m", 5), ("a", 1)):
        with monkeypatch.context() as patch:
            patch.setattr(events, "now", partial(str, f"2026-10-25T0{hour}:30:00.000"))
            whole_run(run, only=frozenset({"catalogue"}), said=run)
    assert [run["run"] for run in events.runs(study.folder)] == ["z", "m", "a"]
    assert told(verify(study.folder)) == {}
    record = study.folder / "records/catalogue.json"
    assert sha256_of_file(record) == list(events.runs(study.folder))[-1]["records"]["catalogue"]


def test_records_finished_in_a_killed_run_are_kept(study: Study, whole_run: Entered) -> None:
    whole_run("r1")
    book.open_run(study, "r2")
    enact(study, Task("effects"), "r2", said="in the killed run")
    assert book.close_interrupted(study.folder) == ["r2"]
    kept = list(events.runs(study.folder))[-1]["records"]
    assert kept == {"effects": sha256_of_file(study.folder / "records/effects.json")}
    assert told(verify(study.folder)) == {}


def test_what_a_run_left_that_was_just_killed_is_no_orphan(study: Study) -> None:
    book.open_run(study, "r1")
    enact(study, Task("catalogue"), "r1")
    (study.folder / "ledger/events/r1/catalogue.json").unlink()
    verdict = verify(study.folder)
    assert told(verdict) == {}
    assert any("cut short" in note for note in verdict.notes)


def test_a_sheet_edited_in_nothing_that_counts_is_a_note(three: Study) -> None:
    path = three.folder / "study.yaml"
    path.write_text("# a comment\n" + path.read_text("utf-8"), encoding="utf-8")
    verdict = verify(three.folder)
    assert told(verdict) == {}
    assert any("study.yaml changed since run r3" in note for note in verdict.notes)
    path.write_text(path.read_text("utf-8").replace("alpha: 0.05", "alpha: 0.01"), "utf-8")
    assert told(verify(three.folder)) == {"study.yaml": "changed"}
    path.write_text("design: [", encoding="utf-8")
    assert told(verify(three.folder)) == {"study.yaml": "changed"}


def test_a_kept_copy_of_no_run_is_told_and_is_no_fault(three: Study) -> None:
    digest = sha256_of_bytes(b"left over")
    place = three.folder / events.HISTORY / digest[:2] / digest
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(b"left over")
    verdict = verify(three.folder)
    assert verdict.holds
    assert any(note.startswith("1 kept copy belongs to no run") for note in verdict.notes)

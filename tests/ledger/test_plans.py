"""Plans recorded by themselves: before any data, chained to the runs, found when touched."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.ledger import book
from leafledger.ledger.book import PLANS, on_record, recorded_plans
from leafledger.ledger.compare import run_history
from leafledger.ledger.verify import verify
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.runner.outdated import record_plan, said_of_plan
from leafledger.study.reading import read_study
from leafledger.study.settings import plan_of_study
from leafledger.study.study import Study, Task
from leafledger.study.written_plan import facts_of_plan

from .conftest import write_event

Edit = Callable[[Path, str, str], None]
PRIMARY = "primary: {index: CI_rededge"
OTHER = "primary: {index: NDVI"


@pytest.fixture
def bare(small_study: Path) -> Path:
    """A study in which nothing has been measured yet: its settings and its units alone."""
    shutil.rmtree(small_study / "raw")
    (small_study / "scans.csv").unlink()
    return small_study


def invoked(*words: str) -> Any:
    return CliRunner().invoke(cli, list(words))


def told(folder: Path) -> dict[str, str]:
    return {broken.file: broken.what for broken in verify(folder).broken}


# --- sessions to come --------------------------------------------------------------------------


def test_a_run_holds_the_sessions_that_are_measured_when_it_begins(small_study: Path) -> None:
    """The primary contrast of a session to come is fixed by the run of the first evening."""
    later = small_study.parent / "later"
    shutil.move(small_study / "raw/day12", later)
    study = read_study(small_study)
    assert study.to_come == ("day12",)
    first = events.new_run_id()
    book.open_run(study, first)
    (one,) = on_record(BookView(small_study))
    assert (one.held, one.read) == ({"day0"}, frozenset())
    facts = said_of_plan(study, run=first)
    assert facts is not None
    assert (facts["statement"], facts["recorded"]["id"]) == ("fixed_before", first)
    # The last session comes in: the same plan, which an earlier run had already.
    book.close_interrupted(small_study)
    shutil.move(later, small_study / "raw/day12")
    whole = read_study(small_study)
    assert whole.to_come == ()
    book.open_run(whole, "99999999-000000-0000")
    held = [one.held for one in on_record(BookView(small_study))]
    assert held == [{"day0"}, {"day0", "day12"}]
    assert said_of_plan(whole, run="99999999-000000-0000") == facts


def test_a_first_run_that_held_the_session_shows_nothing(small_study: Path) -> None:
    study = read_study(small_study)
    book.open_run(study, "run")
    assert said_of_plan(study, run="run") is None


def test_treatments_allotted_before_the_next_session_need_a_record_of_their_own(
    small_study: Path, edit: Edit
) -> None:
    """Which plant gets what is part of the plan: only a record from before shows it."""
    units = (small_study / "units.csv").read_text(encoding="utf-8")
    head, *rows = [line.split(",") for line in units.splitlines()]
    at = head.index("treatment")
    bare = [head, *([*row[:at], "", *row[at + 1 :]] for row in rows)]
    (small_study / "units.csv").write_text("\n".join(map(",".join, bare)) + "\n", "utf-8")
    edit(
        small_study / "study.yaml",
        "  control: water",
        "  levels: [water, chelate]\n  control: water",
    )
    record_plan(small_study)
    (small_study / "units.csv").write_text(units, encoding="utf-8")
    whole = read_study(small_study)
    facts = said_of_plan(whole)
    assert facts is not None
    assert facts["statement"] == "not_as_recorded"
    record_plan(small_study)
    facts = said_of_plan(whole)
    assert facts is not None
    assert (facts["statement"], facts["recorded"]["id"]) == ("fixed_before", "002")


# --- before any data -------------------------------------------------------------------------


def test_a_plan_is_recorded_before_anything_is_measured(bare: Path) -> None:
    done = invoked("plan", "record", str(bare))
    assert done.exit_code == 0, done.output
    text = (bare / PLANS / "001.txt").read_bytes()
    digest = hashlib.sha256(text).hexdigest()
    assert f"SHA-256 of this text: {digest}" in done.output
    assert done.output.startswith(text.decode())
    assert "before any after-session had been read" in done.output
    assert {p.name for p in bare.iterdir()} == {
        "study.yaml",
        "units.csv",
        "decisions.csv",
        "planted.json",
        "ledger",
    }
    checked = invoked("verify", str(bare))
    assert checked.exit_code == 0 and "1 recorded plan" in checked.output, checked.output


def test_the_text_is_that_of_the_study_with_its_scans(bare: Path, small_study_made: Path) -> None:
    entry = record_plan(bare).lodged.entry
    study = read_study(small_study_made)
    assert plan_of_study(study) == on_record(BookView(bare))[0].plan
    copied = Path(shutil.copytree(small_study_made, bare.parent / "copy"))
    assert record_plan(copied).lodged.entry["sha256"] == entry["sha256"]


def test_every_problem_at_once_and_nothing_written(bare: Path, edit: Edit) -> None:
    edit(bare / "study.yaml", PRIMARY, "primary: {index: CI_redegde")
    edit(bare / "units.csv", "p02,", "p01,")
    done = invoked("plan", "record", str(bare), "--json")
    assert done.exit_code == 2
    problems = json.loads(done.output)["problems"]
    assert {(p["file"], p["column"]) for p in problems} == {
        ("study.yaml", "effects.primary.index"),
        ("units.csv", "treatment"),
    }
    assert not (bare / "ledger").exists()


def test_a_control_that_no_unit_has_is_told(bare: Path, edit: Edit) -> None:
    edit(bare / "study.yaml", "control: water", "control: watr")
    with pytest.raises(InputFault) as fault:
        record_plan(bare)
    assert [p.column for p in fault.value.problems] == ["design.control"]


def test_without_a_sheet_of_units_it_says_what_to_write(bare: Path) -> None:
    (bare / "units.csv").unlink()
    with pytest.raises(InputFault) as fault:
        record_plan(bare)
    (problem,) = fault.value.problems
    assert problem.file == "units.csv" and "which unit gets which treatment" in problem.mend


def test_a_study_without_a_primary_contrast_may_record_its_plan(bare: Path) -> None:
    path = bare / "study.yaml"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    path.write_text("".join(x for x in lines if "primary:" not in x), "utf-8")
    done = invoked("plan", "record", str(bare))
    assert done.exit_code == 0, done.output
    assert "every effect of this plan is exploratory" in done.output
    assert "To name one, write it in study.yaml" in done.output


# --- again, changed --------------------------------------------------------------------------


def test_the_same_plan_stands_already(bare: Path, edit: Edit) -> None:
    first = record_plan(bare)
    edit(bare / "study.yaml", "title: ", "title: Another word on ")
    edit(bare / "study.yaml", "Does one", "Whether one")
    done = invoked("plan", "record", str(bare))
    day = first.lodged.entry["recorded"][:10]
    assert f"stands already since {day} (plan 001): nothing was entered" in done.output
    assert sorted(p.name for p in (bare / PLANS).iterdir()) == ["001.json", "001.txt"]


def test_a_changed_plan_is_a_further_entry_and_both_stay(bare: Path, edit: Edit) -> None:
    record_plan(bare)
    edit(bare / "study.yaml", PRIMARY, OTHER)
    assert record_plan(bare).lodged.entry["plan"] == "002"
    edit(bare / "study.yaml", OTHER, PRIMARY)
    again = record_plan(bare)
    assert again.lodged.entry["plan"] == "003" and again.first.id == "001"
    assert told(bare) == {}
    listed = invoked("plan", "history", str(bare)).output.splitlines()
    assert len(listed) == 3
    assert listed[1].endswith("primary index CI_rededge -> NDVI")
    as_json = json.loads(invoked("plan", "history", str(bare), "--json").output)
    assert [one["id"] for one in as_json] == ["001", "002", "003"]


# --- in the chain of runs --------------------------------------------------------------------


def test_a_run_names_the_plans_before_it_and_follows_its_own(
    study: Study, whole_run: Callable[..., str], edit: Edit
) -> None:
    entry = record_plan(study.folder).lodged.entry
    whole_run("r1")
    run = BookView(study.folder).run("r1")
    assert list(run["plans"]) == ["001"]
    assert run["plan"] == entry["sha256"], "the digest that was printed is that of the run's plan"
    edit(study.folder / "study.yaml", PRIMARY, OTHER)
    second = record_plan(study.folder)
    assert second.lodged.entry["previous"]["run"] == "r1"
    assert second.read == ("day12",)
    assert told(study.folder) == {"study.yaml": "changed"}, "and nothing of the plans"
    assert [(one.by, one.id) for one in on_record(BookView(study.folder))] == [
        ("plan", "001"),
        ("run", "r1"),
        ("plan", "002"),
    ]
    listed = invoked("runs", str(study.folder)).output.splitlines()
    assert listed[0].startswith("plan 001") and listed[1].startswith("r1")
    assert any(line.startswith("plan 002") for line in listed[2:])
    assert [entry["run"] for entry in run_history(study.folder)] == ["r1"]


def test_the_statement_of_a_study_whose_plan_was_recorded(
    study: Study, whole_run: Callable[..., str]
) -> None:
    record_plan(study.folder)
    whole_run("r1")
    facts = said_of_plan(study)
    assert facts is not None and facts["statement"] == "fixed_before"
    assert facts["recorded"]["id"] == "001"


def test_runs_of_an_earlier_version_are_held_by_their_settings(
    study: Study, whole_run: Callable[..., str], edit: Edit
) -> None:
    whole_run("r1")
    entry = BookView(study.folder).run("r1")
    events.write_run(
        study.folder, {k: v for k, v in entry.items() if k not in {"plan", "plans", "seal"}}
    )
    assert on_record(BookView(study.folder))[0].plan == plan_of_study(study)
    edit(study.folder / "study.yaml", PRIMARY, OTHER)
    facts = said_of_plan(read_study(study.folder))
    assert facts is not None and facts["statement"] == "changed_after_results"
    assert facts["against"]["id"] == "r1"


def test_intake_that_failed_has_read_the_session(study: Study, edit: Edit) -> None:
    book.open_run(study, "r1")
    write_event(study, Task("intake", "day12"), "r1", "input_fault", "a damaged file", None)
    book.close_run(study, "r1", "input_fault", "a damaged file")
    assert on_record(BookView(study.folder))[0].read == {"day12"}
    assert said_of_plan(study) is None
    edit(study.folder / "study.yaml", PRIMARY, OTHER)
    facts = said_of_plan(read_study(study.folder))
    assert facts is not None and facts["statement"] == "changed_after_results"


def test_a_killed_run_keeps_its_plan(study: Study) -> None:
    book.open_run(study, "r1")
    assert book.close_interrupted(study.folder) == ["r1"]
    (one,) = on_record(BookView(study.folder))
    assert one.plan == plan_of_study(study) and one.read == frozenset()
    assert one.held == {"day0", "day12"}
    assert told(study.folder) == {}


def test_a_variant_follows_no_plan_of_the_study(study: Study, edit: Edit) -> None:
    path = study.folder / "study.yaml"
    path.write_text(path.read_text("utf-8") + "variants:\n  all: {quality: {apply: none}}\n")
    book.open_run(read_study(study.folder, "all"), "v1")
    assert "plan" not in BookView(study.folder).run("v1")
    assert on_record(BookView(study.folder))[0].plan is None


# --- touched ---------------------------------------------------------------------------------


@pytest.fixture
def chained(study: Study, whole_run: Callable[..., str]) -> Path:
    """A study with a recorded plan and a run after it."""
    record_plan(study.folder)
    whole_run("r1")
    assert told(study.folder) == {}
    return study.folder


def test_a_changed_text_is_found_and_no_longer_believed(chained: Path, edit: Edit) -> None:
    edit(chained / PLANS / "001.txt", "alpha = 0.05", "alpha = 0.1")
    assert told(chained) == {f"{PLANS}/001.txt": "changed"}
    assert recorded_plans(chained) == []
    assert facts_of_plan(on_record(BookView(chained)), plan_of_study(read_study(chained))) is None


def test_a_changed_entry_is_found_also_if_it_is_sealed_anew(chained: Path) -> None:
    path = chained / PLANS / "001.json"
    entry = json.loads(path.read_text("utf-8"))
    entry["recorded"] = "2020-01-01T00:00:00.000"
    path.write_text(json.dumps(entry), "utf-8")
    assert told(chained) == {f"{PLANS}/001.json": "changed"}
    entry["seal"] = book._seal_of(entry)
    path.write_bytes(book._text_of_entry(entry))
    assert told(chained) == {f"{PLANS}/001.json": "changed"}
    assert [one.by for one in on_record(BookView(chained))] == ["run", "plan"]


def test_a_plan_taken_out_or_put_in_is_found(chained: Path) -> None:
    (chained / PLANS / "002.txt").write_text("a note", "utf-8")
    assert told(chained) == {f"{PLANS}/002.txt": "orphan"}
    (chained / PLANS / "002.txt").unlink()
    (chained / PLANS / "001.txt").unlink()
    assert told(chained) == {f"{PLANS}/001.txt": "missing"}
    (chained / PLANS / "001.json").unlink()
    assert told(chained) == {f"{PLANS}/001.json": "missing"}


def test_a_plan_forged_with_an_old_date_proves_nothing(
    study: Study, whole_run: Callable[..., str]
) -> None:
    """Its own seal and date fit; the run that it claims to be older than does not name it."""
    whole_run("r1")
    entry = record_plan(study.folder).lodged.entry
    entry |= {"recorded": "2020-01-01T00:00:00.000", "previous": None, "read": []}
    entry["seal"] = book._seal_of(entry)
    path = study.folder / PLANS / "001.json"
    path.write_bytes(book._text_of_entry(entry))
    assert told(study.folder) == {f"{PLANS}/001.json": "chain"}
    assert said_of_plan(study) is None, "nothing is fixed by it"


def test_a_run_changed_after_a_plan_had_followed_it_is_found(
    study: Study, whole_run: Callable[..., str]
) -> None:
    whole_run("r1")
    record_plan(study.folder)
    entry = BookView(study.folder).run("r1")
    events.write_run(study.folder, entry | {"started": "2020-01-01T00:00:00.000"})
    assert told(study.folder) == {"ledger/runs/r1.json": "changed"}


def test_a_clock_set_back_takes_no_plan_out_of_its_place(
    study: Study, whole_run: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    record_plan(study.folder)
    monkeypatch.setattr(events, "now", lambda: "2020-01-01T00:00:00.000")
    whole_run("r1")
    assert [one.by for one in on_record(BookView(study.folder))] == ["plan", "run"]
    assert told(study.folder) == {}


def test_the_kept_text_of_a_run_is_verified(chained: Path) -> None:
    digest = BookView(chained).run("r1")["plan"]
    copy = chained / "ledger/history" / digest[:2] / digest
    copy.write_bytes(copy.read_bytes().replace(b"0.05", b"0.10"))
    assert told(chained) == {f"ledger/history/{digest[:2]}/{digest}": "changed"}


def test_an_allocation_is_entered_with_its_digest_even_for_the_same_plan(bare: Path) -> None:
    record_plan(bare)
    lots = {"sha256": "ab" * 32, "seed": 11}
    entry = record_plan(bare, lots).lodged.entry
    assert (entry["plan"], entry["allocation"]) == ("002", lots)
    assert [one.get("allocation") for one in recorded_plans(bare)] == [None, lots]
    assert told(bare) == {}
    place = bare / PLANS / "002.json"
    text = place.read_text(encoding="utf-8")
    place.write_text(text.replace('"seed": 11', '"seed": 12'), encoding="utf-8")
    assert told(bare) == {f"{PLANS}/002.json": "changed"}

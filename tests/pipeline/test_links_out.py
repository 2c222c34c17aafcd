"""A link where results or books are written: refused, and what it leads to stays as it is."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from leafledger.cli.main import _guarded, cli
from leafledger.cli.study_commands import StudyOptions, write_study
from leafledger.errors import InputFault, Problem
from leafledger.ledger.tracking import prepare_store, sync_store
from leafledger.ledger.variants_table import remove_table
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.records.record import read_record
from leafledger.records.store import ContentStore
from leafledger.runner.execute import restore_kept
from leafledger.runner.run import run_study
from leafledger.runner.study_folder import remove_orphans, study_lock, sweep_temporaries
from leafledger.runner.workflow import snakefile
from leafledger.study.reading import read_study
from leafledger.study.sheet_changes import DecisionRequest, remove_rows, save
from leafledger.study.study import Task
from leafledger.study.table_files import link_problems, remove_file, remove_folder, whole_file

REPORT = Task("report")
HEADING = "scan,action,reason,by,when\n"
FOLDERS = (
    *("results", "results/figures", "results/figures/sub", "records", "logs", ".snakemake"),
    *(".snakemake/metadata", "ledger", "ledger/store", "ledger/store/ab", "ledger/artifacts"),
    *("ledger/events", "ledger/runs", "ledger/cache"),
)
FILES = (
    *("results/report.html", "records/report.json", "records/x.json", "logs/snakemake.log"),
    *("ledger/ledger.sqlite", "ledger/lock", "ledger/decisions.lock", "decisions.csv"),
)
Content = dict[str, bytes | None]


def content(folder: Path) -> Content:
    """Return all that is below a folder: bytes of files, ``None`` for folders."""
    return {
        path.relative_to(folder).as_posix(): None if path.is_dir() else path.read_bytes()
        for path in folder.rglob("*")
    }


def thesis_in(other: Path) -> Path:
    (other / "chapters").mkdir(parents=True)
    for name in ("thesis.txt", "chapters/one.txt", ".notes.tmp"):
        (other / name).write_text("years of work", encoding="utf-8")
    return other


def lead_out(study: Path, place: str, other: Path) -> None:
    """Take a folder or file of a study to another folder and leave a link in its place."""
    link = study / place
    link.parent.mkdir(exist_ok=True, parents=True)
    if place in FOLDERS:
        if link.exists():
            shutil.move(link, other)
        link.symlink_to(thesis_in(other))
        return
    thesis_in(other)
    if link.exists():
        shutil.move(link, other / "kept")
    else:
        (other / "kept").write_text(HEADING, encoding="utf-8")
    link.symlink_to(other / "kept")


def refusal(work: Callable[[], Any]) -> list[Problem]:
    with pytest.raises(InputFault) as refused:
        work()
    return list(refused.value.problems)


@pytest.mark.parametrize("place", [*FOLDERS, *FILES])
def test_every_command_that_writes_refuses_a_link_that_leads_out(
    ran_study: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    place: str,
) -> None:
    for server in ("leafledger.ledger.tracking.serve", "leafledger.review.review_session.serve"):
        monkeypatch.setattr(server, lambda *_: pytest.fail("a page is served"))
    other = tmp_path / "other"
    lead_out(ran_study, place, other)
    before, study = content(other), str(ran_study)
    for command in (
        ["run", study],
        ["run", study, "--variants"],
        ["demo", study],
        ["check", study, "--sheets"],
        ["clean", study, "--store"],
        ["ledger", "sync", study],
        ["review", study, "--no-browser"],
        ["reproduce", study, "--keep", str(tmp_path / "again")],
        ["export", study, str(tmp_path / "crate")],
        ["ui", study],
    ):
        assert _guarded(lambda given=command: cli(given, standalone_mode=False)) == 2, command
        told = capsys.readouterr().err
        assert f"\n  {place}\n" in told, command
        assert "leaves the study folder" in told, command
        assert str(other) in told, command
        assert content(other) == before, command
    assert not (tmp_path / "crate").exists()
    assert not any((tmp_path / "again").glob("*"))


@pytest.mark.parametrize("kind", ["dangling", "chain", "relative", "circle"])
def test_no_kind_of_link_is_overlooked(small_study: Path, tmp_path: Path, kind: str) -> None:
    other = thesis_in(tmp_path / "other")
    (small_study / "results").mkdir()
    link = small_study / "results" / "figures"
    if kind == "chain":
        (small_study / "second").symlink_to(other)
        link.symlink_to(small_study / "second")
    else:
        targets = {"dangling": "/nowhere/at/all", "relative": "../../other", "circle": "figures"}
        link.symlink_to(targets[kind])
    (problem,) = refusal(lambda: run_study(small_study, cores=1))
    assert problem.file == "results/figures"
    assert ("back to itself" if kind == "circle" else "leaves the study") in problem.found
    assert not (small_study / "ledger").exists()


def test_all_links_are_told_at_once_with_what_else_is_wrong(
    ran_study: Path, tmp_path: Path, edit: Callable[[Path, str, str], None]
) -> None:
    edit(ran_study / "study.yaml", "title:", "titel:")
    for place in ("results/figures", "records"):
        lead_out(ran_study, place, tmp_path / place.replace("/", "-"))
    problems = refusal(lambda: run_study(ran_study, cores=1))
    assert {"study.yaml", "results/figures", "records"} <= {problem.file for problem in problems}


def test_a_decision_is_not_saved_through_a_link(ran_study: Path, tmp_path: Path) -> None:
    scan = read_study(ran_study).samples()[0].scan
    asked = [DecisionRequest(scan, "exclude", "clip slipped", None)]
    lead_out(ran_study, "decisions.csv", tmp_path / "other")
    before = content(tmp_path / "other")
    for work in (
        lambda: save(ran_study, {scan}, asked, "A. Grower", "2026-05-08T17:40:00"),
        lambda: remove_rows(ran_study, [HEADING.encode().strip()]),
    ):
        (problem,) = refusal(work)
        assert problem.file == "decisions.csv"
        assert content(tmp_path / "other") == before


def test_a_new_study_is_not_written_through_a_link(tmp_path: Path) -> None:
    other = thesis_in(tmp_path / "other")
    table = tmp_path / "thesis.txt"
    table.write_text("Type,400\na,1\n", encoding="utf-8")
    before = content(other)
    (tmp_path / "new").mkdir()
    (tmp_path / "new" / "raw").symlink_to(other)
    refusal(lambda: write_study(tmp_path / "new", StudyOptions("t", table=table)))
    (tmp_path / "new" / "raw").unlink()
    (tmp_path / "new" / "raw").mkdir()
    (tmp_path / "new" / "raw" / "thesis.txt").symlink_to(other / "thesis.txt")
    write_study(tmp_path / "new", StudyOptions("t", table=table))
    assert content(other) == before
    assert (tmp_path / "new" / "raw" / "thesis.txt").read_bytes() == table.read_bytes()


# --- under plain Snakemake -------------------------------------------------------------------


@pytest.mark.parametrize(
    "place", ["results", "results/figures", "results/figures/sub", "records", "ledger", "logs"]
)
def test_plain_snakemake_and_its_steps_refuse_it(
    ran_study: Path, tmp_path: Path, place: str
) -> None:
    lead_out(ran_study, place, tmp_path / "other")
    before = content(tmp_path / "other")
    environment = {k: v for k, v in os.environ.items() if k != events.RUN_VARIABLE}
    plain = ["snakemake", "--cores", "1", "--forceall", "--snakefile", str(snakefile())]
    for module, code in ((["leafledger.runner.step", "report"], 2), (plain, 1)):
        done = subprocess.run(
            [sys.executable, "-m", *module],
            cwd=ran_study,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == code, done.stderr
        assert f"{place}: found a" in done.stderr, done.stderr
        assert "Traceback" not in done.stderr
        assert content(tmp_path / "other") == before


# --- put there after the check ---------------------------------------------------------------


@pytest.mark.parametrize("kept", [True, False], ids=["put back", "computed"])
def test_a_link_put_there_during_a_run_is_refused(
    ran_study: Path, tmp_path: Path, kept: bool
) -> None:
    other = tmp_path / "other"
    (ran_study / "results" / "report.html").unlink()

    def listen(line: dict[str, Any]) -> None:
        if "planned" in line:
            lead_out(ran_study, "results/figures", other)
            before.update(content(other))

    before: Content = {}
    (problem,) = refusal(lambda: run_study(ran_study, 1, listen, use_store=kept))
    assert problem.file == "results/figures"
    assert before
    assert content(other) == before
    (entry,) = [run for run in events.runs(ran_study) if run["outcome"] == "input_fault"]
    assert "results/figures" in entry["message"]


@pytest.mark.parametrize(
    "place", ["results", "records", "ledger", "ledger/store", "ledger/ledger.sqlite"]
)
def test_whatever_writes_or_deletes_judges_at_that_moment(
    ran_study: Path, tmp_path: Path, place: str
) -> None:
    """Each is called as if the study had been checked before the link was put there."""
    study = read_study(ran_study)
    record = read_record(ran_study / REPORT.record)
    assert record is not None
    for name in ("results/.cut.1.tmp", "records/.cut.1.tmp", "ledger/.cut.1.tmp"):
        (ran_study / name).write_text("cut short", encoding="utf-8")
    # A session that the study no longer has.
    for name in ("records/indices.{}.json", "results/indices/{}.parquet"):
        data = (ran_study / name.format("day0")).read_bytes()
        (ran_study / name.format("day99")).write_bytes(data.replace(b"day0.", b"day99."))
    (ran_study / "ledger/ledger.sqlite").unlink()
    lead_out(ran_study, place, tmp_path / "other")
    before = content(tmp_path / "other")
    store, digests = ContentStore(ran_study), FileDigests(ran_study)
    works: dict[str, list[Callable[[], Any]]] = {
        "results": [
            lambda: store.restore(record["key"]),
            lambda: restore_kept(study, "r1", [REPORT], digests),
            lambda: sweep_temporaries(ran_study),
            lambda: remove_orphans(study),
            lambda: remove_table(ran_study),
        ],
        "records": [
            lambda: restore_kept(study, "r1", [REPORT], digests),
            lambda: remove_orphans(study),
            lambda: sweep_temporaries(ran_study),
        ],
        "ledger": [
            lambda: events.append_progress(ran_study, "r1", task="report"),
            lambda: sweep_temporaries(ran_study),
            lambda: store.trim(0),
            lambda: prepare_store(ran_study, "t"),
            lambda: study_lock(ran_study).__enter__(),
        ],
        "ledger/store": [
            lambda: store.keep({**record, "key": "sha256:" + "ab" * 32}),
            lambda: store.trim(0),
        ],
        "ledger/ledger.sqlite": [lambda: sync_store(ran_study, "t")],
    }
    for k, work in enumerate(works[place]):
        refusal(work)
        assert content(tmp_path / "other") == before, k


def test_a_folder_that_becomes_a_link_while_a_file_is_written(tmp_path: Path) -> None:
    other = thesis_in(tmp_path / "other")
    before = content(other)
    place = tmp_path / "study" / "results" / "thesis.txt"

    def write() -> None:
        with whole_file(place) as temporary:
            temporary.write_text("a table", encoding="utf-8")
            place.parent.rename(tmp_path / "away")
            place.parent.symlink_to(other)

    (problem,) = refusal(write)
    assert problem.file == str(place.parent)
    refusal(lambda: remove_file(place))
    refusal(lambda: remove_folder(place.parent))
    refusal(lambda: remove_folder(place.parent / "chapters"))
    assert content(other) == before


# --- what stays allowed ----------------------------------------------------------------------


def test_a_study_reached_through_a_link_is_run_reviewed_and_cleaned(
    ran_study: Path, tmp_path: Path
) -> None:
    link = tmp_path / "link"
    link.symlink_to(ran_study)
    (link / "results" / "report.html").unlink()
    assert run_study(link, cores=1).outcome == "done"
    scan = read_study(link).samples()[0].scan
    asked = [DecisionRequest(scan, "keep", "sound", None)]
    saved = save(link, {scan}, asked, "A. Grower", "2026-05-08T17:40:00")
    remove_rows(link, saved.lines)
    assert _guarded(lambda: cli(["clean", str(link)], standalone_mode=False)) == 0
    (tmp_path / "empty").mkdir()
    (tmp_path / "door").symlink_to(tmp_path / "empty")
    write_study(tmp_path / "door" / "new", StudyOptions("t"))
    assert (tmp_path / "empty" / "new" / "study.yaml").is_file()


def test_a_link_to_a_file_of_the_study_is_replaced_and_the_file_stays(ran_study: Path) -> None:
    page = ran_study / "results" / "report.html"
    page.rename(ran_study / "kept.html")
    page.symlink_to("../kept.html")
    (ran_study / "decisions.csv").unlink(missing_ok=True)
    (ran_study / "sheet.csv").write_text(HEADING, encoding="utf-8")
    (ran_study / "decisions.csv").symlink_to("sheet.csv")
    assert link_problems(ran_study) == []
    (ran_study / "kept.html").write_text("edited", encoding="utf-8")
    assert run_study(ran_study, cores=1).outcome == "done"
    assert not page.is_symlink()
    assert (ran_study / "kept.html").read_text(encoding="utf-8") == "edited"


def test_a_link_to_a_folder_of_the_study_could_cost_the_raw_files(ran_study: Path) -> None:
    raw = content(ran_study / "raw")
    shutil.rmtree(ran_study / "results" / "figures")
    (ran_study / "results" / "figures").symlink_to("../raw")
    (problem,) = refusal(lambda: run_study(ran_study, cores=1))
    assert problem.file == "results/figures"
    assert '"raw"' in problem.found
    assert content(ran_study / "raw") == raw

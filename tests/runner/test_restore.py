"""What the content store keeps is put back without Snakemake, whose files stay untouched."""

from __future__ import annotations

import os
import subprocess
import sys
from base64 import urlsafe_b64encode
from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.ledger.verify import verify
from leafledger.records import events, store
from leafledger.records.digests import FileDigests
from leafledger.records.record import read_record
from leafledger.runner import execute as restore
from leafledger.runner.run import SNAKEMAKE_LOG, run_study
from leafledger.runner.step import NO_STORE_VARIABLE
from leafledger.runner.workflow import StudyWorkflow, snakefile
from leafledger.study.reading import read_study
from leafledger.study.study import Task, outputs

ACCEPTANCE = Task("acceptance")


def plain_snakemake(study: Path, *options: str) -> str:
    done = subprocess.run(
        [
            sys.executable,
            *("-m", "snakemake", "--cores", "1", "--directory", str(study)),
            *("--snakefile", str(snakefile()), "--nocolor", *options),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def files_of_snakemake(study: Path) -> dict[str, bytes]:
    below = sorted((study / ".snakemake").rglob("*"))
    return {
        path.relative_to(study).as_posix(): path.read_bytes() for path in below if path.is_file()
    }


def test_a_kept_result_is_restored_without_snakemake(ran_study: Path) -> None:
    before = {
        path: (ran_study / path).read_bytes()
        for path in [*outputs(ACCEPTANCE).values(), ACCEPTANCE.record]
    }
    private = files_of_snakemake(ran_study)
    (ran_study / "results" / "accepted.csv").write_text("edited\n", encoding="utf-8")
    result = run_study(ran_study, cores=1)
    assert [(e["task"], e["outcome"]) for e in result.tasks] == [("acceptance", "restored")]
    assert {path: (ran_study / path).read_bytes() for path in before} == before
    assert (ran_study / SNAKEMAKE_LOG).read_bytes() == b""
    assert files_of_snakemake(ran_study) == private, "nothing of Snakemake is written"
    assert run_study(ran_study, cores=1).outcome == "idle"
    assert "Nothing to be done" in plain_snakemake(ran_study, "--dry-run")


def test_a_restored_folder_holds_nothing_of_another_version(ran_study: Path) -> None:
    """As a figure that was drawn only where there were variants."""
    figures = sorted((ran_study / "results" / "figures").iterdir())
    (ran_study / "results" / "figures" / "another.svg").write_text("<svg/>", encoding="utf-8")
    (ran_study / "results" / "report.html").unlink()
    result = run_study(ran_study, cores=1)
    assert [(e["task"], e["outcome"]) for e in result.tasks] == [("report", "restored")]
    assert sorted((ran_study / "results" / "figures").iterdir()) == figures
    assert verify(ran_study).holds


def test_with_the_store_switched_off_nothing_is_restored(
    ran_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(NO_STORE_VARIABLE, "1")
    study, digests = read_study(ran_study), FileDigests(ran_study)
    assert not restore.restore_kept(study, "r", [ACCEPTANCE], digests)
    monkeypatch.delenv(NO_STORE_VARIABLE)
    assert restore.restore_kept(study, "r", [ACCEPTANCE], digests)


def test_without_an_input_nothing_is_restored(ran_study: Path) -> None:
    study = read_study(ran_study)
    (ran_study / "results" / "range.json").unlink()
    session = Task("indices", study.session_ids[0])
    assert not restore.restore_kept(study, "r", [session], FileDigests(ran_study))


def test_what_cannot_be_put_back_is_left_to_a_step(
    ran_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(restore, "put_record", full)
    study, digests = read_study(ran_study), FileDigests(ran_study)
    assert not restore.restore_kept(study, "r", [ACCEPTANCE], digests)
    assert not (ran_study / ACCEPTANCE.record).exists(), "without a record the task is left to do"
    monkeypatch.undo()
    assert restore.restore_kept(study, "r", [ACCEPTANCE], digests)


@pytest.mark.slow
def test_plain_snakemake_never_leaves_what_was_put_back_under_other_settings(
    ran_study: Path, edit: Callable[[Path, str, str], None]
) -> None:
    """There and back by our runner, then there again by plain Snakemake, which made it last."""
    definition, page = ran_study / "study.yaml", ran_study / "results" / "report.html"
    before = page.read_bytes()
    edit(definition, 'title: "Iron', 'title: "Ferrous')
    assert [e["outcome"] for e in run_study(ran_study, cores=1).tasks] == ["done"]
    other = page.read_bytes()
    assert "Nothing to be done" in plain_snakemake(ran_study, "--dry-run")
    edit(definition, 'title: "Ferrous', 'title: "Iron')
    assert [e["outcome"] for e in run_study(ran_study, cores=1).tasks] == ["restored"]
    assert page.read_bytes() == before
    edit(definition, 'title: "Iron', 'title: "Ferrous')
    assert "rule report:" in plain_snakemake(ran_study)
    assert page.read_bytes() == other
    assert "Nothing to be done" in plain_snakemake(ran_study, "--dry-run")


@pytest.mark.slow
@pytest.mark.parametrize("path", ["results/accepted.csv", "results/report.html"])
def test_plain_snakemake_makes_again_what_was_edited_by_hand(ran_study: Path, path: str) -> None:
    """Even with the old date, and of a final result: Snakemake alone would not see it."""
    before, dates = (ran_study / path).read_bytes(), (ran_study / path).stat()
    (ran_study / path).write_bytes(before[:-9] + b"12345678\n")
    os.utime(ran_study / path, ns=(dates.st_atime_ns, dates.st_mtime_ns))
    plain_snakemake(ran_study)
    assert (ran_study / path).read_bytes() == before
    assert "Nothing to be done" in plain_snakemake(ran_study, "--dry-run")
    assert run_study(ran_study, cores=1).outcome == "idle"


@pytest.mark.slow
def test_plain_snakemake_does_not_stop_at_marks_of_a_killed_run(ran_study: Path) -> None:
    """A task was finished, and the run killed before Snakemake took its marks away."""
    name = urlsafe_b64encode(b"results/accepted.csv").decode()
    mark = ran_study / ".snakemake" / "incomplete" / name
    mark.parent.mkdir(parents=True, exist_ok=True)
    mark.write_text('{"external_jobid": null}', encoding="utf-8")
    (ran_study / "results" / "unit_indices.csv").write_text("edited\n", encoding="utf-8")
    assert run_study(ran_study, cores=1).outcome == "done"
    assert not mark.exists()
    assert "Nothing to be done" in plain_snakemake(ran_study, "--dry-run")


@pytest.mark.slow
def test_plain_snakemake_keeps_large_tables_for_going_back(
    ran_study: Path, edit: Callable[[Path, str, str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Snakemake removes them before it makes them anew; nothing copies them into the store."""
    monkeypatch.setattr(store, "_LARGE_BYTES", 0)
    monkeypatch.delenv(events.RUN_VARIABLE, raising=False)
    table = ran_study / "results/reflectance/day0.parquet"
    record = read_record(ran_study / "records/reflectance.day0.json")
    assert record is not None
    kept = store.ContentStore(ran_study)
    for output in record["outputs"]:
        if output["path"].startswith("results/reflectance/"):
            next((ran_study / "ledger/store").rglob(output["sha256"])).unlink()
    before = table.read_bytes()
    edit(ran_study / "study.yaml", "smoothing: none", "smoothing: {window_nm: 9}")
    try:
        StudyWorkflow(ran_study, {}).renew_marks()
    finally:
        os.environ.pop(events.RUN_VARIABLE, None)
    assert table.read_bytes() == before, "Snakemake may yet decide not to run it"
    table.unlink()
    assert kept.restore(record["key"]) is not None
    assert table.read_bytes() == before

"""What a run may meet: another run, a dead parent, results that nobody asks for any more."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from leafledger.cli.run_commands import findings, warnings
from leafledger.ledger.book import close_run, open_run
from leafledger.ledger.compare import course
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.runner.outdated import plan
from leafledger.runner.run import run_study
from leafledger.runner.step import PARENT_VARIABLE
from leafledger.runner.study_folder import is_held, remove_orphans, study_lock
from leafledger.runner.workflow import snakefile
from leafledger.study.reading import read_study

Edit = Callable[[Path, str, str], None]


def foreseen(study: Path) -> dict[str, bool]:
    opened = read_study(study)
    return {p.task.name: p.certain for p in plan(opened, FileDigests(opened.folder))}


def test_the_lock_is_seen_from_outside(small_study: Path) -> None:
    assert not is_held(small_study)
    with study_lock(small_study):
        assert is_held(small_study)
    assert not is_held(small_study)


def test_plain_snakemake_waits_for_no_run_and_spoils_none(small_study: Path) -> None:
    command = [
        *(sys.executable, "-m", "snakemake", "--cores", "1", "--directory", str(small_study)),
        *("--snakefile", str(snakefile()), "--quiet", "all"),
    ]
    environment = {k: v for k, v in os.environ.items() if k != events.RUN_VARIABLE}
    with study_lock(small_study):
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode != 0
    assert "another run at work" in done.stdout + done.stderr
    assert not (small_study / "results").exists()


def test_a_step_whose_run_has_ended_does_nothing(small_study: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True
    )
    environment = {
        **os.environ,
        events.RUN_VARIABLE: "r1",
        PARENT_VARIABLE: ended.stdout.decode().strip(),
    }
    done = subprocess.run(
        [sys.executable, "-m", "leafledger.runner.step", "catalogue"],
        cwd=small_study,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "has ended" in done.stderr
    assert not (small_study / "results").exists()


def test_a_classifier_no_longer_asked_for_is_not_shown_as_current(ran_study: Path) -> None:
    path = ran_study / "study.yaml"
    head, _, _ = path.read_text(encoding="utf-8").partition("\nclasses:")
    path.write_text(head + "\nreport: {language: en, figures: [svg]}\n", encoding="utf-8")
    assert [f["id"] for f in findings(ran_study)][-1] == "classes"
    record = ran_study / "records" / "classes.json"
    told = json.loads(record.read_text(encoding="utf-8"))
    told["warnings"].append("told of the spectra")
    record.write_text(json.dumps(told), encoding="utf-8")
    assert any(text.startswith("classes") for text in warnings(ran_study))
    (note,) = remove_orphans(read_study(ran_study))
    assert note.endswith("classes, negative_controls, rivals")
    assert "classes" not in [f["id"] for f in findings(ran_study)]
    assert not any(text.startswith("classes") for text in warnings(ran_study))
    assert not (ran_study / "results" / "classes").exists()
    assert remove_orphans(read_study(ran_study)) == []
    assert foreseen(ran_study) == {"report": True}


def test_only_what_a_record_names_is_removed(ran_study: Path) -> None:
    """A file of the user's own stays, and a record edited by hand removes nothing outside."""
    mine = ran_study / "results" / "my notes.txt"
    mine.write_text("mine", encoding="utf-8")
    record = json.loads((ran_study / "records" / "intake.day0.json").read_text("utf-8"))
    more = [
        {"role": "x", "path": path, "sha256": "0", "bytes": 1}
        for path in ("results/accepted.csv", "study.yaml", "results/../units.csv", "../outside")
    ]
    outside = ran_study.parent / "outside"
    outside.write_text("not ours", encoding="utf-8")
    gone = ran_study / "results" / "scans" / "day7.parquet"
    gone.write_bytes(b"")
    record["outputs"][0]["path"] = "results/scans/day7.parquet"
    place = ran_study / "records" / "intake.day7.json"
    own = list(record["outputs"])
    for extra in more:  # a record that names a place outside of the results is not believed at all
        record["outputs"] = [*own, extra]
        place.write_text(json.dumps(record), encoding="utf-8")
        remove_orphans(read_study(ran_study))
        assert gone.exists() == (extra is not more[0])
        gone.write_bytes(b"")
    place.unlink(missing_ok=True)
    kept = [mine, outside, *(ran_study / n for n in ("study.yaml", "units.csv"))]
    assert all(path.is_file() for path in [*kept, ran_study / "results" / "accepted.csv"])


def test_what_is_made_again_decides_nothing_beforehand(ran_study: Path) -> None:
    """After a hand edit only the rule that wrote the file runs for certain."""
    path = ran_study / "results" / "reflectance" / "day0.parquet"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    certain = {name for name, sure in foreseen(ran_study).items() if sure}
    assert certain == {"reflectance.day0"}
    assert {e["task"] for e in run_study(ran_study, cores=1).tasks} == certain


def test_a_record_edited_by_hand_is_noticed(ran_study: Path) -> None:
    path = ran_study / "records" / "effects.json"
    before = path.read_bytes()
    path.write_bytes(before.replace(b'"value": ', b'"value":  ', 1))
    assert foreseen(ran_study)["effects"] is True
    result = run_study(ran_study, cores=1)
    assert [(e["task"], e["outcome"]) for e in result.tasks] == [("effects", "restored")]
    assert path.read_bytes() == before


def test_an_idle_run_enters_the_run_that_was_killed(ran_study: Path) -> None:
    study = read_study(ran_study)
    open_run(study, "r9")
    result = run_study(ran_study, cores=1)
    assert result.outcome == "idle"
    assert any("r9 was interrupted" in note for note in result.notes)
    from mlflow.tracking import MlflowClient

    from leafledger.ledger import tracking

    client = MlflowClient(tracking_uri=tracking.address(ran_study))
    experiment = client.get_experiment_by_name(tracking.EXPERIMENT).experiment_id
    (run,) = client.search_runs([experiment], "tags.leafledger.run = 'r9'")
    assert run.info.status == "KILLED"


def test_a_run_cut_short_keeps_only_records_that_hold(ran_study: Path) -> None:
    study = read_study(ran_study)
    open_run(study, "r9")
    close_run(study, "r9", "failed", "report failed: for a test", {"report", "effects"})
    entry = next(run for run in events.runs(ran_study) if run["run"] == "r9")
    assert "unit_means" in entry["records"]
    assert not {"report", "effects"} & set(entry["records"])
    assert course(ran_study)[-1]["outcome"] == "failed"

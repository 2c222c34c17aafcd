"""What the content store keeps is put back without Snakemake, which is told of it."""

from __future__ import annotations

import json
import subprocess
import sys
from base64 import urlsafe_b64encode
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from snakemake.persistence import RECORD_FORMAT_VERSION

from leafledger.ledger.verify import verify
from leafledger.records.digests import FileDigests
from leafledger.runner import restore
from leafledger.runner.outcome import SNAKEMAKE_LOG
from leafledger.runner.run import run_study
from leafledger.runner.shipped import snakefile
from leafledger.runner.workflow_memory import RECORD_FORMAT, remember
from leafledger.study.layout import Task, outputs, tasks
from leafledger.study.reading import read_study

ACCEPTANCE = Task("acceptance")


def remembered(study: Path, path: str) -> dict[str, Any]:
    name = urlsafe_b64encode(path.encode()).decode()
    text = (study / ".snakemake" / "metadata" / name).read_text(encoding="utf-8")
    return dict(json.loads(text))


def marks(study: Path) -> list[Path]:
    return [p for p in (study / ".snakemake" / "incomplete").iterdir() if p.is_file()]


def plain_snakemake(study: Path) -> str:
    done = subprocess.run(
        [
            sys.executable,
            *("-m", "snakemake", "--cores", "1", "--directory", str(study)),
            *("--snakefile", str(snakefile()), "--dry-run", "--nocolor"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def test_the_form_is_that_of_snakemake() -> None:
    assert RECORD_FORMAT == RECORD_FORMAT_VERSION


def test_snakemake_would_have_remembered_the_same(ran_study: Path) -> None:
    study = read_study(ran_study)
    digests = FileDigests(ran_study)
    for task in tasks(study):
        paths = [path.rstrip("/") for path in [*outputs(task).values(), task.record]]
        before = {path: remembered(ran_study, path) for path in paths}
        remember(study, task, digests)
        for path in paths:
            ours = remembered(ran_study, path)
            assert ours == {name: before[path][name] for name in ours}, path
    assert "Nothing to be done" in plain_snakemake(ran_study)


def test_a_kept_result_is_restored_without_snakemake(ran_study: Path) -> None:
    before = {
        path: (ran_study / path).read_bytes()
        for path in [*outputs(ACCEPTANCE).values(), ACCEPTANCE.record]
    }
    (ran_study / "results" / "accepted.csv").write_text("edited\n", encoding="utf-8")
    result = run_study(ran_study, cores=1)
    assert [(e["task"], e["outcome"]) for e in result.tasks] == [("acceptance", "restored")]
    assert {path: (ran_study / path).read_bytes() for path in before} == before
    assert (ran_study / SNAKEMAKE_LOG).read_bytes() == b""
    assert marks(ran_study) == []
    assert run_study(ran_study, cores=1).outcome == "idle"


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
    monkeypatch.setenv(restore.NO_STORE_VARIABLE, "1")
    study, digests = read_study(ran_study), FileDigests(ran_study)
    assert not restore.restore_kept(study, "r", [ACCEPTANCE], digests)
    monkeypatch.delenv(restore.NO_STORE_VARIABLE)
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
    # As after a kill: Snakemake must not take the files for whole.
    assert len(marks(ran_study)) == len(outputs(ACCEPTANCE)) + 1
    monkeypatch.undo()
    assert restore.restore_kept(study, "r", [ACCEPTANCE], digests)
    assert marks(ran_study) == []


@pytest.mark.slow
def test_plain_snakemake_knows_what_was_restored(
    ran_study: Path, edit: Callable[[Path, str, str], None]
) -> None:
    """There and back by our runner, then there again by plain Snakemake."""
    definition = ran_study / "study.yaml"
    edit(definition, 'title: "Iron', 'title: "Ferrous')
    assert [e["outcome"] for e in run_study(ran_study, cores=1).tasks] == ["done"]
    edit(definition, 'title: "Ferrous', 'title: "Iron')
    assert [e["outcome"] for e in run_study(ran_study, cores=1).tasks] == ["restored"]
    assert "Nothing to be done" in plain_snakemake(ran_study)
    edit(definition, 'title: "Iron', 'title: "Ferrous')
    assert "rule report:" in plain_snakemake(ran_study)

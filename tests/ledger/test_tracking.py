"""The tracking store shows what the book says, and is made again when it cannot be trusted."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from leafledger.ledger import book, mlflow_runs, tracking
from leafledger.ledger.tracking import sync_store
from leafledger.ledger.verify import verify
from leafledger.records import events
from leafledger.study.study import Study, Task

from .conftest import enact, write_event

Entered = Callable[..., str]


class Seen:
    """The store as a client of MLflow sees it."""

    def __init__(self, folder: Path) -> None:
        from mlflow.tracking import MlflowClient

        # An address of its own: MLflow keeps the files that it has opened under their addresses.
        stamp = (folder / tracking.DATABASE).stat().st_ino
        self.client = MlflowClient(tracking_uri=f"{tracking.store_address(folder)}?timeout={stamp}")
        self.experiment = self.client.get_experiment_by_name(tracking.EXPERIMENT)
        self.all = list(self.client.search_runs([self.experiment.experiment_id]))

    @property
    def parents(self) -> dict[str, Any]:
        return {
            run.data.tags["leafledger.run"]: run
            for run in self.all
            if "leafledger.run" in run.data.tags
        }

    def children(self, run: str) -> dict[str, Any]:
        parent = self.parents[run].info.run_id
        return {
            child.data.tags["leafledger.task"]: child
            for child in self.all
            if child.data.tags.get("mlflow.parentRunId") == parent
        }

    def files(self, run: Any, below: str | None = None) -> Iterator[str]:
        for entry in self.client.list_artifacts(run.info.run_id, below):
            if entry.is_dir:
                yield from self.files(run, entry.path)
            else:
                yield entry.path

    def text(self, run: Any, path: str) -> str:
        place = self.client.download_artifacts(run.info.run_id, path)
        return Path(place).read_text(encoding="utf-8")


def test_a_run_is_entered_whole(study: Study, whole_run: Entered) -> None:
    whole_run("r1")
    assert sync_store(study.folder, "A title") == []
    seen = Seen(study.folder)
    assert seen.experiment.tags["mlflow.note.content"] == "A title"
    run = seen.parents["r1"]
    assert run.info.status == "FINISHED"
    children = seen.children("r1")
    assert {"intake.day0", "intake.day12", "classes", "report"} <= set(children)
    assert {child.info.status for child in children.values()} == {"FINISHED"}
    assert children["effects"].data.metrics["seconds"] == 1.5
    assert children["effects"].data.metrics["peak_megabytes"] == 123
    assert run.data.metrics["effects.share"] == 0.25
    files = set(seen.files(run))
    assert {"effects.csv", "classes/model.skops", "figures/one.svg", "report.html"} <= files
    assert "records/intake.day0.json" in files
    assert not [name for name in files if name.endswith(".parquet")]
    assert seen.text(run, "effects.csv") == (study.folder / "results/effects.csv").read_text()


def test_large_files_are_not_copied_but_the_page_is(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_run("r1")
    sizes = {p.name: p.stat().st_size for p in (study.folder / "results").rglob("*.*")}
    monkeypatch.setattr(mlflow_runs, "_LARGEST_COPY", sizes["effects.csv"] - 1)
    sync_store(study.folder, "A title")
    seen = Seen(study.folder)
    files = set(seen.files(seen.parents["r1"]))
    assert "effects.csv" not in files
    assert "report.html" in files
    assert "records/effects.json" in files
    assert not [one.path for one in verify(study.folder).broken if "artifacts" in one.path]


def test_datasets_and_the_commit_are_told(study: Study, whole_run: Entered) -> None:
    from leafledger.records.digests import commit

    whole_run("r1")
    sync_store(study.folder, "t")
    run = Seen(study.folder).parents["r1"]
    datasets = {one.dataset.name: one.dataset for one in run.inputs.dataset_inputs}
    assert {"raw files of day0", "raw files of day12", "study.yaml", "units.csv"} <= set(datasets)
    entry = next(iter(events.runs(study.folder)))
    assert entry["study"]["units.csv"].startswith(datasets["units.csv"].digest)
    assert run.data.tags["leafledger.sha256.units.csv"] == entry["study"]["units.csv"]
    assert run.data.tags.get("mlflow.source.git.commit") == commit()


def test_settings_have_the_names_of_the_study_file(study: Study, whole_run: Entered) -> None:
    whole_run("r1")
    sync_store(study.folder, "t")
    params = Seen(study.folder).parents["r1"].data.params
    assert params["quality.severity.scans"] == "error"
    assert params["quality.apply"] == "faults"
    assert params["quality.range.margin_nm"] == "5.0"
    assert params["intake.forms.day0.quantity"] == "counts"
    assert params["reflectance.grid.step_nm"] == "1.0"
    assert params["effects.primary.index"] == "CI_rededge"
    assert params["classes.n_permutations"] == "19"
    assert params["design.sessions.day12.phase"] == "after"
    assert params["title"] == study.definition.title
    sections = set(type(study.definition).model_fields)
    assert {name.split(".")[0] for name in params} <= sections


def test_accuracy_has_the_number_of_latent_variables_as_step(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    sync_store(study.folder, "t")
    seen = Seen(study.folder)
    run_id = seen.parents["r1"].info.run_id
    path = seen.client.get_metric_history(run_id, "classes.accuracy_outer")
    assert [(m.step, m.value) for m in path] == [(1, 0.5), (2, 0.5)]


def test_a_failed_run_shows_its_message_its_log_and_no_number_of_another_run(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    book.open_run(study, "r2")
    enact(study, Task("acceptance"), "r2", said="anew")
    write_event(study, Task("effects"), "r2", "failed", "effects: no room", None)
    book.close_run(study, "r2", "failed", "effects failed: no room", {"effects", "report"})
    sync_store(study.folder, "t")
    (study.folder / "logs" / "effects.log").write_text("another run wrote here\n", "utf-8")
    seen = Seen(study.folder)
    run = seen.parents["r2"]
    assert run.info.status == "FAILED"
    assert run.data.tags["leafledger.message"] == "effects failed: no room"
    assert "effects.share" not in run.data.metrics
    assert "effects.alpha" not in run.data.params
    assert "effects.csv" not in set(seen.files(run))
    assert seen.text(run, "logs/effects.log") == "log of effects in r2\n"
    children = seen.children("r2")
    assert set(children) == {"acceptance", "effects"}
    assert children["effects"].info.status == "FAILED"
    assert seen.text(children["effects"], "logs/effects.log") == "log of effects in r2\n"
    first = seen.parents["r1"].info.run_id
    assert run.data.tags["leafledger.reused.intake.day0"] == first


def test_an_interrupted_run_is_killed_in_the_store(study: Study, whole_run: Entered) -> None:
    book.open_run(study, "r1")
    enact(study, Task("catalogue"), "r1")
    assert book.close_interrupted(study.folder) == ["r1"]
    assert book.close_interrupted(study.folder) == []
    sync_store(study.folder, "t")
    run = Seen(study.folder).parents["r1"]
    assert run.info.status == "KILLED"
    assert run.data.tags["leafledger.outcome"] == "killed"


def spoil_nothing(folder: Path) -> Path:
    return folder


def move(folder: Path) -> Path:
    return folder.rename(folder.with_name("moved {x} 'y' é%20#"))


def copy(folder: Path) -> Path:
    return Path(shutil.copytree(folder, folder.with_name("copied")))


def delete(folder: Path) -> Path:
    (folder / tracking.DATABASE).unlink()
    return folder


def truncate(folder: Path) -> Path:
    path = folder / tracking.DATABASE
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return folder


def junk(folder: Path) -> Path:
    (folder / tracking.DATABASE).write_bytes(b"no database" * 1000)
    return folder


def other_version(folder: Path) -> Path:
    import sqlite3

    with sqlite3.connect(folder / tracking.DATABASE) as store:
        store.execute("UPDATE alembic_version SET version_num = 'f00'")
    store.close()
    return folder


_LESS_OFTEN = [pytest.param(spoil, marks=pytest.mark.slow) for spoil in (copy, junk, other_version)]


@pytest.mark.parametrize("spoil", [move, delete, truncate, *_LESS_OFTEN])
def test_a_store_moved_or_damaged_is_made_again(
    study: Study, whole_run: Entered, spoil: Callable[[Path], Path]
) -> None:
    """In the same process as well, where MLflow still holds the old file open."""
    whole_run("r1")
    sync_store(study.folder, "t")
    old = Seen(study.folder).parents["r1"].data
    folder = spoil(study.folder)
    notes = sync_store(folder, "t")
    assert len(notes) == (spoil is not delete), notes
    seen = Seen(folder)
    run = seen.parents["r1"]
    assert (run.data.metrics, run.data.params) == (old.metrics, old.params)
    assert seen.text(run, "effects.csv") == (folder / "results/effects.csv").read_text()
    assert sync_store(folder, "t") == [], "the second time it is whole"
    assert len(Seen(folder).parents) == 1


def test_results_of_earlier_runs_come_back_with_the_store(study: Study, whole_run: Entered) -> None:
    whole_run("r1")
    whole_run("r2", only=frozenset({"effects", "report"}), said="anew")
    sync_store(study.folder, "t")
    seen = Seen(study.folder)
    texts = [seen.text(seen.parents[run], "effects.csv") for run in ("r1", "r2")]
    assert texts == ["effects effects \n", "effects effects anew\n"]


def test_an_entry_cut_short_is_made_once_more_and_not_twice(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch
) -> None:
    from leafledger.ledger.mlflow_runs import RunLogger

    whole_run("r1")

    def cut(*_: object) -> None:
        raise OSError("cut short")

    with monkeypatch.context() as patch:
        patch.setattr(RunLogger, "_log_files", cut)
        with pytest.raises(OSError, match="cut short"):
            sync_store(study.folder, "t")
    sync_store(study.folder, "t")
    seen = Seen(study.folder)
    tops = [run for run in seen.all if "leafledger.run" in run.data.tags]
    assert [run.info.status for run in tops] == ["FINISHED"]
    assert "effects.csv" in set(seen.files(tops[0]))


def test_a_new_title_reaches_the_store(
    study: Study, whole_run: Entered, edit_title: Callable[[str], Study]
) -> None:
    whole_run("r1")
    sync_store(study.folder, study.definition.title)
    title = "'; touch x; #{} {y} </script>"
    renamed = edit_title(title)
    sync_store(renamed.folder, renamed.definition.title)
    assert Seen(study.folder).experiment.tags["mlflow.note.content"] == title


def test_a_store_that_cannot_be_written_is_a_note_and_no_failure(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_run("r1")
    odd = study.folder.rename(study.folder.with_name("what?"))
    moved = Study(odd, study.definition, study.scans, study.units, study.decisions)
    (note,) = book.log_run(moved, "r1")
    assert "r1 is in ledger/runs" in note
    assert "question mark" in note
    assert not odd.with_name("what").exists()


def test_nothing_is_left_beside_the_study(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    whole_run("r1")
    sync_store(study.folder, "t")
    assert list(elsewhere.iterdir()) == []
    assert not list(study.folder.rglob("*.tmp"))


def test_a_kept_record_that_is_gone_keeps_no_run_out_of_the_store(
    study: Study, whole_run: Entered
) -> None:
    whole_run("r1")
    digest = next(iter(events.runs(study.folder)))["records"]["effects"]
    (study.folder / "ledger/history" / digest[:2] / digest).unlink()
    sync_store(study.folder, "t")
    run = Seen(study.folder).parents["r1"]
    assert run.info.status == "FINISHED"
    assert "effects.csv" not in set(Seen(study.folder).files(run))
    assert "unit_indices.csv" in set(Seen(study.folder).files(run))


def test_runs_are_chained_by_digest(study: Study, whole_run: Entered) -> None:
    whole_run("r1")
    whole_run("r2", only=frozenset({"report"}), said="anew")
    first, second = events.runs(study.folder)
    assert first["previous"] is None
    assert second["previous"] == book.link_to(study.folder, "r1")


def test_a_clock_set_back_does_not_fork_the_chain(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch
) -> None:
    hour = {"r1": 2, "r2": 1, "r3": 1}
    for run in hour:
        moment = f"2026-10-25T0{hour[run]}:30:00.000"
        with monkeypatch.context() as patch:
            patch.setattr(events, "now", partial(str, moment))
            whole_run(run, only=frozenset({"catalogue"}))
    previous = {run["run"]: (run["previous"] or {}).get("run") for run in events.runs(study.folder)}
    assert previous == {"r1": None, "r2": "r1", "r3": "r2"}


def test_the_store_is_made_while_the_first_run_is_at_work(study: Study, whole_run: Entered) -> None:
    with book.store_prepared_meanwhile(study):
        whole_run("r1")
    made = (study.folder / tracking.DATABASE).stat().st_ino
    assert book.log_run(study, "r1") == [], "nothing was made again"
    assert (study.folder / tracking.DATABASE).stat().st_ino == made
    assert set(Seen(study.folder).parents) == {"r1"}


def test_a_store_that_cannot_be_made_meanwhile_is_told_when_the_run_is_entered(
    study: Study, whole_run: Entered, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_of: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tracking, "_open", full)
    with book.store_prepared_meanwhile(study):
        whole_run("r1")
    (note,) = book.log_run(study, "r1")
    assert "No space left on device" in note
    assert "leafledger ledger sync" in note

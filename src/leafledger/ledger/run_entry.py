"""One run of the book, entered in the tracking store: numbers, settings, tables, figures, model."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from leafledger.ledger.run_told import (
    CONTEXT_TAG,
    FILES_LIST,
    FILES_TAG,
    PARENT_TAG,
    PATH,
    Told,
    datasets_of,
    told_of_run,
    told_of_task,
)
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import files_below, sha256_of_file
from leafledger.records.record import Record
from leafledger.study.parameters import name_of
from leafledger.study.tables import write_json, write_text

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient

_MODEL_FILES = tuple(
    f"results/classes/{name}" for name in ("model.skops", "model.json", "spectra_terms.parquet")
)
MODEL_TAG = "leafledger.model"
_LONGEST_TAG = 500
_NOT_COPIED = (".parquet",)
_PARAMETERS_AT_ONCE = 100


class RunEntry:
    """Enters runs of one study in its tracking store.

    Parameters
    ----------
    client, experiment
        The store and the study's experiment in it.
    folder
        The study folder.
    """

    def __init__(self, client: MlflowClient, experiment: str, folder: Path) -> None:
        self.client = client
        self.experiment = experiment
        self.folder = folder
        self.book = BookView(folder)

    def enter(self, run: events.Run, done: list[events.Event], makers: Mapping[str, str]) -> str:
        """Enter a run with a child for each task that executed; return the store's id of it.

        Parameters
        ----------
        run
            The run, from the book.
        done
            The events of its tasks.
        makers
            Key of a task -> the store's id of the run that computed it.
        """
        records = self.book.records_of(run)
        executed = {event["task"] for event in done if event["outcome"] == "done"}
        reused = {
            f"leafledger.reused.{name_of(task)}": makers[record["key"]]
            for task, record in records.items()
            if task not in executed and record["key"] in makers
        }
        told = told_of_run(run, records, self.book.content_at(records.get("classes"), PATH))
        run_id = self._open(told, reused)
        self._log_files(run_id, records, run.get("logs", {}))
        self._log_datasets(run_id, run, records)
        for event in done:
            if event["outcome"] != "restored":
                self._child(run_id, event, records.get(event["task"]), run.get("logs", {}))
        self.client.set_terminated(run_id, told.status, end_time=told.ended)
        return run_id

    def _child(
        self, parent: str, event: events.Event, record: Record | None, logs: Mapping[str, str]
    ) -> None:
        told = told_of_task(event, record)
        run_id = self._open(told, {PARENT_TAG: parent})
        if event["task"] in logs:
            self._log_text(run_id, event["task"], logs[event["task"]])
        self.client.set_terminated(run_id, told.status, end_time=told.ended)

    def _open(self, told: Told, more_tags: Mapping[str, str]) -> str:
        """Make a run in the store with its tags, settings and numbers; return the store's id."""
        made = self.client.create_run(
            self.experiment, start_time=told.started, tags={**told.tags, **more_tags}
        )
        run_id = str(made.info.run_id)
        self._log(run_id, told)
        return run_id

    def _log(self, run_id: str, told: Told) -> None:
        from mlflow.entities import Metric, Param

        metrics = [Metric(name, value, told.ended, step) for name, value, step in told.numbers]
        params = [Param(name, text) for name, text in told.settings.items()]
        for start in range(0, max(len(params), len(metrics)), _PARAMETERS_AT_ONCE):
            part = slice(start, start + _PARAMETERS_AT_ONCE)
            self.client.log_batch(run_id, metrics=metrics[part], params=params[part])

    def _log_text(self, run_id: str, task: str, digest: str) -> None:
        data = self.book.history(digest)
        if data is not None:
            self.client.log_text(run_id, data.decode("utf-8", "replace"), f"logs/{task}.log")

    def _log_files(
        self, run_id: str, records: Mapping[str, Record], logs: Mapping[str, str]
    ) -> None:
        """Copy tables, figures, page, model, records and logs; spectra stay, named by digest.

        A list of what was copied, with digests, comes with it, and its digest is a tag: what was
        no longer kept when the run was entered is no copy that was lost since.
        """
        with TemporaryDirectory(dir=self.folder / "ledger", prefix=".", suffix=".tmp") as name:
            for task, digest in logs.items():
                data = self.book.history(digest)
                if data is not None:
                    text = data.decode("utf-8", "replace")
                    write_text(Path(name) / "logs" / f"{task}.log", text)
            for task, record in records.items():
                write_json(Path(name) / "records" / f"{task}.json", record)
                for output in record["outputs"]:
                    if output["path"].endswith(_NOT_COPIED):
                        continue
                    found = self.book.content(record, output)
                    place = Path(name) / Path(output["path"]).relative_to("results")
                    if found is not None:
                        place.parent.mkdir(parents=True, exist_ok=True)
                        shutil.copyfile(found, place)
            self._write_model(run_id, Path(name), records)
            copies = {
                path.relative_to(name).as_posix(): sha256_of_file(path)
                for path in files_below(Path(name))
            }
            if copies:
                write_json(Path(name) / FILES_LIST, copies)
                self.client.log_artifacts(run_id, name)
                self.client.set_tag(run_id, FILES_TAG, sha256_of_file(Path(name) / FILES_LIST))

    def _write_model(self, run_id: str, place: Path, records: Mapping[str, Record]) -> None:
        """Put the classifier, if the run made one, into the form that MLflow opens.

        Files that hold no model any more are copied as they are, and a tag says so.
        """
        files = [self.book.content_at(records.get("classes"), path) for path in _MODEL_FILES]
        if not all(files):
            return
        from leafledger.ledger.model_entry import FOLDER, write_model

        archive, card, terms = (path for path in files if path is not None)
        try:
            write_model(place / "classes" / FOLDER, archive, card, terms)
        except (ValueError, KeyError) as error:
            said = f"cannot be opened as a model: {type(error).__name__}: {error}"
            self.client.set_tag(run_id, MODEL_TAG, said[:_LONGEST_TAG])

    def _log_datasets(self, run_id: str, run: events.Run, records: Mapping[str, Record]) -> None:
        """Name the raw files of each session, and the study's sheets, as inputs of a run."""
        from mlflow.entities import Dataset, DatasetInput, InputTag

        inputs = [
            DatasetInput(
                Dataset(
                    name=told.name,
                    digest=told.digest,
                    source_type="local",
                    source=json.dumps({"study": run["title"], "path": told.name}),
                    profile=told.profile,
                ),
                [InputTag(CONTEXT_TAG, told.kind)],
            )
            for told in datasets_of(run, records)
        ]
        if inputs:
            self.client.log_inputs(run_id, datasets=inputs)

"""One run of the book, entered in the tracking store: numbers, settings, tables, figures, model."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import sha256_of_value
from leafledger.records.record import Record
from leafledger.study.parameters import name_of, parameters
from leafledger.study.tables import write_json

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient

RUN_TAG = "leafledger.run"
PARENT_TAG = "mlflow.parentRunId"
_STATUS = {"done": "FINISHED", "killed": "KILLED"}
_MODEL_FILES = tuple(
    f"results/classes/{name}" for name in ("model.skops", "model.json", "spectra_terms.parquet")
)
MODEL_TAG = "leafledger.model"
VARIANT_TAG = "leafledger.variant"
_LONGEST_TAG = 500
_NOT_COPIED = (".parquet",)
_PATH = "results/classes/path.csv"
_PARAMETERS_AT_ONCE = 100
_LONGEST_DIGEST = 36

Number = tuple[str, float, int]
"""Name, value and step."""


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
        begun = milliseconds(run["started"])
        made = self.client.create_run(self.experiment, start_time=begun, tags=_tags(run) | reused)
        run_id, ended = str(made.info.run_id), milliseconds(run["ended"])
        settings: dict[str, str] = {}
        for record in records.values():
            settings |= parameters(record)
        numbers = [
            (f"{task}.{metric['name']}", metric["value"], 0)
            for task, record in records.items()
            for metric in record["metrics"]
        ]
        self._log(run_id, settings, numbers + self._accuracy_path(records), ended)
        self._log_files(run_id, records)
        self._log_datasets(run_id, run, records)
        for task, digest in run.get("logs", {}).items():
            self._log_text(run_id, task, digest)
        for event in done:
            if event["outcome"] != "restored":
                self._child(run_id, event, records.get(event["task"]), run.get("logs", {}))
        self.client.set_terminated(run_id, _STATUS.get(run["outcome"], "FAILED"), end_time=ended)
        return run_id

    def _child(
        self, parent: str, event: events.Event, record: Record | None, logs: Mapping[str, str]
    ) -> None:
        started = milliseconds(event["started"])
        ended = started + int(event["seconds"] * 1000)
        tags = {
            PARENT_TAG: parent,
            "mlflow.runName": event["task"],
            "leafledger.task": event["task"],
            "leafledger.outcome": event["outcome"],
        }
        if event.get("key"):
            tags["leafledger.key"] = event["key"]
        if event["message"]:
            tags["leafledger.message"] = event["message"][:5000]
        made = self.client.create_run(self.experiment, start_time=started, tags=tags)
        numbers: list[Number] = [
            ("seconds", float(event["seconds"]), 0),
            ("peak_megabytes", event["peak_bytes"] / 1e6, 0),
        ]
        settings: dict[str, str] = {}
        if record is not None:
            numbers += [(m["name"], m["value"], 0) for m in record["metrics"]]
            settings = parameters(record)
        run_id = str(made.info.run_id)
        self._log(run_id, settings, numbers, ended)
        if event["task"] in logs:
            self._log_text(run_id, event["task"], logs[event["task"]])
        status = "FINISHED" if event["outcome"] == "done" else "FAILED"
        self.client.set_terminated(run_id, status, end_time=ended)

    def _log(
        self, run_id: str, settings: dict[str, str], numbers: list[Number], moment: int
    ) -> None:
        from mlflow.entities import Metric, Param

        metrics = [Metric(name_of(name), value, moment, step) for name, value, step in numbers]
        params = [Param(name, text) for name, text in settings.items()]
        for start in range(0, max(len(params), len(metrics)), _PARAMETERS_AT_ONCE):
            part = slice(start, start + _PARAMETERS_AT_ONCE)
            self.client.log_batch(run_id, metrics=metrics[part], params=params[part])

    def _log_text(self, run_id: str, task: str, digest: str) -> None:
        data = self.book.history(digest)
        if data is not None:
            self.client.log_text(run_id, data.decode("utf-8", "replace"), f"logs/{task}.log")

    def _log_files(self, run_id: str, records: Mapping[str, Record]) -> None:
        """Copy tables, figures, page, model and records; spectra stay, named by digest."""
        with TemporaryDirectory(dir=self.folder / "ledger", prefix=".", suffix=".tmp") as name:
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
            if records:
                self.client.log_artifacts(run_id, name)

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

        found = [
            (f"raw files of {record['session']}", "raw", sha256_of_value(files), {"files": files})
            for record in records.values()
            if record["rule"] == "intake"
            for files in [{given["path"]: given["sha256"] for given in record["inputs"]}]
        ]
        found += [(name, "sheet", digest, {}) for name, digest in run["study"].items()]
        inputs = []
        for name, kind, digest, profile in found:
            plain = digest.removeprefix("sha256:")
            told = {"sha256": plain, "n_files": len(profile.get("files", [name]))}
            dataset = Dataset(
                name=name[:500],
                digest=plain[:_LONGEST_DIGEST],
                source_type="local",
                source=json.dumps({"study": run["title"], "path": name}),
                profile=json.dumps(told),
            )
            inputs.append(DatasetInput(dataset, [InputTag("mlflow.data.context", kind)]))
        if inputs:
            self.client.log_inputs(run_id, datasets=inputs)

    def _accuracy_path(self, records: Mapping[str, Record]) -> list[Number]:
        """Return accuracy against the number of latent variables, the number being the step."""
        found = self.book.content_at(records.get("classes"), _PATH)
        if found is None:
            return []
        from leafledger.study.columns import FLAGS, TEXT
        from leafledger.study.tables import read_csv

        table = read_csv(found, text=tuple(TEXT), flags=tuple(FLAGS))
        return [
            (f"classes.accuracy_{split}", float(group["accuracy"].mean()), int(str(n)))
            for split, by_split in table.groupby("split")
            for n, group in by_split.groupby(by_split["n_components"].astype(str))
        ]


def _tags(run: events.Run) -> dict[str, str]:
    tags = {
        RUN_TAG: run["run"],
        "mlflow.runName": run["run"] + (f" {run['variant']}" if run.get("variant") else ""),
        "leafledger.package": run["package"],
        "leafledger.outcome": run["outcome"],
        **{f"leafledger.sha256.{name_of(k)}": v for k, v in run["study"].items()},
    }
    if run["message"]:
        tags["leafledger.message"] = run["message"][:5000]
    if run.get("variant"):
        tags[VARIANT_TAG] = run["variant"]
    if run.get("commit"):
        tags["mlflow.source.git.commit"] = run["commit"]
    return tags


def milliseconds(moment: str) -> int:
    """Return a moment of the book as the store counts it."""
    return int(dt.datetime.fromisoformat(moment).timestamp() * 1000)

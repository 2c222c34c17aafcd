"""One run as MLflow keeps it: parameters, metrics, tables, figures, model."""

from __future__ import annotations

import csv
import datetime as dt
import json
import platform
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from statistics import fmean
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.code import digest_of_modules
from leafledger.records.digests import files_below, sha256_of_file, sha256_of_value
from leafledger.records.record import Record
from leafledger.study.parameters import name_of, parameters
from leafledger.study.tables import read_json, read_parquet, write_json, write_text

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient


# What the tracking store is told of a run and of each task in it: words, settings, numbers.
# ----------------------------------------------------------------------

RUN_TAG = "leafledger.run"
RUN_NAME = "mlflow.runName"
PARENT_TAG = "mlflow.parentRunId"
TASK_TAG = "leafledger.task"
CODE_TAG = "leafledger.told_by"
VARIANT_TAG = "leafledger.variant"
FILES_TAG = "leafledger.files"
"""Digest of the list of a run's copies in the store, `FILES_LIST`."""
FILES_LIST = "files.json"
CONTEXT_TAG = "mlflow.data.context"
_LONGEST_DIGEST = 36
_LONGEST_NAME = 500
PATH = "results/classes/path.csv"
"""The classifier's table of accuracy by number of latent variables."""
ACCURACY = "classes.accuracy_"
_STATUS = {"done": "FINISHED", "killed": "KILLED"}
_LONGEST_MESSAGE = 5000

Number = tuple[str, float, int]
"""Name, value and step."""


@dataclass(frozen=True)
class LoggedRun:
    """What is told of a run, or of one task.

    Attributes
    ----------
    tags, settings
        Name -> text.
    numbers
        The metrics, under names that the store accepts.
    status
        ``FINISHED``, ``FAILED`` or ``KILLED``.
    started, ended
        Milliseconds since 1970, as the store counts.
    """

    tags: dict[str, str]
    settings: dict[str, str]
    status: str
    started: int
    ended: int
    numbers: list[Number] = field(default_factory=list)


def logged_run(run: events.Run, records: Mapping[str, Record], path: Path | None) -> LoggedRun:
    """Return what is told of a run.

    Parameters
    ----------
    run
        The run, from the book.
    records
        Task -> record of the run.
    path
        The classifier's table of accuracy by number of latent variables, if it is kept.
    """
    settings: dict[str, str] = {}
    for record in records.values():
        settings |= parameters(record)
    numbers = [
        (name_of(f"{task}.{metric['name']}"), float(metric["value"]), 0)
        for task, record in records.items()
        for metric in record["metrics"]
    ]
    return LoggedRun(
        tags=_tags_of_run(run),
        settings=settings,
        status=_STATUS.get(run["outcome"], "FAILED"),
        started=milliseconds(run["started"]),
        ended=milliseconds(run["ended"]),
        numbers=numbers + ([] if path is None else accuracy_path(path)),
    )


def logged_task(event: events.Event, record: Record | None) -> LoggedRun:
    """Return what is told of a task that a run executed, by its event and its record."""
    started = milliseconds(event["started"])
    tags = {
        RUN_NAME: event["task"],
        TASK_TAG: event["task"],
        "leafledger.outcome": event["outcome"],
    }
    if event.get("key"):
        tags["leafledger.key"] = event["key"]
    if event["message"]:
        tags["leafledger.message"] = event["message"][:_LONGEST_MESSAGE]
    numbers = [
        ("seconds", float(event["seconds"]), 0),
        ("peak_megabytes", event["peak_bytes"] / 1e6, 0),
    ]
    if record is not None:
        numbers += [(name_of(m["name"]), float(m["value"]), 0) for m in record["metrics"]]
    return LoggedRun(
        tags=tags,
        settings={} if record is None else parameters(record),
        status="FINISHED" if event["outcome"] == "done" else "FAILED",
        started=started,
        ended=started + int(event["seconds"] * 1000),
        numbers=numbers,
    )


@dataclass(frozen=True, order=True)
class LoggedDataset:
    """Raw files of a session, or a sheet, as the store names them.

    Attributes
    ----------
    name, kind
        What it is; ``raw`` or ``sheet``.
    digest
        The first digits of its SHA-256, as many as the store takes.
    profile
        The whole digest and the number of files, as JSON.
    """

    name: str
    kind: str
    digest: str
    profile: str


def datasets_of(run: events.Run, records: Mapping[str, Record]) -> list[LoggedDataset]:
    """Return the raw files of each session, and the study's sheets, as inputs of a run."""
    found: list[tuple[str, str, str, int]] = []
    for record in records.values():
        if record["rule"] == "intake":
            files = {given["path"]: given["sha256"] for given in record["inputs"]}
            name = f"raw files of {record['session']}"
            found.append((name, "raw", sha256_of_value(files), len(files)))
    found += [(name, "sheet", digest, 1) for name, digest in run["study"].items()]
    told = []
    for name, kind, digest, count in found:
        plain = digest.removeprefix("sha256:")
        profile = json.dumps({"sha256": plain, "n_files": count})
        told.append(LoggedDataset(name[:_LONGEST_NAME], kind, plain[:_LONGEST_DIGEST], profile))
    return told


def _tags_of_run(run: events.Run) -> dict[str, str]:
    tags = {
        RUN_TAG: run["run"],
        CODE_TAG: logging_code_digest(),
        RUN_NAME: run["run"] + (f" {run['variant']}" if run.get("variant") else ""),
        "leafledger.package": run["package"],
        "leafledger.outcome": run["outcome"],
        **{f"leafledger.sha256.{name_of(k)}": v for k, v in run["study"].items()},
    }
    if run["message"]:
        tags["leafledger.message"] = run["message"][:_LONGEST_MESSAGE]
    if run.get("variant"):
        tags[VARIANT_TAG] = run["variant"]
    if run.get("commit"):
        tags["mlflow.source.git.commit"] = run["commit"]
    return tags


@cache
def logging_code_digest() -> str:
    """Return a digest of the code that tells: another version may use other names."""
    return digest_of_modules(__name__, parameters.__module__)[:16]


def accuracy_path(table: Path) -> list[Number]:
    """Return accuracy against the number of latent variables, the number being the step."""
    found: dict[tuple[str, int], list[float]] = {}
    with table.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            place = row["split"], int(row["n_components"])
            found.setdefault(place, []).append(float(row["accuracy"]))
    return [
        (name_of(f"{ACCURACY}{split}"), fmean(values), step)
        for (split, step), values in sorted(found.items())
    ]


def has_offset(moment: str) -> bool:
    """Tell whether a moment of the book is the same in every zone; earlier versions' are not."""
    return dt.datetime.fromisoformat(moment).tzinfo is not None


def milliseconds(moment: str) -> int:
    """Return a moment of the book as the store counts it."""
    return int(dt.datetime.fromisoformat(moment).timestamp() * 1000)


# The saved classifier as MLflow's users expect a model: with signature, example and requirements.
# ----------------------------------------------------------------------
# The files follow MLflow's model format through its own classes; the archive is copied as the stage
# wrote it, so that nothing is pickled and no heavy library is loaded for keeping the books.

FOLDER = "model"
_ARCHIVE = "model.skops"
_EXAMPLE = "input_example.json"
_REQUIREMENTS = "requirements.txt"


def write_model(place: Path, archive: Path, card_path: Path, terms: Path) -> None:
    """Write the model folder that ``mlflow.pyfunc.load_model`` opens.

    Parameters
    ----------
    place
        Folder to make.
    archive, card_path, terms
        ``model.skops``, ``model.json`` and ``spectra_terms.parquet`` of the stage classes; the
        mean spectrum of training is the input example.

    Raises
    ------
    ValueError, KeyError
        If card or terms are not what the stage writes; nothing has been made then.
    """
    from mlflow.models import Model
    from mlflow.models.signature import ModelSignature
    from mlflow.types import Schema, TensorSpec

    card: dict[str, Any] = read_json(card_path)
    example = _mean_spectrum(terms, len(card["wavelength_nm"]))
    flavours = _flavours(card)
    place.mkdir(parents=True)
    shutil.copyfile(archive, place / _ARCHIVE)
    (place / _EXAMPLE).write_text(json.dumps([example]), encoding="utf-8")
    needed = [f"{name}=={version}" for name, version in sorted(card["libraries"].items())]
    (place / _REQUIREMENTS).write_text("\n".join(["leafledger", *needed]) + "\n", encoding="utf-8")
    axis = TensorSpec(np.dtype(np.float64), (-1, len(card["wavelength_nm"])), name=None)
    label = TensorSpec(np.dtype(np.str_), (-1,), name=None)
    model = Model(
        signature=ModelSignature(inputs=Schema([axis]), outputs=Schema([label])),
        saved_input_example_info={"artifact_path": _EXAMPLE, "type": "ndarray"},
        metadata={name: card[name] for name in ("target", "classes", "quantity", "range")},
    )
    for name, told in flavours.items():
        model.add_flavor(name, **told)
    model.save(place / "MLmodel")


def _flavours(card: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    return {
        "python_function": {
            "loader_module": "mlflow.sklearn",
            "model_path": _ARCHIVE,
            "predict_fn": "predict",
            "python_version": platform.python_version(),
        },
        "sklearn": {
            "pickled_model": _ARCHIVE,
            "serialization_format": "skops",
            "skops_trusted_types": list(card["trusted_types"]),
            "sklearn_version": card["libraries"]["scikit-learn"],
            "code": None,
        },
    }


def _mean_spectrum(terms: Path, n_wavelengths: int) -> list[float]:
    table = read_parquet(terms)
    mean = table[table["term"] == "spectrum_mean"].sort_values("wavelength_nm")["value"]
    if len(mean) != n_wavelengths:
        raise ValueError(f"{len(mean)} values of the mean spectrum, {n_wavelengths} wavelengths")
    return [float(value) for value in mean]


# One run of the book, entered in the tracking store: numbers, settings, tables, figures, model.
# ----------------------------------------------------------------------

_MODEL_FILES = tuple(
    f"results/classes/{name}" for name in ("model.skops", "model.json", "spectra_terms.parquet")
)
MODEL_TAG = "leafledger.model"
_LONGEST_TAG = 500
_NOT_COPIED = (".parquet",)
_PARAMETERS_AT_ONCE = 100


class RunLogger:
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
        told = logged_run(run, records, self.book.content_at(records.get("classes"), PATH))
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
        told = logged_task(event, record)
        run_id = self._open(told, {PARENT_TAG: parent})
        if event["task"] in logs:
            self._log_text(run_id, event["task"], logs[event["task"]])
        self.client.set_terminated(run_id, told.status, end_time=told.ended)

    def _open(self, told: LoggedRun, more_tags: Mapping[str, str]) -> str:
        """Make a run in the store with its tags, settings and numbers; return the store's id."""
        made = self.client.create_run(
            self.experiment, start_time=told.started, tags={**told.tags, **more_tags}
        )
        run_id = str(made.info.run_id)
        self._log(run_id, told)
        return run_id

    def _log(self, run_id: str, told: LoggedRun) -> None:
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

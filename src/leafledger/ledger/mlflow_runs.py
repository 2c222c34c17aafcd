"""What does MLflow keep of one run: tags, parameters, metrics, datasets, files, the classifier?

One description, :func:`logged_run` and :func:`logged_task`, serves both ways: :class:`RunLogger`
writes what it says, and ``leafledger verify`` holds the store against it.
"""

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

from leafledger.ledger.compare import differences_of
from leafledger.ledger.run_summary import (
    CHANGED_TAG,
    LONGEST_TAG,
    MetricValue,
    answer_of,
    changes_of,
    run_name,
    run_note,
)
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.digests import (
    digest_of_modules,
    files_below,
    sha256_of_file,
    sha256_of_value,
)
from leafledger.records.record import Record, settings_differ
from leafledger.study.settings import name_of, parameters
from leafledger.study.table_files import read_json, read_parquet, write_json
from leafledger.study.written_plan import mark_of

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient


# What is logged of a run and of each task in it
# ----------------------------------------------------------------------

RUN_TAG = "leafledger.run"
RUN_NAME = "mlflow.runName"
NOTE_TAG = "mlflow.note.content"
"""A run's description, as MLflow shows it at the head of the run."""
PARENT_TAG = "mlflow.parentRunId"
TASK_TAG = "leafledger.task"
CODE_TAG = "leafledger.told_by"
VARIANT_TAG = "leafledger.variant"
ABOUT_TAGS = ("person", "instrument", "treatment")
"""Who ran it, with which instruments, on which treatments: to filter the runs of a lab by."""
BRANCH_TAG = "leafledger.branch"
"""Names the end of the branch by which a run of another copy of the study was joined."""
FILES_TAG = "leafledger.files"
"""Digest of the list of a run's copies in the store, `FILES_LIST`."""
FILES_LIST = "files.json"
CONTEXT_TAG = "mlflow.data.context"
PATH = "results/classes/path.csv"
"""The classifier's table of accuracy by number of latent variables."""
ACCURACY = "classes.accuracy_"
_STATUS = {"done": "FINISHED", "killed": "KILLED"}
_NOT_COPIED = ".parquet"
_ALWAYS_COPIED = ".html"
_LARGEST_COPY = 10_000_000
"""Bytes of a file that is copied: the workbook of 20,000 scans holds twice as many."""
# What MLflow takes at most.
_LONGEST_DIGEST = 36
_LONGEST_NAME = 500

Fact = tuple[str, str]
"""Kind (``tag``, ``setting``, ``number`` ...) and name of one thing that is logged."""


@dataclass(frozen=True)
class LoggedDataset:
    """Raw files of a session, or a sheet, as MLflow names them.

    Attributes
    ----------
    name, kind
        What it is; ``raw`` or ``sheet``.
    digest
        The first digits of its SHA-256, as many as MLflow takes.
    profile
        The whole digest and the number of files, as JSON.
    """

    name: str
    kind: str
    digest: str
    profile: str


@dataclass(frozen=True)
class Artifact:
    """A file that is copied into the store.

    Attributes
    ----------
    sha256
        Digest of its content.
    path, record
        Where the result lies, and the record of the task that made it; ``None`` for a record or
        log, which the history of the book keeps.
    """

    sha256: str
    path: str = ""
    record: Record | None = None

    def content(self, book: BookView) -> Path | None:
        """Return a file with this content, ``None`` if it is no longer kept."""
        if self.record is None:
            return book.kept_file(self.sha256)
        return book.content(self.record, {"path": self.path, "sha256": self.sha256})


@dataclass(frozen=True)
class LoggedRun:
    """All that MLflow is given of a run, or of one task.

    Attributes
    ----------
    tags, params
        Name -> text.
    metrics
        Under names that MLflow accepts.
    status
        ``FINISHED``, ``FAILED`` or ``KILLED``.
    started, ended
        Milliseconds since 1970.
    timed
        Whether the book says these times with their zone; earlier versions did not.
    datasets
        The raw files of each session, and the study's sheets.
    artifacts
        Path below the run's files -> what is copied there; spectra stay, named by digest.
    """

    tags: dict[str, str]
    params: dict[str, str]
    metrics: list[MetricValue]
    status: str
    started: int
    ended: int
    timed: bool
    datasets: list[LoggedDataset] = field(default_factory=list)
    artifacts: dict[str, Artifact] = field(default_factory=dict)

    def facts(self) -> dict[Fact, Any]:
        """Return kind and name -> value of all that stands in the store's database.

        The name of a run and its description are left out: a person may write others in MLflow.
        Of a metric with several steps MLflow shows the last one.
        """
        facts: dict[Fact, Any] = {("status", ""): self.status}
        if self.timed:
            facts |= {("start", "in ms"): self.started, ("end", "in ms"): self.ended}
        of_person = {RUN_NAME, NOTE_TAG}
        facts |= {("tag", name): text for name, text in self.tags.items() if name not in of_person}
        facts |= {("setting", name): text for name, text in self.params.items()}
        for name, value, step in sorted(self.metrics, key=lambda metric: metric[2]):
            facts["number", f"{name} at step {step}" if step else name] = value
            facts["shown number", name] = value
            facts["shown step", name] = step
        for data in self.datasets:
            facts["dataset", data.name] = f"{data.kind} {data.digest} {data.profile}"
        return facts


def logged_run(
    book: BookView, run: events.Run, with_accuracy: bool = True, with_interval: bool = True
) -> LoggedRun:
    """Return what is logged of a run.

    Parameters
    ----------
    book, run
        The book of runs and one run of it.
    with_accuracy
        Whether the classifier's accuracy by number of latent variables is logged, if its table is
        still kept.
    with_interval
        Whether interval and verdict of the primary contrast are logged, if the table of effects is
        still kept.
    """
    records = book.records_of(run)
    answer = answer_of(book, records, with_interval)
    changed = changes_of(book, run)
    params: dict[str, str] = {}
    for record in records.values():
        params |= parameters(record)
    path = book.content_at(records.get("classes"), PATH) if with_accuracy else None
    return LoggedRun(
        tags={
            **_run_tags(run),
            **answer.tags,
            CHANGED_TAG: "; ".join(changed)[:LONGEST_TAG],
            RUN_NAME: run_name(run, changed),
            NOTE_TAG: run_note(book, run, records, changed),
        },
        params=params,
        metrics=[
            *answer.metrics,
            *(
                (name_of(f"{task}.{metric['name']}"), float(metric["value"]), 0)
                for task, record in records.items()
                for metric in record["metrics"]
            ),
            *([] if path is None else accuracy_path(path)),
        ],
        status=_STATUS.get(run["outcome"], "FAILED"),
        started=_milliseconds(run["started"]),
        ended=_milliseconds(run["ended"]),
        timed=_has_zone(run["started"]),
        datasets=_datasets(run, records),
        artifacts=artifacts_of(book, run),
    )


def artifacts_of(book: BookView, run: events.Run) -> dict[str, Artifact]:
    """Return path below a run's files -> what is copied there."""
    records = book.records_of(run)
    artifacts = {f"logs/{task}.log": Artifact(digest) for task, digest in run["logs"].items()}
    artifacts |= {f"records/{task}.json": Artifact(run["records"][task]) for task in records}
    return artifacts | {
        output["path"].removeprefix("results/"): Artifact(output["sha256"], output["path"], record)
        for record in records.values()
        for output in record["outputs"]
        if _is_copied(output)
    }


def _is_copied(output: Mapping[str, Any]) -> bool:
    """Tell whether a result is copied: pages always, tables of spectra and large files never.

    These stay in the study and its content store, under the digest that the record names.
    """
    path = str(output["path"])
    if path.endswith(_ALWAYS_COPIED):
        return True
    return not path.endswith(_NOT_COPIED) and int(output.get("bytes", 0)) <= _LARGEST_COPY


def logged_task(event: events.Event, record: Record | None) -> LoggedRun:
    """Return what is logged of a task that a run executed, by its event and its record."""
    started = _milliseconds(event["started"])
    tags = {
        RUN_NAME: event["task"],
        TASK_TAG: event["task"],
        "leafledger.outcome": event["outcome"],
    }
    if event.get("key"):
        tags["leafledger.key"] = event["key"]
    if event["message"]:
        tags["leafledger.message"] = event["message"][:LONGEST_TAG]
    metrics = record["metrics"] if record else []
    return LoggedRun(
        tags=tags,
        params=parameters(record) if record else {},
        metrics=[
            ("seconds", float(event["seconds"]), 0),
            ("peak_megabytes", event["peak_bytes"] / 1e6, 0),
            *((name_of(metric["name"]), float(metric["value"]), 0) for metric in metrics),
        ],
        status="FINISHED" if event["outcome"] == "done" else "FAILED",
        started=started,
        ended=started + int(event["seconds"] * 1000),
        timed=_has_zone(event["started"]),
    )


def _run_tags(run: events.Run) -> dict[str, str]:
    tags = {
        RUN_TAG: run["run"],
        CODE_TAG: logging_code_digest(),
        "leafledger.package": run["package"],
        "leafledger.outcome": run["outcome"],
        **{f"leafledger.sha256.{name_of(k)}": v for k, v in run["study"].items()},
        **{name: run.get("about", {})[name] for name in ABOUT_TAGS if name in run.get("about", {})},
    }
    if run["message"]:
        tags["leafledger.message"] = run["message"][:LONGEST_TAG]
    if run.get("variant"):
        tags[VARIANT_TAG] = run["variant"]
    if run.get("commit"):
        tags["mlflow.source.git.commit"] = run["commit"]
    return tags


@cache
def logging_code_digest() -> str:
    """Return a digest of the code that logs: another version may use other names."""
    modules = (parameters, answer_of, differences_of, settings_differ, mark_of)
    return digest_of_modules(__name__, *(function.__module__ for function in modules))[:16]


def _datasets(run: events.Run, records: Mapping[str, Record]) -> list[LoggedDataset]:
    sources: list[tuple[str, str, str, int]] = []
    for record in records.values():
        if record["rule"] == "intake":
            files = {given["path"]: given["sha256"] for given in record["inputs"]}
            name = f"raw files of {record['session']}"
            sources.append((name, "raw", sha256_of_value(files), len(files)))
    sources += [(name, "sheet", digest, 1) for name, digest in run["study"].items()]
    datasets = []
    for name, kind, digest, count in sources:
        plain = digest.removeprefix("sha256:")
        profile = json.dumps({"sha256": plain, "n_files": count})
        datasets.append(LoggedDataset(name[:_LONGEST_NAME], kind, plain[:_LONGEST_DIGEST], profile))
    return datasets


def accuracy_path(table: Path) -> list[MetricValue]:
    """Return accuracy against the number of latent variables, the number being the step."""
    accuracies: dict[tuple[str, int], list[float]] = {}
    with table.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            key = row["split"], int(row["n_components"])
            accuracies.setdefault(key, []).append(float(row["accuracy"]))
    return [
        (name_of(f"{ACCURACY}{split}"), fmean(values), step)
        for (split, step), values in sorted(accuracies.items())
    ]


def _has_zone(moment: str) -> bool:
    return dt.datetime.fromisoformat(moment).tzinfo is not None


def _milliseconds(moment: str) -> int:
    return int(dt.datetime.fromisoformat(moment).timestamp() * 1000)


# The saved classifier in the form that MLflow opens
# ----------------------------------------------------------------------
# The files follow MLflow's model format through its own classes; the archive is copied as the stage
# wrote it, so that nothing is pickled and no heavy library is loaded for keeping the books.

FOLDER = "model"
MODEL_TAG = "leafledger.model"
_MODEL_FILES = tuple(
    f"results/classes/{name}" for name in ("model.skops", "model.json", "spectra_terms.parquet")
)
_ARCHIVE = "model.skops"
_EXAMPLE = "input_example.json"
_LONGEST_REASON = 500


def write_model(folder: Path, archive: Path, card_path: Path, terms: Path) -> None:
    """Write the model folder that ``mlflow.pyfunc.load_model`` opens.

    Parameters
    ----------
    folder
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
    n_wavelengths, libraries = len(card["wavelength_nm"]), card["libraries"]
    table = read_parquet(terms)
    rows = table[table["term"] == "spectrum_mean"].sort_values("wavelength_nm")
    if len(rows) != n_wavelengths:
        raise ValueError(f"{len(rows)} values of the mean spectrum, {n_wavelengths} wavelengths")
    axis = TensorSpec(np.dtype(np.float64), (-1, n_wavelengths), name=None)
    label = TensorSpec(np.dtype(np.str_), (-1,), name=None)
    model = Model(
        signature=ModelSignature(inputs=Schema([axis]), outputs=Schema([label])),
        saved_input_example_info={"artifact_path": _EXAMPLE, "type": "ndarray"},
        metadata={name: card[name] for name in ("target", "classes", "quantity", "range")},
    )
    model.add_flavor(
        "python_function",
        loader_module="mlflow.sklearn",
        model_path=_ARCHIVE,
        predict_fn="predict",
        python_version=platform.python_version(),
    )
    model.add_flavor(
        "sklearn",
        pickled_model=_ARCHIVE,
        serialization_format="skops",
        skops_trusted_types=list(card["trusted_types"]),
        sklearn_version=libraries["scikit-learn"],
        code=None,
    )
    folder.mkdir(parents=True)
    shutil.copyfile(archive, folder / _ARCHIVE)
    example = [float(value) for value in rows["value"]]
    (folder / _EXAMPLE).write_text(json.dumps([example]), encoding="utf-8")
    needed = ["leafledger", *(f"{name}=={version}" for name, version in sorted(libraries.items()))]
    (folder / "requirements.txt").write_text("\n".join(needed) + "\n", encoding="utf-8")
    model.save(folder / "MLmodel")


# Logging one run
# ----------------------------------------------------------------------

_AT_ONCE = 100
"""Parameters and metrics that MLflow takes in one call."""


class RunLogger:
    """Logs runs of one study in its tracking store.

    Parameters
    ----------
    client, experiment
        The store and the study's experiment in it.
    book
        The book of runs.
    """

    def __init__(self, client: MlflowClient, experiment: str, book: BookView) -> None:
        self.client = client
        self.experiment = experiment
        self.book = book

    def log_run(
        self, run: events.Run, store_ids: Mapping[str, str], branch: str | None = None
    ) -> str:
        """Log a run with a child for each task that executed; return the store's id of it.

        Parameters
        ----------
        run
            The run, from the book.
        store_ids
            Run -> the store's id, of the runs that are logged already.
        branch
            The branch that the run came by; ``None`` for a run of the study's own chain.
        """
        records, done = self.book.records_of(run), self.book.events(run["run"])
        executed = {event["task"] for event in done if event["outcome"] == "done"}
        reused = {}
        for task, record in records.items():
            maker = str(self.book.made.get(record["key"], {}).get("run"))
            if task not in executed and maker in store_ids:
                reused[f"leafledger.reused.{name_of(task)}"] = store_ids[maker]
        logged = logged_run(self.book, run)
        run_id = self._open(logged, reused | ({BRANCH_TAG: branch} if branch else {}))
        self._log_files(run_id, logged, records)
        self._log_datasets(run_id, run["title"], logged.datasets)
        for event in done:
            if event["outcome"] != "restored":
                self._log_task(run_id, event, records.get(event["task"]), run["logs"])
        self.client.set_terminated(run_id, logged.status, end_time=logged.ended)
        return run_id

    def _log_task(
        self, parent: str, event: events.Event, record: Record | None, logs: Mapping[str, str]
    ) -> None:
        logged, task = logged_task(event, record), event["task"]
        run_id = self._open(logged, {PARENT_TAG: parent})
        data = self.book.history(logs[task]) if task in logs else None
        if data is not None:
            self.client.log_text(run_id, data.decode("utf-8", "replace"), f"logs/{task}.log")
        self.client.set_terminated(run_id, logged.status, end_time=logged.ended)

    def _open(self, logged: LoggedRun, more_tags: Mapping[str, str]) -> str:
        """Make a run in the store with its tags, params and metrics; return the store's id."""
        from mlflow.entities import Metric, Param

        created = self.client.create_run(
            self.experiment, start_time=logged.started, tags={**logged.tags, **more_tags}
        )
        run_id = str(created.info.run_id)
        metrics = [Metric(name, value, logged.ended, step) for name, value, step in logged.metrics]
        params = [Param(name, text) for name, text in logged.params.items()]
        for start in range(0, max(len(params), len(metrics)), _AT_ONCE):
            part = slice(start, start + _AT_ONCE)
            self.client.log_batch(run_id, metrics=metrics[part], params=params[part])
        return run_id

    def _log_files(self, run_id: str, logged: LoggedRun, records: Mapping[str, Record]) -> None:
        """Copy tables, figures, page, model, records and logs, as far as they are still kept.

        A list of what was copied, with digests, comes with it, and its digest is a tag: what was
        no longer kept when the run was logged is no copy that was lost since.
        """
        folder = self.book.folder / "ledger"
        with TemporaryDirectory(dir=folder, prefix=".", suffix=".tmp") as temporary:
            staging = Path(temporary)
            for name, artifact in logged.artifacts.items():
                source = artifact.content(self.book)
                if source is not None:
                    (staging / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(source, staging / name)
            self._write_model(run_id, staging / "classes" / FOLDER, records.get("classes"))
            copies = {
                path.relative_to(staging).as_posix(): sha256_of_file(path)
                for path in files_below(staging)
            }
            if copies:
                write_json(staging / FILES_LIST, copies)
                self.client.log_artifacts(run_id, temporary)
                self.client.set_tag(run_id, FILES_TAG, sha256_of_file(staging / FILES_LIST))

    def _write_model(self, run_id: str, folder: Path, classes: Record | None) -> None:
        """Put the classifier, if the run made one, into the form that MLflow opens.

        Files that hold no model any more are copied as they are, and a tag says so.
        """
        files = [self.book.content_at(classes, path) for path in _MODEL_FILES]
        archive, card, terms = files
        if archive is None or card is None or terms is None:
            return
        try:
            write_model(folder, archive, card, terms)
        except (ValueError, KeyError) as error:
            reason = f"cannot be opened as a model: {type(error).__name__}: {error}"
            self.client.set_tag(run_id, MODEL_TAG, reason[:_LONGEST_REASON])

    def _log_datasets(self, run_id: str, title: str, datasets: list[LoggedDataset]) -> None:
        from mlflow.entities import Dataset, DatasetInput, InputTag

        inputs = [
            DatasetInput(
                Dataset(
                    name=data.name,
                    digest=data.digest,
                    source_type="local",
                    source=json.dumps({"study": title, "path": data.name}),
                    profile=data.profile,
                ),
                [InputTag(CONTEXT_TAG, data.kind)],
            )
            for data in datasets
        ]
        if inputs:
            self.client.log_inputs(run_id, datasets=inputs)

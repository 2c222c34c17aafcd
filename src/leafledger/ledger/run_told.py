"""What the tracking store is told of a run and of each task in it: words, settings, numbers."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from statistics import fmean

from leafledger.records import events
from leafledger.records.code import digest_of_modules
from leafledger.records.digests import sha256_of_value
from leafledger.records.record import Record
from leafledger.study.parameters import name_of, parameters

RUN_TAG = "leafledger.run"
RUN_NAME = "mlflow.runName"
PARENT_TAG = "mlflow.parentRunId"
TASK_TAG = "leafledger.task"
TELLER_TAG = "leafledger.told_by"
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
class Told:
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


def told_of_run(run: events.Run, records: Mapping[str, Record], path: Path | None) -> Told:
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
    return Told(
        tags=_tags_of_run(run),
        settings=settings,
        status=_STATUS.get(run["outcome"], "FAILED"),
        started=milliseconds(run["started"]),
        ended=milliseconds(run["ended"]),
        numbers=numbers + ([] if path is None else accuracy_path(path)),
    )


def told_of_task(event: events.Event, record: Record | None) -> Told:
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
    return Told(
        tags=tags,
        settings={} if record is None else parameters(record),
        status="FINISHED" if event["outcome"] == "done" else "FAILED",
        started=started,
        ended=started + int(event["seconds"] * 1000),
        numbers=numbers,
    )


@dataclass(frozen=True, order=True)
class DatasetTold:
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


def datasets_of(run: events.Run, records: Mapping[str, Record]) -> list[DatasetTold]:
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
        told.append(DatasetTold(name[:_LONGEST_NAME], kind, plain[:_LONGEST_DIGEST], profile))
    return told


def _tags_of_run(run: events.Run) -> dict[str, str]:
    tags = {
        RUN_TAG: run["run"],
        TELLER_TAG: teller(),
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
def teller() -> str:
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

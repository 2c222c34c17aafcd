"""The tracking store: an MLflow copy of the book of runs, in the study's own folder.

One experiment per study, a run per pipeline run, a child run per task that executed. The store
holds absolute paths, so it is made again when the study has moved; nothing is lost by that.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.ledger.flat import name_of, parameters
from leafledger.records import events
from leafledger.records.digests import sha256_of_file
from leafledger.study.tables import read_json

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient

DATABASE = "ledger/ledger.sqlite"
ARTIFACTS = "ledger/artifacts"
EXPERIMENT = "leafledger"
_RUN_TAG = "leafledger.run"
_STATUS = {"done": "FINISHED", "killed": "KILLED"}
_NOT_COPIED = (".parquet",)

for _variable, _value in {
    "MLFLOW_DISABLE_TELEMETRY": "true",
    "DO_NOT_TRACK": "true",
    "MLFLOW_LOGGING_LEVEL": "ERROR",
    "MLFLOW_ENABLE_ARTIFACTS_PROGRESS_BAR": "false",
    "GIT_PYTHON_REFRESH": "quiet",
}.items():
    os.environ.setdefault(_variable, _value)


def address(folder: Path) -> str:
    """Return the address of a study's own tracking store."""
    return f"sqlite:///{(folder / DATABASE).resolve()}"


def copy_book(folder: Path, title: str) -> list[str]:
    """Bring the tracking store up to the book of runs.

    Returns
    -------
    list of str
        What the user should know, such as that the store was made again.
    """
    notes: list[str] = []
    client, experiment = _open(folder, title, notes)
    known = {
        run.data.tags[_RUN_TAG]: run.info.run_id
        for run in _all_runs(client, experiment)
        if _RUN_TAG in run.data.tags and run.info.status != "RUNNING"
    }
    makers: dict[str, str] = {}
    for entry in events.runs(folder):
        done = events.events_of(folder, entry["run"])
        if entry["run"] not in known and entry["outcome"] != "running":
            known[entry["run"]] = _log_run(client, experiment, folder, entry, done, makers)
        made = [e for e in done if e["outcome"] == "done"]
        makers |= {e["key"]: known[entry["run"]] for e in made if entry["run"] in known}
    return notes


def _open(folder: Path, title: str, notes: list[str]) -> tuple[MlflowClient, str]:
    """Return a client and the study's experiment; a broken or moved store is made again."""
    from mlflow.tracking import MlflowClient

    location = (folder / ARTIFACTS).resolve().as_uri()
    database = folder / DATABASE
    if database.exists():
        try:
            client = MlflowClient(tracking_uri=address(folder))
            experiment = client.get_experiment_by_name(EXPERIMENT)
            if experiment is not None and experiment.artifact_location == location:
                return client, str(experiment.experiment_id)
            why = "the study has moved" if experiment is not None else "it was not finished"
        except Exception as error:  # noqa: BLE001  any broken store is made again from the book
            why = f"it could not be read: {str(error).splitlines()[0][:120]}"
        notes.append(f"the tracking store was made again from the book of runs ({why})")
    for path in folder.glob(f"{DATABASE}*"):
        path.unlink()
    shutil.rmtree(folder / ARTIFACTS, ignore_errors=True)
    # A new address for SQLAlchemy: engines are cached by address, and the old file is gone.
    client = MlflowClient(tracking_uri=address(folder))
    _forget_old_store(client)
    created = client.create_experiment(EXPERIMENT, artifact_location=location)
    client.set_experiment_tag(created, "mlflow.note.content", title)
    return client, str(created)


def _forget_old_store(client: MlflowClient) -> None:
    """Make sure the schema exists in the file that is there now."""
    client.search_experiments(max_results=1)


def _all_runs(client: MlflowClient, experiment: str) -> Iterable[Any]:
    token = None
    while True:
        page = client.search_runs([experiment], max_results=1000, page_token=token)
        yield from page
        token = page.token
        if not token:
            return


def _milliseconds(moment: str) -> int:
    return int(dt.datetime.fromisoformat(moment).timestamp() * 1000)


def _log_run(
    client: MlflowClient,
    experiment: str,
    folder: Path,
    entry: events.Run,
    done: list[events.Event],
    makers: dict[str, str],
) -> str:
    records = {task: _record(folder, digest) for task, digest in entry["records"].items()}
    tags = {
        _RUN_TAG: entry["run"],
        "mlflow.runName": entry["run"],
        "leafledger.package": entry["package"],
        "leafledger.outcome": entry["outcome"],
        **{f"leafledger.sha256.{name_of(k)}": v for k, v in entry["study"].items()},
    }
    if entry["message"]:
        tags["leafledger.message"] = entry["message"][:5000]
    executed = {e["task"] for e in done if e["outcome"] == "done"}
    for task, record in records.items():
        if task not in executed and record["key"] in makers:
            tags[f"leafledger.reused.{name_of(task)}"] = makers[record["key"]]
    run = client.create_run(experiment, start_time=_milliseconds(entry["started"]), tags=tags)
    run_id = str(run.info.run_id)
    _log_batch(client, run_id, records, entry["ended"])
    _log_path(client, run_id, folder, records)
    for task, record in records.items():
        _log_outputs(client, run_id, folder, task, record)
    for event in done:
        _log_child(client, experiment, run_id, event, records.get(event["task"]), folder)
    status = _STATUS.get(entry["outcome"], "FAILED")
    client.set_terminated(run_id, status, end_time=_milliseconds(entry["ended"]))
    return run_id


def _record(folder: Path, digest: str) -> dict[str, Any]:
    record: dict[str, Any] = read_json(folder / events.HISTORY / digest[:2] / digest)
    return record


def _log_batch(
    client: MlflowClient, run_id: str, records: dict[str, dict[str, Any]], ended: str
) -> None:
    from mlflow.entities import Metric, Param

    moment = _milliseconds(ended)
    settings: dict[str, str] = {}
    metrics: list[Metric] = []
    for task, record in records.items():
        settings |= parameters(record["settings"], "intake." + task if _is_intake(task) else "")
        metrics += [
            Metric(name_of(f"{task}.{m['name']}"), m["value"], moment, 0) for m in record["metrics"]
        ]
    params = [Param(key, value) for key, value in settings.items()]
    for start in range(0, max(len(params), len(metrics)), 100):
        client.log_batch(
            run_id, metrics=metrics[start : start + 100], params=params[start : start + 100]
        )


def _is_intake(task: str) -> bool:
    return task.startswith("intake")


def _log_path(
    client: MlflowClient, run_id: str, folder: Path, records: dict[str, dict[str, Any]]
) -> None:
    """Log accuracy against the number of latent variables, the number being the step."""
    from mlflow.entities import Metric

    path = folder / "results/classes/path.csv"
    if "classes" not in records or not _is_output(records["classes"], folder, path):
        return
    from leafledger.study.columns import FLAGS, TEXT
    from leafledger.study.tables import read_csv

    table = read_csv(path, text=tuple(TEXT), flags=tuple(FLAGS))
    metrics = [
        Metric(
            name_of(f"classes.accuracy_{split}"), float(group["accuracy"].mean()), 0, int(str(n))
        )
        for split, by_split in table.groupby("split")
        for n, group in by_split.groupby(by_split["n_components"].astype(str))
    ]
    client.log_batch(run_id, metrics=metrics)


def _is_output(record: dict[str, Any], folder: Path, path: Path) -> bool:
    shown = path.relative_to(folder).as_posix()
    owed = next((o["sha256"] for o in record["outputs"] if o["path"] == shown), None)
    return owed is not None and path.is_file() and sha256_of_file(path) == owed


def _log_outputs(
    client: MlflowClient, run_id: str, folder: Path, task: str, record: dict[str, Any]
) -> None:
    """Copy tables, figures, page and model; spectra stay where they are, named by digest."""
    for output in record["outputs"]:
        path = folder / output["path"]
        if path.suffix in _NOT_COPIED or not _is_output(record, folder, path):
            continue
        below = Path(output["path"]).relative_to("results").parent.as_posix()
        client.log_artifact(run_id, str(path), None if below == "." else below)
    client.log_dict(run_id, record, f"records/{task}.json")


def _log_child(
    client: MlflowClient,
    experiment: str,
    parent: str,
    event: events.Event,
    record: dict[str, Any] | None,
    folder: Path,
) -> None:
    from mlflow.entities import Metric, Param

    if event["outcome"] == "restored":
        return
    started = _milliseconds(event["started"])
    ended = started + int(event["seconds"] * 1000)
    tags = {
        "mlflow.parentRunId": parent,
        "mlflow.runName": event["task"],
        "leafledger.task": event["task"],
        "leafledger.outcome": event["outcome"],
    }
    if event["key"]:
        tags["leafledger.key"] = event["key"]
    if event["message"]:
        tags["leafledger.message"] = event["message"][:5000]
    run = client.create_run(experiment, start_time=started, tags=tags)
    metrics = [
        Metric("seconds", float(event["seconds"]), ended, 0),
        Metric("peak_megabytes", event["peak_bytes"] / 1e6, ended, 0),
    ]
    params: list[Param] = []
    if record is not None:
        metrics += [Metric(name_of(m["name"]), m["value"], ended, 0) for m in record["metrics"]]
        params = [Param(k, v) for k, v in parameters(record["settings"]).items()]
    client.log_batch(run.info.run_id, metrics=metrics, params=params[:100])
    log = folder / event["log"]
    if event["outcome"] == "failed" and log.is_file():
        client.log_artifact(run.info.run_id, str(log), "logs")
    status = "FINISHED" if event["outcome"] == "done" else "FAILED"
    client.set_terminated(run.info.run_id, status, end_time=ended)

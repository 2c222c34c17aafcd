"""Where is the MLflow copy of the book, how is it brought up to date, and how is it shown?"""

from __future__ import annotations

import gc
import importlib
import itertools
import json
import os
import re
import socket
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from leafledger.errors import InputFault, StageFailure, input_fault, quoted
from leafledger.ledger.mlflow_runs import PARENT_TAG, RUN_TAG, RunLogger
from leafledger.ledger.run_summary import ANSWER, CHANGED_TAG, PRIMARY_TAG, VERDICT_TAG
from leafledger.ledger.view import BookView
from leafledger.platforms import EndedBySignal, end_group, ended_by_signals, start_apart
from leafledger.records import events
from leafledger.study.definition_file import read_definition
from leafledger.study.settings import name_of
from leafledger.study.table_files import refuse_links, remove_file, remove_folder

if TYPE_CHECKING:
    from mlflow.tracking import MlflowClient


# Which tracking server a study's runs are copied to, if any
# ----------------------------------------------------------------------

VARIABLE = "LEAFLEDGER_TRACKING_URI"
_ANSWER_SECONDS = 3.0
_ADDRESS = re.compile(r"https?://[^\s/@]+(/[^\s@]*)?")


def tracking_server(folder: Path) -> str | None:
    """Return the address of the tracking server, ``None`` for the store in the study's folder.

    The user's own environment stands over ``study.yaml``, which names servers on this machine only
    (a study from a stranger cannot send data away).

    Raises
    ------
    InputFault
        If the environment variable holds no such address, or a name or password.
    """
    address = os.environ.get(VARIABLE, "").strip()
    if address:
        return _checked(address)
    try:
        definition, _ = read_definition(folder)
    except InputFault:
        # The book can be copied whatever state the study's own files are in.
        return None
    return definition.tracking.uri


def _checked(address: str) -> str:
    if "@" in address:
        raise _fault(
            "an address with a name or password in it",
            "Leave them out; MLFLOW_TRACKING_USERNAME and MLFLOW_TRACKING_PASSWORD carry them.",
        )
    try:
        whole = _ADDRESS.fullmatch(address) is not None and bool(host_of(address)[0])
    except ValueError:
        whole = False
    if not whole:
        raise _fault("no address of a server", "Write it such as https://mlflow.example.org:5000.")
    return address.rstrip("/")


def _fault(found: str, mend: str) -> InputFault:
    expected = "the http or https address of an MLflow server"
    return input_fault(file=VARIABLE, found=found, expected=expected, mend=mend)


def host_of(address: str) -> tuple[str, int]:
    """Return host and port of an address."""
    parts = urlsplit(address)
    return parts.hostname or "", parts.port or (443 if parts.scheme == "https" else 80)


def unreachable_reason(address: str) -> str | None:
    """Return why a server cannot be reached, ``None`` if something listens there.

    Asked first, because MLflow itself would go on trying for minutes.
    """
    try:
        with socket.create_connection(host_of(address), timeout=_ANSWER_SECONDS):
            return None
    except OSError as error:
        return f"{address} cannot be reached: {error.strerror or error}"


# The store in the study's own folder
# ----------------------------------------------------------------------
# One experiment per study, a run per pipeline run, a child run per task that executed. The store
# holds absolute paths, so it is made again when the study has moved; nothing is lost by that.

DATABASE = "ledger/ledger.sqlite"
ARTIFACTS = "ledger/artifacts"
EXPERIMENT = "leafledger"
STUDY_TAG = "leafledger.study"
_TITLE_TAG = "mlflow.note.content"
_SECONDS = itertools.count(60)
_EXPERIMENT_TAGS = {"mlflow.experimentKind": "custom_model_development"}
"""Which of its two faces MLflow shows: the classic one, with runs, metrics and models."""

for _variable, _value in {
    "MLFLOW_DISABLE_TELEMETRY": "true",
    "DO_NOT_TRACK": "true",
    # What goes wrong in the store reaches us as an exception, and is said in our words.
    "MLFLOW_LOGGING_LEVEL": "CRITICAL",
    "MLFLOW_ENABLE_ARTIFACTS_PROGRESS_BAR": "false",
    # What a command prints may be read by a program.
    "MLFLOW_SUPPRESS_PRINTING_URL_TO_STDOUT": "true",
    "GIT_PYTHON_REFRESH": "quiet",
    # A server that does not answer is left for the next run rather than waited for.
    "MLFLOW_HTTP_REQUEST_MAX_RETRIES": "2",
    "MLFLOW_HTTP_REQUEST_TIMEOUT": "20",
    # No connection outlives its use, so that none is held to a file that has been replaced.
    "MLFLOW_SQLALCHEMYSTORE_POOLCLASS": "NullPool",
}.items():
    os.environ.setdefault(_variable, _value)


def store_address(folder: Path) -> str:
    """Return the address of a study's own tracking store.

    Raises
    ------
    InputFault
        If the path holds a question mark, which such an address cannot carry.
    """
    path = str((folder / DATABASE).resolve())
    if "?" in path:
        raise input_fault(
            file=".",
            found=f"a question mark in the path of the study folder: {quoted(path)}",
            expected="a path without one, for the tracking store",
            mend="Rename the folder. Results and ledger/runs are not concerned.",
        )
    return f"sqlite:///{path}"


def sync_store(folder: Path, title: str) -> list[str]:
    """Bring the tracking store up to the book of runs; call it only while holding the study.

    The store is the one in the study's folder, or the server that the study or the user's
    environment names.

    Returns
    -------
    list of str
        What the user should know, such as that the store was made again.
    """
    server = tracking_server(folder)
    if server is None:
        notes: list[str] = []
        _log_missing(folder, *_open(folder, title, notes))
        return notes
    from mlflow.exceptions import MlflowException

    try:
        _log_missing(folder, *_open_server(folder, title, server))
    except MlflowException as error:
        if why := refusal_words(server, str(error)):
            raise StageFailure(why) from None
        raise
    return []


def _log_missing(folder: Path, client: MlflowClient, experiment: str) -> None:
    """Log the runs of the book that a store does not hold yet, those of branches last."""
    book = BookView(folder)
    logger = RunLogger(client, experiment, book)
    store_ids = _whole_runs(client, experiment)
    for run in book.runs:
        if run["run"] not in store_ids and run["outcome"] != "running":
            store_ids[run["run"]] = logger.log_run(run, store_ids)
    for branch in book.branches:
        logger = RunLogger(client, experiment, branch)
        for run in branch.runs:
            if run["run"] not in store_ids:
                store_ids[run["run"]] = logger.log_run(run, store_ids, branch.place.name)


def prepare_store(folder: Path, title: str) -> None:
    """Load what entering a run takes, and make the store in the study's folder if there is none.

    A store that is there is not opened: what is wrong with it is for :func:`sync_store` to report.
    """
    with _loading_for_good():
        for name in ("mlflow.data.pandas_dataset", "mlflow.store.tracking.sqlalchemy_store"):
            importlib.import_module(name)
        from sqlalchemy.orm import configure_mappers

        configure_mappers()
    if tracking_server(folder) is None and not (folder / DATABASE).exists():
        _open(folder, title, [])


@contextmanager
def _loading_for_good() -> Iterator[None]:
    """Keep Python's collector from searching modules that are loaded, now and ever after.

    They stay to the end of the process; searching them took a quarter of the time of loading.
    """
    gc.disable()
    try:
        yield
        gc.freeze()
    finally:
        gc.enable()


def _open(folder: Path, title: str, notes: list[str]) -> tuple[MlflowClient, str]:
    """Return a client and the study's experiment; a broken or moved store is made again."""
    from mlflow.tracking import MlflowClient

    refuse_links(folder)
    _do_not_wait_for_the_disk()
    location = (folder / ARTIFACTS).resolve().as_uri()
    why, address = rebuild_reason(folder / DATABASE, location), store_address(folder)
    if (folder / DATABASE).exists() and why is None:
        try:
            client = MlflowClient(tracking_uri=address)
            return client, _titled(client, client.get_experiment_by_name(EXPERIMENT), title)
        except Exception as error:  # noqa: BLE001  any broken store is made again from the book
            why = f"it could not be opened: {str(error).splitlines()[0][:120]}"
    if why is not None:
        notes.append(f"the tracking store was made again from the book of runs ({why})")
    for path in folder.glob(f"{DATABASE}*"):
        remove_file(path)
    remove_folder(folder / ARTIFACTS)
    # MLflow makes its tables once for an address; a new file needs one not used before.
    client = MlflowClient(tracking_uri=f"{address}?timeout={next(_SECONDS)}")
    created = client.create_experiment(
        EXPERIMENT, artifact_location=location, tags={**_EXPERIMENT_TAGS, _TITLE_TAG: title}
    )
    return client, str(created)


def _open_server(folder: Path, title: str, server: str) -> tuple[MlflowClient, str]:
    """Return a client of a server and this study's experiment there.

    Studies that share a server are told apart by the id of their first run.

    Raises
    ------
    StageFailure
        If nothing answers at the address.
    """
    why = unreachable_reason(server)
    if why is not None:
        raise StageFailure(why)
    from mlflow.tracking import MlflowClient

    client = MlflowClient(tracking_uri=server)
    first = next(iter(events.runs(folder)))["run"]
    of_study = client.search_experiments(filter_string=f"tags.`{STUDY_TAG}` = '{first}'")
    if of_study:
        return client, _titled(client, of_study[0], title)
    tags = {**_EXPERIMENT_TAGS, STUDY_TAG: first, _TITLE_TAG: title}
    created = client.create_experiment(f"{name_of(title)[:150]} ({first})", tags=tags)
    return client, str(created)


_REFUSAL = re.compile(r"failed with error code (401|403)\b")
_NAME_AND_PASSWORD = ("MLFLOW_TRACKING_USERNAME", "MLFLOW_TRACKING_PASSWORD")


def refusal_words(server: str, message: str) -> str | None:
    """Return why a server that asks for a name and password refuses us, ``None`` if it does not.

    Parameters
    ----------
    server
        Its address.
    message
        What MLflow says.

    Examples
    --------
    >>> refusal_words("https://m.example", "API request to ... failed with error code 403 != 200.")
    'https://m.example does not let this user write to the experiment of the study'
    """
    match = _REFUSAL.search(message)
    if match is None:
        return None
    if match[1] == "403":
        return f"{server} does not let this user write to the experiment of the study"
    missing = [name for name in _NAME_AND_PASSWORD if not os.environ.get(name)]
    if missing:
        return f"{server} asks for a name and a password: {' and '.join(missing)} not set"
    return f"{server} does not know this name and password: see {' and '.join(_NAME_AND_PASSWORD)}"


def _titled(client: MlflowClient, experiment: Any, title: str) -> str:
    """Give an experiment the study's title as it is now, and its view; return its id."""
    for name, text in {**_EXPERIMENT_TAGS, _TITLE_TAG: title}.items():
        if experiment.tags.get(name) != text:
            client.set_experiment_tag(experiment.experiment_id, name, text)
    return str(experiment.experiment_id)


def rebuild_reason(database: Path, location: str) -> str | None:
    """Return why the tracking store must be made again, or ``None`` if it is whole or absent.

    Asked of SQLite itself, so that MLflow opens no file that is then thrown away.
    """
    if not database.exists():
        return None
    try:
        with closing(sqlite3.connect(f"{database.resolve().as_uri()}?mode=ro", uri=True)) as store:
            if store.execute("PRAGMA quick_check").fetchone() != ("ok",):
                return "it was damaged"
            row = store.execute(
                "SELECT artifact_location FROM experiments WHERE name = ?", [EXPERIMENT]
            ).fetchone()
    except sqlite3.Error as error:
        return f"it could not be read: {error}"
    if row is None:
        return "it was not finished"
    return None if row == (location,) else "the study has moved"


def _do_not_wait_for_the_disk() -> None:
    """Spare hundreds of waits: the store is checked when opened and can be made again."""
    from sqlalchemy import event
    from sqlalchemy.engine import Engine

    def relax(connection: Any, _record: Any) -> None:
        connection.execute("PRAGMA synchronous=OFF")

    event.listen(Engine, "connect", relax)


def _whole_runs(client: MlflowClient, experiment: str) -> dict[str, str]:
    """Return our id -> the store's id of every run entered whole; take out those cut short."""
    runs = list(_all_runs(client, experiment))
    cut_short = {run.info.run_id for run in runs if run.info.status == "RUNNING"}
    for run in runs:
        if run.info.run_id in cut_short or run.data.tags.get(PARENT_TAG) in cut_short:
            client.delete_run(run.info.run_id)
    return {
        run.data.tags[RUN_TAG]: run.info.run_id
        for run in runs
        if RUN_TAG in run.data.tags and run.info.run_id not in cut_short
    }


def _all_runs(client: MlflowClient, experiment: str) -> Iterable[Any]:
    token = None
    while True:
        page = client.search_runs([experiment], max_results=1000, page_token=token)
        yield from page
        token = page.token
        if not token:
            return


# Showing the store in a browser, on this machine only
# ----------------------------------------------------------------------

_HOST = "127.0.0.1"
_PATIENCE_S = 2.0
_MOMENT_S = 0.3


# What a browser keeps of MLflow for an address: the face it shows, the panel of its assistant, and
# the columns of an experiment's list of runs. None of it can be told in an address, so that the
# first page that is served here keeps it, waits for MLflow and goes there. Where a version of
# MLflow keeps it under other names, its own start is seen instead.
_COLUMNS_KEY = 'MLflowLocalStorage-1.1-ExperimentPage-["{experiment}"]-ReactComponentState'
_KEPT_ALWAYS = {"mlflow.workflowType_v1": "machine_learning"}
_KEPT_AT_FIRST = {
    "mlflow.assistant.fab.autoOpenedOnFirstLoad_v1": True,
    "mlflow.assistant.panelOpen_v1": False,
}
_CHOSEN = {
    f"metrics.`{ANSWER}accuracy`": 115,
    f"metrics.`{ANSWER}n_scans_excluded`": 172,
    f"tags.`{PRIMARY_TAG}`": 225,
    f"tags.`{VERDICT_TAG}`": 95,
    f"tags.`{CHANGED_TAG}`": 130,
}
"""Columns of the list of runs and their widths in pixels, so that their words can be read."""
_WIDTHS = {"attributes.`Run Name`": 170, "runDateAndNestInfo": 122, "duration": 80, **_CHOSEN}
_VIEW = {
    "selectedColumns": list(_CHOSEN),
    "searchFilter": "",
    "orderByKey": "attributes.start_time",
    "orderByAsc": False,
    "startTime": "ALL",
    "lifecycleFilter": "Active",
    "datasetsFilter": [],
    "modelVersionFilter": "All Runs",
    # The first column, of boxes to tick, has no name but this.
    "columnOrder": ["0", *_WIDTHS],
    "runsExpanded": {},
    "runsPinned": [],
    "columnWidths": _WIDTHS,
    "runsHidden": [],
    "runsVisibilityMap": {},
    "runsHiddenMode": "FIRST_10_RUNS",
    "viewMaximized": False,
    "runListHidden": False,
    "isAccordionReordered": False,
    "useGroupedValuesInCharts": True,
    "hideEmptyCharts": True,
    "groupBy": None,
    "groupsExpanded": {},
    "autoRefreshEnabled": True,
    "globalLineChartConfig": {
        "xAxisKey": "step",
        "lineSmoothness": 0,
        "selectedXAxisMetricKey": "",
    },
}
_START_PAGE = """\
<!doctype html>
<html lang="en"><meta charset="utf-8"><title>MLflow is starting</title>
<p>MLflow is starting: the list of runs opens in a moment.</p>
<script>
const always = %s, atFirst = %s, address = %s;
for (const [name, value] of Object.entries(always))
  localStorage.setItem(name, JSON.stringify(value));
for (const [name, value] of Object.entries(atFirst))
  if (localStorage.getItem(name) === null) localStorage.setItem(name, JSON.stringify(value));
const go = async () => {
  try {
    const answer = await fetch("/health", {cache: "no-store"});
    if (answer.ok && (await answer.text()) === "OK") {
      if (location.href === address) location.reload(); else location.replace(address);
      return;
    }
  } catch { /* not yet */ }
  setTimeout(go, 700);
};
setTimeout(go, 700);
</script>
"""


def start_page(address: str) -> bytes:
    """Return the page that is served until MLflow is: it prepares the browser and goes there.

    Parameters
    ----------
    address
        Of the list of runs, as :func:`list_of_runs` returns it.
    """
    match = re.search(r"/experiments/(\d+)/", address)
    view = {_COLUMNS_KEY.format(experiment=match[1]): _VIEW} if match else {}
    values = (_KEPT_ALWAYS, {**_KEPT_AT_FIRST, **view}, address)
    return (
        _START_PAGE % tuple(json.dumps(value).replace("<", "\\u003c") for value in values)
    ).encode()


def _greet_first_visitor(port: int, address: str) -> None:
    """Serve the start page until a browser has asked for it once."""
    greeted = threading.Event()

    class Start(BaseHTTPRequestHandler):
        timeout = 10  # a connection that a browser opens in advance says nothing

        def do_GET(self) -> None:
            page = start_page(address)
            whole = self.path == "/"
            self.send_response(200 if whole else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.send_header("Content-Length", str(len(page) if whole else 0))
            self.send_header("Cache-Control", "no-store")
            self.send_header("Connection", "close")
            self.end_headers()
            if whole:
                self.wfile.write(page)
                greeted.set()

        def log_message(self, *_: object) -> None:
            """Say nothing: the terminal is for the address."""

    with ThreadingHTTPServer((_HOST, port), Start) as server:
        server.daemon_threads, server.timeout = True, _MOMENT_S
        while not greeted.is_set():
            server.handle_request()


def list_of_runs(folder: Path, port: int) -> str:
    """Return the address of the list of runs, in MLflow's classic view."""
    read_only = f"{(folder / DATABASE).resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(read_only, uri=True)) as store:
        cursor = store.execute("SELECT experiment_id FROM experiments WHERE name = ?", [EXPERIMENT])
        experiment = cursor.fetchone()
    where = f"/experiments/{experiment[0]}/runs" if experiment else ""
    return f"http://{_HOST}:{port}/#{where}?workflowType=machine_learning"


def serve(
    folder: Path, port: int, say: Callable[[str], None], show: Callable[[str], object] | None = None
) -> int:
    """Serve the tracking store of a study until interrupted; return the server's exit code.

    Parameters
    ----------
    folder, port
        The study, and the port on this machine.
    say
        Called with what the user should know.
    show
        Called with the address of the list of runs once it can be opened.

    Raises
    ------
    InputFault
        If there is no store yet, or the port is taken.
    """
    if not (folder / DATABASE).is_file():
        raise input_fault(
            file=DATABASE,
            found="no tracking store",
            expected="a study that has been run",
            mend="Run it first: leafledger run",
        )
    if _taken(port):
        raise input_fault(
            file="--port",
            found=f"port {port}, already in use on this machine",
            expected="a free port",
            mend=f"Try another: leafledger ui --port {port + 1 if port < 65535 else 5000}",
        )
    address = list_of_runs(folder, port)
    say(f"The list of runs: {address}")
    say("End with Ctrl-C.")
    environment = {**os.environ, "MLFLOW_SERVER_ENABLE_JOB_EXECUTION": "false"}
    command = [
        *(sys.executable, "-m", "mlflow", "server"),
        *("--backend-store-uri", store_address(folder)),
        *("--host", _HOST, "--port", str(port), "--workers", "1"),
    ]
    server: subprocess.Popen[bytes] | None = None
    with ended_by_signals():
        try:
            if show is not None:
                threading.Timer(_MOMENT_S, show, [address]).start()
            _greet_first_visitor(port, address)
            server = subprocess.Popen(
                command, env=environment, **start_apart(ends_with_parent=True)
            )
            return server.wait()
        except KeyboardInterrupt:
            return 0
        except EndedBySignal as ended:
            return ended.exit_code
        finally:
            if server is not None:
                end_group(server, _PATIENCE_S)


def _taken(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((_HOST, port))
        except OSError:
            return True
    return False

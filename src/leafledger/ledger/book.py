"""What is on record: every run, chained to the one before, and every plan?

The book is written without MLflow, and the tracking store is a copy of it. A run's file names its
records, sheets, logs and events by digest; small files are kept under their digests for good.
"""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Thread
from typing import Any

from leafledger.ledger.variants_table import intact_output
from leafledger.ledger.view import BookView, Broken, branch_places
from leafledger.records import events
from leafledger.records.digests import (
    commit,
    sha256_of_bytes,
    sha256_of_file,
    sha256_of_value,
    version,
)
from leafledger.records.record import Record, read_record
from leafledger.study.rules import PLAN_HISTORY, RECORDS
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.settings import plan_of_study
from leafledger.study.sheets import units_file
from leafledger.study.study import FROM_THE_BOOK, Study, Task, outputs, tasks
from leafledger.study.table_files import refuse_links, write_bytes, write_text
from leafledger.study.written_plan import (
    BY_COMMAND,
    BY_RUN,
    Plan,
    Recorded,
    digest_of,
    place_of,
    plan_of,
    read_plan,
    sessions_in,
    text_of,
)

# Plans: those that runs followed, and those recorded by themselves
# ----------------------------------------------------------------------
# ``leafledger plan record`` writes ``ledger/plans/NNN.txt``, the text of the plan, and
# ``ledger/plans/NNN.json``, an entry that names its digest and follows the newest run. So does
# ``leafledger plan allocate``, whose entry also holds the digest of the allocation. Every run that
# begins later names the entries that were there, so that the chain of runs covers them. Where a
# plan stands in the chain is read from the runs that name it, not from the date that it gives
# itself.

PLANS = "ledger/plans"
_INTAKE = "intake."

Entry = dict[str, Any]


# The files
# ----------------------------------------------------------------------


def entry_file(number: str) -> str:
    """Return the path of a plan's entry."""
    return f"{PLANS}/{number}.json"


def text_file(number: str) -> str:
    """Return the path of a plan's text, whose digest was printed."""
    return f"{PLANS}/{number}.txt"


def recorded_plans(folder: Path) -> list[Entry]:
    """Return the entries of plans that can be believed, in the order of their numbers.

    One that was damaged behind our back is left out; ``leafledger verify`` names it.
    """
    entries = (read_entry(path) for path in sorted((folder / PLANS).glob("*.json")))
    return [e for e in entries if e is not None and _text_holds(folder, e)]


def read_entry(path: Path) -> Entry | None:
    """Return the entry of a plan, ``None`` if the file is not, to the byte, what was sealed."""
    entry = events.readable(path)
    if entry is None or entry.get("plan") != path.stem or not _has_the_form(entry):
        return None
    as_sealed = entry.get("seal") == _seal_of(entry) and path.read_bytes() == _text_of_entry(entry)
    return entry if as_sealed else None


def _has_the_form(entry: Entry) -> bool:
    links = (entry.get("previous"), entry.get("previous_plan"))
    read = entry.get("read")
    return (
        all(isinstance(entry.get(name), str) for name in ("plan", "recorded", "sha256", "package"))
        and isinstance(read, list)
        and all(isinstance(session, str) for session in read)
        and all(link is None or isinstance(link, dict) for link in links)
        and _allocation_has_the_form(entry.get("allocation"))
    )


def _allocation_has_the_form(allocation: Any) -> bool:
    if allocation is None:
        return True
    return isinstance(allocation, dict) and isinstance(allocation.get("sha256"), str)


def _seal_of(entry: Entry) -> str:
    return sha256_of_value({name: value for name, value in entry.items() if name != "seal"})


def _text_of_entry(entry: Entry) -> bytes:
    text = json.dumps(entry, sort_keys=True, indent=1, allow_nan=False, ensure_ascii=False)
    return f"{text}\n".encode()


def _text_holds(folder: Path, entry: Entry) -> bool:
    path = folder / text_file(entry["plan"])
    return path.is_file() and sha256_of_file(path) == entry["sha256"]


def entry_digests(folder: Path, until: str | None = None) -> dict[str, str]:
    """Return number -> digest of the entry of every plan recorded by now, or until a moment."""
    return {
        entry["plan"]: sha256_of_file(folder / entry_file(entry["plan"]))
        for entry in recorded_plans(folder)
        if until is None or events.moment(entry["recorded"]) <= events.moment(until)
    }


def plan_files(run: events.Run) -> list[str]:
    """Return the files of the plans that had been recorded when a run began."""
    numbers = sorted(run.get("plans", {}))
    return [file for number in numbers for file in (entry_file(number), text_file(number))]


def plan_in(folder: Path, number: str) -> Plan | None:
    """Return a plan that was recorded by itself, ``None`` if its text is no plan."""
    return _read((folder / text_file(number)).read_bytes())


def _read(data: bytes | None) -> Plan | None:
    try:
        return None if data is None else read_plan(data.decode("utf-8"))
    except ValueError:
        return None


# Two runs that say something else of the plan
# ----------------------------------------------------------------------


def why_said_otherwise(
    book: BookView,
    runs: tuple[Mapping[str, Any], Mapping[str, Any]],
    records: tuple[Record | None, Record | None],
) -> tuple[str, str, str]:
    """Return why two runs say something else of the plan, and where each says that it first stood.

    A statement names the run, or the recorded plan, with which a plan first stood in the chain of
    its own run.

    Parameters
    ----------
    book
        The book of runs, with the branches that were joined.
    runs
        The two runs.
    records
        Their records of the statement; ``None`` for one that makes none.
    """
    plans = [run.get("plan") for run in runs]
    reasons = []
    if None not in plans and plans[0] != plans[1]:
        reasons.append("the plan itself differs")
    parted = _where_parted(book, *runs)
    if parted is not None:
        where = f"after {parted}" if parted else "before the first run"
        reasons.append(
            f"the runs were joined from two copies, which part {where}: each copy tells of its own "
            "runs"
        )
    if not reasons:
        reasons.append("other runs or recorded plans stand before them")
    said = [_first_place(record) for record in records]
    return "; ".join(reasons), said[0], said[1]


def _first_place(record: Record | None) -> str:
    """Return where a plan first stood, as the statement of a run names it."""
    facts = None if record is None else record["settings"].get(PLAN_HISTORY.name)
    if not facts:
        return "nothing"
    first = facts.get("recorded")
    return "not recorded before the data" if first is None else f"recorded {place_of(first)}"


def _where_parted(
    book: BookView, first: Mapping[str, Any], second: Mapping[str, Any]
) -> str | None:
    """Return after which run the chains of two runs part, ``None`` if one follows the other.

    Empty if they have no run in common.
    """
    runs = {run["run"]: run for run in [*book.side_runs, *book.runs]}
    lines = [_chain_to(runs, run["run"]) for run in (first, second)]
    if first["run"] in lines[1] or second["run"] in lines[0]:
        return None
    return next((name for name in lines[0] if name in lines[1]), "")


def _chain_to(runs: Mapping[str, Mapping[str, Any]], run: str) -> list[str]:
    """Return a run and those before it, the newest first."""
    line: list[str] = []
    name: str | None = run
    while name is not None and name in runs and name not in line:
        line.append(name)
        name = (runs[name]["previous"] or {}).get("run")
    return line


# Recording
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class AddedPlan:
    """A plan that was asked to be recorded.

    Attributes
    ----------
    entry
        Its entry.
    text
        Its text.
    is_new
        False if the newest entry was of this plan already.
    """

    entry: Entry
    text: str
    is_new: bool


def add_plan(
    folder: Path,
    plan: Plan,
    previous: Mapping[str, str] | None,
    allocation: Mapping[str, Any] | None = None,
) -> AddedPlan:
    """Record a plan, unless it is the one recorded last; call it only while holding the study.

    Parameters
    ----------
    folder
        The study folder.
    plan
        The plan.
    previous
        Link to the run at the end of the chain, ``None`` if there is no run.
    allocation
        Where lots have just been drawn on values before the treatment: ``sha256`` of the
        allocation and ``seed``. Such an entry is made even if the plan is the one recorded last.
    """
    text = text_of(plan)
    entries = recorded_plans(folder)
    if entries and allocation is None and plan_in(folder, entries[-1]["plan"]) == plan:
        number = entries[-1]["plan"]
        kept = (folder / text_file(number)).read_text(encoding="utf-8")
        return AddedPlan(entries[-1], kept, is_new=False)
    numbers = [int(p.stem) for p in (folder / PLANS).glob("*.*") if p.stem.isdecimal()]
    number = f"{max(numbers, default=0) + 1:03d}"
    last = entries[-1]["plan"] if entries else None
    entry: Entry = {
        "plan": number,
        "recorded": events.now(),
        "sha256": sha256_of_bytes(text.encode("utf-8")),
        "package": version(),
        "read": sorted(sessions_read(folder)),
        "previous": None if previous is None else dict(previous),
        "previous_plan": None
        if last is None
        else {"plan": last, "sha256": sha256_of_file(folder / entry_file(last))},
    }
    if allocation is not None:
        entry["allocation"] = dict(allocation)
    entry["seal"] = _seal_of(entry)
    write_text(folder / text_file(number), text)
    write_text(folder / entry_file(number), _text_of_entry(entry).decode("utf-8"))
    return AddedPlan(entry, text, is_new=True)


def sessions_read(folder: Path) -> set[str]:
    """Return the sessions that any run has read, in the book or not yet, as events and records say.

    An attempt that failed has read them too.
    """
    files = [*(folder / events.EVENTS).glob(f"*/{_INTAKE}*.json")]
    files += (folder / RECORDS).glob(f"{_INTAKE}*.json")
    return {path.name.removesuffix(".json").removeprefix(_INTAKE) for path in files}


# All plans on record
# ----------------------------------------------------------------------


def on_record(
    book: BookView, at_work: str | None = None, until: str | None = None
) -> list[Recorded]:
    """Return every record of a plan in the order of the chain.

    Parameters
    ----------
    book
        The book of runs.
    at_work
        The run that is at work now: it holds all sessions of its plan that are measured.
    until
        The run with which to end; ``None``: the newest.
    """
    waiting = {entry["plan"]: entry for entry in recorded_plans(book.folder)}
    records: list[Recorded] = []
    for run in book.runs:
        for number, digest in sorted(run.get("plans", {}).items()):
            entry = waiting.get(number)
            if entry and sha256_of_file(book.folder / entry_file(number)) == digest:
                records.append(_of_entry(book.folder, waiting.pop(number)))
        records.append(_of_run(book, run, run["run"] == at_work))
        if run["run"] == until:
            return records
    return records + [_of_entry(book.folder, entry) for _, entry in sorted(waiting.items())]


def plan_lines(folder: Path) -> dict[str | None, list[str]]:
    """Return run -> a line for each plan that was recorded before it; ``None``: after the last."""
    lines: dict[str | None, list[str]] = {}
    waiting: list[str] = []
    for plan in on_record(BookView(folder)):
        if plan.by == BY_COMMAND:
            waiting.append(f"plan {plan.id}  recorded on {plan.date}, SHA-256 {plan.sha256}")
        elif waiting:
            lines[plan.id], waiting = waiting, []
    return lines | ({None: waiting} if waiting else {})


def _of_entry(folder: Path, entry: Entry) -> Recorded:
    return Recorded(
        by=BY_COMMAND,
        id=entry["plan"],
        date=entry["recorded"][:10],
        plan=plan_in(folder, entry["plan"]),
        sha256=entry["sha256"],
        read=frozenset(entry["read"]),
        allocation=entry.get("allocation"),
    )


def _of_run(book: BookView, run: events.Run, at_work: bool) -> Recorded:
    plan = None if run.get("variant") else _plan_of_run(book, run)
    held = frozenset(sessions_in(plan) if plan is not None else ())
    held -= frozenset(_not_measured(book, run))
    tasks = {*run["records"], *_tasks_with_events(book.folder, run["run"])}
    read = {task.removeprefix(_INTAKE) for task in tasks if task.startswith(_INTAKE)}
    return Recorded(
        by=BY_RUN,
        id=run["run"],
        date=run["started"][:10],
        plan=plan,
        sha256=run.get("plan") or ("" if plan is None else digest_of(plan)),
        held=held,
        read=frozenset(read | held if at_work else read),
    )


def _not_measured(book: BookView, run: events.Run) -> list[str]:
    """Return the sessions that were to come when a run began, or that were skipped.

    A run of plain Snakemake does not name them itself; the record of its effects does.
    """
    if run.get("plan"):
        return list(run.get("not_measured", ()))
    effects = book.record(run["records"].get("effects", ""))
    sessions = [] if effects is None else effects["settings"]["design"].get("sessions") or []
    return [s["session"] for s in sessions if s.get("to_come") or s.get("skipped")]


def _tasks_with_events(folder: Path, run: str) -> set[str]:
    events_folder = folder / events.EVENTS / run
    return {path.name.removesuffix(".json") for path in events_folder.glob(f"{_INTAKE}*.json")}


def _plan_of_run(book: BookView, run: events.Run) -> Plan | None:
    """Return the plan of a run; of one without, as of earlier versions, that of its effects."""
    if run.get("plan"):
        return _read(book.history(run["plan"]))
    effects, catalogue = (
        book.record(run["records"].get(name, "")) for name in ("effects", "catalogue")
    )
    return _plan_of_records(effects, catalogue)


def plan_in_place(folder: Path) -> Plan | None:
    """Return the plan that the results in place were made by, ``None`` if there are none."""
    effects, catalogue = (
        read_record(folder / RECORDS / f"{name}.json") for name in ("effects", "catalogue")
    )
    return _plan_of_records(effects, catalogue)


def _plan_of_records(effects: Record | None, catalogue: Record | None) -> Plan | None:
    if effects is None:
        return None
    return plan_of(effects["settings"], (catalogue or {"settings": {}})["settings"].get("indices"))


# Does it hold?
# ----------------------------------------------------------------------


def plan_faults(book: BookView, sha256: Callable[[str], str | None]) -> Iterator[Broken]:
    """Yield what is wrong with the plans that were recorded by themselves.

    Parameters
    ----------
    book
        The book of runs.
    sha256
        Returns the digest of a file of the study.
    """
    folder = book.folder
    digests = {
        path.stem: sha256(entry_file(path.stem)) for path in sorted((folder / PLANS).glob("*.json"))
    }
    entries = {number: read_entry(folder / entry_file(number)) for number in digests}
    for number, entry in entries.items():
        if entry is None:
            yield Broken(entry_file(number), "changed", "is no plan as it was recorded")
            continue
        yield from _text_faults(entry, sha256(text_file(number)))
        yield from _link_faults(entry, digests, sha256)
        yield from _unnamed(book, entry)
    for run in book.runs:
        for number, digest in sorted(run.get("plans", {}).items()):
            file = entry_file(number)
            if number not in digests:
                yield Broken(file, "missing", f"stood when run {run['run']} began; it is gone")
            elif digests[number] != digest:
                yield Broken(file, "changed", f"was changed after run {run['run']} had named it")
    for path in sorted((folder / PLANS).glob("*")):
        is_named = path.suffix in {".json", ".txt"} and path.stem in digests
        if not is_named and not path.name.startswith("."):
            yield Broken(f"{PLANS}/{path.name}", "orphan", "no plan of the book names this file")


def _text_faults(entry: Entry, digest: str | None) -> Iterator[Broken]:
    file = text_file(entry["plan"])
    if digest is None:
        yield Broken(file, "missing", f"the text of plan {entry['plan']} is no longer there")
    elif digest != entry["sha256"]:
        yield Broken(file, "changed", f"the text of plan {entry['plan']} was changed")


def _link_faults(
    entry: Entry, digests: Mapping[str, str | None], sha256: Callable[[str], str | None]
) -> Iterator[Broken]:
    number = entry["plan"]
    for kind, link in (("run", entry["previous"]), ("plan", entry["previous_plan"])):
        if link is None:
            continue
        is_plan, name = kind == "plan", link[kind]
        file = entry_file(name) if is_plan else f"{events.RUNS}/{name}.json"
        digest = digests.get(name) if is_plan else sha256(file)
        if digest is None:
            yield Broken(file, "missing", f"plan {number} follows a {kind} that was removed")
        elif digest != link["sha256"]:
            yield Broken(file, "changed", f"was changed after plan {number} had followed it")


def _unnamed(book: BookView, entry: Entry) -> Iterator[Broken]:
    """Yield a plan that claims to be older than a run that does not know it."""
    ids = [run["run"] for run in book.runs]
    before = (entry["previous"] or {}).get("run")
    start = ids.index(before) + 1 if before in ids else 0
    for run in book.runs[start:]:
        later = events.moment(run["started"]) >= events.moment(entry["recorded"])
        if later and "plans" in run and entry["plan"] not in run["plans"]:
            what = f"says it is older than run {run['run']}, which does not know it"
            yield Broken(entry_file(entry["plan"]), "chain", what)
            return


# A run begins
# ----------------------------------------------------------------------


def open_run(study: Study, run: str) -> None:
    """Enter a run that begins, with digests of the study's own files."""
    entry = _new_entry(study, run, events.now(), entry_digests(study.folder))
    if study.variant is None:  # the settings of a variant are not the study's plan
        text = text_of(plan_of_study(study))
        entry["plan"] = keep_bytes(study.folder, text.encode("utf-8"))
    if about := _about(study):
        entry["about"] = about
    without = [s.session for s in study.sessions if s.session not in study.session_ids]
    if without:
        entry["not_measured"] = without
    events.write_run(study.folder, entry)


def _new_entry(study: Study, run: str, started: str, plans: dict[str, str]) -> events.Run:
    previous = _chain_end([r for r in events.runs(study.folder) if r["run"] != run])
    branches = {
        branch.name: sha256_of_file(branch / events.RUNS / f"{branch.name}.json")
        for branch in branch_places(study.folder)
    }
    return ({"branches": branches} if branches else {}) | {
        "run": run,
        "started": started,
        "ended": None,
        "outcome": "running",
        "message": "",
        "package": version(),
        "commit": commit(),
        "python": platform.python_version(),
        "process": os.getpid(),
        "title": study.definition.title,
        "variant": study.variant,
        "study": {name: keep_file(study.folder, name) for name in study_files(study)},
        "records": {},
        "logs": {},
        "plans": plans,
        "previous": None if previous is None else link_to(study.folder, previous["run"]),
    }


PERSON = "LEAFLEDGER_PERSON"
"""Says who runs a study. A person sets it; nobody is named by the name of an account."""
_LONGEST_NAME = 200


def _about(study: Study) -> dict[str, str]:
    """Return by whom, with which instruments and on which treatments a run is, as far as stated.

    It stands in the book and in the tags of MLflow, never in a result or record.
    """
    treatment = study.definition.design.treatment
    levels = {str(row.get(treatment) or "") for row in study.units.values()} if treatment else set()
    named = {
        "person": {" ".join(os.environ.get(PERSON, "").split())},
        "instrument": {scan.instrument or "" for scan in study.samples()},
        "treatment": levels,
    }
    joined = {kind: ", ".join(sorted(names - {""})) for kind, names in named.items()}
    return {kind: names[:_LONGEST_NAME] for kind, names in joined.items() if names}


def head_run(folder: Path) -> events.Run | None:
    """Return the run at the end of the chain, ``None`` if there is no run."""
    return _chain_end(list(events.runs(folder)))


def _chain_end(runs: list[events.Run]) -> events.Run | None:
    """Return the run that no other follows, whatever the clock said."""
    followed = {run["previous"]["run"] for run in runs if run["previous"]}
    return next((run for run in reversed(runs) if run["run"] not in followed), None)


def link_to(folder: Path, run: str) -> dict[str, str]:
    """Return the link by which an entry of the book follows a run."""
    return {"run": run, "sha256": sha256_of_file(folder / events.RUNS / f"{run}.json")}


def study_files(study: Study) -> list[str]:
    """Return the sheets and settings of a study that are there, as a run enters them."""
    names = ["study.yaml", units_file(study.folder), DECISIONS]
    if not study.definition.intake.pattern:
        names.append(study.definition.intake.sheet)
    if study.panel_table is not None:
        names.append(study.panel_table)
    if study.coefficient_table is not None:
        names.append(study.coefficient_table)
    names += [name for name in (study.assay_sheet, study.chromatogram_sheet) if name is not None]
    names += study.strip_profiles
    return [name for name in names if (study.folder / name).is_file()]


def keep_file(folder: Path, path: str) -> str:
    """Keep a copy of a small file under its digest for good, and return the digest."""
    return keep_bytes(folder, (folder / path).read_bytes())


def keep_bytes(folder: Path, data: bytes) -> str:
    """Keep some bytes under their digest for good, and return the digest."""
    digest = sha256_of_bytes(data)
    copy = folder / events.HISTORY / digest[:2] / digest
    if not copy.is_file():
        write_bytes(copy, data)
    return digest


# A run ends
# ----------------------------------------------------------------------


def close_run(
    study: Study, run: str, outcome: str, message: str, stale: Collection[str] = ()
) -> None:
    """Enter how a run ended and which records stood then; keep every record for good.

    Parameters
    ----------
    study, run, outcome, message
        The run and how it ended.
    stale
        Names of the tasks whose records no longer hold: they belong to an earlier run, so this
        run may not show their numbers.
    """
    folder = study.folder
    entry = next(r for r in events.runs(folder) if r["run"] == run)
    of_book = _tasks_from_the_book(study)
    entry |= {
        "ended": events.now(),
        "outcome": outcome,
        "message": message,
        "records": {
            task.name: keep_file(folder, task.record)
            for task in [*tasks(study), *of_book]
            if task.name not in stale and (folder / task.record).is_file()
        },
        "tables": {
            path: keep_file(folder, path) for task in of_book for path in outputs(task).values()
        },
        "logs": {
            event["task"]: keep_file(folder, event["log"])
            for event in events.events_of(folder, run)
            if event["outcome"] not in events.ENDED_WELL and (folder / event["log"]).is_file()
        },
        "events": events.event_digests(folder, run),
    }
    events.write_run(folder, entry)


def _tasks_from_the_book(study: Study) -> list[Task]:
    """Return the tasks made of the book whose results are there and whole.

    What they wrote is kept for good: it is made of other runs, so that no step of this one makes
    it.
    """
    whole = []
    for task in FROM_THE_BOOK if study.variant is None else ():
        record = read_record(study.folder / task.record)
        if record and all(intact_output(study.folder, record, p) for p in outputs(task).values()):
            whole.append(task)
    return whole


def close_interrupted(folder: Path) -> list[str]:
    """Close the runs that never came to an end and return their ids.

    Call it only while holding the study.
    """
    interrupted = [run for run in events.runs(folder) if run["outcome"] == "running"]
    for run in interrupted:
        run |= {
            "ended": events.now(),
            "outcome": "killed",
            "message": "ended from outside before it was done",
            "records": _finished(folder, run["run"]),
            "events": events.event_digests(folder, run["run"]),
        }
        events.write_run(folder, run)
    return [run["run"] for run in interrupted]


def _finished(folder: Path, run: str) -> dict[str, str]:
    """Keep the records that an interrupted run had written, as far as they are still in place."""
    finished = {}
    for event in events.events_of(folder, run):
        path, written = f"{RECORDS}/{event['task']}.json", event.get("record")
        ended_well = event["outcome"] in events.ENDED_WELL and (folder / path).is_file()
        if ended_well and sha256_of_file(folder / path) == written:
            finished[event["task"]] = keep_file(folder, path)
    return finished


# The copy in the tracking store
# ----------------------------------------------------------------------


@contextmanager
def store_prepared_meanwhile(study: Study) -> Iterator[None]:
    """Load MLflow, and make a tracking store that is not there, while the block mostly waits.

    MLflow takes seconds to begin and to make its tables: no run need wait for that at its end.
    """

    def prepare() -> None:
        from leafledger.ledger.tracking import prepare_store

        # Whatever goes wrong here is met again, and reported, when the run is logged.
        with suppress(Exception):
            prepare_store(study.folder, study.definition.title)

    thread = Thread(target=prepare, daemon=True)
    thread.start()
    yield
    thread.join()


def log_run(study: Study, run: str) -> list[str]:
    """Copy the book into the tracking store; what goes wrong there is a note, not a failure."""
    return _synced(study.folder, study.definition.title, f"run {run}")


def sync_runs(folder: Path) -> list[str]:
    """Bring the tracking store up to the book, whatever state the study's own files are in.

    Call it only while holding the study.
    """
    runs = list(events.runs(folder))
    return _synced(folder, runs[-1]["title"], "the newest run") if runs else []


def _synced(folder: Path, title: str, what: str) -> list[str]:
    from leafledger.ledger.tracking import sync_store

    refuse_links(folder)
    try:
        return sync_store(folder, title)
    except Exception as error:  # noqa: BLE001  the results stand whatever the store does
        reason = (str(error) or type(error).__name__).splitlines()[0][:200]
        return [
            f"{what} is in ledger/runs but not yet in the tracking store ({reason}); "
            "`leafledger ledger sync` takes it in"
        ]


def import_snakemake_runs(study: Study) -> list[str]:
    """Take in runs of plain Snakemake, which leave events but no run file, then copy the book."""
    from leafledger.ledger.tracking import sync_store

    folder = study.folder
    recorded_runs = {run["run"] for run in events.runs(folder)}
    notes = [f"closed run {run}, which was interrupted" for run in close_interrupted(folder)]
    for run in sorted(path.name for path in (folder / events.EVENTS).glob("*")):
        done = events.events_of(folder, run)
        if run in recorded_runs or not done:
            continue
        failed = [event for event in done if event["outcome"] not in events.ENDED_WELL]
        started = done[0]["started"]
        events.write_run(
            folder, _new_entry(study, run, started, entry_digests(folder, until=started))
        )
        message = failed[0]["message"] if failed else "taken in from plain Snakemake"
        close_run(study, run, "failed" if failed else "done", message)
        notes.append(f"took in run {run} of plain Snakemake")
    return notes + sync_store(folder, study.definition.title)

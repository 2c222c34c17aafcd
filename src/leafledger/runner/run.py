"""How does a study run, or all its variants: plan, execute, keep the books?"""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, LeafledgerError, Problem
from leafledger.ledger import book
from leafledger.ledger.variants_table import (
    Settings,
    VariantsTable,
    intact_table,
    remove_table,
    restore_table,
    settings_in_words,
)
from leafledger.ledger.view import BookView
from leafledger.platforms import end_group, start_apart
from leafledger.records import events
from leafledger.records.digests import FileDigests, sha256_of_file
from leafledger.records.record import Record, read_record
from leafledger.runner.cluster import Cluster, Profile, begin_logs, end_jobs, open_profile
from leafledger.runner.outdated import (
    REBUILT_VARIABLE,
    Planned,
    RecordedDigests,
    holds_as_recorded,
    plan,
    why_not_as_recorded,
    would_run,
)
from leafledger.runner.scheduler import path_problems, why_all_wait
from leafledger.runner.step import (
    NO_STORE_VARIABLE,
    PARENT_VARIABLE,
    VARIANT_VARIABLE,
    Ended,
    GivenRun,
    TaskRun,
    problems_file,
)
from leafledger.runner.study_check import NOTHING_YET, checked_study, sheet_warnings
from leafledger.runner.study_folder import (
    HeldStudy,
    remove_orphans,
    study_lock,
    sweep_temporaries,
    trim_store,
)
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import of_variant, read_definition, with_rows
from leafledger.study.reading import keep_rows, under_variant
from leafledger.study.rules import LOGS, VARIANTS_TABLE
from leafledger.study.study import PLAN_HISTORY_TASK, VARIANTS_TASK, Study, Task, tasks
from leafledger.study.table_files import link_problems, not_through_a_link, read_json, write_text
from leafledger.study.tables import STATED

# Variants: which one is at work, which runs hold, the table of all of them
# ----------------------------------------------------------------------
# The table is made of finished runs. It is out of date if a variant, the study as stated or the
# code that it rests on is another.

# --- which runs hold, and the table ---------------------------------------------------------------

TABLE_VARIABLE = "LEAFLEDGER_TABLE_OF_VARIANTS"


def variant_at_work() -> str | None:
    """Return the variant that a run of ours told its children to do, ``None`` for none."""
    return os.environ.get(VARIANT_VARIABLE) or None


def variants_of(study: Study) -> list[Study]:
    """Return the study under each of its variants, in the order of ``study.yaml``."""
    return [under_variant(study, name) for name in study.definition.variants]


def standing_records(
    variant: Study, book: BookView, digests: FileDigests
) -> dict[str, Record] | None:
    """Return the records of the newest run that holds for a variant, as the study is now."""
    for run in reversed(book.runs):
        if run.get("variant") != variant.variant or run["outcome"] != "done":
            continue
        records = book.records_of(run)
        if holds_as_recorded(variant, records, RecordedDigests(records, run["records"], digests)):
            return records
    return None


def needs_run(study: Study, variant: Study, digests: FileDigests) -> bool:
    """Tell whether a variant must be run for its rows of the table."""
    settings = Settings(
        str(variant.variant),
        settings_in_words(study, variant),
        standing_records(variant, BookView(study.folder), digests),
    )
    return not VariantsTable(study.folder, [settings]).kept(settings)


def table_of(study: Study, digests: FileDigests) -> VariantsTable:
    """Return the table of a study whose results are in place, and of its variants' runs."""
    record_of = {task.name: read_record(study.folder / task.record) for task in tasks(study)}
    records = {task: record for task, record in record_of.items() if record is not None}
    book = BookView(study.folder)
    sets = [Settings(STATED, "", records)]
    for variant in variants_of(study):
        standing = standing_records(variant, book, digests)
        sets.append(Settings(str(variant.variant), settings_in_words(study, variant), standing))
    return VariantsTable(study.folder, sets)


def table_is_current(study: Study, digests: FileDigests) -> bool:
    """Tell whether the table is the one that would be made now; none of no variants is current."""
    return not study.definition.variants or table_of(study, digests).is_current()


def make_table(study: Study, run: str, digests: FileDigests) -> bool:
    """Make the table if it is not current, and tell of it like a step; return whether it stands."""
    table = table_of(study, digests)
    if table.is_current():
        return True
    folder, name = study.folder, VARIANTS_TASK.name
    task_run = TaskRun(folder, run, VARIANTS_TASK)
    task_run.begin()
    outcome, message, record = "done", "", None
    try:
        table.make()
        record = sha256_of_file(folder / VARIANTS_TASK.record)
    except (LookupError, OSError) as error:
        outcome, message = "failed", str(error)
        write_text(folder / LOGS / f"{name}.log", f"{type(error).__name__}: {error}\n")
    task_run.end(Ended(outcome, message, table.key, record))
    return outcome == "done"


# --- whether the table is out of date -------------------------------------------------------------


@dataclass(frozen=True)
class TableStatus:
    """How the table of the variants stands.

    Attributes
    ----------
    made
        Whether there is a table.
    why
        Why it is out of date, in words; empty if it is not, or if there is none.
    """

    made: bool
    why: tuple[str, ...] = ()


def table_status(study: Study, digests: FileDigests, planned: Collection[Planned]) -> TableStatus:
    """Tell how the table of the variants stands.

    Parameters
    ----------
    study
        The study as stated.
    digests
        Digests of the study's files.
    planned
        What a run of the study as stated would do now.
    """
    record = read_record(study.folder / VARIANTS_TASK.record)
    if record is None:
        unrecorded = (study.folder / VARIANTS_TABLE).exists()
        return TableStatus(unrecorded, ("its record is missing",) if unrecorded else ())
    if intact_table(study.folder, record) is None:
        return TableStatus(True, ("it was changed or removed after it was made",))
    if not study.definition.variants:
        return TableStatus(True, ("study.yaml names no variants any more",))
    table = table_of(study, digests)
    why = [
        *_definitions_changed(record, table),
        *_stated_changed(record, table, planned),
        *_not_standing(study, table, digests),
    ]
    if not why and not table.is_current():
        why = ["data, results or the code that the table rests on changed after it was made"]
    return TableStatus(True, tuple(why))


def _definitions_changed(record: Record, table: VariantsTable) -> Iterator[str]:
    before: dict[str, str] = record["settings"]["variants"]
    now = {settings.name: settings.words for settings in table.sets if settings.name != STATED}
    for name in sorted({*before, *now}):
        if name not in before:
            yield f"variant {name} is new in study.yaml"
        elif name not in now:
            yield f"variant {name} is no longer in study.yaml"
        elif before[name] != now[name]:
            yield f"variant {name} is now {now[name]}; the table has {before[name]}"


def _stated_changed(
    record: Record, table: VariantsTable, planned: Collection[Planned]
) -> Iterator[str]:
    """Tell of the results as stated; the report rests on the table and not the table on it."""
    behind = [entry for entry in planned if entry.certain and entry.task.rule != "report"]
    if behind:
        yield f"the study as stated is not up to date ({behind[0].task.name}: {behind[0].why})"
        return
    read = {given["role"]: given["sha256"] for given in record["inputs"]}
    for entry in table.sets:
        if entry.name == STATED:
            kept = {role: sha for role, sha in read.items() if role.endswith(f"/{STATED}")}
            if sorted(kept.values()) != sorted(f["sha256"] for f in entry.files.values()):
                yield "the results of the study as stated changed after it was made"


def _not_standing(study: Study, table: VariantsTable, digests: FileDigests) -> Iterator[str]:
    for entry in table.sets:
        if entry.name != STATED and not table.kept(entry):
            yield f"variant {entry.name} must be run: {_why_not(study, table.book, entry, digests)}"


def _why_not(study: Study, book: BookView, settings: Settings, digests: FileDigests) -> str:
    if settings.records is not None:
        return "the tables of its run are no longer kept"
    variant = under_variant(study, settings.name)
    runs = [run for run in book.runs if run.get("variant") == settings.name]
    ended_well = [run for run in runs if run["outcome"] == "done"]
    if not ended_well:
        return "its last run did not end well" if runs else "not run yet"
    newest = ended_well[-1]
    records = book.records_of(newest)
    as_left = RecordedDigests(records, newest["records"], digests)
    return why_not_as_recorded(variant, records, as_left) or "its records are no longer kept"


# A whole run
# ----------------------------------------------------------------------

# --- why a run ended as it did --------------------------------------------------------------------

_NEXT_TO_NOTHING = 1_000_000
_NO_SPACE = tuple(os.strerror(number) for number in (errno.ENOSPC, errno.EDQUOT))
SNAKEMAKE_LOG = f"{LOGS}/snakemake.log"


def problems_of(study: Study, faults: list[dict[str, Any]]) -> list[Problem]:
    """Return what the tasks found wrong, each problem once, with the rows of ``study.yaml``."""
    problems = [
        Problem(**problem)
        for event in faults
        for problem in read_json(problems_file(study.folder, Task(event["rule"], event["session"])))
    ]
    if not any(problem.file == STUDY_FILE for problem in problems):
        return list(dict.fromkeys(problems))
    problems = of_variant(problems, study.variant)
    try:
        _, text = read_definition(study.folder)
    except InputFault:
        return list(dict.fromkeys(problems))
    return list(dict.fromkeys(with_rows(problems, text)))


def _no_longer_holds(study: Study, level: list[str]) -> str:
    """Say why a level that ended well is not up to date: somebody changed the study meanwhile."""
    reasons = {p.task.name: p.why for p in plan(study, FileDigests(study.folder))}
    stale = [task for task in level if task in reasons]
    if not stale:
        return f"{level[0]} ended well, but not for Snakemake (log: {SNAKEMAKE_LOG})"
    what = reasons[stale[0]].removeprefix("settings changed: ")
    return (
        f"the study was changed while the run was at work ({what}), after {stale[0]} had read it. "
        "Run again once nothing writes to it: the change is taken in then, and what still holds "
        "is not computed anew"
    )


def _no_space(study: Study, cut: Sequence[str]) -> bool:
    """Tell whether the disk is full, or was when tasks were cut that could write no event."""
    if shutil.disk_usage(study.folder).free < _NEXT_TO_NOTHING:
        return True
    logs = [study.folder / LOGS / f"{task}.log" for task in cut]
    texts = [log.read_text(encoding="utf-8", errors="replace") for log in logs if log.is_file()]
    return any(words in text for text in texts for words in _NO_SPACE)


def why_failed(study: Study, run: str, failed: list[dict[str, Any]]) -> str:
    """Say why a run failed, from the events of the tasks that did and from what it told."""
    others = [e for e in failed if e["outcome"] == "failed"]
    if others:
        event = others[0]
        return f"{event['task']} failed: {event['message']} (log: {event['log']})"
    lines, _ = events.read_progress(study.folder, run)
    if cut_off := [line["cut_off"] for line in lines if "cut_off" in line]:
        return str(cut_off[-1])
    started = [line["task"] for line in lines if line.get("state") == "started"]
    ended = {line["task"] for line in lines if line.get("state") not in {None, "started"}}
    cut = [task for task in started if task not in ended]
    if _no_space(study, cut):
        doing = f": {cut[0]} could not be finished" if cut else ""
        return f"No space left on the disk that holds the study{doing}"
    if cut:
        return (
            f"{cut[0]} was ended from outside (out of memory, or killed); log: {LOGS}/{cut[0]}.log"
        )
    level: list[str] = next((line["level"] for line in reversed(lines) if "level" in line), [])
    waiting = [task for task in level if task not in ended]
    if waiting:
        what = f"{waiting[0]} did not begin, or was ended at once"
    elif level:
        return _no_longer_holds(study, level)
    else:
        what = "it could not begin"
    return f"{what} (log: {SNAKEMAKE_LOG})"


# --- one run --------------------------------------------------------------------------------------

_WATCH_SECONDS = 0.1
_ASK_SECONDS = 30.0
"""Seconds between two questions to the scheduler whether it has begun anything."""

Listener = Callable[[dict[str, Any]], None]


@dataclass
class RunResult:
    """How a run ended.

    Attributes
    ----------
    run
        Id of the run; ``None`` if nothing had to run.
    outcome
        ``idle``, ``done``, ``input_fault`` or ``failed``.
    tasks
        Events of the tasks that ran, in the order of their start.
    problems
        What was wrong with the user's input.
    message
        Why it failed, if it did.
    notes
        What the user should know besides, such as a tracking store that was rebuilt.
    variant
        The variant that was run; ``None`` for the study as stated.
    variants
        How the runs of the variants ended, if they were asked for.
    """

    run: str | None
    outcome: str
    tasks: list[dict[str, Any]] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    message: str = ""
    notes: list[str] = field(default_factory=list)
    variant: str | None = None
    variants: list[RunResult] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 done, 2 the user's input is at fault, 1 a stage failed or a variant did."""
        own_code = {"idle": 0, "done": 0, "input_fault": 2}.get(self.outcome, 1)
        return own_code or int(bool(self.failed_variants))

    @property
    def failed_variants(self) -> list[RunResult]:
        """The variants that did not run to their end."""
        return [result for result in self.variants if result.exit_code]


@dataclass(frozen=True)
class How:
    """How a run is carried out.

    Attributes
    ----------
    cores
        How many tasks may run side by side.
    listen
        Called with every line of progress, and with ``{"planned": [...]}`` first.
    use_store
        Whether results of earlier settings may be restored.
    into_tracking
        Whether the run is copied into the tracking store.
    rebuilt
        Whether a recorded run is being rebuilt: what was made of the book is taken as it was
        recorded then.
    profile
        Where tasks are done; ``None`` for this machine.
    held
        The study as it is held.
    """

    cores: int
    listen: Listener | None = None
    use_store: bool = True
    into_tracking: bool = True
    rebuilt: bool = False
    profile: Profile | None = None
    held: HeldStudy | None = None

    def cluster(self, study: Study, run: str) -> Cluster | None:
        """Return where the tasks of a run are done, if not on this machine.

        Raises
        ------
        InputFault
            If the disk has no room for the lease that jobs look for.
        """
        if self.profile is None or self.held is None:
            return None
        if self.held.token is None:
            raise InputFault(
                Problem(
                    file=".",
                    found="a disk without room for the few bytes by which jobs find their run",
                    expected="room on the disk that holds the study",
                    mend="Free some space (`leafledger clean --store` may), then run again.",
                )
            )
        folder = str(study.folder)
        given = GivenRun(run, self.held.token, folder, study.variant, self.use_store)
        return Cluster(self.profile, self.cores, given)


def _profile(name: str | None) -> Profile | None:
    """Return a profile that hands tasks to a cluster, ``None`` for this machine."""
    profile = None if name is None else open_profile(name)
    return None if profile is None or profile.is_local else profile


def run_study(
    folder: Path,
    cores: int,
    listen: Listener | None = None,
    use_store: bool = True,
    into_tracking: bool = True,
    variant: str | None = None,
    rebuilt: bool = False,
    profile: str | None = None,
) -> RunResult:
    """Bring all results of a study up to date.

    Parameters
    ----------
    folder
        The study folder.
    cores
        How many tasks may run side by side.
    listen
        Called with every line of progress, and with ``{"planned": [...]}`` first.
    use_store
        Whether results of earlier settings may be restored.
    into_tracking
        Whether the run is copied into the tracking store.
    variant
        Name of the variant whose settings hold; ``None``: the study as stated.
    rebuilt
        Whether a recorded run is being rebuilt.
    profile
        Name or folder of a Snakemake profile, by which a cluster does the tasks.

    Raises
    ------
    InputFault
        If the study cannot run at all; nothing has been touched then.
    """
    study = checked_study(folder, variant)
    how = How(cores, listen, use_store, into_tracking, rebuilt, _profile(profile))
    with study_lock(study.folder) as held:
        how = replace(how, held=held)
        keep_rows(study)
        interrupted, notes = begin(study)
        result = run_held(study, how)
        result.notes = notes + result.notes
        enter_runs(study, [result], interrupted, how)
        return result


def begin(study: Study) -> tuple[list[str], list[str]]:
    """Close what an earlier run left open; return the ids of such runs and notes about them.

    Call it, and all below, only while holding the study.
    """
    interrupted = book.close_interrupted(study.folder)
    sweep_temporaries(study.folder)
    notes = [f"run {run} was interrupted; what it had finished is used" for run in interrupted]
    return interrupted, notes


def run_held(study: Study, how: How, with_table: bool = False) -> RunResult:
    """Run a study that is held.

    Parameters
    ----------
    study, how
        What to run, and how.
    with_table
        Whether the table of the variants is made before the report.
    """
    notes = [*restore_table(study), *remove_orphans(study), *sheet_warnings(study)]
    digests = FileDigests(study.folder)
    planned = [entry.task.name for entry in would_run(study, digests, how.rebuilt)]
    if with_table and (planned or not table_is_current(study, digests)):
        of_the_book = [name for name in planned if name == PLAN_HISTORY_TASK.name]
        others = [name for name in planned if name not in {*of_the_book, "report"}]
        planned = [*others, VARIANTS_TASK.name, *of_the_book, "report"]
    digests.save()
    if not study.session_ids:
        return RunResult(None, "idle", notes=[*notes, NOTHING_YET], variant=study.variant)
    if not planned:
        return RunResult(None, "idle", notes=notes, variant=study.variant)
    result = _execute(study, planned, how, with_table)
    result.notes = notes + result.notes
    result.variant = study.variant
    return result


def enter_runs(study: Study, results: list[RunResult], interrupted: list[str], how: How) -> None:
    """Copy runs that have ended into the tracking store and keep the content store in bounds.

    What the store holds for the study and its variants is thrown away last.
    """
    ran = [result.run for result in results if result.run] or interrupted[-1:]
    if not ran:
        return
    if how.into_tracking:
        results[-1].notes += book.log_run(study, ran[-1])
    results[-1].notes += trim_store(study)


def _execute(study: Study, planned: list[str], how: How, with_table: bool) -> RunResult:
    if problems := path_problems():
        raise InputFault(problems)
    run = events.new_run_id()
    folder = study.folder
    listen = how.listen or (lambda _line: None)
    listen({"planned": planned, "run": run, "variant": study.variant})
    cluster = how.cluster(study, run)
    book.open_run(study, run)
    if how.held is not None:
        how.held.name_run(run)
    not_through_a_link(folder / LOGS).mkdir(exist_ok=True)
    begin_logs(folder)
    command = [sys.executable, "-m", "leafledger.runner.execute", str(how.cores)]
    if cluster is not None:
        command += [str(cluster.profile.file), cluster.given.token]
    with not_through_a_link(folder / SNAKEMAKE_LOG).open("wb") as log:
        child = subprocess.Popen(
            command,
            cwd=folder,
            env=_environment(study, run, how, with_table),
            stdout=log,
            stderr=log,
            stdin=subprocess.DEVNULL,
            # Ctrl-C at a terminal reaches this process alone: Snakemake, asked to end, would wait
            # until its jobs have ended. Killed at any moment, a run leaves nothing that the next
            # one does not mend.
            **start_apart(),
        )
        meanwhile = book.store_prepared_meanwhile(study) if how.into_tracking else nullcontext()
        try:
            with meanwhile:
                _watch(child, study, run, how)
        except TakenOver:
            end_group(child)
            raise
        except BaseException:
            end_group(child) if cluster is None else end_jobs(cluster, child)
            _close(study, run, "killed", "interrupted by the user")
            raise
    return _result(study, run, child.returncode)


def _environment(study: Study, run: str, how: How, with_table: bool) -> dict[str, str]:
    """Return the environment of the run's child, in which nothing is left of another run's."""
    ours = {
        events.RUN_VARIABLE: run,
        PARENT_VARIABLE: str(os.getpid()),
        VARIANT_VARIABLE: study.variant or "",
        TABLE_VARIABLE: "1" if with_table else "",
        REBUILT_VARIABLE: "1" if how.rebuilt else "",
    }
    if not how.use_store:
        ours[NO_STORE_VARIABLE] = "1"
    return {**os.environ, **ours}


class TakenOver(LeafledgerError):
    """Another machine has taken the study, as after this one stood still for long."""

    def __init__(self, run: str) -> None:
        super().__init__(
            f"another machine has taken this study while run {run} stood still; this run has "
            "ended, and what it had finished is kept. `leafledger status` says how it stands."
        )


def _watch(child: subprocess.Popen[bytes], study: Study, run: str, how: How) -> None:
    listen = how.listen or (lambda _line: None)
    positions: dict[str, int] = {}
    waits, last_query_s = "", time.monotonic()
    while True:
        over = child.poll() is not None
        lines, positions = events.read_progress(study.folder, run, positions)
        for line in lines:
            listen(line)
        if over:
            return
        if how.held is not None and how.held.lost:
            raise TakenOver(run)
        if how.profile is not None and time.monotonic() - last_query_s > _ASK_SECONDS:
            last_query_s = time.monotonic()
            words = why_all_wait(study.folder) if how.profile.is_slurm else None
            if words and words != waits:
                listen({"waits": words})
            waits = words or ""
        time.sleep(_WATCH_SECONDS)


def _result(study: Study, run: str, code: int) -> RunResult:
    done = events.events_of(study.folder, run)
    failed = [e for e in done if e["outcome"] not in events.ENDED_WELL]
    faults = [e for e in failed if e["outcome"] == "input_fault"]
    links = link_problems(study.folder) if code else []
    problems = links or problems_of(study, faults)
    if code == 0:
        outcome, message = "done", ""
    elif links or (faults and len(faults) == len(failed)):
        outcome, message = "input_fault", problems[0].sentence()
    else:
        outcome, message = "failed", why_failed(study, run, failed)
    lines, _ = events.read_progress(study.folder, run)
    notes = list(dict.fromkeys(str(line["note"]) for line in lines if "note" in line))
    try:
        _close(study, run, outcome, message)
    except OSError as error:
        # A full disk must not hide what failed; the next run closes this one.
        notes += [f"the run could not be closed in the book ({error.strerror})"]
    except InputFault:
        if not links:
            raise
        notes += ["the run could not be closed in the book; the next run closes it"]
    return RunResult(run, outcome, done, problems, message, notes)


def _close(study: Study, run: str, outcome: str, message: str) -> None:
    """Close a run; one cut short keeps only the records that hold now."""
    stale: set[str] = set()
    if outcome != "done":
        stale = {planned.task.name for planned in plan(study, FileDigests(study.folder))}
    book.close_run(study, run, outcome, message, stale)


# --- all variants, then the study as stated -------------------------------------------------------


def run_variants(
    folder: Path, cores: int, listen: Listener | None = None, profile: str | None = None
) -> RunResult:
    """Run every variant of a study that has no finished run that holds, then the study as stated.

    What variants have in common is computed once: each later one restores it. A variant that fails
    does not stop the others. In the end ``results/`` is that of the study as stated.

    Parameters
    ----------
    folder
        The study folder.
    cores
        How many tasks may run side by side.
    listen
        Called with every line of progress.
    profile
        Name or folder of a Snakemake profile, by which a cluster does the tasks.

    Returns
    -------
    RunResult
        That of the study as stated, with those of the variants in it.

    Raises
    ------
    InputFault
        If the study, or a variant, cannot run at all; nothing has been touched then.
    """
    study = checked_study(folder)
    how = How(cores, listen, profile=_profile(profile))
    with study_lock(study.folder) as held:
        how = replace(how, held=held)
        keep_rows(study)
        interrupted, notes = begin(study)
        digests = FileDigests(study.folder)
        ended = []
        for variant in variants_of(study):
            if needs_run(study, variant, digests):
                ended.append(run_held(variant, how))
            else:
                ended.append(RunResult(None, "idle", variant=variant.variant))
        if not study.definition.variants:
            remove_table(study.folder)
            notes.append("study.yaml names no variants; the study was run as stated")
        result = run_held(study, how, with_table=bool(study.definition.variants))
        result.notes = notes + result.notes
        result.variants = ended
        enter_runs(study, [*ended, result], interrupted, how)
        return result

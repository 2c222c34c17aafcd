"""Does everything still hold that the book of runs says? Every file is hashed anew."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from functools import cached_property
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault
from leafledger.ledger.chain_checks import chain_faults
from leafledger.ledger.kept_checks import history_faults, store_faults
from leafledger.ledger.plans import lodged, plan_faults
from leafledger.ledger.verdict import Broken, Verdict
from leafledger.ledger.view import BookView, in_data_order
from leafledger.records import events
from leafledger.records.digests import files_below, sha256_of_file
from leafledger.records.record import read_record
from leafledger.study.layout import FROM_THE_BOOK, OF_CLASSES, RECORDS, RESULTS
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.tables import canonical_json


def verify(folder: Path, head: str | None = None) -> Verdict:
    """Hash every file that the book names and compare; call it while no run is at work.

    Parameters
    ----------
    folder
        The study folder.
    head
        Digest of the chain's end that was noted down earlier, if any: a chain that was rewritten
        as a whole is seen by it alone.
    """
    check = _Check(BookView(folder))
    found: dict[str, Broken] = {}
    for broken in check.all_faults(head):
        found.setdefault(broken.file, broken)
    check.verdict.broken = sorted(found.values())
    return check.verdict


class _Check:
    def __init__(self, book: BookView) -> None:
        self.book = book
        self.folder = book.folder
        self.verdict = Verdict(n_runs=len(book.runs), n_plans=len(lodged(book.folder)))
        self.damaged: set[str] = set()

    def all_faults(self, head: str | None) -> Iterator[Broken]:
        yield from chain_faults(self.book, head, self.sha256, self.damaged, self.verdict)
        yield from plan_faults(self.book, self.sha256)
        if self.damaged:
            self.book = BookView(self.folder, leave_out=self.damaged)
            self.note("what only a damaged run's entry tells of cannot be judged")
        yield from self.told()
        yield from self.records()
        yield from self.results()
        yield from self.raw()
        yield from self.study()
        for file, what, sentence in history_faults(self.book, self.sha256, self.note):
            yield Broken(file, what, sentence)
        for file, what, sentence in store_faults(self.book, self.sha256, self.note):
            yield Broken(file, what, sentence)

    @property
    def unsure(self) -> bool:
        """Whether a run not closed, or damaged, may have made what nobody vouches for."""
        return bool(self.damaged) or any(run["outcome"] == "running" for run in self.book.runs)

    def sha256(self, path: str) -> str | None:
        place = self.folder / path
        if not place.is_file():
            return None
        self.verdict.n_files += 1
        self.verdict.n_bytes += place.stat().st_size
        return sha256_of_file(place)

    # --- what was told of the runs ------------------------------------------------------------

    def told(self) -> Iterator[Broken]:
        runs = {run["run"]: run for run in self.book.runs}
        present = {run: set(events_in(self.folder, run)) for run in runs}
        for run, entry in runs.items():
            if entry["outcome"] == "running":
                self.note(
                    f"run {run} was cut short and is not closed yet: what it left is judged when "
                    "the next run has closed it"
                )
                continue
            if "events" not in entry:
                self.note("events of runs recorded by an earlier version are not sealed")
                continue
            for name, digest in entry["events"].items():
                file = f"{events.EVENTS}/{run}/{name}"
                yield from self._one(file, digest, f"told of run {run}")
            for name in sorted(present[run] - set(entry["events"])):
                file = f"{events.EVENTS}/{run}/{name}"
                yield Broken(file, "orphan", f"is no event that run {run} knows of")
        for place in sorted((self.folder / events.EVENTS).glob("*")):
            named = (self.folder / events.RUNS / f"{place.name}.json").is_file()
            if place.is_file():
                file = place.relative_to(self.folder).as_posix()
                yield Broken(file, "orphan", "belongs to no run")
            elif place.name not in runs and not named and any(place.glob("*.json")):
                file = f"{events.RUNS}/{place.name}.json"
                yield Broken(
                    file,
                    "missing",
                    "events tell of this run, but it is not in the book: it was removed, or plain "
                    "Snakemake ran it and `leafledger ledger sync` has not taken it in yet",
                )

    def _one(self, file: str, expected: str, was: str) -> Iterator[Broken]:
        found = self.sha256(file)
        if found is None:
            yield Broken(file, "missing", f"{was}; it is no longer there")
        elif found != expected:
            yield Broken(file, "changed", f"{was}; it has been changed since")

    # --- records and results ------------------------------------------------------------------

    @cached_property
    def told_by(self) -> dict[str, str]:
        """Digest of every record that an event tells of -> the run, in the book or not."""
        return {
            str(event["record"]): place.name
            for place in sorted((self.folder / events.EVENTS).glob("*"))
            for event in events.events_of(self.folder, place.name)
            if event.get("record")
        }

    def records(self) -> Iterator[Broken]:
        known = {*self.book.versions, *self.told_by}
        for task, (run, _digest) in self.book.standing.items():
            file = f"{RECORDS}/{task}.json"
            found = self.sha256(file)
            if found is None and task in self._wanted():
                yield Broken(file, "missing", f"stood in run {run}; it is no longer there")
            elif found is not None and found not in known:
                yield Broken(file, "changed", f"stood in run {run}; it has been changed by hand")
        for path in files_below(self.folder / RECORDS):
            file = path.relative_to(self.folder).as_posix()
            task = path.name.removesuffix(".json")
            if self.unsure or task in self.book.standing:
                continue
            if self.sha256(file) not in known:
                yield Broken(file, "orphan", "no run of the book made this record")

    def _wanted(self) -> set[str]:
        """Tasks of the newest run that ended well: others may have been taken out since."""
        done = [run for run in self.book.runs if run["outcome"] == "done"]
        return set(done[-1]["records"]) if done else set()

    def current(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Yield run and record of every task in place; a damaged record is replaced by its copy."""
        there = {
            path.name.removesuffix(".json"): sha256_of_file(path)
            for path in files_below(self.folder / RECORDS)
        }
        for task in in_data_order([*{*self.book.standing, *there}]):
            run, stood = self.book.standing.get(task, ("", ""))
            now = there.get(task, stood if task in self._wanted() else "")
            place = self.folder / RECORDS / f"{task}.json"
            if now in self.book.versions:
                # The text in place is as good as the kept copy: both are what was recorded.
                run = self.book.versions[now]
                record = read_record(place) or self.book.record(now)
            elif now in self.told_by:
                run, record = self.told_by[now], read_record(place)
            else:
                record = self.book.record(stood) if now and stood else None
            if record is not None:
                yield run, record

    def results(self) -> Iterator[Broken]:
        named: set[str] = set()
        for run, record in self.current():
            for output in record["outputs"]:
                named.add(output["path"])
                yield from self._one(output["path"], output["sha256"], f"result of run {run}")
        for path in files_below(self.folder / RESULTS):
            file = path.relative_to(self.folder).as_posix()
            if file not in named and not path.name.startswith(".") and not self.unsure:
                yield Broken(file, "orphan", "no record names this result")

    def raw(self) -> Iterator[Broken]:
        made = (f"{RESULTS}/", f"{RECORDS}/")
        for run, record in self.current():
            for given in record["inputs"]:
                if given["path"].startswith(made):
                    continue
                found = self.sha256(given["path"])
                if found is None:
                    sentence = f"was read by {record['rule']} for run {run}; it is no longer there"
                    yield Broken(given["path"], "missing", sentence)
                elif found != given["sha256"]:
                    yield Broken(given["path"], "changed", f"changed since run {run}")

    # --- the study's own sheets ---------------------------------------------------------------

    def study(self) -> Iterator[Broken]:
        if not self.book.runs:
            return
        run = self.book.runs[-1]
        changed = []
        for name, digest in run["study"].items():
            found = self.sha256(name)
            if found is None:
                yield Broken(name, "missing", f"was read for run {run['run']}")
            elif found != digest:
                changed.append(name)
        if not changed:
            return
        why = self._settings_differ()
        for name in changed:
            if why is None:
                self.note(f"{name} changed since run {run['run']}, in nothing a result rests on")
            else:
                yield Broken(name, "changed", f"changed since run {run['run']}{why}")

    def _settings_differ(self) -> str | None:
        """Return what a changed sheet does, ``None`` if every record still has its settings."""
        try:
            study = read_study(self.folder)
        except InputFault as fault:
            return f"; it can no longer be read: {fault.problems[0].sentence()}"
        for _run, record in self.current():
            if record["rule"] in {task.name for task in FROM_THE_BOOK}:
                continue  # it says itself to which settings it belongs
            if record["session"] is not None and record["session"] not in study.session_ids:
                return f"; session {record['session']} is gone"
            if record["rule"] in OF_CLASSES and study.definition.classes is None:
                return "; no classifier is asked for any more"
            now = settings_of(study, record["rule"], record["session"])
            if canonical_json(now) != canonical_json(record["settings"]):
                return f"; {record['rule']} was run with other settings"
        return None

    def note(self, text: str) -> None:
        self.verdict.note(text)


def events_in(folder: Path, run: str) -> list[str]:
    """Return the names of the files that tell of a run."""
    place = folder / events.EVENTS / run
    return [path.name for path in files_below(place)] if place.is_dir() else []


def as_json(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as plain JSON values."""
    plain: dict[str, Any] = json.loads(json.dumps(asdict(verdict)))
    return plain | {"holds": verdict.holds}

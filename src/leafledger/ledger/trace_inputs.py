"""What a result rests on besides files that a stage reads: sheets, treatments, formulas of indices.

A stage is given settings, not sheets. Which sheets those were cut from, each run's entry says.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from leafledger.errors import InputFault
from leafledger.ledger.view import BookView, in_data_order
from leafledger.records import events
from leafledger.records.record import Record
from leafledger.study.decisions import FILE as DECISIONS
from leafledger.study.layout import FROM_THE_BOOK, OF_CLASSES, Task, outputs
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.sheet_files import UNITS
from leafledger.study.tables import canonical_json

_CATALOGUE = outputs(Task("catalogue"))["catalogue"]
_DEFINITION = "study.yaml"


@dataclass(frozen=True)
class SheetRead:
    """One of the study's own sheets as a run read it.

    Attributes
    ----------
    path, sha256
        The sheet and its content then.
    now
        Digest of its content now, ``None`` if it is gone.
    change
        Empty if the sheet is as it was; else what its change does, in words.
    matters
        Whether a setting that the result rests on is another one now.
    """

    path: str
    sha256: str
    now: str | None
    change: str = ""
    matters: bool = False


def sheets_read(book: BookView, run: str, tasks: Mapping[str, Record]) -> list[SheetRead]:
    """Return the sheets that a run read, each with what has become of it.

    Decisions are left out: acceptance reads that file, and its lineage tells of it.

    Parameters
    ----------
    book
        The book of runs.
    run
        The run in which the result stood last.
    tasks
        Task -> record of all that the result rests on.
    """
    entry = book.run(run)
    stood = {*entry["records"]}
    own = {name: record for name, record in tasks.items() if name in stood}
    found: list[SheetRead] = []
    why: str | None = None
    for path, sha256 in entry["study"].items():
        if path == DECISIONS:
            continue
        now = book.sha256_now(path)
        if now == sha256:
            found.append(SheetRead(path, sha256, now))
            continue
        if why is None:
            why = _settings_now(book, entry, own)
        what = "is missing" if now is None else f"has another content now than run {run} read"
        told = f"{path} {what}" + (f"; {why}" if why else ", in nothing that this rests on")
        found.append(SheetRead(path, sha256, now, told, matters=bool(why) or now is None))
    return found


def _settings_now(book: BookView, entry: events.Run, tasks: Mapping[str, Record]) -> str:
    """Return which of the tasks would be given other settings now; empty if none would."""
    try:
        study = read_study(book.folder, entry.get("variant"))
    except InputFault as fault:
        return f"the study can no longer be read: {fault.problems[0].sentence()}"
    for name, record in tasks.items():
        if record["rule"] in {task.name for task in FROM_THE_BOOK}:
            continue
        if record["session"] is not None and record["session"] not in study.session_ids:
            return f"session {record['session']} is gone"
        if record["rule"] in OF_CLASSES and study.definition.classes is None:
            return "no classifier is asked for any more"
        now = settings_of(study, record["rule"], record["session"])
        if canonical_json(now) != canonical_json(record["settings"]):
            return f"{name} was run with other settings"
    return ""


def groups_of(records: Iterable[Record]) -> dict[str, list[str]]:
    """Return treatment -> its units as the first task that was told of them knew them.

    Empty if none was, or the design names no treatment.
    """
    for record in records:
        settings = record["settings"]
        treatment = settings.get("design", {}).get("treatment")
        if "units" in settings and treatment:
            groups: dict[str, list[str]] = {}
            for unit, labels in settings["units"].items():
                groups.setdefault(str(labels.get(treatment, "")), []).append(str(unit))
            return groups
    return {}


def indices_asked(
    book: BookView, run: str, rows: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return what the run's catalogue says of the indices in the rows asked for.

    Parameters
    ----------
    book, run
        The book and the run in which the rows stood last.
    rows
        Rows of a table; those with a column ``index`` name one.

    Returns
    -------
    list of dict
        index, name, formula, published_formula, unit, source and more, as in
        ``indices/catalogue.json``.
    """
    asked = list(dict.fromkeys(str(row["index"]) for row in rows if "index" in row))
    if not asked:
        return []
    place = book.content_at(book.records_of(book.run(run)).get("catalogue"), _CATALOGUE)
    known = (events.readable(place) if place is not None else None) or {}
    told = {str(entry["index"]): dict(entry) for entry in known.get("indices", [])}
    return [told[index] for index in asked if index in told]


def tasks_told_of(records: Mapping[str, Record], sheet: str) -> list[str]:
    """Return the tasks whose settings are cut from a sheet, then those that rest on them.

    Parameters
    ----------
    records
        Task -> record of a run.
    sheet
        ``study.yaml``, the sheet of units, or any other: the scan sheet.
    """
    first = {name for name, record in records.items() if _is_told(record["settings"], sheet)}
    return [*in_data_order([*first]), *in_data_order([*_resting_on(records, first)])]


def _is_told(settings: Mapping[str, Any], sheet: str) -> bool:
    if sheet == _DEFINITION:
        return True
    if sheet in UNITS:
        return "units" in settings or "treatments" in settings.get("design", {})
    return "scans" in settings


def _resting_on(records: Mapping[str, Record], first: Collection[str]) -> set[str]:
    reached = {*first}
    while True:
        made = {o["path"] for name in reached for o in records[name]["outputs"]}
        made |= {f"records/{name}.json" for name in reached}
        more = {
            name
            for name, record in records.items()
            if name not in reached and any(given["path"] in made for given in record["inputs"])
        }
        if not more:
            return reached - {*first}
        reached |= more

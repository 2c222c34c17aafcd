"""What need not be read again of a study whose files have not changed since?

Two things are kept in ``ledger/cache``, both whole or absent, both used only if the bytes of every
file that they rest on are still the same. Without them a study is read from its sheets.

1. The checked rows of a scan sheet without a problem, so that a large sheet is read once and not
   by every command. Where its files lie is checked anew each time.
2. The job of each task of a run: its settings, with the rows that it sees, and its inputs. The run
   writes it once; the step, a process of its own, reads neither the sheets nor the rows of others.
"""

from __future__ import annotations

import hashlib
import json
import os
import zlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.study.scan_sheet import DECISIONS_FILE, Scan, ScanReader
from leafledger.study.sheets import SCANS, UNITS, PathCheck
from leafledger.study.table_files import WRITTEN, canonical_json, remove_folder, write_bytes

if TYPE_CHECKING:
    from leafledger.study.definition import Definition
    from leafledger.study.study import Study

_CACHE = "ledger/cache"
_ROWS = f"{_CACHE}/scan_rows.json.z"
JOBS = f"{_CACHE}/jobs"
_PACKAGE = Path(__file__).resolve().parent.parent
_READ_BY = ("study/*.py", "errors.py", "words.py")
"""Files of this package that decide what is read from a sheet and what a task sees of it."""


# Digests of what a reading rests on.
# ----------------------------------------------------------------------


@cache
def _reader() -> str:
    """Return a digest of the code that reads sheets: another version may read them otherwise."""
    digest = hashlib.sha256()
    for pattern in _READ_BY:
        for path in sorted(_PACKAGE.glob(pattern)):
            digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def _sha256(path: Path) -> str | None:
    """Return the digest of a file, ``None`` if there is none that can be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _packed(value: Any) -> bytes:
    # Not sorted: stages may go through sessions and scans in the order of the study.
    text = json.dumps(value, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    return zlib.compress(text.encode("utf-8"), 1)


def _unpacked(path: Path) -> Any:
    """Return what :func:`_packed` was given; ``None`` if the file is not there or not whole."""
    try:
        return json.loads(zlib.decompress(path.read_bytes()))
    except (OSError, ValueError, zlib.error):
        return None


# The rows of a scan sheet.
# ----------------------------------------------------------------------

_COLUMNS = tuple(field.name for field in fields(Scan) if field.name != "others")


@dataclass(frozen=True)
class SheetRows:
    """All rows of a scan sheet, read without a problem.

    Attributes
    ----------
    key
        Digest of the bytes of the sheet and of all else that decides how it is read.
    scans
        The rows, in sheet order.
    others
        Columns of the sheet that have no meaning of their own.
    """

    key: str
    scans: Sequence[Scan]
    others: Sequence[str]


def rows_key(sheet: Path, reader: ScanReader, form: Mapping[str, Any]) -> str | None:
    """Return the key of the rows of a sheet; ``None`` if it cannot be read.

    Parameters
    ----------
    sheet
        The scan sheet, or the table of labelled spectra that is one.
    reader
        Knows the sessions and units that rows may name.
    form
        How raw files are written; decides what a table of spectra is read as.
    """
    digest = _sha256(sheet)
    if digest is None:
        return None
    units = None if reader.units_known is None else list(reader.units_known)
    asked = [reader.shown, reader.sessions, units, reader.unit_needed, reader.units_file, form]
    seen = canonical_json([_reader(), digest, asked])
    return hashlib.sha256(seen.encode("utf-8")).hexdigest()


def kept_rows(folder: Path, key: str) -> SheetRows | None:
    """Return the rows that an earlier run kept under ``key``; ``None`` if there are none."""
    kept = _unpacked(folder / _ROWS)
    if not isinstance(kept, dict) or kept.get("key") != key:
        return None
    columns, others = kept["columns"], kept["others"]
    cells = zip(*(columns[name] for name in _COLUMNS), strict=True)
    more = zip(*(kept["cells"][name] for name in others), strict=True)
    scans = []
    for values in cells:
        # The class checks nothing; set by its fields one by one, 100,000 rows take a second.
        scan = object.__new__(Scan)
        scan.__dict__.update(zip(_COLUMNS, values, strict=True))
        labels = dict(zip(others, next(more), strict=True)) if others else {}
        scan.__dict__["others"] = labels
        scans.append(scan)
    return SheetRows(key, scans, others)


def keep_rows(study: Study) -> None:
    """Keep the rows of a study's scan sheet for later; a full disk is no error.

    Call it only while holding the study. Nothing is written where the rows came from here, or where
    the sheet is no single file.
    """
    rows = study.rows_read
    if rows is None:
        return
    kept = {
        "key": rows.key,
        "columns": {name: [getattr(s, name) for s in rows.scans] for name in _COLUMNS},
        "others": list(rows.others),
        "cells": {name: [s.others.get(name, "") for s in rows.scans] for name in rows.others},
    }
    with suppress(OSError):  # only a cache
        write_bytes(study.folder / _ROWS, _packed(kept))


# The job of each task of a run.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class HandedJob:
    """What a run hands to a step: settings as plain values, and role -> path of every input."""

    settings: Mapping[str, Any]
    inputs: Mapping[str, str]


Rests = Mapping[str, str | None]
"""File or folder in the study -> digest of its bytes or of the names in it; ``None``: not there."""

_STUDY_FILE = "study.yaml"
_OF_PIGMENTS = ("assays.csv", "assays.xlsx", "chromatograms.csv", "chromatograms.xlsx")
_STRIPS, _ANYWHERE = "chromatograms/", "./"


def rests_on(folder: Path, definition: Definition) -> dict[str, str | None]:
    """Return the digests of all files by which a study is read, as they are now.

    Sheets count by their bytes; folders whose file names stand in for rows count by these names.
    Raw files are not among them: each task checks its own.
    """
    names = [_STUDY_FILE, *SCANS, *UNITS, definition.intake.sheet, DECISIONS_FILE, *_OF_PIGMENTS]
    names += [_STRIPS, *([_ANYWHERE] if definition.intake.pattern else [])]
    return {name: _digest(folder, name) for name in dict.fromkeys(names)}


def _digest(folder: Path, name: str) -> str | None:
    return _names_below(folder / name) if name.endswith("/") else _sha256(folder / name)


def _names_below(place: Path) -> str | None:
    """Return the digest of the paths of all files below a folder, but for those we write."""
    digest = hashlib.sha256()
    n_folders = 0
    for n_folders, (top, folders, files) in enumerate(os.walk(place), start=1):
        folders[:] = sorted(set(folders) - (set(WRITTEN) if n_folders == 1 else set()))
        below = os.path.relpath(top, place)
        digest.update(os.fsencode(f"{below}\0{chr(0).join(sorted(files))}\0"))
    return digest.hexdigest() if n_folders else None


def _job_file(folder: Path, task: str) -> Path:
    return folder / JOBS / f"{task}.json.z"


def hand_job(study: Study, run: str, task: str, rests: Rests, job: HandedJob) -> None:
    """Write the job of a task for its step; where that fails the step reads the study itself.

    Parameters
    ----------
    study, run, task
        The study, the run and the name of the task.
    rests
        What :func:`rests_on` returned before and after the study was read.
    job
        Settings and inputs of the task.
    """
    told = {
        "reader": _reader(),
        "run": run,
        "task": task,
        "variant": study.variant,
        "rests_on": rests,
        "settings": job.settings,
        "inputs": job.inputs,
    }
    with suppress(OSError):
        write_bytes(_job_file(study.folder, task), _packed(told))


def handed_job(folder: Path, run: str | None, task: str, variant: str | None) -> HandedJob | None:
    """Return the job that this run handed to a task; ``None`` if the study must be read.

    It must be if the run handed none, if any file on which the study rests has changed since or
    if an input is missing: reading the study says what is wrong then.

    Parameters
    ----------
    folder
        The study folder.
    run
        Id of the run; ``None`` for a step that a person started.
    task, variant
        Name of the task, and of the variant whose settings hold.
    """
    if run is None:
        return None
    told = _unpacked(_job_file(folder, task))
    asked = {"reader": _reader(), "run": run, "task": task, "variant": variant}
    if not isinstance(told, dict) or any(told.get(name) != is_ for name, is_ in asked.items()):
        return None
    job = HandedJob(told["settings"], told["inputs"])
    paths = PathCheck(folder)
    if any(paths.why_refused(path) for path in job.inputs.values()):
        return None  # not there, or no file of the study
    rests: Rests = told["rests_on"]
    return job if all(_digest(folder, name) == was for name, was in rests.items()) else None


def remove_jobs(folder: Path) -> None:
    """Remove what was handed to the tasks of a run."""
    remove_folder(folder / JOBS)

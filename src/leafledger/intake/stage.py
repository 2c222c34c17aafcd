"""Intake: the raw files of one session, of any form, into one table of scans."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, first_words, quoted
from leafledger.intake.bounds import MAX_VALUES, size_problem
from leafledger.intake.jcamp_dx import read_jcamp
from leafledger.intake.parquet import read_parquet
from leafledger.intake.pixels import check_form, counts_alone, in_wavelengths
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.session import FileScans, in_unit, pick, shared_axis
from leafledger.intake.spreadsheet import read_spreadsheet
from leafledger.intake.text import read_text
from leafledger.intake.text_counts import read_counts_alone
from leafledger.intake.text_layout import Layout
from leafledger.intake.wide_table import read_wide_table
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.tables import write_spectra

if TYPE_CHECKING:
    import pyarrow as pa

_READERS = {"wide_table": read_wide_table, "jcamp_dx": read_jcamp, "parquet": read_parquet}
_MAX_PROBLEMS = 1_000

Rows = Sequence[Mapping[str, Any]]


def run(job: Job) -> Outcome:
    """Read every raw file of the session once and write ``scans/<session>.parquet``.

    Raises
    ------
    InputFault
        With the problems of all files of the session (up to 1,000, 50 a file).
    """
    rows: Rows = job.settings["scans"]
    read = read_session(job)
    axis = read.wavelength_nm
    column = "counts" if FileForm.of(job.settings["form"]).quantity == "counts" else "reflectance"
    write_spectra(
        job.outputs["scans"],
        _columns(rows, read.sha256),
        axis,
        {column: read.values},
        {"quantity": column, "full_scale_counts": None},
        keys=("scan", "role"),
        in_full=("reflectance",),
    )
    return Outcome(
        metrics=[
            Metric("n_scans", len(rows)),
            Metric("n_files", read.n_files),
            Metric("n_wavelengths", len(axis)),
            Metric("first_wavelength", float(axis[0]), "nm"),
            Metric("last_wavelength", float(axis[-1]), "nm"),
        ],
        warnings=read.warnings,
    )


@dataclass(frozen=True)
class SessionScans:
    """The scans of a session in sheet order, in their unit, on one axis.

    Attributes
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    values
        Shape ``(n_scans, n_wavelengths)``.
    sha256
        Of the file of each scan.
    n_files
        Raw files read.
    warnings
        What the user should know of them.
    """

    wavelength_nm: NDArray[np.float64]
    values: NDArray[np.float64]
    sha256: list[str]
    n_files: int
    warnings: list[str]


def read_session(job: Job) -> SessionScans:
    """Read every raw file of a session once; nothing is written.

    Raises
    ------
    InputFault
        With the problems of all files of the session (up to 1,000, 50 a file).
    """
    form = FileForm.of(job.settings["form"])
    check_form(form)
    rows: Rows = job.settings["scans"]
    files = _read_all(job, form, _by_file(rows))
    axis = shared_axis([read for read, _ in files.values()])
    values = np.empty((len(rows), len(axis)), dtype=np.float64)
    hashes: list[str] = []
    for i, row in enumerate(rows):
        read, places = files[row["file"]]
        values[i] = read.scans.values[places[row["scan"]]]
        hashes.append(read.sha256)
    values, warnings = in_unit(values, form.quantity, [(r["file"], r["scan"]) for r in rows])
    notes = _notes(files.values(), form, job.settings.get("elsewhere", {}))
    told = [*notes, *(f"session {job.session}: {w}" for w in warnings)]
    return SessionScans(axis, values, hashes, len(files), told)


def scans_in_file(path: Path, file: str, settings: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the names of the scans that a raw file holds; ``("",)`` for a single unnamed one.

    Parameters
    ----------
    path, file
        The file, and what to call it in messages.
    settings
        The form, as in ``intake.forms`` of study.yaml.

    Raises
    ------
    InputFault
        If the file cannot be read in that form.
    """
    form = FileForm.of(settings)
    check_form(form)
    job = Job("intake", None, {}, {f"raw/{file}": path}, {}, path.parent)
    read, _ = _read_one(job, form, file, None, [""])
    return read.scans.items


def _by_file(rows: Rows) -> dict[str, list[Mapping[str, Any]]]:
    grouped: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        grouped.setdefault(row["file"], []).append(row)
    return grouped


def _read_all(
    job: Job, form: FileForm, wanted: Mapping[str, Rows]
) -> dict[str, tuple[FileScans, dict[str, int]]]:
    """Read each file and find the wanted scans in it; all problems of all files together."""
    out: dict[str, tuple[FileScans, dict[str, int]]] = {}
    problems: list[Problem] = []
    layout: Layout | None = None
    n_values = 0
    for file, rows in wanted.items():
        try:
            read, layout = _read_one(job, form, file, layout, [row["item"] for row in rows])
        except InputFault as fault:
            problems.extend(fault.problems)
            continue
        places, missing = pick(read, rows)
        problems.extend(missing)
        if not missing:
            out[file] = (read, {row["scan"]: at for row, at in zip(rows, places, strict=True)})
        n_values += read.scans.values.size
        if n_values > MAX_VALUES:
            problems.append(_too_many(file))
            break
    if not wanted:
        problems.append(_no_scans(job))
    if problems:
        if len(out) > 1:
            problems.extend(_axis_problems(out.values()))
        raise InputFault(_bounded(problems))
    return out


def _read_one(
    job: Job, form: FileForm, file: str, layout: Layout | None, items: Sequence[str]
) -> tuple[FileScans, Layout | None]:
    path = job.inputs.get(f"raw/{file}")
    if path is None or not path.is_file():
        raise InputFault(
            Problem(file, "no such file", "a raw file", "Mend the file in the scan sheet.")
        )
    wrong = size_problem(path, file, form.form)
    if wrong is not None:
        raise InputFault(wrong)
    data = path.read_bytes()
    digest = hashlib.sha256(data).hexdigest()
    if job.digests.get(f"raw/{file}", digest) != digest:
        raise InputFault(_changed(file))
    scans: RawScans
    if form.form == "text" and counts_alone(form):
        scans = read_counts_alone(data, file, form)
    elif form.form == "text":
        # A file read carefully without a layout of its own leaves the one before in force.
        scans, found = read_text(data, file, form, layout)
        layout = found or layout
    elif form.form == "spreadsheet":
        elsewhere = job.settings.get("elsewhere", {}).get(file, ())
        scans = read_spreadsheet(data, file, form, items, elsewhere)
    else:
        scans = _READERS[form.form](data, file, form)
    return FileScans(file, digest, in_wavelengths(scans, form)), layout


def _changed(file: str) -> Problem:
    """Return the problem of a file whose bytes are not those that the task was keyed by."""
    return Problem(
        file,
        "a file that changed while it was read",
        "files that stand still during a run",
        "Wait until the copy has ended, then run again.",
    )


def _too_many(file: str) -> Problem:
    return Problem(
        file,
        f"more than {MAX_VALUES:,} values in the session up to this file",
        f"at most {MAX_VALUES:,}",
        "Split the session.",
    )


def _no_scans(job: Job) -> Problem:
    return Problem(
        "study.yaml",
        f"session {job.session} without scans",
        "at least one scan",
        "Add its scans to the scan sheet, or take the session out.",
        column="design.sessions",
    )


def _axis_problems(files: Iterable[tuple[FileScans, dict[str, int]]]) -> tuple[Problem, ...]:
    try:
        shared_axis([read for read, _ in files])
    except InputFault as fault:
        return fault.problems
    return ()


def _bounded(problems: list[Problem]) -> list[Problem]:
    if len(problems) <= _MAX_PROBLEMS:
        return problems
    more = Problem(
        "study.yaml",
        f"{len(problems) - _MAX_PROBLEMS} more problems",
        "none",
        "Mend those listed first; the rest may have the same cause.",
    )
    return [*problems[:_MAX_PROBLEMS], more]


def _notes(
    files: Iterable[tuple[FileScans, dict[str, int]]],
    form: FileForm,
    elsewhere: Mapping[str, Sequence[str]],
) -> list[str]:
    """Return the readers' notes, each with the first file it is about and how many others.

    A table that names no scans is its own scan sheet: each of its rows belongs to some session,
    and those of other sessions are not worth a word. Nor are scans that other sessions name.
    """
    own_sheet = form.form == "wide_table" and form.scan_column is None
    about: dict[str, list[str]] = {}
    for read, places in files:
        for note in read.scans.notes:
            about.setdefault(note, []).append(read.file)
        if own_sheet or len(read.scans.items) == len(places):
            continue
        left = _unused(read, places.values(), elsewhere.get(read.file, ()))
        if left:
            scans = "a scan" if len(left) == 1 else f"{len(left)} scans"
            note = f"{scans} in no row of the scan sheet: {first_words(left, 3)}"
            about.setdefault(note, []).append(read.file)
    return [
        f"{names[0]}{f' and {len(names) - 1} more files' if len(names) > 1 else ''}: {note}"
        for note, names in about.items()
    ]


def _unused(read: FileScans, used: Iterable[int], elsewhere: Iterable[str]) -> list[str]:
    """Name the scans of a file that no row of any session means."""
    numbers = {alias: at for at, alias in enumerate(read.scans.aliases)}
    named = set(elsewhere)
    by_number = named - set(read.scans.items)
    places = {*used, *(numbers[item] for item in by_number if item in numbers)}
    return [
        quoted(item)
        for at, item in enumerate(read.scans.items)
        if at not in places and item not in named
    ]


def _columns(rows: Rows, hashes: Sequence[str]) -> pa.Table:
    """Return the columns of the contract that are not spectra, in sheet order."""
    import pyarrow as pa

    def column(name: str, kind: pa.DataType) -> pa.Array:
        return pa.array([row[name] for row in rows], type=kind)

    return pa.table(
        {
            "scan": column("scan", pa.string()),
            "role": column("role", pa.string()).dictionary_encode(),
            "file": column("file", pa.string()),
            "item": column("item", pa.string()),
            "file_sha256": pa.array(hashes, type=pa.string()),
            "order": pa.array(range(len(rows)), type=pa.int32()),
            "time": pa.array([_time(row["time"]) for row in rows], type=pa.timestamp("ms")),
            "integration_ms": column("integration_ms", pa.float64()),
            "averages": column("averages", pa.int32()),
        }
    )


def _time(text: str | None) -> dt.datetime | None:
    return dt.datetime.fromisoformat(text) if text else None

"""Intake: the raw files of one session, of any form, into one table of scans."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, first_words, nearest, quoted
from leafledger.intake.jcamp_dx import read_jcamp
from leafledger.intake.parquet import read_parquet
from leafledger.intake.raw_scan import (
    LARGEST_VALUE,
    MAX_VALUES,
    SAME_NM,
    FileForm,
    RawScans,
    check_form,
    counts_alone,
    in_wavelengths,
    size_problem,
)
from leafledger.intake.spreadsheet import read_spreadsheet
from leafledger.intake.text import Layout, read_counts_alone, read_text
from leafledger.intake.wide_table import read_wide_table
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import SpectraTable, write_spectra

if TYPE_CHECKING:
    import pyarrow as pa


# Put the scans of a session together: the right item of each file, one shared axis.
# ----------------------------------------------------------------------

_FRACTION_TOP = 1.5


@dataclass(frozen=True)
class FileScans:
    """One raw file: its path in the study, SHA-256 and scans."""

    file: str
    sha256: str
    scans: RawScans


def pick(read: FileScans, rows: Sequence[Mapping[str, Any]]) -> tuple[list[int], list[Problem]]:
    """Return which scan of a file each row of the sheet means.

    A row without item means the only scan of a file. Otherwise the item is looked up among the
    names in the file, then among its block numbers.

    Parameters
    ----------
    read
        The file.
    rows
        Rows of the scan sheet that name it.
    """
    counts = Counter(read.scans.items)
    aliases = {alias: i for i, alias in enumerate(read.scans.aliases)}
    indices: list[int] = []
    problems: list[Problem] = []
    scan_at: dict[int, str] = {}
    for row in rows:
        item = row["item"]
        index: int | None = None
        if not item and len(read.scans.items) == 1:
            index = 0
        elif counts[item] == 1:
            index = read.scans.items.index(item)
        elif item in aliases and not counts[item]:
            index = aliases[item]
        if index is None:
            problems.append(_missing(read, row["scan"], item, counts))
        elif index in scan_at:
            problems.append(_twice(read.file, item, scan_at[index], row["scan"]))
        else:
            scan_at[index] = row["scan"]
            indices.append(index)
    return indices, problems


def _missing(read: FileScans, scan: str, item: str, counts: Counter[str]) -> Problem:
    n_scans = len(read.scans.items)
    found = f"{counts[item]} scans named {quoted(item)}" if item else f"{n_scans} scans"
    mend = "Mend the item of this scan in the scan sheet"
    if item and not counts[item]:
        found = f"no scan named {quoted(item)}"
        mend += f". {nearest(item, [name for name in counts if name] or ['(no names)'])}"
    elif read.scans.aliases:
        mend += ": the number of the block, from 1."
    else:
        mend += ", or the names in the file."
    return Problem(read.file, found, f"one scan for {scan}", mend, column="item")


def _twice(file: str, item: str, first: str, second: str) -> Problem:
    return Problem(
        file,
        f"{quoted(item) if item else 'its only scan'} for both {first} and {second}",
        "each scan of a file at most once in the scan sheet",
        "Mend the file or item of one of them.",
        column="item",
    )


def shared_axis(files: Sequence[FileScans]) -> NDArray[np.float64]:
    """Return the axis of the session: the one that most files have (the first, if tied).

    Raises
    ------
    InputFault
        With a problem for each file that has another axis (differences of 1e-6 nm are none).
    """
    axes: list[NDArray[np.float64]] = []
    members: list[list[str]] = []
    for read in files:
        axis = read.scans.wavelength_nm
        for other_axis, names in zip(axes, members, strict=True):
            if other_axis is axis or (
                len(other_axis) == len(axis) and np.allclose(other_axis, axis, rtol=0, atol=SAME_NM)
            ):
                names.append(read.file)
                break
        else:
            axes.append(axis)
            members.append([read.file])
    most = max(range(len(axes)), key=lambda i: len(members[i]))
    problems = [
        Problem(
            file,
            _axis_words(axes[i]) + _first_difference(axes[i], axes[most]),
            f"those of the session: {_axis_words(axes[most])}",
            "Give scans with other wavelengths a session of their own, or mend the file.",
        )
        for i, names in enumerate(members)
        for file in names
        if i != most
    ]
    if problems:
        raise InputFault(problems)
    return axes[most]


def _axis_words(axis: NDArray[np.float64]) -> str:
    return f"{len(axis)} wavelengths from {axis[0]:g} to {axis[-1]:g} nm"


def _first_difference(axis: NDArray[np.float64], other: NDArray[np.float64]) -> str:
    if len(axis) != len(other):
        return ""
    i = int(np.argmax(np.abs(axis - other) > SAME_NM))
    return f" ({axis[i]:.10g} instead of {other[i]:.10g})"


def in_unit(
    values: NDArray[np.float64], quantity: str, names: Sequence[tuple[str, str]]
) -> tuple[NDArray[np.float64], list[str]]:
    """Return counts as they are and reflectance as a fraction, with warnings.

    Values stated as fractions with a median above 1.5 in any scan are an error: they are percent.
    Values stated as percent of which none in the whole session reaches 1.5 are a warning: they
    may be fractions, but a session of very dark scans cannot be told from them.

    Parameters
    ----------
    values
        Shape ``(n_scans, n_wavelengths)``, as in the files; percent is divided in place.
    quantity
        ``counts``, ``reflectance`` or ``percent``.
    names
        File and scan of each row, for messages.

    Raises
    ------
    InputFault
        If a value is beyond any instrument (1e30), or fractions are percent.
    """
    # Each scan by itself: no array as large as the session is made beside it.
    tops = np.maximum(values.max(axis=1), -values.min(axis=1))
    problems = [
        Problem(
            names[i][0], f"a value of {tops[i]:g}", f"at most {LARGEST_VALUE:g}", "Mend the scan."
        )
        for i in map(int, np.flatnonzero(tops > LARGEST_VALUE))
    ]
    if quantity == "reflectance":
        medians = np.array([np.median(scan) for scan in values])
        problems += [
            Problem(
                names[i][0],
                f"values around {medians[i]:.3g} in {names[i][1]}",
                "reflectance as a fraction, at most about 1",
                "State `quantity: percent` (or `counts`) in the form of this session.",
            )
            for i in map(int, np.flatnonzero(medians > _FRACTION_TOP))
        ]
    if problems:
        raise InputFault(problems)
    if quantity != "percent":
        return values, []
    warnings = []
    if values.max() < _FRACTION_TOP:
        warnings.append(
            f"stated as percent, but no value reaches {_FRACTION_TOP:g} % (the largest is "
            f"{values.max():.3g}): if these are fractions, state `quantity: reflectance`"
        )
    return np.divide(values, 100.0, out=values), warnings


# Intake: the raw files of one session, of any form, into one table of scans.
# ----------------------------------------------------------------------

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
    values = _in_sheet_order(rows, files)
    hashes = [files[row["file"]][0].sha256 for row in rows]
    values, warnings = in_unit(values, form.quantity, [(r["file"], r["scan"]) for r in rows])
    notes = _notes(files.values(), form, job.settings.get("elsewhere", {}))
    session_warnings = [*notes, *(f"session {job.session}: {w}" for w in warnings)]
    return SessionScans(axis, values, hashes, len(files), session_warnings)


def _in_sheet_order(
    rows: Rows, files: Mapping[str, tuple[FileScans, dict[str, int]]]
) -> NDArray[np.float64]:
    """Return the values of the scans in the order of the sheet, shape ``(n_scans, n_wavelengths)``.

    A file that holds just these scans in this order gives its own array: a copy would double what
    the largest session takes.
    """
    read, places = files[rows[0]["file"]]
    if len(files) == 1 and [places[row["scan"]] for row in rows] == [*range(len(read.scans.items))]:
        return read.scans.values
    values = np.empty((len(rows), read.scans.values.shape[1]), dtype=np.float64)
    for i, row in enumerate(rows):
        read, places = files[row["file"]]
        values[i] = read.scans.values[places[row["scan"]]]
    return values


def table_of(job: Job, read: SessionScans) -> SpectraTable:
    """Return the scans of a session as the table that :func:`run` writes; nothing is written."""
    column = "counts" if job.settings["form"]["quantity"] == "counts" else "reflectance"
    rows = _columns(job.settings["scans"], read.sha256).to_pandas(strings_to_categorical=False)
    metadata = {"quantity": column, "full_scale_counts": None}
    return SpectraTable(rows, read.wavelength_nm, {column: read.values}, metadata)


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
    job: Job, form: FileForm, rows_by_file: Mapping[str, Rows]
) -> dict[str, tuple[FileScans, dict[str, int]]]:
    """Read each file and find the wanted scans in it; all problems of all files together."""
    out: dict[str, tuple[FileScans, dict[str, int]]] = {}
    problems: list[Problem] = []
    layout: Layout | None = None
    n_values = 0
    for file, rows in rows_by_file.items():
        try:
            read, layout = _read_one(job, form, file, layout, [row["item"] for row in rows])
        except InputFault as fault:
            problems.extend(fault.problems)
            continue
        places, missing = pick(read, rows)
        problems.extend(missing)
        if not missing:
            out[file] = (
                read,
                {row["scan"]: index for row, index in zip(rows, places, strict=True)},
            )
        n_values += read.scans.values.size
        if n_values > MAX_VALUES:
            problems.append(_too_many(file))
            break
    if not rows_by_file:
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
        scans, layout_of_file = read_text(data, file, form, layout)
        layout = layout_of_file or layout
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
        unused = _unused(read, places.values(), elsewhere.get(read.file, ()))
        if unused:
            scans = "a scan" if len(unused) == 1 else f"{len(unused)} scans"
            note = f"{scans} in no row of the scan sheet: {first_words(unused, 3)}"
            about.setdefault(note, []).append(read.file)
    return [
        f"{names[0]}{f' and {len(names) - 1} more files' if len(names) > 1 else ''}: {note}"
        for note, names in about.items()
    ]


def _unused(read: FileScans, used: Iterable[int], elsewhere: Iterable[str]) -> list[str]:
    """Name the scans of a file that no row of any session means."""
    numbers = {alias: index for index, alias in enumerate(read.scans.aliases)}
    named = set(elsewhere)
    by_number = named - set(read.scans.items)
    places = {*used, *(numbers[item] for item in by_number if item in numbers)}
    return [
        quoted(item)
        for index, item in enumerate(read.scans.items)
        if index not in places and item not in named
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

"""New raw files taken through the stages of a study and given to one of its models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, bounded, first_words, input_fault, quoted
from leafledger.records.record import Job
from leafledger.study.definition import Form
from leafledger.study.scan_sheet import OPTIONAL, REQUIRED, ScanReader
from leafledger.study.settings import intake_row
from leafledger.study.sheets import PathCheck, read_sheet
from leafledger.study.table_files import SpectraTable, read_json, read_spectra

if TYPE_CHECKING:
    import pandas as pd

    from leafledger.spectra.applicability import Transfer


_SESSION = "new"
STANDARD_COLUMNS = ("standard", "home_file", "new_file")


@dataclass(frozen=True)
class NewScans:
    """Scans to give to a model.

    Attributes
    ----------
    rows
        As intake is told of them.
    files
        Name of each raw file in ``rows`` -> where it lies.
    form
        How the files are written, as in ``intake.forms`` of study.yaml.
    """

    rows: Sequence[Mapping[str, Any]]
    files: Mapping[str, Path]
    form: Form


def scans_of_files(files: Sequence[Path], form: Form) -> NewScans:
    """Return every scan of the files as a leaf scan.

    Raises
    ------
    InputFault
        With the problems of all files.
    """
    from leafledger.intake.stage import scans_in_file

    named = {str(file): file for file in files}
    rows: list[dict[str, Any]] = []
    problems: list[Problem] = []
    for name, file in named.items():
        try:
            items = scans_in_file(file, name, form.model_dump(mode="json"))
        except InputFault as fault:
            problems += fault.problems
            continue
        unnamed = form.form == "wide_table" and form.scan_column is None
        rows += [
            # Rows without names are found by a digest; people find them by their number.
            _leaf(name, item, f"row {row_number}" if unnamed else item)
            for row_number, item in enumerate(items, start=2)
        ]
    if problems:
        raise InputFault(problems)
    return NewScans(rows, named, form)


def _leaf(file: str, item: str, word: str) -> dict[str, Any]:
    unknown = dict.fromkeys(("time", "integration_ms", "averages"))
    scan = f"{file}: {word}" if item else file
    return {"scan": scan, "file": file, "item": item, "role": "sample", **unknown}


def scans_of_sheet(sheet: Path, form: Form) -> NewScans:
    """Return the scans of a sheet written as scans.csv; its files lie in or below its folder.

    The sheet of a study names a session in every row: the one session is passed over.

    Raises
    ------
    InputFault
        With every problem of the sheet; if it names several sessions, each of which has references
        of its own.
    """
    folder = sheet.resolve().parent
    rows = read_sheet(sheet, sheet.name, required=REQUIRED, known=OPTIONAL)
    sessions = [name for name in dict.fromkeys(row.get("session") for row in rows.rows) if name]
    if len(sessions) > 1:
        raise input_fault(
            file=sheet.name,
            column="session",
            found=f"scans of {len(sessions)} sessions: {first_words(sessions)}",
            expected="scans of one session, with its darks and whites",
            mend="Write a sheet for each session.",
        )
    reader = ScanReader(sheet.name, sessions or [_SESSION], None, False, PathCheck(folder))
    reader.read(rows)
    problems = bounded(reader.problems)
    if not problems and not any(scan.role == "sample" for scan in reader.scans):
        problems = [_no_leaf(sheet.name)]
    if problems:
        raise InputFault(problems)
    files = {scan.file: folder / scan.file for scan in reader.scans}
    return NewScans([intake_row(scan) for scan in reader.scans], files, form)


def identify_scans(
    model: Path, new: NewScans, standards: Path | None = None
) -> tuple[pd.DataFrame, list[str]]:
    """Return the class of every leaf scan, and what the stages had to say.

    Counts become reflectance by the settings that made the model's own spectra: its study stands
    around it. Reflectance must be given at the wavelengths of the model.

    Parameters
    ----------
    model
        ``results/classes/model.skops`` of a study.
    new
        The scans.
    standards
        Sheet of standards scanned on both instruments: columns ``standard``, ``home_file`` and
        ``new_file``, files of reflectance in or below its folder, written as the scans are.

    Returns
    -------
    table, warnings
        The table of :func:`leafledger.classes.model.identify`, with standards that of
        :func:`leafledger.classes.model.identify_transferred`.

    Raises
    ------
    InputFault
        With the problems of the model, the files, their references or their wavelengths.
    """
    from leafledger.classes.model import identify, identify_transferred, load_saved_model

    saved = load_saved_model(model)
    scans, values, axis, warnings = _reflectance_of(model, new)
    source = _source(new)
    if standards is None:
        return identify(saved, scans, values, axis, source), warnings
    transfer = _transfer(model, saved.wavelength_nm, standards, new.form)
    identified, messages = identify_transferred(
        saved, scans, values, axis, source, transfer, standards.name
    )
    return identified, [*warnings, *messages]


def estimate_scans(
    model: Path, new: NewScans, standards: Path | None = None
) -> tuple[pd.DataFrame, list[str]]:
    """Return the estimated trait of every leaf scan, and what should be heeded.

    Parameters
    ----------
    model
        A model of ``results/traits/models`` of a study.
    new, standards
        As for :func:`identify_scans`.

    Returns
    -------
    table, warnings
        The table of :func:`leafledger.traits.trait_model.estimate`.

    Raises
    ------
    InputFault
        With the problems of the model, the files, their references or their wavelengths.
    """
    from leafledger.spectra.applicability import on_axis, refuse_beyond_standards, transfer_sentence
    from leafledger.traits.trait_model import estimate, estimate_warnings, load_trait_model

    saved = load_trait_model(model)
    scans, values, axis, warnings = _reflectance_of(model, new)
    source = _source(new)
    if standards is not None:
        transfer = _transfer(model, saved.wavelength_nm, standards, new.form)
        plain = on_axis(saved.wavelength_nm, saved.name, scans, values, axis, source)
        refuse_beyond_standards(transfer, scans, plain, standards.name)
        values, axis = transfer.apply(plain), saved.wavelength_nm
        warnings.append(transfer_sentence(transfer))
    table = estimate(saved, scans, values, axis, source)
    return table, [*warnings, *estimate_warnings(saved, table)]


def _source(new: NewScans) -> str:
    return next(iter(new.files)) if len(new.files) == 1 else f"{len(new.files)} files"


def _reflectance_of(
    model: Path, new: NewScans
) -> tuple[list[str], NDArray[np.float64], NDArray[np.float64], list[str]]:
    """Return names, reflectance and axis of the leaf scans, and the warnings of the stages."""
    with TemporaryDirectory(prefix="leafledger-") as scratch:
        table, warnings = _measured(model, new, Path(scratch))
    scans = [str(scan) for scan in table.rows["scan"]]
    return scans, table.spectra["reflectance"], table.wavelength_nm, warnings


def _transfer(model: Path, model_nm: NDArray[np.float64], sheet: Path, form: Form) -> Transfer:
    """Return the correction that the standards of a sheet give."""
    from leafledger.spectra.applicability import learn_transfer, on_axis

    written = form if form.quantity != "counts" else form.model_copy(
        update={"quantity": "reflectance"}
    )  # fmt: skip
    sides: dict[str, list[NDArray[np.float64]]] = {"new_file": [], "home_file": []}
    problems: list[Problem] = []
    for row in _standard_rows(sheet):
        for side, means in sides.items():
            file = sheet.resolve().parent / row[side]
            try:
                scans = scans_of_files([file], written)
                with TemporaryDirectory(prefix="leafledger-") as scratch:
                    table, _ = _measured(model, scans, Path(scratch))
                names = [str(scan) for scan in table.rows["scan"]]
                values = table.spectra["reflectance"]
                means.append(
                    on_axis(
                        model_nm, model.name, names, values, table.wavelength_nm, row[side]
                    ).mean(axis=0)
                )
            except InputFault as fault:
                problems += fault.problems
    if problems:
        raise InputFault(problems)
    return learn_transfer(np.array(sides["new_file"]), np.array(sides["home_file"]), sheet.name)


def _standard_rows(sheet: Path) -> Sequence[Mapping[str, str]]:
    """Return the rows of the sheet of standards; every cell filled in, every file there."""
    read = read_sheet(sheet, sheet.name, required=STANDARD_COLUMNS)
    check = PathCheck(sheet.resolve().parent)
    problems: list[Problem] = []
    for row in read.rows:
        for name in STANDARD_COLUMNS:
            text = row.cells[name]
            wrong = None if text and name == "standard" else "nothing"
            if text and name != "standard":
                wrong = check.why_refused(text)
            if wrong:
                problems.append(
                    Problem(
                        file=sheet.name,
                        row=row.line,
                        column=name,
                        found=f"{wrong}: {quoted(text)}" if text else wrong,
                        expected="the name of the standard and its file on either instrument, in "
                        "or below the folder of this sheet",
                        mend="Fill it in, or take the row out.",
                    )
                )
    problems = read.with_own(problems)
    rows = [row.cells for row in read.rows]
    if problems:
        raise InputFault(problems)
    return rows


def _measured(model: Path, new: NewScans, scratch: Path) -> tuple[SpectraTable, list[str]]:
    """Return the reflectance of the leaf scans and the warnings of the stages."""
    from leafledger.intake import stage as intake
    from leafledger.reflectance import stage as reflectance

    scans = scratch / "scans.parquet"
    raw = {f"raw/{name}": path for name, path in new.files.items()}
    form = new.form.model_dump(mode="json")
    metadata = {"session": _SESSION, "form": form, "scans": list(new.rows)}
    messages = intake.run(
        Job("intake", _SESSION, metadata, raw, {"scans": scans}, scratch)
    ).warnings
    if new.form.quantity != "counts":
        return read_spectra(scans, ("reflectance",)), list(messages)
    settings, converted = _settings_of(model), scratch / "reflectance.parquet"
    inputs = {"scans": scans, **_panel(model, settings)}
    job = Job("reflectance", _SESSION, settings, inputs, {"reflectance": converted}, scratch)
    messages = [*messages, *reflectance.run(job).warnings]
    return read_spectra(converted, ("reflectance",)), messages


def _no_leaf(sheet: str) -> Problem:
    return Problem(
        file=sheet,
        column="role",
        found="no leaf scan",
        expected="at least one scan of role sample",
        mend="Leave the role of the leaf scans empty, or write sample.",
    )


def _study_of(model: Path) -> Path:
    """Return the study around ``results/classes/MODEL`` or ``results/traits/models/MODEL``."""
    folder = model.resolve().parent
    return folder.parent.parent.parent if folder.name == "models" else folder.parent.parent


def _settings_of(model: Path) -> dict[str, Any]:
    """Return the settings by which the study of a model made reflectance."""
    records = sorted((_study_of(model) / "records").glob("reflectance.*.json"))
    if not records:
        raise InputFault(
            Problem(
                file=str(model),
                found="a model that no longer stands in its study (no records/reflectance.*.json)",
                expected="a model inside the results of a study that has been run: its records "
                "say how counts become reflectance",
                mend="Name the model inside its study, or give reflectance instead of counts.",
            )
        )
    settings: dict[str, Any] = read_json(records[0])["settings"]
    return settings


def _panel(model: Path, settings: Mapping[str, Any]) -> dict[str, Path]:
    given = settings["instrument"]["panel"]["reflectance"]
    return {"panel": _study_of(model) / given} if isinstance(given, str) else {}

"""New raw files taken through the stages of a study and put into the classes of its model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, Problem, bounded
from leafledger.records.job import Job
from leafledger.study.measurement_sections import Form
from leafledger.study.names import PathCheck
from leafledger.study.scan_sheet import OPTIONAL, REQUIRED, ScanReader
from leafledger.study.settings import intake_row
from leafledger.study.sheets import read_sheet
from leafledger.study.tables import SpectraTable, read_json, read_spectra

if TYPE_CHECKING:
    import pandas as pd

_SESSION = "new"


@dataclass(frozen=True)
class NewScans:
    """Scans to put into classes.

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
        rows += [_leaf(name, item) for item in items]
    if problems:
        raise InputFault(problems)
    return NewScans(rows, named, form)


def _leaf(file: str, item: str) -> dict[str, Any]:
    unknown = dict.fromkeys(("time", "integration_ms", "averages"))
    scan = f"{file}: {item}" if item else file
    return {"scan": scan, "file": file, "item": item, "role": "sample", **unknown}


def scans_of_sheet(sheet: Path, form: Form) -> NewScans:
    """Return the scans of a sheet written as scans.csv; its files lie in or below its folder.

    Raises
    ------
    InputFault
        With every problem of the sheet.
    """
    folder = sheet.resolve().parent
    reader = ScanReader(sheet.name, [_SESSION], None, False, PathCheck(folder))
    reader.read(read_sheet(sheet, sheet.name, required=REQUIRED, known=OPTIONAL))
    problems = bounded(reader.problems)
    if not problems and not any(scan.role == "sample" for scan in reader.scans):
        problems = [_no_leaf(sheet.name)]
    if problems:
        raise InputFault(problems)
    files = {scan.file: folder / scan.file for scan in reader.scans}
    return NewScans([intake_row(scan) for scan in reader.scans], files, form)


def identify_scans(model: Path, new: NewScans) -> tuple[pd.DataFrame, list[str]]:
    """Return the class of every leaf scan, and what the stages had to say.

    Counts become reflectance by the settings that made the model's own spectra: its study stands
    around it. Reflectance must be given at the wavelengths of the model.

    Parameters
    ----------
    model
        ``results/classes/model.skops`` of a study.
    new
        The scans.

    Returns
    -------
    table, warnings
        The table of :func:`leafledger.classes.identify.identify`.

    Raises
    ------
    InputFault
        With the problems of the model, the files, their references or their wavelengths.
    """
    from leafledger.classes.identify import identify
    from leafledger.classes.saved_model import load_saved_model

    saved = load_saved_model(model)
    with TemporaryDirectory(prefix="leafledger-") as place:
        table, warnings = _measured(model, new, Path(place))
    scans = [str(scan) for scan in table.rows["scan"]]
    source = next(iter(new.files)) if len(new.files) == 1 else f"{len(new.files)} files"
    found = identify(saved, scans, table.spectra["reflectance"], table.wavelength_nm, source)
    return found, warnings


def _measured(model: Path, new: NewScans, place: Path) -> tuple[SpectraTable, list[str]]:
    """Return the reflectance of the leaf scans and the warnings of the stages."""
    from leafledger.intake import stage as intake
    from leafledger.reflectance import stage as reflectance

    scans = place / "scans.parquet"
    raw = {f"raw/{name}": path for name, path in new.files.items()}
    form = new.form.model_dump(mode="json")
    told = {"session": _SESSION, "form": form, "scans": list(new.rows)}
    said = intake.run(Job("intake", _SESSION, told, raw, {"scans": scans}, place)).warnings
    if new.form.quantity != "counts":
        return read_spectra(scans, ("reflectance",)), list(said)
    settings, made = _settings_of(model), place / "reflectance.parquet"
    inputs = {"scans": scans, **_panel(model, settings)}
    job = Job("reflectance", _SESSION, settings, inputs, {"reflectance": made}, place)
    said = [*said, *reflectance.run(job).warnings]
    return read_spectra(made, ("reflectance",)), said


def _no_leaf(sheet: str) -> Problem:
    return Problem(
        file=sheet,
        column="role",
        found="no leaf scan",
        expected="at least one scan of role sample",
        mend="Leave the role of the leaf scans empty, or write sample.",
    )


def _study_of(model: Path) -> Path:
    return model.resolve().parent.parent.parent


def _settings_of(model: Path) -> dict[str, Any]:
    """Return the settings by which the study of a model made reflectance."""
    records = sorted((_study_of(model) / "records").glob("reflectance.*.json"))
    if not records:
        raise InputFault(
            Problem(
                file=str(model),
                found="a model that no longer stands in its study (no records/reflectance.*.json)",
                expected="results/classes/model.skops of a study that has been run: its records "
                "say how counts become reflectance",
                mend="Name the model inside its study, or give reflectance instead of counts.",
            )
        )
    settings: dict[str, Any] = read_json(records[0])["settings"]
    return settings


def _panel(model: Path, settings: Mapping[str, Any]) -> dict[str, Path]:
    given = settings["instrument"]["panel"]["reflectance"]
    return {"panel": _study_of(model) / given} if isinstance(given, str) else {}

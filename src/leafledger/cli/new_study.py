"""Writing a commented study for a user to fill in."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem
from leafledger.study.scan_sheet import OPTIONAL, REQUIRED
from leafledger.study.sheets import EXAMPLE
from leafledger.study.tables import whole_file, write_text


@dataclass(frozen=True)
class Wanted:
    """What the new study is about."""

    title: str
    treatment: str = "treatment"
    control: str = "control"
    sessions: tuple[tuple[str, str], ...] = (("day0", "before"), ("day7", "after"))
    quantity: str = "counts"
    table: Path | None = None
    pattern: str | None = None
    units_known: bool = True


def refuse_a_study_that_is_there(folder: Path) -> None:
    """Refuse a folder with a study in it, before anything is asked.

    Raises
    ------
    InputFault
        If the folder already holds a study.
    """
    if (folder / "study.yaml").exists():
        raise InputFault(
            Problem(
                file="study.yaml",
                found="a study definition in this folder already",
                expected="a folder without one",
                mend="Choose another folder, or edit the study.yaml that is there.",
            )
        )


def write_study(folder: Path, wanted: Wanted) -> list[str]:
    """Write the files of a new study.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    InputFault
        If the folder already holds a study.
    """
    refuse_a_study_that_is_there(folder)
    folder = folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "raw").mkdir(exist_ok=True)
    if wanted.table is not None:
        with whole_file(folder / "raw" / wanted.table.name) as temporary:
            shutil.copyfile(wanted.table, temporary)
        write_text(folder / "study.yaml", _table_study(wanted, wanted.table.name))
        return ["study.yaml", f"raw/{wanted.table.name}"]
    write_text(folder / "study.yaml", _sheet_study(wanted))
    names = ["study.yaml"]
    if wanted.units_known:
        example = f"{EXAMPLE}p01,{_cell(wanted.control)},A\n"
        write_text(folder / "units.csv", f"unit,{_cell(wanted.treatment)},block\n{example}")
        names.append("units.csv")
    if not wanted.pattern:
        write_text(folder / "scans.csv", _scan_sheet(wanted))
        names.append("scans.csv")
    example = f"{EXAMPLE}day0-p01-1,exclude,the clip slipped,A. Grower,2026-05-05T10:00:00\n"
    write_text(folder / "decisions.csv", f"scan,action,reason,by,when\n{example}")
    return [*names, "decisions.csv", "raw/"]


def _scan_sheet(wanted: Wanted) -> str:
    """Return the headings of the scan sheet and an example row for each role that is needed."""
    session = wanted.sessions[0][0]
    counts = wanted.quantity == "counts"
    examples = [("p01_1", "sample", "p01,1,1", "09:12:30", "18,10" if counts else ",")]
    if counts:
        examples += [
            ("white_1", "white", ",,1", "09:10:00", "12,10"),
            ("dark18_1", "dark", ",,1", "09:05:00", "18,10"),
            ("dark12_1", "dark", ",,1", "09:06:00", "12,10"),
        ]
    rows = (
        f"{EXAMPLE}{session}-{name.replace('_', '-')},raw/{session}/{name}.txt,,{role},{session},"
        f"{unit},2026-05-04T{time},{exposure},\n"
        for name, role, unit, time, exposure in examples
    )
    return (
        ",".join((*REQUIRED, *(name for name in OPTIONAL if name != "instrument")))
        + "\n"
        + ("".join(rows))
    )


def _cell(text: str) -> str:
    """Return a label as the cell of a CSV row."""
    escaped = text.replace('"', '""')
    return f'"{escaped}"' if '"' in text else text


def _text(value: str) -> str:
    """Return a YAML text, quoted; JSON strings are YAML strings."""
    return json.dumps(value, ensure_ascii=False)


def _table_study(wanted: Wanted, name: str) -> str:
    label = _text(wanted.treatment)
    return f"""\
# One table of labelled spectra: a row for each leaf, a column for each wavelength.
version: 1
title: {_text(wanted.title)}
design:
  unit: none            # which plant each leaf came from is not known; name it if it is
  treatment: {label}
intake:
  sheet: {_text("raw/" + name)}
  forms:
    default: {{form: wide_table, quantity: {wanted.quantity}}}
reflectance: {{grid: native}}
classes:
  target: {label}
  n_permutations: 199   # 999 for a result that is reported
"""


_SHEET = """\
  sheet: scans.csv                 # one row per raw scan; or a file name pattern instead:
  # pattern: "raw/{session}/{unit}_{leaf}_{replicate}.txt\""""
_PATTERN = """\
  pattern:                         # each {{field}} stands for part of a file's name
    - {pattern}
    # white and dark scans have names of their own:
    # - {{pattern: "raw/{folder}white_{{replicate}}.txt", role: white}}"""


def _where(wanted: Wanted) -> str:
    """Return the lines that say where the raw scans are listed."""
    folder = "{session}/" if wanted.sessions else ""
    if wanted.pattern:
        return _PATTERN.format(pattern=_text(wanted.pattern), folder=folder)
    return _SHEET


def _sessions(wanted: Wanted) -> str:
    if not wanted.sessions:
        return ""
    lines = "\n".join(
        f"    - {{session: {name}, phase: {phase}}}    # date: 2026-05-04"
        for name, phase in wanted.sessions
    )
    return f"  sessions:                        # in the order of measuring\n{lines}\n"


def _units(wanted: Wanted) -> str:
    treatment, control = _text(wanted.treatment), _text(wanted.control)
    if not wanted.units_known:
        return (
            "  unit: none                       # which plant each leaf came from is not known\n"
            f"  treatment: {treatment}           # a field of the file name pattern\n"
            f"  control: {control}               # the level that the others are compared with\n"
        )
    return (
        "  unit: plant                      # word for one experimental unit; ids: units.csv\n"
        f"  treatment: {treatment}             # a column of units.csv\n"
        f"  control: {control}               # the level that the others are compared with\n"
        "  block: block                     # a column of units.csv; take the line out if there "
        "are none\n"
    )


def _sheet_study(wanted: Wanted) -> str:
    columns = "wavelength_column: 1, value_column: 2"
    form = f"{{form: text, quantity: {wanted.quantity}, {columns}}}"
    session = f", session: {wanted.sessions[-1][0]}" if wanted.sessions else ""
    return f"""\
# The study definition. Every key is explained in config/study.example.yaml; a word that is not
# known is an error with a suggestion. `leafledger check` says what is still missing.
version: 1
title: {_text(wanted.title)}
question: "What is asked of the data?"
design:
{_units(wanted)}{_sessions(wanted)}intake:
{_where(wanted)}
  forms:
    default: {form}
# effects:                         # the one effect that you plan; then `leafledger plan record`
#   primary: {{index: CI_rededge, question: difference_in_change{session}}}
"""

"""Writing a commented study for a user to fill in."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem
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
    if (folder / "study.yaml").exists():
        raise InputFault(
            Problem(
                file="study.yaml",
                found="a study definition in this folder already",
                expected="a folder without one",
                mend="Choose another folder, or edit the study.yaml that is there.",
            )
        )
    folder = folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "raw").mkdir(exist_ok=True)
    if wanted.table is not None:
        with whole_file(folder / "raw" / wanted.table.name) as temporary:
            shutil.copyfile(wanted.table, temporary)
        write_text(folder / "study.yaml", _table_study(wanted, wanted.table.name))
        return ["study.yaml", f"raw/{wanted.table.name}"]
    write_text(folder / "study.yaml", _sheet_study(wanted))
    write_text(folder / "units.csv", f"unit,{wanted.treatment},block\n")
    write_text(folder / "decisions.csv", "scan,action,reason,by,when\n")
    if wanted.pattern:
        return ["study.yaml", "units.csv", "decisions.csv", "raw/"]
    write_text(
        folder / "scans.csv",
        "scan,file,item,role,session,unit,leaf,replicate,time,integration_ms,averages,note\n",
    )
    return ["study.yaml", "units.csv", "scans.csv", "decisions.csv", "raw/"]


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
    # - {{pattern: "raw/{{session}}/white_{{replicate}}.txt", role: white}}"""


def _where(wanted: Wanted) -> str:
    """Return the lines that say where the raw scans are listed."""
    return _PATTERN.format(pattern=_text(wanted.pattern)) if wanted.pattern else _SHEET


def _sheet_study(wanted: Wanted) -> str:
    sessions = "\n".join(
        f"    - {{session: {name}, phase: {phase}}}    # date: 2026-05-04"
        for name, phase in wanted.sessions
    )
    columns = "wavelength_column: 1, value_column: 2"
    form = f"{{form: text, quantity: {wanted.quantity}, {columns}}}"
    last = wanted.sessions[-1][0]
    return f"""\
# The study definition. Every key is explained in config/study.example.yaml; a word that is not
# known is an error with a suggestion. `leafledger check` says what is still missing.
version: 1
title: {_text(wanted.title)}
question: "What is asked of the data?"
design:
  unit: plant                      # the word for one experimental unit; ids are in units.csv
  treatment: {_text(wanted.treatment)}             # a column of units.csv
  control: {_text(wanted.control)}               # the level that the others are compared with
  block: block                     # a column of units.csv; take the line out if there are none
  sessions:                        # in the order of measuring
{sessions}
intake:
{_where(wanted)}
  forms:
    default: {form}
# effects:                         # the one effect that you plan; then `leafledger plan record`
#   primary: {{index: CI_rededge, question: difference_in_change, session: {last}}}
"""

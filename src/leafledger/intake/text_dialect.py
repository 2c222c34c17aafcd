"""Which delimiter and decimal mark a text file uses, and which columns are wanted.

The rule: every pair of delimiter (tab, semicolon, comma, blanks) and decimal mark (point, comma)
that the settings allow is tried on the lines of the file; the pair under which most lines hold
numbers in the wanted columns wins, the first in the order above if several do equally well. So
in a file split by tabs, semicolons or blanks a comma inside a number is a decimal comma. A comma
can be both only where the fields are quoted (``"400,5","1000,2"``). A comma-delimited file whose
rows hold three or more whole numbers and no point at all (``400,5,1000,2``) can be read in two
ways: it is an error that asks for ``delimiter:`` and ``decimal:``.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from leafledger.errors import nearest, quoted
from leafledger.intake.bounds import MAX_COLUMNS
from leafledger.intake.faults import Faults
from leafledger.intake.numbers import number
from leafledger.intake.raw_scan import FileForm

MARKS: Final = {"tab": "\t", "semicolon": ";", "comma": ",", "space": " "}
_LINES_TRIED = 600


@dataclass(frozen=True)
class Dialect:
    """How a line falls into fields, and where the wanted ones are (positions from 0)."""

    delimiter: str
    decimal: str
    wavelength: int = 0
    value: int = 1
    heading_line: int | None = None

    def split(self, line: str) -> list[str]:
        """Return the fields of a line without blanks around them or empty fields at its end."""
        if self.delimiter == "comma" == self.decimal and not line.lstrip().startswith('"'):
            return [line]
        fields = fields_of(line, self.delimiter)
        while fields and not fields[-1]:
            fields.pop()
        return fields


def fields_of(line: str, delimiter: str) -> list[str]:
    """Split a line at a delimiter; quotes as in RFC 4180."""
    if delimiter == "space":
        return [field.strip('"') for field in line.split()]
    mark = MARKS[delimiter]
    if '"' not in line:
        return [field.strip() for field in line.split(mark)]
    try:
        rows = list(csv.reader([line], delimiter=mark, skipinitialspace=True))
    except csv.Error:
        return [field.strip() for field in line.split(mark)]
    return [field.strip() for field in rows[0]] if rows else []


def find_dialect(lines: Sequence[str], form: FileForm, faults: Faults) -> Dialect | None:
    """Return the dialect under which most lines are rows of the wanted numbers.

    Parameters
    ----------
    lines
        The lines of the file.
    form
        The settings: what is stated is not tried otherwise.
    faults
        Gets a problem if a wanted column is not found under any dialect.
    """
    if not _sound_columns(form, faults):
        return None
    placed = [_placed(candidate, lines, form) for candidate in _candidates(form)]
    possible = [dialect for dialect in placed if dialect is not None]
    if not possible:
        _name_columns(lines, form, faults)
        return None
    best, most = possible[0], 0
    # One line in a few is enough, unless the scan is a small part of the file.
    for every in (max(1, len(lines) // _LINES_TRIED), 1):
        sample = lines[::every]
        for dialect in possible:
            rows = sum(_is_row(dialect, line) for line in sample)
            if rows > most:
                best, most = dialect, rows
        if most:
            break
    return best


def _sound_columns(form: FileForm, faults: Faults) -> bool:
    names = (form.wavelength_column.strip(), form.value_column.strip())
    for key, name in zip(("wavelength_column", "value_column"), names, strict=True):
        if name.isdecimal() and not 1 <= int(name[:9]) <= MAX_COLUMNS:
            faults.add(f"column {name}", "a number from 1", f"Mend `{key}:`.", column=key)
    if names[0] == names[1]:
        faults.add(
            f"{quoted(names[0])} for both",
            "the wavelength and the value in columns of their own",
            "Mend `wavelength_column:` or `value_column:` of the form.",
            column="value_column",
        )
    return not faults.problems


def _candidates(form: FileForm) -> list[Dialect]:
    delimiters = list(MARKS) if form.delimiter == "auto" else [form.delimiter]
    decimals = ["point", "comma"] if form.decimal == "auto" else [form.decimal]
    return [Dialect(delimiter, decimal) for delimiter in delimiters for decimal in decimals]


def _is_row(dialect: Dialect, line: str) -> bool:
    fields = dialect.split(line)
    return (
        len(fields) > max(dialect.wavelength, dialect.value)
        and number(fields[dialect.wavelength], dialect.decimal) is not None
        and number(fields[dialect.value], dialect.decimal) is not None
    )


def _placed(candidate: Dialect, lines: Sequence[str], form: FileForm) -> Dialect | None:
    """Return the dialect with the wanted columns found, ``None`` if a name is in no line."""
    names = [form.wavelength_column.strip(), form.value_column.strip()]
    words = [name for name in names if not name.isdecimal()]
    if not words:
        w_at, v_at = (int(name) - 1 for name in names)
        return replace(candidate, wavelength=w_at, value=v_at)
    for i, line in enumerate(lines):
        if not all(word in line for word in words):
            continue
        for headings in _headings(candidate, line):
            if all(word in headings for word in words):
                w_at, v_at = (
                    int(name) - 1 if name.isdecimal() else headings.index(name) for name in names
                )
                return replace(candidate, wavelength=w_at, value=v_at, heading_line=i)
    return None


def _headings(candidate: Dialect, line: str) -> list[list[str]]:
    """Return the ways a heading line may be meant; with blanks, names may hold single ones."""
    plain = candidate.split(line)
    if candidate.delimiter != "space":
        return [plain]
    wide = [part.strip() for part in line.replace("\t", "  ").split("  ") if part.strip()]
    return [wide, plain]


def _name_columns(lines: Sequence[str], form: FileForm, faults: Faults) -> None:
    for key in ("wavelength_column", "value_column"):
        name = getattr(form, key).strip()
        if name.isdecimal():
            continue
        words = {f for line in lines[:200] for mark in MARKS for f in fields_of(line, mark)}
        faults.add(
            "no heading line that names the wanted columns",
            f"a column {quoted(name)}",
            f"State `{key}:` as it stands in the heading line, or as a number from 1. "
            + nearest(name, sorted(w for w in words if w and number(w, "point") is None)),
            column=key,
        )


def ambiguous(dialect: Dialect, rows: Sequence[str], form: FileForm) -> bool:
    """Return whether commas may be both delimiters and decimal marks in these rows."""
    if dialect.delimiter != "comma" or dialect.decimal != "point" or form.decimal != "auto":
        return False
    text = rows[:_LINES_TRIED]
    if any("." in row or ", " in row or '"' in row for row in text):
        return False
    return sum(row.count(",") >= 2 for row in text) > len(text) / 2 or (
        len({row.count(",") for row in text}) > 1
    )

"""What does a reader of raw files get, what does it return, and how much may it read?"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem

# What counts as a number in a raw file.
# ----------------------------------------------------------------------

_PATTERN: Final = {
    "point": re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"),
    "comma": re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?"),
}
_LONGEST = 64
_FOREIGN = re.compile(r"[^0-9.,eE+-]")
_DATE_LIKE = re.compile(r"[0-9]+[-/.:][0-9]+[-/.:][0-9]+|[0-9]+:[0-9]+")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|1\.#(?:nan|inf|ind)\w*)", re.IGNORECASE)


def number(field: str, decimal: str) -> float | None:
    """Return the finite number that a field holds, or ``None``.

    Digits, one decimal mark (``decimal``: ``point`` or ``comma``) and an exponent such as
    ``E+03``; no thousands marks, underscores, NaN or infinity.

    Examples
    --------
    >>> number("1.2E+03", "point"), number("1,5", "comma"), number("-.5", "point")
    (1200.0, 1.5, -0.5)
    >>> [number(f, "point") for f in ("12a4", "NaN", "1_000", "1,5", "", "1e999")]
    [None, None, None, None, None, None]
    """
    if len(field) > _LONGEST or _PATTERN[decimal].fullmatch(field) is None:
        return None
    value = float(field.replace(",", ".") if decimal == "comma" else field)
    return value if math.isfinite(value) else None


def mistyped(field: str) -> bool:
    """Return whether a field looks like a number that was damaged, not like a word or a date.

    It begins with a digit (or sign, or mark and digit) and holds at most two characters that no
    number has, or it is a name of something not finite.

    Examples
    --------
    >>> [mistyped(f) for f in ("12a4", "NaN", "4x0.5", "12:30:05", "2026-05-04", "Mean", "")]
    [True, True, True, False, False, False, False]
    """
    if _NOT_FINITE.fullmatch(field):
        return True
    if not field or not field.lstrip("+-.,")[:1].isdigit() or len(field) > _LONGEST:
        return False
    return _DATE_LIKE.search(field) is None and len(_FOREIGN.findall(field)) <= 2


# How large a raw file may be: checked before memory is spent on it.
# ----------------------------------------------------------------------

MEGABYTE: Final = 1_000_000
LARGEST_FILE: Final = {
    "text": 64 * MEGABYTE,
    "jcamp_dx": 64 * MEGABYTE,
    "wide_table": 256 * MEGABYTE,
    "parquet": 512 * MEGABYTE,
    "spreadsheet": 64 * MEGABYTE,
}
MAX_LINES = 200_000
MAX_LINE = 100_000
"""Characters in a line of a text or JCAMP-DX file."""
MAX_COLUMNS = 40_000
MAX_WAVELENGTHS = 32_768
MIN_WAVELENGTHS = 10
MAX_VALUES = 32_000_000
"""Spectral values of a file and of a session: 15,000 scans of 2,048 wavelengths."""
LARGEST_VALUE = 1e30


def size_problem(path: Path, file: str, form: str) -> Problem | None:
    """Return what is wrong with the size of a file, before it is opened."""
    size = path.stat().st_size
    bound = LARGEST_FILE[form]
    if size == 0:
        return Problem(
            file=file,
            found="an empty file",
            expected="a scan",
            mend="Copy the file again from the instrument.",
        )
    if size > bound:
        return Problem(
            file=file,
            found=f"{size / MEGABYTE:.0f} MB",
            expected=f"at most {bound // MEGABYTE} MB for the form {form}",
            mend="Check that this is a file of scans; split it if it is.",
        )
    return None


def count_problem(file: str, n_scans: int, n_wavelengths: int) -> Problem | None:
    """Return what is wrong with the number of values that a file says it holds."""
    if n_wavelengths > MAX_WAVELENGTHS:
        return Problem(
            file=file,
            found=f"{n_wavelengths:,} wavelengths",
            expected=f"at most {MAX_WAVELENGTHS:,}",
            mend="Check the form that study.yaml gives this session.",
        )
    if n_scans * n_wavelengths > MAX_VALUES:
        return Problem(
            file=file,
            found=f"{n_scans:,} scans of {n_wavelengths:,} wavelengths",
            expected=f"at most {MAX_VALUES:,} values",
            mend="Split it into several sessions.",
        )
    return None


# Gather what is wrong with a file: every fault, but no more than a person can read.
# ----------------------------------------------------------------------

MAX_PROBLEMS = 50


class Faults:
    """The problems of one file, all of them up to a bound.

    Parameters
    ----------
    file
        Path inside the study folder.
    limit
        Problems kept; those beyond are counted.
    """

    def __init__(self, file: str, limit: int = MAX_PROBLEMS) -> None:
        self.file = file
        self.limit = limit
        self.problems: list[Problem] = []
        self.beyond = 0

    def add(
        self,
        found: str,
        expected: str,
        mend: str,
        *,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        """Add one problem of this file."""
        self.take(Problem(self.file, found, expected, mend, row, column))

    def take(self, problem: Problem | None) -> None:
        """Add a problem made elsewhere, if there is one."""
        if problem is None:
            return
        if len(self.problems) < self.limit:
            self.problems.append(problem)
        else:
            self.beyond += 1

    @property
    def full(self) -> bool:
        """Whether looking further would only count."""
        return len(self.problems) >= self.limit

    def all(self) -> list[Problem]:
        """Return the problems, with a last one that says how many more there were."""
        if not self.beyond:
            return list(self.problems)
        more = Problem(
            self.file,
            f"at least {self.beyond} more problems",
            "none",
            "Mend those listed first; the rest may have the same cause.",
        )
        return [*self.problems, more]

    def stop(self) -> None:
        """Raise ``InputFault`` if there is any problem."""
        if self.problems:
            raise InputFault(self.all())


# What a reader is told and what it gives back.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class FileForm:
    """How the raw files of a session are written (``intake.forms`` of study.yaml)."""

    form: str = "text"
    quantity: str = "counts"
    wavelength_column: str = "1"
    value_column: str = "2"
    decimal: str = "auto"
    delimiter: str = "auto"
    encoding: str = "auto"
    scan_column: str | None = None
    scans_in: str = "sheets"
    sheet: str | None = None
    pixel_coefficients: Sequence[float] | None = None

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Self:
        """Make a form from the settings of the job."""
        return cls(**settings)


@dataclass(frozen=True)
class RawScans:
    """The scans of one file, as read.

    Attributes
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``, nm, strictly rising.
    values
        Shape ``(n_scans, n_wavelengths)``, finite, in the unit of the file.
    items
        Name of each scan in the file; ``("",)`` for a file of one unnamed scan.
    aliases
        Second name of each scan (block numbers), used where ``items`` does not have the name.
    notes
        What the reader decided and the user should know.
    """

    wavelength_nm: NDArray[np.float64]
    values: NDArray[np.float64]
    items: tuple[str, ...]
    aliases: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

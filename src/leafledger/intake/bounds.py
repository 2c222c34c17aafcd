"""How large a raw file may be: checked before memory is spent on it."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from leafledger.errors import Problem

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

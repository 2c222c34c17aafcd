"""What does a reader of raw files get and return, how much may it read, and on which wavelengths?

A reader gets the form of a file and returns raw scans on a stated axis, or on pixels with a
polynomial. All its faults are said at once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Self

import numpy as np
from numpy.polynomial import polynomial
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, quoted
from leafledger.study.table_sheet import LONGEST_NM, LONGEST_UM, SHORTEST_NM, SHORTEST_UM

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


# Files that number their pixels, or hold counts alone: wavelengths by a stated polynomial.
# ----------------------------------------------------------------------
# ``pixel_coefficients`` of the form are c0, c1, c2 ... of wavelength = c0 + c1 p + c2 p^2 + ...,
# with p = 0 at the first pixel of the detector, as calibration sheets of spectrometers state them
# (common practice, no source). A file that numbers its pixels from 1 is read with p = 0 at its
# pixel 1, and that is said.

NO_COLUMN = "none"
"""``wavelength_column`` of a file that holds counts alone."""
_SETTING = "intake.forms.pixel_coefficients"
_FORMS = ("text", "wide_table")
_MICROMETRES = re.compile(
    r"(?<![^\W_])"
    r"(?:um|[\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]m|microns?|micromet(?:er|re)s?)"
    r"(?![^\W_])",
    re.IGNORECASE,
)
_HEADING = re.compile(r"(?:(?:p|px|pix|pixel|x|counts)[\s._-]*)?([0-9]{1,6})", re.IGNORECASE)


def counts_alone(form: FileForm) -> bool:
    """Return whether the form says that a text file has no column of wavelengths or pixels."""
    return form.wavelength_column.strip().lower() == NO_COLUMN


def check_form(form: FileForm) -> None:
    """Refuse a form whose wavelengths cannot come from pixels.

    Raises
    ------
    InputFault
        If coefficients are stated for a form that states its wavelengths itself, or a file of
        counts alone has none.
    """
    stated = form.pixel_coefficients is not None
    if stated and form.form not in _FORMS:
        raise InputFault(
            _yaml(
                f"pixel_coefficients with `form: {form.form}`",
                f"them with form {' or '.join(_FORMS)} only; such a file states its wavelengths",
                "Take pixel_coefficients out of this form, or export the scans as text.",
            )
        )
    if not stated and form.form == "text" and counts_alone(form):
        raise InputFault(
            _yaml(
                "`wavelength_column: none` without pixel_coefficients",
                "the coefficients that turn pixels into wavelengths",
                "State pixel_coefficients: [c0, c1, ...], or the column of the wavelengths.",
            )
        )


def _yaml(found: str, expected: str, mend: str) -> Problem:
    return Problem("study.yaml", found, expected, mend, column=_SETTING)


def split_pixel_headings(headings: Sequence[str]) -> tuple[list[int], list[int], list[float]]:
    """Split the headings of a wide table into metadata and pixels, as ``split_headings`` does.

    Examples
    --------
    >>> split_pixel_headings(["plant", "0", "pixel 1", "px_2"])
    ([0], [1, 2, 3], [0.0, 1.0, 2.0])
    """
    metadata: list[int] = []
    positions: list[int] = []
    pixels: list[float] = []
    for position, heading in enumerate(headings):
        match = _HEADING.fullmatch(heading.strip()[:48])
        if match is None:
            metadata.append(position)
        else:
            positions.append(position)
            pixels.append(float(match.group(1)))
    return metadata, positions, pixels


def pixel_problems(raw: NDArray[np.float64]) -> list[tuple[int, str, str, str]]:
    """Return what is wrong with pixel numbers: position, found, expected, mend.

    They begin with 0 or 1 and go up by one, so that none is left out and p is certain.
    """
    out = []
    if len(raw) < MIN_WAVELENGTHS:
        out.append((0, f"{len(raw)} pixels", f"at least {MIN_WAVELENGTHS}", "Export all pixels."))
    if len(raw) and raw[0] not in (0.0, 1.0):
        out.append(
            (
                0,
                f"a first pixel {raw[0]:g}",
                "pixel numbers from 0 or 1, as the form states pixel_coefficients",
                "Export all pixels; if these are wavelengths, take pixel_coefficients out.",
            )
        )
    out += [
        (
            int(i) + 1,
            f"pixel {raw[i + 1]:g} after {raw[i]:g}",
            "pixel numbers that go up by one",
            "Export all pixels; if these are wavelengths, take pixel_coefficients out.",
        )
        for i in np.flatnonzero(np.diff(raw) != 1.0)
    ]
    return out


def in_wavelengths(scans: RawScans, form: FileForm) -> RawScans:
    """Return scans on pixels as scans on wavelengths; unchanged if no coefficients are stated.

    Raises
    ------
    InputFault
        If the polynomial gives impossible wavelengths, or does not rise (or fall) all along.

    Examples
    --------
    >>> form = FileForm(pixel_coefficients=(400.0, 0.5))
    >>> scans = in_wavelengths(RawScans(np.arange(3.0), np.ones((1, 3)), ("",)), form)
    >>> scans.wavelength_nm
    array([400. , 400.5, 401. ])
    """
    if form.pixel_coefficients is None:
        return scans
    raw = scans.wavelength_nm
    pixel = np.arange(len(raw), dtype=np.float64)
    axis: NDArray[np.float64] = np.asarray(
        polynomial.polyval(pixel, np.asarray(form.pixel_coefficients)), dtype=np.float64
    )
    steps = np.diff(axis)
    falls = bool(np.sum(steps < 0) > np.sum(steps > 0))
    _check_polynomial(axis, steps, falls)
    from_one = "; the file numbers its pixels from 1, p = 0 is its pixel 1" if raw[0] == 1 else ""
    note = (
        f"wavelengths from pixel_coefficients: {axis[0]:.6g} nm at the first of {len(axis)} pixels "
        f"(p = 0), {axis[-1]:.6g} nm at the last{from_one}"
    )
    values = scans.values
    if falls:
        axis, values = axis[::-1].copy(), np.ascontiguousarray(values[:, ::-1])
    return RawScans(axis, values, scans.items, scans.aliases, (*scans.notes, note))


def _check_polynomial(axis: NDArray[np.float64], steps: NDArray[np.float64], falls: bool) -> None:
    faults = Faults("study.yaml")
    mend = "Check the coefficients: c0 in nm, c1 in nm per pixel, c2 in nm per pixel squared."
    beyond = np.flatnonzero(~((axis >= SHORTEST_NM) & (axis <= LONGEST_NM)))
    if len(beyond):
        faults.add(
            f"a wavelength of {axis[beyond[0]]:.6g} nm at pixel {beyond[0]} of {len(axis)}",
            f"nm, from {SHORTEST_NM:g} to {LONGEST_NM:g}",
            mend,
            column=_SETTING,
        )
    wrong = np.flatnonzero(steps >= 0 if falls else steps <= 0)
    if len(wrong):
        faults.add(
            f"wavelengths that turn back at pixel {wrong[0] + 1} of {len(axis)} "
            f"({axis[wrong[0]]:.6g} nm, then {axis[wrong[0] + 1]:.6g} nm)",
            "wavelengths that rise (or fall) from pixel to pixel all along",
            mend,
            column=_SETTING,
        )
    faults.stop()


# Is this a wavelength axis? Range, order, doubles, length; the same for all scans of a file.
# ----------------------------------------------------------------------

SAME_NM = 1e-6
"""Wavelengths nearer than this are the same."""

Place = Callable[[int], tuple[int | None, str | None]]
"""Position on the axis -> row and column in the file."""


def check_axis(
    raw: NDArray[np.float64], faults: Faults, locate: Place, *, pixels: bool = False
) -> bool:
    """Add a problem for each wavelength that is impossible, doubled or out of order.

    Parameters
    ----------
    raw
        Wavelengths in file order, shape ``(n_wavelengths,)``, nm. Rising or falling are both
        fine.
    faults
        Where the problems go.
    locate
        Where in the file a wavelength stands.
    pixels
        They are the numbers of pixels, not wavelengths (:mod:`leafledger.intake.raw_scan`).

    Returns
    -------
    bool
        Whether the axis falls and has to be reversed.
    """
    if pixels:
        for position, found, expected, mend in pixel_problems(raw):
            row, column = locate(position)
            faults.add(found, expected, mend, row=row, column=column)
        return False
    if len(raw) < MIN_WAVELENGTHS:
        faults.add(
            f"{len(raw)} wavelengths",
            f"at least {MIN_WAVELENGTHS}",
            "Check that the file is whole, and the delimiter, decimal and columns of its form.",
        )
    in_um = len(raw) > 1 and bool(np.all((raw >= SHORTEST_UM) & (raw <= LONGEST_UM)))
    if in_um:
        row, column = locate(0)
        faults.add(
            f"wavelengths from {raw.min():g} to {raw.max():g}, which look like micrometres",
            f"nm, from {SHORTEST_NM:g} to {LONGEST_NM:g}",
            "Export the scan in nm, or check which column holds the wavelength.",
            row=row,
            column=column,
        )
    in_thousands = len(raw) > 1 and bool(
        np.all((raw >= SHORTEST_NM * 1000) & (raw <= LONGEST_NM * 1000))
    )
    if in_thousands:
        row, column = locate(0)
        faults.add(
            f"wavelengths from {raw.min():g} to {raw.max():g} nm, a thousand times too long",
            f"nm, from {SHORTEST_NM:g} to {LONGEST_NM:g}",
            "Correct the unit that the file states: its numbers look like nm.",
            row=row,
            column=column,
        )
    for i in (
        ()
        if in_um or in_thousands
        else np.flatnonzero(~((raw >= SHORTEST_NM) & (raw <= LONGEST_NM)))
    ):
        row, column = locate(int(i))
        faults.add(
            f"wavelength {raw[i]:g}",
            f"nm, from {SHORTEST_NM:g} to {LONGEST_NM:g}",
            "Check which column holds the wavelength, and its unit.",
            row=row,
            column=column,
        )
    steps = np.diff(raw)
    falls = bool(np.sum(steps < 0) > np.sum(steps > 0))
    wrong = np.flatnonzero(steps >= 0 if falls else steps <= 0)
    for i in wrong:
        row, column = locate(int(i) + 1)
        faults.add(
            f"wavelength {raw[i + 1]:g} after {raw[i]:g}",
            "a wavelength that is not there yet"
            if raw[i + 1] == raw[i]
            else f"wavelengths that {'fall' if falls else 'rise'} all along",
            "Export the scan again; its rows are not those of one spectrum in order.",
            row=row,
            column=column,
        )
    return falls


def unit_note(heading: str, raw: NDArray[np.float64]) -> str | None:
    """Return what to say of a heading in micrometres above wavelengths that only nm can be.

    The reverse, micrometres below any heading, is refused by :func:`check_axis`.

    Parameters
    ----------
    heading
        The heading of the wavelengths, or the line that holds it.
    raw
        Wavelengths of the file, each within the range of nm.

    Examples
    --------
    >>> nm = np.array([400.0, 999.0])
    >>> unit_note("Wavelength (um)", nm)
    'the heading "Wavelength (um)" says micrometres; 400 to 999 are read as nm: correct the heading'
    >>> unit_note("Wavelength (nm), medium", nm), unit_note("Slit 25 um", nm)
    (None, None)
    """
    if _MICROMETRES.search(heading) is None or any(c.isdigit() for c in heading):
        return None  # a width of 25 um is no unit of a column
    return (
        f"the heading {quoted(heading.strip())} says micrometres; {raw.min():g} to {raw.max():g} "
        "are read as nm: correct the heading"
    )


def check_one_axis(
    spectra: Sequence[tuple[str, int | None, NDArray[np.float64]]], faults: Faults
) -> None:
    """Add a problem for each scan of a file whose wavelengths are not those of the first.

    Parameters
    ----------
    spectra
        What the scan is called (``block "leaf 1"``), its first row, and its wavelengths in nm.
    """
    _, _, first = spectra[0]
    for name, row, x in spectra[1:]:
        if len(x) != len(first) or not np.allclose(x, first, rtol=0, atol=SAME_NM):
            faults.add(
                f"{name} with {len(x)} wavelengths from {x[0]:g} to {x[-1]:g}",
                f"those of the first: {len(first)} from {first[0]:g} to {first[-1]:g} nm",
                "Put scans with other wavelengths into another session.",
                row=row,
            )

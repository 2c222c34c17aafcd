"""Is this a wavelength axis? Range, order, doubles, length; the same for all scans of a file."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.intake.bounds import MIN_WAVELENGTHS
from leafledger.intake.faults import Faults
from leafledger.intake.pixels import pixel_problems
from leafledger.study.headings import LONGEST_NM, LONGEST_UM, SHORTEST_NM, SHORTEST_UM

SAME_NM = 1e-6
"""Wavelengths nearer than this are the same."""

Place = Callable[[int], tuple[int | None, str | None]]
"""Position on the axis -> row and column in the file."""


def check_axis(
    raw: NDArray[np.float64], faults: Faults, place: Place, *, pixels: bool = False
) -> bool:
    """Add a problem for each wavelength that is impossible, doubled or out of order.

    Parameters
    ----------
    raw
        Wavelengths in file order, shape ``(n_wavelengths,)``, nm. Rising or falling are both
        fine.
    faults
        Where the problems go.
    place
        Where in the file a wavelength stands.
    pixels
        They are the numbers of pixels, not wavelengths (:mod:`leafledger.intake.pixels`).

    Returns
    -------
    bool
        Whether the axis falls and has to be reversed.
    """
    if pixels:
        for at, found, expected, mend in pixel_problems(raw):
            row, column = place(at)
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
        row, column = place(0)
        faults.add(
            f"wavelengths from {raw.min():g} to {raw.max():g}, which look like micrometres",
            f"nm, from {SHORTEST_NM:g} to {LONGEST_NM:g}",
            "Export the scan in nm, or check which column holds the wavelength.",
            row=row,
            column=column,
        )
    for i in () if in_um else np.flatnonzero(~((raw >= SHORTEST_NM) & (raw <= LONGEST_NM))):
        row, column = place(int(i))
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
        row, column = place(int(i) + 1)
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

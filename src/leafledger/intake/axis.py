"""Is this a wavelength axis? Range, order, doubles, length."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from leafledger.intake.bounds import MIN_WAVELENGTHS
from leafledger.intake.faults import Faults
from leafledger.study.headings import LONGEST_NM, SHORTEST_NM

Place = Callable[[int], tuple[int | None, str | None]]
"""Position on the axis -> row and column in the file."""


def check_axis(raw: NDArray[np.float64], faults: Faults, place: Place) -> bool:
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

    Returns
    -------
    bool
        Whether the axis falls and has to be reversed.
    """
    if len(raw) < MIN_WAVELENGTHS:
        faults.add(
            f"{len(raw)} wavelengths",
            f"at least {MIN_WAVELENGTHS}",
            "Check that the file is whole, and the delimiter, decimal and columns of its form.",
        )
    for i in np.flatnonzero(~((raw >= SHORTEST_NM) & (raw <= LONGEST_NM))):
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

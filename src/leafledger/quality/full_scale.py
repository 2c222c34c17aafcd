"""Did the detector reach full scale? Which count is full scale, if nobody said?"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag

Floats = NDArray[np.float64]

PLATEAU_PIXELS = 5
"""Neighbouring pixels at exactly the same highest count that no noisy spectrum shows by chance."""
_LAMP = (
    "Lines of the lamp there are not used for the wavelengths; a shorter integration time would "
    "show them."
)


def proposed_full_scale(counts: Floats) -> float | None:
    """Propose the full scale from the data: the highest count, if a spectrum is cut flat at it.

    Parameters
    ----------
    counts
        Shape ``(n_scans, n_pixels)``.

    Returns
    -------
    float or None
        The highest count of all, if at least :data:`PLATEAU_PIXELS` neighbouring pixels of one
        scan have exactly this count.

    Examples
    --------
    >>> proposed_full_scale(np.array([[3.0, 9, 9, 9, 9, 9, 4], [1, 2, 3, 4, 3, 2, 1]]))
    9.0
    >>> proposed_full_scale(np.array([[3.0, 9, 8, 9, 7, 9, 4]])) is None
    True
    """
    if counts.size == 0 or counts.shape[1] < PLATEAU_PIXELS:
        return None
    highest = float(counts.max())
    if highest <= 0:
        return None
    at = counts == highest
    runs = np.lib.stride_tricks.sliding_window_view(at, PLATEAU_PIXELS, axis=1).all(axis=2)
    return highest if runs.any() else None


def saturated(
    scans: Sequence[str],
    wavelength_nm: Floats,
    counts: Floats,
    full_scale: float,
    tolerated_share: float,
    *,
    stated: bool,
    lamps: Collection[str] = (),
) -> list[Flag]:
    """Flag scans with more pixels at or above full scale than are tolerated (a fault).

    A lamp scan gets a notice: its strongest lines fill the detector easily, the wavelengths rest
    on the others, and a lamp whose lines do not serve is refused by the reflectance rule.

    Parameters
    ----------
    scans
        Scan ids, length ``n_scans``.
    wavelength_nm
        Shape ``(n_pixels,)``, nm.
    counts
        Shape ``(n_scans, n_pixels)``.
    full_scale
        Count at which the detector is full.
    tolerated_share
        Share of the pixels, 0 to 1.
    stated
        Whether the full scale was stated, or proposed from the data.
    lamps
        Ids of lamp scans.
    """
    at = counts >= full_scale
    share = at.mean(axis=1)
    origin = "" if stated else " (full scale proposed from the data: the spectra are cut flat)"
    flags = []
    for i in np.flatnonzero(share > tolerated_share).tolist():
        where = wavelength_nm[at[i]]
        lamp = scans[i] in lamps
        mend = _LAMP if lamp else "Shorten the integration time and measure again."
        flags.append(
            Flag(
                scans[i],
                "saturated",
                "notice" if lamp else "fault",
                float(share[i]),
                tolerated_share,
                "1",
                f"{at[i].sum()} of {at.shape[1]} pixels ({where.min():.0f} to {where.max():.0f} "
                f"nm) are at or above full scale, {full_scale:g} counts{origin}. {mend}",
                float(where[len(where) // 2]),
            )
        )
    return flags

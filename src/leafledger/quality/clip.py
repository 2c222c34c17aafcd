"""Was the whole spectrum of a leaf lifted or lowered: did the clip or the fibre move?

A clip that slips adds the same to all wavelengths. Pigments cannot do that: what a leaf reflects
where chlorophyll absorbs most (the floors at 450-480 and 670-680 nm) follows from how far its
spectrum rises between the floors, and those rises do not feel a constant. So the floor is foretold
from the rises, over the leaves of the session, and what is left over is the offset of a scan.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag
from leafledger.quality.foretold import LeftOver, left_over

Floats = NDArray[np.float64]

OFFSET_Z = 5.5
"""Robust standard deviations of the session's own offsets; clean leaves are called about never."""
LEAST_OFFSET = 0.015
"""Reflectance; less moves few indices, and clips that are closed anew differ by some 0.002."""
FEWEST_SCANS = 30
"""Leaves of a session needed to foretell the floor from the rises."""
_WINDOWS_NM = (
    (450.0, 480.0), (495.0, 510.0), (540.0, 560.0), (600.0, 620.0),
    (670.0, 680.0), (700.0, 710.0), (760.0, 800.0),
)  # fmt: skip
_FLOORS = (0, 4)
_BENT = (3, 4)
"""Rises beside the red floor, whose squares count too: pale leaves do not follow a straight line.
"""


def offset_limit(offsets: LeftOver) -> float:
    """Return the offset (reflectance) from which the clip is said to have moved."""
    return max(LEAST_OFFSET, OFFSET_Z * offsets.scale)


def baseline_offset(
    wavelength_nm: Floats, reflectance: Floats, usable: NDArray[np.bool_]
) -> LeftOver | None:
    """Return the offset of every leaf scan of a session.

    Parameters
    ----------
    wavelength_nm, usable
        Axis (nm), and where the white had signal, shape ``(n_wavelengths,)``.
    reflectance
        Leaf scans of one session, shape ``(n_scans, n_wavelengths)``.

    Returns
    -------
    LeftOver or None
        Reflectance added to all wavelengths, against what the scan's own rises foretell; ``None``
        with fewer than 30 scans, or an axis that misses one of the seven windows.

    Notes
    -----
    The mean of the two floors is regressed on the six rises from window to window, and with 48
    scans or more on two of their squares too (:func:`leafledger.quality.foretold.left_over`).

    References
    ----------
    Saturated absorption of chlorophyll near 470 and 675 nm: common practice, no source.
    """
    windows = [usable & (wavelength_nm >= a) & (wavelength_nm <= b) for a, b in _WINDOWS_NM]
    if len(reflectance) < FEWEST_SCANS or not all(w.any() for w in windows):
        return None
    means = np.column_stack([reflectance[:, w].mean(axis=1) for w in windows])
    return left_over(means[:, _FLOORS].mean(axis=1), np.diff(means, axis=1), _BENT)


def clip_moved(scans: Sequence[str], offsets: LeftOver) -> list[Flag]:
    """Flag scans whose whole spectrum is lifted or lowered (an outlier).

    What is expected comes from the other leaves of the session. A leaf may be unlike them, so that
    this suggests and never excludes by itself.

    Parameters
    ----------
    scans
        Ids, length ``n_scans``.
    offsets
        From :func:`baseline_offset`.
    """
    flags, limit = [], offset_limit(offsets)
    over = offsets.judged & (np.abs(offsets.left) > limit)
    for i in np.flatnonzero(over).tolist():
        offset = float(offsets.left[i])
        word, cause = ("above", "light without lines leaked in") if offset > 0 else (
            "below", "the leaf did not fill the clip"
        )  # fmt: skip
        flags.append(
            Flag(
                scans[i],
                "clip_moved",
                "outlier",
                abs(offset),
                limit,
                "1",
                f"The whole spectrum lies {abs(offset):.3f} reflectance {word} what its own shape "
                f"makes expect from the other leaves of the session (tolerance "
                f"{limit:.3f}): the clip or the fibre moved, or {cause}. "
                "Measure this leaf again.",
            )
        )
    return flags

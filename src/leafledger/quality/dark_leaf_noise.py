"""The noise to expect on a dark leaf, which the white's signal-to-noise flatters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.session import Session

Floats = NDArray[np.float64]

DARK_REFLECTANCE = 0.05
"""What a green leaf reflects in the blue and red."""


def predicted_noise(session: Session, signal_to_noise: Floats) -> Floats | None:
    """Return the noise of one leaf scan at a reflectance of 0.05, shape ``(n_pixels,)``.

    Parameters
    ----------
    session
        The session, in counts.
    signal_to_noise
        Of its white on the raw axis, shape ``(n_pixels,)``.

    Returns
    -------
    ndarray or None
        Standard deviation in reflectance (relative to the panel), NaN where the white has no
        signal. ``None`` without whites, or without two darks of one integration time.

    Notes
    -----
    The white's variance less that of the dark is taken as shot noise, in proportion to the
    signal; a leaf of reflectance 0.05, at the leaves' own integration time and averages, has 0.05
    of that and the whole noise of the dark. Noise of the reference is shared between leaves and
    left out. Stray light is not noise and not seen here.

    References
    ----------
    Mean-variance (photon transfer) method: Janesick 2007, Photon Transfer, SPIE Press (memory).
    """
    whites, darks = session.of_role("white"), session.of_role("dark")
    if not len(whites) or not len(darks):
        return None
    noise = session.dark_noise
    if noise is None:
        return None
    white = np.median(session.white_minus_dark, axis=0)
    leaves = np.flatnonzero(np.array(session.roles) == "sample")
    longer = _ratio(session.integration_ms, leaves, whites)
    averages = np.asarray(session.scans.rows["averages"], dtype=np.float64)
    lit = (white > 0) & (signal_to_noise > 0)
    out = np.full(len(white), np.nan)
    one = white[lit]
    of_dark = noise**2 * _ratio(averages, darks, whites)
    shot = np.maximum((one / signal_to_noise[lit]) ** 2 - of_dark, 0.0)
    variance = (of_dark + DARK_REFLECTANCE * longer * shot) / _ratio(averages, leaves, whites)
    out[lit] = np.sqrt(variance) / (one * longer)
    return out


def _ratio(values: Floats, of: NDArray[np.intp], to: NDArray[np.intp]) -> float:
    """Return the ratio of the medians of two kinds of scan; 1 if one of them is not known."""
    both = [values[at][np.isfinite(values[at])] for at in (of, to)]
    if not len(both[0]) or not len(both[1]):
        return 1.0
    return float(np.median(both[0]) / np.median(both[1]))

"""How large is the white reference signal against its noise, wavelength by wavelength?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

USABLE_SIGNAL_TO_NOISE = 50.0
"""From here up a wavelength takes part in the checks of values (not yet the trusted range)."""
_LARGEST = 1e6
"""More than any detector reaches; only a made-up white without noise comes here."""
_NOISY_PAIR = 3.0
"""A pair this many times as noisy (variance) as the median pair holds a white that failed."""
_SMOOTHED_PIXELS = 9
"""The signal varies little over so few pixels, and its own noise falls to a third."""
_HOT = 15.0
"""A pixel this many times above the fitted variance is hot and tells nothing of the others."""


def usable_pixels(signal: Floats | None, n_pixels: int) -> NDArray[np.bool_]:
    """Return where the white has signal enough for checks of values; everywhere if unknown.

    Parameters
    ----------
    signal
        Signal-to-noise of the white, shape ``(n_pixels,)``, or ``None``.
    n_pixels
        Length of the axis.
    """
    if signal is None:
        return np.ones(n_pixels, dtype=bool)
    return np.asarray(signal >= USABLE_SIGNAL_TO_NOISE, dtype=bool)


def white_signal_to_noise(whites: Floats) -> Floats:
    """Return the signal-to-noise of one white scan, averaged over whites.

    Parameters
    ----------
    whites
        White minus dark, shape ``(n_whites, n_pixels)``, counts, all at one integration time and
        in the order of measuring.

    Returns
    -------
    ndarray
        Shape ``(n_pixels,)``; 0 where there is no signal.

    Notes
    -----
    Noise is what differs from pixel to pixel between successive whites: their difference minus
    the mean of that of the two neighbouring pixels, so that a lamp that drifts or changes colour
    smoothly is not taken for noise. With one white only, its own pixel-to-pixel structure stands
    in, an upper bound. The variance is then fitted over all pixels as a + b S + c S^2 with
    a, b, c >= 0: read noise, shot noise and a part proportional to the signal S.

    References
    ----------
    Mean-variance (photon transfer) method: Janesick 2007, Photon Transfer, SPIE Press (memory).
    """
    from scipy.ndimage import uniform_filter1d

    mean = whites.mean(axis=0)
    if len(whites) > 1:
        # A smooth level first, so that a halved white does not spread its own structure.
        level = np.maximum(np.median(whites, axis=1), 1e-12)
        scaled = whites * (np.median(level) / level)[:, None]
        pairs, n_white = np.diff(scaled, axis=0), 2
    else:
        pairs, n_white = whites, 1
    rest = pairs[:, 1:-1] - (pairs[:, :-2] + pairs[:, 2:]) / 2
    # A white that failed (halved, touched) makes noisy pairs: they tell nothing of the others.
    overall = np.median(rest**2, axis=1)
    sound = overall <= _NOISY_PAIR * np.median(overall)
    variance = (rest[sound] ** 2).mean(axis=0)
    # Of one pixel and the mean of two neighbours: 1 + 1/2 variances for each white of the pair.
    variance = variance / (1.5 * n_white)
    smooth = np.maximum(
        uniform_filter1d(mean, min(_SMOOTHED_PIXELS, len(mean)), mode="nearest"), 0.0
    )
    noise = np.sqrt(_variance_model(smooth[1:-1], variance, smooth))
    return np.asarray(np.clip(smooth / np.maximum(noise, 1e-12), 0, _LARGEST), dtype=np.float64)


def _variance_model(signal: Floats, variance: Floats, at: Floats) -> Floats:
    """Fit variance = a + b S + c S^2 (none negative) by weighted least squares; evaluate ``at``."""
    from scipy.optimize import nnls

    scale = max(float(signal.max()), 1e-12)
    terms = np.column_stack([np.ones_like(signal), signal / scale, (signal / scale) ** 2])
    known = np.full(len(signal), max(float(variance.mean()), 1e-300))
    keep = np.ones(len(signal), dtype=bool)
    coefficients = np.zeros(3)
    for _ in range(6):
        weight = 1 / known[keep]
        coefficients, _residual = nnls(terms[keep] * weight[:, None], variance[keep] * weight)
        known = np.maximum(terms @ coefficients, float(variance.mean()) * 1e-6 + 1e-300)
        keep = variance <= _HOT * known
        if keep.sum() < 5:
            break
    fitted = np.column_stack([np.ones_like(at), at / scale, (at / scale) ** 2]) @ coefficients
    return np.asarray(fitted, dtype=np.float64)

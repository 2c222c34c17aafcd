"""What the darks of one session show besides a fault: drift, outlying pixels, hot pixels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.darks import LEAST_SHIFT
from leafledger.quality.flags import Flag
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]

SPIKE_Z = 8.0
"""A pixel this many standard deviations off in one dark only: a particle, not the detector."""
_MOST_LISTED = 12


def dark_drift(
    scans: Sequence[str],
    darks: Floats,
    integration_ms: Floats,
    block: NDArray[np.int32],
    white_signal: float | None,
) -> list[Flag]:
    """Give a notice where the dark level changes from the first to the last block of darks.

    Parameters
    ----------
    scans
        Ids of sound darks in the order of measuring.
    darks
        Shape ``(n_darks, n_pixels)``, counts.
    integration_ms, block
        Integration time and block of each, shape ``(n_darks,)``.
    white_signal
        Typical white minus dark, counts; the change that matters is 0.2 % of it.
    """
    flags: list[Flag] = []
    levels = np.median(darks, axis=1)
    times = np.where(np.isnan(integration_ms), -1.0, integration_ms)
    for time in np.unique(times):
        at = np.flatnonzero(times == time)
        first, last = at[block[at] == block[at[0]]], at[block[at] == block[at[-1]]]
        if block[at[0]] == block[at[-1]]:
            continue
        change = float(np.median(levels[last]) - np.median(levels[first]))
        limit = LEAST_SHIFT * (white_signal or float(np.abs(levels).mean()))
        if abs(change) > limit:
            told = f"of {time:g} ms " if time >= 0 else ""
            flags.append(
                Flag(
                    scans[int(last[0])],
                    "dark_drift",
                    "notice",
                    abs(change),
                    limit,
                    "count",
                    f"The darks {told}changed by {change:+.4g} counts from {scans[int(first[0])]} "
                    f"to here (tolerance {limit:.3g}): the detector warmed or cooled.",
                )
            )
    return flags


def dark_spikes(
    scans: Sequence[str],
    wavelength_nm: Floats,
    darks: Floats,
    integration_ms: Floats,
    hot: Sequence[int] = (),
) -> list[Flag]:
    """Give a notice for pixels that stand out in one dark and not in the others like it.

    Needs three darks of one integration time. A single pixel of one dark is taken out by the
    median of darks; the notice says that it happened, with its wavelength. Pixels that do so in
    several darks are unsteady: one notice names them.

    Parameters
    ----------
    scans
        Ids of sound darks in the order of measuring.
    wavelength_nm
        Shape ``(n_pixels,)``.
    darks, integration_ms
        Shape ``(n_darks, n_pixels)``, counts, and ``(n_darks,)``, ms.
    hot
        Places of the hot pixels, which have a notice of their own and flicker by nature.
    """
    rest = np.zeros_like(darks)
    z = np.zeros_like(darks)
    times = np.where(np.isnan(integration_ms), -1.0, integration_ms)
    for time in np.unique(times):
        at = np.flatnonzero(times == time)
        if len(at) >= 3:
            rest[at], z[at] = _off_the_others(darks[at])
    z[:, list(hot)] = 0.0
    out = z > SPIKE_Z
    unsteady = out.sum(axis=0) > 1
    flags = [_unsteady_flag(scans, wavelength_nm, z * unsteady)] if unsteady.any() else []
    for i in np.flatnonzero((out & ~unsteady).any(axis=1)):
        n = int((out[i] & ~unsteady).sum())
        worst = int(np.argmax(z[i] * ~unsteady))
        sentence = (
            f"{n} pixel{'s' * (n > 1)} stand{'s' * (n == 1)} out in this dark only, most at "
            f"{wavelength_nm[worst]:.1f} nm ({rest[i, worst]:+.4g} counts): a particle or a "
            "disturbance."
        )
        flags.append(_pixel_flag(scans[int(i)], float(z[i, worst]), sentence, wavelength_nm[worst]))
    return flags


def _off_the_others(darks: Floats) -> tuple[Floats, Floats]:
    """Return how far each pixel of each dark lies off their median: counts, deviations."""
    rest = darks - np.median(darks, axis=0)
    rest -= np.median(rest, axis=1, keepdims=True)
    # The median of few darks is one of them: zeros would make the spread too small.
    spread = np.array([float(robust_sd(row[row != 0])) if row.any() else 0.0 for row in rest])
    scale = np.maximum(np.median(spread), spread)[:, None]
    return rest, np.divide(np.abs(rest), scale, out=np.zeros_like(rest), where=spread[:, None] > 0)


def _unsteady_flag(scans: Sequence[str], wavelength_nm: Floats, z: Floats) -> Flag:
    """Return the notice on pixels that stand out in several darks, ``z`` being zero elsewhere."""
    dark, worst = np.unravel_index(int(np.argmax(z)), z.shape)
    pixels = np.flatnonzero((z > SPIKE_Z).any(axis=0))
    n, n_darks = len(pixels), int((z > SPIKE_Z).any(axis=1).sum())
    shown = ", ".join(f"{w:.1f}" for w in wavelength_nm[pixels[:_MOST_LISTED]])
    more = f" and {n - _MOST_LISTED} more" if n > _MOST_LISTED else ""
    sentence = (
        f"{n} pixel{'s' * (n > 1)} ({shown}{more} nm) {'are' if n > 1 else 'is'} unsteady: off in "
        f"{n_darks} of {len(z)} darks, most in this one. Reflectance there is noisier than its "
        "uncertainty says."
    )
    return _pixel_flag(scans[int(dark)], float(z[dark, worst]), sentence, wavelength_nm[worst])


def _pixel_flag(scan: str, z: float, sentence: str, at_nm: float) -> Flag:
    return Flag(scan, "dark_pixel", "notice", z, SPIKE_Z, "1", sentence, float(at_nm))


def hot_pixels(scan: str, hot_nm: Sequence[float]) -> list[Flag]:
    """Give one notice on the pixels that the reflectance step found hot and interpolated.

    Parameters
    ----------
    scan
        The dark that carries the notice, the first of the session.
    hot_nm
        Wavelengths of the hot pixels, nm.
    """
    if not len(hot_nm):
        return []
    shown = ", ".join(f"{w:.1f}" for w in hot_nm[:_MOST_LISTED])
    more = f" and {len(hot_nm) - _MOST_LISTED} more" if len(hot_nm) > _MOST_LISTED else ""
    told = "pixel stands" if len(hot_nm) == 1 else "pixels stand"
    return [
        Flag(
            scan,
            "hot_pixel",
            "notice",
            float(len(hot_nm)),
            0.0,
            "pixel",
            f"{len(hot_nm)} {told} out in the darks of the session ({shown}{more} nm); their "
            "reflectance is interpolated from the neighbours.",
            float(hot_nm[0]),
        )
    ]


def dark_noise(darks: Floats, integration_ms: Floats) -> float | None:
    """Return the noise of one dark from scan to scan, counts; ``None`` without a repeat.

    Successive darks of one integration time are subtracted, so that the fixed pattern and slow
    drift are no noise.
    """
    times = np.where(np.isnan(integration_ms), -1.0, integration_ms)
    pairs = []
    for time in np.unique(times):
        step = np.diff(darks[times == time], axis=0)
        pairs += [float(robust_sd(row) / np.sqrt(2)) for row in step]
    return float(np.median(pairs)) if pairs else None

"""What the detector of a session does to the light: its linearity and its noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.dark import Darks
from leafledger.reflectance.linearity import Linearity, from_settings, refuse_turning
from leafledger.reflectance.linearity_fit import LinearityFit, fit_linearity
from leafledger.reflectance.noise import Noise, rounding_of
from leafledger.reflectance.noise_estimate import (
    estimate_electrons_per_count,
    estimate_read_counts,
)
from leafledger.reflectance.references import Whites, above_dark

if TYPE_CHECKING:
    from leafledger.reflectance.session import Scans


def settle_linearity(
    scans: Scans, darks: Darks, instrument: Mapping[str, Any]
) -> tuple[Linearity, LinearityFit | None, list[str]]:
    """Return the linearity as stated or as estimated from the whites, and what to say of it.

    Raises
    ------
    InputFault
        If it cannot be estimated, or does not rise up to the brightest counts of the session.
    """
    lit = scans.where("white")
    lowest = float(darks.counts.min())
    largest = float(scans.counts[lit].max()) - lowest
    fit, said = None, []
    linearity = Linearity()
    if instrument["linearity"] == "estimate":
        raw = above_dark(
            scans.counts[lit], scans.integration_ms[lit], scans.averages[lit], darks, linearity
        )
        full = scans.full_scale_counts
        above = None if full is None else full - float(np.median(darks.counts))
        fit = fit_linearity(raw.signal, raw.integration_ms, raw.averages, above, scans.session)
        used = np.isin(scans.role, ("sample", "white"))
        linearity = fit.linearity
        said = fit.sentences(scans.session, float(scans.counts[used].max()) - lowest)
    else:
        linearity = from_settings(instrument["linearity"])
    refuse_turning(linearity, largest)
    return linearity, fit, said


def session_noise(
    scans: Scans,
    darks: Darks,
    whites: Whites,
    repeats: Sequence[NDArray[np.intp]],
    linearity: Linearity,
    instrument: Mapping[str, Any],
) -> tuple[Noise, list[str]]:
    """Return the noise of the detector, stated or estimated, and a warning if it is unknown.

    Read noise comes from repeated darks of one integration time (else from the intercept of the
    mean-variance line), gain from repeated whites of one block and integration time.
    """
    dark = scans.where("dark")
    stated_read = instrument["read_noise_counts"]
    stated_gain = instrument["gain_electrons_per_count"]
    rounding = rounding_of(scans.counts[dark]) * rounding_of(scans.counts[scans.where("white")])
    read = (
        estimate_read_counts(scans.counts[dark], darks.members, scans.averages[dark], rounding)
        if stated_read == "estimate"
        else float(stated_read)
    )
    if stated_gain != "estimate" and read is not None:
        return Noise(float(stated_gain), read, rounding), []
    brightest = float(whites.signal.max())
    if scans.full_scale_counts is not None:
        above = np.array([scans.full_scale_counts - float(np.median(darks.counts))])
        brightest = float(linearity.value(above)[0])
    sets = [
        (whites.signal[same], whites.slope[same], whites.averages[same])
        for block in repeats
        for same in _one_time(block, whites.integration_ms)
    ]
    gain, read = estimate_electrons_per_count(sets, read, rounding, brightest)
    if stated_gain != "estimate":
        gain = float(stated_gain)
    noise = Noise(gain, read, rounding)
    return noise, [] if noise.known else [_unknown(noise)]


def _one_time(
    block: NDArray[np.intp], integration_ms: NDArray[np.float64]
) -> list[NDArray[np.intp]]:
    times = integration_ms[block]
    return [block[times == time] for time in np.unique(times)]


def _unknown(noise: Noise) -> str:
    lacks = "the gain" if noise.electrons_per_count is None else "the read noise"
    need = "two whites in a row" if noise.electrons_per_count is None else "two darks"
    return (
        f"The uncertainty of reflectance is unknown: {lacks} of the detector is not stated and "
        f"cannot be estimated. It needs {need} at one integration time whose differences show the "
        "noise, or numbers in the study (instrument.gain_electrons_per_count and "
        "read_noise_counts)."
    )

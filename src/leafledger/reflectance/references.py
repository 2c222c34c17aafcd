"""What are the leaf scans of a session divided by?

Scans with their gaps filled, linearity and noise of the detector in this session, darks pooled by
integration time, whites pooled by blocks, how well they agree, and the names of the references of
each leaf scan.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault
from leafledger.reflectance import reference_choice
from leafledger.reflectance.count_corrections import (
    Linearity,
    LinearityFit,
    StrayLight,
    find_hot,
    fit_linearity,
    from_settings,
    hot_sentence,
    mend_hot,
    refuse_lit_region,
    refuse_turning,
    stray_of,
)
from leafledger.reflectance.detector import (
    Darks,
    Noise,
    by_time,
    centre,
    centre_variance_factor,
    estimate_electrons_per_count,
    estimate_read_counts,
    pool_darks,
    rounding_of,
)
from leafledger.reflectance.measurement_equation import IntegrationTimes
from leafledger.reflectance.reference_choice import Choice, assign_whites, white_blocks

Floats = NDArray[np.float64]

# The session and its references
# ----------------------------------------------------------------------

_ROLES = ("sample", "white", "dark")


@dataclass(frozen=True)
class Scans:
    """Scans of one session, in sheet order.

    Attributes
    ----------
    session
        Session id.
    scan, role, file
        Shape ``(n_scans,)``, text.
    time_s, integration_ms, averages
        Shape ``(n_scans,)``, s, ms and 1; NaN where not stated.
    counts
        Shape ``(n_scans, n_pixels)``.
    wavelength_nm
        Shape ``(n_pixels,)``, nm.
    full_scale_counts
        Counts at which the detector is full; None if not known.
    """

    session: str
    scan: NDArray[np.str_]
    role: NDArray[np.str_]
    file: NDArray[np.str_]
    time_s: Floats
    integration_ms: Floats
    averages: Floats
    counts: Floats
    wavelength_nm: Floats
    full_scale_counts: float | None = None

    def where(self, role: str) -> NDArray[np.intp]:
        """Return the positions of scans of a role."""
        return np.flatnonzero(self.role == role)

    def names(self, positions: NDArray[np.intp] | NDArray[np.bool_]) -> list[str]:
        """Return the ids of some scans."""
        return [str(scan) for scan in self.scan[positions]]


@dataclass(frozen=True)
class References:
    """What the leaf scans of a session are divided by.

    Attributes
    ----------
    darks, whites
        As measured, pooled (darks) and above dark (whites).
    members
        Positions, among the whites, of each block.
    blocks
        One count rate for each block.
    choice
        Which blocks each leaf scan gets.
    noise, linearity
        Of the detector.
    averaged
        Whether all whites were averaged (rule ``mean``).
    stray
        Correction of stray light, None if the study asks for none.
    fit
        How ``linearity`` was estimated, None if it was stated.
    times
        Integration times of the whites with their uncertainty; None if they are exact, or the
        session has one, so that it cancels.
    """

    darks: Darks
    whites: Whites
    members: tuple[NDArray[np.intp], ...]
    blocks: Blocks
    choice: Choice
    noise: Noise
    linearity: Linearity
    averaged: bool
    stray: StrayLight | None = None
    fit: LinearityFit | None = None
    times: IntegrationTimes | None = None


def without_hot_pixels(scans: Scans) -> tuple[Scans, NDArray[np.intp], list[str]]:
    """Find the hot pixels of a session in its darks and interpolate them in every scan.

    Returns
    -------
    tuple
        The scans, the places of the hot pixels, and a warning that names them.
    """
    dark = scans.where("dark")
    hot = find_hot(scans.counts[dark], by_time(scans.integration_ms[dark]))
    mended = mend_hot(scans.counts, scans.wavelength_nm, hot)
    warnings = hot_sentence(scans.wavelength_nm, hot, scans.session)
    return replace(scans, counts=mended), np.flatnonzero(hot), warnings


def fill_defaults(scans: Scans) -> tuple[Scans, list[str]]:
    """Fill what the sheet leaves out for a whole session, and say so.

    Integration times that no leaf scan, white or dark states are taken as equal; so are averages
    (1). Averages stated for some only count as 1 for the others, which overstates their noise.

    Raises
    ------
    InputFault
        If integration times are stated for some scans only, a value is not above zero, or a white
        or dark is missing altogether.
    """
    used = np.isin(scans.role, _ROLES)
    names = scans.names(used)
    blank = np.isnan(scans.integration_ms[used])
    problems = reference_choice.missing_references(
        scans.session, len(scans.where("white")), len(scans.where("dark"))
    )
    problems += reference_choice.partly_missing(names, blank, "integration_ms", scans.session)
    warnings = []
    integration = np.where(np.isnan(scans.integration_ms), 1.0, scans.integration_ms)
    averages = np.where(np.isnan(scans.averages), 1.0, scans.averages)
    problems += reference_choice.bad_times(names, integration[used], averages[used])
    if problems:
        raise InputFault(problems)
    if blank.all():
        warnings.append(
            "No scan states its integration time: all are taken as equal, so that leaf, white and "
            "dark must have been measured with the same one."
        )
    n_blank = int(np.isnan(scans.averages[used]).sum())
    if 0 < n_blank < used.sum():
        warnings.append(
            f"{n_blank} of {used.sum()} scans do not state their averages: taken as single "
            "readings in the uncertainty."
        )
    return replace(scans, integration_ms=integration, averages=averages), warnings


def build_references(
    scans: Scans, instrument: Mapping[str, Any], settings: Mapping[str, Any]
) -> tuple[References, list[str]]:
    """Check, pool and assign the references of a session.

    Parameters
    ----------
    scans
        As :func:`fill_defaults` returns them.
    instrument, settings
        Sections ``instrument`` and ``reflectance`` of the study.

    Returns
    -------
    tuple
        The references and warnings.

    Raises
    ------
    InputFault
        With every problem found: see :mod:`leafledger.reflectance.reference_choice`.
    """
    white, dark, sample = (scans.where(role) for role in ("white", "dark", "sample"))
    time_ms = scans.integration_ms
    darks = pool_darks(scans.counts[dark], time_ms[dark], scaled=settings["dark"] == "scaled")
    _refuse(scans, darks)
    linearity, fit, said_linear = session_linearity(scans, darks, instrument)
    stray = stray_of(settings.get("stray_light"), scans.wavelength_nm)
    whites = above_dark(
        scans.counts[white], time_ms[white], scans.averages[white], darks, linearity, stray
    )
    if stray is not None:
        refuse_lit_region(stray, whites.signal, scans.session)
    members, choice, averaged, warnings = assign_whites(
        settings["references"],
        scans.time_s[white],
        scans.time_s[sample],
        (scans.names(white), scans.names(sample)),
        scans.session,
    )
    repeats = members
    if averaged and not np.isnan(scans.time_s[white]).any():
        timed = sample[~np.isnan(scans.time_s[sample])]
        both = np.r_[white, timed]
        repeats = white_blocks(scans.time_s[both], np.arange(len(both)) < len(white))
    noise, more = session_noise(scans, darks, whites, repeats, linearity, instrument)
    blocks = pool_references(whites, members, scans.time_s[white], darks, noise, mean=averaged)
    times, u_ms = None, float(instrument.get("integration_u_ms", 0.0))
    # The error of a time that leaf and white share cancels.
    if u_ms and len(by_time(time_ms[np.r_[sample, white]])) > 1:
        of_whites = time_ms[white]
        times = IntegrationTimes(np.array([of_whites[m[0]] for m in by_time(of_whites)]), u_ms)
    out = References(
        darks, whites, tuple(members), blocks, choice, noise, linearity, averaged, stray, fit, times
    )
    return out, said_linear + warnings + more


def _refuse(scans: Scans, darks: Darks) -> None:
    """Raise every problem of the session's darks and whites."""
    lit = np.flatnonzero(np.isin(scans.role, ("sample", "white")))
    middle = middle_half(scans.counts.shape[1])
    dark, white = scans.where("dark"), scans.where("white")
    bright = scans.counts[white][:, middle]
    dim = np.median(scans.counts[dark][:, middle], axis=1)
    # Each leaf by itself: a copy of all of them would be as large as the session.
    leaves = np.array([np.median(scans.counts[leaf, middle]) for leaf in scans.where("sample")])
    problems = reference_choice.swapped_roles(scans.session, np.median(bright, axis=1), dim, leaves)
    if problems:
        raise InputFault(problems)
    problems = reference_choice.darks_missing(scans.names(lit), scans.integration_ms[lit], darks)
    if problems:
        raise InputFault(problems)
    problems = reference_choice.bright_darks(
        scans.names(dark),
        [str(f) for f in scans.file[dark]],
        dim,
        darks,
        float(np.median(bright)),
    )
    below = np.stack([darks.at(float(t))[middle] for t in scans.integration_ms[white]])
    problems += reference_choice.dim_whites(
        scans.names(white), [str(f) for f in scans.file[white]], bright, below
    )
    if problems:
        raise InputFault(problems)


# Linearity and noise of the detector
# ----------------------------------------------------------------------


def session_linearity(
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
    fit, warnings = None, []
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
        warnings = fit.sentences(scans.session, float(scans.counts[used].max()) - lowest)
    else:
        linearity = from_settings(instrument["linearity"])
    refuse_turning(linearity, largest)
    return linearity, fit, warnings


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
        for same in (block[list(m)] for m in by_time(whites.integration_ms[block]))
    ]
    gain, read = estimate_electrons_per_count(sets, read, rounding, brightest)
    if stated_gain != "estimate":
        gain = float(stated_gain)
    noise = Noise(gain, read, rounding)
    return noise, [] if noise.known else [_unknown(noise)]


def _unknown(noise: Noise) -> str:
    lacks = "the gain" if noise.electrons_per_count is None else "the read noise"
    need = "two whites in a row" if noise.electrons_per_count is None else "two darks"
    return (
        f"The uncertainty of reflectance is unknown: {lacks} of the detector is not stated and "
        f"cannot be estimated. It needs {need} at one integration time whose differences show the "
        "noise, or numbers in the study (instrument.gain_electrons_per_count and "
        "read_noise_counts)."
    )


# Whites as count rates
# ----------------------------------------------------------------------

_LIT_SIGMA = 3.0
_LIT_SHARE = 1e-5


@dataclass(frozen=True)
class Whites:
    """The whites of a session, above dark.

    Attributes
    ----------
    signal, slope
        Linear counts above dark and slope of the linearity polynomial, ``(n_whites, n_pixels)``.
    integration_ms, averages
        Shape ``(n_whites,)``.
    bends
        How ``signal`` changes with an estimated linearity (:meth:`Linearity.bends`), shape
        ``(n_modes, n_whites, n_pixels)``.
    stray
        Correction of stray light, if any; ``signal`` still holds it (its shot noise is there).
    """

    signal: Floats
    slope: Floats
    integration_ms: Floats
    averages: Floats
    bends: Floats
    stray: StrayLight | None = None

    @property
    def stray_rate(self) -> Floats:
        """Stray light in linear counts per ms, shape ``(n_whites, 1)``."""
        if self.stray is None:
            return np.zeros((len(self.signal), 1))
        return self.stray.level(self.signal) / self.integration_ms[:, None]

    @cached_property
    def rate(self) -> Floats:
        """Linear counts per ms without stray light, shape ``(n_whites, n_pixels)``."""
        rate = self.signal / self.integration_ms[:, None]
        return rate if self.stray is None else rate - self.stray_rate


@dataclass(frozen=True)
class Blocks:
    """Blocks of whites, each reduced to one count rate.

    Attributes
    ----------
    rate
        Linear counts per ms, shape ``(n_blocks, n_pixels)``.
    variance
        Noise variance of the rate, independent over pixels, same shape.
    dark_slope
        How the rate falls with each pooled dark, ``(n_blocks, n_dark_times, n_pixels)``.
    time_s
        Time of each block, shape ``(n_blocks,)``, s: the middle time of three or more whites
        (or mean of the two middle ones), so that a steady drift is met exactly.
    stray_rate
        Stray light that was taken off, linear counts per ms, shape ``(n_blocks,)``.
    bends
        How the rate changes with an estimated linearity, ``(n_blocks, n_modes, n_pixels)``.
    time_shares
        Share of the rate that rests on whites of each integration time of the session's whites
        (rising), ``(n_blocks, n_times, n_pixels)``.
    """

    rate: Floats
    variance: Floats
    dark_slope: Floats
    time_s: Floats
    stray_rate: Floats
    bends: Floats
    time_shares: Floats

    @property
    def lit(self) -> NDArray[np.bool_]:
        """Pixels at which every block stands above its noise, shape ``(n_pixels,)``.

        The rate must exceed 3 standard uncertainties and 1e-5 of the brightest pixel. Elsewhere
        the division means nothing.
        """
        floor = _LIT_SHARE * self.rate.max(axis=1, keepdims=True)
        above = self.rate > np.maximum(floor, _LIT_SIGMA * np.sqrt(self.variance))
        return np.asarray(above.all(axis=0), dtype=bool)


def above_dark(
    counts: Floats,
    integration_ms: Floats,
    averages: Floats,
    darks: Darks,
    linearity: Linearity,
    stray: StrayLight | None = None,
) -> Whites:
    """Take the dark of each white's own integration time off it and make it linear."""
    raw = np.stack([c - darks.at(float(t)) for c, t in zip(counts, integration_ms, strict=True)])
    return Whites(
        linearity.value(raw),
        linearity.slope(raw),
        integration_ms,
        averages,
        linearity.bends(raw),
        stray,
    )


def pool_references(
    whites: Whites,
    members: Sequence[NDArray[np.intp]],
    time_s: Floats,
    darks: Darks,
    noise: Noise,
    *,
    mean: bool = False,
) -> Blocks:
    """Reduce each block of whites to one rate: median of three or more, mean of two.

    Parameters
    ----------
    whites
        All whites of the session.
    members
        Positions of the whites of each block.
    time_s
        Times of the whites, shape ``(n_whites,)``, s.
    darks, noise
        Darks and noise of the session.
    mean
        Take the mean whatever the number (rule ``mean``).

    Notes
    -----
    A median moves as the white in the middle (or the two there) at each pixel moves: where the
    whites of a block have several integration times, its sensitivities are those of that white.
    """
    rate = whites.rate
    variance = noise.variance(whites.signal, whites.slope, whites.averages[:, None])
    if whites.stray is not None:
        variance = variance + whites.stray.variance(variance)
    variance = variance / whites.integration_ms[:, None] ** 2
    stray_rate = whites.stray_rate[:, 0]
    weights = np.stack([darks.weights(float(t)) for t in whites.integration_ms])
    per_time = whites.slope / whites.integration_ms[:, None]
    bends = _bends_per_ms(whites)
    indicator = _taken_with(whites.integration_ms)
    blocks = []
    for block in members:
        share = 1.0 / len(block) if mean else centre_variance_factor(len(block))
        counted = _counted(rate[block], mean=mean)
        blocks.append(
            (
                rate[block].mean(axis=0) if mean else centre(rate[block]),
                share * variance[block].mean(axis=0),
                weights[block].T @ (counted * per_time[block]),
                np.median(time_s[block]),
                np.median(stray_rate[block]),
                (bends[:, block] * counted).sum(axis=1),
                indicator[:, block] @ counted,
            )
        )
    return Blocks(*(np.array(part) for part in zip(*blocks, strict=True)))


def _bends_per_ms(whites: Whites) -> Floats:
    """Return how the rates change with an estimated linearity, stray light taken off alike."""
    bends = whites.bends
    if whites.stray is not None and len(bends):
        bends = np.stack([bend - whites.stray.level(bend) for bend in bends])
    return bends / whites.integration_ms[:, None]


def _taken_with(integration_ms: Floats) -> Floats:
    """Return 1 where a white was taken with an integration time, ``(n_times, n_whites)``."""
    members = by_time(integration_ms)
    indicator = np.zeros((len(members), len(integration_ms)))
    for row, of_time in enumerate(members):
        indicator[row, list(of_time)] = 1.0
    return indicator


def _counted(rates: Floats, *, mean: bool) -> Floats:
    """Return the share of each white in the rate of its block, same shape; columns sum to 1."""
    n = len(rates)
    if mean or n < 3:
        return np.full(rates.shape, 1.0 / n)
    order = np.argsort(rates, axis=0, kind="stable")
    counted = np.zeros(rates.shape)
    for middle in ((n - 1) // 2, n // 2):
        white = order[middle][None]
        np.put_along_axis(counted, white, np.take_along_axis(counted, white, axis=0) + 0.5, axis=0)
    return counted


def levels(rate: Floats, wavelength_nm: Floats) -> Floats:
    """Return the level of each white or block relative to their mean, shape ``(n,)``.

    The median of the ratio over 500-800 nm, or over the middle half of the axis if it does not
    hold 10 points of that range.

    Parameters
    ----------
    rate
        Shape ``(n, n_pixels)``.
    wavelength_nm
        Axis, nm.
    """
    used = (wavelength_nm >= 500) & (wavelength_nm <= 800)
    if used.sum() < 10:
        used = middle_half(len(wavelength_nm))
    mean = rate[:, used].mean(axis=0)
    ratio = np.divide(rate[:, used], mean, out=np.ones_like(rate[:, used]), where=mean > 0)
    return np.asarray(np.median(ratio, axis=1), dtype=np.float64)


def middle_half(n_pixels: int) -> NDArray[np.bool_]:
    """Return the pixels of the middle half of an axis, shape ``(n_pixels,)``."""
    pixels = np.arange(n_pixels)
    return np.asarray((pixels >= n_pixels // 4) & (pixels < n_pixels - n_pixels // 4), dtype=bool)


# Agreement of whites and darks
# ----------------------------------------------------------------------

DRIFT_WARNING = 0.01
"""Relative change of the white over a session that is worth a warning."""


def drift_and_outliers(scans: Scans, references: References) -> tuple[float, list[str]]:
    """Return the change of the white over the session, and sentences on references that differ.

    Returns
    -------
    tuple
        Range of the white level (median over 500-800 nm, relative to the mean of the session)
        over the blocks, or over the whites where there is one block; and warnings for a range over
        1 %, for whites more than 1 % off the middle of their block, and for darks off the
        middle of their integration time by more than 1 % of the white signal.
    """
    rate = references.whites.rate
    blocks = references.blocks.rate
    drift = float(np.ptp(levels(blocks if len(blocks) > 1 else rate, scans.wavelength_nm)))
    warnings = []
    if drift > DRIFT_WARNING:
        warnings.append(
            f"The white changed by {100 * drift:.1f} % over the session (more than "
            f"{100 * DRIFT_WARNING:g} %)."
        )
    level = levels(rate, scans.wavelength_nm)
    names = scans.scan[scans.where("white")]
    if not references.averaged:
        for block in references.members:
            middle = float(np.median(level[block]))
            warnings += [
                f"White {names[w]} is {100 * (level[w] / middle - 1):+.1f} % off the other whites "
                "taken with it."
                for w in block
                if abs(level[w] / middle - 1) > DRIFT_WARNING
            ]
    return drift, warnings + _odd_darks(scans, references.darks)


def _odd_darks(scans: Scans, darks: Darks) -> list[str]:
    middle = middle_half(scans.counts.shape[1])
    dark, white = scans.where("dark"), scans.where("white")
    level = np.median(scans.counts[dark][:, middle], axis=1)
    signal = float(np.median(scans.counts[white][:, middle])) - float(level.min())
    off = {d: level[d] - np.median(level[list(group)]) for group in darks.members for d in group}
    return [
        f"Dark {scans.scan[dark[d]]} is {float(f'{by:.3g}'):+g} counts off the other darks of its "
        "integration time."
        for d, by in off.items()
        if abs(by) > DRIFT_WARNING * signal
    ]


# Names of the references of each leaf scan
# ----------------------------------------------------------------------


def reference_columns(scans: Scans, references: References) -> dict[str, list[Any]]:
    """Return the columns of the reflectance table that are not spectra, one row per leaf scan.

    ``reference`` names the set: ``w2-w3-d1`` is white blocks 2 and 3 (in time order) with the
    darks of the first (shortest) integration time; ``w1-d1`` one block only; ``wm`` the mean of
    all whites; ``ds`` darks scaled over the integration time. ``white_before`` and
    ``white_after`` hold the middle scan of a block in time (the earlier of two), ``dark_before``
    and ``dark_after`` the nearest of the pooled darks in time; ``""`` for none.
    """
    sample, white, dark = (scans.where(role) for role in ("sample", "white", "dark"))
    middles = [str(scans.scan[white[block[(len(block) - 1) // 2]]]) for block in references.members]
    out: dict[str, list[Any]] = {
        "scan": scans.names(sample),
        "reference": [],
        "white_before": [],
        "white_after": [],
        "dark_before": [],
        "dark_after": [],
        "white_after_weight": [],
    }
    choice, darks = references.choice, references.darks
    groups = [None if darks.scaled else darks.group(float(t)) for t in scans.integration_ms[sample]]
    for row, group in enumerate(groups):
        blocks = [int(b) for b in (choice.before[row], choice.after[row]) if b >= 0]
        whites = ["wm"] if references.averaged else [f"w{b + 1}" for b in blocks]
        out["reference"].append("-".join([*whites, "ds" if group is None else f"d{group + 1}"]))
        for name, block in (("white_before", choice.before), ("white_after", choice.after)):
            named = not references.averaged and block[row] >= 0
            out[name].append(middles[block[row]] if named else "")
        weight = float(choice.after_weight[row])
        out["white_after_weight"].append(None if np.isnan(weight) else weight)
    out["dark_before"], out["dark_after"] = _darks_around(scans, references, sample, dark, groups)
    return out


def _darks_around(
    scans: Scans,
    references: References,
    sample: NDArray[np.intp],
    dark: NDArray[np.intp],
    groups: Sequence[int | None],
) -> tuple[list[str], list[str]]:
    """Return the ids of the nearest dark before and after each leaf scan, of its own group."""
    before, after = np.full(len(sample), "", dtype=object), np.full(len(sample), "", dtype=object)
    for group in dict.fromkeys(groups):
        rows = np.array([g == group for g in groups])
        pooled = dark if group is None else dark[list(references.darks.members[group])]
        ids = np.array([*scans.scan[pooled].tolist(), ""], dtype=object)
        earlier, later = _around(scans.time_s[pooled], scans.time_s[sample[rows]])
        before[rows], after[rows] = ids[earlier], ids[later]
    return before.tolist(), after.tolist()


def _around(dark_s: Floats, at_s: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the positions of the last dark not after, and the first after; -1 for none.

    Parameters
    ----------
    dark_s
        Times of the darks, shape ``(n_darks,)``, s; NaN if unknown. Of equal times the first
        counts.
    at_s
        Times of the leaf scans, shape ``(n_scans,)``, s.
    """
    with_time = np.flatnonzero(~np.isnan(dark_s))
    times, first = np.unique(dark_s[with_time], return_index=True)
    names = np.r_[with_time[first], -1]
    later = np.searchsorted(times, at_s, side="right")
    timed = ~np.isnan(at_s)
    # Position -1 is the last of names, which stands for none.
    return (
        np.where(timed, names[later - 1], -1),
        np.where(timed, names[later], -1),
    )

"""Which dark scans are not what a dark should be?

A dark is compared with the others of its integration time (level in 16 blocks of pixels, noise
from scan to scan), with what other integration times and lit scans allow, and over the session
(drift, outlying and hot pixels). Levels and noise in counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.session import Flag
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]

LEAST_SHIFT = 0.002
"""A shift of the dark that matters: this share of the white signal (of the level, if no white)."""
LEVEL_Z = 6.0
"""Standard deviations of the darks' own spread that a level must be off: chance never is."""
NOISE_RATIO = 3.0
"""A dark this many times as noisy (or as quiet) as the others was not measured like them."""
_BLOCKS = 16
_FEW, _NEIGHBOURS = 8, 8
"""Up to so many darks every pair is compared; of more, each with so many that follow it."""
_KEPT = 0.99
"""Share of pixels that tell the noise; particles and unsteady pixels are rarer."""


def bad_dark(
    scans: Sequence[str],
    darks: Floats,
    integration_ms: Floats,
    white_signal: float | None,
    lit: Floats,
    lit_ms: Floats,
) -> list[Flag]:
    """Flag darks that deviate from the other darks of the same integration time (a fault).

    Parameters
    ----------
    scans
        Ids of the darks in the order of measuring.
    darks
        Shape ``(n_darks, n_pixels)``, counts.
    integration_ms
        Shape ``(n_darks,)``, ms; NaN if unknown.
    white_signal
        Typical white minus dark, counts; ``None`` if there is no white.
    lit, lit_ms
        Scans taken with light and their integration times: nowhere can they lie below their dark.

    Notes
    -----
    The level is compared in 16 blocks of pixels, so that light that entered the dark at some
    wavelengths only is found too. With three or more darks the reference is their median;
    with two that differ, the one further from what the session's other darks (level
    linear in integration time) say is named, or the one that lies above the darkest pixels of the
    lit scans; both, if neither tells. Darks that agree with each other and are off together are
    found by :func:`shared_shifts`.
    """
    flags: list[Flag] = []
    blocks = _block_means(darks)
    lit = _block_means(lit)
    noise = _pixel_noise(darks)
    times = np.where(np.isnan(integration_ms), -1.0, integration_ms)
    for time in np.unique(times):
        same_time = np.flatnonzero(times == time)
        ceiling = _ceiling(time, lit, lit_ms)
        tolerance = LEAST_SHIFT * (white_signal or float(np.abs(blocks[same_time]).mean()))
        pixel_noise = float(np.median(noise[same_time])) * np.sqrt(_BLOCKS / darks.shape[1])
        tolerance = max(tolerance, LEVEL_Z * pixel_noise)
        expected = _expected_level(time, same_time, times, blocks.mean(axis=1))
        suspects = _level_suspects(same_time, blocks, tolerance, expected, ceiling)
        flags += [_level_flag(scans[i], shift, tolerance) for i, shift in suspects]
        if len(same_time) == 2 and not suspects:
            usual = _noise_of_others(time, times, darks)
            flags += _noisier_of_two([scans[int(i)] for i in same_time], darks[same_time], usual)
        else:
            flags += _noise_flags(scans, same_time, darks[same_time])
    named = {flag.scan for flag in flags if flag.check == "bad_dark"}
    return flags + _shared(scans, times, blocks, named, white_signal, (lit, lit_ms))


def _block_means(spectra: Floats) -> Floats:
    parts = np.array_split(spectra, min(_BLOCKS, spectra.shape[1]), axis=1)
    return np.column_stack([part.mean(axis=1) for part in parts])


def _pixel_noise(darks: Floats) -> Floats:
    """Return the pixel-to-pixel noise of each dark, counts (fixed pattern included)."""
    step = np.diff(darks, axis=1)
    # The difference of two pixels has the variance of both.
    return np.asarray(robust_sd(step, axis=1) / np.sqrt(2), dtype=np.float64)


def _ceiling(time: float, lit: Floats, lit_ms: Floats) -> Floats | None:
    """Return the level of the typical scan with light, block by block: no dark can lie above it.

    ``lit`` holds the means of the blocks.

    Scans of this integration time or a longer one count. The median over scans, so that a single
    one whose baseline fell does not accuse the darks; block by block, so that the fixed pattern of
    the detector does not.
    """
    counted = lit_ms >= time if time >= 0 else np.ones(len(lit), dtype=bool)
    if not counted.any():
        return None
    return np.asarray(np.median(lit[counted], axis=0), dtype=np.float64)


def _expected_level(
    time: float, same_time: NDArray[np.intp], times: Floats, levels: Floats
) -> float | None:
    """Return the level that the darks of other integration times expect at this one."""
    others = np.setdiff1d(np.arange(len(times)), same_time)
    other_times = np.unique(times[others])
    other_times = other_times[other_times >= 0]
    if time < 0 or len(other_times) == 0:
        return None
    medians = [float(np.median(levels[others][times[others] == t])) for t in other_times]
    if len(other_times) == 1:
        return medians[0]
    slope, intercept = np.polyfit(other_times, medians, 1)
    return float(slope * time + intercept)


def _level_suspects(
    same_time: NDArray[np.intp],
    blocks: Floats,
    tolerance: float,
    expected: float | None,
    ceiling: Floats | None,
) -> list[tuple[int, float]]:
    """Return (dark, shift in counts) of the darks of one integration time that are off."""
    if len(same_time) >= 3:
        suspects = []
        # The median of all: that of the other two of three would lie half way to a bad one.
        middle = np.median(blocks[same_time], axis=0)
        spread = robust_sd(blocks[same_time], axis=0)
        for i in same_time:
            shift = blocks[i] - middle
            worst = int(np.argmax(np.abs(shift)))
            if abs(shift[worst]) > max(tolerance, LEVEL_Z * float(np.median(spread))):
                suspects.append((int(i), float(shift[worst])))
        return suspects
    if len(same_time) == 2:
        return _of_two(same_time, blocks, tolerance, expected, ceiling)
    above = float((blocks[same_time[0]] - ceiling).max()) if ceiling is not None else 0.0
    return [(int(same_time[0]), above)] if above > tolerance else []


def _of_two(
    pair: NDArray[np.intp],
    blocks: Floats,
    tolerance: float,
    expected: float | None,
    ceiling: Floats | None,
) -> list[tuple[int, float]]:
    """Return which of two darks is off: both, if nothing tells."""
    shift = blocks[pair[0]] - blocks[pair[1]]
    worst = int(np.argmax(np.abs(shift)))
    if abs(shift[worst]) <= tolerance:
        return []
    both = [(int(pair[0]), float(shift[worst])), (int(pair[1]), float(-shift[worst]))]
    levels = blocks[pair].mean(axis=1)
    if ceiling is not None:
        above = [both[k] for k in range(2) if (blocks[pair[k]] - ceiling).max() > tolerance]
        if len(above) == 1:
            return above
    if expected is None:
        return both
    return [both[int(np.argmax(np.abs(levels - expected)))]]


def _level_flag(scan: str, shift: float, tolerance: float) -> Flag:
    return Flag(
        scan,
        "bad_dark",
        "fault",
        abs(shift),
        tolerance,
        "count",
        f"This dark lies {abs(shift):.4g} counts {'above' if shift > 0 else 'below'} what the "
        f"other scans of its integration time say (tolerance {tolerance:.3g}): light reached the "
        "detector, or the shutter or settings were wrong.",
    )


def _noise_of_others(time: float, times: Floats, darks: Floats) -> float | None:
    """Return the noise of the darks of the other integration times, counts; ``None`` if unknown."""
    noises = []
    for other in np.unique(times[times != time]):
        pair = _pair_variances(darks[times == other])
        above = pair[np.triu_indices(len(pair), 1)]
        if np.isfinite(above).any() and np.nanmedian(above) > 0:
            noises.append(float(np.sqrt(np.nanmedian(above) / 2)))
    return float(np.median(noises)) if noises else None


def _pair_variances(darks: Floats) -> Floats:
    """Return the variance of the difference of any two darks, ``(n, n)``, counts squared.

    Pixel for pixel two darks differ by the noise of both: the fixed pattern of the detector, often
    far larger, goes out. Neighbouring pixels are subtracted as well, so that a slow drift over the
    array is no noise, and the largest 1 % (particles) do not count. Of many darks each is compared
    with those measured next to it (NaN for the others).
    """
    n = len(darks)
    pair = np.full((n, n), np.nan)
    np.fill_diagonal(pair, 0.0)
    for i in range(n):
        for j in (k % n for k in range(i + 1, i + 1 + min(n - 1, _NEIGHBOURS))):
            squares = np.sort(np.diff(darks[i] - darks[j]) ** 2)
            pair[i, j] = pair[j, i] = squares[: int(np.ceil(_KEPT * len(squares)))].mean() / 2
    return pair


def _noisier_of_two(scans: Sequence[str], darks: Floats, usual: float | None) -> list[Flag]:
    """Name the noisier of the only two darks of an integration time, if it can be known.

    Parameters
    ----------
    scans, darks
        The two darks: ids, and counts, shape ``(2, n_pixels)``.
    usual
        Noise of the darks of other integration times, counts; ``None`` if there are none.

    Notes
    -----
    1. D and S: difference and sum of the two darks, each less that of the neighbouring pixel. The
       fixed pattern goes out of D and stays in S.
    2. V = var(D) is the sum of both variances, c = cov(D, S) is what the first has more than the
       second: their variances are (V + c) / 2 and (V - c) / 2. Under equal noise D and S are
       uncorrelated (Pitman-Morgan test of two paired variances).
    3. A pattern that grew by a share between the darks makes a covariance as well. What tells the
       two apart is the usual noise: with it a dark of more than three times the usual noise is
       named (a fault); without it, or where the pattern is so strong that c says nothing, both
       darks get a notice that says what is missing.

    References
    ----------
    Pitman 1939, Biometrika 31:9-12; Morgan 1939, Biometrika 31:13-19 (from memory).
    """
    difference, total = np.diff(darks[0] - darks[1]), np.diff(darks[0] + darks[1])
    # Particles and hot pixels would be all that counts.
    kept = np.abs(difference) <= np.quantile(np.abs(difference), _KEPT)
    kept &= np.abs(total) <= np.quantile(np.abs(total), _KEPT)
    difference, total = difference[kept], total[kept]
    both, all_of_it = float(difference.var()), float(total.var())
    if both <= 0 or all_of_it <= 0:
        return []
    more = float(np.mean((difference - difference.mean()) * (total - total.mean())))
    z = abs(more) / np.sqrt(both * all_of_it / len(difference))
    share = abs(more) / both
    # A ratio r of the noises makes a share (r^2 - 1) / (r^2 + 1).
    least = (NOISE_RATIO**2 - 1) / (NOISE_RATIO**2 + 1)
    if z > LEVEL_Z and share >= 2 - least:
        return []
    one_is_noisier = z > LEVEL_Z and share > least
    noisier = scans[0] if more > 0 else scans[1]
    ratio = None
    if usual is not None:
        ratio = float(np.sqrt(max(both / 2 - usual**2, 0.0))) / usual
        if ratio <= NOISE_RATIO:
            return []
        if one_is_noisier:
            return [_noisy(noisier, ratio, "the darks of other integration times")]
    elif not one_is_noisier:
        return []
    text = (
        f"Of the only two darks of this integration time {noisier} seems to be the noisier by far, "
        "or the pattern of the detector grew between them"
        if ratio is None
        else "The only two darks of this integration time differ from pixel to pixel as if one of "
        f"them had {ratio:.2g} times the noise of other integration times"
    )
    value, limit = (float(z), LEVEL_Z) if ratio is None else (ratio, NOISE_RATIO)
    sentence = f"{text}: two darks do not tell which. Take three or more."
    return [Flag(scan, "dark_noise", "notice", value, limit, "1", sentence) for scan in scans]


def _noisy(scan: str, ratio: float, others: str) -> Flag:
    return Flag(
        scan,
        "dark_noise",
        "fault",
        ratio,
        NOISE_RATIO,
        "1",
        f"The noise of this dark is {ratio:.2g} times that of {others}.",
    )


def _noise_flags(scans: Sequence[str], same_time: NDArray[np.intp], darks: Floats) -> list[Flag]:
    """Flag darks of one integration time that are far noisier, or quieter, than the others.

    Parameters
    ----------
    scans, same_time
        All darks, and the places of these among them.
    darks
        These darks, shape ``(n, n_pixels)``, counts.
    """
    return [
        _noisy(scans[int(same_time[k])], ratio, "the other darks of its integration time")
        for k, ratio in (_unlike_in_noise if len(same_time) <= _FEW else _unlike_many)(
            _pair_variances(darks)
        )
    ]


def _unlike_in_noise(pair: Floats) -> list[tuple[int, float]]:
    """Return (dark, ratio of its noise to that of the others) of those beyond the limit.

    1. The others of dark k: s^2 = median of v_ij / 2 over pairs without k.
    2. Dark k itself: s_k^2 = median over j of v_kj - s^2.
    3. The noisiest beyond the limit is named and left out, and so on: its pairs would make the
       others look quiet. Of those that are left, quiet ones are named.
    """
    remaining = list(range(len(pair)))
    unlike: list[tuple[int, float]] = []
    while len(remaining) > 2:
        ratios = {k: _noise_ratio(pair, k, [j for j in remaining if j != k]) for k in remaining}
        worst = max(remaining, key=lambda k: ratios[k])
        if ratios[worst] <= NOISE_RATIO:
            # A copy of another dark has no noise against it; it is told as a copy.
            quiet = [k for k in remaining if ratios[k] < 1 / NOISE_RATIO]
            return sorted(
                unlike + [(k, ratios[k]) for k in quiet if np.delete(pair[k], k).min() > 0]
            )
        unlike.append((worst, ratios[worst]))
        remaining.remove(worst)
    return sorted(unlike)


def _noise_ratio(pair: Floats, k: int, others: Sequence[int]) -> float:
    """Return the noise of dark k over that of the others; 1 where those have none."""
    rest = pair[np.ix_(others, others)]
    usual = float(np.median(rest[np.triu_indices(len(others), 1)])) / 2
    noise2 = max(float(np.median(pair[k, list(others)])) - usual, 0.0)
    return float(np.sqrt(noise2 / usual)) if usual > 0 else 1.0


def _unlike_many(pair: Floats) -> list[tuple[int, float]]:
    """Return the same of many darks: a few noisy ones do not move the median of all pairs."""
    np.fill_diagonal(pair, np.nan)
    usual = float(np.nanmedian(pair)) / 2
    if usual <= 0:
        return []
    noise2 = np.maximum(np.nanmedian(pair, axis=1) - usual, 0.0)
    ratios = np.sqrt(noise2 / usual)
    odd = (ratios > NOISE_RATIO) | ((ratios < 1 / NOISE_RATIO) & (np.nanmin(pair, axis=1) > 0))
    return [(int(k), float(ratios[k])) for k in np.flatnonzero(odd)]


def _shared(
    scans: Sequence[str],
    times: Floats,
    blocks: Floats,
    named: set[str],
    white_signal: float | None,
    lit: tuple[Floats, Floats],
) -> list[Flag]:
    """Flag the darks of an integration time that are off together, without those named alone."""
    rest = np.array([scan not in named for scan in scans])
    levels = {
        float(t): float(np.median(blocks[rest & (times == t)].mean(axis=1)))
        for t in np.unique(times[rest])
    }
    if not levels or not white_signal:
        return []
    spread = max(float(robust_sd(blocks[rest & (times == t)].mean(axis=1))) for t in levels)
    tolerance = max(LEAST_SHIFT * white_signal, LEVEL_Z * spread)
    out = []
    excess = {}
    for t in levels:
        ceiling = _ceiling(t, *lit)
        if ceiling is not None:
            excess[t] = float((np.median(blocks[rest & (times == t)], axis=0) - ceiling).max())
    for shared in shared_shifts(levels, excess, tolerance):
        for i in np.flatnonzero(rest & (times == shared.integration_ms)):
            sentence = f"It is off by about {abs(shared.shift):.4g} counts (tolerance "
            sentence += f"{tolerance:.3g}) together with others: {shared.sentence}."
            out.append(
                Flag(
                    scans[int(i)], "bad_dark", "fault", abs(shared.shift), tolerance, "count",
                    sentence,
                )
            )  # fmt: skip
    return out


# Darks of one integration time that share a shift
# ----------------------------------------------------------------------

FEWEST_FOR_A_LINE = 4
"""Integration times from which one that is off a straight line can be told from the rest."""


@dataclass(frozen=True)
class SharedShift:
    """Darks of one integration time that are off together, ms and counts; and how it is known."""

    integration_ms: float
    shift: float
    sentence: str


def shared_shifts(
    levels: Mapping[float, float], excess: Mapping[float, float], tolerance: float
) -> list[SharedShift]:
    """Find integration times whose darks share one shift.

    Parameters
    ----------
    levels
        Integration time (ms) -> median level of its darks (counts).
    excess
        Integration time -> the most that its darks lie above scans taken with light, of that
        integration time or a longer one, at any pixels (counts); no dark can.
    tolerance
        Counts that matter.

    Notes
    -----
    The dark is an offset plus a rate times the integration time, the rate not negative (common
    practice, no source). So: no dark above lit scans; no level that falls
    as integration grows (both integration times are named, nothing tells which); and with four
    or more integration times, none off the median line of the others. Two or three integration
    times that rise can hide a shift: other sessions must tell.

    References
    ----------
    Line through the median of pairwise slopes: Theil 1950, Proc. K. Ned. Akad. Wet. 53:386-392.
    """
    shifts = {
        ms: SharedShift(
            ms,
            excess[ms],
            "at some pixels all darks of this integration time lie above the scans with light",
        )
        for ms in sorted(levels)
        if excess.get(ms, 0.0) > tolerance
    }
    times = [ms for ms in sorted(levels) if ms >= 0 and ms not in shifts]
    if len(times) >= FEWEST_FOR_A_LINE:
        shifts |= _off_the_line(times, levels, tolerance)
    else:
        shifts |= _falling(times, levels, tolerance)
    return [shifts[ms] for ms in sorted(shifts)]


def _off_the_line(
    times: Sequence[float], levels: Mapping[float, float], tolerance: float
) -> dict[float, SharedShift]:
    x, y = np.array(times), np.array([levels[ms] for ms in times])
    first, second = np.triu_indices(len(x), 1)
    slope = float(np.median((y[second] - y[first]) / (x[second] - x[first])))
    rest = y - slope * x
    rest -= np.median(rest)
    worst = int(np.argmax(np.abs(rest)))
    if abs(rest[worst]) <= tolerance:
        return {}
    others = np.delete(np.arange(len(x)), worst)
    fitted = np.polyval(np.polyfit(x[others], y[others], 1), x)
    if float(np.abs(y[others] - fitted[others]).max()) > tolerance:
        return {}
    shift = float(y[worst] - fitted[worst])
    if abs(shift) <= tolerance:
        return {}
    ms = times[worst]
    text = (
        "all darks of this integration time are off the line that the darks of the other "
        f"{len(others)} integration times follow"
    )
    return {ms: SharedShift(ms, shift, text)}


def _falling(
    times: Sequence[float], levels: Mapping[float, float], tolerance: float
) -> dict[float, SharedShift]:
    shifts: dict[float, SharedShift] = {}
    for shorter, longer in pairwise(times):
        fall = levels[shorter] - levels[longer]
        if fall > tolerance:
            for ms, other, sign in ((shorter, longer, 1.0), (longer, shorter, -1.0)):
                text = (
                    f"the darks of {shorter:g} ms lie above those of {longer:g} ms, which no dark "
                    f"current does: those of {ms:g} ms or those of {other:g} ms share a shift"
                )
                shifts.setdefault(ms, SharedShift(ms, sign * fall, text))
    return shifts


# Drift of the level, outlying and hot pixels, noise
# ----------------------------------------------------------------------

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
        same_time = np.flatnonzero(times == time)
        first, last = (
            same_time[block[same_time] == block[same_time[0]]],
            same_time[block[same_time] == block[same_time[-1]]],
        )
        if block[same_time[0]] == block[same_time[-1]]:
            continue
        change = float(np.median(levels[last]) - np.median(levels[first]))
        limit = LEAST_SHIFT * (white_signal or float(np.abs(levels).mean()))
        if abs(change) > limit:
            of_time = f"of {time:g} ms " if time >= 0 else ""
            flags.append(
                Flag(
                    scans[int(last[0])],
                    "dark_drift",
                    "notice",
                    abs(change),
                    limit,
                    "count",
                    f"The darks {of_time}changed by {change:+.4g} counts from "
                    f"{scans[int(first[0])]} to here (tolerance {limit:.3g}): the "
                    "detector warmed or cooled.",
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
        same_time = np.flatnonzero(times == time)
        if len(same_time) >= 3:
            rest[same_time], z[same_time] = _off_the_others(darks[same_time])
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
    listed = ", ".join(f"{w:.1f}" for w in wavelength_nm[pixels[:_MOST_LISTED]])
    more = f" and {n - _MOST_LISTED} more" if n > _MOST_LISTED else ""
    sentence = (
        f"{n} pixel{'s' * (n > 1)} ({listed}{more} nm) {'are' if n > 1 else 'is'} unsteady: off in "
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
    listed = ", ".join(f"{w:.1f}" for w in hot_nm[:_MOST_LISTED])
    more = f" and {len(hot_nm) - _MOST_LISTED} more" if len(hot_nm) > _MOST_LISTED else ""
    stand = "pixel stands" if len(hot_nm) == 1 else "pixels stand"
    return [
        Flag(
            scan,
            "hot_pixel",
            "notice",
            float(len(hot_nm)),
            0.0,
            "pixel",
            f"{len(hot_nm)} {stand} out in the darks of the session ({listed}{more} nm); their "
            "reflectance is interpolated from the neighbours.",
            float(hot_nm[0]),
        )
    ]

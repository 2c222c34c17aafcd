"""Did the clip or the fibre move: for one scan, or from one scan on?

A clip that slips adds the same to all wavelengths. Pigments cannot do that: what a leaf reflects
where chlorophyll absorbs most (the floors at 450-480 and 670-680 nm) follows from how far its
spectrum rises between the floors, and a constant does not change those rises. The floor is
predicted from the rises by a robust regression over the leaves of the session. The residual is the
offset of a scan. Steps of the offset, or of the near infrared, show what moved and stayed moved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Findings, Flag
from leafledger.quality.reference_checks import on_faulty_whites
from leafledger.quality.robust_regression import Residuals, residuals
from leafledger.quality.session import Session, usable_pixels
from leafledger.records.record import Metric
from leafledger.resampling.intervals import robust_sd

Floats = NDArray[np.float64]

_DARKEST = 0.005
"""Reflectance below this is noise; its logarithm would drown the rest."""


def check_clip(
    session: Session,
    places: Mapping[str, tuple[str, str]],
    signal: Floats | None,
    said: Sequence[Flag],
) -> Findings:
    """Look for scans, and runs of scans, that are lifted, lowered or dimmed as a whole.

    Parameters
    ----------
    session
        The session.
    places
        Scan -> (unit, leaf).
    signal
        Signal-to-noise of the white on the axis of the reflectance; ``None`` if unknown.
    said
        Flags so far: a scan with a fault of its own, or on a white at fault, is not explained a
        second time.

    Returns
    -------
    Findings
        With how many scans have a reliable prediction, and the spread of the offsets.
    """
    ids, axis = session.leaf_ids, session.leaves.wavelength_nm
    values = session.leaves.spectra["reflectance"]
    usable = usable_pixels(signal, len(axis))
    already = {flag.scan for flag in said if flag.severity == "fault"}
    already |= on_faulty_whites(session, said)
    keep = np.array([scan not in already for scan in ids], dtype=bool)
    offsets = baseline_offset(axis, values[keep], usable)
    n_compared = 0 if offsets is None else int(offsets.reliable.sum())
    metrics = [Metric("n_scans_baseline_judged", float(n_compared))]
    flags: list[Flag] = []
    series: dict[str, Floats] = {}
    sound = [scan for scan, kept in zip(ids, keep, strict=True) if kept]
    if offsets is not None:
        metrics.append(Metric("baseline_offset_sd", offsets.scale))
        flags = clip_moved(sound, offsets)
        series["offset"] = offsets.left
    plateau = usable & (axis >= PLATEAU_NM[0]) & (axis <= PLATEAU_NM[1])
    if plateau.any() and sound:
        level = values[keep][:, plateau].mean(axis=1)
        series["gain"] = np.log(np.maximum(level, _DARKEST))
    moved = {flag.scan for flag in flags}
    if np.isnan(session.seconds).any():
        # The order of a sheet without times is not that of measuring: it has no steps.
        return Findings(flags, metrics=metrics)
    times = _times(session, sound)
    order = [k for k in np.argsort(times, kind="stable").tolist() if sound[k] not in moved]
    names = [sound[k] for k in order]
    units = [places.get(name, (name, ""))[0] for name in names]
    whites = _times(session, [session.ids[i] for i in session.of_role("white")])
    measured = times[order]
    before = sorted({int((measured < white).sum()) for white in whites})
    for kind, values_of in series.items():
        flags += clip_steps(names, units, values_of[order], before, kind)
    return Findings(flags, metrics=metrics)


def _times(session: Session, names: Sequence[str]) -> Floats:
    """Return when scans were measured, s."""
    place = {scan: k for k, scan in enumerate(session.ids)}
    return np.array([session.seconds[place[name]] for name in names], dtype=np.float64)


# One scan lifted or lowered against the other leaves of the session
# ----------------------------------------------------------------------

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


def baseline_offset(
    wavelength_nm: Floats, reflectance: Floats, usable: NDArray[np.bool_]
) -> Residuals | None:
    """Return the offset of every leaf scan of a session.

    Parameters
    ----------
    wavelength_nm, usable
        Axis (nm), and where the white had signal, shape ``(n_wavelengths,)``.
    reflectance
        Leaf scans of one session, shape ``(n_scans, n_wavelengths)``.

    Returns
    -------
    Residuals or None
        Reflectance added to all wavelengths, against what the scan's own rises foretell; ``None``
        with fewer than 30 scans, or an axis that misses one of the seven windows.

    Notes
    -----
    The mean of the two floors is regressed on the six rises from window to window, and with 48
    scans or more on two of their squares too
    (:func:`leafledger.quality.robust_regression.residuals`).

    References
    ----------
    Saturated absorption of chlorophyll near 470 and 675 nm: common practice, no source.
    """
    windows = [usable & (wavelength_nm >= a) & (wavelength_nm <= b) for a, b in _WINDOWS_NM]
    if len(reflectance) < FEWEST_SCANS or not all(w.any() for w in windows):
        return None
    means = np.column_stack([reflectance[:, w].mean(axis=1) for w in windows])
    return residuals(means[:, _FLOORS].mean(axis=1), np.diff(means, axis=1), _BENT)


def clip_moved(scans: Sequence[str], offsets: Residuals) -> list[Flag]:
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
    over = offsets.reliable & (np.abs(offsets.left) > limit)
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


def offset_limit(offsets: Residuals) -> float:
    """Return the offset (reflectance) from which the clip is said to have moved."""
    return max(LEAST_OFFSET, OFFSET_Z * offsets.scale)


# A jump that lasts from one scan to the next white or the end
# ----------------------------------------------------------------------

STEP_Z = 5.0
"""Standard deviations of a jump over all places it may have; clean sessions do not reach it."""
LEAST_OFFSET_STEP = 0.006
"""A third of what is asked of one scan: many scans say it together."""
LEAST_GAIN_STEP = 0.05
"""Share of the near infrared; leaves of one session differ by less from half to half."""
_FEWEST = 3
"""Groups (of scans of one unit) on either side."""
PLATEAU_NM = (760.0, 850.0)
"""Where a leaf's reflectance depends on its structure alone (common practice, no source)."""


@dataclass(frozen=True)
class Step:
    """A jump of a series.

    Attributes
    ----------
    first, stop
        Groups ``first`` to ``stop - 1`` are shifted.
    size
        By how much, in the unit of the series.
    z
        Over its standard deviation.
    """

    first: int
    stop: int
    size: float
    z: float


def clip_steps(
    scans: Sequence[str],
    groups: Sequence[str],
    series: Floats,
    whites_before: Sequence[int],
    kind: str,
) -> list[Flag]:
    """Tell of a jump of the level, on every scan it touches (a notice).

    Parameters
    ----------
    scans, groups
        Leaf scans in the order of measuring, and the unit of each: scans of a unit are not
        independent; while they follow each other their median stands for them, so that one odd
        leaf moves nothing.
    series
        Offset (reflectance) or logarithm of the near infrared, shape ``(n_scans,)``.
    whites_before
        How many leaf scans were measured before each block of whites.
    kind
        ``offset`` or ``gain``.
    """
    start = [0, *(i for i in range(1, len(scans)) if groups[i] != groups[i - 1])]
    bounds = [*start, len(scans)]
    levels = np.array([np.median(series[a:b]) for a, b in pairwise(bounds)])
    ends = {int(np.searchsorted(start, w)) for w in whites_before if 0 < w < len(scans)}
    step = find_step(levels, sorted(ends))
    least = LEAST_OFFSET_STEP if kind == "offset" else np.log1p(LEAST_GAIN_STEP)
    if step is None or step.z <= STEP_Z or abs(step.size) <= least:
        return []
    first, stop = bounds[step.first], bounds[step.stop]
    change = _step_words(kind, step.size)
    return [
        Flag(
            scan,
            "clip_moved",
            "notice",
            step.z,
            STEP_Z,
            "1",
            f"From {scans[first]} to {scans[stop - 1]} {change} ({step.z:.1f} standard "
            "deviations). The clip or the fibre may have moved there, or other plants begin there: "
            "look at the order of measuring.",
        )
        for scan in scans[first:stop]
    ]


def find_step(values: Floats, ends: Sequence[int]) -> Step | None:
    """Return the largest jump of a series that lasts to one of the given ends.

    Parameters
    ----------
    values
        One per group in the order of measuring, shape ``(n_groups,)``.
    ends
        Places at which a jump may end (the next references; the end of the session).

    Returns
    -------
    Step or None
        ``None`` if the series is too short to have one.

    Examples
    --------
    >>> series = np.array([0.1, -0.1, 0.0, 0.1, -0.1, 5.1, 4.9, 5.0, 5.1])
    >>> step = find_step(series, [9])
    >>> step.first, step.stop, round(step.size, 2)
    (5, 9, 5.03)
    """
    n = len(values)
    total = np.concatenate([[0.0], np.cumsum(values)])
    best: Step | None = None
    for stop in sorted({*ends, n}):
        first = np.arange(1, stop - _FEWEST + 1)
        inside = stop - first
        first, inside = first[n - inside >= _FEWEST], inside[n - inside >= _FEWEST]
        if not len(first):
            continue
        sums = total[stop] - total[first]
        size = sums / inside - (total[n] - sums) / (n - inside)
        z = np.abs(size) * np.sqrt(inside * (n - inside) / n)
        k = int(np.argmax(z))
        if best is None or z[k] > best.z:
            best = Step(int(first[k]), stop, float(size[k]), float(z[k]))
    if best is None:
        return None
    shifted = np.zeros(n)
    shifted[best.first : best.stop] = 1.0
    left = values - best.size * shifted
    # The scale of what is left: a step must not widen the measure it is held against.
    scale = max(float(robust_sd(left)), float(np.std(left)) / 2, 1e-9)
    return Step(best.first, best.stop, best.size, best.z / scale)


def _step_words(kind: str, size: float) -> str:
    if kind == "offset":
        word = "above" if size > 0 else "below"
        return f"all spectra lie {abs(size):.3f} reflectance {word} those of the other scans"
    share = np.expm1(size)
    word = "more" if share > 0 else "less"
    return (
        f"the leaves reflect {100 * abs(share):.2g} % {word} in the near infrared than the others"
    )

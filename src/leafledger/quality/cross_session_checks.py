"""Which faults show only beside other scans and other sessions: copies, order, darks, whites, axes?

Darks of one integration time that are all shifted, or all recorded on another scale; whites that
are brighter or dimmer as a whole; copies of scans of another session; wavelength axes that stand
apart. With two sessions the comparison does not tell which of them is odd, and says so.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.darks import LEAST_SHIFT, LEVEL_Z
from leafledger.quality.session import Findings, Flag, Severity
from leafledger.quality.session_drift import without_bad_references
from leafledger.quality.wavelength_axis import axes_against_sessions, whites_moved
from leafledger.records.record import Metric
from leafledger.resampling.intervals import MAD_TO_SD
from leafledger.words import minutes_text

if TYPE_CHECKING:
    import pandas as pd


# Scans that are in the study twice, and times out of order
# ----------------------------------------------------------------------
# Duplicates are found by a digest of the raw values, within a session and between sessions; single
# wrong times by an order of the sheet that all other scans keep.

# Within a session
# ----------------------------------------------------------------------

MOST_OUT_OF_ORDER = 0.05


def duplicate(
    scans: Sequence[str],
    roles: Sequence[str],
    leaves: Mapping[str, tuple[str, str]],
    digests: Sequence[str],
    n_pixels: int,
) -> list[Flag]:
    """Flag scans whose raw values all equal another scan's.

    Parameters
    ----------
    scans, roles
        Ids and roles, length ``n_scans``.
    leaves
        Scan -> (unit, leaf) of the samples.
    digests
        Of the raw values of each scan (:func:`raw_digest`).
    n_pixels
        How many values a scan has.

    Notes
    -----
    Two measurements never agree in every digit: one file was saved or listed twice. Of one leaf
    (or one kind of reference) that costs a replicate but not the mean, so it is a notice. Under
    two leaves or two roles one of the labels is wrong and nothing tells which, so both are faults.
    """
    groups: dict[str, list[int]] = {}
    for i in range(len(scans)):
        groups.setdefault(digests[i], []).append(i)
    flags = []
    for members in groups.values():
        for i in members:
            for j in members:
                if i == j:
                    continue
                same = (roles[i], leaves.get(scans[i])) == (roles[j], leaves.get(scans[j]))
                if same and i < j:
                    continue
                kind: Severity = "notice" if same else "fault"
                flags.append(_duplicate_flag(scans[i], scans[j], kind, n_pixels))
                break
    return flags


def _duplicate_flag(scan: str, other: str, severity: Severity, n_pixels: int) -> Flag:
    meaning = (
        "it is no second measurement"
        if severity == "notice"
        else "one of the two labels must be wrong"
    )
    return Flag(
        scan,
        "duplicate",
        severity,
        float(n_pixels),
        float(n_pixels),
        "pixel",
        f"All {n_pixels} values equal those of scan {other}: {meaning}.",
    )


def time_order(scans: Sequence[str], seconds: NDArray[np.float64]) -> tuple[list[Flag], int]:
    """Flag scans whose time does not fit their place in the sheet (a notice).

    Parameters
    ----------
    scans
        Ids in sheet order.
    seconds
        Time of each, s; NaN if unknown.

    Returns
    -------
    tuple
        The flags, and how many scans are out of order. If that is more than 5 % (and more than
        two), the sheet simply has another order: then no scan is flagged.
    """
    timed = np.flatnonzero(~np.isnan(seconds))
    kept = set(_longest_rising(seconds[timed]))
    odd = [int(timed[k]) for k in range(len(timed)) if k not in kept]
    if len(odd) > max(2, MOST_OUT_OF_ORDER * len(timed)):
        return [], len(odd)
    flags = []
    for i in odd:
        before = [j for j in timed if j < i]
        other = int(before[-1]) if before else int(timed[timed > i][0])
        gap = (seconds[i] - seconds[other]) / 60
        flags.append(
            Flag(
                scans[i],
                "time_order",
                "notice",
                float(gap),
                0.0,
                "min",
                f"Its time is {minutes_text(abs(gap))} {'before' if gap < 0 else 'after'} that of "
                f"scan {scans[other]}, its neighbour in the sheet: check the time and the label.",
            )
        )
    return flags, len(odd)


def _longest_rising(values: NDArray[np.float64]) -> list[int]:
    """Return the places of the longest subsequence that never falls."""
    tails: list[float] = []
    ends: list[int] = []
    previous = [-1] * len(values)
    for k, value in enumerate(values):
        position = bisect_right(tails, float(value))
        previous[k] = ends[position - 1] if position else -1
        tails[position : position + 1] = [float(value)]
        ends[position : position + 1] = [k]
    out: list[int] = []
    k = ends[-1] if ends else -1
    while k >= 0:
        out.append(k)
        k = previous[k]
    return out[::-1]


# Between sessions
# ----------------------------------------------------------------------


def copies_between_sessions(levels: Mapping[str, pd.DataFrame]) -> tuple[list[Flag], list[str]]:
    """Find copies between sessions; those within one are found by the checks of the session.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.

    Returns
    -------
    tuple
        Faults on leaf scans (one of the two was not measured when it says, and nothing tells
        which), and a warning for each session whose references came from another.
    """
    owners: dict[str, list[tuple[str, str, str]]] = {}
    for session, table in levels.items():
        for row in table.drop_duplicates("scan").to_dict("records"):
            owner = (session, str(row["scan"]), str(row["role"]))
            owners.setdefault(str(row["digest"]), []).append(owner)
    flags: list[Flag] = []
    references: dict[tuple[str, str], list[str]] = {}
    for same in owners.values():
        for session, scan, role in same:
            other = next((entry for entry in same if entry[0] != session), None)
            if other is None:
                continue
            if role == "sample":
                flags.append(_copy(scan, other[1], other[0]))
            elif list(levels).index(other[0]) < list(levels).index(session):
                references.setdefault((session, other[0]), []).append(scan)
    warnings = [
        f"Session {session}: {len(scans)} reference{'s hold' if len(scans) > 1 else ' holds'} "
        "the very values of references of "
        f"session {other} ({', '.join(sorted(scans)[:6])}{' ...' if len(scans) > 6 else ''}): "
        "they do not show what the instrument did on this day."
        for (session, other), scans in sorted(references.items())
    ]
    return sorted(flags, key=lambda flag: flag.scan), warnings


def _copy(scan: str, other: str, session: str) -> Flag:
    return Flag(
        scan,
        "duplicate",
        "fault",
        1.0,
        0.0,
        "scan",
        f"All raw values equal those of scan {other} of session {session}: one of the two was not "
        "measured when it says.",
    )


# Sessions beside each other
# ----------------------------------------------------------------------

DARK_NOISE = "dark_noise_counts"
"""Metadata of the table of flags: noise of one dark from scan to scan, counts."""


def between_sessions(
    levels: Mapping[str, pd.DataFrame],
    flags: Sequence[Flag],
    noise: Mapping[str, float],
) -> Findings:
    """Find what the other sessions say against single scans.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.
    flags
        What the sessions found by themselves.
    noise
        Session -> noise of one dark, counts, where it is known.
    """
    named = {flag.scan for flag in flags if flag.severity == "fault"}
    shared, warnings = darks_against_sessions(levels, named, noise)
    copies, copied = copies_between_sessions(levels)
    whites = whites_against_sessions(without_bad_references(levels, named))
    return Findings([*shared, *copies], [*warnings, *copied, *whites])


def compare_axes(
    lamps_of: Mapping[str, Mapping[str, Any]], signals: Mapping[str, pd.DataFrame]
) -> Findings:
    """Find how far the axes of the sessions stand apart, by their lamps or else their whites."""
    warnings, largest = axes_against_sessions(lamps_of)
    # The whites stand on the axis as it was read: nothing to compare with one that was put right.
    as_read = {s: t for s, t in signals.items() if lamps_of.get(s, {}).get("axis") != "from_lamp"}
    by_lamp = [s for s, report in lamps_of.items() if report.get("lamp") and largest is not None]
    lamps = {s: bool(report.get("lamp")) for s, report in lamps_of.items() if report}
    moved = whites_moved(as_read, by_lamp, lamps)
    findings = Findings(warnings=[*warnings, *moved.warnings])
    largest = moved.largest_nm if largest is None else largest
    if largest is not None:
        findings.metrics.append(Metric("wavelength_shift_between_sessions", largest, "nm"))
    return findings


def dark_noises(paths: Mapping[str, Path]) -> dict[str, float]:
    """Return session -> noise of its darks, from the metadata of ``quality/<session>.parquet``."""
    import json

    import pyarrow.parquet as pq

    out = {}
    for session, path in paths.items():
        value = (pq.read_schema(path).metadata or {}).get(DARK_NOISE.encode())
        if value is not None:
            out[session] = float(json.loads(value))
    return out


# Darks of one integration time that are off together
# ----------------------------------------------------------------------

FEWEST_OTHERS = 2
"""Sessions that must agree with each other before a third is called."""
LEAST_FACTOR = 1.6
"""Smaller factors cannot be told from a warmer or cooler detector (see :func:`common_factor`)."""
ALIKE = 1.25
"""Level and noise, or two levels, follow one factor if they agree within this ratio."""


def darks_against_sessions(
    levels: Mapping[str, pd.DataFrame],
    named: Collection[str] = (),
    noise: Mapping[str, float] | None = None,
) -> tuple[list[Flag], list[str]]:
    """Hold the darks of each session and integration time against those of the other sessions.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.
    named
        Darks at fault by themselves; they say nothing of the others.
    noise
        Session -> noise of one dark from scan to scan, counts, where it is known.

    Returns
    -------
    tuple
        Faults on all darks of an integration time that lie off what the other sessions agree on,
        while the session's darks of another integration time do not, and on all darks of a session
        whose level and noise are those of the others times one factor; warnings where all darks
        of a session moved, which a warmer or cooler detector does too.
    """
    noise = noise or {}
    levels = {name: of[~of["scan"].isin(list(named))] for name, of in levels.items()}
    table, tolerance = _session_levels(levels), _tolerance(levels)
    flags: list[Flag] = []
    warnings: list[str] = []
    for session in levels:
        moved: list[tuple[float, float, float]] = []
        still: list[tuple[float, float, float]] = []
        for ms in sorted({ms for name, ms in table if name == session}):
            shift_and_limit = _shift(table, session, ms, tolerance)
            if shift_and_limit is not None:
                (moved if abs(shift_and_limit[0]) > shift_and_limit[1] else still).append(
                    (ms, *shift_and_limit)
                )
        if moved and still:
            flags += [flag for ms, *of in moved for flag in _flags(levels[session], ms, *of)]
        elif moved:
            ratios = [_level_ratio(table[session, ms], shift) for ms, shift, _ in moved]
            factor = common_factor(ratios, _noise_ratio(noise, session))
            if factor is None:
                warnings.append(_all_moved(session, moved))
            else:
                of = levels[session]
                flags += [f for ms, by, limit in moved for f in _flags(of, ms, by, limit, factor)]
    return flags, warnings + _of_two(table, noise)


def _session_levels(levels: Mapping[str, pd.DataFrame]) -> dict[tuple[str, float], float]:
    out: dict[tuple[str, float], float] = {}
    for session, table in levels.items():
        darks = table[table["role"] == "dark"]
        for ms, group in darks.groupby(darks["integration_ms"].fillna(-1.0), sort=True):
            out[session, float(ms)] = float(np.median(group["value"]))
    return out


def _shift(
    table: Mapping[tuple[str, float], float], session: str, ms: float, tolerance: float
) -> tuple[float, float] | None:
    """Return shift and tolerance in counts; ``None`` if the other sessions do not tell."""
    others = [
        level for (name, time_ms), level in table.items() if time_ms == ms and name != session
    ]
    if len(others) < FEWEST_OTHERS:
        return None
    middle = float(np.median(others))
    spread = float(np.median(np.abs(np.array(others) - middle))) * MAD_TO_SD
    limit = max(tolerance, LEVEL_Z * spread)
    if len(others) == FEWEST_OTHERS and abs(others[0] - others[1]) > tolerance:
        return None
    return table[session, ms] - middle, limit


def _tolerance(levels: Mapping[str, pd.DataFrame]) -> float:
    """Return the shift that matters, counts: 0.2 % of the usual white signal."""
    signal = []
    for table in levels.values():
        whites = table[table["role"] == "white"]
        if len(whites):
            signal.append(float(np.median(whites["value"] * whites["integration_ms"].fillna(1.0))))
    return LEAST_SHIFT * float(np.median(signal)) if signal else 0.0


def _flags(
    table: pd.DataFrame, ms: float, shift: float, limit: float, factor: float | None = None
) -> Sequence[Flag]:
    darks = table[table["role"] == "dark"]
    scans = darks.loc[darks["integration_ms"].fillna(-1.0) == ms, "scan"].unique()
    reason = (
        "and the darks of another integration time do not: light reached the detector, or a "
        "setting was wrong."
        if factor is None
        else f"and all darks of the session are {factor:.2g} times as large, noise included: they "
        "were recorded with other averages, sums or gain, not by a warmer or cooler detector."
    )
    return [
        Flag(
            str(scan),
            "dark_against_sessions",
            "fault",
            abs(shift),
            limit,
            "count",
            f"All {len(scans)} darks{_time_words(ms)} of this session lie {abs(shift):.4g} counts "
            f"{'above' if shift > 0 else 'below'} what the other sessions agree on (tolerance "
            f"{limit:.3g}), {reason}",
        )
        for scan in sorted(scans)
    ]


def _time_words(ms: float) -> str:
    return f" at {ms:g} ms" if ms >= 0 else ""


def _level_ratio(level: float, shift: float) -> float:
    """Return the level over what the other sessions agree on; 0 if one of them is not positive."""
    usual = level - shift
    return level / usual if min(level, usual) > 0 else 0.0


def common_factor(levels: Sequence[float], noise: float | None) -> float | None:
    """Return the factor by which a session's darks differ from the others, if it is one factor.

    Parameters
    ----------
    levels
        Level of the darks over that of the other sessions, one for each integration time.
    noise
        Their noise from scan to scan over that of the other sessions; ``None`` if unknown.

    Returns
    -------
    float or None
        ``None`` if the levels and the noise do not share a factor of at least 1.6 (or 1 / 1.6).

    Notes
    -----
    A detector that warms or cools changes the dark current. The level follows it at most in
    proportion (the offset stays), the noise at most by the square root (shot noise of the dark
    current; the read noise stays). A factor on the counts (a sum in place of a mean, other
    averages, another gain) changes both alike. At 1.6 the square root is 1.26: beyond 1.25, within
    which level and noise count as alike, so that temperature is never called.

    Examples
    --------
    >>> common_factor([0.5, 0.5], 0.51)
    0.5
    >>> common_factor([2.0, 2.0], 1.41) is None, common_factor([0.5, 0.95], 0.5) is None
    (True, True)
    """
    if noise is None or noise <= 0 or not len(levels) or min(levels) <= 0:
        return None
    logs = np.log(levels)
    factor = float(np.median(logs))
    near = np.log(ALIKE)
    if abs(factor) < np.log(LEAST_FACTOR) or float(np.abs(logs - factor).max()) > near:
        return None
    return float(np.exp(factor)) if abs(np.log(noise) - factor) <= near else None


def _noise_ratio(noise: Mapping[str, float], session: str) -> float | None:
    """Return the noise of a session's darks over the usual noise of the others."""
    others = [value for name, value in noise.items() if name != session]
    if session not in noise or not others or min(others) <= 0:
        return None
    return noise[session] / float(np.median(others))


def _all_moved(session: str, moved: Sequence[tuple[float, float, float]]) -> str:
    shifts = ", ".join(f"{shift:+.4g} counts{_time_words(ms)}" for ms, shift, _ in moved)
    return (
        f"Session {session}: all its darks differ from those of the other sessions ({shifts}): a "
        "warmer or cooler detector, or light in every dark; nothing in this session tells which."
    )


def _of_two(table: Mapping[tuple[str, float], float], noise: Mapping[str, float]) -> list[str]:
    """Warn where a study has two sessions and the darks of one are a multiple of the other's."""
    sessions = list(dict.fromkeys(name for name, _ in table))
    if len(sessions) != 2:
        return []
    first, second = sessions
    shared = [ms for name, ms in table if name == first and (second, ms) in table]
    ratios = [
        _level_ratio(table[second, ms], table[second, ms] - table[first, ms]) for ms in shared
    ]
    factor = common_factor(ratios, _noise_ratio(noise, second))
    if factor is None:
        return []
    return [
        f"The darks of session {second} are those of session {first} times {factor:.2g}, noise "
        "included: one of them was recorded with other averages, sums or gain. Nothing tells which."
    ]


# Whites brighter or dimmer as a whole
# ----------------------------------------------------------------------

TOLERANCE = 1.25
"""Lamps age and fibres are plugged anew: less than this ratio is everyday (common practice, no
source)."""
_LEAVES_NM = 800.0
"""Leaves change least from day to day on the near-infrared plateau."""
_FEWEST = 3
"""From three sessions the median tells which one is odd."""


def whites_against_sessions(levels: Mapping[str, pd.DataFrame]) -> list[str]:
    """Warn of sessions whose whites are brighter or dimmer as a whole.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``, references at fault left out.

    Returns
    -------
    list of str
        A change of the lamp divides out of reflectance if the leaves saw it too; the level of the
        leaves tells whether they did.
    """
    white = {name: _level(table, "white", None) for name, table in levels.items()}
    with_level = {name: value for name, value in white.items() if value is not None}
    leaf = {name: _level(levels[name], "sample", _LEAVES_NM) for name in with_level}
    warnings = []
    for session in with_level:
        ratio = _white_ratio(with_level, session)
        if ratio is None or 1 / TOLERANCE <= ratio <= TOLERANCE:
            continue
        leaves = _white_ratio({n: v for n, v in leaf.items() if v is not None}, session)
        warnings.append(
            f"Session {session}: its whites give {ratio:.2g} times the signal per millisecond of "
            f"the other sessions (tolerance {1 / TOLERANCE:g} to {TOLERANCE:g})"
            f"{_level_words(ratio, leaves)}"
        )
    return warnings


def _level(table: pd.DataFrame, role: str, at_nm: float | None) -> float | None:
    rows = table[table["role"] == role]
    if at_nm is not None:
        rows = rows[rows["wavelength_nm"] == at_nm]
    elif len(rows) and (rows["unit"] != "count/ms").any():
        return None
    value = float(np.median(rows["value"])) if len(rows) else 0.0
    return value if value > 0 else None


def _white_ratio(levels: Mapping[str, float], session: str) -> float | None:
    """Return a session over the usual one: the median of three or more, else the first."""
    if session not in levels or len(levels) < 2:
        return None
    values = list(levels.values())
    usual = float(np.median(values)) if len(values) >= _FEWEST else values[0]
    return levels[session] / usual


def _level_words(ratio: float, leaves: float | None) -> str:
    if leaves is None:
        return ": lamp, fibre, panel or settings changed."
    if 1 / TOLERANCE <= leaves * ratio <= TOLERANCE:
        return (
            f", and its leaves come out {leaves:.2g} times as bright at {_LEAVES_NM:g} nm: whites "
            "and leaves were not measured alike (settings, panel or geometry), and the reflectance "
            "of the session is off by about that factor."
        )
    return (
        f"; the reflectance of its leaves does not follow ({leaves:.2g} times the usual at "
        f"{_LEAVES_NM:g} nm), so they saw the change too: lamp, fibre or clip. It divides out."
    )

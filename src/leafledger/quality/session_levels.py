"""Do the control units and the references of one session differ from the sessions before?

Whites and darks show what the instrument did; a change of the white divides out of reflectance.
The stable tile (role ``check``) shows what is left of it in reflectance: it cannot grow. All rests
on one table, the level of every scan at four wavelengths.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.reference_checks import NO_BLOCK, measuring_order, reference_blocks
from leafledger.quality.session import Session, dark_for
from leafledger.resampling.intervals import t_quantile, two_sided_t
from leafledger.resampling.multiplicity import holm

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Floats = NDArray[np.float64]


# Rows of session_effects.csv and order_effects.csv
# ----------------------------------------------------------------------

LEVEL = 0.95


@dataclass(frozen=True)
class SessionEffect:
    """One row of ``session_effects.csv``; estimate, interval and limits in ``unit``.

    ``unit`` is 1 for reflectance (groups ``control`` and ``check``) and for a relative change
    (``white``), count for ``dark``. The limits are those of the control chart of the stable tile.
    ``reason`` says why a number is missing, or what it rests on.
    """

    session: str
    group: str
    wavelength_nm: float
    estimate: float | None
    ci_low: float | None
    ci_high: float | None
    ci_level: float
    n_units: int
    p: float | None
    p_holm: float | None
    limit_low: float | None = None
    limit_high: float | None = None
    unit: str = "1"
    reason: str = ""


@dataclass(frozen=True)
class OrderEffect:
    """One row of ``order_effects.csv``.

    ``term``: ``order`` (relative change of reflectance from the first leaf of the session to the
    last), ``leaf_position`` (relative difference from the first position), ``white_signal``
    (relative) and ``dark_level`` (counts) from the first to the last block of the session.
    """

    session: str
    term: str
    position: str
    wavelength_nm: float
    estimate: float | None
    ci_low: float | None
    ci_high: float | None
    ci_level: float
    n_units: int
    p: float | None
    p_holm: float | None
    unit: str
    reason: str


Row = TypeVar("Row", SessionEffect, OrderEffect)


def with_holm(rows: Sequence[Row]) -> list[Row]:
    """Return the rows with Holm's p over all of them, one family."""
    adjusted = holm([np.nan if row.p is None else row.p for row in rows])
    return [
        row if row.p is None else replace(row, p_holm=float(p))
        for row, p in zip(rows, adjusted, strict=True)
    ]


# Control units of a session against the sessions before
# ----------------------------------------------------------------------
# A shift is not yet an error: plants grow. Without a stable tile measured every session (role
# ``check``) growth and instrument cannot be told apart.


def unit_values(units: Sequence[str], leaves: Sequence[str], values: Floats) -> dict[str, Floats]:
    """Return unit -> mean of its leaf means; ``values`` has shape ``(n_scans, n_wavelengths)``."""
    groups: dict[str, dict[str, list[int]]] = {}
    for k, (unit, leaf) in enumerate(zip(units, leaves, strict=True)):
        groups.setdefault(unit, {}).setdefault(leaf, []).append(k)
    return {
        unit: np.mean([values[rows].mean(axis=0) for rows in by_leaf.values()], axis=0)
        for unit, by_leaf in groups.items()
    }


def session_effects(
    sessions: Sequence[tuple[str, str]],
    control: Mapping[str, Mapping[str, Floats]],
    wavelength_nm: Sequence[float],
) -> list[SessionEffect]:
    """Estimate the shift of the control units in every session, paired over units.

    Parameters
    ----------
    sessions
        (session, phase) in study order.
    control
        Session -> control unit -> reflectance at ``wavelength_nm``.
    wavelength_nm
        Wavelengths, nm.

    Returns
    -------
    list of SessionEffect
        Each session after the first phase minus the mean of the sessions before (of the first
        session, if none is called before), with Student's t interval over units; Holm over all
        rows. One unit alone gives an estimate without interval and p, and the reason; nothing
        where no unit has the pair.

    References
    ----------
    Holm 1979, Scand. J. Stat. 6:65-70. Paired t: Student 1908, Biometrika 6:1-25.
    """
    before = [name for name, phase in sessions if phase == "before"] or [sessions[0][0]]
    rows: list[SessionEffect] = []
    for session, _ in sessions:
        if session in before:
            continue
        pairs = []
        for unit in sorted(control.get(session, {})):
            base = [control[b][unit] for b in before if unit in control.get(b, {})]
            if base:
                pairs.append(control[session][unit] - np.mean(base, axis=0))
        if pairs:
            rows += _tested(session, np.array(pairs), wavelength_nm)
    return with_holm(rows)


def _tested(session: str, change: Floats, wavelength_nm: Sequence[float]) -> list[SessionEffect]:
    n = len(change)
    if n == 1:
        reason = "one control unit only: no interval and no test, units are what varies"
        return [
            SessionEffect(
                session, "control", float(at_nm), float(change[0, k]), None, None, LEVEL, 1, None,
                None, reason=reason,
            )
            for k, at_nm in enumerate(wavelength_nm)
        ]  # fmt: skip
    half = t_quantile(LEVEL, n - 1)
    rows = []
    for k, at_nm in enumerate(wavelength_nm):
        mean = float(change[:, k].mean())
        error = float(change[:, k].std(ddof=1) / np.sqrt(n))
        p = two_sided_t(mean / error, n - 1) if error > 0 else None
        rows.append(
            SessionEffect(
                session, "control", float(at_nm), mean, mean - half * error, mean + half * error,
                LEVEL, n, p, None,
            )
        )  # fmt: skip
    return rows


# References of a session against the sessions before
# ----------------------------------------------------------------------
# Whites and darks show what the instrument did; a change of the white divides out of reflectance.
# The stable tile (role ``check``) shows what is left of it in reflectance: it cannot grow.


@dataclass(frozen=True)
class Look:
    """One block of references, or one scan of the tile.

    Attributes
    ----------
    integration_ms
        Its integration time, ms; -1 if unknown.
    value
        Its median at each wavelength, shape ``(n_wavelengths,)``.
    """

    integration_ms: float
    value: Floats


Looks = Mapping[str, Sequence[Look]]
"""Session -> its blocks, in the order of measuring."""


def looks(levels: Mapping[str, pd.DataFrame], role: str, wavelength_nm: Sequence[float]) -> Looks:
    """Return the blocks of one role in every session that has them.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``.
    role
        ``white``, ``dark`` or ``check``.
    wavelength_nm
        Wavelengths wanted, nm; sessions that lack one of them are left out.
    """
    out: dict[str, list[Look]] = {}
    for session, table in levels.items():
        rows = table[(table["role"] == role) & table["wavelength_nm"].isin(list(wavelength_nm))]
        times = rows["integration_ms"].fillna(-1.0)
        blocks: list[tuple[int, Look]] = []
        # Every placing of the tile is a repeat of its own.
        key = "place" if role == "check" else "block"
        for _, scans in rows.groupby([times, key], sort=True):
            block, ms = int(scans[key].iloc[0]), float(times.loc[scans.index[0]])
            # The median of the block, so that one white that failed does not move it.
            value = scans.groupby("wavelength_nm", sort=True)["value"].median()
            if len(value) == len(wavelength_nm):
                blocks.append((block, Look(ms, value.to_numpy(dtype=np.float64))))
        if blocks:
            out[session] = [look for _, look in sorted(blocks, key=lambda pair: pair[0])]
    return out


def white_shifts(
    sessions: Sequence[tuple[str, str]], whites: Looks, wavelength_nm: Sequence[float]
) -> list[SessionEffect]:
    """Estimate the relative change of the white signal per ms, over blocks of whites.

    Parameters
    ----------
    sessions
        (session, phase) in study order.
    whites
        Blocks of whites.
    wavelength_nm
        Wavelengths, nm.
    """
    relative = {
        session: [
            Look(look.integration_ms, np.log(np.maximum(look.value, 1e-12))) for look in blocks
        ]
        for session, blocks in whites.items()
    }
    rows = _against_before(sessions, relative, wavelength_nm, "white", "1")
    return with_holm([_relative(row) for row in rows])


def _against_before(
    sessions: Sequence[tuple[str, str]],
    blocks: Looks,
    wavelength_nm: Sequence[float],
    group: str,
    unit: str,
    rests_on: str = "",
) -> list[SessionEffect]:
    """Compare blocks of a session with all blocks of the sessions before (Welch)."""
    base = np.array([look.value for name in _before(sessions, blocks) for look in blocks[name]])
    rows = []
    for session in _later(sessions, blocks):
        here = np.array([look.value for look in blocks[session]])
        for k, at_nm in enumerate(wavelength_nm):
            estimate, low, high, p, reason = welch(here[:, k], base[:, k])
            rows.append(
                SessionEffect(
                    session, group, float(at_nm), estimate, low, high, LEVEL, len(here), p, None,
                    unit=unit, reason="; ".join(filter(None, [rests_on, reason])),
                )
            )  # fmt: skip
    return rows


def _before(sessions: Sequence[tuple[str, str]], blocks: Looks) -> list[str]:
    measured = [(name, phase) for name, phase in sessions if name in blocks]
    named = [name for name, phase in measured if phase == "before"]
    return named or [name for name, _ in measured[:1]]


def _later(sessions: Sequence[tuple[str, str]], blocks: Looks) -> list[str]:
    before = _before(sessions, blocks)
    return [name for name, _ in sessions if name in blocks and name not in before]


def welch(
    here: Floats, base: Floats
) -> tuple[float, float | None, float | None, float | None, str]:
    """Return estimate, interval, p and the reason for what is missing.

    References
    ----------
    Welch 1947, Biometrika 34:28-35.
    """
    estimate = float(here.mean() - base.mean())
    if len(here) < 2 or len(base) < 2:
        return estimate, None, None, None, "one block in a session: no interval"
    parts = np.array([here.var(ddof=1) / len(here), base.var(ddof=1) / len(base)])
    error = float(np.sqrt(parts.sum()))
    if error == 0:
        return estimate, None, None, None, "no spread between blocks: no interval"
    df = float(parts.sum() ** 2 / (parts**2 / [len(here) - 1, len(base) - 1]).sum())
    half = t_quantile(LEVEL, df) * error
    return estimate, estimate - half, estimate + half, two_sided_t(estimate / error, df), ""


def _relative(row: SessionEffect) -> SessionEffect:
    """Turn a change of the logarithm into a relative change."""

    def back(value: float | None) -> float | None:
        return None if value is None else float(np.expm1(value))

    return replace(
        row, estimate=back(row.estimate), ci_low=back(row.ci_low), ci_high=back(row.ci_high)
    )


def dark_shifts(
    sessions: Sequence[tuple[str, str]], darks: Looks, wavelength_nm: Sequence[float]
) -> list[SessionEffect]:
    """Estimate the change of the dark level in counts, at one integration time of both sessions.

    The longest integration time that all sessions share is used.
    """
    shared = [{look.integration_ms for look in blocks} for blocks in darks.values()]
    common = set.intersection(*shared) if shared else set()
    if not common:
        return _unknown(sessions, darks, wavelength_nm)
    ms = max(common)
    kept = {
        session: [look for look in blocks if look.integration_ms == ms]
        for session, blocks in darks.items()
    }
    rests_on = f"darks of {ms:g} ms" if ms >= 0 else ""
    return with_holm(_against_before(sessions, kept, wavelength_nm, "dark", "count", rests_on))


def _unknown(
    sessions: Sequence[tuple[str, str]], blocks: Looks, wavelength_nm: Sequence[float]
) -> list[SessionEffect]:
    reason = "no integration time of the darks is shared by all sessions"
    return [
        SessionEffect(
            session, "dark", float(at_nm), None, None, None, LEVEL, len(blocks[session]), None,
            None, unit="count", reason=reason,
        )
        for session in _later(sessions, blocks)
        for at_nm in wavelength_nm
    ]  # fmt: skip


def tile_shifts(
    sessions: Sequence[tuple[str, str]], tile: Looks, wavelength_nm: Sequence[float]
) -> list[SessionEffect]:
    """Estimate the tile's change from the first session, with the limits of a control chart.

    Returns
    -------
    list of SessionEffect
        Reflectance relative to the white panel; ``limit_low`` and ``limit_high`` are the limits
        of the chart (zero is no change), see
        :func:`control_limits`.
    """
    measured = [name for name, _ in sessions if name in tile]
    if len(measured) < 2:
        return []
    values = {name: np.array([look.value for look in tile[name]]) for name in measured}
    first = values[measured[0]]
    rows = []
    for session in measured[1:]:
        here = values[session]
        for k, at_nm in enumerate(wavelength_nm):
            estimate, low, high, p, reason = welch(here[:, k], first[:, k])
            every = [values[name][:, k] for name in measured]
            limits = control_limits(every, len(here), len(first))
            half = limits.half
            rows.append(
                SessionEffect(
                    session, "check", float(at_nm), estimate, low, high, LEVEL, len(here), p, None,
                    None if half is None else -half, half, "1",
                    "; ".join(filter(None, [reason, limits.reason])),
                )
            )  # fmt: skip
    return with_holm(rows)


# The stable tile and its control chart
# ----------------------------------------------------------------------

COVERAGE = 0.9973
"""Share of a normal distribution within three standard deviations (Shewhart's limits)."""
_MEAN_RANGE_OF_TWO = 1.128
"""Mean range of two normal values in standard deviations (d2 for n = 2)."""


@dataclass(frozen=True)
class Limits:
    """Half width of the control limits of a difference of two sessions, or why there is none."""

    half: float | None
    reason: str


def tile_reflectance(session: Session) -> Floats:
    """Return the tile's reflectance relative to the white panel.

    Returns
    -------
    ndarray
        Shape ``(n_checks, n_pixels)``, in sheet order; 0 where the white has no signal.

    Notes
    -----
    Linear counts above the dark of the same (else the nearest) integration time, per millisecond,
    over the same of the white; the white is the median of its block, interpolated between blocks in
    the order of measuring. Data that arrived as reflectance are returned as they came.
    """
    checks = np.flatnonzero(np.array(session.roles) == "check")
    if not session.in_counts or not len(checks):
        return np.asarray(session.raw[checks], dtype=np.float64)
    whites, darks = session.of_role("white"), session.of_role("dark")
    if not len(whites):
        return np.zeros((len(checks), session.raw.shape[1]))
    position = measuring_order(session).astype(np.float64)
    block_position, white = _white_by_block(session, whites, position)
    out = np.zeros((len(checks), session.raw.shape[1]))
    dark_counts, tiles = session.sound(darks), session.sound(checks)
    for k, i in enumerate(checks):
        ms = float(session.integration_ms[i])
        dark = dark_for(ms, dark_counts, session.integration_ms[darks], out.shape[1])
        signal = session.linear(tiles[k] - dark) / (ms if np.isfinite(ms) else 1.0)
        reference = _between(position[i], block_position, white)
        lit = reference > 0
        out[k, lit] = signal[lit] / reference[lit]
    return out


def _white_by_block(
    session: Session, whites: NDArray[np.intp], position: Floats
) -> tuple[Floats, Floats]:
    """Return the place of each white block and its median signal per ms."""
    per_ms = session.white_per_ms
    block = reference_blocks(session)[whites]
    numbers = np.unique(block)
    block_position = np.array([position[whites[block == n]].mean() for n in numbers])
    return block_position, np.array([np.median(per_ms[block == n], axis=0) for n in numbers])


def _between(position: float, block_position: Floats, values: Floats) -> Floats:
    after = int(np.searchsorted(block_position, position))
    if after == 0:
        return np.asarray(values[0], dtype=np.float64)
    if after == len(block_position):
        return np.asarray(values[-1], dtype=np.float64)
    share = (position - block_position[after - 1]) / (
        block_position[after] - block_position[after - 1]
    )
    return np.asarray((1 - share) * values[after - 1] + share * values[after], dtype=np.float64)


def control_limits(sessions: Sequence[Floats], n_here: int, n_first: int) -> Limits:
    """Return the control limits of the difference of a session from the first.

    Parameters
    ----------
    sessions
        Values of the tile in each session, in order; repeats within a session.
    n_here, n_first
        Repeats in the session that is compared and in the first.

    Notes
    -----
    The standard deviation is pooled from repeats within sessions; its Student quantile at
    99.73 % stands for three standard deviations, so that few repeats give wider limits. Without
    repeats it is the mean moving range over 1.128, from at least three sessions.

    References
    ----------
    Shewhart 1931, Economic Control of Quality of Manufactured Product; individuals chart by the
    moving range: NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.
    """
    df = sum(len(v) - 1 for v in sessions)
    spread = 1 / n_here + 1 / n_first
    if df >= 2:
        within = sum(float(((v - v.mean()) ** 2).sum()) for v in sessions)
        half = t_quantile(COVERAGE, df) * float(np.sqrt(within / df * spread))
        return Limits(half, f"limits from {df} degrees of freedom within sessions")
    means = np.array([v.mean() for v in sessions])
    if len(means) < 3:
        return Limits(None, "no control limits: no repeats of the tile and fewer than 3 sessions")
    moving = float(np.abs(np.diff(means)).mean()) / _MEAN_RANGE_OF_TWO
    return Limits(3 * moving * float(np.sqrt(2)), "limits from the moving range between sessions")


# The table of levels
# ----------------------------------------------------------------------
# Session and order effects, and the picture of references over time, rest on this table alone.

WAVELENGTHS_NM = (550.0, 680.0, 720.0, 800.0)
"""Green peak, red absorption, red edge, near-infrared plateau of a leaf."""
_HALF_WINDOW_NM = 2.5
"""References are averaged over 5 nm: they have no structure there, and noise averages out."""


@dataclass(frozen=True)
class _Values:
    """Values of some scans, shape ``(n_scans, n_wavelengths)``, and where the scans stand."""

    scans: NDArray[np.intp]
    wavelength_nm: Floats
    values: Floats
    unit: str


def level_table(session: Session) -> pa.Table:
    """Return the table ``quality/<session>.levels.parquet``, sorted by scan and wavelength.

    Notes
    -----
    Leaves and the tile (role ``check``): reflectance (the tile's relative to the white panel).
    Whites: counts above dark per millisecond. Darks: counts. Data that came as reflectance:
    reflectance throughout. Lamp and ambient scans are not listed. ``digest`` is that of the raw
    values, so that copies are found between sessions too.
    """
    import pyarrow as pa

    position, block = measuring_order(session), reference_blocks(session)
    values = _values(session)
    ids = np.array(session.ids)
    rows = np.concatenate([np.repeat(v.scans, v.values.shape[1]) for v in values])
    at_nm = np.concatenate([np.tile(v.wavelength_nm, len(v.scans)) for v in values])
    value = np.concatenate([v.values.ravel() for v in values])
    unit = np.concatenate([np.full(v.values.size, v.unit) for v in values])
    order = np.lexsort((at_nm, ids[rows]))
    rows = rows[order]
    return pa.table(
        {
            "scan": pa.array(ids[rows], pa.string()),
            "role": pa.array(np.array(session.roles)[rows], pa.string()),
            "place": pa.array(position[rows], pa.int32()),
            "block": pa.array(block[rows], pa.int32(), mask=block[rows] == NO_BLOCK),
            "hours": _known(_hours(session)[rows]),
            "integration_ms": _known(session.integration_ms[rows]),
            "digest": pa.array(np.array(session.digests)[rows], pa.string()),
            "wavelength_nm": pa.array(at_nm[order], pa.float64()),
            "value": pa.array(value[order], pa.float64()),
            "unit": pa.array(unit[order], pa.string()),
        }
    )


def _values(session: Session) -> list[_Values]:
    leaf_nm = session.leaves.wavelength_nm
    position = {scan: k for k, scan in enumerate(session.ids)}
    leaves = np.array([position[scan] for scan in session.leaf_ids], dtype=np.intp)
    reflectance = session.leaves.spectra["reflectance"]
    out = [_Values(leaves, _inside(leaf_nm), _interpolated(leaf_nm, reflectance), "1")]
    axis = session.scans.wavelength_nm
    for role, unit, spectra in _references(session):
        in_sheet = np.flatnonzero(np.array(session.roles) == role)
        places = in_sheet if role == "check" else session.of_role(role)
        out.append(_Values(places, _inside(axis), _windowed(axis, spectra), unit))
    return out


def _inside(axis: Floats) -> Floats:
    return np.array([w for w in WAVELENGTHS_NM if axis[0] <= w <= axis[-1]], dtype=np.float64)


def _interpolated(axis: Floats, spectra: Floats) -> Floats:
    """Return each spectrum at the wavelengths of the table that the axis holds."""
    at_nm = _inside(axis)
    left = np.clip(np.searchsorted(axis, at_nm, side="right") - 1, 0, max(len(axis) - 2, 0))
    right = np.minimum(left + 1, len(axis) - 1)
    step = np.maximum(axis[right] - axis[left], 1e-12)
    share = np.clip((at_nm - axis[left]) / step, 0, 1)
    return np.asarray(spectra[:, left] * (1 - share) + spectra[:, right] * share, dtype=np.float64)


def _references(session: Session) -> list[tuple[str, str, Floats]]:
    tile = ("check", "1", tile_reflectance(session))
    if not session.in_counts:
        return [tile]
    whites = session.of_role("white")
    ms = session.integration_ms[whites]
    unit = "count/ms" if np.isfinite(ms).all() else "count"
    return [
        ("white", unit, session.white_per_ms),
        ("dark", "count", session.raw[session.of_role("dark")]),
        tile,
    ]


def _windowed(axis: Floats, spectra: Floats) -> Floats:
    """Return the mean over 5 nm around each wavelength; interpolated on a coarser axis."""
    out = _interpolated(axis, spectra)
    for k, at_nm in enumerate(_inside(axis)):
        near = np.abs(axis - at_nm) <= _HALF_WINDOW_NM
        if near.sum() > 2:
            out[:, k] = spectra[:, near].mean(axis=1)
    return out


def _known(values: Floats) -> pa.Array:
    import pyarrow as pa

    return pa.array(values, pa.float64(), mask=~np.isfinite(values))


def _hours(session: Session) -> Floats:
    """Return the time since the first scan, h; NaN where unknown."""
    if not np.isfinite(session.seconds).any():
        return np.full(len(session.ids), np.nan)
    return np.asarray((session.seconds - np.nanmin(session.seconds)) / 3600, dtype=np.float64)

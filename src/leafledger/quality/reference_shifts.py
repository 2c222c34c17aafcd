"""Do the references of one session differ from those of the sessions before?

Whites and darks show what the instrument did; a change of the white divides out of reflectance.
The stable tile (role ``check``) shows what is left of it in reflectance: it cannot grow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.check_tile import control_limits
from leafledger.quality.session_effects import LEVEL, SessionEffect, with_holm
from leafledger.resampling.intervals import t_quantile, two_sided_t

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


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
        found: list[tuple[int, Look]] = []
        # Every placing of the tile is a repeat of its own.
        key = "place" if role == "check" else "block"
        for _, own in rows.groupby([times, key], sort=True):
            block, ms = int(own[key].iloc[0]), float(times.loc[own.index[0]])
            # The median of the block, so that one white that failed does not move it.
            value = own.groupby("wavelength_nm", sort=True)["value"].median()
            if len(value) == len(wavelength_nm):
                found.append((block, Look(ms, value.to_numpy(dtype=np.float64))))
        if found:
            out[session] = [look for _, look in sorted(found, key=lambda pair: pair[0])]
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
    told = f"darks of {ms:g} ms" if ms >= 0 else ""
    return with_holm(_against_before(sessions, kept, wavelength_nm, "dark", "count", told))


def _unknown(
    sessions: Sequence[tuple[str, str]], found: Looks, wavelength_nm: Sequence[float]
) -> list[SessionEffect]:
    reason = "no integration time of the darks is shared by all sessions"
    return [
        SessionEffect(
            session, "dark", float(at), None, None, None, LEVEL, len(found[session]), None, None,
            unit="count", reason=reason,
        )
        for session in _later(sessions, found)
        for at in wavelength_nm
    ]  # fmt: skip


def _before(sessions: Sequence[tuple[str, str]], found: Looks) -> list[str]:
    there = [(name, phase) for name, phase in sessions if name in found]
    named = [name for name, phase in there if phase == "before"]
    return named or [name for name, _ in there[:1]]


def _later(sessions: Sequence[tuple[str, str]], found: Looks) -> list[str]:
    before = _before(sessions, found)
    return [name for name, _ in sessions if name in found and name not in before]


def _against_before(
    sessions: Sequence[tuple[str, str]],
    found: Looks,
    wavelength_nm: Sequence[float],
    group: str,
    unit: str,
    told: str = "",
) -> list[SessionEffect]:
    """Compare blocks of a session with all blocks of the sessions before (Welch)."""
    base = np.array([look.value for name in _before(sessions, found) for look in found[name]])
    rows = []
    for session in _later(sessions, found):
        here = np.array([look.value for look in found[session]])
        for k, at in enumerate(wavelength_nm):
            estimate, low, high, p, reason = _welch(here[:, k], base[:, k])
            rows.append(
                SessionEffect(
                    session, group, float(at), estimate, low, high, LEVEL, len(here), p, None,
                    unit=unit, reason="; ".join(filter(None, [told, reason])),
                )
            )  # fmt: skip
    return rows


def _welch(
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


def tile_shifts(
    sessions: Sequence[tuple[str, str]], tile: Looks, wavelength_nm: Sequence[float]
) -> list[SessionEffect]:
    """Estimate the tile's change from the first session, with the limits of a control chart.

    Returns
    -------
    list of SessionEffect
        Reflectance relative to the white panel; ``limit_low`` and ``limit_high`` are the limits
        of the chart (zero is no change), see
        :func:`~leafledger.quality.check_tile.control_limits`.
    """
    there = [name for name, _ in sessions if name in tile]
    if len(there) < 2:
        return []
    values = {name: np.array([look.value for look in tile[name]]) for name in there}
    first = values[there[0]]
    rows = []
    for session in there[1:]:
        here = values[session]
        for k, at in enumerate(wavelength_nm):
            estimate, low, high, p, reason = _welch(here[:, k], first[:, k])
            every = [values[name][:, k] for name in there]
            limits = control_limits(every, len(here), len(first))
            half = limits.half
            rows.append(
                SessionEffect(
                    session, "check", float(at), estimate, low, high, LEVEL, len(here), p, None,
                    None if half is None else -half, half, "1",
                    "; ".join(filter(None, [reason, limits.reason])),
                )
            )  # fmt: skip
    return with_holm(rows)

"""Do the untreated units of one session shift together?

A shift is not yet an error: plants grow. Without a stable tile measured every session (role
``check``) growth and instrument cannot be told apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.intervals import t_quantile, two_sided_t
from leafledger.resampling.multiplicity import holm

Floats = NDArray[np.float64]

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

    def as_dict(self) -> dict[str, Any]:
        """Return the fields as a row."""
        return asdict(self)


def unit_values(units: Sequence[str], leaves: Sequence[str], values: Floats) -> dict[str, Floats]:
    """Return unit -> mean of its leaf means; ``values`` has shape ``(n_scans, n_wavelengths)``."""
    groups: dict[str, dict[str, list[int]]] = {}
    for k, (unit, leaf) in enumerate(zip(units, leaves, strict=True)):
        groups.setdefault(unit, {}).setdefault(leaf, []).append(k)
    return {
        unit: np.mean([values[at].mean(axis=0) for at in by_leaf.values()], axis=0)
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
                session, "control", float(at), float(change[0, k]), None, None, LEVEL, 1, None,
                None, reason=reason,
            )
            for k, at in enumerate(wavelength_nm)
        ]  # fmt: skip
    half = t_quantile(LEVEL, n - 1)
    rows = []
    for k, at in enumerate(wavelength_nm):
        mean = float(change[:, k].mean())
        error = float(change[:, k].std(ddof=1) / np.sqrt(n))
        p = two_sided_t(mean / error, n - 1) if error > 0 else None
        rows.append(
            SessionEffect(
                session, "control", float(at), mean, mean - half * error, mean + half * error,
                LEVEL, n, p, None,
            )
        )  # fmt: skip
    return rows


def with_holm(rows: Sequence[SessionEffect]) -> list[SessionEffect]:
    """Return the rows with Holm's p over all of them, one family."""
    adjusted = holm([np.nan if row.p is None else row.p for row in rows])
    return [
        row if row.p is None else replace(row, p_holm=float(p))
        for row, p in zip(rows, adjusted, strict=True)
    ]

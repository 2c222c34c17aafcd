"""How far the white signal and the dark level move within a session, as estimates."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.order_effects import LEVEL, OrderEffect, with_holm
from leafledger.resampling.intervals import t_quantile, two_sided_t

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


def reference_course(
    levels: Mapping[str, pd.DataFrame], role: str, wavelength_nm: Sequence[float]
) -> list[OrderEffect]:
    """Estimate the change from the first to the last block of whites or darks.

    Parameters
    ----------
    levels
        Session -> table ``quality/<session>.levels.parquet``, in study order.
    role
        ``white`` (relative change of the signal per ms) or ``dark`` (counts, at the longest
        integration time that has the most darks).
    wavelength_nm
        Wavelengths, nm.

    Returns
    -------
    list of OrderEffect
        With Welch's interval from the repeats within the two blocks; ``n_units`` counts those
        scans. Holm over all rows of the role.
    """
    rows = [
        row
        for session, table in levels.items()
        for at in wavelength_nm
        for row in _course(session, table, role, float(at))
    ]
    return with_holm(rows)


def _course(session: str, table: pd.DataFrame, role: str, at: float) -> list[OrderEffect]:
    own = table[(table["role"] == role) & (table["wavelength_nm"] == at)].sort_values("place")
    if role == "dark" and len(own):
        times = own["integration_ms"].fillna(-1.0)
        counts = times.value_counts()
        own = own[times == max(counts[counts == counts.max()].index)]
    if not len(own):
        return []
    value = own["value"].to_numpy(dtype=np.float64)
    block = own["block"].to_numpy()
    first, last = value[block == block[0]], value[block == block[-1]]
    term, unit = ("white_signal", "1") if role == "white" else ("dark_level", "count")
    row = OrderEffect(
        session, term, "", at, None, None, None, LEVEL, len(value), None, None, unit, ""
    )
    if block[0] == block[-1]:
        return [replace(row, reason="one block only: no course")]
    row = replace(row, n_units=len(first) + len(last))
    if role == "white":
        if min(first.min(), last.min()) <= 0:
            return [replace(row, reason="a white without signal")]
        first, last = np.log(first), np.log(last)
    return [_compared(row, first, last, relative=role == "white")]


def _compared(row: OrderEffect, first: Floats, last: Floats, *, relative: bool) -> OrderEffect:
    change = float(np.median(last) - np.median(first))
    told = "medians of the first and the last block; interval from repeats within blocks"

    def back(value: float) -> float:
        return float(np.expm1(value)) if relative else value

    if len(first) < 2 or len(last) < 2:
        return replace(row, estimate=back(change), reason="no repeats in a block: no interval")
    parts = np.array([first.var(ddof=1) / len(first), last.var(ddof=1) / len(last)])
    error = float(np.sqrt(parts.sum()))
    if error == 0:
        return replace(row, estimate=back(change), reason="no spread: no interval")
    change = float(last.mean() - first.mean())
    df = float(parts.sum() ** 2 / (parts**2 / [len(first) - 1, len(last) - 1]).sum())
    half = t_quantile(LEVEL, df) * error
    return replace(
        row,
        estimate=back(change),
        ci_low=back(change - half),
        ci_high=back(change + half),
        p=two_sided_t(change / error, df),
        reason=told.replace("medians", "means"),
    )

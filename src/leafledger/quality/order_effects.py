"""Do scans change with their order within a session, or with the position of the leaf?

Both as estimates with an interval over units. The order of measuring holds leaf-clip drift and
everything else that creeps through a session; the white and the dark are followed beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.robust_line import huber_fit
from leafledger.resampling.intervals import t_quantile, two_sided_t
from leafledger.resampling.multiplicity import holm

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]

LEVEL = 0.95
FEWEST_UNITS = 12
"""Fewer units give an interval that holds less often than it says."""
FEWEST_AT_POSITION = 3
_DARKEST = 0.005
"""Reflectance below this is noise; its logarithm would drown the rest."""
_LEAST_SPREAD = 0.02
"""Order must differ by this share of the session between days, or it says nothing."""

ACROSS = "each unit against itself in the other sessions"
BETWEEN = (
    "from unit to unit of this session alone: units differ by themselves, and a layout that was "
    "measured in its own order looks the same"
)


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

    def as_dict(self) -> dict[str, Any]:
        """Return the fields as a row."""
        return asdict(self)


@dataclass(frozen=True)
class Leaves:
    """The accepted leaf scans of one session.

    Attributes
    ----------
    unit, leaf
        Of each scan; the leaf is its position on the unit, empty if not named.
    place
        Order of measuring as a share of the session: 0 the first leaf, 1 the last.
    value
        Log reflectance, shape ``(n_scans, n_wavelengths)``.
    """

    unit: tuple[str, ...]
    leaf: tuple[str, ...]
    place: Floats
    value: Floats


def leaves_of(
    table: pd.DataFrame, places: Mapping[str, tuple[str, str]], wavelength_nm: Sequence[float]
) -> Leaves:
    """Return the accepted leaf scans of a table of levels.

    Parameters
    ----------
    table
        ``quality/<session>.levels.parquet``.
    places
        Accepted scan -> (unit, leaf).
    wavelength_nm
        Wavelengths wanted, nm.
    """
    rows = table[(table["role"] == "sample") & table["wavelength_nm"].isin(list(wavelength_nm))]
    wide = rows.pivot_table(index="scan", columns="wavelength_nm", values="value", sort=True)
    first = rows.groupby("scan", sort=True)["place"].first().to_numpy(dtype=np.float64)
    span = float(np.ptp(first)) if len(first) else 0.0
    share = (first - first.min()) / span if span > 0 else np.zeros(len(first))
    ids = [str(scan) for scan in wide.index]
    keep = [k for k, scan in enumerate(ids) if scan in places]
    value = np.log(np.maximum(wide.to_numpy(dtype=np.float64)[keep], _DARKEST))
    return Leaves(
        tuple(places[ids[k]][0] for k in keep),
        tuple(places[ids[k]][1] for k in keep),
        share[keep],
        value.reshape(len(keep), len(wavelength_nm)),
    )


def order_effects(
    sessions: Mapping[str, Leaves],
    groups: Mapping[str, str],
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    """Estimate how reflectance changes from the first to the last leaf of every session.

    Parameters
    ----------
    sessions
        Accepted leaf scans by session, in study order.
    groups
        Unit -> treatment; a difference between treatments is no order effect and is taken out.
    wavelength_nm
        Wavelengths, nm.

    Notes
    -----
    Leaf positions are brought to their common median first; then the scans of a unit are
    averaged. Where units occur in other sessions and were measured in another order there, the
    unit's mean in the others is taken off value and order, so that units may differ; else units
    are compared with each other. The line is fitted with Huber's weights, with a level for each
    treatment, and Student's t over units. Holm over all rows.
    """
    means = {name: _unit_means(leaves) for name, leaves in sessions.items()}
    rows: list[OrderEffect] = []
    for session, own in means.items():
        others = [of for name, of in means.items() if name != session]
        place, value, units, told = _response(own, others)
        rows += _line(session, place, value, [groups.get(u, "") for u in units], told,
                      wavelength_nm)  # fmt: skip
    return with_holm(rows)


_Means = Mapping[str, tuple[float, Floats]]


def _unit_means(leaves: Leaves) -> dict[str, tuple[float, Floats]]:
    """Return unit -> mean place and mean log reflectance, leaf positions evened out."""
    value = leaves.value.copy()
    middle = np.median(value, axis=0) if len(value) else np.empty(0)
    for at in _places(leaves.leaf).values():
        if len({leaves.unit[k] for k in at}) >= FEWEST_AT_POSITION:
            value[at] += middle - np.median(value[at], axis=0)
    return {
        unit: (float(leaves.place[at].mean()), value[at].mean(axis=0))
        for unit, at in sorted(_places(leaves.unit).items())
    }


def _places(names: Sequence[str]) -> dict[str, list[int]]:
    """Return name -> where it stands."""
    out: dict[str, list[int]] = {}
    for k, name in enumerate(names):
        out.setdefault(name, []).append(k)
    return out


def _response(own: _Means, others: Sequence[_Means]) -> tuple[Floats, Floats, list[str], str]:
    """Return place and value of each unit, less those of its other sessions where that tells."""
    both = [unit for unit in own if any(unit in other for other in others)]
    if len(both) >= FEWEST_UNITS:
        place, value = [], []
        for unit in both:
            rest = [other[unit] for other in others if unit in other]
            place.append(own[unit][0] - np.mean([r[0] for r in rest]))
            value.append(own[unit][1] - np.mean([r[1] for r in rest], axis=0))
        if float(np.std(place)) > _LEAST_SPREAD:
            return np.array(place), np.array(value), both, ACROSS
    units = list(own)
    return (
        np.array([own[u][0] for u in units]),
        np.array([own[u][1] for u in units]),
        units,
        BETWEEN,
    )


def _line(
    session: str,
    place: Floats,
    value: Floats,
    groups: Sequence[str],
    told: str,
    wavelength_nm: Sequence[float],
) -> list[OrderEffect]:
    n = len(place)
    levels = sorted(set(groups))
    terms = np.column_stack(
        [place, *[np.array([g == level for g in groups], dtype=np.float64) for level in levels]]
    ) if n else np.empty((0, 1))  # fmt: skip
    reason = f"{n} units, at least {FEWEST_UNITS} are needed" if n < FEWEST_UNITS else ""
    rows = []
    for k, at in enumerate(wavelength_nm):
        fit = None if reason else huber_fit(terms, value[:, k])
        if fit is None:
            why = reason or "the order follows the treatment: the two cannot be told apart"
            rows.append(_undefined(session, "order", "", at, n, "1", why))
            continue
        slope, error = float(fit.coefficient[0]), float(fit.error[0])
        rows.append(relative_row(session, "order", "", at, slope, error, fit.df, n, told))
    return rows


def _undefined(
    session: str, term: str, position: str, at: float, n: int, unit: str, why: str
) -> OrderEffect:
    return OrderEffect(
        session, term, position, float(at), None, None, None, LEVEL, n, None, None, unit, why
    )


def relative_row(
    session: str,
    term: str,
    position: str,
    at: float,
    change: float,
    error: float,
    df: float,
    n: int,
    told: str,
) -> OrderEffect:
    """Return a row from a change of the logarithm, as a relative change."""
    if error <= 0:
        told = "; ".join(filter(None, [told, "no spread: no interval"]))
        row = _undefined(session, term, position, at, n, "1", told)
        return replace(row, estimate=float(np.expm1(change)))
    half = t_quantile(LEVEL, df) * error
    low, high = float(np.expm1(change - half)), float(np.expm1(change + half))
    p = two_sided_t(change / error, df)
    return OrderEffect(
        session, term, position, float(at), float(np.expm1(change)), low, high, LEVEL, n, p, None,
        "1", told,
    )  # fmt: skip


def with_holm(rows: Sequence[OrderEffect]) -> list[OrderEffect]:
    """Return the rows with Holm's p over all of them, one family."""
    adjusted = holm([np.nan if row.p is None else row.p for row in rows])
    return [
        row if row.p is None else replace(row, p_holm=float(p))
        for row, p in zip(rows, adjusted, strict=True)
    ]

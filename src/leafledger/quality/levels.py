"""The level of every scan at four wavelengths, in the order of measuring.

Session and order effects, and the picture of references over time, rest on this table alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.blocks import NO_BLOCK, measuring_order, reference_blocks
from leafledger.quality.check_tile import tile_reflectance
from leafledger.quality.session import Session

if TYPE_CHECKING:
    import pyarrow as pa

Floats = NDArray[np.float64]

WAVELENGTHS_NM = (550.0, 680.0, 720.0, 800.0)
"""Green peak, red absorption, red edge, near-infrared plateau of a leaf."""
_HALF_WINDOW_NM = 2.5
"""References are averaged over 5 nm: they have no structure there, and noise averages out."""


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

    place, block = measuring_order(session), reference_blocks(session)
    values = _values(session)
    ids = np.array(session.ids)
    at = np.concatenate([np.repeat(v.scans, v.values.shape[1]) for v in values])
    at_nm = np.concatenate([np.tile(v.wavelength_nm, len(v.scans)) for v in values])
    value = np.concatenate([v.values.ravel() for v in values])
    unit = np.concatenate([np.full(v.values.size, v.unit) for v in values])
    order = np.lexsort((at_nm, ids[at]))
    at = at[order]
    return pa.table(
        {
            "scan": pa.array(ids[at], pa.string()),
            "role": pa.array(np.array(session.roles)[at], pa.string()),
            "place": pa.array(place[at], pa.int32()),
            "block": pa.array(block[at], pa.int32(), mask=block[at] == NO_BLOCK),
            "hours": _known(_hours(session)[at]),
            "integration_ms": _known(session.integration_ms[at]),
            "digest": pa.array(np.array(session.digests)[at], pa.string()),
            "wavelength_nm": pa.array(at_nm[order], pa.float64()),
            "value": pa.array(value[order], pa.float64()),
            "unit": pa.array(unit[order], pa.string()),
        }
    )


@dataclass(frozen=True)
class _Values:
    """Values of some scans, shape ``(n_scans, n_wavelengths)``, and where the scans stand."""

    scans: NDArray[np.intp]
    wavelength_nm: Floats
    values: Floats
    unit: str


def _hours(session: Session) -> Floats:
    """Return the time since the first scan, h; NaN where unknown."""
    if not np.isfinite(session.seconds).any():
        return np.full(len(session.ids), np.nan)
    return np.asarray((session.seconds - np.nanmin(session.seconds)) / 3600, dtype=np.float64)


def _known(values: Floats) -> pa.Array:
    import pyarrow as pa

    return pa.array(values, pa.float64(), mask=~np.isfinite(values))


def _values(session: Session) -> list[_Values]:
    leaf_nm = session.leaves.wavelength_nm
    own = {scan: k for k, scan in enumerate(session.ids)}
    leaves = np.array([own[scan] for scan in session.leaf_ids], dtype=np.intp)
    reflectance = session.leaves.spectra["reflectance"]
    out = [_Values(leaves, _inside(leaf_nm), _interpolated(leaf_nm, reflectance), "1")]
    axis = session.scans.wavelength_nm
    for role, unit, spectra in _references(session):
        places = session.of_role(role) if role != "check" else _sheet_places(session)
        out.append(_Values(places, _inside(axis), _windowed(axis, spectra), unit))
    return out


def _sheet_places(session: Session) -> NDArray[np.intp]:
    return np.flatnonzero(np.array(session.roles) == "check")


def _references(session: Session) -> list[tuple[str, str, Floats]]:
    if not session.in_counts:
        roles = np.array(session.roles)
        return [(role, "1", session.raw[roles == role]) for role in ("check",)]
    whites = session.of_role("white")
    ms = session.integration_ms[whites]
    unit = "count/ms" if np.isfinite(ms).all() else "count"
    return [
        ("white", unit, session.white_per_ms),
        ("dark", "count", session.raw[session.of_role("dark")]),
        ("check", "1", tile_reflectance(session)),
    ]


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


def _windowed(axis: Floats, spectra: Floats) -> Floats:
    """Return the mean over 5 nm around each wavelength; interpolated on a coarser axis."""
    out = _interpolated(axis, spectra)
    for k, at in enumerate(_inside(axis)):
        near = np.abs(axis - at) <= _HALF_WINDOW_NM
        if near.sum() > 2:
            out[:, k] = spectra[:, near].mean(axis=1)
    return out

"""The level of every scan at four wavelengths, in the order of measuring.

Session and order effects, and the picture of references over time, rest on this table alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.blocks import NO_BLOCK, measuring_order, reference_blocks
from leafledger.quality.check_tile import tile_reflectance
from leafledger.quality.session import Session
from leafledger.quality.sheet_order import raw_digest

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
    hours = (session.seconds - np.nanmin(session.seconds)) / 3600 if _timed(session) else None
    rows = []
    for i, (at_nm, value, unit) in _values(session):
        for at, one in zip(at_nm, value, strict=True):
            rows.append((session.ids[i], i, float(at), float(one), unit))
    rows.sort(key=lambda row: (row[0], row[2]))
    at = np.array([row[1] for row in rows], dtype=np.intp)
    ms = session.integration_ms[at]
    digests = {i: raw_digest(session.raw[i]) for i in set(at.tolist())}
    return pa.table(
        {
            "scan": pa.array([row[0] for row in rows], pa.string()),
            "role": pa.array([session.roles[i] for i in at], pa.string()),
            "place": pa.array(place[at], pa.int32()),
            "block": pa.array([None if block[i] == NO_BLOCK else int(block[i]) for i in at],
                              pa.int32()),
            "hours": pa.array([None if hours is None else _known(hours[i]) for i in at],
                              pa.float64()),
            "integration_ms": pa.array([_known(value) for value in ms], pa.float64()),
            "digest": pa.array([digests[i] for i in at], pa.string()),
            "wavelength_nm": pa.array([row[2] for row in rows], pa.float64()),
            "value": pa.array([row[3] for row in rows], pa.float64()),
            "unit": pa.array([row[4] for row in rows], pa.string()),
        }
    )  # fmt: skip


def _timed(session: Session) -> bool:
    return bool(np.isfinite(session.seconds).any())


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _values(session: Session) -> list[tuple[int, tuple[Floats, Floats, str]]]:
    """Return scan place -> wavelengths (nm), values and their unit."""
    out: list[tuple[int, tuple[Floats, Floats, str]]] = []
    own = {scan: k for k, scan in enumerate(session.ids)}
    leaf_nm = _inside(session.leaves.wavelength_nm)
    for k, scan in enumerate(session.leaf_ids):
        spectrum = session.leaves.spectra["reflectance"][k]
        out.append(
            (own[scan], (leaf_nm, np.interp(leaf_nm, session.leaves.wavelength_nm, spectrum), "1"))
        )
    axis = session.scans.wavelength_nm
    at_nm = _inside(axis)
    for role, unit, spectra in _references(session):
        places = session.of_role(role) if role != "check" else _sheet_places(session)
        out += [
            (int(i), (at_nm, _windowed(axis, spectra[k], at_nm), unit))
            for k, i in enumerate(places)
        ]
    return out


def _sheet_places(session: Session) -> NDArray[np.intp]:
    return np.flatnonzero(np.array(session.roles) == "check")


def _references(session: Session) -> list[tuple[str, str, Floats]]:
    if not session.in_counts:
        roles = np.array(session.roles)
        return [(role, "1", session.raw[roles == role]) for role in ("check",)]
    whites = session.of_role("white")
    ms = session.integration_ms[whites]
    per = np.where(np.isfinite(ms), ms, 1.0)
    unit = "count/ms" if np.isfinite(ms).all() else "count"
    return [
        ("white", unit, session.white_minus_dark / per[:, None]),
        ("dark", "count", session.raw[session.of_role("dark")]),
        ("check", "1", tile_reflectance(session)),
    ]


def _inside(axis: Floats) -> Floats:
    return np.array([w for w in WAVELENGTHS_NM if axis[0] <= w <= axis[-1]], dtype=np.float64)


def _windowed(axis: Floats, spectrum: Floats, at_nm: Floats) -> Floats:
    """Return the mean over 5 nm around each wavelength; interpolated on a coarser axis."""
    out = np.interp(at_nm, axis, spectrum)
    for k, at in enumerate(at_nm):
        near = np.abs(axis - at) <= _HALF_WINDOW_NM
        if near.sum() > 2:
            out[k] = spectrum[near].mean()
    return np.asarray(out, dtype=np.float64)

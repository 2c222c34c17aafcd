"""Did the wavelength axis move from one session to another? The lines of the lamps tell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from leafledger.quality.wavelength_shift import FAULT_NM, NOTICE_NM

_SURE = 4.0
"""A change must be so many of its standard uncertainties."""
_FEWEST = 3
"""From three sessions the median tells which one is odd."""


def axes_against_sessions(told: Mapping[str, Mapping[str, Any]]) -> tuple[list[str], float | None]:
    """Compare the shift that the lamp found between sessions.

    Parameters
    ----------
    told
        Session -> metadata ``wavelengths`` of its reflectance (empty without a lamp scan).

    Returns
    -------
    tuple
        A warning for each session whose axis stands elsewhere than the usual one (the median of
        three or more sessions, else the first), in the middle of the lines or at an end of the
        axis; and the largest change between two sessions in the middle, nm, ``None`` with fewer
        than two lamps.

    Notes
    -----
    The tolerance is 0.2 nm, as within a session, or four standard uncertainties if that is more:
    on the red edge of a leaf (0.02 per nm) 0.2 nm is 0.004 in reflectance, about the noise of a
    scan. Where the axes were put right by the lamp, only a change above 0.5 nm is told: the
    correction has taken it away, but something happened to the instrument.
    """
    lamps = {name: dict(of["lamp"]) for name, of in told.items() if of.get("lamp")}
    if len(lamps) < 2:
        return [], None
    found = {name: _places(lamp) for name, lamp in lamps.items()}
    values = np.array([shift for shift, _ in found.values()])
    us = np.array([u for _, u in found.values()])
    several = len(values) >= _FEWEST
    usual = np.median(values, axis=0) if several else values[0]
    said = []
    for k, name in enumerate(found):
        if k == 0 and not several:
            continue
        u = np.hypot(us[k], 0.0 if several else us[0])
        corrected = told[name].get("axis") == "from_lamp"
        limit = np.maximum(FAULT_NM if corrected else NOTICE_NM, _SURE * u)
        change = values[k] - usual
        worst = int(np.argmax(np.abs(change) / limit))
        if abs(change[worst]) > limit[worst]:
            said.append(_sentence(name, change, u, float(limit[worst]), worst, corrected))
    return said, float(np.ptp(values[:, 0]))


def _places(lamp: Mapping[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    """Return the shift in the middle of the lines and at both ends of the axis, and each u, nm."""
    return (
        np.array([lamp["shift_nm"], *lamp["shift_at_ends_nm"]], dtype=np.float64),
        np.array([lamp["u_shift_nm"], *lamp["u_shift_at_ends_nm"]], dtype=np.float64),
    )


def _sentence(
    session: str, change: np.ndarray, u: np.ndarray, limit: float, worst: int, corrected: bool
) -> str:
    where = ("in the middle of the lamp's lines", "at the short end", "at the long end")[worst]
    mend = (
        "The axes were put right by the lamp; see what happened to the instrument."
        if corrected
        else "The axes were left as read: reflectance.wavelengths: from_lamp puts them right."
    )
    return (
        f"Session {session}: its wavelengths stand {change[worst]:+.2f} nm (standard uncertainty "
        f"{u[worst]:.2g} nm) from those of the other sessions {where}, by the lamp (tolerance "
        f"{limit:.2g} nm). {mend}"
    )

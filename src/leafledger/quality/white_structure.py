"""Did the wavelength axis move from one session to another? The structure of the whites tells.

What the lamps of `wavelength_sessions` tell better is left to them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from leafledger.quality.wavelength_shift import NOTICE_NM, white_shifts
from leafledger.quality.white_signal import USABLE_SIGNAL_TO_NOISE

if TYPE_CHECKING:
    import pandas as pd

_SURE = 4.0
"""A change must be so many of its standard uncertainties."""


@dataclass(frozen=True)
class StructureMoved:
    """What the whites say of the axes.

    Attributes
    ----------
    warnings
        A sentence for each session whose whites stand elsewhere, or one that nothing could tell.
    largest_nm
        The largest shift between two sessions, nm; ``None`` if it could not be told.
    """

    warnings: list[str] = field(default_factory=list)
    largest_nm: float | None = None


def whites_moved(
    signals: Mapping[str, pd.DataFrame],
    by_lamp: Collection[str],
    lamps: Mapping[str, bool] | None = None,
) -> StructureMoved:
    """Compare the structure of the mean white between sessions in counts.

    Parameters
    ----------
    signals
        Session -> table ``quality/<session>.signal.parquet``, all on one axis.
    by_lamp
        Sessions whose lamp scans tell of their axis; the whites do not speak for them, but are
        compared with.
    lamps
        Session that holds a lamp scan -> whether one could be read; for the words only.

    Notes
    -----
    As within a session (`white_shifts`), a session's mean white taking the place of a white. A
    lamp that was changed for another kind differs in more than a shift: the uncertainty, taken
    from the scatter over the spectrum, grows with that.
    """
    known = {name: table for name, table in signals.items() if len(table)}
    judged = [name for name in known if name not in by_lamp]
    if len(known) < 2 or not judged:
        return StructureMoved()
    axis = next(iter(known.values()))["wavelength_nm"].to_numpy(dtype=np.float64)
    whites = np.stack([table["white"].to_numpy(dtype=np.float64) for table in known.values()])
    signal = np.stack([t["signal_to_noise"].to_numpy(dtype=np.float64) for t in known.values()])
    usable = (signal >= USABLE_SIGNAL_TO_NOISE).all(axis=0) & np.isfinite(whites).all(axis=0)
    found = white_shifts(axis, whites, usable)
    if found.why_not:
        return StructureMoved([_not_told(judged, lamps or {}, found.why_not)])
    u = np.hypot(found.u_nm, np.median(found.u_nm))
    said = [
        _moved(name, shift, of)
        for name, shift, of in zip(known, found.shift_nm, u, strict=True)
        if name not in by_lamp and abs(shift) > max(NOTICE_NM, _SURE * of)
    ]
    return StructureMoved(said, float(np.ptp(found.shift_nm)))


def _not_told(sessions: Collection[str], lamps: Mapping[str, bool], why: str) -> str:
    return (
        f"Whether the wavelengths moved between sessions cannot be told for {', '.join(sessions)}: "
        f"{_lamps_told(lamps)}, and {why}. A scan of a mercury-argon lamp in every session "
        "(role lamp) would tell."
    )


def _lamps_told(lamps: Mapping[str, bool]) -> str:
    """Say why the lamp scans of the study do not compare its sessions."""
    unread = [name for name, read in lamps.items() if not read]
    alone = [name for name, read in lamps.items() if read]
    if not lamps:
        return "there is no lamp scan"
    told = []
    if unread:
        told.append(f"no lamp scan of {', '.join(unread)} could be read")
    if alone:
        told.append(f"only {', '.join(alone)} has a lamp scan that could be read")
    return " and ".join(told)


def _moved(session: str, shift: float, u: float) -> str:
    return (
        f"Session {session}: the structure of its whites stands {shift:+.2f} nm (standard "
        f"uncertainty {u:.2g} nm) from that of the other sessions (tolerance "
        f"{max(NOTICE_NM, _SURE * u):.2g} nm): the spectrometer's wavelengths, or the peaks of the "
        "light source, have moved. A scan of a mercury-argon lamp (role lamp) in every session "
        "tells which."
    )

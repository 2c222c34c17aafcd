"""Which wavelengths can be trusted: from the white references alone, never from leaves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem

Floats = NDArray[np.float64]

CORE_NM = (550.0, 750.0)
"""Red absorption and red edge: a range that leaves these out serves no leaf study."""


@dataclass(frozen=True)
class TrustedRange:
    """The contents of ``range.json``; wavelengths in nm."""

    start_nm: float
    stop_nm: float
    rule: str
    why: str
    margin_nm: float
    limiting_session: str | None

    def as_dict(self) -> dict[str, Any]:
        """Return the fields for JSON."""
        return asdict(self)


def stated_range(start_nm: float, stop_nm: float, axis: Floats) -> TrustedRange:
    """Return the range set by hand.

    Raises
    ------
    InputFault
        If it does not lie inside the axis, or holds fewer than two wavelengths of it.
    """
    inside = int(((axis >= start_nm) & (axis <= stop_nm)).sum())
    if start_nm < axis[0] or stop_nm > axis[-1] or inside < 2:
        raise InputFault(
            Problem(
                "study.yaml",
                f"{start_nm:g} to {stop_nm:g} nm",
                f"a range inside {axis[0]:g} to {axis[-1]:g} nm, the axis of the reflectance",
                "Change start_nm and stop_nm, or leave the range out to have it found.",
                column="quality.range",
            )
        )
    why = f"stated in study.yaml: {start_nm:g} to {stop_nm:g} nm"
    return TrustedRange(float(start_nm), float(stop_nm), "stated", why, 0.0, None)


def untested_range(axis: Floats) -> TrustedRange:
    """Return the whole axis of the files, for data that arrived without references."""
    why = (
        f"untested: the data arrived without references, so the range is that of the files, "
        f"{axis[0]:g} to {axis[-1]:g} nm"
    )
    return TrustedRange(float(axis[0]), float(axis[-1]), "stated", why, 0.0, None)


def found_range(
    axis: Floats,
    signal: Mapping[str, Floats],
    least: float,
    margin_nm: float,
    untested: Sequence[str] = (),
) -> TrustedRange:
    """Find the range in which every session's white has enough signal against its noise.

    Parameters
    ----------
    axis
        Wavelengths of the reflectance, shape ``(n_wavelengths,)``, nm.
    signal
        Session -> signal-to-noise of its white, same shape.
    least
        Signal-to-noise that is wanted.
    margin_nm
        Cut off at an edge where the signal fails; not where the axis ends with signal left.
    untested
        Sessions without references, named in the reason.

    Raises
    ------
    InputFault
        If the worst session does not reach ``least`` all through 550-750 nm.

    Notes
    -----
    The range is the contiguous stretch around 550-750 nm (around the best wavelength, if the axis
    does not cover that).
    """
    sessions = list(signal)
    stack = np.array([signal[name] for name in sessions])
    worst = stack.min(axis=0)
    core = (axis >= CORE_NM[0]) & (axis <= CORE_NM[1])
    covered = axis[0] <= CORE_NM[0] and axis[-1] >= CORE_NM[1]
    if not covered:
        core = np.zeros(len(axis), dtype=bool)
        core[int(np.argmax(worst))] = True
    good = worst >= least
    if not good[core].all():
        at = np.flatnonzero(core)[int(np.argmin(worst[core]))]
        raise InputFault(
            _too_weak(axis, worst, int(at), sessions[int(np.argmin(stack[:, at]))], least)
        )
    bad = np.flatnonzero(~good)
    inner = np.flatnonzero(core)
    below, above = bad[bad < inner[0]], bad[bad > inner[-1]]
    first = int(below[-1]) + 1 if len(below) else 0
    last = int(above[0]) - 1 if len(above) else len(axis) - 1
    start = axis[first] + (margin_nm if len(below) else 0.0)
    stop = axis[last] - (margin_nm if len(above) else 0.0)
    inside = axis[(axis >= start) & (axis <= stop)]
    if len(inside) < 2:
        raise InputFault(_too_weak(axis, worst, int(inner[0]), sessions[0], least))
    edges = [int(below[-1])] if len(below) else []
    edges += [int(above[0])] if len(above) else []
    limiting = _limiting(stack, edges, sessions)
    why = _why(axis, first, last, edges, least, margin_nm, limiting, len(sessions))
    if untested:
        why += f"; untested in {', '.join(untested)}, which came without references"
    return TrustedRange(
        float(inside[0]), float(inside[-1]), "references", why, float(margin_nm), limiting
    )


def _limiting(stack: Floats, edges: Sequence[int], sessions: Sequence[str]) -> str | None:
    """Return the session whose signal is lowest at the wavelengths just outside the range."""
    if not edges:
        return None
    return sessions[int(np.argmin(stack[:, edges].min(axis=1)))]


def _why(
    axis: Floats,
    first: int,
    last: int,
    edges: Sequence[int],
    least: float,
    margin_nm: float,
    limiting: str | None,
    n_sessions: int,
) -> str:
    told = (
        f"the white's signal is at least {least:g} times its noise from {axis[first]:g} to "
        f"{axis[last]:g} nm in all {n_sessions} sessions with references"
    )
    if not edges:
        return f"{told}, to both ends of the axis"
    return (
        f"{told} (session {limiting} sets the limit); {margin_nm:g} nm are cut off where it fails"
    )


def _too_weak(axis: Floats, worst: Floats, at: int, session: str, least: float) -> Problem:
    best = int(np.argmax(worst))
    return Problem(
        "study.yaml",
        f"white signal of {worst[at]:.3g} times its noise at {axis[at]:g} nm in session {session}; "
        f"the best in the worst session is {worst[best]:.3g} at {axis[best]:g} nm",
        f"at least {least:g} through {CORE_NM[0]:g}-{CORE_NM[1]:g} nm",
        "Check the whites of this session; or lower quality.range.signal_to_noise; or set the "
        "range by hand, such as quality: {range: {start_nm: 450, stop_nm: 900}}.",
        column="quality.range",
    )

"""Which wavelengths can be trusted, by the white references alone?

Leaves have no part in it: a range chosen by them would follow the treatment. What the white's
signal means for a dark leaf is predicted from the noise of whites and darks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.quality.session import Session

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


# The range
# ----------------------------------------------------------------------

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
        If the worst session does not reach ``least`` all through 550-750 nm, or if the margins
        leave nothing of the range.

    Notes
    -----
    The range is the contiguous stretch around 550-750 nm (around the best wavelength, if the axis
    does not cover that).
    """
    sessions = list(signal)
    stack = np.array([signal[name] for name in sessions])
    worst = stack.min(axis=0)
    core = _core(axis, worst)
    weak = core[worst[core] < least]
    if len(weak):
        weakest = int(weak[np.argmin(worst[weak])])
        session = sessions[int(np.argmin(stack[:, weakest]))]
        raise InputFault(_too_weak(axis, worst, weakest, session, least))
    bad = np.flatnonzero(worst < least)
    below, above = bad[bad < core[0]], bad[bad > core[-1]]
    first = int(below[-1]) + 1 if len(below) else 0
    last = int(above[0]) - 1 if len(above) else len(axis) - 1
    start = axis[first] + (margin_nm if len(below) else 0.0)
    stop = axis[last] - (margin_nm if len(above) else 0.0)
    inside = axis[(axis >= start) & (axis <= stop)]
    if len(inside) < 2:
        raise InputFault(_nothing_left(axis[first], axis[last], margin_nm))
    edges = [*below[-1:].tolist(), *above[:1].tolist()]
    limiting = _limiting(stack, edges, sessions)
    why = _why(axis, first, last, edges, least, margin_nm, limiting)
    if untested:
        why += f"; untested in {', '.join(untested)}, which came without references"
    return TrustedRange(
        float(inside[0]), float(inside[-1]), "references", why, float(margin_nm), limiting
    )


def _core(axis: Floats, worst: Floats) -> NDArray[np.intp]:
    """Return the places of 550-750 nm, or of the best wavelength if the axis is short of that."""
    if axis[0] <= CORE_NM[0] and axis[-1] >= CORE_NM[1]:
        inside = np.flatnonzero((axis >= CORE_NM[0]) & (axis <= CORE_NM[1]))
        if len(inside):
            return inside
    return np.array([np.argmax(worst)], dtype=np.intp)


def _too_weak(axis: Floats, worst: Floats, weakest: int, session: str, least: float) -> Problem:
    best = int(np.argmax(worst))
    return Problem(
        "study.yaml",
        f"white signal of {worst[weakest]:.3g} times its noise at {axis[weakest]:g} nm in session "
        f"{session}; the best in the worst session is {worst[best]:.3g} at {axis[best]:g} nm",
        f"at least {least:g} through {CORE_NM[0]:g} to {CORE_NM[1]:g} nm",
        "Check the whites of this session; or lower quality.range.signal_to_noise; or set the "
        "range by hand, such as quality: {range: {start_nm: 450, stop_nm: 900}}.",
        column="quality.range",
    )


def _nothing_left(first_nm: float, last_nm: float, margin_nm: float) -> Problem:
    return Problem(
        "study.yaml",
        f"a margin of {margin_nm:g} nm at the edges of {first_nm:g} to {last_nm:g} nm, where the "
        "white's signal suffices",
        "margins that leave at least two wavelengths",
        "Lower quality.range.margin_nm.",
        column="quality.range.margin_nm",
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
) -> str:
    text = (
        f"the white's signal is at least {least:g} times its noise from {axis[first]:g} to "
        f"{axis[last]:g} nm in every session with references"
    )
    if not edges:
        return f"{text}, to both ends of the axis"
    return (
        f"{text} (session {limiting} sets the limit); {margin_nm:g} nm are cut off where it fails"
    )


# Noise of a dark leaf
# ----------------------------------------------------------------------

DARK_REFLECTANCE = 0.05
"""What a green leaf reflects in the blue and red."""
TOLERABLE = 0.1
"""Share of the reflectance above which the noise on a dark leaf is worth a warning."""


@dataclass(frozen=True)
class LargestNoise:
    """Noise in reflectance, and the session and wavelength (nm) it belongs to."""

    noise: float
    session: str
    wavelength_nm: float

    def warnings(self) -> list[str]:
        """Return a warning if the noise is more than a tenth of the reflectance."""
        if self.noise <= TOLERABLE * DARK_REFLECTANCE:
            return []
        return [
            f"Session {self.session}: at {self.wavelength_nm:g} nm one scan of a leaf that "
            f"reflects {DARK_REFLECTANCE:g} has a noise of {self.noise:.2g}, "
            f"{100 * self.noise / DARK_REFLECTANCE:.2g} % of it; the white's signal-to-noise, on "
            "which the trusted range rests, flatters dark leaves and says nothing of stray light."
        ]


def predicted_noise(session: Session, signal_to_noise: Floats) -> Floats | None:
    """Return the noise of one leaf scan at a reflectance of 0.05, shape ``(n_pixels,)``.

    Parameters
    ----------
    session
        The session, in counts.
    signal_to_noise
        Of its white on the raw axis, shape ``(n_pixels,)``.

    Returns
    -------
    ndarray or None
        Standard deviation in reflectance (relative to the panel), NaN where the white has no
        signal. ``None`` without whites, or without two darks of one integration time.

    Notes
    -----
    The white's variance less that of the dark is taken as shot noise, in proportion to the
    signal; a leaf of reflectance 0.05, at the leaves' own integration time and averages, has 0.05
    of that and the whole noise of the dark. Noise of the reference is shared between leaves and
    left out. Stray light is not noise and not seen here.

    References
    ----------
    Mean-variance (photon transfer) method: Janesick 2007, Photon Transfer, SPIE Press (memory).
    """
    whites, darks = session.of_role("white"), session.of_role("dark")
    if not len(whites) or not len(darks):
        return None
    noise = session.dark_noise
    if noise is None:
        return None
    white = np.median(session.white_minus_dark, axis=0)
    leaves = np.flatnonzero(np.array(session.roles) == "sample")
    longer = _ratio(session.integration_ms, leaves, whites)
    averages = np.asarray(session.scans.rows["averages"], dtype=np.float64)
    lit = (white > 0) & (signal_to_noise > 0)
    out = np.full(len(white), np.nan)
    white_lit = white[lit]
    of_dark = noise**2 * _ratio(averages, darks, whites)
    shot = np.maximum((white_lit / signal_to_noise[lit]) ** 2 - of_dark, 0.0)
    variance = (of_dark + DARK_REFLECTANCE * longer * shot) / _ratio(averages, leaves, whites)
    out[lit] = np.sqrt(variance) / (white_lit * longer)
    return out


def _ratio(values: Floats, of: NDArray[np.intp], to: NDArray[np.intp]) -> float:
    """Return the ratio of the medians of two kinds of scan; 1 if one of them is not known."""
    both = [values[scans][np.isfinite(values[scans])] for scans in (of, to)]
    if not len(both[0]) or not len(both[1]):
        return 1.0
    return float(np.median(both[0]) / np.median(both[1]))


def largest_noise(
    signals: Mapping[str, pd.DataFrame], start_nm: float, stop_nm: float
) -> LargestNoise | None:
    """Find the largest ``noise_at_005`` within a range.

    Parameters
    ----------
    signals
        Session -> table ``quality/<session>.signal.parquet``.
    start_nm, stop_nm
        The trusted range, nm.

    Returns
    -------
    LargestNoise or None
        ``None`` if no session knows its noise.
    """
    largest: LargestNoise | None = None
    for session, table in signals.items():
        if "noise_at_005" not in table.columns:
            continue
        axis = table["wavelength_nm"].to_numpy(dtype=np.float64)
        noise = table["noise_at_005"].to_numpy(dtype=np.float64)
        inside = np.flatnonzero((axis >= start_nm) & (axis <= stop_nm) & np.isfinite(noise))
        if not len(inside):
            continue
        worst = int(inside[np.argmax(noise[inside])])
        if largest is None or noise[worst] > largest.noise:
            largest = LargestNoise(float(noise[worst]), session, float(axis[worst]))
    return largest

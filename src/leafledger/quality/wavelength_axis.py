"""Did the wavelength axis move, within a session or from one to another?

Lamp lines tell it best; where there are none, the structure that source, fibre and panel print on
every white. The red edge of the leaves tells nothing: chlorophyll moves it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.session import (
    USABLE_SIGNAL_TO_NOISE,
    Flag,
    Session,
    Severity,
    usable_pixels,
)

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


# Within a session
# ----------------------------------------------------------------------
# Two witnesses, and no others: the lines of a lamp (read with the reflectance and told in its
# metadata), and the structure that source, fibre and panel print on every white. The red edge of
# the leaves is none: chlorophyll moves it. A white without structure tells nothing, and that is
# said.

CHECK = "wavelength_shift"
NOTICE_NM = 0.2
FAULT_NM = 0.5
_NOTICE_U = 4.0
_FAULT_U = 5.0
_BEST_U_NM = 0.1
"""With a larger uncertainty a fault of half a nanometre could not be told from chance."""
_LONG_NM = 20.0
"""Standard deviation of the mean that is taken off: lamps change colour more broadly than this."""
_SHORT_PIXELS = (1.5, 3.0, 6.0)
_OVER_PIXELS = 5.0
"""So many times the energy that noise and the pattern of the pixels give is structure."""
_FLOOR_U_NM = 0.01
"""No shift is told better: lamps change colour in more ways than a parabola follows."""
_MAD_TO_SD = 1.4826
_BLOCKS = 20
_FEWEST_PIXELS = 80


@dataclass(frozen=True)
class WhiteShifts:
    """How far the structure of each white stands from the others.

    Attributes
    ----------
    shift_nm, u_nm
        Shape ``(n_whites,)``: positive where the structure stands at longer wavelengths, and its
        standard uncertainty; empty if it cannot be told.
    why_not
        Why it cannot be told; empty if it can.
    """

    shift_nm: Floats
    u_nm: Floats
    why_not: str = ""


@dataclass(frozen=True)
class AxisShift:
    """Flags of a session, and what the metadata of its quality table say of the check."""

    flags: list[Flag] = field(default_factory=list)
    metadata: dict[str, Any] = field(default_factory=dict)


def check_wavelengths(session: Session, signal: Floats | None) -> AxisShift:
    """Check whether the wavelength axis moved within a session in counts.

    Parameters
    ----------
    session
        The session; metadata ``wavelengths`` of its reflectance tell of lamp scans.
    signal
        Signal-to-noise of the white, shape ``(n_pixels,)``; ``None`` if unknown.

    Notes
    -----
    Judged within the session only: sessions are compared with each other by the lamp shifts in
    their metadata.
    """
    lamps = session.leaves.metadata.get("wavelengths") or {}
    flags = _lamp_flags(lamps)
    places = session.of_role("white")
    ids = [session.ids[i] for i in places]
    axis = session.scans.wavelength_nm
    usable = usable_pixels(signal, len(axis))
    shifts = white_shifts(axis, session.white_per_ms, usable)
    if shifts.why_not:
        return AxisShift(flags, {CHECK: {"white": "not assessable", "why": shifts.why_not}})
    flags += _white_flags(ids, shifts)
    u = round(float(np.median(shifts.u_nm)), 4)
    return AxisShift(flags, {CHECK: {"white": "assessed", "u_nm": u}})


def _lamp_flags(wavelengths: dict[str, Any]) -> list[Flag]:
    lamp = wavelengths.get("lamp")
    if not lamp:
        return []
    flags = []
    first = lamp["by_scan"][0]
    for other in lamp["by_scan"][1:]:
        shift = float(other["from_mean_nm"]) - float(first["from_mean_nm"])
        u = float(np.hypot(other["u_nm"], first["u_nm"]))
        grade = _graded(shift, u)
        if grade is not None:
            flags.append(
                _flag(
                    str(other["scan"]),
                    shift,
                    grade,
                    f"The lamp's lines stand {shift:+.2f} nm (standard uncertainty {u:.2g} nm) "
                    f"from those of lamp scan {first['scan']}: the spectrometer's wavelengths have "
                    "moved within the session.",
                )
            )
    shift, u = float(lamp["shift_nm"]), float(lamp["u_shift_nm"])
    if wavelengths["axis"] == "as_read" and abs(shift) > max(NOTICE_NM, _NOTICE_U * u):
        flags.append(
            _flag(
                str(first["scan"]),
                shift,
                ("notice", max(NOTICE_NM, _NOTICE_U * u)),
                f"The axis of the session stands {shift:+.2f} nm (standard uncertainty {u:.2g} nm) "
                "from the published lines of the lamp and was left as read.",
            )
        )
    return flags


def _graded(shift: float, u: float) -> tuple[Severity, float] | None:
    """Return the severity of a shift and the threshold it is beyond; ``None`` if it is neither."""
    grades: tuple[tuple[Severity, float], ...] = (
        ("fault", max(FAULT_NM, _FAULT_U * u)),
        ("notice", max(NOTICE_NM, _NOTICE_U * u)),
    )
    return next((grade for grade in grades if abs(shift) > grade[1]), None)


def _flag(scan: str, shift: float, grade: tuple[Severity, float], sentence: str) -> Flag:
    severity, threshold = grade
    return Flag(scan, CHECK, severity, abs(shift), threshold, "nm", sentence)


def white_shifts(wavelength_nm: Floats, whites: Floats, usable: NDArray[np.bool_]) -> WhiteShifts:
    """Return how far the structure of each white stands from the median white.

    Parameters
    ----------
    wavelength_nm
        Axis, shape ``(n_pixels,)``, nm, rising.
    whites
        White minus dark, shape ``(n_whites, n_pixels)``, in the order of measuring.
    usable
        Pixels with signal enough, shape ``(n_pixels,)``.

    Notes
    -----
    The logarithm of a white, band-passed, differs from that of the mean white by minus the shift
    times the band-passed slope of the latter; the shift is the least-squares factor, a parabola
    and a few counts too much or too little of dark beside it. Its uncertainty is taken from the
    scatter of the residuals over 20 stretches, so that neighbouring pixels need not be
    independent. Shifts count from the median white, or, if the whites fall into two halves, from
    the first.

    References
    ----------
    Shift by the slope (differential) method: Lucas & Kanade 1981, Proc. IJCAI 674-679 (memory).
    Uncertainty from stretches: Liang & Zeger 1986, Biometrika 73:13-22 (memory).
    """
    if len(whites) < 2:
        return _not_assessable("there are not two whites to compare")
    first, last = _longest_run(usable & (whites > 0).all(axis=0))
    if last - first < _FEWEST_PIXELS:
        return _not_assessable("the whites have too few pixels with enough signal in a row")
    axis, log = wavelength_nm[first:last], np.log(whites[:, first:last])
    structure = _structure(axis, log)
    if isinstance(structure, str):
        return _not_assessable(structure)
    slope, residual, energy = structure
    shift = -(residual @ slope) / energy
    remainder = residual + shift[:, None] * slope
    parts = np.array_split(np.arange(len(slope)), _BLOCKS)
    sums = np.stack([remainder[:, part] @ slope[part] for part in parts], axis=1)
    u = np.sqrt((sums**2).sum(axis=1) * _BLOCKS / (_BLOCKS - 1)) / energy
    u = np.hypot(u, _FLOOR_U_NM)
    if float(np.median(u)) > _BEST_U_NM:
        return _not_assessable(
            f"the white is too smooth: its structure tells a shift to {float(np.median(u)):.2g} nm "
            "only"
        )
    return WhiteShifts(_from_usual(shift), u)


def _not_assessable(why: str) -> WhiteShifts:
    return WhiteShifts(np.zeros(0), np.zeros(0), why)


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    starts, stops = edges[::2], edges[1::2]
    if not len(starts):
        return 0, 0
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])


def _structure(axis: Floats, log: Floats) -> tuple[Floats, Floats, float] | str:
    """Return the band-passed slope of the mean white, what each white differs from it by, energy.

    The least smoothing is taken under which the slope has several times the energy that noise and
    the pattern of the pixels would give it. That pattern stays where it is when the spectrum
    moves: its energy is taken off, or every shift would come out too small. A sentence if no
    smoothing serves.
    """
    mean = log.mean(axis=0)
    around = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    pixel = _MAD_TO_SD * float(np.median(np.abs(around - np.median(around)))) / np.sqrt(1.5)
    impulse = np.zeros(len(axis))
    impulse[len(axis) // 2] = pixel
    # A dark that drifted by c counts changes the logarithm by c / white: most where light is weak.
    by_dark = np.exp(mean.min() - mean)
    for pixels in _SHORT_PIXELS:
        dark = _band_pass(axis, by_dark, pixels)
        slope = _beside(dark, _band_pass(axis, np.gradient(mean, axis), pixels))
        energy = float(slope @ slope)
        of_pixel = _band_pass(axis, np.gradient(impulse, axis), pixels)
        by_pixels = len(slope) * float(of_pixel @ of_pixel)
        if energy >= _OVER_PIXELS * by_pixels:
            rest = _beside(dark, _band_pass(axis, log - mean, pixels))
            return slope, rest, energy - by_pixels
    return "the white is too smooth: it holds no structure but noise and the pattern of the pixels"


def _band_pass(axis: Floats, values: Floats, short_pixels: float) -> Floats:
    """Smooth a little, take the broad mean off, cut the ends, take a parabola off."""
    from scipy.ndimage import gaussian_filter1d

    long_pixels = _LONG_NM / float(np.median(np.diff(axis)))
    short = gaussian_filter1d(values, short_pixels, axis=-1, mode="nearest")
    rest = short - gaussian_filter1d(values, long_pixels, axis=-1, mode="nearest")
    cut = min(int(1.5 * long_pixels), len(axis) // 5)
    rest = rest[..., cut : len(axis) - cut]
    terms = np.linalg.qr(np.vander(np.linspace(-1, 1, rest.shape[-1]), 3))[0]
    return np.asarray(rest - (rest @ terms) @ terms.T)


def _beside(term: Floats, values: Floats) -> Floats:
    """Return what is left of the values when the term is taken off by least squares."""
    energy = float(term @ term)
    share = (values @ term) / energy if energy > 0 else np.zeros(values.shape[:-1])
    return np.asarray(values - np.multiply.outer(share, term))


def _from_usual(shift: Floats) -> Floats:
    """Return shifts from the median white; from the first if most do not stand at the median."""
    from_median = shift - np.median(shift)
    if np.mean(np.abs(from_median) <= NOTICE_NM / 2) > 0.5:
        return np.asarray(from_median)
    return np.asarray(shift - shift[0])


def _white_flags(scans: Sequence[str], shifts: WhiteShifts) -> list[Flag]:
    flags = []
    for scan, shift, u in zip(scans, shifts.shift_nm, shifts.u_nm, strict=True):
        grade = _graded(float(shift), float(u))
        if grade is not None:
            flags.append(
                _flag(
                    scan,
                    float(shift),
                    grade,
                    f"The structure of this white stands {shift:+.2f} nm (standard uncertainty "
                    f"{u:.2g} nm) from that of the other whites of the session: the spectrometer's "
                    "wavelengths, or the peaks of the light source, have moved.",
                )
            )
    return flags


# Between sessions, by the lamps
# ----------------------------------------------------------------------

_SURE = 4.0
"""A change must be so many of its standard uncertainties."""
_FEWEST = 3
"""From three sessions the median tells which one is odd."""


def axes_against_sessions(
    wavelengths: Mapping[str, Mapping[str, Any]],
) -> tuple[list[str], float | None]:
    """Compare the shift that the lamp found between sessions.

    Parameters
    ----------
    wavelengths
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
    lamps = {
        name: dict(report["lamp"]) for name, report in wavelengths.items() if report.get("lamp")
    }
    if len(lamps) < 2:
        return [], None
    shifts = {name: _places(lamp) for name, lamp in lamps.items()}
    values = np.array([shift for shift, _ in shifts.values()])
    us = np.array([u for _, u in shifts.values()])
    several = len(values) >= _FEWEST
    usual = np.median(values, axis=0) if several else values[0]
    warnings = []
    for k, name in enumerate(shifts):
        if k == 0 and not several:
            continue
        u = np.hypot(us[k], 0.0 if several else us[0])
        corrected = wavelengths[name].get("axis") == "from_lamp"
        limit = np.maximum(FAULT_NM if corrected else NOTICE_NM, _SURE * u)
        change = values[k] - usual
        worst = int(np.argmax(np.abs(change) / limit))
        if abs(change[worst]) > limit[worst]:
            warnings.append(_sentence(name, change, u, float(limit[worst]), worst, corrected))
    return warnings, float(np.ptp(values[:, 0]))


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


# Between sessions, by the structure of the whites
# ----------------------------------------------------------------------


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
    # A session whose whites all are at fault has no mean white, and says nothing of the others.
    with_white = {name: table for name, table in signals.items() if table["white"].notna().any()}
    compared = [name for name in with_white if name not in by_lamp]
    if len(with_white) < 2 or not compared:
        return StructureMoved()
    axis = next(iter(with_white.values()))["wavelength_nm"].to_numpy(dtype=np.float64)
    whites = np.stack([table["white"].to_numpy(dtype=np.float64) for table in with_white.values()])
    signal = np.stack(
        [t["signal_to_noise"].to_numpy(dtype=np.float64) for t in with_white.values()]
    )
    usable = (signal >= USABLE_SIGNAL_TO_NOISE).all(axis=0) & np.isfinite(whites).all(axis=0)
    shifts = white_shifts(axis, whites, usable)
    if shifts.why_not:
        return StructureMoved([_not_known(compared, lamps or {}, shifts.why_not)])
    u = np.hypot(shifts.u_nm, np.median(shifts.u_nm))
    sentences = [
        _moved(name, shift, u_shift)
        for name, shift, u_shift in zip(with_white, shifts.shift_nm, u, strict=True)
        if name not in by_lamp and abs(shift) > max(NOTICE_NM, _SURE * u_shift)
    ]
    return StructureMoved(sentences, float(np.ptp(shifts.shift_nm)))


def _not_known(sessions: Collection[str], lamps: Mapping[str, bool], why: str) -> str:
    return (
        f"Whether the wavelengths moved between sessions cannot be told for {', '.join(sessions)}: "
        f"{_why_no_lamp(lamps)}, and {why}. A scan of a mercury-argon lamp in every session "
        "(role lamp) would tell."
    )


def _why_no_lamp(lamps: Mapping[str, bool]) -> str:
    """Say why the lamp scans of the study do not compare its sessions."""
    unread = [name for name, read in lamps.items() if not read]
    alone = [name for name, read in lamps.items() if read]
    if not lamps:
        return "there is no lamp scan"
    reasons = []
    if unread:
        reasons.append(f"no lamp scan of {', '.join(unread)} could be read")
    if alone:
        reasons.append(f"only {', '.join(alone)} has a lamp scan that could be read")
    return " and ".join(reasons)


def _moved(session: str, shift: float, u: float) -> str:
    return (
        f"Session {session}: the structure of its whites stands {shift:+.2f} nm (standard "
        f"uncertainty {u:.2g} nm) from that of the other sessions (tolerance "
        f"{max(NOTICE_NM, _SURE * u):.2g} nm): the spectrometer's wavelengths, or the peaks of the "
        "light source, have moved. A scan of a mercury-argon lamp (role lamp) in every session "
        "tells which."
    )

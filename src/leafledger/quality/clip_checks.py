"""Did the clip or the fibre move in this session: one scan by itself, or all from one scan on?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.clip import baseline_offset, clip_moved
from leafledger.quality.clip_steps import PLATEAU_NM, clip_steps
from leafledger.quality.flags import Flag
from leafledger.quality.reference_checks import on_faulty_whites
from leafledger.quality.session import Session
from leafledger.quality.white_signal import usable_pixels
from leafledger.records.record import Metric, Outcome

Floats = NDArray[np.float64]
_DARKEST = 0.005
"""Reflectance below this is noise; its logarithm would drown the rest."""


def check_clip(
    session: Session,
    places: Mapping[str, tuple[str, str]],
    signal: Floats | None,
    said: Sequence[Flag],
    outcome: Outcome,
) -> list[Flag]:
    """Look for scans, and runs of scans, that are lifted, lowered or dimmed as a whole.

    Parameters
    ----------
    session
        The session.
    places
        Scan -> (unit, leaf).
    signal
        Signal-to-noise of the white on the axis of the reflectance; ``None`` if unknown.
    said
        Flags so far: a scan with a fault of its own, or on a white at fault, is not explained a
        second time.
    outcome
        Gets how many scans could be judged by themselves, and the spread of their offsets.
    """
    ids, axis = session.leaf_ids, session.leaves.wavelength_nm
    values = session.leaves.spectra["reflectance"]
    usable = usable_pixels(signal, len(axis))
    already = {flag.scan for flag in said if flag.severity == "fault"}
    already |= on_faulty_whites(session, said)
    keep = np.array([scan not in already for scan in ids], dtype=bool)
    offsets = baseline_offset(axis, values[keep], usable)
    judged = 0 if offsets is None else int(offsets.judged.sum())
    outcome.metrics.append(Metric("n_scans_baseline_judged", float(judged)))
    flags: list[Flag] = []
    series: dict[str, Floats] = {}
    sound = [scan for scan, kept in zip(ids, keep, strict=True) if kept]
    if offsets is not None:
        outcome.metrics.append(Metric("baseline_offset_sd", offsets.scale))
        flags = clip_moved(sound, offsets)
        series["offset"] = offsets.left
    plateau = usable & (axis >= PLATEAU_NM[0]) & (axis <= PLATEAU_NM[1])
    if plateau.any() and sound:
        level = values[keep][:, plateau].mean(axis=1)
        series["gain"] = np.log(np.maximum(level, _DARKEST))
    moved = {flag.scan for flag in flags}
    if np.isnan(session.seconds).any():
        # The order of a sheet without times is not that of measuring: it has no steps.
        return flags
    times = _times(session, sound)
    order = [k for k in np.argsort(times, kind="stable").tolist() if sound[k] not in moved]
    names = [sound[k] for k in order]
    units = [places.get(name, (name, ""))[0] for name in names]
    whites = _times(session, [session.ids[i] for i in session.of_role("white")])
    measured = times[order]
    before = sorted({int((measured < white).sum()) for white in whites})
    for kind, values_of in series.items():
        flags += clip_steps(names, units, values_of[order], before, kind)
    return flags


def _times(session: Session, names: Sequence[str]) -> Floats:
    """Return when scans were measured, s."""
    place = {scan: k for k, scan in enumerate(session.ids)}
    return np.array([session.seconds[place[name]] for name in names], dtype=np.float64)

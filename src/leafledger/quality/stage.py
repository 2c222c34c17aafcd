"""The rule `quality`: checks every scan of a session and measures the white's signal-to-noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.between_sessions import DARK_NOISE
from leafledger.quality.clip_checks import check_clip
from leafledger.quality.dark_leaf_noise import predicted_noise
from leafledger.quality.flags import Flag, flag_table
from leafledger.quality.leaf_checks import check_leaves, check_replicates
from leafledger.quality.levels import level_table
from leafledger.quality.reference_checks import check_counts, leaves_on_faults
from leafledger.quality.room_light import check_ambient
from leafledger.quality.session import Session
from leafledger.quality.sheet_order import duplicate, time_order
from leafledger.quality.wavelength_shift import Moved, check_wavelengths
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.columns import SIGNAL
from leafledger.study.tables import read_spectra, write_parquet

Floats = NDArray[np.float64]


def run(job: Job) -> Outcome:
    """Check every scan of one session."""
    checks: Mapping[str, Any] = job.settings["checks"]
    session = Session(read_spectra(job.inputs["scans"]), read_spectra(job.inputs["reflectance"]))
    places = _places(job.settings["scans"])
    outcome = Outcome()
    axis = session.leaves.wavelength_nm
    signal, n_references = session.white_signal()
    on_axis = None if signal is None else np.interp(axis, session.scans.wavelength_nm, signal)
    flags: list[Flag] = []
    moved = Moved()
    if session.in_counts:
        flags, outcome.warnings = check_counts(session, checks, signal)
        moved = check_wavelengths(session, signal)
        flags += moved.flags
    flags += _sheet_flags(session, places, outcome)
    flags += check_leaves(session, checks, on_axis, outcome)
    flags += check_ambient(session, checks, signal, outcome)
    flags += check_clip(session, places, on_axis, flags, outcome)
    flags += leaves_on_faults(session, flags)
    faulty = {flag.scan for flag in flags if flag.severity == "fault"}
    limit = float(checks["replicate_distance"])
    flags += check_replicates(session, places, faulty, on_axis, limit)
    told = {**moved.told, **_dark_noise(session)}
    write_parquet(job.outputs["quality"], flag_table(flags), told, ("scan", "check"))
    noise = None if signal is None else predicted_noise(session, signal)
    on_dark = None if noise is None else np.interp(axis, session.scans.wavelength_nm, noise)
    _write_signal(job, axis, on_axis, n_references, on_dark)
    write_parquet(job.outputs["levels"], level_table(session), {}, ("scan", "role", "unit"))
    _count(outcome, flags, len(session.leaf_ids))
    return outcome


def _places(scans: Mapping[str, Mapping[str, Any]]) -> dict[str, tuple[str, str]]:
    """Return scan -> (unit, leaf); the leaf is empty if the sheet does not name it."""
    return {scan: (str(of["unit"]), str(of["leaf"] or "")) for scan, of in scans.items()}


def _sheet_flags(
    session: Session, places: Mapping[str, tuple[str, str]], outcome: Outcome
) -> list[Flag]:
    ids, roles = session.ids, session.roles
    flags = duplicate(ids, roles, places, session.digests, session.raw.shape[1])
    for group in (["sample"], ["white", "dark"]):
        at = np.flatnonzero(np.isin(roles, group))
        found, n_odd = time_order([ids[i] for i in at], session.seconds[at])
        flags += found
        if n_odd and not found:
            outcome.warnings.append(
                f"The sheet is not in the order of measuring ({n_odd} of {len(at)} "
                f"{'/'.join(group)} scans): single wrong times cannot be found."
            )
    return flags


def _dark_noise(session: Session) -> dict[str, float]:
    """Return the noise of a dark for the comparison of sessions; nothing if it is not known."""
    noise = session.dark_noise if session.in_counts else None
    return {} if noise is None else {DARK_NOISE: noise}


def _write_signal(
    job: Job, axis: Floats, on_axis: Floats | None, n_references: int, on_dark: Floats | None
) -> None:
    import pyarrow as pa

    n = 0 if on_axis is None else len(axis)
    noise = np.full(n, np.nan) if on_dark is None else on_dark[:n]
    columns = (
        pa.array(axis[:n], type=pa.float64()),
        pa.array([] if on_axis is None else on_axis, type=pa.float64()),
        pa.array([n_references] * n, type=pa.int32()),
        pa.array(noise, type=pa.float64(), mask=~np.isfinite(noise)),
    )
    write_parquet(job.outputs["signal"], pa.table(columns, names=list(SIGNAL)), {}, SIGNAL[:1])


def _count(outcome: Outcome, flags: Sequence[Flag], n_scans: int) -> None:
    outcome.metrics.append(Metric("n_scans_checked", float(n_scans)))
    for severity in ("fault", "outlier", "notice"):
        scans = {flag.scan for flag in flags if flag.severity == severity}
        outcome.metrics.append(Metric(f"n_scans_{severity}", float(len(scans))))

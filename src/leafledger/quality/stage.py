"""What do all checks say of one session? The rule `quality`.

The checks run in a fixed order, raw scans before reflectance, and return flags, warnings and
numbers. Beside the table of flags stand the signal-to-noise of the white and the table of levels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.cross_session_checks import DARK_NOISE, duplicate, time_order
from leafledger.quality.leaves import check_clip, check_leaves, check_replicates
from leafledger.quality.reference_checks import check_counts, leaves_on_faults
from leafledger.quality.room_light import check_ambient, lines_in_whites
from leafledger.quality.session import (
    Findings,
    Flag,
    Session,
    flag_table,
    predicted_noise,
    read_indices,
)
from leafledger.quality.session_levels import level_table
from leafledger.quality.wavelength_axis import AxisShift, check_wavelengths
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import read_spectra, write_parquet
from leafledger.study.tables import SIGNAL

Floats = NDArray[np.float64]


def run(job: Job) -> Outcome:
    """Check every scan of one session."""
    checks: Mapping[str, Any] = job.settings["checks"]
    session = Session(
        read_spectra(job.inputs["scans"]),
        read_spectra(job.inputs["reflectance"], ("reflectance", "u_scan")),
        read_indices(job.inputs["visible_indices"]),
        job.inputs["reflectance"],
    )
    # Scan -> (unit, leaf); the leaf is empty if the sheet does not name it.
    scans: Mapping[str, Mapping[str, Any]] = job.settings["scans"]
    places = {scan: (str(row["unit"]), str(row["leaf"] or "")) for scan, row in scans.items()}
    signal, _ = session.white_signal()
    findings, moved, faulty = check_session(session, checks, places, signal)
    metadata = dict(moved.metadata)
    if session.in_counts and session.dark_noise is not None:
        metadata[DARK_NOISE] = session.dark_noise
    write_parquet(job.outputs["quality"], flag_table(findings.flags), metadata, ("scan", "check"))
    _write_signal(job, session, signal, faulty)
    write_parquet(job.outputs["levels"], level_table(session), {}, ("scan", "role", "unit"))
    metrics = [*findings.metrics, *_counts(findings.flags, len(session.leaf_ids))]
    return Outcome(metrics=metrics, warnings=findings.warnings)


def check_session(
    session: Session,
    checks: Mapping[str, Any],
    places: Mapping[str, tuple[str, str]],
    signal: Floats | None,
) -> tuple[Findings, AxisShift, set[str]]:
    """Make every check of a session; nothing is read or written.

    Parameters
    ----------
    session
        The session.
    checks
        Settings ``quality.checks``.
    places
        Scan -> (unit, leaf) of the leaf scans.
    signal
        Signal-to-noise of the white per pixel of the raw axis, ``None`` if unknown.

    Returns
    -------
    tuple
        What was found, the wavelength shifts, and the scans with a fault of their own.
    """
    axis = session.leaves.wavelength_nm
    on_axis = None if signal is None else np.interp(axis, session.scans.wavelength_nm, signal)
    findings = Findings()
    moved = AxisShift()
    if session.in_counts:
        findings += Findings(*check_counts(session, checks, signal))
        moved = check_wavelengths(session, signal)
        findings.flags += moved.flags
        findings.flags += lines_in_whites(session, checks, signal)
    findings += _check_sheet(session, places)
    leaves = check_leaves(session, checks, on_axis)
    # A full white makes reflectance too high by itself: the white is the reason, not the leaf.
    unknown = {
        f.scan for f in findings.flags if (f.check, f.severity) == ("white_saturated", "fault")
    }
    leaves.flags = [
        flag
        for flag in leaves.flags
        if flag.check != "impossible_reflectance" or flag.scan not in unknown
    ]
    findings += leaves
    findings += check_ambient(session, checks, signal)
    findings += check_clip(session, places, on_axis, findings.flags)
    findings.flags += leaves_on_faults(session, findings.flags)
    faulty = {flag.scan for flag in findings.flags if flag.severity == "fault"}
    limit = float(checks["replicate_distance"])
    findings.flags += check_replicates(session, places, faulty, on_axis, limit)
    return findings, moved, faulty


def _check_sheet(session: Session, places: Mapping[str, tuple[str, str]]) -> Findings:
    """Find scans that are in the study twice, and times out of order."""
    ids, roles = session.ids, session.roles
    findings = Findings(duplicate(ids, roles, places, session.digests, session.raw.shape[1]))
    for group in (["sample"], ["white", "dark"]):
        positions = np.flatnonzero(np.isin(roles, group))
        flags, n_odd = time_order([ids[i] for i in positions], session.seconds[positions])
        findings.flags += flags
        if n_odd and not flags:
            findings.warnings.append(
                f"The sheet is not in the order of measuring ({n_odd} of {len(positions)} "
                f"{'/'.join(group)} scans): single wrong times cannot be found."
            )
    return findings


def _write_signal(job: Job, session: Session, signal: Floats | None, faulty: set[str]) -> None:
    """Write what the whites give at the wavelengths of reflectance; no rows without whites."""
    import pyarrow as pa

    axis, n_references = session.leaves.wavelength_nm, session.white_signal()[1]
    noise = None if signal is None else predicted_noise(session, signal)
    n = 0 if signal is None else len(axis)

    def on_axis(values: Floats | None) -> pa.Array:
        column = np.full(n, np.nan)
        if n and values is not None:
            column = np.interp(axis, session.scans.wavelength_nm, values)
        return pa.array(column, type=pa.float64(), mask=~np.isfinite(column))

    columns = (
        pa.array(axis[:n], type=pa.float64()),
        on_axis(signal),
        pa.array([n_references] * n, type=pa.int32()),
        on_axis(noise),
        on_axis(_mean_white(session, faulty) if n else None),
    )
    write_parquet(job.outputs["signal"], pa.table(columns, names=list(SIGNAL)), {}, SIGNAL[:1])


def _mean_white(session: Session, faulty: set[str]) -> Floats | None:
    """Return the mean of the whites without fault, less dark, per ms; ``None`` without any."""
    sound = [session.ids[i] not in faulty for i in session.of_role("white")]
    return np.asarray(session.white_per_ms[sound].mean(axis=0)) if any(sound) else None


def _counts(flags: Sequence[Flag], n_scans: int) -> list[Metric]:
    """Return how many leaf scans were checked, and how many scans have a flag of each severity."""
    metrics = [Metric("n_scans_checked", float(n_scans))]
    for severity in ("fault", "outlier", "notice"):
        scans = {flag.scan for flag in flags if flag.severity == severity}
        metrics.append(Metric(f"n_scans_{severity}", float(len(scans))))
    return metrics

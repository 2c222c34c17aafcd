"""The rule `acceptance`: which scans take part, in which wavelengths, and did sessions shift."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.quality.exclusions import excluded_scans, exclusions
from leafledger.quality.flags import Flag
from leafledger.quality.session_effects import (
    WAVELENGTHS_NM,
    SessionEffect,
    session_effects,
    unit_values,
)
from leafledger.quality.trusted_range import (
    TrustedRange,
    found_range,
    stated_range,
    untested_range,
)
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.columns import ACCEPTED, EXCLUSIONS, SESSION_EFFECTS
from leafledger.study.decisions import Decision, read_decisions, standing
from leafledger.study.tables import (
    SpectraTable,
    read_parquet,
    read_spectra,
    write_csv,
    write_json,
)

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


def run(job: Job) -> Outcome:
    """Combine the checks of all sessions with the decisions of people."""
    rows = [dict(row) for row in job.settings["scans"]]
    samples = {str(row["scan"]) for row in rows}
    decisions: dict[str, Decision] = {}
    if "decisions" in job.inputs:
        path = job.inputs["decisions"]
        decisions = standing(read_decisions(path, job.shown(path), samples))
    flags = [flag for path in job.by_session("quality").values() for flag in _flags(path)]
    table = exclusions(flags, samples, decisions, str(job.settings["apply"]))
    excluded = excluded_scans(table, samples)
    outcome = Outcome()
    _refuse_or_warn_of_empty(rows, excluded, outcome)
    spectra = {
        s: read_spectra(p, ("reflectance",)) for s, p in job.by_session("reflectance").items()
    }
    trusted = _range(job, spectra, outcome)
    accepted = _accepted(rows, excluded, job.settings["design"]["sessions"])
    effects = _effects(job.settings["design"], accepted, spectra, trusted)
    _warn_of_shift(effects, outcome)
    write_csv(job.outputs["accepted"], accepted, ACCEPTED)
    write_csv(
        job.outputs["exclusions"], _frame([asdict(row) for row in table], EXCLUSIONS), EXCLUSIONS
    )
    write_json(job.outputs["range"], trusted.as_dict())
    shifts = _frame([row.as_dict() for row in effects], SESSION_EFFECTS)
    write_csv(job.outputs["session_effects"], shifts, SESSION_EFFECTS)
    outcome.metrics += [
        Metric("n_scans", float(len(rows))),
        Metric("n_scans_excluded", float(len(excluded))),
        Metric("n_decisions", float(len(decisions))),
        Metric("trusted_range_start", trusted.start_nm, "nm"),
        Metric("trusted_range_stop", trusted.stop_nm, "nm"),
    ]
    return outcome


def _frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(columns))


def _flags(path: Any) -> list[Flag]:
    records = read_parquet(path).to_dict("records")
    return [
        Flag(**{**{str(k): v for k, v in row.items()}, "wavelength_nm": _number(row)})
        for row in records
    ]


def _number(row: Mapping[Any, Any]) -> float | None:
    value = row["wavelength_nm"]
    return None if value is None or np.isnan(value) else float(value)


def _refuse_or_warn_of_empty(
    rows: Sequence[Mapping[str, Any]], excluded: set[str], outcome: Outcome
) -> None:
    """Refuse a study without any accepted scan; warn of a session without."""
    if rows and all(str(row["scan"]) in excluded for row in rows):
        raise InputFault(
            Problem(
                "study.yaml",
                f"all {len(rows)} leaf scans excluded",
                "at least one accepted scan",
                "See what the checks say of the scans; keep single scans in decisions.csv with a "
                "reason, or set quality.apply to none.",
                column="quality.apply",
            )
        )
    for session in dict.fromkeys(str(row["session"]) for row in rows):
        own = [str(row["scan"]) for row in rows if str(row["session"]) == session]
        if all(scan in excluded for scan in own):
            outcome.warnings.append(
                f"session {session}: all {len(own)} leaf scans are excluded; it takes no part in "
                "effects and classes"
            )


def _accepted(
    rows: Sequence[Mapping[str, Any]],
    excluded: set[str],
    sessions: Sequence[Mapping[str, Any]],
) -> pd.DataFrame:
    place = {str(entry["session"]): k for k, entry in enumerate(sessions)}
    ordered = sorted(rows, key=lambda r: (place.get(str(r["session"]), len(place)), str(r["scan"])))
    table = [
        {
            **{name: str(row.get(name) or "") for name in ACCEPTED if name != "accepted"},
            "accepted": str(row["scan"]) not in excluded,
        }
        for row in ordered
    ]
    return _frame(table, ACCEPTED)


def _range(job: Job, spectra: Mapping[str, SpectraTable], outcome: Outcome) -> TrustedRange:
    axis = _one_axis(spectra)
    settings = job.settings["range"]
    if "start_nm" in settings:
        return stated_range(float(settings["start_nm"]), float(settings["stop_nm"]), axis)
    signal: dict[str, Floats] = {}
    untested: list[str] = []
    for session, path in job.by_session("signal").items():
        table = read_parquet(path)
        if len(table) == len(axis):
            signal[session] = table["signal_to_noise"].to_numpy(dtype=np.float64)
        else:
            untested.append(session)
    if not signal:
        trusted = untested_range(axis)
        outcome.warnings.append(f"trusted range {trusted.why}")
        return trusted
    least, margin = float(settings["signal_to_noise"]), float(settings["margin_nm"])
    return found_range(axis, signal, least, margin, untested)


def _one_axis(spectra: Mapping[str, SpectraTable]) -> Floats:
    first, *others = spectra
    axis = spectra[first].wavelength_nm
    for other in others:
        if not np.array_equal(axis, spectra[other].wavelength_nm):
            raise InputFault(
                Problem(
                    "study.yaml",
                    f"sessions {first} and {other} with different wavelengths",
                    "one wavelength axis for all sessions",
                    "State a grid, such as {start_nm: 400, stop_nm: 1000, step_nm: 1}.",
                    column="reflectance.grid",
                )
            )
    return axis


def _effects(
    design: Mapping[str, Any],
    accepted: pd.DataFrame,
    spectra: Mapping[str, SpectraTable],
    trusted: TrustedRange,
) -> list[SessionEffect]:
    """Return the shifts of the control units; none without a control group or known units."""
    if design.get("control") is None or design.get("unit") is None:
        return []
    control = {unit for unit, label in design["treatments"].items() if label == design["control"]}
    at = [w for w in WAVELENGTHS_NM if trusted.start_nm <= w <= trusted.stop_nm]
    values: dict[str, dict[str, Floats]] = {}
    taking_part = accepted[accepted["accepted"] & accepted["unit"].isin(control)].set_index("scan")
    for session, table in spectra.items():
        ids = [str(scan) for scan in table.rows["scan"]]
        keep = [k for k, scan in enumerate(ids) if scan in taking_part.index]
        rows = taking_part.loc[[ids[k] for k in keep]]
        read = [np.interp(at, table.wavelength_nm, table.spectra["reflectance"][k]) for k in keep]
        values[session] = unit_values(
            [str(u) for u in rows["unit"]],
            [str(leaf) for leaf in rows["leaf"]],
            np.array(read).reshape(len(keep), len(at)),
        )
    sessions = [(str(s["session"]), str(s["phase"])) for s in design["sessions"]]
    return session_effects(sessions, values, at) if at and sessions else []


def _warn_of_shift(effects: Sequence[SessionEffect], outcome: Outcome) -> None:
    clear = [row for row in effects if row.p_holm is not None and row.p_holm < 1 - row.ci_level]
    for session in dict.fromkeys(row.session for row in clear):
        told = ", ".join(
            f"{row.estimate:+.4f} at {row.wavelength_nm:.0f} nm"
            for row in clear
            if row.session == session
        )
        outcome.warnings.append(
            f"session {session}: the untreated units shifted together ({told}, reflectance). "
            "Without a stable tile (role check) an instrument shift cannot be told from growth; "
            "the difference in change cancels additive shifts only"
        )

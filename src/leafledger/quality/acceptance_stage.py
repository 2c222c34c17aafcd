"""Which scans and which wavelengths take part in the study, and did sessions shift?

The rule `acceptance`: flags of all sessions, what only shows between sessions, and the decisions
of people become accepted.csv and exclusions.csv; the whites give the trusted range; control units,
references and the order of measuring give the two tables of systematic error.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.quality.cross_session_checks import between_sessions, compare_axes, dark_noises
from leafledger.quality.flags import RANK, Findings, Flag
from leafledger.quality.session_drift import (
    order_warnings,
    orders_of,
    reference_effects,
    sessions_of,
    shift_warnings,
    without_bad_references,
)
from leafledger.quality.session_levels import (
    WAVELENGTHS_NM,
    SessionEffect,
    session_effects,
    unit_values,
)
from leafledger.quality.trusted_range import (
    TrustedRange,
    found_range,
    largest_noise,
    stated_range,
    untested_range,
)
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.scan_sheet import (
    Decision,
    change_warnings,
    digest_changed,
    read_decisions,
    standing,
)
from leafledger.study.table_files import (
    SpectraTable,
    read_parquet,
    read_spectra,
    spectra_by_group,
    write_csv,
    write_json,
)
from leafledger.study.tables import ACCEPTED, EXCLUSIONS, ORDER_EFFECTS, SESSION_EFFECTS

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

Floats = NDArray[np.float64]


def run(job: Job) -> Outcome:
    """Combine the checks of all sessions with the decisions of people."""
    rows = [dict(row) for row in job.settings["scans"]]
    samples = {str(row["scan"]) for row in rows}
    decisions: dict[str, Decision] = {}
    if "decisions" in job.inputs:
        path = job.inputs["decisions"]
        aside = {str(scan) for scan in job.settings.get("set_aside") or ()}
        read = read_decisions(path, job.shown(path), samples | aside)
        decisions = standing(d for d in read if d.scan not in aside)
    flags = [flag for path in job.by_session("quality").values() for flag in _flags(path)]
    findings = Findings(flags)
    levels = {s: read_parquet(path) for s, path in job.by_session("levels").items()}
    findings += between_sessions(levels, flags, dark_noises(job.by_session("quality")))
    findings.warnings += change_warnings(digest_changed(decisions.values(), _digests(levels)))
    sound = without_bad_references(levels, {f.scan for f in flags if f.severity == "fault"})
    table = exclusions(flags, samples, decisions, str(job.settings["apply"]))
    excluded = excluded_scans(table, samples)
    findings.warnings += _refuse_or_warn_of_empty(rows, excluded)
    # Of the spectra only axis and metadata; values at a few wavelengths are read where needed.
    spectra = {s: read_spectra(p, ()) for s, p in job.by_session("reflectance").items()}
    axes = {s: t.metadata.get("wavelengths") or {} for s, t in spectra.items()}
    signals = {s: read_parquet(path) for s, path in job.by_session("signal").items()}
    findings += compare_axes(axes, signals)
    trusted, warnings = _range(job, spectra, signals)
    findings.warnings += warnings
    accepted = _accepted(rows, excluded, job.settings["design"]["sessions"])
    findings.warnings += _write_systematic(job, accepted, trusted, sound)
    write_csv(job.outputs["accepted"], accepted, ACCEPTED)
    write_csv(
        job.outputs["exclusions"], _frame([asdict(row) for row in table], EXCLUSIONS), EXCLUSIONS
    )
    write_json(job.outputs["range"], asdict(trusted))
    findings += _noise_of_dark_leaf(signals, trusted)
    by_rule = counts_by_rule(table, samples)
    findings.metrics += [
        Metric("n_scans", float(len(rows))),
        Metric("n_scans_excluded", float(len(excluded))),
        *(Metric(f"n_scans_excluded_by_{rule}", float(n)) for rule, n in by_rule.items()),
        Metric("n_decisions", float(len(decisions))),
        Metric("trusted_range_start", trusted.start_nm, "nm"),
        Metric("trusted_range_stop", trusted.stop_nm, "nm"),
    ]
    return Outcome(metrics=findings.metrics, warnings=findings.warnings)


def _flags(path: Path) -> list[Flag]:
    flags = []
    for row in read_parquet(path).to_dict("records"):
        at_nm = row["wavelength_nm"]
        row["wavelength_nm"] = None if at_nm is None or np.isnan(at_nm) else float(at_nm)
        flags.append(Flag(**{str(name): value for name, value in row.items()}))
    return flags


def _digests(levels: Mapping[str, pd.DataFrame]) -> dict[str, str]:
    """Return scan -> digest of its raw values."""
    pairs = [table[["scan", "digest"]].drop_duplicates("scan") for table in levels.values()]
    return {str(scan): str(digest) for pair in pairs for scan, digest in pair.to_numpy()}


def _refuse_or_warn_of_empty(rows: Sequence[Mapping[str, Any]], excluded: set[str]) -> list[str]:
    """Refuse a study without any accepted scan; return a warning of every session without."""
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
    warnings = []
    for session in dict.fromkeys(str(row["session"]) for row in rows):
        scans = [str(row["scan"]) for row in rows if str(row["session"]) == session]
        if all(scan in excluded for scan in scans):
            warnings.append(
                f"Session {session}: all {len(scans)} leaf scans are excluded; it takes no part in "
                "effects and classes."
            )
    return warnings


def _range(
    job: Job,
    spectra: Mapping[str, SpectraTable],
    signals: Mapping[str, pd.DataFrame],
) -> tuple[TrustedRange, list[str]]:
    """Return the trusted range, and a warning where no white vouches for it."""
    axis = _one_axis(spectra)
    settings = job.settings["range"]
    if "start_nm" in settings:
        return stated_range(float(settings["start_nm"]), float(settings["stop_nm"]), axis), []
    signal: dict[str, Floats] = {}
    untested: list[str] = []
    for session, table in signals.items():
        if len(table) == len(axis):
            signal[session] = table["signal_to_noise"].to_numpy(dtype=np.float64)
        else:
            untested.append(session)
    if not signal:
        trusted = untested_range(axis)
        return trusted, [f"Trusted range: {trusted.why}."]
    least, margin = float(settings["signal_to_noise"]), float(settings["margin_nm"])
    return found_range(axis, signal, least, margin, untested), []


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


def _frame(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(columns))


def _write_systematic(
    job: Job,
    accepted: pd.DataFrame,
    trusted: TrustedRange,
    levels: Mapping[str, pd.DataFrame],
) -> list[str]:
    """Write both tables of systematic error; return what is clear in them."""
    design = job.settings["design"]
    inside_nm = [w for w in WAVELENGTHS_NM if trusted.start_nm <= w <= trusted.stop_nm]
    effects = [
        *_effects(design, accepted, job.by_session("reflectance"), inside_nm),
        *reference_effects(sessions_of(design), levels, inside_nm),
    ]
    orders = orders_of(design, accepted, levels, inside_nm)
    shifts = _frame([asdict(row) for row in effects], SESSION_EFFECTS)
    write_csv(job.outputs["session_effects"], shifts, SESSION_EFFECTS)
    ordered = _frame([asdict(row) for row in orders], ORDER_EFFECTS)
    write_csv(job.outputs["order_effects"], ordered, ORDER_EFFECTS)
    return [*shift_warnings(effects), *order_warnings(orders)]


def _effects(
    design: Mapping[str, Any],
    accepted: pd.DataFrame,
    reflectance: Mapping[str, Path],
    wavelength_nm: Sequence[float],
) -> list[SessionEffect]:
    """Return the shifts of the control units; none without a control group or known units."""
    if design.get("control") is None or design.get("unit") is None:
        return []
    control = {unit for unit, label in design["treatments"].items() if label == design["control"]}
    values: dict[str, dict[str, Floats]] = {}
    taking_part = accepted[accepted["accepted"] & accepted["unit"].isin(control)].set_index("scan")
    for session, path in reflectance.items():
        ids: list[str] = []
        read: list[Floats] = []
        for table in spectra_by_group(path, ("reflectance",)):
            for scan, curve in zip(table.rows["scan"], table.spectra["reflectance"], strict=True):
                if scan in taking_part.index:
                    ids.append(str(scan))
                    read.append(np.interp(wavelength_nm, table.wavelength_nm, curve))
        rows = taking_part.loc[ids]
        values[session] = unit_values(
            [str(u) for u in rows["unit"]],
            [str(leaf) for leaf in rows["leaf"]],
            np.array(read).reshape(len(ids), len(wavelength_nm)),
        )
    sessions = sessions_of(design)
    return session_effects(sessions, values, wavelength_nm) if wavelength_nm and sessions else []


def _noise_of_dark_leaf(signals: Mapping[str, pd.DataFrame], trusted: TrustedRange) -> Findings:
    """Find the largest noise to expect at a reflectance of 0.05 within the trusted range."""
    noise = largest_noise(signals, trusted.start_nm, trusted.stop_nm)
    if noise is None:
        return Findings()
    metrics = [
        Metric("noise_at_reflectance_005", noise.noise),
        Metric("noise_at_reflectance_005_at", noise.wavelength_nm, "nm"),
    ]
    return Findings(warnings=noise.warnings(), metrics=metrics)


# Exclusions: the checks suggest, the settings apply, a person rules over both.
# ----------------------------------------------------------------------

APPLIED_SEVERITIES: dict[str, frozenset[str]] = {
    "none": frozenset(),
    "faults": frozenset({"fault"}),
    "faults_and_outliers": frozenset({"fault", "outlier"}),
}


@dataclass(frozen=True)
class Exclusion:
    """One rule on one scan: what it suggests and what was applied."""

    scan: str
    rule: str
    suggested: str
    applied: str
    reason: str
    by: str
    when: str


def exclusions(
    flags: Sequence[Flag],
    samples: Collection[str],
    decisions: Mapping[str, Decision],
    apply: str,
) -> list[Exclusion]:
    """Combine flags and decisions, one row per scan and rule, sorted by both.

    Parameters
    ----------
    flags
        Findings of all sessions; notices suggest nothing and make no row.
    samples
        Ids of the leaf scans. A reference at fault is listed (suggested ``exclude``) and kept:
        it is the reflectance rule that uses it, and leaving it out means mending the scan sheet.
    decisions
        Scan -> what a person decided; rules over the checks in both directions.
    apply
        ``none``, ``faults`` or ``faults_and_outliers``.
    """
    active = APPLIED_SEVERITIES[apply]
    gravest = _gravest(flags)
    rows = []
    for (scan, rule), flag in gravest.items():
        decision = decisions.get(scan)
        reason = flag.sentence
        applied = scan in samples and flag.severity in active
        if decision is not None:
            applied = decision.action == "exclude"
        if scan not in samples:
            reason += " A reference scan: its leaves stay in; mend the scan sheet to leave it out."
        rows.append(
            Exclusion(scan, rule, "exclude", "exclude" if applied else "keep", reason, "", "")
        )
    suggested = {scan for scan, _ in gravest}
    rows += [
        Exclusion(
            scan,
            "decision",
            "exclude" if scan in suggested else "keep",
            decision.action,
            decision.reason,
            decision.by,
            decision.when,
        )
        for scan, decision in decisions.items()
    ]
    return sorted(rows, key=lambda row: (row.scan, row.rule))


def _gravest(flags: Sequence[Flag]) -> dict[tuple[str, str], Flag]:
    """Return the gravest flag of every check on every scan; notices suggest nothing."""
    out: dict[tuple[str, str], Flag] = {}
    for flag in flags:
        if flag.severity == "notice":
            continue
        known = out.get((flag.scan, flag.check))
        if known is None or RANK[flag.severity] < RANK[known.severity]:
            out[flag.scan, flag.check] = flag
    return out


def excluded_scans(rows: Sequence[Exclusion], samples: Collection[str]) -> set[str]:
    """Return the leaf scans that do not take part."""
    return {row.scan for row in rows if row.applied == "exclude" and row.scan in samples}


def counts_by_rule(rows: Sequence[Exclusion], samples: Collection[str]) -> dict[str, int]:
    """Return rule -> number of leaf scans that it keeps out of the study, sorted by rule.

    A scan on which a person decided counts under ``decision`` alone; one that several checks call
    counts under each of them, so that the numbers can add up to more than the scans.
    """
    decided = {row.scan for row in rows if row.rule == "decision"}
    out: dict[str, int] = {}
    for row in rows:
        counted = row.rule == "decision" or row.scan not in decided
        if counted and row.applied == "exclude" and row.scan in samples:
            out[row.rule] = out.get(row.rule, 0) + 1
    return dict(sorted(out.items()))

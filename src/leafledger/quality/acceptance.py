"""Which scans and which wavelengths take part, and did sessions shift? The rule ``acceptance``.

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
from leafledger.quality.session import DARK_REFLECTANCE, RANK, Findings, Flag
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


# The trusted range, by the white references alone
# ----------------------------------------------------------------------
# Leaves have no part in it: a range chosen by them would follow the treatment. What the white's
# signal means for a dark leaf is predicted from the noise of whites and darks.

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
    # The session whose signal is lowest just outside the range sets the limit.
    limiting = sessions[int(np.argmin(stack[:, edges].min(axis=1)))] if edges else None
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


# Accepted scans, exclusions and systematic errors
# ----------------------------------------------------------------------


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
    order_of = {str(entry["session"]): k for k, entry in enumerate(sessions)}
    ordered = sorted(
        rows, key=lambda r: (order_of.get(str(r["session"]), len(order_of)), str(r["scan"]))
    )
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
        gravest = out.get((flag.scan, flag.check))
        if gravest is None or RANK[flag.severity] < RANK[gravest.severity]:
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

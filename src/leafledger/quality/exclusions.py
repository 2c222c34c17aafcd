"""Which scans take part: the checks suggest, the settings apply, a person rules over both."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from leafledger.quality.flags import RANK, Flag
from leafledger.study.scan_sheet import Decision

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
        own = row.rule == "decision" or row.scan not in decided
        if own and row.applied == "exclude" and row.scan in samples:
            out[row.rule] = out.get(row.rule, 0) + 1
    return dict(sorted(out.items()))

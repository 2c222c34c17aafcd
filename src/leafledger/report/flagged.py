"""Which leaf scans are drawn because a check or a person pointed at them, and beside what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.report.groups import Groups
from leafledger.study.spectra import Spectra

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Pointed:
    """A leaf scan that a check or a person pointed at.

    Attributes
    ----------
    rules
        Checks (or ``decision``) that pointed at it.
    reasons
        What they said, one each.
    outlier
        Only its replicates speak against it: it is suggested, no fault.
    left_out
        Whether it was left out of the study.
    at_nm
        Wavelengths that the checks named.
    """

    scan: str
    session: str
    unit: str
    rules: tuple[str, ...]
    reasons: tuple[str, ...]
    outlier: bool
    left_out: bool
    at_nm: tuple[float, ...]


def pointed_scans(
    exclusions: pd.DataFrame,
    accepted: pd.DataFrame,
    quality: Mapping[str, pd.DataFrame],
) -> list[Pointed]:
    """Return the leaf scans that are to be left out, by suggestion or decision, in study order.

    Notices suggest nothing and are not drawn; nor is a scan that a person merely confirmed.
    """
    told = exclusions[(exclusions["suggested"] == "exclude") | (exclusions["applied"] == "exclude")]
    by_scan: dict[str, list[dict[str, Any]]] = {}
    for row in told.to_dict("records"):
        by_scan.setdefault(str(row["scan"]), []).append({str(k): v for k, v in row.items()})
    severity, places = _from_checks(quality)
    out = []
    for leaf in accepted[accepted["scan"].isin(list(by_scan))].to_dict("records"):
        scan = str(leaf["scan"])
        rows = by_scan[scan]
        rules = tuple(str(row["rule"]) for row in rows)
        out.append(
            Pointed(
                scan=scan,
                session=str(leaf["session"]),
                unit=str(leaf["unit"]),
                rules=rules,
                reasons=tuple(_told(row) for row in rows),
                outlier=all(severity.get((scan, rule)) == "outlier" for rule in _checks(rules)),
                left_out=not bool(leaf["accepted"]),
                at_nm=tuple(sorted(places.get(scan, set()))),
            )
        )
    return out


def _checks(rules: Sequence[str]) -> list[str]:
    """Return the rules that judge; a decision alone judges too."""
    return [rule for rule in rules if rule != "decision"] or list(rules)


def _told(row: Mapping[str, Any]) -> str:
    if row["rule"] != "decision":
        return str(row["reason"])
    by = f" ({row['by']})" if row["by"] else ""
    return f"Decided: {row['reason'] or 'no reason given'}{by}."


def _from_checks(
    quality: Mapping[str, pd.DataFrame],
) -> tuple[dict[tuple[str, str], str], dict[str, set[float]]]:
    """Return (scan, check) -> its gravest severity, and scan -> wavelengths named."""
    severity: dict[tuple[str, str], str] = {}
    places: dict[str, set[float]] = {}
    for frame in quality.values():
        for row in frame[frame["severity"] != "notice"].to_dict("records"):
            key = (str(row["scan"]), str(row["check"]))
            if severity.get(key) != "fault":
                severity[key] = str(row["severity"])
            if np.isfinite(row["wavelength_nm"] if row["wavelength_nm"] is not None else np.nan):
                places.setdefault(key[0], set()).add(float(row["wavelength_nm"]))
    return severity, places


def chosen_to_draw(scans: Sequence[Pointed], at_most: int) -> list[Pointed]:
    """Return at most so many scans, every check before any twice, then session by session.

    Examples
    --------
    >>> of = lambda scan, rule: Pointed(scan, "d", "u", (rule,), ("",), False, True, ())
    >>> some = [of("a", "x"), of("b", "x"), of("c", "y")]
    >>> [p.scan for p in chosen_to_draw(some, 2)]
    ['a', 'c']
    """
    checks: Counter[str] = Counter()
    here: Counter[tuple[str, str]] = Counter()
    ranked = []
    for place, scan in enumerate(scans):
        check = _checks(scan.rules)[0]
        ranked.append((checks[check] > 0, here[check, scan.session], place))
        checks[check] += 1
        here[check, scan.session] += 1
    return [scans[place] for place in sorted(place for *_, place in sorted(ranked)[:at_most])]


@dataclass(frozen=True)
class Beside:
    """A pointed scan with what it is drawn over.

    Attributes
    ----------
    scan
        Shape ``(n_wavelengths,)``.
    siblings
        Label -> spectrum of the other scans of the same unit and session, in their order.
    low, high
        Lowest and highest accepted scan of the treatment in the session, without the scan itself;
        ``None`` if there is no other.
    n_group
        Accepted scans that ``low`` and ``high`` span.
    """

    scan: Floats
    siblings: Mapping[str, Floats]
    low: Floats | None
    high: Floats | None
    n_group: int


def beside(spectra: Spectra, groups: Groups, pointed: Pointed) -> Beside | None:
    """Return a pointed scan with its siblings and its group; ``None`` if it has no spectrum.

    Parameters
    ----------
    spectra
        All scans, accepted or not.
    groups
        Treatments of the units.
    pointed
        The scan.
    """
    rows = spectra.rows
    here = (rows["session"] == pointed.session).to_numpy(dtype=bool)
    scan = here & (rows["scan"] == pointed.scan).to_numpy(dtype=bool)
    if not scan.any():
        return None
    kin = here & ~scan & (rows["unit"] == pointed.unit).to_numpy(dtype=bool)
    group = groups.of_unit.get(pointed.unit, "all")
    same = np.array([groups.of_unit.get(unit, "all") == group for unit in rows["unit"]])
    band = here & ~scan & same & rows["accepted"].to_numpy(dtype=bool)
    known = spectra.reflectance[band]
    return Beside(
        scan=spectra.reflectance[scan][0],
        siblings={str(rows["scan"].iloc[k]): spectra.reflectance[k] for k in np.flatnonzero(kin)},
        low=np.fmin.reduce(known) if len(known) else None,
        high=np.fmax.reduce(known) if len(known) else None,
        n_group=len(known),
    )

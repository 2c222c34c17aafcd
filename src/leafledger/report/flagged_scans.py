"""Which leaf scans did a check or a person point at, and what do they look like?

Scans at fault are drawn over the accepted scans of their treatment, suggested outliers beside their
replicates.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.figures import (
    FAINT,
    INK,
    NOT_TESTED,
    RULE,
    VERMILLION,
    Figure,
    FigureSet,
    Floats,
    and_more,
    finish_panels,
    legend_label,
    new_figure,
    panels,
    thinning,
    wrap_text,
)
from leafledger.report.gather import Groups, Material
from leafledger.report.numbers import short, table_rows
from leafledger.study.spectra import Spectra
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd


# Which scans, and what each is compared with.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class FlaggedScan:
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


def flagged_leaf_scans(
    exclusions: pd.DataFrame,
    accepted: pd.DataFrame,
    quality: Mapping[str, pd.DataFrame],
) -> list[FlaggedScan]:
    """Return the leaf scans that are to be left out, by suggestion or decision, in study order.

    Notices suggest nothing and are not drawn; nor is a scan that a person merely confirmed.
    """
    excluded = exclusions[
        (exclusions["suggested"] == "exclude") | (exclusions["applied"] == "exclude")
    ]
    by_scan: dict[str, list[dict[str, Any]]] = {}
    for row in table_rows(excluded):
        by_scan.setdefault(str(row["scan"]), []).append(row)
    severity, wavelengths = _from_checks(quality)
    out = []
    for leaf in accepted[accepted["scan"].isin(list(by_scan))].to_dict("records"):
        scan = str(leaf["scan"])
        rows = by_scan[scan]
        rules = tuple(str(row["rule"]) for row in rows)
        out.append(
            FlaggedScan(
                scan=scan,
                session=str(leaf["session"]),
                unit=str(leaf["unit"]),
                rules=rules,
                reasons=tuple(_reason(row) for row in rows),
                outlier=all(severity.get((scan, rule)) == "outlier" for rule in _checks(rules)),
                left_out=not bool(leaf["accepted"]),
                at_nm=tuple(sorted(wavelengths.get(scan, set()))),
            )
        )
    return out


def _checks(rules: Sequence[str]) -> list[str]:
    """Return the rules that judge; a decision alone judges too."""
    return [rule for rule in rules if rule != "decision"] or list(rules)


def _reason(row: Mapping[str, Any]) -> str:
    if row["rule"] != "decision":
        return str(row["reason"])
    by = f" ({row['by']})" if row["by"] else ""
    return f"Decided: {row['reason'] or 'no reason given'}{by}."


def _from_checks(
    quality: Mapping[str, pd.DataFrame],
) -> tuple[dict[tuple[str, str], str], dict[str, set[float]]]:
    """Return (scan, check) -> its gravest severity, and scan -> wavelengths named."""
    severity: dict[tuple[str, str], str] = {}
    wavelengths: dict[str, set[float]] = {}
    for frame in quality.values():
        for row in frame[frame["severity"] != "notice"].to_dict("records"):
            key = (str(row["scan"]), str(row["check"]))
            if severity.get(key) != "fault":
                severity[key] = str(row["severity"])
            if np.isfinite(row["wavelength_nm"] if row["wavelength_nm"] is not None else np.nan):
                wavelengths.setdefault(key[0], set()).add(float(row["wavelength_nm"]))
    return severity, wavelengths


def chosen_to_draw(scans: Sequence[FlaggedScan], at_most: int) -> list[FlaggedScan]:
    """Return at most so many scans, every check before any twice, then session by session.

    Examples
    --------
    >>> of = lambda scan, rule: FlaggedScan(scan, "d", "u", (rule,), ("",), False, True, ())
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
class ScanContext:
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


def scan_context(spectra: Spectra, groups: Groups, flagged: FlaggedScan) -> ScanContext | None:
    """Return a pointed scan with its siblings and its group; ``None`` if it has no spectrum.

    Parameters
    ----------
    spectra
        All scans, accepted or not.
    groups
        Treatments of the units.
    flagged
        The scan.
    """
    rows = spectra.rows
    here = (rows["session"] == flagged.session).to_numpy(dtype=bool)
    scan = here & (rows["scan"] == flagged.scan).to_numpy(dtype=bool)
    if not scan.any():
        return None
    kin = here & ~scan & (rows["unit"] == flagged.unit).to_numpy(dtype=bool)
    group = groups.of_unit.get(flagged.unit, "all")
    same = np.array([groups.of_unit.get(unit, "all") == group for unit in rows["unit"]])
    band = here & ~scan & same & rows["accepted"].to_numpy(dtype=bool)
    group_spectra = spectra.reflectance[band]
    return ScanContext(
        scan=spectra.reflectance[scan][0],
        siblings={str(rows["scan"].iloc[k]): spectra.reflectance[k] for k in np.flatnonzero(kin)},
        low=np.fmin.reduce(group_spectra) if len(group_spectra) else None,
        high=np.fmax.reduce(group_spectra) if len(group_spectra) else None,
        n_group=len(group_spectra),
    )


# Figures: scans at fault over their group, and replicates that disagree.
# ----------------------------------------------------------------------

MOST_FAULTS = 9
MOST_GROUPS = 6
_POINTS = 800
"""Enough for a line of a lamp, which is a few nanometres wide."""
_SIBLINGS_NAMED = 7
_MARKERS = ("o", "s", "^", "D", "v", "P", "*")
_DASHES: tuple[Any, ...] = ("-", (0, (1, 1.2)), (0, (5, 1.5, 1, 1.5)), (0, (2, 1)))
_WHERE = "the table of every suggestion and decision"

Drawn = tuple[FlaggedScan, ScanContext]


def draw_flagged_scans(
    figures: FigureSet, material: Material
) -> tuple[Figure | None, Figure | None]:
    """Draw scans at fault over their group, and suggested outliers among their replicates.

    Returns
    -------
    tuple
        The two figures; ``None`` where there is nothing to draw.
    """
    units_known = bool(material.design.get("unit"))
    flagged = flagged_leaf_scans(material.exclusions, material.accepted, material.quality)
    faults = [p for p in flagged if not (p.outlier and units_known)]
    outliers = [p for p in flagged if p.outlier and units_known]
    return _faults(figures, material, faults), _outliers(figures, material, outliers)


def _with_group(material: Material, chosen: Sequence[FlaggedScan]) -> list[Drawn]:
    pairs = [(p, scan_context(material.all_spectra, material.groups, p)) for p in chosen]
    return [(p, context) for p, context in pairs if context is not None]


def _faults(
    figures: FigureSet, material: Material, flagged: Sequence[FlaggedScan]
) -> Figure | None:
    drawn = _with_group(material, chosen_to_draw(flagged, MOST_FAULTS))
    if not drawn:
        return None
    figure, axes, columns = panels(len(drawn), 2.75, 0.5)
    x = material.all_spectra.wavelength_nm
    for axis, (point, context) in zip(axes, drawn, strict=False):
        _draw_fault(axis, x, point, context)
        _titles(axis, point, " ".join(point.reasons))
    finish_panels(axes, len(drawn), columns, "wavelength (nm)", "reflectance")
    _fault_legend(figure, material)
    unit = material.unit_word if material.design.get("unit") else ""
    thin = f" Thin lines: the other scans of the same {unit} in that session." if unit else ""
    thin += _drawn_at_most([b for _, b in drawn]) if unit else ""
    outliers = " Suggested outliers have their own figure." if unit else ""
    n = "; ".join(f"{p.scan}: {b.n_group}" for p, b in drawn)
    return figures.add(
        figure,
        "scans_at_fault",
        "Scans that the checks or a person pointed at, over their group",
        f"{counted(len(drawn), 'panel')}, each with one scan as a thick dashed line over the band "
        "of its group; the reason stands above it.",
        "Thick dashes with crosses: the scan; dotted upright lines: where the check found it. "
        f"Band: lowest to highest accepted scan of the same treatment and session.{thin}"
        f"{outliers} n of scans in the band: {n}. Single scans have no error bars.{NOT_TESTED}"
        + and_more(len(flagged) - len(drawn), _WHERE),
        wide=columns > 1,
    )


def _titles(axis: Any, point: FlaggedScan, reason: str) -> None:
    done = "left out" if point.left_out else "kept"
    axis.set_title(
        f"{short(point.scan, 24)} ({short(point.session, 14)}), {done}\n{wrap_text(reason, 62, 4)}",
        fontsize=6.8,
        fontweight="normal",
    )


def _draw_fault(axis: Any, x: Floats, point: FlaggedScan, context: ScanContext) -> None:
    step = thinning(x, _POINTS)
    if context.low is not None and context.high is not None:
        axis.fill_between(x[step], context.low[step], context.high[step], color=RULE, linewidth=0)
    for spectrum in list(context.siblings.values())[:_SIBLINGS_NAMED]:
        axis.plot(x[step], spectrum[step], color=FAINT, linewidth=0.7)
    _draw_marked(axis, x, context.scan)
    for wavelength in point.at_nm[:3]:
        axis.axvline(wavelength, color=INK, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)


def _draw_marked(axis: Any, x: Floats, y: Floats) -> None:
    step = thinning(x, _POINTS)
    axis.plot(x[step], y[step], color=VERMILLION, linewidth=1.7,
              linestyle=(0, (4, 1.2)), marker="X", markersize=5,
              markeredgecolor=INK, markeredgewidth=0.5, markevery=max(1, len(x[step]) // 8),
              zorder=4)  # fmt: skip


def _fault_legend(figure: Any, material: Material) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    marked = Line2D([], [], color=VERMILLION, linewidth=1.7, linestyle=(0, (4, 1.2)),
                    marker="X", markeredgecolor=INK, markeredgewidth=0.5)  # fmt: skip
    handles: list[Any] = [marked, Patch(color=RULE)]
    labels = ["the scan", "accepted scans of its treatment"]
    if material.design.get("unit"):
        handles.append(Line2D([], [], color=FAINT, linewidth=0.7))
        labels.append(f"other scans of its {short(material.unit_word)}")
    figure.legend(handles, labels, loc="outside upper left", ncols=3)


def _outliers(
    figures: FigureSet, material: Material, flagged: Sequence[FlaggedScan]
) -> Figure | None:
    groups: dict[tuple[str, str], list[FlaggedScan]] = {}
    for point in flagged:
        groups.setdefault((point.session, point.unit), []).append(point)
    # Spectra are looked up for the groups that are drawn only: there may be a thousand.
    first = {key: _with_group(material, groups[key]) for key in list(groups)[:MOST_GROUPS]}
    shown = {key: members for key, members in first.items() if members}
    if not shown:
        return None
    n = len(shown)
    figure = new_figure(7.4, 2.5 * n + 0.2)
    axes = figure.subplots(n, 2, sharex=True, squeeze=False)
    for pair, members in zip(axes, shown.values(), strict=True):
        _draw_replicates(pair, material.all_spectra.wavelength_nm, members)
    for axis in axes[-1]:
        axis.set_xlabel("wavelength (nm)")
    unit = material.unit_word
    counts = "; ".join(
        f"{who} in {session}: {len(members[0][1].siblings) + 1}"
        for (session, who), members in shown.items()
    )
    every = [context for members in shown.values() for _, context in members]
    return figures.add(
        figure,
        "replicates",
        "Replicates with the suggested outlier marked",
        f"{counted(n, 'group')} of replicates, each with reflectance on the left and the ratio to "
        "the median of the others on the right; the suggested outlier is a thick dashed line.",
        f"All scans of one {unit} in one session, left their reflectance, right divided by the "
        "median of the scans that are not suggested. Thick dashes with crosses: the suggested "
        f"outlier. A suggestion is no verdict.{_drawn_at_most(every)} n of scans: {counts}. "
        f"Single scans have no error bars.{NOT_TESTED}" + and_more(len(groups) - n, _WHERE),
        wide=True,
    )


def _drawn_at_most(found: Sequence[ScanContext]) -> str:
    """Return what a caption says where a unit has more scans than can be told apart."""
    if all(len(each.siblings) <= _SIBLINGS_NAMED for each in found):
        return ""
    return f" Of the other scans of a unit at most {_SIBLINGS_NAMED} are drawn."


def _draw_replicates(pair: Any, x: Floats, members: Sequence[Drawn]) -> None:
    left, right = pair
    step = thinning(x, _POINTS)
    suspects = {point.scan: context.scan for point, context in members}
    others = {s: y for s, y in members[0][1].siblings.items() if s not in suspects}
    middle = np.median(list(others.values()), axis=0) if others else None
    for i, (scan, spectrum) in enumerate(list(others.items())[:_SIBLINGS_NAMED]):
        look = {"color": INK if i % 2 else FAINT, "linewidth": 0.9,
                "linestyle": _DASHES[i % len(_DASHES)], "marker": _MARKERS[i % len(_MARKERS)],
                "markersize": 3, "markevery": (4 * i, max(1, len(x[step]) // 6))}  # fmt: skip
        left.plot(x[step], spectrum[step], label=legend_label(scan, 24), **look)
        if middle is not None:
            right.plot(x[step], _ratio(spectrum, middle)[step], **look)
    for scan, spectrum in suspects.items():
        _draw_marked(left, x, spectrum)
        left.lines[-1].set_label(f"{legend_label(scan, 24)}: suggested")
        if middle is not None:
            _draw_marked(right, x, _ratio(spectrum, middle))
    right.axhline(1, color=INK, linewidth=0.6)
    left.set_ylabel("reflectance")
    right.set_ylabel("ratio to the others")
    left.legend(fontsize=6.5, loc="upper left", handlelength=3.6)
    first = members[0][0]
    done = ", ".join("left out" if p.left_out else "kept" for p, _ in members)
    left.set_title(f"{short(first.unit, 20)}, {short(first.session, 20)} ({done})")
    reason = " ".join(f"{p.scan}: {' '.join(p.reasons)}" for p, _ in members)
    right.set_title(wrap_text(reason, 62, 4), fontsize=6.8, fontweight="normal")


def _ratio(spectrum: Floats, middle: Floats) -> Floats:
    """Return the ratio where the median is clear of zero; elsewhere it would be noise."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(middle > 0.005, spectrum / middle, np.nan)

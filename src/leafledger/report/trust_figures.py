"""How steady were the references, and which leaf scans were flagged: the figures of trust.

The whites and darks of each session over time, with those at fault and the tolerance of the check;
scans at fault over the accepted scans of their treatment; suggested outliers beside their
replicates.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.darks import LEAST_SHIFT
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
from leafledger.report.gather import Groups, Material, check_words
from leafledger.report.numbers import format_fixed, format_number, short, table_rows
from leafledger.study.table_files import Spectra
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd


# How far each reference stands from the others of its session.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class ReferenceCourse:
    """The references of one role in one session, in the order of measuring.

    Attributes
    ----------
    scans
        Ids.
    time
        Hours since the first scan of the session, or places in the order of measuring; shape
        ``(n_scans,)``.
    timed
        Whether ``time`` is in hours.
    series
        Integration time of each scan, ms; NaN if unknown.
    level
        Mean over the wavelengths of the deviation from the median of the sound references of the
        same series, shape ``(n_scans,)``: a share for whites, counts for darks.
    low, high
        Smallest and largest deviation over the wavelengths.
    bad
        Whether a check called the scan a fault.
    tolerance
        Half width of the tolerance band, in the unit of ``level``; ``None`` if not known.
    """

    scans: tuple[str, ...]
    time: Floats
    timed: bool
    series: Floats
    level: Floats
    low: Floats
    high: Floats
    bad: NDArray[np.bool_]
    tolerance: float | None


def reference_course(
    levels: pd.DataFrame, role: str, bad: Collection[str], tolerance: float | None
) -> ReferenceCourse | None:
    """Return the course of the whites or darks of one session; ``None`` if there are none.

    Parameters
    ----------
    levels
        Table ``quality/<session>.levels.parquet``.
    role
        ``white`` (relative deviation) or ``dark`` (deviation in counts).
    bad
        Scans at fault: marked, and left out of the median.
    tolerance
        Half width of the band.
    """
    part = levels[levels["role"] == role]
    if not len(part):
        return None
    # Two rows of one scan and wavelength cannot be: both are the key of the table.
    wide = part.pivot(index="scan", columns="wavelength_nm", values="value")
    facts = part.drop_duplicates("scan").set_index("scan").sort_values("place", kind="stable")
    values = wide.loc[facts.index].to_numpy(dtype=np.float64)
    faulty = facts.index.isin(list(bad))
    # The signal of a white is told per millisecond: one series whatever the integration time.
    ms = facts["integration_ms"].to_numpy(dtype=np.float64)
    series = np.full(len(ms), np.nan) if role == "white" else ms
    deviation = _deviation(values, series, faulty, relative=role == "white")
    hours = facts["hours"].to_numpy(dtype=np.float64)
    timed = bool(np.isfinite(hours).all())
    return ReferenceCourse(
        scans=tuple(str(scan) for scan in facts.index),
        time=hours if timed else facts["place"].to_numpy(dtype=np.float64) + 1,
        timed=timed,
        series=series,
        level=deviation.mean(axis=1),
        low=deviation.min(axis=1),
        high=deviation.max(axis=1),
        bad=np.asarray(faulty, dtype=np.bool_),
        tolerance=tolerance,
    )


def _deviation(
    values: Floats, series: Floats, faulty: NDArray[np.bool_], *, relative: bool
) -> Floats:
    keys = np.where(np.isfinite(series), series, -1.0)
    out = np.empty_like(values)
    for key in np.unique(keys):
        members = keys == key
        sound = members & ~faulty
        middle = np.median(values[sound if sound.any() else members], axis=0)
        out[members] = values[members] - middle
        if relative:
            out[members] /= np.where(middle == 0, np.nan, middle)
    return out


def white_counts(levels: pd.DataFrame, bad: Collection[str]) -> float | None:
    """Return the median white signal of a session in counts above dark; ``None`` without whites."""
    part = levels[(levels["role"] == "white") & ~levels["scan"].isin(list(bad))]
    if not len(part):
        return None
    per_ms = (part["unit"] == "count/ms").to_numpy()
    value = part["value"].to_numpy(dtype=np.float64)
    ms = part["integration_ms"].to_numpy(dtype=np.float64)
    return float(np.median(np.where(per_ms, value * ms, value)))


# Figures of the whites and darks over time.
# ----------------------------------------------------------------------

MOST_SESSIONS = 12
"""Sessions with a panel of their own."""
_NAMED = 4
_NAMED_IN_CAPTION = 12
_SERIES = (("o", "full"), ("s", "none"), ("^", "full"), ("D", "none"), ("v", "full"))


def bad_references(material: Material) -> dict[str, str]:
    """Return reference scan -> what the checks called it, for those at fault."""
    leaves = set(material.accepted["scan"])
    faults: dict[str, list[str]] = {}
    for row in material.exclusions.to_dict("records"):
        if row["suggested"] == "exclude" and row["scan"] not in leaves:
            faults.setdefault(str(row["scan"]), []).append(check_words(str(row["rule"])))
    return {scan: ", ".join(rules) for scan, rules in faults.items()}


def draw_references(figures: FigureSet, material: Material, role: str) -> Figure | None:
    """Draw the whites or the darks over time, a panel per session.

    Parameters
    ----------
    figures, material
        Where the figure goes, and the study.
    role
        ``white`` or ``dark``.
    """
    bad = bad_references(material)
    courses = {}
    for session, levels in material.by_session["levels"].items():
        limit = _tolerance(material, session, levels, role, bad)
        course = reference_course(levels, role, bad, limit)
        if course is not None:
            courses[session] = course
    if not courses:
        return None
    # Sessions with a bad reference must not fall off the end.
    ranked = sorted(courses, key=lambda s: not courses[s].bad.any())[:MOST_SESSIONS]
    plotted = {s: course for s, course in courses.items() if s in ranked}
    scale = 100.0 if role == "white" else 1.0
    figure, axes, columns = panels(len(plotted), 2.2, 0.3, same_y=False)
    span = _span(list(plotted.values()), scale)
    for axis, (session, course) in zip(axes, plotted.items(), strict=False):
        _draw_course(axis, course, scale, span)
        axis.set_title(short(session))
        axis.set_xlabel(_below(course, scale, span), fontsize=8.5)
    for i, axis in enumerate(axes):
        if i >= len(plotted):
            axis.set_axis_off()
        elif i % columns == 0:
            axis.set_ylabel(_AXIS_WORDS[role])
    more = and_more(len(courses) - len(plotted), "the flags by check above")
    # Sessions whose band is the tolerance that the check wrote down.
    quality = material.by_session["quality"]
    stated = [s for s in plotted if dark_tolerance(quality.get(s)) is not None]
    return figures.add(
        figure,
        f"{role}s_over_time",
        f"{role.capitalize()} references over time",
        f"{role.capitalize()} references of {counted(len(plotted), 'session')} in the order of "
        f"measuring, as {_QUANTITY[role]} from the median of each session; "
        f"{_bad_words(plotted)} marked with a cross.",
        _course_caption(role, plotted, stated) + more,
        wide=columns > 1,
    )


_AXIS_WORDS = {"white": "change of signal (%)", "dark": "change of level (counts)"}
_QUANTITY = {"white": "change in percent", "dark": "change in counts"}


def _tolerance(
    material: Material, session: str, levels: pd.DataFrame, role: str, bad: Mapping[str, str]
) -> float | None:
    if role == "white":
        settings = material.records.get(f"quality.{session}", {}).get("settings", {})
        drift = settings.get("checks", {}).get("reference_drift")
        return None if drift is None else float(drift)
    tolerance = dark_tolerance(material.by_session["quality"].get(session))
    if tolerance is not None:
        return tolerance
    counts = white_counts(levels, bad)
    return None if counts is None else LEAST_SHIFT * counts


def dark_tolerance(quality: pd.DataFrame | None) -> float | None:
    """Return the widest tolerance, in counts, that the check of the darks held one against.

    A sound dark leaves no row, so a session without a bad dark tells no tolerance.
    """
    if quality is None or not len(quality):
        return None
    rows = quality[(quality["check"] == "bad_dark") & (quality["unit"] == "count")]
    limits = rows["threshold"].to_numpy(dtype=float)
    limits = limits[np.isfinite(limits) & (limits > 0)]
    return float(limits.max()) if len(limits) else None


def _span(courses: Sequence[ReferenceCourse], scale: float) -> float:
    """Return the half height of the panels: what is sound and the band fit; faults may not."""
    sound = [np.abs(np.r_[c.low[~c.bad], c.high[~c.bad]]) for c in courses]
    reach = np.concatenate([*sound, [c.tolerance or 0.0 for c in courses]])
    reach = reach[np.isfinite(reach)]
    largest = float(reach.max()) if len(reach) else 0.0
    return 1.35 * scale * largest or 1.0


def _draw_course(axis: Any, course: ReferenceCourse, scale: float, span: float) -> None:
    if course.tolerance is not None:
        half = scale * course.tolerance
        axis.axhspan(-half, half, color=RULE, alpha=0.45, linewidth=0, zorder=0)
        for edge in (-half, half):
            axis.axhline(edge, color=FAINT, linewidth=0.7, linestyle=(0, (4, 2)))
    axis.axhline(0, color=INK, linewidth=0.6)
    level = scale * course.level
    keys = np.where(np.isfinite(course.series), course.series, -1.0)
    for i, key in enumerate(np.unique(keys)):
        sound = (keys == key) & ~course.bad
        marker, fill = _SERIES[i % len(_SERIES)]
        axis.vlines(course.time[sound], scale * course.low[sound], scale * course.high[sound],
                    color=FAINT, linewidth=0.8)  # fmt: skip
        axis.plot(course.time[sound], level[sound], linestyle="none", marker=marker, markersize=3.5,
                  fillstyle=fill, color=INK, markeredgewidth=0.8)  # fmt: skip
    for n, k in enumerate(np.flatnonzero(course.bad), start=1):
        y = float(np.clip(level[k], -0.86 * span, 0.86 * span))
        axis.plot(course.time[k], y, marker="X", markersize=8, color=VERMILLION,
                  markeredgecolor=INK, markeredgewidth=0.8, linestyle="none", zorder=4)  # fmt: skip
        if n <= _NAMED:
            axis.annotate(str(n), (course.time[k], y), xytext=(6, -3),
                          textcoords="offset points", fontsize=8.5, fontweight="bold")  # fmt: skip
    axis.set_ylim(-span, span)


def _below(course: ReferenceCourse, scale: float, span: float) -> str:
    """Return what stands below a panel: the axis, and the bad references by name."""
    axis = "hours since the first scan" if course.timed else "place in the order of measuring"
    faulty = np.flatnonzero(course.bad)
    named = []
    for n, k in enumerate(faulty[:_NAMED], start=1):
        value = scale * course.level[k]
        off = ", off the scale" if abs(value) > span else ""
        sign = "+" if value > 0 else ""
        amount = f"{format_fixed(value, 1)} %" if scale > 1 else f"{format_number(value)} counts"
        named.append(f"{n}: {short(course.scans[k])} ({sign}{amount}{off})")
    if len(faulty) > _NAMED:
        named.append(f"and {len(faulty) - _NAMED} more")
    return "\n".join([axis, *named])


def _bad_words(plotted: Mapping[str, ReferenceCourse]) -> str:
    n = sum(int(course.bad.sum()) for course in plotted.values())
    return "none is at fault, so none is" if n == 0 else f"{n} at fault {'is' if n == 1 else 'are'}"


def _dark_band(plotted: Mapping[str, ReferenceCourse], stated: Sequence[str]) -> str:
    least = (
        f"{100 * LEAST_SHIFT:g} % of the session's white signal at these wavelengths, about the "
        "least shift that counts"
    )
    if len(stated) == len(plotted):
        where = "the tolerance that the check of the darks held them against"
    elif stated:
        where = f"the tolerance of the check in {', '.join(stated)}; elsewhere {least}"
    else:
        where = least
    return (
        f"{where}; the check looks at sixteen parts of the spectrum and at the noise, so a dark "
        "can be at fault inside the band."
    )


def _course_caption(
    role: str, plotted: Mapping[str, ReferenceCourse], stated: Sequence[str]
) -> str:
    courses = list(plotted.values())
    n = ", ".join(f"{session} {len(course.scans)}" for session, course in plotted.items())
    band = "Band: "
    if not any(course.tolerance is not None for course in courses):
        band = "No band: a tolerance is not known."
    elif role == "white":
        band += (
            "the change that counts as a fault; the check compares each white with its neighbours "
            "in eight parts of the spectrum, so a white can be at fault inside the band and sound "
            "outside it."
        )
    else:
        band += _dark_band(plotted, stated)
    series = ""
    if role == "dark":
        most = max(len(np.unique(c.series[np.isfinite(c.series)])) for c in courses)
        symbols = " (one kind of symbol for each, the shortest filled)" if most > 1 else ""
        series = f" and integration time{symbols}"
    named = [scan for c in courses for scan, bad in zip(c.scans, c.bad, strict=True) if bad]
    n_left = len(named) - _NAMED_IN_CAPTION
    cross = " No reference is at fault."
    if named:
        names = ", ".join(named[:_NAMED_IN_CAPTION]) + (f" and {n_left} more" if n_left > 0 else "")
        cross = f" Crosses with numbers: at fault ({names})."
    return (
        f"One symbol per {role} reference: its mean deviation at up to four wavelengths (550, 680, "
        "720 and 800 nm) from the median of the sound ones of its session"
        f"{series}; the stroke spans those wavelengths. {band}{cross} n of references: {n}. "
        f"Single references have no error bars.{NOT_TESTED}"
    )


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
    decided_by = f" ({row['by']})" if row["by"] else ""
    return f"Decided: {row['reason'] or 'no reason given'}{decided_by}."


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
    n_drawn: Counter[tuple[str, str]] = Counter()
    ranked = []
    for position, scan in enumerate(scans):
        check = _checks(scan.rules)[0]
        ranked.append((checks[check] > 0, n_drawn[check, scan.session], position))
        checks[check] += 1
        n_drawn[check, scan.session] += 1
    return [
        scans[position]
        for position in sorted(position for *_, position in sorted(ranked)[:at_most])
    ]


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
    in_session = (rows["session"] == flagged.session).to_numpy(dtype=bool)
    scan = in_session & (rows["scan"] == flagged.scan).to_numpy(dtype=bool)
    if not scan.any():
        return None
    kin = in_session & ~scan & (rows["unit"] == flagged.unit).to_numpy(dtype=bool)
    group = groups.of_unit.get(flagged.unit, "all")
    same = np.array([groups.of_unit.get(unit, "all") == group for unit in rows["unit"]])
    band = in_session & ~scan & same & rows["accepted"].to_numpy(dtype=bool)
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
    quality = material.by_session["quality"]
    flagged = flagged_leaf_scans(material.exclusions, material.accepted, quality)
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
        f"{short(point.scan, 24)} ({short(point.session, 14)}), {done}\n{wrap_text(reason, 46, 4)}",
        fontsize=8,
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
    plotted = {key: members for key, members in first.items() if members}
    if not plotted:
        return None
    n = len(plotted)
    figure = new_figure(7.4, 2.5 * n + 0.2)
    axes = figure.subplots(n, 2, sharex=True, squeeze=False)
    for pair, members in zip(axes, plotted.values(), strict=True):
        _draw_replicates(pair, material.all_spectra.wavelength_nm, members)
    for axis in axes[-1]:
        axis.set_xlabel("wavelength (nm)")
    unit = material.unit_word
    counts = "; ".join(
        f"{who} in {session}: {len(members[0][1].siblings) + 1}"
        for (session, who), members in plotted.items()
    )
    every = [context for members in plotted.values() for _, context in members]
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


def _drawn_at_most(context: Sequence[ScanContext]) -> str:
    """Return what a caption says where a unit has more scans than can be told apart."""
    if all(len(each.siblings) <= _SIBLINGS_NAMED for each in context):
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
    left.legend(fontsize=8, loc="upper left", handlelength=3.6)
    first = members[0][0]
    done = ", ".join("left out" if p.left_out else "kept" for p, _ in members)
    left.set_title(f"{short(first.unit, 20)}, {short(first.session, 20)} ({done})")
    reason = " ".join(f"{p.scan}: {' '.join(p.reasons)}" for p, _ in members)
    right.set_title(wrap_text(reason, 46, 4), fontsize=8, fontweight="normal")


def _ratio(spectrum: Floats, middle: Floats) -> Floats:
    """Return the ratio where the median is clear of zero; elsewhere it would be noise."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(middle > 0.005, spectrum / middle, np.nan)

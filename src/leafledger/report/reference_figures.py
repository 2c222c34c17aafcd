"""How steady were whites and darks, and how strong was the signal?

The references of each session over time, with those at fault and the tolerance of the check, and
the signal-to-noise ratio of the white references.
"""

from __future__ import annotations

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
    Look,
    and_more,
    legend_label,
    looks,
    new_figure,
    panels,
    thinning,
)
from leafledger.report.gather import Material, check_words
from leafledger.report.numbers import format_fixed, format_number, short
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
    away = _deviation(values, series, faulty, relative=role == "white")
    hours = facts["hours"].to_numpy(dtype=np.float64)
    timed = bool(np.isfinite(hours).all())
    return ReferenceCourse(
        scans=tuple(str(scan) for scan in facts.index),
        time=hours if timed else facts["place"].to_numpy(dtype=np.float64) + 1,
        timed=timed,
        series=series,
        level=away.mean(axis=1),
        low=away.min(axis=1),
        high=away.max(axis=1),
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
    for session, levels in material.levels.items():
        limit = _tolerance(material, session, levels, role, bad)
        course = reference_course(levels, role, bad, limit)
        if course is not None:
            courses[session] = course
    if not courses:
        return None
    # Sessions with a bad reference must not fall off the end.
    ranked = sorted(courses, key=lambda s: not courses[s].bad.any())[:MOST_SESSIONS]
    shown = {s: course for s, course in courses.items() if s in ranked}
    scale = 100.0 if role == "white" else 1.0
    figure, axes, columns = panels(len(shown), 2.2, 0.3, same_y=False)
    span = _span(list(shown.values()), scale)
    for axis, (session, course) in zip(axes, shown.items(), strict=False):
        _draw_course(axis, course, scale, span)
        axis.set_title(short(session))
        axis.set_xlabel(_below(course, scale, span), fontsize=7.5)
    for i, axis in enumerate(axes):
        if i >= len(shown):
            axis.set_axis_off()
        elif i % columns == 0:
            axis.set_ylabel(_AXIS_WORDS[role])
    more = and_more(len(courses) - len(shown), "the flags by check above")
    return figures.add(
        figure,
        f"{role}s_over_time",
        f"{role.capitalize()} references over time",
        f"{role.capitalize()} references of {counted(len(shown), 'session')} in the order of "
        f"measuring, as {_QUANTITY[role]} from the median of each session; "
        f"{_bad_words(shown)} marked with a cross.",
        _course_caption(role, shown, _sessions_with_tolerance(material, role, shown)) + more,
        wide=columns > 1,
    )


_AXIS_WORDS = {"white": "change of signal (%)", "dark": "change of level (counts)"}
_QUANTITY = {"white": "change in percent", "dark": "change in counts"}


def _tolerance(
    material: Material, session: str, levels: pd.DataFrame, role: str, bad: Mapping[str, str]
) -> float | None:
    if role == "white":
        settings = material.records.get(f"quality.{session}", {}).get("settings", {})
        asked = settings.get("checks", {}).get("reference_drift")
        return None if asked is None else float(asked)
    tolerance = dark_tolerance(material.quality.get(session))
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
                          textcoords="offset points", fontsize=7.5, fontweight="bold")  # fmt: skip
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
        named.append(f"{n}: {short(course.scans[k])} ({sign}{_amount(value, scale)}{off})")
    if len(faulty) > _NAMED:
        named.append(f"and {len(faulty) - _NAMED} more")
    return "\n".join([axis, *named])


def _amount(value: float, scale: float) -> str:
    return f"{format_fixed(value, 1)} %" if scale > 1 else f"{format_number(value)} counts"


def _bad_words(shown: Mapping[str, ReferenceCourse]) -> str:
    n = sum(int(course.bad.sum()) for course in shown.values())
    return "none is at fault, so none is" if n == 0 else f"{n} at fault {'is' if n == 1 else 'are'}"


def _sessions_with_tolerance(
    material: Material, role: str, shown: Mapping[str, ReferenceCourse]
) -> list[str]:
    """Return the sessions whose band is the tolerance that the check wrote down."""
    if role == "white":
        return []
    return [s for s in shown if dark_tolerance(material.quality.get(s)) is not None]


def _dark_band(shown: Mapping[str, ReferenceCourse], stated: Sequence[str]) -> str:
    least = (
        f"{100 * LEAST_SHIFT:g} % of the session's white signal at these wavelengths, about the "
        "least shift that counts"
    )
    if len(stated) == len(shown):
        where = "the tolerance that the check of the darks held them against"
    elif stated:
        where = f"the tolerance of the check in {', '.join(stated)}; elsewhere {least}"
    else:
        where = least
    return (
        f"{where}; the check looks at sixteen parts of the spectrum and at the noise, so a dark "
        "can be at fault inside the band."
    )


def _course_caption(role: str, shown: Mapping[str, ReferenceCourse], stated: Sequence[str]) -> str:
    courses = list(shown.values())
    n = ", ".join(f"{session} {len(course.scans)}" for session, course in shown.items())
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
        band += _dark_band(shown, stated)
    named = [scan for c in courses for scan, bad in zip(c.scans, c.bad, strict=True) if bad]
    left = len(named) - _NAMED_IN_CAPTION
    cross = " No reference is at fault."
    if named:
        names = ", ".join(named[:_NAMED_IN_CAPTION]) + (f" and {left} more" if left > 0 else "")
        cross = f" Crosses with numbers: at fault ({names})."
    return (
        f"One symbol per {role} reference: its mean deviation at up to four wavelengths (550, 680, "
        "720 and 800 nm) from the median of the sound ones of its session"
        + (_series_words(courses) if role == "dark" else "")
        + f"; the stroke spans those wavelengths. {band}{cross} n of references: {n}. "
        f"Single references have no error bars.{NOT_TESTED}"
    )


def _series_words(courses: Sequence[ReferenceCourse]) -> str:
    most = max(len(np.unique(c.series[np.isfinite(c.series)])) for c in courses)
    words = " and integration time"
    return f"{words} (one kind of symbol for each, the shortest filled)" if most > 1 else words


# Signal-to-noise ratio of the white references.
# ----------------------------------------------------------------------

_MOST_NAMED = 12
"""Sessions with a line of their own; more would not be told apart."""


def draw_signal(figures: FigureSet, material: Material, threshold: float | None) -> Figure | None:
    """Draw the signal-to-noise ratio of the white references against wavelength."""
    signal = {s: frame for s, frame in material.signal.items() if len(frame)}
    if not signal:
        return None
    figure = new_figure(7.2, 3.0)
    axis = figure.subplots()
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    named = _named_sessions(material, list(signal))
    look = looks(named)
    for session, frame in signal.items():
        if session not in look:
            _draw_ratio(axis, frame, Look(FAINT, "", "-", ""), None)
    for session in named:
        _draw_ratio(axis, signal[session], look[session], legend_label(session))
    axis.axvspan(start, stop, color=RULE, alpha=0.45, linewidth=0, zorder=0)
    axis.annotate("trusted range", ((start + stop) / 2, 0.03), xycoords=("data", "axes fraction"),
                  ha="center", color=FAINT, fontsize=8)  # fmt: skip
    if threshold:
        axis.axhline(threshold, color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
    _plain_log(axis)
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("signal-to-noise ratio")
    figure.legend(
        *axis.get_legend_handles_labels(), loc="outside upper left", ncols=min(5, len(named))
    )
    return figures.add(
        figure,
        "signal_to_noise",
        "Signal-to-noise ratio of the white references",
        f"Signal-to-noise ratio against wavelength for {counted(len(signal), 'session')} on a "
        f"logarithmic scale; the trusted range from {start:g} to {stop:g} nm is shaded.",
        _signal_caption(signal, named, threshold),
    )


def _named_sessions(material: Material, sessions: Sequence[str]) -> list[str]:
    """Return the sessions with a line of their own; with many, only the one that sets the limit."""
    if len(sessions) <= _MOST_NAMED:
        return list(sessions)
    limiting = str(material.trusted.get("limiting_session") or "")
    return [limiting] if limiting in sessions else [sessions[0]]


def _signal_caption(
    signal: Mapping[str, pd.DataFrame], named: Sequence[str], threshold: float | None
) -> str:
    asked = f" Dotted line: the {format_number(threshold)} that was asked for." if threshold else ""
    lines = "One line per session"
    if len(named) < len(signal):
        lines += f"; {named[0]} by name, the other {len(signal) - 1} in grey"
    whites = [int(f["n_references"].max()) for f in signal.values()]
    n = ", ".join(f"{s} {k}" for s, k in zip(signal, whites, strict=True))
    if len(named) < len(signal):
        n = f"{min(whites)} to {max(whites)} a session"
    return (
        f"{lines}. Number of white references: {n}.{asked} Shaded: the trusted range. The scale is "
        "logarithmic. A dark leaf has a lower ratio than the white panel. No error bars: each "
        f"ratio is a single number.{NOT_TESTED}"
    )


def _draw_ratio(axis: Any, frame: pd.DataFrame, look: Look, label: str | None) -> None:
    x, y = frame["wavelength_nm"].to_numpy(float), frame["signal_to_noise"].to_numpy(float)
    step = thinning(x, 400)
    good = np.isfinite(y[step]) & (y[step] > 0)
    axis.plot(
        x[step][good],
        y[step][good],
        color=look.colour,
        linestyle=look.dashes,
        linewidth=1 if label else 0.5,
        label=label,
    )


def _plain_log(axis: Any) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_yscale("log")
    axis.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5), numticks=8))
    axis.yaxis.set_major_formatter(FuncFormatter(lambda y, _: f"{y:g}"))
    axis.yaxis.set_minor_formatter(NullFormatter())

"""Which figures show spectra, index values and effects over the sessions?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.figures import (
    BLUE,
    FAINT,
    FULL_WIDTH,
    INK,
    NOT_TESTED,
    Figure,
    FigureSet,
    Floats,
    Look,
    MeanInterval,
    SpectrumSummary,
    and_more,
    finish_panels,
    group_legend,
    index_axis,
    looks,
    mean_interval,
    new_figure,
    panels,
    summarise_spectra,
    thinning,
    wrap_text,
)
from leafledger.report.gather import Groups, Material, contrast_in_words
from leafledger.report.numbers import format_count, is_number, short, size_words, unit_suffix
from leafledger.study.table_files import Spectra

if TYPE_CHECKING:
    import pandas as pd


# Spectra: the groups, and their difference.
# ----------------------------------------------------------------------

_AXIS = "wavelength (nm)"

_CALLED = {"significant": True, "not_significant": False}
"""Verdicts of a test of difference; those of equivalence say something else."""


def summaries_by_group(
    spectra: Spectra, groups: Groups, session: str
) -> dict[str, SpectrumSummary]:
    """Return group -> summary of its accepted spectra in one session; empty groups are left out."""
    rows = spectra.rows
    in_session = (rows["session"] == session).to_numpy(dtype=bool)
    group = np.array([groups.of_unit.get(unit, "all") for unit in rows["unit"]], dtype=object)
    summaries = {}
    for name in groups.names:
        chosen = np.flatnonzero(in_session & (group == name))
        if len(chosen):
            part = rows.iloc[chosen]
            summaries[name] = summarise_spectra(
                spectra.reflectance[chosen], list(part["unit"]), list(part["leaf"])
            )
    return summaries


def draw_groups(
    figures: FigureSet, material: Material, by_session: Mapping[str, Mapping[str, SpectrumSummary]]
) -> Figure:
    """Draw mean, standard deviation band and extremes of every group, a panel per session."""
    plotted = [s for s in material.days.sessions if by_session.get(s)]
    figure, axes, columns = panels(len(plotted), 2.5, 0.6)
    look = looks(material.groups.names)
    wavelength_nm = material.spectra.wavelength_nm
    for axis, session in zip(axes, plotted, strict=False):
        for name, summary in by_session[session].items():
            _draw_summary(axis, wavelength_nm, summary, look[name])
        axis.set_title(short(session))
        axis.set_ylim(bottom=0)
    finish_panels(axes, len(plotted), columns, _AXIS, "reflectance")
    group_legend(figure, material.groups.names)
    return figures.add(
        figure,
        "spectra_by_group",
        "Reflectance spectra of the groups, session by session",
        f"Reflectance against wavelength, one panel for each of {len(plotted)} sessions, one line "
        f"for each of {len(material.groups.names)} groups.",
        _groups_caption(material, by_session),
        wide=columns > 1,
    )


def _draw_summary(axis: Any, wavelength_nm: Any, summary: SpectrumSummary, look: Look) -> None:
    step = thinning(wavelength_nm)
    x = wavelength_nm[step]
    if summary.sd is not None:
        low, high = summary.mean - summary.sd, summary.mean + summary.sd
        axis.fill_between(x, low[step], high[step], color=look.colour, alpha=0.2, linewidth=0)
    for edge in (summary.low, summary.high):
        axis.plot(x, edge[step], color=look.colour, linewidth=0.6, linestyle=look.dashes, alpha=0.6)
    axis.plot(
        x,
        summary.mean[step],
        color=look.colour,
        linestyle=look.dashes,
        marker=look.marker,
        markersize=3.5,
        markevery=max(1, len(x) // 9),
    )


def _groups_caption(
    material: Material, by_session: Mapping[str, Mapping[str, SpectrumSummary]]
) -> str:
    word = material.unit_words
    stated = bool(material.design.get("unit"))
    means = f"the {material.unit_word} means" if stated else "the scans"
    counts = "; ".join(
        f"{session}: "
        + ", ".join(
            f"{name} {s.n_units} {word}" + (f" ({s.n_scans} scans)" if stated else "")
            for name, s in groups.items()
        )
        for session, groups in by_session.items()
        if groups
    )
    lone = any(s.sd is None for groups in by_session.values() for s in groups.values())
    return (
        f"Thick lines: mean of {means}. Bands: one standard deviation "
        f"between {word} on either side"
        + (f" (no band where a group has a single {material.unit_word})" if lone else "")
        + ". Thin lines: lowest and highest single scan at each wavelength. Accepted scans in the "
        f"trusted range. n: {counts}.{NOT_TESTED}"
    )


def contrasts_in_order(frame: pd.DataFrame, words: Mapping[str, str]) -> list[str]:
    """Return the contrasts of a table in the order of ``words``; others follow by name."""
    rank = {name: i for i, name in enumerate(words)}
    return sorted(set(frame["contrast"]), key=lambda c: (rank.get(c, len(rank)), c))


def units_of_contrast(part: pd.DataFrame) -> str:
    """Return how many units stand behind a contrast: treated and reference."""
    treated, reference = (part[c].iloc[0] for c in ("n_units", "n_units_reference"))
    return format_count(treated) + (
        f" and {format_count(reference)}" if is_number(reference) else ""
    )


def units_by_contrast(
    frame: pd.DataFrame, contrasts: Sequence[str], words: Mapping[str, str]
) -> str:
    """Return how many units stand behind each contrast, for a caption."""
    counts = (
        f"{contrast_in_words(c, words)}: {units_of_contrast(frame[frame['contrast'] == c])}"
        for c in contrasts
    )
    return "; ".join(counts)


def leaves_zero_out(low: Any, high: Any) -> Any:
    """Return where a band lies wholly above or below zero; not where it is unknown."""
    return (low > 0) | (high < 0)


def draw_difference(
    figures: FigureSet, frame: pd.DataFrame, words: Mapping[str, str], unit_words: str
) -> Figure | None:
    """Draw the effect at every wavelength with its simultaneous band, a panel per contrast."""
    contrasts = contrasts_in_order(frame, words)
    if not contrasts:
        return None
    figure, axes, columns = panels(len(contrasts), 2.3, 0.2)
    for axis, contrast in zip(axes, contrasts, strict=False):
        _draw_band(axis, frame[frame["contrast"] == contrast])
        title = wrap_text(contrast_in_words(contrast, words), 34 if columns == 3 else 50, 2)
        axis.set_title(title, fontsize=8)
    finish_panels(axes, len(contrasts), columns, _AXIS, "reflectance difference")
    return figures.add(
        figure,
        "spectrum_difference",
        "What the treatment did to the whole spectrum",
        f"Estimated effect on reflectance against wavelength with a simultaneous band, "
        f"{len(contrasts)} panels.",
        _difference_caption(frame, contrasts, words, unit_words),
        wide=columns > 1,
    )


def _draw_band(axis: Any, part: pd.DataFrame) -> None:
    x = part["wavelength_nm"].to_numpy(float)
    estimate, low, high = (part[c].to_numpy(float) for c in ("estimate", "low", "high"))
    step = thinning(x)
    axis.axhline(0, color=INK, linewidth=0.7)
    axis.fill_between(x[step], low[step], high[step], color=BLUE, alpha=0.22,
                      linewidth=0)  # fmt: skip
    axis.plot(x[step], estimate[step], color=BLUE)
    bar = np.where(leaves_zero_out(low, high), 0.02, np.nan)
    axis.plot(x, bar, color=INK, linewidth=3, transform=axis.get_xaxis_transform(),
              solid_capstyle="butt")  # fmt: skip


def _difference_caption(
    frame: pd.DataFrame, contrasts: Sequence[str], words: Mapping[str, str], unit_words: str
) -> str:
    return (
        "Line: estimate. Band: simultaneous interval; it holds over all wavelengths and all "
        "panels together, so it is adjusted for every one of them. Bar along the bottom: "
        f"wavelengths where the band leaves zero out. No band: too few {unit_words}. n of "
        f"{unit_words}: {units_by_contrast(frame, contrasts, words)}."
    )


def disagreement_words(
    effects: pd.DataFrame, frame: pd.DataFrame, words: Mapping[str, str]
) -> list[str]:
    """Say where the band and a primary contrast do not call the same comparison.

    Parameters
    ----------
    effects
        effects.csv; the primary contrasts with a verdict of their own are compared.
    frame
        spectrum_effects.csv; the rows of the same contrast.
    words
        Contrast -> words.

    Returns
    -------
    list of str
        One sentence for each primary contrast that disagrees. A contrast without a band, or
        without a test, is not compared.
    """
    out = []
    primary = effects[effects["primary"].astype(bool) & (effects["stratum"] == "all")]
    for row in primary.to_dict("records"):
        part = frame[(frame["contrast"] == row["contrast"]) & frame["low"].notna()]
        verdict = str(row["verdict"])
        if verdict not in _CALLED or not len(part):
            continue
        outside = part.loc[leaves_zero_out(part["low"], part["high"]), "wavelength_nm"]
        called = _CALLED[verdict]
        if called == bool(len(outside)):
            continue
        name = words.get(str(row["contrast"]), str(row["contrast"]))
        index = f"{row['index']} ({name})"
        if called:
            out.append(
                f"The primary contrast of {index} is significant, but the band leaves zero out at "
                "no wavelength: it is adjusted for all wavelengths and comparisons, the primary "
                "contrast stands on its own index."
            )
        else:
            out.append(
                f"The primary contrast of {index} is not significant, but the band leaves zero out "
                f"{_where(outside)}: the spectrum differs where this index does not show it."
            )
    return out


def _where(wavelengths: pd.Series) -> str:
    low, high = float(wavelengths.min()), float(wavelengths.max())
    if len(wavelengths) == 1:
        return f"at {low:g} nm"
    return f"at {format_count(len(wavelengths))} wavelengths between {low:g} and {high:g} nm"


# Index values over the sessions, and effect sizes side by side.
# ----------------------------------------------------------------------

_LINES_AT_MOST = 60
_MOST_CONTRASTS = 4


def units_by_group(groups: Groups) -> list[list[str]]:
    """Return the units of each group, in the order of display."""
    return [[u for u, group in groups.of_unit.items() if group == name] for name in groups.names]


def index_course(
    frame: pd.DataFrame, sessions: Sequence[str], groups: Sequence[Sequence[str]]
) -> list[tuple[Floats, list[MeanInterval | None]]]:
    """Return the unit means of one index over the sessions, and their mean, group by group.

    Parameters
    ----------
    frame
        Rows of unit_indices.csv of one index.
    sessions
        Which, in order.
    groups
        The units of each group, in order.

    Returns
    -------
    list of (lines, means)
        Array ``(n_units, n_sessions)``, NaN where a unit has no value, and one mean with its
        95 % interval per session (``None`` where no unit has a value).
    """
    wide = frame.pivot(index="unit", columns="session", values="mean")
    courses = []
    for units in groups:
        lines = wide.reindex(index=list(units), columns=list(sessions)).to_numpy(dtype=float)
        columns = [column[np.isfinite(column)] for column in lines.T]
        means = [mean_interval(values) if len(values) else None for values in columns]
        courses.append((lines, means))
    return courses


def half_widths(
    lines: Floats, means: Sequence[MeanInterval | None], *, units_known: bool
) -> list[float | None]:
    """Return the half length of the error bar of each session's mean.

    With known units it is that of the interval; without, no interval holds and the standard
    deviation between scans is left to show (0 for fewer than two).
    """
    if units_known:
        return [m.half if m else None for m in means]
    columns = [column[np.isfinite(column)] for column in lines.T]
    return [float(c.std(ddof=1)) if len(c) > 1 else 0.0 for c in columns]


def draw_courses(
    figures: FigureSet, material: Material, indices: Sequence[str], name: str, title: str
) -> Figure:
    """Draw unit means and group means of some indices over the days, a panel per index."""
    columns = 1 if len(indices) == 1 else 3
    rows = -(-len(indices) // columns)
    lone = columns == 1
    figure = new_figure(6.0 if lone else FULL_WIDTH, 2.7 if lone else 2.05 * rows + 0.5)
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    by_index = dict(tuple(material.unit_indices.groupby("index", sort=False)))
    for axis, index in zip(axes, indices, strict=False):
        _draw_course(axis, material, by_index[index])
        unit = str(material.catalogue.get(index, {}).get("unit", "1"))
        label = short(index, 30) + unit_suffix(f"({unit})" if unit != "1" else "")
        axis.set_ylabel(label) if lone else axis.set_title(label)
    for spare in axes[len(indices) :]:
        spare.set_axis_off()
    for axis in axes[max(0, len(indices) - columns) : len(indices)]:
        axis.set_xlabel(material.days.label)
    group_legend(figure, material.groups.names)
    return figures.add(
        figure,
        name,
        title,
        f"Mean of {', '.join(indices)} over {len(material.days.sessions)} sessions, "
        f"a line for each of {len(material.groups.names)} groups.",
        _course_caption(material),
        wide=not lone,
    )


def _draw_course(axis: Any, material: Material, frame: pd.DataFrame) -> None:
    groups, sessions, units_known = (
        material.groups,
        material.days,
        bool(material.design.get("unit")),
    )
    look = looks(groups.names)
    x = np.asarray(sessions.positions)
    gap = float(np.min(np.diff(x))) if len(x) > 1 else 1.0
    courses = index_course(frame, sessions.sessions, units_by_group(groups))
    for i, (name, (lines, means)) in enumerate(zip(groups.names, courses, strict=True)):
        shift = 0.09 * gap * (i - (len(groups.names) - 1) / 2)
        _draw_units(axis, x, shift, lines[:_LINES_AT_MOST], look[name])
        half = half_widths(lines, means, units_known=units_known)
        y = [np.nan if m is None else m.mean for m in means]
        axis.errorbar(x + shift, y, yerr=[h or 0.0 for h in half], color=look[name].colour,
                      marker=look[name].marker, markersize=4.5, linestyle=look[name].dashes,
                      linewidth=1.6, capsize=2.5, elinewidth=1.1)  # fmt: skip
    dated = sessions.label != "session"
    axis.set_xticks(x, [f"{v:g}" for v in x] if dated else list(sessions.sessions))
    axis.set_xlim(x[0] - 0.25 * gap, x[-1] + 0.25 * gap)


def _draw_units(axis: Any, x: Floats, shift: float, lines: Floats, look: Look) -> None:
    from matplotlib.collections import LineCollection

    if len(x) == 1:
        # Beside the mean of their own group, so that no group's points hide another's.
        x_points = x[0] + shift + 0.022 * (1 + np.arange(len(lines)) % 2)
        axis.plot(x_points, lines[:, 0], ".", color=look.colour, alpha=0.45, markersize=3)
        return
    paths = [np.column_stack([x, line]) for line in lines]
    drawn = LineCollection(paths, colors=look.colour, linewidths=0.5, alpha=0.35)
    axis.add_collection(drawn, autolim=False)
    seen = np.isfinite(lines)
    axis.update_datalim(np.column_stack([np.broadcast_to(x, lines.shape)[seen], lines[seen]]))


def error_bar_words(material: Material) -> str:
    """Return what the bars of a group's mean are."""
    if material.design.get("unit"):
        return "95 % t interval of that mean, not adjusted (none where a group has a single value)"
    return "one standard deviation between scans, because without known units no interval holds"


def _course_caption(material: Material) -> str:
    sizes = ", ".join(f"{name} {n}" for name, n in material.groups.sizes().items())
    word = material.unit_words
    crowded = any(n > _LINES_AT_MOST for n in material.groups.sizes().values())
    one_day = len(material.days.sessions) == 1
    averaged = " (mean of their leaves)" if material.design.get("unit") else ""
    return (
        f"{'Small dots' if one_day else 'Thin lines'}: single {word}{averaged}"
        + (f"; the first {_LINES_AT_MOST} of each group are drawn" if crowded else "")
        + f". Symbols: mean of the {word}; bars: {error_bar_words(material)}; groups are "
        f"set slightly apart sideways. n of {word} in the study: {sizes}."
    )


def draw_effect_sizes(
    figures: FigureSet,
    rows: pd.DataFrame,
    contrasts: Sequence[str],
    words: Mapping[str, str],
    unit_words: str,
) -> Figure | None:
    """Draw the standardised effects of all indices side by side, a panel per contrast."""
    rows = rows[np.isfinite(rows["effect_size"].to_numpy(float))]
    available = [c for c in contrasts if (rows["contrast"] == c).any()]
    contrasts = available[:_MOST_CONTRASTS]
    titles = [contrast_in_words(c, words).split(":")[0] for c in contrasts]
    if len(set(titles)) < len(titles):
        titles = [contrast_in_words(c, words).replace(": ", ":\n") for c in contrasts]
    if not contrasts:
        return None
    indices = list(dict.fromkeys(rows["index"]))
    figure = new_figure(2.5 * len(contrasts) + 1.6, 0.24 * len(indices) + 1.1)
    axes = figure.subplots(1, len(contrasts), sharex=True, sharey=True, squeeze=False).ravel()
    for axis, contrast, title in zip(axes, contrasts, titles, strict=True):
        _draw_sizes(axis, rows[rows["contrast"] == contrast], indices)
        axis.set_title(wrap_text(title, 64 // len(contrasts), 3), fontsize=8)
    index_axis(axes[0], [short(i, 24) for i in indices])
    name = size_words(str(rows["effect_size_name"].iloc[0]))
    figure.supxlabel(f"effect size ({name})", fontsize=8.5)
    return figures.add(
        figure,
        "effect_sizes",
        "Effect sizes of all indices side by side",
        f"Standardised effect of {len(indices)} indices with intervals, {len(contrasts)} panels.",
        f"Points: {name}; lines: its {_level(rows)}interval, not adjusted for the number of "
        f"indices. Filled: significant after adjustment by Holm; open: not. {_n(rows, unit_words)} "
        "Effects are in units of a standard deviation, so indices of different units compare."
        + and_more(len(available) - len(contrasts), "the tables of effects"),
        wide=len(contrasts) > 1,
    )


def _level(rows: pd.DataFrame) -> str:
    levels = {round(100 * float(v), 1) for v in rows["ci_level"] if is_number(v)}
    return f"{levels.pop():g} % " if len(levels) == 1 else ""


def _n(rows: pd.DataFrame, unit_words: str) -> str:
    """Return the sizes of both groups, or of the one whose change is tested."""
    sizes = []
    for column in ("n_units", "n_units_reference"):
        n = sorted({int(v) for v in rows[column] if is_number(v)})
        sizes.append("" if not n else f"{n[0]}" if len(n) == 1 else f"{n[0]} to {n[-1]}")
    against = f" treated and {sizes[1]} for reference" if sizes[1] else ""
    return f"n = {sizes[0]} {unit_words}{against}."


def _draw_sizes(axis: Any, part: pd.DataFrame, indices: Sequence[str]) -> None:
    axis.axvline(0, color=INK, linewidth=0.7)
    for row in part.to_dict("records"):
        y = indices.index(row["index"])
        if is_number(row["effect_low"]) and is_number(row["effect_high"]):
            axis.plot([row["effect_low"], row["effect_high"]], [y, y], color=FAINT, linewidth=1.2)
        fill = BLUE if row["verdict"] == "significant" else "white"
        axis.plot([row["effect_size"]], [y], marker="o", color=BLUE, markersize=5,
                  markerfacecolor=fill)  # fmt: skip
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)

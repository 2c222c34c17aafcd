"""Figures of index values over the days, and of effect sizes side by side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.report.drawing import Book, Plate, new_figure
from leafledger.report.gather import Material
from leafledger.report.groups import contrast_in_words
from leafledger.report.lettering import short
from leafledger.report.numbers import known, size_words, unit_suffix
from leafledger.report.palette import FAINT, INK, Look, looks
from leafledger.report.panels import and_more
from leafledger.report.spectra_figures import label_text
from leafledger.report.summaries import MeanInterval, mean_interval

if TYPE_CHECKING:
    import pandas as pd

_LINES_AT_MOST = 60
_MOST_CONTRASTS = 4


def course_of(
    frame: pd.DataFrame, sessions: Sequence[str], units: Sequence[str]
) -> tuple[NDArray[np.float64], list[MeanInterval | None]]:
    """Return the unit means of one index and group over the sessions, and their mean.

    Parameters
    ----------
    frame
        Rows of unit_indices.csv of one index.
    sessions, units
        Which, in order.

    Returns
    -------
    lines, means
        Array ``(n_units, n_sessions)``, NaN where a unit has no value, and one mean with its
        95 % interval per session (``None`` where no unit has a value).
    """
    wide = frame.pivot(index="unit", columns="session", values="mean")
    lines = wide.reindex(index=list(units), columns=list(sessions)).to_numpy(dtype=float)
    means: list[MeanInterval | None] = []
    for column in lines.T:
        values = column[np.isfinite(column)]
        means.append(mean_interval(values) if len(values) else None)
    return lines, means


def draw_courses(
    book: Book, material: Material, indices: Sequence[str], name: str, title: str
) -> Plate:
    """Draw unit means and group means of some indices over the days, a panel per index."""
    columns = 1 if len(indices) == 1 else 3
    rows = -(-len(indices) // columns)
    lone = columns == 1
    figure = new_figure(6.4 if lone else 9.0, 3.4 if lone else 2.05 * rows + 0.5)
    axes = figure.subplots(rows, columns, squeeze=False).ravel()
    by_index = dict(tuple(material.unit_indices.groupby("index", sort=False)))
    for axis, index in zip(axes, indices, strict=False):
        _draw_course(axis, material, by_index[index])
        unit = str(material.catalogue.get(index, {}).get("unit", "1"))
        told = short(index, 30) + unit_suffix(f"({unit})" if unit != "1" else "")
        axis.set_ylabel(told) if lone else axis.set_title(told)
    for spare in axes[len(indices) :]:
        spare.set_axis_off()
    for axis in axes[max(0, len(indices) - columns) : len(indices)]:
        axis.set_xlabel(material.days.label)
    _course_legend(figure, material)
    return book.add(figure, name, title, _course_alt(material, indices), _course_caption(material),
                    wide=not lone)  # fmt: skip


def _draw_course(axis: Any, material: Material, frame: pd.DataFrame) -> None:
    groups, days = material.groups, material.days
    look = looks(groups.names)
    x = np.asarray(days.positions)
    gap = float(np.min(np.diff(x))) if len(x) > 1 else 1.0
    for i, name in enumerate(groups.names):
        units = [u for u in groups.of_unit if groups.of_unit[u] == name]
        lines, means = course_of(frame, days.sessions, units)
        shift = 0.09 * gap * (i - (len(groups.names) - 1) / 2)
        _draw_units(axis, x, shift, lines[:_LINES_AT_MOST], look[name])
        half = course_spreads(lines) if material.design.get("unit") is None else _intervals(means)
        _draw_means(axis, x + shift, means, half, look[name])
    axis.set_xticks(x, [f"{v:g}" for v in x] if days.label != "session" else list(days.sessions))
    axis.set_xlim(x[0] - 0.25 * gap, x[-1] + 0.25 * gap)


def _draw_units(
    axis: Any, x: NDArray[np.float64], shift: float, lines: NDArray[np.float64], look: Look
) -> None:
    from matplotlib.collections import LineCollection

    if len(x) == 1:
        # Beside the mean of their own group, so that no group's points hide another's.
        beside = x[0] + shift + 0.022 * (1 + np.arange(len(lines)) % 2)
        axis.plot(beside, lines[:, 0], ".", color=look.colour, alpha=0.45, markersize=3)
        return
    paths = [np.column_stack([x, line]) for line in lines]
    drawn = LineCollection(paths, colors=look.colour, linewidths=0.5, alpha=0.35)
    axis.add_collection(drawn, autolim=False)
    seen = np.isfinite(lines)
    axis.update_datalim(np.column_stack([np.broadcast_to(x, lines.shape)[seen], lines[seen]]))


def _intervals(means: Sequence[MeanInterval | None]) -> list[float]:
    return [0.0 if m is None or m.half is None else m.half for m in means]


def course_spreads(lines: NDArray[np.float64]) -> list[float]:
    """Return the standard deviation per session: what is left to show if n is not known."""
    columns = [column[np.isfinite(column)] for column in lines.T]
    return [float(c.std(ddof=1)) if len(c) > 1 else 0.0 for c in columns]


def _draw_means(
    axis: Any, x: Any, means: Sequence[MeanInterval | None], half: Sequence[float], look: Look
) -> None:
    y = [np.nan if m is None else m.mean for m in means]
    axis.errorbar(x, y, yerr=half, color=look.colour, marker=look.marker, markersize=4.5,
                  linestyle=look.dashes, linewidth=1.6, capsize=2.5, elinewidth=1.1)  # fmt: skip


def _course_legend(figure: Any, material: Material) -> None:
    from matplotlib.lines import Line2D

    names = material.groups.names
    look = looks(names)
    handles = [
        Line2D([], [], color=look[n].colour, linestyle=look[n].dashes, marker=look[n].marker)
        for n in names
    ]
    labels = [label_text(n) for n in names]
    figure.legend(handles, labels, loc="outside upper left", ncols=min(4, len(names)))


def _course_alt(material: Material, indices: Sequence[str]) -> str:
    return (
        f"Mean of {', '.join(indices)} over {len(material.days.sessions)} sessions, "
        f"a line for each of {len(material.groups.names)} groups."
    )


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
    book: Book,
    rows: pd.DataFrame,
    contrasts: Sequence[str],
    words: Mapping[str, str],
    unit_words: str,
) -> Plate | None:
    """Draw the standardised effects of all indices side by side, a panel per contrast."""
    rows = rows[np.isfinite(rows["effect_size"].to_numpy(float))]
    there = [c for c in contrasts if (rows["contrast"] == c).any()]
    contrasts = there[:_MOST_CONTRASTS]
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
        axis.set_title(short(title, 70), fontsize=8)
    axes[0].set_yticks(range(len(indices)), [short(i, 24) for i in indices])
    axes[0].set_ylim(len(indices) - 0.4, -0.6)
    name = size_words(str(rows["effect_size_name"].iloc[0]))
    figure.supxlabel(f"effect size ({name})", fontsize=8.5)
    return book.add(
        figure,
        "effect_sizes",
        "Effect sizes of all indices side by side",
        f"Standardised effect of {len(indices)} indices with intervals, {len(contrasts)} panels.",
        f"Points: {name}; lines: its {_level(rows)}interval, not adjusted for the number of "
        f"indices. Filled: significant after adjustment by Holm; open: not. {_n(rows, unit_words)} "
        "Effects are in units of a standard deviation, so indices of different units compare."
        + and_more(len(there) - len(contrasts), "the tables of effects"),
        wide=len(contrasts) > 1,
    )


def _level(rows: pd.DataFrame) -> str:
    levels = {round(100 * float(v), 1) for v in rows["ci_level"] if known(v)}
    return f"{levels.pop():g} % " if len(levels) == 1 else ""


def _n(rows: pd.DataFrame, unit_words: str) -> str:
    """Return the sizes of both groups, or of the one whose change is looked at."""
    treated, reference = (_range(rows[column]) for column in ("n_units", "n_units_reference"))
    against = f" treated and {reference} for reference" if reference else ""
    return f"n = {treated} {unit_words}{against}."


def _range(counts: Any) -> str:
    n = sorted({int(v) for v in counts if known(v)})
    return "" if not n else f"{n[0]}" if len(n) == 1 else f"{n[0]} to {n[-1]}"


def _draw_sizes(axis: Any, part: pd.DataFrame, indices: Sequence[str]) -> None:
    axis.axvline(0, color=INK, linewidth=0.7)
    for row in part.to_dict("records"):
        y = indices.index(row["index"])
        if known(row["effect_low"]) and known(row["effect_high"]):
            axis.plot([row["effect_low"], row["effect_high"]], [y, y], color=FAINT, linewidth=1.2)
        sure = row["verdict"] == "significant"
        colour = looks("a")["a"].colour
        axis.plot([row["effect_size"]], [y], marker="o", color=colour, markersize=5,
                  markerfacecolor=colour if sure else "white")  # fmt: skip
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)

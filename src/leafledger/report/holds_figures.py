"""Figures of the conclusion under other choices, and of the residuals behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from leafledger.effects.words import plural
from leafledger.report.drawing import Book, Plate, new_figure
from leafledger.report.gather import Material
from leafledger.report.groups import contrast_in_words
from leafledger.report.lettering import short
from leafledger.report.numbers import known, unit_suffix
from leafledger.report.palette import FAINT, INK, RULE, looks
from leafledger.report.panels import and_more, n_behind, panels, wrapped

MOST_UNITS = 24
MOST_CONTRASTS = 4
_UNIT = "without_unit"
_NAMED_RESIDUALS = 3


def chosen_rows(rows: Sequence[Mapping[str, Any]]) -> tuple[list[Mapping[str, Any]], int]:
    """Return the variants to draw, and how many single units are left to the table.

    Units that change the conclusion come first, then those that move the estimate most; they are
    drawn in the order of the table.
    """
    planned = next((r["estimate"] for r in rows if r["variant"] == "as_planned"), None)
    units = [i for i, r in enumerate(rows) if r["variant"] == _UNIT]

    def rank(i: int) -> tuple[bool, float, int]:
        moved = 0.0
        if known(planned) and known(rows[i]["estimate"]):
            moved = abs(float(rows[i]["estimate"]) - float(planned or 0.0))
        return bool(rows[i]["same_conclusion"]), -moved, i

    kept = set(sorted(units, key=rank)[:MOST_UNITS])
    drawn = [r for i, r in enumerate(rows) if r["variant"] != _UNIT or i in kept]
    return drawn, len(units) - len(kept)


def draw_sensitivity(book: Book, rows: Sequence[Mapping[str, Any]], unit_word: str) -> Plate:
    """Draw estimate and interval of the primary contrasts under every variant."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        level = str(row["contrast"]).partition("@")[2]
        groups.setdefault((str(row["index"]), level), []).append(row)
    shown = dict(list(groups.items())[:MOST_CONTRASTS])
    chosen = [chosen_rows(some) for some in shown.values()]
    tallest = max(len(drawn) for drawn, _ in chosen)
    columns = min(2, len(shown))
    lines = -(-len(shown) // columns)
    figure = new_figure(6.8 + 3.6 * (columns - 1), lines * (0.19 * tallest + 1.0))
    axes = figure.subplots(lines, columns, squeeze=False).ravel()
    for spare in axes[len(shown) :]:
        spare.remove()
    for axis, (drawn, _) in zip(axes, chosen, strict=False):
        _draw_variants(axis, drawn)
        first = drawn[0]
        unit = unit_suffix(str(first["unit"]))
        axis.set_xlabel(f"{short(str(first['index']))}: estimate" + (f" ({unit.strip()})" if unit
                        else ""))  # fmt: skip
        if len(shown) > 1:
            axis.set_title(wrapped(str(first["contrast_words"]), 40, 2), fontsize=8)
    changed = sum(not r["same_conclusion"] for r in rows)
    left = sum(n for _, n in chosen)
    return book.add(
        figure,
        "sensitivity",
        "The primary contrast under other choices",
        f"Estimate and interval of the primary contrast under {len(rows)} choices; under "
        f"{changed} the conclusion changes.",
        "Points: estimate; lines: its interval as the method gives it. Solid line: zero; dashed: "
        "the estimate as planned. Filled circles: the conclusion stays; open squares with dotted "
        "lines and the word changed: it does not. None of these replaces the planned test, and "
        "none is adjusted."
        + n_behind(rows, plural(unit_word))
        + _left_words(left, unit_word)
        + and_more(len(groups) - len(shown), "the table"),
        wide=len(shown) > 1,
    )  # fmt: skip


def _left_words(left: int, unit_word: str) -> str:
    if not left:
        return ""
    return (
        f" Of the single {plural(unit_word)} left out those that move the estimate most are drawn; "
        f"{left} more stand in the table."
    )


def _draw_variants(axis: Any, rows: Sequence[Mapping[str, Any]]) -> None:
    axis.axvline(0, color=INK, linewidth=0.8)
    planned = next((r["estimate"] for r in rows if r["variant"] == "as_planned"), None)
    if known(planned):
        axis.axvline(planned, color=FAINT, linewidth=0.8, linestyle=(0, (4, 3)))
    look = looks("ab")
    for y, row in enumerate(rows):
        same = bool(row["same_conclusion"])
        own = look["a" if same else "b"]
        if not known(row["estimate"]):
            axis.text(0.02, y, "no estimate", va="center", fontsize=7, color=FAINT,
                      transform=axis.get_yaxis_transform())  # fmt: skip
            continue
        if known(row["ci_low"]) and known(row["ci_high"]):
            axis.plot([row["ci_low"], row["ci_high"]], [y, y], color=own.colour, linewidth=1.3,
                      linestyle="-" if same else (0, (1, 1)))  # fmt: skip
        axis.plot([row["estimate"]], [y], marker="o" if same else "s", color=own.colour,
                  markerfacecolor=own.colour if same else "white", markersize=4.5)  # fmt: skip
        if not same:
            axis.text(1.0, y, "changed", va="center", ha="left", fontsize=7, fontweight="bold",
                      transform=axis.get_yaxis_transform())  # fmt: skip
    axis.set_yticks(range(len(rows)), [short(str(r["words"]), 34) for r in rows])
    axis.set_ylim(len(rows) - 0.4, -0.6)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    axis.grid(axis="y", color=RULE, linewidth=0.4)
    axis.set_axisbelow(True)


def draw_residuals(
    book: Book, looked: Sequence[Mapping[str, Any]], words: Mapping[str, str], material: Material
) -> Plate | None:
    """Draw how far each unit's change lies from the mean of its group, a panel per contrast."""
    there = [one for one in looked if one.get("residuals")]
    shown = there[:MOST_CONTRASTS]
    if not shown:
        return None
    figure, axes, columns = panels(len(shown), 2.5, 0.3, same_y=False)
    for i, (axis, one) in enumerate(zip(axes, shown, strict=False)):
        _draw_arms(axis, one, material.groups.names)
        index = str(one.get("index", ""))
        unit = str(material.catalogue.get(index, {}).get("unit", "1"))
        if i % columns == 0:
            axis.set_ylabel("change minus mean of group" + unit_suffix(f"({unit})" if unit != "1"
                            else ""))  # fmt: skip
        contrast = str(one.get("contrast", ""))
        axis.set_title(wrapped(f"{index}, {contrast_in_words(contrast, words)}", 46, 2), fontsize=8)
    for spare in axes[len(shown) :]:
        spare.set_axis_off()
    n = sum(len(one["residuals"]) for one in shown)
    return book.add(
        figure,
        "residuals",
        "Residuals behind the primary contrast",
        f"Change of {n} {material.unit_words} minus the mean change of their group, by group.",
        f"One symbol per {material.unit_word}, n = {n}; zero is the mean of its group. The "
        "horizontal strokes span one standard deviation up and down. Named: the "
        f"{_NAMED_RESIDUALS} furthest out of each group, and {material.unit_words} without which "
        "the conclusion changes "
        "(crosses). Looked at, not tested, so nothing is adjusted: no test was chosen by it."
        + and_more(len(there) - len(shown), "effects.json"),
        wide=columns > 1,
    )


def _draw_arms(axis: Any, one: Mapping[str, Any], names: Sequence[str]) -> None:
    rows = [r for r in one["residuals"] if known(r.get("residual"))]
    arms = [n for n in names if any(r["treatment"] == n for r in rows)]
    look, decisive = looks(names), set(one.get("influential") or [])
    axis.axhline(0, color=INK, linewidth=0.7)
    for x, arm in enumerate(arms):
        own = [r for r in rows if r["treatment"] == arm]
        values = np.array([float(r["residual"]) for r in own])
        at = x + 0.16 * (np.arange(len(own)) % 3 - 1)
        axis.plot(at, values, linestyle="none", marker=look[arm].marker, color=look[arm].colour,
                  markersize=4.5, alpha=0.8)  # fmt: skip
        if len(own) > 2:
            # The mean was estimated too, so that one degree of freedom is gone.
            sd = float(np.sqrt((values**2).sum() / (len(own) - 1)))
            axis.hlines([-sd, sd], x - 0.34, x + 0.34, color=FAINT, linewidth=0.9,
                        linestyle=(0, (4, 2)))  # fmt: skip
        far = set(np.argsort(-np.abs(values), kind="stable")[:_NAMED_RESIDUALS].tolist())
        for k, row in enumerate(own):
            if row["unit"] in decisive:
                axis.plot([at[k]], [values[k]], marker="x", color=INK, markersize=8)
            if k in far or row["unit"] in decisive:
                axis.annotate(short(str(row["unit"]), 10), (at[k], values[k]), xytext=(6, -3),
                              textcoords="offset points", fontsize=7, color=INK)  # fmt: skip
    axis.set_xticks(range(len(arms)), [short(a, 18) for a in arms])
    axis.set_xlim(-0.6, len(arms) - 0.4)

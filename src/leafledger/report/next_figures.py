"""Figures of the variance components and of the difference that a design would find."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.effects.words import counted, plural
from leafledger.report.drawing import NOT_TESTED, Book, Plate, new_figure
from leafledger.report.lettering import short
from leafledger.report.numbers import known, unit_suffix
from leafledger.report.palette import FAINT, INK, RULE, looks
from leafledger.report.panels import and_more

if TYPE_CHECKING:
    import pandas as pd

_MOST = 20
_FILLS = ("#ffffff", "#cfd8d1", "#8fa597", "#4d6a58")
_HATCHES = ("", "////", "....", "")
_TOLD_FROM = 0.09


def draw_shares(
    book: Book, rows: Sequence[Mapping[str, Any]], words: Mapping[str, str], n_words: str
) -> Plate:
    """Draw the shares of the variance components, a bar per index."""
    shown = list(rows[:_MOST])
    figure = new_figure(6.8, 0.27 * len(shown) + 1.05)
    axis = figure.subplots()
    parts = list(shown[0]["shares"])
    for y, row in enumerate(shown):
        start = 0.0
        for k, name in enumerate(parts):
            share = row["shares"][name]
            if not known(share) or share <= 0:
                continue
            axis.barh(y, 100 * share, left=100 * start, height=0.72, color=_FILLS[k],
                      hatch=_HATCHES[k], edgecolor=INK, linewidth=0.5)  # fmt: skip
            if share >= _TOLD_FROM:
                box = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.9}
                axis.text(100 * (start + share / 2), y, f"{100 * share:.0f}", ha="center",
                          va="center", fontsize=7, bbox=box)  # fmt: skip
            start += float(share)
    axis.set_yticks(range(len(shown)), [short(str(r["index"]), 24) for r in shown])
    axis.set_ylim(len(shown) - 0.4, -0.6)
    axis.set_xlim(0, 100)
    axis.set_xlabel("share of the variance (%)")
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    figure.legend(handles=_legend(parts, words), loc="outside upper left", ncols=2)
    return book.add(
        figure,
        "variance_shares",
        "Where the variation of the indices lies",
        "Shares of variance of "
        + ", ".join(words[name] for name in parts)
        + f" for {len(shown)} indices.",
        "Shares of the sum of the components that could be known, after the means of every "
        "treatment and session are taken out; estimates below zero are held at zero. Numbers: per "
        f"cent, from {100 * _TOLD_FROM:.0f} on. Shares have no interval here: with few units they "
        f"are rough. {n_words}{NOT_TESTED}" + and_more(len(rows) - len(shown), "the table"),
    )


def _legend(parts: Sequence[str], words: Mapping[str, str]) -> list[Any]:
    from matplotlib.patches import Patch

    return [
        Patch(facecolor=_FILLS[k], hatch=_HATCHES[k], edgecolor=INK, linewidth=0.5,
              label=words[name])
        for k, name in enumerate(parts)
    ]  # fmt: skip


def draw_detectable(book: Book, own: pd.DataFrame, unit_word: str) -> Plate:
    """Draw the detectable difference of one index against units, a line per number of leaves."""
    few = own[own["n_scans"] == own["n_scans"].min()]
    leaves = sorted({int(n) for n in few["n_leaves"]})
    look = looks([str(n) for n in leaves])
    figure = new_figure(6.4, 3.0)
    axis = figure.subplots()
    for n in leaves:
        part = few[few["n_leaves"] == n].sort_values("n_units")
        one = look[str(n)]
        axis.plot(part["n_units"].to_numpy(float), part["detectable"].to_numpy(float),
                  color=one.colour, marker=one.marker, linestyle=one.dashes, markersize=4.5,
                  label=f"{n} {'leaf' if n == 1 else 'leaves'}")  # fmt: skip
    margin = few["margin"].iloc[0]
    if known(margin):
        axis.axhline(float(margin), color=INK, linewidth=0.9, linestyle=(0, (2, 2)))
        axis.annotate("margin", (1.01, float(margin)), va="center", fontsize=7.5, color=FAINT,
                      xycoords=("axes fraction", "data"))  # fmt: skip
    index, unit = str(few["index"].iloc[0]), unit_suffix(str(few["unit"].iloc[0]))
    axis.set_ylim(bottom=0)
    axis.set_xticks(sorted({int(n) for n in few["n_units"]}))
    axis.grid(axis="y", color=RULE, linewidth=0.6)
    axis.set_xlabel(f"{plural(unit_word)} in each group")
    axis.set_ylabel("detectable difference" + (f" ({unit.strip()})" if unit else ""))
    figure.legend(*axis.get_legend_handles_labels(), loc="outside upper left", ncols=len(leaves))
    session = str(few["session"].iloc[0])
    scans = counted(int(few["n_scans"].iloc[0]), "scan")
    power, alpha = float(few["power"].iloc[0]), float(few["alpha"].iloc[0])
    return book.add(
        figure,
        "detectable_difference",
        f"What the next study would find: {short(index)}",
        f"Detectable difference of {index} against the number of {plural(unit_word)} in "
        f"each group, for {', '.join(str(n) for n in leaves)} leaves.",
        f"Smallest true difference between two groups that the linear model at {alpha:g} finds "
        f"with probability {power:g}, by the noncentral t, from what the model of this study "
        f"leaves unexplained{f' at {session}' if session else ''}; "
        f"{scans} per leaf; a line for each number of leaves "
        f"per {unit_word} and session. It cannot say which difference will be there."
        + (" Dotted: the margin that the study states." if known(margin) else "")
        + f" n runs along the axis. A plan, not an estimate: no error bars.{NOT_TESTED}",
    )

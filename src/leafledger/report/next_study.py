"""What comes next: sessions that wait, where variation lies, what could the next study find?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.report.figures import (
    FAINT,
    INK,
    NOT_TESTED,
    RULE,
    Figure,
    FigureSet,
    and_more,
    index_axis,
    looks,
    new_figure,
)
from leafledger.report.gather import Material
from leafledger.report.numbers import format_fixed, is_number, short, unit_suffix
from leafledger.words import counted, listed, plural

if TYPE_CHECKING:
    import pandas as pd


# Figures.
# ----------------------------------------------------------------------

_MOST = 20
_FILLS = ("#ffffff", "#cfd8d1", "#8fa597", "#4d6a58")
_HATCHES = ("", "////", "..", "")
_LABEL_FROM = 0.09


def draw_shares(
    figures: FigureSet, rows: Sequence[Mapping[str, Any]], words: Mapping[str, str], n_words: str
) -> Figure:
    """Draw the shares of the variance components, a bar per index."""
    plotted = list(rows[:_MOST])
    figure = new_figure(6.8, 0.27 * len(plotted) + 1.05)
    axis = figure.subplots()
    parts = list(plotted[0]["shares"])
    for y, row in enumerate(plotted):
        start = 0.0
        for k, name in enumerate(parts):
            share = row["shares"][name]
            if not is_number(share) or share <= 0:
                continue
            axis.barh(y, 100 * share, left=100 * start, height=0.72, color=_FILLS[k],
                      hatch=_HATCHES[k], edgecolor=INK, linewidth=0.5)  # fmt: skip
            if share >= _LABEL_FROM:
                box = {"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.9}
                axis.text(100 * (start + share / 2), y, f"{100 * share:.0f}", ha="center",
                          va="center", fontsize=8, bbox=box)  # fmt: skip
            start += float(share)
    index_axis(axis, [short(str(r["index"]), 24) for r in plotted])
    axis.set_xlim(0, 100)
    axis.set_xlabel("share of the variance (%)")
    figure.legend(handles=_legend(parts, words), loc="outside upper left", ncols=2)
    return figures.add(
        figure,
        "variance_shares",
        "Where the variation of the indices lies",
        "Shares of variance of "
        + ", ".join(words[name] for name in parts)
        + f" for {len(plotted)} indices.",
        "Shares of the sum of the components that could be known, after the means of every "
        "treatment and session are taken out; estimates below zero are held at zero. Numbers: per "
        f"cent, from {100 * _LABEL_FROM:.0f} on. Shares have no interval here: with few units they "
        f"are rough. {n_words}{NOT_TESTED}" + and_more(len(rows) - len(plotted), "the table"),
    )


def _legend(parts: Sequence[str], words: Mapping[str, str]) -> list[Any]:
    from matplotlib.patches import Patch

    return [
        Patch(facecolor=_FILLS[k], hatch=_HATCHES[k], edgecolor=INK, linewidth=0.5,
              label=words[name])
        for k, name in enumerate(parts)
    ]  # fmt: skip


def draw_detectable(figures: FigureSet, designs: pd.DataFrame, unit_word: str) -> Figure:
    """Draw the detectable difference of one index against units, a line per number of leaves."""
    few, leaves, units = _fewest_scans(designs)
    look = looks([str(n) for n in leaves])
    figure = new_figure(5.6, 2.9)
    axis = figure.subplots()
    for n in leaves:
        part = few[few["n_leaves"] == n].sort_values("n_units")
        axis.plot(part["n_units"].to_numpy(float), part["detectable"].to_numpy(float),
                  color=look[str(n)].colour, marker=look[str(n)].marker,
                  linestyle=look[str(n)].dashes, markersize=4.5,
                  label=f"{n} {'leaf' if n == 1 else 'leaves'}")  # fmt: skip
    margin = few["margin"].iloc[0]
    if is_number(margin):
        axis.axhline(float(margin), color=INK, linewidth=0.9, linestyle=(0, (2, 2)))
        axis.annotate("margin", (1.01, float(margin)), va="center", fontsize=8.5, color=FAINT,
                      xycoords=("axes fraction", "data"))  # fmt: skip
    index, unit = str(few["index"].iloc[0]), unit_suffix(str(few["unit"].iloc[0]))
    axis.set_ylim(bottom=0)
    axis.set_xticks(units)
    axis.grid(axis="y", color=RULE, linewidth=0.6)
    axis.set_xlabel(f"{plural(unit_word)} in each group")
    axis.set_ylabel("detectable difference" + (f" ({unit.strip()})" if unit else ""))
    figure.legend(*axis.get_legend_handles_labels(), loc="outside upper left", ncols=len(leaves))
    session = str(few["session"].iloc[0])
    scans = counted(int(few["n_scans"].iloc[0]), "scan")
    power, alpha = float(few["power"].iloc[0]), float(few["alpha"].iloc[0])
    return figures.add(
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
        + (" Dotted: the margin that the study states." if is_number(margin) else "")
        + f" n runs along the axis. A plan, not an estimate: no error bars.{NOT_TESTED}",
    )


# The part of the page.
# ----------------------------------------------------------------------

PARTS = ("unit", "unit_x_session", "leaf", "scan")
"""Components that shares are of, from the widest to the narrowest."""


def component_words(unit_word: str) -> dict[str, str]:
    """Return the components of variance in words.

    Examples
    --------
    >>> component_words("plant")["unit_x_session"]
    'plant by session'
    """
    return {
        "unit": f"between {plural(unit_word)}",
        "unit_x_session": f"{unit_word} by session",
        "leaf": f"between leaves of a {unit_word}",
        "scan": "between scans of a leaf",
        "session": "between sessions, in the control",
    }


def next_study_part(material: Material, figures: FigureSet) -> dict[str, Any]:
    """Return what the page says of variation and of the next study."""
    words = component_words(material.unit_word)
    order = _order(material)
    shares = share_rows(material.variance_components, order)
    power = material.power[material.power["n_units"].notna()]
    index = next((i for i in order if (power["index"] == i).any()), "")
    designs = power[power["index"] == index]
    return {
        "parts": [(name, words[name]) for name in PARTS],
        "session_words": words["session"],
        "shares": shares,
        "remarks": remarks(material.variance_components, words),
        "shares_figure": draw_shares(figures, shares, words, _n_words(material))
        if shares
        else None,
        "index": index,
        "unit": unit_suffix(str(designs["unit"].iloc[0])) if len(designs) else "",
        "designs": design_rows(designs),
        "designs_figure": draw_detectable(figures, designs, material.unit_word)
        if len(designs)
        else None,
        "facts": _facts(designs),
        "rests_on": design_remarks(designs),
        "without": without_scatter(material.power),
        "others": _others(power, order),
    }


def _n_words(material: Material) -> str:
    n_scans = int(material.accepted["accepted"].astype(bool).sum())
    return f"n = {counted(len(material.units), material.unit_word)}, {counted(n_scans, 'scan')}."


def _order(material: Material) -> list[str]:
    """Return the indices, the primary one first, then as in the catalogue."""
    primary = material.effects.loc[material.effects["primary"].astype(bool), "index"]
    estimated = [*material.variance_components["index"], *material.power["index"]]
    named = dict.fromkeys([*primary, *material.catalogue, *estimated])
    return [str(i) for i in named if i in set(estimated)]


def share_rows(frame: pd.DataFrame, order: Sequence[str]) -> list[dict[str, Any]]:
    """Return for each index the share of every component, and the session's standard deviation."""
    row_of = {(str(r["index"]), str(r["component"])): r for r in frame.to_dict("records")}
    rows = []
    for index in order:
        parts = {name: row_of.get((index, name)) for name in PARTS}
        if not any(parts.values()):
            continue
        session = row_of.get((index, "session"))
        unit = next(str(p["unit"]) for p in [*parts.values(), session] if p is not None)
        rows.append(
            {
                "index": index,
                "unit": unit,
                "shares": {n: p["share"] if p is not None else None for n, p in parts.items()},
                "sds": {n: p["sd"] if p is not None else None for n, p in parts.items()},
                "session_sd": session["sd"] if session is not None else None,
            }
        )
    return rows


def remarks(frame: pd.DataFrame, words: Mapping[str, str]) -> list[str]:
    """Return what must be known of components, each once with the indices that it is said of."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for row in frame.to_dict("records"):
        if row["reason"]:
            key = (str(row["component"]), str(row["reason"]))
            reasons.setdefault(key, []).append(str(row["index"]))
    n = frame["index"].nunique()
    return [
        f"{words.get(part, part)}: {why}"
        + ("." if len(indices) == n else f" ({', '.join(indices)}).")
        for (part, why), indices in reasons.items()
    ]


def _fewest_scans(designs: pd.DataFrame) -> tuple[pd.DataFrame, list[int], list[int]]:
    """Return the designs of the fewest scans per leaf, with their numbers of leaves and units."""
    few = designs[designs["n_scans"] == designs["n_scans"].min()]
    leaves, units = (sorted({int(n) for n in few[name]}) for name in ("n_leaves", "n_units"))
    return few, leaves, units


def design_rows(designs: pd.DataFrame) -> dict[str, Any]:
    """Lay the detectable difference of one index out by units and leaves, at the fewest scans."""
    if not len(designs):
        return {"leaves": [], "rows": [], "margin": None}
    few, leaves, units = _fewest_scans(designs)
    row_of = {(int(r["n_units"]), int(r["n_leaves"])): r for r in few.to_dict("records")}
    margin = designs["margin"].iloc[0]
    return {
        "leaves": leaves,
        "scans": int(few["n_scans"].iloc[0]),
        "margin": float(margin) if is_number(margin) else None,
        "rows": [{"n": n, "cells": [row_of.get((n, k)) for k in leaves]} for n in units],
    }


def design_remarks(designs: pd.DataFrame) -> list[str]:
    """Return what must be known of the designs of one index, each once."""
    reasons = [part for text in designs["reason"] if text for part in str(text).split("; ")]
    return [f"{text[:1].upper()}{text[1:]}." for text in dict.fromkeys(reasons)]


def without_scatter(power: pd.DataFrame) -> list[str]:
    """Return why there is no design for some indices: each reason once, with the indices."""
    reasons: dict[str, list[str]] = {}
    for row in power[power["n_units"].isna()].to_dict("records"):
        reasons.setdefault(str(row["reason"]), []).append(str(row["index"]))
    return [f"{listed(indices)}: no design, {why}." for why, indices in reasons.items()]


def _facts(designs: pd.DataFrame) -> dict[str, Any]:
    if not len(designs):
        return {}
    simulated = [float(v) for v in designs["power_simulated"] if is_number(v)]
    span = ""
    if simulated:
        span = f"{format_fixed(min(simulated), 2)} to {format_fixed(max(simulated), 2)}"
    return {
        "alpha": designs["alpha"].iloc[0],
        "power": designs["power"].iloc[0],
        "simulated": span,
        "session": str(designs["session"].iloc[0]),
        "covariates": str(designs.sort_values("n_units")["covariates"].iloc[-1]),
        "sd_df": designs["residual_df"].iloc[-1],
    }


def _others(power: pd.DataFrame, order: Sequence[str]) -> dict[str, Any]:
    """Lay all indices out by units, at a middle number of leaves and the fewest scans."""
    if not len(power):
        return {"rows": [], "units": [], "leaves": None}
    leaves = sorted({int(n) for n in power["n_leaves"]})
    middle = 3 if 3 in leaves else leaves[-1]
    few = power[(power["n_leaves"] == middle) & (power["n_scans"] == power["n_scans"].min())]
    units = sorted({int(n) for n in few["n_units"]})
    row_of = {(str(r["index"]), int(r["n_units"])): r for r in few.to_dict("records")}
    rows = []
    for index in order:
        cells = [row_of.get((index, n)) for n in units]
        first = next((c for c in cells if c is not None), None)
        if first is not None:
            rows.append({"index": index, "unit": str(first["unit"]), "cells": cells})
    return {"rows": rows, "units": units, "leaves": middle}


# A study that is not complete, and notes of persons
# ----------------------------------------------------------------------
# While sessions are to come the page shows what waits, whether the arms were alike before the
# treatment, and what the plan can detect. Of every study it shows notes, weather and light, and the
# scans that the sheet leaves out. A study that is complete and without notes has none of it.

_MOST_INDICES = 30
_NOTABLE = 0.25
"""Standardised differences between the dotted lines of the figure are common by chance alone."""

# The balance of the arms before the treatment, as a figure.
# ----------------------------------------------------------------------


def draw_balance(
    figures: FigureSet, rows: Sequence[Mapping[str, Any]], unit_word: str
) -> Figure | None:
    """Draw the standardised difference of every index before the treatment, a symbol per treatment.

    Parameters
    ----------
    figures
        Where the figure is kept.
    rows
        Rows of the balance, as the summary of the effects has them.
    unit_word
        Word for the experimental unit.
    """
    drawn = [row for row in rows if is_number(row["standardised_difference"])]
    if not drawn:
        return None
    indices = list(dict.fromkeys(str(row["index"]) for row in drawn))[:_MOST_INDICES]
    named = list(dict.fromkeys(_against(row) for row in drawn))
    look = looks(named)
    figure = new_figure(6.4, 0.26 * len(indices) + 1.25)
    axis = figure.subplots()
    axis.axvline(0, color=INK, linewidth=0.8)
    for edge in (-_NOTABLE, _NOTABLE):
        axis.axvline(edge, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
    for name in named:
        compared = [row for row in drawn if _against(row) == name and str(row["index"]) in indices]
        axis.plot(
            [float(row["standardised_difference"]) for row in compared],
            [indices.index(str(row["index"])) for row in compared],
            linestyle="none",
            color=look[name].colour,
            marker=look[name].marker,
            markersize=5,
            label=short(name, 40),
        )
    reach = max(1.0, *(1.1 * abs(float(row["standardised_difference"])) for row in drawn))
    axis.set_xlim(-reach, reach)
    index_axis(axis, [short(name, 24) for name in indices])
    axis.set_xlabel("standardised difference before the treatment")
    figure.legend(loc="outside upper left", ncols=2)
    sizes = sorted({int(row["n_units"]) for row in drawn})
    n = f"{sizes[0]}" if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    n_left = len({str(row["index"]) for row in drawn}) - len(indices)
    return figures.add(
        figure,
        "balance",
        "Were the treatments alike before?",
        f"Standardised difference of {len(indices)} indices before the treatment, a symbol for "
        f"each of {len(named)} comparisons.",
        "Difference of the means before the treatment over the standard deviation between "
        f"{plural(unit_word)} (root of the mean of both variances). n = {n} {plural(unit_word)} in "
        "each treatment. Dotted: a quarter of a standard deviation either way. Units were allotted "
        "before anything could act, so that a difference is chance or the allotment: it is "
        f"described, and has no error bar.{NOT_TESTED}" + and_more(n_left, "the table"),
    )


def _against(row: Mapping[str, Any]) -> str:
    return f"{row['treatment']} against {row['reference']}"


# The parts of the page.
# ----------------------------------------------------------------------


def unfinished_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the page shows while sessions are to come or treatments not allocated.

    ``None`` of a study that is complete.
    """
    unfinished = material.effects_summary.get("unfinished")
    if not unfinished:
        return None
    primary = {str(row["index"]) for row in material.effects_summary.get("primary") or []}
    balance = sorted(unfinished.get("balance") or [], key=lambda row: row["index"] not in primary)
    return {
        "sessions": [
            {**row, "state": row["why"] or "measured"} for row in unfinished.get("sessions") or []
        ],
        "said": list(unfinished.get("said") or []),
        "no_classes": material.no_classes,
        "balance": [_with_suffix(row) for row in balance],
        "balance_figure": draw_balance(figures, balance, material.unit_word),
        "detectable": [_with_suffix(row) for row in unfinished.get("detectable") or []],
        "detectable_said": list(unfinished.get("detectable_said") or []),
    }


def _with_suffix(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "suffix": unit_suffix(str(row.get("unit") or "1"))}


def field_notes_part(material: Material) -> dict[str, Any] | None:
    """Return what persons noted of sessions and scans, and which scans the sheet leaves out.

    ``None`` if there is nothing of the kind.
    """
    notes, omitted = material.field_notes, material.omitted
    if not notes and not omitted:
        return None
    reasons: dict[str, list[str]] = {}
    for row in omitted:
        reasons.setdefault(str(row["reason"]), []).append(str(row["scan"]))
    return {
        "sessions": [
            {
                "session": session,
                "weather": notes_of_session.get("weather", ""),
                "light": notes_of_session.get("light", ""),
            }
            for session, notes_of_session in (notes.get("sessions") or {}).items()
        ],
        "scans": [
            {
                "scan": scan,
                "session": noted["session"],
                "note": noted.get("note", ""),
                "photo": noted.get("photo", ""),
            }
            for scan, noted in (notes.get("scans") or {}).items()
        ],
        "omitted": [dict(row) for row in omitted],
        "reasons": [
            {"reason": reason, "scans": scans, "n": len(scans)} for reason, scans in reasons.items()
        ],
    }


Table = tuple[str, str, list[str], Sequence[Mapping[str, Any]]]


def tables_of(
    unfinished: Mapping[str, Any] | None, notes: Mapping[str, Any] | None
) -> Iterator[Table]:
    """Yield the tables of these parts that can be saved: name, part, columns, rows."""
    if unfinished is not None:
        heads = ["index", "unit", "treatment", "n_units", "mean", "sd", "reference", "difference"]
        yield "balance", "found", [*heads, "standardised_difference"], unfinished["balance"]
        rows = [
            {**row, **dict(zip(_CORRELATED, row["detectable"], strict=True))}
            for row in unfinished["detectable"]
        ]
        heads = ["index", "unit", "level", "reference", "n_units", "n_units_reference", "mean"]
        heads += ["sd", "df_sd", "alpha", "power", *_CORRELATED]
        yield "detectable_before", "found", heads, rows
    if notes is not None:
        yield "field_notes", "went-in", ["scan", "session", "note", "photo"], notes["scans"]
        heads = ["session", "weather", "light"]
        yield "field_notes_of_sessions", "went-in", heads, notes["sessions"]
        heads = ["scan", "session", "role", "reason"]
        yield "omitted_scans", "left-out", heads, notes["omitted"]


_CORRELATED = tuple(f"detectable_at_correlation_{r}" for r in ("0", "0.5", "0.8"))

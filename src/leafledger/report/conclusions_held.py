"""Does the conclusion hold under other choices, and on what does it lean?

The fourth part of the page: the primary contrasts without single units, scans and sessions and by
other methods (sensitivity.csv), the study under other settings (variants.csv), and the residuals
behind the primary contrasts.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.records.digests import inputs_digest
from leafledger.report.figures import (
    BLUE,
    FAINT,
    INK,
    RULE,
    VERMILLION,
    Figure,
    FigureSet,
    and_more,
    index_axis,
    looks,
    n_behind,
    new_figure,
    panels,
    wrap_text,
)
from leafledger.report.gather import Material, contrast_in_words, contrast_words, texts
from leafledger.report.numbers import (
    estimate_view,
    format_fixed,
    format_number,
    format_p_relation,
    format_percent,
    is_number,
    method_words,
    plain,
    short,
    table_rows,
    unit_suffix,
    verdict_words,
)
from leafledger.study.tables import NOT_PART, PLANNED, STATED, UNDEFINED
from leafledger.words import listed, plural

if TYPE_CHECKING:
    import pandas as pd


# Figures of the primary contrasts under other choices, and of their residuals.
# ----------------------------------------------------------------------

View = Mapping[str, Any]

UNIT = "without_unit"
MOST_UNITS = 24
MOST_CONTRASTS = 4
_NAMED_RESIDUALS = 3


def chosen_rows(rows: Sequence[Mapping[str, Any]]) -> tuple[list[Mapping[str, Any]], int]:
    """Return the variants to draw, and how many single units are left to the table.

    Units that change the conclusion come first, then those that move the estimate most; they are
    drawn in the order of the table.
    """
    planned = next((r["estimate"] for r in rows if r["variant"] == PLANNED), None)
    units = [i for i, r in enumerate(rows) if r["variant"] == UNIT]

    def rank(i: int) -> tuple[bool, float, int]:
        moved = 0.0
        if is_number(planned) and is_number(rows[i]["estimate"]):
            moved = abs(float(rows[i]["estimate"]) - float(planned or 0.0))
        return bool(rows[i]["same_conclusion"]), -moved, i

    kept = set(sorted(units, key=rank)[:MOST_UNITS])
    drawn = [r for i, r in enumerate(rows) if r["variant"] != UNIT or i in kept]
    return drawn, len(units) - len(kept)


def draw_sensitivity(
    figures: FigureSet, rows: Sequence[Mapping[str, Any]], unit_word: str
) -> Figure:
    """Draw estimate and interval of the primary contrasts under every variant."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        level = str(row["contrast"]).partition("@")[2]
        groups.setdefault((str(row["index"]), level), []).append(row)
    plotted = dict(list(groups.items())[:MOST_CONTRASTS])
    chosen = [chosen_rows(contrast_rows) for contrast_rows in plotted.values()]
    tallest = max(len(drawn) for drawn, _ in chosen)
    columns = min(2, len(plotted))
    lines = -(-len(plotted) // columns)
    figure = new_figure(6.8 + 3.6 * (columns - 1), lines * (0.19 * tallest + 1.0))
    axes = figure.subplots(lines, columns, squeeze=False).ravel()
    for spare in axes[len(plotted) :]:
        spare.remove()
    for axis, (drawn, _) in zip(axes, chosen, strict=False):
        planned = next((r["estimate"] for r in drawn if r["variant"] == PLANNED), None)
        axis.axvline(0, color=INK, linewidth=0.8)
        same = [bool(r["same_conclusion"]) for r in drawn]
        _draw_estimates(axis, drawn, planned, same, [short(str(r["words"]), 34) for r in drawn])
        _estimate_axis(axis, drawn[0], len(plotted) > 1)
    changed = sum(not r["same_conclusion"] for r in rows)
    n_left = sum(n for _, n in chosen)
    left_words = (
        f" Of the single {plural(unit_word)} left out those that move the estimate most are drawn; "
        f"{n_left} more stand in the table."
        if n_left
        else ""
    )
    return figures.add(
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
        + left_words
        + and_more(len(groups) - len(plotted), "the table"),
        wide=len(plotted) > 1,
    )  # fmt: skip


def _draw_estimates(
    axis: Any,
    rows: Sequence[View],
    reference: Any,
    same: Sequence[bool],
    labels: Sequence[str],
    columns: tuple[str, str, str] = ("estimate", "ci_low", "ci_high"),
    missing: Mapping[str, Any] | None = None,
) -> None:
    """Draw estimates with their intervals, a row each, the first on top.

    Parameters
    ----------
    reference
        Where the dashed line stands, the estimate as planned or stated; none if it is not known.
    same
        Whether a row comes to the same conclusion: filled circle, else open square and dotted line.
    labels
        What each row is called.
    columns
        Names of the estimate and the ends of its interval.
    missing
        Text of a row without an estimate, and how it is set.
    """
    if is_number(reference):
        axis.axvline(reference, color=FAINT, linewidth=0.8, linestyle=(0, (4, 3)))
    for y, (row, alike) in enumerate(zip(rows, same, strict=True)):
        value, low, high = (row[name] for name in columns)
        colour = BLUE if alike else VERMILLION
        if not is_number(value):
            look = missing or _NO_ESTIMATE
            axis.text(0.02, y, va="center", fontsize=8, color=FAINT,
                      transform=axis.get_yaxis_transform(), **look)  # fmt: skip
            continue
        if is_number(low) and is_number(high):
            axis.plot([low, high], [y, y], color=colour, linewidth=1.3,
                      linestyle="-" if alike else (0, (1, 1)))  # fmt: skip
        axis.plot([value], [y], marker="o" if alike else "s", color=colour,
                  markerfacecolor=colour if alike else "white", markersize=4.5)  # fmt: skip
        if missing is None and not alike:
            axis.text(1.0, y, "changed", va="center", ha="left", fontsize=8, fontweight="bold",
                      transform=axis.get_yaxis_transform())  # fmt: skip
    index_axis(axis, labels)
    axis.grid(axis="y", color=RULE, linewidth=0.4)
    axis.set_axisbelow(True)


_NO_ESTIMATE = {"s": "no estimate"}
_NONE = {"s": "none", "zorder": 3, "bbox": {"facecolor": "white", "edgecolor": "none", "pad": 1}}


def _estimate_axis(axis: Any, row: View, several: bool) -> None:
    """Label a panel of estimates with index, unit and, among several, its contrast."""
    unit = unit_suffix(str(row["unit"])).strip()
    axis.set_xlabel(f"{short(str(row['index']))}: estimate" + (f" ({unit})" if unit else ""))
    if several:
        axis.set_title(wrap_text(str(row["contrast_words"]), 40, 2), fontsize=8)


def draw_residuals(
    figures: FigureSet,
    assumptions: Sequence[Mapping[str, Any]],
    words: Mapping[str, str],
    material: Material,
) -> Figure | None:
    """Draw how far each unit's change lies from the mean of its group, a panel per contrast."""
    with_residuals = [a for a in assumptions if a.get("residuals")]
    plotted = with_residuals[:MOST_CONTRASTS]
    if not plotted:
        return None
    figure, axes, columns = panels(len(plotted), 2.5, 0.3, same_y=False)
    for i, (axis, assumption) in enumerate(zip(axes, plotted, strict=False)):
        _draw_arms(axis, assumption, material.groups.names)
        index = str(assumption.get("index", ""))
        unit = str(material.catalogue.get(index, {}).get("unit", "1"))
        if i % columns == 0:
            axis.set_ylabel("change minus mean of group" + unit_suffix(f"({unit})" if unit != "1"
                            else ""))  # fmt: skip
        contrast = str(assumption.get("contrast", ""))
        axis.set_title(
            wrap_text(f"{index}, {contrast_in_words(contrast, words)}", 40, 2), fontsize=8
        )
    for spare in axes[len(plotted) :]:
        spare.set_axis_off()
    n = sum(len(assumption["residuals"]) for assumption in plotted)
    return figures.add(
        figure,
        "residuals",
        "Residuals behind the primary contrast",
        f"Change of {n} {material.unit_words} minus the mean change of their group, by group.",
        f"One symbol per {material.unit_word}, n = {n}; zero is the mean of its group. The "
        "horizontal strokes span one standard deviation up and down. Named: the "
        f"{_NAMED_RESIDUALS} furthest out of each group, and {material.unit_words} without which "
        "the conclusion changes "
        "(crosses). Looked at, not tested, so nothing is adjusted: no test was chosen by it."
        + and_more(len(with_residuals) - len(plotted), "effects.json"),
        wide=columns > 1,
    )


def _draw_arms(axis: Any, assumption: Mapping[str, Any], names: Sequence[str]) -> None:
    rows = [r for r in assumption["residuals"] if is_number(r.get("residual"))]
    arms = [n for n in names if any(r["treatment"] == n for r in rows)]
    look, decisive = looks(names), set(assumption.get("influential") or [])
    axis.axhline(0, color=INK, linewidth=0.7)
    for x, arm in enumerate(arms):
        members = [r for r in rows if r["treatment"] == arm]
        values = np.array([float(r["residual"]) for r in members])
        places = x + 0.16 * (np.arange(len(members)) % 3 - 1)
        axis.plot(places, values, linestyle="none", marker=look[arm].marker, color=look[arm].colour,
                  markersize=4.5, alpha=0.8)  # fmt: skip
        if len(members) > 2:
            # The mean was estimated too, so that one degree of freedom is gone.
            sd = float(np.sqrt((values**2).sum() / (len(members) - 1)))
            axis.hlines([-sd, sd], x - 0.34, x + 0.34, color=FAINT, linewidth=0.9,
                        linestyle=(0, (4, 2)))  # fmt: skip
        far = set(np.argsort(-np.abs(values), kind="stable")[:_NAMED_RESIDUALS].tolist())
        for k, row in enumerate(members):
            if row["unit"] in decisive:
                axis.plot([places[k]], [values[k]], marker="x", color=INK, markersize=8)
            if k in far or row["unit"] in decisive:
                axis.annotate(short(str(row["unit"]), 10), (places[k], values[k]), xytext=(6, -3),
                              textcoords="offset points", fontsize=8, color=INK)  # fmt: skip
    axis.set_xticks(range(len(arms)), [short(a, 18) for a in arms])
    axis.set_xlim(-0.6, len(arms) - 0.4)


# Sentences on the variants: how many agree, and how far the numbers move.
# ----------------------------------------------------------------------

NO_CHOICE = (
    "All rows rest on the same raw data, so that none confirms another. The primary effect stands "
    "as stated: to choose among settings by their result is how false findings are made."
)


def variant_sentences(stated: Sequence[View], others: Sequence[View]) -> list[str]:
    """Return the sentences on the variants.

    Parameters
    ----------
    stated
        The rows of the settings as stated, one for each primary effect.
    others
        The rows of the variants.
    """
    sentences = []
    ended_early = list(dict.fromkeys(str(view["name"]) for view in others if not view["ran"]))
    if ended_early:
        sentences.append(
            f"The study was not run to its end under {listed(ended_early)}: "
            "nothing is said of that."
        )
    ran = [view for view in others if view["ran"]]
    effects = [view for view in stated if view["index"]]
    if ran and not effects:
        sentences.append("The study names no primary effect, so that no verdict can be compared.")
    for effect in effects if ran else []:
        same = [v for v in ran if _effect(v) == _effect(effect)]
        several = len(effects) > 1
        sentences += [_verdicts(effect, same, several), *_moves(effect, same, several)]
    return [*sentences, *_accuracies(stated, ran), NO_CHOICE]


def _verdicts(effect: View, same: Sequence[View], several: bool) -> str:
    about = f"{effect['index']}, {effect['contrast_words']}: " if several else ""
    verdict = verdict_words(str(effect["verdict"]))
    if effect["verdict"] == "significant":
        verdict += ", in the same direction"
    if not same:
        return f"{about}No variant holds this primary effect."
    n = sum(bool(v["agrees"]) for v in same)
    if len(same) == 1:
        comes = "comes" if n else "does not come"
        return f"{about}The one variant {comes} to the verdict as stated ({verdict})."
    if n == 0:
        return f"{about}None of {len(same)} variants comes to the verdict as stated ({verdict})."
    if n == len(same):
        return f"{about}All {n} variants come to the verdict as stated ({verdict})."
    others = listed([str(v["name"]) for v in same if not v["agrees"]])
    return (
        f"{about}{n} of {len(same)} variants {'comes' if n == 1 else 'come'} to the verdict as "
        f"stated ({verdict}); not under {others}."
    )


def _moves(effect: View, same: Sequence[View], several: bool) -> list[str]:
    about = f" of {effect['index']}, {effect['contrast_words']}," if several else ""
    comparable = [v for v in same if v["comparable"] and is_number(v["estimate"])]
    sentences = []
    if comparable and is_number(effect["estimate"]):
        base = float(effect["estimate"])
        far = max(comparable, key=lambda v: abs(float(v["estimate"]) - base))
        moved = format_number(abs(float(far["estimate"]) - base), 2)
        unit = unit_suffix(str(effect["unit"]))
        words = f"The estimate{about} moves by at most {moved}{unit} ({far['name']})"
        if is_number(effect["ci_low"]) and is_number(effect["ci_high"]):
            half = (float(effect["ci_high"]) - float(effect["ci_low"])) / 2
            words += f"; half the width of its interval as stated is {format_number(half, 2)}{unit}"
        sentences.append(f"{words}.")
    other = [str(v["name"]) for v in same if not v["comparable"]]
    if other:
        sentences.append(f"Under {listed(other)} the index has another unit and is not compared.")
    return sentences


def _accuracies(stated: Sequence[View], ran: Sequence[View]) -> list[str]:
    base = next((v["accuracy"] for v in stated if is_number(v["accuracy"])), None)
    values = [float(v["accuracy"]) for v in ran if is_number(v["accuracy"])]
    if base is None or not values:
        return []
    low, high = format_percent(min(values)), format_percent(max(values))
    spread = f"is {low}" if low == high else f"lies between {low} and {high}"
    stated_words = f"{format_percent(base)} as stated"
    return [f"The accuracy of the classifier is {stated_words} and {spread} otherwise."]


# Figure of the primary effects and the accuracy under the study's alternative settings.
# ----------------------------------------------------------------------

MOST_EFFECTS = 3
_NOTHING = {"estimate": None, "ci_low": None, "ci_high": None, "agrees": False}


def draw_variants(figures: FigureSet, views: Sequence[View]) -> Figure | None:
    """Draw estimates with their intervals and, beside them, accuracies with theirs.

    Parameters
    ----------
    figures
        The figures of the report.
    views
        Rows of the table as the page shows them, the stated ones first.

    Returns
    -------
    Plate or None
        ``None`` if there is neither an estimate nor an accuracy.
    """
    effects = _by_effect(views)
    plotted = dict(list(effects.items())[:MOST_EFFECTS])
    accuracies = _one_per_variant(views)
    with_accuracy = any(is_number(v["accuracy"]) for v in accuracies)
    n_panels = len(plotted) + with_accuracy
    if not n_panels:
        return None
    figure = new_figure(2.4 + 3.2 * n_panels, 0.26 * len(accuracies) + 1.1)
    axes = figure.subplots(1, n_panels, squeeze=False).ravel()
    labels = [short(str(view["name"]), 30) for view in accuracies]
    for axis, rows in zip(axes, plotted.values(), strict=False):
        same = [bool(row["agrees"]) for row in rows]
        _draw_estimates(axis, rows, _stated(rows, "estimate"), same, labels, missing=_NONE)
        axis.axvline(0, color=INK, linewidth=0.8)
        _estimate_axis(axis, rows[0], len(plotted) > 1)
    if with_accuracy:
        columns = ("accuracy", "accuracy_low", "accuracy_high")
        _draw_estimates(axes[-1], accuracies, _stated(accuracies, "accuracy"),
                        [True] * len(accuracies), labels, columns, _NONE)  # fmt: skip
        axes[-1].set_xlabel("accuracy (share of scans right)")
    for axis in axes[1:]:
        axis.set_yticklabels([])
    n = len({v["variant"] for v in views if not v["is_stated"]})
    return figures.add(
        figure,
        "variants",
        "Under other settings",
        f"The primary effect and the accuracy as stated and under {n} other settings.",
        "Points: estimate or accuracy; lines: the 95 % interval as the method gives it, of the "
        "accuracy the one that counts units. Dashed: the value as stated. Filled circles: the "
        "verdict as stated; open squares with dotted lines: another verdict. All rest on the same "
        "raw data, and none is adjusted; the primary effect stands as stated."
        .replace("the 95 % interval", _level(views))
        + n_behind(views, "units")
        + and_more(len(effects) - len(plotted), "the table"),
        wide=n_panels > 1,
    )  # fmt: skip


def _level(views: Sequence[View]) -> str:
    levels = {round(100 * float(v["ci_level"]), 1) for v in views if is_number(v["ci_level"])}
    return f"the {levels.pop():g} % interval" if len(levels) == 1 else "the interval"


def _by_effect(views: Sequence[View]) -> dict[tuple[str, str], list[View]]:
    """Return, for each primary effect, a row for every set of settings: the panels share rows.

    Settings under which it has no estimate, or one in another unit, have an empty row.
    """
    effects: dict[tuple[str, str], dict[str, View]] = {}
    for view in views:
        if view["index"] and view["comparable"]:
            key = (str(view["index"]), str(view["contrast"]))
            effects.setdefault(key, {})[str(view["variant"])] = view
    return {
        key: [
            rows.get(str(view["variant"]), {**view, **_NOTHING}) for view in _one_per_variant(views)
        ]
        for key, rows in effects.items()
    }


def _one_per_variant(views: Sequence[View]) -> list[View]:
    """Return one row for each set of settings."""
    return list({str(v["variant"]): v for v in reversed(views)}.values())[::-1]


def _stated(views: Sequence[View], name: str) -> Any:
    return next((view[name] for view in views if view["is_stated"]), None)


# The primary effects and the accuracy under the study's alternative settings.
# ----------------------------------------------------------------------

_FILES = {
    "effects_sha256": ("effects", "results/effects.csv", "the effects"),
    "classes_sha256": ("classes", "results/classes/summary.json", "the accuracy"),
}


def under_other_settings(
    material: Material, figures: FigureSet, words: Mapping[str, str]
) -> dict[str, Any] | None:
    """Return what the page shows of the variants, ``None`` if no table of them was made.

    A table that does not belong to the present results is not shown; why is said instead.

    Parameters
    ----------
    material, figures
        What the report reads, and its figures.
    words
        Contrast -> words.
    """
    if not len(material.variants):
        return None
    rows = table_rows(material.variants)
    stated = [row for row in rows if row["variant"] == STATED]
    old = out_of_date(stated, material.records)
    if old:
        return {"out_of_date": old, "rows": []}
    views = [variant_row(row, stated, words) for row in rows]
    others = [view for view in views if view["variant"] != STATED]
    return {
        "out_of_date": "",
        "rows": views,
        "several": len({_effect(row) for row in stated}) > 1,
        "has_effect": any(row["index"] for row in stated),
        "has_accuracy": any(is_number(row["accuracy"]) for row in rows),
        "sentences": variant_sentences([v for v in views if v["variant"] == STATED], others),
        "figure": draw_variants(figures, views),
    }


def out_of_date(stated: Sequence[Mapping[str, Any]], records: Mapping[str, Any]) -> str:
    """Return what of the present results the table does not belong to; empty if it does.

    Parameters
    ----------
    stated
        The rows of the settings as stated.
    records
        Task -> record of the present results.
    """
    if not stated:
        return "the results as stated"
    row = stated[0]
    changed = [
        words
        for column, (task, path, words) in _FILES.items()
        if row[column] != _digest(records.get(task), path)
    ]
    if not changed and row["inputs_sha256"] != inputs_digest(records):
        return "the data that the effects and the accuracy rest on"
    return " and ".join(changed)


def _digest(record: Mapping[str, Any] | None, path: str) -> str:
    outputs = record["outputs"] if record else []
    return next((str(o["sha256"]) for o in outputs if o["path"] == path), "")


def _effect(row: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what identifies a primary effect among the rows of variants.csv."""
    return tuple(str(row[name]) for name in ("question", "index", "contrast", "stratum"))


def variant_row(
    row: Mapping[str, Any], stated: Sequence[Mapping[str, Any]], words: Mapping[str, str]
) -> dict[str, Any]:
    """Return a row of ``variants.csv`` as the page shows it, judged by the row as stated.

    Parameters
    ----------
    row
        The row.
    stated
        The rows of the settings as stated.
    words
        Contrast -> words.
    """
    same = next((effect for effect in stated if _effect(effect) == _effect(row)), None)
    spread = is_number(row["accuracy_low"]) and is_number(row["accuracy_high"])
    return {
        **row,
        **estimate_view(row),
        "ran": bool(row["effects_sha256"]),
        "is_stated": row["variant"] == STATED,
        "name": "as stated" if row["variant"] == STATED else plain(row["variant"]),
        "agrees": same is not None and agrees(same, row),
        "comparable": same is not None and same["unit"] == row["unit"],
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "method_words": method_words(str(row["method"])) if row["method"] else "",
        "verdict_words": verdict_words(str(row["verdict"])) if row["verdict"] else "",
        "accuracy_text": format_percent(row["accuracy"]) if is_number(row["accuracy"]) else "",
        "accuracy_interval": " to ".join(
            format_percent(row[f"accuracy_{end}"]) for end in ("low", "high")
        )
        if spread
        else "",
    }


def agrees(stated: Mapping[str, Any], row: Mapping[str, Any]) -> bool:
    """Tell whether a row comes to the stated verdict, in the same direction if significant.

    Examples
    --------
    >>> one = {"verdict": "significant", "estimate": 0.1}
    >>> agrees(one, one), agrees(one, {**one, "estimate": -0.1})
    (True, False)
    """
    if stated["verdict"] != row["verdict"]:
        return False
    if row["verdict"] != "significant":
        return True
    return (float(stated["estimate"]) > 0) == (float(row["estimate"]) > 0)


# Does the conclusion hold? The primary contrasts under other choices, and what they lean on.
# ----------------------------------------------------------------------

_FAR = 3.0
"""Studentised residuals beyond this are named."""
_METHOD = re.compile(r"by the method ([a-z ]+) \(")
_POWER = re.compile(r"(?<=\bp )= (\d(?:\.\d+)?e-\d+)")
_VARIANTS = {"as_planned": "as planned", "every_scan": "every scan, excluded ones too"}


def robustness_part(material: Material, figures: FigureSet) -> dict[str, Any]:
    """Return what the page shows of the conclusion under other choices."""
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    rows = [
        conclusion_row(row, words, material.unit_word) for row in table_rows(material.sensitivity)
    ]
    summary = material.effects_summary
    assumptions = [a for a in summary.get("assumptions") or [] if isinstance(a, Mapping)]
    concluded = {
        _comparison(r) for r in rows if r["variant"] == PLANNED and r["verdict"] != UNDEFINED
    }
    others = [r for r in rows if r["variant"] != PLANNED and r["reason"] != NOT_PART]
    others = [r for r in others if _comparison(r) in concluded]
    untestable = [row for row in others if row["verdict"] == UNDEFINED]
    return {
        "n_others": len(others),
        "n_changed": sum(not r["same_conclusion"] for r in others) - len(untestable),
        "n_untestable": len(untestable),
        "sentences": [
            in_short_sentences(_contrasts_in_words(s, words))
            for s in texts(summary.get("robustness"))
        ],
        "rows": [r for r in rows if r["variant"] != UNIT or not r["same_conclusion"]],
        "single": [row for row in rows if row["variant"] == UNIT],
        "several": len({_comparison(r) for r in rows}) > 1,
        "why_none": why_none(material.effects),
        "figure": draw_sensitivity(figures, rows, material.unit_word) if rows else None,
        "assumptions": [assumption_words(row, words, material.unit_word) for row in assumptions],
        "variants": under_other_settings(material, figures, words),
        "residuals_figure": draw_residuals(figures, assumptions, words, material),
    }


def in_short_sentences(text: str) -> str:
    """Return a chain of clauses as sentences, methods that agree in one; the table has their p.

    Examples
    --------
    >>> in_short_sentences("NDVI: it is significant; it stays without day4 (p = 0.01).")
    'NDVI: it is significant. It stays without day4.'
    >>> in_short_sentences("NDVI; it stays by Welch t (p < 0.001); it stays by ancova (p = 0.02).")
    'NDVI. It stays by Welch t and ancova.'
    """
    first, *clauses = re.split(r"; (?=it |leaving )", text.removesuffix("."))
    sentences = [first]
    by_method: dict[str, list[str]] = {}
    for clause in clauses:
        without_p = _P_OF_CLAUSE.sub(_kept_remark, clause)
        if found := _BY_METHOD.match(without_p):
            method = found[2].replace(", ", " with ", 1)
            by_method.setdefault(found[1], []).append(method)
        else:
            sentences.append(without_p)
    sentences += [f"{verb} {listed(methods)}" for verb, methods in by_method.items()]
    return " ".join(f"{s[:1].upper()}{s[1:]}." if at else f"{s}." for at, s in enumerate(sentences))


_P_OF_CLAUSE = re.compile(r" \((?:([^()]*); )?(?:(?:Holm-adjusted )?p [=<>] [^()]*|no p)\)$")
_BY_METHOD = re.compile(r"(it \w+ by) (.*)")


def _kept_remark(found: re.Match[str]) -> str:
    return f" ({found[1]})" if found[1] else ""


def _comparison(row: Mapping[str, Any]) -> tuple[str, str]:
    """Return index and groups: without its own session a contrast has another name."""
    return str(row["index"]), str(row["contrast"]).partition("@")[2]


def _contrasts_in_words(sentence: str, words: Mapping[str, str]) -> str:
    """Write contrasts in words; the longest names first, as one may hold another."""
    for name in sorted(words, key=len, reverse=True):
        sentence = sentence.replace(name, words[name])
    sentence = _METHOD.sub(lambda m: f"by {method_words(m[1].replace(' ', '_'))} (", sentence)
    return _POWER.sub(lambda m: format_p_relation(float(m[1])), sentence)


def conclusion_row(row: dict[str, Any], words: Mapping[str, str], unit_word: str) -> dict[str, Any]:
    """Return a row of sensitivity.csv as the page shows it."""
    return {
        **row,
        **estimate_view(row),
        "same_conclusion": bool(row["same_conclusion"]),
        "words": variant_words(str(row["variant"]), str(row["left_out"]), unit_word),
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "method_words": method_words(str(row["method"])),
        "verdict_words": verdict_words(str(row["verdict"])),
        "reason": str(row["reason"] or ""),
    }


def variant_words(variant: str, left_out: str, unit_word: str) -> str:
    """Return what was done otherwise.

    Examples
    --------
    >>> variant_words("without_unit", "p03", "plant"), variant_words("as_planned", "", "plant")
    ('without plant p03', 'as planned')
    >>> variant_words("other_method", "signed_rank", "plant")
    'by signed rank'
    """
    if variant in _VARIANTS:
        return _VARIANTS[variant]
    if variant == UNIT:
        return f"without {unit_word} {left_out}"
    if variant == "other_method":
        return f"by {method_words(left_out)}"
    return f"{variant.replace('_', ' ')} {left_out}".strip()


def why_none(effects: pd.DataFrame) -> str:
    """Say why there is nothing to hold: no test, no primary contrast, or an older result."""
    if not len(effects):
        return "No effect was tested, so there is no conclusion that could change."
    if not effects["primary"].astype(bool).any():
        return (
            "The study names no primary contrast, so no single conclusion is put to the test. "
            "Name one in study.yaml (effects: primary) and record it (leafledger plan record) "
            "before anything is measured."
        )
    return "The primary contrast was not tested under other choices."


def assumption_words(
    assumption: Mapping[str, Any], words: Mapping[str, str], unit_word: str
) -> str:
    """Say what a primary contrast leans on: spread of the arms, far units, units that decide.

    Parameters
    ----------
    assumption
        One of ``assumptions`` in effects.json.
    words
        Contrast -> words.
    """
    parts = []
    ratio = assumption.get("variance_ratio")
    if is_number(ratio):
        parts.append(
            f"The larger variance of the two groups is {format_number(ratio, 2)} times the "
            "smaller; Welch's t does not take them as equal."
        )
    parts += [*_far_units(assumption), *_deciding_units(assumption, unit_word)]
    contrast = contrast_in_words(str(assumption.get("contrast", "")), words)
    return f"{assumption.get('index', '')}, {contrast}: {' '.join(parts)}"


def _deciding_units(assumption: Mapping[str, Any], unit_word: str) -> list[str]:
    """Say what single units decide; nothing where there is no conclusion to lean on them."""
    if assumption.get("verdict") == UNDEFINED:
        return []
    outcomes = {"influential": "the conclusion changes", "needed": "nothing can be tested"}
    sentences = []
    for kind, outcome in outcomes.items():
        units = [str(unit) for unit in assumption.get(kind) or []]
        if units:
            singly = " (one at a time)" if len(units) > 1 else ""
            sentences.append(f"Without {unit_word} {listed(units)}{singly} {outcome}.")
    return sentences or [f"No single {unit_word} decides: leaving out any one changes nothing."]


def _far_units(assumption: Mapping[str, Any]) -> list[str]:
    rows = [r for r in assumption.get("residuals") or [] if isinstance(r, Mapping)]
    if not rows:
        return []
    far = [r for r in rows if is_number(r.get("standardised")) and abs(r["standardised"]) > _FAR]
    if not far:
        return [
            f"No change lies further than {_FAR:g} standard deviations from its group (each "
            "judged by the others)."
        ]
    units = listed([f"{r['unit']} ({format_fixed(r['standardised'], 1)})" for r in far])
    return [f"Far from their group, in standard deviations judged by the others: {units}."]

"""Figure of the primary effects and the accuracy under the study's alternative settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.report.drawing import Book, Plate, new_figure
from leafledger.report.lettering import short
from leafledger.report.numbers import known, unit_suffix
from leafledger.report.palette import FAINT, INK, RULE, looks
from leafledger.report.panels import and_more, n_behind, wrapped

MOST_EFFECTS = 3
View = Mapping[str, Any]
_NOTHING = {"estimate": None, "ci_low": None, "ci_high": None, "agrees": False}


def draw_variants(book: Book, views: Sequence[View]) -> Plate | None:
    """Draw estimates with their intervals and, beside them, accuracies with theirs.

    Parameters
    ----------
    book
        The figures of the report.
    views
        Rows of the table as the page shows them, the stated ones first.

    Returns
    -------
    Plate or None
        ``None`` if there is neither an estimate nor an accuracy.
    """
    effects = _by_effect(views)
    shown = dict(list(effects.items())[:MOST_EFFECTS])
    accuracies = _once(views)
    with_accuracy = any(known(v["accuracy"]) for v in accuracies)
    n_panels = len(shown) + with_accuracy
    if not n_panels:
        return None
    figure = new_figure(2.4 + 3.2 * n_panels, 0.26 * len(accuracies) + 1.1)
    axes = figure.subplots(1, n_panels, squeeze=False).ravel()
    for axis, rows in zip(axes, shown.values(), strict=False):
        _panel(axis, rows, ("estimate", "ci_low", "ci_high"))
        axis.axvline(0, color=INK, linewidth=0.8)
        first = rows[0]
        unit = unit_suffix(str(first["unit"])).strip()
        axis.set_xlabel(f"{short(str(first['index']))}: estimate" + (f" ({unit})" if unit else ""))
        if len(shown) > 1:
            axis.set_title(wrapped(str(first["contrast_words"]), 40, 2), fontsize=8)
    if with_accuracy:
        _panel(axes[-1], accuracies, ("accuracy", "accuracy_low", "accuracy_high"), judged=False)
        axes[-1].set_xlabel("accuracy (share of scans right)")
    for axis in axes[1:]:
        axis.set_yticklabels([])
    n = len({v["variant"] for v in views if not v["is_stated"]})
    return book.add(
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
        + and_more(len(effects) - len(shown), "the table"),
        wide=n_panels > 1,
    )  # fmt: skip


def _level(views: Sequence[View]) -> str:
    levels = {round(100 * float(v["ci_level"]), 1) for v in views if known(v["ci_level"])}
    return f"the {levels.pop():g} % interval" if len(levels) == 1 else "the interval"


def _by_effect(views: Sequence[View]) -> dict[tuple[str, str], list[View]]:
    """Return, for each primary effect, a row for every set of settings: the panels share rows.

    Settings under which it has no estimate, or one in another unit, have an empty row.
    """
    every = _once(views)
    found: dict[tuple[str, str], dict[str, View]] = {}
    for view in views:
        if view["index"] and view["comparable"]:
            key = (str(view["index"]), str(view["contrast"]))
            found.setdefault(key, {})[str(view["variant"])] = view
    return {
        key: [rows.get(str(one["variant"]), {**one, **_NOTHING}) for one in every]
        for key, rows in found.items()
    }


def _once(views: Sequence[View]) -> list[View]:
    """Return one row for each set of settings."""
    return list({str(v["variant"]): v for v in reversed(views)}.values())[::-1]


def _panel(
    axis: Any, rows: Sequence[View], names: tuple[str, str, str], *, judged: bool = True
) -> None:
    middle, low, high = names
    look = looks("ab")
    stated = next((r[middle] for r in rows if r["is_stated"]), None)
    if known(stated):
        axis.axvline(stated, color=FAINT, linewidth=0.8, linestyle=(0, (4, 3)))
    for y, row in enumerate(rows):
        same = bool(row["agrees"]) or not judged
        own = look["a" if same else "b"]
        if not known(row[middle]):
            axis.text(0.02, y, "none", va="center", fontsize=7, color=FAINT,
                      transform=axis.get_yaxis_transform(), zorder=3,
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 1})  # fmt: skip
            continue
        if known(row[low]) and known(row[high]):
            axis.plot([row[low], row[high]], [y, y], color=own.colour, linewidth=1.3,
                      linestyle="-" if same else (0, (1, 1)))  # fmt: skip
        axis.plot([row[middle]], [y], marker="o" if same else "s", color=own.colour,
                  markerfacecolor=own.colour if same else "white", markersize=4.5)  # fmt: skip
    axis.set_yticks(range(len(rows)), [short(str(r["name"]), 30) for r in rows])
    axis.set_ylim(len(rows) - 0.4, -0.6)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    axis.grid(axis="y", color=RULE, linewidth=0.4)
    axis.set_axisbelow(True)

"""Which figures show the classifier: accuracy, confusion, rivals, loadings and importance?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.figures import (
    BLUE,
    FAINT,
    INK,
    NOT_TESTED,
    RULE,
    VERMILLION,
    Figure,
    FigureSet,
    Floats,
    SpectrumSummary,
    and_more,
    is_narrow,
    legend_label,
    looks,
    new_figure,
    thinning,
    thinning_words,
)
from leafledger.report.numbers import format_nm, format_percent, short

if TYPE_CHECKING:
    import pandas as pd


# How accurate, with how many latent variables, against what.
# ----------------------------------------------------------------------

SPLIT_WORDS = {
    "outer": "validation (left out of training)",
    "training": "training (units the model has seen)",
}


def accuracy_path(path: pd.DataFrame) -> pd.DataFrame:
    """Return accuracy by split and number of latent variables.

    Folds are pooled within a repeat (correct over all scans); then mean, lowest and highest over
    the repeats.

    Parameters
    ----------
    path
        classes/path.csv.

    Returns
    -------
    DataFrame
        split, n_components, mean, lowest, highest, n_repeats.
    """
    keys = ["split", "n_components"]
    pooled = path.groupby([*keys, "repeat"], sort=True)[["n_correct", "n_scans"]].sum()
    accuracy = (pooled["n_correct"] / pooled["n_scans"]).groupby(level=keys)
    out = accuracy.agg(["mean", "min", "max", "count"]).reset_index()
    return out.rename(columns={"min": "lowest", "max": "highest", "count": "n_repeats"})


def draw_path(
    figures: FigureSet, table: pd.DataFrame, chosen: int | None, chance: float | None, n_words: str
) -> Figure:
    """Draw accuracy against the number of latent variables; ``n_words`` is a sentence on n."""
    figure = new_figure(5.2, 2.3)
    axis = figure.subplots()
    splits = [s for s in SPLIT_WORDS if (table["split"] == s).any()]
    look = looks(splits)
    for split in splits:
        part = table[table["split"] == split]
        x = part["n_components"].to_numpy(float)
        low, high = part["lowest"].to_numpy(float), part["highest"].to_numpy(float)
        axis.fill_between(x, low, high, color=look[split].colour, alpha=0.18, linewidth=0)
        axis.plot(x, part["mean"], color=look[split].colour, marker=look[split].marker,
                  markersize=4, linestyle=look[split].dashes, label=SPLIT_WORDS[split])  # fmt: skip
    if chosen is not None:
        axis.axvline(chosen, color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
        axis.annotate(f"chosen: {chosen}", (chosen, 0.02), xycoords=("data", "axes fraction"),
                      xytext=(4, 0), textcoords="offset points", fontsize=8)  # fmt: skip
    if chance is not None:
        axis.axhline(chance, color=FAINT, linewidth=0.8)
        axis.annotate("largest class", (1, chance), xycoords=("axes fraction", "data"), ha="right",
                      va="bottom", fontsize=8.5, color=FAINT)  # fmt: skip
    axis.set_ylim(0, 1.02)
    axis.set_xticks(sorted({int(n) for n in table["n_components"]}))
    axis.set_xlabel("number of latent variables")
    axis.set_ylabel("share of scans called right")
    figure.legend(*axis.get_legend_handles_labels(), loc="outside upper left", ncols=2)
    repeats = int(table["n_repeats"].max())
    return figures.add(
        figure,
        "accuracy_by_latent_variables",
        "Accuracy against the number of latent variables",
        f"Accuracy from 1 to {int(table['n_components'].max())} latent variables for "
        f"{' and '.join(splits)}; {chosen} were chosen.",
        f"Lines: mean over {repeats} repeats of the splitting; bands: lowest and highest repeat "
        f"(a spread over repeats, not a confidence interval). {n_words} The number is chosen by "
        "validation inside the training part; the curve only shows what that choice meant."
        f"{NOT_TESTED}"
        + (" Grey line: accuracy of always naming the largest class." if chance else ""),
    )


def draw_confusions(
    figures: FigureSet, confusion: pd.DataFrame, classes: Sequence[str], chosen: Any, n_words: str
) -> Figure:
    """Draw a confusion matrix at every number of latent variables, small, side by side."""
    steps = sorted({int(n) for n in confusion["n_components"]})
    columns = min(4, len(steps))
    rows = -(-len(steps) // columns)
    figure = new_figure(1.55 * columns + 0.9, 1.7 * rows + 0.7)
    axes = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False).ravel()
    for axis, step in zip(axes, steps, strict=False):
        part = confusion[confusion["n_components"] == step]
        _draw_matrix(axis, confusion_matrix(part, classes))
        axis.set_title(f"{step}" + (" (chosen)" if step == chosen else ""))
    for spare in axes[len(steps) :]:
        spare.set_axis_off()
    ticks = range(len(classes))
    axes[0].set_yticks(ticks, [short(c, 14) for c in classes])
    axes[0].set_xticks(ticks, [short(c, 14) for c in classes])
    for axis in axes[: len(steps)]:
        axis.tick_params(axis="x", labelrotation=90, length=0)
        axis.tick_params(axis="y", length=0)
    figure.supxlabel("predicted", fontsize=8.5)
    figure.supylabel("true", fontsize=8.5)
    return figures.add(
        figure,
        "confusion_matrices",
        "Confusion matrices at every number of latent variables",
        f"Share of each true class by predicted class at {len(steps)} numbers of latent variables.",
        "Heading: number of latent variables. Numbers: per cent of the scans of the true class "
        "(row), called as the column says, in units that were left out of training; rows add up "
        f"to 100. {n_words} Shares have no error bars here; the table of classes gives their "
        f"intervals.{NOT_TESTED}",
        wide=True,
    )


def confusion_matrix(part: pd.DataFrame, classes: Sequence[str]) -> Floats:
    """Return shares of the true class, shape ``(n_classes, n_classes)``, rows true."""
    shares = np.zeros((len(classes), len(classes)))
    index = {name: i for i, name in enumerate(classes)}
    for row in part.to_dict("records"):
        shares[index[row["true"]], index[row["predicted"]]] = row["share_of_true"]
    return shares


def _draw_matrix(axis: Any, shares: Floats) -> None:
    axis.imshow(shares, cmap="Blues", vmin=0, vmax=1)
    n = len(shares)
    if n <= 8:
        for i in range(n):
            for j in range(n):
                axis.text(j, i, f"{100 * shares[i, j]:.0f}", ha="center", va="center", fontsize=8,
                          color="white" if shares[i, j] > 0.6 else INK)  # fmt: skip
    for side in ("left", "bottom"):
        axis.spines[side].set_visible(False)


def draw_rivals(figures: FigureSet, table: Sequence[Mapping[str, Any]], n_words: str) -> Figure:
    """Draw the accuracy of rival procedures, a point per repeat."""
    figure = new_figure(6.4, 0.42 * len(table) + 0.9)
    axis = figure.subplots()
    for y, row in enumerate(table):
        points = row["by_repeat"]
        axis.plot(points, np.full(len(points), y), "o", color=BLUE, markerfacecolor="none",
                  markersize=4, alpha=0.6)  # fmt: skip
        axis.plot([row["mean"]], [y], "D", color=INK, markersize=5)
    axis.set_yticks(range(len(table)), [short(str(row["name"]), 40) for row in table])
    axis.set_ylim(len(table) - 0.5, -0.5)
    axis.set_xlim(0, 1.02)
    axis.grid(axis="x", color=RULE, linewidth=0.6)
    axis.set_xlabel("share of scans called right")
    most = max(len(r["by_repeat"]) for r in table)
    return figures.add(
        figure,
        "rivals",
        "Other ways to tell the groups apart, on the same splits",
        "Accuracy of rival procedures: "
        + "; ".join(f"{r['name']} {format_percent(r['mean'])}" for r in table),
        f"Open circles: one repeat of the splitting each, {most} in all; diamonds: their mean. "
        f"The spread over repeats is not a confidence interval. {n_words} No error bars; the table "
        f"below it gives intervals.{NOT_TESTED}",
    )


def draw_permutation(figures: FigureSet, drawn: Floats, observed: float, n_words: str) -> Figure:
    """Draw the accuracy under permuted labels and as observed."""
    figure = new_figure(6.4, 2.6)
    axis = figure.subplots()
    lowest, highest = float(min(drawn.min(), observed)), float(max(drawn.max(), observed))
    bins = np.linspace(lowest, highest + 1e-9, min(30, max(8, len(drawn) // 8)))
    axis.hist(drawn, bins=bins, color=RULE, edgecolor=FAINT, linewidth=0.6)
    axis.axvline(observed, color=VERMILLION, linewidth=2, linestyle=looks("ab")["b"].dashes)
    axis.annotate("observed", (observed, 0.96), xycoords=("data", "axes fraction"), ha="right",
                  va="top", xytext=(-4, 0), textcoords="offset points", fontsize=8)  # fmt: skip
    axis.set_xlabel("share of scans called right, labels shuffled among units")
    axis.set_ylabel("draws")
    axis.yaxis.get_major_locator().set_params(integer=True)
    reach = int(np.sum(drawn >= observed - 1e-12))
    return figures.add(
        figure,
        "permutation",
        "Could chance have done as well?",
        f"Histogram of the accuracy of {len(drawn)} permutations; "
        f"observed {format_percent(observed)}.",
        f"{len(drawn)} draws with the labels shuffled among units; {reach} reached the observed "
        f"accuracy of {format_percent(observed)}. The same statistic, one repeat, on both sides. "
        f"{n_words} Bars: counts of draws, without error bars. One test, so nothing is adjusted.",
    )


def draw_reliability(figures: FigureSet, table: pd.DataFrame) -> Figure:
    """Draw the share named rightly against how sure the classifier was."""
    figure = new_figure(4.6, 3.4)
    axis = figure.subplots()
    given = table["mean_probability"].to_numpy(float)
    right = table["share_right"].to_numpy(float)
    axis.plot([0, 1], [0, 1], color=FAINT, linewidth=0.9, linestyle=(0, (4, 3)))
    axis.plot(given, right, color=BLUE, marker="o", markersize=5)
    for x, y, n in zip(given, right, table["n_units"], strict=True):
        axis.annotate(f"{int(n)}", (x, y), xytext=(5, -9), textcoords="offset points", fontsize=8)
    axis.set_xlim(0, 1.02)
    axis.set_ylim(-0.04, 1.06)
    axis.set_xlabel("probability given to the class named")
    axis.set_ylabel("share named rightly")
    return figures.add(
        figure,
        "reliability",
        "Is it as sure as it says?",
        f"Share named rightly against the probability given, in {len(table)} steps.",
        "Points: scans of held-out units, by the probability given to the class that was named, "
        "in steps of a tenth; beside them n, the number of units. Dashed: as sure as it is right. "
        "Below it the classifier is too sure. Points of few units are rough and have no error "
        f"bars.{NOT_TESTED}",
    )


# Who is taken for whom, and what the model weighs for each class.
# ----------------------------------------------------------------------

_MOST_ROWS = 12
_WIDTH = 6.5
"""Inches: room for the caption stays beside it."""
_LEAST_NAMED = 0.07
_WRONG_FILLS = (("#ffffff", "////"), ("#e3e7e3", ""), ("#ffffff", ".."), ("#cbd2cc", ""),
                ("#ffffff", "xxxx"))  # fmt: skip


def draw_taken_for(
    figures: FigureSet,
    rows: Sequence[Mapping[str, Any]],
    n_words: str,
) -> Figure:
    """Draw what each class was taken for, the class that fares worst on top.

    Parameters
    ----------
    rows
        One for each class, worst first: ``true``, ``right`` (share of its scans named so) and
        ``wrong``, the other classes with their shares, the largest first.
    n_words
        A sentence on n.
    """
    drawn = rows[:_MOST_ROWS]
    figure = new_figure(_WIDTH, 0.34 * len(drawn) + 0.55)
    axis = figure.subplots()
    for y, row in enumerate(drawn):
        axis.barh(y, row["right"], height=0.62, color=BLUE, edgecolor=INK, linewidth=0.6)
        _name_part(axis, y, 0.0, row["right"], "right", "white")
        start = row["right"]
        for i, (name, share) in enumerate(row["wrong"]):
            fill, hatch = _WRONG_FILLS[i % len(_WRONG_FILLS)]
            axis.barh(y, share, left=start, height=0.62, color=fill, hatch=hatch, edgecolor=INK,
                      linewidth=0.6)  # fmt: skip
            _name_part(axis, y, start, share, name, INK)
            start += share
    axis.set_yticks(range(len(drawn)), [short(str(row["true"]), 22) for row in drawn])
    axis.set_ylim(len(drawn) - 0.5, -0.5)
    axis.set_xlim(0, 1.0)
    axis.set_xticks(np.linspace(0, 1, 6), [f"{x:.0f}" for x in np.linspace(0, 100, 6)])
    axis.set_xlabel("per cent of the held-out scans of the class")
    axis.tick_params(axis="y", length=0)
    worst = drawn[0]
    return figures.add(
        figure,
        "taken_for",
        "What each class was taken for",
        f"A bar for each of {len(drawn)} classes, the one that fares worst first: {worst['true']}, "
        f"{format_percent(worst['right'])} right.",
        "A bar for each true class, the worst on top. Blue: named rightly. White, grey and "
        f"hatched: taken for the class named there. {n_words} Means over the repeats of the "
        f"splitting, without error bars; intervals stand in the table of classes.{NOT_TESTED}"
        + and_more(len(rows) - len(drawn), "the table of classes"),
        wide=True,
    )


_LETTERS, _LETTERS_NARROW = 84, 40
"""Letters of 8 points that fit into a bar of the whole width, and into one of a narrow figure."""


def _name_part(axis: Any, y: int, start: float, share: float, name: str, ink: str) -> None:
    """Write name and per cent into a part of a bar that is wide enough."""
    if share < _LEAST_NAMED:
        return
    letters = int(share * (_LETTERS_NARROW if is_narrow() else _LETTERS))
    words = f"{short(name, max(2, letters - 4))} {100 * share:.0f}"
    text = words if len(words) <= letters else f"{100 * share:.0f}"
    box = None if ink == "white" else {"facecolor": "white", "edgecolor": "none", "pad": 1.2}
    axis.text(start + share / 2, y, text, ha="center", va="center", fontsize=8, color=ink, bbox=box)


@dataclass(frozen=True)
class MostConfused:
    """The two classes taken for each other most often.

    Attributes
    ----------
    names
        The two classes.
    n_scans
        Scans of either that were taken for the other, mean over repeats.
    spectra
        Reflectance of each class over its units.
    at_nm
        Wavelengths at which their units lie furthest apart.
    """

    names: tuple[str, str]
    n_scans: float
    spectra: tuple[SpectrumSummary, SpectrumSummary]
    at_nm: tuple[float, ...]


_MOST_CLASSES = 6
_WEIGHT_HEIGHT = 1.0
_CONFUSED_HEIGHT = 2.5
"""Inches of the panel of one class, and of that of the two most confused ones."""


def draw_class_weights(
    figures: FigureSet,
    wavelength_nm: Floats,
    weights: Mapping[str, Loading],
    confused: MostConfused | None,
    reflectance_nm: Floats,
    words: tuple[str, str],
) -> Figure:
    """Draw what the whole model weighs for each class, and the two most confused classes.

    The two classes stand beside the weights; in a single column of a journal, below them.

    Parameters
    ----------
    wavelength_nm
        Axis of the weights, shape ``(n_wavelengths,)``.
    weights
        Class -> coefficients of its membership, and their deviation over resamples; the classes
        in the order of display.
    confused
        The two classes; ``None`` if no two were taken for each other.
    reflectance_nm
        Axis of their spectra.
    words
        What the weights multiply, and what the units are called in the plural.
    """
    drawn = dict(list(weights.items())[:_MOST_CLASSES])
    quantity, unit_words = words
    n = len(drawn)
    below = confused is not None and is_narrow()
    beside = confused is not None and not below
    height = _WEIGHT_HEIGHT * n + 0.5 + (_CONFUSED_HEIGHT if below else 0.0)
    figure = new_figure(_WIDTH, max(_CONFUSED_HEIGHT, height))
    ratios = [_WEIGHT_HEIGHT] * n + [_CONFUSED_HEIGHT] * below
    grid = figure.add_gridspec(
        len(ratios), 1 + beside, height_ratios=ratios, width_ratios=[1.1, 1.0] if beside else [1.0]
    )
    reach = 1.15 * max(float(np.abs(w.value).max()) for w in drawn.values()) or 1.0
    cut = thinning(wavelength_nm, 300)
    last: Any = None
    for i, (name, weight) in enumerate(drawn.items()):
        axis = figure.add_subplot(grid[i, 0], sharex=last)
        _draw_weight(axis, wavelength_nm[cut], weight.value[cut], weight.sd[cut])
        axis.set_ylim(-reach, reach)
        axis.set_title(f"for {short(name, 36)}")
        axis.set_ylabel("weight")
        axis.yaxis.get_major_locator().set_params(nbins=3)
        axis.tick_params(labelbottom=i == len(drawn) - 1)
        last = axis
    last.set_xlabel("wavelength (nm)")
    if confused:
        cell = grid[n, 0] if below else grid[:, 1]
        _draw_confused(figure.add_subplot(cell), reflectance_nm, confused)
    resampled = any(bool(np.isfinite(w.sd).any()) for w in drawn.values())
    steady = (
        "Band: SD over resamples of the units. Thick: two SD from zero or more, so steady. Thin "
        "and grey: not to be read. "
        if resampled
        else "Resamples were not made, so nothing is said about how steady they are. "
    )
    return figures.add(
        figure,
        "class_weights",
        "What the whole model weighs for each class",
        f"Weight of each wavelength for {', '.join(drawn)}"
        + (f"; mean spectra of {' and '.join(confused.names)}." if confused else "."),
        f"Panels of classes: weight of each wavelength ({quantity}) in the score of a class. "
        "Above zero, more signal speaks for the class; below, against it. All classes share one "
        f"scale. {steady}{_confused_words(confused, unit_words)}{NOT_TESTED}"
        + thinning_words(cut.step)
        + and_more(len(weights) - len(drawn), "classes/spectra_terms.parquet"),
        wide=True,
    )


def _draw_weight(axis: Any, x: Floats, value: Floats, sd: Floats) -> None:
    axis.axhline(0, color=INK, linewidth=0.5)
    if not np.isfinite(sd).all():
        axis.plot(x, value, color=BLUE, linewidth=1.4)
        return
    axis.fill_between(x, value - sd, value + sd, color=BLUE, alpha=0.25, linewidth=0)
    axis.plot(x, value, color=FAINT, linewidth=0.8)
    axis.plot(x, np.where(np.abs(value) >= 2 * sd, value, np.nan), color=BLUE, linewidth=2.2)


def _draw_confused(axis: Any, wavelength_nm: Floats, confused: MostConfused) -> None:
    cut = thinning(wavelength_nm, 250)
    x = wavelength_nm[cut]
    for look, name, part in zip(looks(confused.names).values(), confused.names, confused.spectra,
                                strict=True):  # fmt: skip
        if part.sd is not None:
            axis.fill_between(x, (part.mean - part.sd)[cut], (part.mean + part.sd)[cut],
                              color=look.colour, alpha=0.2, linewidth=0)  # fmt: skip
        axis.plot(x, part.mean[cut], color=look.colour, linestyle=look.dashes, marker=look.marker,
                  markersize=3.5, markevery=max(1, len(x) // 9),
                  label=legend_label(name, 22))  # fmt: skip
    for position_nm in confused.at_nm:
        axis.axvline(position_nm, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
    axis.set_ylim(bottom=0)
    axis.set_title("most confused: mean and SD")
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("reflectance")
    axis.legend(loc="upper left")


def _confused_words(confused: MostConfused | None, unit_words: str) -> str:
    if confused is None:
        return "No two classes were taken for each other."
    n = ", ".join(
        f"{name} {part.n_units} {unit_words} ({part.n_scans} scans)"
        for name, part in zip(confused.names, confused.spectra, strict=True)
    )
    wavelengths = ", ".join(format_nm(x) for x in confused.at_nm)
    dotted_words = f" Dotted: furthest apart ({wavelengths} nm)." if wavelengths else ""
    return (
        f"Panel of two classes: their mean reflectance, with bands of one SD between {unit_words}. "
        f"n: {n}.{dotted_words}"
    )


# What the classifier learned: loadings over their spectra, and importance.
# ----------------------------------------------------------------------

_BAND = "#b9c3bc"


@dataclass(frozen=True)
class Training:
    """The spectra a classifier learned from, in short; ``quantity`` says what they are."""

    mean: Floats
    sd: Floats
    low: Floats
    high: Floats
    n: int
    quantity: str


@dataclass(frozen=True)
class Loading:
    """Loading of one latent variable, and its standard deviation over resamples of the units."""

    value: Floats
    sd: Floats


@dataclass(frozen=True)
class _Scale:
    """Puts reflectance from ``bottom`` to ``top`` over the height of a panel from -span to span."""

    bottom: float
    top: float
    span: float

    def to_panel(self, reflectance: Floats) -> Floats:
        share = (reflectance - self.bottom) / (self.top - self.bottom)
        return share * 2 * self.span - self.span


def draw_loadings(
    figures: FigureSet,
    wavelength_nm: Floats,
    loadings: Mapping[int, Loading],
    training: Training,
    stable: int | None = None,
) -> Figure:
    """Draw the loading of every latent variable over the training spectra it comes from.

    Parameters
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    loadings
        Latent variable -> its loading; NaN where the deviation is not known.
    training
        The spectra behind, on the same axis.
    stable
        Latent variables before the point where loadings turn to noise; ``None`` if not known.
    """
    steps = sorted(loadings)
    columns = min(2, len(steps))
    rows = -(-len(steps) // columns)
    figure = new_figure(3.4 * columns + 0.4, 1.5 * rows + 0.5)
    axes = figure.subplots(rows, columns, sharex=True, squeeze=False).ravel()
    cut = thinning(wavelength_nm, 100)
    bottom = min(0.0, 1.05 * float(training.low[cut].min()))
    top = 1.05 * float(training.high[cut].max())
    for i, (axis, step) in enumerate(zip(axes, steps, strict=False)):
        # Each loading has a scale of its own: later ones are small beside the first.
        reach = 1.1 * float(np.abs(loadings[step].value).max())
        scale = _Scale(bottom, top, reach or 1.0)
        _draw_training(axis, wavelength_nm, training, cut, scale)
        if i % columns == columns - 1:
            _right_scale(axis, scale.bottom, scale.top)
        _draw_loading(axis, wavelength_nm, loadings[step], cut)
        axis.set_ylim(-scale.span, scale.span)
        noise = stable is not None and step > stable
        axis.set_title(f"latent variable {step}" + (" (noise)" if noise else ""), fontsize=8.5)
    for i, axis in enumerate(axes):
        if i >= len(steps):
            axis.set_axis_off()
        elif i + columns >= len(steps):
            axis.tick_params(labelbottom=True)
    figure.supxlabel("wavelength (nm)", fontsize=8.5)
    figure.supylabel("loading (blue line)", fontsize=8.5)
    return figures.add(
        figure,
        "loadings",
        "Loadings of the latent variables over the training spectra",
        f"Loadings of {len(steps)} latent variables against wavelength, with the training spectra "
        "behind.",
        _loadings_caption(loadings, training, cut.step)
        + (
            ""
            if stable is None
            else " Noise: beyond the point where loadings are no longer steady "
            "over resamples of the units; not to be read."
        )
        + NOT_TESTED,
        wide=columns > 1,
    )


def _draw_training(
    axis: Any, wavelength_nm: Floats, training: Training, cut: slice, scale: _Scale
) -> None:
    x, to_panel = wavelength_nm[cut], scale.to_panel
    mean, sd = training.mean[cut], training.sd[cut]
    low, high = to_panel(training.low[cut]), to_panel(training.high[cut])
    axis.fill_between(x, low, high, color=RULE, alpha=0.5, linewidth=0)
    axis.fill_between(x, to_panel(mean - sd), to_panel(mean + sd), color=_BAND, linewidth=0)
    axis.plot(x, to_panel(mean), color=FAINT, linewidth=0.9)


def _draw_loading(axis: Any, wavelength_nm: Floats, loading: Loading, cut: slice) -> None:
    x, value, sd = wavelength_nm[cut], loading.value[cut], loading.sd[cut]
    axis.axhline(0, color=INK, linewidth=0.5)
    if np.isfinite(sd).all():
        axis.fill_between(x, value - sd, value + sd, color=BLUE, alpha=0.25, linewidth=0)
    axis.plot(x, value, color=BLUE, linewidth=1.4)


def _loadings_caption(loadings: Mapping[int, Loading], training: Training, step: int) -> str:
    resampled = any(bool(np.isfinite(loading.sd).any()) for loading in loadings.values())
    return (
        "Blue line: loading (left scale, one for each; sign chosen so that the largest weight is "
        "positive). "
        + ("Blue band: its standard deviation over resamples of the units. " if resampled else "")
        + f"Grey: the n = {training.n} training spectra (right scale, {training.quantity}): mean, "
        "one standard deviation between scans, lowest and highest." + thinning_words(step)
    )


def _right_scale(axis: Any, bottom: float, top: float) -> None:
    """Give a panel a right scale that runs from ``bottom`` to ``top`` over its whole height."""
    right = axis.twinx()
    right.set_ylim(bottom, top)
    right.spines["right"].set_visible(True)


def draw_importance(
    figures: FigureSet, wavelength_nm: Floats, vip: Floats, n_components: int, n_spectra: int
) -> Figure:
    """Draw the variable importance in projection."""
    figure = new_figure(6.4, 2.5)
    axis = figure.subplots()
    cut = thinning(wavelength_nm, 400)
    axis.axhline(1, color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
    axis.fill_between(wavelength_nm[cut], 1, vip[cut], where=vip[cut] > 1, color=BLUE, alpha=0.2,
                      linewidth=0)  # fmt: skip
    axis.plot(wavelength_nm[cut], vip[cut], color=BLUE)
    axis.set_ylim(bottom=0)
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("importance (VIP)")
    return figures.add(
        figure,
        "importance",
        "Which wavelengths the classifier leans on",
        "Variable importance in projection against wavelength.",
        f"Variable importance in projection of the model with {n_components} latent variables; its "
        "mean square over wavelengths is 1 (dotted line). Above 1 is a rule of thumb, not a test: "
        f"neighbouring wavelengths carry the same information. n = {n_spectra} training spectra; "
        f"no error bars.{NOT_TESTED}",
    )

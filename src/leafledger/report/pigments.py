"""What do the pigment assays say, and which index follows them?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

from leafledger.report.figures import (
    BLUE,
    FAINT,
    INK,
    NOT_TESTED,
    RULE,
    VERMILLION,
    Figure,
    FigureSet,
    new_figure,
)
from leafledger.report.gather import Material
from leafledger.report.numbers import format_number, is_number, short, unit_suffix
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[str, Any]
Rows = list[dict[str, Any]]

# Figures.
# ----------------------------------------------------------------------

_INKS: Final = {
    "yellow-green": "#A3BE3A", "blue-green": "#12806A", "orange": "#E69F00", "gold": "#E69F00",
    "grey": "#7A7A6A", "gray": "#7A7A6A", "olive": "#7A7A3A", "yellow": "#E3CF3F",
    "green": "#4E9A4E",
}  # fmt: skip
"""Word in a stated colour -> colour of the drawing; the first that fits."""
_MOST_STRIPS: Final = 6


def draw_calibration(
    figures: FigureSet,
    chosen: Mapping[str, Any],
    points: pd.DataFrame,
    estimates: pd.DataFrame,
    unit_word: str,
) -> Figure:
    """Draw the assays against the index, with the curve, its interval and its range."""
    figure = new_figure(6.2, 3.6)
    axis = figure.subplots()
    inside = estimates[estimates["in_range"].astype(bool)].sort_values("index_value")
    x = inside["index_value"].to_numpy(float)
    axis.fill_between(
        x, inside["estimate_low"].to_numpy(float), inside["estimate_high"].to_numpy(float),
        color=BLUE, alpha=0.16, linewidth=0, label="interval for one leaf",
    )  # fmt: skip
    axis.plot(x, inside["estimate"].to_numpy(float), color=BLUE, linewidth=1.6,
              label=f"{chosen['form']} form")  # fmt: skip
    u = points["u"].to_numpy(float)
    axis.errorbar(
        points["index_value"].to_numpy(float), points["value"].to_numpy(float),
        yerr=None if bool((u != u).any()) else u, fmt="o", color=INK, markersize=4,
        elinewidth=0.8, capsize=0, label="assayed leaf",
    )  # fmt: skip
    outside = estimates.loc[~estimates["in_range"].astype(bool), "index_value"].to_numpy(float)
    if len(outside):
        axis.plot(outside, [0.015] * len(outside), "|", color=VERMILLION, markersize=9,
                  transform=axis.get_xaxis_transform(),
                  label="leaf outside the range: no estimate")  # fmt: skip
    for end in (float(chosen["range_low"]), float(chosen["range_high"])):
        axis.axvline(end, color=FAINT, linewidth=0.8, linestyle=(0, (2, 2)))
    quantity = str(chosen["quantity"]).replace("_", " ")
    unit = unit_suffix(str(chosen["unit_of_value"])).strip()
    axis.set_xlabel(short(str(chosen["index"])))
    axis.set_ylabel(short(quantity) + (f" ({unit})" if unit else ""))
    axis.grid(axis="y", color=RULE, linewidth=0.6)
    figure.legend(loc="outside upper left", ncols=2)
    n = f"n = {counted(int(chosen['n_leaves']), 'leaf')} of "
    n += counted(int(chosen["n_units"]), unit_word)
    level = float(estimates["interval_level"].iloc[0])
    return figures.add(
        figure,
        "pigment_calibration",
        f"{short(quantity)} by assay and by {short(str(chosen['index']))}",
        f"Assayed {quantity} of leaves against {chosen['index']}, with the fitted curve.",
        f"{n}. Bars: standard uncertainty of the assay (k = 1), where it is stated. Band: {level:g}"
        f" interval in which the assay of one leaf of a new {unit_word} lies; it counts "
        f"{unit_word} by {unit_word}, not leaves. Dotted: the range of the assayed leaves, outside "
        f"of which nothing is estimated.{NOT_TESTED}",
    )


def draw_strips(figures: FigureSet, spots: pd.DataFrame) -> Figure:
    """Draw the strips of the chromatograms, a lane each, with front and spots."""
    from matplotlib.patches import Ellipse

    names = list(dict.fromkeys(spots["strip"]))[:_MOST_STRIPS]
    figure = new_figure(1.6 + 1.9 * len(names), 4.2)
    axes = figure.subplots(1, len(names), squeeze=False)[0]
    for axis, name in zip(axes, names, strict=True):
        rows = spots[spots["strip"] == name].to_dict("records")
        axis.set_xlim(0, 1)
        axis.set_ylim(-0.04, 1.06)
        axis.fill_betweenx([-0.04, 1.06], 0.08, 0.34, color="#f4f1e6", linewidth=0)
        for y, words in ((0.0, "start"), (1.0, "front")):
            axis.plot([0.08, 0.34], [y, y], color=FAINT, linewidth=0.8)
            axis.text(0.06, y, words, ha="right", va="center", fontsize=8, color=FAINT)
        for row, y in zip(rows, _spread([float(row["rf"]) for row in rows]), strict=True):
            rf = float(row["rf"])
            axis.add_patch(Ellipse((0.21, rf), 0.15, 0.032, facecolor=_ink(str(row["colour"])),
                                   edgecolor=INK, linewidth=0.4))  # fmt: skip
            axis.plot([0.34, 0.40], [rf, y], color=RULE, linewidth=0.6)
            axis.text(0.41, y, spot_words(row), va="center", fontsize=8)
        axis.set_title(short(str(name), 18))
        axis.set_axis_off()
    more = spots["strip"].nunique() - len(names)
    return figures.add(
        figure,
        "chromatograms",
        "Chromatograms, redrawn from the distances",
        f"Lanes of {counted(len(names), 'strip')} with the Rf of each spot.",
        "Each lane from start line (Rf 0) to solvent front (Rf 1), spots at their Rf, with the "
        "colour as stated in words and the pigments that colour and order in this system suggest. "
        f"n = {counted(len(spots), 'spot')}. No error bars: the table has the uncertainty of Rf."
        f"{NOT_TESTED}" + (f" {more} more strips stand in the table." if more > 0 else ""),
    )


def _spread(heights: Sequence[float], least: float = 0.055) -> list[float]:
    """Return heights of labels from the top down that do not run into each other."""
    found: list[float] = []
    for height in heights:
        found.append(min(height, found[-1] - least) if found else height)
    lowest = min(found, default=0.0)
    return [y - min(0.0, lowest + 0.03) for y in found]


def _ink(colour: str) -> str:
    plain = colour.lower().replace(" ", "-")
    words = [word for word in _INKS if word in plain]
    return _INKS[words[0]] if words else "#bbbbbb"


def spot_words(row: Mapping[str, Any]) -> str:
    """Return the label of a spot: Rf, colour and what it may be.

    Examples
    --------
    >>> spot_words({"rf": 0.65, "colour": "blue-green", "candidates": "chlorophyll a"})
    '0.65 blue-green: chlorophyll a'
    >>> spot_words({"rf": 0.65, "colour": "mauve", "candidates": ""})
    '0.65 mauve: no candidate'
    """
    candidates = str(row["candidates"] or "").replace(", ", " or ") or "no candidate"
    return f"{float(row['rf']):.2f} {short(str(row['colour']), 16)}: {short(candidates, 34)}"


# The part of the page.
# ----------------------------------------------------------------------


def pigments_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the page says of assays and chromatograms; ``None`` for a study without any."""
    if material.pigments is None:
        return None
    contents = material.tables["pigment_contents"]
    calibrations = material.tables["pigment_calibrations"]
    estimates = material.tables["pigment_estimates"]
    spots = material.tables["chromatogram_spots"]
    chosen = calibrations[calibrations["chosen"].astype(bool)]
    first: Row | None = next(iter(_records(chosen)), None)
    figure = None
    if first is not None:
        own = _of_series(estimates, first)
        points = _points(_of_series(contents, first), own)
        figure = draw_calibration(figures, first, points, own, material.unit_word)
    return {
        "sentences": [
            _without_keys(str(one["sentence"]), contents) for one in material.pigments["sentences"]
        ],
        "strips": [str(text) for text in material.pigments["strips"]],
        "equations": material.pigments["equations"],
        "cautions": material.pigments["cautions"],
        "contents": content_rows(contents),
        "best": best_rows(calibrations),
        "spots": spots.to_dict("records"),
        "n_outside": n_outside(estimates),
        "figure": figure,
        "strips_figure": draw_strips(figures, spots) if len(spots) else None,
    }


def _without_keys(sentence: str, contents: pd.DataFrame) -> str:
    """Return a sentence with the names of its quantities as words."""
    for quantity in sorted(set(map(str, contents["quantity"])), key=len, reverse=True):
        sentence = sentence.replace(quantity, quantity.replace("_", " "))
    return sentence


def _records(frame: pd.DataFrame) -> Rows:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _of_series(frame: pd.DataFrame, row: Row) -> pd.DataFrame:
    same: pd.Series[bool] = (frame["quantity"] == row["quantity"]) & (
        frame["unit_of_value"] == row["unit_of_value"]
    )
    return frame.loc[same]


def _points(contents: pd.DataFrame, estimates: pd.DataFrame) -> pd.DataFrame:
    """Return the assays in use beside the index of their leaf."""
    used: pd.DataFrame = contents.loc[contents["used"].astype(bool)]
    leaf = ["unit", "session", "leaf"]
    return used.merge(estimates[[*leaf, "index_value"]], on=leaf, how="inner")


def content_rows(contents: pd.DataFrame) -> Rows:
    """Return a row for each content as the page shows it."""
    found: Rows = []
    for row in _records(contents):
        suffix = unit_suffix(str(row["unit_of_value"]))
        value = format_number(row["value"])
        if is_number(row["u"]):
            value += f" ± {format_number(row['u'], 2)}"
        remarks = [str(text) for text in (row["reason"], row["remark"]) if text]
        found.append(
            {
                **row,
                "words": str(row["quantity"]).replace("_", " "),
                "text": f"{value}{suffix}",
                "said": "; ".join(remarks),
            }
        )
    return found


def best_rows(calibrations: pd.DataFrame) -> Rows:
    """Return the best form of each index for each quantity, the smallest error first."""
    order = {
        series: place
        for place, series in enumerate(
            dict.fromkeys(zip(calibrations["quantity"], calibrations["unit_of_value"], strict=True))
        )
    }
    rows = [
        {
            **row,
            "words": str(row["quantity"]).replace("_", " "),
            "suffix": unit_suffix(str(row["unit_of_value"])),
        }
        for row in _records(calibrations[calibrations["best_form"].astype(bool)])
    ]
    return sorted(
        rows,
        key=lambda r: (order[r["quantity"], r["unit_of_value"]], r["rmse_cv"], r["index"]),
    )


def n_outside(estimates: pd.DataFrame) -> int:
    """Return how many leaves lie outside the range of some calibration."""
    outside = estimates[~estimates["in_range"].astype(bool)]
    return len(outside[["unit", "session", "leaf"]].drop_duplicates())

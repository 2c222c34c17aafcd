"""What do the leaves hold, by assay, by calibrated index, by spectrum and by a leaf model?"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.report.figures import (
    BLUE,
    FAINT,
    INK,
    NOT_TESTED,
    RULE,
    VERMILLION,
    Figure,
    FigureSet,
    finish_panels,
    looks,
    new_figure,
    panels,
)
from leafledger.report.gather import Material, contrast_in_words, contrast_words
from leafledger.report.numbers import (
    SQUARE,
    format_alike,
    format_interval,
    format_number,
    format_p,
    format_p_relation,
    is_number,
    short,
    unit_suffix,
)
from leafledger.traits.prediction_error import WORDS as PROCEDURES
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


def draw_profiles(figures: FigureSet, profiles: pd.DataFrame, spots: pd.DataFrame) -> Figure:
    """Draw the density along each lane that was read from a photograph, with its spots."""
    names = list(dict.fromkeys(profiles["strip"]))[:_MOST_STRIPS]
    figure = new_figure(6.2, 0.9 + 1.5 * len(names))
    axes = figure.subplots(len(names), 1, squeeze=False, sharex=True)[:, 0]
    inks = {
        "density": (INK, "mean"),
        "density_red": (VERMILLION, "red light"),
        "density_green": ("#4E9A4E", "green light"),
        "density_blue": (BLUE, "blue light"),
    }
    for axis, name in zip(axes, names, strict=True):
        profile = profiles[profiles["strip"] == name]
        for column, (ink, words) in inks.items():
            axis.plot(profile["rf"].to_numpy(float), profile[column].to_numpy(float), color=ink,
                      linewidth=1.4 if column == "density" else 0.7, label=words)  # fmt: skip
        for rf in spots.loc[spots["strip"] == name, "rf"].to_numpy(float):
            axis.axvline(rf, color=FAINT, linewidth=0.8, linestyle=(0, (2, 2)))
        axis.set_ylabel(f"{short(str(name), 14)}\ndensity")
        axis.grid(axis="y", color=RULE, linewidth=0.6)
    axes[-1].set_xlabel("Rf: start line 0, solvent front 1")
    figure.legend(*axes[0].get_legend_handles_labels(), loc="outside upper left", ncols=4)
    more = profiles["strip"].nunique() - len(names)
    return figures.add(
        figure,
        "strip_profiles",
        "Density along the lanes of photographed strips",
        f"Optical density along {counted(len(names), 'lane')}, with the places of the spots.",
        f"n = {counted(len(names), 'strip')}. Density against bare paper of the same lane; dotted: "
        "the spots that were pointed at. A photograph is no densitometer: it says where the lane "
        f"is dark and which light it takes away, not how much pigment there is.{NOT_TESTED}"
        + (f" {more} more stand in the table." if more > 0 else ""),
    )


def _spread(heights: Sequence[float], least: float = 0.055) -> list[float]:
    """Return heights of labels from the top down that do not run into each other."""
    placed: list[float] = []
    for height in heights:
        placed.append(min(height, placed[-1] - least) if placed else height)
    lowest = min(placed, default=0.0)
    return [y - min(0.0, lowest + 0.03) for y in placed]


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


# Contents by the leaf model.
# ----------------------------------------------------------------------


def draw_leaf_residuals(
    figures: FigureSet, wavelength_nm: NDArray[np.float64], residual: NDArray[np.float64]
) -> Figure:
    """Draw what the leaf model leaves over, wavelength by wavelength."""
    figure = new_figure(6.2, 2.8)
    axis = figure.subplots()
    ends = np.percentile(residual, [5, 25, 50, 75, 95], axis=0)
    axis.fill_between(wavelength_nm, ends[0], ends[4], color=BLUE, alpha=0.14, linewidth=0,
                      label="5 to 95 % of scans")  # fmt: skip
    axis.fill_between(wavelength_nm, ends[1], ends[3], color=BLUE, alpha=0.28, linewidth=0,
                      label="25 to 75 %")  # fmt: skip
    axis.plot(wavelength_nm, ends[2], color=BLUE, linewidth=1.3, label="median")
    axis.axhline(0.0, color=FAINT, linewidth=0.8)
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("measured less fitted\nreflectance")
    axis.grid(axis="y", color=RULE, linewidth=0.6)
    figure.legend(loc="outside upper left", ncols=3)
    return figures.add(
        figure,
        "leaf_model_residuals",
        "What the leaf model leaves over",
        "Measured less fitted reflectance of all accepted scans, by wavelength.",
        f"n = {counted(len(residual), 'accepted scan')}. Bands: shares of the scans, no error "
        "bars. A smooth residual that all scans have is an error of the model or of the white; a "
        f"narrow one is light of a lamp.{NOT_TESTED}",
    )


def beside_assays(contents: pd.DataFrame, scans: pd.DataFrame) -> Rows:
    """Return leaves that were assayed beside the estimate of the leaf model for the same leaf.

    Parameters
    ----------
    contents, scans
        The tables of contents by assay and of estimates by scan.

    Returns
    -------
    list
        A row for each leaf and quantity that both have, in the same unit: the mean of the assays
        in use, the mean of the scans that fit, and their standard uncertainties.
    """
    if not len(contents) or not len(scans):
        return []
    key = ["unit", "session", "leaf", "quantity", "unit_of_value"]
    used = contents[contents["used"].astype(bool)]
    assayed = used.groupby(key, as_index=False)[["value", "u"]].mean()
    fits = scans[scans["fits"].astype(bool)]
    modelled = fits.groupby(key, as_index=False)[["value", "u"]].mean()
    both = assayed.merge(modelled, on=key, suffixes=("_assay", "_model"))
    return _records(both.sort_values([*key[3:], *key[:3]], ignore_index=True))


def beside_sentences(rows: Rows, unit_word: str) -> list[str]:
    """Return how far estimate and assay lie apart, a sentence for each quantity."""
    sentences = []
    for quantity in dict.fromkeys(str(row["quantity"]) for row in rows):
        pairs = [row for row in rows if row["quantity"] == quantity]
        difference = np.array(
            [row["value_model"] - row["value_assay"] for row in pairs], dtype=np.float64
        )
        unit = unit_suffix(str(pairs[0]["unit_of_value"]))
        n_units = len({row["unit"] for row in pairs})
        sentences.append(
            f"{quantity.replace('_', ' ').capitalize()} by the leaf model less by assay, in "
            f"{counted(len(pairs), 'leaf')} of {counted(n_units, unit_word)}: mean "
            f"{format_number(float(difference.mean()), 3)}{unit}, root mean square "
            f"{format_number(float(np.sqrt((difference**2).mean())), 3)}{unit}."
        )
    return sentences


_MANY: Final = 5.0
"""Root mean square difference to assays, in standard uncertainties, above which it is warned."""


def beside_warnings(rows: Rows, unit_word: str) -> list[str]:
    """Return a warning for each quantity that lies much further from its assays than both say.

    The difference is held against the root mean square of the standard uncertainties of estimate
    and assay together; an assay without a stated one counts with that of the estimate alone.
    """
    messages = []
    for quantity in dict.fromkeys(str(row["quantity"]) for row in rows):
        pairs = [row for row in rows if row["quantity"] == quantity]
        difference, u_assay, u_model = (
            np.array(values, dtype=np.float64)
            for values in zip(
                *((r["value_model"] - r["value_assay"], r["u_assay"], r["u_model"]) for r in pairs),
                strict=True,
            )
        )
        off = float(np.sqrt((difference**2).mean()))
        u = float(np.sqrt((np.nan_to_num(u_assay) ** 2 + u_model**2).mean()))
        if off > _MANY * u:
            unit = unit_suffix(str(pairs[0]["unit_of_value"]))
            messages.append(
                f"{quantity.replace('_', ' ')} by the leaf model lies "
                f"{format_number(off, 2)}{unit} from the assays of the same "
                f"{counted(len({r['unit'] for r in pairs}), unit_word)} (root mean square), "
                f"{format_number(off / u, 2)} times the standard uncertainty: do not read it as "
                "measured; hold the table of coefficients against the published one"
            )
    return messages


def draw_beside_assays(figures: FigureSet, rows: Rows) -> Figure:
    """Draw the estimates of the leaf model against the assays of the same leaves."""
    names = list(dict.fromkeys(str(row["quantity"]) for row in rows))
    figure = new_figure(1.2 + 2.6 * len(names), 3.2)
    for axis, name in zip(figure.subplots(1, len(names), squeeze=False)[0], names, strict=True):
        pairs = [row for row in rows if row["quantity"] == name]
        x, y, u_x, u_y = (
            np.array([row[column] for row in pairs], dtype=np.float64)
            for column in ("value_assay", "value_model", "u_assay", "u_model")
        )
        axis.errorbar(
            x, y, xerr=u_x if np.isfinite(u_x).all() else None, yerr=u_y, fmt="o", color=INK,
            ecolor=FAINT, markersize=3.5, elinewidth=0.7,
        )  # fmt: skip
        ends = [min(x.min(), y.min()), max(x.max(), y.max())]
        axis.plot(ends, ends, color=BLUE, linewidth=1.0, linestyle=(0, (4, 2)))
        unit = unit_suffix(str(pairs[0]["unit_of_value"])).strip()
        axis.set_title(short(name.replace("_", " ")))
        axis.set_xlabel(f"by assay ({unit})")
        axis.set_ylabel(f"by the leaf model ({unit})")
        axis.grid(color=RULE, linewidth=0.5)
    return figures.add(
        figure,
        "leaf_model_assays",
        "Contents by the leaf model and by assay",
        "Estimates of the leaf model against assays of the same leaves.",
        f"n = {counted(len({(r['unit'], r['session'], r['leaf']) for r in rows}), 'leaf')}. Bars: "
        "standard uncertainty (k = 1), of the assay where it is stated. Dashed: where both are "
        f"equal.{NOT_TESTED}",
    )


def leaf_model_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the page says of the leaf model; ``None`` for a study without it."""
    if material.leaf_model is None or material.leaf_residuals is None:
        return None
    scans = material.tables["leaf_model_scans"]
    beside = beside_assays(material.tables["pigment_contents"], scans)
    residuals = material.leaf_residuals
    once = scans.drop_duplicates("scan")
    units = [
        {**row, "words": str(row["quantity"]).replace("_", " "),
         "suffix": unit_suffix(str(row["unit_of_value"]))}
        for row in _records(material.tables["leaf_model_units"])
    ]  # fmt: skip
    return {
        "sentences": [*material.leaf_model["sentences"],
                      *beside_sentences(beside, material.unit_word)],
        "units": units,
        "unfit": _records(once[~once["fits"].astype(bool)]),
        "priors": material.leaf_model["priors"],
        "beside": [{**row, "words": str(row["quantity"]).replace("_", " "),
                    "suffix": unit_suffix(str(row["unit_of_value"]))} for row in beside],
        "residuals": draw_leaf_residuals(
            figures, residuals.wavelength_nm, residuals.spectra["residual"]
        ),
        "beside_figure": draw_beside_assays(figures, beside) if beside else None,
    }  # fmt: skip


# The part of the page.
# ----------------------------------------------------------------------


def pigments_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the page says of assays, chromatograms and the leaf model, if there are any."""
    leaf = leaf_model_part(material, figures)
    if material.pigments is None:
        return None if leaf is None else {"leaf": leaf}
    contents = material.tables["pigment_contents"]
    calibrations = material.tables["pigment_calibrations"]
    estimates = material.tables["pigment_estimates"]
    spots = material.tables["chromatogram_spots"]
    profiles = material.tables["strip_profiles"]
    chosen = calibrations[calibrations["chosen"].astype(bool)]
    first: Row | None = next(iter(_records(chosen)), None)
    figure = None
    if first is not None:
        series = _of_series(estimates, first)
        points = _points(_of_series(contents, first), series)
        figure = draw_calibration(figures, first, points, series, material.unit_word)
    return {
        "sentences": [
            _without_keys(str(entry["sentence"]), contents)
            for entry in material.pigments["sentences"]
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
        "profiles_figure": draw_profiles(figures, profiles, spots) if len(profiles) else None,
        "leaf": leaf,
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
    rows: Rows = []
    for row in _records(contents):
        suffix = unit_suffix(str(row["unit_of_value"]))
        value = format_number(row["value"])
        if is_number(row["u"]):
            value += f" ± {format_number(row['u'], 2)}"
        remarks = [str(text) for text in (row["reason"], row["remark"]) if text]
        rows.append(
            {
                **row,
                "words": str(row["quantity"]).replace("_", " "),
                "text": f"{value}{suffix}",
                "said": "; ".join(remarks),
            }
        )
    return rows


def best_rows(calibrations: pd.DataFrame) -> Rows:
    """Return the best form of each index for each quantity, the smallest error first."""
    order = {
        series: rank
        for rank, series in enumerate(
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


# Traits estimated from the whole spectrum.
# ----------------------------------------------------------------------

_MOST_PANELS: Final = 4
_MEASURES: Final = {
    "rmsep": "error (RMSEP)",
    "rmsep_without_assay": "error without the assay's own",
    "rmsep_sessions": "error on sessions left out",
    "bias": "bias",
    "slope": "slope of known on estimated",
    "r2": f"R{SQUARE}",
    "rpd": "spread over error (RPD)",
}


def _words(target: str) -> str:
    return str(target).replace("_", " ")


def _titled(target: Row) -> str:
    unit = unit_suffix(str(target["unit_of_value"])).strip()
    return short(_words(target["target"])) + (f" ({unit})" if unit else "")


def draw_trait_estimates(
    figures: FigureSet, targets: Sequence[Row], held: pd.DataFrame, estimates: pd.DataFrame,
    unit_word: str,
) -> Figure:  # fmt: skip
    """Draw the estimate of every known leaf, while its unit was held out, against the known."""
    drawn = list(targets)[:_MOST_PANELS]
    figure, axes, columns = panels(len(drawn), 3.2, 0.5, same_y=False)
    for axis, target in zip(axes, drawn, strict=False):
        held_out = held[(held["target"] == target["target"]) & (held["repeat"] == 1)]
        intervals = estimates[estimates["target"] == target["target"]]
        leaf = ["unit", "session", "leaf"]
        both = held_out.merge(
            intervals[[*leaf, "estimate_low", "estimate_high"]], on=leaf, how="left"
        )
        x, y = both["value"].to_numpy(float), both["estimate"].to_numpy(float)
        low, high = (both[f"estimate_{end}"].to_numpy(float) for end in ("low", "high"))
        axis.vlines(x, low, high, color=BLUE, alpha=0.35, linewidth=0.9,
                    label="interval for one leaf")  # fmt: skip
        u = both["u"].to_numpy(float)
        axis.errorbar(
            x, y, xerr=None if bool((u != u).any()) else u, fmt="o", color=INK,
            markersize=3.5, elinewidth=0.8, capsize=0, label="leaf, its unit left out",
        )  # fmt: skip
        ends = [float(min(x.min(), y.min())), float(max(x.max(), y.max()))]
        axis.plot(ends, ends, color=FAINT, linewidth=0.8, linestyle=(0, (2, 2)),
                  label="estimated = known")  # fmt: skip
        axis.set_title(_titled(target))
        axis.grid(axis="y", color=RULE, linewidth=0.6)
    finish_panels(axes, len(drawn), columns, "known", "estimated")
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper left", ncols=3)
    n = "; ".join(
        f"{_words(t['target'])}: n = {counted(int(t['n_leaves']), 'leaf')} of "
        f"{counted(int(t['n_units']), unit_word)}" for t in drawn
    )  # fmt: skip
    reached = 100 * float(drawn[0]["interval_reached"])
    return figures.add(
        figure,
        "trait_estimates",
        "Estimated from the whole spectrum and known",
        f"Estimates of {n}, each by a model without its {unit_word}, against the known values.",
        f"{n}. Each estimate is made by a model that did not see the {unit_word}. Horizontal bars: "
        f"standard uncertainty of the known value (k = 1), where it is stated. Vertical bars: "
        f"{reached:.3g} % intervals for one leaf (jackknife+; they count {unit_word} by "
        f"{unit_word}).{NOT_TESTED}",
    )


def draw_trait_path(figures: FigureSet, targets: Sequence[Row], path: pd.DataFrame) -> Figure:
    """Draw the error of units left out against the number of latent variables."""
    drawn = list(targets)[:_MOST_PANELS]
    figure, axes, columns = panels(len(drawn), 2.6, 0.6, same_y=False)
    look = looks(list(dict.fromkeys(path["preprocessing"])))
    for axis, target in zip(axes, drawn, strict=False):
        trait_path = path[path["target"] == target["target"]]
        for step, part in trait_path.groupby("preprocessing", sort=False):
            style = look[str(step)]
            axis.plot(part["n_components"], part["rmse"], color=style.colour, marker=style.marker,
                      markersize=4, linestyle=style.dashes, label=_words(str(step)))  # fmt: skip
        chosen = trait_path[trait_path["chosen"].astype(bool)]
        axis.plot(chosen["n_components"], chosen["rmse"], "o", markersize=10,
                  markerfacecolor="none", markeredgecolor=INK, label="chosen")  # fmt: skip
        axis.set_ylim(bottom=0)
        axis.set_xticks(sorted({int(n) for n in trait_path["n_components"]}))
        axis.set_title(_titled(target))
    finish_panels(axes, len(drawn), columns, "number of latent variables", "error left out")
    figure.legend(*axes[0].get_legend_handles_labels(), loc="outside upper left", ncols=2)
    return figures.add(
        figure,
        "trait_path",
        "Error against the number of latent variables",
        f"Error of units left out for {counted(len(drawn), 'trait')}, by preprocessing.",
        "Root mean square error over units left out in the outer folds, mean over repeats; no "
        "error bars. The ring is the choice for the model of all leaves: the fewest latent "
        "variables within one standard error of the best. The stated error comes from choices made "
        f"anew inside every fold.{NOT_TESTED}",
    )


def draw_trait_wavelengths(
    figures: FigureSet, targets: Sequence[Row], terms: pd.DataFrame
) -> Figure:
    """Draw coefficients with their spread, and importance, over wavelengths."""
    drawn = list(targets)[:_MOST_PANELS]
    figure = new_figure(6.4, 3.6 * len(drawn))
    axes = figure.subplots(2 * len(drawn), 1, sharex=True, squeeze=False).ravel()
    for i, target in enumerate(drawn):
        trait_terms = terms[terms["target"] == target["target"]]
        upper, lower = axes[2 * i], axes[2 * i + 1]
        part = trait_terms[trait_terms["term"] == "coefficient"]
        nm, value, sd = (part[c].to_numpy(float) for c in ("wavelength_nm", "value", "sd"))
        upper.fill_between(nm, value - 2 * sd, value + 2 * sd, color=BLUE, alpha=0.2, linewidth=0)
        upper.plot(nm, value, color=BLUE, linewidth=1.2)
        upper.axhline(0, color=FAINT, linewidth=0.8)
        upper.set_ylabel("coefficient")
        upper.set_title(short(_words(target["target"])))
        part = trait_terms[trait_terms["term"] == "importance"]
        lower.plot(part["wavelength_nm"], part["value"], color=VERMILLION, linewidth=1.2)
        lower.axhline(1, color=FAINT, linewidth=0.8)
        lower.set_ylabel("importance")
    axes[-1].set_xlabel("wavelength (nm)")
    return figures.add(
        figure,
        "trait_wavelengths",
        "Which wavelengths the estimates rest on",
        f"Coefficients and importance of {counted(len(drawn), 'trait model')} over wavelengths.",
        "Coefficients of spectra after preprocessing, with twice their standard deviation over "
        "models without some units (jackknife). Importance (VIP): its mean square over wavelengths "
        f"is 1.{NOT_TESTED}",
    )


def traits_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the page says of trait models; ``None`` for a study that asks for none."""
    if material.traits is None:
        return None
    targets = [
        {**target, "words": _words(str(target["target"]))} for target in material.traits["targets"]
    ]
    trained = [target for target in targets if target["trained"]]
    tables = material.tables
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    outside = tables["trait_estimates"]
    outside = outside[~outside["inside"].astype(bool)] if len(outside) else outside
    part: dict[str, Any] = {
        "targets": targets,
        "rivals": [_rival_row(r, material.unit_words) for r in _records(tables["trait_rivals"])],
        "measures": [_measure_row(row) for row in _records(tables["trait_measures"])],
        "n_outside": len(outside[["unit", "session", "leaf"]].drop_duplicates()),
        "effects": [
            _effect_row(row, words)
            for row in in_order_of_sessions(
                _records(tables["trait_effects"]), material.stated_sessions
            )
        ],
        "several_effects": tables["trait_effects"]["target"].nunique() > 1,
        "estimates_figure": None,
        "path_figure": None,
        "wavelengths_figure": None,
    }
    if trained:
        held, estimates = tables["trait_predictions"], tables["trait_estimates"]
        word = material.unit_word
        part["estimates_figure"] = draw_trait_estimates(figures, trained, held, estimates, word)
        part["path_figure"] = draw_trait_path(figures, trained, tables["trait_path"])
        part["wavelengths_figure"] = draw_trait_wavelengths(figures, trained, tables["trait_terms"])
    return part


def in_order_of_sessions(rows: Rows, sessions: Sequence[str]) -> Rows:
    """Return effects by the session that their contrast asks about, in the order of the study.

    Examples
    --------
    >>> rows = [{"contrast": "day12-day0@a-b"}, {"contrast": "(day4-day0)@a-b"}]
    >>> [row["contrast"] for row in in_order_of_sessions(rows, ["day0", "day4", "day12"])]
    ['(day4-day0)@a-b', 'day12-day0@a-b']
    """

    def place(row: Row) -> int:
        asked = str(row["contrast"]).lstrip("(")
        named = [name for name in sessions if re.match(rf"{re.escape(name)}(?!\w)", asked)]
        return list(sessions).index(max(named, key=len)) if named else len(sessions)

    return sorted(rows, key=place)


def _measure_row(row: Row) -> dict[str, Any]:
    """Return a measure as the page shows it."""
    suffix = unit_suffix(str(row["unit_of_value"]))
    value, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
    return {
        **row,
        "words": _words(str(row["target"])),
        "measure_words": _MEASURES.get(str(row["measure"]), _words(str(row["measure"]))),
        "value_text": f"{value}{suffix}" if is_number(row["estimate"]) else "",
        "interval_text": f"{low} to {high}" if is_number(row["ci_low"]) else "",
    }


def _effect_row(row: Row, words: Mapping[str, str]) -> dict[str, Any]:
    """Return an effect on an estimated trait as the page shows it."""
    suffix = unit_suffix(str(row["unit_of_value"]))
    value, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
    return {
        **row,
        "words": f"estimated {_words(str(row['target']))}",
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "value_text": f"{value}{suffix}" if is_number(row["estimate"]) else "",
        "interval_text": f"{low} to {high}" if is_number(row["ci_low"]) else "",
        "method_words": _words(str(row["method"])),
        "p_text": format_p(row["p_holm"]) if is_number(row["p_holm"]) else "",
        "p_relation": format_p_relation(float(row["p_holm"])) if is_number(row["p_holm"]) else "",
    }


def _rival_row(row: Row, units: str) -> dict[str, Any]:
    """Return a procedure as the page shows it: all numbers of a row with the same decimals."""
    numbers = [row[name] for name in ("rmsep", "difference", "difference_low", "difference_high")]
    error, difference, low, high = format_alike(numbers)
    name = PROCEDURES[row["procedure"]].removeprefix("the ").removeprefix("a ")
    return {
        **row,
        "words": _words(str(row["target"])),
        "procedure_words": name.replace("units", units),
        "rmsep_text": error,
        "suffix": unit_suffix(str(row["unit_of_value"])),
        "difference_text": difference,
        "interval_text": f"{low} to {high}" if low and high else "",
    }

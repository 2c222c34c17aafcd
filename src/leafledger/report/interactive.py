"""What are the figures that answer the pointer drawn from?

Values are rounded for drawing and wavelengths thinned where the instrument has many; the captions
say so. The scripts of the page draw them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.report.classification_figures import SPLIT_WORDS, Training
from leafledger.report.figures import (
    InteractiveFigure,
    interactive_looks,
    round_all,
    round_significant,
    step_for,
    summarise_spectra,
    thinning_words,
)
from leafledger.report.gather import ClassTables, Material, check_words, contrast_in_words
from leafledger.report.numbers import format_count, format_nm, plain
from leafledger.report.time_course_figures import (
    contrasts_in_order,
    error_bar_words,
    half_widths,
    index_course,
    leaves_zero_out,
    units_by_contrast,
    units_by_group,
    units_of_contrast,
)

if TYPE_CHECKING:
    import pandas as pd


# One index at a time over the sessions: groups with intervals, and every unit by name.
# ----------------------------------------------------------------------


def interactive_courses(
    material: Material, indices: Sequence[str], first: str | None, title: str
) -> InteractiveFigure:
    """Return unit values and group means of the indices.

    Parameters
    ----------
    indices
        Which, in the order of display.
    first
        The index shown first, one of ``indices``; the first of them if ``None``.
    title
        Heading, plain text.
    """
    groups, days = material.groups, material.days
    frames = dict(tuple(material.unit_indices.groupby("index", sort=False)))
    values = {
        "sessions": list(days.sessions),
        "positions": list(days.positions),
        "dated": days.label != "session",
        "axis": plain(days.label),
        "groups": list(groups.names),
        "looks": interactive_looks(groups.names),
        "units": [[plain(u) for u in units] for units in units_by_group(groups)],
        "unit_word": material.unit_word,
        "bars": "95 % interval" if material.design.get("unit") else "SD",
        "first": list(indices).index(first) if first is not None else 0,
        "indices": [
            {
                "index": index,
                "unit": str(material.catalogue.get(index, {}).get("unit", "1")),
                "groups": _courses(material, frames[index]),
            }
            for index in indices
        ],
    }
    return InteractiveFigure("courses", title, _courses_caption(material), values)


def _courses(material: Material, frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return for each group the units' lines, the means and the half lengths of their bars."""
    units_known = bool(material.design.get("unit"))
    units = units_by_group(material.groups)
    return [
        {
            "units": [round_all(line) for line in lines],
            "mean": [round_significant(m.mean) if m else None for m in means],
            "half": round_all(half_widths(lines, means, units_known=units_known)),
            "n": [int(n) for n in np.isfinite(lines).sum(axis=0)],
        }
        for lines, means in index_course(frame, material.days.sessions, units)
    ]


def _courses_caption(material: Material) -> str:
    sizes = ", ".join(f"{name} {n}" for name, n in material.groups.sizes().items())
    word = material.unit_words
    drawn = "Faint lines" if len(material.days.sessions) > 1 else "Small dots"
    tested = "; the effects below are adjusted" if len(material.effects) else ""
    return (
        f"{drawn}: single {word}, named under the pointer. Symbols: mean of the {word} of a "
        f"group; bars: {error_bar_words(material)}. Groups are set slightly apart sideways. n of "
        f"{word} in the study: {plain(sizes)}; the n of each mean stands under the pointer. No "
        f"test is made here{tested}. Rounded to five figures."
    )


# What the treatment did at every wavelength, one contrast at a time.
# ----------------------------------------------------------------------

_WAVELENGTHS_OF_DIFFERENCE = 1000


def interactive_difference(
    frame: pd.DataFrame, words: Mapping[str, str], unit_words: str
) -> InteractiveFigure | None:
    """Return the estimate and its simultaneous band at every wavelength of every contrast.

    Parameters
    ----------
    frame
        spectrum_effects.csv.
    words
        Contrast -> words, in the order of display.
    unit_words
        The experimental units in the plural.
    """
    contrasts = contrasts_in_order(frame, words)
    if not contrasts:
        return None
    parts = [frame[frame["contrast"] == c].sort_values("wavelength_nm") for c in contrasts]
    step = step_for(max(len(part) for part in parts), _WAVELENGTHS_OF_DIFFERENCE)
    values = {
        "unit_words": unit_words,
        "contrasts": [
            {
                "words": plain(contrast_in_words(contrast, words)),
                "n": units_of_contrast(part),
                **_band(part.iloc[::step]),
            }
            for contrast, part in zip(contrasts, parts, strict=True)
        ],
    }
    return InteractiveFigure(
        "difference",
        "What the treatment did at each wavelength",
        "Line: estimate at each wavelength. Band: simultaneous interval; it holds over all "
        "wavelengths and all contrasts together, so it is adjusted for every one of them. Bar "
        "along the bottom: wavelengths where the band leaves zero out. No band: too few "
        f"{unit_words}. All contrasts share one scale. n of {unit_words}: "
        f"{units_by_contrast(frame, contrasts, words)}. Rounded to four figures."
        f"{thinning_words(step)}",
        values,
    )


def _band(part: pd.DataFrame) -> dict[str, Any]:
    low, high = part["low"].to_numpy(float), part["high"].to_numpy(float)
    return {
        "wavelength": round_all(part["wavelength_nm"], 6),
        "estimate": round_all(part["estimate"], 4),
        "low": round_all(low, 4),
        "high": round_all(high, 4),
        # By the whole numbers, not by the rounded ones.
        "apart": leaves_zero_out(low, high).astype(int).tolist(),
    }


# Every leaf scan to look at closely: zoom, and which file a line comes from.
# ----------------------------------------------------------------------

_WAVELENGTHS_OF_SPECTRA = 700
_VALUES_IN_PAGE = 1_500_000
_SCANS_IN_PAGE = 5_000
_POINTS_DRAWN = 200_000
_FEWEST_LINES = 60
_DIGEST = 12


def interactive_spectra(material: Material) -> InteractiveFigure | None:
    """Return leaf scans over the whole axis of the instrument; ``None`` if there is none.

    All of them, or 5,000 taken evenly if there are more: the page stays small, and each line keeps
    300 wavelengths or more.
    """
    wavelength = material.all_spectra.wavelength_nm
    tables = [t for t in material.reflectance.values() if len(t.rows)]
    if not tables or not len(wavelength):
        return None
    axis = tables[0].wavelength_nm
    chosen = _scans_in_page(material, _SCANS_IN_PAGE)
    n_scans = sum(map(len, chosen.values()))
    step = step_for(len(axis), min(_WAVELENGTHS_OF_SPECTRA, _VALUES_IN_PAGE // n_scans))
    drawn = np.arange(0, len(axis), step)
    lines = max(_FEWEST_LINES, _POINTS_DRAWN // len(drawn))
    scans = _scans(material, chosen)
    values = {
        "wavelength": round_all(axis[drawn], 6),
        "trusted": [float(material.trusted["start_nm"]), float(material.trusted["stop_nm"])],
        "sessions": list(material.days.sessions),
        "groups": list(material.groups.names),
        "looks": interactive_looks(material.groups.names),
        "unit_word": material.unit_word,
        "units_known": bool(material.design.get("unit")),
        "lines_at_most": lines,
        "n_scans": sum(len(t.rows) for t in tables),
        "means": _means(material, drawn),
        "scans": scans,
        "reflectance": [
            encode_spectrum(line)
            for session, places in chosen.items()
            for line in material.reflectance[session].spectra["reflectance"][places][:, drawn]
        ],
    }
    return InteractiveFigure(
        "spectra",
        "Spectra of the groups, and every leaf scan",
        _spectra_caption(material, scans, step, lines),
        values,
    )


def _means(material: Material, drawn: NDArray[np.intp]) -> list[dict[str, Any]]:
    """Return mean and SD between units of the accepted scans of each group in each session."""
    accepted = material.accepted.set_index("scan")
    out = []
    for number, session in enumerate(material.days.sessions):
        table = material.reflectance[session]
        rows = accepted.loc[list(table.rows["scan"])]
        kept = rows["accepted"].to_numpy(dtype=bool)
        of_unit = material.groups.of_unit
        group = np.array([of_unit.get(str(unit), "all") for unit in rows["unit"]], dtype=object)
        values = table.spectra["reflectance"][:, drawn]
        for group_index, name in enumerate(material.groups.names):
            chosen = np.flatnonzero(kept & (group == name))
            if not len(chosen):
                continue
            part = rows.iloc[chosen]
            summary = summarise_spectra(values[chosen], list(part["unit"]), list(part["leaf"]))
            out.append(
                {
                    "session": number,
                    "group": group_index,
                    "mean": encode_spectrum(summary.mean),
                    "sd": None if summary.sd is None else encode_spectrum(summary.sd),
                    "n_units": summary.n_units,
                    "n_scans": summary.n_scans,
                }
            )
    return out


def _scans_in_page(material: Material, at_most: int) -> dict[str, NDArray[np.intp]]:
    """Return session -> rows of the leaf scans that the page holds, taken evenly over all of them.

    Of those left out and of those accepted alike; the former may take half of the room.
    """
    accepted = material.accepted.set_index("scan")["accepted"]
    kept = {
        session: accepted.loc[list(material.reflectance[session].rows["scan"])].to_numpy(dtype=bool)
        for session in material.days.sessions
    }
    whole = np.concatenate(list(kept.values()))
    out = _evenly(np.flatnonzero(~whole), at_most // 2 if len(whole) > at_most else len(whole))
    chosen = np.zeros(len(whole), dtype=bool)
    chosen[out] = True
    chosen[_evenly(np.flatnonzero(whole), max(at_most, len(out)) - len(out))] = True
    ends = np.cumsum([len(rows) for rows in kept.values()])[:-1]
    return dict(zip(kept, map(np.flatnonzero, np.split(chosen, ends)), strict=True))


def _evenly(places: NDArray[np.intp], at_most: int) -> NDArray[np.intp]:
    """Return at most so many of these places, evenly taken.

    Examples
    --------
    >>> _evenly(np.arange(10), 4), _evenly(np.arange(3), 4)
    (array([0, 2, 5, 7]), array([0, 1, 2]))
    """
    if len(places) <= at_most:
        return places
    return places[np.arange(at_most) * len(places) // max(at_most, 1)]


def _scans(material: Material, chosen: Mapping[str, NDArray[np.intp]]) -> dict[str, list[Any]]:
    """Return what is shown of each scan, column by column, in the order of the spectra."""
    groups = {name: i for i, name in enumerate(material.groups.names)}
    rules = _rules(material)
    accepted = material.accepted.set_index("scan")
    out: dict[str, list[Any]] = {
        name: []
        for name in ("scan", "unit", "leaf", "session", "group", "file", "digest", "left_out")
    }
    for number, session in enumerate(material.days.sessions):
        names = list(material.reflectance[session].rows["scan"].iloc[chosen[session]])
        origins = material.scans[session].rows.set_index("scan").loc[names]
        rows = accepted.loc[names]
        for scan, row, origin in zip(
            names, rows.to_dict("records"), origins.to_dict("records"), strict=True
        ):
            unit = str(row["unit"])
            out["scan"].append(plain(scan))
            out["unit"].append(plain(unit))
            out["leaf"].append(plain(row["leaf"]))
            out["session"].append(number)
            out["group"].append(groups[material.groups.of_unit.get(unit, "all")])
            out["file"].append(_file_words(origin))
            out["digest"].append(str(origin["file_sha256"])[:_DIGEST])
            out["left_out"].append("" if bool(row["accepted"]) else rules.get(scan, "no rule"))
    return out


def _file_words(origin: Any) -> str:
    item = plain(origin["item"])
    return plain(origin["file"]) + (f", {item}" if item else "")


def _rules(material: Material) -> dict[str, str]:
    """Return scan -> by which rules it was left out, in words."""
    rows = material.exclusions[material.exclusions["applied"] == "exclude"]
    reasons: dict[str, list[str]] = {}
    for entry in rows.to_dict("records"):
        words = check_words(str(entry["rule"]))
        if entry["rule"] == "decision" and entry["by"]:
            words += f" ({plain(entry['by'])})"
        reasons.setdefault(str(entry["scan"]), []).append(words)
    return {scan: "; ".join(dict.fromkeys(words)) for scan, words in reasons.items()}


def encode_spectrum(line: NDArray[np.float64]) -> list[int | None]:
    """Write a spectrum as whole numbers: the decimals kept, then each step from the one before.

    Four decimals, fewer for a spectrum that reaches ten or more; differences between neighbours
    are small and compress well.

    Parameters
    ----------
    line
        Shape ``(n_wavelengths,)``; what is not finite becomes ``None`` and leaves a gap.

    Examples
    --------
    >>> encode_spectrum(np.array([0.05, 0.0512, np.nan, 0.06]))
    [4, 500, 12, None, 88]
    """
    finite = np.isfinite(line)
    largest = float(np.abs(line[finite]).max(initial=0.0))
    decimals = 4 if largest < 10 else 4 - int(np.floor(np.log10(largest)))
    scaled = np.round(np.where(finite, line, 0.0) * 10.0**decimals).astype(np.int64)
    steps = np.diff(scaled[finite], prepend=0)
    if finite.all():
        return [decimals, *steps.tolist()]
    out: list[int | None] = [None] * len(line)
    for index, value in zip(np.flatnonzero(finite).tolist(), steps.tolist(), strict=True):
        out[index] = value
    return [decimals, *out]


def _spectra_caption(
    material: Material, scans: Mapping[str, list[Any]], step: int, lines: int
) -> str:
    n_drawn = len(scans["scan"])
    n = sum(len(table.rows) for table in material.reflectance.values())
    out = n - int(material.accepted["accepted"].sum())
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    crowded = (
        f" At most {lines} lines are drawn at once, evenly taken of what is switched on, all that "
        "were left out among them; the line above the drawing says how many."
        if n_drawn > lines
        else ""
    )
    if n_drawn < n:
        crowded += (
            f" The page holds {format_count(n_drawn)} of the {format_count(n)} scans, taken evenly "
            "over sessions; the tables of the folder reflectance hold all. Means and bands are "
            "those of all accepted scans."
        )
    return (
        f"Lines: mean of the accepted scans of a group in a session (scans within leaf, leaves "
        f"within {material.unit_word}). Bands: one standard deviation between "
        f"{material.unit_words}. With single scans switched on, every line is one leaf scan as "
        f"measured: n = {format_count(n)} scans, {format_count(n - out)} accepted and "
        f"{format_count(out)} left out (dashed, open symbols). Single scans have no error bars. "
        "Colour, dashes and symbol tell the groups. Shaded: the trusted range, "
        f"{format_nm(start)} to {format_nm(stop)} nm. Nothing is tested "
        "here. Rounded to four decimals."
        f"{thinning_words(step)}{crowded}"
    )


# Stepping through numbers of latent variables: accuracy, confusion and loading together.
# ----------------------------------------------------------------------

_WAVELENGTHS_OF_LOADINGS = 400
_TERMS = ("loading", "weight")


def interactive_path(tables: ClassTables, path: pd.DataFrame) -> InteractiveFigure | None:
    """Return accuracy against the number of latent variables; ``None`` if none was recorded.

    Parameters
    ----------
    path
        From :func:`leafledger.report.classification_figures.accuracy_path`.
    """
    splits = [s for s in SPLIT_WORDS if (path["split"] == s).any()]
    if not splits:
        return None
    repeats = int(path["n_repeats"].max())
    values = {
        "chosen": int(tables.summary["n_components"]),
        "largest_class": tables.summary.get("majority_accuracy"),
        "looks": interactive_looks(splits),
        "splits": [_split(path[path["split"] == s], SPLIT_WORDS[s]) for s in splits],
    }
    return InteractiveFigure(
        "path",
        "Accuracy with each number of latent variables",
        f"Lines: mean over {repeats} repeats of the splitting, n = "
        f"{tables.predictions['scan'].nunique()} scans; bands: lowest and highest repeat (a "
        "spread over repeats, not a confidence interval). The number was chosen by validation "
        "inside the training part; the curve only shows what that choice meant. Circled: the "
        "number the slider stands at. Nothing is tested along the curve.",
        values,
    )


def _split(part: pd.DataFrame, words: str) -> dict[str, Any]:
    part = part.sort_values("n_components")
    return {
        "words": words,
        "n": [int(n) for n in part["n_components"]],
        **{name: round_all(part[name], 4) for name in ("mean", "lowest", "highest")},
    }


def interactive_terms(tables: ClassTables, training: Training) -> InteractiveFigure | None:
    """Return loading and weight of every latent variable; ``None`` if none was recorded.

    Parameters
    ----------
    training
        The spectra the classifier learned from, in short, in the order of wavelength.
    """
    frame = tables.spectra_terms[tables.spectra_terms["term"].isin(_TERMS)]
    if not len(frame):
        return None
    axis = np.unique(frame["wavelength_nm"].to_numpy(float))
    step = step_for(len(axis), _WAVELENGTHS_OF_LOADINGS)
    terms = [term for term in _TERMS if (frame["term"] == term).any()]
    values = {
        "wavelength": round_all(axis[::step], 6),
        "terms": [
            {"words": term, "steps": _by_step(frame[frame["term"] == term], step)} for term in terms
        ],
        "told": _component_words(tables.summary),
        "quantity": plain(training.quantity),
        **{name: round_all(getattr(training, name)[::step], 4) for name in ("mean", "low", "high")},
    }
    return InteractiveFigure(
        "terms",
        "What the latent variable at the slider looks at",
        _steps_caption(training, terms, step),
        values,
    )


def _by_step(frame: pd.DataFrame, step: int) -> dict[str, dict[str, Any]]:
    out = {}
    for component, part in frame.groupby("component", sort=True):
        part = part.sort_values("wavelength_nm").iloc[::step]
        out[str(int(str(component)))] = {
            "value": round_all(part["value"], 4),
            "sd": round_all(part["sd_resample"], 3),
        }
    return out


def _component_words(summary: Mapping[str, Any]) -> dict[str, str]:
    """Return latent variable -> what it looks at, in words, and whether it is noise."""
    stable = summary.get("stable_components")
    out = {}
    for entry in summary.get("components") or []:
        number = int(entry["component"])
        noise = stable is not None and number > int(stable)
        words = plain(entry.get("words", ""))
        out[str(number)] = words + (
            " Beyond the point where loadings are steady: noise, not to be read."
            if noise and "noise" not in words
            else ""
        )
    return out


def _steps_caption(training: Training, terms: list[str], step: int) -> str:
    return (
        f"Line: {' or '.join(terms)} of the latent variable that was added last (left scale; sign "
        "chosen so that the largest weight is positive); band: its standard deviation over "
        "resamples of the units, where it was looked at. Grey: mean, lowest and highest of the "
        f"n = {training.n} training spectra (right scale, {plain(training.quantity)}). Nothing is "
        f"tested here.{thinning_words(step)}"
    )

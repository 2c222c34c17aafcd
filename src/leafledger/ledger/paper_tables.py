"""Which tables and sentences does a paper have: means, tests, indices, contents of leaves?

Tables stand as LaTeX, made of the tables of the run and no others. Contents are those by assay, by
a calibrated index, by the whole spectrum and by the leaf model, where the study has any.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from leafledger.report.gather import Material, contrast_in_words, contrast_words
from leafledger.report.numbers import (
    format_df,
    format_interval,
    format_number,
    format_p,
    is_number,
    method_words,
    table_rows,
    unit_suffix,
)
from leafledger.report.works import cite, tex, works_of_index
from leafledger.words import plural

# Means, tests and indices.
# ----------------------------------------------------------------------


def _table_tex(
    caption: str, label: str, columns: str, heading: Sequence[str], rows: Iterable[Sequence[str]]
) -> str:
    """Return a table that may run over pages; cells are plain text with marks of works."""
    lines = [
        rf"\begin{{longtable}}{{{columns}}}",
        rf"\caption{{{tex(caption)}}}\label{{{label}}}\\",
        r"\toprule",
        " & ".join(tex(name) for name in heading) + r" \\",
        r"\midrule",
        r"\endhead",
        *(" & ".join(tex(cell) for cell in row) + r" \\" for row in rows),
        r"\bottomrule",
        r"\end{longtable}",
    ]
    return "\n".join(lines) + "\n"


def group_means_tex(material: Material) -> str:
    """Return number, mean and standard deviation of every index, treatment and session."""
    rows = []
    for row in table_rows(material.group_means):
        index = f"{row['index']}{_in_parentheses(str(row['unit']))}"
        n: Any = row["n_units"]
        rows.append(
            [
                index,
                str(row["treatment"]),
                str(row["session"]),
                f"{int(n)}" if is_number(n) else "",
                format_number(row["mean"], 4),
                format_number(row["sd"], 2),
            ]
        )
    caption = (
        f"Means of the {material.unit_words} by index, treatment and session. n: "
        f"{material.unit_words} with a value; SD: standard deviation between them."
    )
    heading = ("Index", "Treatment", "Session", "n", "Mean", "SD")
    return _table_tex(caption, "tab:means", "lllrrr", heading, rows)


def _in_parentheses(unit: str) -> str:
    words = unit_suffix(unit).strip()
    return f" ({words})" if words else ""


def tests_tex(material: Material) -> str:
    """Return the tests that answer the question of the study, for every index.

    These are the rows of ``effects.csv`` with the question and the method of the primary contrast;
    without one, those of the first question and method between treatments.
    """
    frame = material.effects
    whole = frame[frame["stratum"] == "all"]
    tested = table_rows(whole)
    first = next((row for row in tested if row["primary"]), tested[0] if tested else None)
    if first is None:
        return "% No effect was tested.\n"
    asked = [
        row
        for row in tested
        if (row["question"], row["method"]) == (first["question"], first["method"])
        and is_number(row["estimate"])
    ]
    if not asked:
        return "% The primary contrast is not tested yet.\n"
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    rows = []
    for row in asked:
        estimate, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
        n = [row["n_units"], row["n_units_reference"]]
        rows.append(
            [
                f"{row['index']}{_in_parentheses(str(row['unit']))}",
                contrast_in_words(str(row["contrast"]), words),
                estimate,
                f"{low} to {high}" if is_number(row["ci_low"]) else "none",
                " + ".join(f"{int(value)}" for value in n if is_number(value)),
                format_number(row["statistic"]),
                format_df(row["df"]),
                format_p(row["p"]),
                format_p(row["p_holm"]),
            ]
        )
    level: Any = first["ci_level"]
    interval = f"{100 * float(level):.4g} % interval" if is_number(level) else "interval"
    caption = (
        f"{str(first['question']).replace('_', ' ').capitalize()} of every index by "
        f"{method_words(str(first['method']))}. n counts {material.unit_words}. Intervals are for "
        f"each test by itself; p adjusted by Holm{cite('holm1979')} within the family"
        f"{', but for the primary contrast, which stands alone' if first['primary'] else ''}."
    )
    statistic = str(first["statistic_name"] or "statistic")
    heading = ("Index", "Contrast", "Estimate", interval, "n", statistic, "df", "p", "p (Holm)")
    return _table_tex(caption, "tab:tests", r"lp{42mm}rrrrrrr", heading, rows)


def indices_tex(material: Material) -> str:
    """Return the indices of the study: formula, what each follows, and its works."""
    rows = [
        [
            index,
            str(entry.get("formula") or ""),
            str(entry.get("responds_to") or ""),
            cite(*(work.key for work in works_of_index({"index": index, **entry}))),
        ]
        for index, entry in material.catalogue.items()
    ]
    caption = "Indices. R(705): reflectance at 705 nm; R(750, 800): its mean from 750 to 800 nm."
    heading = ("Index", "Formula", "Follows", "Source")
    return _table_tex(caption, "tab:indices", r"lp{62mm}p{52mm}p{22mm}", heading, rows)


# Contents of leaves: what is said of them, and their tables.
# ----------------------------------------------------------------------

CONTENT_TABLES: Final = {
    "pigments/contents": "pigment_contents",
    "pigments/calibrations": "pigment_calibrations",
    "pigments/chromatograms": "chromatograms",
    "traits/measures": "trait_measures",
    "traits/effects": "trait_effects",
    "leaf_model/units": "leaf_model_units",
}
"""Table of the results, without ending -> its name in the kit."""


def content_sentences(material: Material) -> list[str]:
    """Return a paragraph on each content, as the report has its sentences.

    The order is that of the report: calibrated indices, chromatograms, leaf model, traits by the
    whole spectrum, effects of the treatments on these.
    """
    paragraphs: list[str] = []
    if material.pigments is not None:
        paragraphs += [str(one["sentence"]) for one in material.pigments["sentences"]]
        paragraphs += [str(one) for one in material.pigments["strips"]]
    if material.leaf_model is not None:
        paragraphs.append(" ".join(map(str, material.leaf_model["sentences"])))
    if material.traits is not None:
        paragraphs += [_sentences_of(target) for target in material.traits["targets"]]
        paragraphs += [str(row["sentence"]) for row in _asked(material)]
    return [_without_keys(paragraph, material) for paragraph in paragraphs if paragraph]


def _sentences_of(target: Mapping[str, Any]) -> str:
    said = [target["sentence"]]
    if target["trained"]:
        said += [target["error_sentence"], target["interval_sentence"], *target["rivals"]]
    return " ".join(map(str, said))


def _asked(material: Material) -> list[dict[str, Any]]:
    """Return the tests of estimated traits between treatments; those within them if there are none.

    As for the indices, a paper has the tests of one question; all stand in the CSV table.
    """
    table = material.tables.get("trait_effects")
    if table is None or not len(table):
        return []
    whole = [row for row in table_rows(table) if row["stratum"] == "all"]
    between = [row for row in whole if row["question"] != "change"]
    return between or whole


def _without_keys(text: str, material: Material) -> str:
    """Return text with the names of contents as words."""
    names: set[str] = set()
    if material.pigments is not None:
        names |= {str(one["quantity"]) for one in material.pigments["sentences"]}
    if material.traits is not None:
        names |= {str(one["target"]) for one in material.traits["targets"]}
    for name in sorted(names, key=len, reverse=True):
        text = text.replace(name, _words(name))
    return text


def _words(name: object) -> str:
    return str(name).replace("_", " ")


def content_tables(material: Material) -> dict[str, str]:
    """Return name -> LaTeX of every table of contents that the study has."""
    made = {
        "calibrations": calibrations_tex(material),
        "traits": traits_tex(material),
        "trait_tests": trait_tests_tex(material),
        "leaf_model": leaf_model_tex(material),
    }
    return {name: text for name, text in made.items() if text}


def calibrations_tex(material: Material) -> str:
    """Return the chosen calibration of every content; empty if there is none."""
    if material.pigments is None:
        return ""
    table = material.tables["pigment_calibrations"]
    rows = [
        [
            f"{_words(row['quantity'])}{_in_parentheses(str(row['unit_of_value']))}",
            str(row["index"]),
            str(row["form"]),
            ", ".join(format_number(row[b], 4) for b in ("b0", "b1", "b2") if is_number(row[b])),
            f"{int(row['n_leaves'])} ({int(row['n_units'])})",
            format_number(row["rmse_cv"]),
            format_number(row["rmse_nested"]) if is_number(row["rmse_nested"]) else "none",
            f"{format_number(row['range_low'])} to {format_number(row['range_high'])}",
        ]
        for row in table_rows(table)
        if row["chosen"]
    ]
    if not rows:
        return ""
    caption = (
        f"Indices calibrated to assayed contents. Coefficients: of a linear or quadratic form in "
        f"rising powers of the index; of a power, exp(first) times the index to the second. n: "
        f"leaves ({material.unit_words}). Error: root mean square error of {material.unit_words} "
        "left out; anew: with index and form chosen anew without each. Range: of the index."
    )
    heading = ("Content", "Index", "Form", "Coefficients", "n", "Error", "Anew", "Range")
    return _table_tex(caption, "tab:calibrations", r"lllp{38mm}rrrr", heading, rows)


_MEASURES: Final = ("rmsep", "r2", "bias", "slope", "rpd")


def traits_tex(material: Material) -> str:
    """Return how well every trait is estimated from the whole spectrum; empty if none is."""
    trained = [one for one in (material.traits or {"targets": []})["targets"] if one["trained"]]
    if not trained:
        return ""
    rows = []
    for one in trained:
        measures = []
        for name in _MEASURES:
            estimate, low, high = one["measures"][name]
            if is_number(estimate) and is_number(low) and is_number(high):
                shown = format_interval(estimate, low, high)
                measures.append(f"{shown[0]} ({shown[1]} to {shown[2]})")
            else:
                measures.append(format_number(estimate) if is_number(estimate) else "none")
        rows.append(
            [
                f"{_words(one['target'])}{_in_parentheses(str(one['unit_of_value']))}",
                f"{one['n_leaves']} ({one['n_units']})",
                str(one["n_components"]),
                *measures,
            ]
        )
    level = 100 * float(trained[0]["interval"])
    caption = (
        f"Traits estimated from the whole spectrum by partial least squares regression"
        f"{cite('wold1983')}, on {material.unit_words} left out, with {level:.4g} % intervals"
        f"{cite('efron1981')}. n: leaves ({material.unit_words}). RMSEP: root mean square error of "
        "prediction; slope: of the known on the estimated; RPD: spread of the known values over "
        "the error."
    )
    heading = ("Trait", "n", "Latent variables", "RMSEP", "R2", "Bias", "Slope", "RPD")
    columns = r"lrp{14mm}p{22mm}p{22mm}p{22mm}p{22mm}p{22mm}"
    return _table_tex(caption, "tab:traits", columns, heading, rows)


def trait_tests_tex(material: Material) -> str:
    """Return the tests of the treatments on estimated traits; empty if there are none."""
    asked = _asked(material)
    if not asked:
        return ""
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    rows = []
    for row in asked:
        known = is_number(row["estimate"])
        bounded = known and is_number(row["ci_low"]) and is_number(row["ci_high"])
        ends = format_interval(row["estimate"], row["ci_low"], row["ci_high"]) if bounded else None
        n = [row["n_units"], row["n_units_reference"]]
        rows.append(
            [
                f"{_words(row['target'])}{_in_parentheses(str(row['unit_of_value']))}",
                contrast_in_words(str(row["contrast"]), words),
                ends[0] if ends else format_number(row["estimate"]) if known else "none",
                f"{ends[1]} to {ends[2]}" if ends else "none",
                " + ".join(f"{int(value)}" for value in n if is_number(value)),
                format_df(row["df"]) if is_number(row["df"]) else "",
                format_p(row["p"]) if is_number(row["p"]) else "",
                format_p(row["p_holm"]) if is_number(row["p_holm"]) else "",
            ]
        )
    level = 100 * float(asked[0]["ci_level"])
    methods = " and ".join(dict.fromkeys(method_words(str(row["method"])) for row in asked))
    caption = (
        f"Treatments compared in traits estimated from spectra, by {methods}. n counts "
        f"{material.unit_words}. Intervals and p hold the uncertainty of the model that estimates "
        f"the trait; p (Holm) is adjusted by Holm{cite('holm1979')} over the tests of all traits."
    )
    heading = ("Trait", "Contrast", "Estimate", f"{level:.4g} % interval", "n", "df", "p",
               "p (Holm)")  # fmt: skip
    return _table_tex(caption, "tab:traittests", r"lp{46mm}rrrrrr", heading, rows)


def leaf_model_tex(material: Material) -> str:
    """Return the contents by the leaf model in every session; empty for a study without it."""
    if material.leaf_model is None:
        return ""
    table = material.tables["leaf_model_units"]
    table = table[table["value"].notna()]
    weak = set(map(str, material.leaf_model["determined_by_prior"]))
    rows = []
    for (quantity, unit, session), own in table.groupby(
        ["quantity", "unit_of_value", "session"], sort=False
    ):
        values = own["value"].astype(float)
        name = f"{_words(quantity)}{_in_parentheses(str(unit))}"
        rows.append(
            [
                f"{name}, by its prior" if quantity in weak else name,
                str(session),
                str(len(own)),
                format_number(float(values.mean()), 3),
                format_number(float(values.std()), 2) if len(own) > 1 else "none",
                format_number(float(own["u"].astype(float).median()), 2),
            ]
        )
    if not rows:
        return ""
    caption = (
        f"Contents by inversion of the leaf model {material.leaf_model['model']}{cite('feret2017')}"
        f", without an assay. n: {material.unit_words}; SD: standard deviation between them; u: "
        f"median standard uncertainty of {plural(material.unit_word)} (k = 1)."
    )
    heading = ("Content", "Session", "n", "Mean", "SD", "u")
    return _table_tex(caption, "tab:leafmodel", "llrrrr", heading, rows)

"""What happened over the sessions, and which effects were found?

The third part of the page: courses of the indices, tests by kind, families of tests, group means,
spectra, and the effect at every wavelength.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.report.figures import FigureSet
from leafledger.report.gather import Material, contrast_in_words, contrast_words
from leafledger.report.interactive import (
    interactive_courses,
    interactive_difference,
    interactive_spectra,
)
from leafledger.report.numbers import (
    estimate_view,
    format_interval,
    format_number,
    is_number,
    method_words,
    size_words,
    table_rows,
    verdict_words,
)
from leafledger.report.time_course_figures import (
    disagreement_words,
    draw_courses,
    draw_difference,
    draw_effect_sizes,
    draw_groups,
    summaries_by_group,
)
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd


# Tables of tests: the headline, and beside it strata, courses, doses and models.
# ----------------------------------------------------------------------

MOST_ROWS = 1000
"""Rows of one table on the page; the file holds all."""
BETWEEN = "between"
BESIDE = frozenset({"linear_model_equal", "welch_t", "label_permutation", "ancova"})
"""Tests that answer the same question as the linear model; they stand in a table of their own."""
_HEADINGS = {
    "beside": "The same differences by other tests",
    "factorial": "Treatment and a second factor, crossed",
    "interaction": "Whether the effect differs between strata",
    "strata": "The same tests within each stratum",
    "course": "One number per unit for the whole course",
    "trend": "Trend over the dose",
    "models": "Mixed models of the whole course (secondary)",
}
_NOTES = {
    "beside": "The linear model with one working variance, Welch's t on the change of each unit, "
    "permuted labels, classical covariance analysis: as far as the study asks for them. Where "
    "treatments were drawn by lot they all estimate the same effect.",
    "factorial": "F tests of least squares, and such that stand unequal variances: main effects "
    "as means over the levels of the other "
    "factor, "
    "and their interaction, each against the variation at its own level of the layout.",
    "interaction": "F tests of treatment by stratum, of least squares and one that stands unequal "
    "variances: they say whether the difference differs between strata, and have no estimate.",
    "strata": "Families of their own. That one stratum is significant and another is not does not "
    "show that they differ; the test of interaction does.",
    "course": "Mean, slope and area of the change over all sessions after the treatment, one "
    "number for each unit, compared in the linear model. The slope is per day, the area is in "
    "the unit "
    "of the index times day; per session where a date is missing.",
    "trend": "Slope of the change over the dose; a unit of dose is that of the study.",
    "models": "Every session in one model, fitted by restricted maximum likelihood, with Kenward "
    "and Roger's degrees of freedom. With few units the simple tests above are the safer ones: a "
    "random intercept alone takes too little variation for late sessions where units respond "
    "differently. F tests have no estimate.",
}


def kind_of(question: str, method: str, stratum: str) -> str:
    """Return which table a row of effects.csv stands in.

    Examples
    --------
    >>> kind_of("difference_in_change", "linear_model", "all"), kind_of("change", "paired_t", "all")
    ('between', 'between')
    >>> kind_of("course", "mixed_model_f", "all"), kind_of("change", "paired_t", "cultivar=Kite")
    ('models', 'strata')
    """
    if method.startswith("interaction"):
        return "interaction"
    if stratum != "all":
        return "strata"
    if question == "trend":
        return "trend"
    if method.startswith("mixed_model"):
        return "models"
    if question == "course":
        return "course"
    if question == "factorial":
        return "factorial"
    return "beside" if method in BESIDE else BETWEEN


def by_kind(effects: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Return the rows of effects.csv by the table that they stand in, headline tests first."""
    kinds = [
        kind_of(str(q), str(m), str(s))
        for q, m, s in zip(effects["question"], effects["method"], effects["stratum"], strict=True)
    ]
    if not (effects["method"] == "linear_model").any():  # then the other tests are the headline
        kinds = [BETWEEN if kind == "beside" else kind for kind in kinds]
    return {
        kind: effects[[k == kind for k in kinds]] for kind in (BETWEEN, *_HEADINGS) if kind in kinds
    }


def kept_rows(rows: pd.DataFrame, at_most: int = MOST_ROWS) -> tuple[pd.DataFrame, int]:
    """Return what one table shows, and how many rows it leaves to the file: those of largest p."""
    if len(rows) <= at_most:
        return rows, 0
    first = rows.sort_values(["primary", "p"], ascending=[False, True], kind="stable")
    return rows.loc[sorted(first.index[:at_most])], len(rows) - at_most


def tally(rows: pd.DataFrame) -> str:
    """Return how many tests of a table are significant after adjustment.

    Examples
    --------
    >>> import pandas as pd
    >>> tally(pd.DataFrame({"verdict": ["significant", "undefined", "not_significant"]}))
    '1 of 2 significant after adjustment, 1 undefined'
    """
    verdicts = list(rows["verdict"])
    undefined = verdicts.count("undefined")
    if undefined == len(verdicts):
        return "all undefined"
    words = f"{verdicts.count('significant')} of {len(verdicts) - undefined} significant after "
    return words + "adjustment" + (f", {undefined} undefined" if undefined else "")


def further_tables(
    tables: Mapping[str, pd.DataFrame], words: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the tables beside the headline one.

    Parameters
    ----------
    tables
        From :func:`by_kind`.
    words
        Contrast -> words.
    """
    out = []
    for kind, heading in _HEADINGS.items():
        if kind not in tables:
            continue
        rows = tables[kind]
        kept, n_left = kept_rows(rows)
        out.append(
            {
                "kind": kind,
                "title": f"{heading}: {counted(len(rows), 'test')}, {tally(rows)}",
                "note": _NOTES[kind],
                "rows": effect_rows(kept, words),
                "left": n_left,
            }
        )
    return out


def family_view(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the families of tests and which of them no result could pass.

    Parameters
    ----------
    summary
        ``effects.json``; without ``families`` nothing is shown.
    """
    rows = [
        {**row, "words": family_words(str(row.get("family", "")))}
        for row in summary.get("families") or []
        if isinstance(row, Mapping)
    ]
    return {"rows": rows, "reach": reach_words(rows, summary.get("alpha"))}


def family_words(family: str) -> str:
    """Return the name of a family in words.

    Examples
    --------
    >>> family_words("difference_in_change, welch_t, by cultivar")
    'difference in change, Welch t, by cultivar'
    """
    parts = family.split(", ")
    if len(parts) < 2:
        return family.replace("_", " ")
    return ", ".join([parts[0].replace("_", " "), method_words(parts[1]), *parts[2:]])


def reach_words(rows: Sequence[Mapping[str, Any]], alpha: Any) -> str:
    """Say which families hold so few units that no test of them can be significant."""
    bounded = [row for row in rows if is_number(row.get("p_holm_smallest"))]
    if not bounded or not is_number(alpha):
        return ""
    lost = [str(row["words"]) for row in bounded if row["p_holm_smallest"] >= alpha]
    if not lost:
        return (
            "No family is too large for its units: every one that has a least p could show a "
            f"result at {alpha:g}."
        )
    families = "; ".join(lost[:6]) + (f"; and {len(lost) - 6} more" if len(lost) > 6 else "")
    return (
        f"Even the clearest result alone could not be significant at {alpha:g} after Holm in: "
        f"{families}. There are too few units for so many tests."
    )


# The part of the page.
# ----------------------------------------------------------------------

_HEADLINES = ("difference_in_change", "difference", "change")
_METHODS = ("linear_model", "welch_t", "paired_t")
_REASONS = 3


def time_course_part(material: Material, figures: FigureSet) -> dict[str, Any]:
    """Return what the third part of the page shows."""
    words = contrast_words(
        material.stated_sessions, material.groups.names, ["before", "mean_before"]
    )
    spectra = {
        s: summaries_by_group(material.spectra, material.groups, s) for s in material.days.sessions
    }
    headline = headline_rows(material.effects[material.effects["verdict"] != "undefined"])
    contrasts = list(dict.fromkeys(headline["contrast"]))
    contrasts.sort(key=lambda c: list(words).index(c) if c in words else len(words))
    return {
        "heading": "How do the groups differ?"
        if len(material.days.sessions) == 1
        else "What happened over the days?",
        "courses_heading": f"Indices {_how(material)}",
        **_spectra(material, figures, spectra),
        "spectra_table": _spectra_table(spectra),
        **_courses(material, figures),
        "group_means": group_rows(material),
        "onset": [
            str(row["sentence"])
            for row in material.effects_summary.get("onset") or []
            if row.get("sentence")
        ],
        "nothing": nothing_words(material.effects),
        "primary_words": primary_words(_primary(material.effects)),
        "adjustment_words": adjustment_words(material.effects),
        "primary": effect_rows(_primary(material.effects), words),
        "headline": _headline(material, headline, contrasts, words),
        "n_tests": len(material.effects),
        **_tables(material.effects, words),
        "families": family_view(material.effects_summary),
        "sizes_figure": draw_effect_sizes(figures, headline, contrasts, words, material.unit_words),
        "difference_figure": draw_difference(
            figures, material.spectrum_effects, words, material.unit_words
        ),
        "difference_interactive": figures.add_interactive(
            interactive_difference(material.spectrum_effects, words, material.unit_words)
        ),
        "difference_disagrees": disagreement_words(
            material.effects, material.spectrum_effects, words
        ),
        "has_reference": bool(
            headline["question"].isin({"difference_in_change", "difference"}).any()
        ),
    }


def _tables(effects: pd.DataFrame, words: dict[str, str]) -> dict[str, Any]:
    """Return the tests between sessions and groups, and in tables of their own all others."""
    tables = by_kind(effects)
    between, n_left = kept_rows(tables.get(BETWEEN, effects.iloc[:0]))
    return {
        "between": effect_rows(between, words),
        "between_left": n_left,
        "further": further_tables(tables, words),
    }


def headline_rows(effects: pd.DataFrame) -> pd.DataFrame:
    """Return one row per index and contrast: the between-group difference, else the change.

    Where several methods answered, the one of the primary contrast stands here, else the t-test.
    """
    for question in _HEADLINES:
        rows = effects[(effects["question"] == question) & (effects["stratum"] == "all")]
        if len(rows):
            named = list(rows.loc[rows["primary"], "method"])
            order = [*named, *_METHODS, *sorted(set(rows["method"]))]
            rank = rows["method"].map({m: i for i, m in reversed(list(enumerate(order)))})
            kept = rows.assign(rank=rank).sort_values("rank", kind="stable")
            kept = kept.drop_duplicates(["index", "contrast"]).drop(columns="rank")
            return kept.sort_values("primary", ascending=False, kind="stable")
    return effects.iloc[:0]


def _primary(effects: pd.DataFrame) -> pd.DataFrame:
    return effects[effects["primary"].astype(bool)]


def primary_words(primary: pd.DataFrame) -> str:
    """Return how the primary contrasts were adjusted, by their number and family."""
    n = len(primary)
    if n == 0:
        return ""
    sizes = {int(k) for k in primary["n_family"] if k == k}
    one_family = primary["family"].nunique() == 1
    if n == 1 and sizes <= {0, 1}:
        return "The primary contrast that the settings name stands alone and needs no adjustment."
    if one_family and len(sizes) == 1:
        tested = sizes.pop()
        out_of = "" if tested == n else f", {tested} of which could be tested"
        adjusted = (
            "their p is adjusted by Holm over those tests, and the adjusted p decides the verdict."
            if tested > 1
            else "with a single test there is nothing to adjust for."
        )
        return f"The settings name {n} primary contrasts{out_of}. They are one family: {adjusted}"
    return (
        f"The settings name {n} primary contrast{'s' if n > 1 else ''}; p is adjusted by Holm "
        "within the family of each, and the adjusted p decides the verdict."
    )


def nothing_words(effects: pd.DataFrame) -> str:
    """Return why no effect at all has a verdict; nothing if one has."""
    if not len(effects) or (effects["verdict"] != "undefined").any():
        return ""
    reasons = list(dict.fromkeys(str(reason) for reason in effects["reason"] if reason))
    if not reasons:
        return "No effect could be tested."
    more = f"; and {len(reasons) - _REASONS} more reasons" if len(reasons) > _REASONS else ""
    return f"No effect could be tested: {'; '.join(reasons[:_REASONS])}{more}."


def adjustment_words(effects: pd.DataFrame) -> str:
    """Return which p the verdicts rest on."""
    words = "The verdict rests on p adjusted by Holm within the family (alone: on its own p)"
    if not (effects["question"] == "equivalence").any():
        return f"{words}."
    return (
        f"{words}; equivalence tests are a family of their own. What cannot be tested is undefined."
    )


def group_rows(material: Material) -> list[dict[str, Any]]:
    """Return number, mean and spread of every index by treatment, sessions side by side."""
    frame = material.group_means
    sessions = [s for s in material.days.sessions if (frame["session"] == s).any()]
    cells = {
        (str(row["index"]), str(row["treatment"]), str(row["session"])): row
        for row in table_rows(frame)
    }
    treatments = list(dict.fromkeys(str(t) for t in frame["treatment"]))
    return [
        {
            "index": index,
            "treatment": treatment,
            "unit": str(cells[index, treatment, sessions[0]]["unit"]),
            "cells": [(session, cells[index, treatment, session]) for session in sessions],
        }
        for index in material.catalogue
        if index in set(frame["index"])
        for treatment in treatments
    ]


def percent_words(row: Mapping[str, Any]) -> str:
    """Return an estimate as a percentage with its interval; nothing if there is none.

    Examples
    --------
    >>> percent_words({"percent_change": 12.34, "percent_low": 9.1, "percent_high": 15.42})
    '12.3\\xa0% (9.1 to 15.4)'
    """
    value, low, high = (row.get(f"percent_{end}") for end in ("change", "low", "high"))
    if not is_number(value):
        return ""
    if not (is_number(low) and is_number(high)):
        return f"{format_number(value, 2)}\N{NO-BREAK SPACE}%"
    change, first, last = format_interval(value, low, high)
    return f"{change}\N{NO-BREAK SPACE}% ({first} to {last})"


def percent_of_what(question: str) -> str:
    """Return what the percentage of a question is of.

    Examples
    --------
    >>> percent_of_what("difference"), percent_of_what("change")
    ("of the reference's mean", 'of the mean before')
    """
    return "of the reference's mean" if question == "difference" else "of the mean before"


def _how(material: Material) -> str:
    return "by group" if len(material.days.sessions) == 1 else "over the days"


def _spectra(material: Material, figures: FigureSet, spectra: dict[str, Any]) -> dict[str, Any]:
    if not any(spectra.values()):
        return {"spectra_figure": None, "spectra_interactive": None}
    return {
        "spectra_figure": draw_groups(figures, material, spectra),
        "spectra_interactive": figures.add_interactive(interactive_spectra(material)),
    }


def _courses(material: Material, figures: FigureSet) -> dict[str, Any]:
    measured = list(dict.fromkeys(material.unit_indices["index"]))
    indices = [i for i in material.catalogue if i in measured]
    indices += [i for i in measured if i not in material.catalogue]
    if not indices:
        return {"primary_figure": None, "courses_figure": None, "courses_interactive": None}
    first = next((i for i in _primary(material.effects)["index"] if i in measured), None)
    how = _how(material)
    others = [i for i in indices if i != first]
    heading = "The other indices" if first else "All indices"
    return {
        "primary_figure": draw_courses(
            figures, material, [first], "primary_index", f"{first} {how}"
        )
        if first
        else None,
        "courses_figure": draw_courses(
            figures, material, others, "index_courses", f"{heading} {how}"
        )
        if others
        else None,
        "courses_interactive": figures.add_interactive(
            interactive_courses(material, indices, first, f"One index {how}")
        ),
    }


def effect_rows(frame: pd.DataFrame, words: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return rows of effects.csv with their numbers written out beside the raw ones."""
    return [_effect_row(row, words) for row in table_rows(frame)]


def _effect_row(row: dict[str, Any], words: Mapping[str, str]) -> dict[str, Any]:
    _, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
    size, size_low, size_high = format_interval(
        row["effect_size"], row["effect_low"], row["effect_high"]
    )
    return {
        **row,
        **estimate_view(row),
        "question_words": str(row["question"]).replace("_", " "),
        "method_words": method_words(str(row["method"])),
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "has_estimate": is_number(row["estimate"]),
        "low_text": low,
        "high_text": high,
        "size": size,
        "size_low": size_low,
        "size_high": size_high,
        "size_words": size_words(str(row["effect_size_name"])),
        "percent": percent_words(row),
        "percent_of": percent_of_what(str(row["question"])),
        "verdict_words": verdict_words(str(row["verdict"])),
    }


def _headline(
    material: Material, rows: pd.DataFrame, contrasts: list[str], words: dict[str, str]
) -> dict[str, Any]:
    """Lay the headline rows out as index by contrast."""
    cells = {(row["index"], row["contrast"]): row for row in effect_rows(rows, words)}
    first = next(iter(cells.values()), None)
    return {
        "contrasts": [contrast_in_words(c, words) for c in contrasts],
        "question": first["question_words"] if first else "",
        "method": first["method_words"] if first else "",
        "n_family": max((row["n_family"] for row in cells.values()), default=0),
        "level": first["ci_level"] if first else None,
        "rows": [
            {
                "index": index,
                "unit": str(material.catalogue.get(index, {}).get("unit", "1")),
                "cells": [cells.get((index, contrast)) for contrast in contrasts],
            }
            for index in dict.fromkeys(rows["index"])
        ],
    }


def _spectra_table(spectra: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            "session": session,
            "group": name,
            "n_units": summary.n_units,
            "n_scans": summary.n_scans,
            "mean": float(summary.mean.mean()),
            "low": float(summary.low.min()),
            "high": float(summary.high.max()),
        }
        for session, groups in spectra.items()
        for name, summary in groups.items()
    ]

"""Tests beside the headline: within strata, over the course, over the dose, with models."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.effects.words import counted
from leafledger.report.numbers import known, method_words

if TYPE_CHECKING:
    import pandas as pd

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


def further_tables(tables: Mapping[str, pd.DataFrame], row_of: Any) -> list[dict[str, Any]]:
    """Return the tables beside the headline one.

    Parameters
    ----------
    tables
        From :func:`by_kind`.
    row_of
        Turns a frame into what the page shows of its rows.
    """
    out = []
    for kind, heading in _HEADINGS.items():
        rows = tables.get(kind)
        if rows is None:
            continue
        shown, left = kept_rows(rows)
        out.append(
            {
                "kind": kind,
                "title": f"{heading}: {counted(len(rows), 'test')}, {tally(rows)}",
                "note": _NOTES[kind],
                "rows": row_of(shown),
                "left": left,
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
    rows = [row for row in summary.get("families") or [] if isinstance(row, Mapping)]
    alpha = summary.get("alpha")
    shown = [{**row, "words": family_words(str(row.get("family", "")))} for row in rows]
    return {"rows": shown, "alpha": alpha, "reach": reach_words(shown, alpha)}


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
    if not rows or not known(alpha):
        return ""
    bounded = [row for row in rows if known(row.get("p_holm_smallest"))]
    lost = [str(row["words"]) for row in bounded if row["p_holm_smallest"] >= alpha]
    if not lost:
        return (
            "No family is too large for its units: every one that has a least p could show a "
            f"result at {alpha:g}."
            if bounded
            else ""
        )
    told = "; ".join(lost[:6]) + (f"; and {len(lost) - 6} more" if len(lost) > 6 else "")
    return (
        f"Even the clearest result alone could not be significant at {alpha:g} after Holm in: "
        f"{told}. There are too few units for so many tests."
    )

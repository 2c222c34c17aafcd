"""Class by class: how each fares, how sure the classifier is, and what it may have learned."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from leafledger.report.class_figures import draw_reliability
from leafledger.report.drawing import Book
from leafledger.report.gather import ClassTables
from leafledger.report.numbers import fixed, known, nm, number
from leafledger.report.warned import texts

if TYPE_CHECKING:
    import pandas as pd

_MOST_PAIRS = 12
_ASKED = {
    "session": "the session (the day)",
    "block": "the block",
    "treatment_before": "the treatment, before it was given",
}


def class_details(tables: ClassTables, book: Book) -> dict[str, Any]:
    """Return what the page shows beside accuracy and confusion; empty lists where not recorded."""
    summary = tables.summary
    pairs = confused_pairs(tables.confused_pairs)
    return {
        "per_class": _records(tables.per_class),
        "reliability": _records(tables.reliability),
        "reliability_plate": draw_reliability(book, tables.reliability)
        if len(tables.reliability)
        else None,
        "sureness": sureness_words(summary),
        "questions": question_rows(tables.questions),
        "comparison": comparison_rows(tables.comparison),
        "verdict_on_rivals": rival_words(tables.comparison),
        "pairs": pairs[:_MOST_PAIRS],
        "more_pairs": max(0, len(pairs) - _MOST_PAIRS),
        "components": [c for c in summary.get("components") or [] if isinstance(c, Mapping)],
        "noise": noise_words(summary),
    }


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def sureness_words(summary: Mapping[str, Any]) -> str:
    """Say how good the class probabilities are; nothing if there is no score.

    Examples
    --------
    >>> sureness_words({"brier": 0.5, "brier_of_class_shares": 0.75})
    'Brier score 0.500 (0 is perfect; 0.750 comes of always naming the shares of the classes).'
    """
    if not known(summary.get("brier")):
        return ""
    beside = ""
    if known(summary.get("brier_of_class_shares")):
        shares = fixed(summary["brier_of_class_shares"], 3)
        beside = f"; {shares} comes of always naming the shares of the classes"
    told = f"Brier score {fixed(summary['brier'], 3)} (0 is perfect{beside})"
    rule = "; ".join(texts(summary.get("probability_rule")))
    return f"{told}. {rule[:1].upper()}{rule[1:]}." if rule else f"{told}."


def question_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return how well the same procedure names other things than the classes."""
    order = list(_ASKED)
    # The classes themselves are left out: their accuracy stands above, over all repeats.
    rows = sorted(
        [row for row in _records(frame) if row["asked"] != "target"],
        key=lambda r: order.index(r["asked"]) if r["asked"] in order else len(order),
    )
    return [
        {**row, "words": _ASKED.get(str(row["asked"]), str(row["asked"]).replace("_", " "))}
        for row in rows
    ]


def comparison_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return each procedure on the same units, the most accurate first."""
    rows = [
        {
            **row,
            "words": str(row["procedure"]).replace("_", " "),
            "is_reference": not known(row["difference"]),
            "verdict": _verdict(row),
            "points": _points(row["difference"]),
            "points_interval": f"{_points(row['difference_low'])} to "
            f"{_points(row['difference_high'])}",
        }
        for row in _records(frame)
    ]
    return sorted(rows, key=lambda r: (-float(r["accuracy"]), r["words"]))


def _points(share: Any) -> str:
    if not known(share):
        return ""
    text = fixed(100 * float(share), 0)
    return f"+{text}" if float(share) > 0 and text != "0" else text


def _verdict(row: Mapping[str, Any]) -> str:
    """Say whether a procedure does as well; nothing for the classifier itself."""
    if not known(row["difference"]):
        return ""
    if _true(row.get("better")):
        return "better"
    if _true(row.get("as_good")):
        return "as good"
    worse = known(row["difference_high"]) and float(row["difference_high"]) < 0
    return "worse" if worse else "cannot be told"


def _true(value: Any) -> bool:
    return str(value).lower() == "true"


def better_rivals(frame: pd.DataFrame) -> list[str]:
    """Return the sentences on procedures that do better than the classifier."""
    return [str(r["sentence"]) for r in comparison_rows(frame) if r["verdict"] == "better"]


def session_sentence(frame: pd.DataFrame, alpha: float = 0.05) -> str:
    """Return the sentence on the session, if the spectra tell it better than chance."""
    for row in _records(frame):
        above = known(row["accuracy"]) and row["accuracy"] > row["majority_accuracy"]
        if row["asked"] == "session" and above and known(row["p"]) and row["p"] <= alpha:
            return str(row["sentence"])
    return ""


def rival_words(frame: pd.DataFrame) -> str:
    """Say which other procedures do better or as well; nothing without a comparison."""
    rows = [row for row in comparison_rows(frame) if not row["is_reference"]]
    if not rows:
        return ""
    margins = [float(row["margin"]) for row in rows if known(row.get("margin"))]
    margin = f" by a margin of {fixed(100 * margins[0], 0)} points" if margins else ""
    better = better_rivals(frame)
    equal = [row["words"] for row in rows if row["verdict"] == "as good"]
    parts = list(better)
    if equal:
        parts.append(
            f"As good as the classifier{margin}: {', '.join(equal)}. The simplest of them may be "
            "enough."
        )
    elif not better:
        parts.append(f"No other procedure was shown to be as good as the classifier{margin}.")
    unknown = [row["words"] for row in rows if row["verdict"] == "cannot be told"]
    if unknown:
        parts.append(
            f"These units cannot tell whether it is worse by more than that: {', '.join(unknown)}."
        )
    return " ".join(parts)


def confused_pairs(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the pairs taken for each other, the most often confused first, with what separates."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for row in _records(frame.sort_values("rank", kind="stable")):
        key = (str(row["true"]), str(row["predicted"]))
        pair = found.setdefault(key, {**row, "at": []})
        if known(row["wavelength_nm"]):
            sign = "+" if known(row["standardised"]) and row["standardised"] > 0 else ""
            pair["at"].append(
                f"{nm(row['wavelength_nm'])} nm ({sign}{number(row['standardised'], 2)})"
            )
    return sorted(found.values(), key=lambda p: (-float(p["n_scans"]), p["true"], p["predicted"]))


def noise_words(summary: Mapping[str, Any]) -> str:
    """Say from which latent variable on loadings are noise; nothing if it was not looked at."""
    if not known(summary.get("stable_components")):
        return ""
    stable, most = int(summary["stable_components"]), summary.get("max_components")
    rule = str(summary.get("stable_rule") or "")
    if known(most) and stable >= int(most or 0):
        told = "No loading turned to noise among those that were looked at"
    else:
        told = f"Loadings turn to noise from latent variable {stable + 1} on"
    chosen = summary.get("n_components")
    used = ""
    if known(chosen) and int(chosen or 0) > stable:
        used = " The model uses latent variables beyond that point: do not read them."
    return f"{told}{f' (steady are the {rule})' if rule else ''}.{used}"

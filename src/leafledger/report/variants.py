"""The primary effects and the accuracy under the study's alternative settings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.effects.variant_rows import inputs_digest
from leafledger.report.drawing import Book
from leafledger.report.gather import Material
from leafledger.report.groups import contrast_in_words
from leafledger.report.lettering import plain
from leafledger.report.numbers import (
    known,
    method_words,
    percent,
    unit_suffix,
    verdict_words,
    with_interval,
)
from leafledger.report.variants_figure import draw_variants
from leafledger.report.variants_words import sentences_of
from leafledger.study.columns import STATED

_EFFECT = ("question", "index", "contrast", "stratum")
_FILES = {
    "effects_sha256": ("effects", "results/effects.csv", "the effects"),
    "classes_sha256": ("classes", "results/classes/summary.json", "the accuracy"),
}


def under_other_settings(
    material: Material, book: Book, words: Mapping[str, str]
) -> dict[str, Any] | None:
    """Return what the page shows of the variants, ``None`` if no table of them was made.

    A table that does not belong to the present results is not shown; why is said instead.

    Parameters
    ----------
    material, book
        What the report reads, and its figures.
    words
        Contrast -> words.
    """
    if not len(material.variants):
        return None
    rows = [{str(k): v for k, v in row.items()} for row in material.variants.to_dict("records")]
    stated = [row for row in rows if row["variant"] == STATED]
    old = out_of_date(stated, material.records)
    if old:
        return {"out_of_date": old, "rows": []}
    views = [row_view(row, stated, words) for row in rows]
    others = [view for view in views if view["variant"] != STATED]
    return {
        "out_of_date": "",
        "rows": views,
        "several": len({_effect(row) for row in stated}) > 1,
        "has_effect": any(row["index"] for row in stated),
        "has_accuracy": any(known(row["accuracy"]) for row in rows),
        "sentences": sentences_of([v for v in views if v["variant"] == STATED], others),
        "plate": draw_variants(book, views),
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
    return tuple(str(row[name]) for name in _EFFECT)


def row_view(
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
    beside = next((one for one in stated if _effect(one) == _effect(row)), None)
    shown, low, high = with_interval(row["estimate"], row["ci_low"], row["ci_high"])
    interval = known(row["ci_low"]) and known(row["ci_high"])
    spread = known(row["accuracy_low"]) and known(row["accuracy_high"])
    return {
        **row,
        "ran": bool(row["effects_sha256"]),
        "is_stated": row["variant"] == STATED,
        "name": "as stated" if row["variant"] == STATED else plain(row["variant"]),
        "agrees": beside is not None and agrees(beside, row),
        "comparable": beside is not None and beside["unit"] == row["unit"],
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "method_words": method_words(str(row["method"])) if row["method"] else "",
        "shown": shown,
        "interval": f"{low} to {high}" if interval else "",
        "suffix": unit_suffix(str(row["unit"])),
        "verdict_words": verdict_words(str(row["verdict"])) if row["verdict"] else "",
        "accuracy_shown": percent(row["accuracy"]) if known(row["accuracy"]) else "",
        "accuracy_interval": f"{percent(row['accuracy_low'])} to {percent(row['accuracy_high'])}"
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

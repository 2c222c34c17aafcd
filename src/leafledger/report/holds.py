"""Does the conclusion hold? The primary contrasts under other choices, and what they lean on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from leafledger.effects.families import UNDEFINED
from leafledger.effects.robustness import NOT_PART, PLANNED
from leafledger.effects.words import listed
from leafledger.report.drawing import Book
from leafledger.report.gather import Material
from leafledger.report.groups import contrast_words
from leafledger.report.holds_figures import draw_residuals, draw_sensitivity
from leafledger.report.numbers import (
    fixed,
    known,
    method_words,
    number,
    unit_suffix,
    verdict_words,
    with_interval,
)
from leafledger.report.variants import under_other_settings
from leafledger.report.warned import texts

if TYPE_CHECKING:
    import pandas as pd

UNIT = "without_unit"
_FAR = 3.0
"""Studentised residuals beyond this are named."""
_METHOD = re.compile(r"by the method ([a-z ]+) \(")
_POWER = re.compile(r"(?<=p = )\d(?:\.\d+)?e-\d+")
_VARIANTS = {"as_planned": "as planned", "every_scan": "every scan, excluded ones too"}


def holds(material: Material, book: Book) -> dict[str, Any]:
    """Return what the page shows of the conclusion under other choices."""
    words = contrast_words(material.days.sessions, material.groups.names, ["before", "mean_before"])
    rows = [row_view(row, words, material.unit_word) for row in _records(material.sensitivity)]
    summary = material.effects_summary
    looked = [a for a in summary.get("assumptions") or [] if isinstance(a, Mapping)]
    single = [row for row in rows if row["variant"] == UNIT]
    concluded = {_asked(r) for r in rows if r["variant"] == PLANNED and r["verdict"] != UNDEFINED}
    others = [r for r in rows if r["variant"] != PLANNED and r["reason"] != NOT_PART]
    others = [r for r in others if _asked(r) in concluded]
    untestable = [row for row in others if row["verdict"] == UNDEFINED]
    return {
        "n_others": len(others),
        "n_changed": sum(not r["same_conclusion"] for r in others) - len(untestable),
        "n_untestable": len(untestable),
        "sentences": [_named(s, words) for s in texts(summary.get("robustness"))],
        "rows": [r for r in rows if r["variant"] != UNIT or not r["same_conclusion"]],
        "single": single,
        "several": len({_asked(r) for r in rows}) > 1,
        "why_none": why_none(material.effects),
        "plate": draw_sensitivity(book, rows, material.unit_word) if rows else None,
        "assumptions": [assumption_words(one, words, material.unit_word) for one in looked],
        "variants": under_other_settings(material, book, words),
        "residuals_plate": draw_residuals(book, looked, words, material),
    }


def _asked(row: Mapping[str, Any]) -> tuple[str, str]:
    """Name a question: without its own session a contrast has another name, but the same groups."""
    return str(row["index"]), str(row["contrast"]).partition("@")[2]


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _named(sentence: str, words: Mapping[str, str]) -> str:
    """Write contrasts in words; the longest names first, as one may hold another."""
    for name in sorted(words, key=len, reverse=True):
        sentence = sentence.replace(name, words[name])
    sentence = _METHOD.sub(lambda m: f"by {method_words(m[1].replace(' ', '_'))} (", sentence)
    return _POWER.sub(lambda m: number(float(m[0]), 2), sentence)


def row_view(row: dict[str, Any], words: Mapping[str, str], unit_word: str) -> dict[str, Any]:
    """Return a row of sensitivity.csv as the page shows it."""
    shown, low, high = with_interval(row["estimate"], row["ci_low"], row["ci_high"])
    interval = known(row["ci_low"]) and known(row["ci_high"])
    return {
        **row,
        "same_conclusion": bool(row["same_conclusion"]),
        "words": variant_words(str(row["variant"]), str(row["left_out"]), unit_word),
        "contrast_words": words.get(row["contrast"], str(row["contrast"])),
        "method_words": method_words(str(row["method"])),
        "shown": shown,
        "interval": f"{low} to {high}" if interval else "",
        "suffix": unit_suffix(str(row["unit"])),
        "verdict_words": verdict_words(str(row["verdict"])),
        "reason": str(row["reason"] or ""),
    }


def variant_words(variant: str, left_out: str, unit_word: str) -> str:
    """Return what was done otherwise.

    Examples
    --------
    >>> variant_words("without_unit", "p03", "plant"), variant_words("as_planned", "", "plant")
    ('without plant p03', 'as planned')
    >>> variant_words("other_method", "signed_rank", "plant")
    'by signed rank'
    """
    if variant in _VARIANTS:
        return _VARIANTS[variant]
    if variant == UNIT:
        return f"without {unit_word} {left_out}"
    if variant == "other_method":
        return f"by {method_words(left_out)}"
    return f"{variant.replace('_', ' ')} {left_out}".strip()


def why_none(effects: pd.DataFrame) -> str:
    """Say why there is nothing to hold: no test, no primary contrast, or an older result."""
    if not len(effects):
        return "No effect was tested, so there is no conclusion that could change."
    if not effects["primary"].astype(bool).any():
        return (
            "The study names no primary contrast, so no single conclusion is put to the test. "
            "Name one in study.yaml (effects: primary) and record it (leafledger plan record) "
            "before anything is measured."
        )
    return "The primary contrast was not tested under other choices."


def assumption_words(one: Mapping[str, Any], words: Mapping[str, str], unit_word: str) -> str:
    """Say what a primary contrast leans on: spread of the arms, far units, units that decide."""
    contrast = str(one.get("contrast", ""))
    parts = [_ratio_words(one.get("variance_ratio")), _far_words(one.get("residuals"))]
    parts += _single_words(one, unit_word)
    told = " ".join(part for part in parts if part)
    return f"{one.get('index', '')}, {words.get(contrast, contrast)}: {told}"


def _single_words(one: Mapping[str, Any], unit_word: str) -> list[str]:
    """Say what single units decide; nothing where there is no conclusion to lean on them."""
    if one.get("verdict") == UNDEFINED:
        return []
    fates = {"influential": "the conclusion changes", "needed": "nothing can be tested"}
    parts = []
    for kind, fate in fates.items():
        units = [str(unit) for unit in one.get(kind) or []]
        if units:
            apart = " (one at a time)" if len(units) > 1 else ""
            parts.append(f"Without {unit_word} {listed(units)}{apart} {fate}.")
    return parts or [f"No single {unit_word} decides: leaving out any one changes nothing."]


def _ratio_words(ratio: Any) -> str:
    if not known(ratio):
        return ""
    return (
        f"The larger variance of the two groups is {number(ratio, 2)} times the smaller; Welch's "
        "t does not take them as equal."
    )


def _far_words(residuals: Any) -> str:
    rows = [r for r in residuals or [] if isinstance(r, Mapping)]
    far = [r for r in rows if known(r.get("standardised")) and abs(r["standardised"]) > _FAR]
    if not rows:
        return ""
    if not far:
        return (
            f"No change lies further than {_FAR:g} standard deviations from its group (each "
            "judged by the others)."
        )
    told = listed([f"{r['unit']} ({fixed(r['standardised'], 1)})" for r in far])
    return f"Far from their group, in standard deviations judged by the others: {told}."

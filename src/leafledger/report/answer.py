"""What was found, in sentences, and what stands against it: the first part of the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from leafledger.report.classification import better_rivals, session_sentence
from leafledger.report.gather import Material, Source, texts, warnings_of
from leafledger.report.numbers import format_interval, is_number, unit_suffix, verdict_words

_WARNINGS_SHOWN = 8
_SENTENCES_SHOWN = 3


def findings_part(material: Material) -> dict[str, Any]:
    """Return what the first part of the page shows."""
    summary = material.effects_summary
    marks = {"primary": material.primary_mark, "equivalence": material.margin_mark}
    findings = [
        {**_finding_view(row), "mark": marks.get(str(row.get("id")), "")}
        for row in summary.get("findings") or []
        if isinstance(row, Mapping)
    ]
    stated = {row["sentence"] for row in findings}
    sentences = [
        sentence
        for sentence in texts(summary.get("sentences"))
        if not any(sentence in finding for finding in stated)
    ]
    n_sentences = _SENTENCES_SHOWN if len(sentences) > _SENTENCES_SHOWN + 1 else len(sentences)
    warnings = warnings_of(_sources(material))
    classes = material.classes
    return {
        "findings": findings,
        "sentences": sentences[:n_sentences],
        "more_sentences": sentences[n_sentences:],
        "plan": texts(summary.get("plan")),
        "plan_history": material.plan_sentences,
        "nothing": _nothing_found(material) if not findings else "",
        "classes": str(classes.summary.get("sentence") or "") if classes else "",
        "class_notes": _class_notes(material),
        "warnings": warnings[:_WARNINGS_SHOWN],
        "more_warnings": warnings[_WARNINGS_SHOWN:],
        "unit_unknown": not material.design.get("unit"),
    }


def _finding_view(row: Mapping[str, Any]) -> dict[str, Any]:
    value, low, high = format_interval(row.get("estimate"), row.get("ci_low"), row.get("ci_high"))
    verdict = str(row.get("verdict") or "undefined")
    return {
        "id": str(row.get("id", "")),
        "sentence": str(row.get("sentence", "")),
        "index": str(row.get("index", "")),
        "verdict": verdict,
        "verdict_words": verdict_words(verdict),
        "estimate": value,
        "low": low,
        "high": high,
        "unit": unit_suffix(str(row.get("unit", "1"))),
        "raw": row.get("estimate"),
        "strip": strip(row.get("estimate"), row.get("ci_low"), row.get("ci_high")),
    }


def strip(value: Any, low: Any, high: Any) -> dict[str, float] | None:
    """Place an estimate, its interval and zero on a strip from 0 to 100.

    Examples
    --------
    >>> strip(1.0, 0.5, 1.5)["zero"] < strip(1.0, 0.5, 1.5)["low"]
    True
    >>> strip(1.0, None, None) is None
    True
    """
    if not (is_number(value) and is_number(low) and is_number(high)):
        return None
    ends = [0.0, float(low), float(high), float(value)]
    span = (max(ends) - min(ends)) or 1.0
    start = min(ends) - 0.08 * span

    def place(x: float) -> float:
        return round(100 * (x - start) / (1.16 * span), 2)

    return {
        "zero": place(0.0),
        "low": place(float(low)),
        "high": place(float(high)),
        "value": place(float(value)),
    }


def _class_notes(material: Material) -> list[str]:
    """Return what the reader of the accuracy has to know: better rivals, sessions told apart."""
    if material.classes is None:
        return []
    session = session_sentence(material.classes.questions)
    return [*better_rivals(material.classes.comparison), *([session] if session else [])]


def _nothing_found(material: Material) -> str:
    if not len(material.effects):
        return (
            "No effect was tested: the study holds no contrast that its design allows. What the "
            "groups look like is described below, without inference."
        )
    if (material.effects["verdict"] == "undefined").all():
        return "No effect could be tested; the reasons are given here and beside each effect below."
    return "No finding was singled out; all tests stand in the table of effects below."


def _sources(material: Material) -> list[Source]:
    """Return the warnings of every record, of the effects and of the classes."""
    sources: list[Source] = [
        (str(r.get("rule", name)), r.get("session"), texts(r.get("warnings")))
        for name, r in material.records.items()
    ]
    sources.append(("effects", None, texts(material.effects_summary.get("warnings"))))
    if material.classes is not None:
        sources.append(("classes", None, texts(material.classes.summary.get("warnings"))))
    return sources

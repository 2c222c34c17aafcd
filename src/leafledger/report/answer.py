"""What was found? The first screen: question, answer, one figure, and how far to trust it.

The answer is one sentence that a grower understands, made of the primary contrast and of the mean
change of each group. The figure shows every unit's change beside the difference and its interval,
on one scale (an estimation plot). The statistics of the same sentence stand folded below it.

References
----------
Gardner MJ, Altman DG (1986) Confidence intervals rather than P values: estimation rather than
hypothesis testing. British Medical Journal 292: 746-750. Cumming G (2012) Understanding the new
statistics. Routledge, New York.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from leafledger.report.classification import better_rivals, session_sentence
from leafledger.report.figures import (
    FAINT,
    INK,
    Figure,
    FigureSet,
    looks,
    new_figure,
)
from leafledger.report.gather import Material, Source, texts, warnings_of
from leafledger.report.numbers import (
    MINUS,
    format_interval,
    is_number,
    short,
    table_rows,
    unit_suffix,
    verdict_words,
)
from leafledger.report.pigments import beside_assays, beside_warnings
from leafledger.words import counted, listed

_WARNINGS_SHOWN = 8
_SENTENCES_SHOWN = 3
_ANSWERS_SHOWN = 3


def findings_part(material: Material, figures: FigureSet) -> dict[str, Any]:
    """Return what the first part of the page shows."""
    summary = material.effects_summary
    marks = {"primary": material.primary_mark, "equivalence": material.margin_mark}
    rows = [row for row in summary.get("findings") or [] if isinstance(row, Mapping)]
    findings = [{**_finding_view(row), "mark": marks.get(str(row.get("id")), "")} for row in rows]
    stated = {row["sentence"] for row in findings}
    sentences = [
        sentence
        for sentence in texts(summary.get("sentences"))
        if not any(sentence in finding for finding in stated)
    ]
    n_sentences = _SENTENCES_SHOWN if len(sentences) > _SENTENCES_SHOWN + 1 else len(sentences)
    warnings = warnings_of(_sources(material))
    classes = material.classes
    main = _main_rows(rows)
    return {
        "answers": [
            {**finding, **answer_to(row, material)}
            for row, finding in zip(rows, findings, strict=True)
            if row in main[:_ANSWERS_SHOWN]
        ],
        "more_answers": len(main) - _ANSWERS_SHOWN,
        "named_primary": bool(main) and main[0].get("id") == "primary",
        "index_words": _index_words(material, main),
        "figure": draw_estimation(figures, material, main),
        "findings": findings,
        "sentences": sentences[:n_sentences],
        "more_sentences": sentences[n_sentences:],
        "plan": texts(summary.get("plan")),
        "plan_history": material.plan_sentences,
        "plan_in_short": [without_digest(text) for text in material.plan_sentences],
        "nothing": _nothing_found(material) if not findings else "",
        "measured_so_far": measured_so_far(summary),
        "left_out": left_out(summary, len(material.omitted)),
        "classes": str(classes.summary.get("sentence") or "") if classes else "",
        "class_line": class_line(classes.summary) if classes else "",
        "class_notes": _class_notes(material),
        "warnings": warnings[:_WARNINGS_SHOWN],
        "more_warnings": warnings[_WARNINGS_SHOWN:],
        "unit_unknown": not material.design.get("unit"),
    }


def answer_in_words(question: str, part: Mapping[str, Any]) -> dict[str, Any]:
    """Return what ``answer.json`` holds: the question, and each answer with what supports it.

    Parameters
    ----------
    question
        As the study states it.
    part
        From :func:`findings_part`.

    Examples
    --------
    >>> row = {"answer": "It rose.", "support": "n = 3 + 3 plants.", "verdict": "significant"}
    >>> answer_in_words("Does it rise?", {"answers": [row, {**row, "answer": ""}]})["answers"]
    [{'answer': 'It rose.', 'support': 'n = 3 + 3 plants.', 'verdict': 'significant'}]
    """
    names = ("answer", "support", "verdict")
    return {
        "question": question,
        "answers": [
            {name: str(row[name]) for name in names} for row in part["answers"] if row["answer"]
        ],
    }


def _finding_view(row: Mapping[str, Any]) -> dict[str, Any]:
    value, low, high = format_interval(row.get("estimate"), row.get("ci_low"), row.get("ci_high"))
    verdict = str(row.get("verdict") or "undefined")
    return {
        "id": str(row.get("id", "")),
        "sentence": str(row.get("sentence", "")),
        "waits": what_waits(row),
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


def what_waits(row: Mapping[str, Any]) -> str:
    """Return what a finding waits for, without the words for its rule; empty if it waits for none.

    Examples
    --------
    >>> what_waits({"rule": "Primary contrast", "sentence": "Primary contrast. NDVI waits: no day"})
    'NDVI waits: no day'
    >>> what_waits({"rule": "Primary contrast", "sentence": "Primary contrast. NDVI rose."})
    ''
    """
    sentence = str(row.get("sentence", ""))
    waits = row.get("verdict", "undefined") == "undefined" and " waits: " in sentence
    return sentence.removeprefix(f"{row.get('rule')}. ") if waits else ""


def measured_so_far(summary: Mapping[str, Any]) -> str:
    """Return how many sessions are measured, and which are to come; empty if none is.

    Parameters
    ----------
    summary
        Content of ``effects.json``.

    Examples
    --------
    >>> measured_so_far({"unfinished": {"sessions": [
    ...     {"session": "day0", "why": ""}, {"session": "day4", "why": "waits: no scans yet"}]}})
    '1 of 2 sessions is measured (day0); to come: day4.'
    >>> measured_so_far({})
    ''
    """
    sessions = (summary.get("unfinished") or {}).get("sessions") or []
    names = [str(row["session"]) for row in sessions if not row["why"]]
    to_come = [str(row["session"]) for row in sessions if str(row["why"]).startswith("waits")]
    if not names or not to_come:
        return ""
    verb = "is" if len(names) == 1 else "are"
    return (
        f"{len(names)} of {counted(len(sessions), 'session')} {verb} measured ({listed(names)}); "
        f"to come: {listed(to_come)}."
    )


def left_out(summary: Mapping[str, Any], n_omitted: int) -> str:
    """Return which sessions were never measured and how many scans the sheet leaves out.

    Parameters
    ----------
    summary
        Content of ``effects.json``.
    n_omitted
        Scans of the sheet that a reason leaves out.

    Examples
    --------
    >>> left_out({"unfinished": {"sessions": [
    ...     {"session": "day4", "why": "skipped, never measured (rain)"}]}}, 2)
    'Never measured: day4. 2 scans of the sheet take no part, for a stated reason.'
    """
    sessions = (summary.get("unfinished") or {}).get("sessions") or []
    never = [
        str(row["session"])
        for row in sessions
        if row["why"] and not str(row["why"]).startswith("waits")
    ]
    parts = [f"Never measured: {listed(never)}."] if never else []
    if n_omitted:
        verb = "takes" if n_omitted == 1 else "take"
        parts.append(
            f"{counted(n_omitted, 'scan')} of the sheet {verb} no part, for a stated reason."
        )
    return " ".join(parts)


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


def class_line(summary: Mapping[str, Any]) -> str:
    """Return how well the classes are told apart, in one line; empty if it was not recorded.

    Parameters
    ----------
    summary
        Content of ``classes/summary.json``.

    Examples
    --------
    >>> class_line({"classes": ["a", "b"], "target": "leaf", "accuracy": 0.498,
    ...             "wilson": [0.31, 0.68], "ci_level": 0.95})
    '50 % of held-out scans given the right one of 2 classes of leaf (95 % interval 31 to 68 %).'
    """
    accuracy: Any = summary.get("accuracy")
    if not is_number(accuracy):
        return ""
    n_classes = len(summary.get("classes") or [])
    low: Any
    high: Any
    low, high = summary.get("wilson") or (None, None)
    beside = []
    if is_number(low) and is_number(high):
        ends = f"{100 * float(low):.0f} to {100 * float(high):.0f} %"
        beside.append(f"{100 * float(summary['ci_level']):.4g} % interval {ends}")
    largest: Any = summary.get("majority_accuracy")
    if is_number(largest):
        beside.append(f"always naming the largest class: {100 * float(largest):.0f} %")
    of_days: Any = (summary.get("held_out_sessions") or {}).get("accuracy")
    if is_number(of_days):
        beside.append(f"on sessions not trained on: {100 * float(of_days):.0f} %")
    note = f" ({'; '.join(beside)})" if beside else ""
    return (
        f"{100 * float(accuracy):.0f} % of held-out scans given the right one of {n_classes} "
        f"classes of {summary.get('target')}{note}."
    )


def without_digest(sentence: str) -> str:
    """Return a sentence on the plan without digest and marks of code, for the first screen.

    Examples
    --------
    >>> without_digest(f"Recorded by `plan record` (plan 001, SHA-256 {'0f' * 32}).")
    'Recorded by plan record (plan 001).'
    """
    return re.sub(r", SHA-256 [0-9a-f]{64}", "", sentence).replace("`", "")


def _nothing_found(material: Material) -> str:
    unfinished = material.effects_summary.get("unfinished") or {}
    waits = [text for text in texts(unfinished.get("said")) if " waits: " in text]
    if waits and not len(material.effects):
        return (
            f"Nothing is tested yet. {waits[0]} No primary contrast is named: name it before the "
            "next session is measured."
        )
    if not len(material.effects):
        return (
            "No effect was tested: the study holds no contrast that its design allows. What the "
            "groups look like is described below, without inference."
        )
    if (material.effects["verdict"] == "undefined").all():
        return "No effect could be tested; the reasons are given here and beside each effect below."
    return "No finding was singled out; all tests stand in the table of effects below."


def _sources(material: Material) -> list[Source]:
    """Return the warnings of every record, of effects, classes and the leaf model's assays."""
    sources: list[Source] = [
        (str(r.get("rule", name)), r.get("session"), texts(r.get("warnings")))
        for name, r in material.records.items()
    ]
    sources.append(("effects", None, texts(material.effects_summary.get("warnings"))))
    if material.classes is not None:
        sources.append(("classes", None, texts(material.classes.summary.get("warnings"))))
    if material.leaf_model is not None:
        contents, scans = (material.tables[n] for n in ("pigment_contents", "leaf_model_scans"))
        messages = beside_warnings(beside_assays(contents, scans), material.unit_word)
        sources.append(("leaf_model", None, messages))
    return sources


# The answer in one sentence.
# ----------------------------------------------------------------------

_MEANS_BEFORE = ("before", "mean_before")
"""How a contrast names the mean over several sessions before the treatment."""


@dataclass(frozen=True)
class Comparison:
    """What a contrast compares.

    Attributes
    ----------
    level, reference
        Treatments; ``reference`` is empty for a change within one treatment.
    after
        The session whose value is compared.
    before
        What it is compared with, as the contrast names it; empty where values of one session are.
    """

    level: str
    reference: str
    after: str
    before: str

    @property
    def arms(self) -> tuple[str, ...]:
        """The treatments, the reference first."""
        return (self.reference, self.level) if self.reference else (self.level,)


def comparison_of(
    contrast: str, sessions: Sequence[str], groups: Sequence[str]
) -> Comparison | None:
    """Return what a contrast compares; ``None`` for one of doses, crossed factors or whole courses.

    Names may hold any sign, so the contrast is compared with each that the study can hold.

    Examples
    --------
    >>> comparison_of("(d8-d0)@iron-water", ["d0", "d8"], ["water", "iron"])
    Comparison(level='iron', reference='water', after='d8', before='d0')
    >>> comparison_of("(slope)@iron-water", ["d0", "d8"], ["water", "iron"]) is None
    True
    """
    for after in sessions:
        for level in groups:
            others = [group for group in groups if group != level]
            for reference in others:
                if contrast == f"{after}@{level}-{reference}":
                    return Comparison(level, reference, after, "")
            for before in (*sessions, *_MEANS_BEFORE):
                if contrast == f"{after}-{before}@{level}":
                    return Comparison(level, "", after, before)
                for reference in others:
                    if contrast == f"({after}-{before})@{level}-{reference}":
                        return Comparison(level, reference, after, before)
    return None


def _main_rows(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the findings that answer the question: the primary contrasts, else the first one."""
    primary = [row for row in rows if row.get("id") == "primary"]
    return primary or list(rows[:1])


def unit_values(
    material: Material, index: str, compared: Comparison
) -> dict[str, dict[str, float]]:
    """Return treatment -> unit -> its change, or its value where there is no session before.

    A unit without a value on one side is left out, as in the tests.
    """
    table = material.unit_indices
    values = table[table["index"] == index].pivot_table(
        index="unit", columns="session", values="mean", aggfunc="mean"
    )
    if compared.after not in values.columns:
        return {arm: {} for arm in compared.arms}
    change = values[compared.after]
    if compared.before:
        change = change - values.reindex(columns=_sessions_before(material, compared)).mean(axis=1)
    defined = change[np.isfinite(change.to_numpy(dtype=float))]
    return {
        arm: {
            str(unit): float(value)
            for unit, value in defined.items()
            if material.groups.of_unit.get(str(unit)) == arm
        }
        for arm in compared.arms
    }


def _sessions_before(material: Material, compared: Comparison) -> list[str]:
    if compared.before not in _MEANS_BEFORE:
        return [compared.before]
    phases = material.design.get("sessions") or []
    return [str(s["session"]) for s in phases if s.get("phase") == "before"]


def answer_to(row: Mapping[str, Any], material: Material) -> dict[str, str]:
    """Return the answer that a finding gives: a sentence without statistics, and what supports it.

    Parameters
    ----------
    row
        A finding of ``effects.json``.

    Returns
    -------
    dict
        ``answer``, empty where the contrast is none of two groups or sessions; ``support``: the
        interval, the percentage, n and since when.
    """
    compared = comparison_of(
        str(row.get("contrast")), material.days.sessions, material.groups.names
    )
    if compared is None or not is_number(row.get("estimate")):
        return {"answer": "", "support": ""}
    index = str(row.get("index", ""))
    name = index_name(index, str(material.catalogue.get(index, {}).get("name") or ""))
    value, low, high = format_interval(row["estimate"], row.get("ci_low"), row.get("ci_high"))
    unit = unit_suffix(str(row.get("unit") or "1"))
    values = unit_values(material, index, compared)
    means = {arm: float(np.mean(list(v.values()))) if v else np.nan for arm, v in values.items()}
    size = f"{value.lstrip(MINUS + '-')}{unit}"
    estimate = float(row["estimate"])
    return {
        "answer": answer_sentence(
            str(row.get("verdict")), str(row.get("question")), compared, name, estimate, size, means
        ),
        "support": _support(row, compared, material, f"{low} to {high}{unit}"),
    }


def index_name(index: str, name: str) -> str:
    """Return an index as a reader calls it.

    Examples
    --------
    >>> index_name("CI_rededge", "red-edge chlorophyll index"), index_name("mine", "")
    ('red-edge chlorophyll index (CI_rededge)', 'index mine')
    """
    return f"{name} ({index})" if name and name != index else f"index {index}"


def answer_sentence(
    verdict: str,
    question: str,
    compared: Comparison,
    name: str,
    estimate: float,
    size: str,
    means: Mapping[str, float],
) -> str:
    """Return the answer in one sentence, which claims no more than the verdict.

    Parameters
    ----------
    verdict
        significant, not_significant, equivalent or undefined.
    question
        As in effects.csv.
    compared, name
        What is compared, and the index in words.
    estimate, size
        The estimate, and its size written out without its sign.
    means
        Treatment -> mean of the changes (or values) of its units.

    Examples
    --------
    >>> c = Comparison("iron", "water", "d8", "d0")
    >>> answer_sentence("significant", "difference_in_change", c, "NDVI", 0.1, "0.1",
    ...                 {"iron": 0.14, "water": 0.02})
    'From d0 to d8 the NDVI rose by 0.1 more under iron than under water.'
    >>> answer_sentence("significant", "difference_in_change", c, "NDVI", 0.1, "0.1",
    ...                 {"iron": 0.08, "water": -0.03})
    'From d0 to d8 the NDVI rose under iron and fell under water: a difference of 0.1.'
    """
    arms = f"under {compared.level} and under {compared.reference}"
    when = _when(compared)
    if question == "equivalence":
        outcome = "was the same" if verdict == "equivalent" else "was not shown to be the same"
        what = f"the change of the {name}" if compared.before else f"the {name}"
        return f"{when} {what} {outcome}, within the stated margin, {arms}."
    if verdict != "significant":
        untested = verdict == "undefined"
        if not compared.reference:
            outcome = "could not be tested" if untested else "is not shown"
            return f"{when} a change of the {name} under {compared.level} {outcome}."
        what = f"the change of the {name}" if compared.before else f"the {name}"
        if untested:
            return f"{when} it could not be tested whether {what} differed {arms}."
        return f"{when} no difference in {what} is shown between plants {arms}."
    if not compared.reference:
        return f"{when} the {name} {_verb(estimate)} by {size} under {compared.level}."
    if not compared.before:
        direction = "higher" if estimate > 0 else "lower"
        return (
            f"{when} the {name} was {size} {direction} under {compared.level} than under "
            f"{compared.reference}."
        )
    return f"{when} the {name} {_changes(compared, estimate, size, means)}."


def _when(compared: Comparison) -> str:
    if not compared.before:
        return f"At {compared.after}"
    start = "the time before" if compared.before in _MEANS_BEFORE else compared.before
    return f"From {start} to {compared.after}"


def _verb(change: float) -> str:
    return "rose" if change > 0 else "fell"


def _changes(compared: Comparison, estimate: float, size: str, means: Mapping[str, float]) -> str:
    """Return how the two treatments changed; by the difference alone where means disagree with it.

    The estimate is adjusted for the value before, so that the means may differ by a little more or
    less than it.
    """
    level, reference = compared.level, compared.reference
    of_level, of_reference = means.get(level, np.nan), means.get(reference, np.nan)
    if not (of_level - of_reference) * estimate > 0:
        direction = "higher" if estimate > 0 else "lower"
        return f"changed to a value {size} {direction} under {level} than under {reference}"
    if of_level * of_reference <= 0:
        return (
            f"{_verb(of_level)} under {level} and {_verb(of_reference)} under {reference}: a "
            f"difference of {size}"
        )
    more = "more" if abs(of_level) > abs(of_reference) else "less"
    return f"{_verb(of_level)} by {size} {more} under {level} than under {reference}"


def _support(
    row: Mapping[str, Any], compared: Comparison, material: Material, interval: str
) -> str:
    """Return interval, percentage, n and since when, in one or two short sentences."""
    level: Any = row.get("ci_level")
    parts = []
    if is_number(level) and is_number(row.get("ci_low")):
        parts.append(f"{100 * float(level):.4g} % interval {interval}")
    margin = _margin_of(row, material)
    if margin is not None:
        unit = unit_suffix(str(row.get("unit") or "1"))
        parts.append(f"margin {MINUS}{margin:g} to {margin:g}{unit}")
    tested = _tested_row(row, material)
    if tested is not None and is_number(tested["percent_change"]):
        base_words = "mean before" if compared.before else f"mean under {compared.reference}"
        parts.append(f"{abs(float(tested['percent_change'])):.2g} % of the {base_words}")
    if tested is not None and is_number(tested["n_units"]):
        n = f"{int(tested['n_units'])}"
        if is_number(tested["n_units_reference"]):
            n += f" + {int(tested['n_units_reference'])}"
        missing: Any = tested["n_missing"]
        without = f", {int(missing)} without a value" if is_number(missing) and missing > 0 else ""
        parts.append(f"n = {n} {material.unit_words}{without}")
    text = f"{'; '.join(parts)}." if parts else ""
    if row.get("verdict") == "not_significant" and row.get("question") != "equivalence" and parts:
        text += " This does not show that there is none."
    since = _since(row, compared, material)
    return f"{text} {since}".strip()


def _margin_of(row: Mapping[str, Any], material: Material) -> float | None:
    """Return the margin of a finding on equivalence, as the effects were tested with it."""
    if row.get("question") != "equivalence":
        return None
    settings = material.records.get("effects", {}).get("settings", {})
    margin: Any = (settings.get("effects", {}).get("margin") or {}).get(str(row.get("index")))
    return float(margin) if is_number(margin) else None


def _tested_row(row: Mapping[str, Any], material: Material) -> dict[str, Any] | None:
    """Return the row of effects.csv that a finding was made of."""
    effects = material.effects
    same = effects[
        (effects["index"] == row.get("index"))
        & (effects["contrast"] == row.get("contrast"))
        & (effects["method"] == row.get("method"))
        & (effects["question"] == row.get("question"))
        & (effects["stratum"] == "all")
    ]
    return next(iter(table_rows(same)), None)


def _since(row: Mapping[str, Any], compared: Comparison, material: Material) -> str:
    for onset in material.effects_summary.get("onset") or []:
        same = (
            onset.get("index") == row.get("index")
            and onset.get("level") == compared.level
            and onset.get("reference") == compared.reference
        )
        since = onset.get("shown_from")
        if same and since and since != compared.after and row.get("id") == "primary":
            return f"Shown from {since} on." if onset.get("last") else f"Shown since {since}."
    return ""


def _index_words(material: Material, main: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Return what each index of the answer follows, and what to beware of."""
    indices = dict.fromkeys(str(row.get("index", "")) for row in main)
    return [
        {
            "index": index,
            "follows": str(entry.get("responds_to") or ""),
            "beware": str(entry.get("confusions") or ""),
        }
        for index in indices
        if (entry := material.catalogue.get(index)) is not None
        and (entry.get("responds_to") or entry.get("confusions"))
    ]


# The figure: every unit's change, and the difference with its interval on the same scale.
# ----------------------------------------------------------------------

_GOLDEN = 0.618033988749895
_SPREAD = 0.5


def spread_out(values: Sequence[float]) -> list[float]:
    """Return places between -0.25 and 0.25, so that equal values do not hide each other.

    The golden ratio keeps neighbours in size apart, without random numbers.

    Examples
    --------
    >>> [round(x, 2) for x in spread_out([1.0, 1.0, 2.0])]
    [-0.25, 0.06, -0.13]
    """
    places = [0.0] * len(values)
    for rank, i in enumerate(np.argsort(values, kind="stable")):
        places[i] = _SPREAD * ((rank * _GOLDEN) % 1.0 - 0.5)
    return places


def draw_estimation(
    figures: FigureSet, material: Material, main: Sequence[Mapping[str, Any]]
) -> Figure | None:
    """Draw the change of every unit by treatment, and beside it each difference and its interval.

    Both panels share one scale: zero of the differences lies at the mean of the reference.
    Nothing is drawn where the answer is no comparison of two treatments or sessions.
    """
    pairs = [
        (row, compared)
        for row in main
        if is_number(row.get("estimate"))
        and (
            compared := comparison_of(
                str(row.get("contrast")), material.days.sessions, material.groups.names
            )
        )
    ]
    if not pairs:
        return None
    index, first = str(pairs[0][0]["index"]), pairs[0][1]
    pairs = [
        (row, compared)
        for row, compared in pairs
        if str(row["index"]) == index
        and (compared.reference, compared.after) == (first.reference, first.after)
    ]
    arms = list(dict.fromkeys(arm for _, compared in pairs for arm in compared.arms))
    values = {
        arm: unit_values(material, index, compared)[arm]
        for _, compared in pairs
        for arm in compared.arms
    }
    if not all(values.values()):
        return None
    figure = new_figure(1.6 + 0.75 * len(arms) + 0.65 * len(pairs), 3.0)
    left, right = figure.subplots(1, 2, width_ratios=[len(arms), 0.9 * len(pairs)])
    _draw_units(left, material, arms, values)
    start = float(np.mean(list(values[first.reference].values()))) if first.reference else 0.0
    margin = _margin_of(pairs[0][0], material)
    _draw_differences(right, pairs, start, left, margin)
    what = f"change of {index}" if first.before else index
    unit = unit_suffix(str(pairs[0][0].get("unit") or "1")).strip()
    left.set_ylabel(f"{what}{f' ({unit})' if unit else ''}")
    right.set_ylabel("difference" if first.reference else "mean change")
    return figures.add(
        figure,
        "answer",
        _figure_title(index, first, material),
        f"Left: one dot for each {material.unit_word}, by treatment, and the mean of each. Right: "
        "the estimate with its interval, on the same scale.",
        _figure_caption(pairs, values, material),
    )


def _draw_units(
    axis: Any, material: Material, arms: Sequence[str], values: Mapping[str, Mapping[str, float]]
) -> None:
    look = looks(material.groups.names)
    for x, arm in enumerate(arms):
        y = list(values[arm].values())
        axis.plot(np.add(x, spread_out(y)), y, look[arm].marker, color=look[arm].colour,
                  markersize=4.5, alpha=0.6, markeredgewidth=0)  # fmt: skip
        mean = float(np.mean(y))
        axis.plot([x - 0.33, x + 0.33], [mean, mean], color=INK, linewidth=1.8)
    axis.set_xticks(range(len(arms)), [f"{short(arm, 14)}\nn = {len(values[arm])}" for arm in arms])
    axis.set_xlim(-0.6, len(arms) - 0.4)
    axis.axhline(0, color=FAINT, linewidth=0.6, zorder=0)


def _draw_differences(
    axis: Any,
    pairs: Sequence[tuple[Mapping[str, Any], Comparison]],
    start: float,
    beside: Any,
    margin: float | None,
) -> None:
    """Draw estimates, intervals and the margin on the scale of the panel beside, moved by start."""
    low, high = beside.get_ylim()
    ends = [
        float(row[end])
        for row, _ in pairs
        for end in ("estimate", "ci_low", "ci_high")
        if is_number(row.get(end))
    ]
    ends += [] if margin is None else [-margin, margin]
    room = 0.04 * (high - low)
    low = min(low, min(ends) + start - room)
    high = max(high, max(ends) + start + room)
    beside.set_ylim(low, high)
    axis.set_ylim(low - start, high - start)
    axis.yaxis.tick_right()
    axis.yaxis.set_label_position("right")
    axis.spines["left"].set_visible(False)
    axis.spines["right"].set_visible(True)
    axis.axhline(0, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
    for edge in () if margin is None else (-margin, margin):
        axis.axhline(edge, color=INK, linewidth=0.9, linestyle=(0, (1, 2)))
    for x, (row, _) in enumerate(pairs):
        estimate = float(row["estimate"])
        if is_number(row.get("ci_low")) and is_number(row.get("ci_high")):
            axis.plot([x, x], [row["ci_low"], row["ci_high"]], color=INK, linewidth=2.2)
        axis.plot([x], [estimate], "D", color=INK, markersize=6)
    labels = [
        f"{short(c.level, 14)}\nminus {short(c.reference, 12)}" if c.reference else "mean"
        for _, c in pairs
    ]
    axis.set_xticks(range(len(pairs)), labels)
    axis.set_xlim(-0.6, len(pairs) - 0.4)


def _figure_title(index: str, compared: Comparison, material: Material) -> str:
    if not compared.before:
        return f"{index} of each {material.unit_word} at {compared.after}"
    start = "the time before" if compared.before in _MEANS_BEFORE else compared.before
    return f"Change of {index} in each {material.unit_word}, {start} to {compared.after}"


def _figure_caption(
    pairs: Sequence[tuple[Mapping[str, Any], Comparison]],
    values: Mapping[str, Mapping[str, float]],
    material: Material,
) -> str:
    row, compared = pairs[0]
    counts = listed([f"{len(v)} under {arm}" for arm, v in values.items()])
    tested = _tested_row(row, material)
    adjusted = str(tested["covariates"] or "") if tested is not None else ""
    names = [f"the {name}" for name in adjusted.split(", ") if name not in {"", "nan"}]
    adjusted = listed(names) if names else ""
    level: Any = row.get("ci_level")
    interval = f"{100 * float(level):.4g} % interval" if is_number(level) else "interval"
    if compared.reference:
        right = (
            f"Right, on the same scale with zero at the mean under {compared.reference}: the "
            f"difference{f', adjusted for {adjusted},' if adjusted else ''} with its {interval}."
        )
    else:
        right = f"Right, on the same scale: the estimate with its {interval}."
    if _margin_of(row, material) is not None:
        right += " Dotted: the margin."
    n_family: Any = tested["n_family"] if tested is not None else None
    alone = not is_number(n_family) or int(n_family) <= 1
    return (
        f"Left: a symbol for each {material.unit_word}, n = {counts}, and a stroke at the mean. "
        f"{right} The interval is for this comparison by itself"
        f"{', not adjusted' if alone else ', not adjusted for the others of its family'}."
    )

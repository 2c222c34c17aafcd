"""The classifier in numbers: what it was asked, trained on and held to, in words and order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from leafledger.report.numbers import known, number, p_value, percent

Fact = tuple[str, str]


def classifier_facts(summary: Mapping[str, Any], unit_words: str) -> list[Fact]:
    """Return what the page tells of the classifier; what was not recorded is left out.

    Parameters
    ----------
    summary
        Content of ``classes/summary.json``, which holds all of it with every digit.
    unit_words
        What the units of the study are called, in the plural.

    Examples
    --------
    >>> classifier_facts({"target": "cultivar", "classes": ["Kestrel", "Plover"]}, "plants")
    [('asked for', 'cultivar: Kestrel, Plover')]
    >>> classifier_facts({"accuracy": 0.5026, "n_repeats": 10, "n_units_tested": 24}, "plants")
    [('accuracy', '50.3 % of the scans left out, mean of 10 repeats, 24 plants')]
    >>> classifier_facts({"n_wavelengths": 2151}, "plants")
    [('wavelengths', '2151')]
    """
    found = [
        *_material(summary, unit_words),
        *_model(summary),
        *_accuracy(summary, unit_words),
        *_certainty(summary),
        *_against_chance(summary),
    ]
    return [(name, told) for name, told in found if told]


def _material(summary: Mapping[str, Any], unit_words: str) -> Iterator[Fact]:
    names = ", ".join(str(c) for c in summary.get("classes") or [])
    target = str(summary.get("target") or "")
    yield "asked for", f"{target}: {names}" if target and names else target
    yield "sessions", ", ".join(str(s) for s in summary.get("sessions") or [])
    yield "scans of each class", _by_class(summary.get("n_scans_per_class"))
    yield f"{unit_words} of each class", _by_class(summary.get("n_units_per_class"))
    yield "wavelengths", _count(summary.get("n_wavelengths"))
    yield "held out", _words(summary.get("split_rule"))
    yield "set aside", "; ".join(str(text) for text in summary.get("set_aside") or [])


def _model(summary: Mapping[str, Any]) -> Iterator[Fact]:
    yield "preprocessing", _words(summary.get("preprocessing"))
    yield "class is decided by", _words(summary.get("decision"))
    searched = [*summary.get("preprocessings_searched", []), *summary.get("decisions_searched", [])]
    yield "chosen among", ", ".join(_words(name) for name in searched)
    yield "weight of the classes", _words(summary.get("weights"))
    most = summary.get("max_components")
    looked = f" of {_count(most)} that were looked at" if known(most) else ""
    chosen = _count(summary.get("n_components"))
    yield "latent variables", f"{chosen}{looked}" if chosen else ""
    yield "how they were chosen", _words(summary.get("choice_rule"))
    yield "steady loadings", _count(summary.get("stable_components"))
    seeds = summary.get("seeds")
    yield "seed", ", ".join(str(s) for s in seeds.values()) if isinstance(seeds, Mapping) else ""


def _accuracy(summary: Mapping[str, Any], unit_words: str) -> Iterator[Fact]:
    share = _share(summary.get("accuracy"))
    repeats, units = _count(summary.get("n_repeats")), _count(summary.get("n_units_tested"))
    told = [f"{share} of the scans left out"] if share else []
    told += [f"mean of {repeats} repeats"] if share and repeats else []
    told += [f"{units} {unit_words}"] if share and units else []
    yield "accuracy", ", ".join(told)
    level = _share(summary.get("ci_level"), 0)
    rule = _words(summary.get("wilson_rule"))
    wilson = _interval(summary.get("wilson"))
    yield f"{level} interval, Wilson".strip(), f"{wilson} ({rule})" if wilson and rule else wilson
    voted = _share(summary.get("unit_accuracy"))
    ends = _interval(summary.get("unit_accuracy_interval"))
    yield (
        f"{unit_words} right, their scans voting",
        f"{voted} ({ends})" if voted and ends else voted,
    )
    days = summary.get("held_out_sessions")
    if isinstance(days, Mapping):
        rule = _words(days.get("rule"))
        yield (
            "accuracy on held-out sessions",
            (f"{_share(days.get('accuracy'))} ({_interval(days.get('interval'))}; {rule})"),
        )
    yield "no accuracy on held-out sessions", str(summary.get("held_out_sessions_reason") or "")
    weak = summary.get("weakest_class")
    if isinstance(weak, Mapping):
        ends = _interval(weak.get("interval"))
        yield "weakest class", f"{weak.get('class')}: {_share(weak.get('sensitivity'))} ({ends})"
    yield "balanced accuracy (mean sensitivity)", _share(summary.get("balanced_accuracy"))
    largest, name = _share(summary.get("majority_accuracy")), str(summary.get("majority_class", ""))
    yield "always naming the largest class", f"{largest} ({name})" if largest and name else largest
    yield "Cohen's kappa", _number(summary.get("kappa"))
    yield "Matthews correlation", _number(summary.get("mcc"))


def _certainty(summary: Mapping[str, Any]) -> Iterator[Fact]:
    yield "Brier score", _number(summary.get("brier"))
    yield "Brier score of the class shares", _number(summary.get("brier_of_class_shares"))
    yield "sharpness of the probabilities", _number(summary.get("sharpness"))


def _against_chance(summary: Mapping[str, Any]) -> Iterator[Fact]:
    p, least = summary.get("p_permutation"), summary.get("p_smallest")
    if not known(p):
        return
    yield "p of the permutation test", p_value(p)
    yield "smallest p it could give", p_value(least) if known(least) else ""
    kind = "all arrangements" if summary.get("all_arrangements") else "drawn arrangements"
    yield kind, _count(summary.get("n_draws"))
    yield "labels exchanged within", _words(summary.get("permuted_within"))
    observed = _share(summary.get("permutation_accuracy"))
    rule = _words(summary.get("permutation_statistic"))
    yield "accuracy compared", f"{observed} ({rule})" if observed and rule else observed


def _by_class(counts: Any) -> str:
    if not isinstance(counts, Mapping):
        return ""
    return ", ".join(f"{name} {_count(n)}" for name, n in counts.items())


def _interval(ends: Any) -> str:
    if not isinstance(ends, list) or len(ends) != 2 or not all(known(e) for e in ends):
        return ""
    return f"{percent(ends[0])} to {percent(ends[1])}"


def _share(value: Any, decimals: int = 1) -> str:
    if not known(value):
        return ""
    return percent(value) if decimals else f"{100 * float(value):g} %"


def _count(value: Any) -> str:
    return str(round(float(value))) if known(value) else ""


def _number(value: Any) -> str:
    return number(value) if known(value) else ""


def _words(value: Any) -> str:
    return str(value).replace("_", " ") if value is not None else ""

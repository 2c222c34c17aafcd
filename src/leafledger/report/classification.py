"""What tells the groups apart, how well, and what may the classifier have learned?

The fifth part of the page answers as a reader asks: how sure, who is taken for whom, by which
wavelengths, why this size. What stands behind it opens below: matrices and loadings of every size,
each class, probabilities, rival procedures, negative controls and the permutation test.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.classification_figures import (
    SPLIT_WORDS,
    Loading,
    MostConfused,
    Training,
    accuracy_path,
    confusion_matrix,
    draw_class_weights,
    draw_confusions,
    draw_importance,
    draw_loadings,
    draw_path,
    draw_permutation,
    draw_reliability,
    draw_rivals,
    draw_taken_for,
)
from leafledger.report.figures import (
    Figure,
    FigureSet,
    InteractiveFigure,
    SpectrumSummary,
    summarise_spectra,
)
from leafledger.report.gather import ClassTables, Material, texts
from leafledger.report.interactive import interactive_path, interactive_terms
from leafledger.report.numbers import (
    format_fixed,
    format_nm,
    format_number,
    format_p,
    format_p_relation,
    format_percent,
    is_number,
    table_rows,
)
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd


# The classifier in numbers.
# ----------------------------------------------------------------------

Fact = tuple[str, str]
_SCORES = (
    ("Brier score", "brier"),
    ("Brier score of the class shares", "brier_of_class_shares"),
    ("sharpness of the probabilities", "sharpness"),
)


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
    facts = [
        *_material(summary, unit_words),
        *_model(summary),
        *_accuracy(summary, unit_words),
        *((words, _number(summary.get(key))) for words, key in _SCORES),
        *_against_chance(summary),
    ]
    return [(name, value) for name, value in facts if value]


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
    out_of = f" of {_count(most)} that were looked at" if is_number(most) else ""
    chosen = _count(summary.get("n_components"))
    yield "latent variables", f"{chosen}{out_of}" if chosen else ""
    yield "how they were chosen", _words(summary.get("choice_rule"))
    yield "steady loadings", _count(summary.get("stable_components"))
    seeds = summary.get("seeds")
    yield "seed", ", ".join(str(s) for s in seeds.values()) if isinstance(seeds, Mapping) else ""


def _accuracy(summary: Mapping[str, Any], unit_words: str) -> Iterator[Fact]:
    share = _share(summary.get("accuracy"))
    repeats, units = _count(summary.get("n_repeats")), _count(summary.get("n_units_tested"))
    parts = [f"{share} of the scans left out"]
    parts += [f"mean of {repeats} repeats"] if repeats else []
    parts += [f"{units} {unit_words}"] if units else []
    yield "accuracy", ", ".join(parts) if share else ""
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


def _against_chance(summary: Mapping[str, Any]) -> Iterator[Fact]:
    p, least = summary.get("p_permutation"), summary.get("p_smallest")
    if not is_number(p):
        return
    yield "p of the permutation test", format_p(p)
    yield "smallest p it could give", format_p(least) if is_number(least) else ""
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
    if not isinstance(ends, list) or len(ends) != 2 or not all(is_number(e) for e in ends):
        return ""
    return f"{format_percent(ends[0])} to {format_percent(ends[1])}"


def _share(value: Any, decimals: int = 1) -> str:
    if not is_number(value):
        return ""
    return format_percent(value) if decimals else f"{100 * float(value):g} %"


def _count(value: Any) -> str:
    return str(round(float(value))) if is_number(value) else ""


def _number(value: Any) -> str:
    return format_number(value) if is_number(value) else ""


def _words(value: Any) -> str:
    return str(value).replace("_", " ") if value is not None else ""


# Each class, probabilities, rivals and negative controls.
# ----------------------------------------------------------------------

_MOST_PAIRS = 12
_ASKED = {
    "session": "the session (the day)",
    "block": "the block",
    "treatment_before": "the treatment, before it was given",
}


def class_details(tables: ClassTables, figures: FigureSet) -> dict[str, Any]:
    """Return what the page shows beside accuracy and confusion; empty lists where not recorded."""
    summary = tables.summary
    pairs = confused_pairs(tables.confused_pairs)
    return {
        "per_class": table_rows(tables.per_class),
        "reliability": table_rows(tables.reliability),
        "reliability_figure": draw_reliability(figures, tables.reliability)
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


def sureness_words(summary: Mapping[str, Any]) -> str:
    """Say how good the class probabilities are; nothing if there is no score.

    Examples
    --------
    >>> sureness_words({"brier": 0.5, "brier_of_class_shares": 0.75})
    'Brier score 0.500 (0 is perfect; 0.750 comes of always naming the shares of the classes).'
    """
    if not is_number(summary.get("brier")):
        return ""
    comparison = ""
    if is_number(summary.get("brier_of_class_shares")):
        shares = format_fixed(summary["brier_of_class_shares"], 3)
        comparison = f"; {shares} comes of always naming the shares of the classes"
    score = f"Brier score {format_fixed(summary['brier'], 3)} (0 is perfect{comparison})."
    rule = "; ".join(texts(summary.get("probability_rule")))
    return f"{score} {rule[:1].upper()}{rule[1:]}." if rule else score


def question_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return how well the same procedure names other things than the classes."""
    order = list(_ASKED)
    # The classes themselves are left out: their accuracy stands above, over all repeats.
    rows = sorted(
        [row for row in table_rows(frame) if row["asked"] != "target"],
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
            "is_reference": not is_number(row["difference"]),
            "verdict": _beside_classifier(row),
            "points": _points(row["difference"]),
            "points_interval": f"{_points(row['difference_low'])} to "
            f"{_points(row['difference_high'])}",
        }
        for row in table_rows(frame)
    ]
    return sorted(rows, key=lambda r: (-float(r["accuracy"]), r["words"]))


def _points(share: Any) -> str:
    if not is_number(share):
        return ""
    text = format_fixed(100 * float(share), 0)
    return f"+{text}" if float(share) > 0 and text != "0" else text


def _beside_classifier(row: Mapping[str, Any]) -> str:
    """Say whether a procedure does as well; nothing for the classifier itself."""
    if not is_number(row["difference"]):
        return ""
    if str(row.get("better")).lower() == "true":
        return "better"
    if str(row.get("as_good")).lower() == "true":
        return "as good"
    worse = is_number(row["difference_high"]) and float(row["difference_high"]) < 0
    return "worse" if worse else "cannot be told"


def better_rivals(frame: pd.DataFrame) -> list[str]:
    """Return the sentences on procedures that do better than the classifier."""
    return [str(r["sentence"]) for r in comparison_rows(frame) if r["verdict"] == "better"]


def session_sentence(frame: pd.DataFrame, alpha: float = 0.05) -> str:
    """Return the sentence on the session, if the spectra tell it better than chance."""
    for row in table_rows(frame):
        above = is_number(row["accuracy"]) and row["accuracy"] > row["majority_accuracy"]
        if row["asked"] == "session" and above and is_number(row["p"]) and row["p"] <= alpha:
            return str(row["sentence"])
    return ""


def rival_words(frame: pd.DataFrame) -> str:
    """Say which other procedures do better or as well; nothing without a comparison."""
    rows = [row for row in comparison_rows(frame) if not row["is_reference"]]
    if not rows:
        return ""
    sample = sample_words(rows[0])
    margins = [float(row["margin"]) for row in rows if is_number(row.get("margin"))]
    margin = f" by a margin of {format_fixed(100 * margins[0], 0)} points" if margins else ""
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
    return " ".join([*parts, *sample])


def sample_words(row: Mapping[str, Any]) -> list[str]:
    """Say how many units and scans of the study a comparison is on; nothing if on all.

    Examples
    --------
    >>> sample_words({"n_units": 200, "n_units_all": 2000, "n_scans": 2000, "n_scans_all": 20000})
    ['All procedures are compared on a sample: 2,000 of 20,000 scans, 200 of 2,000 units held out.']
    """
    names = ("n_units", "n_units_all", "n_scans", "n_scans_all")
    if not all(is_number(row.get(name)) for name in names):
        return []
    units, all_units, scans, all_scans = (int(row[name]) for name in names)
    if scans == all_scans:
        return []
    return [
        f"All procedures are compared on a sample: {scans:,} of {all_scans:,} scans, {units:,} of "
        f"{all_units:,} units held out."
    ]


def confused_pairs(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the pairs taken for each other, the most often confused first, with what separates."""
    pairs: dict[tuple[str, str], dict[str, Any]] = {}
    for row in table_rows(frame.sort_values("rank", kind="stable")):
        key = (str(row["true"]), str(row["predicted"]))
        pair = pairs.setdefault(key, {**row, "at": []})
        if is_number(row["wavelength_nm"]):
            sign = "+" if is_number(row["standardised"]) and row["standardised"] > 0 else ""
            difference = f"{sign}{format_number(row['standardised'], 2)}"
            pair["at"].append(f"{format_nm(row['wavelength_nm'])} nm ({difference})")
    return sorted(pairs.values(), key=lambda p: (-float(p["n_scans"]), p["true"], p["predicted"]))


def noise_words(summary: Mapping[str, Any]) -> str:
    """Say from which latent variable on loadings are noise; nothing if it was not looked at."""
    if not is_number(summary.get("stable_components")):
        return ""
    stable, most = int(summary["stable_components"]), summary.get("max_components")
    rule = str(summary.get("stable_rule") or "")
    if is_number(most) and stable >= int(most or 0):
        noise = "No loading turned to noise among those that were looked at"
    else:
        noise = f"Loadings turn to noise from latent variable {stable + 1} on"
    chosen = summary.get("n_components")
    used = ""
    if is_number(chosen) and int(chosen or 0) > stable:
        used = " The model uses latent variables beyond that point: do not read them."
    return f"{noise}{f' (steady are the {rule})' if rule else ''}.{used}"


# The part of the page.
# ----------------------------------------------------------------------

_SPECTRA = ("spectrum_mean", "spectrum_sd", "spectrum_minimum", "spectrum_maximum")


def classification_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the fifth part of the page shows; ``None`` if no classes were asked for."""
    tables = material.classes
    if tables is None:
        return None
    chosen = int(tables.summary["n_components"])
    classes = [str(name) for name in tables.summary["classes"]]
    path = accuracy_path(tables.path)
    rivals = rival_rows(tables.rivals)
    n = _n_words(tables.predictions, material)
    as_chosen = _as_chosen(tables, classes)
    class_rows = taken_rows(as_chosen, classes)
    accuracy, is_draw = tables.permutation["accuracy"], tables.permutation["draw"] != 0
    observed, drawn = accuracy[~is_draw].to_numpy(float), accuracy[is_draw].to_numpy(float)
    return {
        "target": str(tables.summary["target"]),
        "classes": classes,
        "chosen": chosen,
        "sentence": str(tables.summary["sentence"]),
        "how_sure": how_sure(tables.summary),
        "taken_figure": figures.add_for_phones_too(lambda book: draw_taken_for(book, class_rows, n))
        if class_rows
        else None,
        "weights_figure": _weights_figure(tables, material, figures, class_rows),
        "why_size": why_this_size(tables.summary, path, material.unit_words),
        "summary": classifier_facts(tables.summary, material.unit_words),
        "path_figure": draw_path(figures, path, chosen, tables.summary["majority_accuracy"], n),
        "path_interactive": figures.add_interactive(interactive_path(tables, path)),
        "path": path.to_dict("records"),
        "split_words": SPLIT_WORDS,
        "as_chosen": as_chosen,
        "confusions": [
            {"n": n, "chosen": n == chosen, **_matrix(part, classes)}
            for n, part in tables.confusion.groupby("n_components", sort=True)
        ],
        "confusion_figure": draw_confusions(figures, tables.confusion, classes, chosen, n),
        **_terms(tables, figures, chosen),
        "rivals": rivals,
        "rivals_figure": draw_rivals(figures, rivals, n) if rivals else None,
        "permutation_figure": draw_permutation(figures, drawn, float(observed[0]), n)
        if len(observed) and len(drawn)
        else None,
        "p": tables.summary["p_permutation"],
        **class_details(tables, figures),
    }


def how_sure(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the numbers that tell how sure the classes are told apart, the accuracy first.

    Each has a ``value``, ``words`` for what it is and ``more``, its interval or reason. What was
    not recorded is left out.

    Examples
    --------
    >>> how_sure({"accuracy": 0.7, "wilson": [0.5, 0.85], "ci_level": 0.95})[0]["more"]
    '95 % interval 50.0 % to 85.0 %'
    >>> how_sure({"accuracy": 0.7, "p_permutation": 0.005})[0]["more"]
    'by chance alone p = 0.005'
    >>> [row["words"] for row in how_sure({"accuracy": 0.7, "majority_accuracy": 0.4})]
    ['of held-out scans named rightly', 'by always naming the largest class']
    """
    if not is_number(summary.get("accuracy")):
        return []
    level = _share(summary.get("ci_level"), 0)

    def with_level(ends: Any) -> str:
        return f"{level} interval {_interval(ends)}".strip() if _interval(ends) else ""

    sure = [with_level(summary.get("wilson"))]
    if is_number(summary.get("p_permutation")):
        sure.append(f"by chance alone p {format_p_relation(float(summary['p_permutation']))}")
    named = "of held-out scans named rightly"
    rows = [(summary["accuracy"], named, "; ".join(filter(None, sure)))]
    days = summary.get("held_out_sessions")
    if isinstance(days, Mapping) and is_number(days.get("accuracy")):
        rows.append(
            (days["accuracy"], "on days that the model was not trained on",
             with_level(days.get("interval")))
        )  # fmt: skip
    weak = summary.get("weakest_class")
    if isinstance(weak, Mapping):
        name = f"of {weak.get('class')}, the class that fares worst"
        rows.append((weak.get("sensitivity"), name, with_level(weak.get("interval"))))
    if is_number(summary.get("majority_accuracy")):
        name = str(summary.get("majority_class") or "")
        rows.append((summary["majority_accuracy"], "by always naming the largest class", name))
    return [
        {"value": format_percent(value), "raw": repr(float(value)), "words": words, "more": more}
        for value, words, more in rows
        if is_number(value)
    ]


def taken_rows(as_chosen: Mapping[str, Any] | None, classes: list[str]) -> list[dict[str, Any]]:
    """Return what each class was taken for, the class that fares worst first.

    Parameters
    ----------
    as_chosen
        Confusion matrix of the whole procedure; ``None`` if no prediction was recorded.
    classes
        The classes in the order of its columns.

    Returns
    -------
    list of dict
        ``true``, ``total`` (scans, mean over repeats), ``right`` (share) and ``wrong``: other
        class and share, the largest first, without those that never occurred.
    """
    rows = []
    for row in (as_chosen or {"rows": []})["rows"]:
        shares = {name: cell["share"] for name, cell in zip(classes, row["cells"], strict=True)}
        wrong = [(name, share) for name, share in shares.items() if name != row["true"] and share]
        rows.append(
            {
                "true": row["true"],
                "total": row["total"],
                "right": shares[row["true"]],
                "wrong": sorted(wrong, key=lambda one: (-one[1], one[0])),
            }
        )
    return sorted(rows, key=lambda row: (row["right"], row["true"]))


def most_confused(class_rows: list[dict[str, Any]]) -> tuple[str, str, float] | None:
    """Return the two classes most often taken for each other, and how many scans were.

    Both ways are added. ``None`` if no scan was taken for another class.

    Examples
    --------
    >>> most_confused([{"true": "b", "total": 10, "wrong": [("a", 0.2)]},
    ...                {"true": "a", "total": 20, "wrong": [("c", 0.15), ("b", 0.1)]}])
    ('a', 'b', 4.0)
    """
    scans: dict[tuple[str, str], float] = {}
    for row in class_rows:
        for name, share in row["wrong"]:
            first, second = sorted([row["true"], name])
            scans[first, second] = scans.get((first, second), 0.0) + share * row["total"]
    if not scans:
        return None
    (first, second), n = min(scans.items(), key=lambda pair: (-pair[1], pair[0]))
    return first, second, n


def why_this_size(summary: Mapping[str, Any], path: pd.DataFrame, unit_words: str) -> list[str]:
    """Say why the model has its number of latent variables.

    Examples
    --------
    >>> import pandas as pd
    >>> curve = pd.DataFrame({"split": "outer", "n_components": [1, 2], "mean": [0.4, 0.6]})
    >>> why_this_size({"n_components": 2}, curve, "plants")[0][:47]
    'The model has 2 latent variables: sums of wavel'
    """
    chosen = int(summary["n_components"])
    outer = path[path["split"] == "outer"].set_index("n_components")["mean"]
    words = [
        f"The model has {counted(chosen, 'latent variable')}: sums of wavelengths, built one after "
        "the other to follow the classes. Too few miss what tells the classes apart; too many "
        f"learn the noise of single {unit_words}."
    ]
    words.append(
        "The number was chosen inside the training part: the held-out scans had no say in it."
    )
    if chosen in outer.index and len(outer):
        best = int(str(outer.idxmax()))
        words.append(
            f"With {chosen}, {format_percent(outer[chosen])} of the held-out scans are right"
            + (
                f"; the curve is highest at {best} ({format_percent(outer[best])})."
                if best != chosen
                else ", the highest of the curve."
            )
        )
    return words


def _weights_figure(
    tables: ClassTables, material: Material, figures: FigureSet, class_rows: list[dict[str, Any]]
) -> Figure | None:
    """Draw the weights of each class; ``None`` where no coefficients were recorded."""
    frame = tables.spectra_terms[tables.spectra_terms["term"] == "coefficient"].sort_values(
        "wavelength_nm", kind="stable"
    )
    if not len(frame):
        return None
    parts = {str(name): part for name, part in frame.groupby("class", sort=True)}
    order = [row["true"] for row in class_rows if row["true"] in parts]
    order += [name for name in parts if name not in order]
    weights = {
        name: Loading(
            parts[name]["value"].to_numpy(float), parts[name]["sd_resample"].to_numpy(float)
        )
        for name in order
    }
    confused = _confused_spectra(tables, material, class_rows)
    return figures.add_for_phones_too(
        lambda book: draw_class_weights(
            book,
            parts[order[0]]["wavelength_nm"].to_numpy(float),
            weights,
            confused,
            material.all_spectra.wavelength_nm,
            (_quantity(tables.summary), material.unit_words),
        )
    )


def _confused_spectra(
    tables: ClassTables, material: Material, class_rows: list[dict[str, Any]]
) -> MostConfused | None:
    """Return the spectra of the two classes most often taken for each other."""
    confused = most_confused(class_rows)
    if confused is None:
        return None
    first, second, n = confused
    class_of = dict(zip(tables.predictions["scan"], tables.predictions["true"], strict=True))
    rows = material.all_spectra.rows
    labels = np.array([class_of.get(scan, "") for scan in rows["scan"]], dtype=object)

    def summary_of(name: str) -> SpectrumSummary:
        chosen = np.flatnonzero(labels == name)
        part = rows.iloc[chosen]
        return summarise_spectra(
            material.all_spectra.reflectance[chosen], list(part["unit"]), list(part["leaf"])
        )

    pairs = tables.confused_pairs
    between = pairs[pairs["true"].isin([first, second]) & pairs["predicted"].isin([first, second])]
    wavelengths = sorted({float(x) for x in between["wavelength_nm"] if is_number(x)})
    return MostConfused(
        (first, second),
        n,
        (summary_of(first), summary_of(second)),
        tuple(wavelengths[:_MOST_PLACES]),
    )


_MOST_PLACES = 6


def _quantity(summary: Mapping[str, Any]) -> str:
    step = str(summary["preprocessing"]).replace("_", " ")
    return "reflectance" if step == "none" else f"reflectance after {step}"


def _n_words(predictions: pd.DataFrame, material: Material) -> str:
    scans = counted(predictions["scan"].nunique(), "scan")
    if not material.design.get("unit"):
        return f"n = {scans}."
    return f"n = {scans} of {counted(predictions['unit'].nunique(), material.unit_word)}."


def _as_chosen(tables: ClassTables, classes: list[str]) -> dict[str, Any] | None:
    """Return the confusion matrix of the whole procedure, with what each fold chose.

    Its share of scans right is the accuracy, so the page shows one figure for it.
    """
    predictions = tables.predictions
    if not len(predictions):
        return None
    repeats = predictions["repeat"].nunique()
    counts = (
        predictions.groupby(["true", "predicted"], sort=True).size().reset_index(name="n_scans")
    )
    counts["n_scans"] = counts["n_scans"] / repeats
    total = counts.groupby("true")["n_scans"].transform("sum")
    counts["share_of_true"] = counts["n_scans"] / total
    return _matrix(counts, classes)


def _matrix(part: pd.DataFrame, classes: list[str]) -> dict[str, Any]:
    counts = {(r["true"], r["predicted"]): float(r["n_scans"]) for r in part.to_dict("records")}
    shares = confusion_matrix(part, classes)
    rows = [
        {
            "true": true,
            "total": sum(counts.get((true, p), 0.0) for p in classes),
            "cells": [
                {
                    "share": float(shares[i, j]),
                    "n": counts.get((true, predicted), 0.0),
                    "tint": round(float(shares[i, j]), 2),
                    "right": i == j,
                }
                for j, predicted in enumerate(classes)
            ],
        }
        for i, true in enumerate(classes)
    ]
    right = sum(counts.get((c, c), 0.0) for c in classes)
    whole = all(n == round(n) for n in counts.values())
    return {
        "rows": rows,
        "right": right,
        "total": sum(counts.values()),
        "decimals": 0 if whole else 1,
    }


def _terms(
    tables: ClassTables, figures: FigureSet, chosen: int
) -> dict[str, Figure | InteractiveFigure | None]:
    terms = tables.spectra_terms.sort_values("wavelength_nm", kind="stable")
    importance = terms[terms["term"] == "vip"]
    by_component = terms[terms["term"] == "loading"].groupby("component", sort=True)
    loadings = {
        int(str(n)): Loading(part["value"].to_numpy(float), part["sd_resample"].to_numpy(float))
        for n, part in by_component
    }
    axis = importance["wavelength_nm"].to_numpy(float)
    vip = importance["value"].to_numpy(float)
    training = _training(tables, terms)
    return {
        "loadings_figure": draw_loadings(
            figures, axis, loadings, training, tables.summary.get("stable_components")
        ),
        "terms_interactive": figures.add_interactive(interactive_terms(tables, training)),
        "importance_figure": draw_importance(figures, axis, vip, chosen, training.n),
    }


def _training(tables: ClassTables, terms: pd.DataFrame) -> Training:
    """Return the training spectra in short, as the classifier saw them (after preprocessing)."""
    mean, sd, low, high = (
        terms.loc[terms["term"] == name, "value"].to_numpy(float) for name in _SPECTRA
    )
    return Training(
        mean,
        sd,
        low,
        high,
        n=tables.predictions["scan"].nunique(),
        quantity=_quantity(tables.summary),
    )


def rival_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return each procedure with its accuracy by repeat (folds pooled) and the mean, best first."""
    rows = []
    for name, part in frame.groupby("procedure", sort=True):
        pooled = part.groupby("repeat")[["n_correct", "n_scans"]].sum()
        accuracy = pooled["n_correct"] / pooled["n_scans"]
        rows.append(
            {
                "name": str(name).replace("_", " "),
                "by_repeat": [float(a) for a in accuracy],
                "mean": float(accuracy.mean()),
                "lowest": float(accuracy.min()),
                "highest": float(accuracy.max()),
            }
        )
    return sorted(rows, key=lambda r: (-r["mean"], r["name"]))

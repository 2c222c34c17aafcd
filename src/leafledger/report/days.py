"""Third part of the page: what happened over the days."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from leafledger.report.drawing import Book, Plate
from leafledger.report.further import BETWEEN, by_kind, family_view, further_tables, kept_rows
from leafledger.report.gather import Material
from leafledger.report.groups import contrast_words
from leafledger.report.index_figures import draw_courses, draw_effect_sizes
from leafledger.report.live import LiveView
from leafledger.report.live_courses import live_courses
from leafledger.report.live_difference import live_difference
from leafledger.report.live_spectra import live_spectra
from leafledger.report.numbers import (
    known,
    method_words,
    number,
    size_words,
    unit_suffix,
    verdict_words,
    with_interval,
)
from leafledger.report.spectra_figures import (
    disagreement_words,
    draw_difference,
    draw_groups,
    summaries_by_group,
)

if TYPE_CHECKING:
    import pandas as pd

_HEADLINES = ("difference_in_change", "difference", "change")
_METHODS = ("linear_model", "welch_t", "paired_t")
_REASONS = 3


def days(material: Material, book: Book) -> dict[str, Any]:
    """Return what the third part of the page shows."""
    words = contrast_words(material.days.sessions, material.groups.names, ["before", "mean_before"])
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
        **_spectra(material, book, spectra),
        "spectra_table": _spectra_table(spectra),
        **_courses(material, book),
        "group_means": group_rows(material),
        "onset": onset_sentences(material.effects_summary),
        "nothing": nothing_words(material.effects),
        "primary_words": primary_words(_primary(material.effects)),
        "judged_words": judged_words(material.effects),
        "primary": [effect_row(r, words) for r in _records(_primary(material.effects))],
        "headline": _headline(material, headline, contrasts, words),
        "n_tests": len(material.effects),
        **_tables(material.effects, words),
        "families": family_view(material.effects_summary),
        "sizes_plate": draw_effect_sizes(book, headline, contrasts, words, material.unit_words),
        "difference_plate": draw_difference(
            book, material.spectrum_effects, words, material.unit_words
        ),
        "difference_live": book.enliven(
            live_difference(material.spectrum_effects, words, material.unit_words)
        ),
        "difference_disagrees": disagreement_words(
            material.effects, material.spectrum_effects, words
        ),
        "has_reference": bool(
            headline["question"].isin({"difference_in_change", "difference"}).any()
        ),
    }


def _tables(effects: pd.DataFrame, words: dict[str, str]) -> dict[str, Any]:
    """Return the tests between sessions, and apart from them all others."""

    def shown(frame: pd.DataFrame) -> list[dict[str, Any]]:
        return [effect_row(r, words) for r in _records(frame)]

    tables = by_kind(effects)
    between, left = kept_rows(tables.get(BETWEEN, effects.iloc[:0]))
    return {
        "between": shown(between),
        "between_left": left,
        "further": further_tables(tables, shown),
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
    told = "; ".join(reasons[:_REASONS])
    more = f"; and {len(reasons) - _REASONS} more reasons" if len(reasons) > _REASONS else ""
    return "No effect could be tested" + (f": {told}{more}." if told else ".")


def judged_words(effects: pd.DataFrame) -> str:
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
    of = {(str(r["index"]), str(r["treatment"]), str(r["session"])): r for r in _records(frame)}
    there = set(frame["index"])
    indices = [i for i in material.catalogue if i in there]
    treatments = list(dict.fromkeys(str(t) for t in frame["treatment"]))
    return [
        {
            "index": index,
            "treatment": treatment,
            "unit": str(of[index, treatment, sessions[0]]["unit"]),
            "cells": [(session, of[index, treatment, session]) for session in sessions],
        }
        for index in indices
        for treatment in treatments
    ]


def onset_sentences(summary: Mapping[str, Any]) -> list[str]:
    """Return since when each primary difference is shown, one sentence each."""
    return [str(row["sentence"]) for row in summary.get("onset") or [] if row.get("sentence")]


def percent_words(row: Mapping[str, Any]) -> str:
    """Return an estimate as a percentage with its interval; nothing if there is none.

    Examples
    --------
    >>> percent_words({"percent_change": 12.34, "percent_low": 9.1, "percent_high": 15.42})
    '12.3\\xa0% (9.1 to 15.4)'
    """
    value, low, high = (row.get(f"percent_{end}") for end in ("change", "low", "high"))
    if not known(value):
        return ""
    shown, first, last = with_interval(value, low, high)
    if not (known(low) and known(high)):
        return f"{number(value, 2)}\N{NO-BREAK SPACE}%"
    return f"{shown}\N{NO-BREAK SPACE}% ({first} to {last})"


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


def _spectra(material: Material, book: Book, spectra: dict[str, Any]) -> dict[str, Any]:
    if not any(spectra.values()):
        return {"spectra_plate": None, "spectra_live": None}
    return {
        "spectra_plate": draw_groups(book, material, spectra),
        "spectra_live": book.enliven(live_spectra(material)),
    }


def _courses(material: Material, book: Book) -> dict[str, Plate | LiveView | None]:
    there = list(dict.fromkeys(material.unit_indices["index"]))
    shown = [i for i in material.catalogue if i in there] + [
        i for i in there if i not in material.catalogue
    ]
    if not shown:
        return {"primary_plate": None, "courses_plate": None, "courses_live": None}
    named = [i for i in _primary(material.effects)["index"] if i in there][:1]
    how = _how(material)
    lone = (
        draw_courses(book, material, named, "primary_index", f"{named[0]} {how}") if named else None
    )
    every = draw_courses(book, material, shown, "index_courses", f"All indices {how}")
    live = book.enliven(
        live_courses(material, shown, named[0] if named else None, f"One index {how}")
    )
    return {"primary_plate": lone, "courses_plate": every, "courses_live": live}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def step_words(contrast: str) -> str:
    """Return the words of a contrast that is none of two groups: a dose, or crossed factors.

    Examples
    --------
    >>> step_words("(d8-d0)/dose"), step_words("(d8-d0) treatment x cultivar")
    ('change d8-d0 per dose', 'change d8-d0: treatment x cultivar')
    >>> step_words("treatment x session")
    'treatment x session'
    """
    step, found, rest = contrast.removeprefix("(").partition(")")
    if not found:
        return contrast
    about = f"change {step}" if "-" in step else f"at {step}"
    return f"{about} per dose" if rest == "/dose" else f"{about}: {rest.strip()}"


def effect_row(row: dict[str, Any], words: dict[str, str]) -> dict[str, Any]:
    """Return one row of effects.csv with its numbers written out beside the raw ones."""
    value, low, high = with_interval(row["estimate"], row["ci_low"], row["ci_high"])
    interval = known(row["ci_low"]) and known(row["ci_high"])
    size, size_low, size_high = with_interval(
        row["effect_size"], row["effect_low"], row["effect_high"]
    )
    return {
        **row,
        "question_words": str(row["question"]).replace("_", " "),
        "method_words": method_words(str(row["method"])),
        "contrast_words": words.get(row["contrast"], step_words(str(row["contrast"]))),
        "shown": value,
        "has_estimate": known(row["estimate"]),
        "interval": f"{low} to {high}" if interval else "",
        "shown_low": low,
        "shown_high": high,
        "size": size,
        "size_low": size_low,
        "size_high": size_high,
        "size_words": size_words(str(row["effect_size_name"])),
        "suffix": unit_suffix(str(row["unit"])),
        "percent": percent_words(row),
        "percent_of": percent_of_what(str(row["question"])),
        "verdict_words": verdict_words(str(row["verdict"])),
    }


def _headline(
    material: Material, rows: pd.DataFrame, contrasts: list[str], words: dict[str, str]
) -> dict[str, Any]:
    """Lay the headline rows out as index by contrast."""
    cells = {(r["index"], r["contrast"]): effect_row(r, words) for r in _records(rows)}
    indices = list(dict.fromkeys(rows["index"]))
    first = next(iter(cells.values()), None)
    return {
        "contrasts": [words.get(c, c) for c in contrasts],
        "question": first["question_words"] if first else "",
        "method": first["method_words"] if first else "",
        "n_family": max((r["n_family"] for r in cells.values()), default=0),
        "level": first["ci_level"] if first else None,
        "rows": [
            {
                "index": index,
                "unit": str(material.catalogue.get(index, {}).get("unit", "1")),
                "cells": [cells.get((index, contrast)) for contrast in contrasts],
            }
            for index in indices
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

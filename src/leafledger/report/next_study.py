"""Where the variation lies, and what the next study could find."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.effects.words import counted, listed, plural
from leafledger.report.drawing import Book
from leafledger.report.gather import Material
from leafledger.report.next_figures import draw_detectable, draw_shares
from leafledger.report.numbers import fixed, known, unit_suffix

if TYPE_CHECKING:
    import pandas as pd

PARTS = ("unit", "unit_x_session", "leaf", "scan")
"""Components that shares are of, from the widest to the narrowest."""


def component_words(unit_word: str) -> dict[str, str]:
    """Return the components of variance in words.

    Examples
    --------
    >>> component_words("plant")["unit_x_session"]
    'plant by session'
    """
    return {
        "unit": f"between {plural(unit_word)}",
        "unit_x_session": f"{unit_word} by session",
        "leaf": f"between leaves of a {unit_word}",
        "scan": "between scans of a leaf",
        "session": "between sessions, in the control",
    }


def next_study(material: Material, book: Book) -> dict[str, Any]:
    """Return what the page says of variation and of the next study."""
    words = component_words(material.unit_word)
    order = _order(material)
    shares = share_rows(material.variance_components, order)
    power = material.power[material.power["n_units"].notna()]
    index = next((i for i in order if (power["index"] == i).any()), "")
    own = power[power["index"] == index]
    return {
        "parts": [(name, words[name]) for name in PARTS],
        "session_words": words["session"],
        "shares": shares,
        "remarks": remarks(material.variance_components, words),
        "shares_plate": draw_shares(book, shares, words, _n_words(material)) if shares else None,
        "index": index,
        "unit": unit_suffix(str(own["unit"].iloc[0])) if len(own) else "",
        "designs": design_rows(own),
        "designs_plate": draw_detectable(book, own, material.unit_word) if len(own) else None,
        "facts": _facts(own),
        "rests_on": design_remarks(own),
        "without": without_scatter(material.power),
        "others": _others(power, order),
    }


def _n_words(material: Material) -> str:
    n_scans = int(material.accepted["accepted"].astype(bool).sum())
    return f"n = {counted(len(material.units), material.unit_word)}, {counted(n_scans, 'scan')}."


def _order(material: Material) -> list[str]:
    """Return the indices, the primary one first, then as in the catalogue."""
    primary = material.effects.loc[material.effects["primary"].astype(bool), "index"]
    there = [*material.variance_components["index"], *material.power["index"]]
    named = dict.fromkeys([*primary, *material.catalogue, *there])
    return [str(i) for i in named if i in set(there)]


def share_rows(frame: pd.DataFrame, order: Sequence[str]) -> list[dict[str, Any]]:
    """Return for each index the share of every component, and the session's standard deviation."""
    of = {(str(r["index"]), str(r["component"])): r for r in frame.to_dict("records")}
    rows = []
    for index in order:
        parts = {name: of.get((index, name)) for name in PARTS}
        if not any(parts.values()):
            continue
        session = of.get((index, "session"))
        unit = next(str(p["unit"]) for p in [*parts.values(), session] if p is not None)
        rows.append(
            {
                "index": index,
                "unit": unit,
                "shares": {n: p["share"] if p is not None else None for n, p in parts.items()},
                "sds": {n: p["sd"] if p is not None else None for n, p in parts.items()},
                "session_sd": session["sd"] if session is not None else None,
            }
        )
    return rows


def remarks(frame: pd.DataFrame, words: Mapping[str, str]) -> list[str]:
    """Return what must be known of components, each once with the indices that it is said of."""
    told: dict[tuple[str, str], list[str]] = {}
    for row in frame.to_dict("records"):
        if row["reason"]:
            key = (str(row["component"]), str(row["reason"]))
            told.setdefault(key, []).append(str(row["index"]))
    n = frame["index"].nunique()
    return [
        f"{words.get(part, part)}: {why}"
        + ("." if len(indices) == n else f" ({', '.join(indices)}).")
        for (part, why), indices in told.items()
    ]


def design_rows(own: pd.DataFrame) -> dict[str, Any]:
    """Lay the detectable difference of one index out by units and leaves, at the fewest scans."""
    if not len(own):
        return {"leaves": [], "rows": [], "margin": None}
    few = own[own["n_scans"] == own["n_scans"].min()]
    leaves = sorted({int(n) for n in few["n_leaves"]})
    of = {(int(r["n_units"]), int(r["n_leaves"])): r for r in few.to_dict("records")}
    margin = own["margin"].iloc[0]
    return {
        "leaves": leaves,
        "scans": int(few["n_scans"].iloc[0]),
        "margin": float(margin) if known(margin) else None,
        "rows": [
            {"n": n, "cells": [of.get((n, k)) for k in leaves]}
            for n in sorted({int(n) for n in few["n_units"]})
        ],
    }


def design_remarks(own: pd.DataFrame) -> list[str]:
    """Return what must be known of the designs of one index, each once."""
    found = [part for text in own["reason"] if text for part in str(text).split("; ")]
    return [f"{text[:1].upper()}{text[1:]}." for text in dict.fromkeys(found)]


def without_scatter(power: pd.DataFrame) -> list[str]:
    """Return why there is no design for some indices: each reason once, with the indices."""
    found: dict[str, list[str]] = {}
    for row in power[power["n_units"].isna()].to_dict("records"):
        found.setdefault(str(row["reason"]), []).append(str(row["index"]))
    return [f"{listed(indices)}: no design, {why}." for why, indices in found.items()]


def _facts(own: pd.DataFrame) -> dict[str, Any]:
    if not len(own):
        return {}
    simulated = [float(v) for v in own["power_simulated"] if known(v)]
    span = ""
    if simulated:
        span = f"{fixed(min(simulated), 2)} to {fixed(max(simulated), 2)}"
    return {
        "alpha": own["alpha"].iloc[0],
        "power": own["power"].iloc[0],
        "simulated": span,
        "session": str(own["session"].iloc[0]),
        "covariates": str(own.sort_values("n_units")["covariates"].iloc[-1]),
        "sd_df": own["residual_df"].iloc[-1],
    }


def _others(power: pd.DataFrame, order: Sequence[str]) -> dict[str, Any]:
    """Lay all indices out by units, at a middle number of leaves and the fewest scans."""
    if not len(power):
        return {"rows": [], "units": [], "leaves": None}
    leaves = sorted({int(n) for n in power["n_leaves"]})
    middle = 3 if 3 in leaves else leaves[-1]
    few = power[(power["n_leaves"] == middle) & (power["n_scans"] == power["n_scans"].min())]
    units = sorted({int(n) for n in few["n_units"]})
    of = {(str(r["index"]), int(r["n_units"])): r for r in few.to_dict("records")}
    rows = []
    for index in order:
        cells = [of.get((index, n)) for n in units]
        first = next((c for c in cells if c is not None), None)
        if first is not None:
            rows.append({"index": index, "unit": str(first["unit"]), "cells": cells})
    return {"rows": rows, "units": units, "leaves": middle}

"""Shifts of whole sessions and effects of order, row by row, with what is missing said in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from leafledger.effects.words import listed
from leafledger.report.gather import Material
from leafledger.report.numbers import known, unit_suffix, with_interval

if TYPE_CHECKING:
    import pandas as pd

_GROUPS = {"white": "white references", "dark": "dark references", "check": "stable tile"}
_TERMS = {
    "order": "order of measuring, first leaf to last",
    "leaf_position": "position of the leaf",
    "white_signal": "white signal, first block to last",
    "dark_level": "dark level, first block to last",
}


def session_shifts(material: Material) -> dict[str, Any]:
    """Return what the page says of shifts of whole sessions."""
    frame = material.session_effects
    words = {**_GROUPS, "control": f"untreated {material.unit_words}"}
    there = list(dict.fromkeys(frame["group"].astype(str)))
    rows = [
        {**_row(row), "group": words.get(str(row["group"]), str(row["group"]))}
        for row in _records(frame)
    ]
    return {
        "rows": rows,
        "groups": listed([words.get(g, g) for g in there]) if there else "",
        "n_wavelengths": frame["wavelength_nm"].nunique(),
        "has_tile": "check" in there,
        "has_control": "control" in there,
        "relative": "white" in there,
        "verdict": _verdict(rows, "group"),
    }


def order_shifts(material: Material) -> dict[str, Any]:
    """Return what the page says of effects of order and position within sessions."""
    rows = [
        {**_row(row), "term": _term(str(row["term"]), str(row["position"]))}
        for row in _records(material.order_effects)
    ]
    return {"rows": rows, "verdict": _verdict(rows, "term")}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _term(term: str, position: str) -> str:
    told = _TERMS.get(term, term.replace("_", " "))
    return f"{told} ({position})" if position else told


def _row(row: dict[str, Any]) -> dict[str, Any]:
    # A change relative to a signal and a reflectance both have the unit 1; counts are named.
    shown, low, high = with_interval(row["estimate"], row["ci_low"], row["ci_high"])
    interval = known(row["ci_low"]) and known(row["ci_high"])
    return {
        **row,
        "shown": shown,
        "interval": f"{low} to {high}" if interval else "",
        "suffix": unit_suffix(str(row.get("unit") or "1")),
        "level": row["ci_level"] if interval else None,
        "reason": str(row.get("reason") or ""),
        "limits": _limits(row),
        "is_clear": known(row["p_holm"]) and row["p_holm"] < 1 - row["ci_level"],
    }


def _limits(row: dict[str, Any]) -> str:
    """Return the limits of the control chart, for the rows that have some."""
    if not (known(row.get("limit_low")) and known(row.get("limit_high"))):
        return ""
    _, low, high = with_interval(row["estimate"], row["limit_low"], row["limit_high"])
    return f"{low} to {high}"


def _verdict(rows: Sequence[dict[str, Any]], name: str) -> str:
    """Return what is clear after adjustment: group or term, with its sessions."""
    if not any(known(row["p_holm"]) for row in rows):
        return "None of it could be tested; the reasons stand in the table."
    found: dict[str, list[str]] = {}
    for row in rows:
        if row["is_clear"]:
            sessions = found.setdefault(row[name], [])
            if row["session"] not in sessions:
                sessions.append(str(row["session"]))
    if not found:
        return "Nothing that could be tested is clear after adjustment (p by Holm)."
    told = "; ".join(f"{what}: {', '.join(sessions)}" for what, sessions in found.items())
    return f"Clear after adjustment (p by Holm below the level): {told}."

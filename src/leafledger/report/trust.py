"""Second part of the page: what went in, what was left out and why, and how far to trust it?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.figures import FigureSet
from leafledger.report.flagged_scans import draw_flagged_scans
from leafledger.report.gather import Material, check_words, suites
from leafledger.report.numbers import format_interval, is_number, unit_suffix
from leafledger.report.reference_figures import draw_references, draw_signal
from leafledger.words import listed

if TYPE_CHECKING:
    import pandas as pd


# Shifts of whole sessions and effects of order, row by row, with what is missing said in words.
# ----------------------------------------------------------------------

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
    shown, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
    interval = is_number(row["ci_low"]) and is_number(row["ci_high"])
    return {
        **row,
        "shown": shown,
        "interval": f"{low} to {high}" if interval else "",
        "suffix": unit_suffix(str(row.get("unit") or "1")),
        "level": row["ci_level"] if interval else None,
        "reason": str(row.get("reason") or ""),
        "limits": _limits(row),
        "is_clear": is_number(row["p_holm"]) and row["p_holm"] < 1 - row["ci_level"],
    }


def _limits(row: dict[str, Any]) -> str:
    """Return the limits of the control chart, for the rows that have some."""
    if not (is_number(row.get("limit_low")) and is_number(row.get("limit_high"))):
        return ""
    _, low, high = format_interval(row["estimate"], row["limit_low"], row["limit_high"])
    return f"{low} to {high}"


def _verdict(rows: Sequence[dict[str, Any]], name: str) -> str:
    """Return what is clear after adjustment: group or term, with its sessions."""
    if not any(is_number(row["p_holm"]) for row in rows):
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


# Second part of the page: what went in, what was left out and why, and how far to trust it.
# ----------------------------------------------------------------------

_FORMS = {
    "text": "text",
    "wide_table": "wide table",
    "jcamp_dx": "JCAMP-DX",
    "parquet": "Parquet",
    "spreadsheet": "workbook (.xlsx)",
}
_ROLES = ("sample", "white", "dark", "lamp", "ambient", "check")


def trust_part(material: Material, book: FigureSet) -> dict[str, Any]:
    """Return what the second part of the page shows."""
    fault_plate, replicate_plate = draw_flagged_scans(book, material)
    return {
        "sessions": [_session(material, row) for row in material.design["sessions"]],
        "roles": _roles(material),
        "units": _units(material),
        "unit_columns": _unit_columns(material),
        "unit_cells": _cells(material),
        "exclusions": _exclusions(material),
        "flags": _flags(material),
        "range": _range(material),
        "signal": _signal(material),
        "signal_plate": draw_signal(book, material, _threshold(material)),
        "fault_plate": fault_plate,
        "replicate_plate": replicate_plate,
        "reference_plates": [draw_references(book, material, role) for role in ("white", "dark")],
        "unknown_u": [
            s for s, t in material.reflectance.items() if t.metadata.get("u") == "unknown"
        ],
        "without_references": [
            s
            for s, t in material.reflectance.items()
            if t.metadata.get("has_references") is False
            or material.scans[s].metadata.get("quantity") == "reflectance"
        ],
        "shifts": session_shifts(material),
        "orders": order_shifts(material),
        "suites": suites(material.validation),
    }


def _roles(material: Material) -> list[str]:
    there = {role for table in material.scans.values() for role in table.rows["role"]}
    return [role for role in _ROLES if role in there]


def _session(material: Material, row: Mapping[str, Any]) -> dict[str, Any]:
    name = str(row["session"])
    table = material.scans[name]
    rows = table.rows
    accepted = material.accepted[material.accepted["session"] == name]
    integration = rows["integration_ms"].to_numpy(dtype=float)
    integration = integration[np.isfinite(integration)]
    record = material.records.get(f"intake.{name}", {})
    form = record.get("settings", {}).get("form", {}) if isinstance(record, Mapping) else {}
    return {
        "session": name,
        "date": row.get("date") or "",
        "phase": row.get("phase") or "",
        "form": form_words(str(form.get("form") or "")),
        "quantity": str(table.metadata.get("quantity", "")),
        "n_files": rows["file"].nunique(),
        "by_role": {str(k): int(v) for k, v in rows["role"].astype(str).value_counts().items()},
        "n_units": accepted["unit"].nunique(),
        "n_samples": len(accepted),
        "n_excluded": int((~accepted["accepted"].astype(bool)).sum()),
        "n_wavelengths": len(table.wavelength_nm),
        "from_nm": float(table.wavelength_nm[0]),
        "to_nm": float(table.wavelength_nm[-1]),
        "integration": [float(integration.min()), float(integration.max())]
        if len(integration)
        else [],
    }


def form_words(form: str) -> str:
    """Return the form of the files in words; one that is new here, without its underscores.

    Examples
    --------
    >>> form_words("spreadsheet"), form_words("new_form")
    ('workbook (.xlsx)', 'new form')
    """
    return _FORMS.get(form, form.replace("_", " "))


def _unit_columns(material: Material) -> list[str]:
    design = material.design
    first = [design.get("treatment"), design.get("block"), *(design.get("factors") or [])]
    there = {name for row in material.units.values() for name in row}
    ordered = [name for name in dict.fromkeys(first) if name in there]
    return ordered + sorted(there - set(ordered))


def _units(material: Material) -> list[dict[str, Any]]:
    grouped = material.accepted.groupby("unit")["accepted"]
    total, kept = grouped.size(), grouped.sum()
    return [
        {
            "unit": unit,
            "labels": dict(labels),
            "n_scans": int(total.get(unit, 0)),
            "n_accepted": int(kept.get(unit, 0)),
        }
        for unit, labels in sorted(material.units.items())
    ]


def _cells(material: Material) -> list[dict[str, Any]]:
    """Count units by treatment and block."""
    block = str(material.design.get("block") or "")
    blocks = sorted({row.get(block, "") for row in material.units.values()}) if block else []
    cells = []
    for name in material.groups.names:
        members = [u for u, g in material.groups.of_unit.items() if g == name]
        counts = [sum(material.units[u].get(block, "") == b for u in members) for b in blocks]
        cells.append(
            {
                "group": name,
                "control": name == material.groups.control,
                "n": len(members),
                "blocks": list(zip(blocks, counts, strict=True)),
            }
        )
    return cells


def _exclusions(material: Material) -> dict[str, Any]:
    accepted = material.accepted
    out = accepted[~accepted["accepted"].astype(bool)]
    rows = [
        {**row, "words": check_words(str(row["rule"]))}
        for row in material.exclusions.to_dict("records")
    ]
    rules: dict[str, dict[str, Any]] = {}
    for row in rows:
        rule = rules.setdefault(
            str(row["rule"]), {**_check(row["rule"], "rule"), "out": [], "kept": []}
        )
        rule["out" if row["applied"] == "exclude" else "kept"].append(row["scan"])
    return {
        "n_out": len(out),
        "n": len(accepted),
        "rules": [rules[name] for name in sorted(rules)],
        "rows": rows,
        "decided": [row for row in rows if row["rule"] == "decision"],
    }


def _check(name: Any, key: str) -> dict[str, str]:
    """Return a check in words, and under ``key`` the name that the tables and settings hold."""
    return {key: str(name), "words": check_words(str(name))}


def _flags(material: Material) -> list[dict[str, Any]]:
    """Count flagged scans by check and severity over the sessions, with one example each."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for session, frame in material.quality.items():
        for row in frame.to_dict("records"):
            key = (str(row["severity"]), str(row["check"]))
            entry = found.setdefault(
                key,
                {
                    **_check(key[1], "check"),
                    "severity": key[0],
                    "scans": set(),
                    "sessions": [],
                    "example": str(row["sentence"]),
                },
            )
            entry["scans"].add(row["scan"])
            if session not in entry["sessions"]:
                entry["sessions"].append(session)
    order = {"fault": 0, "outlier": 1, "notice": 2}
    keys = sorted(found, key=lambda k: (order.get(k[0], 3), k[1]))
    return [{**found[k], "n": len(found[k]["scans"])} for k in keys]


def _range(material: Material) -> dict[str, Any]:
    told = material.trusted
    return {
        "start": told["start_nm"],
        "stop": told["stop_nm"],
        "rule": told.get("rule", ""),
        "why": _sentence(str(told.get("why") or "")),
        "margin": told.get("margin_nm"),
    }


def _sentence(text: str) -> str:
    """Return text that begins with a capital and ends in a full stop; nothing for nothing."""
    return text[:1].upper() + text[1:].removesuffix(".") + "." if text else ""


def _threshold(material: Material) -> float | None:
    settings = material.records.get("acceptance", {}).get("settings", {})
    asked = settings.get("range", {}).get("signal_to_noise") if isinstance(settings, dict) else None
    return float(asked) if asked else None


def _signal(material: Material) -> list[dict[str, Any]]:
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    rows = []
    for session, frame in material.signal.items():
        inside = _inside(frame, start, stop)
        if len(inside):
            ratio = inside["signal_to_noise"].to_numpy(dtype=float)
            at = inside["wavelength_nm"].to_numpy(dtype=float)
            rows.append(
                {
                    "session": session,
                    "median": float(np.median(ratio)),
                    "worst": float(ratio.min()),
                    "worst_nm": float(at[ratio.argmin()]),
                    "n_references": int(inside["n_references"].max()),
                }
            )
    return rows


def _inside(frame: pd.DataFrame, start: float, stop: float) -> pd.DataFrame:
    at = frame["wavelength_nm"].to_numpy(dtype=float)
    known = np.isfinite(frame["signal_to_noise"].to_numpy(dtype=float))
    inside: pd.DataFrame = frame.loc[(at >= start) & (at <= stop) & known]
    return inside

"""Can the data be trusted: what went in, what was left out and why, did sessions shift?

The second part of the page: sessions, units, exclusions, flags, references over time, trusted
range, session and order effects, and the expectations that the tables meet.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.figures import (
    FAINT,
    INK,
    NOT_TESTED,
    RULE,
    Figure,
    FigureSet,
    Look,
    legend_label,
    looks,
    new_figure,
    thinning,
)
from leafledger.report.gather import Material, check_words
from leafledger.report.numbers import (
    estimate_view,
    format_count,
    format_interval,
    format_number,
    is_number,
    table_rows,
)
from leafledger.report.trust_figures import draw_flagged_scans, draw_references
from leafledger.words import counted, listed

if TYPE_CHECKING:
    import pandas as pd


# Shifts of whole sessions and effects of order.
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
    groups = list(dict.fromkeys(frame["group"].astype(str)))
    rows = [
        {**_shift_row(row), "group": words.get(str(row["group"]), str(row["group"]))}
        for row in table_rows(frame)
    ]
    return {
        "rows": rows,
        "groups": listed([words.get(group, group) for group in groups]) if groups else "",
        "n_wavelengths": frame["wavelength_nm"].nunique(),
        "has_tile": "check" in groups,
        "has_control": "control" in groups,
        "relative": "white" in groups,
        "verdict": _clear_shifts(rows, "group"),
    }


def order_shifts(material: Material) -> dict[str, Any]:
    """Return what the page says of effects of order and position within sessions."""
    rows = []
    for row in table_rows(material.order_effects):
        term, position = str(row["term"]), str(row["position"])
        words = _TERMS.get(term, term.replace("_", " ")) + (f" ({position})" if position else "")
        rows.append({**_shift_row(row), "term": words})
    return {"rows": rows, "verdict": _clear_shifts(rows, "term")}


def _shift_row(row: dict[str, Any]) -> dict[str, Any]:
    # A change relative to a signal and a reflectance both have the unit 1; counts are named.
    view = estimate_view(row)
    limits = ""
    if is_number(row.get("limit_low")) and is_number(row.get("limit_high")):
        # Limits of the control chart.
        limits = " to ".join(
            format_interval(row["estimate"], row["limit_low"], row["limit_high"])[1:]
        )
    return {
        **row,
        **view,
        "level": row["ci_level"] if view["interval"] else None,
        "reason": str(row.get("reason") or ""),
        "limits": limits,
        "is_clear": is_number(row["p_holm"]) and row["p_holm"] < 1 - row["ci_level"],
    }


def _clear_shifts(rows: Sequence[dict[str, Any]], name: str) -> str:
    """Return what is clear after adjustment: group or term, with its sessions."""
    if not any(is_number(row["p_holm"]) for row in rows):
        return "None of it could be tested; the reasons stand in the table."
    clear: dict[str, list[str]] = {}
    for row in rows:
        if row["is_clear"]:
            clear.setdefault(row[name], []).append(str(row["session"]))
    if not clear:
        return "Nothing that could be tested is clear after adjustment (p by Holm)."
    words = "; ".join(
        f"{what}: {', '.join(dict.fromkeys(sessions))}" for what, sessions in clear.items()
    )
    return f"Clear after adjustment (p by Holm below the level): {words}."


# The verdict on the data, for the first screen.
# ----------------------------------------------------------------------

_MEASURING = frozenset(
    {"intake", "reflectance", "quality", "acceptance", "trusted range", "indices"}
)
"""Rules whose warnings are on the measurement, and not on what is concluded from it."""
_MANY_OUT = 0.2
"""Share of scans left out from which the verdict says so first (the project's own)."""


def data_verdict(
    warnings: Sequence[Mapping[str, str]], exclusions: Mapping[str, Any]
) -> dict[str, Any]:
    """Return how far the data can be trusted: a word, how many scans took part, what to heed.

    Parameters
    ----------
    warnings
        From :func:`leafledger.report.gather.warnings_of`: rule, text, sessions.
    exclusions
        ``n`` and ``n_out``: leaf scans, and those left out.

    Examples
    --------
    >>> dark = {"rule": "reflectance", "text": "Dark 5 is off. Look at it.", "sessions": "d1"}
    >>> verdict = data_verdict([dark, {**dark, "rule": "effects"}], {"n": 10, "n_out": 1})
    >>> verdict["word"], verdict["heed"], verdict["others"]
    ('To heed', ['dark 5 is off (d1)'], 1)
    >>> [data_verdict([], {"n": 9, "n_out": out})["word"] for out in (0, 1, 2)]
    ['Good', 'Good', 'Doubtful']
    """
    n, n_out = int(exclusions["n"]), int(exclusions["n_out"])
    measuring = [w for w in warnings if w["rule"] in _MEASURING]
    # What concerns whole sessions stands before what concerns one reference or scan.
    measuring.sort(key=lambda warning: warning["rule"] != "acceptance")
    heed = [_in_short(measuring[0])] if measuring else []
    scans_words = f"{format_count(n - n_out)} of {format_count(n)} leaf scans took part."
    if n and n_out >= _MANY_OUT * n:
        heed.insert(0, f"{round(100 * n_out / n)} % of the leaf scans had to be left out")
        return {
            "word": "Doubtful",
            "heed": heed,
            "scans": scans_words,
            "others": len(warnings) - len(heed) + 1,
        }
    word = "To heed" if measuring else "Good"
    return {"word": word, "heed": heed, "scans": scans_words, "others": len(warnings) - len(heed)}


def _in_short(warning: Mapping[str, str]) -> str:
    """Return the first words of a warning, up to a parenthesis or stop, and its sessions."""
    text, sessions = warning["text"], warning["sessions"]
    if of_session := re.match(r"Session (\S+): (.*)", text, re.DOTALL):
        sessions, text = of_session.groups()
    text = re.split(r" \(|; |\. ", text.rstrip("."))[0]
    if text[1:2].islower():
        text = text[0].lower() + text[1:]
    return f"{text} ({sessions})" if sessions and sessions not in text else text


# Sessions, units, exclusions, range and signal.
# ----------------------------------------------------------------------

_FORMS = {
    "text": "text",
    "wide_table": "wide table",
    "jcamp_dx": "JCAMP-DX",
    "parquet": "Parquet",
    "spreadsheet": "workbook (.xlsx)",
}
_ROLES = ("sample", "white", "dark", "lamp", "ambient", "check")


def trust_part(material: Material, figures: FigureSet) -> dict[str, Any]:
    """Return what the second part of the page shows."""
    faults, outliers = draw_flagged_scans(figures, material)
    present = {role for table in material.scans.values() for role in table.rows["role"]}
    settings = material.records.get("acceptance", {}).get("settings", {})
    required = settings.get("range", {}).get("signal_to_noise")
    return {
        "sessions": [_session(material, row) for row in material.design["sessions"]],
        "roles": [role for role in _ROLES if role in present],
        "units": _units(material),
        "unit_columns": _unit_columns(material),
        "unit_cells": _cells(material),
        "exclusions": _exclusions(material),
        "flags": _flags(material),
        "range": _range(material),
        "signal": _signal(material),
        "signal_figure": draw_signal(figures, material, float(required) if required else None),
        "fault_figure": faults,
        "replicate_figure": outliers,
        "reference_figures": [
            draw_references(figures, material, role) for role in ("white", "dark")
        ],
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
    labels = {name for row in material.units.values() for name in row}
    ordered = [name for name in dict.fromkeys(first) if name in labels]
    return ordered + sorted(labels - set(ordered))


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
    accepted = material.accepted["accepted"].astype(bool)
    rows = [
        {**row, "words": check_words(str(row["rule"]))} for row in table_rows(material.exclusions)
    ]
    rules: dict[str, dict[str, Any]] = {}
    for row in rows:
        name = str(row["rule"])
        rule = rules.setdefault(name, {"rule": name, "words": row["words"], "out": [], "kept": []})
        rule["out" if row["applied"] == "exclude" else "kept"].append(row["scan"])
    return {
        "n_out": int((~accepted).sum()),
        "n": len(accepted),
        "rules": [rules[name] for name in sorted(rules)],
        "rows": rows,
    }


def _flags(material: Material) -> list[dict[str, Any]]:
    """Count flagged scans by check and severity over the sessions, with one example each."""
    entries: dict[tuple[str, str], dict[str, Any]] = {}
    for session, frame in material.by_session["quality"].items():
        for row in table_rows(frame):
            severity, check = str(row["severity"]), str(row["check"])
            entry = entries.setdefault(
                (severity, check),
                {
                    "check": check,
                    "words": check_words(check),
                    "severity": severity,
                    "scans": set(),
                    "sessions": [],
                    "example": str(row["sentence"]),
                },
            )
            entry["scans"].add(row["scan"])
            if session not in entry["sessions"]:
                entry["sessions"].append(session)
    order = {"fault": 0, "outlier": 1, "notice": 2}
    keys = sorted(entries, key=lambda k: (order.get(k[0], 3), k[1]))
    return [{**entries[k], "n": len(entries[k]["scans"])} for k in keys]


def _range(material: Material) -> dict[str, Any]:
    why = str(material.trusted.get("why") or "")
    return {
        "start": material.trusted["start_nm"],
        "stop": material.trusted["stop_nm"],
        "why": why[:1].upper() + why[1:].removesuffix(".") + "." if why else "",
    }


def _signal(material: Material) -> list[dict[str, Any]]:
    """Return median and lowest signal-to-noise ratio of each session inside the trusted range."""
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    rows = []
    for session, frame in material.by_session["signal"].items():
        wavelength = frame["wavelength_nm"].to_numpy(dtype=float)
        ratio = frame["signal_to_noise"].to_numpy(dtype=float)
        inside = (wavelength >= start) & (wavelength <= stop) & np.isfinite(ratio)
        if inside.any():
            lowest = np.flatnonzero(inside)[ratio[inside].argmin()]
            rows.append(
                {
                    "session": session,
                    "median": float(np.median(ratio[inside])),
                    "worst": float(ratio[lowest]),
                    "worst_nm": float(wavelength[lowest]),
                    "n_references": int(frame["n_references"].to_numpy()[inside].max()),
                }
            )
    return rows


# Signal-to-noise ratio of the white references.
# ----------------------------------------------------------------------

_MOST_NAMED = 12
"""Sessions with a line of their own; more would not be told apart."""


def draw_signal(figures: FigureSet, material: Material, threshold: float | None) -> Figure | None:
    """Draw the signal-to-noise ratio of the white references against wavelength."""
    signal = {s: frame for s, frame in material.by_session["signal"].items() if len(frame)}
    if not signal:
        return None
    figure = new_figure(7.2, 3.0)
    axis = figure.subplots()
    start, stop = material.trusted["start_nm"], material.trusted["stop_nm"]
    named = _named_sessions(material, list(signal))
    look = looks(named)
    for session, frame in signal.items():
        if session not in look:
            _draw_ratio(axis, frame, Look(FAINT, "", "-", ""), None)
    for session in named:
        _draw_ratio(axis, signal[session], look[session], legend_label(session))
    axis.axvspan(start, stop, color=RULE, alpha=0.45, linewidth=0, zorder=0)
    axis.annotate("trusted range", ((start + stop) / 2, 0.03), xycoords=("data", "axes fraction"),
                  ha="center", color=FAINT, fontsize=8)  # fmt: skip
    if threshold:
        axis.axhline(threshold, color=INK, linewidth=0.8, linestyle=(0, (2, 2)))
    _plain_log(axis)
    axis.set_xlabel("wavelength (nm)")
    axis.set_ylabel("signal-to-noise ratio")
    figure.legend(
        *axis.get_legend_handles_labels(), loc="outside upper left", ncols=min(5, len(named))
    )
    return figures.add(
        figure,
        "signal_to_noise",
        "Signal-to-noise ratio of the white references",
        f"Signal-to-noise ratio against wavelength for {counted(len(signal), 'session')} on a "
        f"logarithmic scale; the trusted range from {start:g} to {stop:g} nm is shaded.",
        _signal_caption(signal, named, threshold),
    )


def _named_sessions(material: Material, sessions: Sequence[str]) -> list[str]:
    """Return the sessions with a line of their own; with many, only the one that sets the limit."""
    if len(sessions) <= _MOST_NAMED:
        return list(sessions)
    limiting = str(material.trusted.get("limiting_session") or "")
    return [limiting] if limiting in sessions else [sessions[0]]


def _signal_caption(
    signal: Mapping[str, pd.DataFrame], named: Sequence[str], threshold: float | None
) -> str:
    limit = f" Dotted line: the {format_number(threshold)} that was asked for." if threshold else ""
    lines = "One line per session"
    if len(named) < len(signal):
        lines += f"; {named[0]} by name, the other {len(signal) - 1} in grey"
    whites = [int(f["n_references"].max()) for f in signal.values()]
    n = ", ".join(f"{s} {k}" for s, k in zip(signal, whites, strict=True))
    if len(named) < len(signal):
        n = f"{min(whites)} to {max(whites)} a session"
    return (
        f"{lines}. Number of white references: {n}.{limit} Shaded: the trusted range. The scale is "
        "logarithmic. A dark leaf has a lower ratio than the white panel. No error bars: each "
        f"ratio is a single number.{NOT_TESTED}"
    )


def _draw_ratio(axis: Any, frame: pd.DataFrame, look: Look, label: str | None) -> None:
    x, y = frame["wavelength_nm"].to_numpy(float), frame["signal_to_noise"].to_numpy(float)
    step = thinning(x, 400)
    good = np.isfinite(y[step]) & (y[step] > 0)
    axis.plot(
        x[step][good],
        y[step][good],
        color=look.colour,
        linestyle=look.dashes,
        linewidth=1 if label else 0.5,
        label=label,
    )


def _plain_log(axis: Any) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axis.set_yscale("log")
    axis.yaxis.set_major_locator(LogLocator(subs=(1, 2, 5), numticks=8))
    axis.yaxis.set_major_formatter(FuncFormatter(_plain_number))
    axis.yaxis.set_minor_formatter(NullFormatter())


def _plain_number(value: float, _place: int | None) -> str:
    return f"{value:g}"


# Results of the expectation suites, one line per expectation.
# ----------------------------------------------------------------------

_PLACES_SHOWN = 10
_OF_AN_INDEX = "bounds_"
"""How the expectations begin that hold for the values of one index."""


def suites(validation: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the suites in the order of the data, each with its expectations.

    Parameters
    ----------
    validation
        Part (scans, reflectance, indices) -> content of its JSON file.
    """
    return [_suite(part, content["expectations"]) for part, content in validation.items()]


def _suite(part: str, listed: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    return {
        "part": part,
        "severity": listed[0]["severity"] if listed else "",
        "rows": [
            {
                "said": _said(row),
                "column": row["column"],
                "passed": row["success"],
                "found": row["observed"],
                "where": _places(row["unexpected"]),
            }
            for row in listed
        ],
        "n_failed": sum(not row["success"] for row in listed),
    }


def _said(row: Mapping[str, Any]) -> str:
    """Return what was expected; of one index among many, with its name.

    Examples
    --------
    >>> _said({"name": "bounds_NDVI", "expected": "-1 to 1"}), _said({"expected": "every scan"})
    ('NDVI: -1 to 1', 'every scan')
    """
    name = str(row.get("name", ""))
    expected = str(row["expected"]).replace("_", " ")
    return (
        f"{name.removeprefix(_OF_AN_INDEX)}: {expected}"
        if name.startswith(_OF_AN_INDEX)
        else expected
    )


def _places(places: Sequence[str]) -> str:
    text = ", ".join(places[:_PLACES_SHOWN])
    more = len(places) - _PLACES_SHOWN
    return f"{text} and {more} more" if more > 0 else text

"""What does the page say of a study that is not complete, and what did persons note in the field?

While sessions are to come the page shows what waits, whether the arms were alike before the
treatment, and what the plan can detect. Of every study it shows notes, weather and light, and the
scans that the sheet leaves out. A study that is complete and without notes has none of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from leafledger.report.figures import (
    FAINT,
    INK,
    NOT_TESTED,
    Figure,
    FigureSet,
    and_more,
    index_axis,
    looks,
    new_figure,
)
from leafledger.report.gather import Material
from leafledger.report.numbers import is_number, short, unit_suffix
from leafledger.words import plural

_MOST = 30
_NOTABLE = 0.25
"""Standardised differences between the dotted lines of the figure are common by chance alone."""

# The balance of the arms before the treatment, as a figure.
# ----------------------------------------------------------------------


def draw_balance(
    figures: FigureSet, rows: Sequence[Mapping[str, Any]], unit_word: str
) -> Figure | None:
    """Draw the standardised difference of every index before the treatment, a symbol per treatment.

    Parameters
    ----------
    figures
        Where the figure is kept.
    rows
        Rows of the balance, as the summary of the effects has them.
    unit_word
        Word for the experimental unit.
    """
    drawn = [row for row in rows if is_number(row["standardised_difference"])]
    if not drawn:
        return None
    indices = list(dict.fromkeys(str(row["index"]) for row in drawn))[:_MOST]
    named = list(dict.fromkeys(_against(row) for row in drawn))
    look = looks(named)
    figure = new_figure(6.4, 0.26 * len(indices) + 1.25)
    axis = figure.subplots()
    axis.axvline(0, color=INK, linewidth=0.8)
    for edge in (-_NOTABLE, _NOTABLE):
        axis.axvline(edge, color=FAINT, linewidth=0.8, linestyle=(0, (1, 2)))
    for name in named:
        own = [row for row in drawn if _against(row) == name and str(row["index"]) in indices]
        axis.plot(
            [float(row["standardised_difference"]) for row in own],
            [indices.index(str(row["index"])) for row in own],
            linestyle="none",
            color=look[name].colour,
            marker=look[name].marker,
            markersize=5,
            label=short(name, 40),
        )
    reach = max(1.0, *(1.1 * abs(float(row["standardised_difference"])) for row in drawn))
    axis.set_xlim(-reach, reach)
    index_axis(axis, [short(name, 24) for name in indices])
    axis.set_xlabel("standardised difference before the treatment")
    figure.legend(loc="outside upper left", ncols=2)
    sizes = sorted({int(row["n_units"]) for row in drawn})
    n = f"{sizes[0]}" if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    left = len({str(row["index"]) for row in drawn}) - len(indices)
    return figures.add(
        figure,
        "balance",
        "Were the treatments alike before?",
        f"Standardised difference of {len(indices)} indices before the treatment, a symbol for "
        f"each of {len(named)} comparisons.",
        "Difference of the means before the treatment over the standard deviation between "
        f"{plural(unit_word)} (root of the mean of both variances). n = {n} {plural(unit_word)} in "
        "each treatment. Dotted: a quarter of a standard deviation either way. Units were allotted "
        "before anything could act, so that a difference is chance or the allotment: it is "
        f"described, and has no error bar.{NOT_TESTED}" + and_more(left, "the table"),
    )


def _against(row: Mapping[str, Any]) -> str:
    return f"{row['treatment']} against {row['reference']}"


# The parts of the page.
# ----------------------------------------------------------------------


def unfinished_part(material: Material, figures: FigureSet) -> dict[str, Any] | None:
    """Return what the page shows while sessions are to come or treatments not allocated.

    ``None`` of a study that is complete.
    """
    found = material.effects_summary.get("unfinished")
    if not found:
        return None
    primary = {str(row["index"]) for row in material.effects_summary.get("primary") or []}
    balance = sorted(found.get("balance") or [], key=lambda row: row["index"] not in primary)
    return {
        "sessions": [
            {**row, "state": row["why"] or "measured"} for row in found.get("sessions") or []
        ],
        "said": list(found.get("said") or []),
        "no_classes": material.no_classes,
        "balance": [_with_suffix(row) for row in balance],
        "balance_figure": draw_balance(figures, balance, material.unit_word),
        "detectable": [_with_suffix(row) for row in found.get("detectable") or []],
        "detectable_said": list(found.get("detectable_said") or []),
    }


def _with_suffix(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "suffix": unit_suffix(str(row.get("unit") or "1"))}


def field_notes_part(material: Material) -> dict[str, Any] | None:
    """Return what persons noted of sessions and scans, and which scans the sheet leaves out.

    ``None`` if there is nothing of the kind.
    """
    notes, omitted = material.field_notes, material.omitted
    if not notes and not omitted:
        return None
    reasons: dict[str, list[str]] = {}
    for row in omitted:
        reasons.setdefault(str(row["reason"]), []).append(str(row["scan"]))
    return {
        "sessions": [
            {
                "session": session,
                "weather": notes_of_session.get("weather", ""),
                "light": notes_of_session.get("light", ""),
            }
            for session, notes_of_session in (notes.get("sessions") or {}).items()
        ],
        "scans": [
            {
                "scan": scan,
                "session": noted["session"],
                "note": noted.get("note", ""),
                "photo": noted.get("photo", ""),
            }
            for scan, noted in (notes.get("scans") or {}).items()
        ],
        "omitted": [dict(row) for row in omitted],
        "reasons": [
            {"reason": reason, "scans": scans, "n": len(scans)} for reason, scans in reasons.items()
        ],
    }


Table = tuple[str, str, list[str], Sequence[Mapping[str, Any]]]


def tables_of(
    unfinished: Mapping[str, Any] | None, notes: Mapping[str, Any] | None
) -> Iterator[Table]:
    """Yield the tables of these parts that can be saved: name, part, columns, rows."""
    if unfinished is not None:
        heads = ["index", "unit", "treatment", "n_units", "mean", "sd", "reference", "difference"]
        yield "balance", "found", [*heads, "standardised_difference"], unfinished["balance"]
        rows = [
            {**row, **dict(zip(_CORRELATED, row["detectable"], strict=True))}
            for row in unfinished["detectable"]
        ]
        heads = ["index", "unit", "level", "reference", "n_units", "n_units_reference", "mean"]
        heads += ["sd", "df_sd", "alpha", "power", *_CORRELATED]
        yield "detectable_before", "found", heads, rows
    if notes is not None:
        yield "field_notes", "went-in", ["scan", "session", "note", "photo"], notes["scans"]
        heads = ["session", "weather", "light"]
        yield "field_notes_of_sessions", "went-in", heads, notes["sessions"]
        heads = ["scan", "session", "role", "reason"]
        yield "omitted_scans", "left-out", heads, notes["omitted"]


_CORRELATED = tuple(f"detectable_at_correlation_{r}" for r in ("0", "0.5", "0.8"))

"""One index at a time over the sessions: groups with intervals, and every unit by name."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from leafledger.report.gather import Material
from leafledger.report.index_figures import course_of, course_spreads, error_bar_words
from leafledger.report.lettering import plain
from leafledger.report.live import LiveView, drawn_looks, row, significant


def live_courses(
    material: Material, indices: Sequence[str], first: str | None, title: str
) -> LiveView:
    """Return unit values and group means of the indices.

    Parameters
    ----------
    indices
        Which, in the order of display.
    first
        The index shown first, one of ``indices``; the first of them if ``None``.
    title
        Heading, plain text.
    """
    groups, days = material.groups, material.days
    units = {n: [u for u in groups.of_unit if groups.of_unit[u] == n] for n in groups.names}
    frames = dict(tuple(material.unit_indices.groupby("index", sort=False)))
    values = {
        "sessions": list(days.sessions),
        "positions": list(days.positions),
        "dated": days.label != "session",
        "axis": plain(days.label),
        "groups": list(groups.names),
        "looks": drawn_looks(groups.names),
        "units": [[plain(u) for u in units[n]] for n in groups.names],
        "unit_word": material.unit_word,
        "bars": "95 % interval" if material.design.get("unit") else "SD",
        "first": list(indices).index(first) if first is not None else 0,
        "indices": [
            {
                "index": index,
                "unit": str(material.catalogue.get(index, {}).get("unit", "1")),
                "groups": [_course(material, frames[index], units[n]) for n in groups.names],
            }
            for index in indices
        ],
    }
    return LiveView("courses", title, _caption(material), values)


def _course(material: Material, frame: Any, units: Sequence[str]) -> dict[str, Any]:
    lines, means = course_of(frame, material.days.sessions, units)
    stated = material.design.get("unit") is not None
    half = [m.half if m else None for m in means] if stated else course_spreads(lines)
    return {
        "units": [row(line) for line in lines],
        "mean": [significant(m.mean) if m else None for m in means],
        "half": row(half),
        "n": [int(n) for n in np.isfinite(lines).sum(axis=0)],
    }


def _caption(material: Material) -> str:
    sizes = ", ".join(f"{name} {n}" for name, n in material.groups.sizes().items())
    word = material.unit_words
    drawn = "Faint lines" if len(material.days.sessions) > 1 else "Small dots"
    tested = "; the effects below are adjusted" if len(material.effects) else ""
    return (
        f"{drawn}: single {word}, named under the pointer. Symbols: mean of the {word} of a "
        f"group; bars: {error_bar_words(material)}. Groups are set slightly apart sideways. n of "
        f"{word} in the study: {plain(sizes)}; the n of each mean stands under the pointer. No "
        f"test is made here{tested}. Rounded to five figures."
    )

"""Scans grouped for the variance components, and the components as rows of a table."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from leafledger.effects.families import finite
from leafledger.effects.layout import Layout
from leafledger.effects.unit_means import Key, Reading
from leafledger.effects.variance_components import SESSION, Component


def component_rows(
    found: Mapping[str, Sequence[Component]], units: Mapping[str, str]
) -> list[dict[str, Any]]:
    """Return the rows of ``variance_components.csv``.

    Parameters
    ----------
    found
        Index -> its components.
    units
        Index -> its unit; variances are in its square.

    Returns
    -------
    list of dict
        ``share`` is of the sum of all known components but that between sessions.
    """
    out = []
    for index, parts in found.items():
        total = math.fsum(
            p.variance for p in parts if p.name != SESSION and not math.isnan(p.variance)
        )
        for part in parts:
            shared = part.name != SESSION and total > 0
            values = {
                "index": index,
                "component": part.name,
                "variance": part.variance,
                "sd": math.sqrt(part.variance),
                "share": part.variance / total if shared else math.nan,
                "df": part.df,
                "n_groups": part.n_groups,
                "unit": units.get(index, ""),
                "reason": part.reason,
            }
            out.append({name: finite(value) for name, value in values.items()})
    return out


def cells_of_units(
    layout: Layout, cells: Mapping[tuple[str, str], Mapping[str, Sequence[float]]]
) -> dict[tuple[str, str], dict[str, Sequence[float]]]:
    """Return the scans of the experimental units in the sessions that take part.

    Where whole plots are the experimental units, the leaves of all their plants are leaves of the
    plot.

    Parameters
    ----------
    layout
        The design.
    cells
        Unit of the sheet and session -> leaf -> values, of one index.
    """
    owner = layout.owner
    out: dict[tuple[str, str], dict[str, Sequence[float]]] = {}
    for (part, session), leaves in cells.items():
        unit = owner.get(part)
        if unit is None or session not in layout.sessions:
            continue
        here = out.setdefault((unit, session), {})
        for leaf, values in leaves.items():
            here[f"{part}\n{leaf}" if layout.parts else leaf] = values
    return {key: out[key] for key in sorted(out)}


def grouped(
    found: Iterable[tuple[Key, str, Reading]],
) -> dict[str, dict[tuple[str, str], dict[str, list[float]]]]:
    """Return index -> unit and session -> leaf -> values, sorted; a scan without leaf is its own.

    Parameters
    ----------
    found
        Unit, session and index; leaf; and reading of each scan.
    """
    out: dict[str, dict[tuple[str, str], dict[str, list[tuple[str, float]]]]] = {}
    for (unit, session, index), leaf, reading in found:
        own = f"leaf {leaf}" if leaf else f"scan {reading.scan}"
        here = out.setdefault(index, {}).setdefault((unit, session), {})
        here.setdefault(own, []).append((reading.scan, reading.value))
    return {
        index: {
            key: {
                leaf: [v for _, v in sorted(out[index][key][leaf])]
                for leaf in sorted(out[index][key])
            }
            for key in sorted(out[index])
        }
        for index in sorted(out)
    }

"""Small multiples: several panels of one figure, few enough to be read."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.report.drawing import new_figure
from leafledger.report.lettering import plain
from leafledger.report.numbers import known


def columns_for(n: int) -> int:
    """Return how many panels stand side by side.

    Examples
    --------
    >>> columns_for(1), columns_for(4), columns_for(12)
    (1, 2, 3)
    """
    return 1 if n == 1 else 2 if n <= 4 else 3


def panels(n: int, height: float, extra: float, *, same_y: bool = True) -> tuple[Any, Any, int]:
    """Return a figure with room for ``n`` panels, its axes in reading order, and the columns.

    Parameters
    ----------
    n
        Panels, at least one.
    height
        Inches of one row of panels.
    extra
        Inches besides, for legend and labels.
    same_y
        All panels share one vertical scale.
    """
    columns = columns_for(n)
    rows = -(-n // columns)
    figure = new_figure(3.6 * columns + (1.6 if columns == 1 else 0), height * rows + extra)
    axes = figure.subplots(rows, columns, sharex=same_y, sharey=same_y, squeeze=False).ravel()
    return figure, axes, columns


def finish_panels(axes: Any, used: int, columns: int, x_label: str, y_label: str) -> None:
    """Label the outer panels and take away those that are not used."""
    for i, axis in enumerate(axes):
        if i >= used:
            axis.set_axis_off()
            continue
        if i % columns == 0:
            axis.set_ylabel(y_label)
        if i + columns >= used:
            axis.set_xlabel(x_label)
            axis.tick_params(labelbottom=True)


def wrapped(text: str, width: int, lines: int) -> str:
    """Return text broken into lines; what does not fit is cut with an ellipsis.

    Examples
    --------
    >>> wrapped("one two three four", 8, 2)
    'one two\\nthree …'
    """
    parts = textwrap.wrap(plain(text).replace("\n", " "), width, break_long_words=True)
    if len(parts) > lines:
        last = parts[lines - 1]
        parts = [*parts[: lines - 1], f"{last[: width - 2].rstrip()} …"]
    return "\n".join(parts)


def and_more(n_left: int, where: str) -> str:
    """Return what a caption says of panels left out; nothing if none is.

    Examples
    --------
    >>> and_more(0, "the table"), and_more(3, "the table")
    ('', ' And 3 more, see the table.')
    """
    return f" And {n_left} more, see {where}." if n_left > 0 else ""


def n_behind(rows: Sequence[Mapping[str, Any]], unit_words: str) -> str:
    """Return what a caption says of the n of estimates: units of all groups together.

    Examples
    --------
    >>> n_behind([{"n_units": 12, "n_units_reference": 12}, {"n_units": 11,
    ...          "n_units_reference": None}], "plants")
    ' n of plants: 11 to 24.'
    """
    judged = [row for row in rows if known(row["n_units"])]
    totals = [
        int(r["n_units"]) + (int(r["n_units_reference"]) if known(r["n_units_reference"]) else 0)
        for r in judged
    ]
    if not totals:
        return ""
    low, high = min(totals), max(totals)
    return f" n of {unit_words}: {low}{f' to {high}' if high > low else ''}."

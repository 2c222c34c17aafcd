"""The primary result with and without the exclusions: shown after saving, not before."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from leafledger.review.evidence import exclusion_rows
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.layout import Task, outputs
from leafledger.study.tables import read_csv

AS_PLANNED = "as_planned"
EVERY_SCAN = "every_scan"
_KEY = ("question", "index", "contrast", "method")


def with_and_without(folder: Path) -> dict[str, Any]:
    """Return what was left out and the primary contrasts with the exclusions and without them.

    Parameters
    ----------
    folder
        A study whose results are up to date.

    Returns
    -------
    dict
        ``excluded``: rows of exclusions.csv that keep a scan out or were decided; ``contrasts``:
        each with its rows ``with`` and ``without`` of sensitivity.csv; ``primary``: the primary
        rows of effects.csv.
    """
    paths = outputs(Task("effects"))
    rows = _rows(folder / paths["sensitivity"])
    planned = [row for row in rows if row["variant"] == AS_PLANNED]
    every = {_key(row): row for row in rows if row["variant"] == EVERY_SCAN}
    return {
        "excluded": [
            row
            for row in exclusion_rows(folder)
            if row["applied"] == "exclude" or row["rule"] == "decision"
        ],
        "contrasts": [{"with": row, "without": every.get(_key(row))} for row in planned],
        "primary": [row for row in _rows(folder / paths["effects"]) if row["primary"]],
    }


def _key(row: dict[str, Any]) -> tuple[str, ...]:
    return tuple(str(row[name]) for name in _KEY)


def _rows(path: Path) -> list[dict[str, Any]]:
    table = read_csv(path, text=tuple(TEXT), flags=tuple(FLAGS))
    return [
        {str(name): _plain(value) for name, value in row.items()}
        for row in table.to_dict("records")
    ]


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value

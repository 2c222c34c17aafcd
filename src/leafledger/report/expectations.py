"""Results of the expectation suites, one line per expectation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

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
    told = str(row["expected"])
    return f"{name.removeprefix(_OF_AN_INDEX)}: {told}" if name.startswith(_OF_AN_INDEX) else told


def _places(places: Sequence[str]) -> str:
    shown = ", ".join(places[:_PLACES_SHOWN])
    more = len(places) - _PLACES_SHOWN
    return f"{shown} and {more} more" if more > 0 else shown

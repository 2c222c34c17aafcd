"""Results of the expectation suites, one line per expectation."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

_LISTS = ("expectations", "results", "checks")
_SAID = ("expected", "sentence", "description", "expectation", "expectation_type", "type", "name")
_PASSED = ("success", "passed", "ok")
_FOUND = ("found", "observed", "observed_value", "detail")


def suites(validation: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the suites in the order of the data, each with its expectations.

    Parameters
    ----------
    validation
        Part (scans, reflectance, indices) -> content of its JSON file.
    """
    return [_suite(part, content) for part, content in validation.items()]


def _suite(part: str, content: Mapping[str, Any]) -> dict[str, Any]:
    listed: list[Any] = next((content[k] for k in _LISTS if isinstance(content.get(k), list)), [])
    rows = [_expectation(row) for row in listed if isinstance(row, Mapping)]
    return {
        "part": part,
        "severity": _severity(content, listed),
        "rows": rows,
        "n_failed": sum(not row["passed"] for row in rows),
    }


def _severity(content: Mapping[str, Any], listed: list[Any]) -> str:
    told = [content, *(row for row in listed if isinstance(row, Mapping))]
    return next((str(row["severity"]) for row in told if row.get("severity")), "")


def _expectation(row: Mapping[str, Any]) -> dict[str, Any]:
    said = next((str(row[k]) for k in _SAID if row.get(k)), "unnamed expectation")
    passed = next((bool(row[k]) for k in _PASSED if k in row), False)
    found = next((row[k] for k in _FOUND if row.get(k) not in (None, "", [], {})), "")
    return {"said": said.replace("_", " ") if " " not in said else said,
            "column": str(row.get("column") or ""), "passed": passed,
            "found": _words(found), "where": _words(row.get("unexpected") or "")}  # fmt: skip


def _words(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{k}: {_words(v)}" for k, v in value.items())
    if isinstance(value, list):
        shown = ", ".join(str(v) for v in value[:10])
        return shown + (f" and {len(value) - 10} more" if len(value) > 10 else "")
    return str(value)

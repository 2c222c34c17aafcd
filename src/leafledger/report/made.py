"""Last part of the page: settings, digests, versions, seeds and decisions behind the numbers."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from leafledger.report.gather import Material

_ORDER = (
    "intake",
    "reflectance",
    "quality",
    "acceptance",
    "catalogue",
    "indices",
    "validation",
    "unit_means",
    "effects",
    "classes",
    "rivals",
)
_FOLD_ABOVE = 16


def made(material: Material) -> dict[str, Any]:
    """Return what the last part of the page shows."""
    return {
        "rules": _rules(material),
        "versions": _versions(material.records),
        "packages": sorted(
            {str(r.get("code", {}).get("package", "")) for r in material.records.values()} - {""}
        ),
        "seeds": _seeds(material.records),
        "catalogue": [{"index": name, **entry} for name, entry in material.catalogue.items()],
        "decisions": [
            row for row in material.exclusions.to_dict("records") if row["rule"] == "decision"
        ],
    }


def _rules(material: Material) -> list[dict[str, Any]]:
    """Return the rules in the order of the data, each with its records in session order."""
    places = {s: i for i, s in enumerate(material.days.sessions)}
    records = sorted(
        material.records.values(),
        key=lambda r: (_place(str(r["rule"])), r["rule"], places.get(str(r.get("session")), -1)),
    )
    rules: dict[str, dict[str, Any]] = {}
    for record in records:
        entry = rules.setdefault(str(record["rule"]), {"rule": record["rule"], "records": []})
        entry["records"].append(
            {
                "session": record.get("session") or "",
                "settings": pretty(record.get("settings", {})),
                "inputs": record.get("inputs", []),
                "outputs": record.get("outputs", []),
                "code": record.get("code", {}).get("sha256", ""),
                "key": record.get("key", ""),
                "metrics": record.get("metrics", []),
            }
        )
    for entry in rules.values():
        told = {r["settings"] for r in entry["records"]}
        entry["shared"] = told.pop() if len(told) == 1 else ""
    return list(rules.values())


def _place(rule: str) -> int:
    return _ORDER.index(rule) if rule in _ORDER else len(_ORDER)


def pretty(settings: Any) -> str:
    """Return settings as indented JSON with sorted keys; long lists of scans are counted instead.

    Examples
    --------
    >>> print(pretty({"b": [1, 2], "a": "x"}))
    {
     "a": "x",
     "b": [1, 2]
    }
    """
    return _written(_folded(settings), 0)


def _folded(value: Any) -> Any:
    if isinstance(value, Mapping | list) and len(value) > _FOLD_ABOVE:
        return f"({len(value)} entries; whole in the record)"
    if isinstance(value, Mapping):
        return {str(k): _folded(v) for k, v in value.items()}
    return [_folded(v) for v in value] if isinstance(value, list) else value


def _written(value: Any, indent: int) -> str:
    pad = " " * (indent + 1)
    if isinstance(value, dict) and value:
        items = [f"{pad}{_plain(k)}: {_written(v, indent + 1)}" for k, v in sorted(value.items())]
    elif isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        items = [f"{pad}{_written(v, indent + 1)}" for v in value]
    else:
        return _plain(value)
    ends = "{}" if isinstance(value, dict) else "[]"
    return f"{ends[0]}\n" + ",\n".join(items) + f"\n{pad[1:]}{ends[1]}"


def _plain(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False)


def _versions(records: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str]]:
    found: dict[str, set[str]] = {}
    for record in records.values():
        for name, version in record.get("libraries", {}).items():
            found.setdefault(str(name), set()).add(str(version))
    return [(name, " and ".join(sorted(versions))) for name, versions in sorted(found.items())]


def _seeds(records: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str, str]]:
    return [
        (str(record["rule"]), str(name), str(seed))
        for record in sorted(records.values(), key=lambda r: _place(str(r["rule"])))
        for name, seed in sorted(record.get("seeds", {}).items())
    ]

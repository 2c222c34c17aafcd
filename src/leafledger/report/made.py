"""Last part of the page: indices, decisions, versions and seeds behind the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from leafledger.report.gather import Material
from leafledger.report.lineage_words import ORDER


def made(material: Material) -> dict[str, Any]:
    """Return what the last part of the page shows."""
    return {
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


def _place(rule: str) -> int:
    return ORDER.index(rule) if rule in ORDER else len(ORDER)


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

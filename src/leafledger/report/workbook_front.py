"""The first sheet of the workbook: the study, and what each sheet holds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from leafledger.report.gather import Material
from leafledger.report.workbook import Sheet, fits


def front_of(material: Material, sheets: Sequence[Sheet]) -> list[list[Any]]:
    """Return the rows of the first sheet: the study, and what each sheet holds."""
    accepted = material.accepted["accepted"]
    wrote = {
        str(file["path"]).removeprefix("results/"): str(file["sha256"])
        for record in material.records.values()
        for file in record.get("outputs", [])
    }
    packages = {str(r.get("code", {}).get("package", "")) for r in material.records.values()}
    rows: list[list[Any]] = [
        [material.title],
        [],
        ["question", material.question or "none stated"],
        ["made by", f"leafledger {' and '.join(sorted(packages - {''}))}".strip()],
        [f"number of {material.unit_words}", _sizes(material)],
        ["sessions", ", ".join(material.days.sessions)],
        ["leaf scans", f"{int(accepted.sum())} accepted of {len(accepted)}"],
        ["trusted range", _range_words(material)],
        ["numbers", "have 16 digits; an empty cell is a missing value"],
        [],
        ["sheet", "what it holds", "rows (1)", "the same in the results folder", "SHA-256 of it"],
    ]
    for sheet in sheets:
        cut = "" if fits(sheet) == sheet.n_rows else (
            f" Only the first {fits(sheet)} of {sheet.n_rows} rows fit into a sheet; the file "
            "beside holds all."
        )  # fmt: skip
        digest = wrote.get(sheet.files[0], "") if len(sheet.files) == 1 else ""
        rows.append([sheet.name, sheet.about + cut, fits(sheet), ", ".join(sheet.files), digest])
    return rows


def _sizes(material: Material) -> str:
    sizes = material.groups.sizes()
    told = ", ".join(f"{name} {n}" for name, n in sizes.items())
    return f"{sum(sizes.values())} ({told})"


def _range_words(material: Material) -> str:
    trusted = material.trusted
    why = str(trusted.get("why", ""))
    span = f"{trusted['start_nm']:g} to {trusted['stop_nm']:g} nm"
    return f"{span}. {why[:1].upper()}{why[1:]}" if why else span

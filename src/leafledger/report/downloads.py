"""Tables of the page as CSV, kept inside the page until a reader asks for one.

A table that stands in the results folder is given as that file, byte for byte; one of more than
2 MB is not held in the page, which leads to the file instead. A table that the page works out is
written in the same way: whole numbers, empty for missing, and text that a spreadsheet would run as
a formula with an apostrophe before it; numbers are never altered.
"""

from __future__ import annotations

import base64
import csv
import gzip
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from leafledger.report.gather import Material
from leafledger.report.provenance import Step
from leafledger.report.tables_workbook import is_missing
from leafledger.report.unfinished import tables_of
from leafledger.study.columns import Result
from leafledger.study.table_files import escape_formula_cell
from leafledger.study.tables import TABLES

_LEVEL = 9
_LARGEST = 2_000_000
"""Letters of a table of the results folder that the page holds at most."""


@dataclass(frozen=True)
class Download:
    """One table as CSV.

    Attributes
    ----------
    file
        Name of the file it is saved as.
    part
        Part of the page whose lineage it shares.
    text
        CSV: UTF-8, one line of headings.
    link
        Path below the results folder, if the page leads to the file and does not hold the text.
    """

    file: str
    part: str
    text: str
    link: str = ""

    @property
    def n_rows(self) -> int:
        """Rows below the heading."""
        return max(0, sum(1 for _ in csv.reader(io.StringIO(self.text))) - 1)


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return rows as CSV: shortest floats that read back the same, empty for missing.

    Examples
    --------
    >>> csv_text(["scan", "p"], [{"scan": "=a", "p": 0.1}, {"scan": "b", "p": float("nan")}])
    "scan,p\\n'=a,0.1\\nb,\\n"
    """
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow([escape_formula_cell(name) for name in columns])
    for row in rows:
        write.writerow([_cell(row.get(name)) for name in columns])
    return out.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return escape_formula_cell(value)
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, list | tuple | set):
        return escape_formula_cell(
            ", ".join(map(str, sorted(value) if isinstance(value, set) else value))
        )
    if is_missing(value):
        return ""
    return repr(value.item() if isinstance(value, np.generic) else value)


def packed(downloads: Mapping[str, Download]) -> str:
    """Return all texts as compressed JSON in base64: file name and text by name of the table.

    The same bytes every time, and free of anything that could end a script element.
    """
    held = {name: d for name, d in downloads.items() if not d.link}
    values = {name: {"file": d.file, "text": d.text} for name, d in held.items()}
    text = json.dumps(values, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return base64.b64encode(gzip.compress(text.encode(), _LEVEL, mtime=0)).decode()


# Which tables of the page can be saved, and as what.
# ----------------------------------------------------------------------

Rows = Sequence[Mapping[str, Any]]


def downloads_of(
    material: Material,
    parts: Mapping[str, Any],
    steps: Sequence[Step],
    inputs: Mapping[str, Path],
) -> dict[str, Download]:
    """Return name of the table -> what can be saved of it.

    Parameters
    ----------
    material
        The whole study.
    parts
        The view of each part of the page: trust, days, apart, made.
    steps
        The tasks of the lineage.
    inputs
        Role -> path of the files that the report reads.
    """
    found = {
        role: _of_a_file(f"{role}.csv", table, inputs[role])
        for table in TABLES.values()
        for role in [table.report_role]
        if table.saved and role in inputs and inputs[role].is_file()
    }
    worked_out = [*_trust(parts["trust"], material), *_days(parts["days"]), *_made(material)]
    if parts["apart"]:
        worked_out += _apart(parts["apart"])
    worked_out += tables_of(parts.get("unfinished"), parts.get("field_notes"))
    worked_out += _lineage(steps)
    for name, part, columns, rows in worked_out:
        found[name] = Download(f"{name}.csv", part, csv_text(columns, rows))
    return found


def _of_a_file(name: str, table: Result, path: Path) -> Download:
    text = path.read_text(encoding="utf-8")
    return Download(name, table.saved, text, table.path if len(text) > _LARGEST else "")


Table = tuple[str, str, list[str], Rows]


def _trust(trust: Mapping[str, Any], material: Material) -> Iterator[Table]:
    roles = [f"n_{role}" for role in trust["roles"]]
    sessions = [
        {
            **row,
            **{f"n_{role}": row["by_role"].get(role, 0) for role in trust["roles"]},
            "integration_ms_lowest": min(row["integration"], default=None),
            "integration_ms_highest": max(row["integration"], default=None),
        }
        for row in trust["sessions"]
    ]
    yield "sessions", "went-in", [
        "session", "date", "phase", "form", "quantity", "n_files", *roles, "n_excluded", "n_units",
        "n_wavelengths", "from_nm", "to_nm", "integration_ms_lowest", "integration_ms_highest",
    ], sessions  # fmt: skip
    treatment, block = material.design.get("treatment"), material.design.get("block")
    cells = [
        {"group": cell["group"], "n_units": n, "block": label}
        for cell in trust["unit_cells"]
        for label, n in [*cell["blocks"], *([] if cell["blocks"] else [("", cell["n"])])]
    ]
    named = [{str(treatment): c["group"], str(block or "block"): c["block"], **c} for c in cells]
    heads = [str(treatment), *([str(block)] if block else []), "n_units"]
    yield "units_by_treatment", "went-in", heads, named
    units = [{**row["labels"], **row} for row in trust["units"]]
    yield "units", "went-in", ["unit", *trust["unit_columns"], "n_scans", "n_accepted"], units
    rules = [{**row, "scans_left_out": row["out"], "scans_kept": row["kept"]}
             for row in trust["exclusions"]["rules"]]  # fmt: skip
    yield "exclusions_by_rule", "left-out", ["rule", "scans_left_out", "scans_kept"], rules
    flags = ["check", "severity", "n_scans", "scans", "sessions", "example"]
    yield "flags_by_check", "left-out", flags, [{**r, "n_scans": r["n"]} for r in trust["flags"]]
    signal = [{**r, "lowest": r["worst"], "lowest_at_nm": r["worst_nm"]} for r in trust["signal"]]
    heads = ["session", "n_references", "median", "lowest", "lowest_at_nm"]
    yield "signal_to_noise", "range", heads, signal
    expected = [{**row, "part": s["part"], "severity": s["severity"]}
                for s in trust["suites"] for row in s["rows"]]  # fmt: skip
    heads = ["part", "said", "column", "severity", "passed", "found", "where"]
    yield "expectations", "expectations", heads, expected


def _days(days: Mapping[str, Any]) -> Iterator[Table]:
    heads = ["family", "n_tests", "n_defined", "p_holm_smallest", "p_max_t_smallest",
             "max_t_draws"]  # fmt: skip
    yield "families", "effects", heads, days["families"]["rows"]
    spectra = [{**r, "mean_reflectance": r["mean"], "lowest": r["low"], "highest": r["high"]}
               for r in days["spectra_table"]]  # fmt: skip
    heads = ["session", "group", "n_units", "n_scans", "mean_reflectance", "lowest", "highest"]
    yield "spectra_in_numbers", "spectra", heads, spectra


def _apart(apart: Mapping[str, Any]) -> Iterator[Table]:
    path = [{**r, "accuracy_mean": r["mean"]} for r in apart["path"]]
    yield "accuracy_by_latent_variables", "accuracy", [
        "split", "n_components", "accuracy_mean", "lowest", "highest", "n_repeats",
    ], path  # fmt: skip
    heads = ["component", "words", "cosine", "spectra_explained", "membership_explained"]
    yield "latent_variables", "which-wavelengths", heads, apart["components"]
    whole = [
        {"true": row["true"], "predicted": name, "n_scans": cell["n"], "share": cell["share"]}
        for row in (apart["as_chosen"] or {"rows": []})["rows"]
        for name, cell in zip(apart["classes"], row["cells"], strict=True)
    ]
    heads = ["true", "predicted", "n_scans", "share"]
    yield "confusion_of_procedure", "confusion", heads, whole
    rivals = [{**r, "procedure": r["name"], "accuracy_mean": r["mean"]} for r in apart["rivals"]]
    heads = ["procedure", "accuracy_mean", "lowest", "highest"]
    yield "rivals_by_scans", "rivals", heads, rivals


def _made(material: Material) -> Iterator[Table]:
    rows = [{**entry, "index": index} for index, entry in material.catalogue.items()]
    heads = ["index", "name", "formula", "unit", "source", "confusions"]
    yield "indices", "indices", heads, rows
    decided = [r for r in material.exclusions.to_dict("records") if r["rule"] == "decision"]
    yield (
        "decisions",
        "decisions",
        ["scan", "applied", "reason", "by", "when"],
        [{str(k): v for k, v in row.items()} for row in decided],
    )


def _lineage(steps: Sequence[Step]) -> Iterator[Table]:
    files = [
        {"step": s.name, "what": what, "path": f.path, "sha256": f.sha256, "bytes": f.size,
         "written_by": f.maker or ("" if what == "given" else s.name)}
        for s in steps
        for what, listed in (("wrote", s.wrote), ("read", s.read), ("given", s.given))
        for f in listed
    ]  # fmt: skip
    heads = ["step", "what", "path", "sha256", "bytes", "written_by"]
    yield "files", "", heads, files
    settings = [
        {"step": s.name, "setting": one.name, "value": one.value, "default": one.default,
         "differs": one.changed}
        for s in steps
        for one in [*s.changed, *s.design, *s.same]
    ]  # fmt: skip
    yield "settings", "", ["step", "setting", "value", "default", "differs"], settings

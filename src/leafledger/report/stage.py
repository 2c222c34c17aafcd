"""How do tables and records become page, figures, downloads and workbook? Rule ``report``.

The page is one file. Style, scripts, the drawing library and all values stand inside it, so that it
asks nothing of any network; its content security policy allows no request at all and no script but
those, by their digests.
"""

from __future__ import annotations

import base64
import csv
import gzip
import hashlib
import io
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from markupsafe import Markup, escape

from leafledger.platforms import beside
from leafledger.records.record import Job, Metric, Outcome
from leafledger.records.store import DRAWINGS, KeptFiles, may_use_store
from leafledger.report import numbers
from leafledger.report.answer import answer_in_words, findings_part
from leafledger.report.classification import classification_part
from leafledger.report.conclusions_held import robustness_part
from leafledger.report.drawing import without_collecting
from leafledger.report.figures import STYLE, FigureSet, InteractiveFigure
from leafledger.report.gather import Material, gather
from leafledger.report.next_study import (
    field_notes_part,
    next_study_part,
    tables_of,
    unfinished_part,
)
from leafledger.report.pigments import pigments_part, traits_part
from leafledger.report.provenance import Step, lineage, provenance_part
from leafledger.report.tables_workbook import front_of, is_missing, sheets_of, written
from leafledger.report.time_course import time_course_part
from leafledger.report.trust import data_verdict, trust_part
from leafledger.study.columns import Result
from leafledger.study.table_files import (
    escape_formula_cell,
    not_through_a_link,
    remove_file,
    write_bytes,
    write_json,
    write_text,
)
from leafledger.study.tables import TABLES

# Tables of the page as CSV, kept inside the page until a reader asks for one
# ----------------------------------------------------------------------
# A table that stands in the results folder is given as that file, byte for byte; one of more than
# 2 MB is not held in the page, which leads to the file instead. A table that the page works out is
# written in the same way: whole numbers, empty for missing, and text that a spreadsheet would run
# as a formula with an apostrophe before it; numbers are never altered.

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
    downloads = {
        role: _of_a_file(f"{role}.csv", table, inputs[role])
        for table in TABLES.values()
        for role in [table.report_role]
        if table.saved and role in inputs and inputs[role].is_file()
    }
    worked_out = [*_trust(parts["trust"], material), *_days(parts["days"]), *_provenance(material)]
    if parts["apart"]:
        worked_out += _apart(parts["apart"])
    worked_out += tables_of(parts.get("unfinished"), parts.get("field_notes"))
    worked_out += _lineage(steps)
    for name, part, columns, rows in worked_out:
        downloads[name] = Download(f"{name}.csv", part, csv_text(columns, rows))
    return downloads


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


def _apart(classification: Mapping[str, Any]) -> Iterator[Table]:
    path = [{**r, "accuracy_mean": r["mean"]} for r in classification["path"]]
    yield "accuracy_by_latent_variables", "accuracy", [
        "split", "n_components", "accuracy_mean", "lowest", "highest", "n_repeats",
    ], path  # fmt: skip
    heads = ["component", "words", "cosine", "spectra_explained", "membership_explained"]
    yield "latent_variables", "which-wavelengths", heads, classification["components"]
    whole = [
        {"true": row["true"], "predicted": name, "n_scans": cell["n"], "share": cell["share"]}
        for row in (classification["as_chosen"] or {"rows": []})["rows"]
        for name, cell in zip(classification["classes"], row["cells"], strict=True)
    ]
    heads = ["true", "predicted", "n_scans", "share"]
    yield "confusion_of_procedure", "confusion", heads, whole
    rivals = [
        {**r, "procedure": r["name"], "accuracy_mean": r["mean"]} for r in classification["rivals"]
    ]
    heads = ["procedure", "accuracy_mean", "lowest", "highest"]
    yield "rivals_by_scans", "rivals", heads, rivals


def _provenance(material: Material) -> Iterator[Table]:
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
        {"step": s.name, "setting": row.name, "value": row.value, "default": row.default,
         "differs": row.changed}
        for s in steps
        for row in [*s.changed, *s.design, *s.same]
    ]  # fmt: skip
    yield "settings", "", ["step", "setting", "value", "default", "differs"], settings


# The rule
# ----------------------------------------------------------------------

_HERE = Path(__file__).parent
_STYLES = ("page.css", "live.css", "lineage.css")
_SCRIPTS = ("page.js", "lineage.js", "downloads.js", *(f"live/{name}.js" for name in (
    "parts", "drawing", "frame", "spectra", "courses", "difference", "steps", "start",
)))  # fmt: skip
_COMPRESSION = 6


def run(job: Job) -> Outcome:
    """Write ``report.html``, ``figures/``, ``tables.xlsx`` and ``answer.json``.

    Parameters
    ----------
    job
        Settings: title, question, design, units, report. Inputs: every table under its role, and
        ``record/<rule>[.<session>]`` for every record; those of the classes may be missing.

    Raises
    ------
    InputFault
        If the sessions do not share one wavelength axis.
    """
    import matplotlib as mpl

    with without_collecting():
        return _made(job, mpl.rc_context(STYLE))


def _made(job: Job, style: AbstractContextManager[Any]) -> Outcome:
    material = gather(job)
    workbook = beside(lambda: _workbook(material), apart=True)
    kept = KeptFiles(job.folder, DRAWINGS) if may_use_store() else None
    figures = FigureSet(job.settings["report"]["figures"], kept)
    with style:
        findings, trust = findings_part(material, figures), trust_part(material, figures)
        warnings = [*findings["warnings"], *findings["more_warnings"]]
        parts = {
            "findings": findings,
            "trust": trust,
            "data_verdict": data_verdict(warnings, trust["exclusions"]),
            "time_course": time_course_part(material, figures),
            "robustness": robustness_part(material, figures),
            "classification": classification_part(material, figures),
            "next_study": next_study_part(material, figures),
            "unfinished": unfinished_part(material, figures),
            "field_notes": field_notes_part(material),
            "pigments": pigments_part(material, figures),
            "traits": traits_part(material, figures),
        }
    saved = {
        "trust": parts["trust"], "days": parts["time_course"], "apart": parts["classification"],
        "unfinished": parts["unfinished"], "field_notes": parts["field_notes"],
    }  # fmt: skip
    # The workbook comes before the page is made: at size, both together would be the most held.
    write_bytes(job.outputs["tables"], workbook())
    steps = lineage(material, job.inputs.get("variants"), job.inputs.get("plan_history"))
    page = render(
        {
            "title": material.title,
            "question": material.question,
            "study": material,
            "provenance": provenance_part(material),
            "lineage": steps,
            "downloads": downloads_of(material, saved, steps["steps"], job.inputs),
            **parts,
        },
        material.names,
        figures.interactive,
    )
    _write_figures(job, figures)
    write_text(job.outputs["report"], page)
    write_json(job.outputs["answer"], answer_in_words(material.question, findings))
    if kept is not None:
        kept.trim()
    return Outcome(
        metrics=[
            Metric("n_figures", len(figures.figures)),
            Metric("page_size", len(page.encode()), "byte"),
        ]
    )


def _workbook(material: Material) -> bytes:
    """Return the workbook of all tables; its sheets are held only while it is made."""
    sheets = sheets_of(material)
    return written(material.title, front_of(material, sheets), sheets)


def _write_figures(job: Job, figures: FigureSet) -> None:
    """Write the figures and take away those that an earlier report left behind."""
    folder = not_through_a_link(job.outputs["figures"])
    folder.mkdir(parents=True, exist_ok=True)
    files = {**figures.files, "captions.txt": figures.captions().encode()}
    for old in folder.iterdir():
        if old.is_file() and old.name not in files:
            remove_file(old)
    for name, content in files.items():
        write_bytes(folder / name, content)


# The page: templates filled with the parts.
# ----------------------------------------------------------------------


def render(
    parts: Mapping[str, Any],
    names: Collection[str] = (),
    interactive: Sequence[InteractiveFigure] = (),
) -> str:
    """Fill the page.

    Parameters
    ----------
    parts
        title, question, study (a :class:`~leafledger.report.gather.Material`), the view of each
        part of the page, its lineage, and downloads, the tables that can be saved.
    names
        Names of the study, which no filter may alter.
    interactive
        Figures that answer the pointer; without any, the drawing library stays out.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        num=_number_filter(numbers.format_number),
        p=_number_filter(numbers.format_p),
        pct=_number_filter(numbers.format_percent),
        n=_number_filter(numbers.format_count),
        nm=_number_filter(numbers.format_nm),
        freedom=_number_filter(numbers.format_df),
        plain=_escape_text,
        head=_escape_heading,
        sentence=_sentence_filter(names),
        opening=_opening_filter(names),
        first_sentence=lambda text: _sentence_filter(names)(numbers.first_sentence(text)),
    )
    script = "\n".join(['"use strict";', "(() => {", *map(_static, _SCRIPTS), "})();", ""])
    page = environment.get_template("page.html").render(
        **parts,
        style=Markup("".join(map(_static, _STYLES))),  # noqa: S704 - our own file
        script=Markup(script),  # noqa: S704 - our own file
        script_digest=_digest(script.encode()),
        library=drawing_library() if interactive else None,
        drawing_values=pack_values(interactive),
        table_values=packed(parts["downloads"]),
    )
    return numbers.explain_terms(page, names)


def _static(name: str) -> str:
    return (_HERE / "static" / name).read_text(encoding="utf-8")


def _number_filter(write: Any) -> Any:
    """Return a filter that shows a number rounded and keeps the whole one in the markup."""

    def show(value: Any, *options: Any) -> Markup:
        text = write(value, *options).replace(" ", numbers.NO_BREAK)
        if not numbers.is_number(value):
            return escape(text)
        return Markup('<data value="{}">{}</data>').format(repr(float(value)), text)

    return show


def _escape_text(text: Any) -> Markup:
    """Return the user's text without control characters, escaped."""
    return escape(numbers.plain(text))


def _escape_heading(text: Any) -> Markup:
    """Return text as ``plain`` does, the first letter large."""
    clean = numbers.plain(text)
    return escape(clean[:1].upper() + clean[1:])


def _sentence_filter(names: Collection[str]) -> Callable[[Any], Markup]:
    """Return a filter for sentences: a true minus, and no line that ends within a number."""

    def show(text: Any) -> Markup:
        set_units = numbers.with_set_units(numbers.plain(text), names)
        return escape(numbers.unbroken(numbers.with_true_minus(set_units, names)))

    return show


def _opening_filter(names: Collection[str]) -> Callable[[Any], str]:
    """Return a filter that begins a sentence with a large letter, unless it begins with a name."""

    def show(text: Any) -> str:
        first = str(text).partition(" ")[0].rstrip(",.:;")
        if first in names or not first.isalpha() or not first.islower():
            return str(text)
        return f"{text[:1].upper()}{text[1:]}"

    return show


@dataclass(frozen=True)
class Library:
    """The drawing library: its text compressed, and the digest the page's policy lets run."""

    packed: str
    sha256: str


def drawing_library() -> Library:
    """Return the drawing library, which is shipped beside the scripts of the page.

    The file is that of the package named in ``static/plotly/version.json``, unchanged: the part of
    the library that draws lines and points. As a data file it is part of the code digest of the
    report, so that a report with another version is made again.
    """
    content = (_HERE / "static" / "plotly" / "plotly-basic.min.js").read_bytes()
    return Library(_pack(content), _digest(content))


def pack_values(figures: Sequence[InteractiveFigure]) -> str:
    """Return the values of all figures as compressed JSON in base64; the same bytes every time."""
    values = {figure.name: figure.values for figure in figures}
    text = json.dumps(values, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return _pack(text.encode())


def _pack(content: bytes) -> str:
    return base64.b64encode(gzip.compress(content, _COMPRESSION, mtime=0)).decode()


def _digest(content: bytes) -> str:
    return base64.b64encode(hashlib.sha256(content).digest()).decode()

"""The report rule: how do tables and records become one page, its figures and a workbook?

The page is one file. Style, scripts, the drawing library and all values stand inside it, so that it
asks nothing of any network; its content security policy allows no request at all and no script but
those, by their digests.
"""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from leafledger.platforms import beside
from leafledger.records.record import Job, Metric, Outcome
from leafledger.records.store import DRAWINGS, KeptFiles, may_use_store
from leafledger.report import downloads, numbers
from leafledger.report.answer import answer_in_words, findings_part
from leafledger.report.classification import classification_part
from leafledger.report.conclusions_held import robustness_part
from leafledger.report.drawing import without_collecting
from leafledger.report.figures import STYLE, FigureSet, InteractiveFigure
from leafledger.report.gather import Material, gather
from leafledger.report.next_study import next_study_part
from leafledger.report.pigments import pigments_part, traits_part
from leafledger.report.provenance import lineage, provenance_part
from leafledger.report.tables_workbook import front_of, sheets_of, written
from leafledger.report.time_course import time_course_part
from leafledger.report.trust import data_verdict, trust_part
from leafledger.report.unfinished import field_notes_part, unfinished_part
from leafledger.study.table_files import (
    not_through_a_link,
    remove_file,
    write_bytes,
    write_json,
    write_text,
)

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
    steps = lineage(material, job.inputs.get("variants"), job.inputs.get("plan_history"))
    page = render(
        {
            "title": material.title,
            "question": material.question,
            "study": material,
            "provenance": provenance_part(material),
            "lineage": steps,
            "downloads": downloads.downloads_of(material, saved, steps["steps"], job.inputs),
            **parts,
        },
        material.names,
        figures.interactive,
    )
    _write_figures(job, figures)
    write_text(job.outputs["report"], page)
    write_json(job.outputs["answer"], answer_in_words(material.question, findings))
    write_bytes(job.outputs["tables"], workbook())
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
        table_values=downloads.packed(parts["downloads"]),
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
        return escape(numbers.unbroken(numbers.with_true_minus(numbers.plain(text), names)))

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

"""The report rule: reads every table and record, writes one page, its figures and a workbook."""

from __future__ import annotations

from leafledger.records.job import Job, Metric, Outcome
from leafledger.report.answer import findings_part
from leafledger.report.classification import classification_part
from leafledger.report.conclusions_held import robustness_part
from leafledger.report.downloads import downloads_of
from leafledger.report.figures import STYLE, FigureSet
from leafledger.report.gather import gather
from leafledger.report.next_study import next_study_part
from leafledger.report.page import render
from leafledger.report.provenance import lineage, provenance_part
from leafledger.report.tables_workbook import front_of, sheets_of, written
from leafledger.report.time_course import time_course_part
from leafledger.report.trust import trust_part
from leafledger.study.links import not_through_a_link, remove_file
from leafledger.study.tables import write_bytes, write_text


def run(job: Job) -> Outcome:
    """Write ``report.html``, ``figures/`` and ``tables.xlsx``.

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

    material = gather(job)
    book = FigureSet(job.settings["report"]["figures"])
    with mpl.rc_context(STYLE):
        parts = {
            "trust": trust_part(material, book),
            "days": time_course_part(material, book),
            "holds": robustness_part(material, book),
            "apart": classification_part(material, book),
            "next": next_study_part(material, book),
        }
    behind = lineage(material, job.inputs.get("variants"), job.inputs.get("plan_history"))
    page = render(
        {
            "title": material.title,
            "question": material.question,
            "study": material,
            "found": findings_part(material),
            "made": provenance_part(material),
            "lineage": behind,
            "downloads": downloads_of(material, parts, behind["steps"], job.inputs),
            **parts,
        },
        material.names,
        book.interactive,
    )
    _write_figures(job, book)
    write_text(job.outputs["report"], page)
    sheets = sheets_of(material)
    write_bytes(job.outputs["tables"], written(material.title, front_of(material, sheets), sheets))
    return Outcome(
        metrics=[
            Metric("n_figures", len(book.figures)),
            Metric("page_size", len(page.encode()), "byte"),
        ]
    )


def _write_figures(job: Job, book: FigureSet) -> None:
    """Write the figures and take away those that an earlier report left behind."""
    folder = not_through_a_link(job.outputs["figures"])
    folder.mkdir(parents=True, exist_ok=True)
    files = {**book.files, "captions.txt": book.captions().encode()}
    for old in folder.iterdir():
        if old.is_file() and old.name not in files:
            remove_file(old)
    for name, content in files.items():
        write_bytes(folder / name, content)

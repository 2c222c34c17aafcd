"""The report rule: reads every table and record, writes one page and its figures."""

from __future__ import annotations

from leafledger.records.job import Job, Metric, Outcome
from leafledger.report.apart import apart
from leafledger.report.days import days
from leafledger.report.drawing import Book
from leafledger.report.found import found
from leafledger.report.gather import gather
from leafledger.report.holds import holds
from leafledger.report.made import made
from leafledger.report.next_study import next_study
from leafledger.report.page import render
from leafledger.report.palette import STYLE
from leafledger.report.trust import trust
from leafledger.study.tables import write_bytes, write_text


def run(job: Job) -> Outcome:
    """Write ``report.html`` and ``figures/``.

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
    book = Book(job.settings["report"]["figures"])
    with mpl.rc_context(STYLE):
        parts = {
            "trust": trust(material, book),
            "days": days(material, book),
            "holds": holds(material, book),
            "apart": apart(material, book),
            "next": next_study(material, book),
        }
    page = render(
        {
            "title": material.title,
            "question": material.question,
            "study": material,
            "found": found(material),
            "made": made(material),
            **parts,
        },
        material.names,
    )
    _write_figures(job, book)
    write_text(job.outputs["report"], page)
    return Outcome(
        metrics=[
            Metric("n_figures", len(book.plates)),
            Metric("page_size", len(page.encode()), "byte"),
        ]
    )


def _write_figures(job: Job, book: Book) -> None:
    """Write the figures and take away those that an earlier report left behind."""
    folder = job.outputs["figures"]
    folder.mkdir(parents=True, exist_ok=True)
    files = {**book.files, "captions.txt": book.captions().encode()}
    for old in folder.iterdir():
        if old.is_file() and old.name not in files:
            old.unlink()
    for name, content in files.items():
        write_bytes(folder / name, content)

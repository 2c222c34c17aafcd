"""What does a paper need of a run: texts, figures, tables, references, checklist and archive?

The kit is a folder made of the book of runs alone. It is written whole or not at all. Text stands
as plain text, as a document for a word processor, and as LaTeX, whose citation keys all stand in
the BibTeX file beside it.

References
----------
The reporting guidelines are named in :data:`GUIDELINES`; their items are paraphrased from memory,
but for those of MIAPPE.
"""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leafledger.errors import input_fault
from leafledger.ledger.compare import chain_head
from leafledger.ledger.crate import ExportedRun
from leafledger.ledger.export import (
    FIELDS,
    citation_file,
    datacite,
    export,
    miappe_fields_filled,
)
from leafledger.ledger.paper_document import (
    BIBLIOGRAPHY,
    FIGURES,
    TABLES,
    Paper,
    paper_tex,
    write_docx,
)
from leafledger.ledger.paper_tables import (
    CONTENT_TABLES,
    PaperTable,
    content_sentences,
    content_tables,
    effects_table,
    group_means_table,
    indices_table,
    methods_of_run,
)
from leafledger.records.record import Job
from leafledger.report.gather import Material, gather
from leafledger.report.journal_figures import Drawn, journal_figures
from leafledger.report.methods_text import MethodsText
from leafledger.report.numbers import plain, with_set_units, with_true_minus
from leafledger.report.works import (
    WORKS,
    Work,
    cite,
    keys_in,
    with_short_citations,
    without_code_marks,
    works_of_index,
)
from leafledger.study.table_files import (
    escape_formula_cell,
    not_through_a_link,
    remove_folder,
    write_bytes,
    write_json,
    write_text,
)
from leafledger.words import listed

# What the kit is made of: one run of the book, and all that its report was made of.
# ----------------------------------------------------------------------

ARCHIVE = "archive"
_MAIN_FIGURES = ("answer", "primary_index", "spectra_by_group", "spectrum_difference")
"""Figures of the body of a paper; the others stand in its appendix."""


@dataclass(frozen=True)
class Kit:
    """All that the texts of the kit are made of.

    Attributes
    ----------
    run, material
        The run, and its results as the report reads them.
    methods
        The methods text.
    findings
        What the first part of the report says.
    figures
        Every figure at the widths of a journal.
    licence, authors
        As the command was given them.
    head
        Digest of the end of the chain of runs.
    """

    run: ExportedRun
    material: Material
    methods: MethodsText
    findings: Mapping[str, Any]
    figures: Sequence[Drawn]
    licence: str | None
    authors: Sequence[str]
    head: str

    @property
    def to_come(self) -> list[str]:
        """Sessions that the plan has and that are not measured yet."""
        sessions = self.run.settings("effects")["design"]["sessions"]
        return [str(s["session"]) for s in sessions if s.get("to_come")]


def _report_job(run: ExportedRun) -> Job:
    """Return the job of the report as it was run, every input with the content of then.

    Raises
    ------
    InputFault
        If the run made no report, or something it was made of is no longer kept.
    """
    record = run.records.get("report")
    if record is None:
        raise input_fault(
            f"ledger/runs/{run.run['run']}.json",
            "a run without a report",
            "a run that ended with its report",
            "Run the study, then export that run.",
        )
    inputs: dict[str, Path] = {}
    for given in record["inputs"]:
        source = run.results.get(given["path"])
        if source is None or run.digests[given["path"]] != given["sha256"]:
            source = run.book.kept_file(given["sha256"])
        if source is None:
            raise input_fault(
                str(given["path"]),
                "no longer kept as the report read it",
                "what the report was made of",
                "Run the study again, then export that run.",
            )
        inputs[given["role"]] = source
    return Job("report", None, record["settings"], inputs, {}, run.folder)


def write_paper_kit(
    folder: Path,
    out: Path,
    workflow: Path,
    run: str = "latest",
    licence: str | None = None,
    authors: Iterable[str] = (),
) -> list[str]:
    """Write the paper kit of a run into the new folder ``out``.

    Parameters
    ----------
    folder, run
        The study folder, and the run: its id, how it begins, or ``latest``.
    out
        Where the kit goes; it must not exist yet, or be empty, and lie outside the study.
    workflow
        The Snakefile that the run followed.
    licence, authors
        What the study does not say.

    Returns
    -------
    list of str
        What the user should still fill in.

    Raises
    ------
    InputFault
        If ``out`` is taken or lies in the study, or a part of the run is no longer kept. Nothing is
        written then.
    """
    _refuse_place(folder, out)
    kit = read_kit(folder, run, licence, list(authors))
    building = not_through_a_link(out.parent) / f".{out.name}.part"
    remove_folder(building)
    try:
        notes = export(folder, building / ARCHIVE, workflow, run, True, licence, kit.authors)
        _write(kit, building, notes)
        if out.exists():
            out.rmdir()
        building.replace(out)
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return [*notes, *_to_check(kit)]


def read_kit(folder: Path, run: str, licence: str | None, authors: Sequence[str]) -> Kit:
    """Return all that the kit of a run is made of, its figures drawn; nothing is written.

    Raises
    ------
    InputFault
        If the run did not end well, made no report, or is no longer kept whole.
    """
    exported = ExportedRun(folder, run)
    material = gather(_report_job(exported))
    figures, findings = journal_figures(material)
    methods = methods_of_run(exported)
    head = chain_head(folder) or ""
    return Kit(exported, material, methods, findings, figures, licence, authors, head)


def _refuse_place(folder: Path, out: Path) -> None:
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise input_fault(
            out.name,
            "a folder that is not empty" if out.is_dir() else "a file",
            "a new or empty folder for the paper kit",
            "Name a new one; nothing of yours is overwritten.",
        )
    if out.resolve().is_relative_to(folder.resolve()):
        raise input_fault(
            out.name,
            "a folder inside the study",
            "a place outside it: a study holds its own files only",
            "Name a folder beside the study.",
        )


def _write(kit: Kit, folder: Path, notes: Sequence[str]) -> None:
    write_text(folder / "methods.txt", kit.methods.as_text())
    results = results_text(kit)
    write_text(folder / "results.txt", without_code_marks("\n\n".join(results)) + "\n")
    availability = availability_text(kit)
    works = {**kit.methods.works, **WORKS}
    statements = "\n\n".join(with_short_citations(text, works) for text in availability)
    write_text(folder / "availability.txt", without_code_marks(statements) + "\n")
    for drawn in kit.figures:
        for width, files in drawn.files.items():
            for form, content in files.items():
                write_bytes(folder / FIGURES / f"{width}mm" / f"{drawn.name}.{form}", content)
    write_text(folder / FIGURES / "captions.txt", captions_text(kit.figures))
    named = {name: name for name in ("group_means", "effects", "exclusions")} | CONTENT_TABLES
    for path, name in named.items():
        source = kit.run.results.get(f"results/{path}.csv")
        if source is not None:
            write_bytes(folder / TABLES / f"{name}.csv", source.read_bytes())
    paper = paper_of(kit)
    for table in [*paper.tables, *paper.more_tables]:
        write_text(folder / TABLES / f"{table.name}.tex", table.as_tex())
    write_text(folder / "paper.tex", paper_tex(paper))
    write_docx(folder / "paper.docx", paper)
    write_text(folder / BIBLIOGRAPHY, bibliography(paper.works.values()))
    write_text(folder / "checklist.csv", checklist_csv(kit))
    write_text(folder / "CITATION.cff", citation_file(str(kit.run.run["package"])))
    about = datacite(kit.run, kit.methods.sentences, kit.licence, kit.authors)
    write_json(folder / ARCHIVE / "datacite.json", about)
    write_text(folder / "README.txt", readme(kit, notes))


def _works_beside(kit: Kit) -> list[Work]:
    """Return the works of the tables and of the availability text, which the methods lack."""
    keys = keys_in(" ".join(availability_text(kit)))
    of_indices = [
        work
        for index, entry in kit.material.catalogue.items()
        for work in works_of_index({"index": index, **entry})
    ]
    return [*(WORKS[key] for key in keys), *of_indices]


# The texts: results, availability, captions.
# ----------------------------------------------------------------------


def results_text(kit: Kit) -> list[str]:
    """Return the results in paragraphs: what is still to come, the answer, the tests, the classes.

    Every number stands as the report has it: estimate, interval, n, units and p.
    """
    findings = kit.findings
    unfinished = [text for text in (findings["measured_so_far"], findings["left_out"]) if text]
    if kit.to_come:
        unfinished.append("The results below are of the sessions measured so far, and may change.")
    answers = [
        " ".join(part for part in (answer["answer"], answer["support"]) if part)
        for answer in findings["answers"]
    ]
    tests = [str(row["sentence"]) for row in findings["findings"]]
    tests += [*findings["sentences"], *findings["more_sentences"]]
    paragraphs = [
        " ".join(unfinished),
        " ".join(answer for answer in answers if answer) or str(findings["nothing"]),
        " ".join(findings["plan_in_short"]),
        *tests,
        str(findings["classes"]),
        *content_sentences(kit.material),
    ]
    names = kit.material.names
    return [
        with_true_minus(with_set_units(plain(text), names), names) for text in paragraphs if text
    ]


def availability_text(kit: Kit) -> list[str]:
    """Return the statements on data and code, with marks of the works they name."""
    run = kit.run.run
    licence = (
        f"They may be reused under {kit.licence}."
        if kit.licence
        else "[State the licence under which they may be reused.]"
    )
    return [
        "Data availability. Raw spectra, settings, decisions, results and the record of every step "
        f"of run {run['run']} are deposited as an RO-Crate{cite('soilandreyes2022')} with the "
        f"fields of MIAPPE 1.1{cite('papoutsoglou2020')} at [name of the repository, DOI]. "
        f"{licence} The chain of runs ends in SHA-256 {kit.head}; `leafledger verify` holds every "
        "file against it.",
        f"Code availability. The analysis was made with leafledger {run['package']} (MIT licence; "
        "see CITATION.cff), a workflow of Snakemake"
        f"{cite('molder2021')}. The digest of the code of every step stands in the records of the "
        "archive; `leafledger reproduce` makes every result again and compares it.",
    ]


def captions_text(figures: Sequence[Drawn]) -> str:
    """Return every figure's caption, and where a figure does not fit a width, why."""
    parts = []
    for drawn in figures:
        mark = "" if drawn.title.endswith("?") else "."
        lines = [drawn.name, f"{drawn.title}{mark} {drawn.caption}"]
        lines += [f"Not at {width} mm: {why}." for width, why in drawn.unfit.items()]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def readme(kit: Kit, notes: Sequence[str]) -> str:
    """Return what the files of the kit are, and what is left to the authors."""
    state = (
        f"NOT FINISHED: still to be measured: {listed(kit.to_come)}. Export again when it is.\n\n"
        if kit.to_come
        else ""
    )
    to_do = "\n".join(f"- {note}" for note in [*notes, *_to_check(kit)])
    return (
        f"Paper kit of the study: {plain(kit.run.run['title'])}\n"
        f"Run {kit.run.run['run']}, leafledger {kit.run.run['package']}\n\n{state}"
        "methods.txt         methods, with their sources\n"
        "results.txt         results in sentences: estimate, interval, n, p, units\n"
        "paper.docx          methods, results, figures, tables, availability, references and\n"
        "                    checklist in one document for a word processor\n"
        "paper.tex           the same for LaTeX, without the checklist\n"
        "references.bib      every method, index and library that is named\n"
        "figures/85mm        one column, figures/180mm the whole page: PDF, SVG, PNG at 600 dpi\n"
        "figures/captions.txt  captions, and which figure does not fit which width\n"
        "tables              CSV as computed, and LaTeX\n"
        "checklist.csv       what reporting guidelines ask for, and where it stands\n"
        "availability.txt    statements on data and code\n"
        "CITATION.cff        how to cite the software\n"
        "archive             for a data repository: RO-Crate with miappe.csv and datacite.json\n\n"
        f"Left to you\n{to_do}\n"
    )


def _to_check(kit: Kit) -> list[str]:
    notes = [
        f"{BIBLIOGRAPHY}: entries were written down from memory, check each",
        "checklist.csv: items of guidelines are paraphrased from memory, hold them to the text",
        "availability.txt: name the repository and its DOI",
    ]
    unfit = [d.name for d in kit.figures if not d.files]
    if unfit:
        notes.append(f"figures: at no width of a journal: {listed(unfit)}; see results/figures")
    if kit.to_come:
        notes.append(f"the study is not finished: {listed(kit.to_come)} still to be measured")
    return notes


# The document, its references and the checklist.
# ----------------------------------------------------------------------


def paper_of(kit: Kit) -> Paper:
    """Return the parts of the document: of figures, those that fit a width of a journal."""
    given = [drawn for drawn in kit.figures if drawn.files]
    tests = effects_table(kit.material)
    availability = [text.partition(". ") for text in availability_text(kit)]
    return Paper(
        title=plain(kit.run.run["title"]),
        authors=kit.authors,
        state=f"Not finished: still to be measured: {listed(kit.to_come)}." if kit.to_come else "",
        methods=kit.methods.sections,
        results=results_text(kit),
        statements=[(name, text) for name, _, text in availability],
        figures=[drawn for drawn in given if drawn.name in _MAIN_FIGURES],
        tables=[] if tests is None else [tests],
        more_figures=[drawn for drawn in given if drawn.name not in _MAIN_FIGURES],
        more_tables=[
            group_means_table(kit.material),
            indices_table(kit.material),
            *content_tables(kit.material),
        ],
        works={work.key: work for work in [*kit.methods.works.values(), *_works_beside(kit)]},
        checklist=_checklist_table(kit),
        started=str(kit.run.run["started"]),
    )


def _checklist_table(kit: Kit) -> PaperTable:
    rows = [[short, item, state, where] for short, item, state, where in checklist(kit)]
    names = "; ".join(GUIDELINES.values())
    caption = (
        f"What reporting guidelines ask for, and where it stands in the paper kit. {names}. Items "
        "were written down from memory, but for those of MIAPPE."
    )
    return PaperTable(
        "checklist", caption, "lp{70mm}lp{55mm}", ("Guideline", "Item", "State", "Where"), rows
    )


def bibliography(works: Iterable[Work]) -> str:
    """Return the BibTeX file: every work once, by its key."""
    by_key = {work.key: work for work in works}
    return "\n".join(by_key[key].bibtex() for key in sorted(by_key))


# What reporting guidelines ask for, and where it stands.
# ----------------------------------------------------------------------

GUIDELINES = {
    "MIAPPE": "MIAPPE 1.1, Minimum Information About a Plant Phenotyping Experiment "
    "(Papoutsoglou et al. 2020, New Phytologist 227: 260-273)",
    "SAMPL": "SAMPL, Statistical Analyses and Methods in the Published Literature "
    "(Lang and Altman 2013, in Science Editors' Handbook)",
    "DOME": "DOME, recommendations for supervised machine learning validation in biology "
    "(Walsh et al. 2021, Nature Methods 18: 1122-1127)",
    "GUM": "GUM, Guide to the expression of uncertainty in measurement (JCGM 100:2008), clause 7",
    "FAIR": "FAIR guiding principles (Wilkinson et al. 2016, Scientific Data 3: 160018)",
}
"""Short name -> the guideline; items are paraphrased from memory, but for those of MIAPPE."""
GIVEN, TO_DO, NOT_HERE = "given", "to be filled in", "not in this study"
_CHECKLIST = ("guideline", "item", "from_memory", "state", "where")
Item = tuple[str, str, str, str]
"""Guideline, item, state, where it stands or what is missing."""


def checklist_csv(kit: Kit) -> str:
    """Return the checklist as CSV: guideline, item, whether it is from memory, state, where."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_CHECKLIST)
    for short, item, state, where in checklist(kit):
        memory = "no" if short == "MIAPPE" else "yes"
        writer.writerow([GUIDELINES[short], item, memory, state, escape_formula_cell(where)])
    return text.getvalue()


def checklist(kit: Kit) -> Iterator[Item]:
    """Yield what each guideline asks for, and whether and where this kit has it."""
    yield from _of_miappe(kit)
    yield from _of_statistics(kit)
    yield from _of_the_classifier(kit)
    yield from _of_uncertainty(kit)
    yield from _of_data(kit)


def _of_miappe(kit: Kit) -> Iterator[Item]:
    filled = miappe_fields_filled(kit.run)
    for number, (section, name, times) in FIELDS.items():
        state = GIVEN if number in filled else TO_DO
        yield "MIAPPE", f"{number} {section}: {name} ({times})", state, "archive/miappe.csv"


def _of_statistics(kit: Kit) -> Iterator[Item]:
    settings = kit.run.settings("effects")
    tested = bool(len(kit.material.effects))
    primary = bool(settings["effects"]["primary"])
    plan = bool(kit.material.plan_sentences)
    lots = (kit.run.folder / "plan" / "plan.json").is_file()
    status = GIVEN if tested else NOT_HERE
    yield "SAMPL", "the primary outcome is named", GIVEN if primary else TO_DO, "methods.txt"
    yield "SAMPL", "planned analyses are told from others", GIVEN if plan else TO_DO, "results.txt"
    yield "SAMPL", "every method is named and referenced", status, f"methods.txt, {BIBLIOGRAPHY}"
    yield "SAMPL", "the unit of analysis, and n of every group", GIVEN, "methods.txt, tables"
    yield (
        "SAMPL",
        "means with standard deviations, not standard errors",
        GIVEN,
        "tables/group_means",
    )
    yield "SAMPL", "estimates with intervals", status, "results.txt, tables/tests.tex"
    yield "SAMPL", "p as a number, and the level of the tests", status, "results.txt, methods.txt"
    yield "SAMPL", "adjustment for several tests", status, "methods.txt, tables/tests.tex"
    yield "SAMPL", "assumptions were looked at", status, "figures: residuals"
    yield "SAMPL", "what was left out, and why", GIVEN, "methods.txt, tables/exclusions.csv"
    yield "SAMPL", "software with versions", GIVEN, "methods.txt"
    where = "archive: plan" if lots else "say how many units were chosen, and why"
    yield "SAMPL", "how the number of units was chosen", TO_DO, where


def _of_the_classifier(kit: Kit) -> Iterator[Item]:
    state = GIVEN if kit.material.classes is not None else NOT_HERE
    for item, where in (
        ("Data: origin, classes, and how training and test are kept apart", "methods.txt"),
        ("Optimization: algorithm, preprocessing, how its size was chosen", "methods.txt"),
        ("Model: whether it can be read, and where it is", "archive: results/classes"),
        ("Evaluation: measure, interval, baselines, chance", "results.txt, figures: rivals"),
    ):
        yield "DOME", item, state, where if state == GIVEN else ""


def _of_uncertainty(kit: Kit) -> Iterator[Item]:
    yield "GUM", "standard uncertainty of the result, with its sources", GIVEN, "archive: results"
    measured = bool(kit.material.effects["in_u"].notna().any())
    state = GIVEN if measured else TO_DO
    yield "GUM", "effects beside the uncertainty of measurement", state, "tables/effects.csv: in_u"
    yield "GUM", "coverage factor (k = 1)", GIVEN, "archive: results, columns u_..."


def _of_data(kit: Kit) -> Iterator[Item]:
    licence = GIVEN if kit.licence else TO_DO
    people = GIVEN if kit.authors else TO_DO
    yield "FAIR", "F1: a persistent identifier", TO_DO, "the repository gives a DOI"
    yield "FAIR", "F2: rich metadata, with creators", people, "archive/datacite.json (--author)"
    yield "FAIR", "I1: a formal language for metadata", GIVEN, "archive/ro-crate-metadata.json"
    yield "FAIR", "R1.1: a licence", licence, "archive/datacite.json (--licence)"
    yield "FAIR", "R1.2: provenance", GIVEN, "archive/ro-crate-metadata.json, archive/records"
    yield "FAIR", "R1.3: standards of the field", GIVEN, "archive/miappe.csv"

"""How do answers become a complete study, and how do treatments drawn later get into its files?

Every file is a function of the answers and the seed alone. A study is written whole or not at all,
into a new or empty folder.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from leafledger.errors import Problem, input_fault, quoted
from leafledger.planning.design_checks import AFTER, Answers, PlannedSession, size_sentences
from leafledger.planning.printed_sheets import (
    Sheet,
    labels_html,
    labels_of,
    labels_pdf,
    missing_letters,
    randomisation_html,
    sheet_html,
    sheet_pdf,
)
from leafledger.planning.randomisation import (
    BLOCK_COLUMN,
    BLOCKS,
    Allocation,
    Effort,
    Step,
    csv_text,
    draw,
    in_words,
    orders,
    stated_blocks,
    steps,
    unit_names,
    units_between_references,
)
from leafledger.records.digests import version
from leafledger.study.definition import DEFAULT_INDICES
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.sheets import EXAMPLE, UNITS
from leafledger.study.table_files import write_bytes
from leafledger.words import counted, plural

# A new study: settings, sheets, order, pages to print
# ----------------------------------------------------------------------

TREATMENT = "treatment"
SCAN_COLUMNS = (
    "scan",
    "file",
    "role",
    "session",
    "unit",
    "leaf",
    "replicate",
    "time",
    "note",
    "photo",
    "omitted",
)
"""Columns of scans.csv; the last four are filled in while measuring."""
ENDING = "txt"
PLAN = "plan"
PLAN_FILE = f"{PLAN}/plan.json"
ALLOCATION_TABLE = f"{PLAN}/allocation.csv"
PAGE_OF_WORDS = f"{PLAN}/randomisation.html"
_FORM = 1

Files = dict[str, bytes]
"""Path inside the study -> content."""


# The draw: who gets what, and in which order.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class PlannedStudy:
    """A study as it is planned.

    Attributes
    ----------
    answers
        What was asked for.
    units
        In the order of units.csv.
    allocation
        ``None`` where lots are drawn after the session before the treatment.
    order
        Session -> its steps.
    """

    answers: Answers
    units: tuple[str, ...]
    allocation: Allocation | None
    order: Mapping[str, tuple[Step, ...]]


def plan_study(answers: Answers) -> PlannedStudy:
    """Draw allocation and measuring order of a study.

    Parameters
    ----------
    answers
        A design of which :func:`~leafledger.planning.design_checks.design_problems` finds
        nothing.
    """
    units = tuple(unit_names(answers.n_units))
    allocation = None
    if not answers.allocate_later:
        block = stated_blocks(units, answers.n_blocks, answers.layout)
        allocation = draw(units, answers.treatments, answers.layout, block, answers.seed)
    names = [s.session for s in answers.sessions]
    order = session_steps(names, units, allocation, answers.effort, answers.n_arms, answers.seed)
    return PlannedStudy(answers, units, allocation, order)


def session_steps(
    sessions: Sequence[str],
    units: Sequence[str],
    allocation: Allocation | None,
    effort: Effort,
    n_arms: int,
    seed: int,
) -> dict[str, tuple[Step, ...]]:
    """Return session -> steps in the order of measuring."""
    treatment = dict.fromkeys(units, "") if allocation is None else allocation.treatment
    block = {} if allocation is None else allocation.block
    drawn = orders(sessions, treatment, block, effort, seed)
    return {name: tuple(steps(name, order, effort, n_arms)) for name, order in drawn.items()}


def order_sha256(session_order: Sequence[Step]) -> str:
    """Return the SHA-256 of the order of a session: its scan ids, a line each."""
    return hashlib.sha256("".join(f"{s.scan}\n" for s in session_order).encode()).hexdigest()


# The files.
# ----------------------------------------------------------------------


def files_of(planned: PlannedStudy) -> Files:
    """Return every file of the study, and folders as names that end in ``/``."""
    answers, allocation = planned.answers, planned.allocation
    files: Files = {f"raw/{session.session}/": b"" for session in answers.sessions}
    files["units.csv"] = units_text(planned).encode("utf-8")
    rows = [row for order in planned.order.values() for row in scan_rows(order)]
    files["scans.csv"] = csv_text([SCAN_COLUMNS, *rows]).encode("utf-8")
    files["decisions.csv"] = b"scan,action,reason,by,when\n"
    files |= sheet_files(
        answers.title, answers.word, planned.order, answers.sessions, answers.effort.n_scans > 1
    )
    block = {} if allocation is None else allocation.block
    labels = labels_of(planned.units, block, BLOCK_COLUMN[answers.layout])
    files[f"{PLAN}/labels.html"] = labels_html(answers.title, labels)
    files[f"{PLAN}/labels.pdf"] = labels_pdf(answers.title, labels)
    if allocation is not None:
        files[ALLOCATION_TABLE] = allocation.text.encode("utf-8")
    files[PLAN_FILE] = json_bytes(plan_facts(planned))
    files[PAGE_OF_WORDS] = randomisation_html(
        answers.title, _sections(planned), _facts_to_check(planned)
    )
    files["study.yaml"] = study_text(answers).encode("utf-8")
    return files


def json_bytes(value: Any) -> bytes:
    """Return a value as JSON with sorted keys."""
    text = json.dumps(value, sort_keys=True, indent=1, allow_nan=False, ensure_ascii=False)
    return f"{text}\n".encode()


def units_text(planned: PlannedStudy) -> str:
    """Return units.csv; the treatment is blank where lots are drawn later."""
    if planned.allocation is not None:
        column = BLOCK_COLUMN[planned.answers.layout]
        allocation = planned.allocation
        heading = ["unit", TREATMENT, *([column] if column else [])]
        rows = [
            [unit, allocation.treatment[unit], *([allocation.block[unit]] if column else [])]
            for unit in planned.units
        ]
        return csv_text([heading, *rows])
    return csv_text([["unit", TREATMENT], *([unit, ""] for unit in planned.units)])


def scan_rows(order: Sequence[Step]) -> list[list[str]]:
    """Return rows of scans.csv in the order of measuring."""
    return [
        [
            step.scan,
            f"raw/{step.session}/{step.scan}.{ENDING}",
            step.role,
            step.session,
            step.unit,
            step.leaf,
            step.replicate,
            "",
            "",
            "",
            "",
        ]
        for step in order
    ]


def sheet_files(
    title: str,
    word: str,
    order: Mapping[str, Sequence[Step]],
    sessions: Sequence[PlannedSession],
    with_replicates: bool,
) -> Files:
    """Return the sheet of each session that has an order, as HTML and PDF."""
    files: Files = {}
    for session in sessions:
        if session.session not in order:
            continue
        held = tuple(order[session.session])
        sheet = Sheet(
            title, session.session, session.date, word, held, with_replicates, order_sha256(held)
        )
        files[f"{PLAN}/sheets/{session.session}.html"] = sheet_html(sheet)
        files[f"{PLAN}/sheets/{session.session}.pdf"] = sheet_pdf(sheet)
    return files


def plan_facts(planned: PlannedStudy) -> dict[str, Any]:
    """Return what ``plan/plan.json`` holds: answers, seed, versions, digests."""
    import numpy as np

    answers, allocation = planned.answers, planned.allocation
    return {
        "form": _FORM,
        "answers": answers.facts(),
        "seed": answers.seed,
        "versions": {"leafledger": version(), "numpy": np.__version__},
        "allocation": None
        if allocation is None
        else {
            "layout": allocation.layout,
            "sha256": allocation.sha256,
            "words": in_words(allocation, answers.treatments, plural(answers.word)),
        },
        "order_sha256": {name: order_sha256(order) for name, order in planned.order.items()},
        "size": size_sentences(answers),
    }


# study.yaml.
# ----------------------------------------------------------------------


def _quoted(text: str) -> str:
    """Return a YAML text; JSON strings are YAML strings."""
    return json.dumps(text, ensure_ascii=False)


def _line(text: str, comment: str) -> str:
    """Return a line with its comment in one column with the others, as far as it fits."""
    return f"{text:<34} # {comment}\n"


def study_text(answers: Answers) -> str:
    """Return study.yaml, with comments as ``leafledger new`` writes them."""
    after = [s.session for s in answers.sessions if s.phase == AFTER]
    levels = ", ".join(_quoted(name) for name in answers.treatments)
    column = "" if answers.allocate_later else BLOCK_COLUMN[answers.layout]
    if column:
        block = _line(f"  block: {column}", "a column of units.csv")
    elif answers.allocate_later:
        block = (
            "  # block:                         # written by `leafledger plan allocate`, once the\n"
            "                                   # session before the treatment has been run\n"
        )
    else:
        block = "  # block: block                   # completely randomised: there are no blocks\n"
    sessions = "".join(
        f"    - {{session: {s.session}, phase: {s.phase}"
        + (f", date: {s.date.isoformat()}}}\n" if s.date else "}    # date: 2026-05-04\n")
        for s in answers.sessions
    )
    margin = ""
    if answers.difference is not None:
        text = f"  margin: {{{answers.index}: {answers.difference:.15g}}}"
        margin = _line(text, "smallest difference that would matter")
    alpha = ""
    if answers.alpha != 0.05:
        alpha = f"  alpha: {answers.alpha:.15g}\n  interval: {1 - answers.alpha:.15g}\n"
    indices = ""
    if answers.index not in DEFAULT_INDICES:
        indices = f"indices:\n  use: [{', '.join((*DEFAULT_INDICES, answers.index))}]\n"
    form = f"{{form: text, quantity: {answers.quantity}, wavelength_column: 1, value_column: 2}}"
    question = (
        f"Does {' or '.join(t for t in answers.treatments if t != answers.control)} change "
        f"{answers.index} against {answers.control} by {after[-1] if after else 'the end'}?"
    )
    return f"""\
# Written by `leafledger plan`. Every key is explained in config/study.example.yaml; a word that is
# not known is an error with a suggestion. Treatments, blocks and sessions follow the lots that were
# drawn (plan/randomisation.html): change them here and the analysis no longer follows the plan.
version: 1
title: {_quoted(answers.title)}
question: {_quoted(question)}
design:
{_line(f"  unit: {_quoted(answers.word)}", "word for one experimental unit; ids: units.csv")}\
{_line(f"  treatment: {TREATMENT}", "a column of units.csv")}\
{_line(f"  control: {_quoted(answers.control)}", "the level that the others are compared with")}\
{_line(f"  levels: [{levels}]", "all of them; `check` refuses any other")}\
{block}\
  sessions:                        # in the order of measuring
{sessions}\
intake:
  sheet: scans.csv                 # filled in beforehand, in the order of measuring
  forms:
    default: {form}
{indices}\
effects:
  # The one effect that is planned. Put it on record before you measure: leafledger plan record
  primary: {{index: {answers.index}, question: difference_in_change\
{f", session: {after[-1]}" if after else ""}}}
{margin}{alpha}\
# classes: {{target: {TREATMENT}}}     # a classifier as well
"""


# The page of words.
# ----------------------------------------------------------------------


def _sections(planned: PlannedStudy) -> list[tuple[str, list[str]]]:
    answers, allocation = planned.answers, planned.allocation
    word = plural(answers.word)
    if allocation is not None:
        lots = [
            in_words(allocation, answers.treatments, word),
            f"Which {answers.word} got which treatment stands in units.csv and "
            "plan/allocation.csv, and on no sheet and no label.",
        ]
        if answers.layout == BLOCKS:
            lots.append(
                f"{word[:1].upper()}{word[1:]} of one block stand together: "
                + "; ".join(_blocks_in_words(allocation))
                + "."
            )
    else:
        lots = [
            f"Treatments are not drawn yet: {counted(answers.n_units, answers.word)} are measured "
            "first. Then `leafledger plan allocate` forms "
            + ("pairs" if answers.layout == "pairs" else "blocks")
            + f" of {word} that were alike, and draws lots within them.",
        ]
    return [
        ("Who gets what", lots),
        ("In which order", order_words(answers, allocation is not None)),
        ("How many", size_sentences(answers) or ["The number of units was given; the variation "
         "between units was not stated, so that no power is told."]),
        ("Cautions", cautions(answers)),
    ]  # fmt: skip


def _blocks_in_words(allocation: Allocation) -> list[str]:
    members: dict[str, list[str]] = {}
    for unit, name in allocation.block.items():
        members.setdefault(name, []).append(unit)
    return [
        f"block {name}: {units[0]} to {units[-1]}"
        if len(units) > 2
        else f"block {name}: " + ", ".join(units)
        for name, units in members.items()
    ]


def order_words(answers: Answers, drawn: bool) -> list[str]:
    """Return in words how the order of measuring was drawn."""
    effort, word = answers.effort, plural(answers.word)
    out = []
    if drawn:
        between = units_between_references(effort, answers.n_arms)
        blocks = (
            f" {BLOCK_COLUMN[answers.layout].capitalize()}s are measured one after the other, in "
            "an order drawn for the session."
            if BLOCK_COLUMN[answers.layout]
            else ""
        )
        out.append(
            f"In every session {word} are measured in rounds of one {answers.word} of each "
            "treatment. Which treatment comes first in a round is the row of a Latin square drawn "
            "by lot, so that every treatment stands equally often in every position, within a "
            "session and over the sessions, as nearly as the numbers allow. A drift that is "
            f"linear in time cancels. Which {answers.word} of a treatment takes its place is "
            f"drawn anew in each session.{blocks}"
        )
    else:
        between = units_between_references(effort, answers.n_arms)
        out.append(
            f"In every session the order of {word} is a plain lot, for treatments are not drawn "
            "yet. With the allocation the order of the sessions after the treatment is drawn anew, "
            "with treatments alternating."
        )
    if effort.n_references:
        few = answers.word if between == 1 else counted(between, answers.word)
        out.append(
            f"Darks and whites, {effort.n_references} each, come first, then after every "
            f"{few} ({between * effort.per_unit} leaf scans), and at the end."
        )
    return out


def cautions(answers: Answers) -> list[str]:
    """Return what randomisation does not do by itself."""
    word = plural(answers.word)
    return [
        f"The lots hold only if they are kept. A {answers.word} that dies keeps its treatment in "
        "units.csv and its scans are stated as omitted, with the reason; it is never replaced by "
        "another.",
        "Treat the control in all things as the others but for the one thing asked about: the same "
        "day, volume, water and carrier.",
        f"Move or turn {word} by a rule that knows no treatment, or leave them where they stand.",
        "Whoever measures should not know the treatments. Keep units.csv and plan/allocation.csv "
        "away from the bench.",
        "A digest in your own folder convinces you; sent to a colleague or lodged in a registry "
        "before the first scan, it convinces others: leafledger plan record.",
    ]


def _facts_to_check(planned: PlannedStudy) -> list[tuple[str, str]]:
    facts = plan_facts(planned)
    versions = facts["versions"]
    out = [("Seed", str(planned.answers.seed))]
    if planned.allocation is not None:
        out.append(("SHA-256 of the allocation (plan/allocation.csv)", planned.allocation.sha256))
    out += [
        (f"SHA-256 of the order of {name} (its scan ids, a line each)", digest)
        for name, digest in facts["order_sha256"].items()
    ]
    out.append(
        (
            "Drawn by",
            f"leafledger {versions['leafledger']}, NumPy {versions['numpy']} (PCG64); the same "
            "answers, seed and versions give the same files",
        )
    )
    return out


# Writing.
# ----------------------------------------------------------------------


def folder_problem(folder: Path) -> Problem | None:
    """Return why a study cannot be written to a folder; ``None`` if it can."""
    if folder.is_dir() and not any(folder.iterdir()):
        return None
    if not folder.exists() and not folder.is_symlink():
        return None
    is_study = (folder / "study.yaml").exists()
    return Problem(
        file=str(folder),
        found="a study already"
        if is_study
        else ("a folder that is not empty" if folder.is_dir() else "a file"),
        expected="a new or empty folder",
        mend="Name another folder; nothing is overwritten."
        + (" A plan that stands is put on record by `leafledger plan record`." * is_study),
    )


def write_study(folder: Path, files: Mapping[str, bytes]) -> None:
    """Write a study whole: a new folder appears with all its files, or not at all.

    Into a folder that exists the files are written one by one, ``study.yaml`` last; if that fails
    what was written is taken away.

    Raises
    ------
    InputFault
        If the folder is not empty.
    """
    problem = folder_problem(folder)
    if problem is not None:
        raise input_fault(problem.file, problem.found, problem.expected, problem.mend)
    target = Path(os.path.realpath(folder))
    if target.is_dir():
        try:
            _write(target, files)
        except BaseException:
            for child in target.iterdir():
                if child.is_dir():
                    shutil.rmtree(child, ignore_errors=True)
                else:
                    child.unlink(missing_ok=True)
            raise
        return
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name}.{os.getpid()}.tmp")
    try:
        temporary.mkdir()
        _write(temporary, files)
        temporary.rename(target)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def _write(root: Path, files: Mapping[str, bytes]) -> None:
    for name, data in files.items():
        if name.endswith("/"):
            (root / name).mkdir(parents=True, exist_ok=True)
        else:
            write_bytes(root / name, data)


def letter_warnings(answers: Answers) -> list[str]:
    """Return that the PDFs lack letters of the title; the HTML has them."""
    missing = missing_letters(f"{answers.title}{answers.word}")
    if not missing:
        return []
    return [f"The PDFs have no letters for {missing}: print the sheets and labels from the HTML."]


# Treatments, blocks and a new order in the files of a study
# ----------------------------------------------------------------------
# Columns that a person added, comments, line ends and the order of rows are kept. Nothing is
# written here: each function turns the bytes of a file into those of the new one.

UNITS_FILE = UNITS[0]


def units_with(
    data: bytes, treatment: str, column: str, allocation: Allocation, ours: Collection[str] = ()
) -> bytes:
    """Return units.csv with treatments and blocks filled in, all else as it was.

    Parameters
    ----------
    data
        The sheet, UTF-8, commas.
    treatment, column
        Columns of the treatment and of the pair or block; the latter is added if it is not there.
    allocation
        Who gets what.
    ours
        Columns of earlier allocations: this one is written over, others are taken out.

    Raises
    ------
    InputFault
        If the column of the block holds something else already.
    """
    text = data.decode("utf-8-sig")
    mark = b"\xef\xbb\xbf" if data.startswith(b"\xef\xbb\xbf") else b""
    end = "\r\n" if "\r\n" in text else "\n"
    out = io.StringIO()
    write = csv.writer(out, lineterminator=end)
    heading: list[str] | None = None
    dead: list[int] = []
    for row in csv.reader(io.StringIO(text, newline="")):
        passed_over = not any(cell.strip() for cell in row) or row[0].lstrip().startswith(EXAMPLE)
        if passed_over:
            write.writerow(row)
        elif heading is None:
            heading = [cell.strip() for cell in row]
            if column not in heading:
                row, heading = [*row, column], [*heading, column]
            dead = [k for k, name in enumerate(heading) if name in ours and name != column]
            write.writerow([cell for k, cell in enumerate(row) if k not in dead])
        else:
            cells = [*row, *[""] * (len(heading) - len(row))]
            unit = cells[heading.index("unit")].strip()
            column_index = heading.index(column)
            if cells[column_index].strip() and column not in ours:
                raise input_fault(
                    file=UNITS_FILE,
                    found=f"a column {quoted(column)} that is filled in ({unit}: "
                    f"{quoted(cells[column_index].strip())})",
                    expected=f"a free column for the {column}s that are formed now",
                    mend=f"Rename the column {column}.",
                    column=column,
                )
            cells[heading.index(treatment)] = allocation.treatment[unit]
            cells[column_index] = allocation.block[unit]
            write.writerow([cell for k, cell in enumerate(cells) if k not in dead])
    return mark + out.getvalue().encode("utf-8")


def with_block(data: bytes, column: str) -> bytes:
    """Return study.yaml with ``design.block``, its other lines and comments as they were.

    Raises
    ------
    InputFault
        If the section design is not written on lines of its own.
    """
    text = data.decode("utf-8-sig")
    stated: dict[str, Any] = yaml.safe_load(text)
    design = stated.get("design") or {}
    if design.get("block") == column:
        return data
    end = "\r\n" if "\r\n" in text else "\n"
    new = end.join(_lines_with_block(text.split(end), column))
    if yaml.safe_load(new) != {**stated, "design": {**design, "block": column}}:
        raise input_fault(
            file=STUDY_FILE,
            found="a section design that is not written on lines of its own",
            expected=f"`block: {column}` in the section design",
            mend=f"Write `block: {column}` there yourself, then allocate again.",
            column="design.block",
        )
    return new.encode("utf-8")


def _lines_with_block(lines: list[str], column: str) -> list[str]:
    """Return the lines of study.yaml with the key in place of an old one or of its comment."""
    heads = [i for i, line in enumerate(lines) if line.split("#")[0].rstrip() == "design:"]
    if not heads:
        return lines
    start = heads[0] + 1
    stop = start
    while stop < len(lines) and (not lines[stop].strip() or lines[stop].startswith(" ")):
        stop += 1
    depth = min(
        (len(line) - len(line.lstrip()) for line in lines[start:stop] if line.strip()), default=2
    )
    indent = " " * depth
    new = f"{indent}block: {column}"
    new = f"{new:<34} # written by `leafledger plan allocate`"
    for i in range(start, stop):
        if lines[i].startswith(f"{indent}block:"):
            return [*lines[:i], new, *lines[i + 1 :]]
    for i in range(start, stop):
        if lines[i].startswith(f"{indent}# block:"):
            after = i + 1
            while after < stop and lines[after].strip().startswith("#"):
                after += 1
            return [*lines[:i], new, *lines[after:]]
    return [*lines[:start], new, *lines[start:]]


def with_rows_of_session(data: bytes, session: str, rows: Sequence[Sequence[str]]) -> bytes | None:
    """Return a scan sheet whose rows of a session are in another order.

    Parameters
    ----------
    data
        The sheet.
    session
        A session of which no scan exists.
    rows
        Its rows in the new order, with the columns of ``SCAN_COLUMNS``.

    Returns
    -------
    bytes or None
        ``None`` if the leaf scans that stand there are not those of ``rows``, or a row holds a
        time, note or photo already.
    """
    read = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    heading = [cell.strip() for cell in read[0]]
    if not set(SCAN_COLUMNS) <= set(heading):
        return None
    column_of = {name: heading.index(name) for name in heading}
    session_rows = [
        i for i, row in enumerate(read) if i and row and row[column_of["session"]] == session
    ]
    row_of = {read[i][column_of["scan"]]: i for i in session_rows}
    planned = {row[0]: dict(zip(SCAN_COLUMNS, row, strict=True)) for row in rows}
    samples = {name for name, cells in planned.items() if cells["role"] == "sample"}
    standing = {name for name, i in row_of.items() if read[i][column_of["role"]] == "sample"}
    used = ("time", "note", "photo", "omitted")
    if samples != standing or any(read[i][column_of[name]] for i in session_rows for name in used):
        return None
    if {name for name in row_of if name not in standing} - set(planned):
        return None  # a reference or tile that was added by hand
    new = []
    for name, cells in planned.items():
        row = list(read[row_of[name]]) if name in row_of else [""] * len(heading)
        for column, value in cells.items():
            row[column_of[column]] = value
        new.append(row)
    first = session_rows[0] if session_rows else len(read)
    rows_before = read[:first]
    rest = [row for i, row in enumerate(read) if i >= first and i not in set(session_rows)]
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([*rows_before, *new, *rest])
    return out.getvalue().encode("utf-8")

"""How are treatments drawn once the session before the treatment is in: ``plan allocate``?

Units that were alike before the treatment form a pair or block, and lots are drawn within it. The
values are unit means of a run that is current. What was drawn is written once: ``plan/`` keeps it
with seed, digest and the values used, the book of runs enters it, and drawing again takes an
explicit word that the book tells.
"""

from __future__ import annotations

import secrets
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from leafledger.errors import InputFault, Problem, first_words, input_fault, nearest, quoted
from leafledger.planning.design_checks import PlannedSession, layout_problems
from leafledger.planning.planned_study import (
    ALLOCATION_TABLE,
    PAGE_OF_WORDS,
    PLAN,
    PLAN_FILE,
    Files,
    json_bytes,
    order_sha256,
    scan_rows,
    session_steps,
    sheet_files,
    units_with,
    with_block,
    with_rows_of_session,
)
from leafledger.planning.printed_sheets import randomisation_html
from leafledger.planning.randomisation import (
    BLOCK_COLUMN,
    BLOCKS,
    FREE,
    LAYOUTS,
    PAIRS,
    Allocation,
    Effort,
    alike_blocks,
    balance,
    block_names,
    draw,
    in_words,
)
from leafledger.records.digests import FileDigests, version
from leafledger.runner.outdated import Planned, PlanRecord, outdated, record_plan
from leafledger.runner.study_check import checked_study
from leafledger.runner.study_folder import study_lock
from leafledger.study.definition import Design
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.reading import read_design
from leafledger.study.sheets import units_file
from leafledger.study.study import Study, Task, inputs, outputs, tasks
from leafledger.study.table_files import read_csv, read_json, write_bytes
from leafledger.words import listed, plural

ALLOCATION_FILE = f"{PLAN}/allocation.json"
UNITS_FILE = "units.csv"
SCANS_FILE = "scans.csv"
_RESULTS = "results/unit_indices.csv"
_RULE = "unit_means"


@dataclass(frozen=True)
class AllocationOptions:
    """How lots are to be drawn; what is ``None`` is as it was planned.

    Attributes
    ----------
    layout
        ``pairs`` or ``complete_blocks``.
    n_blocks
        Number of blocks.
    indices
        The primary index, and a second one.
    seed
        Seed of the lots.
    again
        Whether lots may be drawn though they were drawn before.
    """

    layout: str | None = None
    n_blocks: int | None = None
    indices: tuple[str, ...] = ()
    seed: int | None = None
    again: bool = False


@dataclass(frozen=True)
class Allocated:
    """What was drawn.

    Attributes
    ----------
    allocation
        Who gets what.
    facts
        What ``plan/allocation.json`` holds.
    record
        The entry in the book of runs.
    notes
        What should be known.
    """

    allocation: Allocation
    facts: Mapping[str, Any]
    record: PlanRecord
    notes: tuple[str, ...]


def allocate_study(folder: Path, options: AllocationOptions) -> Allocated:
    """Draw treatments on the values before, write them, and enter them in the book.

    Raises
    ------
    InputFault
        If the study was allocated before, an after-session has scans, results are missing or not
        current, or units and blocks do not fit together.
    """
    with study_lock(folder):
        study = checked_study(folder)
        refuse(study, options)
        values = baseline_values(study, options)
        allocation, facts = draw_allocation(study, values, options)
        files, notes = _files(study, allocation, facts)
        _check_written_design(study.folder, files)
        # units.csv comes last: until it is there nothing is allocated.
        for name in sorted(files, key=lambda name: (name == UNITS_FILE, name == STUDY_FILE, name)):
            write_bytes(study.folder / name, files[name])
    entry = {"sha256": allocation.sha256, "seed": allocation.seed}
    return Allocated(allocation, facts, record_plan(study.folder, entry), tuple(notes))


# What stands against drawing lots.
# ----------------------------------------------------------------------


def refuse(study: Study, options: AllocationOptions) -> None:
    """Refuse to draw lots where they were drawn, or too late.

    Raises
    ------
    InputFault
        With every reason.
    """
    problems = [*_allocated_already(study, options), *_too_late(study), *_design_problems(study)]
    if problems:
        raise InputFault(problems)


def _allocated_already(study: Study, options: AllocationOptions) -> Iterator[Problem]:
    column = study.definition.design.treatment
    named = [unit for unit, labels in study.units.items() if labels.get(column)]
    if named and not options.again:
        which = "every unit" if len(named) == len(study.units) else first_words(named, 5)
        yield Problem(
            file=units_file(study.folder),
            column=column,
            found=f"a treatment of {which} already",
            expected="units whose treatment is blank: lots are drawn once",
            mend="Keep the allocation that stands. `--again` draws anew, keeps the old one in "
            "plan/, and the book of runs tells of both.",
        )


def _too_late(study: Study) -> Iterator[Problem]:
    """Yield the after-sessions of which any file is there."""
    for session in study.sessions:
        if session.phase != "after":
            continue
        files = [s.file for s in study.scans if s.session == session.session]
        files = [file for file in files if (study.folder / file).exists()]
        session_folder = study.folder / "raw" / session.session
        if not files and session_folder.is_dir():
            files = [f"raw/{session.session}/{p.name}" for p in sorted(session_folder.iterdir())]
            files = [name for name in files if not Path(name).name.startswith(".")]
        if files:
            yield Problem(
                file=files[0],
                found=f"{len(files)} file{'s' * (len(files) > 1)} of {session.session}, a session "
                "after the treatment",
                expected="no scan after the treatment yet",
                mend="Lots cannot be drawn when the treatment has begun. State in units.csv what "
                "each unit got.",
            )


def _design_problems(study: Study) -> Iterator[Problem]:
    design = study.definition.design
    if design.unit is None:
        yield Problem(STUDY_FILE, "units that are not known", "a unit for every leaf",
                      "Name the experimental unit: design.unit.", column="design.unit")  # fmt: skip
    if len(design.levels) < 2:
        yield Problem(
            STUDY_FILE, f"{len(design.levels)} levels", "all treatments that are to be drawn",
            "State them: levels: [water, chelate].", column="design.levels",
        )  # fmt: skip
    if not any(s.phase == "before" for s in study.sessions):
        yield Problem(
            STUDY_FILE, "no session before the treatment", "one, on whose values lots are drawn",
            "Mark it: phase: before.", column="design.sessions",
        )  # fmt: skip
    name = units_file(study.folder)
    if name != UNITS_FILE:
        yield Problem(name, "a workbook", "units.csv, into which the treatments are written",
                      "Save the sheet as CSV (UTF-8), and take the workbook away.")  # fmt: skip


# The values before.
# ----------------------------------------------------------------------


def baseline_values(study: Study, options: AllocationOptions) -> dict[str, list[float]]:
    """Return unit -> values of the indices before the treatment, means over those sessions.

    Raises
    ------
    InputFault
        If there are no results, they are not current, or a unit has no value.
    """
    stale = _outdated_tasks(study)
    if stale and options.again and _columns_of_earlier(study.folder):
        # The results of the session before hold, whatever treatments were drawn since.
        stale = _outdated_tasks(_before_lots(study)) and stale
    if stale or not (study.folder / _RESULTS).is_file():
        first = f"{stale[0].task.name}: {stale[0].why}" if stale else "no results"
        raise input_fault(
            file=_RESULTS,
            found=f"results that are not up to date ({first})",
            expected="unit means of the session before, of a run that is current",
            mend=f"Run it first: leafledger run {study.folder.name}",
        )
    table, indices = read_csv(study.folder / _RESULTS), indices_of(study, options)
    return values_of_table(table, list(study.units), sessions_before(study), indices)


def _outdated_tasks(study: Study) -> list[Planned]:
    """Return the tasks that the values before rest on and that are not up to date."""
    rests_on = _upstream(study, _RULE)
    return [
        planned
        for planned in outdated(study, FileDigests(study.folder))
        if planned.task in rests_on
    ]


def _before_lots(study: Study) -> Study:
    """Return a study as it was before lots were drawn: no treatments, and no column of ours."""
    ours, design = _columns_of_earlier(study.folder), study.definition.design
    units = {
        unit: {
            name: "" if name == design.treatment else text
            for name, text in labels.items()
            if name not in ours
        }
        for unit, labels in study.units.items()
    }
    if design.block in ours:
        design = design.model_copy(update={"block": None})
    definition = study.definition.model_copy(update={"design": design})
    return replace(study, units=units, definition=definition)


def sessions_before(study: Study) -> list[str]:
    """Return the sessions before the treatment, without those that were skipped for good."""
    return [s.session for s in study.sessions if s.phase == "before" and s.skipped is None]


def _upstream(study: Study, rule: str) -> set[Task]:
    """Return the task of a rule of the whole study, and all tasks whose results it rests on."""
    writer = {path: task for task in tasks(study) for path in outputs(task).values()}
    waiting = [Task(rule)]
    upstream = set(waiting)
    while waiting:
        for path in inputs(study, waiting.pop()).values():
            task = writer.get(path)
            if task is not None and task not in upstream:
                upstream.add(task)
                waiting.append(task)
    return upstream


def indices_of(study: Study, options: AllocationOptions) -> list[str]:
    """Return the indices that units are matched on: those asked for, else the primary one.

    Raises
    ------
    InputFault
        If none is asked for and the study names no primary contrast.
    """
    if options.indices:
        return list(dict.fromkeys(options.indices))
    primary = study.definition.effects.primary
    if primary is None:
        raise input_fault(
            file=STUDY_FILE,
            found="no primary contrast",
            expected="the index on which units are matched",
            mend="Name it in effects.primary, or by --index.",
            column="effects.primary",
        )
    return [primary.index]


def values_of_table(
    table: Any, units: Sequence[str], before: Sequence[str], indices: Sequence[str]
) -> dict[str, list[float]]:
    """Return unit -> values of the indices, means over the sessions before.

    Parameters
    ----------
    table
        ``unit_indices.csv``.
    units
        All units that lots are drawn for.
    before
        Sessions before the treatment.
    indices
        Names of the indices, one or two.

    Raises
    ------
    InputFault
        If an index is not in the table, or a unit has no value.
    """
    measured_indices = sorted(set(table["index"]))
    unknown = [name for name in indices if name not in measured_indices]
    if unknown:
        raise InputFault(
            Problem(
                _RESULTS,
                f"no index {quoted(name)}",
                "an index of this study",
                nearest(name, measured_indices),
            )
            for name in unknown
        )
    waiting = [name for name in before if not (table["session"] == name).any()]
    if waiting:
        raise input_fault(
            file=_RESULTS,
            found=f"no values of {first_words(waiting)}",
            expected="every session before the treatment measured and run",
            mend="Measure it and run again; or state in study.yaml that it is skipped, and why.",
        )
    chosen = table[table["session"].isin(list(before)) & table["mean"].notna()]
    means = chosen.groupby(["unit", "index"], sort=True)["mean"].mean()
    lacking = [u for u in units if any((u, name) not in means.index for name in indices)]
    if lacking:
        raise input_fault(
            file=_RESULTS,
            found=f"no value before of {first_words(lacking, 8)}",
            expected=f"{listed(list(indices))} of every unit of {UNITS_FILE}",
            mend="Measure it again or keep one of its scans (leafledger review), or take the unit "
            f"out of {UNITS_FILE} and {SCANS_FILE}.",
        )
    return {unit: [float(means[unit, name]) for name in indices] for unit in units}


# The draw.
# ----------------------------------------------------------------------


def draw_allocation(
    study: Study, values: Mapping[str, Sequence[float]], options: AllocationOptions
) -> tuple[Allocation, dict[str, Any]]:
    """Form pairs or blocks, draw lots within them, and return them with what is kept of it.

    Raises
    ------
    InputFault
        If units, treatments and blocks do not fit together.
    """
    design, word = study.definition.design, study.definition.design.unit or "unit"
    treatments = in_order(design)
    layout, n_blocks = _layout(study, options, len(treatments))
    problems = layout_problems(len(values), len(treatments), layout, n_blocks, plural(word))
    if problems:
        raise InputFault(problems)
    size = 2 if layout == PAIRS else len(values) // n_blocks
    units = list(study.units)
    blocks = alike_blocks(values, size)
    seed = secrets.randbelow(2**32) if options.seed is None else options.seed
    allocation = draw(units, treatments, layout, block_names(blocks, units), seed)
    indices = indices_of(study, options)
    facts = {
        "form": 1,
        "layout": layout,
        "column": BLOCK_COLUMN[layout],
        "treatments": treatments,
        "seed": seed,
        "sha256": allocation.sha256,
        "versions": {"leafledger": version()},
        "indices": indices,
        "sessions": sessions_before(study),
        "rule": rule_in_words(len(indices), layout),
        "words": in_words(allocation, treatments, plural(word)),
        "values": {unit: dict(zip(indices, values[unit], strict=True)) for unit in units},
        "balance": balance(allocation, values, indices),
        "number": len(earlier_allocations(study.folder)) + 1,
        "replaces": _replaced(study),
    }
    return allocation, facts


def in_order(design: Design) -> list[str]:
    """Return the treatments, the control first."""
    others = [level for level in design.levels if level != design.control]
    return ([design.control] if design.control in design.levels else []) + others


def _layout(study: Study, options: AllocationOptions, n_arms: int) -> tuple[str, int]:
    """Return layout and number of blocks: as asked, else as planned, else the smallest blocks."""
    planned = planned_answers(study.folder)
    layout = options.layout or planned.get("layout")
    if layout not in LAYOUTS or layout == FREE:
        layout = PAIRS if n_arms == 2 else BLOCKS
    if layout == PAIRS:
        return layout, 0
    n_blocks = options.n_blocks
    if n_blocks is None and options.layout is None:
        n_blocks = planned.get("n_blocks")
    return layout, n_blocks or max(1, len(study.units) // n_arms)


def planned_answers(folder: Path) -> dict[str, Any]:
    """Return the answers of ``plan/plan.json``; empty where the study was not planned so."""
    path = folder / PLAN_FILE
    try:
        plan = read_json(path)
    except (OSError, ValueError):
        return {}
    answers = plan.get("answers") if isinstance(plan, dict) else None
    return answers if isinstance(answers, dict) else {}


def rule_in_words(n_indices: int, layout: str) -> str:
    """Return in a sentence how pairs or blocks were formed."""
    what = "pairs" if layout == PAIRS else "blocks"
    if n_indices == 1:
        return f"Units were put in the order of their value before; neighbours are {what}."
    return (
        f"{what.capitalize()} were formed of units near each other by Mahalanobis distance, from "
        "the outside inwards, and improved by exchanges until none lowered the sum of squares "
        "within them."
    )


def earlier_allocations(folder: Path) -> list[Path]:
    """Return the allocations that were kept when lots were drawn again, and the one in force."""
    replaced = sorted((folder / PLAN).glob("allocation-*.json"))
    now = folder / ALLOCATION_FILE
    return [*replaced, *([now] if now.is_file() else [])]


def _replaced(study: Study) -> str | None:
    """Return the name under which the allocation in force is kept; ``None`` if there is none."""
    if not (study.folder / ALLOCATION_FILE).is_file():
        return None
    return f"{PLAN}/allocation-{len(earlier_allocations(study.folder)):03d}.json"


# The files.
# ----------------------------------------------------------------------


def _files(
    study: Study, allocation: Allocation, facts: Mapping[str, Any]
) -> tuple[Files, list[str]]:
    """Return every file that changes, and notes on what was left as it was."""
    folder, design = study.folder, study.definition.design
    column = str(facts["column"])
    files: Files = {}
    if facts["replaces"]:
        kept = str(facts["replaces"])
        files[kept] = (folder / ALLOCATION_FILE).read_bytes()
        table = folder / ALLOCATION_TABLE
        if table.is_file():
            files[kept.replace(".json", ".csv")] = table.read_bytes()
    files[ALLOCATION_FILE] = json_bytes(facts)
    files[ALLOCATION_TABLE] = allocation.text.encode("utf-8")
    ours = _columns_of_earlier(folder)
    files[UNITS_FILE] = units_with(
        (folder / UNITS_FILE).read_bytes(), design.treatment, column, allocation, ours
    )
    files[STUDY_FILE] = with_block((folder / STUDY_FILE).read_bytes(), column)
    ordered, notes = _new_order(study, allocation)
    files |= ordered
    files[PAGE_OF_WORDS] = _page(study, facts)
    return files, notes


def _columns_of_earlier(folder: Path) -> set[str]:
    """Return the columns of units.csv that earlier allocations wrote."""
    names = set()
    for path in earlier_allocations(folder):
        facts = read_json(path)
        if isinstance(facts, dict) and isinstance(facts.get("column"), str):
            names.add(facts["column"])
    return names


def _new_order(study: Study, allocation: Allocation) -> tuple[Files, list[str]]:
    """Return scans.csv and sheets with treatments alternating in the sessions to come.

    Where the rows of a session are not those that were planned, they are left alone.
    """
    folder, answers = study.folder, planned_answers(study.folder)
    effort = _effort(answers)
    sheet = folder / study.definition.intake.sheet
    if effort is None or study.definition.intake.pattern or sheet.name != SCANS_FILE:
        return {}, [
            "The study was not written by `leafledger plan`: draw the order of measuring yourself, "
            "with treatments alternating."
        ]
    after = [s for s in study.sessions if s.phase == "after"]
    names = [s.session for s in after]
    order = session_steps(
        names, list(study.units), allocation, effort, len(in_order(study.definition.design)),
        allocation.seed,
    )  # fmt: skip
    data = sheet.read_bytes()
    new, kept = data, []
    for name in names:
        rewritten = with_rows_of_session(new, name, scan_rows(order[name]))
        if rewritten is None:
            kept.append(name)
        else:
            new = rewritten
    notes = []
    if kept:
        notes.append(
            f"Rows of {first_words(kept)} in {SCANS_FILE} are not those that were planned: their "
            "order is left as it is."
        )
    fresh = {name: order[name] for name in names if name not in kept}
    sessions = [PlannedSession(s.session, s.phase, s.date) for s in after]
    files = sheet_files(
        study.definition.title, study.definition.design.unit or "unit", fresh, sessions,
        effort.n_scans > 1,
    )  # fmt: skip
    plan = read_json(folder / PLAN_FILE)
    plan["order_sha256"] |= {name: order_sha256(steps) for name, steps in fresh.items()}
    files[PLAN_FILE] = json_bytes(plan)
    files[SCANS_FILE] = new
    return files, notes


def _effort(answers: Mapping[str, Any]) -> Effort | None:
    names = ("n_leaves", "n_scans", "reference_every", "n_references")
    numbers = [answers.get(name) for name in names]
    if not all(isinstance(n, int) for n in numbers):
        return None
    return Effort(*(int(n) for n in numbers if n is not None))


def _page(study: Study, facts: Mapping[str, Any]) -> bytes:
    """Return the page of words after the allocation."""
    answers = planned_answers(study.folder)
    rows = [
        f"{row['index']} before, {row['treatment']}: mean {row['mean']:.4g}"
        + (f", standard deviation {row['sd']:.2g}" if row["sd"] is not None else "")
        + f", n = {row['n']}"
        for row in facts["balance"]
    ]
    sections = [
        ("Who gets what", [str(facts["words"]), str(facts["rule"]),
                           f"Values of {listed(list(facts['sessions']))} were used; they stand in "
                           f"{ALLOCATION_FILE}."]),
        ("How alike the treatments were before", ["Described, not tested: what differs is chance.",
                                                   *rows]),
        ("In which order", [
            "The sessions before the treatment were measured in the order of a plain lot. In the "
            "sessions after it treatments alternate by the rows of Latin squares, so that every "
            "treatment stands equally often in every position, as nearly as the numbers allow."
            if answers else "The order of measuring was not drawn by this program."
        ]),
        ("Cautions", [
            "Lots were drawn when no scan after the treatment existed. Analyse with the pairs or "
            f"blocks: design.block is {facts['column']}.",
            "Keep units.csv and plan/allocation.csv away from the bench; sheets and labels show no "
            "treatment.",
            *([f"Lots were drawn {facts['number']} times; the earlier ones are kept, the last as "
               f"{facts['replaces']}."] if facts["replaces"] else []),
        ]),
    ]  # fmt: skip
    checks = [
        ("Seed", str(facts["seed"])),
        (f"SHA-256 of the allocation ({ALLOCATION_TABLE})", str(facts["sha256"])),
        ("Drawn by", f"leafledger {facts['versions']['leafledger']}"),
    ]
    return randomisation_html(study.definition.title, sections, checks)


def _check_written_design(folder: Path, files: Mapping[str, bytes]) -> None:
    """Read the design as it will stand, before anything is written.

    Raises
    ------
    InputFault
        With every problem of the new study.yaml and units.csv.
    """
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch).resolve() / folder.name
        for name in (STUDY_FILE, UNITS_FILE):
            write_bytes(copy / name, files[name])
        read_design(copy)

"""What does the book of runs add to the methods text: lots, plan, variants and software?"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from leafledger.ledger.crate import ExportedRun
from leafledger.ledger.plans import on_record
from leafledger.records.digests import sha256_of_file
from leafledger.report.methods_text import FromTheBook, MethodsText, methods_text
from leafledger.report.works import OF_LIBRARY, cite
from leafledger.study.study import PLAN_HISTORY_FILE, VARIANTS_TABLE
from leafledger.study.table_files import read_json
from leafledger.study.tables import STATED
from leafledger.study.tasks import VARIANTS_TASK
from leafledger.study.written_plan import mark_of, plan_of, sentences_of, words_of_others
from leafledger.words import counted, listed


def methods_of_run(run: ExportedRun) -> MethodsText:
    """Return the methods of a run, with the works they name."""
    tested = run.settings("effects")["design"]["unit"] is not None
    primary = run.settings("effects")["effects"]["primary"]
    return methods_text(
        run,
        FromTheBook(
            randomised=list(_randomised(run)),
            plan=list(_plan(run, named=bool(primary))) if tested else [],
            variants=list(_variants(run)),
            software=list(_software(run)),
        ),
    )


def _randomised(run: ExportedRun) -> Iterator[str]:
    """Yield how treatments were allocated, where `leafledger plan` drew them.

    The table of lots tells who should have got what; the run, who got it.
    """
    table = run.folder / "plan" / "allocation.csv"
    if not table.is_file():
        return
    digest = sha256_of_file(table)
    allocations = [
        _lots_drawn(run.folder / "plan" / name) for name in ("plan.json", "allocation.json")
    ]
    lots = next(
        (allocation for allocation in allocations if allocation.get("sha256") == digest), None
    )
    with table.open(encoding="utf-8", newline="") as file:
        drawn = {row.get("unit"): row.get("treatment") for row in csv.DictReader(file)}
    settings = run.settings("effects")
    column = settings["design"]["treatment"]
    got = {unit: labels.get(column) for unit, labels in settings["units"].items()}
    if lots is None:
        yield "What plan/allocation.csv holds is not what was drawn by lot: its digest differs."
    elif drawn == got:
        words = str(lots["words"]).removesuffix(".")
        yield f"{words} (seed {lots['seed']}, SHA-256 of the allocation {digest})."
    else:
        odd = sum(got.get(unit) != treatment for unit, treatment in drawn.items())
        yield (
            f"Treatments were drawn by lot; {counted(odd, 'unit')} of {len(drawn)} did not have "
            f"the treatment that was drawn (SHA-256 of the allocation {digest})."
        )


def _lots_drawn(path: Path) -> dict[str, Any]:
    """Return words, seed and digest of lots from a file of the plan; empty if it tells of none."""
    try:
        plan = read_json(path)
    except (OSError, ValueError):
        return {}
    if not isinstance(plan, dict):
        return {}
    lots = plan.get("allocation", plan) if "answers" in plan else plan
    if not isinstance(lots, dict) or "words" not in lots:
        return {}
    return {"seed": plan.get("seed"), "words": lots["words"], "sha256": lots.get("sha256")}


def _plan(run: ExportedRun, *, named: bool) -> Iterator[str]:
    """Yield what the book says of when the plan was made, as of this run."""
    if run.run.get("variant"):
        return  # its settings are not the study's plan
    has_history = PLAN_HISTORY_FILE in run.results
    facts = run.json(PLAN_HISTORY_FILE) if has_history else None
    yield from sentences_of(facts, primary=named)
    if mark_of(facts) and named:
        yield f"The verdict on the primary outcome is {mark_of(facts)}."
    plan = plan_of(run.settings("effects"), run.settings("catalogue").get("indices"))
    yield from words_of_others(on_record(run.book, until=run.run["run"]), plan)


def _variants(run: ExportedRun) -> Iterator[str]:
    """Yield the sentences about the variants of a run; none if it has no table of them."""
    record = run.records.get(VARIANTS_TASK.name)
    if record is None:
        return
    named: dict[str, str] = record["settings"]["variants"]
    ran = {given["role"].partition("/")[2] for given in record["inputs"]} - {STATED}
    many = "1 other set" if len(named) == 1 else f"{len(named)} other sets"
    settings = "; ".join(f"{name} ({words or 'no difference'})" for name, words in named.items())
    yield f"The same data were also analysed under {many} of settings: {settings}."
    failed = [name for name in named if name not in ran]
    if failed:
        yield f"Without result, for the analysis did not run to its end: {', '.join(failed)}."
    classified = any(given["role"].startswith("classes") for given in record["inputs"])
    accuracy = " and the accuracy of the classifier" if classified else ""
    yield f"The primary effects{accuracy} under each are in {VARIANTS_TABLE}."
    old = _out_of_date(run)
    if old:
        yield f"That table was made before {old} changed; it does not belong to this run."


def _out_of_date(run: ExportedRun) -> str:
    from leafledger.report.conclusions_held import out_of_date

    table = run.table(VARIANTS_TABLE)
    rows = table.loc[table["variant"] == STATED].to_dict("records")
    return out_of_date([{str(k): v for k, v in row.items()} for row in rows], run.records)


def _software(run: ExportedRun) -> Iterator[str]:
    libraries: dict[str, str] = {}
    for record in run.records.values():
        libraries |= record["libraries"]
    names = listed(
        [
            f"{name} {version}{cite(OF_LIBRARY[name]) if name in OF_LIBRARY else ''}"
            for name, version in sorted(libraries.items())
        ]
    )
    yield (
        f"Computed with leafledger {run.run['package']} on Python {run.run['python']} ({names}), "
        f"as a workflow of Snakemake{cite(OF_LIBRARY['snakemake'])}; run {run.run['run']}."
    )

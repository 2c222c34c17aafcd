"""What the methods paragraph says of the study under other settings."""

from __future__ import annotations

from collections.abc import Iterator

from leafledger.ledger.exported import ExportedRun
from leafledger.study.columns import STATED
from leafledger.study.study import VARIANTS_TABLE
from leafledger.study.tasks import VARIANTS_TASK


def methods_of_variants(run: ExportedRun) -> Iterator[str]:
    """Yield the sentences about the variants of a run; none if it has no table of them."""
    record = run.records.get(VARIANTS_TASK.name)
    if record is None:
        return
    named: dict[str, str] = record["settings"]["variants"]
    ran = {given["role"].partition("/")[2] for given in record["inputs"]} - {STATED}
    many = "1 other set" if len(named) == 1 else f"{len(named)} other sets"
    listed = "; ".join(f"{name} ({words or 'no difference'})" for name, words in named.items())
    yield f"The same data were also analysed under {many} of settings: {listed}."
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
    from leafledger.report.variants import out_of_date

    table = run.table(VARIANTS_TABLE)
    rows = table.loc[table["variant"] == STATED].to_dict("records")
    return out_of_date([{str(k): v for k, v in row.items()} for row in rows], run.records)

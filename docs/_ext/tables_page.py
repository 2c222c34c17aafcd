"""The page on every table of ``results/``, as the registry declares them."""

from __future__ import annotations

from markdown_words import cell, code, table

from leafledger.study.columns import OF_SESSION, Result
from leafledger.study.tables import TABLES, meaning_of

_HEAD = """# Every table of results/

<!-- Made by `make reference` from src/leafledger/study; do not edit. -->

`SESSION` stands for the id of a session. Wavelengths are in nm, in air; reflectance is a fraction;
columns that begin with `u_` are standard uncertainties (k = 1). An empty cell means that the value
is not known or does not apply, never zero. The tables marked with a C are CSV, those with a P are
Parquet. From Python, `study.table("effects.csv")` reads any of them, and
`study.columns("effects.csv")` gives what stands here.
"""


def page() -> str:
    """Return ``docs/reference/tables.md`` as text."""
    return _HEAD + "".join(_section(declared) for declared in TABLES.values())


def _section(declared: Result) -> str:
    mark = "C" if declared.path.endswith(".csv") else "P"
    about = " ".join(filter(None, [f"{declared.about}. ({mark})", declared.note]))
    rows = [
        [code(c.name), c.dtype, cell(unit), cell(c.meaning)]
        for c in declared.columns
        for unit, _ in [meaning_of(declared.name, c.name)]
    ]
    heading = declared.path.replace(OF_SESSION, "SESSION")
    return f"\n## {heading}\n\n{about}\n\n" + table(["column", "type", "unit", "meaning"], rows)

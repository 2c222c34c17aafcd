"""The page on every table of ``results/``: columns from the contract, words from the meanings."""

from __future__ import annotations

from collections.abc import Iterator

from markdown_words import cell, code, table

from leafledger.study import tables
from leafledger.study.rules import RULES
from leafledger.study.study import VARIANTS_TABLE
from leafledger.study.tables import TABLES, kind_of, meaning_of
from leafledger.study.tasks import Task, outputs

_HEAD = """# Every table of results/

<!-- Made by `make reference` from src/leafledger/study; do not edit. -->

`SESSION` stands for the id of a session. Wavelengths are in nm, in air; reflectance is a fraction;
columns that begin with `u_` are standard uncertainties (k = 1). An empty cell means that the value
is not known or does not apply, never zero. The tables marked with a C are CSV, those with a P are
Parquet. From Python, `study.table("effects.csv")` reads any of them, and
`study.columns("effects.csv")` gives what stands here.
"""
SPECTRA = {
    "scans": ("counts",),
    "reflectance": (
        "reflectance",
        "u_scan",
        "u_reference",
        "u_noise",
        "u_drift",
        "u_dark",
        "u_stray",
        "u_linearity",
        "u_axis",
        "u_integration",
    ),
}
"""Kind of table -> its columns that hold a whole spectrum in each row."""


def _signed(source: str) -> str:
    return (
        f"part of u_reference: change for one standard uncertainty of {source}, with its sign; "
        "there where the study has it, a second one as ..._2"
    )


_SPECTRUM_WORDS = {
    "counts": ("count", "as read from the raw file"),
    "reflectance": ("1", "leaf over white, both above dark, times the panel's reflectance"),
    "u_scan": ("1", "standard uncertainty that differs from scan to scan: light and reading out"),
    "u_reference": (
        "1",
        "standard uncertainty that scans of one reference share: that of all columns below",
    ),
    "u_noise": (
        "1",
        "part of u_reference: noise of darks and whites, independent over wavelengths",
    ),
    "u_drift": ("1", _signed("the lamp between whites")),
    "u_dark": ("1", _signed("a dark level as a whole")),
    "u_stray": ("1", _signed("the correction of stray light")),
    "u_linearity": ("1", _signed("an estimated linearity")),
    "u_axis": ("1", _signed("an axis put right by a lamp")),
    "u_integration": ("1", _signed("an integration time")),
}
ASKED_FOR = frozenset({"u_stray", "u_linearity", "u_axis", "u_integration"})
"""Spectra that a study has only if it asks for the correction or states the uncertainty."""
WHOLE = frozenset({"order", "averages", "place", "block", "repeat", "fold", "draw", "rank", "seed"})
"""Columns of whole numbers, besides those that count something (``n_...``)."""
MEANS = frozenset(
    {
        ("confusion", "n_scans"),
        ("confusion", "n_units"),
        ("per_class", "n_predicted"),
        ("confused_pairs", "n_scans"),
    }
)
"""Counts that are means over repeats of the splitting, and so no whole numbers."""
TEXT_IN_PARQUET = frozenset({"digest"})
"""Text that stands in no CSV, for whose reader the contract lists the columns of text."""
TIMES = frozenset({"time"})


def paths() -> Iterator[str]:
    """Yield the path of every table below ``results/``, in the order of the data."""
    for rule in RULES:
        task = Task(rule.name, "SESSION" if rule.per_session else None)
        for path in outputs(task).values():
            if path.endswith((".csv", ".parquet")):
                yield path.removeprefix("results/")
    yield VARIANTS_TABLE.removeprefix("results/")


def columns_of(path: str) -> tuple[str, ...]:
    """Return the columns of a table, spectra last."""
    kind = kind_of(path)
    return (*getattr(tables, kind.upper()), *SPECTRA.get(kind, ()))


def type_of(path: str, column: str) -> str:
    """Return which kind of value a column holds."""
    kind = kind_of(path)
    if column in SPECTRA.get(kind, ()):
        return "spectrum"
    if (kind, column) in MEANS:
        return "number"
    if column in TIMES:
        return "date and time"
    if (
        column in WHOLE
        or column.startswith("n_")
        or (kind, column) == ("spectra_terms", "component")
    ):
        return "whole number"
    if column in tables.FLAGS:
        return "true or false"
    return "text" if column in tables.TEXT or column in TEXT_IN_PARQUET else "number"


def page() -> str:
    """Return ``docs/reference/tables.md`` as text."""
    return _HEAD + "".join(_section(path) for path in paths())


def _section(path: str) -> str:
    rows = []
    for name in columns_of(path):
        is_spectrum = type_of(path, name) == "spectrum"
        unit, meaning = _SPECTRUM_WORDS[name] if is_spectrum else meaning_of(path, name)
        rows.append([code(name), type_of(path, name), cell(unit), cell(meaning)])
    mark = "C" if path.endswith(".csv") else "P"
    told = f"{TABLES[kind_of(path)]}. ({mark})"
    if kind_of(path) == "predictions":
        told += " After these columns stands `p_CLASS` for each class, its probability."
    if kind_of(path) == "variants":
        told += " Written by `leafledger run --variants`."
    if kind_of(path) == "scans":
        told += " A session that arrives as reflectance has `reflectance` in place of `counts`."
    return f"\n## {path}\n\n{told}\n\n" + table(["column", "type", "unit", "meaning"], rows)

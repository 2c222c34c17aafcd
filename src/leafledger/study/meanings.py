"""What is a table, what is a column of it, and in which unit?"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from leafledger.study.column_meanings import EVERYWHERE, OF_INDEX, OF_TABLE, OF_UNIT

TABLES: Final[dict[str, str]] = {
    "scans": "Every scan and the raw file it stands in",
    "reflectance": "White and dark of every leaf scan",
    "quality": "What the checks found, scan by scan",
    "signal": "Signal-to-noise of the white reference by wavelength",
    "levels": "Level of every scan at four wavelengths, in the order of measuring",
    "accepted": "Which leaf scans take part",
    "exclusions": "Exclusions suggested by checks and decided by persons",
    "session_effects": "Shifts between sessions of untreated units, stable tile and references",
    "order_effects": "Effects of the order of measuring and of the leaf's position",
    "indices": "Value of every index on every leaf scan, accepted or not",
    "unit_indices": "Mean of every index on every unit in every session",
    "effects": "What the treatment changed: every question, index, contrast and method",
    "group_means": "Number, mean and spread of units by treatment and session",
    "spectrum_effects": "Difference in change of reflectance at every wavelength",
    "sensitivity": "The primary contrasts under other choices than the planned ones",
    "variants": "The primary effects and the accuracy under other settings of the study",
    "variance_components": "Where the variation sits: units, sessions, leaves, scans",
    "power": "What a next study would find",
    "path": "Accuracy by number of latent variables",
    "predictions": "What the classifier said of every scan held out",
    "confusion": "Which class is taken for which, by number of latent variables",
    "spectra_terms": "Weights, loadings, coefficients and importance by wavelength",
    "permutation": "Accuracy with permuted labels",
    "reliability": "Probabilities given, and how often they were right",
    "per_class": "Sensitivity and precision of every class",
    "confused_pairs": "Classes taken for each other, and what separates them",
    "rivals": "Accuracy of simpler procedures, split by split",
    "comparison": "The classifier beside simpler procedures, by units",
    "questions": "How well session and block can be told from the spectra",
}
"""Kind of table -> what it holds."""

_BY_ROW: Final = {
    OF_UNIT: "as in column unit",
    f"square of {OF_UNIT}": "square of column unit",
    OF_INDEX: "unit of the index",
}
_ONE_SESSION: Final = frozenset({"scans", "reflectance", "quality", "indices"})


def kind_of(path: str) -> str:
    """Return what kind of table a path below ``results/`` is; the file's name if it is unknown.

    Examples
    --------
    >>> kind_of("effects.csv"), kind_of("quality/day4.signal.parquet"), kind_of("indices/d.parquet")
    ('effects', 'signal', 'indices')
    """
    folder, _, name = path.rpartition("/")
    parts = name.split(".")
    if folder in _ONE_SESSION:
        return parts[1] if len(parts) == 3 else folder
    return parts[0]


def meaning_of(path: str, column: str) -> tuple[str, str]:
    """Return unit and meaning of a column.

    Parameters
    ----------
    path
        Path of the table below ``results/``, or its kind.
    column
        Name of the column.

    Returns
    -------
    tuple
        The unit is ``1`` for a plain number and empty for text; ``as in column unit`` and ``unit
        of the index`` say where it depends on the row.

    Examples
    --------
    >>> meaning_of("effects.csv", "estimate")
    ('as in column unit', 'estimate of the contrast')
    >>> meaning_of("classes/predictions.csv", "p_Kestrel")
    ('1', 'probability given to the class Kestrel')
    """
    unit, meaning = _found(kind_of(path), column)
    return _BY_ROW.get(unit, unit), meaning


def unit_in(path: str, column: str, units: Iterable[str], index_units: Iterable[str]) -> str:
    """Return the unit of a column as it stands in a heading, as narrowly as the rows allow.

    Parameters
    ----------
    path, column
        As :func:`meaning_of` takes them.
    units
        What the rows say in their column ``unit``, if they have one.
    index_units
        Units of the indices of the study.

    Examples
    --------
    >>> unit_in("effects.csv", "estimate", ["1", "1"], ["1", "nm"])
    '1'
    >>> unit_in("unit_indices.csv", "mean", ["p01"], ["1", "nm"])
    'unit of the index'
    """
    raw, _ = _found(kind_of(path), column)
    for mark, told in ((OF_UNIT, set(units)), (OF_INDEX, set(index_units))):
        named = told - {""}
        if mark in raw and len(named) == 1:
            return _squared(raw.replace(mark, named.pop()))
    return meaning_of(path, column)[0]


def _found(kind: str, column: str) -> tuple[str, str]:
    of_table = OF_TABLE.get(kind, {})
    found = of_table.get(column) or EVERYWHERE.get(column)
    if found is None and kind == "predictions" and column.startswith("p_"):
        return "1", f"probability given to the class {column[2:]}"
    return found or ("", "")


def _squared(unit: str) -> str:
    return "1" if unit == "square of 1" else unit

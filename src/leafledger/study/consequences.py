"""Which problems of a study only follow from another one, and are left unsaid until it is mended?

A check goes on after a fault of ``study.yaml`` or of a sheet, so that every problem is shown at
once. What rests on a setting that could not be read would then be wrong by itself: without the
sessions, every row of the scan sheet names an unknown one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from leafledger.errors import Problem
from leafledger.study.definition import Definition
from leafledger.study.definition_file import FILE

_RESTS_ON: Mapping[str, tuple[str, ...]] = {
    "design.sessions": (
        *("intake.forms", "intake.pattern", "classes.sessions"),
        *("effects.primary.session", "effects.primary.question"),
    ),
    "design.unit": ("design", "classes.target", "effects", "intake.pattern"),
    "design.treatment": (
        *("design.control", "design.doses", "design.levels", "design.block", "design.whole_plot"),
        *("classes.target", "effects.compare", "effects.covariates", "effects.crossed"),
        "effects.primary.question",
    ),
    "design.control": ("effects.primary.question", "effects.primary.method"),
    "design.block": ("classes.target", "classes.split", "effects.strata", "effects.primary.method"),
    "design.factors": (
        *("classes.target", "classes.split"),
        *("effects.strata", "effects.covariates", "effects.crossed"),
    ),
    "intake.pattern": ("design", "classes.target"),
    "intake.sheet": ("design", "classes.target"),
    "indices": ("effects.primary.index", "effects.margin"),
    "effects.primary": ("effects.methods",),
    "effects.methods": ("effects.primary",),
}
"""Key of ``study.yaml`` -> other keys whose check needs it."""
_SHEET_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "design.sessions": ("session", "instrument"),
    "design.unit": ("unit",),
    "intake.forms": ("instrument",),
}
"""Key of ``study.yaml`` -> columns of the sheets whose check needs it."""
_WHOLE_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "design.sessions": ("session", "role"),
    "intake.forms": ("role",),
}
"""Key of ``study.yaml`` -> columns whose problems of the sheet as a whole need it."""


def is_under(key: str, other: str) -> bool:
    """Tell whether ``key`` is ``other`` or a key inside it.

    Examples
    --------
    >>> is_under("design.sessions.0", "design.sessions"), is_under("design", "design.sessions")
    (True, False)
    """
    return key == other or key.startswith(f"{other}.")


def is_known(unknown: Iterable[str], *needed: str) -> bool:
    """Tell whether none of the settings that a check needs is among those not known."""
    return not any(is_under(key, n) or is_under(n, key) for key in unknown for n in needed)


def without_consequences(
    problems: Iterable[Problem], unknown: Iterable[str], definition: Definition
) -> list[Problem]:
    """Return the problems that do not follow from settings which are not known.

    Parameters
    ----------
    problems
        Found after the settings that are at fault were left out.
    unknown
        Keys of ``study.yaml`` whose value is not known.
    definition
        The definition without them.
    """
    keys = sorted(set(unknown))
    if not keys:
        return list(problems)
    return [p for p in problems if not _follows(p, keys, definition)]


def _follows(problem: Problem, unknown: list[str], definition: Definition) -> bool:
    column = problem.column or ""
    if problem.file == FILE:
        rests_on = (*_RESTS_ON.items(), *((key, (key,)) for key in unknown))
        return any(
            not is_known(unknown, key) and any(is_under(column, one) for one in resting)
            for key, resting in rests_on
        )
    named = {**_SHEET_COLUMNS, "design.treatment": (definition.design.treatment,)}
    whole = _WHOLE_COLUMNS.items() if problem.row is None else ()
    return any(
        not is_known(unknown, key) and any(_is_column(column, one) for one in columns)
        for key, columns in (*named.items(), *whole)
    )


def _is_column(column: str, name: str) -> bool:
    """Tell whether a message means a column; those of a workbook are named with their letters."""
    return column == name or column.endswith(f"({name})")


def has_fault_in(problems: Iterable[Problem], file: str, *columns: str) -> bool:
    """Tell whether a sheet has a problem in one of the columns, or one as a whole."""
    return any(
        p.file == file and (p.row is None or any(_is_column(p.column or "", c) for c in columns))
        for p in problems
    )

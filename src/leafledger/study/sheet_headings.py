"""Whether the heading row of a sheet names the columns that it must."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from leafledger.errors import Problem, nearest, quoted

MOST_COLUMNS = 20_000


def heading_problems(
    shown: str, line: int, columns: Sequence[str], required: Sequence[str], known: Sequence[str]
) -> list[Problem]:
    """Return what is wrong with the headings: too many, doubled, missing or misspelt.

    Parameters
    ----------
    shown, line
        Name of the sheet, and the row of the headings.
    columns
        The headings.
    required, known
        Those that must be there, and further ones with a meaning.
    """
    problems: list[Problem] = []
    valid = list(dict.fromkeys([*required, *known]))
    if len(columns) > MOST_COLUMNS:
        return [
            Problem(
                file=shown,
                row=line,
                found=f"{len(columns)} columns",
                expected=f"at most {MOST_COLUMNS}",
                mend="Check that the file is the sheet you mean.",
            )
        ]
    for name in sorted({c for c in columns if columns.count(c) > 1} if len(columns) < 500 else ()):
        problems.append(
            Problem(
                file=shown,
                row=line,
                column=name or "(no heading)",
                found="the heading more than once",
                expected="each heading once",
                mend="Rename or remove one of the columns.",
            )
        )
    for name in required:
        if name not in columns:
            problems.append(
                Problem(
                    file=shown,
                    row=line,
                    column=name,
                    found=f"no column {quoted(name)}",
                    expected="the columns " + ", ".join(required),
                    mend=_like(name, [c for c in columns if c not in valid]),
                )
            )
    missing = [name for name in known if name not in columns]
    for name in columns:
        close = get_close_matches(name, missing, n=1, cutoff=0.8)
        if name not in valid and close and not any(p.column == close[0] for p in problems):
            problems.append(
                Problem(
                    file=shown,
                    row=line,
                    column=name,
                    found=f"the heading {quoted(name)}",
                    expected=f"{close[0]}, or a name unlike it",
                    mend=nearest(name, missing),
                )
            )
    return problems


def _like(name: str, columns: Sequence[str]) -> str:
    close = get_close_matches(name, columns, n=1, cutoff=0.5)
    if close:
        return f"Rename the column {quoted(close[0])}?"
    return f"Add a column {name}."

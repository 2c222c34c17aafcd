"""File names that stand in for a scan sheet, such as ``raw/{session}/{unit}_{leaf}.txt``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from leafledger.errors import Problem, quoted
from leafledger.study.definition import Pattern
from leafledger.study.names import as_id
from leafledger.study.sheets import Row

_FIELD = re.compile(r"\{([^{}]*)\}")
_MOST_FIELDS = 10
_MOST_FILES = 200_000


def rows_of(
    folder: Path, patterns: Sequence[Pattern], shown: str
) -> tuple[list[tuple[Row, list[str]]], list[Problem]]:
    """Return a row for each file that fits a pattern, and what is wrong.

    A field ``{name}`` stands for any characters but ``/``, as few as fit; ``{}`` stands for
    characters that mean nothing. Files are taken in the order of their paths; the first pattern
    that fits a file counts.

    Returns
    -------
    rows
        A :class:`Row` per file (its line is 0) and the names of the pattern's own fields.
    problems
        Patterns that are broken or that no file fits.
    """
    problems: list[Problem] = []
    files = _files(folder, patterns)
    taken: set[str] = set()
    rows: list[tuple[str, Row, list[str]]] = []
    for index, pattern in enumerate(patterns):
        where = f"intake.pattern.{index}" if len(patterns) > 1 else "intake.pattern"
        compiled = _compiled(pattern.pattern, shown, where, problems)
        if compiled is None:
            continue
        expression, fields = compiled
        found = [(path, m) for path in files if (m := expression.fullmatch(path))]
        if not found:
            problems.append(
                Problem(
                    file=shown,
                    column=where,
                    found=f"{quoted(pattern.pattern)}, which no file fits",
                    expected="a pattern that fits at least one file of the study folder",
                    mend="Compare it with the file names; each {field} stands for part of a name.",
                )
            )
        for path, match in found:
            if path in taken:
                continue
            taken.add(path)
            cells = {"role": pattern.role, **match.groupdict(), "file": path}
            cells.setdefault("scan", as_id(str(Path(path).with_suffix("")).removeprefix("raw/")))
            rows.append((path, Row(0, cells), fields))
    rows.sort(key=lambda item: item[0])
    return [(row, fields) for _, row, fields in rows], problems


def _files(folder: Path, patterns: Sequence[Pattern]) -> list[str]:
    """Return the files below the fixed first folders of the patterns, as POSIX paths."""
    starts = set()
    for pattern in patterns:
        fixed = pattern.pattern.split("{")[0].rpartition("/")[0]
        if not fixed.startswith("/") and ".." not in fixed.split("/"):
            starts.add(fixed or ".")
    out: set[str] = set()
    for start in sorted(starts):
        for path in (folder / start).rglob("*"):
            shown = path.relative_to(folder).as_posix()
            own = shown.split("/")[0]
            if own not in {"results", "records", "ledger", "logs"} and "/." not in f"/{shown}":
                out.add(shown)
            if len(out) > _MOST_FILES:
                break
    return sorted(path for path in out if (folder / path).is_file())


def _compiled(
    text: str, shown: str, where: str, problems: list[Problem]
) -> tuple[re.Pattern[str], list[str]] | None:
    fields = [name for name in _FIELD.findall(text) if name]
    wrong = None
    if len(set(fields)) != len(fields):
        wrong = "a field named twice"
    elif any(re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,39}", name) is None for name in fields):
        wrong = "a field whose name is not a plain word"
    elif len(_FIELD.findall(text)) > _MOST_FIELDS:
        wrong = f"more than {_MOST_FIELDS} fields"
    elif "}{" in text:
        wrong = "two fields with nothing between them"
    if wrong:
        problems.append(
            Problem(
                file=shown,
                column=where,
                found=f"{wrong}: {quoted(text)}",
                expected="a pattern such as raw/{session}/{unit}_{leaf}_{replicate}.txt",
                mend="Correct the pattern.",
            )
        )
        return None
    parts = _FIELD.split(text)
    expression = ""
    for i, part in enumerate(parts):
        if i % 2 == 0:
            expression += re.escape(part)
        else:
            expression += f"(?P<{part}>[^/]+?)" if part else "[^/]+?"
    return re.compile(expression), fields

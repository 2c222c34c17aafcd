"""File names that stand in for a scan sheet, such as ``raw/{session}/{unit}_{leaf}.txt``."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from leafledger.errors import Problem, first_words, quoted
from leafledger.study.measurement_sections import Pattern
from leafledger.study.names import as_id
from leafledger.study.sheets import Row

_FIELD = re.compile(r"\{([^{}]*)\}")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,39}")
_MOST_FIELDS = 10
_MOST_FILES = 200_000
_GIVEN = ("file", "item")
_OWN_FOLDERS = frozenset({"results", "records", "ledger", "logs"})


def rows_of(
    folder: Path, patterns: Sequence[Pattern], shown: str, needed: Sequence[str] = ()
) -> tuple[list[tuple[Row, list[str]]], list[Problem]]:
    """Return a row for each file that fits a pattern, and what is wrong.

    A field ``{name}`` stands for any characters but ``/``, as few as fit; ``{}`` stands for
    characters that mean nothing. Files are taken in the order of their paths; the first pattern
    that fits a file counts.

    Parameters
    ----------
    folder
        The study folder.
    patterns
        In order.
    shown
        The file that holds them, for messages.
    needed
        Fields that the study cannot do without: ``session``, and ``unit`` for leaf scans.

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
        parts = _FIELD.split(pattern.pattern)
        fields = [name for name in parts[1::2] if name]
        wrong = _wrong(pattern, parts, needed)
        found = [(path, values) for path in files if (values := fit(parts, path)) is not None]
        if wrong or not found:
            problems.append(_problem(pattern.pattern, shown, where, wrong))
            continue
        for path, values in found:
            if path in taken:
                continue
            taken.add(path)
            named = {k: v for k, v in zip(parts[1::2], values, strict=True) if k}
            cells = {"role": pattern.role, **named, "file": path}
            cells.setdefault("scan", as_id(str(Path(path).with_suffix("")).removeprefix("raw/")))
            rows.append((path, Row(0, cells, path), fields))
    rows.sort(key=lambda item: item[0])
    return [(row, fields) for _, row, fields in rows], problems


def without_pattern(folder: Path, patterns: Sequence[Pattern]) -> str | None:
    """Return a warning that names the files beside the raw scans that fit no pattern.

    Such a file may be a scan whose name was mistyped; it is told and not refused, for notes and
    pictures lie there as well.

    Parameters
    ----------
    folder
        The study folder.
    patterns
        Of the study; only the folders before their first field are looked at.

    Returns
    -------
    str or None
        One sentence, ``None`` if every file fits.
    """
    parts = [_FIELD.split(pattern.pattern) for pattern in patterns]
    starts = {_start(pattern.pattern) for pattern in patterns} - {"."}
    odd = [
        path
        for path in _files(folder, patterns)
        if all(fit(one, path) is None for one in parts)
        and any(path.startswith(f"{start}/") for start in starts)
    ]
    if not odd:
        return None
    words = "1 file fits" if len(odd) == 1 else f"{len(odd):,} files fit"
    return (
        f"{words} no `intake.pattern` and will not be read: "
        f"{first_words([quoted(path) for path in odd], 5)}"
    )


def fit(parts: Sequence[str], text: str) -> list[str] | None:
    """Return what the fields of a pattern stand for in ``text``, or ``None`` if it does not fit.

    Parameters
    ----------
    parts
        Fixed text, field, fixed text, field ... fixed text. Each field takes as few characters
        as fit, at least one, none of them ``/``; the earlier field chooses first. A place that
        has failed once is not tried again, so that no name takes long.
    text
        The path of a file.

    Examples
    --------
    >>> fit(["raw/", "unit", "_", "leaf", ".txt"], "raw/p1_left_2.txt")
    ['p1', 'left_2']
    >>> fit(["raw/", "unit", ".txt"], "raw/day0/p1.txt") is None
    True
    """
    fixed = parts[0::2]
    if not text.startswith(fixed[0]):
        return None
    failed: set[tuple[int, int]] = set()

    def rest(field: int, start: int) -> list[str] | None:
        if field == len(fixed) - 1:
            return [] if start == len(text) else None
        if (field, start) in failed:
            return None
        after, last = fixed[field + 1], field == len(fixed) - 2
        slash = text.find("/", start)
        furthest = len(text) if slash < 0 else slash
        stop = len(text) - len(after) if last else text.find(after, start + 1)
        while start < stop <= furthest and text.startswith(after, stop):
            others = rest(field + 1, stop + len(after))
            if others is not None:
                return [text[start:stop], *others]
            stop = -1 if last else text.find(after, stop + 1)
        failed.add((field, start))
        return None

    return rest(0, len(fixed[0])) if len(fixed) > 1 else ([] if text == fixed[0] else None)


def _files(folder: Path, patterns: Sequence[Pattern]) -> list[str]:
    """Return the files below the fixed first folders of the patterns, as POSIX paths."""
    starts = set()
    for pattern in patterns:
        if not _leaves(pattern.pattern):
            starts.add(_start(pattern.pattern))
    out: set[str] = set()
    for start in sorted(starts):
        for path in (folder / start).rglob("*"):
            shown = path.relative_to(folder).as_posix()
            if shown.split("/")[0] not in _OWN_FOLDERS and "/." not in f"/{shown}":
                out.add(shown)
            if len(out) > _MOST_FILES:
                break
    return sorted(path for path in out if (folder / path).is_file())


def _start(pattern: str) -> str:
    """Return the folder before the first field, ``.`` for the study folder itself."""
    return pattern.split("{")[0].rpartition("/")[0] or "."


def _leaves(text: str) -> bool:
    return text.startswith("/") or ".." in text.split("/")


def pattern_fault(text: str, needed: Sequence[str] = ()) -> str | None:
    """Return what is wrong with a pattern of leaf scans itself, whatever files there are."""
    return _wrong(Pattern(pattern=text), _FIELD.split(text), needed)


def fields_in(text: str) -> list[str]:
    """Return the names of the fields of a pattern.

    Examples
    --------
    >>> fields_in("raw/{session}/{unit}_{}.txt")
    ['session', 'unit']
    """
    return [name for name in _FIELD.split(text)[1::2] if name]


def _wrong(pattern: Pattern, parts: Sequence[str], needed: Sequence[str]) -> str | None:
    """Return what is wrong with a pattern itself."""
    names = parts[1::2]
    fields = [name for name in names if name]
    odd = [name for name in fields if _NAME.fullmatch(name) is None]
    given = [name for name in fields if name in _GIVEN]
    is_leaf = pattern.role == "sample" and "role" not in fields
    lacking = [n for n in needed if n not in fields and (n != "unit" or is_leaf)]
    complaints = (
        (len(names) > _MOST_FIELDS, f"more than {_MOST_FIELDS} fields"),
        (len(set(fields)) != len(fields), "a field named twice"),
        (odd, f"a field whose name is not a plain word ({quoted(odd[0], 20) if odd else ''})"),
        (given, f"the field {{{given[0] if given else ''}}}, which the path itself says"),
        (any(part == "" for part in parts[2:-1:2]), "two fields with nothing between them"),
        (any(c in part for part in parts[0::2] for c in "{}"), "a { or } without its partner"),
        (_leaves(pattern.pattern), "a path that leaves the study folder"),
        (lacking, f"no field {{{lacking[0] if lacking else ''}}}"),
    )
    return next((words for is_so, words in complaints if is_so), None)


def _problem(text: str, shown: str, where: str, wrong: str | None) -> Problem:
    if wrong:
        return Problem(
            file=shown,
            column=where,
            found=f"{wrong}: {quoted(text)}",
            expected="a pattern such as raw/{session}/{unit}_{leaf}_{replicate}.txt",
            mend="Correct the pattern; if units are not known, say `design: {unit: none}`."
            if wrong == "no field {unit}"
            else "Correct the pattern.",
        )
    return Problem(
        file=shown,
        column=where,
        found=f"{quoted(text)}, which no file fits",
        expected="a pattern that fits at least one file of the study folder",
        mend="Compare it with the file names, capital letters too; each {field} stands for part "
        "of a name, {} for a part that means nothing.",
    )

"""What can go wrong, said to the person at the bench.

Everything the tool refuses is a list of :class:`Problem`; it never meets the user as a traceback.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from difflib import get_close_matches
from typing import Any, Final

MOST_PROBLEMS: Final = 200
"""Problems of a file that are listed one by one."""
MOST_EXAMPLES: Final = 5
"""Rows with the same problem that are listed one by one."""
_QUOTED_OR_NUMBER = re.compile(r'"[^"]*"|[0-9.]+')
_MEND_FIRST = "Mend those above first; the rest may have the same cause."
_LONGEST_WORD = 80
_MOST_COMPARED = 1_000


@dataclass(frozen=True)
class Problem:
    """One thing wrong with the user's input, and how to mend it.

    Parameters
    ----------
    file
        Path inside the study folder, in POSIX form.
    found
        What stands there, in words or as quoted text.
    expected
        What should stand there.
    mend
        What to do about it.
    row
        Line number in the file, counted from 1 (the heading of a sheet is row 1).
    column
        Column name of a sheet, or key of ``study.yaml`` such as ``design.control``.
    """

    file: str
    found: str
    expected: str
    mend: str
    row: int | None = None
    column: str | None = None

    def sentence(self) -> str:
        """Return the problem as one line of plain text."""
        where = self.file
        if self.row is not None:
            where += f", row {self.row}"
        if self.column:
            where += f", {self.column}"
        return f"{where}: found {self.found}; expected {self.expected}. {self.mend}"

    def as_dict(self) -> dict[str, Any]:
        """Return the fields that are set, for ``logs/*.problems.json``."""
        return {name: value for name, value in asdict(self).items() if value is not None}


class LeafledgerError(Exception):
    """Base of all errors the tool raises on purpose."""


class InputFault(LeafledgerError):
    """The user's input is at fault (exit 2). Holds every problem found, each once."""

    def __init__(self, problems: Iterable[Problem] | Problem) -> None:
        several = [problems] if isinstance(problems, Problem) else problems
        self.problems = tuple(dict.fromkeys(several))
        if not self.problems:
            raise ValueError("an InputFault needs at least one problem")
        super().__init__("\n".join(problem.sentence() for problem in self.problems))


def input_fault(
    file: str, found: str, expected: str, mend: str, column: str | None = None
) -> InputFault:
    """Return the fault of a single problem; the fields are those of :class:`Problem`."""
    return InputFault(Problem(file, found, expected, mend, column=column))


class StageFailure(LeafledgerError):
    """A stage failed for a reason that is not the user's input (exit 1)."""


def nearest(word: str, valid: Sequence[str]) -> str:
    """Return a hint that names the valid word nearest to ``word``.

    Examples
    --------
    >>> nearest("titel", ["title", "design"])
    'Did you mean "title"?'
    >>> nearest("zzz", ["title", "design"])
    'Valid: title, design.'
    """
    close = get_close_matches(word[:_LONGEST_WORD], valid[:_MOST_COMPARED], n=1, cutoff=0.6)
    if close:
        return f'Did you mean "{close[0]}"?'
    return f"Valid: {first_words(valid)}." if valid else "There is none to choose from."


def first_words(words: Sequence[str], most: int = 15) -> str:
    """Return the first words of a list as text, and how many more there are.

    Examples
    --------
    >>> first_words(["a", "b", "c", "d"], most=2)
    'a, b and 2 more'
    """
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + more


def bounded(problems: Sequence[Problem]) -> list[Problem]:
    """Return the first problems of one file and, if there are many more, one that counts them."""
    if len(problems) <= MOST_PROBLEMS:
        return list(problems)
    more = Problem(
        file=problems[0].file,
        found=f"{len(problems) - MOST_PROBLEMS:,} more problems",
        expected="none",
        mend="Mend those listed first; the rest may have the same cause.",
    )
    return [*problems[:MOST_PROBLEMS], more]


def grouped(problems: Sequence[Problem]) -> list[Problem]:
    """Return the problems, of many rows with the same one the first five and how many more.

    Two problems are the same if they stand in one file and column, expect the same, and differ in
    what is found by quoted text and numbers only. Equal ones (one word in many rows) are one.
    """
    by_kind: dict[tuple[str, str | None, str, str], list[Problem]] = {}
    for problem in problems:
        kind = _QUOTED_OR_NUMBER.sub("", problem.found)
        key = (problem.file, problem.column, problem.expected, kind)
        by_kind.setdefault(key, []).append(problem)
    return [example for same in by_kind.values() for example in _examples(same)]


def _examples(same: Sequence[Problem]) -> list[Problem]:
    """Return the first problems of one kind, each wording once, and one that counts the rest."""
    by_words: dict[str, list[Problem]] = {}
    for problem in same:
        by_words.setdefault(problem.found, []).append(problem)
    alike = list(by_words.values())
    examples = []
    for problems in alike[:MOST_EXAMPLES]:
        rows = [str(p.row) for p in problems if p.row is not None]
        more = f" ({len(rows):,} rows: {first_words(rows, MOST_EXAMPLES)})" if len(rows) > 1 else ""
        examples.append(replace(problems[0], found=problems[0].found + more))
    rest = [problem for problems in alike[MOST_EXAMPLES:] for problem in problems]
    if rest:
        rows = [str(p.row) for p in rest if p.row is not None]
        where = f" (rows {first_words(rows, MOST_EXAMPLES)})" if len(rows) > 1 else ""
        count_words = f"{len(rest):,} more like the {MOST_EXAMPLES} above{where}"
        examples.append(replace(rest[0], found=count_words, mend=_MEND_FIRST))
    return examples


def grouped_by_file(problems: Sequence[Problem]) -> list[Problem]:
    """Return the problems, of many files with the same one those of five and how many more.

    Several of one file are grouped first (:func:`grouped`).
    """
    by_kind: dict[tuple[str | None, str, str, str], list[Problem]] = {}
    for problem in grouped(problems):
        kind = _QUOTED_OR_NUMBER.sub("", problem.found)
        key = (problem.column, problem.expected, problem.mend, kind)
        by_kind.setdefault(key, []).append(problem)
    examples: list[Problem] = []
    for same in by_kind.values():
        files = list(dict.fromkeys(problem.file for problem in same))
        first, rest = files[:MOST_EXAMPLES], files[MOST_EXAMPLES:]
        examples += [problem for problem in same if problem.file in first]
        if rest:
            more = next(problem for problem in same if problem.file == rest[0])
            names = first_words(rest, MOST_EXAMPLES)
            files_words = (
                f"the same as in the {MOST_EXAMPLES} files above, in {len(rest):,} more: {names}"
            )
            examples.append(replace(more, found=files_words, row=None))
    return examples


def quoted(text: str, limit: int = 60) -> str:
    """Return ``text`` in quotes, tabs as blanks, without control characters, cut to ``limit``."""
    text = text.replace("\t", " ")
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return f'"{clean if len(clean) <= limit else clean[: limit - 3] + "..."}"'

"""What can go wrong, said to the person at the bench.

Everything the tool refuses is a list of :class:`Problem`; it never meets the user as a traceback.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from difflib import get_close_matches
from typing import Any


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
    """The user's input is at fault (exit 2). Holds every problem found, not only the first."""

    def __init__(self, problems: Iterable[Problem] | Problem) -> None:
        found = (problems,) if isinstance(problems, Problem) else tuple(problems)
        if not found:
            raise ValueError("an InputFault needs at least one problem")
        self.problems: tuple[Problem, ...] = found
        super().__init__("\n".join(problem.sentence() for problem in found))


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
    close = get_close_matches(word, valid, n=1, cutoff=0.6)
    if close:
        return f'Did you mean "{close[0]}"?'
    shown = ", ".join(valid[:12])
    return f"Valid: {shown}{', ...' if len(valid) > 12 else ''}."


def quoted(text: str, limit: int = 60) -> str:
    """Return ``text`` in quotes, without control characters and cut to ``limit``."""
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return f'"{clean if len(clean) <= limit else clean[: limit - 3] + "..."}"'

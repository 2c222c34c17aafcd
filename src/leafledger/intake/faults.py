"""Gather what is wrong with a file: every fault, but no more than a person can read."""

from __future__ import annotations

from leafledger.errors import InputFault, Problem

MAX_PROBLEMS = 50


class Faults:
    """The problems of one file, all of them up to a bound.

    Parameters
    ----------
    file
        Path inside the study folder.
    limit
        Problems kept; those beyond are counted.
    """

    def __init__(self, file: str, limit: int = MAX_PROBLEMS) -> None:
        self.file = file
        self.limit = limit
        self.problems: list[Problem] = []
        self.beyond = 0

    def add(
        self,
        found: str,
        expected: str,
        mend: str,
        *,
        row: int | None = None,
        column: str | None = None,
    ) -> None:
        """Add one problem of this file."""
        self.take(Problem(self.file, found, expected, mend, row, column))

    def take(self, problem: Problem | None) -> None:
        """Add a problem made elsewhere, if there is one."""
        if problem is None:
            return
        if len(self.problems) < self.limit:
            self.problems.append(problem)
        else:
            self.beyond += 1

    @property
    def full(self) -> bool:
        """Whether looking further would only count."""
        return len(self.problems) >= self.limit

    def all(self) -> list[Problem]:
        """Return the problems, with a last one that says how many more there were."""
        if not self.beyond:
            return list(self.problems)
        more = Problem(
            self.file,
            f"at least {self.beyond} more problems",
            "none",
            "Mend those listed first; the rest may have the same cause.",
        )
        return [*self.problems, more]

    def stop(self) -> None:
        """Raise ``InputFault`` if there is any problem."""
        if self.problems:
            raise InputFault(self.all())

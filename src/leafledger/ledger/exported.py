"""What is exported of a study: one run with its records, settings, decisions and tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, Problem
from leafledger.ledger.view import BookView
from leafledger.records.record import Record
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision
from leafledger.study.tables import read_json

if TYPE_CHECKING:
    import pandas as pd

_MADE = ("results/", "records/")


class ExportedRun:
    """One run that ended well, as it will be handed on.

    Parameters
    ----------
    folder
        The study folder.
    name
        The run's id, how it begins, or ``latest``.

    Raises
    ------
    InputFault
        If the run did not end well, or some of its records or results are no longer kept.
    """

    def __init__(self, folder: Path, name: str) -> None:
        self.book = BookView(folder)
        self.folder = folder
        self.run = self.book.run(name)
        self.records = self.book.records_of(self.run)
        gone = [] if self.run["outcome"] == "done" else ["the run did not end well"]
        gone += [f"record of {task}" for task in set(self.run["records"]) - set(self.records)]
        gone += [path for path, place in self._contents() if place is None]
        if gone or not self.records:
            raise InputFault(
                Problem(
                    file=f"ledger/runs/{self.run['run']}.json",
                    found=f"{', '.join(sorted(gone)[:3]) or 'no record'}: not there as recorded",
                    expected="a run that ended well, with all its results kept",
                    mend="Run the study again, then export that run; `leafledger runs` lists them.",
                )
            )

    def _contents(self) -> Iterator[tuple[str, Path | None]]:
        for record in self.records.values():
            for output in record["outputs"]:
                yield output["path"], self.book.content(record, output)

    @cached_property
    def results(self) -> dict[str, Path]:
        """Path -> where the recorded content of every result lies."""
        return {path: place for path, place in self._contents() if place is not None}

    @cached_property
    def raw(self) -> dict[str, dict[str, Any]]:
        """Path -> digest and bytes of every file that a person wrote and a stage read."""
        return {
            given["path"]: given
            for record in self.records.values()
            for given in record["inputs"]
            if not given["path"].startswith(_MADE) and given["path"] not in self.run["study"]
        }

    @cached_property
    def decisions(self) -> list[Decision]:
        """The decisions that were applied, in file order."""
        digest = self.run["study"].get(DECISIONS)
        return (self.book.decisions(digest) or []) if digest else []

    def settings(self, rule: str) -> Mapping[str, Any]:
        """Return the settings of a rule; of one that runs per session, those of the first."""
        found: Record | None = next(
            (record for record in self.records.values() if record["rule"] == rule), None
        )
        return found["settings"] if found else {}

    def sheet(self, name: str) -> bytes | None:
        """Return one of the study's own files as it was read."""
        digest = self.run["study"].get(name)
        return self.book.history(digest) if digest else None

    def json(self, path: str) -> Any:
        """Return a JSON result."""
        return read_json(self.results[path])

    def table(self, path: str) -> pd.DataFrame:
        """Return a CSV result."""
        from leafledger.study.columns import FLAGS, TEXT
        from leafledger.study.tables import read_csv

        return read_csv(self.results[path], text=tuple(TEXT), flags=tuple(FLAGS))

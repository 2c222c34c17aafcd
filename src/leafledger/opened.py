"""An opened study as Python and notebooks see it: what it holds, and running it again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from functools import lru_cache
from html import escape
from pathlib import Path
from textwrap import shorten
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, StageFailure, first_words, quoted
from leafledger.study import study as model
from leafledger.study.reading import read_study
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd

    from leafledger.runner.run import RunResult


_MOST_FINDINGS = 4
_LONGEST_FINDING = 200


def _short(sentence: str) -> str:
    """Return the beginning of a finding, cut at a word."""
    return shorten(sentence, _LONGEST_FINDING, placeholder=" ...")


@lru_cache
def _table_class() -> type[pd.DataFrame]:
    """Return the class of the tables of a study: pandas, with words on its headings.

    It is made when a table is first read, because pandas is slow to import.
    """
    import pandas as pd

    from leafledger.study.tables import meaning_of

    class StudyTable(pd.DataFrame):
        """A table of a study; a notebook shows unit and meaning of a column under the pointer."""

        _metadata = ["source"]  # noqa: RUF012 - how pandas hands an attribute on to a selection

        @property
        def _constructor(self) -> type[StudyTable]:
            return StudyTable

        def _repr_html_(self) -> str | None:
            table_html = super()._repr_html_()  # type: ignore[misc]
            source = getattr(self, "source", "")
            for name in map(str, self.columns) if table_html and source else ():
                unit, meaning = meaning_of(source, name)
                if meaning:
                    words = meaning + (f" (unit: {unit})" if unit not in {"", "1"} else "")
                    table_html = table_html.replace(
                        f"<th>{escape(name)}</th>",
                        f'<th title="{escape(words)}">{escape(name)}</th>',
                        1,
                    )
            return str(table_html) if table_html else None

    return StudyTable


class Study(model.Study):
    """A study folder, opened.

    Tables, spectra and figures are read from the disk each time they are asked for, so that they
    are those of the last run. ``definition``, ``units``, ``scans`` and ``decisions`` are as they
    were when the study was opened: open it again after an edit.

    Examples
    --------
    >>> import leafledger
    >>> study = leafledger.Study.open("my-study")                      # doctest: +SKIP
    >>> study.would_run()                # tasks that are not up to date  # doctest: +SKIP
    >>> study.run(cores=2)               # brings them up to date         # doctest: +SKIP
    >>> study.tables()                   # names of the tables            # doctest: +SKIP
    >>> study.table("effects.csv").query("primary")  # as pandas          # doctest: +SKIP
    >>> study.columns("effects.csv")     # unit and meaning of each column  # doctest: +SKIP
    >>> study.document("effects.json")["sentences"]                    # doctest: +SKIP
    >>> reflectance = study.spectra().frame()  # scans x wavelengths   # doctest: +SKIP
    >>> reflectance.groupby("treatment").mean().T.plot()               # doctest: +SKIP
    >>> study.figures()["spectra"]       # drawn in a notebook         # doctest: +SKIP
    """

    @classmethod
    def open(cls, folder: str | Path = ".") -> Study:
        """Open and check the study in a folder; nothing is run and nothing written.

        Raises
        ------
        InputFault
            With every problem of its files.
        """
        study = read_study(Path(folder))
        return cls(**{field.name: getattr(study, field.name) for field in fields(study)})

    def __repr__(self) -> str:
        """Return the study as a short card: what it is, what was found, what to heed."""
        lines = [f"{name + ':':<10} {text}" for name, text in self._card()]
        return "\n".join([f"Study {quoted(self.definition.title, 100)}", *lines])

    def _repr_html_(self) -> str:
        """Return the same card as a notebook shows it."""
        rows = "".join(
            f"<tr><th style='text-align:left'>{escape(name)}</th>"
            f"<td style='text-align:left'>{escape(text)}</td></tr>"
            for name, text in self._card()
        )
        caption = f"<caption><b>{escape(self.definition.title)}</b></caption>"
        return f"<table>{caption}<tbody>{rows}</tbody></table>"

    def _card(self) -> list[tuple[str, str]]:
        """Return heading and text of each line of the card."""
        from leafledger.study.checks import levels_with_n, listed_levels

        design = self.definition.design
        levels = listed_levels(levels_with_n(self.units, design), design.control)
        units = counted(len(self.units), design.unit or "leaf")
        sessions = [f"{s.session} ({s.phase})" for s in self.sessions]
        card = [
            ("sessions", first_words(sessions, 8)),
            ("units", units + (f"; {first_words(levels, 6)}" if levels else "")),
        ]
        try:
            return card + self._results_in_short()
        except (OSError, ValueError, KeyError) as error:
            return [*card, ("results", f"cannot be read: {error or type(error).__name__}")]

    def _results_in_short(self) -> list[tuple[str, str]]:
        from leafledger.cli.run_commands import answers, findings, warnings
        from leafledger.runner.outdated import marked, said_of_results

        if "accepted.csv" not in self.tables() or "range.json" not in self.documents():
            return [("results", "none yet: study.run() makes them")]
        facts, _ = said_of_results(self.folder)
        stated, rows = answers(self.folder), marked(findings(self.folder), facts)
        marks = {row["mark"] for row in rows if row.get("id") == "primary" and row.get("mark")}
        sentences = [f"{text} ({', '.join(sorted(marks))})" if marks else text for text in stated]
        # The answer stands for the primary contrast, whose sentence has its statistics besides.
        sentences += [
            _short(str(row["sentence"])) + (f" ({row['mark']})" if row.get("mark") else "")
            for row in rows
            if not (stated and row.get("id") == "primary")
        ]
        accepted, trusted = self.table("accepted.csv")["accepted"], self.document("range.json")
        trust = (
            f"{int((~accepted).sum())} of {len(accepted)} leaf scans left out; trusted from "
            f"{trusted['start_nm']:g} to {trusted['stop_nm']:g} nm; "
            f"{len(warnings(self.folder))} things to heed (in the report)"
        )
        return [*(("found", text) for text in sentences[:_MOST_FINDINGS]), ("trust", trust)]

    def table(self, path: str) -> pd.DataFrame:
        """Return a table as pandas; a notebook shows unit and meaning of its columns on hover.

        Parameters
        ----------
        path
            As :meth:`tables` lists it, ``effects.csv``.

        Raises
        ------
        FileNotFoundError
            If the study has not been run, or has no such table.
        """
        table = _table_class()(super().table(path))
        table.source = path  # type: ignore[attr-defined]
        return table

    def would_run(self) -> pd.DataFrame:
        """Return the tasks that :meth:`run` would do now, in the order of the data.

        Returns
        -------
        DataFrame
            task, why, certain (false if it runs only should a task before it change its output);
            no rows if all is up to date.

        Raises
        ------
        InputFault
            If the study as it is now cannot run.
        """
        import pandas as pd

        from leafledger.records.digests import FileDigests
        from leafledger.runner.outdated import would_run
        from leafledger.runner.study_check import checked_study

        now = checked_study(self.folder)
        rows = [(p.task.name, p.why, p.certain) for p in would_run(now, FileDigests(now.folder))]
        return pd.DataFrame(rows, columns=["task", "why", "certain"])

    def run(
        self,
        cores: int = 2,
        listen: Callable[[dict[str, Any]], None] | None = None,
        profile: str | None = None,
    ) -> RunResult:
        """Bring all results up to date, as ``leafledger run`` does, and enter the run in the book.

        Parameters
        ----------
        cores
            How many tasks may run side by side.
        listen
            Called with every line of progress, such as
            ``{"task": "indices.day4", "state": "done"}``.
        profile
            Name or folder of a Snakemake profile by which a cluster does the tasks, such as
            ``"slurm"``; this machine does them if left out.

        Returns
        -------
        RunResult
            run (its id, ``None`` if nothing had to run), outcome (``done`` or ``idle``), tasks
            (one event each) and notes.

        Raises
        ------
        InputFault
            If the study cannot run, the profile cannot be used, or a task found fault with its
            input.
        StageFailure
            If a task failed for another reason.
        """
        from leafledger.runner.run import run_study

        result = run_study(self.folder, cores, listen, profile=profile)
        if result.problems:
            raise InputFault(result.problems)
        if result.exit_code:
            raise StageFailure(f"the run failed: {result.message}")
        return result

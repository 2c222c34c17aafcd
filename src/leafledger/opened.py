"""An opened study as Python and notebooks see it: what it holds, and running it again."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, StageFailure
from leafledger.study import study as model
from leafledger.study.reading import read_study

if TYPE_CHECKING:
    import pandas as pd

    from leafledger.runner.run import RunResult


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
        return cls(**vars(read_study(Path(folder))))

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
        self, cores: int = 2, listen: Callable[[dict[str, Any]], None] | None = None
    ) -> RunResult:
        """Bring all results up to date, as ``leafledger run`` does, and enter the run in the book.

        Parameters
        ----------
        cores
            How many tasks may run side by side.
        listen
            Called with every line of progress, such as
            ``{"task": "indices.day4", "state": "done"}``.

        Returns
        -------
        RunResult
            run (its id, ``None`` if nothing had to run), outcome (``done`` or ``idle``), tasks
            (one event each) and notes.

        Raises
        ------
        InputFault
            If the study cannot run, or a task found fault with its input.
        StageFailure
            If a task failed for another reason.
        """
        from leafledger.runner.run import run_study

        result = run_study(self.folder, cores, listen)
        if result.problems:
            raise InputFault(result.problems)
        if result.exit_code:
            raise StageFailure(f"the run failed: {result.message}")
        return result

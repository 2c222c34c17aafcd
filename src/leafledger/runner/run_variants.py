"""All variants of a study, one after the other, then the study as stated."""

from __future__ import annotations

from pathlib import Path

from leafledger.ledger.variants_table import remove_table
from leafledger.records.digests import FileDigests
from leafledger.runner.check import checked_study
from leafledger.runner.lock import study_lock
from leafledger.runner.run import How, Listener, RunResult, begin, enter_runs, run_held
from leafledger.runner.variants import needs_run, variants_of


def run_variants(folder: Path, cores: int, listen: Listener | None = None) -> RunResult:
    """Run every variant of a study that has no finished run that holds, then the study as stated.

    What variants have in common is computed once: each later one restores it. A variant that fails
    does not stop the others. In the end ``results/`` is that of the study as stated.

    Parameters
    ----------
    folder
        The study folder.
    cores
        How many tasks may run side by side.
    listen
        Called with every line of progress.

    Returns
    -------
    RunResult
        That of the study as stated, with those of the variants in it.

    Raises
    ------
    InputFault
        If the study, or a variant, cannot run at all; nothing has been touched then.
    """
    study = checked_study(folder)
    how = How(cores, listen)
    with study_lock(study.folder):
        interrupted, notes = begin(study)
        digests = FileDigests(study.folder)
        ended = []
        for variant in variants_of(study):
            if needs_run(study, variant, digests):
                ended.append(run_held(variant, how))
            else:
                ended.append(RunResult(None, "idle", variant=variant.variant))
        if not study.definition.variants:
            remove_table(study.folder)
            notes.append("study.yaml names no variants; the study was run as stated")
        result = run_held(study, how, with_table=bool(study.definition.variants))
        result.notes = notes + result.notes
        result.variants = ended
        enter_runs(study, [*ended, result], interrupted, how)
        return result

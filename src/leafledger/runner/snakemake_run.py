"""The one place that drives Snakemake, through its programming interface."""

from __future__ import annotations

import signal
from collections.abc import Iterable
from pathlib import Path

from leafledger.runner.shipped import snakefile
from leafledger.study.layout import Task, outputs


def run_tasks(folder: Path, tasks: Iterable[Task], cores: int) -> bool:
    """Let Snakemake run exactly these tasks, side by side on ``cores``.

    The tasks have been judged stale by our own records, so Snakemake is told to run them whatever
    it thinks of their dates, and no others: it sees the rules of these tasks alone. A rule before
    them would run again for a file that was put back, whose date is later than that of what was
    made of it. Tasks that run side by side do not read each other, so nothing they need is left
    out.

    Returns
    -------
    bool
        Whether all of them ended well.
    """
    from snakemake.api import SnakemakeApi
    from snakemake.exceptions import WorkflowError
    from snakemake.scheduling.greedy import SchedulerSettings as GreedySettings
    from snakemake.settings.types import (
        DAGSettings,
        ExecutionSettings,
        OutputSettings,
        Quietness,
        ResourceSettings,
        SchedulingSettings,
    )

    tasks = list(tasks)
    targets = {next(iter(outputs(task).values())).rstrip("/") for task in tasks}
    # Quiet about what goes well only: ``ALL`` would hide why a job was given up, too.
    quiet = {Quietness.PROGRESS, Quietness.RULES, Quietness.HOST, Quietness.REASON}
    handler = signal.getsignal(signal.SIGTERM)
    try:
        with SnakemakeApi(OutputSettings(quiet=quiet, show_failed_logs=False)) as api:
            workflow = api.workflow(
                resource_settings=ResourceSettings(cores=cores),
                snakefile=snakefile(),
                workdir=folder,
            )
            dag = workflow.dag(
                DAGSettings(
                    targets=targets,
                    forcetargets=True,
                    force_incomplete=True,
                    allowed_rules=frozenset(task.rule for task in tasks),
                    rerun_triggers=frozenset(),
                )
            )
            dag.execute_workflow(
                executor="local",
                execution_settings=ExecutionSettings(keep_going=True, lock=False),
                scheduling_settings=SchedulingSettings(scheduler="greedy"),
                scheduler_settings=GreedySettings(),
            )
    except WorkflowError:
        return False
    finally:
        signal.signal(signal.SIGTERM, handler)
    return True

"""How a task ended, and the event that says so."""

from __future__ import annotations

import resource
import time
from dataclasses import dataclass
from pathlib import Path

from leafledger.records import events
from leafledger.study.layout import LOGS, Task
from leafledger.study.links import remove_file

_EXIT_CODES = {"done": 0, "restored": 0, "input_fault": 2, "failed": 1}


@dataclass(frozen=True)
class Ended:
    """How a task ended.

    Attributes
    ----------
    outcome
        ``done``, ``restored``, ``input_fault`` or ``failed``.
    message
        What there is to say about it.
    key
        The key of its result.
    record
        Digest of the record's own file.
    """

    outcome: str
    message: str = ""
    key: str | None = None
    record: str | None = None

    @property
    def exit_code(self) -> int:
        """0 if it ended well, 2 if the user's input is at fault, 1 if the stage failed."""
        return _EXIT_CODES[self.outcome]


def problems_file(folder: Path, task: Task) -> Path:
    """Return where a task at fault with the user's input leaves its problems."""
    return folder / LOGS / f"{task.name}.problems.json"


class Attempt:
    """A task at work in this process from now on: tells that it began, later how it ended.

    Parameters
    ----------
    folder
        The study folder.
    run
        Id of the run.
    task
        The task.
    """

    def __init__(self, folder: Path, run: str, task: Task) -> None:
        self._folder, self._run, self._task = folder, run, task
        self._started, self._clock = events.now(), time.perf_counter()

    def begin(self) -> None:
        """Tell that the task has begun; what it found wrong before counts no longer."""
        events.tell(self._folder, self._run, task=self._task.name, state="started")
        remove_file(problems_file(self._folder, self._task))

    def end(self, ended: Ended, threads: str | None = None, kernel: str | None = None) -> None:
        """Write the event of the task, and tell of it.

        Parameters
        ----------
        ended
            How the task ended.
        threads, kernel
            How linear algebra was set up, where any was used.
        """
        name = self._task.name
        seconds = round(time.perf_counter() - self._clock, 4)
        event = {
            "task": name,
            "rule": self._task.rule,
            "session": self._task.session,
            "run": self._run,
            "started": self._started,
            "seconds": seconds,
            "peak_bytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024,
            "outcome": ended.outcome,
            "message": ended.message,
            "key": ended.key,
            "record": ended.record,
            "log": f"{LOGS}/{name}.log",
            "threads": threads,
            "kernel": kernel,
        }
        events.write_event(self._folder, self._run, name, event)
        events.tell(self._folder, self._run, task=name, state=ended.outcome, seconds=seconds)

"""How far a run has come: a bar on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any

from leafledger.cli.words import safe, say

_WORDS = {"done": "done", "restored": "restored", "failed": "FAILED", "input_fault": "REFUSED"}


class RunProgress:
    """Listens to a run; use as a context manager.

    Parameters
    ----------
    quiet
        Say nothing.
    """

    def __init__(self, quiet: bool) -> None:
        self.quiet = quiet
        self.on_terminal = sys.stderr.isatty() and not quiet
        self._bar: Any = None
        self._task: Any = None
        self._ended = 0
        self._planned = 0

    def __enter__(self) -> RunProgress:
        if self.on_terminal:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self._bar = Progress(
                TextColumn("{task.description}", markup=False),
                BarColumn(bar_width=30),
                TextColumn("{task.completed:.0f}/{task.total:.0f}", markup=False),
                TimeElapsedColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._bar.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def __call__(self, line: dict[str, Any]) -> None:
        """Take in one line of progress."""
        if "planned" in line:
            self._plan(len(line["planned"]))
        elif line.get("state") == "started":
            self._describe(line["task"])
        elif "state" in line:
            self._end(line)

    def _plan(self, count: int) -> None:
        self._planned = count
        if self._bar is not None:
            self._task = self._bar.add_task("starting", total=count)
        elif not self.quiet:
            say(f"up to {count} tasks to run", error=True)

    def _describe(self, task: str) -> None:
        if self._bar is not None:
            self._bar.update(self._task, description=f"{safe(task):<22}")

    def _end(self, line: dict[str, Any]) -> None:
        self._ended += 1
        if self._bar is not None:
            self._bar.update(self._task, completed=min(self._ended, self._planned))
        elif not self.quiet:
            word = _WORDS.get(line["state"], line["state"])
            count = f"[{self._ended}/{self._planned}]"
            say(f"{count:<8} {line['task']:<22} {word} {line['seconds']:.1f} s", error=True)

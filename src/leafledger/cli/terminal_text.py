"""How does a command speak: text safe for a terminal, JSON for programs, the progress of a run?"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any

import click

from leafledger.errors import InputFault, Problem
from leafledger.records.events import EVENTS, events_of
from leafledger.study.rules import RULES

# Text for a person, JSON for a program
# ----------------------------------------------------------------------

_SHOWN_PROBLEMS = 40
_WIDEST = 100
_MARKS = re.compile(r"^ *(?:[|<-] +)?")


def safe(text: str) -> str:
    r"""Return ``text`` without characters that could steer the terminal.

    Examples
    --------
    >>> safe("day\x1b[31m0")
    'day\ufffd[31m0'
    """
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in text)


def say(text: str = "", error: bool = False) -> None:
    """Print a line of plain text."""
    click.echo(safe(text), err=error)


def say_indented(text: str, first: str, error: bool = False) -> None:
    """Print text after some first words; at a terminal its lines end between words.

    Elsewhere it stays one line, for programs that look for it.
    """
    stream = sys.stderr if error else sys.stdout
    if not stream.isatty():
        say(first + text, error)
        return
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    say(folded(text, first, width), error)


def folded(text: str, first: str, width: int) -> str:
    r"""Return text after some first words, folded between words and indented under its beginning.

    Examples
    --------
    >>> print(folded("one two three\nfour", "- ", 12))
    - one two
      three
      four
    """
    rest = " " * len(first)
    lines = safe(text).split("\n")
    folds = [
        textwrap.wrap(line, width - len(rest), break_long_words=False, break_on_hyphens=False)
        for line in lines
    ]
    return first + f"\n{rest}".join(part for fold in folds for part in fold or [""])


def say_line(text: str) -> None:
    """Print a line of a tree or list; folded at a terminal, under its text and not its marks."""
    marks = _MARKS.match(text)
    first = marks.group() if marks else ""
    say_indented(text[len(first) :], first)


def say_json(value: Any) -> None:
    """Print a value for machines."""
    click.echo(json.dumps(value, ensure_ascii=True, indent=1, sort_keys=True))


def say_problems(problems: Sequence[Problem], folder: Path | None = None) -> None:
    """Print every problem with what, where and how to mend it."""
    count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
    say(f"{count} in {folder.name or folder}:" if folder else f"{count}:", error=True)
    for problem in problems[:_SHOWN_PROBLEMS]:
        where = problem.file + (f", row {problem.row}" if problem.row else "")
        where += f", {problem.column}" if problem.column else ""
        say(f"  {where}", error=True)
        say_indented(problem.found, "    found     ", error=True)
        say_indented(problem.expected, "    expected  ", error=True)
        say_indented(problem.mend, "    mend      ", error=True)
    if len(problems) > _SHOWN_PROBLEMS:
        say(f"  and {len(problems) - _SHOWN_PROBLEMS} more (all with --json)", error=True)


@contextmanager
def problems_as_json(as_json: bool, **more: Any) -> Iterator[None]:
    """Print the problems of a fault in the block as JSON, if asked to, and end with exit code 2."""
    try:
        yield
    except InputFault as fault:
        if not as_json:
            raise
        say_json({"problems": [problem.as_dict() for problem in fault.problems], **more})
        raise SystemExit(2) from None


def bullet_list(title: str, items: Iterable[str]) -> None:
    """Print a title and indented lines, or nothing if there are none."""
    lines = list(items)
    if lines:
        say(title)
        for line in lines:
            say_indented(line, "  - ")


# Arguments and options that several commands share
# ----------------------------------------------------------------------

study_argument = click.argument(
    "study", type=click.Path(path_type=Path), default=".", required=False
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON value instead.")
cores_option = click.option(
    "--cores",
    type=click.IntRange(1, 1024),
    default=min(2, os.cpu_count() or 1),
    show_default=True,
    help="How many tasks may run side by side.",
)

# The time left, from how long tasks took before
# ----------------------------------------------------------------------

_MOST_RUNS = 6
_USUAL_SECONDS = {rule.name: rule.seconds for rule in RULES}
_OTHER_SECONDS = 4.0


def earlier_task_seconds(folder: Path) -> dict[str, float]:
    """Return task -> seconds that it took when it was last computed in a study."""
    folder_of_events = folder / EVENTS
    runs = (
        sorted((p.name for p in folder_of_events.iterdir()), reverse=True)
        if folder_of_events.is_dir()
        else []
    )
    seconds: dict[str, float] = {}
    for run in runs[:_MOST_RUNS]:
        for event in events_of(folder, run):
            if event["outcome"] == "done":
                seconds.setdefault(str(event["task"]), float(event["seconds"]))
    return seconds


class Forecast:
    """Weighs the tasks of a run by how long they take, and tells the time left from its pace.

    Parameters
    ----------
    tasks
        Names of the tasks to come.
    before
        Task -> seconds that it took before, as far as it is known.
    """

    def __init__(self, tasks: Sequence[str], before: Mapping[str, float]) -> None:
        self._weights = {
            task: max(before.get(task, _USUAL_SECONDS.get(task.split(".")[0], _OTHER_SECONDS)), 0.1)
            for task in tasks
        }
        self._done = 0.0
        self._estimated_at: float | None = None
        self._left = 0.0

    @property
    def share(self) -> float:
        """Share done, 0 to 1."""
        total = self._done + sum(self._weights.values())
        return self._done / total if total else 1.0

    def end(self, task: str, computed: bool, elapsed: float) -> None:
        """Take in that a task has ended.

        Parameters
        ----------
        task
            Its name.
        computed
            Whether it was computed; one that was restored takes no time, and tells no pace.
        elapsed
            Seconds since the run began.
        """
        weight = self._weights.pop(task, 0.0)
        if computed:
            self._done += weight
        if self._done:
            self._estimated_at = elapsed
            self._left = elapsed * sum(self._weights.values()) / self._done

    def left(self, elapsed: float) -> float | None:
        """Return the seconds left, ``None`` while nothing tells the pace."""
        if self._estimated_at is None:
            return None
        return max(self._left - (elapsed - self._estimated_at), 0.0)


def time_left_words(seconds: float | None) -> str:
    """Return the time left in words, no finer than such a guess is.

    Examples
    --------
    >>> [time_left_words(s) for s in (None, 3.0, 41.0, 100.0, 4000.0)]
    ['', 'nearly done', '50 s left', '2 min left', '67 min left']
    """
    if seconds is None:
        return ""
    if seconds < 5:
        return "nearly done"
    if seconds < 90:
        return f"{-(-seconds // 10) * 10:.0f} s left"
    return f"{seconds / 60:.0f} min left"


# A bar on a terminal, plain lines elsewhere
# ----------------------------------------------------------------------

_LONGEST = 26
_WORDS = {"done": "done", "restored": "restored", "failed": "FAILED", "input_fault": "REFUSED"}


class RunProgress:
    """Listens to a run; use as a context manager.

    Parameters
    ----------
    quiet
        Say nothing.
    folder
        The study, whose earlier runs tell how long its tasks take.
    """

    def __init__(self, quiet: bool, folder: Path | None = None) -> None:
        self.quiet = quiet
        self._before = earlier_task_seconds(folder) if folder and not quiet else {}
        self._forecast = Forecast((), {})
        self._began = time.monotonic()
        self._running: dict[str, None] = {}
        self.on_terminal = sys.stderr.isatty() and not quiet
        self._bar: Any = None
        self._task: Any = None
        self._ended = 0
        self._planned = 0

    def __enter__(self) -> RunProgress:
        if self.on_terminal:
            self._bar = self._columns()
            self._bar.start()
        return self

    def _columns(self) -> Any:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn, TimeElapsedColumn
        from rich.text import Text

        class Left(ProgressColumn):
            """Counts down between two tasks."""

            def render(column, task: Any) -> Text:  # noqa: ARG002, N805 - rich's own signature
                return Text(time_left_words(self._forecast.left(self._elapsed())))

        return Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=12),
            TextColumn("{task.percentage:>3.0f} %  {task.fields[count]}", markup=False),
            TimeElapsedColumn(),
            Left(),
            console=Console(stderr=True),
            transient=True,
        )

    def _elapsed(self) -> float:
        return time.monotonic() - self._began

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
            self._plan(line["planned"], line.get("variant"))
        elif line.get("state") == "started":
            self._running[line["task"]] = None
            self._show(running_words(list(self._running)))
        elif "state" in line:
            self._end(line)
        elif "waits" in line and not self.quiet:
            self._say_beside_bar(str(line["waits"]))

    def _say_beside_bar(self, words: str) -> None:
        if self._bar is None:
            say(words, error=True)
        else:
            self._bar.console.print(safe(words), markup=False, highlight=False)

    def _plan(self, tasks: list[str], variant: str | None) -> None:
        """Begin a run: the first, or that of one variant after another."""
        self._planned, self._ended = len(tasks), 0
        self._running.clear()
        self._forecast, self._began = Forecast(tasks, self._before), time.monotonic()
        if self._bar is not None:
            if self._task is not None:
                self._bar.remove_task(self._task)
            self._task = self._bar.add_task("starting", total=1.0, count="")
            self._show("starting")
        elif not self.quiet:
            named = f"variant {variant}: " if variant else ""
            say(f"{named}{to_run_words(self._planned)}", error=True)

    def _show(self, words: str) -> None:
        """Draw; without words, what stood there stays: the next task is about to begin."""
        if self._bar is None:
            return
        if words:
            self._bar.update(self._task, description=f"{words:<{_LONGEST}}")
        self._bar.update(
            self._task,
            completed=self._forecast.share,
            count=f"{self._ended} of {self._planned}",
        )

    def _end(self, line: dict[str, Any]) -> None:
        self._ended += 1
        # After a run that was cut off Snakemake may do a task anew that our records call whole.
        self._planned = max(self._planned, self._ended)
        self._running.pop(line["task"], None)
        self._forecast.end(line["task"], line["state"] != "restored", self._elapsed())
        self._show(running_words(list(self._running)))
        if self._bar is None and not self.quiet:
            word = _WORDS.get(line["state"], line["state"])
            count = f"[{self._ended}/{self._planned}]"
            say(f"{count:<8} {line['task']:<22} {word} {line['seconds']:.1f} s", error=True)


def to_run_words(n_tasks: int) -> str:
    """Return how many tasks a run has before it; `status` and the run say it in the same words.

    Examples
    --------
    >>> to_run_words(1), to_run_words(17)
    ('1 task to run', 'up to 17 tasks to run')
    """
    return "1 task to run" if n_tasks == 1 else f"up to {n_tasks} tasks to run"


def running_words(tasks: list[str]) -> str:
    """Return which stage and session is at work, and how many others beside it.

    Examples
    --------
    >>> words = running_words
    >>> words(["intake.day0", "intake.day4"]), words(["effects"]), words([])
    ('intake day0, 1 more', 'effects', '')
    """
    if not tasks:
        return ""
    first = safe(tasks[0]).replace(".", " ", 1)
    more = f", {len(tasks) - 1} more" if len(tasks) > 1 else ""
    room = _LONGEST - len(more)
    return (first if len(first) <= room else first[: room - 1] + "…") + more

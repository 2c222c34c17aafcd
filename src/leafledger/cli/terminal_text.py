"""How does a command speak: text safe for a terminal, JSON for programs, shared options?"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from leafledger.errors import InputFault, Problem

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

"""Which command was asked for, and how does an error reach the person who asked?"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from typing import Any

import click

from leafledger.cli.assay_commands import assay
from leafledger.cli.ledger_commands import (
    compare,
    export,
    ledger,
    report,
    reproduce,
    runs,
    trace,
    ui,
    verify,
)
from leafledger.cli.plan_commands import plan, watch
from leafledger.cli.run_commands import clean, demo, estimate, identify, run, status
from leafledger.cli.study_commands import check, new, review
from leafledger.cli.terminal_text import say, say_problems
from leafledger.errors import InputFault, LeafledgerError

_INTERRUPTED = 130
_NO_RIGHT = "Ask for the right to read and write there, or work on a copy of your own."
_MEND = {
    errno.EACCES: _NO_RIGHT,
    errno.EPERM: _NO_RIGHT,
    errno.EROFS: "The disk can only be read: work on a copy elsewhere.",
    errno.ENOSPC: "Free some space and try again; what was finished is kept.",
    errno.EDQUOT: "Free some space and try again; what was finished is kept.",
}
_MEND_OTHERWISE = "Check that the path is right and its disk in order, then try again."
_HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 96}


_SECTIONS: dict[str, tuple[click.Command, ...]] = {
    "Work on a study": (
        *(demo, new, plan, watch, check, run, status, review, assay, identify, estimate),
    ),
    "Answer for a result": (runs, trace, compare, verify, reproduce, report, export, ui),
    "Keep house": (clean, ledger),
}


class Sections(click.Group):
    """Lists the commands in the order of the work, not of the alphabet."""

    def format_commands(
        self,
        ctx: click.Context,  # noqa: ARG002 - click's own signature
        formatter: click.HelpFormatter,
    ) -> None:
        """Write the commands, section by section."""
        width = max(len(name) for name in self.commands)
        room = formatter.width - width - 4
        for title, commands in _SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl(
                    [(f"{c.name:<{width}}", c.get_short_help_str(room)) for c in commands]
                )


@click.group(cls=Sections, context_settings=_HELP)
@click.version_option(package_name="leafledger")
def cli() -> None:
    """Carry a leaf reflectance study from raw files to tested effects, and keep the books.

    \b
    Example:
      leafledger demo            run the demo study in ./leafledger-demo
      leafledger new my-study    write a commented study to fill in
      leafledger run my-study    bring all its results up to date

    \b
    The Tab key completes commands with this in ~/.bashrc (zsh, fish: likewise):
      eval "$(_LEAFLEDGER_COMPLETE=bash_source leafledger)"
    """


for _commands in _SECTIONS.values():
    for _command in _commands:
        cli.add_command(_command)


def main() -> None:
    """Run the command line; every error that was foreseen ends in a message, not a traceback."""
    code = _guarded(lambda: cli(standalone_mode=False))
    if code == _INTERRUPTED:
        # An orderly end would wait for the threads of libraries, MLflow's for a minute and more.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)


def _guarded(command: Callable[[], Any]) -> int:
    try:
        command()
    except InputFault as fault:
        say_problems(fault.problems)
        return 2
    except LeafledgerError as error:
        say(f"leafledger: {error}", error=True)
        return 1
    except click.exceptions.Abort:
        say("Interrupted; what was finished is kept and the next run goes on from there.", True)
        return _INTERRUPTED
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except click.exceptions.Exit as ended:
        return ended.exit_code
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else 1
    except MemoryError:
        say("leafledger: not enough memory", error=True)
        say("  Close other programs, or take fewer tasks side by side (--cores 1).", error=True)
        return 1
    except OSError as error:
        name = f": {error.filename}" if error.filename else ""
        say(f"leafledger: {error.strerror or error}{name}", error=True)
        say(f"  {_MEND.get(error.errno or 0, _MEND_OTHERWISE)}", error=True)
        return 1
    return 0

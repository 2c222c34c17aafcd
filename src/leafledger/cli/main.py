"""``leafledger``: the commands, thin over the runner and the ledger."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import click

from leafledger.cli.audit_commands import compare, export, reproduce, trace, verify
from leafledger.cli.identify_command import identify
from leafledger.cli.ledger_commands import ledger, runs, ui
from leafledger.cli.review_commands import review
from leafledger.cli.run_commands import clean, demo, run, status
from leafledger.cli.study_commands import check, new
from leafledger.cli.words import say, say_problems
from leafledger.errors import InputFault, LeafledgerError

_HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 96}


@click.group(context_settings=_HELP)
@click.version_option(package_name="leafledger")
def cli() -> None:
    """Carry a leaf reflectance study from raw files to tested effects, and keep the books.

    \b
    leafledger demo            run the demo study in ./leafledger-demo
    leafledger new my-study    write a commented study to fill in
    leafledger run my-study    bring all its results up to date
    """


for _command in (
    demo,
    new,
    check,
    run,
    status,
    review,
    identify,
    runs,
    trace,
    compare,
    verify,
    reproduce,
    export,
    ui,
    clean,
    ledger,
):
    cli.add_command(_command)


def main() -> None:
    """Run the command line; every error that was foreseen ends in a message, not a traceback."""
    sys.exit(_guarded(lambda: cli(standalone_mode=False)))


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
        return 130
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except click.exceptions.Exit as ended:
        return ended.exit_code
    except SystemExit as ended:
        return ended.code if isinstance(ended.code, int) else 1
    except MemoryError:
        say("leafledger: not enough memory", error=True)
        return 1
    except OSError as error:
        name = f": {error.filename}" if error.filename else ""
        say(f"leafledger: {error.strerror or error}{name}", error=True)
        return 1
    return 0

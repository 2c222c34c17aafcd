"""The command that lets a person look at replicates and decide: ``review``."""

from __future__ import annotations

from pathlib import Path

import click

from leafledger.cli.options import cores_option, study_argument
from leafledger.cli.words import say


@click.command(short_help="Look at replicates and decide, in a browser.")
@study_argument
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port on this machine; a free one if left out.",
)
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--reviewer", default="", metavar="NAME", help="Name to write beside decisions.")
@cores_option
def review(study: Path, port: int, no_browser: bool, reviewer: str, cores: int) -> None:
    """Look at replicates and decide which scans take part, in a browser on this machine.

    Treatments and effects are hidden until decisions are saved in decisions.csv.

    \b
    Example:
      leafledger review my-study --reviewer "A. Grower"
    """
    from leafledger.review.desk import Desk
    from leafledger.review.server import serve

    serve(Desk(study, reviewer, cores), port, not no_browser, say)

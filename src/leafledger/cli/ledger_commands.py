"""Commands on the book of runs and its copy in MLflow: ``runs``, ``ui``, ``ledger sync``."""

from __future__ import annotations

from pathlib import Path

import click

from leafledger.cli.options import json_option, study_argument
from leafledger.cli.words import say, say_json, say_line
from leafledger.errors import InputFault


@click.command(short_help="List the runs and what changed between them.")
@study_argument
@json_option
def runs(study: Path, as_json: bool) -> None:
    """List the runs in time: what changed from one to the next, and what they found.

    Plans that were recorded by themselves stand between the runs; `plan history` tells of all.

    \b
    Example:
      leafledger runs my-study
    """
    from leafledger.ledger.course import course, head_of, lines
    from leafledger.ledger.plans import lines_of_lodged

    found = course(study.resolve())
    if as_json:
        say_json(found)
        return
    plans = lines_of_lodged(study.resolve())
    if not found:
        say("No run yet.")
    for entry in found:
        for line in [*plans.pop(entry["run"], []), *lines(entry)]:
            say_line(line)
    for line in plans.pop(None, []):
        say_line(line)
    if found:
        say(f"Head of the chain: {head_of(study.resolve())}")


@click.command()
@study_argument
@click.option("--port", type=click.IntRange(1, 65535), default=5000, show_default=True)
def ui(study: Path, port: int) -> None:
    """Open the tracking store in a browser, on this machine only.

    \b
    Example:
      leafledger ui my-study
    """
    from leafledger.ledger.book import bring_up
    from leafledger.ledger.server import serve
    from leafledger.ledger.server_address import tracking_server
    from leafledger.runner.lock import study_lock
    from leafledger.study.links import refuse_links

    folder = study.resolve()
    server = tracking_server(folder)
    if server is not None:
        say(f"The runs of this study are on the tracking server: open {server} in a browser.")
        return
    refuse_links(folder)
    if (folder / "ledger").is_dir():
        try:
            with study_lock(folder):
                for note in bring_up(folder):
                    say(note)
        except InputFault:
            say(
                "The store is shown as it is: a run is at work, or the folder cannot be written to."
            )
    raise SystemExit(serve(folder, port, lambda text: say(text)))


@click.group()
def ledger() -> None:
    """Keep the tracking store in step with the book of runs.

    \b
    Example:
      leafledger ledger sync my-study
    """


@ledger.command()
@study_argument
def sync(study: Path) -> None:
    """Take runs into the tracking store that are not in it yet.

    \b
    Example:
      leafledger ledger sync my-study
    """
    from leafledger.ledger.book import take_in
    from leafledger.runner.lock import study_lock
    from leafledger.study.reading import read_study

    found = read_study(study)
    with study_lock(found.folder):
        for note in take_in(found):
            say(note)
    say("The tracking store holds every run of the book.")

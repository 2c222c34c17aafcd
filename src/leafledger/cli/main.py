"""``leafledger``: the commands, thin over the runner and the ledger."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from leafledger.cli.words import say, say_json, say_problems
from leafledger.errors import InputFault, LeafledgerError

_HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 96}

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


@click.group(context_settings=_HELP)
@click.version_option(package_name="leafledger")
def cli() -> None:
    """Carry a leaf reflectance study from raw files to tested effects, and keep the books.

    \b
    leafledger demo            run the demo study in ./leafledger-demo
    leafledger new my-study    write a commented study to fill in
    leafledger run my-study    bring all its results up to date
    """


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path), default="leafledger-demo")
@cores_option
def demo(folder: Path, cores: int) -> None:
    """Run the demo study.

    Copies it to FOLDER (the first time) and runs it: an iron-chelate spray on chlorotic soybean
    seedlings against water, invented data. Example: leafledger demo
    """
    from leafledger.cli.demo import copy_demo

    copy_demo(folder)
    _run(folder, cores, as_json=False, quiet=False)


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--title", help="What the study is called.")
@click.option("--treatment", help="Column that holds the treatment.")
@click.option("--control", help="Level that the others are compared with.")
@click.option(
    "--session",
    "sessions",
    multiple=True,
    metavar="ID:PHASE",
    help="Such as day0:before; once for each, in order.",
)
@click.option("--quantity", type=click.Choice(["counts", "reflectance", "percent"]))
@click.option(
    "--table",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A table of labelled spectra (a row per leaf) to copy in.",
)
def new(folder: Path, **given: Any) -> None:
    """Write a commented study to FOLDER, asking for what is not given.

    Example: leafledger new rust --table leaves.csv --treatment Type --quantity percent
    """
    from leafledger.cli.new_questions import wanted_from
    from leafledger.cli.new_study import write_study

    names = write_study(folder, wanted_from(given, asking=sys.stdin.isatty()))
    say(f"Wrote {', '.join(names)} in {folder}.")
    say(f"Next: leafledger check {folder}, then leafledger run {folder}")


@cli.command()
@study_argument
@json_option
@click.option("--sheets", is_flag=True, help="Check the sheets only; leave the raw files unread.")
def check(study: Path, as_json: bool, sheets: bool) -> None:
    """List what is wrong with a study, before anything runs.

    Raw files that have not been taken in yet are read as well; nothing is written. Example:
    leafledger check my-study
    """
    from leafledger.runner.check import check_raw_files, checked_study

    # As in a step of a run: no threads whose memory nobody needs.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    n_files = 0
    try:
        found = checked_study(study)
        if not sheets:
            n_files = check_raw_files(found)
    except InputFault as fault:
        if as_json:
            say_json({"problems": [p.as_dict() for p in fault.problems]})
            raise SystemExit(2) from None
        raise
    if as_json:
        say_json({"problems": []})
        return
    say(
        f"No problem found: {len(found.samples())} leaf scans of {len(found.units)} "
        f"{'units' if found.definition.design.unit else 'leaves'} in "
        f"{len(found.sessions)} session{'s' * (len(found.sessions) > 1)}"
        + (f"; {n_files} raw file{'s' * (n_files > 1)} read." if n_files else ".")
    )


@cli.command()
@study_argument
@cores_option
@json_option
@click.option("--quiet", is_flag=True, help="Say nothing but problems.")
def run(study: Path, cores: int, as_json: bool, quiet: bool) -> None:
    """Bring all results of a study up to date. Example: leafledger run my-study --cores 4."""
    _run(study, cores, as_json, quiet)


def _run(folder: Path, cores: int, as_json: bool, quiet: bool) -> None:
    from leafledger.cli.progress import RunProgress
    from leafledger.runner.run import run_study

    folder = folder.resolve()
    try:
        with RunProgress(quiet or as_json) as progress:
            result = run_study(folder, cores, progress)
    except InputFault as fault:
        if as_json:
            say_json(
                {
                    "outcome": "input_fault",
                    "tasks": [],
                    "problems": [p.as_dict() for p in fault.problems],
                }
            )
            raise SystemExit(2) from None
        raise
    _tell(folder, result, as_json, quiet)
    if result.exit_code:
        raise SystemExit(result.exit_code)


def _tell(folder: Path, result: Any, as_json: bool, quiet: bool) -> None:
    from leafledger.cli.closing import findings, say_closing, warnings

    if as_json:
        say_json(
            {
                "run": result.run,
                "outcome": result.outcome,
                "message": result.message,
                "tasks": [
                    {name: e[name] for name in ("rule", "session", "outcome", "seconds")}
                    for e in result.tasks
                ],
                "problems": [p.as_dict() for p in result.problems],
                "notes": result.notes,
                "findings": findings(folder) if result.exit_code == 0 else [],
                "warnings": warnings(folder) if result.exit_code == 0 else [],
            }
        )
    elif result.outcome == "input_fault":
        say_problems(result.problems, folder)
    elif result.outcome == "failed":
        say(f"The run failed: {result.message}", error=True)
        for note in result.notes:
            say(f"  {note}", error=True)
    elif not quiet:
        say_closing(folder, result)


@cli.command()
@study_argument
@json_option
def status(study: Path, as_json: bool) -> None:
    """Say what a run would do now, and why. Example: leafledger status my-study."""
    from leafledger.records.digests import FileDigests
    from leafledger.runner.check import checked_study
    from leafledger.runner.lock import is_held
    from leafledger.runner.plan import plan

    try:
        found = checked_study(study)
    except InputFault as fault:
        if not as_json:
            raise
        say_json({"problems": [p.as_dict() for p in fault.problems], "would_run": []})
        raise SystemExit(2) from None
    planned = plan(found, FileDigests(found.folder))
    at_work = is_held(found.folder)
    if as_json:
        say_json(
            {
                "problems": [],
                "at_work": at_work,
                "would_run": [
                    {
                        "rule": p.task.rule,
                        "session": p.task.session,
                        "why": p.why,
                        "certain": p.certain,
                    }
                    for p in planned
                ],
            }
        )
        return
    if at_work:
        say("A run is at work on this study now; this is how it stands at this moment:")
    if not planned:
        say("Up to date: nothing would run.")
    for p in planned:
        say(f"{'runs' if p.certain else 'may run':<8} {p.task.name:<22} {p.why}")


@cli.command()
@study_argument
@json_option
def runs(study: Path, as_json: bool) -> None:
    """List the runs of a study in time. Example: leafledger runs my-study."""
    from leafledger.ledger.book import summary

    found = summary(study.resolve())
    if as_json:
        say_json(found)
        return
    if not found:
        say("No run yet.")
    for entry in found:
        counts = [e["outcome"] for e in entry["tasks"]]
        done, restored = counts.count("done"), counts.count("restored")
        say(
            f"{entry['run']}  {entry['outcome']:<11} {done:>3} ran {restored:>3} restored"
            f"  {entry['message']}".rstrip()
        )


@cli.command()
@study_argument
@click.option("--port", type=click.IntRange(1, 65535), default=5000, show_default=True)
def ui(study: Path, port: int) -> None:
    """Open the tracking store in a browser, on this machine only.

    Example: leafledger ui my-study
    """
    from leafledger.ledger.book import bring_up
    from leafledger.ledger.server import serve
    from leafledger.runner.lock import study_lock

    folder = study.resolve()
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


@cli.command()
@study_argument
@click.option("--store", is_flag=True, help="Also forget results kept for going back.")
def clean(study: Path, store: bool) -> None:
    """Free the space of kept results; results and the book of runs stay.

    Example: leafledger clean my-study --store
    """
    from leafledger.records.store import ContentStore
    from leafledger.runner.leftovers import sweep_temporaries
    from leafledger.runner.lock import study_lock
    from leafledger.study.reading import read_study

    found = read_study(study)
    with study_lock(found.folder):
        sweep_temporaries(found.folder)
        most = 0 if store else int(found.definition.tracking.store_gb * 1e9)
        left = ContentStore(found.folder).trim(most)
    say(
        f"{left['removed']} results removed; {left['entries']} kept ({left['bytes'] / 1e6:.1f} MB)."
    )


@cli.group()
def ledger() -> None:
    """Keep the tracking store in step with the book of runs."""


@ledger.command()
@study_argument
def sync(study: Path) -> None:
    """Take runs into the tracking store that are not in it yet.

    Example: leafledger ledger sync my-study
    """
    from leafledger.ledger.book import take_in
    from leafledger.runner.lock import study_lock
    from leafledger.study.reading import read_study

    found = read_study(study)
    with study_lock(found.folder):
        for note in take_in(found):
            say(note)
    say("The tracking store holds every run of the book.")


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

"""How is a result accounted for: the commands on the book of runs?

``runs``, ``ui``, ``ledger sync``; ``verify``, ``trace``, ``compare``, ``reproduce``, ``export``,
``report`` of several studies.
"""

from __future__ import annotations

import re
import webbrowser
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click

from leafledger.cli.terminal_text import (
    bullet_list,
    cores_option,
    json_option,
    say,
    say_indented,
    say_json,
    say_line,
    study_argument,
)
from leafledger.errors import InputFault, input_fault, quoted
from leafledger.words import counted

# The book of runs and its copy in MLflow
# ----------------------------------------------------------------------


@click.command(short_help="List the runs and what changed between them.")
@study_argument
@click.option("--all", "below", is_flag=True, help="List every study below the folder instead.")
@json_option
def runs(study: Path, below: bool, as_json: bool) -> None:
    """List the runs in time: what changed from one to the next, and what they found.

    Plans that were recorded by themselves stand between the runs; `plan history` tells of all. Runs
    of another copy that were joined come last. With --all: the studies below a folder, each with
    its title, state, last run and primary finding.

    \b
    Example:
      leafledger runs my-study
      leafledger runs --all studies
    """
    from leafledger.ledger.book import plan_lines
    from leafledger.ledger.compare import chain_head, history_lines, run_history
    from leafledger.ledger.lab import branch_histories, branch_lines

    if below:
        _say_studies_below(study, as_json)
        return
    history = run_history(study.resolve())
    if as_json:
        side = [entry for _, entries in branch_histories(study.resolve()) for entry in entries]
        say_json([*({**entry, "branch": None} for entry in history), *side])
        return
    plans = plan_lines(study.resolve())
    if not history:
        say("No run yet.")
    for entry in history:
        for line in [*plans.pop(entry["run"], []), *history_lines(entry)]:
            say_line(line)
    for line in plans.pop(None, []):
        say_line(line)
    for line in branch_lines(study.resolve()):
        say_line(line)
    if history:
        say(f"Head of the chain: {chain_head(study.resolve())}")


def _say_studies_below(folder: Path, as_json: bool) -> None:
    """List the studies below a folder."""
    from leafledger.ledger.lab import lab_lines, list_studies

    if not folder.is_dir():
        raise input_fault(
            file=str(folder),
            found="no folder" if not folder.exists() else "a file",
            expected="a folder that holds studies, at any depth",
            mend="Name the folder; it is searched without following links.",
        )
    listed = list_studies(folder.resolve(), _state_of)
    if as_json:
        say_json(listed.as_dict())
        return
    for line in lab_lines(listed):
        say_line(line)


def _state_of(folder: Path) -> tuple[str, str]:
    """Return the state of a study whose book is whole, and the reason if it is unfinished."""
    from leafledger.ledger.lab import AT_WORK, NOT_RUN, UNFINISHED, UP_TO_DATE
    from leafledger.records.digests import FileDigests
    from leafledger.runner.outdated import would_run
    from leafledger.runner.study_folder import is_held
    from leafledger.study.reading import read_study

    if is_held(folder):
        return AT_WORK, ""
    opened = read_study(folder)
    planned = would_run(opened, FileDigests(folder))
    if not planned and opened.session_ids:
        return UP_TO_DATE, ""
    if not any((folder / "ledger/runs").glob("*.json")):
        return NOT_RUN, ""
    if not planned:
        return UNFINISHED, "no session is measured"
    return UNFINISHED, f"{planned[0].task.name} would run ({planned[0].why})"


@click.command()
@study_argument
@click.option("--port", type=click.IntRange(1, 65535), default=5000, show_default=True)
@click.option("--no-browser", is_flag=True, help="Print the address only.")
def ui(study: Path, port: int, no_browser: bool) -> None:
    """Open the list of runs in MLflow, on this machine only.

    Its columns are the primary contrast with its interval, the verdict, the accuracy, how many
    scans are left out, and what changed since the run before.

    \b
    Example:
      leafledger ui my-study
    """
    from leafledger.ledger.book import sync_runs
    from leafledger.ledger.tracking import serve, tracking_server
    from leafledger.local_page import has_screen
    from leafledger.runner.study_folder import study_lock
    from leafledger.study.table_files import refuse_links

    folder = study.resolve()
    server = tracking_server(folder)
    if server is not None:
        say(f"The runs of this study are on the tracking server: open {server} in a browser.")
        return
    refuse_links(folder)
    if (folder / "ledger").is_dir():
        try:
            with study_lock(folder):
                notes = sync_runs(folder)
            for note in notes:
                say(note)
        except InputFault:
            say(
                "The store is shown as it is: a run is at work, or the folder cannot be written to."
            )
    show = webbrowser.open if not no_browser and has_screen() else None
    raise SystemExit(serve(folder, port, say, show))


@click.group()
def ledger() -> None:
    """Update the tracking store; compare and join copies of a study.

    \b
    Example:
      leafledger ledger sync my-study
      leafledger ledger compare my-study copy-of-ben
      leafledger ledger join my-study copy-of-ben
    """


@ledger.command()
@study_argument
def sync(study: Path) -> None:
    """Take runs into the tracking store that are not in it yet.

    \b
    Example:
      leafledger ledger sync my-study
    """
    from leafledger.ledger.book import import_snakemake_runs
    from leafledger.runner.study_folder import study_lock
    from leafledger.study.reading import read_study

    opened = read_study(study)
    with study_lock(opened.folder):
        for note in import_snakemake_runs(opened):
            say(note)
    say("The tracking store holds every run of the book.")


@ledger.command("compare", short_help="Say where the books of two copies part.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("other", type=click.Path(path_type=Path))
@json_option
def compare_books_of(study: Path, other: Path, as_json: bool) -> None:
    """Say where the books of two copies of a study part, and what each did after.

    \b
    Example:
      leafledger ledger compare my-study copy-of-ben
    """
    from leafledger.ledger.lab import compare_books, compared_lines

    compared = compare_books(folder_with_book(study), other.resolve())
    if as_json:
        say_json(compared.as_dict())
        return
    for line in compared_lines(compared, str(other)):
        say_line(line)


@ledger.command(short_help="Take the runs of another copy into the book, as a branch.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("other", type=click.Path(path_type=Path))
def join(study: Path, other: Path) -> None:
    """Take the later runs of another copy of a study into its book, as a branch.

    Nothing is rewritten: the study's own chain goes on as it was, its results stay, and the chain
    of the other copy stands beside it. The other copy is only read. `runs`, `compare`, `trace` and
    `verify` know the branch. Joined again, only what is new is taken.

    \b
    Example:
      leafledger ledger join my-study copy-of-ben
    """
    from leafledger.ledger.book import sync_runs
    from leafledger.ledger.lab import join as join_books
    from leafledger.runner.study_folder import study_lock

    folder = folder_with_book(study)
    with study_lock(folder):
        joined = join_books(folder, other.resolve())
        notes = sync_runs(folder) if joined.runs else []
    if not joined.runs:
        say("Nothing to join: this study holds every run of the other copy.")
    else:
        parted = ", ".join(dict.fromkeys(joined.after))
        say(f"Joined {counted(len(joined.runs), 'run')}, as a branch after {parted}.")
    if joined.lost:
        notes.append(
            f"{counted(joined.lost, 'content')} that its runs name had been lost in the other copy"
        )
    bullet_list("Notes:", notes)


# What answers for a result
# ----------------------------------------------------------------------

_DIGEST = re.compile("[0-9a-f]{64}")


def folder_with_book(folder: Path, names: Sequence[str] = ("runs",)) -> Path:
    """Return the study folder, absolute.

    Parameters
    ----------
    folder
        The study folder.
    names
        Parts of the book, of which one must be there.

    Raises
    ------
    InputFault
        If no run of it is recorded there.
    """
    absolute = folder.resolve()
    if not any((absolute / "ledger" / name).is_dir() for name in names):
        raise input_fault(
            file="ledger/runs",
            found="no book of runs",
            expected="a study that has been run",
            mend="Run it first (leafledger run), or name its folder.",
        )
    return absolute


@click.command()
@study_argument
@click.option("--head", metavar="DIGEST", help="Digest of the chain's end, noted down earlier.")
@json_option
def verify(study: Path, head: str | None, as_json: bool) -> None:
    """Hash every file again and say what is not as it was recorded.

    Ends with exit code 1 if anything is changed, missing or unknown. Note the digest that is
    printed: a chain of runs that was rewritten as a whole is seen by it alone.

    \b
    Example:
      leafledger verify my-study
      leafledger verify my-study --head DIGEST
    """
    from leafledger.ledger.verify import as_json as plain
    from leafledger.ledger.verify import verify as check
    from leafledger.runner.study_folder import is_held

    folder = folder_with_book(study, ("runs", "plans"))
    if is_held(folder):
        raise input_fault(
            file="ledger/lock",
            found="a run at work on this study",
            expected="files that stand still",
            mend="Wait until it has ended, then verify.",
        )
    verdict = check(folder, None if head is None else _whole_digest(head))
    if as_json:
        say_json(plain(verdict))
    else:
        _say_verdict(verdict)
    if not verdict.holds:
        raise SystemExit(1)


def _whole_digest(text: str) -> str:
    """Return a digest that was noted down; half of one must not look like a forged chain."""
    digest = text.strip().lower()
    if not _DIGEST.fullmatch(digest):
        raise input_fault(
            file="--head",
            found=f"{len(digest)} characters: {quoted(text)}",
            expected="the whole digest of 64 characters (0 to 9, a to f)",
            mend="Copy it as `leafledger verify` or `leafledger runs` printed it.",
        )
    return digest


def _say_verdict(verdict: Any) -> None:
    for broken in verdict.broken:
        say(f"{broken.what:<8} {broken.file}")
        say_indented(broken.sentence, " " * 9)
    bullet_list("Notes:", verdict.notes)
    runs = "1 run" if verdict.n_runs == 1 else f"{verdict.n_runs} runs"
    runs += f" and {counted(verdict.n_plans, 'recorded plan')}" if verdict.n_plans else ""
    runs += f" and {counted(verdict.n_side_runs, 'run')} of branches" if verdict.n_side_runs else ""
    amount = f"{verdict.n_files} files ({verdict.n_bytes / 1e6:.1f} MB) of {runs}"
    if verdict.holds:
        say(f"All holds: {amount}.")
    else:
        count = len(verdict.broken)
        say(f"{count} file{'s do' if count > 1 else ' does'} not hold, of {amount}.")
    if verdict.head is not None:
        say(f"Head of the chain: {verdict.head}")


@click.command(short_help="Say what a result rests on.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("target")
@click.option("--all", "whole", is_flag=True, help="Show every stage, file and setting.")
@json_option
def trace(study: Path, target: str, whole: bool, as_json: bool) -> None:
    """Say which files, settings, code and decisions a result rests on.

    TARGET is a path (results/effects.csv, a figure, the model, report.html, a raw file, a sheet
    such as units.csv), a digest, or a value: effects.csv#index=PRI,method=paired_t. The last line
    says whether every link holds; exit code 1 if one does not.

    \b
    Example:
      leafledger trace my-study report.html
      leafledger trace my-study "effects.csv#index=PRI,method=paired_t"
    """
    from leafledger.ledger.run_summary import lines
    from leafledger.ledger.trace import as_json as plain
    from leafledger.ledger.trace import trace as follow

    lineage = follow(folder_with_book(study), target)
    if as_json:
        say_json(plain(lineage))
    else:
        for line in lines(lineage, whole):
            say_line(line)
    if lineage.broken:
        raise SystemExit(1)


@click.command(short_help="Say what differs between two runs, and why.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("run_a")
@click.argument("run_b", default="latest")
@json_option
def compare(study: Path, run_a: str, run_b: str, as_json: bool) -> None:
    """Say what differs between two runs, what came of it, and which can have caused which.

    A run is named by its id, by how its id begins, or as `latest`.

    \b
    Example:
      leafledger compare my-study 20260504-1712 latest
    """
    from leafledger.ledger.compare import as_json as plain
    from leafledger.ledger.compare import compare as side_by_side
    from leafledger.ledger.compare import comparison_lines

    comparison = side_by_side(folder_with_book(study), run_a, run_b)
    if as_json:
        say_json(plain(comparison))
        return
    for line in comparison_lines(comparison):
        say_line(line)


@click.command(short_help="Rebuild a recorded run elsewhere and compare.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("run", default="latest")
@click.option("--keep", type=click.Path(path_type=Path), help="Rebuild in this new folder.")
@cores_option
@json_option
def reproduce(study: Path, run: str, keep: Path | None, cores: int, as_json: bool) -> None:
    """Rebuild a recorded run in an empty folder and compare every output with what was recorded.

    The study itself is only read. Exit code 1 if it does not come out equal, or if raw content or
    the code of then is gone.

    \b
    Example:
      leafledger reproduce my-study 20260504-1712
    """
    from leafledger.cli.terminal_text import RunProgress
    from leafledger.runner.reproduce import as_json as plain
    from leafledger.runner.reproduce import lines
    from leafledger.runner.reproduce import reproduce as rebuild

    folder = folder_with_book(study)
    with _scratch(keep) as scratch, RunProgress(as_json) as progress:
        rebuilt = rebuild(folder, run, scratch, cores, progress)
    if as_json:
        say_json(plain(rebuilt))
    else:
        for line in lines(rebuilt):
            say_line(line)
    if rebuilt.exit_code:
        raise SystemExit(rebuilt.exit_code)


class _ExportGroup(click.Group):
    """``export STUDY OUT`` writes a crate; another kind is named before the study."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the name of the crate before arguments that name no kind."""
        if args and args[0] not in {*self.commands, *ctx.help_option_names}:
            args = ["crate", *args]
        return super().parse_args(ctx, args)


@click.group(cls=_ExportGroup, short_help="Hand a run on: an RO-Crate, or a kit for a paper.")
def export() -> None:
    """Hand a run on: `export STUDY OUT` writes an RO-Crate, `export paper` a kit for a paper.

    \b
    Example:
      leafledger export my-study my-crate --raw --author "A. Grower"
      leafledger export paper my-study my-paper --author "A. Grower"
    """


_run_option = click.option("--run", default="latest", show_default=True, help="Which run.")
_licence_option = click.option("--licence", help="Address or text of the licence of the data.")
_author_option = click.option(
    "--author", "authors", multiple=True, help="An author; may be given again."
)


@export.command(short_help="Write a run with its origin as an RO-Crate.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("out", type=click.Path(path_type=Path))
@_run_option
@click.option("--raw", is_flag=True, help="Put the raw files in; else only their digests.")
@_licence_option
@_author_option
def crate(
    study: Path, out: Path, run: str, raw: bool, licence: str | None, authors: tuple[str, ...]
) -> None:
    """Hand a run on: write it with its origin as an RO-Crate into the new folder OUT.

    The folder holds results, records, settings, the fields of the MIAPPE checklist (miappe.csv), a
    methods paragraph (methods.txt) and a page to look at. The word `crate` may be left out.

    \b
    Example:
      leafledger export crate my-study my-crate --raw --author "A. Grower"
    """
    from leafledger.ledger.export import export as hand_on
    from leafledger.runner.workflow import snakefile

    folder = folder_with_book(study)
    notes = hand_on(folder, out.resolve(), snakefile(), run, raw, licence, authors)
    say(f"Written: {out}/ro-crate-preview.html (to look at), ro-crate-metadata.json (for programs)")
    bullet_list("To fill in:", notes)


@export.command(short_help="Write what a paper needs of a run.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("folder", type=click.Path(path_type=Path))
@_run_option
@_licence_option
@_author_option
def paper(
    study: Path, folder: Path, run: str, licence: str | None, authors: tuple[str, ...]
) -> None:
    """Write what a paper needs of a run into the new FOLDER, all from the book of runs.

    It holds methods and results as text, as one document (.docx) and as LaTeX, figures at 85 and
    180 mm (PDF, SVG, PNG at 600 dpi) with captions, tables, references (BibTeX), a checklist of
    reporting guidelines, the statements on data and code, CITATION.cff, and the archive for a data
    repository.

    \b
    Example:
      leafledger export paper my-study my-paper --author "A. Grower"
    """
    from leafledger.ledger.paper_kit import write_paper_kit
    from leafledger.runner.workflow import snakefile

    opened = folder_with_book(study)
    notes = write_paper_kit(opened, folder.resolve(), snakefile(), run, licence, authors)
    say(f"Written: {folder}/README.txt says what is in it")
    bullet_list("Left to you:", notes)


@click.command(short_help="Compare studies of one treatment on one page.")
@click.argument("studies", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("studies.html"),
    show_default=True,
    help="The page; an earlier one of this command is replaced.",
)
def report(studies: tuple[Path, ...], out: Path) -> None:
    """Compare two or more studies of one treatment, such as seasons, on one page.

    The page shows each study's primary effect with its interval, their mean (random effects), how
    far the studies differ, and where a further study is expected. Index, unit, model and
    treatments must be the same in all. The report of a single study is its results/report.html.

    \b
    Example:
      leafledger report season-2025 season-2026 --out seasons.html
    """
    from leafledger.ledger.studies_together import write_comparison

    for sentence in write_comparison(studies, out):
        say_indented(sentence, "")
    say(f"Written: {out}")


@contextmanager
def _scratch(keep: Path | None) -> Iterator[Path]:
    if keep is None:
        with TemporaryDirectory(prefix="leafledger-") as name:
            yield Path(name).resolve()
        return
    if keep.exists() and (not keep.is_dir() or any(keep.iterdir())):
        raise input_fault(
            file="--keep",
            found="a folder that is not empty",
            expected="a new or empty folder",
            mend="Name another; nothing is overwritten.",
        )
    keep.mkdir(parents=True, exist_ok=True)
    yield keep.resolve()

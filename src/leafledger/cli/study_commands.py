"""Commands that begin and check a study: ``new``, ``check``."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path
from typing import Any

import click

from leafledger.cli.options import json_option, study_argument
from leafledger.cli.words import bullet_list, say, say_json
from leafledger.errors import InputFault, grouped_by_file


@click.command(short_help="Write a commented study to fill in.")
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
@click.option(
    "--quantity",
    type=click.Choice(["counts", "reflectance", "percent"]),
    help="What the raw files hold: detector counts, or reflectance as a fraction or in percent.",
)
@click.option(
    "--pattern",
    metavar="PATH",
    help="File names that stand in for the scan sheet: raw/{session}/{unit}_{leaf}.txt.",
)
@click.option(
    "--table",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A table of labelled spectra (a row per leaf) to copy in.",
)
def new(folder: Path, **given: Any) -> None:
    """Write a commented study to FOLDER, asking for what is not given.

    \b
    Example:
      leafledger new my-study
      leafledger new my-study --pattern "raw/{session}/{unit}_{leaf}.txt"
      leafledger new rust --table leaves.csv --treatment Type --quantity percent
    """
    from leafledger.cli.new_questions import wanted_from
    from leafledger.cli.new_study import refuse_a_study_that_is_there, write_study

    refuse_a_study_that_is_there(folder)
    names = write_study(folder, wanted_from(given, asking=sys.stdin.isatty()))
    say(f"Wrote {', '.join(names)} in {folder}.")
    shown = shlex.quote(str(folder))
    if given["table"] is None:
        bullet_list(
            "Fill in:",
            [
                *(
                    [
                        f"{folder}/units.csv: a row per plant (or pot, or plot) with its "
                        "treatment, like the example row, which is passed over"
                    ]
                    if "units.csv" in names
                    else []
                ),
                f"{folder}/raw/: put the raw files here; they are never written to",
                *(
                    []
                    if given["pattern"]
                    else [
                        f"{folder}/scans.csv: a row per raw scan; or a file name pattern in "
                        "study.yaml"
                    ]
                ),
            ],
        )
    say(f"Next: leafledger check {shown} (says what is missing), then leafledger run {shown}")


@click.command()
@study_argument
@json_option
@click.option("--sheets", is_flag=True, help="Check the sheets only; leave the raw files unread.")
def check(study: Path, as_json: bool, sheets: bool) -> None:
    """List what is wrong with a study, before anything runs.

    Raw files that have not been taken in yet are read as well; nothing is written.

    \b
    Example:
      leafledger check my-study
    """
    from leafledger.runner.check import check_raw_files, examine, readable_raw_files, sheet_warnings
    from leafledger.study.checks import levels_with_n, levels_without_units, listed_levels

    # As in a step of a run: no threads whose memory nobody needs.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    n_files, warnings = 0, list[str]()
    try:
        examined = examine(study)
        problems = list(examined.problems)
        found = examined.study
        readable = None if sheets else readable_raw_files(examined)
        if readable is not None:
            try:
                raw = check_raw_files(readable)
                n_files, warnings = raw.n_files, raw.warnings
            except InputFault as fault:
                problems += grouped_by_file(fault.problems)
        if problems:
            raise InputFault(problems)
    except InputFault as fault:
        if as_json:
            say_json({"problems": [p.as_dict() for p in fault.problems]})
            raise SystemExit(2) from None
        raise
    levels = levels_with_n(found.units, found.definition.design)
    warnings = [*levels_without_units(levels), *sheet_warnings(found), *warnings]
    if as_json:
        named = [{"level": level, "n": n} for level, n in levels]
        say_json({"problems": [], "warnings": warnings, "levels": named})
        return
    say(
        f"No problem found: {len(found.samples())} leaf scans of {len(found.units)} "
        f"{'units' if found.definition.design.unit else 'leaves'} in "
        f"{len(found.sessions)} session{'s' * (len(found.sessions) > 1)}"
        + (f"; {n_files} raw file{'s' * (n_files > 1)} read." if n_files else ".")
    )
    if levels:
        design = found.definition.design
        counted = f"units ({design.unit})" if design.unit else "leaf scans"
        bullet_list(
            f"Levels of {design.treatment} with their number of {counted}:",
            listed_levels(levels, design.control),
        )
    bullet_list("To heed:", warnings)

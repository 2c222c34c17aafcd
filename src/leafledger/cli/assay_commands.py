"""Which leaves should be extracted, and what do the extracts hold: the commands of assay?"""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

import click

from leafledger.cli.terminal_text import (
    bullet_list,
    json_option,
    problems_as_json,
    say,
    say_json,
    study_argument,
)
from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.study.table_files import write_text

_LIST_COLUMNS = ("rank", "unit", "session", "leaf", "distance")


@click.group(short_help="Choose leaves to extract; contents of extracts.")
def assay() -> None:
    """Choose leaves for pigment extraction, and see what extracts and strips say."""


@assay.command()
@study_argument
@click.option(
    "--leaves", type=click.IntRange(1, 10_000), default=20, show_default=True,
    help="How many leaves can be extracted.",
)  # fmt: skip
@click.option(
    "--session", "sessions", multiple=True,
    help="Only leaves of this session; may be given several times. Left out: all sessions.",
)  # fmt: skip
@click.option(
    "--csv", "table", type=click.Path(path_type=Path, dir_okay=False),
    help="Write the list to this new file too.",
)  # fmt: skip
@json_option
def advise(
    study: Path, leaves: int, sessions: tuple[str, ...], table: Path | None, as_json: bool
) -> None:
    """Say which leaves to extract, before any extraction.

    Leaves are chosen by their spectra: those that span the study, spread over units and sessions.
    The study must have been run, so that its spectra are there.

    \b
    Example:
      leafledger assay advise my-study --leaves 20 --session day12
    """
    from leafledger.pigments.sampling import CAUTIONS, DESTROYS, advise

    with problems_as_json(as_json):
        spectra = _spectra_of(study, sessions)
        if table is not None and table.exists():
            raise InputFault(
                Problem(
                    file=table.name, found="a file of this name", expected="a new file",
                    mend="Choose another name, or take the old list away.",
                )
            )  # fmt: skip
        found = advise(spectra, leaves)
        rows = [
            {"rank": one.place, "unit": one.unit, "session": one.session, "leaf": one.leaf,
             "distance": one.distance}
            for one in found
        ]  # fmt: skip
        if table is not None:
            write_text(table.resolve(), _csv(rows))
    if as_json:
        say_json({"leaves": rows, "destroys": DESTROYS, "cautions": list(CAUTIONS)})
        return
    units = len({one.unit for one in found})
    say(f"{len(found)} leaves of {units} units, those that span most first:")
    for row in rows:
        say(f"  {row['rank']:>3}  {row['unit']}  {row['session']}  leaf {row['leaf']}")
    if len(found) < leaves:
        say(f"There are no more: {leaves} were asked for.")
    if table is not None:
        say(f"Written to {table}")
    say(DESTROYS)
    bullet_list("At the wet bench:", CAUTIONS)


def _spectra_of(folder: Path, sessions: tuple[str, ...]) -> Any:
    """Return the accepted spectra of a study that has been run, of some of its sessions."""
    from leafledger.study.reading import read_study
    from leafledger.study.table_files import load_spectra

    study = read_study(folder)
    unknown = [name for name in sessions if name not in study.session_ids]
    if unknown:
        raise InputFault(
            Problem(
                file="--session", found=quoted(unknown[0]), expected="a session of the study",
                mend=nearest(unknown[0], study.session_ids),
            )
        )  # fmt: skip
    results = study.folder / "results"
    paths = {
        s: results / f"reflectance/{s}.parquet"
        for s in study.session_ids
        if not sessions or s in sessions
    }
    needed = [*paths.values(), results / "accepted.csv", results / "range.json"]
    missing = [path for path in needed if not path.is_file()]
    if missing:
        raise InputFault(
            Problem(
                file=missing[0].relative_to(study.folder).as_posix(), found="no such file",
                expected="the results of a run: leaves are chosen by their spectra",
                mend="Run the study first: leafledger run.",
            )
        )  # fmt: skip
    spectra = load_spectra(paths, results / "accepted.csv", results / "range.json", study.units)
    if not len(spectra.rows):
        raise InputFault(
            Problem(
                file="results/accepted.csv", found="no accepted scan",
                expected="some to choose from", mend="Look at the exclusions: leafledger review.",
            )
        )  # fmt: skip
    return spectra


def _csv(rows: list[dict[str, Any]]) -> str:
    out = io.StringIO()
    write = csv.DictWriter(out, _LIST_COLUMNS, lineterminator="\n")
    write.writeheader()
    write.writerows(rows)
    return out.getvalue()


@assay.command()
@study_argument
@json_option
def contents(study: Path, as_json: bool) -> None:
    """Compute contents from the sheet of assays, and Rf from that of chromatograms.

    Nothing is run and nothing is written: for the wet bench, while the extract is still there.

    \b
    Example:
      leafledger assay contents my-study
    """
    from leafledger.pigments.assay_sheets import read_assays, read_chromatograms
    from leafledger.pigments.chromatograms import strip_sentence, strips
    from leafledger.pigments.stage import content_rows
    from leafledger.runner.study_check import checked_study

    with problems_as_json(as_json):
        checked = checked_study(study)
        leaves = sorted({(checked.unit_of(s), s.session, s.leaf) for s in checked.samples()})
        if not checked.has_assays:
            raise InputFault(
                Problem(
                    file="assays.csv", found="no such file, and no chromatograms.csv",
                    expected="a sheet of assays or of chromatograms in the study folder",
                    mend="The page on pigments says what stands in them.",
                )
            )  # fmt: skip
        name = checked.assay_sheet
        rows = content_rows(read_assays(checked.folder / name, name, leaves)) if name else []
        name = checked.chromatogram_sheet
        spots = read_chromatograms(checked.folder / name, name, leaves) if name else []
        strip_lines = [strip_sentence(found) for found in strips(spots)]
    if as_json:
        say_json({"contents": [_plain(row) for row in rows], "strips": strip_lines})
        return
    for row in rows:
        u = f" +- {row['u']:.2g}" if math.isfinite(row["u"]) else ""
        unit = "" if row["unit_of_value"] == "1" else f" {row['unit_of_value']}"
        place = f"{row['unit']} {row['session']} {row['leaf']} {row['extract']}".rstrip()
        said = "; ".join(text for text in (row["reason"], row["remark"]) if text)
        say(
            f"{place}: {row['quantity']} {row['value']:.4g}{u}{unit}"
            + (f" ({'not used: ' if row['reason'] else ''}{said})" if said else "")
        )
    for sentence in strip_lines:
        say(sentence)


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in row.items()
    }

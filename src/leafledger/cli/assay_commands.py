"""Which leaves should be extracted, and what do extracts and strips hold: the commands of assay?"""

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
    from leafledger.pigments.extracts import CAUTIONS, DESTROYS, advise

    with problems_as_json(as_json):
        spectra = _spectra_of(study, sessions)
        if table is not None and table.exists():
            raise InputFault(
                Problem(
                    file=table.name, found="a file of this name", expected="a new file",
                    mend="Choose another name, or take the old list away.",
                )
            )  # fmt: skip
        chosen = advise(spectra, leaves)
        rows = [
            {"rank": leaf.place, "unit": leaf.unit, "session": leaf.session, "leaf": leaf.leaf,
             "distance": leaf.distance}
            for leaf in chosen
        ]  # fmt: skip
        if table is not None:
            write_text(table.resolve(), _csv(rows))
    if as_json:
        say_json({"leaves": rows, "destroys": DESTROYS, "cautions": list(CAUTIONS)})
        return
    units = len({leaf.unit for leaf in chosen})
    say(f"{len(chosen)} leaves of {units} units, those that span most first:")
    for row in rows:
        say(f"  {row['rank']:>3}  {row['unit']}  {row['session']}  leaf {row['leaf']}")
    if len(chosen) < leaves:
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
        strip_lines = [strip_sentence(findings) for findings in strips(spots)]
    if as_json:
        say_json({"contents": [_plain(row) for row in rows], "strips": strip_lines})
        return
    for row in rows:
        u = f" +- {row['u']:.2g}" if math.isfinite(row["u"]) else ""
        unit = "" if row["unit_of_value"] == "1" else f" {row['unit_of_value']}"
        leaf_words = f"{row['unit']} {row['session']} {row['leaf']} {row['extract']}".rstrip()
        remarks = "; ".join(text for text in (row["reason"], row["remark"]) if text)
        say(
            f"{leaf_words}: {row['quantity']} {row['value']:.4g}{u}{unit}"
            + (f" ({'not used: ' if row['reason'] else ''}{remarks})" if remarks else "")
        )
    for sentence in strip_lines:
        say(sentence)


@assay.command(short_help="Read a strip from its photograph.")
@study_argument
@click.argument("photograph", type=click.Path(path_type=Path))
@click.option("--strip", default="", help="Name of the strip, such as s1.")
@click.option(
    "--system", default="",
    help="Support and solvent, such as `paper, petroleum ether-acetone 9:1`.",
)  # fmt: skip
@click.option(
    "--front-mm", type=float, help="Distance from start line to front, measured with a ruler."
)
@click.option(
    "--u-mm", type=float, default=0.5, show_default=True,
    help="Standard uncertainty of each distance.",
)  # fmt: skip
@click.option("--unit", default="", help="Unit that the strip is of, if known.")
@click.option("--session", default="", help="Its session, if known.")
@click.option(
    "--start", "start", multiple=True, metavar="X,Y",
    help="An end of the start line, in pixels from the upper left; given twice.",
)  # fmt: skip
@click.option("--front", metavar="X,Y", help="A point of the solvent front.")
@click.option(
    "--spot", "spots", multiple=True, metavar="X,Y,COLOUR",
    help="The middle of a spot and its colour in words; may be given several times.",
)  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace rows of this strip that stand in the sheet.")
@click.option(
    "--port", type=click.IntRange(0, 65535), default=0,
    help="Port of the page on this machine; a free one if left out.",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Print the address of the page only.")
@json_option
def strip(
    study: Path, photograph: Path, strip: str, system: str, front_mm: float | None, u_mm: float,
    unit: str, session: str, start: tuple[str, ...], front: str | None, spots: tuple[str, ...],
    replace: bool, port: int, no_browser: bool, as_json: bool,
) -> None:  # fmt: skip
    """Read a strip of a chromatogram from its PHOTOGRAPH into the sheet of STUDY.

    On a page of this machine you point at the start line, the front and the spots. Where --start,
    --front and --spot give the points, no page is opened. Rows are added to chromatograms.csv; the
    density along the lane is kept in the folder chromatograms.

    \b
    Example:
      leafledger assay strip my-study strip.jpg
      leafledger assay strip my-study strip.jpg --strip s1 --front-mm 82 \\
        --system "paper, petroleum ether-acetone 9:1" --start 120,900 --start 320,902 \\
        --front 220,80 --spot 222,380,green --spot 218,160,yellow
    """
    from leafledger.review.strip_page import open_photograph
    from leafledger.study.reading import read_study

    given = {"strip": strip, "system": system, "u_mm": f"{u_mm:g}", "unit": unit,
             "session": session}  # fmt: skip
    with_points = bool(start or front or spots)
    with problems_as_json(as_json):
        opened = open_photograph(read_study(study), photograph)
        if with_points or as_json:
            marked = _marked(given, front_mm, u_mm, start, front, spots)
            written = opened.save(marked, replace=replace)
            preview = opened.preview(marked)
    if as_json:
        say_json({"written": written, **preview})
        return
    if with_points:
        say(preview["sentence"])
        for spot in preview["spots"]:
            say(
                f"  {spot['colour']}: {spot['spot_mm']:g} mm, Rf {spot['rf']:g} +- {spot['u_rf']:g}"
            )
        say(f"Written: {', '.join(written)}")
        return
    if front_mm is not None:
        given["front_mm"] = f"{front_mm:g}"
    _serve_strip(opened, given, port, browser=not no_browser)


def _marked(
    given: dict[str, str], front_mm: float | None, u_mm: float, start: tuple[str, ...],
    front: str | None, spots: tuple[str, ...],
) -> Any:  # fmt: skip
    """Return what the flags point at."""
    from leafledger.pigments.strip_photograph import MarkedSpot, MarkedStrip
    from leafledger.review.strip_page import point_of

    problems: list[Problem] = []

    def point(text: str, flag: str) -> tuple[float, float]:
        coordinates = point_of(text)
        if coordinates is None:
            problems.append(
                Problem(
                    file=flag, found=quoted(text), expected="a point such as 120,455",
                    mend="Give column and row in pixels, from the upper left corner.",
                )
            )  # fmt: skip
        return coordinates or (math.nan, math.nan)

    if len(start) != 2:
        problems.append(
            Problem(
                file="--start", found=f"{len(start)} points",
                expected="the two ends of the start line", mend="Give --start twice.",
            )
        )  # fmt: skip
    if front is None:
        problems.append(
            Problem(
                file="--front", found="no point", expected="a point of the solvent front",
                mend="Give it as --front X,Y.",
            )
        )  # fmt: skip
    if front_mm is None:
        problems.append(
            Problem(
                file="--front-mm", found="nothing", expected="the distance from start to front",
                mend="Measure it on the strip with a ruler: it gives the photograph its scale.",
            )
        )  # fmt: skip
    ends = [point(text, "--start") for text in start]
    at_front = (math.nan, math.nan) if front is None else point(front, "--front")
    marks = []
    for text in spots:
        parts = [part.strip() for part in text.split(",")]
        colour = parts[2] if len(parts) == 3 else ""
        if len(parts) == 3 and colour:
            marks.append(MarkedSpot(point(",".join(parts[:2]), "--spot"), colour))
            continue
        fault = "more than three parts" if len(parts) > 3 else (
            "without a colour" if point_of(",".join(parts[:2])) else "no point and no colour"
        )  # fmt: skip
        problems.append(
            Problem(
                file="--spot", found=f"{quoted(text)}: {fault}",
                expected="column, row and one colour, such as 222,380,yellow-green",
                mend="Give the three with commas between them, and none within the colour.",
            )
        )  # fmt: skip
    if problems:
        raise InputFault(problems)
    return MarkedStrip(
        given["strip"], given["system"], front_mm or math.nan, (ends[0], ends[1]), at_front,
        tuple(marks), u_mm, given["unit"], given["session"],
    )  # fmt: skip


def _serve_strip(opened: Any, given: dict[str, str], port: int, *, browser: bool) -> None:
    from leafledger.local_page import announce, open_port
    from leafledger.review.strip_page import make_app

    server, guard = open_port(port, lambda guard: make_app(opened, given, guard))
    announce(guard, browser, say)
    try:
        server.serve_forever()  # until Ctrl-C, which it takes itself
    finally:
        server.server_close()
    say("The page has ended; what was written is in chromatograms.csv.")


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and not math.isfinite(value) else value
        for name, value in row.items()
    }

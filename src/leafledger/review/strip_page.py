"""How do points on the photograph of a strip become rows of the sheet of chromatograms?

The page shows the photograph and takes points; a command may give the same points without a page.
Both end here: rows are added to ``chromatograms.csv``, and the profile of the lane is kept beside
it. Rows of a strip that stand in the sheet are written over only if that is asked for.
"""

from __future__ import annotations

import csv
import io
import math
import re
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, bounded, input_fault, quoted
from leafledger.local_page import Guard, add_errors, add_guard, problem_answer
from leafledger.pigments.assay_sheets import CHROMATOGRAM_COLUMNS, Leaf, Spot, read_chromatograms
from leafledger.pigments.chromatograms import identify_strip, strip_sentence, systems
from leafledger.pigments.strip_photograph import (
    U_MM,
    MarkedSpot,
    MarkedStrip,
    density_profile,
    lane_light_problems,
    lane_of,
    marking_problems,
    points_as_json,
    profile_text,
    read_photograph,
    shown_jpeg,
    spots_of,
)
from leafledger.records.digests import sha256_of_file
from leafledger.study.sheets import is_id, is_note, read_sheet
from leafledger.study.study import CHROMATOGRAMS, STRIPS, Study
from leafledger.study.table_files import is_plain_name, not_through_a_link, write_json, write_text
from leafledger.words import counted

if TYPE_CHECKING:
    from flask import Flask


SHEET = CHROMATOGRAMS[0]

# The sheet with the rows of a strip.
# ----------------------------------------------------------------------


def _cells(spot: Spot) -> dict[str, str]:
    return {
        "strip": spot.strip, "system": spot.system, "front_mm": f"{spot.front_mm:g}",
        "spot_mm": f"{spot.spot_mm:g}", "colour": spot.colour,
        "u_mm": "" if math.isnan(spot.u_mm) else f"{spot.u_mm:g}",
        "unit": spot.unit, "session": spot.session,
    }  # fmt: skip


def sheet_with(text: str | None, spots: Sequence[Spot], *, replace: bool = False) -> str:
    """Return the sheet with the rows of a strip at its end; no other row changes.

    Parameters
    ----------
    text
        The sheet as it is; ``None`` if there is none.
    spots
        The spots of one strip.
    replace
        Whether rows of this strip that stand in the sheet are taken out.

    Raises
    ------
    InputFault
        If the strip stands in the sheet and ``replace`` is not asked for, or the sheet lacks a
        column that is needed.

    Examples
    --------
    >>> spot = Spot(0, "s1", "paper", 80.0, 40.0, "green", 0.5, "", "")
    >>> print(sheet_with(None, [spot]), end="")
    strip,system,front_mm,spot_mm,colour,u_mm,unit,session
    s1,paper,80,40,green,0.5,,
    """
    if text is None or not text.strip():
        rows = [tuple(_cells(spot)[name] for name in CHROMATOGRAM_COLUMNS) for spot in spots]
        return _csv_text([CHROMATOGRAM_COLUMNS, *rows], "\n")
    records = _records(text)
    heading = next((cells for _, cells in records if not _passed_over(cells)), [])
    heading = [cell.strip().removeprefix("\ufeff") for cell in heading]
    strip = spots[0].strip
    needed = {name for spot in spots for name, cell in _cells(spot).items() if cell}
    missing = [name for name in CHROMATOGRAM_COLUMNS if name in needed - {*heading}]
    if missing:
        raise InputFault(
            [
                Problem(
                    file=SHEET, column=name, found="no such column",
                    expected="a column for what is known of the strip",
                    mend=f"Add the heading {name} to the sheet, with empty cells below.",
                )
                for name in missing
            ]
        )  # fmt: skip
    strip_column = heading.index("strip")
    lines_of_strip = [
        i for i, (_, cells) in enumerate(records)
        if not _passed_over(cells) and len(cells) > strip_column
        and cells[strip_column].strip() == strip
    ]  # fmt: skip
    if lines_of_strip and not replace:
        raise input_fault(
            SHEET,
            f"{counted(len(lines_of_strip), 'row')} of strip {quoted(strip)} already",
            "a strip that is not in the sheet yet",
            "Name this strip otherwise, or ask for the old rows to be replaced (--replace).",
        )
    kept = "".join(raw for i, (raw, _) in enumerate(records) if i not in lines_of_strip)
    end = "\r\n" if "\r\n" in kept else "\n"
    if not kept.endswith(("\n", "\r")):
        kept += end
    rows = [tuple(_cells(spot).get(name, "") for name in heading) for spot in spots]
    return kept + _csv_text(rows, end)


def _csv_text(rows: Sequence[Sequence[str]], end: str) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator=end).writerows(rows)
    return out.getvalue()


def _records(text: str) -> list[tuple[str, list[str]]]:
    """Return each record as it is written, with its line end, and its cells."""
    lines = text.splitlines(keepends=True)
    reader = csv.reader(lines)
    records, done = [], 0
    for cells in reader:
        records.append(("".join(lines[done : reader.line_num]), cells))
        done = reader.line_num
    return records


def _passed_over(cells: Sequence[str]) -> bool:
    return not any(c.strip() for c in cells) or cells[0].removeprefix("\ufeff").startswith("# ")


# One photograph of one study.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class StripPhotograph:
    """A photograph that is pointed at, and the study whose sheet gets the rows.

    Attributes
    ----------
    study
        The study.
    path
        The photograph, anywhere on this machine; it is only read.
    pixels
        Upright, shape (rows, columns, 3).
    """

    study: Study
    path: Path
    pixels: NDArray[np.uint8]

    @property
    def size(self) -> tuple[int, int]:
        """Columns and rows."""
        return self.pixels.shape[1], self.pixels.shape[0]

    @property
    def leaves(self) -> list[Leaf]:
        """Unit, session and leaf of every leaf scan."""
        study = self.study
        return sorted({(study.unit_of(s), s.session, s.leaf) for s in study.samples()})

    def check(self, marked: MarkedStrip) -> None:
        """Refuse what cannot be meant, all at once.

        Raises
        ------
        InputFault
            Points outside the photograph or the lane or in no order, a lane without light or
            contrast, an uncertainty that leaves no Rf, a name or text that the sheet refuses.
        """
        name = self.path.name
        problems = marking_problems(marked, self.size, name) or lane_light_problems(
            self.pixels, marked, name
        )
        if not (is_id(marked.strip) and is_plain_name(marked.strip)):
            problems.append(
                Problem(
                    file=self.path.name, column="strip", found=quoted(marked.strip),
                    expected="a name of letters, digits, points, hyphens",
                    mend="Name the strip, such as s1: its rows and its profile are named so.",
                )
            )  # fmt: skip
        words = [("system", marked.system)]
        words += [(f"colour of spot {i}", s.colour) for i, s in enumerate(marked.spots, start=1)]
        for what, text in words:
            if not (text.strip() and is_note(text) and text[0].isalnum()):
                problems.append(
                    Problem(
                        file=self.path.name, column=what, found=quoted(text),
                        expected="words such as `paper, petroleum ether-acetone 9:1`, or `yellow`",
                        mend="State it in words that begin with a letter.",
                    )
                )  # fmt: skip
        if not (math.isfinite(marked.u_mm) and marked.u_mm > 0):
            problems.append(
                Problem(
                    file=self.path.name, column="u_mm", found=f"{marked.u_mm:g}",
                    expected="the standard uncertainty of a distance in mm, above 0",
                    mend=f"Leave it out for {U_MM:g} mm.",
                )
            )  # fmt: skip
        if problems:
            raise InputFault(bounded(problems))

    def save(self, marked: MarkedStrip, *, replace: bool = False) -> list[str]:
        """Write profile, points and rows, in this order, each whole or not at all.

        Returns
        -------
        list of str
            The files that were written, relative to the study.

        Raises
        ------
        InputFault
            If the points cannot be meant, or the sheet would not be one afterwards.
        """
        self.check(marked)
        folder = self.study.folder
        if (folder / CHROMATOGRAMS[1]).is_file():
            raise input_fault(
                CHROMATOGRAMS[1], "a workbook", f"a sheet {SHEET}, or none yet",
                f"Save the workbook as {SHEET} and take it away: rows are added to a CSV only.",
            )  # fmt: skip
        sheet = not_through_a_link(folder / SHEET)
        before = None
        if sheet.is_file():
            read_sheet(sheet, SHEET, required=("strip",), known=CHROMATOGRAM_COLUMNS)
            before = sheet.read_bytes().decode("utf-8")
        after = sheet_with(before, spots_of(marked), replace=replace)
        with tempfile.TemporaryDirectory() as scratch:
            draft = Path(scratch) / SHEET
            draft.write_bytes(after.encode("utf-8"))
            read_chromatograms(draft, SHEET, self.leaves)
        strips_folder = not_through_a_link(folder / STRIPS)
        paths = [strips_folder / f"{marked.strip}.csv", strips_folder / f"{marked.strip}.json"]
        existing = [path for path in paths if path.exists()]
        if existing and not replace:
            raise input_fault(
                f"{STRIPS}/{existing[0].name}", "a file of this name", "none yet",
                "Name this strip otherwise, or ask for the old one to be replaced (--replace).",
            )  # fmt: skip
        write_text(paths[0], profile_text(density_profile(self.pixels, marked)))
        write_json(paths[1], points_as_json(marked, self.path.name, sha256_of_file(self.path)))
        write_text(sheet, after)
        return [path.relative_to(folder).as_posix() for path in (sheet, *paths)]

    def preview(self, marked: MarkedStrip) -> dict[str, Any]:
        """Return what the points give, before anything is written: distances, Rf, the profile."""
        self.check(marked)
        lane = lane_of(marked.start, marked.front)
        profile = density_profile(self.pixels, marked)
        findings = identify_strip(spots_of(marked))
        every = max(1, len(profile["density"]) // 400)
        return {
            "sentence": strip_sentence(findings),
            "mm_per_pixel": marked.front_mm / lane.length,
            "spots": [
                {
                    "spot_mm": finding.spot.spot_mm, "rf": round(finding.rf, 3),
                    "u_rf": round(finding.u_rf, 3),
                    "colour": finding.spot.colour,
                    "candidates": [pigment.pigment for pigment in finding.candidates],
                    "reason": finding.reason,
                }
                for finding in findings
            ],
            "profile": {
                "rf": (profile["distance_mm"][::every] / marked.front_mm).round(4).tolist(),
                "density": profile["density"][::every].round(4).tolist(),
            },
        }  # fmt: skip


def open_photograph(study: Study, path: Path) -> StripPhotograph:
    """Read a photograph for a study.

    Raises
    ------
    InputFault
        If it is no picture, damaged, too large or too small.
    """
    return StripPhotograph(study, path, read_photograph(path))


# What the page asks for and sends.
# ----------------------------------------------------------------------

_LARGEST_BODY = 40_000
_MOST_SPOTS = 40
COLOURS = ("blue-green", "yellow-green", "yellow", "orange-yellow", "grey", "green")
_POINT = re.compile(r"\s*(-?[0-9]+(?:\.[0-9]*)?)\s*,\s*(-?[0-9]+(?:\.[0-9]*)?)\s*")


def point_of(text: str) -> tuple[float, float] | None:
    """Return the point that a text names; ``None`` if it names none.

    Examples
    --------
    >>> point_of("120,455.5"), point_of("120;455")
    ((120.0, 455.5), None)
    """
    match = _POINT.fullmatch(text)
    return (float(match[1]), float(match[2])) if match else None


def marked_in(body: Mapping[str, Any]) -> MarkedStrip:
    """Return what the page sent.

    Raises
    ------
    InputFault
        If a point or a number is missing.
    """
    problems: list[Problem] = []

    def number(name: str, mend: str) -> float:
        value = body.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            problems.append(Problem("the page", "no number", name, mend))
            return math.nan
        return float(value)

    def point(value: Any, what: str) -> tuple[float, float]:
        numbers = value if isinstance(value, list) else []
        if len(numbers) != 2 or not all(
            isinstance(n, int | float) and not isinstance(n, bool) for n in numbers
        ):
            problems.append(Problem("the page", "no point", what, "Point at it."))
            return (math.nan, math.nan)
        return (float(numbers[0]), float(numbers[1]))

    texts = {
        name: value if isinstance(value := body.get(name, ""), str) else ""
        for name in ("strip", "system", "unit", "session")
    }
    raw = body.get("spots")
    spots = raw[:_MOST_SPOTS] if isinstance(raw, list) else []
    marked = MarkedStrip(
        texts["strip"].strip(),
        texts["system"].strip(),
        number("front_mm", "Measure the distance from start line to front with a ruler."),
        (point(body.get("left"), "the left end of the start line"),
         point(body.get("right"), "the right end of the start line")),
        point(body.get("front"), "the solvent front"),
        tuple(
            MarkedSpot(
                point(spot.get("at") if isinstance(spot, dict) else None, f"spot {i}"),
                str(spot.get("colour") or "").strip()[:60] if isinstance(spot, dict) else "",
            )
            for i, spot in enumerate(spots, start=1)
        ),
        number("u_mm", "State it, or leave 0.5."),
        texts["unit"].strip(),
        texts["session"].strip(),
    )  # fmt: skip
    if problems:
        raise InputFault(problems)
    return marked


def make_app(photograph: StripPhotograph, given: Mapping[str, str], guard: Guard) -> Flask:
    """Return the application.

    Parameters
    ----------
    photograph
        What it shows and writes.
    given
        What the command said already: strip, system, front_mm, u_mm, unit, session.
    guard
        Who may ask.
    """
    from flask import Flask, Response, jsonify, request

    app = Flask("leafledger.review", static_folder="static", template_folder="templates")
    app.config["MAX_CONTENT_LENGTH"] = _LARGEST_BODY
    add_guard(app, guard, "strip.html")
    add_errors(app, SHEET)
    picture = shown_jpeg(photograph.pixels)

    def body() -> Mapping[str, Any]:
        try:
            sent = request.get_json(silent=True)
        except RecursionError:  # brackets in brackets, by the thousand
            sent = None
        return sent if isinstance(sent, dict) else {}

    @app.get("/api/photograph")
    def shown() -> Any:
        return Response(picture, mimetype="image/jpeg")

    @app.get("/api/state")
    def state() -> Any:
        return jsonify(
            {
                "name": photograph.path.name,
                "size": photograph.size,
                "given": dict(given),
                "systems": systems(),
                "colours": COLOURS,
            }
        )

    @app.post("/api/lane")
    def lane() -> Any:
        return jsonify(photograph.preview(marked_in(body())))

    @app.post("/api/save")
    def save() -> Any:
        sent = body()
        if not isinstance(sent.get("replace", False), bool):
            odd = Problem("the request", "another form", "replace: true or false", "Reload.")
            return problem_answer(400, odd)
        marked = marked_in(sent)
        written = photograph.save(marked, replace=bool(sent.get("replace", False)))
        return jsonify({"written": written, **photograph.preview(marked)})

    return app

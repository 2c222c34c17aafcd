"""How is a sheet (CSV or .xlsx) read as text, with the line of every row?"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import islice
from pathlib import Path

from leafledger.errors import InputFault, Problem, bounded, first_words, nearest, quoted
from leafledger.study.definition import ID_PATTERN, LABEL_PATTERN, NOTE_PATTERN, Definition
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.workbook import Book, SheetPart, open_book
from leafledger.study.worksheet_cells import Cells, Odd, Seen, Texts, letters, read_rows

# Ids, labels and paths: what may be a name, and what is refused.
# ----------------------------------------------------------------------

_ID = re.compile(ID_PATTERN)
_LABEL = re.compile(LABEL_PATTERN)
_NOTE = re.compile(NOTE_PATTERN)


def is_id(text: str) -> bool:
    r"""Tell whether ``text`` may name a scan, session, unit, leaf, replicate or index.

    Examples
    --------
    >>> is_id("d0-p01-1"), is_id("d0;touch x"), is_id("=1"), is_id("a\n")
    (True, False, False, False)
    """
    return _ID.fullmatch(text) is not None and "\n" not in text


def is_label(text: str) -> bool:
    """Tell whether ``text`` may name a treatment, block or factor level."""
    return _LABEL.fullmatch(text) is not None and text.isprintable()


def is_note(text: str) -> bool:
    """Tell whether ``text`` may be a note or a reason: printable, on one line, not too long."""
    return _NOTE.fullmatch(text) is not None and text.isprintable()


def as_id(text: str) -> str:
    """Return ``text`` with all that an id may not hold turned into ``-``.

    Examples
    --------
    >>> as_id("Leaf 3/left.txt")
    'Leaf-3-left-txt'
    """
    out = re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-_")[:64]
    return out or "x"


NO_SUCH_FILE = "no such file"
PICTURES = {".jpg": b"\xff\xd8\xff", ".jpeg": b"\xff\xd8\xff", ".png": b"\x89PNG\r\n\x1a\n"}
"""Ending of a picture -> the bytes with which its file begins."""
PICTURE_WORDS = "JPEG, PNG or WebP"
LARGEST_PICTURE = 64_000_000


class PathCheck:
    """Checks that paths of a sheet stay inside the study folder, links resolved."""

    def __init__(self, folder: Path) -> None:
        self.root = folder.resolve()
        self._parents: dict[Path, bool] = {}

    def why_refused(self, text: str) -> str | None:
        """Return what is wrong with the path ``text``, or ``None`` if it is a file inside."""
        if text.startswith("/") or "\\" in text or ".." in text.split("/") or ":" in text[:3]:
            return "a path that is absolute, has .. or \\ in it"
        if any(not c.isprintable() for c in text):
            return "a path with a control character"
        path = self.root / text
        try:
            parent = path.parent
            if parent not in self._parents:
                self._parents[parent] = parent.resolve().is_relative_to(self.root)
            outside = not self._parents[parent]
            if not outside and path.is_symlink():
                outside = not path.resolve().is_relative_to(self.root)
            if outside:
                return "a path that leaves the study folder"
            if not path.exists():
                return NO_SUCH_FILE
            return None if path.is_file() else "a folder or a special file, not a plain one"
        except RuntimeError:
            return "a link that leads back to itself"
        except OSError as error:
            return f"a path that cannot be opened ({(error.strerror or 'unknown').lower()})"
        except ValueError:
            return "a path that cannot be opened"

    def why_no_picture(self, text: str) -> str | None:
        """Return why the path ``text`` is no picture of the study, ``None`` if it is one.

        Looked at are the ending and the first bytes; whether the rest is sound shows when the
        picture is decoded.
        """
        why = self.why_refused(text)
        if why:
            return why
        path = self.root / text
        ending = path.suffix.lower()
        if ending not in {*PICTURES, ".webp"}:
            return "a file with another ending than .jpg, .jpeg, .png or .webp"
        try:
            size = path.stat().st_size
            with path.open("rb") as file:
                head = file.read(12)
        except OSError as error:
            return f"a file that cannot be opened ({(error.strerror or 'unknown').lower()})"
        if size > LARGEST_PICTURE:
            return f"a picture of {size / 1e6:.0f} MB, more than {LARGEST_PICTURE / 1e6:.0f} MB"
        webp = head[:4] == b"RIFF" and head[8:] == b"WEBP"
        if not (webp if ending == ".webp" else head.startswith(PICTURES[ending])):
            return "a file that does not begin as a picture of its ending does"
        return None


# Whether the heading row of a sheet names the columns that it must.
# ----------------------------------------------------------------------

MOST_HEADINGS = 20_000


def heading_problems(
    file: str, line: int, columns: Sequence[str], required: Sequence[str], known: Sequence[str]
) -> list[Problem]:
    """Return what is wrong with the headings: too many, doubled, missing or misspelt.

    Parameters
    ----------
    file, line
        Name of the sheet, and the row of the headings.
    columns
        The headings.
    required, known
        Those that must be there, and further ones with a meaning.
    """
    problems: list[Problem] = []
    valid = list(dict.fromkeys([*required, *known]))
    if len(columns) > MOST_HEADINGS:
        return [
            Problem(
                file=file,
                row=line,
                found=f"{len(columns)} columns",
                expected=f"at most {MOST_HEADINGS}",
                mend="Check that the file is the sheet you mean.",
            )
        ]
    for name in sorted({c for c in columns if columns.count(c) > 1} if len(columns) < 500 else ()):
        problems.append(
            Problem(
                file=file,
                row=line,
                column=name or "(no heading)",
                found="the heading more than once",
                expected="each heading once",
                mend="Rename or remove one of the columns.",
            )
        )
    for name in required:
        if name not in columns:
            problems.append(
                Problem(
                    file=file,
                    row=line,
                    column=name,
                    found=f"no column {quoted(name)}",
                    expected="the columns " + ", ".join(required),
                    mend=_misspelling_hint(name, [c for c in columns if c not in valid]),
                )
            )
    missing = [name for name in known if name not in columns]
    for name in columns:
        close = get_close_matches(name, missing, n=1, cutoff=0.8)
        if name not in valid and close and not any(p.column == close[0] for p in problems):
            problems.append(
                Problem(
                    file=file,
                    row=line,
                    column=name,
                    found=f"the heading {quoted(name)}",
                    expected=f"{close[0]}, or a name unlike it",
                    mend=nearest(name, missing),
                )
            )
    return problems


def _misspelling_hint(name: str, columns: Sequence[str]) -> str:
    close = get_close_matches(name, columns, n=1, cutoff=0.5)
    if close:
        return f"Rename the column {quoted(close[0])}?"
    return f"Add a column {name}."


# A sheet of a study kept in a workbook (.xlsx): the same text that a person sees in its cells.
# ----------------------------------------------------------------------
# A date or time becomes ISO 8601, a whole number has no decimals, a formula is its stored result.

ENDING = ".xlsx"
LARGEST_WORKBOOK = 64_000_000
MOST_CELLS = 2_000_000
MOST_WORKBOOK_COLUMNS = 1_000
_OTHERWISE = "Save the sheet again as .xlsx in a spreadsheet program, or as CSV (UTF-8)."


@dataclass(frozen=True)
class Grid:
    """The rows of a sheet.

    Attributes
    ----------
    headings
        Row number and texts of the first row that is not empty; ``None`` in an empty sheet.
    rows
        Row number and one text for each heading.
    problems
        Cells that hold nothing readable (their text is empty), and columns without a heading.
    """

    headings: tuple[int, list[str]] | None
    rows: list[tuple[int, list[str]]]
    problems: list[Problem]


def is_workbook(name: str | Path) -> bool:
    """Tell whether a sheet is a workbook, by its name."""
    return Path(name).suffix.lower() == ENDING


def column_words(column: int, heading: str) -> str:
    """Return how to name a column in messages.

    Examples
    --------
    >>> column_words(2, "unit"), column_words(2, "")
    ('column C (unit)', 'column C')
    """
    return f"column {letters(column)}" + (f" ({heading})" if heading else "")


def read_grid(path: Path, file: str, called: str) -> Grid:
    """Read the sheet of a workbook that is meant.

    Parameters
    ----------
    path, file
        The file and its name in messages.
    called
        Name of the sheet, if the workbook shows several.

    Raises
    ------
    InputFault
        If the file is no workbook, or larger than any sheet of a study; if it does not say which
        sheet is meant, or has merged cells in it.
    """
    size = path.stat().st_size
    if not 0 < size <= LARGEST_WORKBOOK:
        raise InputFault(
            Problem(
                file=file,
                found=f"{size / 1e6:.0f} MB" if size else "an empty file",
                expected=f"a workbook of at most {LARGEST_WORKBOOK / 1e6:.0f} MB",
                mend="Check that the file is the sheet you mean.",
            )
        )
    book = open_book(path.read_bytes(), file, _OTHERWISE)
    rows = _Rows(file)
    seen = read_rows(book, _sheet_to_read(book, file, called), rows.take, Texts)
    problems = _merged_cell_problems(file, seen, rows)
    if problems:
        raise InputFault(problems)
    return Grid(rows.headings, rows.rows, rows.problems)


def headings_of(path: Path, file: str, called: str) -> list[str]:
    """Return the texts of the first row that is not empty, however wide the sheet is.

    Raises
    ------
    InputFault
        As :func:`read_grid` for a file that is no workbook or does not say which sheet is meant.
    """
    book = open_book(path.read_bytes(), file, _OTHERWISE)
    first: list[str] = []

    def take(_row: int, cells: Cells) -> None:
        if not first:
            texts = {
                column: "" if isinstance(value, Odd) else str(value)
                for column, value in cells.items()
            }
            first.extend(texts.get(column, "") for column in range(max(cells) + 1))

    read_rows(book, _sheet_to_read(book, file, called), take, Texts)
    return first


def _sheet_to_read(book: Book, file: str, called: str) -> SheetPart:
    """Return the only sheet that is shown, or the one that has the name."""
    sheets = [sheet for sheet in book.sheets if sheet.shown]
    named = [sheet for sheet in sheets if sheet.name.strip().casefold() == called]
    if len(sheets) == 1 or len(named) == 1:
        return (named or sheets)[0]
    names = first_words([quoted(sheet.name) for sheet in sheets], 5)
    raise InputFault(
        Problem(
            file=file,
            found=f"{len(sheets)} sheets ({names})" if sheets else "no sheet that is shown",
            expected=f"one sheet, or one that is called {called}",
            mend=f"Call the sheet that is meant {called}, or take the others out of the workbook.",
        )
    )


def _merged_cell_problems(file: str, seen: Seen, rows: _Rows) -> list[Problem]:
    """Return a problem for each merged area of the table: only its first cell holds the value."""
    if rows.headings is None:
        return []
    first, headings = rows.headings
    return [
        Problem(
            file=file,
            row=max(top, first),
            column=column_words(left, headings[left]),
            found=f"merged cells {letters(left)}{top}:{letters(right)}{bottom}",
            expected="a cell of its own for every value",
            mend="Unmerge them and fill in each cell.",
        )
        for top, left, bottom, right in seen.merges
        if bottom >= first and top <= rows.last and left < len(headings)
    ]


class _Rows:
    """The rows as they come in."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.headings: tuple[int, list[str]] | None = None
        self.rows: list[tuple[int, list[str]]] = []
        self.problems: list[Problem] = []
        self.last = self.n_cells = 0
        self._bare: set[int] = set()

    def take(self, row: int, cells: Cells) -> None:
        """Take the headings, then the rows."""
        self.last = row
        self.n_cells += len(cells)
        if self.n_cells > MOST_CELLS or max(cells) >= MOST_WORKBOOK_COLUMNS:
            raise InputFault(
                self._problem(
                    row,
                    None,
                    f"more than {MOST_CELLS:,} cells"
                    if self.n_cells > MOST_CELLS
                    else f"a value in column {letters(max(cells))}",
                    f"at most {MOST_WORKBOOK_COLUMNS:,} columns and {MOST_CELLS:,} cells",
                    "Check that the file is the sheet you mean.",
                )
            )
        if self.headings is None:
            texts = [self._text(row, column, "", cells) for column in range(max(cells) + 1)]
            self.headings = row, texts
            return
        headings = self.headings[1]
        self.rows.append(
            (row, [self._text(row, column, name, cells) for column, name in enumerate(headings)])
        )
        self._without_heading(row, cells)

    def _text(self, row: int, column: int, heading: str, cells: Cells) -> str:
        value = cells.get(column, "")
        if isinstance(value, Odd):
            self.problems.append(
                self._problem(
                    row, column_words(column, heading), value.words, "a value", value.mend
                )
            )
            return ""
        return str(value)

    def _without_heading(self, row: int, cells: Cells) -> None:
        assert self.headings is not None  # the headings came first
        headings = self.headings[1]
        for column, value in cells.items():
            if (column >= len(headings) or not headings[column]) and column not in self._bare:
                self._bare.add(column)
                self.problems.append(
                    self._problem(
                        row,
                        column_words(column, ""),
                        value.words if isinstance(value, Odd) else quoted(str(value)),
                        "a heading above every value",
                        f"Write a heading in row {self.headings[0]}, or empty the column.",
                    )
                )

    def _problem(
        self, row: int, column: str | None, found: str, expected: str, mend: str
    ) -> Problem:
        return Problem(
            file=self.file, row=row, column=column, found=found, expected=expected, mend=mend
        )


# Sheets of a study (CSV or .xlsx) read as text, with the line of every row.
# ----------------------------------------------------------------------

LARGEST_SHEET = 256_000_000
"""A wide table that is its own scan sheet; a sheet without spectra is far smaller."""
LARGEST_SHEET = 64_000_000
MOST_ROWS = 200_000
_ROWS_TRIED = 20
EXAMPLE = "# "
"""With which an example row begins."""
_MARKS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}


@dataclass(frozen=True)
class Row:
    """One line of a sheet: its cells by column name, and where it stands.

    A row made from the name of a raw file stands in no sheet: its line is 0, its ``source`` the
    file.
    """

    line: int
    cells: dict[str, str]
    source: str = ""

    @property
    def place(self) -> str:
        """What to call the row in messages about another one."""
        return self.source or f"row {self.line}"

    def get(self, column: str) -> str:
        """Return the cell without surrounding blanks; ``""`` if empty or there is no column."""
        return self.cells.get(column, "").strip()


@dataclass(frozen=True)
class Sheet:
    """A sheet as text.

    Attributes
    ----------
    problems
        Of cells of a workbook that hold nothing readable.
    """

    name: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    problems: tuple[Problem, ...] = ()

    def with_own(self, problems: Iterable[Problem]) -> list[Problem]:
        """Return these problems and the sheet's own; in a workbook with the letters of columns.

        A cell that cannot be read counts as empty; it has one problem and no second one.
        """
        if not is_workbook(self.name):
            return [*self.problems, *problems]
        words = {name: column_words(column, name) for column, name in enumerate(self.columns)}
        placed = [
            replace(p, column=words.get(p.column or "", p.column))
            if p.file == self.name and p.row is not None
            else p
            for p in problems
        ]
        unreadable_cells = {(p.row, p.column) for p in self.problems}
        other_problems = [
            p for p in placed if p.file != self.name or (p.row, p.column) not in unreadable_cells
        ]
        return [*self.problems, *other_problems]


def read_text(path: Path, file: str, largest: int = LARGEST_SHEET) -> str:
    """Read a sheet as text, with a message for what cannot be one.

    Raises
    ------
    InputFault
        If the file is too large, not UTF-8, or holds a zero byte.
    """
    size = path.stat().st_size
    if size > largest:
        raise _fault(
            file,
            f"{size / 1e6:.0f} MB",
            f"at most {largest / 1e6:.0f} MB",
            "Check that the file is the sheet you mean.",
        )
    data = path.read_bytes()
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise _fault(file, "text in UTF-16", "UTF-8 text", "Save the sheet as CSV (UTF-8).")
    if b"\0" in data[:4096] or data.startswith((b"PK\x03\x04", b"PAR1")):
        raise _fault(
            file,
            "a binary file",
            "a CSV sheet, or a workbook whose name ends in .xlsx",
            "Save the sheet as .xlsx or as CSV (UTF-8).",
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise InputFault(
            Problem(
                file=file,
                row=row,
                found="a character that is not UTF-8",
                expected="UTF-8 text",
                mend="Save the sheet as CSV (UTF-8).",
            )
        ) from error


def read_sheet(
    path: Path,
    file: str,
    required: Sequence[str],
    known: Sequence[str] = (),
    comment: str = EXAMPLE,
    delimiter: str = ",",
    called: str = "scans",
) -> Sheet:
    """Read a sheet with a heading row, a CSV or the sheet of a workbook.

    Parameters
    ----------
    path, file
        The file and its name in messages.
    required
        Columns that must be there.
    known
        Further columns with a meaning; a heading that looks like one of them misspelt is an error.
    comment
        Rows whose first cell begins so are passed over. By default a hash and a blank, as in the
        example rows of ``leafledger new``: ``#N/A`` is no comment but a fault.
    delimiter
        What stands between cells.
    called
        Name of the sheet that is meant, of a workbook with several.

    Raises
    ------
    InputFault
        With every problem of the headings and of the shape of the rows.
    """
    if is_workbook(path):
        return _read_workbook_sheet(path, file, required, known, called, comment)
    lines = _csv_rows(read_text(path, file, LARGEST_SHEET), file, delimiter, comment)
    first = next(lines, None)
    if first is None:
        raise _fault(file, "an empty file", "a heading row", f"Begin with: {','.join(required)}")
    headings = [cell.strip() for cell in first[1]]
    width = len(headings)
    columns = tuple(_without_empty_end(headings))
    other = _other_delimiter(headings, delimiter, required)
    if other is not None:
        raise _delimiter_fault(file, first[0], other, delimiter)
    problems = heading_problems(file, first[0], columns, required, known)
    if problems:
        below = _headings_below(lines, required)
        raise InputFault(problems if below is None else _title_row_problem(file, first[0], below))
    rows: list[Row] = []
    for line, cells in lines:
        if len(rows) + len(problems) >= MOST_ROWS:
            raise _fault(
                file,
                f"more than {MOST_ROWS:,} rows",
                f"at most {MOST_ROWS:,}",
                "Check that the file is the sheet you mean; split the study if it is.",
            )
        if len(columns) < len(cells) <= width and not any(c.strip() for c in cells[len(columns) :]):
            cells = cells[: len(columns)]
        if len(cells) != len(columns):
            problems.append(
                Problem(
                    file=file,
                    row=line,
                    found=f"{len(cells)} cells",
                    expected=f"{len(columns)} cells, as in the heading",
                    mend="Check for a missing or extra comma; text that holds commas needs quotes.",
                )
            )
        else:
            rows.append(Row(line, dict(zip(columns, cells, strict=True))))
    if problems:
        raise InputFault(bounded(problems))
    return Sheet(file, columns, tuple(rows))


def _without_empty_end(headings: list[str]) -> list[str]:
    """Return the headings without empty ones at the end, which a spreadsheet's export may have.

    Examples
    --------
    >>> _without_empty_end(["unit", "", "block", "", ""])
    ['unit', '', 'block']
    """
    n = len(headings)
    while n > 1 and not headings[n - 1]:
        n -= 1
    return headings[:n]


def _other_delimiter(headings: list[str], delimiter: str, required: Sequence[str]) -> str | None:
    """Return the mark that parts the headings, if it is another than the one they are read with."""
    if any(name in headings for name in required):
        return None
    text = delimiter.join(headings)
    for mark in _MARKS:
        cells = [cell.strip().strip('"').strip() for cell in text.split(mark)]
        if mark != delimiter and len(cells) > 1 and any(name in cells for name in required):
            return mark
    return None


def _headings_below(rows: Iterable[tuple[int, list[str]]], required: Sequence[str]) -> int | None:
    """Return the row of the headings where a title stands above them, ``None`` if none does."""
    for line, cells in islice(rows, _ROWS_TRIED):
        if {*required} <= {cell.strip() for cell in cells}:
            return line
    return None


def _title_row_problem(file: str, line: int, below: int) -> Problem:
    return Problem(
        file=file,
        row=line,
        found=f"another row above the headings, which stand in row {below}",
        expected="the headings in the first row",
        mend="Take the rows above the headings out of the sheet.",
    )


def _delimiter_fault(file: str, line: int, mark: str, delimiter: str) -> InputFault:
    name, expected_mark = _MARKS[mark], _MARKS.get(delimiter, "commas")
    return InputFault(
        Problem(
            file=file,
            row=line,
            found=f"cells parted by {name}, read with {expected_mark}",
            expected=f"cells parted by {expected_mark}",
            mend="Save the sheet as CSV (UTF-8, comma), or as .xlsx. A comma in a number becomes a "
            "point; text that holds commas needs quotes.",
        )
    )


def _read_workbook_sheet(
    path: Path,
    file: str,
    required: Sequence[str],
    known: Sequence[str],
    called: str,
    comment: str,
) -> Sheet:
    grid = read_grid(path, file, called)
    if grid.headings is None:
        raise _fault(file, "an empty sheet", "a heading row", f"Begin with: {','.join(required)}")
    line, columns = grid.headings
    named = [name for name in columns if name]
    problems = heading_problems(file, line, named, required, known)
    if problems:
        below = _headings_below(grid.rows, required)
        if below is not None:
            raise InputFault(_title_row_problem(file, line, below))
        raise InputFault(Sheet(file, tuple(columns), ()).with_own(problems))
    rows = [
        Row(line, {name: cell for name, cell in zip(columns, cells, strict=True) if name})
        for line, cells in grid.rows
        if not cells[0].lstrip().startswith(comment)
    ]
    return Sheet(file, tuple(columns), tuple(rows), tuple(grid.problems))


def _csv_rows(
    text: str, file: str, delimiter: str, comment: str
) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputFault(
                Problem(
                    file=file,
                    row=line,
                    found=f"broken CSV ({error})",
                    expected="cells divided by commas; quotes in pairs",
                    mend="Check the quotes on this line.",
                )
            ) from error
        if not any(cell.strip() for cell in cells):
            continue
        if cells[0].lstrip().startswith(comment):
            continue
        yield line, cells


def _fault(file: str, found: str, expected: str, mend: str) -> InputFault:
    return InputFault(Problem(file=file, found=found, expected=expected, mend=mend))


# Which files of a study folder are its sheets: CSV, or a workbook of the same name.
# ----------------------------------------------------------------------

UNITS = ("units.csv", "units.xlsx")
SCANS = ("scans.csv", "scans.xlsx")


def units_file(folder: Path) -> str:
    """Return the name of the sheet of units; ``units.csv`` if there is none."""
    return next((name for name in UNITS if (folder / name).is_file()), UNITS[0])


def find_units(folder: Path, problems: list[Problem]) -> str | None:
    """Return the name of the sheet of units, ``None`` if there is none.

    Two of them are a problem: nothing says which one holds.
    """
    unit_sheets = [name for name in UNITS if is_there(folder, name, problems)]
    if len(unit_sheets) > 1:
        problems.append(
            _two_sheets_problem(
                unit_sheets,
                f"Keep the one that you work in and take the other away from {folder.name}.",
            )
        )
    return unit_sheets[0] if unit_sheets else None


def is_there(folder: Path, name: str, problems: list[Problem]) -> bool:
    """Tell whether a sheet is there; one that is there but is no file is never passed over."""
    path = folder / name
    if path.is_file():
        return True
    if path.exists() or path.is_symlink():
        problems.append(
            Problem(
                file=name,
                found="a folder, a special file or a broken link",
                expected="a sheet",
                mend="Put the sheet there, or take the name away.",
            )
        )
    return False


def with_scan_sheet(folder: Path, definition: Definition, problems: list[Problem]) -> Definition:
    """Return the definition with the scan sheet that is there, if it names none itself."""
    intake = definition.intake
    if intake.pattern or "sheet" in intake.model_fields_set:
        return definition
    scan_sheets = [name for name in SCANS if (folder / name).is_file()]
    if len(scan_sheets) > 1:
        problems.append(
            _two_sheets_problem(
                scan_sheets, "Say which one holds: `sheet:` under intake in study.yaml."
            )
        )
    if not scan_sheets or scan_sheets[0] == intake.sheet:
        return definition
    new_intake = intake.model_copy(update={"sheet": scan_sheets[0]})
    return definition.model_copy(update={"intake": new_intake})


def _two_sheets_problem(names: list[str], mend: str) -> Problem:
    return Problem(
        file=names[1],
        found=f"{names[0]} and {names[1]}",
        expected="one of the two",
        mend=mend,
    )


def with_own_names(
    problems: Iterable[Problem], folder: Path, definition: Definition
) -> list[Problem]:
    """Return problems that name the study's own sheets, where a stage knows only the usual ones."""
    sheet_of = {UNITS[0]: units_file(folder), SCANS[0]: definition.intake.sheet}
    return [replace(problem, file=sheet_of.get(problem.file, problem.file)) for problem in problems]


def refused_sheet(folder: Path, name: str) -> Problem | None:
    """Return what is wrong with the path of the scan sheet that the study names."""
    why = PathCheck(folder).why_refused(name)
    if not why:
        return None
    like = [other for other in SCANS if other != name and (folder / other).is_file()]
    return Problem(
        file=STUDY_FILE,
        column="intake.sheet",
        found=f"{why}: {name}",
        expected="the scan sheet, inside the study folder",
        mend=f"Write `sheet: {like[0]}`, which is there."
        if like
        else "Write scans.csv, name your sheet, or give a file name pattern.",
    )

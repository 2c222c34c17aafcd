"""How is one cell of a CSV sheet changed without touching another byte?

The sheet belongs to a person: comments, blank lines, quotes, line ends, a byte-order mark and
columns that nobody here knows stay as they are. Only cells that are set are written anew.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from leafledger.errors import InputFault, Problem
from leafledger.platforms import lock_file
from leafledger.study.sheets import EXAMPLE, PathCheck
from leafledger.study.table_files import FORMULA_SIGNS, not_through_a_link, write_bytes

# A sheet as lines and cells, byte for byte.
# ----------------------------------------------------------------------

_CELL = re.compile(r'"(?:[^"]|"")*"[^,\r\n]*|[^,\r\n]*')
_LINE_END = re.compile(r"\r\n|\n|\r|\Z")
_MARK = "\ufeff"


class _Line:
    """One record: its cells as they are written, and how the line ends."""

    def __init__(self, cells: list[str], end: str) -> None:
        self.cells = cells
        self.end = end

    @property
    def is_comment(self) -> bool:
        """Whether the reader of sheets passes it over."""
        first = _cell_text(self.cells[0])
        return first.lstrip().startswith(EXAMPLE) or not any(
            _cell_text(c).strip() for c in self.cells
        )


def _cell_text(cell: str) -> str:
    """Return the text of a cell as it is written."""
    if cell.startswith('"') and len(cell) > 1:
        close = cell.rindex('"')
        return cell[1:close].replace('""', '"') + cell[close + 1 :]
    return cell


def _quoted_cell(text: str) -> str:
    """Return a text as a cell."""
    if any(c in text for c in ',"\r\n') or text != text.strip():
        return '"' + text.replace('"', '""') + '"'
    return text


class SheetCells:
    r"""A sheet whose cells can be set one by one; rows are named by their column ``scan``.

    Parameters
    ----------
    data
        The bytes of a sheet that :func:`leafledger.study.sheets.read_sheet` reads.

    Examples
    --------
    >>> sheet = SheetCells(b'# mine\r\nscan,file,time\r\na,"raw/a,1.txt",\r\nb,raw/b.txt,\r\n')
    >>> sheet.set("b", "time", "2026-05-04T09:00")
    >>> sheet.data()
    b'# mine\r\nscan,file,time\r\na,"raw/a,1.txt",\r\nb,raw/b.txt,2026-05-04T09:00\r\n'
    """

    def __init__(self, data: bytes) -> None:
        text = data.decode("utf-8")
        self._mark = _MARK if text.startswith(_MARK) else ""
        self._lines = list(_lines(text[len(self._mark) :]))
        ends = [line.end for line in self._lines if line.end]
        self._end = ends[0] if ends else "\n"
        self._heading = next((line for line in self._lines if not line.is_comment), None)

    @property
    def columns(self) -> list[str]:
        """The headings, without blanks around them."""
        return [] if self._heading is None else [_cell_text(c).strip() for c in self._heading.cells]

    def _records(self) -> Iterator[tuple[int, _Line]]:
        seen = False
        for k, line in enumerate(self._lines):
            if line.is_comment:
                continue
            if seen:
                yield k, line
            seen = True

    def _line_index_of(self, scan: str) -> int:
        column = self.columns.index("scan")
        for k, line in self._records():
            if column < len(line.cells) and _cell_text(line.cells[column]).strip() == scan:
                return k
        raise KeyError(scan)

    def get(self, scan: str, column: str) -> str:
        """Return a cell, ``""`` if there is no such column.

        Raises
        ------
        KeyError
            If no row is named so.
        """
        line = self._lines[self._line_index_of(scan)]
        if column not in self.columns:
            return ""
        return _cell_text(line.cells[self.columns.index(column)]).strip()

    def set(self, scan: str, column: str, text: str) -> None:
        """Set one cell; a column that is not there is added at the right.

        Raises
        ------
        KeyError
            If no row is named so.
        """
        line_index = self._line_index_of(scan)
        if column not in self.columns:
            if not text:
                return
            self._add_column(column)
        cells = self._lines[line_index].cells
        column_index = self.columns.index(column)
        if _cell_text(cells[column_index]).strip() != text:
            cells[column_index] = _quoted_cell(text)

    def _add_column(self, name: str) -> None:
        for k, line in enumerate(self._lines):
            if not line.is_comment:
                self._lines[k].cells.append(name if line is self._heading else "")

    def insert_after(self, scan: str, cells: Mapping[str, str]) -> None:
        """Insert a row after another; cells of columns that are not there are an error.

        Raises
        ------
        KeyError
            If no row is named so, or a cell has no column.
        """
        self._insert(self._line_index_of(scan) + 1, cells)

    def insert_before(self, scan: str, cells: Mapping[str, str]) -> None:
        """Insert a row before another.

        Raises
        ------
        KeyError
            If no row is named so, or a cell has no column.
        """
        self._insert(self._line_index_of(scan), cells)

    def _insert(self, line_index: int, cells: Mapping[str, str]) -> None:
        for name, text in cells.items():
            if name not in self.columns:
                if not text:
                    continue
                self._add_column(name)
        row = [_quoted_cell(cells.get(name, "")) for name in self.columns]
        before = self._lines[line_index - 1]
        end = before.end or ""
        if not before.end:
            before.end = self._end
        self._lines.insert(
            line_index, _Line(row, end or ("" if line_index == len(self._lines) else self._end))
        )

    def remove(self, scan: str) -> None:
        """Remove a row.

        Raises
        ------
        KeyError
            If no row is named so.
        """
        del self._lines[self._line_index_of(scan)]

    def row(self, scan: str) -> dict[str, str]:
        """Return the cells of a row by column."""
        line = self._lines[self._line_index_of(scan)]
        return {
            n: _cell_text(c).strip() for n, c in zip(self.columns, line.cells, strict=False) if n
        }

    def data(self) -> bytes:
        """Return the sheet as bytes."""
        text = "".join(",".join(line.cells) + line.end for line in self._lines)
        return (self._mark + text).encode("utf-8")


def _lines(text: str) -> Iterator[_Line]:
    position = 0
    while position < len(text):
        cells = []
        while True:
            match = _CELL.match(text, position)
            assert match is not None  # an empty cell fits everywhere
            cells.append(match.group())
            position = match.end()
            if position < len(text) and text[position] == ",":
                position += 1
                continue
            break
        end = _LINE_END.match(text, position)
        if end is None:  # a quote that never closes; the reader of sheets refuses such a sheet
            cells[-1] += text[position:]
            position = len(text)
            yield _Line(cells, "")
            return
        position = end.end()
        yield _Line(cells, end.group())


# The sheet on the disk: read, changed and written whole, one writer at a time.
# ----------------------------------------------------------------------

LOCK = "ledger/scans.lock"


def change_sheet(folder: Path, name: str, change: Callable[[SheetCells], None]) -> None:
    """Change the cells of a sheet of a study; the file is replaced whole, or not at all.

    Parameters
    ----------
    folder, name
        The study folder, and the path of the sheet in it.
    change
        Sets the cells.

    Raises
    ------
    InputFault
        If a row that is to be changed is not there any more, or a link leads out of the study.
    OSError
        If the sheet cannot be read or written: it is as it was then.
    """
    why = PathCheck(folder).why_refused(name)
    if why:
        raise InputFault(
            Problem(name, why, "the scan sheet, inside the study folder", "Put the sheet there.")
        )
    with _sheet_lock(folder):
        path = (folder / name).resolve()
        data = path.read_bytes()
        sheet = SheetCells(data)
        try:
            change(sheet)
        except KeyError as error:
            raise InputFault(
                Problem(
                    name,
                    f"no row of scan {error.args[0]} any more",
                    "the row that the watch has read",
                    "Put the row back; the sheet was changed while the watch was at work.",
                    column="scan",
                )
            ) from error
        new = sheet.data()
        if new != data:
            mode = path.stat().st_mode & 0o777
            write_bytes(path, new)
            path.chmod(mode)


@contextmanager
def _sheet_lock(folder: Path) -> Iterator[None]:
    """Let one writer at a time change the sheet; another takes a moment, so wait for it."""
    lock = not_through_a_link(folder.resolve() / LOCK)
    lock.parent.mkdir(parents=True, exist_ok=True)
    with lock.open("a+") as handle:
        lock_file(handle, wait=True)
        yield


# Words that a person types into a cell.
# ----------------------------------------------------------------------

LONGEST = 500


def cell_text(text: str, column: str) -> str:
    """Return words for a cell on one line.

    Raises
    ------
    InputFault
        If they are too long, hold control characters, or begin as a formula or comment does.

    Examples
    --------
    >>> cell_text("  clip\\n slipped ", "note")
    'clip slipped'
    """
    clean = " ".join(text.split())
    wrong: tuple[str, str, str] | None = None
    if len(clean) > LONGEST:
        wrong = f"{len(clean)} characters", f"at most {LONGEST}", "Shorten it."
    elif not clean.isprintable():
        wrong = "a control character", "printable text", "Type it anew."
    elif clean.startswith((*FORMULA_SIGNS, "#")):
        # A spreadsheet would run it as a formula; after # the line would be a comment.
        wrong = f'"{clean[:20]}"', "words that begin with a letter or digit", "Begin with a word."
    if wrong is not None:
        raise InputFault(Problem("scans.csv", *wrong, column=column))
    return clean

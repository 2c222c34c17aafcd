"""How is a sheet changed without touching another byte: one cell, or the decisions of a reviewer?

All that stands in ``decisions.csv`` stays: rows, their order, comments, columns that have no
meaning here. New rows are added at the end, where the last row of a scan holds. A file without a
column for the digest of what was judged gets one at the right, empty in the rows that were there.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem, input_fault, quoted
from leafledger.platforms import lock_file
from leafledger.study.scan_sheet import (
    ACTIONS,
    COLUMNS,
    DECISIONS_FILE,
    SCAN_DIGEST,
    Decision,
    decisions_of,
    is_digest,
    standing,
)
from leafledger.study.sheets import EXAMPLE, PathCheck, Sheet, read_sheet
from leafledger.study.table_files import (
    FORMULA_SIGNS,
    not_through_a_link,
    refuse_links,
    write_bytes,
)

# One cell of a CSV sheet
# ----------------------------------------------------------------------
# The sheet belongs to a person: comments, blank lines, quotes, line ends, a byte-order mark and
# columns that nobody here knows stay as they are. Only cells that are set are written anew.

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

SCANS_LOCK = "ledger/scans.lock"


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
    lock = not_through_a_link(folder.resolve() / SCANS_LOCK)
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


# A column added to a sheet, and nothing else touched in it
# ----------------------------------------------------------------------


def with_column(data: bytes, name: str) -> bytes:
    r"""Return a CSV with one more column at the right, empty in every row that is there.

    Comment lines, blank lines, quotes, line ends and a byte-order mark stay as they are.

    Parameters
    ----------
    data
        A sheet as :func:`leafledger.study.sheets.read_sheet` takes it, UTF-8, commas.
    name
        The heading, without comma or quote.

    Examples
    --------
    >>> with_column(b'# by hand\r\na,b\r\n1,"x\ny"\r\n\r\n', "c")
    b'# by hand\r\na,b,c\r\n1,"x\ny",\r\n\r\n'
    """
    lines = list(io.StringIO(data.decode("utf-8"), newline=""))
    reader = csv.reader(iter(lines), strict=True)
    heading = True
    for cells in reader:
        first = cells[0].lstrip("\ufeff").lstrip() if cells else ""
        if first.startswith("#") or not any(cell.strip("\ufeff \t") for cell in cells):
            continue
        line = lines[reader.line_num - 1]
        text = line.rstrip("\r\n")
        lines[reader.line_num - 1] = f"{text},{name if heading else ''}{line[len(text) :]}"
        heading = False
    return "".join(lines).encode("utf-8")


# Decisions added and taken back
# ----------------------------------------------------------------------

DECISIONS_LOCK = "ledger/decisions.lock"
LONGEST_REASON = 500
LONGEST_NAME = 80
_NOT_FIRST = (*FORMULA_SIGNS, "#")


@dataclass(frozen=True)
class DecisionRequest:
    """A decision that a reviewer asks to write.

    Attributes
    ----------
    scan, action, reason
        What is decided.
    seen
        The decision that held when the reviewer looked; ``None`` if there was none.
    scan_sha256
        Digest of the raw values that the reviewer looked at.
    """

    scan: str
    action: str
    reason: str
    seen: Mapping[str, str] | None
    scan_sha256: str = ""


@dataclass(frozen=True)
class SaveResult:
    """What became of a save.

    Attributes
    ----------
    written
        Decisions now in the file.
    conflicts
        Scan -> the decision that another reviewer wrote since (``None``: took away); nothing was
        written for these, they are to be looked at again.
    lines
        The lines that were added, to take them back.
    """

    written: tuple[Decision, ...]
    conflicts: Mapping[str, Decision | None]
    lines: tuple[bytes, ...]


def save(
    folder: Path, samples: Collection[str], requests: Sequence[DecisionRequest], by: str, when: str
) -> SaveResult:
    """Add decisions to the file.

    Raises
    ------
    InputFault
        If a decision lacks its reason or name, names no leaf scan, or the file on disk is at
        fault; the file is untouched then.
    """
    problems = list(_problems(samples, requests, by))
    if problems:
        raise InputFault(problems)
    with _locked_file(folder) as path:
        sheet, now = _read(path, samples)
        conflicts = {
            request.scan: now.get(request.scan)
            for request in requests
            if _fields(now.get(request.scan)) != (dict(request.seen) if request.seen else None)
        }
        written = [
            Decision(
                request.scan,
                request.action,
                one_line(request.reason),
                one_line(by),
                when,
                request.scan_sha256,
            )
            for request in requests
            if request.scan not in conflicts
        ]
        columns = sheet.columns if sheet else COLUMNS
        if SCAN_DIGEST not in columns:
            columns = (*columns, SCAN_DIGEST)
        lines = tuple(_line(columns, decision) for decision in written)
        if lines:
            _add(path, sheet, lines)
    return SaveResult(tuple(written), conflicts, lines)


def remove_rows(folder: Path, lines: Sequence[bytes]) -> None:
    """Remove lines that a save added, all or none.

    Raises
    ------
    InputFault
        If one of them is not in the file any more as it was written.
    """
    with _locked_file(folder) as path:
        rows = path.read_bytes().splitlines(keepends=True) if path.is_file() else []
        for line in lines:
            same = [k for k, row in enumerate(rows) if row.rstrip(b"\r\n") == line]
            if not same:
                raise input_fault(
                    file=DECISIONS_FILE,
                    found="no row as it was saved here; it was changed since",
                    expected=quoted(line.decode("utf-8")),
                    mend="Decide about the scan anew, or edit the file by hand.",
                )
            del rows[same[-1]]
        write_bytes(path, b"".join(rows))


def current_decisions(folder: Path, samples: Collection[str]) -> dict[str, Decision]:
    """Return scan -> the decision that holds in the file now.

    Raises
    ------
    InputFault
        With every problem of the file.
    """
    return _read(folder / DECISIONS_FILE, samples)[1]


def one_line(text: str) -> str:
    """Return text on one line, without blanks around it.

    Examples
    --------
    >>> one_line("  clip\\n slipped ")
    'clip slipped'
    """
    return " ".join(text.split())


@contextmanager
def _locked_file(folder: Path) -> Iterator[Path]:
    """Hold the file of decisions, whose path is yielded, links within the study followed.

    Another reviewer's save takes a moment, so wait for it.

    Raises
    ------
    InputFault
        If a link leads out of the study.
    """
    refuse_links(folder)
    lock = not_through_a_link(folder.resolve() / DECISIONS_LOCK)
    lock.parent.mkdir(parents=True, exist_ok=True)
    with lock.open("a+") as handle:
        lock_file(handle, wait=True)
        yield (folder / DECISIONS_FILE).resolve()


def _read(path: Path, samples: Collection[str]) -> tuple[Sheet | None, dict[str, Decision]]:
    if not path.is_file():
        return None, {}
    sheet = read_sheet(path, DECISIONS_FILE, required=COLUMNS, known=(SCAN_DIGEST,), comment="#")
    decisions, problems = decisions_of(sheet, samples)
    if problems:
        raise InputFault(problems)
    return sheet, standing(decisions)


def _fields(decision: Decision | None) -> dict[str, str] | None:
    return None if decision is None else asdict(decision)


def _line(columns: Sequence[str], decision: Decision) -> bytes:
    cells = asdict(decision)
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="").writerow([cells.get(name, "") for name in columns])
    return out.getvalue().encode("utf-8")


def _add(path: Path, sheet: Sheet | None, lines: Sequence[bytes]) -> None:
    data = path.read_bytes() if sheet else ",".join(COLUMNS).encode() + b"\n"
    if sheet is None or SCAN_DIGEST not in sheet.columns:
        data = with_column(data, SCAN_DIGEST)
    end = b"\r\n" if b"\r\n" in data else b"\n"
    if not data.endswith((b"\n", b"\r")):
        data += end
    mode = path.stat().st_mode if sheet else None
    write_bytes(path, data + b"".join(line + end for line in lines))
    if mode is not None:
        path.chmod(mode & 0o777)


def _problems(
    samples: Collection[str], requests: Sequence[DecisionRequest], by: str
) -> Iterator[Problem]:
    if not requests:
        yield _problem("scan", "no decision", "one decision or more", "Decide about a scan first.")
    yield from _word_problems("by", by, LONGEST_NAME, "the name of who decides")
    scans = [request.scan for request in requests]
    for request in requests:
        if request.scan not in samples:
            yield _problem(
                "scan",
                quoted(request.scan),
                "a leaf scan of the study",
                "A reference is left out by mending the scan sheet, not here.",
            )
        if scans.count(request.scan) > 1:
            yield _problem("scan", f"{quoted(request.scan)} twice", "once", "Decide once.")
        if request.scan_sha256 and not is_digest(request.scan_sha256):
            yield _problem(
                SCAN_DIGEST,
                quoted(request.scan_sha256),
                "64 hexadecimal digits",
                "Reload the page.",
            )
        if request.action not in ACTIONS:
            yield _problem(
                "action", quoted(request.action), "exclude or keep", "Choose one of them."
            )
        yield from _word_problems("reason", request.reason, LONGEST_REASON, "a reason in words")


def _word_problems(column: str, text: str, longest: int, expected: str) -> Iterator[Problem]:
    clean = one_line(text)
    if not clean:
        yield _problem(
            column,
            "an empty field",
            expected,
            "A decision without reason and name cannot be defended later; fill it in.",
        )
    elif len(clean) > longest:
        yield _problem(column, f"{len(clean)} characters", f"at most {longest}", "Shorten it.")
    elif not clean.isprintable():
        yield _problem(column, "a control character", "printable text", "Type it anew.")
    elif clean.startswith(_NOT_FIRST):
        # A spreadsheet would run it as a formula; after # the line would be a comment.
        yield _problem(column, quoted(clean), "text that begins with a word", "Begin with a word.")


def _problem(column: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=DECISIONS_FILE, column=column, found=found, expected=expected, mend=mend)

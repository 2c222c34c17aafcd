"""Where in a text file does the scan stand: encoding, delimiter, decimal mark, rows?"""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.intake.raw_scan import MAX_COLUMNS, Faults, FileForm, mistyped, number

# From bytes to text: byte order marks, UTF-16, Latin-1, and files that are no text at all.
# ----------------------------------------------------------------------

_ALLOWED_CONTROLS = b"\t\n\r\f\x1a"
CONTROLS = bytes(c for c in (*range(32), 127) if c not in _ALLOWED_CONTROLS)
_SAMPLE = 4096
_UTF16_SHARE = 0.4
_BINARY_SHARE = 0.02


def encoding_of(data: bytes, stated: str) -> str:
    """Return the codec of a text file.

    The rule: a stated encoding stands. Otherwise a byte order mark decides; else UTF-16 without
    a mark if zero bytes fill at least 40 % of the even (or odd) places of the first 4,096 bytes
    and hardly any of the others; else UTF-8 if the whole file is valid UTF-8; else Latin-1.
    """
    if data.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if stated == "utf-16" or (stated == "auto" and b"\0" in data[:_SAMPLE]):
        head = data[:_SAMPLE]
        half = max(1, len(head) // 2)
        even, odd = head[0::2].count(0) / half, head[1::2].count(0) / half
        if stated == "utf-16" or (max(even, odd) >= _UTF16_SHARE and min(even, odd) < 0.05):
            return "utf-16-be" if even > odd else "utf-16-le"
    if stated != "auto":
        return stated
    if data.isascii():
        return "utf-8"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"


def decode(data: bytes, file: str, stated: str = "auto") -> tuple[str, str]:
    """Return the text of a file and its codec.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    stated
        ``auto``, ``utf-8``, ``utf-16`` or ``latin-1``.

    Raises
    ------
    InputFault
        If the file is empty, is no text, or is not in the stated encoding.
    """
    if not data.strip():
        raise InputFault(
            Problem(file, "an empty file", "a scan", "Copy the file again from the instrument.")
        )
    codec = encoding_of(data, stated)
    try:
        text = data.decode(codec)
    except UnicodeDecodeError as error:
        raise InputFault(
            Problem(
                file,
                f"bytes that are not {codec} (at byte {error.start + 1})",
                f"text in {codec}",
                "State `encoding:` in the form of this session, or copy the file again.",
                row=data.count(b"\n", 0, error.start) + 1,
            )
        ) from None
    if _is_binary(text, data, codec):
        raise InputFault(
            Problem(
                file,
                "a binary file",
                "text",
                "Export the scan as text, or state the right `form:` for this session.",
            )
        )
    return text, codec


def _is_binary(text: str, data: bytes, codec: str) -> bool:
    if "\0" in text:
        return True
    if not codec.startswith("utf-16"):
        return len(data) - len(data.translate(None, CONTROLS)) > _BINARY_SHARE * len(data)
    odd = sum(not c.isprintable() and c not in "\t\n\r\f\x1a" for c in text[:_SAMPLE])
    return odd > _BINARY_SHARE * min(len(text), _SAMPLE)


def split_lines(text: str) -> list[str]:
    """Split at CRLF, CR and LF only (form feeds and Unicode separators are part of a line)."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.split("\n")


# Which delimiter and decimal mark a text file uses, and which columns are wanted.
# ----------------------------------------------------------------------
# The rule: every pair of delimiter (tab, semicolon, comma, blanks) and decimal mark (point, comma)
# that the settings allow is tried on the lines of the file; the pair under which most lines hold
# numbers in the wanted columns wins, the first in the order above if several do equally well. So
# in a file split by tabs, semicolons or blanks a comma inside a number is a decimal comma. A comma
# can be both only where the fields are quoted (``"400,5","1000,2"``). A comma-delimited file whose
# rows hold three or more whole numbers and no point at all (``400,5,1000,2``) can be read in two
# ways: it is an error that asks for ``delimiter:`` and ``decimal:``.

MARKS: Final = {"tab": "\t", "semicolon": ";", "comma": ",", "space": " "}
_LINES_TRIED = 600


@dataclass(frozen=True)
class Dialect:
    """How a line falls into fields, and where the wanted ones are (positions from 0)."""

    delimiter: str
    decimal: str
    wavelength: int = 0
    value: int = 1
    heading_line: int | None = None

    def split(self, line: str) -> list[str]:
        """Return the fields of a line without blanks around them or empty fields at its end."""
        if self.delimiter == "comma" == self.decimal and not line.lstrip().startswith('"'):
            return [line]
        fields = fields_of(line, self.delimiter)
        while fields and not fields[-1]:
            fields.pop()
        return fields


def fields_of(line: str, delimiter: str) -> list[str]:
    """Split a line at a delimiter; quotes as in RFC 4180."""
    if delimiter == "space":
        return [field.strip('"') for field in line.split()]
    mark = MARKS[delimiter]
    if '"' not in line:
        return [field.strip() for field in line.split(mark)]
    try:
        rows = list(csv.reader([line], delimiter=mark, skipinitialspace=True))
    except csv.Error:
        return [field.strip() for field in line.split(mark)]
    return [field.strip() for field in rows[0]] if rows else []


def find_dialect(lines: Sequence[str], form: FileForm, faults: Faults) -> Dialect | None:
    """Return the dialect under which most lines are rows of the wanted numbers.

    Parameters
    ----------
    lines
        The lines of the file.
    form
        The settings: what is stated is not tried otherwise.
    faults
        Gets a problem if a wanted column is not found under any dialect.
    """
    if not _sound_columns(form, faults):
        return None
    placed = [_placed(candidate, lines, form) for candidate in _candidates(form)]
    possible = [dialect for dialect in placed if dialect is not None]
    if not possible:
        _name_columns(lines, form, faults)
        return None
    best, most = possible[0], 0
    # One line in a few is enough, unless the scan is a small part of the file.
    for every in (max(1, len(lines) // _LINES_TRIED), 1):
        sample = lines[::every]
        for dialect in possible:
            rows = sum(_is_row(dialect, line) for line in sample)
            if rows > most:
                best, most = dialect, rows
        if most:
            break
    return best


def _sound_columns(form: FileForm, faults: Faults) -> bool:
    names = (form.wavelength_column.strip(), form.value_column.strip())
    for key, name in zip(("wavelength_column", "value_column"), names, strict=True):
        if name.isdecimal() and not 1 <= int(name[:9]) <= MAX_COLUMNS:
            faults.add(f"column {name}", "a number from 1", f"Mend `{key}:`.", column=key)
    if names[0] == names[1]:
        faults.add(
            f"{quoted(names[0])} for both",
            "the wavelength and the value in columns of their own",
            "Mend `wavelength_column:` or `value_column:` of the form.",
            column="value_column",
        )
    return not faults.problems


def _candidates(form: FileForm) -> list[Dialect]:
    delimiters = list(MARKS) if form.delimiter == "auto" else [form.delimiter]
    decimals = ["point", "comma"] if form.decimal == "auto" else [form.decimal]
    return [Dialect(delimiter, decimal) for delimiter in delimiters for decimal in decimals]


def _is_row(dialect: Dialect, line: str) -> bool:
    fields = dialect.split(line)
    return (
        len(fields) > max(dialect.wavelength, dialect.value)
        and number(fields[dialect.wavelength], dialect.decimal) is not None
        and number(fields[dialect.value], dialect.decimal) is not None
    )


def _placed(candidate: Dialect, lines: Sequence[str], form: FileForm) -> Dialect | None:
    """Return the dialect with the wanted columns found, ``None`` if a name is in no line."""
    names = [form.wavelength_column.strip(), form.value_column.strip()]
    words = [name for name in names if not name.isdecimal()]
    if not words:
        w_at, v_at = (int(name) - 1 for name in names)
        return replace(candidate, wavelength=w_at, value=v_at)
    for i, line in enumerate(lines):
        if not all(word in line for word in words):
            continue
        for headings in _headings(candidate, line):
            if all(word in headings for word in words):
                w_at, v_at = (
                    int(name) - 1 if name.isdecimal() else headings.index(name) for name in names
                )
                return replace(candidate, wavelength=w_at, value=v_at, heading_line=i)
    return None


def _headings(candidate: Dialect, line: str) -> list[list[str]]:
    """Return the ways a heading line may be meant; with blanks, names may hold single ones."""
    plain = candidate.split(line)
    if candidate.delimiter != "space":
        return [plain]
    wide = [part.strip() for part in line.replace("\t", "  ").split("  ") if part.strip()]
    return [wide, plain]


def _name_columns(lines: Sequence[str], form: FileForm, faults: Faults) -> None:
    for key in ("wavelength_column", "value_column"):
        name = getattr(form, key).strip()
        if name.isdecimal():
            continue
        words = {f for line in lines[:200] for mark in MARKS for f in fields_of(line, mark)}
        faults.add(
            "no heading line that names the wanted columns",
            f"a column {quoted(name)}",
            f"State `{key}:` as it stands in the heading line, or as a number from 1. "
            + nearest(name, sorted(w for w in words if w and number(w, "point") is None)),
            column=key,
        )


def ambiguous(dialect: Dialect, rows: Sequence[str], form: FileForm) -> bool:
    """Return whether commas may be both delimiters and decimal marks in these rows."""
    if dialect.delimiter != "comma" or dialect.decimal != "point" or form.decimal != "auto":
        return False
    text = rows[:_LINES_TRIED]
    if any("." in row or ", " in row or '"' in row for row in text):
        return False
    return sum(row.count(",") >= 2 for row in text) > len(text) / 2 or (
        len({row.count(",") for row in text}) > 1
    )


# Where in a text file the scan stands: header, rows, footer, and rows that are damaged.
# ----------------------------------------------------------------------
# The rule. A line is *good* if both wanted fields are numbers; *suspect* if the wavelength is a
# number but the value is not, or the value is a number and the wavelength looks like a damaged one
# (:func:`leafledger.intake.raw_scan.mistyped`); anything else is *text*. Blank lines do not count.
# The scan is the longest run of good and suspect lines, and:
#
# * a suspect line inside the run is a damaged row: an error;
# * at the ends of the run a suspect line belongs to it (and is damaged) only if its wavelength goes
#   on where the run ends, that is in its direction and within three usual steps for each line, or
#   if its wavelength is damaged and it has as many fields as the rows; else it is header or footer;
# * text between two runs is a damaged row if the later run goes on where the earlier ends (same
#   measure); else it is a heading or a footer, and the shorter run belongs to that;
# * good lines at the start of the run that are more than 20 usual steps away from the rest (a
#   header line of two numbers) are header, and a note says so;
# * another run at least a quarter as long is a second table, an error: nothing says which is meant;
# * a last line of number characters without a line ending that is no good row is a cut-off file.

_REACH = 3.0
_HEADER_JUMP = 20.0
_HEADER_SHARE = 0.1
_LINES_BETWEEN = 20
_SECOND_TABLE = 0.25
_CUT_OFF = re.compile(r"[0-9+-][0-9eE+\-.,;\s]*")


@dataclass(frozen=True)
class Line:
    """One line that is not blank."""

    row: int
    text: str
    n_fields: int
    wavelength: float | None
    value: float | None
    suspect: bool

    @property
    def good(self) -> bool:
        """Whether both wanted fields are numbers."""
        return self.wavelength is not None and self.value is not None


@dataclass
class Block:
    """The lines of the scan, in order, and what was decided about the lines around it."""

    lines: list[Line]
    notes: list[str] = field(default_factory=list)


def classify(lines: Sequence[str], dialect: Dialect) -> list[Line]:
    """Return the lines that are not blank with what they hold."""
    out: list[Line] = []
    w_at, v_at, decimal = dialect.wavelength, dialect.value, dialect.decimal
    for row, text in enumerate(lines, start=1):
        fields = dialect.split(text)
        if not fields:
            continue
        word = fields[w_at] if w_at < len(fields) else ""
        wavelength = number(word, decimal)
        value = number(fields[v_at], decimal) if v_at < len(fields) else None
        suspect = (value is None) != (wavelength is None) and (
            wavelength is not None or mistyped(word)
        )
        out.append(Line(row, text, len(fields), wavelength, value, suspect))
    return out


def find_block(lines: list[Line], faults: Faults) -> Block | None:
    """Find the scan among the lines; problems of its rows go to ``faults``.

    Returns
    -------
    Block or None
        ``None`` if no line holds the wanted numbers.
    """
    runs = _runs(lines)
    main = max(runs, key=lambda run: _n_good(lines, run), default=None)
    if main is None or not _n_good(lines, main):
        return None
    pace = Pace.of([line for line in lines[slice(*main)] if line.good])
    start, stop = _joined(lines, runs, main, pace)
    _second_table(lines, runs, (start, stop), faults)
    block = Block(lines[start:stop])
    _trim_start(block, pace)
    _trim_end(block, pace)
    _damaged_rows(block.lines, faults)
    _cut_off(lines, block.lines[-1], faults)
    return block


@dataclass(frozen=True)
class Pace:
    """Direction (1 or -1, 0 if unknown) and usual step of the wavelengths of a run."""

    direction: float
    step: float

    @classmethod
    def of(cls, good: Sequence[Line]) -> Pace:
        """Measure the pace of good lines."""
        if len(good) < 3:
            return cls(0.0, 0.0)
        steps = np.diff([line.wavelength for line in good if line.wavelength is not None])
        return cls(float(np.sign(np.median(steps))), float(np.median(np.abs(steps))))

    def goes_on(self, before: float | None, after: float | None, between: int) -> bool:
        """Return whether ``after`` follows ``before`` with ``between`` lines between them."""
        if before is None or after is None:
            return False
        gap = (after - before) * self.direction
        return 0 < gap <= _REACH * (between + 1) * self.step


def _runs(lines: Sequence[Line]) -> list[tuple[int, int]]:
    runs: list[tuple[int, int]] = []
    start: int | None = None
    for i, line in enumerate(lines):
        rowlike = line.good or line.suspect
        if rowlike and start is None:
            start = i
        elif not rowlike and start is not None:
            runs.append((start, i))
            start = None
    if start is not None:
        runs.append((start, len(lines)))
    return runs


def _n_good(lines: Sequence[Line], run: tuple[int, int]) -> int:
    return sum(line.good for line in lines[slice(*run)])


def _joined(
    lines: Sequence[Line], runs: list[tuple[int, int]], main: tuple[int, int], pace: Pace
) -> tuple[int, int]:
    """Return the run together with its neighbours that it goes on in."""
    start, stop = main
    middle = runs.index(main)
    for left, right in runs[middle + 1 :]:
        edges = _last_good(lines, start, stop), _first_good(lines, left, right)
        if not _bridged(lines, edges, pace):
            break
        stop = right
    for left, right in reversed(runs[:middle]):
        edges = _last_good(lines, left, right), _first_good(lines, start, stop)
        if not _bridged(lines, edges, pace):
            break
        start = left
    return start, stop


def _bridged(lines: Sequence[Line], edges: tuple[int | None, int | None], pace: Pace) -> bool:
    before, after = edges
    if before is None or after is None or after - before - 1 > _LINES_BETWEEN:
        return False
    return pace.goes_on(lines[before].wavelength, lines[after].wavelength, after - before - 1)


def _first_good(lines: Sequence[Line], start: int, stop: int) -> int | None:
    return next((i for i in range(start, stop) if lines[i].good), None)


def _last_good(lines: Sequence[Line], start: int, stop: int) -> int | None:
    return next((i for i in range(stop - 1, start - 1, -1) if lines[i].good), None)


def _second_table(
    lines: Sequence[Line], runs: list[tuple[int, int]], block: tuple[int, int], faults: Faults
) -> None:
    size = _n_good(lines, block)
    for run in runs:
        n_good = _n_good(lines, run)
        outside = run[1] <= block[0] or run[0] >= block[1]
        if outside and n_good >= 10 and n_good >= _SECOND_TABLE * size:
            faults.add(
                f"a second table of {n_good} rows of numbers",
                "one scan in a file",
                "Put each scan into a file of its own.",
                row=lines[run[0]].row,
            )


def _trim_start(block: Block, pace: Pace) -> None:
    """Take header lines off the start: numbers far away, then suspects that do not go on."""
    lines = block.lines
    reach = max(1, int(_HEADER_SHARE * len(lines)))
    cut = 0
    for i in range(min(reach, len(lines) - 1)):
        here, following = lines[i].wavelength, lines[i + 1].wavelength
        if here is None or following is None or not lines[i].good:
            continue
        if pace.step and abs(following - here) > _HEADER_JUMP * pace.step:
            cut = i + 1
    numbers = [line.row for line in lines[:cut] if line.good]
    if numbers:
        block.notes.append(
            f"row {numbers[0]} holds numbers that do not go on in the wavelengths below it; "
            "taken as header"
        )
    lines = lines[cut:]
    first = next((i for i, line in enumerate(lines) if line.good), 0)
    kept = first
    while kept > 0 and _belongs(lines, kept - 1, first, pace):
        kept -= 1
    block.lines = lines[kept:]


def _trim_end(block: Block, pace: Pace) -> None:
    """Take footer lines off the end: suspects that do not go on."""
    lines = block.lines
    last = next((i for i in range(len(lines) - 1, -1, -1) if lines[i].good), 0)
    kept = last
    while kept + 1 < len(lines) and _belongs(lines, kept + 1, last, pace):
        kept += 1
    block.lines = lines[: kept + 1]


def _belongs(lines: Sequence[Line], i: int, edge: int, pace: Pace) -> bool:
    """Return whether the suspect line ``i`` outside the good line ``edge`` is a damaged row."""
    suspect, good = lines[i], lines[edge]
    if suspect.wavelength is None:
        return suspect.n_fields == good.n_fields
    between = abs(i - edge) - 1
    if i < edge:
        return pace.goes_on(suspect.wavelength, good.wavelength, between)
    return pace.goes_on(good.wavelength, suspect.wavelength, between)


def _damaged_rows(lines: Sequence[Line], faults: Faults) -> None:
    usual = Counter(line.n_fields for line in lines if line.good).most_common(1)[0][0]
    for line in lines:
        if not line.good:
            faults.add(
                quoted(line.text.strip()),
                "numbers in the wavelength and value columns",
                "Mend this row from the instrument's own file, or export the scan again.",
                row=line.row,
            )
        elif line.n_fields != usual:
            faults.add(
                f"{line.n_fields} fields in {quoted(line.text.strip())}",
                f"{usual} fields, as in the other rows",
                "Mend this row, or state `delimiter:` and `decimal:` of the form.",
                row=line.row,
            )


def _cut_off(lines: Sequence[Line], last: Line, faults: Faults) -> None:
    """Report a number-like last line that is neither row nor footer."""
    end = lines[-1]
    after = [line for line in lines[-2:] if line.row > last.row]
    if len(after) == 1 and _CUT_OFF.fullmatch(end.text.strip()):
        faults.add(
            quoted(end.text.strip()),
            "a whole row, or a footer in words",
            "The file seems to be cut off: copy it again.",
            row=end.row,
        )

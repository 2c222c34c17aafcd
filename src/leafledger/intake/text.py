"""One scan per text file, with any header and footer: how is it read, and read fast?"""

from __future__ import annotations

import codecs
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import groupby
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, quoted
from leafledger.intake.raw_scan import (
    MAX_LINE,
    MAX_LINES,
    MIN_WAVELENGTHS,
    Faults,
    FileForm,
    RawScans,
    check_axis,
    mistyped,
    number,
    unit_note,
)
from leafledger.intake.text_block import (
    CONTROLS,
    MARKS,
    Block,
    Dialect,
    Line,
    ambiguous,
    classify,
    decode,
    find_block,
    find_dialect,
    split_lines,
)

# The fast way through the text files of a session: most are written like the one before.
# ----------------------------------------------------------------------
# A file is taken the fast way only if it has a header without rows, as many footer lines, the same
# wavelengths, each in its row, and nothing but numbers in as many fields a row. Whatever is
# damaged, moved, added or missing breaks one of these, and the careful reader takes over.

_BLOCK = 1 << 27
_DIGIT = re.compile(rb"[0-9]")
_NUMBER_LETTERS = b"0123456789eE+-.,; \t\r"
_PARTED = bytes.maketrans(b",;", b"  ")


@dataclass(frozen=True)
class Layout:
    """How the file before was written.

    Attributes
    ----------
    axis
        Wavelengths in file order, shape ``(n_wavelengths,)``, nm.
    """

    codec: str
    newline: bytes
    n_header: int
    n_footer: int
    footer: bytes
    heading: tuple[int, bytes] | None
    first: bytes
    n_fields: int
    n_marks: int
    n_number_lines: int
    dialect: Dialect
    axis: NDArray[np.float64]

    @property
    def falls(self) -> bool:
        """Whether the file runs from long to short wavelengths."""
        return bool(self.axis[0] > self.axis[-1])

    def values(self, data: bytes) -> NDArray[np.float64] | None:
        """Return the values of a file that fits this layout, ``None`` for any other.

        Parameters
        ----------
        data
            The whole file.

        Returns
        -------
        numpy.ndarray or None
            Shape ``(n_wavelengths,)``, in file order.
        """
        plain = self._plain(data)
        if plain is None:
            return None
        body = self._body(plain)
        if body is None:
            return None
        if self.newline == b"\n" and b"\r" in body and body.count(b"\r") != body.count(b"\r\n"):
            return None  # a lone return ends a line too
        columns = _even_columns(body, self.newline, len(self.axis), self.n_fields)
        if columns is None:
            columns = _loose_columns(body, self.newline, len(self.axis), self.n_fields)
        if columns is None:
            return None
        if not np.array_equal(columns[self.dialect.wavelength], self.axis):
            return None
        values = columns[self.dialect.value]
        return np.array(values) if np.isfinite(values).all() else None

    def _plain(self, data: bytes) -> bytes | None:
        """Return the file as bytes of one code a character, without its byte order mark."""
        if self.codec.startswith("utf-16"):
            if self.codec == "utf-16" and not data.startswith(
                (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
            ):
                return None
            try:
                return data.decode(self.codec).encode("ascii", "replace")
            except UnicodeDecodeError:
                return None
        marked = data.startswith(codecs.BOM_UTF8)
        if marked != (self.codec == "utf-8-sig") or b"\0" in data:
            return None
        if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            return None
        return data[3:] if marked else data

    def _body(self, data: bytes) -> bytes | None:
        start = self._start(data)
        if start is None:
            return None
        stop = _footer_start(data, self.newline, self.n_footer)
        if stop < start:
            return None
        footer = data[stop:]
        if footer != self.footer and _DIGIT.search(footer):
            return None
        header = data[:start]
        if not _plain_text(header, self.codec) or not _plain_text(footer, self.codec):
            return None
        if self._row_above(data, start) or (
            _number_lines(header, self.newline) > self.n_number_lines
        ):
            return None
        return self._blanks(data[start:stop])

    def _start(self, data: bytes) -> int | None:
        """Return where the first row begins: after as many lines, or where its words are."""
        start = 0
        for line in range(self.n_header):
            end = data.find(self.newline, start)
            if end < 0:
                break
            if self._other_heading(line, data[start:end]):
                return None
            start = end + 1
        if data.startswith(self.first, start) or self.heading is not None:
            return start
        newline_at = data.find(self.newline + self.first)
        return newline_at + 1 if newline_at >= 0 else None

    def _row_above(self, data: bytes, start: int) -> bool:
        """Return whether the last header line could be a row of the scan."""
        if start == 0:
            return False
        above = data[data.rfind(self.newline, 0, start - 1) + 1 : start - 1]
        lines = classify([above.decode("latin-1")], self.dialect)
        return any(line.good or line.suspect for line in lines)

    def _other_heading(self, line: int, text: bytes) -> bool:
        if self.heading is None or self.heading[0] != line:
            return False
        return text.rstrip(b"\r") != self.heading[1]

    def _blanks(self, body: bytes) -> bytes | None:
        """Return the rows with decimal points, and blanks between the fields."""
        if self.dialect.decimal == "comma":
            if b"." in body:
                return None
            body = body.replace(b",", b".")
        mark = MARKS[self.dialect.delimiter].encode()
        if self.dialect.delimiter != "space" and body.count(mark) != self.n_marks:
            return None
        return body.replace(mark, b" ") if mark in b";," else body


def _plain_text(around: bytes, codec: str) -> bool:
    """Return whether the lines around the rows are text of this encoding, without controls."""
    if len(around) != len(around.translate(None, CONTROLS)):
        return False
    try:
        around.decode("ascii" if codec.startswith("utf-16") else codec)
    except UnicodeDecodeError:
        return False
    return True


def _number_lines(header: bytes, newline: bytes) -> int:
    """Return how many header lines may hold nothing but two numbers or more, in any dialect."""
    return sum(
        not line.translate(None, _NUMBER_LETTERS) and len(line.translate(_PARTED).split()) > 1
        for line in header.split(newline)
    )


def _footer_start(data: bytes, newline: bytes, n_footer: int) -> int:
    """Return where the last ``n_footer`` lines begin, with the line ending before them."""
    stop = len(data)
    for _ in range(n_footer):
        stop = data.rfind(newline, 0, stop)
        if stop < 0:
            break
    return stop


def _even_columns(
    body: bytes, newline: bytes, n_rows: int, n_fields: int
) -> list[NDArray[np.float64]] | None:
    """Return the columns of rows of numbers parted by one tab or one blank each.

    Three times as fast as :func:`_loose_columns`, which takes what this leaves (``None``): signs
    of plus, several blanks between two numbers, blanks at the start of a line.
    """
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    # As many line endings as rows less one, and no row lost: so no line is blank or cut in two.
    if body.count(newline) != n_rows - 1:
        return None
    end = body.find(newline)
    mark = "\t" if b"\t" in body[: end if end >= 0 else len(body)] else " "
    try:
        table = pa_csv.read_csv(pa.BufferReader(body), *_even_options(n_fields, mark))
    except (pa.ArrowException, ValueError, OSError):
        return None
    if table.num_rows != n_rows:
        return None
    return [column.to_numpy() for column in table.columns]


@cache
def _even_options(n_fields: int, mark: str) -> tuple[Any, Any, Any]:
    import pyarrow as pa
    import pyarrow.csv as pa_csv

    names = [str(i) for i in range(n_fields)]
    return (
        pa_csv.ReadOptions(use_threads=False, block_size=_BLOCK, column_names=names),
        pa_csv.ParseOptions(delimiter=mark, quote_char=False),
        pa_csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.float64()),
            null_values=[],
            strings_can_be_null=False,
        ),
    )


def _loose_columns(
    body: bytes, newline: bytes, n_rows: int, n_fields: int
) -> list[NDArray[np.float64]] | None:
    """Return the columns of rows of numbers parted by any white space, else ``None``."""
    numbers = _all_numbers(body)
    if numbers is None or numbers.size != n_rows * n_fields:
        return None
    if not _in_rows(body, newline, n_rows, n_fields):
        return None
    return list(numbers.reshape(n_rows, n_fields).T)


def _all_numbers(body: bytes) -> NDArray[np.float64] | None:
    """Return the numbers of a text of nothing but numbers and white space, else ``None``."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return np.fromstring(body, dtype=np.float64, sep=" ")
        except (DeprecationWarning, ValueError):
            return None


def _in_rows(body: bytes, newline: bytes, n_rows: int, n_fields: int) -> bool:
    """Return whether every line holds exactly ``n_fields`` words and there are no other lines."""
    codes = np.frombuffer(body, dtype=np.uint8)
    word = codes > ord(" ")
    starts = np.flatnonzero(word[1:] & ~word[:-1]) + 1
    if word[0]:
        starts = np.concatenate(([0], starts))
    ends = np.flatnonzero(codes == newline[0])
    if len(starts) != n_rows * n_fields or len(ends) != n_rows - 1:
        return False
    rows = starts.reshape(n_rows, n_fields)
    return bool(np.all(rows[:-1, -1] < ends) and np.all(ends < rows[1:, 0]))


def layout_of(
    data: bytes,
    codec: str,
    lines: Sequence[str],
    block: Sequence[Line],
    dialect: Dialect,
    axis: NDArray[np.float64],
    values: NDArray[np.float64],
) -> Layout | None:
    """Return the layout of a file just read, or ``None`` if it has to be read carefully.

    The layout is tried on the file itself first, and must give the same numbers.
    """
    n_fields = block[0].n_fields
    newline = _newline(data, codec)
    if newline is None or dialect.delimiter == dialect.decimal:
        return None
    n_header = block[0].row - 1
    n_footer = len(lines) - block[-1].row
    heading = None
    if dialect.heading_line is not None:
        heading = (dialect.heading_line, _encoded(lines[dialect.heading_line], codec))
    # With the wavelength first, a row is found by it when the header is longer or shorter.
    first = _encoded(block[0].text[: len(dialect.split(block[0].text)[0]) + 1], codec)
    n_marks = sum(line.text.count(MARKS[dialect.delimiter]) for line in block)
    numbers = _number_lines(b"\n".join(_encoded(t, codec) for t in lines[:n_header]), b"\n")
    layout = Layout(
        codec,
        newline,
        n_header,
        n_footer,
        b"",
        heading,
        first,
        n_fields,
        n_marks,
        numbers,
        dialect,
        axis,
    )
    plain = layout._plain(data)
    if plain is None:
        return None
    stop = _footer_start(plain, newline, n_footer)
    layout = replace(layout, footer=plain[stop:])
    again = layout.values(data)
    return layout if again is not None and np.array_equal(again, values) else None


def _newline(data: bytes, codec: str) -> bytes | None:
    """Return the byte that ends a line, ``None`` if lines end in several ways."""
    if codec.startswith("utf-16"):
        data = data.decode(codec).encode("ascii", "replace")
    n_returns, n_feeds = data.count(b"\r"), data.count(b"\n")
    if n_returns in {0, n_feeds} and data.count(b"\r\n") == n_returns:
        return b"\n"
    return b"\r" if n_feeds == 0 else None


def _encoded(text: str, codec: str) -> bytes:
    if codec.startswith("utf-16"):
        return text.encode("ascii", "replace")
    return text.encode("utf-8" if codec == "utf-8-sig" else codec)


# A text file of counts alone: one value a line, no wavelengths.
# ----------------------------------------------------------------------
# The rule. A line is a *row* if its value field is a number, *damaged* if it looks like one that
# was spoilt, else *text*. The counts are the longest run of rows and damaged lines. Damaged lines
# in it are errors; so are ten or more rows outside it, for nothing says which are meant, and any
# row below it. What stands above is header.

_MOST_OUTSIDE = 10

_Line = tuple[int, str, float | None]
"""Row from 1, text of the value field, number (``None`` if damaged)."""


def read_counts_alone(data: bytes, file: str, form: FileForm) -> RawScans:
    """Read a text file that holds the counts of one scan and nothing else in its rows.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        ``value_column`` is a number from 1.

    Returns
    -------
    RawScans
        One scan on pixel numbers from 0.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.
    """
    faults = Faults(file)
    name = form.value_column.strip()
    if not name.isdecimal() or not 1 <= int(name[:9]) <= 1000:
        faults.add(
            f"value_column {quoted(name)}",
            "a number from 1 (`wavelength_column: none`)",
            "State value_column: 1 for a file of one column.",
            column="value_column",
        )
        faults.stop()
    text, _ = decode(data, file, form.encoding)
    lines = split_lines(text.rstrip("\x1a"))
    if len(lines) > MAX_LINES or max(map(len, lines), default=0) > MAX_LINE:
        faults.add(
            f"{len(lines):,} lines, the longest of {max(map(len, lines)):,} characters",
            f"at most {MAX_LINES:,} lines of {MAX_LINE:,} characters",
            "Check that this is the file of one scan.",
        )
        faults.stop()
    column = int(name) - 1
    best = max(_dialects(form), key=lambda dialect: _n_rows(lines, dialect, column))
    runs = _runs(lines, best, column)
    counts = _main(runs, faults)
    faults.stop()
    values = np.array([value for _, _, value in counts], dtype=np.float64)
    note = f"counts from row {counts[0][0]} on, the first of {len(counts)} pixels"
    return RawScans(
        np.arange(len(values), dtype=np.float64), values[np.newaxis], ("",), notes=(note,)
    )


def _dialects(form: FileForm) -> list[Dialect]:
    """Return the dialects that the form allows; blanks first, which part a single column best."""
    delimiters = ["space", *(m for m in MARKS if m != "space")]
    if form.delimiter != "auto":
        delimiters = [form.delimiter]
    decimals = ["point", "comma"] if form.decimal == "auto" else [form.decimal]
    return [Dialect(delimiter, decimal) for delimiter in delimiters for decimal in decimals]


def _n_rows(lines: Sequence[str], dialect: Dialect, column: int) -> int:
    every = max(1, len(lines) // 600)
    return sum(_value(line, dialect, column)[1] is not None for line in lines[::every])


def _value(line: str, dialect: Dialect, column: int) -> tuple[str, float | None]:
    fields = dialect.split(line)
    word = fields[column] if column < len(fields) else ""
    return word, number(word, dialect.decimal)


def _runs(lines: Sequence[str], dialect: Dialect, column: int) -> list[list[_Line]]:
    """Return the runs of rows and damaged lines; blank lines do not count."""
    rows = [
        (row, *_value(line, dialect, column))
        for row, line in enumerate(lines, start=1)
        if line.strip()
    ]
    parts = groupby(rows, key=lambda line: line[2] is not None or mistyped(line[1]))
    return [list(part) for is_row, part in parts if is_row]


def _main(runs: Sequence[list[_Line]], faults: Faults) -> list[_Line]:
    """Return the longest run; what stands against it goes to the faults."""
    main = max(runs, key=len, default=[])
    if len(main) < MIN_WAVELENGTHS:
        faults.add(
            f"{len(main)} rows of counts",
            f"at least {MIN_WAVELENGTHS}",
            "Check that the file holds a scan, and the delimiter, decimal and columns of its form.",
        )
        return main
    for run in runs:
        below = run[0][0] > main[-1][0]
        if run is not main and (below or len(run) >= _MOST_OUTSIDE):
            faults.add(
                f"{len(run)} rows of numbers apart from the counts",
                "the counts of one scan without a break",
                "Export the scan again, or put each scan into a file of its own.",
                row=run[0][0],
            )
    for row, word, value in main:
        if value is None:
            faults.add(
                quoted(word),
                "a number",
                "Mend this row from the instrument's own file, or export the scan again.",
                row=row,
            )
    return main


# One scan per text file: any header, delimiter, decimal mark, encoding and line ending.
# ----------------------------------------------------------------------


def read_text(
    data: bytes, file: str, form: FileForm, layout: Layout | None = None
) -> tuple[RawScans, Layout | None]:
    """Read a text file that holds one scan.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        How the file is written; what it leaves open is found (see
        :mod:`leafledger.intake.text_block` and :mod:`leafledger.intake.text_block`).
    layout
        Layout of the file read before. Only if this file fits it in every respect, all
        wavelengths included, is it read the fast way; the numbers are the same either way.

    Returns
    -------
    scans
        One scan; a falling axis is reversed.
    layout
        For the next file of the session.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.

    Examples
    --------
    >>> rows = "".join(f"{400 + i};0,{i}\\r\\n" for i in range(10, 25))
    >>> scans, _ = read_text(b"Spectrum\\r\\n" + rows.encode(), "a.txt", FileForm())
    >>> scans.wavelength_nm[:3], scans.values[0, :3]
    (array([410., 411., 412.]), array([0.1 , 0.11, 0.12]))
    """
    if layout is not None:
        values = layout.values(data)
        if values is not None:
            axis = layout.axis
            if layout.falls:
                axis, values = axis[::-1], values[::-1]
            return RawScans(axis, values[np.newaxis], ("",)), layout
    return _read_carefully(data, file, form)


def _read_carefully(data: bytes, file: str, form: FileForm) -> tuple[RawScans, Layout | None]:
    text, codec = decode(data, file, form.encoding)
    text = text.rstrip("\x1a")
    lines = split_lines(text)
    _check_shape(lines, file)
    faults = Faults(file)
    dialect = find_dialect(lines, form, faults)
    faults.stop()
    assert dialect is not None  # find_dialect has said why it is None
    block = find_block(classify(lines, dialect), faults)
    if block is None:
        raise InputFault(_no_data(form, dialect, faults))
    _check_commas(block, dialect, form, file)
    good = [line for line in block.lines if line.good]
    raw = np.array([line.wavelength for line in good], dtype=np.float64)
    values = np.array([line.value for line in good], dtype=np.float64)
    on_pixels = form.pixel_coefficients is not None
    falls = check_axis(raw, faults, lambda i: (good[i].row, None), pixels=on_pixels)
    faults.stop()
    note = None if on_pixels else unit_note(_heading(lines, block.lines[0].row, dialect), raw)
    block.notes += [note] if note else []
    layout = None
    if not block.notes:
        layout = layout_of(data, codec, lines, block.lines, dialect, raw, values)
    if falls:
        raw, values = raw[::-1].copy(), values[::-1].copy()
    return RawScans(raw, values[np.newaxis], ("",), notes=tuple(block.notes)), layout


def _heading(lines: Sequence[str], first_row: int, dialect: Dialect) -> str:
    """Return the heading of the wavelengths in the last line above the rows; parted by blanks, all.

    A line of no more fields than one stands for its only column.
    """
    above = [line for line in lines[: first_row - 1] if line.strip()]
    fields = dialect.split(above[-1]) if above else []
    if dialect.delimiter == "space" or dialect.wavelength >= len(fields):
        return above[-1] if above else ""
    return fields[dialect.wavelength]


def _check_shape(lines: Sequence[str], file: str) -> None:
    faults = Faults(file)
    if len(lines) > MAX_LINES:
        faults.add(
            f"{len(lines):,} lines",
            f"at most {MAX_LINES:,}",
            "Check that this is the file of one scan.",
        )
    long = next((i for i, line in enumerate(lines) if len(line) > MAX_LINE), None)
    if long is not None:
        faults.add(
            f"a line of {len(lines[long]):,} characters",
            f"at most {MAX_LINE:,}",
            "Check that this is the file of one scan; a table of many scans has the form "
            "wide_table.",
            row=long + 1,
        )
    faults.stop()


def _no_data(form: FileForm, dialect: Dialect, faults: Faults) -> list[Problem]:
    stated = [
        f"`{key}: {value}`"
        for key, value in (("delimiter", form.delimiter), ("decimal", form.decimal))
        if value != "auto"
    ]
    faults.add(
        "no row of numbers" + (f" under {' and '.join(stated)}" if stated else ""),
        f"rows with a wavelength in column {dialect.wavelength + 1} "
        f"and a value in column {dialect.value + 1}",
        "Check that the file holds a scan, and the delimiter, decimal and columns of its form.",
    )
    return faults.all()


def _check_commas(block: Block, dialect: Dialect, form: FileForm, file: str) -> None:
    rows = [line.text.strip() for line in block.lines]
    if ambiguous(dialect, rows, form):
        raise InputFault(
            Problem(
                file,
                f'"{rows[0][:60]}"',
                "commas that are either delimiters or decimal marks",
                "State `decimal: point` if every comma parts two columns; otherwise export the "
                "scan with another delimiter.",
                row=block.lines[0].row,
            )
        )

"""The fast way through the text files of a session: most are written like the one before.

A file is taken the fast way only if it has a header without rows, as many footer lines,
the same wavelengths, each in its row, and nothing but numbers in as many fields a row. Whatever is
damaged, moved, added or missing breaks one of these, and the careful reader takes over.
"""

from __future__ import annotations

import codecs
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.intake.encoding import CONTROLS
from leafledger.intake.text_block import Line, classify
from leafledger.intake.text_dialect import MARKS, Dialect

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
        found = data.find(self.newline + self.first)
        return found + 1 if found >= 0 else None

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

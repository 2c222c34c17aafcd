"""How many values a Parquet file says a column holds, read from its footer alone.

The library's own way to these numbers ends the whole process on some damaged files, and reading
the column would spend the memory that the question is to save.

References
----------
Apache Parquet format, parquet.thrift (FileMetaData, RowGroup, ColumnChunk, ColumnMetaData);
Apache Thrift, compact protocol specification. Field numbers from memory, checked by the tests
against files of the reference library.
"""

from __future__ import annotations

import struct
from typing import Any

_DEEPEST = 20
_ROW_GROUPS = 4
_COLUMNS = 1
_META_DATA = 3
_PATH = 3
_NUM_VALUES = 5


class FooterError(ValueError):
    """A footer that is not written in the compact protocol."""


def n_values(data: bytes, column: str) -> int:
    """Return the number of values of a column (of a list column: of its elements).

    Parameters
    ----------
    data
        A whole file with a footer length that fits it.
    column
        Name of a column at the top of the schema.

    Raises
    ------
    FooterError
        If the footer cannot be read.

    Examples
    --------
    >>> n_values(b"PAR1\\x00\\x01\\x00\\x00\\x00PAR1", "counts")
    0
    """
    size = int.from_bytes(data[-8:-4], "little")
    footer = _Compact(data[-8 - size : -8]).struct()
    total = 0
    try:
        for group in footer.get(_ROW_GROUPS, []):
            for chunk in group.get(_COLUMNS, []):
                told = chunk.get(_META_DATA, {})
                if told.get(_PATH, [b""])[0] == column.encode("utf-8"):
                    total += told[_NUM_VALUES]
        return int(total)
    except (AttributeError, KeyError, IndexError, TypeError):
        raise FooterError("no row groups of columns") from None


class _Compact:
    """A reader of the compact protocol: structs become dictionaries by field number."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def byte(self) -> int:
        if self.at >= len(self.data):
            raise FooterError("ends too early")
        self.at += 1
        return self.data[self.at - 1]

    def unsigned(self) -> int:
        value = shift = 0
        while shift < 70:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7
        raise FooterError("a number too long")

    def signed(self) -> int:
        value = self.unsigned()
        return (value >> 1) ^ -(value & 1)

    def text(self, size: int) -> bytes:
        if size > len(self.data) - self.at:
            raise FooterError("ends too early")
        self.at += size
        return self.data[self.at - size : self.at]

    def struct(self, depth: int = 0) -> dict[int, Any]:
        if depth > _DEEPEST:
            raise FooterError("nested too deep")
        fields: dict[int, Any] = {}
        number = 0
        while head := self.byte():
            step, kind = head >> 4, head & 0x0F
            number = number + step if step else self.signed()
            fields[number] = kind == 1 if kind in {1, 2} else self.value(kind, depth)
        return fields

    def value(self, kind: int, depth: int) -> Any:
        if kind in {4, 5, 6}:
            return self.signed()
        if kind in {1, 2, 3}:
            return self.byte()
        if kind == 7:
            return struct.unpack("<d", self.text(8))[0]
        if kind == 8:
            return self.text(self.unsigned())
        if kind in {9, 10}:
            return self.items(depth + 1)
        if kind == 12:
            return self.struct(depth + 1)
        raise FooterError(f"a field of kind {kind}")

    def items(self, depth: int) -> list[Any]:
        head = self.byte()
        size = head >> 4 if head >> 4 < 15 else self.unsigned()
        # Every element takes a byte at least, so a size beyond the rest is a lie.
        if size > len(self.data) - self.at or depth > _DEEPEST:
            raise FooterError("a list too long or too deep")
        return [self.value(head & 0x0F, depth) for _ in range(size)]

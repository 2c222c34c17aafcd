"""From bytes to text: byte order marks, UTF-16, Latin-1, and files that are no text at all."""

from __future__ import annotations

import codecs

from leafledger.errors import InputFault, Problem

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

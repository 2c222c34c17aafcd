"""What counts as a number in a raw file."""

from __future__ import annotations

import math
import re
from typing import Final

_PATTERN: Final = {
    "point": re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"),
    "comma": re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?"),
}
_LONGEST = 64
_FOREIGN = re.compile(r"[^0-9.,eE+-]")
_DATE_LIKE = re.compile(r"[0-9]+[-/.:][0-9]+[-/.:][0-9]+|[0-9]+:[0-9]+")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity|1\.#(?:nan|inf|ind)\w*)", re.IGNORECASE)


def number(field: str, decimal: str) -> float | None:
    """Return the finite number that a field holds, or ``None``.

    Digits, one decimal mark (``decimal``: ``point`` or ``comma``) and an exponent such as
    ``E+03``; no thousands marks, underscores, NaN or infinity.

    Examples
    --------
    >>> number("1.2E+03", "point"), number("1,5", "comma"), number("-.5", "point")
    (1200.0, 1.5, -0.5)
    >>> [number(f, "point") for f in ("12a4", "NaN", "1_000", "1,5", "", "1e999")]
    [None, None, None, None, None, None]
    """
    if len(field) > _LONGEST or _PATTERN[decimal].fullmatch(field) is None:
        return None
    value = float(field.replace(",", ".") if decimal == "comma" else field)
    return value if math.isfinite(value) else None


def mistyped(field: str) -> bool:
    """Return whether a field looks like a number that was damaged, not like a word or a date.

    It begins with a digit (or sign, or mark and digit) and holds at most two characters that no
    number has, or it is a name of something not finite.

    Examples
    --------
    >>> [mistyped(f) for f in ("12a4", "NaN", "4x0.5", "12:30:05", "2026-05-04", "Mean", "")]
    [True, True, True, False, False, False, False]
    """
    if _NOT_FINITE.fullmatch(field):
        return True
    if not field or not field.lstrip("+-.,")[:1].isdigit() or len(field) > _LONGEST:
        return False
    return _DATE_LIKE.search(field) is None and len(_FOREIGN.findall(field)) <= 2

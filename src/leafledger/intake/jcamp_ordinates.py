"""Ordinates of JCAMP-DX: AFFN, PAC, SQZ, DIF and DIFDUP.

References
----------
McDonald R. S., Wilks P. A. (1988) JCAMP-DX: a standard form for exchange of infrared spectra in
computer readable form. Appl. Spectrosc. 42, 151-162 (JCAMP-DX 4.24), Tables VI and VII.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

_NUMBER = r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-][0-9]+)?"
_ABSCISSA = re.compile(rf"\s*([+-]?{_NUMBER})")
_TOKEN = re.compile(
    rf"(?P<affn>[+-]?{_NUMBER})"
    r"|(?P<sqz>[@A-Ia-i][0-9]*(?:\.[0-9]*)?)"
    r"|(?P<dif>[%J-Rj-r][0-9]*(?:\.[0-9]*)?)"
    r"|(?P<dup>[S-Zs][0-9]*)"
    r"|(?P<missing>\?)"
    r"|(?P<separator>[\s,;]+)"
)
_DIGITS = {
    **{c: str(i) for i, c in enumerate("@ABCDEFGHI")},
    **{c: f"-{i}" for i, c in enumerate("abcdefghi", start=1)},
    **{c: str(i) for i, c in enumerate("%JKLMNOPQR")},
    **{c: f"-{i}" for i, c in enumerate("jklmnopqr", start=1)},
    **{c: str(i) for i, c in enumerate("STUVWXYZs", start=1)},
}
_LONGEST = 40


class OrdinatesError(ValueError):
    """A line that breaks the rules of the standard; the text says how."""


@dataclass(frozen=True)
class Row:
    """Ordinates of one line, and whether it ends in difference form."""

    values: list[float]
    differences: bool


def split_abscissa(line: str) -> tuple[str, str]:
    """Return the abscissa at the start of a line and the ordinates after it.

    Examples
    --------
    >>> split_abscissa("400A000J2"), split_abscissa("4.0E+02 1 2")
    (('400', 'A000J2'), ('4.0E+02', ' 1 2'))
    """
    found = _ABSCISSA.match(line)
    if found is None or len(found.group(1)) > _LONGEST:
        raise OrdinatesError("no abscissa at its start")
    return found.group(1), line[found.end() :]


def ordinates(text: str, limit: int) -> Row:
    """Decode the ordinates of one line (without its abscissa).

    Parameters
    ----------
    text
        Ordinates in any of the forms, also mixed.
    limit
        Ordinates that there may still be; a repeat count beyond it is refused before anything
        is repeated.

    Raises
    ------
    OrdinatesError
        If a character belongs to no form, a value is missing (``?``), or there are too many.

    Examples
    --------
    >>> ordinates("1JT%jX", 99).values
    [1.0, 2.0, 3.0, 3.0, 2.0, 1.0, 0.0, -1.0, -2.0, -3.0]
    """
    values: list[float] = []
    step: float | None = None
    at, repeated = 0, False
    while at < len(text):
        found = _TOKEN.match(text, at)
        if found is None or (found.end() - at > _LONGEST and found.lastgroup != "separator"):
            raise OrdinatesError(f'"{text[at : at + 12]}", which belongs to no form of ordinates')
        kind, token = found.lastgroup, found.group()
        at = found.end()
        if kind == "missing":
            raise OrdinatesError("a missing ordinate (?)")
        if kind == "dup":
            if not values or repeated:
                raise OrdinatesError(f'a repeat count "{token}" with nothing to repeat')
            _repeat(values, step, int(_DIGITS[token[0]] + token[1:]), limit)
            repeated = True
        elif kind != "separator":
            step = _append(values, kind, token)
            repeated = False
        if len(values) > limit:
            raise OrdinatesError("more ordinates than NPOINTS says")
    return Row(values, step is not None)


def _append(values: list[float], kind: str | None, token: str) -> float | None:
    """Append one ordinate; return the difference if it was given as one."""
    if kind == "affn":
        values.append(float(token))
        if not math.isfinite(values[-1]):
            raise OrdinatesError(f'a number too large, "{token}"')
        return None
    value = float(_DIGITS[token[0]] + token[1:])
    if kind == "sqz":
        values.append(value)
        return None
    if not values:
        raise OrdinatesError(f'a difference "{token}" with no ordinate before it')
    values.append(values[-1] + value)
    return value


def _repeat(values: list[float], step: float | None, count: int, limit: int) -> None:
    if count < 1 or len(values) + count - 1 > limit:
        raise OrdinatesError(f"a repeat count of {count}, beyond what NPOINTS says")
    for _ in range(count - 1):
        values.append(values[-1] + (step or 0.0))

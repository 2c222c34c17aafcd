"""How words are set on the page: a true minus, no break within a number, no hidden characters."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Any

MINUS = "\N{MINUS SIGN}"
NO_BREAK = "\N{NO-BREAK SPACE}"


def plain(text: Any) -> str:
    """Return text without control or invisible formatting characters.

    Examples
    --------
    >>> plain("red" + chr(27) + "[31m")
    'red�[31m'
    """
    told = str(text)
    if told.isprintable():  # nearly all are, and there are very many
        return told
    return "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in told)


_NEGATIVE = re.compile(r"(?<![\w.,@)\]%/-])-(?=\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w-]|\.\w))")


def true_minus(text: str, names: Collection[str] = ()) -> str:
    """Return text with the minus sign before negative numbers; ids and names stay as they are.

    Parameters
    ----------
    text
        A sentence.
    names
        Names of the study that may hold something like a negative number.

    Examples
    --------
    >>> true_minus("the change day8-day0 is -0.12 (95 %: -0.2 to 0.0), -5 to 550-750 nm")
    'the change day8-day0 is −0.12 (95 %: −0.2 to 0.0), −5 to 550-750 nm'
    >>> true_minus("frost -5 against water: -5.0", ["frost -5"])
    'frost -5 against water: −5.0'
    """
    held = sorted((n for n in names if _NEGATIVE.search(n)), key=lambda n: (-len(n), n))
    if not held:
        return _NEGATIVE.sub(MINUS, text)
    parts = re.split("(" + "|".join(re.escape(name) for name in held) + ")", text)
    return "".join(part if i % 2 else _NEGATIVE.sub(MINUS, part) for i, part in enumerate(parts))


_BOUND = re.compile(
    r"(?<=\S) (?=[=<>≤≥±] [−+-]?\d)|(?<=[=<>≤≥±]) (?=[−+-]?\d)|(?<=\d) (?=(?:%|nm|ms)(?!\w)|× 10)"
)


def unbroken(text: str) -> str:
    """Return text with no-break spaces where a line must not end: in ``p < 0.001`` and ``95 %``.

    Examples
    --------
    >>> unbroken("n = 24 plants, 95 % interval; p < 0.001 at 550 nm").split(" ")[:2]
    ['n\\xa0=\\xa024', 'plants,']
    >>> unbroken("day 4 = first").count(NO_BREAK), unbroken("at 550 nm").count(NO_BREAK)
    (0, 1)
    """
    return _BOUND.sub(NO_BREAK, text)


def short(text: str, limit: int = 28) -> str:
    """Cut a label so that it fits a figure; the tables show it whole."""
    clean = plain(text)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"

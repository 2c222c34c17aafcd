"""Formula text cut into words, numbers and signs, each with its place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

DIGITS = frozenset("0123456789")
LETTERS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ_")
SIGNS = frozenset("+-*/^(),")
BLANKS = frozenset(" \t\r\n")
_LOOKALIKES = {
    **dict.fromkeys("\N{MINUS SIGN}\N{EN DASH}\N{EM DASH}\N{HYPHEN}", "-"),
    **dict.fromkeys("\N{MULTIPLICATION SIGN}\N{MIDDLE DOT}\N{DOT OPERATOR}", "*"),
    **dict.fromkeys("\N{DIVISION SIGN}:\N{FRACTION SLASH}", "/"),
    **dict.fromkeys("\N{SUPERSCRIPT TWO}", "^2"),
    **dict.fromkeys("[{", "("),
    **dict.fromkeys("]}", ")"),
    ";": ",",
}


class FormulaError(Exception):
    """A formula that cannot be read, and where.

    Parameters
    ----------
    place
        Position of the offending character, counted from 0.
    expected
        What should stand there.
    mend
        What to do about it.
    """

    def __init__(self, place: int, expected: str, mend: str) -> None:
        super().__init__(f"character {place + 1}: expected {expected}. {mend}")
        self.place = place
        self.expected = expected
        self.mend = mend


@dataclass(frozen=True)
class Token:
    """A piece of a formula.

    Attributes
    ----------
    kind
        ``number``, ``word``, ``sign`` or ``end``.
    text
        As typed; empty at the end.
    place
        Position of its first character, counted from 0.
    value
        The number, if it is one.
    """

    kind: str
    text: str
    place: int
    value: float = 0.0


def tokens(text: str) -> Iterator[Token]:
    """Yield the pieces of a formula, the last one of kind ``end``.

    Raises
    ------
    FormulaError
        At a character that no formula has, or a number that cannot be read.
    """
    at = 0
    while at < len(text):
        first = text[at]
        if first in BLANKS:
            at += 1
            continue
        if first in SIGNS:
            token = Token("sign", first, at)
        elif first in DIGITS or first == ".":
            token = _number(text, at)
        elif first in LETTERS:
            token = Token("word", text[at : _past(text, at, LETTERS | DIGITS)], at)
        else:
            raise FormulaError(at, "a number, a name or one of + - * / ^ ( ) ,", _unknown(first))
        at += len(token.text)
        yield token
    yield Token("end", "", len(text))


def _past(text: str, at: int, allowed: frozenset[str]) -> int:
    while at < len(text) and text[at] in allowed:
        at += 1
    return at


def _number(text: str, at: int) -> Token:
    stop = _past(text, at, DIGITS)
    digits = stop - at
    if stop < len(text) and text[stop] == ".":
        after = _past(text, stop + 1, DIGITS)
        digits += after - stop - 1
        stop = after
    if not digits:
        raise FormulaError(at, "a digit beside the decimal point", "Write 0.5 or .5.")
    if stop < len(text) and text[stop] in "eE":
        sign = stop + 1 + (text[stop + 1 : stop + 2] in {"+", "-"})
        after = _past(text, sign, DIGITS)
        if after == sign:
            raise FormulaError(stop, "digits after the e of a number", "Write 1e-3, or leave it.")
        stop = after
    if stop < len(text) and text[stop] in LETTERS | {"."}:
        raise FormulaError(stop, "an operator after a number", "Write * for a product.")
    value = float(text[at:stop])
    if value > _LARGEST:
        raise FormulaError(at, f"a number up to {_LARGEST:g}", "Write a smaller number.")
    return Token("number", text[at:stop], at, value)


_LARGEST = 1e12


def _unknown(character: str) -> str:
    if character in _LOOKALIKES:
        return f"Write {_LOOKALIKES[character]} instead."
    return "Take the character out."

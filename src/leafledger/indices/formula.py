"""Our formula language: what may be written, and how text becomes a tree.

::

    sum      = product { ("+" | "-") product }
    product  = signed { ("*" | "/") signed }
    signed   = "-" signed | power
    power    = value [ "^" signed ]              right-hand side free of bands
    value    = number | "R" "(" nm [ "," nm ] ")" | name "(" sum { "," sum } ")" | "(" sum ")"

``R(705)`` is the reflectance (a fraction) at 705 nm, ``R(750, 800)`` its mean from 750 to 800 nm,
both ends included. Functions: ``sqrt``, ``ln``, ``log10``, ``abs``, ``min``, ``max``. ``-2^2`` is
-4 and ``2^3^2`` is 2^9, as on paper. Nothing else can be said: the text is read by this module
alone and never reaches an interpreter.
"""

from __future__ import annotations

import math

from leafledger.errors import nearest
from leafledger.indices.tokens import FormulaError, Token, tokens
from leafledger.indices.tree import (
    FUNCTIONS,
    Call,
    Negative,
    Node,
    Number,
    Power,
    Product,
    Read,
    Sum,
    bands_of,
    children,
)
from leafledger.spectra.bands import Band

MOST_CHARACTERS = 500
MOST_DEPTH = 50
MOST_BANDS = 32
LARGEST_EXPONENT = 16.0
SHORTEST_NM = 100.0
LONGEST_NM = 10_000.0


def parse(text: str) -> Node:
    """Read a formula.

    Parameters
    ----------
    text
        The formula, at most 500 characters.

    Returns
    -------
    Node
        The tree, at most 50 levels of parentheses, functions and signs deep, with 1 to 32 bands.

    Raises
    ------
    FormulaError
        If the text is no formula; it holds the place, what was expected and how to mend it.

    Examples
    --------
    >>> from leafledger.indices.tree import written
    >>> written(parse("(R(750)-R(705))/(R(750)+R(705))"))
    '(R(750) - R(705)) / (R(750) + R(705))'
    """
    if len(text) > MOST_CHARACTERS:
        raise FormulaError(
            MOST_CHARACTERS, f"at most {MOST_CHARACTERS} characters", "Write a shorter formula."
        )
    reader = _Reader(list(tokens(text)))
    node = reader.sum()
    if reader.here.kind != "end":
        raise FormulaError(reader.here.place, "an operator or the end", _after_value(reader.here))
    bands = bands_of(node)
    if not bands:
        raise FormulaError(0, "at least one reflectance", "Name a wavelength, such as R(705).")
    if len(bands) > MOST_BANDS:
        raise FormulaError(0, f"at most {MOST_BANDS} bands", "Use ranges, such as R(750, 800).")
    return node


class _Reader:
    """Recursive descent over the tokens; ``depth`` bounds the recursion."""

    def __init__(self, found: list[Token]) -> None:
        self.found = found
        self.at = 0
        self.depth = 0

    @property
    def here(self) -> Token:
        return self.found[self.at]

    def take(self, *signs: str) -> Token | None:
        """Step over the next token and return it, if it is one of these signs."""
        token = self.here
        if token.kind != "sign" or token.text not in signs:
            return None
        self.at += 1
        return token

    def need(self, sign: str, mend: str) -> None:
        if self.take(sign) is None:
            raise FormulaError(self.here.place, f'"{sign}"', mend)

    def deeper(self) -> None:
        self.depth += 1
        if self.depth > MOST_DEPTH:
            raise FormulaError(
                self.here.place, f"at most {MOST_DEPTH} levels", "Write a simpler formula."
            )

    def sum(self) -> Node:
        parts = [("+", self.product())]
        while sign := self.take("+", "-"):
            parts.append((sign.text, self.product()))
        return Sum(tuple(parts)) if len(parts) > 1 else parts[0][1]

    def product(self) -> Node:
        parts = [("*", self.signed())]
        while sign := self.take("*", "/"):
            parts.append((sign.text, self.signed()))
        return Product(tuple(parts)) if len(parts) > 1 else parts[0][1]

    def signed(self) -> Node:
        if not self.take("-"):
            return self.power()
        self.deeper()
        node = Negative(self.signed())
        self.depth -= 1
        return node

    def power(self) -> Node:
        base = self.value()
        if not self.take("^"):
            return base
        place = self.here.place
        self.deeper()
        exponent = _constant(self.signed())
        self.depth -= 1
        if exponent is None or abs(exponent) > LARGEST_EXPONENT:
            raise FormulaError(
                place,
                f"an exponent without bands from -{LARGEST_EXPONENT:g} to {LARGEST_EXPONENT:g}",
                "Write a plain number, such as ^2.",
            )
        return Power(base, exponent)

    def value(self) -> Node:
        token = self.here
        if token.kind == "number":
            self.at += 1
            return Number(token.value)
        if token.kind == "word":
            self.at += 1
            return self.band() if token.text == "R" else self.call(token)
        if not self.take("("):
            raise FormulaError(
                token.place, 'a number, R(wavelength), a function or "("', _no_value(token)
            )
        self.deeper()
        node = self.sum()
        self.depth -= 1
        self.need(")", "Close the parenthesis.")
        return node

    def band(self) -> Node:
        self.need("(", "Write the wavelength in parentheses, such as R(705).")
        place = self.here.place
        start = stop = self.wavelength()
        if self.take(","):
            stop = self.wavelength()
            if not start < stop:
                raise FormulaError(
                    place,
                    "a range from a shorter to a longer wavelength",
                    "Write R(start, stop); decimals take a point.",
                )
        self.need(")", "Write R(wavelength) or R(start, stop).")
        return Read(Band(start, stop))

    def wavelength(self) -> float:
        token = self.here
        if token.kind != "number" or not SHORTEST_NM <= token.value <= LONGEST_NM:
            raise FormulaError(
                token.place,
                f"a wavelength in nm from {SHORTEST_NM:g} to {LONGEST_NM:g}",
                "Write nanometres as a plain number; decimals take a point.",
            )
        self.at += 1
        return token.value

    def call(self, name: Token) -> Node:
        if name.text not in FUNCTIONS:
            raise FormulaError(name.place, "R or a function", _unknown_word(name.text))
        least, most = FUNCTIONS[name.text]
        self.need("(", f"Write {name.text}(...).")
        self.deeper()
        values = [self.sum()]
        while self.take(","):
            values.append(self.sum())
        self.depth -= 1
        self.need(")", "Close the parenthesis.")
        if not least <= len(values) <= most:
            many = f"{least}" if least == most else f"{least} to {most}"
            raise FormulaError(
                name.place, f"{many} value(s) in {name.text}(...)", "Separate values by commas."
            )
        return Call(name.text, tuple(values))


def _constant(node: Node) -> float | None:
    """Return the value of a tree without bands or functions, ``None`` if it has none."""
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Negative):
        inner = _constant(node.inner)
        return None if inner is None else -inner
    values = [_constant(child) for child in children(node)]
    known = [value for value in values if value is not None]
    if not known or len(known) < len(values):
        return None
    try:
        total = _folded(node, known)
    except (ZeroDivisionError, OverflowError):
        return None
    return total if isinstance(total, float) and math.isfinite(total) else None


def _folded(node: Node, values: list[float]) -> float | complex | None:
    if isinstance(node, Sum):
        signs = [sign for sign, _ in node.parts]
        return sum(v if s == "+" else -v for s, v in zip(signs, values, strict=True))
    if isinstance(node, Product):
        total = 1.0
        for (sign, _), value in zip(node.parts, values, strict=True):
            total = total * value if sign == "*" else total / value
        return total
    return float(values[0]) ** node.exponent if isinstance(node, Power) else None


def _unknown_word(word: str) -> str:
    if word[0] in "Rr" and word[1:].isdigit():
        return f"Write R({word[1:]})."
    if word == "r":
        return "Write R with a capital letter."
    if word == "log":
        return "Write log10 for the decimal or ln for the natural logarithm."
    return nearest(word[:40], ["R", *FUNCTIONS])


def _after_value(token: Token) -> str:
    if token.text == ")":
        return "Take the parenthesis out, or open one before it."
    if token.text == ",":
        return "Write decimals with a point."
    return "Write * for a product."


def _no_value(token: Token) -> str:
    if token.kind == "end":
        return "Finish the formula."
    return "Powers are written ^." if token.text == "*" else "Take the character out."

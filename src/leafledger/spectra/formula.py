"""What is the value of an index formula, and how fast does it change with each band?

The formula language, from text to gradient. In the order of this module: text is cut into tokens,
tokens become a tree, a tree is written back as text, a tree is evaluated for many scans at once
together with its partial derivatives (forward-mode differentiation: exact, and a few array
operations each).

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

import functools
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import nearest
from leafledger.spectra.grid import Band

# Formula text cut into words, numbers and signs, each with its place.
# ----------------------------------------------------------------------

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
    position = 0
    while position < len(text):
        first = text[position]
        if first in BLANKS:
            position += 1
            continue
        if first in SIGNS:
            token = Token("sign", first, position)
        elif first in DIGITS or first == ".":
            token = _number_token(text, position)
        elif first in LETTERS:
            token = Token(
                "word", text[position : _end_of_run(text, position, LETTERS | DIGITS)], position
            )
        else:
            raise FormulaError(
                position, "a number, a name or one of + - * / ^ ( ) ,", _unknown(first)
            )
        position += len(token.text)
        yield token
    yield Token("end", "", len(text))


def _end_of_run(text: str, position: int, allowed: frozenset[str]) -> int:
    while position < len(text) and text[position] in allowed:
        position += 1
    return position


def _number_token(text: str, start: int) -> Token:
    stop = _end_of_run(text, start, DIGITS)
    digits = stop - start
    if stop < len(text) and text[stop] == ".":
        after = _end_of_run(text, stop + 1, DIGITS)
        digits += after - stop - 1
        stop = after
    if not digits:
        raise FormulaError(start, "a digit beside the decimal point", "Write 0.5 or .5.")
    if stop < len(text) and text[stop] in "eE":
        sign = stop + 1 + (text[stop + 1 : stop + 2] in {"+", "-"})
        after = _end_of_run(text, sign, DIGITS)
        if after == sign:
            raise FormulaError(stop, "digits after the e of a number", "Write 1e-3, or leave it.")
        stop = after
    if stop < len(text) and text[stop] in LETTERS | {"."}:
        raise FormulaError(stop, "an operator after a number", "Write * for a product.")
    value = float(text[start:stop])
    if value > _LARGEST:
        raise FormulaError(start, f"a number up to {_LARGEST:g}", "Write a smaller number.")
    return Token("number", text[start:stop], start, value)


_LARGEST = 1e12


def _unknown(character: str) -> str:
    if character in _LOOKALIKES:
        return f"Write {_LOOKALIKES[character]} instead."
    return "Take the character out."


# The parts a formula is made of, and how a formula is written back as text.
# ----------------------------------------------------------------------

FUNCTIONS: dict[str, tuple[int, int]] = {
    "sqrt": (1, 1),
    "ln": (1, 1),
    "log10": (1, 1),
    "abs": (1, 1),
    "min": (2, 8),
    "max": (2, 8),
}
"""Name -> least and greatest number of values it takes."""


@dataclass(frozen=True)
class Number:
    """A number as typed."""

    value: float


@dataclass(frozen=True)
class Read:
    """Reflectance in a band: ``R(705)`` or ``R(750, 800)``."""

    band: Band


@dataclass(frozen=True)
class Negative:
    """``-x``."""

    inner: Node


@dataclass(frozen=True)
class Sum:
    """``a + b - c``: parts with ``+`` or ``-`` in front (the first always ``+``)."""

    parts: tuple[tuple[str, Node], ...]


@dataclass(frozen=True)
class Product:
    """``a * b / c``: parts with ``*`` or ``/`` in front (the first always ``*``)."""

    parts: tuple[tuple[str, Node], ...]


@dataclass(frozen=True)
class Power:
    """``base ^ exponent``, the exponent a plain number."""

    base: Node
    exponent: float


@dataclass(frozen=True)
class Call:
    """A function of one or more values."""

    name: str
    values: tuple[Node, ...]


Node = Number | Read | Negative | Sum | Product | Power | Call


def children(node: Node) -> tuple[Node, ...]:
    """Return the nodes right below ``node``, in reading order."""
    if isinstance(node, Negative):
        return (node.inner,)
    if isinstance(node, Sum | Product):
        return tuple(part for _, part in node.parts)
    if isinstance(node, Power):
        return (node.base,)
    return node.values if isinstance(node, Call) else ()


def walk(node: Node) -> Iterator[Node]:
    """Yield ``node`` and all below it, in reading order."""
    waiting = [node]
    while waiting:
        here = waiting.pop()
        yield here
        waiting.extend(reversed(children(here)))


def bands_of(node: Node) -> list[Band]:
    """Return the bands a formula reads, each once, by rising wavelength."""
    return sorted({here.band for here in walk(node) if isinstance(here, Read)})


def widened(node: Node, width_nm: float) -> Node:
    """Return the formula with every single wavelength read as a mean over ``width_nm``."""
    if isinstance(node, Read):
        return Read(node.band.widened(width_nm))
    if isinstance(node, Negative):
        return Negative(widened(node.inner, width_nm))
    if isinstance(node, Sum | Product):
        return type(node)(tuple((sign, widened(part, width_nm)) for sign, part in node.parts))
    if isinstance(node, Power):
        return Power(widened(node.base, width_nm), node.exponent)
    if isinstance(node, Call):
        return Call(node.name, tuple(widened(value, width_nm) for value in node.values))
    return node


def written(node: Node) -> str:
    """Return the formula as text that reads back as the same tree.

    Examples
    --------
    >>> written(Product((("*", Number(2.0)), ("/", Read(Band(705, 705))))))
    '2 / R(705)'
    """
    return _node_text(node, 0)


def _node_text(node: Node, outer: int) -> str:
    """Return the text, in parentheses where it binds less strongly than ``outer``."""
    if isinstance(node, Number):
        return _number_text(node.value)
    if isinstance(node, Read):
        band = node.band
        ends = [band.start_nm] if band.is_single else [band.start_nm, band.stop_nm]
        return f"R({', '.join(map(_number_text, ends))})"
    if isinstance(node, Call):
        return f"{node.name}({', '.join(_node_text(value, 0) for value in node.values)})"
    if isinstance(node, Sum):
        text, binds = _joined(node.parts, 2), 1
    elif isinstance(node, Product):
        text, binds = _joined(node.parts, 3), 2
    elif isinstance(node, Negative):
        text, binds = f"-{_node_text(node.inner, 3)}", 3
    else:
        exponent = (
            f"-{_number_text(-node.exponent)}" if node.exponent < 0 else _number_text(node.exponent)
        )
        text, binds = f"{_node_text(node.base, 5)}^{exponent}", 4
    return f"({text})" if binds < outer else text


def _joined(parts: tuple[tuple[str, Node], ...], strength: int) -> str:
    text = _node_text(parts[0][1], strength)
    for sign, part in parts[1:]:
        text += f" {sign} {_node_text(part, strength)}"
    return text


def _number_text(value: float) -> str:
    text = repr(float(value))
    return text.removesuffix(".0")


def tree_as_json(node: Node) -> list[Any]:
    """Return a formula as plain JSON values, from which :func:`tree_from_json` makes it again.

    Each node is a list: its kind, then what it holds.

    Examples
    --------
    >>> tree_as_json(Product((("*", Number(2.0)), ("/", Read(Band(705, 705))))))
    ['product', ['*', ['number', 2.0]], ['/', ['read', 705, 705]]]
    """
    if isinstance(node, Number):
        return ["number", node.value]
    if isinstance(node, Read):
        return ["read", node.band.start_nm, node.band.stop_nm]
    if isinstance(node, Negative):
        return ["negative", tree_as_json(node.inner)]
    if isinstance(node, Power):
        return ["power", tree_as_json(node.base), node.exponent]
    if isinstance(node, Call):
        return ["call", node.name, *map(tree_as_json, node.values)]
    kind = "sum" if isinstance(node, Sum) else "product"
    return [kind, *([sign, tree_as_json(part)] for sign, part in node.parts)]


def tree_from_json(value: list[Any]) -> Node:
    """Return the formula that :func:`tree_as_json` wrote.

    Raises
    ------
    ValueError
        If ``value`` is of no kind that it writes.
    """
    kind, *held = value
    if kind == "number":
        return Number(*held)
    if kind == "read":
        return Read(Band(*held))
    if kind == "negative":
        return Negative(tree_from_json(held[0]))
    if kind == "power":
        return Power(tree_from_json(held[0]), held[1])
    if kind == "call":
        return Call(held[0], tuple(map(tree_from_json, held[1:])))
    if kind in {"sum", "product"}:
        parts = tuple((sign, tree_from_json(part)) for sign, part in held)
        return Sum(parts) if kind == "sum" else Product(parts)
    raise ValueError(f"{kind!r} is no part of a formula")


# Our formula language: what may be written, and how text becomes a tree.
# ----------------------------------------------------------------------

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
    >>> from leafledger.spectra.formula import written
    >>> written(parse("(R(750)-R(705))/(R(750)+R(705))"))
    '(R(750) - R(705)) / (R(750) + R(705))'
    """
    if len(text) > MOST_CHARACTERS:
        raise FormulaError(
            MOST_CHARACTERS, f"at most {MOST_CHARACTERS} characters", "Write a shorter formula."
        )
    reader = _Reader(list(tokens(text)))
    node = reader.sum()
    if reader.next_token.kind != "end":
        raise FormulaError(
            reader.next_token.place, "an operator or the end", _after_value(reader.next_token)
        )
    bands = bands_of(node)
    if not bands:
        raise FormulaError(0, "at least one reflectance", "Name a wavelength, such as R(705).")
    if len(bands) > MOST_BANDS:
        raise FormulaError(0, f"at most {MOST_BANDS} bands", "Use ranges, such as R(750, 800).")
    return node


class _Reader:
    """Recursive descent over the tokens; ``depth`` bounds the recursion."""

    def __init__(self, token_list: list[Token]) -> None:
        self.token_list = token_list
        self.position = 0
        self.depth = 0

    @property
    def next_token(self) -> Token:
        return self.token_list[self.position]

    def take(self, *signs: str) -> Token | None:
        """Step over the next token and return it, if it is one of these signs."""
        token = self.next_token
        if token.kind != "sign" or token.text not in signs:
            return None
        self.position += 1
        return token

    def need(self, sign: str, mend: str) -> None:
        if self.take(sign) is None:
            raise FormulaError(self.next_token.place, f'"{sign}"', mend)

    def deeper(self) -> None:
        self.depth += 1
        if self.depth > MOST_DEPTH:
            raise FormulaError(
                self.next_token.place, f"at most {MOST_DEPTH} levels", "Write a simpler formula."
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
        position = self.next_token.place
        self.deeper()
        exponent = _constant(self.signed())
        self.depth -= 1
        if exponent is None or abs(exponent) > LARGEST_EXPONENT:
            raise FormulaError(
                position,
                f"an exponent without bands from -{LARGEST_EXPONENT:g} to {LARGEST_EXPONENT:g}",
                "Write a plain number, such as ^2.",
            )
        return Power(base, exponent)

    def value(self) -> Node:
        token = self.next_token
        if token.kind == "number":
            self.position += 1
            return Number(token.value)
        if token.kind == "word":
            self.position += 1
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
        position = self.next_token.place
        start = stop = self.wavelength()
        if self.take(","):
            stop = self.wavelength()
            if not start < stop:
                raise FormulaError(
                    position,
                    "a range from a shorter to a longer wavelength",
                    "Write R(start, stop); decimals take a point.",
                )
        self.need(")", "Write R(wavelength) or R(start, stop).")
        return Read(Band(start, stop))

    def wavelength(self) -> float:
        token = self.next_token
        if token.kind != "number" or not SHORTEST_NM <= token.value <= LONGEST_NM:
            raise FormulaError(
                token.place,
                f"a wavelength in nm from {SHORTEST_NM:g} to {LONGEST_NM:g}",
                "Write nanometres as a plain number; decimals take a point.",
            )
        self.position += 1
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
    child_values = [value for value in values if value is not None]
    if not child_values or len(child_values) < len(values):
        return None
    try:
        total = _folded_value(node, child_values)
    except (ZeroDivisionError, OverflowError):
        return None
    return total if isinstance(total, float) and math.isfinite(total) else None


def _folded_value(node: Node, values: list[float]) -> float | complex | None:
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


# The value of a formula for many scans at once, and how fast it changes with each band.
# ----------------------------------------------------------------------
# Values and slopes are carried together from the bands up through the tree (forward-mode
# differentiation), so the slopes are exact and cost a few array operations each.

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rated:
    """A value and its partial derivatives.

    Attributes
    ----------
    value
        Shape ``(n_scans,)``; NaN where it is not defined.
    slopes
        Band -> derivative with respect to the reflectance in that band, shape ``(n_scans,)``. A
        band that is missing has slope 0.
    """

    value: Array
    slopes: Mapping[Band, Array]


def evaluate(node: Node, reflectance: Mapping[Band, Array]) -> Rated:
    """Return the value of a formula and its derivatives.

    Parameters
    ----------
    node
        The formula.
    reflectance
        Band -> reflectance as a fraction, shape ``(n_scans,)``, for all bands of the formula.

    Returns
    -------
    Rated
        The value is NaN where any step of the formula has no finite value: division by zero, the
        root or logarithm of a negative number, a fractional power of one, overflow. A slope is
        NaN where it is not finite (a root at 0), and so is then the uncertainty.

    Notes
    -----
    At a kink (``abs`` at 0, a tie in ``min`` or ``max``) the slope of the first value, or 0 for
    ``abs``, is taken.
    """
    n_scans = len(next(iter(reflectance.values())))
    with np.errstate(all="ignore"):
        rated = _slopes_of(node, reflectance)
        slopes = {
            band: np.broadcast_to(_defined(slope), (n_scans,))
            for band, slope in rated.slopes.items()
        }
    return Rated(np.broadcast_to(rated.value, (n_scans,)), slopes)


def _slopes_of(node: Node, reflectance: Mapping[Band, Array]) -> Rated:
    if isinstance(node, Number):
        return Rated(np.array(node.value), {})
    if isinstance(node, Read):
        values = reflectance[node.band]
        return Rated(_defined(values), {node.band: np.ones_like(values)})
    if isinstance(node, Negative):
        inner = _slopes_of(node.inner, reflectance)
        return Rated(-inner.value, _scaled(inner.slopes, np.array(-1.0)))
    if isinstance(node, Power):
        return _power(_slopes_of(node.base, reflectance), node.exponent)
    if isinstance(node, Call):
        values_of = [_slopes_of(value, reflectance) for value in node.values]
        return _CALLS[node.name](values_of)
    steps = [(sign, _slopes_of(part, reflectance)) for sign, part in node.parts]
    joined = steps[0][1]
    for sign, part in steps[1:]:
        joined = _STEPS[sign](joined, part)
    return joined


def _defined(values: Array) -> Array:
    """Return the values with NaN for whatever is not finite, so that it cannot vanish later."""
    return np.where(np.isfinite(values), values, np.nan)


def _scaled(slopes: Mapping[Band, Array], factor: Array) -> dict[Band, Array]:
    return {band: slope * factor for band, slope in slopes.items()}


def _combined(first: Rated, by: Array, second: Rated, other: Array) -> dict[Band, Array]:
    """Return ``by * d(first) + other * d(second)``."""
    total = _scaled(first.slopes, by)
    for band, slope in second.slopes.items():
        step = slope * other
        total[band] = total[band] + step if band in total else step
    return total


_ONE = np.array(1.0)


def _plus(a: Rated, b: Rated) -> Rated:
    return Rated(_defined(a.value + b.value), _combined(a, _ONE, b, _ONE))


def _minus(a: Rated, b: Rated) -> Rated:
    return Rated(_defined(a.value - b.value), _combined(a, _ONE, b, -_ONE))


def _times(a: Rated, b: Rated) -> Rated:
    return Rated(_defined(a.value * b.value), _combined(a, b.value, b, a.value))


def _over(a: Rated, b: Rated) -> Rated:
    value = _defined(a.value / b.value)
    return Rated(value, _combined(a, 1 / b.value, b, -value / b.value))


def _power(base: Rated, exponent: float) -> Rated:
    # NumPy has nan ** 0 = 1; an undefined base stays undefined here.
    undefined = np.isnan(base.value)
    value = _defined(np.where(undefined, np.nan, np.power(base.value, exponent)))
    slope = exponent * np.power(base.value, exponent - 1) if exponent else np.zeros(())
    return Rated(value, _scaled(base.slopes, slope))


def _sqrt(values: list[Rated]) -> Rated:
    root = _defined(np.sqrt(values[0].value))
    return Rated(root, _scaled(values[0].slopes, 0.5 / root))


def _ln(values: list[Rated]) -> Rated:
    inner = values[0]
    return Rated(_defined(np.log(inner.value)), _scaled(inner.slopes, 1 / inner.value))


def _log10(values: list[Rated]) -> Rated:
    inner = values[0]
    slope = 1 / (inner.value * np.log(10.0))
    return Rated(_defined(np.log10(inner.value)), _scaled(inner.slopes, slope))


def _abs(values: list[Rated]) -> Rated:
    inner = values[0]
    return Rated(np.abs(inner.value), _scaled(inner.slopes, np.sign(inner.value)))


def _extreme(is_better: Callable[[Array, Array], NDArray[np.bool_]], values: list[Rated]) -> Rated:
    best = values[0]
    for other in values[1:]:
        take = is_better(other.value, best.value)
        undefined = np.isnan(other.value) | np.isnan(best.value)
        value = np.where(undefined, np.nan, np.where(take, other.value, best.value))
        best = Rated(
            value, _combined(best, np.where(take, 0.0, 1.0), other, np.where(take, 1.0, 0))
        )
    return best


_STEPS: dict[str, Callable[[Rated, Rated], Rated]] = {
    "+": _plus,
    "-": _minus,
    "*": _times,
    "/": _over,
}
_CALLS: dict[str, Callable[[list[Rated]], Rated]] = {
    "sqrt": _sqrt,
    "ln": _ln,
    "log10": _log10,
    "abs": _abs,
    "min": functools.partial(_extreme, np.less),
    "max": functools.partial(_extreme, np.greater),
}

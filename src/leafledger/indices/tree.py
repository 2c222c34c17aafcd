"""The parts a formula is made of, and how a formula is written back as text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from leafledger.spectra.bands import Band

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
    return _written(node, 0)


def _written(node: Node, outer: int) -> str:
    """Return the text, in parentheses where it binds less strongly than ``outer``."""
    if isinstance(node, Number):
        return _number(node.value)
    if isinstance(node, Read):
        ends = (node.band.start_nm, node.band.stop_nm)
        return (
            f"R({', '.join(_number(end) for end in (ends[:1] if node.band.is_single else ends))})"
        )
    if isinstance(node, Call):
        return f"{node.name}({', '.join(_written(value, 0) for value in node.values)})"
    if isinstance(node, Sum):
        text, binds = _joined(node.parts, 2), 1
    elif isinstance(node, Product):
        text, binds = _joined(node.parts, 3), 2
    elif isinstance(node, Negative):
        text, binds = f"-{_written(node.inner, 3)}", 3
    else:
        exponent = f"-{_number(-node.exponent)}" if node.exponent < 0 else _number(node.exponent)
        text, binds = f"{_written(node.base, 5)}^{exponent}", 4
    return f"({text})" if binds < outer else text


def _joined(parts: tuple[tuple[str, Node], ...], strength: int) -> str:
    text = _written(parts[0][1], strength)
    for sign, part in parts[1:]:
        text += f" {sign} {_written(part, strength)}"
    return text


def _number(value: float) -> str:
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

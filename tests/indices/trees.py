"""Random formulas, and what they are worth by plain Python arithmetic."""

import math

from hypothesis import strategies as st

from leafledger.spectra.formula import Call, Negative, Node, Number, Power, Product, Read, Sum
from leafledger.spectra.grid import Band

BANDS = [Band(550, 550), Band(670, 670), Band(708.75, 708.75), Band(750, 800)]
NUMBERS = st.sampled_from([0.0, 0.5, 1.0, 2.0, 3.25, 0.001, 120.0, 1e-7])
EXPONENTS = st.sampled_from([-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0, 3.0])


def _joined(kind, first, signs):
    def build(inner):
        rest = st.lists(st.tuples(st.sampled_from(signs), inner), min_size=1, max_size=3)
        return st.tuples(inner, rest).map(lambda p: kind(((first, p[0]), *p[1])))

    return build


def _larger(inner):
    two = st.lists(inner, min_size=2, max_size=3).map(tuple)
    return st.one_of(
        _joined(Sum, "+", "+-")(inner),
        _joined(Product, "*", "*/")(inner),
        inner.map(Negative),
        st.builds(Power, inner, EXPONENTS),
        st.builds(Call, st.sampled_from(["sqrt", "ln", "log10", "abs"]), inner.map(lambda n: (n,))),
        st.builds(Call, st.sampled_from(["min", "max"]), two),
    )


reads = st.sampled_from(BANDS).map(Read)
nodes = st.recursive(st.one_of(reads, NUMBERS.map(Number)), _larger, max_leaves=12)


def plain(node: Node, at: dict[Band, float]) -> float:
    """Return the value by Python's own arithmetic; NaN where any step has none."""
    try:
        found = _plain(node, at)
    except (ZeroDivisionError, ValueError, OverflowError):
        return math.nan
    return found


def _plain(node, at):
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Read):
        return at[node.band]
    if isinstance(node, Negative):
        return -_plain(node.inner, at)
    if isinstance(node, Power):
        found = _plain(node.base, at) ** node.exponent
        if isinstance(found, complex):
            raise ValueError("no real value")
    elif isinstance(node, Call):
        values = [_plain(value, at) for value in node.values]
        functions = {"sqrt": math.sqrt, "ln": math.log, "log10": math.log10, "abs": abs}
        if node.name in functions:
            found = functions[node.name](values[0])
        else:
            found = (min if node.name == "min" else max)(values)
    else:
        found = _plain(node.parts[0][1], at)
        for sign, part in node.parts[1:]:
            other = _plain(part, at)
            found = {
                "+": lambda a, b: a + b,
                "-": lambda a, b: a - b,
                "*": lambda a, b: a * b,
                "/": lambda a, b: a / b,
            }[sign](found, other)
    if not math.isfinite(found):
        raise OverflowError
    return found

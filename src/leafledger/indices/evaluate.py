"""The value of a formula for many scans at once, and how fast it changes with each band.

Values and slopes are carried together from the bands up through the tree (forward-mode
differentiation), so the slopes are exact and cost a few array operations each.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.indices.tree import Call, Negative, Node, Number, Power, Read
from leafledger.spectra.bands import Band

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
        rated = _rated(node, reflectance)
        slopes = {
            band: np.broadcast_to(_defined(slope), (n_scans,))
            for band, slope in rated.slopes.items()
        }
    return Rated(np.broadcast_to(rated.value, (n_scans,)), slopes)


def _rated(node: Node, reflectance: Mapping[Band, Array]) -> Rated:
    if isinstance(node, Number):
        return Rated(np.array(node.value), {})
    if isinstance(node, Read):
        values = reflectance[node.band]
        return Rated(_defined(values), {node.band: np.ones_like(values)})
    if isinstance(node, Negative):
        inner = _rated(node.inner, reflectance)
        return Rated(-inner.value, _scaled(inner.slopes, np.array(-1.0)))
    if isinstance(node, Power):
        return _power(_rated(node.base, reflectance), node.exponent)
    if isinstance(node, Call):
        values_of = [_rated(value, reflectance) for value in node.values]
        return _CALLS[node.name](values_of)
    steps = [(sign, _rated(part, reflectance)) for sign, part in node.parts]
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

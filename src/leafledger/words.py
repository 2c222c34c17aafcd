"""How do numbers, counts and lists stand in a sentence?"""

from __future__ import annotations

import math

_PLURALS = frozenset(
    f"{word}s" for word in ("plant", "pot", "plot", "tray", "tree", "seedling", "unit", "shoot")
) | {"leaves", "boxes"}  # fmt: skip
"""Words that a person gives in the plural already."""


def plural(word: str) -> str:
    """Return the plural of the word for the experimental unit.

    Examples
    --------
    >>> plural("plant"), plural("leaf"), plural("box"), plural("tray"), plural("patch")
    ('plants', 'leaves', 'boxes', 'trays', 'patches')
    >>> plural("plants"), plural("half leaf"), plural("pot of plants"), plural("bus")
    ('plants', 'half leaves', 'pots of plants', 'buses')
    """
    head, preposition, rest = word.partition(" of ")
    if preposition:
        return f"{plural(head)}{preposition}{rest}"
    if word.endswith("leaf"):
        return f"{word[:-1]}ves"
    if word.lower().rpartition(" ")[2] in _PLURALS:
        return word
    if word.endswith(("s", "x", "z", "ch", "sh")):
        return f"{word}es"
    if word.endswith("y") and word[-2:-1] not in set("aeiou"):
        return f"{word[:-1]}ies"
    return f"{word}s"


def counted(n: int, word: str) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> counted(1, "plant"), counted(12, "plant")
    ('1 plant', '12 plants')
    """
    noun = word or "unit"
    return f"{n} {noun if n == 1 else plural(noun)}"


def listed(names: list[str]) -> str:
    """Return names as a list in words.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b", "c"])
    ('a', 'a, b and c')
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def minutes_text(minutes: float) -> str:
    """Return a span of time as a person says it: minutes, hours from two on, days from two on.

    Examples
    --------
    >>> minutes_text(45), minutes_text(119.6), minutes_text(150), minutes_text(1440)
    ('45 min', '120 min', '2.5 h', '24 h')
    >>> minutes_text(11.25 * 1440), minutes_text(0.25)
    ('11.2 days', '0.25 min')
    """
    if minutes < 120:
        return f"{minutes:.3g} min"
    return f"{minutes / 60:.3g} h" if minutes < 2880 else f"{minutes / 1440:.3g} days"


def p_text(p: float, alpha: float = 0.05) -> str:
    """Return p as it is written everywhere: three digits, ``< 0.0001`` below that.

    More digits stand where rounding would put it on the other side of alpha.

    Examples
    --------
    >>> p_text(0.03125), p_text(2.021e-8), p_text(0.04999), p_text(1.0), p_text(0.2)
    ('0.0312', '< 0.0001', '0.04999', '1', '0.2')
    """
    if p < 1e-4:
        return "< 0.0001"
    for digits in range(3, 17):
        text = f"{p:.{digits}g}"
        if (float(text) < alpha) == (p < alpha):
            return text
    return repr(p)


def decimals(low: float, high: float, estimate: float) -> int:
    """Return how many decimals show two digits of the half width of an interval.

    More where a bound would read as zero: an interval that just misses zero must not seem to
    hold it.

    Examples
    --------
    >>> decimals(0.1, 0.2, 0.15), decimals(0.031, 41.8, 20.9)
    (3, 2)
    """
    half = (high - low) / 2.0
    size = half if math.isfinite(half) and half > 0 else abs(estimate)
    if not math.isfinite(size) or size == 0:
        return 3
    places = min(12, max(0, 1 - math.floor(math.log10(size))))
    bounds = [bound for bound in (low, high) if math.isfinite(bound) and bound != 0]
    while places < 12 and any(round(bound, places) == 0 for bound in bounds):
        places += 1
    return places


def number(value: float, places: int) -> str:
    """Return a number with fixed decimals, without a minus sign before a plain zero.

    Examples
    --------
    >>> number(0.1364, 3), number(-0.0001, 2)
    ('0.136', '0.00')
    """
    text = f"{value:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def quantity(value: float, places: int, unit: str) -> str:
    """Return a number with its unit; the unit of a plain number (``1``) is not written.

    Examples
    --------
    >>> quantity(0.1364, 3, "1"), quantity(2.5, 1, "nm")
    ('0.136', '2.5 nm')
    """
    return number(value, places) + ("" if unit in {"", "1"} else f" {unit}")


def shown_p(p: float, alpha: float = 0.05) -> str:
    """Return p with three digits; more where rounding would put it on the other side of alpha.

    Examples
    --------
    >>> shown_p(0.03125, 0.05), shown_p(0.0000123, 0.05), shown_p(0.04999, 0.05)
    ('= 0.0312', '< 0.0001', '= 0.04999')
    """
    text = p_text(p, alpha)
    return text if text.startswith("<") else f"= {text}"

"""Counts and lists as they stand in a sentence."""

from __future__ import annotations


def plural(word: str) -> str:
    """Return the plural of the word for the experimental unit.

    Examples
    --------
    >>> plural("plant"), plural("leaf"), plural("box"), plural("tray"), plural("patch")
    ('plants', 'leaves', 'boxes', 'trays', 'patches')
    """
    if word.endswith("leaf"):
        return f"{word[:-1]}ves"
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

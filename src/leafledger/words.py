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

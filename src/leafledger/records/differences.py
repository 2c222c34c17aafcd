"""Where two settings differ."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def differences(before: Any, after: Any, place: str = "") -> list[str]:
    """Return the key paths at which two settings differ.

    Examples
    --------
    >>> differences({"a": 1, "b": {"c": 2}}, {"a": 1, "b": {"c": 3}, "d": 4})
    ['b.c', 'd']
    """
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        return [
            found
            for key in sorted({*before, *after})
            for found in differences(
                before.get(key), after.get(key), f"{place}.{key}" if place else str(key)
            )
        ]
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [
            found
            for i, (one, other) in enumerate(zip(before, after, strict=True))
            for found in differences(one, other, f"{place}.{i}")
        ]
    same = type(before) is type(after) and before == after
    return [] if same else [place]

"""Records as flat parameters and metrics, the form a tracking store wants."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

_LONG = frozenset({"scans", "units", "treatments"})
_LONGEST_VALUE = 6000


def parameters(settings: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    """Return settings as ``section.key`` -> text; lists of scans and units are left out.

    Examples
    --------
    >>> parameters({"grid": {"step_nm": 1.0}, "scans": [1, 2], "use": ["NDVI", "WI"]})
    {'grid.step_nm': '1.0', 'use': 'NDVI, WI'}
    """
    return {name_of(k): v[:_LONGEST_VALUE] for k, v in _flat(settings, prefix)}


def _flat(value: Any, place: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            if key not in _LONG:
                yield from _flat(inner, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list) and all(not isinstance(item, Mapping | list) for item in value):
        yield place, ", ".join(_text(item) for item in value)
    elif isinstance(value, list):
        for i, item in enumerate(value):
            yield from _flat(item, f"{place}.{i}")
    else:
        yield place, _text(value)


def _text(value: Any) -> str:
    if value is None:
        return "none"
    return str(value).lower() if isinstance(value, bool) else str(value)


def name_of(text: str) -> str:
    """Return ``text`` with every character that the store refuses in a name turned into ``_``.

    Examples
    --------
    >>> name_of("(day8-day0)@chelate: p")
    '_day8-day0__chelate_ p'
    """
    return re.sub(r"[^A-Za-z0-9_./ -]", "_", text)[:250] or "_"

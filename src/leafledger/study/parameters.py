"""The settings of a record as flat parameters, under the names they have in ``study.yaml``."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

_LONGEST_VALUE = 6000
_OF_QUALITY = frozenset({"checks", "apply", "range", "severity"})
_PER_SCAN_OR_UNIT = frozenset({"scans", "units"})
_IDS = ("session", "index")
"""Keys by which the items of a list are named."""


def parameters(record: Mapping[str, Any]) -> dict[str, str]:
    """Return the settings of a record as text, under the names they have in ``study.yaml``.

    What is said of each scan and each unit is left out: the record itself holds it.

    Examples
    --------
    >>> parameters({"rule": "reflectance", "session": "day0",
    ...             "settings": {"reflectance": {"grid": {"step_nm": 1.0}, "smoothing": None}}})
    {'reflectance.grid.step_nm': '1.0', 'reflectance.smoothing': 'none'}
    >>> parameters({"rule": "acceptance", "session": None,
    ...             "settings": {"apply": "faults", "scans": [{"scan": "a"}]}})
    {'quality.apply': 'faults'}
    >>> parameters({"rule": "catalogue", "session": None, "settings": {"indices": {"formulas": [
    ...     {"index": "RE_contrast", "unit": "1"}]}}})
    {'indices.formulas': 'RE_contrast', 'indices.formulas.RE_contrast.unit': '1'}
    """
    return {name_of(k): v[:_LONGEST_VALUE] for k, v in _flat(_as_in_the_study(record), "")}


def _as_in_the_study(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings of a record in the places that they have in ``study.yaml``."""
    settings = {k: v for k, v in record["settings"].items() if k not in _PER_SCAN_OR_UNIT}
    if record["rule"] == "intake":
        return {"intake": {"forms": {record["session"]: settings["form"]}}}
    placed: dict[str, Any] = {k: v for k, v in settings.items() if k not in _OF_QUALITY}
    if len(placed) < len(settings):
        placed["quality"] = {k: v for k, v in settings.items() if k in _OF_QUALITY}
    if "design" in placed:
        placed["design"] = {k: v for k, v in placed["design"].items() if k != "treatments"}
    return placed


def _flat(value: Any, place: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{place}.{key}" if place else str(key))
    elif isinstance(value, list) and all(not isinstance(item, Mapping | list) for item in value):
        yield place, ", ".join(_text(item) for item in value)
    elif isinstance(value, list):
        by = _id_key(value)
        if by is not None:
            yield place, ", ".join(item[by] for item in value)
        for number, item in enumerate(value):
            name = number if by is None else item[by]
            rest = item if by is None else {k: v for k, v in item.items() if k != by}
            yield from _flat(rest, f"{place}.{name}")
    else:
        yield place, _text(value)


def _id_key(items: list[Any]) -> str | None:
    """Return the key by which the items of a list are told apart, if they have one."""
    for key in _IDS:
        ids = [item.get(key) if isinstance(item, Mapping) else None for item in items]
        if all(isinstance(one, str) for one in ids) and len(set(ids)) == len(ids):
            return key
    return None


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

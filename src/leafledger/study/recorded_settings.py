"""Which settings does a record hold, under their names in ``study.yaml``?"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from leafledger.study.definition import Classes, Definition, Form

# As flat text, name by name.
# ----------------------------------------------------------------------

_LONGEST_VALUE = 6000
_OF_QUALITY = frozenset({"checks", "apply", "range", "severity"})
_OF_THE_SHEETS = frozenset({"scans", "units", "field_notes", "omitted", "set_aside", "no_classes"})
"""What a record holds of the sheets, or of what they lack yet: no setting of ``study.yaml``."""
_IDS = ("session", "index")
"""Keys by which the items of a list are named."""


def parameters(record: Mapping[str, Any]) -> dict[str, str]:
    """Return the settings of a record as text, under the names they have in ``study.yaml``.

    What the sheets say of scans and units is left out: the record itself holds it.

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
    settings = {k: v for k, v in record["settings"].items() if k not in _OF_THE_SHEETS}
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


# Beside the defaults: what the task would have been given had the study said nothing.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Setting:
    """One setting under its name in ``study.yaml``; ``default`` is ``None`` if it has none."""

    name: str
    value: str
    default: str | None

    @property
    def changed(self) -> bool:
        """Whether the study says something else than the default."""
        return self.value != self.default


def settings_of_record(record: Mapping[str, Any]) -> list[Setting]:
    """Return the settings of a record, those that differ from the defaults first, design last.

    Examples
    --------
    >>> record = {"rule": "acceptance", "session": None,
    ...           "settings": {"apply": "none", "range": {"signal_to_noise": 200.0}}}
    >>> [(s.name, s.value, s.default) for s in settings_of_record(record)]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('quality.apply', 'none', 'faults'),
     ('quality.range.signal_to_noise', '200.0', '200.0')]
    """
    standard = parameters({**record, "settings": _defaults(record)})
    settings = [
        Setting(name, value, standard.get(name)) for name, value in parameters(record).items()
    ]
    return sorted(settings, key=lambda s: (not s.changed, s.name.startswith("design.")))


def _defaults(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return the default of every section that a record's settings hold."""
    default = _definition()
    sections: dict[str, Any] = {
        "form": Form().model_dump(mode="json"),
        "checks": default["quality"]["checks"],
        "apply": default["quality"]["apply"],
        "range": default["quality"]["range"],
        "severity": default["quality"]["severity"],
    }
    settings = record["settings"]
    if isinstance(settings.get("classes"), Mapping):
        named = Classes(target=str(settings["classes"].get("target", "treatment")))
        sections["classes"] = named.model_dump(mode="json") | {"target": None}
    found = {**default, **sections}
    return {name: found.get(name, {}) for name in settings if name in found or name == "session"}


@cache
def _definition() -> dict[str, Any]:
    dumped: dict[str, Any] = Definition(title="none").model_dump(mode="json")
    return {name: value for name, value in dumped.items() if name not in {"title", "classes"}}

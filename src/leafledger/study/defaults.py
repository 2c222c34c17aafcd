"""Which settings of a task are not what it would have been given had the study said nothing?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from leafledger.study.definition import Classes, Definition, Form
from leafledger.study.parameters import parameters


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


def settings_told(record: Mapping[str, Any]) -> list[Setting]:
    """Return the settings of a record, those that differ from the defaults first, design last.

    Examples
    --------
    >>> record = {"rule": "acceptance", "session": None,
    ...           "settings": {"apply": "none", "range": {"signal_to_noise": 200.0}}}
    >>> [(s.name, s.value, s.default) for s in settings_told(record)]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('quality.apply', 'none', 'faults'),
     ('quality.range.signal_to_noise', '200.0', '200.0')]
    """
    standard = parameters({**record, "settings": _defaults(record)})
    told = [Setting(name, value, standard.get(name)) for name, value in parameters(record).items()]
    return sorted(told, key=lambda s: (not s.changed, s.name.startswith("design.")))


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

"""Variants: the same study under other settings, each named in ``study.yaml``.

A variant says only what differs. Its settings are laid over those of the study key by key; what
comes out is checked like any study.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from leafledger.study.sections_of import sections_in

_DESIGN = "the design is what was done to the plants: it is the same under all settings"
_WORDS = "it says nothing of how results are computed"
REFUSED: Mapping[tuple[str, ...], str] = {
    ("version",): _WORDS,
    ("title",): _WORDS,
    ("question",): "another question is another study",
    ("design",): _DESIGN,
    ("report",): _WORDS,
    ("tracking",): _WORDS,
    ("variants",): "a variant has no variants of its own",
    ("intake", "sheet"): "other scans are another study",
    ("intake", "pattern"): "other scans are another study",
    ("effects", "primary"): "variants are compared by the one primary effect",
    ("effects", "alpha"): "verdicts at another level cannot be compared with the stated one",
    ("effects", "interval"): "intervals of another level cannot be compared with the stated one",
    ("classes", "target"): "accuracies for another target cannot be compared",
}
"""What a variant may not say, and why."""


def refused_keys(given: Any) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield the keys of a variant that it may not have, each with the reason.

    Examples
    --------
    >>> list(refused_keys({"title": "x", "quality": {"apply": "none"}}))
    [(('title',), 'it says nothing of how results are computed')]
    """
    for place, why in REFUSED.items():
        inside = given
        for key in place:
            inside = inside.get(key) if isinstance(inside, Mapping) else None
        if inside is not None:
            yield place, why


def laid_over(stated: Any, other: Any, forms: list[type[BaseModel]]) -> Any:
    """Return the settings ``other`` laid over those stated: mappings merge, all else replaces.

    Where a section has several forms (a trusted range found or stated), settings of one form
    replace those of another as a whole: keys of both would be no form at all.

    Parameters
    ----------
    stated, other
        Values as they were typed.
    forms
        The sections that may stand here.

    Examples
    --------
    >>> laid_over({"a": "1", "b": {"c": "2"}}, {"b": {"d": "3"}}, [])
    {'a': '1', 'b': {'c': '2', 'd': '3'}}
    """
    if not (isinstance(stated, Mapping) and isinstance(other, Mapping)):
        return other
    fields = [set(form.model_fields) for form in forms]
    if len(forms) > 1 and not any({*stated, *other} <= known for known in fields):
        return other
    merged = dict(stated)
    for key, value in other.items():
        merged[key] = laid_over(stated.get(key), value, _forms_at(forms, key))
    return merged


def _forms_at(forms: list[type[BaseModel]], key: str) -> list[type[BaseModel]]:
    """Return the sections that may stand under ``key``; a key of no section leads to the same."""
    named = [form.model_fields[key] for form in forms if key in form.model_fields]
    if not named:
        return forms
    return [section for field in named for section in sections_in(field.annotation)]


def differences_in_words(stated: Mapping[str, Any], other: Mapping[str, Any]) -> str:
    """Return what differs between the settings of two definitions, as one line.

    Parameters
    ----------
    stated, other
        Definitions as plain values.

    Examples
    --------
    >>> differences_in_words({"reflectance": {"smoothing": None}, "quality": {"apply": "faults"}},
    ...     {"reflectance": {"smoothing": {"window_nm": 15.0}}, "quality": {"apply": "none"}})
    'reflectance.smoothing: window_nm 15 (stated: none); quality.apply: none (stated: faults)'
    """
    return "; ".join(
        f"{place}: {_words(value)} (stated: {_words(before)})"
        for place, before, value in _differing(stated, other, "")
    )


def _differing(stated: Any, other: Any, place: str) -> Iterator[tuple[str, Any, Any]]:
    both = isinstance(stated, Mapping) and isinstance(other, Mapping)
    if both and (not place or set(stated) & set(other)):
        for key in [*stated, *(name for name in other if name not in stated)]:
            inner = f"{place}.{key}" if place else str(key)
            yield from _differing(stated.get(key), other.get(key), inner)
    elif stated != other:
        yield place, stated, other


def _words(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, Mapping):
        return " ".join(f"{key} {_words(inner)}" for key, inner in value.items()) or "none"
    if isinstance(value, list):
        return " and ".join(_words(item) for item in value) or "none"
    return str(value)

"""``study.yaml`` as a checked definition, with the row and the nearest valid word of each fault."""

from __future__ import annotations

import types
import typing
from collections import Counter
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.study.definition import Definition
from leafledger.study.yaml_text import YamlText, read_yaml

FILE = "study.yaml"

Place = tuple[str | int, ...]

_EXPECTED = {
    "missing": "this key",
    "string_pattern_mismatch": "a plain word of the allowed characters",
    "float_parsing": "a number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "bool_parsing": "true or false",
    "date_from_datetime_parsing": "a date such as 2026-05-04",
    "date_parsing": "a date such as 2026-05-04",
    "model_type": "a section with keys of its own",
    "dict_type": "a section with keys of its own",
    "list_type": "a list",
    "string_type": "a single value",
    "finite_number": "a finite number",
}


def read_definition(folder: Path) -> tuple[Definition, YamlText]:
    """Read and check ``study.yaml``.

    Returns
    -------
    definition, text
        The typed definition and the text with its lines, for messages about the same file.

    Raises
    ------
    InputFault
        With every problem of the file.
    """
    text = read_yaml(folder / FILE, FILE)
    try:
        return Definition.model_validate(text.value), text
    except ValidationError as error:
        raise InputFault(_problems(error, text)) from error


def _problems(error: ValidationError, text: YamlText) -> list[Problem]:
    """One problem per place; of a choice between several sections, only the one that was meant."""
    located = [(*_place(d["loc"], text), d) for d in error.errors(include_url=False)]
    meant = _meant(located)
    by_place: dict[Place, list[ErrorDetails]] = {}
    for place, choices, detail in located:
        if all(meant.get(where, choice) == choice for where, choice in choices):
            by_place.setdefault(place, []).append(detail)
    deeper = {place[:n] for place in by_place for n in range(len(place))}
    return [
        _problem(place, details, text)
        for place, details in by_place.items()
        if place not in deeper or any(d["type"] == "extra_forbidden" for d in details)
    ]


def _place(loc: Place, text: YamlText) -> tuple[Place, tuple[tuple[Place, str], ...]]:
    """Split ``loc`` into keys of the file and the choices pydantic names in between."""
    place: Place = ()
    choices: list[tuple[Place, str]] = []
    value: Any = text.value
    for position, part in enumerate(loc):
        last = position == len(loc) - 1
        if isinstance(value, dict) and (part in value or (last and str(part).islower())):
            place, value = (*place, part), value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            place, value = (*place, part), value[part]
        else:
            choices.append((place, str(part)))
    return place, tuple(choices)


def _meant(
    located: list[tuple[Place, tuple[tuple[Place, str], ...], ErrorDetails]],
) -> dict[Place, str]:
    """Return, for a section with several forms, the form with the fewest missing or odd keys."""
    misfits: dict[Place, Counter[str]] = {}
    for place, choices, detail in located:
        for where, choice in choices:
            if len(place) > len(where):
                odd = detail["type"] in {"missing", "extra_forbidden"}
                misfits.setdefault(where, Counter())[choice] += 1000 * odd + 1
    return {where: min(counts, key=lambda c: counts[c]) for where, counts in misfits.items()}


def _problem(place: Place, details: list[ErrorDetails], text: YamlText) -> Problem:
    detail = details[0]
    key = ".".join(str(part) for part in place)
    row = text.line(place)
    if all(d["type"] == "extra_forbidden" for d in details):
        valid = _valid_keys(place[:-1])
        return Problem(
            file=FILE,
            row=row,
            column=key,
            found=f"the unknown key {quoted(str(place[-1]))}",
            expected="a key of this section",
            mend=nearest(str(place[-1]), valid) if valid else "Remove it.",
        )
    if detail["type"] == "missing":
        return Problem(
            file=FILE,
            row=row,
            column=key,
            found="no such key",
            expected=f"{place[-1]} in this section",
            mend=f"Add `{place[-1]}: ...`.",
        )
    given = detail["input"]
    found = quoted(given) if isinstance(given, str) else f"a {_kind(given)}"
    words = _literals(details)
    return Problem(
        file=FILE,
        row=row,
        column=key,
        found=found,
        expected=" or ".join(dict.fromkeys(_expected(d) for d in details)),
        mend=nearest(given, words) if isinstance(given, str) and words else "Correct the value.",
    )


def _expected(detail: ErrorDetails) -> str:
    if detail["type"] == "literal_error":
        return str(detail["ctx"]["expected"]).replace("'", "")
    if detail["type"] in _EXPECTED:
        return _EXPECTED[detail["type"]]
    message = detail["msg"].removeprefix("Input should be ").removeprefix("Value should have ")
    return message[0].lower() + message[1:]


def _literals(details: list[ErrorDetails]) -> list[str]:
    words: list[str] = []
    for detail in details:
        if detail["type"] == "literal_error":
            text = str(detail["ctx"]["expected"]).replace(" or ", ", ")
            words += [word.strip().strip("'") for word in text.split(",")]
    return [w for w in words if w]


def _kind(value: Any) -> str:
    return {dict: "section", list: "list", type(None): "missing value"}.get(type(value), "value")


def _valid_keys(place: Place) -> list[str]:
    """Return the keys that the section at ``place`` may have."""
    models: list[type[BaseModel]] = [Definition]
    for part in place:
        if isinstance(part, int):
            continue
        models = [
            inner
            for model in models
            for inner in (
                _models(model.model_fields[part].annotation) if part in model.model_fields else []
            )
        ] or models
    return sorted({name for model in models for name in model.model_fields})


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if typing.get_origin(annotation) in (
        typing.Union,
        types.UnionType,
        list,
        dict,
        typing.Annotated,
    ):
        return [model for part in typing.get_args(annotation) for model in _models(part)]
    return []

"""``study.yaml`` as a checked definition, with the row and the nearest valid word of each fault."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from copy import deepcopy
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from leafledger.errors import MOST_PROBLEMS, InputFault, Problem, bounded, nearest, quoted
from leafledger.study.definition import TRACKING_PATTERN, TRACKING_WORDS, Definition
from leafledger.study.field_types import ID_PATTERN, ID_WORDS, LABEL_WORDS
from leafledger.study.measurement_sections import TABLE_PATTERN
from leafledger.study.sections_of import sections_in
from leafledger.study.variants import REFUSED
from leafledger.study.yaml_text import YamlText, read_yaml

FILE = "study.yaml"

_MOST_HOMES = 3
_MOST_PASSES = 10

Place = tuple[str | int, ...]

_EXPECTED = {
    "missing": "this key",
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
_LIMITS = {
    "greater_than": "a number above {gt:g}",
    "greater_than_equal": "a number not below {ge:g}",
    "less_than": "a number below {lt:g}",
    "less_than_equal": "a number not above {le:g}",
    "string_too_long": "at most {max_length} characters",
    "string_too_short": "at least {min_length} character",
    "too_long": "at most {max_length} items",
    "too_short": "at least {min_length} item",
}


@dataclass(frozen=True)
class ExaminedDefinition:
    """``study.yaml`` as far as it can be read.

    Attributes
    ----------
    definition
        The typed definition; a setting at fault has its default.
    text
        The text with its lines; its value is without the settings at fault.
    problems
        What is wrong.
    unknown
        Keys whose setting is not known, such as ``design.sessions``.
    """

    definition: Definition
    text: YamlText
    problems: tuple[Problem, ...]
    unknown: frozenset[str]


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
    examined = examine_definition(folder)
    if examined.problems:
        raise InputFault(examined.problems)
    return examined.definition, examined.text


def examine_definition(folder: Path) -> ExaminedDefinition:
    """Read ``study.yaml`` and leave out what is at fault, so that all else can be checked as well.

    An unknown key that is near to one valid key, which is not there, is read as that key.

    Raises
    ------
    InputFault
        If the file cannot be read at all.
    """
    return examine_text(read_yaml(folder / FILE, FILE))


def examine_text(text: YamlText) -> ExaminedDefinition:
    """Do the same for a text that has been read.

    Raises
    ------
    InputFault
        If nothing of it can be taken for a definition.
    """
    try:
        return ExaminedDefinition(Definition.model_validate(text.value), text, (), frozenset())
    except ValidationError as error:
        first = error
    problems = faults(first, text)
    work = YamlText(deepcopy(text.value), dict(text.lines))
    unknown: set[str] = set()
    renamed: list[Place] = []
    fault = first
    for _ in range(_MOST_PASSES):
        places = _fault_places(fault, work)
        for i, (place, is_extra) in enumerate(places.items()):
            _leave_out(work, place, is_extra, unknown, renamed if i < MOST_PROBLEMS else None)
        try:
            definition = Definition.model_validate(work.value)
        except ValidationError as error:
            fault = error
            inside = [
                p for p in _fault_places(error, work) if any(p[: len(r)] == r for r in renamed)
            ]
            if inside and len(problems) < MOST_PROBLEMS:
                keys = {".".join(map(str, place)) for place in inside}
                problems += [p for p in faults(error, work) if p.column in keys]
            continue
        return ExaminedDefinition(definition, work, tuple(bounded(problems)), frozenset(unknown))
    raise InputFault(bounded(problems)) from first


def _fault_places(error: ValidationError, text: YamlText) -> dict[Place, bool]:
    """Return the places at fault, and whether each is a key that its section does not know."""
    places: dict[Place, bool] = {}
    for detail in error.errors(include_url=False, include_context=False):
        place, _ = _place(detail["loc"], text)
        is_extra = detail["type"] == "extra_forbidden"
        places[place] = places.get(place, True) and is_extra
    deeper = {place[:n] for place in places for n in range(len(place))}
    return {place: is_extra for place, is_extra in places.items() if place not in deeper}


def _leave_out(
    text: YamlText, place: Place, is_extra: bool, unknown: set[str], renamed: list[Place] | None
) -> None:
    """Take a setting at fault out of the text, or give an unknown key the name that is meant.

    No name is looked up where ``renamed`` is ``None``.
    """
    section = text.value
    for key in place[:-1]:
        section = _inside(section, key)
    missing = isinstance(section, dict) and place and place[-1] not in section
    if missing and len(place) == 1:
        section[str(place[0])] = "?"  # the title
        return
    while place and (missing or not isinstance(section, dict)):
        # An item of a list cannot be left out by itself: the others would move.
        place, missing = place[:-1], False
        section = text.value
        for key in place[:-1]:
            section = _inside(section, key)
    if not place or place[-1] not in section:
        return
    key = str(place[-1])
    value = section.pop(key)
    if not is_extra:
        unknown.add(_dotted(place))
        return
    if renamed is None:
        return
    valid = _valid_keys(place[:-1])
    if _misplaced(key, valid):
        unknown |= {f"{home}.{key}".lstrip(".") for home in _homes()[key]}
        return
    meant = next(iter(get_close_matches(key, valid, n=1, cutoff=0.6)), None)
    if meant is None or meant in section:
        return
    section[meant] = value
    new = (*place[:-1], meant)
    renamed.append(new)
    moved = {p: line for p, line in text.lines.items() if p[: len(place)] == place}
    text.lines.update({(*new, *p[len(place) :]): line for p, line in moved.items()})


def _dotted(place: Place) -> str:
    """Return a place as a key, up to the first item of a list."""
    keys: list[str] = []
    for part in place:
        if isinstance(part, int):
            break
        keys.append(part)
    return ".".join(keys)


def with_rows(problems: Iterable[Problem], text: YamlText) -> list[Problem]:
    """Return the problems, those of ``study.yaml`` with the row of the key they name."""
    return [
        replace(problem, row=text.line(_keys(problem.column, text.value)))
        if problem.file == FILE and problem.column and problem.row is None
        else problem
        for problem in problems
    ]


def _keys(column: str, value: Any) -> Place:
    """Return ``column`` as keys; an item of a list may be named by one of its values."""
    place: Place = ()
    for part in column.split("."):
        key: str | int = part
        if isinstance(value, list):
            named = (
                i
                for i, item in enumerate(value)
                if isinstance(item, dict) and part in item.values()
            )
            key = int(part) if part.isdigit() else next(named, part)
        place = (*place, key)
        value = _inside(value, key)
    return place


def _inside(value: Any, key: str | int) -> Any:
    if isinstance(value, dict):
        return value.get(key)
    if isinstance(value, list) and isinstance(key, int) and key < len(value):
        return value[key]
    return None


def faults(error: ValidationError, text: YamlText) -> list[Problem]:
    """Return what is wrong with a definition, one problem per place.

    Of a choice between several sections, only the one that was meant is judged.
    """
    located = [(*_place(d["loc"], text), d) for d in error.errors(include_url=False)]
    meant = _meant(located)
    by_place: dict[Place, list[ErrorDetails]] = {}
    for place, choices, detail in located:
        if all(meant.get(where, choice) == choice for where, choice in choices):
            by_place.setdefault(place, []).append(detail)
    deeper = {place[:n] for place in by_place for n in range(len(place))}
    kept = [
        (place, details)
        for place, details in by_place.items()
        if place not in deeper or any(d["type"] == "extra_forbidden" for d in details)
    ]
    # More than are told one by one are only counted: no valid word is looked up for them.
    told = [_problem(place, details, text) for place, details in kept[:MOST_PROBLEMS]]
    return told + [Problem(FILE, "", "", "")] * (len(kept) - len(told))


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
        if place[0] == "variants" and place[2:] in REFUSED:
            return refused(FILE, row, key, REFUSED[str(place[-1]),])
        return Problem(
            file=FILE,
            row=row,
            column=key,
            found=f"the unknown key {quoted(str(place[-1]))}",
            expected="a key of this section",
            mend=_misplaced(str(place[-1]), valid) or nearest(str(place[-1]), valid),
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


def refused(file: str, row: int | None, key: str, why: str) -> Problem:
    """Return the problem of a key that a variant may not have."""
    return Problem(
        file=file,
        row=row,
        column=key,
        found="a key that no variant may change",
        expected=f"other settings only ({why})",
        mend="Take it out of the variant; a study of its own may say it.",
    )


def _expected(detail: ErrorDetails) -> str:
    kind, about = detail["type"], detail.get("ctx", {})
    if kind == "literal_error":
        return str(about["expected"]).replace("'", "")
    if kind == "string_pattern_mismatch":
        words = {
            ID_PATTERN: ID_WORDS,
            TABLE_PATTERN: "a CSV inside the study folder",
            TRACKING_PATTERN: TRACKING_WORDS,
        }
        return words.get(about["pattern"], LABEL_WORDS)
    if kind in _LIMITS:
        return _LIMITS[kind].format(**about)
    if kind in _EXPECTED:
        return _EXPECTED[kind]
    message = detail["msg"].removeprefix("Input should be ").removeprefix("Value should have ")
    return message[0].lower() + message[1:]


def _misplaced(key: str, valid: list[str]) -> str | None:
    """Return a hint if ``key`` is unlike the keys of its section, but a key of another one."""
    homes = _homes().get(key)
    if not homes or get_close_matches(key, valid, n=1, cutoff=0.6):
        return None
    places = " or ".join(place or "the top level" for place in homes)
    return f"{key} is a key of {places}: check how far the line is indented."


@cache
def _homes() -> dict[str, list[str]]:
    homes: dict[str, list[str]] = {}
    for place, name in _all_keys(Definition, ""):
        homes.setdefault(name, []).append(place)
    return {name: places for name, places in homes.items() if len(places) <= _MOST_HOMES}


def _all_keys(model: type[BaseModel], place: str) -> Iterator[tuple[str, str]]:
    for name, about in model.model_fields.items():
        yield place, name
        for inner in sections_in(about.annotation):
            yield from _all_keys(inner, f"{place}.{name}".lstrip("."))


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
                sections_in(model.model_fields[part].annotation)
                if part in model.model_fields
                else []
            )
        ] or models
    return sorted({name for model in models for name in model.model_fields})

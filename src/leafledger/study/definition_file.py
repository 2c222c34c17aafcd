"""How does ``study.yaml`` become a checked definition, and where are its faults?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass, replace
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from leafledger.errors import MOST_PROBLEMS, InputFault, Problem, bounded, nearest, quoted
from leafledger.study.definition import (
    ID_PATTERN,
    ID_WORDS,
    LABEL_WORDS,
    TABLE_PATTERN,
    TRACKING_PATTERN,
    TRACKING_WORDS,
    Definition,
    sections_in,
)
from leafledger.study.tables import STATED
from leafledger.study.yaml_text import YamlText, read_yaml

# Variants: the same study under other settings, each named in ``study.yaml``.
# ----------------------------------------------------------------------
# A variant says only what differs. Its settings are laid over those of the study key by key; what
# comes out is checked like any study.

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


def merge_settings(stated: Any, other: Any, forms: list[type[BaseModel]]) -> Any:
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
    >>> merge_settings({"a": "1", "b": {"c": "2"}}, {"b": {"d": "3"}}, [])
    {'a': '1', 'b': {'c': '2', 'd': '3'}}
    """
    if not (isinstance(stated, Mapping) and isinstance(other, Mapping)):
        return other
    fields = [set(form.model_fields) for form in forms]
    if len(forms) > 1 and not any({*stated, *other} <= known for known in fields):
        return other
    merged = dict(stated)
    for key, value in other.items():
        merged[key] = merge_settings(stated.get(key), value, _forms_at(forms, key))
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


# ``study.yaml`` as a checked definition, with the row and the nearest valid word of each fault.
# ----------------------------------------------------------------------

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
    "date_from_datetime_inexact": "a date such as 2026-05-04, without a time",
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
    problems = [_problem(place, details, text) for place, details in kept[:MOST_PROBLEMS]]
    return problems + [Problem(FILE, "", "", "")] * (len(kept) - len(problems))


def _place(loc: Place, text: YamlText) -> tuple[Place, tuple[tuple[Place, str], ...]]:
    """Split ``loc`` into keys of the file and the choices pydantic names in between."""
    place: Place = ()
    choices: list[tuple[Place, str]] = []
    value: Any = text.value
    for position, part in enumerate(loc):
        last = position == len(loc) - 1
        named = str(part).islower() and "[" not in str(part)  # literal['auto',...] is a choice
        if isinstance(value, dict) and (part in value or (last and named)):
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


# Which problems of a study only follow from another one, and are left unsaid until it is mended?
# ----------------------------------------------------------------------
# A check goes on after a fault of ``study.yaml`` or of a sheet, so that every problem is shown at
# once. What rests on a setting that could not be read would then be wrong by itself: without the
# sessions, every row of the scan sheet names an unknown one.

_RESTS_ON: Mapping[str, tuple[str, ...]] = {
    "design.sessions": (
        *("intake.forms", "intake.pattern", "classes.sessions"),
        *("effects.primary.session", "effects.primary.question"),
    ),
    "design.unit": ("design", "classes.target", "effects", "intake.pattern"),
    "design.treatment": (
        *("design.control", "design.doses", "design.levels", "design.block", "design.whole_plot"),
        *("classes.target", "effects.compare", "effects.covariates", "effects.crossed"),
        "effects.primary.question",
    ),
    "design.control": ("effects.primary.question", "effects.primary.method"),
    "design.block": ("classes.target", "classes.split", "effects.strata", "effects.primary.method"),
    "design.factors": (
        *("classes.target", "classes.split"),
        *("effects.strata", "effects.covariates", "effects.crossed"),
    ),
    "intake.pattern": ("design", "classes.target"),
    "intake.sheet": ("design", "classes.target"),
    "indices": ("effects.primary.index", "effects.margin"),
    "effects.primary": ("effects.methods",),
    "effects.methods": ("effects.primary",),
}
"""Key of ``study.yaml`` -> other keys whose check needs it."""
_SHEET_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "design.sessions": ("session", "instrument"),
    "design.unit": ("unit",),
    "intake.forms": ("instrument",),
}
"""Key of ``study.yaml`` -> columns of the sheets whose check needs it."""
_WHOLE_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "design.sessions": ("session", "role"),
    "intake.forms": ("role",),
}
"""Key of ``study.yaml`` -> columns whose problems of the sheet as a whole need it."""


def is_under(key: str, other: str) -> bool:
    """Tell whether ``key`` is ``other`` or a key inside it.

    Examples
    --------
    >>> is_under("design.sessions.0", "design.sessions"), is_under("design", "design.sessions")
    (True, False)
    """
    return key == other or key.startswith(f"{other}.")


def is_known(unknown: Iterable[str], *needed: str) -> bool:
    """Tell whether none of the settings that a check needs is among those not known."""
    return not any(is_under(key, n) or is_under(n, key) for key in unknown for n in needed)


def without_consequences(
    problems: Iterable[Problem], unknown: Iterable[str], definition: Definition
) -> list[Problem]:
    """Return the problems that do not follow from settings which are not known.

    Parameters
    ----------
    problems
        Found after the settings that are at fault were left out.
    unknown
        Keys of ``study.yaml`` whose value is not known.
    definition
        The definition without them.
    """
    keys = sorted(set(unknown))
    if not keys:
        return list(problems)
    return [p for p in problems if not _follows(p, keys, definition)]


def _follows(problem: Problem, unknown: list[str], definition: Definition) -> bool:
    column = problem.column or ""
    if problem.file == FILE:
        rests_on = (*_RESTS_ON.items(), *((key, (key,)) for key in unknown))
        return any(
            not is_known(unknown, key) and any(is_under(column, one) for one in resting)
            for key, resting in rests_on
        )
    named = {**_SHEET_COLUMNS, "design.treatment": (definition.design.treatment,)}
    whole = _WHOLE_COLUMNS.items() if problem.row is None else ()
    return any(
        not is_known(unknown, key) and any(_is_column(column, one) for one in columns)
        for key, columns in (*named.items(), *whole)
    )


def _is_column(column: str, name: str) -> bool:
    """Tell whether a message means a column; those of a workbook are named with their letters."""
    return column == name or column.endswith(f"({name})")


def has_fault_in(problems: Iterable[Problem], file: str, *columns: str) -> bool:
    """Tell whether a sheet has a problem in one of the columns, or one as a whole."""
    return any(
        p.file == file and (p.row is None or any(_is_column(p.column or "", c) for c in columns))
        for p in problems
    )


# The definition of a study or of one of its variants, each checked like any study's.
# ----------------------------------------------------------------------


def definition_of(folder: Path, variant: str | None = None) -> tuple[Definition, YamlText]:
    """Read and check ``study.yaml``; without the name of a variant all its variants as well.

    Parameters
    ----------
    folder
        The study folder.
    variant
        Name of the variant whose settings hold; ``None``: those of the study as stated.

    Returns
    -------
    definition, text
        The typed definition and the text with its lines, for messages about the same file.

    Raises
    ------
    InputFault
        With every problem of the file, those of a variant under its name and key.
    """
    examined = examine_definition_of(folder, variant)
    if examined.problems:
        raise InputFault(examined.problems)
    return examined.definition, examined.text


def examine_definition_of(folder: Path, variant: str | None = None) -> ExaminedDefinition:
    """Do the same and go on after a fault: what is at fault is left out of the definition.

    Raises
    ------
    InputFault
        If ``study.yaml`` cannot be read at all, or the variant asked for is not there or at fault.
    """
    examined = examine_definition(folder)
    stated, text = examined.definition, examined.text
    if variant is not None and variant not in stated.variants:
        missing = Problem(
            file=FILE,
            column="variants",
            row=text.line(("variants",)),
            found=f"no variant {quoted(variant)}",
            expected="a variant that the study names",
            mend=nearest(variant, list(stated.variants)) or "Name it under variants.",
        )
        raise InputFault([*examined.problems, missing])
    found: dict[str, Definition] = {}
    problems: list[Problem] = list(examined.problems)
    for name in stated.variants if variant is None else [variant]:
        try:
            found[name] = _variant(stated, text, name)
        except InputFault as fault:
            at_fault = any(is_under(p.column or "", f"variants.{name}") for p in examined.problems)
            # A variant from which a key at fault is left out may say nothing more.
            told = [p for p in fault.problems if p.column or not at_fault]
            problems += with_rows(of_variant(told, name), text)
    if variant is not None and variant not in found:
        raise InputFault(bounded(problems))
    definition = stated if variant is None else found[variant]
    return replace(examined, definition=definition, problems=tuple(bounded(problems)))


def _variant(stated: Definition, text: YamlText, name: str) -> Definition:
    given = text.value["variants"][name]
    if name == STATED:
        raise InputFault(
            _variant_problem(
                "", quoted(name), "another name: this one is the study's own", "Rename it."
            )
        )
    against = [
        refused(FILE, None, ".".join(place), why)
        for place, why in refused_keys(given)
        if place[0] != "classes" or stated.classes is not None
    ]
    if against:
        raise InputFault(against)
    own = {key: value for key, value in text.value.items() if key != "variants"}
    merged = merge_settings(own, given, [Definition])
    try:
        definition = Definition.model_validate(merged)
    except ValidationError as error:
        raise InputFault(faults(error, YamlText(merged))) from error
    definition = definition.model_copy(update={"variants": stated.variants})
    if definition == stated:
        raise InputFault(
            _variant_problem(
                "",
                "the settings of the study itself",
                "a setting that differs",
                "Say what is to be otherwise, or take the variant out.",
            )
        )
    return definition


def _variant_problem(column: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=FILE, column=column, found=found, expected=expected, mend=mend)


def of_variant(problems: Iterable[Problem], name: str | None) -> list[Problem]:
    """Return problems under the name of the variant that has them."""
    if name is None:
        return list(problems)
    return [
        replace(problem, column=f"variants.{name}.{problem.column or ''}".rstrip("."))
        if problem.file == FILE
        else replace(problem, expected=f"{problem.expected} (for variant {name})")
        for problem in problems
    ]

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
    for key_path, why in REFUSED.items():
        inside = given
        for key in key_path:
            inside = inside.get(key) if isinstance(inside, Mapping) else None
        if inside is not None:
            yield key_path, why


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
    if len(forms) > 1 and not any({*stated, *other} <= field_names for field_names in fields):
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
        f"{key}: {_value_words(value)} (stated: {_value_words(before)})"
        for key, before, value in _differing(stated, other, "")
    )


def _differing(stated: Any, other: Any, key_path: str) -> Iterator[tuple[str, Any, Any]]:
    both = isinstance(stated, Mapping) and isinstance(other, Mapping)
    if both and (not key_path or set(stated) & set(other)):
        for key in [*stated, *(name for name in other if name not in stated)]:
            inner = f"{key_path}.{key}" if key_path else str(key)
            yield from _differing(stated.get(key), other.get(key), inner)
    elif stated != other:
        yield key_path, stated, other


def _value_words(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, Mapping):
        return " ".join(f"{key} {_value_words(inner)}" for key, inner in value.items()) or "none"
    if isinstance(value, list):
        return " and ".join(_value_words(item) for item in value) or "none"
    return str(value)


# ``study.yaml`` as a checked definition, with the row and the nearest valid word of each fault.
# ----------------------------------------------------------------------

FILE = "study.yaml"

_MOST_SECTIONS = 3
_MOST_PASSES = 10

KeyPath = tuple[str | int, ...]

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
    renamed: list[KeyPath] = []
    fault = first
    for _ in range(_MOST_PASSES):
        faulty_keys = _settings_at_fault(fault, work)
        for i, (key_path, is_extra) in enumerate(faulty_keys.items()):
            _take_out_or_rename(
                work, key_path, is_extra, unknown, renamed if i < MOST_PROBLEMS else None
            )
        try:
            definition = Definition.model_validate(work.value)
        except ValidationError as error:
            fault = error
            inside = [
                p for p in _settings_at_fault(error, work) if any(p[: len(r)] == r for r in renamed)
            ]
            if inside and len(problems) < MOST_PROBLEMS:
                keys = {".".join(map(str, key_path)) for key_path in inside}
                problems += [p for p in faults(error, work) if p.column in keys]
            continue
        return ExaminedDefinition(definition, work, tuple(bounded(problems)), frozenset(unknown))
    raise InputFault(bounded(problems)) from first


def _settings_at_fault(error: ValidationError, text: YamlText) -> dict[KeyPath, bool]:
    """Return the settings at fault, and whether each is a key that its section does not know."""
    is_extra_of: dict[KeyPath, bool] = {}
    for detail in error.errors(include_url=False, include_context=False):
        key_path, _ = _key_path_and_choices(detail["loc"], text)
        is_extra = detail["type"] == "extra_forbidden"
        is_extra_of[key_path] = is_extra_of.get(key_path, True) and is_extra
    deeper = {key_path[:n] for key_path in is_extra_of for n in range(len(key_path))}
    return {
        key_path: is_extra for key_path, is_extra in is_extra_of.items() if key_path not in deeper
    }


def _take_out_or_rename(
    text: YamlText,
    key_path: KeyPath,
    is_extra: bool,
    unknown: set[str],
    renamed: list[KeyPath] | None,
) -> None:
    """Take a setting at fault out of the text, or give an unknown key the name that is meant.

    No name is looked up where ``renamed`` is ``None``.
    """
    section = text.value
    for key in key_path[:-1]:
        section = _inside(section, key)
    missing = isinstance(section, dict) and key_path and key_path[-1] not in section
    if missing and len(key_path) == 1:
        section[str(key_path[0])] = "?"  # the title
        return
    while key_path and (missing or not isinstance(section, dict)):
        # An item of a list cannot be left out by itself: the others would move.
        key_path, missing = key_path[:-1], False
        section = text.value
        for key in key_path[:-1]:
            section = _inside(section, key)
    if not key_path or key_path[-1] not in section:
        return
    key = str(key_path[-1])
    value = section.pop(key)
    if not is_extra:
        unknown.add(_dotted(key_path))
        return
    if renamed is None:
        return
    valid = _valid_keys(key_path[:-1])
    if _misplaced(key, valid):
        unknown |= {f"{home}.{key}".lstrip(".") for home in _sections_of_key()[key]}
        return
    intended = next(iter(get_close_matches(key, valid, n=1, cutoff=0.6)), None)
    if intended is None or intended in section:
        return
    section[intended] = value
    new = (*key_path[:-1], intended)
    renamed.append(new)
    moved = {p: line for p, line in text.lines.items() if p[: len(key_path)] == key_path}
    text.lines.update({(*new, *p[len(key_path) :]): line for p, line in moved.items()})


def _dotted(key_path: KeyPath) -> str:
    """Return a path of keys as a key with dots, up to the first item of a list."""
    keys: list[str] = []
    for part in key_path:
        if isinstance(part, int):
            break
        keys.append(part)
    return ".".join(keys)


def with_rows(problems: Iterable[Problem], text: YamlText) -> list[Problem]:
    """Return the problems, those of ``study.yaml`` with the row of the key they name."""
    return [
        replace(problem, row=text.line(_key_path_of(problem.column, text.value)))
        if problem.file == FILE and problem.column and problem.row is None
        else problem
        for problem in problems
    ]


def _key_path_of(column: str, value: Any) -> KeyPath:
    """Return ``column`` as keys; an item of a list may be named by one of its values."""
    key_path: KeyPath = ()
    for part in column.split("."):
        key: str | int = part
        if isinstance(value, list):
            named = (
                i
                for i, item in enumerate(value)
                if isinstance(item, dict) and part in item.values()
            )
            key = int(part) if part.isdigit() else next(named, part)
        key_path = (*key_path, key)
        value = _inside(value, key)
    return key_path


def _inside(value: Any, key: str | int) -> Any:
    if isinstance(value, dict):
        return value.get(key)
    if isinstance(value, list) and isinstance(key, int) and key < len(value):
        return value[key]
    return None


def faults(error: ValidationError, text: YamlText) -> list[Problem]:
    """Return what is wrong with a definition, one problem for each setting.

    Where a section has several forms, only the form chosen by its keys is examined.
    """
    located = [(*_key_path_and_choices(d["loc"], text), d) for d in error.errors(include_url=False)]
    chosen_forms = _chosen_forms(located)
    by_key: dict[KeyPath, list[ErrorDetails]] = {}
    for key_path, choices, detail in located:
        if all(chosen_forms.get(where, choice) == choice for where, choice in choices):
            by_key.setdefault(key_path, []).append(detail)
    deeper = {key_path[:n] for key_path in by_key for n in range(len(key_path))}
    kept = [
        (key_path, details)
        for key_path, details in by_key.items()
        if key_path not in deeper or any(d["type"] == "extra_forbidden" for d in details)
    ]
    # More than are told one by one are only counted: no valid word is looked up for them.
    problems = [_problem(key_path, details, text) for key_path, details in kept[:MOST_PROBLEMS]]
    return problems + [Problem(FILE, "", "", "")] * (len(kept) - len(problems))


def _key_path_and_choices(
    loc: KeyPath, text: YamlText
) -> tuple[KeyPath, tuple[tuple[KeyPath, str], ...]]:
    """Split ``loc`` into keys of the file and the choices pydantic names in between."""
    key_path: KeyPath = ()
    choices: list[tuple[KeyPath, str]] = []
    value: Any = text.value
    for position, part in enumerate(loc):
        last = position == len(loc) - 1
        named = str(part).islower() and "[" not in str(part)  # literal['auto',...] is a choice
        if isinstance(value, dict) and (part in value or (last and named)):
            key_path, value = (*key_path, part), value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            key_path, value = (*key_path, part), value[part]
        else:
            choices.append((key_path, str(part)))
    return key_path, tuple(choices)


def _chosen_forms(
    located: list[tuple[KeyPath, tuple[tuple[KeyPath, str], ...], ErrorDetails]],
) -> dict[KeyPath, str]:
    """Return, for a section with several forms, the form with the fewest missing or odd keys."""
    misfits: dict[KeyPath, Counter[str]] = {}
    for key_path, choices, detail in located:
        for where, choice in choices:
            if len(key_path) > len(where):
                odd = detail["type"] in {"missing", "extra_forbidden"}
                misfits.setdefault(where, Counter())[choice] += 1000 * odd + 1
    return {where: min(counts, key=lambda c: counts[c]) for where, counts in misfits.items()}


def _problem(key_path: KeyPath, details: list[ErrorDetails], text: YamlText) -> Problem:
    detail = details[0]
    key = ".".join(str(part) for part in key_path)
    row = text.line(key_path)
    if all(d["type"] == "extra_forbidden" for d in details):
        valid = _valid_keys(key_path[:-1])
        if key_path[0] == "variants" and key_path[2:] in REFUSED:
            return refused(FILE, row, key, REFUSED[str(key_path[-1]),])
        return Problem(
            file=FILE,
            row=row,
            column=key,
            found=f"the unknown key {quoted(str(key_path[-1]))}",
            expected="a key of this section",
            mend=_misplaced(str(key_path[-1]), valid) or nearest(str(key_path[-1]), valid),
        )
    if detail["type"] == "missing":
        return Problem(
            file=FILE,
            row=row,
            column=key,
            found="no such key",
            expected=f"{key_path[-1]} in this section",
            mend=f"Add `{key_path[-1]}: ...`.",
        )
    given = detail["input"]
    given_words = quoted(given) if isinstance(given, str) else f"a {_type_words(given)}"
    words = _literals(details)
    return Problem(
        file=FILE,
        row=row,
        column=key,
        found=given_words,
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
    homes = _sections_of_key().get(key)
    if not homes or get_close_matches(key, valid, n=1, cutoff=0.6):
        return None
    sections = " or ".join(section or "the top level" for section in homes)
    return f"{key} is a key of {sections}: check how far the line is indented."


@cache
def _sections_of_key() -> dict[str, list[str]]:
    homes: dict[str, list[str]] = {}
    for section, name in _all_keys(Definition, ""):
        homes.setdefault(name, []).append(section)
    return {name: sections for name, sections in homes.items() if len(sections) <= _MOST_SECTIONS}


def _all_keys(model: type[BaseModel], section: str) -> Iterator[tuple[str, str]]:
    for name, about in model.model_fields.items():
        yield section, name
        for inner in sections_in(about.annotation):
            yield from _all_keys(inner, f"{section}.{name}".lstrip("."))


def _literals(details: list[ErrorDetails]) -> list[str]:
    words: list[str] = []
    for detail in details:
        if detail["type"] == "literal_error":
            text = str(detail["ctx"]["expected"]).replace(" or ", ", ")
            words += [word.strip().strip("'") for word in text.split(",")]
    return [w for w in words if w]


def _type_words(value: Any) -> str:
    return {dict: "section", list: "list", type(None): "missing value"}.get(type(value), "value")


def _valid_keys(key_path: KeyPath) -> list[str]:
    """Return the keys that the section at ``key_path`` may have."""
    models: list[type[BaseModel]] = [Definition]
    for part in key_path:
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
    return [p for p in problems if not _follows_from_unknown(p, keys, definition)]


def _follows_from_unknown(problem: Problem, unknown: list[str], definition: Definition) -> bool:
    column = problem.column or ""
    if problem.file == FILE:
        rests_on = (*_RESTS_ON.items(), *((key, (key,)) for key in unknown))
        return any(
            not is_known(unknown, key) and any(is_under(column, name) for name in resting)
            for key, resting in rests_on
        )
    named = {**_SHEET_COLUMNS, "design.treatment": (definition.design.treatment,)}
    whole = _WHOLE_COLUMNS.items() if problem.row is None else ()
    return any(
        not is_known(unknown, key) and any(_is_column(column, name) for name in columns)
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
    definitions: dict[str, Definition] = {}
    problems: list[Problem] = list(examined.problems)
    for name in stated.variants if variant is None else [variant]:
        try:
            definitions[name] = _variant(stated, text, name)
        except InputFault as fault:
            at_fault = any(is_under(p.column or "", f"variants.{name}") for p in examined.problems)
            # A variant from which a key at fault is left out may say nothing more.
            fault_problems = [p for p in fault.problems if p.column or not at_fault]
            problems += with_rows(of_variant(fault_problems, name), text)
    if variant is not None and variant not in definitions:
        raise InputFault(bounded(problems))
    definition = stated if variant is None else definitions[variant]
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
        refused(FILE, None, ".".join(key_path), why)
        for key_path, why in refused_keys(given)
        if key_path[0] != "classes" or stated.classes is not None
    ]
    if against:
        raise InputFault(against)
    stated_settings = {key: value for key, value in text.value.items() if key != "variants"}
    merged = merge_settings(stated_settings, given, [Definition])
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

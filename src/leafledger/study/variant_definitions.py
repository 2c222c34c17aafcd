"""The definition of a study or of one of its variants, each checked like any study's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from pydantic import ValidationError

from leafledger.errors import InputFault, Problem, bounded, nearest, quoted
from leafledger.study.columns import STATED
from leafledger.study.consequences import is_under
from leafledger.study.definition import Definition
from leafledger.study.definition_file import (
    FILE,
    ExaminedDefinition,
    examine_definition,
    faults,
    refused,
    with_rows,
)
from leafledger.study.variants import laid_over, refused_keys
from leafledger.study.yaml_text import YamlText


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
            _problem("", quoted(name), "another name: this one is the study's own", "Rename it.")
        )
    against = [
        refused(FILE, None, ".".join(place), why)
        for place, why in refused_keys(given)
        if place[0] != "classes" or stated.classes is not None
    ]
    if against:
        raise InputFault(against)
    own = {key: value for key, value in text.value.items() if key != "variants"}
    merged = laid_over(own, given, [Definition])
    try:
        definition = Definition.model_validate(merged)
    except ValidationError as error:
        raise InputFault(faults(error, YamlText(merged))) from error
    definition = definition.model_copy(update={"variants": stated.variants})
    if definition == stated:
        raise InputFault(
            _problem(
                "",
                "the settings of the study itself",
                "a setting that differs",
                "Say what is to be otherwise, or take the variant out.",
            )
        )
    return definition


def _problem(column: str, found: str, expected: str, mend: str) -> Problem:
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

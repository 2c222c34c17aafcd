"""A study that has been read, under one of its variants."""

from __future__ import annotations

from dataclasses import replace

from leafledger.errors import InputFault, Problem
from leafledger.study import cross_checks
from leafledger.study.definition_file import with_rows
from leafledger.study.reading import read_study
from leafledger.study.study import Study
from leafledger.study.variant_definitions import definition_of, of_variant


def under_variant(study: Study, name: str) -> Study:
    """Return a study under one of its variants, checked like any study.

    Its sheets hold whatever the settings are, so that they are not read again, unless the variant
    says how the raw files are written: of a labelled table of spectra that is the sheet itself.

    Parameters
    ----------
    study
        The study as stated.
    name
        Name of the variant.

    Raises
    ------
    InputFault
        With every problem of the variant.
    """
    if study.definition.variants[name].intake:
        return read_study(study.folder, name)
    definition, text = definition_of(study.folder, name)
    known = {"design": study.definition.design, "intake": study.definition.intake}
    other = replace(study, definition=definition.model_copy(update=known), variant=name)
    problems: list[Problem] = cross_checks.of_definition(other.definition)
    problems = problems or list(cross_checks.of_study(other))
    if problems:
        raise InputFault(with_rows(of_variant(problems, name), text))
    return other

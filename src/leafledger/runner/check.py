"""Everything about a study that can be checked before any job runs."""

from __future__ import annotations

from pathlib import Path

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.study.study import Study, read_study


def checked_study(folder: Path) -> Study:
    """Read a study and check it, the index formulas included.

    Raises
    ------
    InputFault
        With all problems found.
    """
    from leafledger.indices.check import check_indices
    from leafledger.study.settings import settings_of

    study = read_study(folder)
    problems = check_indices(settings_of(study, "catalogue", None)["indices"])
    if not problems:
        problems = _primary_index(study)
    if problems:
        raise InputFault(problems)
    return study


def _primary_index(study: Study) -> list[Problem]:
    """The primary index, and those with a margin, must be among the indices computed."""
    from leafledger.indices.check import chosen

    known = [entry.index for entry in chosen(study.definition.indices.model_dump(mode="json"))]
    effects = study.definition.effects
    places = [(f"effects.margin.{name}", name) for name in effects.margin]
    if effects.primary:
        places.append(("effects.primary.index", effects.primary.index))
    return [
        Problem(
            file="study.yaml",
            column=key,
            found=quoted(name),
            expected="an index of indices.use or indices.formulas",
            mend=nearest(name, known),
        )
        for key, name in places
        if name not in known
    ]

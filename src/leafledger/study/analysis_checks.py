"""Whether the design and the units have what the effects and the classes ask for.

The stages refuse the same; here it is said before anything is computed.
"""

from __future__ import annotations

from collections.abc import Iterator

from leafledger.errors import Problem, first_words, nearest, quoted
from leafledger.study.definition_file import FILE
from leafledger.study.sheet_files import units_file
from leafledger.study.study import Study

SIDES = ("train", "test")
PRIMARY_METHODS = {
    "change": ("paired_t", "signed_rank", "sign_flip"),
    "difference_in_change": ("welch_t", "label_permutation", "ancova"),
}
"""Methods that can answer a primary question."""


def of_analysis(study: Study) -> list[Problem]:
    """Return every setting of effects, doses and classes that the study cannot meet."""
    out = list(_split(study))
    if study.definition.design.unit is not None:  # else the effects are described, not tested
        out += [*_strata(study), *_doses(study), *_methods(study)]
    return out


def _factors(study: Study) -> list[str]:
    design = study.definition.design
    named = [*design.factors, *([design.block] if design.block else [])]
    return [name for name in named if name != design.treatment]


def _strata(study: Study) -> Iterator[Problem]:
    asked = study.definition.effects.strata
    if asked is not None and asked not in _factors(study):
        yield Problem(
            file=FILE,
            column="effects.strata",
            found=quoted(asked),
            expected="a column beside the treatment that design.factors or design.block names",
            mend=nearest(asked, _factors(study))
            if _factors(study)
            else "Add the column to design.factors, or take effects.strata out.",
        )


def _doses(study: Study) -> Iterator[Problem]:
    design = study.definition.design
    levels = sorted({row.get(design.treatment, "") for row in study.units.values()} - {""})
    for level in sorted(set(design.doses) - set(levels)):
        yield Problem(
            file=FILE,
            column=f"design.doses.{level}",
            found=quoted(level),
            expected="a treatment of the units",
            mend=nearest(level, levels),
        )
    lacking = [level for level in levels if level not in design.doses]
    if design.doses and lacking:
        yield Problem(
            file=FILE,
            column="design.doses",
            found=f"no amount for {first_words(lacking)}",
            expected="an amount for every treatment",
            mend="Add the amount; the control has 0.",
        )


def _methods(study: Study) -> Iterator[Problem]:
    effects = study.definition.effects
    if effects.primary is None:
        return
    answering = PRIMARY_METHODS[effects.primary.question]
    if not set(answering) & set(effects.methods):
        yield Problem(
            file=FILE,
            column="effects.methods",
            found=", ".join(effects.methods) or "no method",
            expected=f"a method for the primary question {effects.primary.question}",
            mend=f"Add one of: {', '.join(answering)}.",
        )


def _split(study: Study) -> Iterator[Problem]:
    classes = study.definition.classes
    column = getattr(classes.split, "column", None) if classes else None
    if column is None:
        return
    if column not in _factors(study):
        yield Problem(
            file=FILE,
            column="classes.split.column",
            found=f"column {quoted(column)}, which the design does not name",
            expected="one of design.factors",
            mend=f"Add {quoted(column)} to design.factors, and say train or test of every unit.",
        )
        return
    measured = {name for scan in study.samples() for name in (scan.unit, scan.scan)}
    wrong = [u for u in sorted(measured & set(study.units)) if study.units[u][column] not in SIDES]
    if wrong:
        yield Problem(
            file=units_file(study.folder),
            column=column,
            found=f"neither train nor test for {first_words(wrong, 5)}",
            expected="train or test",
            mend="Say on which side of the split each unit is.",
        )

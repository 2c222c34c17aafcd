"""Whether the settings of the effects fit the indices and the design."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from leafledger.effects.layout import BETWEEN, EQUIVALENCE, Layout
from leafledger.effects.plan import METHODS, Plan
from leafledger.errors import Problem, nearest, quoted

FILE = "study.yaml"


def misfits(
    plan: Plan, layout: Layout, indices: Sequence[str], treatment: str = ""
) -> list[Problem]:
    """Return every setting that names something the study does not have.

    Parameters
    ----------
    plan, layout
        Settings and design.
    indices
        Indices of the study's catalogue.
    treatment
        Column that holds the treatment.
    """
    if not layout.word:
        return []
    named: Mapping[str, str] = {f"effects.margin.{name}": name for name in sorted(plan.margin)}
    if plan.primary is not None:
        named = {"effects.primary.index": plan.primary.index, **named}
    out = [
        Problem(
            file=FILE,
            column=column,
            found=quoted(name),
            expected="an index of this study",
            mend=nearest(name, list(indices)),
        )
        for column, name in named.items()
        if name not in indices
    ]
    if plan.strata and (not layout.strata or plan.strata == treatment):
        out.append(
            Problem(
                file=FILE,
                column="effects.strata",
                found=quoted(plan.strata),
                expected="a column beside the treatment that design.factors or design.block names",
                mend="Add the column to design.factors, or take effects.strata out.",
            )
        )
    return out + _primary_misfits(plan, layout)


def dose_misfits(named: Mapping[str, float], layout: Layout) -> list[Problem]:
    """Return every dose of a treatment that no unit has, and every treatment without a dose.

    Parameters
    ----------
    named
        Section ``design.doses``.
    layout
        The design.
    """
    if not named:
        return []
    levels = list(layout.levels)
    out = [
        Problem(
            file=FILE,
            column=f"design.doses.{level}",
            found=quoted(level),
            expected="a treatment that a unit of this study has",
            mend=nearest(level, levels),
        )
        for level in sorted(named)
        if level not in levels
    ]
    lacking = [level for level in levels if level not in named]
    if lacking:
        out.append(
            Problem(
                file=FILE,
                column="design.doses",
                found=f"no amount for {', '.join(lacking)}",
                expected="an amount for every treatment",
                mend="Add the amount; the control has 0.",
            )
        )
    return out


def _primary_misfits(plan: Plan, layout: Layout) -> list[Problem]:
    named = plan.primary
    if named is None:
        return []
    out = []
    if named.session not in layout.after and layout.after:
        out.append(
            Problem(
                file=FILE,
                column="effects.primary.session",
                found=quoted(named.session),
                expected="a session of phase after",
                mend=nearest(named.session, list(layout.after)),
            )
        )
    if named.question == EQUIVALENCE and named.index not in plan.margin:
        out.append(
            Problem(
                file=FILE,
                column="effects.margin",
                found=f"no margin for {quoted(named.index)}",
                expected="the smallest difference that would matter, for a primary equivalence",
                mend=f"Add {named.index} and its margin to effects.margin.",
            )
        )
    if named.method and named.method not in METHODS[named.question]:
        out.append(
            Problem(
                file=FILE,
                column="effects.primary.method",
                found=quoted(named.method),
                expected=f"a method for the primary question {named.question}",
                mend=f"Name one of: {', '.join(METHODS[named.question])}; or leave it out.",
            )
        )
    if not named.method:
        out.append(
            Problem(
                file=FILE,
                column="effects.methods",
                found=", ".join(plan.methods) or "no method",
                expected=f"a method for the primary question {named.question}",
                mend=f"Add one of: {', '.join(METHODS[named.question])}.",
            )
        )
    if named.question in BETWEEN | {EQUIVALENCE} and not layout.pairs:
        out.append(
            Problem(
                file=FILE,
                column="effects.primary.question",
                found=quoted(named.question),
                expected="a control and at least one other treatment to compare with it",
                mend="Name the control in design.control, or ask for the question change.",
            )
        )
    return out

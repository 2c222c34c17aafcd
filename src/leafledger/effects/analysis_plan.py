"""What is planned, in plain words, and do the settings fit the indices and the design?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from leafledger.effects.design import (
    AFTER_ONLY,
    BETWEEN,
    CHANGE,
    COURSE,
    DIFFERENCE,
    EQUIVALENCE,
    METHODS,
    Layout,
    Plan,
    confounding,
    small_arms,
    warnings_of,
)
from leafledger.effects.families import BY_FLIPS, BY_LABELS
from leafledger.effects.findings import TEST_NAMES
from leafledger.effects.linear_model import FEWEST_DF
from leafledger.errors import Problem, nearest, quoted
from leafledger.words import counted, listed, plural

# Whether the settings of the effects fit the indices and the design.
# ----------------------------------------------------------------------

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


# The analysis in plain words, from the design and the settings alone.
# ----------------------------------------------------------------------


def plan_sentences(layout: Layout, plan: Plan, n_indices: int) -> list[str]:
    """Return what will be tested, how, and what the design does not allow.

    Parameters
    ----------
    layout, plan
        The design and the settings of the analysis.
    n_indices
        Indices in the catalogue of the study.
    """
    if not layout.word:
        return [
            "The experimental units are not known: scans are described, nothing is tested, because "
            "it is unknown which scans are independent."
        ]
    return [
        *_who(layout),
        *_within(layout, plan),
        *_between(layout, plan),
        *_beside(layout, plan),
        *(f"{text}." for text in _other_instruments(layout)),
        *_judging(layout, plan, n_indices),
    ]


def _who(layout: Layout) -> list[str]:
    total = sum(len(arm) for arm in layout.levels.values())
    arms = [
        f"{len(arm)} {_named(level)}{' (control)' if level == layout.control else ''}"
        for level, arm in layout.levels.items()
    ]
    text = f"{counted(total, layout.word)}: {listed(arms)}" if arms else "No unit has a treatment"
    names = sorted({block for block in layout.blocks.values() if block})
    if names:
        text += f", in {len(names)} block{'s' if len(names) > 1 else ''} ({', '.join(names)})"
    word = plural(layout.word)
    return [
        f"{text}.",
        f"n counts {word}: in every session scans are averaged within leaf and leaves within "
        f"{layout.word}.",
    ]


def _named(level: str) -> str:
    """Return a treatment as it stands after a count; "5 under 0", not "5 0"."""
    return f"under {level}" if level[:1].isdigit() else level


def _start(layout: Layout) -> str:
    if len(layout.before) == 1:
        return layout.before[0]
    return f"the mean of {listed(list(layout.before))}"


def _tests(plan: Plan, question: str, word: str) -> str:
    names = [TEST_NAMES[m].replace("unit", word) for m in METHODS[question] if m in plan.methods]
    return listed(names) if names else ""


def _within(layout: Layout, plan: Plan) -> list[str]:
    if not layout.before:
        return [
            "No session is marked as before: treatments are compared by their values at each "
            "session. That they were alike before rests on the allotment at random alone."
        ]
    if not layout.after:
        return ["No session is marked as after: changes are undefined."]
    tests = _tests(plan, CHANGE, layout.word)
    out = []
    if tests:
        out.append(
            f"Within each treatment: the change of each {layout.word} from {_start(layout)} to "
            f"{listed(list(layout.after))} ({tests})."
        )
    out.append(
        f"A {layout.word} without an accepted value after, or without any before, is left out of "
        "that contrast and named; the test stays the same. Of several before sessions it needs "
        "one. As covariate of the linear model the mean of the others stands in for a missing "
        "value before."
    )
    return out


def _between(layout: Layout, plan: Plan) -> list[str]:
    if not layout.pairs:
        if len(layout.levels) > 1:
            return ["No control is named: treatments are not compared with each other."]
        return ["There is one treatment only: nothing tells its change from that of time."]
    out = []
    tests = _tests(plan, layout.difference, layout.word)
    if tests and layout.after:
        within = ", labels exchanged within blocks" if layout.blocks else ""
        if "label_permutation" not in plan.methods:
            within = ""
        what = "the difference in change" if layout.before else "the difference"
        pairs = [f"{level} against {reference}" for level, reference in layout.pairs]
        out.append(f"Between treatments: {what} of {listed(pairs)} ({tests}{within}).")
        out.append(_model(layout))
    if plan.margin and layout.after:
        margins = listed([f"{index} ({plan.margin[index]:g})" for index in sorted(plan.margin)])
        out.append(
            f"Equivalence against the margin stated for {margins}: two one-sided t tests in the "
            f"linear model at {plan.alpha:g}."
        )
    out += [f"{text[0].upper()}{text[1:]}." for text in _obstacles(layout)]
    return out


def _model(layout: Layout) -> str:
    """Return which covariates the linear model has, and why."""
    held = []
    if layout.before:
        held.append("the value before (it tells which units were high to begin with)")
    if layout.blocks and "block" in layout.factors:
        held.append("the block (treatments were allotted within blocks)")
    held += [f"{name} (stated in effects.covariates)" for name in layout.covariates]
    beside = f"Beside the treatment it holds {listed(held)}." if held else "It has no covariate."
    few = (
        f" Where fewer than {FEWEST_DF} residual degrees of freedom would be left, the change "
        "itself is compared, without the value before."
    )
    return (
        f"The linear model lets each treatment have its own variance. {beside}"
        f"{few if layout.before else ''}"
    )


def _beside(layout: Layout, plan: Plan) -> list[str]:
    """Return what is asked beside the changes: strata, the whole course, the dose."""
    if not layout.after:
        return []
    out = []
    if layout.strata and layout.pairs:
        names = listed([name.partition("=")[2] for name in layout.strata])
        out.append(
            f"The same within each {plan.strata} ({names}), and whether the difference differs "
            f"between them (F test of treatment x {plan.strata}); each is a family of its own."
        )
    course = [m for m in METHODS[COURSE] if m in plan.methods]
    if course and layout.pairs and layout.before and len(layout.after) > 1:
        tests = listed([TEST_NAMES[m] for m in course])
        out.append(
            f"The whole course of each {layout.word}, secondary: {tests}; summaries are tested in "
            "the linear model, mixed models by Kenward and Roger's t."
        )
    if layout.doses:
        by_dose = sorted(layout.doses.items(), key=lambda item: item[1])
        amounts = [lv if lv == f"{dose:g}" else f"{lv} = {dose:g}" for lv, dose in by_dose]
        out.append(
            f"Trend over the dose ({listed(amounts)}): a straight line in the linear model"
            f"{', blocks fixed' if layout.blocks else ''}."
        )
    if layout.crossed:
        out.append(
            f"Treatment and {layout.crossed_name} crossed: main effects and interaction by F "
            "tests of least squares, each against the variation at its own level (whole blocks, "
            "or units within them)."
        )
    return out


def _other_instruments(layout: Layout) -> list[str]:
    return warnings_of(layout.instruments, layout.before, layout.after, layout.levels)


def _obstacles(layout: Layout) -> list[str]:
    found = [confounding(layout, *pair, [s]) for s in layout.after for pair in layout.pairs]
    out = [text for text in dict.fromkeys(found) if text]
    small = small_arms(layout, list(dict.fromkeys(lv for pair in layout.pairs for lv in pair)))
    if small:
        out.append(
            f"with fewer than 2 {plural(layout.word)} in {listed(small)} there is description "
            "only and no test there"
        )
    return out


def _judging(layout: Layout, plan: Plan, n_indices: int) -> list[str]:
    family = (
        f"a family is one question answered by one test over {n_indices} "
        f"{'indices' if n_indices != 1 else 'index'}, all treatments and all after-sessions"
    )
    shown = (
        f"{family[0].upper()}{family[1:]}; verdicts are passed at {plan.alpha:g} on p adjusted by "
        "Holm, with Benjamini and Hochberg's beside it, those of equivalence too. Two formulas "
        "that are the same number count once."
    )
    if {*plan.methods} & (BY_FLIPS | BY_LABELS):
        shown += (
            " Beside them stands p adjusted by the largest |t|: whole units are permuted (signs "
            "within a treatment, labels between treatments"
            f"{' within blocks' if layout.blocks else ''}), all indices and sessions together, so "
            f"that correlated indices are not counted twice (all arrangements, or {plan.n_draws} "
            "drawn)."
        )
    if plan.primary is None:
        return ["No primary contrast is named: every result is exploratory.", shown]
    named = plan.primary
    what = {CHANGE: "change", DIFFERENCE: "difference in change", AFTER_ONLY: "difference"}
    test = TEST_NAMES[named.method].replace("unit", layout.word) if named.method else "no test"
    n = _n_primary(layout, named.question)
    alone = "it stands alone and its p is not adjusted for the other indices"
    if n > 1:
        alone = (
            f"its {n} contrasts, one for each treatment, are adjusted by Holm among themselves "
            "and not for the other indices"
        )
    return [
        f"Primary: the {what.get(named.question, named.question)} of {named.index} to "
        f"{named.session or 'after'} ({test}); {alone}.",
        shown,
    ]


def _n_primary(layout: Layout, question: str) -> int:
    """Return how many contrasts the primary question has: one for each treated level."""
    if question != CHANGE:
        return sum(r == layout.control for _, r in layout.pairs) or len(layout.pairs)
    return sum(level != layout.control for level in layout.levels)

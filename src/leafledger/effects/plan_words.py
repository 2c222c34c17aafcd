"""The analysis in plain words, from the design and the settings alone."""

from __future__ import annotations

from leafledger.effects.contrasts import confounding, small_arms
from leafledger.effects.instruments import warnings_of
from leafledger.effects.layout import CHANGE, COURSE, DIFFERENCE, Layout
from leafledger.effects.max_t import BY_FLIPS, BY_LABELS
from leafledger.effects.plan import METHODS, Plan
from leafledger.effects.sentences import TEST_NAMES
from leafledger.effects.words import counted, listed, plural


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
            "No session is marked as before: changes are undefined, and levels after treatment are "
            "not compared in their place."
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
        f"A {layout.word} without an accepted value in one of the sessions of a contrast is left "
        "out of that contrast and named; the test stays the same."
    )
    return out


def _between(layout: Layout, plan: Plan) -> list[str]:
    if not layout.treated:
        if len(layout.levels) > 1:
            return ["No control is named: treatments are not compared with each other."]
        return ["There is one treatment only: nothing tells its change from that of time."]
    out = []
    tests = _tests(plan, DIFFERENCE, layout.word)
    if tests and layout.before and layout.after:
        within = ", labels exchanged within blocks" if layout.blocks else ""
        if "label_permutation" not in plan.methods:
            within = ""
        out.append(
            f"Between treatments: the difference in change of {listed(layout.treated)} against "
            f"{layout.control} ({tests}{within})."
        )
    if plan.margin and layout.before and layout.after:
        margins = listed([f"{index} ({plan.margin[index]:g})" for index in sorted(plan.margin)])
        out.append(
            f"Equivalence of the change against the margin stated for {margins}: two one-sided "
            f"Welch tests at {plan.alpha:g}."
        )
    out += [f"{text[0].upper()}{text[1:]}." for text in _obstacles(layout)]
    return out


def _beside(layout: Layout, plan: Plan) -> list[str]:
    """Return what is asked beside the changes: strata, the whole course, the dose."""
    if not (layout.before and layout.after):
        return []
    out = []
    if layout.strata and layout.treated:
        names = listed([name.partition("=")[2] for name in layout.strata])
        out.append(
            f"The same within each {plan.strata} ({names}), and whether the difference in change "
            f"differs between them (F test of treatment x {plan.strata} on the changes); each is a "
            "family of its own."
        )
    course = [m for m in METHODS[COURSE] if m in plan.methods]
    if course and layout.treated and len(layout.after) > 1:
        tests = listed([TEST_NAMES[m] for m in course])
        out.append(
            f"The whole course of each {layout.word}, secondary: {tests}; summaries are tested by "
            "Welch's t, models by Kenward and Roger's t."
        )
    if layout.doses:
        by_dose = sorted(layout.doses.items(), key=lambda item: item[1])
        amounts = [lv if lv == f"{dose:g}" else f"{lv} = {dose:g}" for lv, dose in by_dose]
        out.append(
            f"Trend over the dose ({listed(amounts)}): the change of each {layout.word} along a "
            f"straight line{', blocks fixed' if layout.blocks else ''}."
        )
    return out


def _other_instruments(layout: Layout) -> list[str]:
    return warnings_of(layout.instruments, layout.before, layout.after, layout.levels)


def _obstacles(layout: Layout) -> list[str]:
    found = [confounding(layout, lv, [s]) for s in layout.after for lv in layout.treated]
    out = [text for text in dict.fromkeys(found) if text]
    small = small_arms(layout, [*layout.treated, layout.control])
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
        "Holm, with Benjamini and Hochberg's beside it; equivalence is judged by its own p."
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
    what = "difference in change" if named.question == DIFFERENCE else "change"
    test = TEST_NAMES[named.method].replace("unit", layout.word) if named.method else "no test"
    n = _n_primary(layout, named.question)
    alone = "it stands alone and its p is not adjusted for the other indices"
    if n > 1:
        alone = (
            f"its {n} contrasts, one for each treatment, are adjusted by Holm among themselves "
            "and not for the other indices"
        )
    return [
        f"Primary: the {what} of {named.index} to {named.session or 'after'} ({test}); {alone}.",
        shown,
    ]


def _n_primary(layout: Layout, question: str) -> int:
    """Return how many contrasts the primary question has: one for each treated level."""
    if question == DIFFERENCE:
        return len(layout.treated)
    return sum(level != layout.control for level in layout.levels)

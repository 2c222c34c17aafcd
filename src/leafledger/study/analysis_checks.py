"""Can the design and the units carry what the effects and the classes ask for?

The stages refuse the same; here it is said before anything is computed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from leafledger.errors import Problem, first_words, nearest, quoted
from leafledger.study.definition_file import FILE
from leafledger.study.sheets import units_file
from leafledger.study.study import Study

SIDES = ("train", "test")
_TWO_ARMS = ("linear_model", "linear_model_equal", "welch_t", "label_permutation", "ancova")
PRIMARY_METHODS = {
    "change": ("paired_t", "signed_rank", "sign_flip"),
    "difference_in_change": _TWO_ARMS,
    "difference": _TWO_ARMS,
    "equivalence": ("tost",),
}
"""Methods that can answer a primary question."""


def of_analysis(study: Study) -> list[Problem]:
    """Return every setting of effects, doses and classes that the study cannot meet."""
    out = list(_classes_split(study))
    if study.definition.design.unit is not None:  # else the effects are described, not tested
        out += [*_strata(study), *_doses(study), *_primary(study), *_compared(study)]
        if study.is_allocated:  # which units stand together is known only then
            out += [*_blocks(study), *_covariates(study), *_crossed(study)]
    return out


def _factors(study: Study) -> list[str]:
    design = study.definition.design
    named = [*design.factors, *([design.block] if design.block else [])]
    return [name for name in named if name != design.treatment]


def _strata(study: Study) -> Iterator[Problem]:
    column = study.definition.effects.strata
    if column is not None and column not in _factors(study):
        yield Problem(
            file=FILE,
            column="effects.strata",
            found=quoted(column),
            expected="a column beside the treatment that design.factors or design.block names",
            mend=nearest(column, _factors(study))
            if _factors(study)
            else "Add the column to design.factors, or take effects.strata out.",
        )


def _doses(study: Study) -> Iterator[Problem]:
    design = study.definition.design
    levels = _levels(study)
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


def _levels(study: Study) -> list[str]:
    """Return the treatments; those that are stated while units have none yet."""
    design = study.definition.design
    if not study.is_allocated:
        return sorted(design.levels)
    return sorted({row.get(design.treatment, "") for row in study.units.values()} - {""})


def _pairs(study: Study) -> list[tuple[str, str]]:
    """Return the pairs of treatments that are compared."""
    control, levels = study.definition.design.control, _levels(study)
    compare = study.definition.effects.compare
    if isinstance(compare, list):
        return [(pair[0], pair[1]) for pair in compare if set(pair) <= set(levels)]
    if compare == "all":
        return [(later, level) for i, level in enumerate(levels) for later in levels[i + 1 :]]
    return [(level, control) for level in levels if control in levels and level != control]


def _primary(study: Study) -> Iterator[Problem]:
    effects, design = study.definition.effects, study.definition.design
    named = effects.primary
    if effects.margin and effects.alpha >= 0.5:
        yield Problem(
            file=FILE,
            column="effects.alpha",
            found=f"{effects.alpha:g}",
            expected="less than 0.5 where a margin is stated: equivalence has an interval of "
            "1 - 2 alpha",
            mend="Lower alpha, or take effects.margin out.",
        )
    if named is None:
        return
    answering = PRIMARY_METHODS[named.question]
    before = any(session.phase == "before" for session in study.sessions)
    if named.method is not None and named.method not in answering:
        yield Problem(
            file=FILE,
            column="effects.primary.method",
            found=quoted(named.method),
            expected=f"a method for the primary question {named.question}",
            mend=f"Name one of: {', '.join(answering)}; or leave it out.",
        )
    elif named.method is None and not {*answering} & {*effects.methods, "tost"}:
        yield Problem(
            file=FILE,
            column="effects.methods",
            found=", ".join(effects.methods) or "no method",
            expected=f"a method for the primary question {named.question}",
            mend=f"Add one of: {', '.join(answering)}.",
        )
    usable = [method for method in answering if method in set(effects.methods)]
    method = str(named.method or [*usable, ""][0])
    smallest = _smallest_p(study, method)
    if smallest >= effects.alpha:
        yield Problem(
            file=FILE,
            column="effects.primary.method",
            found=f"{method}, which so few units bring to p = {smallest:.3g} at best",
            expected=f"a test that can reach {effects.alpha:g}",
            mend="Name a t test (linear_model, paired_t), or plan more units.",
        )
    if named.question == "change" and not before:
        yield Problem(
            file=FILE,
            column="effects.primary.question",
            found="change, in a study without a session before",
            expected="a session of phase before, from which a change is counted",
            mend="Ask for `difference`, or mark the session that lies before (phase: before).",
        )
    if named.question == "equivalence" and named.index not in effects.margin:
        yield Problem(
            file=FILE,
            column="effects.margin",
            found=f"no margin for {quoted(named.index)}",
            expected="the smallest difference that would matter, for a primary equivalence",
            mend=f"Add {named.index} and its margin to effects.margin.",
        )
    # Listed pairs, and a control that no unit has, are looked at elsewhere.
    elsewhere = isinstance(effects.compare, list) or (design.control not in {None, *_levels(study)})
    if named.question != "change" and not (elsewhere or _pairs(study)):
        yield Problem(
            file=FILE,
            column="effects.primary.question",
            found=f"{named.question}, but no control" if not design.control else named.question,
            expected="a control and at least one other treatment to compare with it",
            mend="Name the control in design.control, or the pairs in effects.compare.",
        )


def _smallest_p(study: Study, method: str) -> float:
    """Return the smallest p that an exact primary test can reach; 0 for the others."""
    design = study.definition.design
    if not study.is_allocated:
        return 0.0
    units: dict[str, dict[str, int]] = {}
    for row in study.units.values():
        block = units.setdefault(row.get(design.block or "", ""), {})
        level = row.get(design.treatment, "")
        block[level] = block.get(level, 0) + 1
    if method == "label_permutation":
        smallest_p = 0.0
        for treatment, compared_with in _pairs(study):
            pairs = [(n.get(treatment, 0), n.get(compared_with, 0)) for n in units.values()]
            ways = math.prod(math.comb(a + b, a) for a, b in pairs)
            smallest_p = max(smallest_p, (2.0 if all(a == b for a, b in pairs) else 1.0) / ways)
        return smallest_p
    if method in {"signed_rank", "sign_flip"}:
        treated = [level for level in _levels(study) if level != design.control]
        sizes = [sum(n.get(level, 0) for n in units.values()) for level in treated]
        return max((2.0 ** (1 - n) for n in sizes), default=0.0)
    return 0.0


def _compared(study: Study) -> Iterator[Problem]:
    compare = study.definition.effects.compare
    levels, seen = _levels(study), set()
    for i, pair in enumerate(compare if isinstance(compare, list) else []):
        if frozenset(pair) in seen:
            yield Problem(
                file=FILE,
                column=f"effects.compare.{i}",
                found=f"{pair[0]} and {pair[-1]} once more",
                expected="each pair once",
                mend="Take one of the two out; the second treatment is the reference.",
            )
        seen.add(frozenset(pair))
        for level in pair:
            if level not in levels:
                yield Problem(
                    file=FILE,
                    column=f"effects.compare.{i}",
                    found=quoted(level),
                    expected="a treatment of the units",
                    mend=nearest(level, levels),
                )
        if len(set(pair)) < 2:
            yield Problem(
                file=FILE,
                column=f"effects.compare.{i}",
                found=f"{pair[0]} against itself",
                expected="two treatments",
                mend="Name two treatments, the reference second.",
            )


def _confounded_pairs(study: Study, column: str) -> list[str]:
    """Return the pairs of treatments that share no level of a column, in words."""
    treatment = study.definition.design.treatment
    held: dict[str, set[str]] = {}
    for row in study.units.values():
        held.setdefault(row.get(treatment, ""), set()).add(row.get(column, ""))
    pairs = [(a, b) for a, b in _pairs(study) if not held.get(a, set()) & held.get(b, set())]
    return [f"{a} and {b}" for a, b in pairs]


def _blocks(study: Study) -> Iterator[Problem]:
    """Refuse blocks that hold one of two compared treatments each, and units without a plot."""
    design = study.definition.design
    for key, column in (("design.block", design.block), ("design.whole_plot", design.whole_plot)):
        lacking = sorted(u for u, row in study.units.items() if column and not row.get(column))
        if column and lacking and len(lacking) < len(study.units):
            yield Problem(
                file=units_file(study.folder),
                column=column,
                found=f"an empty cell for {first_words(lacking, 5)}",
                expected=f"the {column} of every unit, as {key} names the column",
                mend="Fill the column, or take the key out.",
            )
    yield from _plots(study)
    if design.block is None:
        return
    blocks = {row.get(design.block, "") for row in study.units.values()}
    if len(blocks) > 1 and (confounded := _confounded_pairs(study, design.block)):
        yield Problem(
            file=FILE,
            column="design.block",
            found=f"no {design.block} holds both {first_words(confounded, 5)}",
            expected="blocks that hold the treatments that are compared",
            mend="The treatment cannot be told from such a block. Take design.block out if it "
            "did not guide the allotment (write then that the two cannot be told apart); if "
            "whole blocks were treated, name the column in design.whole_plot.",
        )


def _plots(study: Study) -> Iterator[Problem]:
    """Refuse whole plots of which most, but not all, bear one treatment, and plots too few."""
    design, effects = study.definition.design, study.definition.effects
    column = design.whole_plot
    if column is None:
        return
    held: dict[str, dict[str, list[str]]] = {}
    for unit, row in study.units.items():
        if row.get(column) and row.get(design.treatment):
            levels = held.setdefault(row[column], {})
            levels.setdefault(row[design.treatment], []).append(unit)
    mixed = sorted(plot for plot, levels in held.items() if len(levels) > 1)
    if mixed and len(mixed) * 2 < len(held):
        odd = sorted(min(held[plot].values(), key=len)[0] for plot in mixed)
        yield Problem(
            file=units_file(study.folder),
            column=design.treatment,
            found=f"another treatment for {first_words(odd, 5)} than in the rest of its {column}",
            expected=f"one treatment in every {column}, as in most, or several in every one",
            mend=f"Correct the treatment, or take design.whole_plot out if no {column} was treated "
            "as a whole.",
        )
    if mixed:
        return
    plots = [next(iter(levels)) for levels in held.values()]
    few = sorted({level for level in plots if plots.count(level) < 2})
    if few:
        yield Problem(
            file=FILE,
            column="design.whole_plot",
            found=f"one {column} under {first_words(few, 5)}",
            expected=f"two or more, since n counts each {column} that was treated as a whole",
            mend="Nothing can be tested with one. Treat more, or take design.whole_plot out if the "
            "units were treated one by one.",
        )
    inside = [*effects.covariates, *([effects.strata] if effects.strata else [])]
    for name in inside:
        varies = any(
            len({study.units[u].get(name, "") for units in levels.values() for u in units}) > 1
            for levels in held.values()
        )
        if varies:
            yield Problem(
                file=FILE,
                column="effects.strata" if name == effects.strata else "effects.covariates",
                found=f"{quoted(name)}, which varies inside each {column}",
                expected=f"a column that is the same throughout a {column}, which is what n counts",
                mend=f"Name it in effects.crossed: it is then tested inside each {column}.",
            )


def _covariates(study: Study) -> Iterator[Problem]:
    n_units = len(study.units)
    for column in study.definition.effects.covariates:
        values = {row.get(column, "") for row in study.units.values()}
        problem, expected, mend = "", "", ""
        if column not in _factors(study):
            problem = quoted(column)
            expected = "a column beside the treatment that design.factors names"
            mend = "Add the column to design.factors, or take it out of effects.covariates."
        elif "" in values and len(values) > 1:
            blank = sorted(u for u, row in study.units.items() if not row.get(column))
            problem = f"no {column} for {first_words(blank, 5)}"
            expected = f"the {column} of every unit"
            mend = "Fill the column, or take it out of effects.covariates."
        elif len(values) * 3 > n_units and len(values) > 2:
            problem = f"{len(values)} levels of {quoted(column)} in {n_units} units"
            expected = "a factor with three units or more in a level, on average"
            mend = "Group its values into a few levels, or take it out of effects.covariates."
        elif len(values) < 2:
            problem = f"{quoted(column)} is {quoted(next(iter(values), ''))} for every unit"
            expected = "a column that varies between units"
            mend = "Take it out of effects.covariates: it cannot explain any difference."
        elif confounded := _confounded_pairs(study, column):
            problem = f"no level of {quoted(column)} holds both {first_words(confounded, 5)}"
            expected = "a column that can be told from the treatment"
            mend = (
                "Take it out of effects.covariates: adjusting for it would take the treatment out."
            )
        if problem:
            yield Problem(
                file=FILE,
                column="effects.covariates",
                found=problem,
                expected=expected,
                mend=mend,
            )


def _crossed(study: Study) -> Iterator[Problem]:
    column = study.definition.effects.crossed
    if column is None:
        return
    if column not in _factors(study):
        yield Problem(
            file=FILE,
            column="effects.crossed",
            found=quoted(column),
            expected="a column beside the treatment that design.factors names",
            mend=nearest(column, _factors(study))
            if _factors(study)
            else "Add the column to design.factors, or take effects.crossed out.",
        )
        return
    treatment = study.definition.design.treatment
    blank = sorted(u for u, row in study.units.items() if not row.get(column))
    if blank and len(blank) < len(study.units):
        yield Problem(
            file=units_file(study.folder),
            column=column,
            found=f"an empty cell for {first_words(blank, 5)}",
            expected=f"the {column} of every unit, as effects.crossed names the column",
            mend="Fill the column, or take effects.crossed out.",
        )
        return
    cells = {(row.get(treatment, ""), row.get(column, "")) for row in study.units.values()}
    cells = {cell for cell in cells if all(cell)}
    levels, crossed = ({cell[i] for cell in cells} for i in (0, 1))
    empty = sorted(f"{a} x {b}" for a in levels for b in crossed if (a, b) not in cells)
    if empty or len(crossed) < 2:
        yield Problem(
            file=FILE,
            column="effects.crossed",
            found=f"no unit with {first_words(empty, 5)}" if empty else f"one {column} only",
            expected="every treatment at every level of the factor",
            mend="Take effects.crossed out, or name a factor that the treatment was crossed with.",
        )


def _classes_split(study: Study) -> Iterator[Problem]:
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

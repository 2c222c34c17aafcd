"""Treatment x session by a linear mixed model: one model per index, all sessions together."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from leafledger.effects.changes import UnitTable
from leafledger.effects.contrasts import by_instrument, confounding, no_change
from leafledger.effects.effect import Effect, Percent
from leafledger.effects.effect_size import EffectSize
from leafledger.effects.layout import COURSE, Contrast, Layout
from leafledger.effects.linear_model import factor_columns
from leafledger.effects.mixed_contrasts import joint_f, kenward_roger, line_result
from leafledger.effects.mixed_model import fit_random_intercept, fit_random_slope, fit_unstructured
from leafledger.effects.plan import METHODS, Plan
from leafledger.effects.restricted_likelihood import Array, Fit, NotFitted, Repeated
from leafledger.effects.result import Result
from leafledger.effects.words import listed, plural

MODELS = ("mixed_model", "mixed_model_slope", "mixed_model_unstructured")
SINGULAR = (
    "singular fit: no variation between units was left beside that within them, so the variance "
    "between units is held at zero"
)


@dataclass(frozen=True)
class Cells:
    """One model's data and what its columns mean.

    Attributes
    ----------
    column
        Treatment and session -> column of its mean.
    n_units
        Treatment -> units with any value.
    partial
        Unit -> sessions without a value; these units stay in the model.
    absent
        Treatment -> units without any value; the model knows nothing of them.
    """

    data: Repeated
    column: Mapping[tuple[str, str], int]
    n_units: Mapping[str, int]
    partial: Mapping[str, list[str]]
    absent: Mapping[str, list[str]]


def model_effects(layout: Layout, table: UnitTable, plan: Plan) -> list[Effect]:
    """Return the contrasts of the mixed models that the plan asks for, and the joint test."""
    methods = [m for m in METHODS[COURSE] if m in plan.methods and m in MODELS]
    if not methods or not layout.pairs or len(layout.after) < 2 or not layout.before:
        return []
    out = []
    for index in table.indices:
        cells = cells_of(layout, table, index)
        for method in methods:
            out += _effects(layout, plan, cells, index, method)
    return out


def _effects(layout: Layout, plan: Plan, cells: Cells, index: str, method: str) -> list[Effect]:
    found, why = _fitted(layout, cells, method)
    out = []
    for after in layout.after:
        for level, reference in layout.pairs:
            name = f"({after}-{layout.before_name})@{level}-{reference}"
            contrast = Contrast(COURSE, name, after, level, reference, "")
            obstacle = no_change(layout) or confounding(layout, level, reference, [after]) or why
            tested = _line(layout, cells, found, contrast, plan.level, obstacle)
            out.append(_effect(contrast, index, method, tested, cells, found))
    joint = Contrast(COURSE, "treatment x session", "", "", layout.control, "")
    hindered = no_change(layout) or by_instrument(layout, [*layout.levels], layout.after) or why
    tested = _joint(layout, cells, found, hindered)
    out.append(_effect(joint, index, f"{method}_f", tested, cells, found))
    return out


def cells_of(layout: Layout, table: UnitTable, index: str) -> Cells:
    """Arrange one index for the model: a mean for every treatment and session, blocks fixed.

    Levels stand in the order of their first unit, so that exchanging two names of treatments
    changes no digit.
    """
    level_of = {unit: level for level, arm in layout.levels.items() for unit in arm}
    y = table.mean[:, :, table.indices.index(index)]
    rows = [i for i in range(len(table.units)) if np.isfinite(y[i]).any()]
    units = [table.units[i] for i in rows]
    y = y[rows]
    levels = list(dict.fromkeys(level_of[unit] for unit in units))
    pairs = [
        (level, session)
        for level in levels
        for j, session in enumerate(table.sessions)
        if any(np.isfinite(y[i, j]) for i, u in enumerate(units) if level_of[u] == level)
    ]
    column = {pair: k for k, pair in enumerate(pairs)}
    blocks = factor_columns([layout.blocks.get(unit, "") for unit in units])
    x = np.zeros((len(units), len(table.sessions), len(pairs) + len(blocks)))
    for i, unit in enumerate(units):
        for j, session in enumerate(table.sessions):
            if (level_of[unit], session) in column:
                x[i, j, column[level_of[unit], session]] = 1.0
        for k, block in enumerate(blocks):
            x[i, :, len(pairs) + k] = block[i]
    gone = {
        unit: [s for s, v in zip(table.sessions, y[i], strict=True) if np.isnan(v)]
        for i, unit in enumerate(units)
    }
    everyone = sorted({*layout.levels, *([layout.control] if layout.control else [])})
    counts = {level: sum(level_of[u] == level for u in units) for level in everyone}
    absent = {
        level: [u for u in layout.levels.get(level, ()) if u not in gone] for level in everyone
    }
    partial = {u: s for u, s in gone.items() if s}
    return Cells(Repeated(y, x), column, counts, partial, absent)


def _fitted(layout: Layout, cells: Cells, method: str) -> tuple[Fit | None, str]:
    if not layout.before:
        return None, no_change(layout)
    if small := [lv for lv, n in cells.n_units.items() if n < 2]:
        return None, f"fewer than 2 {plural(layout.word)} in {listed(small)}: description only"
    here = np.isfinite(cells.data.y)
    flat = cells.data.x[here]
    n, p = flat.shape
    if n <= p:
        return None, f"{n} values are too few for the {p} coefficients of the model"
    if int(np.linalg.matrix_rank(flat)) < p:
        return None, "the treatment cannot be told from the block"
    try:
        if method == "mixed_model":
            return fit_random_intercept(cells.data), ""
        if method == "mixed_model_slope":
            times = np.array([layout.times[s] for s in layout.sessions])
            return fit_random_slope(cells.data, times), ""
        return fit_unstructured(cells.data), ""
    except NotFitted as reason:
        return None, str(reason)


def _empty(layout: Layout, cells: Cells, corners: Iterable[tuple[str, str]]) -> str:
    """Say in which sessions a treatment has no value, so that the model has no mean there."""
    gone = [pair for pair in dict.fromkeys(corners) if pair not in cells.column]
    return ", ".join(f"no {layout.word} of {arm} has a value in {session}" for arm, session in gone)


def _weights(layout: Layout, cells: Cells, level: str, reference: str, after: str) -> Array:
    """Return the contrast (after - before) of a level against its reference."""
    out = np.zeros(cells.data.x.shape[2])
    for sign, arm in ((1.0, level), (-1.0, reference)):
        for session, w in ((after, 1.0), *((s, -1.0 / len(layout.before)) for s in layout.before)):
            out[cells.column[arm, session]] += sign * w
    return out


def _line(
    layout: Layout,
    cells: Cells,
    found: Fit | None,
    contrast: Contrast,
    level: float,
    obstacle: str,
) -> Result:
    if obstacle or found is None:
        return Result(math.nan, ci_level=level, statistic_name="t", remark=obstacle)
    corners = [
        (arm, session)
        for arm in (contrast.level, contrast.reference)
        for session in (*layout.before, contrast.after)
    ]
    if remark := _empty(layout, cells, corners):
        return Result(math.nan, ci_level=level, statistic_name="t", remark=remark)
    weights = _weights(layout, cells, contrast.level, contrast.reference, contrast.after)
    line = kenward_roger(found, weights)
    if not (line.df > 0 and math.isfinite(line.df) and line.error > 0):
        remark = "the model gives no standard error or no degrees of freedom for this contrast"
        return Result(line.estimate, ci_level=level, statistic_name="t", remark=remark)
    return line_result(line, level)


def _joint(layout: Layout, cells: Cells, found: Fit | None, obstacle: str) -> Result:
    """Return the test of the differences in change at all after-sessions at once.

    Each is a treatment's change from the mean of the before-sessions less that of its reference:
    arms that differ between two before-sessions are no effect of the treatment.
    """
    if obstacle or found is None:
        return Result(math.nan, statistic_name="F", remark=obstacle)
    if remark := _empty(
        layout, cells, [(arm, s) for arm in layout.levels for s in layout.sessions]
    ):
        return Result(math.nan, statistic_name="F", remark=remark)
    first = next(iter(cells.n_units)) if not layout.control else layout.control
    others = [level for level in layout.levels if level != first]
    rows = [_weights(layout, cells, lv, first, after) for lv in others for after in layout.after]
    tested = joint_f(found, np.array(rows))
    if math.isfinite(tested.p):
        return tested
    return Result(math.nan, statistic_name="F", remark="the model gives no degrees of freedom")


def _effect(
    contrast: Contrast, index: str, method: str, tested: Result, cells: Cells, found: Fit | None
) -> Effect:
    arms = [contrast.level] if contrast.level else list(cells.n_units)
    remarks = [tested.remark] if tested.remark else []
    if found is not None and found.singular:
        remarks.append(SINGULAR)
    if found is not None and cells.partial:
        remarks.append(_partial(cells.partial))
    lost = [unit for arm in cells.absent.values() for unit in arm]
    if found is not None and lost:
        remarks.append(f"no value at all for {', '.join(lost)}: not part of the model")
    if contrast.level:
        lost = [*cells.absent[contrast.level], *cells.absent[contrast.reference]]
        n, n_reference = cells.n_units[contrast.level], cells.n_units[contrast.reference]
    else:
        n_reference = cells.n_units.get(contrast.reference, 0)
        n = sum(cells.n_units[level] for level in arms) - n_reference
    return Effect(
        contrast,
        index,
        method,
        tested,
        EffectSize(""),
        n,
        n_reference,
        len(lost),
        Percent(),
        math.nan,
        math.nan,
        False,
        tuple(remarks),
    )


def _partial(partial: Mapping[str, Sequence[str]]) -> str:
    parts = [f"{unit} lacks {listed(list(days))}" for unit, days in partial.items()]
    whose = "its" if len(partial) == 1 else "their"
    return f"{'; '.join(parts)}: {whose} other sessions stay in the model"

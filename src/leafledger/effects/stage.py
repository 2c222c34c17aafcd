"""Rule ``effects``: from unit means to tested effects, sentences and the tables beside them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.effects.analysis import (
    Effect,
    all_effects,
    course_effects,
    factorial_effects,
    strata_effects,
    trend_effects,
)
from leafledger.effects.analysis_plan import dose_misfits, misfits, plan_sentences
from leafledger.effects.design import Layout, Plan, layout_from, plan_from, told, warnings_of
from leafledger.effects.families import (
    UNDEFINED,
    FamilyMaxT,
    Judged,
    family_rows,
    judged,
    max_t_of,
    record,
)
from leafledger.effects.findings import findings, group_means, main_rows, onsets, sentences
from leafledger.effects.mixed_model import model_effects
from leafledger.effects.power import design_table
from leafledger.effects.robustness import (
    looked_at,
    robustness,
    robustness_sentences,
    sensitivity_rows,
    with_and_without,
)
from leafledger.effects.unit_means import UnitTable, same_numbers, unit_table
from leafledger.effects.variance_components import (
    Component,
    Scans,
    Variation,
    accepted_cells,
    cells_of_units,
    component_rows,
    components,
    scans_of,
    table_of_all,
    variation,
)
from leafledger.effects.whole_spectrum import spectrum_table
from leafledger.errors import InputFault
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.columns import (
    EFFECTS,
    FLAGS,
    GROUP_MEANS,
    POWER,
    SENSITIVITY,
    SPECTRUM_EFFECTS,
    TEXT,
    VARIANCE_COMPONENTS,
)
from leafledger.study.tables import read_csv, read_json, write_csv, write_json

if TYPE_CHECKING:
    import pandas as pd

_WHOLE = frozenset(
    {
        *("n_units", "n_units_reference", "n_missing", "n_family", "n_draws", "seed"),
        *("n_leaves", "n_scans", "n_groups", "residual_df"),
    }
)


def run(job: Job) -> Outcome:
    """Write the tables of effects, of what they lean on, and of the next study.

    Raises
    ------
    InputFault
        If the settings name an index, session, factor or method that the study does not have.
    """
    layout, plan = _settings(job)
    units = {e["index"]: e["unit"] for e in read_json(job.inputs["catalogue"])["indices"]}
    problems = misfits(plan, layout, list(units), job.settings["design"]["treatment"])
    problems += dose_misfits(job.settings["design"].get("doses") or {}, layout)
    if problems:
        raise InputFault(problems)
    means = read_csv(job.inputs["unit_indices"], text=tuple(TEXT))
    table = unit_table(layout, means, units)
    inside = None
    if layout.parts and layout.crossed_name:  # the crossed factor may vary inside treated plots
        plants = _layout(job, inside_plots=True)
        inside = plants, unit_table(plants, means, units)
    effects = every_effect(layout, table, plan, inside) if layout.word else []
    largest, reach = max_t_of(layout, table, plan, effects)
    rows = judged(effects, plan.alpha, largest, same_numbers(table))
    records = [record(row, units.get(row.effect.index, "")) for row in rows]
    write_csv(job.outputs["effects"], _frame(records, EFFECTS), EFFECTS)
    summary = _summary(rows, layout, plan, units, reach)
    described = group_means(layout, table, means, units, plan.level)
    write_csv(job.outputs["group_means"], _frame(described, GROUP_MEANS), GROUP_MEANS)
    summary["description"] = described
    summary["onset"] = onsets(rows, layout, plan)
    summary |= _does_it_hold(job, layout, table, plan, rows, units)
    write_json(job.outputs["effects_summary"], summary)
    write_csv(job.outputs["spectrum_effects"], spectrum_table(job, layout, plan), SPECTRUM_EFFECTS)
    _write_next_study(job, layout, table, plan, units)
    return Outcome(_metrics(rows, layout, units), _warnings(rows, layout), {"effects": plan.seed})


def _settings(job: Job) -> tuple[Layout, Plan]:
    named = job.settings["effects"]
    layout = _layout(job)
    return layout, plan_from(named, layout)


def _layout(job: Job, *, inside_plots: bool = False) -> Layout:
    settings = job.settings
    return layout_from(
        *(settings["design"], settings["units"], settings["effects"], told(settings)),
        inside_plots=inside_plots,
    )


def every_effect(
    layout: Layout,
    table: UnitTable,
    plan: Plan,
    inside: tuple[Layout, UnitTable] | None = None,
) -> list[Effect]:
    """Return every test: between sessions, within strata, over the course and over the dose.

    Parameters
    ----------
    layout, table, plan
        Design, unit means and settings.
    inside
        The same of the units inside treated whole plots, where a second factor is crossed with the
        treatment; ``None`` if the units are what was treated.
    """
    return [
        *all_effects(layout, table, plan),
        *strata_effects(layout, table, plan),
        *course_effects(layout, table, plan),
        *model_effects(layout, table, plan),
        *trend_effects(layout, table, plan),
        *factorial_effects(*(inside or (layout, table)), plan),
    ]


def _frame(records: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> pd.DataFrame:
    import pandas as pd

    frame = pd.DataFrame(records, columns=list(columns))
    for name in columns:
        if name in _WHOLE:
            frame[name] = frame[name].astype("Int64")
        elif name not in TEXT | FLAGS:
            frame[name] = frame[name].astype("float64")
    return frame


def _summary(
    rows: Sequence[Judged],
    layout: Layout,
    plan: Plan,
    units: Mapping[str, str],
    reach: Mapping[str, FamilyMaxT],
) -> dict[str, Any]:
    main = main_rows(rows, layout, plan)
    primary = [row for row in main if row.effect.primary]
    return {
        "plan": plan_sentences(layout, plan, len(units)),
        "primary": [record(row, units.get(row.effect.index, "")) for row in primary],
        "families": family_rows(
            rows, {name: (found.p_smallest, found.n_draws) for name, found in reach.items()}
        ),
        "sentences": sentences(main, layout, units, plan.alpha, exploratory=plan.primary is None),
        "findings": findings(rows, layout, plan, units),
        "alpha": plan.alpha,
        "interval": plan.level,
    }


def _does_it_hold(
    job: Job,
    layout: Layout,
    table: UnitTable,
    plan: Plan,
    rows: Sequence[Judged],
    units: Mapping[str, str],
) -> dict[str, Any]:
    """Write ``sensitivity.csv``; return what the summary says of the primary contrasts."""
    primary = [row.effect for row in rows if row.effect.primary]
    if not primary or not layout.after:
        write_csv(job.outputs["sensitivity"], _frame([], SENSITIVITY), SENSITIVITY)
        return {"with_and_without": None, "robustness": [], "assumptions": []}
    scans = scans_of(job)
    everything = table_of_all(job, scans, layout, table.indices)
    held = robustness(layout, table, everything, plan)
    shown = _frame(sensitivity_rows(held, units), SENSITIVITY)
    write_csv(job.outputs["sensitivity"], shown, SENSITIVITY)
    return {
        "with_and_without": _without_exclusions(layout, plan, everything, primary, scans),
        "robustness": robustness_sentences(held, layout.word, plan.alpha),
        "assumptions": looked_at(layout, table, primary, held),
    }


def _without_exclusions(
    layout: Layout,
    plan: Plan,
    everything: UnitTable,
    primary: Sequence[Effect],
    scans: Scans,
) -> dict[str, Any]:
    """Return the primary contrasts with every scan; ``exclusions.csv`` says why each is left out.

    The reasons are no matter of the effects: other words for one test nothing again.
    """
    return {"rows": with_and_without(layout, plan, everything, primary, scans.excluded)}


def _write_next_study(
    job: Job, layout: Layout, table: UnitTable, plan: Plan, units: Mapping[str, str]
) -> None:
    """Write ``variance_components.csv`` and ``power.csv``; empty where units are not known."""
    parts: dict[str, list[Component]] = {}
    scatter: dict[str, Variation] = {}
    if layout.word and layout.levels:
        session = _session_of(layout, plan)
        cells = accepted_cells(job, scans_of(job))
        for index in table.indices:
            own = cells_of_units(layout, cells.get(index, {}))
            if own:
                parts[index] = components(layout, own)
            scatter[index] = variation(layout, table, index, session, own, parts.get(index, []))
    rows = component_rows(parts, units)
    write_csv(
        job.outputs["variance_components"],
        _frame(rows, VARIANCE_COMPONENTS),
        VARIANCE_COMPONENTS,
    )
    designs = design_table(scatter, plan.alpha, plan.margin, units, plan.seed)
    write_csv(job.outputs["power"], _frame(designs, POWER), POWER)


def _session_of(layout: Layout, plan: Plan) -> str:
    """Return the session that a next study aims at: that of the primary contrast, else the last."""
    if plan.primary is not None and plan.primary.session in layout.after:
        return plan.primary.session
    return layout.after[-1] if layout.after else ""


def _metrics(rows: Sequence[Judged], layout: Layout, units: Mapping[str, str]) -> list[Metric]:
    out = [
        Metric("n_units", sum(len(arm) for arm in layout.levels.values()) if layout.word else 0),
        Metric("n_tests", len(rows)),
        Metric("n_undefined", sum(row.verdict == UNDEFINED for row in rows)),
    ]
    main = [row for row in rows if row.effect.primary and row.verdict != UNDEFINED]
    for i, row in enumerate(main, start=1):
        unit = units.get(row.effect.index, "1")
        level = re.sub(r"[^A-Za-z0-9]+", "_", row.effect.contrast.level)
        which = "" if len(main) == 1 else f".{i}_{level}"
        out.append(Metric(f"primary_estimate{which}", row.effect.tested.estimate, unit))
        out.append(Metric(f"primary_p{which}", row.effect.tested.p))
    return out


def _warnings(rows: Sequence[Judged], layout: Layout) -> list[str]:
    if not layout.word:
        return ["units are not known: effects are described, not tested"]
    out = warnings_of(layout.instruments, layout.before, layout.after, layout.levels)
    if len(layout.levels) > 1 and not layout.pairs:
        out.append("no control is named: treatments are not compared with each other")
    undefined = {row.reason for row in rows if row.verdict == UNDEFINED}
    for reason in sorted(undefined):
        n = sum(row.verdict == UNDEFINED and row.reason == reason for row in rows)
        out.append(f"{n} {'tests are' if n > 1 else 'test is'} undefined: {reason}")
    return out

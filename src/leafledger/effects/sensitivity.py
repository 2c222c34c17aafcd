"""Does the primary result hold without the exclusions?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.effects.analysis import effects_of
from leafledger.effects.changes import UnitTable
from leafledger.effects.effect import Effect
from leafledger.effects.families import finite
from leafledger.effects.layout import Layout
from leafledger.effects.plan import Plan


def with_and_without(
    layout: Layout,
    plan: Plan,
    all_scans: UnitTable,
    effects: Sequence[Effect],
    excluded: Mapping[str, tuple[str, str]],
) -> list[dict[str, Any]]:
    """Return each primary contrast as tested and as it would be with every scan.

    Parameters
    ----------
    layout, plan
        The design and the plan of the analysis.
    all_scans
        Unit means over all scans, excluded ones too.
    effects
        The tests on accepted scans.
    excluded
        Excluded scan -> its unit of the sheet and session; a scan of a plant counts for the whole
        plot that holds it, where plots are the experimental units.
    """
    out, owner = [], layout.owner
    for effect in effects:
        if not effect.primary:
            continue
        contrast = effect.contrast
        levels = [contrast.level, contrast.reference] if contrast.reference else [contrast.level]
        units = {unit for level in levels for unit in layout.levels.get(level, ())}
        sessions = {*layout.before, contrast.after}
        (other,) = effects_of(layout, all_scans, plan, contrast, effect.index, [effect.method])
        concerned = [
            scan
            for scan, (unit, day) in excluded.items()
            if owner.get(unit) in units and day in sessions
        ]
        out.append(
            {
                "question": contrast.question,
                "index": effect.index,
                "contrast": contrast.name,
                "method": effect.method,
                "n_excluded": len(concerned),
                "excluded": sorted(concerned),
                "with_exclusions": _shown(effect),
                "without_exclusions": _shown(other),
            }
        )
    return out


def _shown(effect: Effect) -> dict[str, Any]:
    tested = effect.tested
    values = {
        "estimate": tested.estimate,
        "ci_low": tested.ci_low,
        "ci_high": tested.ci_high,
        "ci_level": tested.ci_level,
        "p": tested.p,
        "n_units": effect.n_units,
        "n_units_reference": effect.n_reference,
        "n_missing": effect.n_missing,
    }
    return {name: finite(value) for name, value in values.items()}

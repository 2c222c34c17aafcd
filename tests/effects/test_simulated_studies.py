"""Size, coverage and power of the default primary test over simulated studies of 24 units.

2,000 studies without an effect and 1,000 with one, for every design; run as a script it prints the
figures of all tests as JSON: ``python -m tests.effects.test_simulated_studies``. The Monte Carlo
error of a size of 5 % is 0.5 %, so three of them are allowed beside the bounds of the project.
"""

import json
import sys

import numpy as np
import pytest

from leafledger.effects.analysis import effects_of
from leafledger.effects.design import contrasts, layout_from, plan_from
from leafledger.effects.unit_means import StudyData, UnitTable

METHODS = ("linear_model", "linear_model_equal", "ancova", "welch_t")
SETTINGS = {
    "primary": {"index": "I"},
    "methods": list(METHODS),
    "interval": 0.95,
    "alpha": 0.05,
    "margin": {},
    "n_draws": 99,
    "seed": 1,
}
SETTINGS["primary"]["question"] = "difference_in_change"
DESIGNS = ("no_block", "four_blocks", "pairs", "after_only", "missing", "six_and_eighteen")
N = 24
EFFECT = 1.0
BETWEEN = 0.5
"""Correlation of the values before and after of one unit."""


def treated_units(kind):
    if kind == "six_and_eighteen":
        return np.arange(N) < 6
    return np.arange(N) % 2 == 0


def layout_of(kind):
    size = {"four_blocks": 6, "pairs": 2}.get(kind)
    units = {
        f"p{i:02d}": {
            "treatment": "chelate" if treated else "water",
            "block": f"b{i // size:02d}" if size else "",
        }
        for i, treated in enumerate(treated_units(kind).tolist())
    }
    days = {"day0": "before", "day8": "after"}
    if kind == "after_only":
        del days["day0"]
    design = {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "block": "block" if size else None,
        "sessions": [{"session": day, "phase": phase} for day, phase in days.items()],
    }
    return layout_from(design, units)


def values(kind, layout, rng, effect):
    """Return unit means, shape ``(24, sessions, 1)``; blocks shift by 2 SD between sessions."""
    own = rng.normal(size=(N, 1)) * BETWEEN**0.5
    found = own + rng.normal(size=(N, 2)) * (1 - BETWEEN) ** 0.5
    if kind == "six_and_eighteen":
        found *= np.where(treated_units(kind), 3.0, 1.0)[:, None]
    if layout.blocks:
        names = sorted(set(layout.blocks.values()))
        shift = rng.normal(0, 2, size=(len(names), 2))
        found = found + shift[[names.index(layout.blocks[f"p{i:02d}"]) for i in range(N)]]
    found[:, 1] += effect * treated_units(kind)
    if kind == "missing":
        found[rng.random(found.shape) < 0.08] = np.nan
    return found[:, -len(layout.sessions) :, None]


def rates(kind, n_studies, effect, seed):
    """Return for each method the share of p below 0.05, and of intervals that hold the truth."""
    layout, rng = layout_of(kind), np.random.default_rng(seed)
    plan = plan_from(SETTINGS, layout)
    (contrast,) = [c for c in contrasts(layout) if c.question == layout.difference]
    units = tuple(f"p{i:02d}" for i in range(N))
    found, held = np.zeros(len(METHODS)), np.zeros(len(METHODS))
    for _ in range(n_studies):
        mean = values(kind, layout, rng, effect)
        table = UnitTable(units, layout.sessions, ("I",), mean, np.full(mean.shape, 0.01))
        for k, one in enumerate(effects_of(StudyData(layout, table, plan), contrast, "I", METHODS)):
            found[k] += one.tested.p < 0.05
            held[k] += one.tested.ci_low <= effect <= one.tested.ci_high
    return dict(zip(METHODS, (found / n_studies).tolist(), strict=True)), dict(
        zip(METHODS, (held / n_studies).tolist(), strict=True)
    )


@pytest.mark.slow
@pytest.mark.parametrize("kind", DESIGNS)
def test_the_default_keeps_its_level_and_loses_no_power(kind):
    size, covered = rates(kind, 2000, 0.0, 21)
    power, held = rates(kind, 1000, EFFECT, 22)
    error = 3 * (0.05 * 0.95 / 2000) ** 0.5
    least = 0.035 if kind == "pairs" else 0.04
    assert least - error < size["linear_model"] < 0.06 + error
    assert 0.94 - error < covered["linear_model"] < 0.96 + error
    assert 0.925 < held["linear_model"] < 0.975
    right = [m for m in METHODS if size[m] <= 0.06]
    # In pairs every robust error pays three points for standing unequal variances.
    loss = 0.045 if kind == "pairs" else 0.03
    assert power["linear_model"] >= max(power[m] for m in right) - loss
    assert power["linear_model"] >= power["welch_t"] - 0.01
    assert not (kind == "six_and_eighteen" and size["ancova"] < 0.15)  # why it is no default


if __name__ == "__main__":
    for name in DESIGNS:
        size, covered = rates(name, 4000, 0.0, 1)
        power, _ = rates(name, 2000, EFFECT, 2)
        row = {"design": name, "size": size, "covered": covered, "power": power}
        sys.stdout.write(json.dumps(row) + "\n")

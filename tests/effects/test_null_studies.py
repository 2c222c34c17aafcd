"""Studies in which the treatment does nothing: how often something is found all the same.

The bounds are the stated level plus a Monte Carlo allowance of about three standard deviations.
"""

import numpy as np
import pytest

from leafledger.effects.analysis import all_effects, plan_from
from leafledger.effects.changes import UnitTable
from leafledger.effects.families import judged
from leafledger.effects.independent import welch_t
from leafledger.effects.layout import layout_from
from leafledger.effects.unit_means import Reading, unit_mean

SESSIONS = ("day0", "day4", "day8", "day12")


def study(rng, n=12, n_indices=8, shared=0.7):
    """Return the unit means of a null study whose indices are correlated."""
    level = ["chelate"] * n + ["water"] * n
    names = [f"p{i:02d}" for i in range(2 * n)]
    shape = (2 * n, len(SESSIONS), n_indices)
    common = rng.normal(size=shape[:2])[:, :, None]
    plant = rng.normal(size=(2 * n, 1, n_indices))
    drift = np.arange(len(SESSIONS))[None, :, None] * 0.3
    noise = shared * common + (1 - shared**2) ** 0.5 * rng.normal(size=shape)
    mean = 10 + plant + drift + noise
    table = UnitTable(
        tuple(names), SESSIONS, tuple(f"I{k}" for k in range(n_indices)), mean, 0 * mean + 0.1
    )
    units = {name: {"treatment": word} for name, word in zip(names, level, strict=True)}
    design = {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "sessions": [
            {"session": s, "phase": "before" if s == "day0" else "after"} for s in SESSIONS
        ],
    }
    return layout_from(design, units), table


SETTINGS = {
    "primary": {"index": "I0", "question": "difference_in_change"},
    "methods": ["welch_t"],
    "interval": 0.95,
    "alpha": 0.05,
    "margin": {},
    "n_draws": 199,
    "seed": 1,
}


def count(n_studies, seed, methods=("welch_t",), **kwargs):
    """Return the share of studies with any family rejection, and with a primary one."""
    rng = np.random.default_rng(seed)
    family = primary = 0
    for _ in range(n_studies):
        layout, table = study(rng, **kwargs)
        plan = plan_from({**SETTINGS, "methods": list(methods)}, layout)
        rows = judged(all_effects(layout, table, plan), 0.05)
        found = [r for r in rows if r.verdict == "significant"]
        primary += any(r.effect.primary for r in found)
        family += any(
            not r.effect.primary and r.effect.contrast.question == "difference_in_change"
            for r in found
        )
    return family / n_studies, primary / n_studies


def test_null_studies_find_little():
    family, primary = count(150, seed=11)
    assert family <= 0.05 + 3 * (0.05 * 0.95 / 150) ** 0.5
    assert primary <= 0.05 + 3 * (0.05 * 0.95 / 150) ** 0.5


def mean_of_leaves(plant):
    return unit_mean({str(i): [Reading("s", v)] for i, v in enumerate(plant.tolist())}).mean


def test_averaging_leaves_keeps_the_error_that_counting_them_breaks():
    rng = np.random.default_rng(12)
    by_plant = by_leaf = 0
    n = 300
    for _ in range(n):
        arms = []
        for _ in range(2):
            plants = rng.normal(size=6)
            arms.append(plants[:, None] + rng.normal(scale=0.5, size=(6, 8)))
        means = [
            np.array(
                [
                    unit_mean(
                        {str(i): [Reading("s", v)] for i, v in enumerate(plant.tolist())}
                    ).mean
                    for plant in arm
                ]
            )
            for arm in arms
        ]
        by_plant += welch_t(means[0], means[1], 0.95).p < 0.05
        by_leaf += welch_t(arms[0].ravel(), arms[1].ravel(), 0.95).p < 0.05
    assert by_plant / n <= 0.05 + 3 * (0.05 * 0.95 / n) ** 0.5
    assert by_leaf / n > 0.3


@pytest.mark.slow
def test_two_thousand_null_studies():
    family, primary = count(2000, seed=13)
    assert family <= 0.06
    assert primary <= 0.06


@pytest.mark.slow
def test_two_thousand_null_studies_by_permutation():
    family, primary = count(2000, seed=14, methods=("label_permutation",), n=4, n_indices=2)
    assert family <= 0.06
    assert primary <= 0.06


@pytest.mark.parametrize("n", [4, 6, 12])
def test_coverage_of_t_intervals(n):
    """At least 5,000 studies: t-based intervals cover 93.5 to 96.5 %."""
    rng = np.random.default_rng(n)
    held = 0
    for _ in range(5000):
        found = welch_t(rng.normal(1.0, 1.0, n), rng.normal(0.0, 1.3, n), 0.95)
        held += found.ci_low <= 1.0 <= found.ci_high
    assert 0.935 <= held / 5000 <= 0.965

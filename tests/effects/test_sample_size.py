"""Whether a next study of the size that is told finds what it should: planted scatter, known truth.

The true standard deviation is worked by hand from the planted variances (conditional variance of a
bivariate normal distribution). The true number of units is found by testing simulated studies with
the linear model itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from leafledger.effects.design import Layout, Plan
from leafledger.effects.linear_model import factor_columns, fit
from leafledger.effects.sample_size import (
    FLOORED,
    NO_SCATTER,
    Design,
    Residual,
    Variation,
    design_table,
    needed_noncentrality,
    planned,
    simulated_power,
    variation,
)
from leafledger.effects.unit_means import UnitTable
from leafledger.effects.variance_components import (
    LEAF,
    SCAN,
    SESSION,
    UNIT,
    Component,
    component_rows,
    components,
    leaf_and_scan_variance,
)

SESSIONS = ("d0", "d4", "d8", "d12")
ARMS = ("chelate", "water")


def plan(margin=None):
    return Plan((), 0.95, 0.05, margin or {}, 99, 1, None)


@dataclass(frozen=True)
class Truth:
    """Planted standard deviations."""

    unit: float = 1.0
    response: float = 0.0
    """Of a unit's own response, once per session after: it grows from day to day."""
    shift: float = 0.0
    """Of a block in a session."""
    own: float = 0.3
    """Of a unit in a session."""
    leaf: float = 0.6
    blocks: int = 1

    def sd(self, leaves: int, step: int = 3) -> float:
        """Return the true residual standard deviation given the value before and the block."""
        noise = self.own**2 + self.leaf**2 / leaves
        after = self.unit**2 + (step * self.response) ** 2 + noise
        return math.sqrt(after - self.unit**4 / (self.unit**2 + noise))

    def draw(self, rng: np.random.Generator, n: int, leaves: int, blocks: int) -> np.ndarray:
        """Return leaves of 2n units in four sessions, shape (2n, 4, leaves)."""
        unit = rng.normal(0, self.unit, (2 * n, 1))
        response = rng.normal(0, self.response, (2 * n, 1)) * np.arange(4)
        shift = rng.normal(0, self.shift, (blocks, 4))[np.tile(np.arange(n) * blocks // n, 2)]
        means = unit + response + shift + rng.normal(0, self.own, (2 * n, 4))
        return means[:, :, None] + rng.normal(0, self.leaf, (2 * n, 4, leaves))


def study(truth: Truth, rng: np.random.Generator, n: int, leaves: int):
    """Return layout, means of units and scans of one study."""
    units = tuple(f"p{i:03d}" for i in range(2 * n))
    block = np.tile(np.arange(n) * truth.blocks // n, 2)
    blocks = {u: str(b) for u, b in zip(units, block, strict=True)} if truth.blocks > 1 else {}
    layout = Layout(
        "plant",
        {"chelate": units[:n], "water": units[n:]},
        "water",
        blocks,
        SESSIONS[:1],
        SESSIONS[1:],
    )
    values = truth.draw(rng, n, leaves, truth.blocks)
    return (layout, *tables(units, SESSIONS, values))


def tables(units, sessions, values):
    """Return means of units and scans, of leaves of shape (n_units, n_sessions, n_leaves)."""
    mean = values.mean(axis=2)[:, :, None]
    cells = {
        (unit, session): {str(k): [float(v)] for k, v in enumerate(values[i, j])}
        for i, unit in enumerate(units)
        for j, session in enumerate(sessions)
    }
    return UnitTable(tuple(units), tuple(sessions), ("NDVI",), mean, np.zeros(mean.shape)), cells


def known(layout, table, cells, session="d12"):
    return variation(layout, table, "NDVI", session, cells, components(layout, cells))


def true_n(truth: Truth, difference: float, leaves: int, per_block: int | None) -> float:
    """Return the units in each group at which the linear model finds the difference in 80 %."""
    rng = np.random.default_rng(77)
    found = []
    for n in (8, 10, 12, 14, 16, 18):
        blocks = n // per_block if per_block else 1
        labels = [str(b) for b in np.tile(np.arange(n) * blocks // n, 2)]
        arms = np.repeat([1, 0], n)
        from scipy.stats import t as student

        hits = 0
        for _ in range(1500):
            mean = truth.draw(rng, n, leaves, blocks).mean(axis=2)
            x = np.column_stack([arms, np.ones(2 * n), mean[:, 0], *factor_columns(labels)])
            one = fit(mean[:, 3] + difference * arms, x.astype(float), arms)
            hits += 2 * student.sf(abs(one.estimate / one.error), one.df) < 0.05
        found.append((hits / 1500, n))
    power, n = zip(*found, strict=True)
    return float(np.interp(0.8, power, n))


def told_n(found: Variation, difference: float, leaves: int) -> float:
    """Return the units in each group at which ``power.csv`` tells this detectable difference."""
    rows = design_table({"NDVI": found}, plan(), {})
    own = [(r["detectable"], r["n_units"]) for r in rows if r["n_leaves"] == leaves]
    size, n = zip(*sorted(own), strict=True)
    return float(np.exp(np.interp(math.log(difference), np.log(size), np.log(n))))


PLANTED = {
    "plants respond differently, later sessions more so": Truth(response=0.5),
    "blocks shift from day to day": Truth(shift=1.5, blocks=4),
    "both": Truth(response=0.3, shift=1.0, blocks=4),
}


@pytest.mark.slow
@pytest.mark.parametrize("case", PLANTED)
def test_told_scatter_and_size_are_right(case):
    truth, leaves = PLANTED[case], 2
    rng = np.random.default_rng(5)
    studies = [known(*study(truth, rng, 12, leaves)) for _ in range(200)]
    for other in (leaves, 1, 5):
        told = [one.sd(one.models[0], other, 1)[0] for one in studies]
        assert 0.9 < np.mean(told) / truth.sd(other) < 1.1, other
    difference = 1.2 * truth.sd(leaves)
    n = np.median([told_n(one, difference, leaves) for one in studies])
    per_block = 12 // truth.blocks if truth.blocks > 1 else None
    assert n / true_n(truth, difference, leaves, 2 if per_block else None) == pytest.approx(
        1, abs=0.15
    )


def test_scatter_of_an_earlier_session_is_its_own():
    """The session that is asked for decides: responses grow from day to day."""
    truth, rng = Truth(response=0.5), np.random.default_rng(6)
    layout, table, cells = study(truth, rng, 200, 2)
    for step, session in enumerate(SESSIONS[1:], start=1):
        found = known(layout, table, cells, session)
        assert found.session == session
        assert found.sd(found.models[0], 2, 1)[0] == pytest.approx(truth.sd(2, step), rel=0.08)


def test_change_scores_and_after_only_have_their_own_slope():
    truth, rng = Truth(), np.random.default_rng(70)
    layout, table, cells = study(truth, rng, 300, 2)
    with_before, without = known(layout, table, cells).models
    assert (with_before.before, without.before) == (True, False)
    noise = truth.own**2 + truth.leaf**2 / 2
    assert with_before.slope == pytest.approx(1 / (1 + noise), abs=0.08)
    assert without.slope == 1
    assert without.variance == pytest.approx(2 * noise, rel=0.15)
    assert without.measured == pytest.approx(2 * truth.leaf**2 / 2, rel=0.15)
    after = Layout("plant", layout.levels, "water", {}, (), SESSIONS)
    found = known(after, table, cells)
    (model,) = found.models
    assert model.slope == 0
    assert model.variance == pytest.approx(1 + noise, rel=0.15)
    assert model.measured == pytest.approx(truth.leaf**2 / 2, rel=0.15)
    assert found.sd(model, 1, 1)[0] == pytest.approx(math.sqrt(1 + 0.09 + 0.36), rel=0.05)


def test_several_before_sessions_are_averaged():
    truth, rng = Truth(), np.random.default_rng(8)
    layout, table, cells = study(truth, rng, 200, 2)
    averaged = Layout("plant", layout.levels, "water", {}, SESSIONS[:2], SESSIONS[2:])
    found = known(averaged, table, cells)
    without = found.models[-1]
    # After 0.18; before half of it, since two sessions are averaged.
    assert without.measured == pytest.approx(0.18 * 1.5, rel=0.15)
    assert found.sd(without, 2, 1)[0] ** 2 == pytest.approx(without.variance, rel=1e-9)
    assert found.sd(without, 1, 1)[0] ** 2 == pytest.approx((0.09 + 0.36) * 1.5, rel=0.15)


def test_at_the_leaves_measured_nothing_is_replaced():
    layout, table, cells = study(Truth(response=0.5), np.random.default_rng(9), 8, 3)
    found = known(layout, table, cells)
    for model in found.models:
        assert found.sd(model, 3, 1)[0] ** 2 == pytest.approx(model.variance, rel=1e-12)
        assert found.sd(model, 1, 1)[0] > found.sd(model, 3, 1)[0] > found.sd(model, 5, 1)[0]


def test_scatter_is_never_below_what_leaves_put_in():
    model = Residual(False, (), variance=0.5, df=10, slope=1.0, measured=0.8)
    found = Variation("d12", (model,), leaf=1.2, n_before=2)
    sd, remark = found.sd(model, 3, 1)
    assert (sd**2, remark) == (pytest.approx(1.2 / 3 * 1.5), FLOORED)
    (row, *_) = design_table({"NDVI": found}, plan(), {})
    assert row["reason"] == FLOORED


def test_unequal_variances_are_named_whichever_group_has_the_larger():
    rng = np.random.default_rng(10)
    layout, table, cells = study(Truth(), rng, 12, 2)
    assert known(layout, table, cells).models[0].remark == ""
    for arm in ARMS:
        values = np.array([[list(x.values()) for x in [cells[u, s] for s in SESSIONS]]
                           for u in table.units])[:, :, :, 0]  # fmt: skip
        inside = np.array([u in layout.levels[arm] for u in table.units])
        values[inside, 3] += 3 * rng.normal(size=(12, 1))
        wide = known(layout, *tables(table.units, SESSIONS, values))
        other = next(name for name in ARMS if name != arm)
        assert wide.models[0].remark.startswith(f"the variance of {arm} is ")
        assert f"times that of {other}" in wide.models[0].remark


def test_why_there_is_no_scatter_is_told():
    layout, table, cells = study(Truth(), np.random.default_rng(11), 1, 2)
    few = known(layout, table, cells)
    assert few.reason == "2 units are too few for the 2 coefficients of the model"
    assert design_table({"NDVI": few}, plan({"NDVI": 0.1}), {"NDVI": "nm"}) == [
        {"index": "NDVI", "session": "d12", "unit": "nm", "margin": 0.1, "reason": few.reason}
    ]
    never = Layout("plant", layout.levels, "water", {}, SESSIONS, ())
    assert variation(never, table, "NDVI", "", {}, []).reason == "the study has no after session"
    layout, table, cells = study(Truth(0, 0, 0, 0, 0), np.random.default_rng(11), 6, 1)
    assert known(layout, table, cells).reason == NO_SCATTER


def test_planned_models_follow_the_rules_of_the_tests():
    both = (
        Residual(True, ("block",), 1.0, 10, 0.5, 0.0, per_block=2.0),
        Residual(False, ("block",), 1.6, 11, 1.0, 0.0, per_block=2.0),
    )
    found = Variation("d12", both, n_before=1)
    design, model = planned(12, found)
    assert (design, design.df, model.before) == (Design(12, True, 6), 24 - 3 - 5, True)
    small, model = planned(4, found)  # 8 - 3 - 1 = 4 would be left: the change itself is compared
    assert (small, small.df, model.before) == (Design(4, False, 2), 5, False)
    rows = design_table({"NDVI": found}, plan(), {})
    said = {row["n_units"]: (row["covariates"], row["df"], row["sd_residual"]) for row in rows}
    assert said[12] == ("value before, block", 16, 1.0)
    assert said[4] == ("block", 5, pytest.approx(math.sqrt(1.6)))
    crowded = Variation("d12", (Residual(False, ("block", "tray"), 1.0, 9, 1.0, 0.0, 1.0, 3),))
    first = design_table({"NDVI": crowded}, plan(), {})[0]
    assert "detectable" not in first
    assert first["reason"] == "4 units in each group are too few for a model with block and tray"


@pytest.mark.parametrize("design", [Design(6, True), Design(8, True, 2)])
def test_simulated_power_is_that_of_the_linear_model(design):
    """The same studies one by one through the model of the tests; standard error 0.009 each."""
    from scipy.stats import t as student

    rng, n = np.random.default_rng(12), design.n
    needed = needed_noncentrality(float(design.df), 0.05, 0.8)
    arms = np.repeat([1, 0], n)
    labels = [str(b) for b in np.tile(np.arange(n) * design.n_blocks // n, 2)]
    hits = []
    for _ in range(2000):
        before = rng.standard_normal(2 * n)
        y = rng.standard_normal(2 * n) + needed * design.error_factor * arms
        x = np.column_stack([arms, np.ones(2 * n), before, *factor_columns(labels)])
        one = fit(y, x.astype(float), arms)
        hits.append(2 * student.sf(abs(one.estimate / one.error), one.df) < 0.05)
    assert simulated_power(design, needed, 0.05, 1) == pytest.approx(np.mean(hits), abs=0.035)


def shape_of(rows):
    return sorted({(row["n_leaves"], row["n_scans"]) for row in rows})


def test_only_leaves_and_scans_whose_variation_is_known_are_varied():
    models = (Residual(False, (), 1.0, 10, 1.0, 0.0),)
    leaves_alone = Variation("d12", models, leaf=0.3)
    assert shape_of(design_table({"NDVI": leaves_alone}, plan(), {})) == [
        (n, 1) for n in (1, 2, 3, 5)
    ]
    scans_alone = Variation("d12", models, scan=0.3, typical_leaves=7)
    assert shape_of(design_table({"NDVI": scans_alone}, plan(), {})) == [(1, 1), (1, 2)]
    many = Variation("d12", models, leaf=0.3, scan=0.1, typical_leaves=7)
    assert shape_of(design_table({"NDVI": many}, plan(), {})) == [
        (leaves, scans) for leaves in (1, 2, 3, 5, 7) for scans in (1, 2)
    ]


def test_typical_leaves_are_those_of_the_sessions_of_the_contrast():
    layout, table, cells = study(Truth(), np.random.default_rng(3), 8, 3)
    assert known(layout, table, cells).typical_leaves == 3
    for (_, session), leaves in cells.items():
        if session == "d4":
            leaves |= {str(k): [0.0] for k in range(3, 20)}
    assert known(layout, table, cells, "d12").typical_leaves == 3
    assert known(layout, table, cells, "d4").typical_leaves == 12  # median of 3 before and 20 after


def test_shares_are_of_all_components_but_that_between_sessions():
    parts = [
        Component(UNIT, 0.3, 5, 6), Component(LEAF, 0.1, 6, 12), Component(SCAN, math.nan, 0, 12),
        Component(SESSION, 9.0, 1, 2),
    ]  # fmt: skip
    rows = {row["component"]: row for row in component_rows({"NDVI": parts}, {"NDVI": "nm"})}
    assert rows[UNIT]["share"] == pytest.approx(0.75) and rows[LEAF]["share"] == pytest.approx(0.25)
    assert rows[SCAN]["share"] is None and rows[SESSION]["share"] is None
    assert rows[UNIT]["sd"] == pytest.approx(math.sqrt(0.3)) and rows[UNIT]["unit"] == "nm"
    nothing = component_rows({"NDVI": [Component(UNIT, 0.0, 5, 6)]}, {})
    assert nothing[0]["share"] is None


def test_variance_that_leaves_and_scans_put_into_a_mean_by_hand():
    """Two leaves of three scans and of one: leaf / 2, and scan (1/3 + 1) / 4."""
    leaves = {"1": [1.0, 2.0, 3.0], "2": [4.0]}
    expected = 0.4 / 2 + 0.6 * (1 / 3 + 1) / 4
    assert leaf_and_scan_variance(leaves, 0.4, 0.6) == pytest.approx(expected, rel=1e-15)
    assert leaf_and_scan_variance(leaves, math.nan, 0.6) == pytest.approx(expected - 0.2)
    assert leaf_and_scan_variance(leaves, 0.4, math.nan) == pytest.approx(0.2)

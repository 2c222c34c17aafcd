"""What was randomised decides what is compared: blocks, plots, crossed factors, lost sessions."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from tests.effects.published_data import OATS

from leafledger.effects.analysis import effects_of, factorial_tests, fieller, session_tests
from leafledger.effects.design import by_block, contrasts, layout_from, plan_from
from leafledger.effects.families import adjusted_tests, max_t_of
from leafledger.effects.mixed_model import mixed_model_tests
from leafledger.effects.robustness import robustness
from leafledger.effects.sentences import onsets
from leafledger.effects.stage import every_effect
from leafledger.effects.unit_means import StudyData, change_sample, same_numbers, unit_table

SETTINGS = {
    "primary": {"index": "I", "question": "difference_in_change"},
    "methods": ["paired_t", "signed_rank", "linear_model", "linear_model_equal", "welch_t"],
    "interval": 0.95,
    "alpha": 0.05,
    "margin": {},
    "n_draws": 199,
    "seed": 1,
}
DAYS = {"day0": "before", "day4": "after", "day8": "after"}


def design(days=DAYS, **more):
    sessions = [{"session": day, "phase": phase} for day, phase in days.items()]
    return {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "sessions": sessions,
        **more,
    }


def table(layout, values, names=("I",)):
    """Return the unit means of (unit, session) -> a value, or one for each index."""
    rows = [
        (unit, session, name, value, 0.01)
        for (unit, session), found in values.items()
        for name, value in zip(names, np.atleast_1d(found).tolist(), strict=True)
    ]
    frame = pd.DataFrame(rows, columns=["unit", "session", "index", "mean", "u"])
    return unit_table(layout, frame, names)


def grown(rng, units, effect=0.0, days=DAYS, block_shift=0.0, names=("I",)):
    """Return values that rise by ``effect`` a session in treated units; blocks shift together."""
    own = {unit: rng.normal() for unit in units}
    shift = {
        (row.get("block", ""), day): block_shift * rng.normal()
        for row in units.values()
        for day in days
    }
    return {
        (unit, day): 10
        + own[unit]
        + shift[row.get("block", ""), day]
        + effect * step * (row["treatment"] != "water")
        + rng.normal(size=len(names))
        for unit, row in units.items()
        for step, day in enumerate(days)
    }


def plants(n, treatments=("chelate", "water"), **columns):
    """Return ``n`` units, treatments in turn; a column is a function of the place."""
    return {
        f"p{i:02d}": {
            "treatment": treatments[i % len(treatments)],
            **{name: of(i) for name, of in columns.items()},
        }
        for i in range(n)
    }


def adjusted_rows(layout, means, settings=SETTINGS):
    plan = plan_from(settings, layout)
    effects = session_tests(StudyData(layout, means, plan))
    return adjusted_tests(effects, plan, twins=same_numbers(means)), plan


def one(rows, **wanted):
    def fits(row):
        effect = row.effect
        known = {
            "method": effect.method,
            "after": effect.contrast.after,
            "level": effect.contrast.level,
            "question": effect.contrast.question,
            "index": effect.index,
            "reference": effect.contrast.reference,
        }
        return all(known[name] == value for name, value in wanted.items())

    (found,) = [row for row in rows if fits(row)]
    return found


def test_blocks_stand_in_the_default_test_and_give_back_its_power():
    """Blocks 3 SD apart in their change: the linear model sees the effect, Welch's test cannot."""
    rng = np.random.default_rng(1)
    units = plants(24, block=lambda i: f"b{i // 6}")
    layout = layout_from(design(block="block"), units)
    found = {"linear_model": 0, "welch_t": 0}
    for _ in range(40):
        rows, _ = adjusted_rows(layout, table(layout, grown(rng, units, 1.0, block_shift=3.0)))
        for method in found:
            found[method] += one(rows, method=method, after="day8").effect.tested.p < 0.05
    assert found["linear_model"] > 30
    assert found["welch_t"] < 15
    main = one(rows, method="linear_model", after="day8").effect
    assert main.primary
    assert main.covariates == ("value before", "block")


def test_the_primary_method_can_be_named_and_else_follows_from_the_design():
    layout = layout_from(design(), plants(8))
    assert plan_from(SETTINGS, layout).primary.method == "linear_model"
    named = {**SETTINGS, "primary": {**SETTINGS["primary"], "method": "label_permutation"}}
    plan = plan_from(named, layout)
    assert plan.primary.method == "label_permutation"
    assert "label_permutation" in plan.methods
    older = {**SETTINGS, "methods": ["paired_t", "welch_t"]}
    assert plan_from(older, layout).primary.method == "welch_t"
    after = layout_from(design({"day4": "after"}), plants(8))
    assert plan_from(SETTINGS, after).primary.question == "difference"


def test_a_change_of_whole_blocks_counts_blocks():
    rng = np.random.default_rng(2)
    units = plants(24, block=lambda i: f"b{i // 6}")
    layout = layout_from(design(block="block"), units)
    means = table(layout, grown(rng, units, block_shift=2.0))
    rows, _ = adjusted_rows(layout, means)
    found = one(rows, method="paired_t", after="day8", level="chelate")
    values = means.mean[:, :, 0]
    change = [
        np.mean([values[i, 2] - values[i, 0] for i in range(24) if i // 6 == b and i % 2 == 0])
        for b in range(4)
    ]
    expected = stats.ttest_1samp(change, 0.0)
    assert found.effect.tested.p == pytest.approx(expected.pvalue, rel=1e-9)
    assert found.effect.tested.df == 3
    assert "means of 4 blocks" in found.note
    two = layout_from(design(block="block"), plants(12, block=lambda i: f"b{i // 6}"))
    rows, _ = adjusted_rows(two, table(two, grown(rng, plants(12, block=lambda i: f"b{i // 6}"))))
    found = one(rows, method="paired_t", after="day8", level="chelate")
    assert "two blocks are too few" in found.note
    assert found.effect.tested.df == 5


@pytest.mark.slow
def test_null_changes_of_shifting_blocks_keep_the_level():
    """Blocks that shift between sessions by as much as units vary: paired t over 600 studies."""
    rng = np.random.default_rng(3)
    units = plants(24, block=lambda i: f"b{i // 6}")
    layout = layout_from(design(block="block"), units)
    wrong = 0
    for _ in range(600):
        rows, _ = adjusted_rows(layout, table(layout, grown(rng, units, block_shift=1.0)))
        wrong += one(rows, method="paired_t", after="day8", level="water").effect.tested.p < 0.05
    assert wrong / 600 <= 0.05 + 3 * (0.05 * 0.95 / 600) ** 0.5


def test_a_unit_that_lacks_one_of_several_before_sessions_is_kept():
    days = {"day-4": "before", "day0": "before", "day8": "after"}
    units = plants(8)
    layout = layout_from(design(days), units)
    values = {
        (unit, day): float(i) + 5.0 * (day == "day0") + 2.0 * (day == "day8")
        for i, unit in enumerate(units)
        for day in days
    }
    del values["p03", "day0"]
    means = table(layout, values)
    (contrast,) = [c for c in contrasts(layout) if c.question == "difference_in_change"]
    found = change_sample(layout, means, contrast, "I")
    assert found.units == tuple(units)
    # Its mean is that of the other session, less what that session differs from the mean of both.
    assert found.before == pytest.approx([i + 2.5 for i in range(8)])
    assert found.partial == {"p03": ("day0",)}
    rows, _ = adjusted_rows(layout, means)
    note = one(rows, method="linear_model", after="day8").note
    assert "p03 lacks day0: the value before is the mean of the other before" in note


def test_a_unit_without_any_value_before_is_kept_by_the_linear_model_alone():
    rng = np.random.default_rng(4)
    units = plants(16)
    layout = layout_from(design(), units)
    values = grown(rng, units)
    del values["p05", "day0"]
    means = table(layout, values)
    rows, _ = adjusted_rows(layout, means)
    model = one(rows, method="linear_model", after="day8")
    assert (model.effect.n_units, model.effect.n_reference, model.effect.n_missing) == (8, 8, 0)
    assert "no value before for p05: as covariate the mean of the others stands in" in model.note
    welch = one(rows, method="welch_t", after="day8")
    assert (welch.effect.n_reference, welch.effect.n_missing) == (7, 1)
    # By hand: the value after on the treatment and the value before, p05 at the mean of the others.
    y, before = means.mean[:, 2, 0], means.mean[:, 0, 0].copy()
    before[5] = np.nanmean(before)
    treated = np.arange(16) % 2 == 0
    x = np.column_stack([treated, np.ones(16), before])
    expected = np.linalg.lstsq(x, y, rcond=None)[0][0]
    assert model.effect.tested.estimate == pytest.approx(expected, rel=1e-10)


def test_treated_trays_are_tested_over_trays():
    rng = np.random.default_rng(5)
    units = {
        f"p{i:02d}": {"treatment": ["chelate", "water"][(i // 4) % 2], "tray": f"t{i // 4}"}
        for i in range(32)
    }
    layout = layout_from(design(whole_plot="tray"), units)
    assert layout.word == "tray"
    assert [len(arm) for arm in layout.levels.values()] == [4, 4]
    values = grown(rng, units)
    means = table(layout, values)
    assert means.units == tuple(f"t{k}" for k in range(8))
    rows, _ = adjusted_rows(layout, means)
    change = {u: values[u, "day8"][0] - values[u, "day0"][0] for u in units}
    trays = [np.mean([change[f"p{i:02d}"] for i in range(4 * k, 4 * k + 4)]) for k in range(8)]
    expected = stats.ttest_ind(trays[0::2], trays[1::2], equal_var=False)
    found = one(rows, method="welch_t", after="day8").effect
    assert found.tested.p == pytest.approx(expected.pvalue, rel=1e-9)
    assert (found.n_units, found.n_reference) == (4, 4)


def test_treatments_within_trays_have_the_trays_as_blocks():
    units = plants(16, tray=lambda i: f"t{i // 4}", bench=lambda i: f"b{i // 8}")
    layout = layout_from(design(whole_plot="tray", block="bench"), units)
    assert layout.word == "plant"
    assert sorted(set(layout.blocks.values())) == ["b0 t0", "b0 t1", "b1 t2", "b1 t3"]
    assert layout.above["p00"] == "b0"


def test_crossed_factors_through_the_whole_way():
    """The oats of Yates as unit means of one session: R's aov with Error(Block/Variety)."""
    units, values = {}, {}
    for block, variety, nitrogen in np.ndindex(OATS.shape):
        name = f"p{block}{variety}{nitrogen}"
        units[name] = {
            "treatment": f"n{nitrogen}",
            "variety": f"v{variety}",
            "plot": f"{block}{variety}",
            "field": f"f{block}",
        }
        values[name, "day4"] = OATS[block, variety, nitrogen]
    layout = layout_from(
        design({"day4": "after"}, whole_plot="plot", block="field", control="n0"),
        *(units, {"crossed": "variety"}),
    )
    effects = factorial_tests(StudyData(layout, table(layout, values), plan_from(SETTINGS, layout)))
    effects = [e for e in effects if e.method == "factorial_f"]
    found = {e.contrast.name.partition(") ")[2]: e.tested for e in effects}
    for name, f, df2 in (
        *(("treatment", 37.68565, 45), ("variety", 1.48534, 10)),
        ("treatment x variety", 0.30282, 45),
    ):
        assert found[name].statistic == pytest.approx(f, rel=2e-5)
        assert found[name].df2 == df2


def test_pairs_of_treatments_are_those_asked_for():
    units = plants(12, ("chelate", "sulphate", "water"))
    asked = {"compare": [["chelate", "sulphate"]]}
    assert layout_from(design(), units).pairs == (("chelate", "water"), ("sulphate", "water"))
    assert layout_from(design(), units, asked).pairs == (("chelate", "sulphate"),)
    everything = layout_from(design(), units, {"compare": "all"})
    assert everything.pairs == (
        *(("chelate", "water"), ("sulphate", "water")),
        ("sulphate", "chelate"),
    )
    rows, _ = adjusted_rows(everything, table(everything, grown(np.random.default_rng(6), units)))
    primary = [r.effect.contrast for r in rows if r.effect.primary]
    assert {(c.level, c.reference) for c in primary} == {*everything.pairs[:2]}
    found = one(rows, method="welch_t", after="day8", reference="chelate").effect
    assert (found.contrast.level, found.n_units, found.n_reference) == ("sulphate", 4, 4)


def test_two_formulas_that_are_one_number_count_once():
    rng = np.random.default_rng(7)
    units, names = plants(16), ("A", "B", "C")
    layout = layout_from(design(), units)
    values = {
        key: np.array([found[0], found[1], found[0] * (1 + 1e-13)])
        for key, found in grown(rng, units, names=names).items()
    }
    means = table(layout, values, names)
    assert same_numbers(means) == {"C": "A"}
    rows, _ = adjusted_rows(layout, means, {**SETTINGS, "primary": None})
    assert {r.n_family for r in rows if r.effect.method == "welch_t"} == {
        4
    }  # 2 indices, 2 sessions
    twin, first = (one(rows, method="welch_t", after="day8", index=name) for name in "CA")
    assert (twin.p_holm, twin.verdict) == (first.p_holm, first.verdict)
    assert "the same number as A in every unit: counted once" in twin.note
    assert "counted once" not in first.note


def shown_at(p_by_day, level="chelate", reference="water"):
    """Return the judged tests of one index whose p at each session is given."""
    days = {"day0": "before", **dict.fromkeys(p_by_day, "after")}
    layout = layout_from(design(days), plants(8))
    plan = plan_from(SETTINGS, layout)
    rng = np.random.default_rng(8)
    means = table(layout, grown(rng, plants(8), days=days))
    effects = []
    for effect in session_tests(StudyData(layout, means, plan)):
        c = effect.contrast
        if effect.method == "linear_model" and (c.level, c.reference) == (level, reference):
            tested = replace(effect.tested, p=p_by_day[c.after], estimate=1.0)
            effects.append(replace(effect, tested=tested))
    return onsets(adjusted_tests(effects, plan), layout, plan)


@pytest.mark.parametrize(
    ("p", "since", "asked"),
    [
        ({"day4": 0.2, "day8": 0.03, "day12": 0.001}, "day8", 3),
        ({"day4": 0.01, "day8": 0.2, "day12": 0.001}, "day12", 2),
        ({"day4": 0.01, "day8": 0.04, "day12": 0.001}, "day4", 3),
        ({"day4": 0.01, "day8": 0.01, "day12": 0.06}, None, 1),
    ],
)
def test_the_effect_is_shown_backwards_from_the_last_session(p, since, asked):
    (found,) = shown_at(p)
    assert found["shown_from"] == since
    assert len(found["steps"]) == asked
    if since is None:
        assert "not shown at day12, so no earlier session is asked" in found["sentence"]
    elif since == "day12":
        assert "shown at day12, not at day8; earlier sessions are not asked" in found["sentence"]
    else:
        assert f"shown from {since} on" in found["sentence"]


def test_equivalence_is_adjusted_within_its_family():
    rng = np.random.default_rng(9)
    units, names = plants(24), tuple("ABCDEF")
    layout = layout_from(design(), units)
    means = table(layout, grown(rng, units, names=names), names)
    settings = {**SETTINGS, "margin": dict.fromkeys(names, 0.9)}
    rows, plan = adjusted_rows(layout, means, settings)
    family = [r for r in rows if r.effect.method == "tost"]
    assert len(family) == 12
    for row in family:
        assert row.verdict == ("equivalent" if row.p_holm < plan.alpha else "not_significant")
    assert any(r.effect.tested.p < plan.alpha and r.verdict != "equivalent" for r in family)


def test_the_joint_test_compares_after_sessions_against_the_mean_before():
    """Arms that differ between two before-sessions alone are no effect of the treatment."""
    rng = np.random.default_rng(10)
    days = {"a": "before", "b": "before", "c": "after", "d": "after"}
    units = plants(24)
    layout = layout_from(design(days), units)
    plan = plan_from({**SETTINGS, "methods": ["mixed_model_unstructured"]}, layout)
    fired = 0
    for _ in range(30):
        values = grown(rng, units, days=days)
        for i, unit in enumerate(units):
            step = 3.0 * (1 if i % 2 == 0 else -1)
            values[unit, "a"] = values[unit, "a"] + step
            values[unit, "b"] = values[unit, "b"] - step
        effects = mixed_model_tests(StudyData(layout, table(layout, values), plan))
        fired += next(e for e in effects if e.method.endswith("_f")).tested.p < 0.05
        assert next(e for e in effects if e.method.endswith("_f")).tested.df == 2
    assert fired <= 5


def test_fieller_against_its_definition():
    """The limits are where (a - r b)^2 = t^2 (var_a - 2 r cov + r^2 var_b)."""
    a, b, var_a, var_b, cov, t = 0.3, 2.0, 0.01, 0.02, -0.004, 2.1
    low, high = fieller(a, b, var_a, var_b, cov, t)
    for r in (low, high):
        assert (a - r * b) ** 2 == pytest.approx(t**2 * (var_a - 2 * r * cov + r**2 * var_b))
    assert low < a / b < high
    assert all(math.isnan(limit) for limit in fieller(a, 0.1, var_a, var_b, cov, t))


def test_percent_of_a_change_knows_that_it_shares_the_value_before():
    rng = np.random.default_rng(11)
    covered = 0
    for _ in range(300):
        before = 10 + rng.normal(size=12)
        units = plants(12, ("chelate",))
        layout = layout_from(design({"day0": "before", "day8": "after"}, control=None), units)
        values = {(u, "day0"): before[i] for i, u in enumerate(units)}
        values |= {(u, "day8"): 12 + rng.normal() for u in units}
        (contrast,) = contrasts(layout)
        plan = plan_from({**SETTINGS, "primary": None}, layout)
        (effect,) = effects_of(
            StudyData(layout, table(layout, values), plan), contrast, "I", ["paired_t"]
        )
        covered += effect.percent.low < 20.0 < effect.percent.high
    assert 0.91 < covered / 300 < 0.985


def test_percent_within_blocks_knows_the_scatter_within_them():
    """Blocks far apart before: the mean before is known by the scatter within blocks."""
    rng = np.random.default_rng(21)
    units = plants(16, block=lambda i: "AB"[i // 8])
    layout = layout_from(design(block="block"), units)
    values = grown(rng, units)
    for (unit, _), value in values.items():
        value += 15.0 * (units[unit]["block"] == "B")
    means = table(layout, values)
    rows, _ = adjusted_rows(layout, means)
    effect = one(rows, method="linear_model", after="day8").effect
    before = means.mean[:, 0, 0]
    within = sum(half.var(ddof=0) * 8 for half in (before[:8], before[8:])) / 14
    assert before.var(ddof=1) > 10 * within
    tested = effect.tested
    t = stats.t.ppf(0.975, tested.df)
    error = (tested.ci_high - tested.ci_low) / (2 * t)
    expected = fieller(tested.estimate, before.mean(), error**2, within / 16, 0.0, t)
    found = (effect.percent.low, effect.percent.high)
    assert found == pytest.approx(tuple(100 * limit for limit in expected), rel=1e-9)


def test_the_shift_of_a_before_session_comes_from_complete_units_however_few():
    """One complete unit gives the shift for all; without one, no unit with gaps is kept."""
    days = {"dayA": "before", "dayB": "before", "day8": "after"}
    units = plants(6)
    layout = layout_from(design(days), units)
    rises = {"dayA": 0.0, "dayB": 4.0, "day8": 9.0}
    values = {(u, day): 10.0 * i + rises[day] for i, u in enumerate(units) for day in days}
    for i, unit in enumerate(units):
        if i:  # p00 alone has both
            del values[unit, ["dayA", "dayB"][(i // 2) % 2]]
    between, within = (
        next(c for c in contrasts(layout) if bool(c.reference) == wanted)
        for wanted in (True, False)
    )
    found = change_sample(layout, table(layout, values), between, "I")
    assert found.units == tuple(units)
    assert found.before == pytest.approx([10.0 * i + 2.0 for i in range(6)])
    assert found.change == pytest.approx([7.0] * 6)
    # Within a treatment the error of the shift would not cancel: complete units only.
    assert change_sample(layout, table(layout, values), within, "I").units == ("p00",)
    del values["p00", "dayA"]
    found = change_sample(layout, table(layout, values), between, "I")
    assert found.units == ()
    assert found.n_missing == 6


def test_a_before_session_that_one_treatment_lacks_is_left_out_for_all():
    days = {"dayA": "before", "dayB": "before", "day8": "after"}
    units = plants(12)
    layout = layout_from(design(days), units)
    rng = np.random.default_rng(14)
    values = {
        (unit, day): 10 + 5.0 * (day == "dayB") + rng.normal(0, 0.1)
        for unit in units
        for day in days
        if not (day == "dayA" and units[unit]["treatment"] == "chelate")
    }
    means = table(layout, values)
    rows, _ = adjusted_rows(layout, means)
    for row in rows:
        effect = row.effect
        if effect.contrast.level == "chelate" or effect.contrast.reference:
            expected = 0.0 if effect.contrast.reference else -5.0
            assert effect.tested.estimate == pytest.approx(expected, abs=0.3)
    note = one(rows, method="linear_model", after="day8").note
    assert "dayA left out for all: not every treatment has a value there" in note
    gone = {key: value for key, value in values.items() if key[1] != "dayA"}
    rows, _ = adjusted_rows(layout, table(layout, gone))
    assert one(rows, method="linear_model", after="day8").effect.tested.estimate == pytest.approx(
        0.0, abs=0.3
    )


def test_an_arm_without_any_value_before_is_not_tested():
    rng = np.random.default_rng(15)
    units = plants(24)
    layout = layout_from(design(), units)
    values = grown(rng, units, effect=5.0)
    for unit, row in units.items():
        if row["treatment"] == "chelate":
            del values[unit, "day0"]
    rows, _ = adjusted_rows(layout, table(layout, values))
    for method in ("linear_model", "linear_model_equal", "welch_t"):
        found = one(rows, method=method, after="day8")
        assert found.verdict == "undefined"
        assert "the treatment cannot be told from the session" in found.note


@pytest.mark.parametrize("seed", range(6))
def test_odd_designs_end_in_rows_and_reasons(seed):
    """Random losses, blocks of any size, covariates and strata: never an error, never silence."""
    rng = np.random.default_rng(100 + seed)
    n = int(rng.integers(6, 20))
    names = ("chelate", "sulphate", "water")[-int(rng.integers(2, 4)) :]
    units = plants(
        *(n, names),
        block=lambda i: f"b{i // int(2 + seed % 4)}",
        pot=lambda i: f"t{i % 3}",
        kind=lambda i: "KL"[int(i > n // 3)],
    )
    days = {"a": "before", "b": "before", "c": "after", "d": "after"}
    asked = {
        "covariates": ["pot", "kind"],
        "strata": "kind",
        "crossed": "kind",
        "compare": "all",
    }
    layout = layout_from(design(days, block="block"), units, asked)
    values = {
        key: value
        for key, value in grown(rng, units, 1.0, days, names=("I", "J")).items()
        if rng.random() > 0.12
    }
    means = table(layout, values, ("I", "J"))
    methods = ["paired_t", "signed_rank", "linear_model", "welch_t", "label_permutation", "ancova"]
    settings = {**SETTINGS, "methods": methods, "margin": {"I": 0.5}, "strata": "kind"}
    plan = plan_from(settings, layout)
    rows = adjusted_tests(every_effect(StudyData(layout, means, plan)), plan)
    for row in rows:
        assert row.effect.tested.remark or math.isfinite(row.effect.tested.p)
    for held in robustness(StudyData(layout, means, plan), means):
        assert held.row.verdict == "undefined" or math.isfinite(held.row.effect.tested.p)


def test_a_whole_plot_factor_is_not_moved_by_units_lost_unequally():
    """No effect of the cultivar, a large one of the treatment, six treated plants lost in K."""
    units = plants(32, tray=lambda i: f"t{i // 4}", cultivar=lambda i: "KL"[(i // 4) % 2])
    asked = {"crossed": "cultivar"}
    layout = layout_from(design({"day4": "after"}, whole_plot="tray"), units, asked)
    lost = [
        u for u, row in units.items() if row["cultivar"] == "K" and row["treatment"] == "chelate"
    ]
    plan = plan_from(SETTINGS, layout)
    calls = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        values = {
            (unit, "day4"): 6.0 * (row["treatment"] == "chelate") + rng.normal()
            for unit, row in units.items()
            if unit not in lost[:6]
        }
        effects = factorial_tests(StudyData(layout, table(layout, values), plan))
        (found,) = [
            e
            for e in effects
            if e.contrast.name.endswith(" cultivar")
            and e.method == "factorial_f"
            and " x " not in e.contrast.name
        ]
        assert (found.n_units, found.covariates) == (8, ())
        calls += found.tested.p < 0.05
    assert calls <= 9


def test_a_factor_inside_treated_plots_is_tested_inside_them():
    """The oats turned round: varieties are the treatment of whole plots, nitrogen inside them."""
    units, values = {}, {}
    for block, variety, nitrogen in np.ndindex(OATS.shape):
        name = f"p{block}{variety}{nitrogen}"
        units[name] = {
            "treatment": f"v{variety}",
            "nitrogen": f"n{nitrogen}",
            "plot": f"{block}{variety}",
            "field": f"f{block}",
        }
        values[name, "day4"] = OATS[block, variety, nitrogen]
    sheet = design({"day4": "after"}, whole_plot="plot", block="field", control="v0")
    asked = {"crossed": "nitrogen"}
    assert layout_from(sheet, units, asked).word == "plot"
    layout = layout_from(sheet, units, asked, inside_plots=True)
    effects = factorial_tests(StudyData(layout, table(layout, values), plan_from(SETTINGS, layout)))
    effects = [e for e in effects if e.method == "factorial_f"]
    found = {e.contrast.name.partition(") ")[2]: e.tested for e in effects}
    for name, f, df2 in (
        *(("nitrogen", 37.68565, 45), ("treatment", 1.48534, 10)),
        ("treatment x nitrogen", 0.30282, 45),
    ):
        assert found[name].statistic == pytest.approx(f, rel=2e-5)
        assert found[name].df2 == df2


def fieller_ends(a, b, var_a, var_b, cov, t):
    """Return the ratios r at which (a - r b)^2 = t^2 (var_a - 2 r cov + r^2 var_b), from NumPy."""
    square = b**2 - t**2 * var_b
    return np.sort(np.roots([square, -2 * (a * b - t**2 * cov), a**2 - t**2 * var_a]).real)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_percent_of_a_change_is_fieller_over_the_units(sign):
    """Change and value before of the same units, so that their covariance enters."""
    rng = np.random.default_rng(21)
    units = plants(7, ("chelate",))
    before = sign * (0.5 + 0.05 * rng.normal(size=7))
    after = before * 1.1 + 0.02 * rng.normal(size=7)
    days = {"day0": "before", "day8": "after"}
    layout = layout_from(design(days, control=None), units)
    values = {(unit, "day0"): before[i] for i, unit in enumerate(units)}
    values |= {(unit, "day8"): after[i] for i, unit in enumerate(units)}
    (contrast,) = contrasts(layout)
    plan = plan_from({**SETTINGS, "primary": None}, layout)
    (effect,) = effects_of(
        StudyData(layout, table(layout, values), plan), contrast, "I", ["paired_t"]
    )
    change, size = after - before, abs(before.mean())
    cov = np.cov(change, before)[0, 1] / 7 * sign
    spread = change.var(ddof=1) / 7, before.var(ddof=1) / 7
    low, high = fieller_ends(change.mean(), size, *spread, cov, stats.t.ppf(0.975, 6))
    assert effect.percent.value == pytest.approx(100 * change.mean() / size, rel=1e-12)
    assert (effect.percent.low, effect.percent.high) == pytest.approx((100 * low, 100 * high))


def test_percent_of_a_difference_is_fieller_over_all_units_before_or_over_the_reference():
    rng = np.random.default_rng(22)
    units = plants(14)
    treated = np.array([row["treatment"] == "chelate" for row in units.values()])
    before = 0.5 + 0.05 * rng.normal(size=14)
    after = before + 0.04 * treated + 0.02 * rng.normal(size=14)
    for days in ({"day0": "before", "day8": "after"}, {"day8": "after"}):
        layout = layout_from(design(days), units)
        values = {(unit, "day8"): after[i] for i, unit in enumerate(units)}
        if "day0" in days:
            values |= {(unit, "day0"): before[i] for i, unit in enumerate(units)}
        found = next(c for c in contrasts(layout) if c.reference)
        settings = {**SETTINGS, "primary": None}
        means, plan = table(layout, values), plan_from(settings, layout)
        (effect,) = effects_of(StudyData(layout, means, plan), found, "I", ["welch_t"])
        own = after - before if "day0" in days else after
        welch = stats.ttest_ind(own[treated], own[~treated], equal_var=False)
        base = before if "day0" in days else after[~treated]
        var_a = own[treated].var(ddof=1) / 7 + own[~treated].var(ddof=1) / 7
        var_b = base.var(ddof=1) / len(base)
        cov = 0.0 if "day0" in days else -var_b
        a = own[treated].mean() - own[~treated].mean()
        ends = fieller_ends(a, base.mean(), var_a, var_b, cov, stats.t.ppf(0.975, welch.df))
        assert effect.percent.value == pytest.approx(100 * a / base.mean(), rel=1e-10)
        assert (effect.percent.low, effect.percent.high) == pytest.approx(tuple(100 * ends))


def test_days_are_counted_from_the_first_session():
    sessions = [
        {"session": "start", "phase": "before", "date": "2026-02-26"},
        {"session": "early", "phase": "after", "date": "2026-03-02"},
        {"session": "late", "phase": "after", "date": "2026-03-12"},
    ]
    layout = layout_from({**design(), "sessions": sessions}, plants(8))
    assert layout.times == {"start": 0.0, "early": 4.0, "late": 14.0}
    assert layout.time_word == "day"
    undated = [{k: v for k, v in s.items() if k != "date"} for s in sessions]
    layout = layout_from({**design(), "sessions": undated}, plants(8))
    assert layout.times == {"start": 0.0, "early": 1.0, "late": 2.0}
    assert layout.time_word == "session"


def test_a_treatment_that_has_blocks_of_its_own_is_not_told_from_them():
    def why(block, treatments=("chelate", "water"), pair=("chelate", "water")):
        units = plants(12, treatments, block=block)
        return by_block(layout_from(design(block="block"), units), *pair)

    assert why(lambda i: "AB"[i % 2]) == (
        "no block holds both chelate and water: the treatment cannot be told from the block"
    )
    assert why(lambda i: "ABCD"[i % 4]).startswith("no block holds both")
    assert why(lambda i: "AB"[i // 2 % 2]) == ""
    assert why(lambda i: "ABBB"[i % 4]) == ""  # block B holds both
    assert why(lambda i: "A") == ""
    assert why(lambda i: "AB"[i % 2], pair=("chelate", "none")) == ""


def test_a_smallest_p_that_equals_alpha_is_out_of_reach():
    """Three and three units have 20 arrangements: p is 2 / 20 at best, and p < 0.1 is asked."""
    units = plants(6)
    layout = layout_from(design({"day8": "after"}), units)
    means = table(layout, {(unit, "day8"): 1.0 + i for i, unit in enumerate(units)})
    for alpha, words in (
        (0.1, "; so few units reach p = 0.1 at best: significance at 0.1 is out of reach"),
        (0.11, "attain is 90 %"),
    ):
        settings = {**SETTINGS, "primary": None, "methods": ["label_permutation"], "alpha": alpha}
        (row,) = adjusted_rows(layout, means, settings)[0]
        assert row.effect.tested.p_smallest == 0.1
        assert row.note.endswith(words)


def test_whole_plots_of_a_study_that_names_no_unit_stay_without_a_word():
    units = plants(8, tray_row=lambda i: f"t{i % 4}")
    for unit, word in (("plant", "tray row"), (None, "")):
        layout = layout_from(design(unit=unit, whole_plot="tray_row"), units)
        assert sorted(layout.owner.values()) == sorted(f"t{i % 4}" for i in range(8))
        assert layout.word == word


def test_the_largest_t_of_several_treatments_counts_each_pair():
    """Each treatment against the control is a permutation of its own: p times their number."""
    units = plants(18, ("acid", "base", "water"))
    values = grown(np.random.default_rng(14), units, effect=0.7)
    settings = {**SETTINGS, "methods": ["welch_t"], "primary": None}

    def largest(compare):
        layout = layout_from(design(), units, {"compare": compare})
        data = StudyData(layout, table(layout, values), plan_from(settings, layout))
        return max_t_of(data, session_tests(data))

    both, reach = largest("control")
    (family,) = reach
    for level in ("acid", "base"):
        alone, reach_alone = largest([[level, "water"]])
        assert len(alone) == 2
        for key, p in alone.items():
            assert both[key] == pytest.approx(min(1.0, 2 * p))
        assert reach[family].p_smallest == pytest.approx(2 * reach_alone[family].p_smallest)
    assert 0 < min(both.values()) < 0.5


@pytest.mark.parametrize(("p", "since"), [(0.024, "day4"), (0.026, "day8")])
def test_an_earlier_session_of_two_primary_contrasts_is_asked_at_half_of_alpha(p, since):
    units = plants(18, ("acid", "base", "water"))
    layout = layout_from(design(), units)
    plan = plan_from(SETTINGS, layout)
    means = table(layout, grown(np.random.default_rng(15), units))
    p_at = {"day4": p, "day8": 1e-3}
    effects = [
        replace(e, tested=replace(e.tested, p=p_at[e.contrast.after], estimate=1.0))
        for e in session_tests(StudyData(layout, means, plan))
        if e.method == "linear_model"
    ]
    first, second = onsets(adjusted_tests(effects, plan), layout, plan)
    assert first["alpha"] == second["alpha"] == 0.025
    assert first["shown_from"] == second["shown_from"] == since

"""Least squares, power and variance components against published values.

Sources
-------
Anorexia: Hand et al. (1993), A Handbook of Small Data Sets, set 285; analysis of covariance by
R 4.2.2. Only moments are given here, and the samples are rebuilt with them.
Norris, SiRstv, SmLs01, SmLs07: NIST Statistical Reference Datasets, certified values.
Maize: Darwin (1876); Fisher (1935), The Design of Experiments, sections 17 and 21.
Power: Cohen (1988) tables; R power.t.test and package pwr.
"""

import math
from decimal import Decimal

import numpy as np
import pytest

from leafledger.effects.changes import Sample
from leafledger.effects.layout import Layout
from leafledger.effects.linear_model import ancova, interaction, trend
from leafledger.effects.paired import paired_t, sign_flip
from leafledger.effects.power import needed_noncentrality, simulated_power, two_sample_power
from leafledger.effects.unit_means import Reading
from leafledger.effects.variance_components import components, one_way
from leafledger.effects.variation_tables import grouped

NORRIS = """0.1 0.2/338.8 337.4/118.1 118.2/888.0 884.6/9.2 10.1/228.1 226.5/668.5 666.3/
998.5 996.3/
449.1 448.6/778.9 777.0/559.2 558.2/0.3 0.4/0.1 0.6/778.1 775.5/668.8 666.9/339.3 338.0/
448.9 447.5/10.8 11.6/557.7 556.0/228.3 228.1/998.0 995.8/888.8 887.6/119.6 120.2/
0.3 0.3/0.6 0.3/557.6 556.8/339.3 339.1/888.0 887.2/998.5 999.0/778.9 779.0/10.2 11.1/
117.6 118.3/228.9 229.2/668.4 669.1/449.2 448.9/0.2 0.5"""
SIRSTV = [
    [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
    [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
    [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
    [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
    [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
]
CENTRES = [4, 3, 5, 3, 5, 3, 5, 3, 5]
MAIZE = np.array([49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]) / 8.0


def simulated_set(offset):
    """Return NIST's SmLs sets: nine groups of 21, tenths about a centre."""
    tenths = [[c, *([c - 1, c + 1] * 10)] for c in CENTRES]
    return [[Decimal(offset) + Decimal(t) / 10 for t in group] for group in tenths]


@pytest.mark.parametrize("offset", [1, 1000, 1_000_000, 1_000_000_000_000])
def test_nist_simulated_sets(offset):
    found = one_way(simulated_set(offset))
    assert (found.df_between, found.df_within) == (8, 180)
    assert found.ss_between == pytest.approx(1.68, rel=1e-12)
    assert found.ss_within == pytest.approx(1.8, rel=1e-12)
    assert found.f == pytest.approx(21.0, rel=1e-12)


def test_nist_simulated_set_in_double_precision():
    """SmLs07 as doubles: the data themselves hold 13 digits and 1e-4, so F holds three."""
    groups = [[float(v) for v in group] for group in simulated_set(10**12)]
    assert one_way(groups).f == pytest.approx(21.0, rel=5e-3)


def test_nist_silicon_resistivity():
    found = one_way(SIRSTV)
    assert (found.df_between, found.df_within) == (4, 20)
    assert found.ss_between == pytest.approx(5.11462616e-02, rel=1e-10)
    assert found.ss_within == pytest.approx(2.16636560e-01, rel=1e-10)
    assert found.f == pytest.approx(1.18046237440255, rel=1e-10)


def test_nist_norris_line():
    data = np.array([[float(v) for v in row.split()] for row in NORRIS.split("/")])
    found = trend(data[:, 0], data[:, 1], ["all"] * 36, 0.95, 0.0)
    assert found.estimate == pytest.approx(1.00211681802045, rel=1e-12)
    error = found.estimate / found.statistic
    assert error == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert found.df == 34


def test_darwin_maize():
    """Fisher: mean 20.93 eighths, t = 2.148 with 14 degrees of freedom; 1,726 of 32,768."""
    found = paired_t(MAIZE, 0.95)
    assert found.estimate * 8 == pytest.approx(20.9333, abs=1e-4)
    assert found.statistic == pytest.approx(2.148, abs=5e-4)
    assert (found.df, round(found.p, 4)) == (14, 0.0497)
    assert sign_flip(MAIZE, 0.95, 99, 1).p == 1726 / 32768


def two_moments(n, before, change, r):
    """Return two columns of ``n`` values with exactly these means, SDs and correlation."""
    raw = np.column_stack([np.sin(np.arange(n) * 1.7), np.cos(np.arange(n) * 2.9)])
    raw = raw - raw.mean(axis=0)
    q, _ = np.linalg.qr(raw)
    z = q * math.sqrt(n - 1)
    one = z[:, 0]
    two = r * one + math.sqrt(1 - r**2) * z[:, 1]
    return before[0] + before[1] * one, change[0] + change[1] * two


def test_anorexia_covariance_analysis():
    family = two_moments(
        *(17, (83.22941176470589, 5.0166927235333985)),
        *((7.264705882352942, 7.15742107679772), -0.0636240465287643),
    )
    control = two_moments(
        *(26, (81.5576923076923, 5.707060404581195)),
        *((-0.449999999999999, 7.988704525766366), -0.8102514558695024),
    )
    before, change = (np.concatenate(pair) for pair in zip(family, control, strict=True))
    treated = np.arange(43) < 17
    tested, size = ancova(sample_of(before, change, treated), ["all"] * 43, 0.95)
    assert tested.estimate == pytest.approx(9.03357257444422, rel=1e-10)
    assert tested.statistic == pytest.approx(4.44678007370938, rel=1e-10)
    assert tested.p == pytest.approx(6.76777968538214e-05, rel=1e-9)
    assert tested.df == 40
    assert size.low < size.g < size.high
    # the value after in place of the change: the same coefficient
    after = ancova(sample_of(before, before + change, treated), ["all"] * 43, 0.95)[0]
    assert after.estimate == pytest.approx(tested.estimate, rel=1e-10)
    assert after.p == pytest.approx(tested.p, rel=1e-8)


def sample_of(before, change, treated):
    n = len(before)
    names = tuple(f"u{i:02d}" for i in range(n))
    u = np.full(n, np.nan)
    return Sample(names, change, before, treated, u, ("d0", "d4"), {}, 0, 1e-12)


def test_swapping_groups_changes_the_sign_of_covariance_analysis_and_no_digit():
    rng = np.random.default_rng(5)
    before, change = rng.normal(size=13), rng.normal(size=13)
    treated = np.arange(13) % 3 == 0
    one = ancova(sample_of(before, change, treated), ["A", "B"] * 6 + ["A"], 0.95)
    two = ancova(sample_of(before, change, ~treated), ["A", "B"] * 6 + ["A"], 0.95)
    assert repr(one[0].p) == repr(two[0].p)
    assert (one[0].estimate, one[0].ci_low) == (-two[0].estimate, -two[0].ci_high)
    assert (one[1].g, one[1].low) == (-two[1].g, -two[1].high)


def test_covariance_analysis_without_variation_before_or_units_says_so():
    rng = np.random.default_rng(6)
    treated = np.arange(8) < 4
    flat, _ = ancova(sample_of(np.ones(8), rng.normal(size=8), treated), [""] * 8, 0.95)
    assert flat.remark == "all values before are equal: there is nothing to adjust the change for"
    assert math.isnan(flat.p)
    same, _ = ancova(sample_of(treated * 1.0, rng.normal(size=8), treated), [""] * 8, 0.95)
    assert same.remark == "the treatment cannot be told from the other columns"
    few, _ = ancova(sample_of(np.arange(3.0), np.arange(3.0) ** 2, treated[2:5]), [""] * 3, 0.95)
    assert few.remark == "3 units are too few for the 3 coefficients of the model"
    assert math.isnan(few.p)


def test_interaction_by_hand_in_a_balanced_table():
    """Two by two with three units a cell: F = square of the t of the difference of differences."""
    rng = np.random.default_rng(7)
    y = rng.normal(size=12)
    groups, strata = ["t", "t", "t", "c", "c", "c"] * 2, ["K"] * 6 + ["L"] * 6
    found = interaction(y, groups, strata, [""] * 12, 0.0)
    cells = y.reshape(4, 3)
    means, within = cells.mean(axis=1), cells.var(axis=1, ddof=1).mean()
    contrast = means[0] - means[1] - means[2] + means[3]
    assert found.statistic == pytest.approx(contrast**2 / (within * 4 / 3), rel=1e-10)
    assert (found.df, found.df2) == (1, 8)
    empty = interaction(y[:9], groups[:9], strata[:9], [""] * 9, 0.0)
    assert empty.remark == "not every stratum holds both treatments"


@pytest.mark.parametrize(
    ("d", "n"),
    [
        *((0.2, 393.406656228309), (0.3, 175.38509659749), (0.5, 63.7657637248441)),
        *((0.8, 25.524631229888), (1.0, 16.7147598311521)),
    ],
)
def test_power_of_two_samples(d, n):
    assert two_sample_power(d * math.sqrt(n / 2), 2 * n - 2, 0.05) == pytest.approx(
        0.8, abs=2e-6
    )  # R stops near n
    needed = needed_noncentrality(2 * n - 2, 0.05, 0.8)
    assert needed == pytest.approx(d * math.sqrt(n / 2), rel=1e-5)


def test_power_strict():
    """R power.t.test with strict = TRUE: both tails count."""
    assert two_sample_power(0.5 * math.sqrt(10), 38, 0.05) == pytest.approx(
        0.33793902892509, abs=1e-8
    )
    assert two_sample_power(0.5 * math.sqrt(32), 126, 0.05) == pytest.approx(
        0.801459557922328, abs=1e-8
    )
    assert two_sample_power(0.0, 20, 0.05) == pytest.approx(0.05, abs=1e-9)
    assert two_sample_power(90.0, 6, 0.05) == 1.0


@pytest.mark.parametrize("n", [6, 12, 24])
def test_power_is_what_simulation_finds(n):
    """4,000 studies: standard error 0.0063; Welch loses a little against the pooled test."""
    needed = needed_noncentrality(2.0 * n - 2, 0.05, 0.8)
    assert simulated_power(n, needed, 0.05, 1) == pytest.approx(0.8, abs=0.025)


def test_components_are_recovered():
    """Planted variances, 24 units, 4 sessions, 3 leaves, 2 scans; means over 40 studies."""
    rng = np.random.default_rng(8)
    units = [f"p{i:02d}" for i in range(24)]
    sessions = ("d0", "d4", "d8", "d12")
    layout = Layout(
        "plant", {"a": tuple(units[:12]), "b": tuple(units[12:])}, "b", {}, ("d0",), sessions[1:]
    )
    sds = {"unit": 2.0, "unit_x_session": 1.0, "leaf": 1.5, "scan": 0.5}
    found = {name: [] for name in sds}
    for _ in range(40):
        unit = rng.normal(0, sds["unit"], 24)
        cells = {}
        for i, name in enumerate(units):
            for j, session in enumerate(sessions):
                here = unit[i] + rng.normal(0, sds["unit_x_session"]) + 3.0 * j * (i < 12)
                cells[name, session] = {
                    str(k): list(here + rng.normal(0, 1.5) + rng.normal(0, 0.5, 2))
                    for k in range(3)
                }
        for part in components(layout, cells):
            if part.name in found:
                found[part.name].append(part.variance)
    for name, sd in sds.items():
        spread = np.std(found[name], ddof=1) / math.sqrt(40)
        assert np.mean(found[name]) == pytest.approx(sd**2, abs=4 * spread), name


def test_scans_without_leaf_are_leaves_of_their_own():
    key = ("p1", "d0", "NDVI")
    rows = [(key, "", Reading("a", 1.0)), (key, "", Reading("b", 2.0)), (key, "1", Reading("c", 3))]
    assert len(grouped(rows)["NDVI"]["p1", "d0"]) == 3

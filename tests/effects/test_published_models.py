"""Least squares, power and variance components against published values.

Sources
-------
Norris, SiRstv, SmLs01, SmLs07: NIST Statistical Reference Datasets, certified values.
Maize: Darwin (1876); Fisher (1935), The Design of Experiments, sections 17 and 21.
Power: Cohen (1988) tables; R power.t.test and package pwr.
"""

import math
from decimal import Decimal

import numpy as np
import pytest

from leafledger.effects.design import Layout
from leafledger.effects.linear_model import LEAST_SQUARES, fit
from leafledger.effects.sample_size import (
    Design,
    needed_noncentrality,
    simulated_power,
    two_sample_power,
)
from leafledger.effects.two_sample_tests import paired_t, sign_flip
from leafledger.effects.variance_components import (
    components,
    one_way,
    rows_of_leaves,
    values_of_leaves,
)

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
    x = np.column_stack([data[:, 1], np.ones(36)])
    found = fit(data[:, 0], x, np.zeros(36, dtype=int), LEAST_SQUARES)
    assert found.estimate == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.error == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert found.df == 34


def test_darwin_maize():
    """Fisher: mean 20.93 eighths, t = 2.148 with 14 degrees of freedom; 1,726 of 32,768."""
    found = paired_t(MAIZE, 0.95)
    assert found.estimate * 8 == pytest.approx(20.9333, abs=1e-4)
    assert found.statistic == pytest.approx(2.148, abs=5e-4)
    assert (found.df, round(found.p, 4)) == (14, 0.0497)
    assert sign_flip(MAIZE, 0.95, 99, 1).p == 1726 / 32768


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


@pytest.mark.parametrize(
    "design",
    [Design(6), Design(12), Design(24), Design(12, True), Design(12, True, 6), Design(8, False, 8)],
)
def test_power_is_what_simulation_finds(design):
    """4,000 studies: standard error 0.0063; working variances by arm lose a little."""
    needed = needed_noncentrality(float(design.df), 0.05, 0.8)
    assert simulated_power(design, needed, 0.05, 1) == pytest.approx(0.8, abs=0.03)


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
    places = {"a": ("p1", "d0", ""), "b": ("p1", "d0", ""), "c": ("p1", "d0", "1")}
    rows = rows_of_leaves(places, ["a", "b", "c"])
    assert rows == {("p1", "d0"): {"leaf 1": [2], "scan a": [0], "scan b": [1]}}
    found = values_of_leaves(rows, np.array([1.0, math.nan, 3.0]))
    assert found == {("p1", "d0"): {"leaf 1": [3.0], "scan a": [1.0]}}
    assert values_of_leaves(rows, np.full(3, math.nan)) == {}

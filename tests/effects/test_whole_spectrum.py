"""The simultaneous band over all wavelengths."""

import itertools
import math
import warnings
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from leafledger.effects import whole_spectrum as spectrum_module
from leafledger.effects.design import DIFFERENCE, Contrast, Layout
from leafledger.effects.two_sample_tests import difference
from leafledger.effects.whole_spectrum import Compared, simultaneous_bands, unit_spectra
from leafledger.resampling.permutation import generator, label_permutations
from leafledger.study.table_files import Spectra


def simultaneous_band(changes, treated, blocks, level, n_draws, seed):
    """Return the band of one treatment against the control in one session."""
    (band,) = simultaneous_bands(
        changes[:, None, :], treated.astype(int), [Compared(1, 0, 0)], blocks, level, n_draws, seed
    )
    return band


def test_estimate_and_width_are_those_of_welch_at_each_wavelength():
    rng = np.random.default_rng(1)
    changes = rng.normal(size=(14, 30))
    treated = np.arange(14) % 2 == 1
    band = simultaneous_band(changes, treated, [""] * 14, 0.95, 999, 1)
    widths = []
    for k in range(30):
        found = difference(changes[treated, k], changes[~treated, k])
        assert band.estimate[k] == pytest.approx(found.estimate, abs=1e-12)
        widths.append((band.high[k] - band.estimate[k]) / found.error)
    assert np.ptp(widths) < 1e-9  # one quantile for all wavelengths
    assert widths[0] > 2.5  # wider than the band of a single wavelength


def test_quantile_by_hand_enumeration():
    rng = np.random.default_rng(2)
    changes = rng.normal(size=(8, 5))
    treated = np.arange(8) < 4
    largest = []
    for chosen in itertools.combinations(range(8), 4):
        held = np.isin(np.arange(8), chosen)
        found = [difference(changes[held, k], changes[~held, k]) for k in range(5)]
        largest.append(max(abs(f.estimate) / f.error for f in found))
    q = sorted(largest, reverse=True)[math.floor(0.05 * 70)]
    band = simultaneous_band(changes, treated, [""] * 8, 0.95, 999, 1)
    error = difference(changes[treated, 0], changes[~treated, 0]).error
    assert band.high[0] - band.estimate[0] == pytest.approx(q * error, rel=1e-9)


def test_swapping_arms_mirrors_the_band():
    rng = np.random.default_rng(3)
    changes = rng.normal(size=(24, 12))
    treated = np.arange(24) % 3 == 0
    blocks = ["A", "B"] * 12
    one = simultaneous_band(changes, treated, blocks, 0.95, 199, 1)
    two = simultaneous_band(changes, ~treated, blocks, 0.95, 199, 1)
    assert np.array_equal(one.estimate, -two.estimate)
    assert np.array_equal(one.low, -two.high)


def test_too_few_arrangements_give_no_band():
    band = simultaneous_band(
        np.random.default_rng(4).normal(size=(4, 6)),
        np.array([True, True, False, False]),
        [""] * 4,
        0.95,
        999,
        1,
    )
    assert np.isnan(band.low).all()
    assert np.isfinite(band.estimate).all()


def t_of(values, labels, one, other, blocks):
    """Return |t| of one label against another by statsmodels: least squares, HC2 errors."""
    on = np.isin(labels, [one, other]) & np.isfinite(values)
    own = [b for b, o in zip(blocks, on, strict=True) if o]
    columns = [np.array([b == name for b in own], float) for name in sorted(set(own))]
    fit = sm.OLS(values[on], np.column_stack([labels[on] == one, *columns])).fit(cov_type="HC2")
    return fit.params[0], fit.bse[0]


def test_one_quantile_for_all_sessions_and_treatments_by_plain_loops():
    """All 90 x 6 ways to deal out three treatments in two blocks, two sessions."""
    rng = np.random.default_rng(21)
    blocks = ["A"] * 6 + ["B"] * 3
    labels = np.array([0, 0, 1, 1, 2, 2, 0, 1, 2])
    changes = rng.normal(size=(9, 2, 3)) + np.repeat([0.0, 5.0], [6, 3])[:, None, None]
    compared = [Compared(k, 0, s) for s in (0, 1) for k in (1, 2)]
    rows = {
        one + two
        for one in set(itertools.permutations(labels[:6].tolist()))
        for two in itertools.permutations(labels[6:].tolist())
    }
    assert len(rows) == 540
    bands = simultaneous_bands(changes, labels, compared, blocks, 0.9, 999, 1)
    widths = []
    for band, c in zip(bands, compared, strict=True):
        for k in range(3):
            beta, error = t_of(changes[:, c.session, k], labels, c.treated, 0, blocks)
            assert band.estimate[k] == pytest.approx(beta, rel=1e-9)
            widths.append((band.high[k] - beta) / error)
    assert np.ptp(widths) < 1e-9
    dealt = label_permutations(labels, blocks, 9, generator(1), 5000)
    assert {tuple(row) for row in dealt.labels.tolist()} == rows
    exact = exact_quantile(changes, compared, blocks, sorted(rows), 54)
    assert widths[0] == pytest.approx(exact, rel=1e-9)


def exact_quantile(changes, compared, blocks, rows, k):
    """Return the k-th falling largest |t| of all arrangements, by the normal equations."""
    largest = []
    for row in rows:
        held = np.array(row)
        most = 0.0
        for c in compared:
            on = np.isin(held, [c.treated, 0])
            own = np.array(blocks)[on]
            x = np.column_stack([held[on] == c.treated, own == "A", own == "B"]).astype(float)
            inverse = np.linalg.inv(x.T @ x)
            y = changes[on, c.session]
            fitted = inverse @ x.T @ y
            weight = 1 / (1 - np.einsum("ij,jk,ik->i", x, inverse, x))
            for j in range(y.shape[1]):
                e2 = (y[:, j] - x @ fitted[:, j]) ** 2 * weight
                variance = (inverse @ (x.T * e2) @ x @ inverse)[0, 0]
                most = max(most, abs(fitted[0, j]) / variance**0.5)
        largest.append(most)
    return sorted(largest, reverse=True)[k]


def test_more_sessions_make_the_band_wider():
    rng = np.random.default_rng(22)
    changes, labels = rng.normal(size=(16, 3, 10)), np.arange(16) % 2
    one = simultaneous_bands(changes, labels, [Compared(1, 0, 0)], [""] * 16, 0.95, 999, 1)[0]
    three = simultaneous_bands(
        changes, labels, [Compared(1, 0, s) for s in range(3)], [""] * 16, 0.95, 999, 1
    )[0]
    assert one.estimate == pytest.approx(three.estimate)
    assert (three.high - three.low > 1.05 * (one.high - one.low)).all()


def test_missing_units_take_no_part_and_sparse_sessions_do_not_widen_the_others():
    rng = np.random.default_rng(23)
    changes, labels = rng.normal(size=(20, 3, 6)), np.arange(20) % 2
    changes[4, 0] = np.nan
    changes[5:, 1] = np.nan  # 3 and 2 units are left
    changes[1:, 2] = np.nan  # one unit is left
    compared = [Compared(1, 0, s) for s in range(3)]
    bands = simultaneous_bands(changes, labels, compared, [""] * 20, 0.95, 999, 1)
    assert bands[2] is None
    for s in (0, 1):
        for k in range(6):
            beta, _ = t_of(changes[:, s, k], labels, 1, 0, [""] * 20)
            assert bands[s].estimate[k] == pytest.approx(beta)
    alone = simultaneous_bands(changes, labels, compared[:1], [""] * 20, 0.95, 999, 1)[0]
    widening = (bands[0].high - bands[0].low) / (alone.high - alone.low)
    assert (widening < 1.4).all()
    assert (bands[1].high - bands[1].low).min() > 1.5 * (bands[0].high - bands[0].low).max()


def test_treatments_without_a_common_block_have_no_band():
    changes = np.random.default_rng(24).normal(size=(8, 1, 4))
    labels, blocks = np.repeat([0, 1], 4), ["A"] * 4 + ["B"] * 4
    assert simultaneous_bands(changes, labels, [Compared(1, 0, 0)], blocks, 0.9, 99, 1) == [None]


def test_wavelengths_that_do_not_vary_have_an_estimate_and_no_band():
    changes = np.random.default_rng(25).normal(size=(12, 4))
    treated = np.arange(12) < 6
    changes[:, 2] = np.where(treated, 0.2, 0.1)
    band = simultaneous_band(changes, treated, [""] * 12, 0.95, 999, 1)
    assert band.estimate[2] == pytest.approx(0.1)
    assert np.isnan(band.low).tolist() == [False, False, True, False]


@pytest.mark.slow
def test_three_null_sessions_leave_zero_as_seldom_as_the_level_says():
    """Any exceedance over 20 smooth wavelengths and 3 after-sessions: 3 to 7.5 % of 400 studies."""
    rng = np.random.default_rng(26)
    labels = np.arange(16) % 2
    compared = [Compared(1, 0, s) for s in range(3)]
    n, together, apart = 400, 0, 0
    for k in range(n):
        before = np.cumsum(rng.normal(size=(16, 1, 20)), axis=2)
        changes = np.cumsum(rng.normal(size=(16, 3, 20)), axis=2) - before

        def left(asked):
            bands = simultaneous_bands(changes, labels, asked, [""] * 16, 0.95, 199, k)  # noqa: B023
            return any(((b.low > 0) | (b.high < 0)).any() for b in bands)

        together += left(compared)
        apart += any(left([c]) for c in compared)  # a band of its own for every session
    assert 0.03 <= together / n <= 0.075
    assert apart / n > 0.08


def test_null_band_rarely_leaves_zero():
    rng = np.random.default_rng(5)
    treated = np.arange(12) < 6
    outside = 0
    n = 150
    for _ in range(n):
        changes = np.cumsum(rng.normal(size=(12, 20)), axis=1)
        band = simultaneous_band(changes, treated, [""] * 12, 0.95, 199, 1)
        outside += bool(((band.low > 0) | (band.high < 0)).any())
    assert outside / n <= 0.05 + 3 * (0.05 * 0.95 / n) ** 0.5


def test_planted_step_is_found_where_it_is():
    rng = np.random.default_rng(6)
    changes = rng.normal(0, 0.01, size=(20, 50))
    treated = np.arange(20) < 10
    changes[:10, 20:30] += 0.05
    band = simultaneous_band(changes, treated, [""] * 20, 0.95, 999, 1)
    moved = (band.low > 0) | (band.high < 0)
    assert moved[20:30].all()
    assert not moved[:20].any()
    assert not moved[30:].any()


def test_unit_spectra_weigh_leaves_alike():
    rows = pd.DataFrame(
        {
            "scan": ["a", "b", "c", "d"],
            "unit": ["p1", "p1", "p1", "p2"],
            "session": ["d0"] * 4,
            "leaf": ["1", "1", "2", ""],
        }
    )
    values = np.array([[1.0], [3.0], [6.0], [5.0]])
    found = unit_spectra(values, rows, ["p1", "p2"], ["d0", "d4"])
    assert found[0, 0, 0] == 4.0
    assert found[1, 0, 0] == 5.0
    assert np.isnan(found[:, 1]).all()


def parts_of(rows, values, axis, sessions):
    """Yield each session with its spectra, as they come from the files."""
    for session in sessions:
        here = (rows["session"] == session).to_numpy()
        yield session, Spectra(values[here], axis, rows[here])


def test_without_a_before_session_the_values_after_are_compared(monkeypatch):
    """Layout without a before session: the band is of the means themselves."""
    rng = np.random.default_rng(27)
    units = [f"p{i:02d}" for i in range(10)]
    levels = {"dry": tuple(units[::2]), "wet": tuple(units[1::2])}
    layout = Layout("plant", levels, "wet", {}, (), ("d4", "d8"))
    rows = pd.DataFrame(
        [(f"{u}{s}", u, s, "1") for u in units for s in layout.after],
        columns=["scan", "unit", "session", "leaf"],
    )
    values = rng.normal(0.3, 0.01, (len(rows), 5))
    seen = {}

    def load(*_, sessions):
        seen["sessions"] = sessions
        yield from parts_of(rows, values, np.arange(500.0, 505.0), sessions)

    asked = [Contrast(DIFFERENCE, f"{s}@dry-wet", s, "dry", "wet", "") for s in layout.after]
    monkeypatch.setattr(spectrum_module, "spectra_of_sessions", load)
    monkeypatch.setattr(spectrum_module, "contrasts", lambda _: asked)
    job = SimpleNamespace(
        by_session=lambda _: {}, inputs={"accepted": 0, "range": 0}, settings={"units": {}}
    )
    plan = SimpleNamespace(level=0.95, n_draws=999, seed=1)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        table = spectrum_module.spectrum_table(job, layout, plan)
    assert seen["sessions"] == ("d4", "d8")
    assert list(table["contrast"].unique()) == ["d4@dry-wet", "d8@dry-wet"]
    on = {s: values[(rows["session"] == s).to_numpy()] for s in layout.after}
    for s in layout.after:
        expected = on[s][::2].mean(axis=0) - on[s][1::2].mean(axis=0)
        found = table[table["contrast"] == f"{s}@dry-wet"]
        assert found["estimate"].to_numpy() == pytest.approx(expected)
        assert (found["low"] < found["high"]).all()
        assert set(found["n_units"]) == set(found["n_units_reference"]) == {5}


def spectrum_of(monkeypatch, layout, rows, values):
    """Return ``spectrum_effects.csv`` of spectra in the rows."""

    def load(*_, sessions):
        yield from parts_of(rows, values, np.arange(500.0, 503.0), sessions)

    monkeypatch.setattr(spectrum_module, "spectra_of_sessions", load)
    inputs = {"accepted": 0, "range": 0}
    job = SimpleNamespace(by_session=lambda _: {}, inputs=inputs, settings={"units": {}})
    plan = SimpleNamespace(level=0.95, n_draws=199, seed=1)
    return spectrum_module.spectrum_table(job, layout, plan)


def test_a_unit_that_lacks_a_before_session_takes_part_in_the_band(monkeypatch):
    """As for the indices: its mean before is that of its other session, less the shift of it."""
    rng = np.random.default_rng(31)
    units = [f"p{i:02d}" for i in range(10)]
    levels = {"dry": tuple(units[::2]), "wet": tuple(units[1::2])}
    layout = Layout("plant", levels, "wet", {}, ("dA", "dB"), ("d8",))
    own = dict(zip(units, rng.normal(0.3, 0.05, 10), strict=True))
    shift = {"dA": 0.0, "dB": 0.08, "d8": 0.2}
    gone = {("p03", "dB"), ("p04", "dA")}
    kept = [(u, s) for u in units for s in shift if (u, s) not in gone]
    rows = pd.DataFrame(
        [(f"{u}{s}", u, s, "1") for u, s in kept], columns=["scan", "unit", "session", "leaf"]
    )
    rise = {u: rng.normal(0.02 * (u in levels["dry"]), 0.01) for u in units}
    values = np.array([[own[u] + shift[s] + rise[u] * (s == "d8")] * 3 for u, s in kept])
    found = spectrum_of(monkeypatch, layout, rows, values)
    assert set(found["n_units"]) == set(found["n_units_reference"]) == {5}
    expected = np.mean([rise[u] for u in levels["dry"]]) - np.mean([rise[u] for u in levels["wet"]])
    assert found["estimate"].to_numpy() == pytest.approx([expected] * 3)


def test_treated_plots_are_the_units_of_the_band(monkeypatch):
    """Four trays of three plants: a tray has the mean of its plants that were measured."""
    rng = np.random.default_rng(32)
    plants = {f"p{i:02d}": f"t{i // 3}" for i in range(12)}
    parts = {t: tuple(u for u, of in plants.items() if of == t) for t in ("t0", "t1", "t2", "t3")}
    levels = {"dry": ("t0", "t2"), "wet": ("t1", "t3")}
    layout = Layout("tray", levels, "wet", {}, (), ("d8",), parts=parts)
    measured = [u for u in plants if u != "p01"]
    rows = pd.DataFrame(
        [(u, u, "d8", "1") for u in measured], columns=["scan", "unit", "session", "leaf"]
    )
    values = rng.normal(0.3, 0.05, (len(measured), 3))
    found = spectrum_of(monkeypatch, layout, rows, values)
    assert set(found["n_units"]) == set(found["n_units_reference"]) == {2}
    tray = {t: values[[plants[u] == t for u in measured]].mean(axis=0) for t in parts}
    expected = (tray["t0"] + tray["t2"] - tray["t1"] - tray["t3"]) / 2
    assert found["estimate"].to_numpy() == pytest.approx(expected)


def test_the_band_of_the_second_largest_of_35_arrangements():
    """Three and four units: 35 arrangements, of which one may lie beyond the band at 95 %."""
    changes, treated = np.random.default_rng(41).normal(size=(7, 4)), np.arange(7) < 3
    largest = []
    for chosen in itertools.combinations(range(7), 3):
        held = np.isin(np.arange(7), chosen)
        found = [difference(changes[held, k], changes[~held, k]) for k in range(4)]
        largest.append(max(abs(f.estimate) / f.error for f in found))
    band = simultaneous_band(changes, treated, [""] * 7, 0.95, 999, 1)
    error = difference(changes[treated, 0], changes[~treated, 0]).error
    q = (band.high[0] - band.estimate[0]) / error
    assert q == pytest.approx(sorted(largest, reverse=True)[1], rel=1e-9)


def test_the_band_of_drawn_arrangements_counts_the_observed_one():
    """19 draws and the observed labels: one of twenty may lie beyond, the largest draw does not."""
    changes, labels = np.random.default_rng(42).normal(size=(24, 3)), np.arange(24) % 2
    drawn = label_permutations(labels, [""] * 24, 19, generator(1, "whole_spectrum"), 5000).labels
    largest = []
    for row in drawn:
        found = [difference(changes[row == 1, k], changes[row == 0, k]) for k in range(3)]
        largest.append(max(abs(f.estimate) / f.error for f in found))
    band = simultaneous_band(changes, labels == 1, [""] * 24, 0.95, 19, 1)
    error = difference(changes[labels == 1, 0], changes[labels == 0, 0]).error
    assert (band.high[0] - band.estimate[0]) / error == pytest.approx(max(largest), rel=1e-9)
    assert np.isnan(simultaneous_band(changes, labels == 1, [""] * 24, 0.95, 18, 1).low).all()


def test_small_differences_beside_a_large_value_count():
    """A wavelength that varies by a millionth of the largest change sets the band too."""
    rng, treated = np.random.default_rng(43), np.arange(12) < 6
    small = 1e-6 * rng.normal(size=(12, 2))
    alone = simultaneous_band(small, treated, [""] * 12, 0.95, 999, 1)
    beside = simultaneous_band(
        np.column_stack([small, np.ones(12)]), treated, [""] * 12, 0.95, 999, 1
    )
    assert (alone.high - alone.low > 0).all()
    np.testing.assert_allclose(beside.high[:2] - beside.low[:2], alone.high - alone.low, rtol=1e-9)


def test_units_of_each_group_are_counted_by_themselves(monkeypatch):
    units = [f"p{i:02d}" for i in range(10)]
    levels = {"dry": tuple(units[:3]), "wet": tuple(units[3:])}
    layout = Layout("plant", levels, "wet", {}, (), ("d8",))
    rows = pd.DataFrame(
        [(u, u, "d8", "1") for u in units], columns=["scan", "unit", "session", "leaf"]
    )
    values = np.random.default_rng(44).normal(0.3, 0.05, (10, 3))
    found = spectrum_of(monkeypatch, layout, rows, values)
    assert (set(found["n_units"]), set(found["n_units_reference"])) == ({3}, {7})

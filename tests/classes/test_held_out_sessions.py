"""Classes that are told by the day they were handled, and classes that are not."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from leafledger.classes import negative_controls
from leafledger.classes.fold_fit import DECISIONS, Procedure, batched_predictor
from leafledger.classes.negative_controls import (
    held_out_sessions,
    session_interval,
    session_warnings,
)
from leafledger.resampling.intervals import wilson_interval
from leafledger.resampling.splits import assign_folds, unseen_days_scheme

N_UNITS, N_LEAVES, N_SHAPES = 24, 2, 8


def study(seed: int, n_days: int, handling: float, gap: float):
    """Return data and plan: two classes whose plants differ by ``gap``, handled by the day."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 1, 40)
    shapes = np.stack([np.sin((i + 1) * np.pi * x) for i in range(N_SHAPES)])
    labels = np.arange(N_UNITS) % 2
    plants = (
        rng.normal(size=(N_UNITS, N_SHAPES))
        + gap * np.random.default_rng(3).normal(size=(2, N_SHAPES))[labels]
    )
    parts = []
    for _ in range(n_days):
        shift = handling * rng.normal(size=(2, N_SHAPES))
        scores = np.repeat(plants + shift[labels], N_LEAVES, axis=0)
        scores = scores + 0.4 * rng.normal(size=scores.shape)
        parts.append(0.4 + 0.02 * scores @ shapes + 0.001 * rng.normal(size=(len(scores), 40)))
    units = np.tile(np.repeat(np.arange(N_UNITS), N_LEAVES), n_days)
    day = np.repeat(np.arange(n_days), N_UNITS * N_LEAVES)
    fold = assign_folds(labels, np.zeros(N_UNITS, dtype=int), 5, rng)[units]
    data = SimpleNamespace(
        spectra=np.concatenate(parts), codes=labels[units], unit_of=units, day=day,
        sessions=tuple(f"day{i}" for i in range(n_days)),
    )  # fmt: skip
    schemes = (unseen_days_scheme(fold, day), unseen_days_scheme(fold, day, seen=True))
    return data, SimpleNamespace(unseen_days=schemes, widths=(8,))


def outcome(seed: int, n_days: int, handling: float, gap: float):
    data, plan = study(seed, n_days, handling, gap)
    predictor = batched_predictor(data.spectra, "none", Procedure(2, 8, DECISIONS))
    return held_out_sessions(data, plan, [predictor], 0.05)


@pytest.mark.parametrize("seen", [False, True])
def test_no_unit_and_no_held_out_day_is_trained_on(seen):
    data, plan = study(0, 3, 0.0, 0.5)
    scheme = plan.unseen_days[int(seen)]
    assert (scheme.fold >= 0).all() and scheme.n_folds == 15
    for i, outer in enumerate(scheme.outer):
        test, trained = scheme.fold == i, scheme.training[outer]
        assert not set(data.unit_of[trained]) & set(data.unit_of[test])
        (held,) = set(data.day[test])
        assert (held in set(data.day[trained])) == seen
        assert len(set(data.day[trained])) == 2
        for inner, judged in scheme.inner[i]:
            assert not (judged & ~trained).any()
            assert not set(data.unit_of[scheme.training[inner]]) & set(data.unit_of[judged])


@pytest.mark.parametrize("n_days", [2, 3])
def test_handling_by_the_day_is_warned_of_and_the_interval_holds_the_new_day(n_days):
    """No difference between plants: a new day gives one half, whatever the default split says."""
    found = [outcome(seed, n_days, 0.8, 0.0) for seed in range(8)]
    assert sum(one.day_specific for one in found) >= 7
    assert all(one.low <= 0.5 <= one.high for one in found)
    assert np.mean([one.accuracy + one.gap for one in found]) > 0.65
    (text,) = session_warnings(found[0], 0.8, "treatment")
    assert "told apart by the day they were handled" in text and "80 %" in text


def test_clean_days_are_not_warned_of_and_count_units():
    found = [outcome(seed, 2, 0.0, 0.5) for seed in range(8)]
    assert sum(one.day_specific for one in found) <= 1
    assert all(one.high - one.low < 0.5 for one in found if not one.day_specific)
    assert session_warnings(found[0], 0.8, "treatment") == []
    assert set(found[0].by_session) == {"day0", "day1"}
    assert np.mean(list(found[0].by_session.values())) == pytest.approx(found[0].accuracy)


def test_the_interval_by_hand():
    """24 units, 3 sessions, gap 0.3: the variance of half right is 0.25 / 24 + 0.09 / 6."""
    trials = 0.25 / (0.25 / 24 + 0.09 / 6)
    found = session_interval(0.5, 0.3, 24, 3)
    assert found == pytest.approx(wilson_interval(trials / 2, trials), abs=1e-12)
    # No gap, or a negative one: units are the trials.
    assert session_interval(0.5, -0.3, 24, 3) == pytest.approx(wilson_interval(12, 24), abs=1e-12)
    # All right and all wrong have limits too, and the interval never is that of less than a trial.
    assert session_interval(1.0, 0.0, 24, 2)[1] == 1.0
    assert session_interval(0.0, 1.0, 24, 2) == pytest.approx(wilson_interval(0, 1), abs=1e-12)


@pytest.mark.slow
@pytest.mark.parametrize("n_days", [2, 3, pytest.param(4, marks=pytest.mark.longest)])
def test_class_by_day_intervals_cover(n_days):
    """No difference between plants, strong handling by class and day: a new day gives one half.

    400 studies each: 93 to 97 %, and two Monte Carlo errors of 1.1 points. Sessions as trials (less
    one) covered 100 %.
    """
    found = [outcome(1000 + seed, n_days, 0.8, 0.0) for seed in range(400)]
    assert sum(one.day_specific for one in found) >= 0.92 * len(found)
    covered = np.mean([one.low <= 0.5 <= one.high for one in found])
    assert 0.93 - 0.022 <= covered <= 0.97 + 0.022


@pytest.mark.parametrize(
    ("n_gaining", "margin", "specific"),
    [
        (12, 0.4, True),  # every unit gains half of its scans: 0.5
        (12, 0.6, False),  # beyond chance, within the margin
        (1, 0.01, False),  # beyond the margin, within chance: 0.042 of 1.645 times 0.042
    ],
)
def test_a_gap_counts_beyond_the_margin_and_beyond_chance(monkeypatch, n_gaining, margin, specific):
    """Twelve units of two scans; that many are right once more if the session was seen."""
    units, day = np.repeat(np.arange(12), 2), np.tile([0, 1], 12)
    codes = units % 2
    unseen = np.where((day == 0) & (units < n_gaining), 1 - codes, codes)
    said = {"unseen": unseen[None], "seen": codes[None]}
    monkeypatch.setattr(
        negative_controls, "nested_predictions", lambda predictors, scheme, *rest: said[scheme]
    )
    data = SimpleNamespace(codes=codes, unit_of=units, day=day, sessions=("d0", "d1"))
    plan = SimpleNamespace(unseen_days=("unseen", "seen"), widths=(2,))
    found = held_out_sessions(data, plan, [], margin)
    assert found.gap == pytest.approx(n_gaining / 24)
    assert found.accuracy == pytest.approx(1 - n_gaining / 24)
    assert found.by_session == {"d0": pytest.approx(1 - n_gaining / 12), "d1": 1.0}
    assert found.day_specific is specific

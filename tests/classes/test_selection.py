"""The one-standard-error rule, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.resampling.splits import CountedLosses, choose, unit_shares


def test_fewest_within_one_standard_error_of_the_best():
    # Four units; losses at 1 to 4 latent variables. Means: 0.75, 0.375, 0.25, 0.3: the best is
    # three. Two lose (0.5, 0, 0, 0) more, unit by unit: mean 0.125, standard deviation 0.25,
    # standard error 0.125: just near enough. One loses (1, 0.5, 0.5, 0): mean 0.5, standard error
    # 0.204: not near.
    losses = np.array(
        [[1.0, 0.5, 1.0, 0.5], [0.5, 0.0, 0.5, 0.5], [0.0, 0.0, 0.5, 0.5], [0.2, 0.2, 0.4, 0.4]]
    )
    choice = choose(losses[None, None])
    assert choice.standard_error[0, 0, 2] == pytest.approx(0.1443375673, abs=1e-9)
    assert choice.n_components.tolist() == [2]
    assert choice.best_n_components.tolist() == [3]


def test_a_constant_loss_more_is_never_within_the_error():
    losses = np.tile(np.array([0.5, 0.4, 0.3])[:, None], (1, 1, 1, 5)).reshape(1, 1, 3, 5)
    choice = choose(losses)
    assert choice.n_components.tolist() == choice.best_n_components.tolist() == [3]


def test_the_rule_never_works_across_candidates():
    """A simpler candidate within one standard error of the best is not taken for it."""
    flat = np.full((2, 1, 2, 4), 0.4)
    assert choose(flat).candidate.tolist() == [0], "ties go to the first listed"
    # The second is best with two latent variables; the first is within one standard error with
    # one.
    flat[0, 0, 0] = [0.3, 0.1, 0.5, 0.1]
    flat[1, 0, 0] = [0.9, 0.9, 0.9, 0.9]
    flat[1, 0, 1] = [0.2, 0.3, 0.2, 0.2]
    choice = choose(flat)
    assert (choice.candidate.tolist(), choice.n_components.tolist()) == ([1], [2])


def test_the_search_widens_only_while_the_losses_fall():
    rng = np.random.default_rng(0)
    units = rng.normal(0, 0.01, size=(1, 1, 1, 30))
    falling = np.maximum(0.9 - 0.04 * np.arange(40), 0.22)[:, None] + units
    flat = np.full((40, 1), 0.5) + units
    assert choose(falling, (12, 18, 27, 40)).width.tolist() == [27], "flat from the 18th on"
    assert choose(flat, (12, 18, 27, 40)).width.tolist() == [12]
    short = choose(falling[:, :, :12], (12, 18, 27, 40))
    assert short.width.tolist() == [12] and short.rising.tolist() == [True]
    assert choose(falling, (12,)).n_components.max() <= 12


@pytest.mark.parametrize("seed", range(6))
def test_losses_kept_as_counts_choose_the_same(seed):
    """Digit for digit what the losses as numbers give, with and without a widened search."""
    rng = np.random.default_rng(seed)
    scans = rng.integers(1, 12, 40)
    share = np.linspace(0.8, 0.3, 18)[:, None] if seed % 2 else 0.4
    wrong = rng.binomial(scans, np.broadcast_to(share, (3, 18, 40))).astype(np.uint8)
    for widths in (None, (6, 9, 14, 18)):
        counted = choose(CountedLosses(wrong, scans), widths)
        plain = choose((wrong / scans)[:, None], widths)
        for name in ("candidate", "n_components", "best_n_components", "width", "rising"):
            assert getattr(counted, name).tolist() == getattr(plain, name).tolist(), name
        np.testing.assert_array_equal(counted.loss, plain.loss)
        np.testing.assert_array_equal(counted.standard_error, plain.standard_error)


def test_labellings_are_chosen_for_one_by_one():
    losses = np.full((1, 2, 3, 4), 0.5)
    losses[0, 0, 0] = 0.0
    losses[0, 1, 2] = 0.0
    assert choose(losses).n_components.tolist() == [1, 3]


def test_a_unit_counts_once_however_many_scans_it_has():
    wrong = np.array([1.0, 1.0, 1.0, 1.0, 0.0])
    assert unit_shares(wrong, np.array([0, 0, 0, 0, 1])).mean() == 0.5


def test_one_standard_error_and_no_more():
    """Of 16 units 2, 1 and 0 are wrong: means .125 and .0625, standard errors .0854 and .0625."""
    losses = np.zeros((1, 1, 3, 16))
    losses[0, 0, 0, :2], losses[0, 0, 1, 3] = 1.0, 1.0
    assert choose(losses).n_components.tolist() == [2]

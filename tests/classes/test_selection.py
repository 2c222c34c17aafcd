"""The one-standard-error rule, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.classes.selection import choose, unit_shares


def test_fewest_within_one_standard_error_of_the_best():
    # Four units; losses at 1 to 4 latent variables. Means: 0.75, 0.375, 0.25, 0.3. The best is
    # three, with standard deviation 0.288675 and standard error 0.144338: 0.394338 is near enough,
    # so two are chosen.
    losses = np.array(
        [[1.0, 0.5, 1.0, 0.5], [0.5, 0.0, 0.5, 0.5], [0.0, 0.0, 0.5, 0.5], [0.2, 0.2, 0.4, 0.4]]
    )
    choice = choose(losses[None, None])
    assert choice.standard_error[0, 0, 2] == pytest.approx(0.1443375673, abs=1e-9)
    assert choice.n_components.tolist() == [2]
    assert choice.best_n_components.tolist() == [3]


def test_no_spread_means_the_best_itself():
    losses = np.tile(np.array([0.5, 0.4, 0.3])[:, None], (1, 1, 1, 5)).reshape(1, 1, 3, 5)
    choice = choose(losses)
    assert choice.n_components.tolist() == choice.best_n_components.tolist() == [3]


def test_preprocessings_compete_and_ties_go_to_the_first_listed():
    flat = np.full((2, 1, 2, 3), 0.4)
    assert choose(flat).step.tolist() == [0]
    flat[1, 0, 0] = 0.1
    choice = choose(flat)
    assert (choice.step.tolist(), choice.n_components.tolist()) == ([1], [1])
    assert choice.best_step.tolist() == [1]
    # The second step needs two latent variables for its small loss; the first is far off.
    flat[1, 0] = [[0.9, 0.9, 0.9], [0.1, 0.1, 0.1]]
    choice = choose(flat)
    assert (choice.step.tolist(), choice.n_components.tolist()) == ([1], [2])


def test_labellings_are_chosen_for_one_by_one():
    losses = np.full((1, 2, 3, 4), 0.5)
    losses[0, 0, 0] = 0.0
    losses[0, 1, 2] = 0.0
    assert choose(losses).n_components.tolist() == [1, 3]


def test_a_unit_counts_once_however_many_scans_it_has():
    wrong = np.array([1.0, 1.0, 1.0, 1.0, 0.0])
    assert unit_shares(wrong, np.array([0, 0, 0, 0, 1])).mean() == 0.5

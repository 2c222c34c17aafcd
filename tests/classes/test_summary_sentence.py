"""The finding of a classifier in words: every number of it is one of the summary."""

from __future__ import annotations

from typing import Any

from leafledger.classes.class_tables import sentence


def told(**changes: Any) -> dict[str, Any]:
    """Return a summary of three classes, with changes."""
    found = {
        "classes": ["A", "B", "C"],
        "target": "cultivar",
        "accuracy": 0.812,
        "majority_accuracy": 0.5,
        "ci_level": 0.9,
        "wilson": [0.61, 0.92],
        "n_units_tested": 24,
        "unit": "plant",
        "n_components": 1,
        "p_permutation": 0.0049,
        "n_draws": 203,
        "all_arrangements": False,
    }
    return {**found, **changes}


def test_every_number_is_said_once_and_as_percent() -> None:
    days = {"accuracy": 0.65, "interval": [0.51, 0.74], "day_specific": True}
    weak = {"class": "C", "sensitivity": 0.4, "interval": [0.2, 0.6], "n_units": 8}
    assert sentence(told(held_out_sessions=days, weakest_class=weak)) == (
        "Of scans left out of training, 81.2 % were put in the right one of 3 classes of cultivar "
        "(always naming the largest class: 50 %), 90 % interval 61 to 92 %, n = 24 plants; "
        "on sessions that it was not trained on 65 % (51 to 74 %), which is what to expect of "
        "another day, permutation p = 0.0049 (203 draws); weakest class: C, 40 %; "
        "the final model has 1 latent variable."
    )


def test_what_is_not_known_is_left_out() -> None:
    weak = {"class": "B", "sensitivity": 0.4, "interval": [0.2, 0.6], "n_units": 8}
    two = told(classes=["A", "B"], weakest_class=weak, p_permutation=None, unit="", n_components=3)
    assert sentence(two) == (
        "Of scans left out of training, 81.2 % were put in the right one of 2 classes of cultivar "
        "(always naming the largest class: 50 %), 90 % interval 61 to 92 %, n = 24 scans, units "
        "unknown; the final model has 3 latent variables."
    )
    days = {"accuracy": 0.65, "interval": [0.51, 0.74], "day_specific": False}
    said = sentence(told(held_out_sessions=days, all_arrangements=True))
    assert "trained on 65 % (51 to 74 %), permutation p = 0.0049 (all 204 arrangements" in said

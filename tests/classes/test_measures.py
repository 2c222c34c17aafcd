"""Kappa, Matthews coefficient and their like against published and independent values."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn import metrics

from leafledger.classes.cross_validation import agreement, confusion

# Cohen 1960, Educ. Psychol. Meas. 20:37-46: kappa .492; more digits and the several-class Matthews
# coefficient recomputed with R (psych) and scikit-learn.
COHEN = np.array([[88, 14, 18], [10, 40, 10], [2, 6, 12]])


def test_cohens_example():
    found = agreement(COHEN)
    assert found.accuracy == pytest.approx(0.7, abs=1e-12)
    assert found.kappa == pytest.approx(0.491525423728813, abs=1e-12)
    assert found.mcc == pytest.approx(0.5011933191197055, abs=1e-12)


@pytest.mark.parametrize(
    ("tp", "fp", "fn", "tn", "expected"),
    # From the formula of Matthews 1975, Biochim. Biophys. Acta 405:442-451.
    [(2, 1, 1, 0, -0.3333333333333333), (90, 4, 5, 1, 0.13524203070138519)],
)
def test_matthews_coefficient_of_two_classes(tp, fp, fn, tn, expected):
    assert agreement(np.array([[tn, fp], [fn, tp]])).mcc == pytest.approx(expected, abs=1e-12)


def test_an_independent_library_agrees():
    rng = np.random.default_rng(0)
    true = rng.integers(0, 4, 200)
    said = np.where(rng.random(200) < 0.6, true, rng.integers(0, 4, 200))
    found = agreement(confusion(true, said, 4))
    assert found.accuracy == pytest.approx(metrics.accuracy_score(true, said))
    assert found.balanced_accuracy == pytest.approx(metrics.balanced_accuracy_score(true, said))
    assert found.kappa == pytest.approx(metrics.cohen_kappa_score(true, said))
    assert found.mcc == pytest.approx(metrics.matthews_corrcoef(true, said))
    np.testing.assert_array_equal(
        confusion(true, said, 4), metrics.confusion_matrix(true, said, labels=range(4))
    )


def test_one_class_predicted_everywhere_has_no_agreement():
    found = agreement(np.array([[5, 0], [3, 0]]))
    assert (found.kappa, found.mcc, found.balanced_accuracy) == (0.0, 0.0, 0.5)


def test_a_class_of_one_scan_counts_in_the_balanced_accuracy_and_an_absent_one_does_not():
    matrix = np.array([[0, 1, 0], [1, 6, 0], [0, 0, 0]])
    assert agreement(matrix).balanced_accuracy == pytest.approx((0 + 6 / 7) / 2, rel=1e-14)

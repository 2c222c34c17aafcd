"""Preprocessing steps: what each does, and that those that learn see training scans only."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.signal import detrend, savgol_filter
from sklearn.preprocessing import StandardScaler

from leafledger.classes import stage
from leafledger.errors import InputFault
from leafledger.spectra.applicability import LEARNED, STEPS, learned_from, preprocessed
from leafledger.study.table_files import read_json

AXIS = np.arange(450.0, 500.0)


@pytest.fixture
def spectra():
    rng = np.random.default_rng(2)
    shape = 0.4 + 0.2 * np.sin(AXIS / 9)
    gain, offset = rng.uniform(0.7, 1.3, (8, 1)), rng.normal(0, 0.05, (8, 1))
    return gain * (shape + 0.01 * rng.normal(size=(8, len(AXIS)))) + offset


@pytest.mark.parametrize("derivative", [1, 2])
def test_derivatives_are_those_of_an_independent_library(spectra, derivative):
    # Savitzky & Golay 1964: 15 nm at 1 nm steps are 15 points, second order.
    reference = savgol_filter(spectra, 15, 2, deriv=derivative, delta=1.0, mode="interp")
    found = preprocessed(spectra, f"derivative_{derivative}", AXIS)
    np.testing.assert_allclose(found, reference, atol=1e-14)


def test_a_parabola_has_no_trend_left_and_its_slope_is_known():
    spectrum = (0.2 + 0.003 * (AXIS - 450) + 2e-5 * (AXIS - 450) ** 2)[None]
    np.testing.assert_allclose(preprocessed(spectrum, "detrend", AXIS), 0, atol=1e-13)
    slope = preprocessed(spectrum, "derivative_1", AXIS)
    np.testing.assert_allclose(slope[0], 0.003 + 4e-5 * (AXIS - 450), atol=1e-12)
    np.testing.assert_allclose(preprocessed(spectrum, "derivative_2", AXIS), 4e-5, atol=1e-12)


def test_what_is_left_of_a_straight_line_is_that_of_an_independent_library(spectra):
    """Detrending twice changes nothing, and no straight line is left (SciPy's finds none)."""
    once = preprocessed(spectra, "detrend", AXIS)
    np.testing.assert_allclose(preprocessed(once, "detrend", AXIS), once, atol=1e-13)
    np.testing.assert_allclose(detrend(once, axis=1), once, atol=1e-12)


def test_scatter_correction_is_that_of_a_regression_on_the_reference(spectra):
    learned = learned_from(spectra[:5], "multiplicative_scatter")
    corrected = learned.apply(spectra[5:])
    reference = spectra[:5].mean(axis=0)
    for before, after in zip(spectra[5:], corrected, strict=True):
        slope, offset = np.polyfit(reference, before, 1)
        np.testing.assert_allclose(after, (before - offset) / slope, atol=1e-12)
    # A gain and an offset of a scan leave no trace.
    np.testing.assert_allclose(learned.apply(3 * spectra[5:] + 0.2), corrected, atol=1e-12)
    assert not np.isnan(learned.apply(np.full((1, len(AXIS)), 0.3))).any()


def test_autoscaling_divides_by_the_training_deviation(spectra):
    learned = learned_from(spectra[:5], "autoscale")
    reference = StandardScaler(with_mean=False).fit(spectra[:5])
    # That library divides by n, this one by n - 1.
    np.testing.assert_allclose(
        learned.apply(spectra[5:]), reference.transform(spectra[5:]) * np.sqrt(4 / 5), rtol=1e-12
    )
    flat = learned_from(np.full((4, 3), 0.5), "autoscale")
    assert (flat.apply(np.ones((1, 3))) == 1).all()


@pytest.mark.parametrize("step", STEPS)
def test_no_row_of_the_first_part_depends_on_another(spectra, step):
    alone = np.concatenate([preprocessed(row[None], step, AXIS) for row in spectra])
    np.testing.assert_allclose(preprocessed(spectra, step, AXIS), alone, atol=1e-14)


@pytest.mark.parametrize("decision", ["largest_membership", "linear_discriminant"])
@pytest.mark.parametrize("step", LEARNED)
def test_a_step_that_learns_sees_training_scans_only(make_job, step, decision):
    """1e6 added to the scans of one outer fold leaves all that its fold learned as it was."""
    settings = {"preprocessing": [step], "n_permutations": 0, "decision": decision}
    job = make_job(classes=settings)
    stage.run(job)
    from leafledger.study.table_files import read_csv

    said = read_csv(job.outputs["predictions"])
    first = said[(said["repeat"] == 1) & (said["fold"] == 1)]["unit"].unique()
    shifted = make_job(classes=settings, shift=dict.fromkeys(first, 1e6), folder="shifted")
    stage.run(shifted)
    before, after = (read_json(j.outputs["summary"])["fitted_terms_sha256"] for j in (job, shifted))
    assert before[0][0] == after[0][0]
    assert all(before[0][fold] != after[0][fold] for fold in range(1, 4))


def test_the_inner_loop_finds_the_step_that_helps(make_job):
    """Scans that differ by a gain of their own: taking it off must win."""
    asked = {"preprocessing": list(STEPS), "n_permutations": 0, "max_components": 3}
    job = make_job(classes=asked, n_wavelengths=120)
    from leafledger.study.table_files import read_spectra, write_spectra

    rng = np.random.default_rng(0)
    for session, path in job.by_session("reflectance").items():
        table = read_spectra(path, ("reflectance",))
        gain = rng.uniform(0.3, 3.0, (len(table.rows), 1))
        import pyarrow as pa

        rows = pa.table({"scan": [f"{s}" for s in table.rows["scan"]]})
        write_spectra(path, rows, table.wavelength_nm,
                      {"reflectance": gain * table.spectra["reflectance"]}, {})  # fmt: skip
        assert session
    stage.run(job)
    told = read_json(job.outputs["summary"])
    assert told["preprocessing"] in {"standard_normal_variate", "multiplicative_scatter"}
    curve = {
        step: min(r["loss"] for r in told["validation_curve"] if r["preprocessing"] == step)
        for step in STEPS
    }
    assert curve[told["preprocessing"]] == min(curve.values())


def test_a_derivative_that_the_axis_cannot_carry_is_refused(make_job):
    with pytest.raises(InputFault) as caught:
        stage.run(make_job(classes={"preprocessing": ["none", "derivative_1"]}))
    (problem,) = caught.value.problems
    assert problem.column == "classes.preprocessing" and "15 nm" in problem.found


def test_the_standard_normal_variate_is_that_of_an_independent_library(spectra):
    found = preprocessed(spectra, "standard_normal_variate")
    np.testing.assert_allclose(found, stats.zscore(spectra, axis=1, ddof=1), rtol=1e-10)
    faint = preprocessed(1e-6 * spectra + 0.3, "standard_normal_variate")
    np.testing.assert_allclose(faint, found, atol=1e-5)
    flat = np.vstack([spectra[:1], np.full((1, spectra.shape[1]), 0.3)])
    again = preprocessed(flat, "standard_normal_variate")
    np.testing.assert_array_equal(again[1], 0.0)
    np.testing.assert_array_equal(again[0], found[0])
    two = preprocessed(np.array([[0.1, 0.3]]), "standard_normal_variate")
    np.testing.assert_allclose(two, [[-np.sqrt(0.5), np.sqrt(0.5)]], rtol=1e-14)


def test_detrending_takes_a_parabola_off_and_no_more(spectra):
    """Barnes, Dhanoa & Lister 1989: the residuals of a second-degree polynomial in wavelength."""
    found = preprocessed(spectra, "detrend", AXIS)
    for before, after in zip(spectra, found, strict=True):
        expected = before - np.polyval(np.polyfit(AXIS - 475, before, 2), AXIS - 475)
        np.testing.assert_allclose(after, expected, atol=1e-12)
    cubic = ((AXIS - 475) / 25)[None] ** 3
    assert np.abs(preprocessed(cubic, "detrend", AXIS)).max() > 0.1
    three = preprocessed(np.array([[0.1, 0.5, 0.2]]), "detrend", AXIS[:3])
    np.testing.assert_allclose(three, 0.0, atol=1e-15)

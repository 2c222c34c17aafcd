"""The estimator, its saved form and the preprocessing inside it."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
from types import SimpleNamespace
from zipfile import ZipFile

import numpy as np
import pytest
from sklearn.utils.estimator_checks import check_estimator

from leafledger.classes.model import DiscriminantModel, model_card
from leafledger.records.store import canonical_archive, load_archive, types_to_trust
from leafledger.resampling.splits import scheme_of
from leafledger.spectra.applicability import learned_from, preprocessed
from leafledger.spectra.pls import fit_path, membership_of

from .conftest import leaves

TYPES = ["leafledger.classes.model.DiscriminantModel"]


@pytest.fixture
def world():
    codes = np.repeat(np.arange(12) % 3, 2)
    spectra = leaves(np.arange(12) % 3, 2, 40, 2.0, np.random.default_rng(0))
    return spectra, np.array(["Heron", "Kestrel", "Plöver"])[codes], codes


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"decision": "linear_discriminant"},
        {"balanced": True, "preprocessing": "autoscale"},
        # Not the scatter correction: on the two columns of these checks it leaves nothing.
        {"preprocessing": "autoscale", "decision": "linear_discriminant"},
    ],
)
def test_scikit_learns_own_checks_pass(settings):
    check_estimator(DiscriminantModel(**settings))


@pytest.mark.parametrize("step", ["none", "standard_normal_variate", "detrend", "autoscale"])
def test_every_number_of_latent_variables_comes_from_one_fit(world, step):
    spectra, labels, codes = world
    model = DiscriminantModel(6, step).fit(spectra, labels)
    member = np.stack([model.predict_membership(spectra, a) for a in range(1, 7)])
    ready = preprocessed(spectra, step, np.arange(40.0))
    ready = learned_from(ready, step).apply(ready)
    reference = fit_path(ready, membership_of(codes, 3), 6)
    np.testing.assert_allclose(member, reference.membership(ready), atol=1e-10)
    for a in range(1, 7):
        fewer = DiscriminantModel(a, step).fit(spectra, labels)
        np.testing.assert_allclose(fewer.predict_membership(spectra), member[a - 1], atol=1e-10)
        np.testing.assert_array_equal(fewer.predict(spectra), model.predict(spectra, a))


def test_residuals_and_scores_make_up_the_spectrum(world):
    spectra, labels, _ = world
    model = DiscriminantModel(3).fit(spectra, labels)
    whole = model.spectrum_mean_ + model.scores(spectra) @ model.loadings_.T
    np.testing.assert_allclose(whole + model.residuals(spectra), spectra, atol=1e-12)


def test_one_class_is_refused():
    with pytest.raises(ValueError, match="at least two classes"):
        DiscriminantModel().fit(np.eye(4), ["a"] * 4)


def test_standard_normal_variate_has_mean_zero_and_deviation_one():
    spectra = np.random.default_rng(0).random((5, 30)) + 1
    ready = preprocessed(spectra, "standard_normal_variate")
    np.testing.assert_allclose(ready.mean(axis=1), 0, atol=1e-12)
    np.testing.assert_allclose(ready.std(axis=1, ddof=1), 1, atol=1e-12)
    # A gain and an offset of a scan leave no trace; other rows do not matter.
    scaled = preprocessed(3 * spectra[:1] + 0.2, "standard_normal_variate")
    np.testing.assert_allclose(scaled, ready[:1], atol=1e-12)
    flat = preprocessed(np.full((1, 4), 0.3), "standard_normal_variate")
    assert not flat.any()
    with pytest.raises(ValueError, match="unknown preprocessing"):
        preprocessed(spectra, "detrended")
    with pytest.raises(ValueError, match="needs the wavelengths"):
        preprocessed(spectra, "detrend")


@pytest.mark.parametrize("decision", ["largest_membership", "linear_discriminant"])
def test_probabilities_agree_with_the_decision_and_add_up(world, decision):
    spectra, labels, _ = world
    model = DiscriminantModel(4, decision=decision, sharpness=3.0).fit(spectra, labels)
    sure = model.predict_proba(spectra)
    np.testing.assert_allclose(sure.sum(axis=1), 1)
    np.testing.assert_array_equal(model.classes_[sure.argmax(axis=1)], model.predict(spectra))
    fewer = DiscriminantModel(2, decision=decision).fit(spectra, labels)
    np.testing.assert_array_equal(fewer.predict(spectra), model.predict(spectra, 2))


def test_balanced_weights_are_those_of_repeating_the_rare_class():
    """A class counted threefold is a class whose every scan stands there three times."""
    rng = np.random.default_rng(4)
    spectra = rng.normal(size=(40, 12)) + np.repeat([0.0, 0.4], [30, 10])[:, None]
    labels = np.repeat(["many", "few"], [30, 10])
    times = np.repeat([1, 3], [30, 10])
    weighed = DiscriminantModel(3, balanced=True).fit(spectra, labels)
    repeated = DiscriminantModel(3).fit(np.repeat(spectra, times, axis=0), labels.repeat(times))
    np.testing.assert_allclose(
        weighed.predict_membership(spectra), repeated.predict_membership(spectra), atol=1e-10
    )
    plain = DiscriminantModel(3).fit(spectra, labels)
    said = [(m.predict(spectra) == "few").sum() for m in (plain, weighed)]
    assert said[0] < said[1]


@pytest.mark.parametrize(
    ("step", "decision"),
    [
        ("standard_normal_variate", "largest_membership"),
        ("multiplicative_scatter", "linear_discriminant"),
        ("autoscale", "linear_discriminant"),
    ],
)
def test_loaded_again_it_says_the_same(world, step, decision):
    spectra, labels, _ = world
    model = DiscriminantModel(4, step, decision).fit(spectra, labels)
    data = canonical_archive(model)
    assert types_to_trust(data) == TYPES
    again = load_archive(data, TYPES)
    np.testing.assert_array_equal(
        again.predict_membership(spectra), model.predict_membership(spectra)
    )
    np.testing.assert_array_equal(again.predict(spectra), model.predict(spectra))
    assert canonical_archive(again) == data


def test_the_archive_holds_no_address_and_no_date(world):
    data = canonical_archive(DiscriminantModel(2).fit(world[0], world[1]))
    with ZipFile(io.BytesIO(data)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        names = archive.namelist()
        assert names == [f"{i:03d}.npy" for i in range(1, len(names))] + ["schema.json"]
        schema = json.loads(archive.read("schema.json"))
        assert not any(name.endswith((".pkl", ".pickle")) for name in names)
    assert schema["__id__"] == 1


def test_an_archive_that_asks_for_other_types_is_refused(world):
    data = canonical_archive(DiscriminantModel(2).fit(world[0], world[1]))
    out = io.BytesIO()
    with ZipFile(io.BytesIO(data)) as archive, ZipFile(out, "w") as other:
        for name in archive.namelist():
            content = archive.read(name)
            if name == "schema.json":
                content = content.replace(b"DiscriminantModel", b"system").replace(
                    b"leafledger.classes.model", b"os"
                )
            other.writestr(name, content)
    with pytest.raises(ValueError, match=r"asks for the types os\.system"):
        load_archive(out.getvalue(), TYPES)


FIT = """
import hashlib
import numpy as np
from leafledger.records.store import canonical_archive
from leafledger.classes.model import DiscriminantModel
junk = [object() for _ in range({junk})]
rng = np.random.default_rng(0)
spectra = rng.normal(size=(30, 300)).cumsum(axis=1)
labels = np.array(["Heron", "Kestrel", "Plover"])[np.arange(30) % 3]
print(hashlib.sha256(canonical_archive(DiscriminantModel(5).fit(spectra, labels))).hexdigest())
"""


@pytest.mark.slow
def test_equal_fits_in_two_processes_give_equal_bytes():
    digests = {
        subprocess.run(
            [sys.executable, "-c", FIT.format(junk=1000 * seed)],
            env={**os.environ, "PYTHONHASHSEED": str(seed), "OPENBLAS_NUM_THREADS": "1"},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in (1, 2)
    }
    assert len(digests) == 1
    assert len(digests.pop().strip()) == len(hashlib.sha256().hexdigest())


def test_distances_of_the_training_scans_add_up_to_their_degrees_of_freedom(world):
    """T2 of the training scans sums to ``n_components (n - 1)``: the variances divide by n - 1."""
    spectra, labels, codes = world
    model = DiscriminantModel(3).fit(spectra, labels)
    units = np.repeat(np.arange(12), 2)
    data = SimpleNamespace(
        spectra=spectra, codes=codes, units=tuple(range(12)), classes=tuple(model.classes_),
        rows={"scan": [f"s{i}" for i in range(24)]}, wavelength_nm=np.arange(40.0),
    )  # fmt: skip
    plan = SimpleNamespace(schemes=(scheme_of(units % 5, units, np.random.default_rng(0)),))
    limits = {"start_nm": 0.0, "stop_nm": 39.0}
    card = model_card(model, data, plan, {"target": "cultivar"}, limits, TYPES)
    variance = np.array(card["domain"]["score_variance"])
    scores = model.scores(spectra)
    assert (scores**2 / variance).sum() == pytest.approx(3 * (24 - 1))

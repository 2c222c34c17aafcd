"""A saved trait model: what it says of new spectra, and what it refuses."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from sklearn.base import clone

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.records.record import Job
from leafledger.study.table_files import read_csv, read_spectra
from leafledger.traits.prediction_error import Conformal
from leafledger.traits.regression import fit_regression
from leafledger.traits.stage import run
from leafledger.traits.trait_model import (
    INSIDE,
    TraitRegression,
    domain_of,
    estimate,
    estimate_warnings,
    load_trait_model,
)

MakeJob = Callable[..., Job]


@pytest.fixture
def job(make_job: MakeJob) -> Job:
    made = make_job(traits={"n_permutations": 0})
    run(made)
    return made


def model_of(job: Job) -> Path:
    return job.outputs["trait_models"] / "chlorophyll.skops"


def leaf_means(job: Job, day: str = "d2") -> tuple[np.ndarray, np.ndarray, list[tuple[str, str]]]:
    table = read_spectra(job.inputs[f"reflectance/{day}"], ("reflectance",))
    scans = [str(scan) for scan in table.rows["scan"]]
    pairs = table.spectra["reflectance"].reshape(-1, 2, len(table.wavelength_nm)).mean(axis=1)
    return table.wavelength_nm, pairs, [tuple(s.split("-")[1:3]) for s in scans[::2]]


def write(path: Path, axis: np.ndarray, values: np.ndarray) -> str:
    rows = (f"{a!r}\t{b!r}\n" for a, b in zip(axis.tolist(), values.tolist(), strict=True))
    path.write_text("".join(rows), encoding="utf-8")
    return str(path)


def estimated(*words: str) -> Result:
    return CliRunner().invoke(cli, ["estimate", *words], catch_exceptions=True)


def test_the_saved_model_says_what_the_stage_said(job: Job) -> None:
    """Of units without assays both use the model of all, and the same intervals."""
    axis, spectra, leaves = leaf_means(job)
    saved = load_trait_model(model_of(job))
    table = estimate(saved, [f"{u}-{leaf}" for u, leaf in leaves], spectra, axis, "here")
    stage = read_csv(job.outputs["trait_estimates"])
    stage = stage[(stage["session"] == "d2") & (stage["model"] == "all")]
    stage["scan"] = stage["unit"] + "-" + stage["leaf"]
    both = stage.merge(table, on="scan")
    assert len(both) == 8
    np.testing.assert_allclose(both["estimate_x"], both["estimate_y"], rtol=1e-6)
    np.testing.assert_allclose(both["estimate_low"], both["low"], rtol=1e-6)
    np.testing.assert_allclose(both["estimate_high"], both["high"], rtol=1e-6)
    assert (both["level"] == 0.95).all() and both["inside_x"].tolist() == both["inside_y"].tolist()
    assert table["inside"].mean() > 0.9


def test_strange_spectra_are_outside(job: Job) -> None:
    axis, spectra, _ = leaf_means(job)
    saved = load_trait_model(model_of(job))
    strange = spectra[:2].copy()
    strange[0] += 0.1 * np.sin(np.arange(len(axis)) / 2)
    strange[1] = spectra.mean(axis=0) + 20 * (spectra[1] - spectra.mean(axis=0))
    table = estimate(saved, ["wave", "far"], strange, axis, "here")
    assert not table["inside"].any()
    assert "(Q)" in table["domain"][0] and "(T2)" in table["domain"][1]
    told = " ".join(estimate_warnings(saved, table))
    assert "2 of 2 scans lie outside the model's domain: their intervals do not hold" in told
    told = " ".join(estimate_warnings(saved, table[:1]))
    assert "1 of 1 scan lies outside the model's domain: its interval does not hold" in told


def test_a_shift_that_only_some_folds_see_is_outside() -> None:
    """A constant: nothing to the final model and one fold (derivative), much to the other fold."""
    axis = np.arange(500.0, 540.0)
    rng = np.random.default_rng(3)
    y = rng.uniform(10, 30, 24)
    spectra = 0.1 + 0.004 * y[:, None] * np.exp(-(((axis - 520) / 8) ** 2))
    spectra += 1e-4 * rng.normal(size=spectra.shape)
    fold = np.arange(24) % 2
    folds = tuple(
        fit_regression(spectra[fold != k], y[fold != k], step, 1, axis)
        for k, step in enumerate(("derivative_1", "none"))
    )
    draws = np.arange(24)[None]
    model = TraitRegression(1, "derivative_1").fit(spectra, y)
    model.keep_folds(Conformal(folds, fold, np.full(24, 0.5), draws))
    domain = domain_of(model, spectra, y, fold, 2)
    by_fold = model.predict_by_fold(spectra[:1] + 0.3)
    assert abs(by_fold[0] - y[0]) < 2 and abs(by_fold[1] - y[0]) > np.ptp(y)
    assert domain.words(model, spectra).count(INSIDE) >= 23
    (said,) = domain.words(model, spectra[:1] + 0.3)
    assert said == (
        "outside the model's domain: the models of the folds disagree about it by more than the "
        "range of the known values"
    )


def test_a_model_of_the_other_kind_and_a_card_name_what_to_use(job: Job, tmp_path: Path) -> None:
    axis, spectra, _ = leaf_means(job)
    file = write(tmp_path / "leaf.txt", axis, spectra[0])
    other = CliRunner().invoke(cli, ["identify", str(model_of(job)), file])
    said = str(other.exception)
    assert isinstance(other.exception, InputFault)
    assert "the card of a model of a trait" in said and "`leafledger estimate`" in said
    card = estimated(str(model_of(job).with_suffix(".json")), file)
    assert isinstance(card.exception, InputFault)
    assert "name chlorophyll.skops, beside it" in str(card.exception)
    classes = tmp_path / "model.skops"
    classes.write_bytes(model_of(job).read_bytes())
    classes.with_suffix(".json").write_text('{"classes": ["a", "b"], "model_sha256": ""}')
    said = str(estimated(str(classes), file).exception)
    assert "the card of a model of classes" in said and "`leafledger identify`" in said


def test_the_command_says_value_interval_and_domain(job: Job, tmp_path: Path) -> None:
    axis, spectra, _ = leaf_means(job)
    file = write(tmp_path / "leaf.txt", axis, spectra[0])
    plain = estimated(str(model_of(job)), file)
    assert plain.exit_code == 0, plain.output
    for part in ("chlorophyll ", "ug/cm2 (95 % interval", "inside the model's domain",
                 "To heed:", "20 leaves of 20 units"):  # fmt: skip
        assert part in plain.output
    done = json.loads(estimated(str(model_of(job)), file, "--json").output)
    (row,) = done["scans"]
    assert row["low"] < row["estimate"] < row["high"] and row["unit_of_value"] == "ug/cm2"
    percent = write(tmp_path / "percent.txt", axis, 100 * spectra[0])
    again = json.loads(
        estimated(str(model_of(job)), percent, "--quantity", "percent", "--json").output
    )
    assert again["scans"][0]["estimate"] == pytest.approx(row["estimate"], abs=1e-6)


def test_another_instrument_is_corrected_by_standards(job: Job, tmp_path: Path) -> None:
    axis, spectra, _ = leaf_means(job)

    def new(values: np.ndarray) -> np.ndarray:
        return 0.9 * values + 0.02

    rows = ["standard,home_file,new_file"]
    for i in range(8):
        write(tmp_path / f"home{i}.txt", axis, spectra[4 * i])
        write(tmp_path / f"new{i}.txt", axis, new(spectra[4 * i]))
        rows.append(f"leaf {i},home{i}.txt,new{i}.txt")
    (tmp_path / "standards.csv").write_text("\n".join(rows) + "\n")
    names = [write(tmp_path / f"leaf{i}.txt", axis, new(spectra[4 * i + 1])) for i in range(4)]
    words = [str(model_of(job)), *names, "--json"]
    raw = json.loads(estimated(*words).output)
    done = estimated(*words, "--standards", str(tmp_path / "standards.csv"))
    corrected = json.loads(done.output)
    saved = load_trait_model(model_of(job))
    true = saved.model.predict(spectra[1:17:4][:, np.isin(axis, saved.wavelength_nm)])
    off = [
        np.abs(np.array([row["estimate"] for row in one["scans"]]) - true).max()
        for one in (raw, corrected)
    ]
    assert off[1] < 0.3 * off[0]
    assert any("standardisation" in text for text in corrected["warnings"])


def test_edited_cards_and_other_models_are_refused(job: Job, tmp_path: Path) -> None:
    axis, spectra, _ = leaf_means(job)
    file = write(tmp_path / "leaf.txt", axis, spectra[0])
    card = model_of(job).with_suffix(".json")
    text = card.read_text()
    told = json.loads(text)
    told["rmsep"] = 0.01
    card.write_text(json.dumps(told))
    refused = estimated(str(model_of(job)), file)
    assert isinstance(refused.exception, InputFault)
    assert "edited after it was saved" in str(refused.exception)
    card.write_text(text)
    data = model_of(job).read_bytes()
    model_of(job).write_bytes(data[:-40])
    assert isinstance(estimated(str(model_of(job)), file).exception, InputFault)
    model_of(job).write_bytes(data)
    other = CliRunner().invoke(cli, ["identify", str(model_of(job)), file])
    assert isinstance(other.exception, InputFault)
    card.unlink()
    assert "the card of the model" in str(estimated(str(model_of(job)), file).exception)


def test_wrong_axes_and_values_are_refused(job: Job, tmp_path: Path) -> None:
    axis, spectra, _ = leaf_means(job)
    short = write(tmp_path / "short.txt", axis[:40], spectra[0][:40])
    assert "whole range" in str(estimated(str(model_of(job)), short).exception)
    moved = write(tmp_path / "moved.txt", axis + 1.3, spectra[0])
    assert "another grid" in str(estimated(str(model_of(job)), moved).exception)
    nothing = estimated(str(model_of(job)))
    assert "nothing to read" in str(nothing.exception)


def test_it_is_an_estimator() -> None:
    rng = np.random.default_rng(1)
    spectra, y = rng.normal(size=(20, 12)), rng.normal(size=20)
    model = TraitRegression(3, preprocessing="autoscale").fit(spectra, y)
    assert clone(model).get_params() == model.get_params()
    centred = model.prepare(spectra)
    np.testing.assert_allclose(centred @ model.coefficients_ + y.mean(), model.predict(spectra))
    np.testing.assert_allclose(
        model.scores(spectra) @ model.loadings_.T + model.residuals(spectra), centred, atol=1e-10
    )
    with pytest.raises(ValueError, match="n_components"):
        TraitRegression(0).fit(spectra, y)

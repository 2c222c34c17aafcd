"""Spectra read in row groups: the same classifier as in memory, scikit-learn's and the BLAS's."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from leafledger.classes import class_tables, fold_fit, labelled_scans, stage, streaming
from leafledger.classes.fold_assignment import planned
from leafledger.classes.fold_fit import Procedure, fit_training
from leafledger.classes.labelled_scans import labelled_spectra, sampled
from leafledger.errors import StageFailure
from leafledger.spectra.pls import membership_of
from leafledger.study import table_files
from leafledger.study.table_files import read_json, read_parquet

STEPS = ["none", "standard_normal_variate", "derivative_1"]


@pytest.fixture
def tiny_groups(monkeypatch):
    """Files of five scans a row group, read seven at a time, always in row groups."""
    monkeypatch.setattr(table_files, "ROWS_PER_GROUP", 5)

    def apply() -> None:
        monkeypatch.setattr(labelled_scans, "MOST_IN_MEMORY", 0)
        files = labelled_scans.SpectrumFiles
        monkeypatch.setattr(
            labelled_scans, "SpectrumFiles", lambda *given: replace(files(*given), rows_per_block=7)
        )

    return apply


def both(make_job, tiny_groups, **classes):
    """Return the outputs of the rule with the spectra in memory, and read in row groups."""
    jobs = []
    for folder in ("memory", "files"):
        if folder == "files":
            tiny_groups()
        job = make_job(
            classes={"n_permutations": 0, **classes}, gap=1.0, n_wavelengths=91, folder=folder,
            excluded=lambda scan: scan.endswith(("p03-1", "p07-2")),
        )  # fmt: skip
        stage.run(job)
        jobs.append(job.outputs)
    return jobs


def same_numbers(first: object, other: object, tolerance: float) -> None:
    """Assert that two JSON values are equal but for the rounding of their numbers."""
    if isinstance(first, dict) and isinstance(other, dict):
        assert first.keys() == other.keys()
        for key in first:
            same_numbers(first[key], other[key], tolerance)
    elif isinstance(first, list) and isinstance(other, list):
        assert len(first) == len(other)
        for a, b in zip(first, other, strict=True):
            same_numbers(a, b, tolerance)
    elif isinstance(first, float):
        assert other == pytest.approx(first, rel=tolerance, abs=tolerance)
    else:
        assert first == other


@pytest.mark.parametrize(
    "classes",
    [
        {"preprocessing": STEPS, "decision": "auto"},
        {"preprocessing": ["autoscale"], "decision": "linear_discriminant", "weights": "balanced"},
        {"preprocessing": ["detrend"], "weights": "balanced", "folds": {"outer": 6, "repeats": 1}},
        {"split": "session", "decision": "auto", "folds": {"outer": 5, "repeats": 1}},
        {"preprocessing": ["autoscale", "multiplicative_scatter", "none"], "decision": "auto"},
        {"preprocessing": ["multiplicative_scatter"], "weights": "balanced", "decision": "auto"},
    ],
)
def test_row_groups_give_what_memory_gives(make_job, tiny_groups, classes):
    memory, files = both(make_job, tiny_groups, **classes)
    for role in ("path", "predictions", "confusion", "per_class", "reliability", "confused_pairs"):
        expected, found = (pd.read_csv(each[role]) for each in (memory, files))
        pd.testing.assert_frame_equal(found, expected, rtol=1e-5, atol=1e-6)
    expected, found = (read_parquet(each["terms"]) for each in (memory, files))
    pd.testing.assert_frame_equal(found, expected, rtol=1e-5, atol=1e-6)
    expected, found = (read_json(each["summary"]) for each in (memory, files))
    assert (expected.pop("spectra_read"), found.pop("spectra_read")) == ("at once", "in row groups")
    digests = expected.pop("fitted_terms_sha256"), found.pop("fitted_terms_sha256")
    assert [len(row) for row in digests[0]] == [len(row) for row in digests[1]]
    same_numbers(expected, found, 1e-6)
    expected, found = (read_json(each["model_card"]) for each in (memory, files))
    for card in (expected, found):
        card.pop("model_sha256"), card["training"].pop("spectra_sha256"), card.pop("card_sha256", 0)
    same_numbers(expected, found, 1e-6)
    from leafledger.classes.model import load_saved_model

    models = [load_saved_model(each["model"], each["model_card"]).model for each in (memory, files)]
    for name in ("spectrum_mean_", "rotations_", "loadings_", "membership_loadings_"):
        expected, found = (getattr(model, name) for model in models)
        np.testing.assert_allclose(found, expected, rtol=1e-6, atol=1e-8)
    for name in ("score_means_", "whitening_", "log_prior_", "spread_"):
        expected, found = (getattr(model, name) for model in models)
        np.testing.assert_allclose(found, expected, rtol=1e-5, atol=1e-8)


def in_files(make_job, tiny_groups, **classes):
    """Return labelled spectra in memory and in files."""
    job = make_job(classes=classes, n_wavelengths=40, gap=1.0)
    memory = labelled_spectra(job)
    tiny_groups()
    return memory, labelled_spectra(job), job


def test_sums_are_those_of_the_whole_matrix(make_job, tiny_groups):
    """X'X, class sums and extremes of every part, against numpy on the whole matrix."""
    memory, files, _ = in_files(make_job, tiny_groups)
    part_of = np.arange(len(memory.codes)) % 3
    total = fold_fit.summed(files, ["none"], part_of, 3)["none"]
    for j in range(3):
        spectra, codes = memory.spectra[part_of == j], memory.codes[part_of == j]
        about = spectra - total.offset
        np.testing.assert_allclose(total.squares[j], about.T @ about, rtol=1e-10, atol=1e-12)
        np.testing.assert_allclose(total.sums[j], membership_of(codes, 3).T @ about, atol=1e-12)
        np.testing.assert_array_equal(total.counts[j], np.bincount(codes, minlength=3))
        np.testing.assert_allclose(total.low[j], spectra.min(axis=0), rtol=1e-12)
        np.testing.assert_allclose(total.high[j], spectra.max(axis=0), rtol=1e-12)
    seen = [rows for rows, _ in files.files.blocks()]
    assert sorted(np.concatenate(seen).tolist()) == list(range(len(memory.codes)))
    assert max(map(len, seen)) <= 7 and len(seen) > 6


@pytest.mark.parametrize("balanced", [False, True])
@pytest.mark.parametrize("step", ["none", "autoscale", "multiplicative_scatter"])
def test_a_fit_of_sums_is_that_of_the_scans(make_job, tiny_groups, step, balanced):
    """Also of a part that counts twice (a resample), against the fit of its rows."""
    memory, files, _ = in_files(make_job, tiny_groups)
    procedure = Procedure(3, 4, ("largest_membership", "linear_discriminant"), balanced)
    group = memory.unit_of % 4
    part_of, first = fold_fit.parts_of([group, memory.codes])
    times = np.array([1.0, 0.0, 2.0, 1.0])
    asked = np.stack([np.ones(len(first)), times[group[first]]])
    found = list(fold_fit.fitted_sets(files, step, part_of, asked, procedure))[1].fit
    rows = np.concatenate([np.repeat(np.flatnonzero(group == g), int(times[g])) for g in range(4)])
    expected = fit_training(memory.spectra[rows], memory.codes[rows], step, procedure)
    spectra = memory.spectra[group == 1]
    for decision in procedure.decisions:
        np.testing.assert_allclose(
            found.decision_path(spectra, decision), expected.decision_path(spectra, decision),
            rtol=1e-6, atol=1e-7,
        )  # fmt: skip


def test_a_streamed_model_is_that_of_scikit_learn(make_job, tiny_groups):
    """scikit-learn's PLSRegression (NIPALS) on the whole matrix is the outside value."""
    from sklearn.cross_decomposition import PLSRegression

    memory, files, job = in_files(make_job, tiny_groups, decision="largest_membership")
    plan = planned(files, job.settings)
    procedure = Procedure(3, plan.widths[-1])
    streamed = streaming.streamed_validation(files, plan, ["none"], procedure)
    n = streamed.final.fit.path.n_stable
    member = membership_of(memory.codes, 3)
    fit = PLSRegression(n, scale=False, tol=1e-12, max_iter=100_000).fit(memory.spectra, member)
    np.testing.assert_allclose(
        streamed.final.fit.decision_path(memory.spectra)[-1], fit.predict(memory.spectra), atol=1e-5
    )
    nested, scheme = streamed.validated.repeats[0], plan.schemes[0]
    for i, outer in enumerate(scheme.outer):
        part, held = scheme.training[outer], scheme.fold == i
        a = int(nested.choices[i].n_components[0])
        fit = PLSRegression(a, scale=False, tol=1e-12, max_iter=100_000)
        said = fit.fit(memory.spectra[part], member[part]).predict(memory.spectra[held])
        np.testing.assert_array_equal(nested.predicted[0][held], said.argmax(axis=1))


def test_scatter_is_measured_against_training_scans_alone(make_job, tiny_groups, monkeypatch):
    """Reference and fit of a fold: numpy's regression on the fold's mean, then scikit-learn's PLS.

    One fit a pass gives what all in one pass give; held-out scans change nothing.
    """
    from sklearn.cross_decomposition import PLSRegression

    memory, files, _ = in_files(make_job, tiny_groups)
    fold = memory.unit_of % 3
    times = 1 - np.eye(3)
    procedure = Procedure(3, 4)
    step = "multiplicative_scatter"
    found = list(fold_fit.fitted_sets(files, step, fold, times, procedure))
    monkeypatch.setattr(fold_fit, "PRODUCTS_AT_ONCE", 1)
    again = list(fold_fit.fitted_sets(files, step, fold, times, procedure))
    for i, fitted in enumerate(found):
        assert again[i].fit.terms() == fitted.fit.terms()
        training = memory.spectra[fold != i]
        reference = training.mean(axis=0)
        np.testing.assert_allclose(fitted.fit.learned.reference, reference, rtol=1e-12)
        slope, offset = np.polyfit(reference, memory.spectra.T, 1)
        corrected = (memory.spectra - offset[:, None]) / slope[:, None]
        member = membership_of(memory.codes, 3)
        fit = PLSRegression(4, scale=False, tol=1e-12, max_iter=100_000)
        fit.fit(corrected[fold != i], member[fold != i])
        np.testing.assert_allclose(
            fitted.fit.decision_path(memory.spectra)[-1], fit.predict(corrected), atol=1e-5
        )


@pytest.mark.parametrize("mutant", ["last block", "offset", "class sums", "part twice"])
def test_a_wrong_sum_is_seen(make_job, tiny_groups, monkeypatch, mutant):
    """The checks above do not pass whatever is summed: four faults change what is predicted."""
    memory, files, _ = in_files(make_job, tiny_groups)
    group = memory.unit_of % 4
    total = fold_fit.summed(files, ["none"], group, 4)["none"]
    procedure = Procedure(3, 4)
    every = np.ones(4)
    right = fold_fit.fit_sums(total, every, "none", procedure).fit
    if mutant == "last block":
        kept = list(files.files.blocks())[:-1]
        monkeypatch.setattr(type(files.files), "blocks", lambda self: iter(kept))
        total = fold_fit.summed(files, ["none"], group, 4)["none"]
    elif mutant == "offset":
        total = replace(total, offset=total.offset + 0.01)
    elif mutant == "class sums":
        total = replace(total, sums=total.sums[:, [1, 0, 2]])
    else:
        every = np.array([1.0, 1.0, 1.0, 2.0])
    wrong = fold_fit.fit_sums(total, every, "none", procedure).fit
    expected = fit_training(memory.spectra, memory.codes, "none", procedure)
    decided = [fit.decision_path(memory.spectra) for fit in (right, wrong, expected)]
    np.testing.assert_allclose(decided[0], decided[2], atol=1e-6)
    assert np.abs(decided[1] - decided[2]).max() > 1e-3


def test_predictions_written_in_pieces_have_the_same_bytes(make_job, monkeypatch):
    """Seven scans a piece or all at once, the order is that of the whole table sorted by pandas."""
    written = []
    for scans, folder in ((7, "pieces"), (10**6, "whole")):
        monkeypatch.setattr(class_tables, "SCANS_AT_ONCE", scans)
        job = make_job(classes={"n_permutations": 0}, folder=folder)
        stage.run(job)
        written.append(job.outputs["predictions"].read_bytes())
    assert written[0] == written[1]
    said = pd.read_csv(io.BytesIO(written[0]), dtype=str)
    ordered = said.sort_values(["scan", "repeat", "fold"], ignore_index=True)
    pd.testing.assert_frame_equal(said, ordered)
    assert len(said) == 12 * 2 * 2 * 2 and said.columns[0] == "scan"


def test_a_table_of_pieces_is_whole_or_absent(tmp_path):
    """Text, numbers, flags, cells like formulas: as one frame; a piece that fails leaves none."""
    frame = pd.DataFrame(
        {"scan": ["a", "=b", "c", ""], "value": [0.1, np.nan, 1 / 3, 1e-30],
         "kept": [True, False, True, True], "n": [1, 2, 3, 4]}
    )  # fmt: skip
    table_files.write_csv(tmp_path / "whole.csv", frame, list(frame))
    pieces = (frame.iloc[i : i + 1] for i in range(4))
    table_files.write_csv(tmp_path / "pieces.csv", pieces, list(frame))
    assert (tmp_path / "pieces.csv").read_bytes() == (tmp_path / "whole.csv").read_bytes()
    plain = "scan,value,kept,n\na,0.1,true,1\n'=b,,false,2\n"
    assert (tmp_path / "whole.csv").read_bytes().startswith(plain.encode())
    before = sorted(tmp_path.iterdir())
    broken = (frame if i == 0 else frame.assign(more=1) for i in range(2))
    with pytest.raises(StageFailure, match="more"):
        table_files.write_csv(tmp_path / "broken.csv", broken, list(frame))
    assert sorted(tmp_path.iterdir()) == before


def many_units(n_units: int, per: dict[str, int]) -> dict[str, dict[str, str]]:
    names = [name for name, count in per.items() for _ in range(count)]
    assert len(names) == n_units
    return {
        f"p{i:03d}": {"treatment": "water", "block": "A", "cultivar": name}
        for i, name in enumerate(names)
    }


def test_a_sample_holds_whole_units_of_all_classes(make_job):
    units = many_units(90, {"A": 60, "B": 20, "C": 10})
    job = make_job(units=units, n_wavelengths=40)
    data = labelled_spectra(job)
    drawn, sample = sampled(data, 200, 1)
    assert (sample.n_scans, sample.n_scans_all) == (len(drawn.codes), 360)
    assert 180 <= sample.n_scans <= 200 and sample.most_per_unit is None
    assert (sample.n_units, sample.n_units_all, sample.seed) == (len(drawn.units), 90, 1)
    # Every unit has all its scans, none is split; the classes keep their shares, 20 at least.
    whole = data.rows["unit"].value_counts()
    assert (drawn.rows["unit"].value_counts() == whole[list(drawn.units)]).all()
    per_class = dict(zip(drawn.classes, drawn.units_per_class().tolist(), strict=True))
    assert per_class["B"] == 20 and per_class["C"] == 10 and 18 <= per_class["A"] <= 20
    for i, row in enumerate(drawn.rows["scan"]):
        place = data.rows.index[data.rows["scan"] == row][0]
        np.testing.assert_array_equal(drawn.spectra[i], data.spectra[place])
    again, other = sampled(data, 200, 1)[0], sampled(data, 200, 2)[0]
    assert again.units == drawn.units != other.units
    assert sampled(data, 360, 1) == (data, None)


def test_few_units_of_many_scans_keep_some_scans_of_each_session(make_job):
    job = make_job(n_wavelengths=40)
    data = labelled_spectra(job)
    drawn, sample = sampled(data, 24, 1)
    assert sample.n_units == 12 and sample.most_per_unit == 2 and sample.n_scans == 24
    # One scan of either session, not two of one.
    assert (drawn.rows.groupby("unit")["session"].nunique() == 2).all()
    assert "at most 2 scans each" in sample.words("plant")


def test_rivals_of_a_sample_say_so(make_job, monkeypatch):
    from leafledger.classes import baselines

    monkeypatch.setattr(baselines, "MOST_SCANS", 240)
    units = many_units(75, {"A": 25, "B": 25, "C": 25})
    job = make_job(rule="rivals", units=units, n_wavelengths=40)
    outcome = baselines.run(job)
    table = pd.read_csv(job.outputs["comparison"])
    assert set(table["n_units"]) == {60} and set(table["n_units_all"]) == {75}
    assert set(table["n_scans"]) == {240} and set(table["n_scans_all"]) == {300}
    words = "240 of 300 scans, 60 of 75 plants drawn within classes with all their scans (seed"
    assert table["sentence"].str.contains(words, regex=False).all()
    assert words in outcome.warnings[0] and outcome.seeds == {"classes": 20260505}


def test_permutations_of_a_sample_say_so(make_job, monkeypatch):
    monkeypatch.setattr(stage, "MOST_PERMUTED", 240)
    units = many_units(75, {"A": 25, "B": 25, "C": 25})
    job = make_job(units=units, n_wavelengths=40)
    outcome = stage.run(job)
    told = read_json(job.outputs["summary"])
    assert told["control_sample"] == {
        "n_scans": 240, "n_scans_all": 300, "n_units": 60, "n_units_all": 75,
        "most_per_unit": None, "seed": 20260505,
    }  # fmt: skip
    assert told["n_scans"] == 300 and told["n_draws"] == 19 and told["p_permutation"] == 1 / 20
    assert any("60 of 75 plants" in warning for warning in outcome.warnings)


@pytest.mark.slow
def test_memory_does_not_grow_with_the_scans(tmp_path: Path):
    """Peak of a child process: 30,000 scans of 400 values (96 MB) take little more than 10,000."""
    peaks = {}
    for n in (10_000, 30_000):
        code = (
            "import sys; sys.path.insert(0, 'benchmarks')\n"
            "from pathlib import Path\n"
            "from classes import written_job\n"
            "from bounds import peak_megabytes\n"
            "from leafledger.classes import stage\n"
            f"job = written_job(Path({str(tmp_path / str(n))!r}), {n}, 400, 4, 0, per=10)\n"
            "import json; before = peak_megabytes(); stage.run(job)\n"
            "print(json.dumps([before, peak_megabytes()]))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=Path(__file__).parents[2], check=True,
            capture_output=True, text=True,
        )  # fmt: skip
        peaks[n] = json.loads(done.stdout.splitlines()[-1])[1]
    # Spectra in memory, three steps of them, would add 20,000 x 400 x 8 B x 4 = 256 MB.
    assert peaks[30_000] - peaks[10_000] < 120
    assert peaks[30_000] < 900

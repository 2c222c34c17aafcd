"""A saved model judges new spectra, says when it does not know them, and lets nobody in."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
from zipfile import ZIP_DEFLATED, ZipFile

import numpy as np
import pytest
from prosail import run_prospect

from leafledger.classes import stage
from leafledger.classes.model import INSIDE, OUTSIDE, identify, load_saved_model
from leafledger.errors import InputFault
from leafledger.records.store import card_digest
from leafledger.study.table_files import read_spectra

from .conftest import default_units


@pytest.fixture
def saved(make_job, tmp_path):
    """Return the folder of a trained model, the model and spectra of a session."""
    job = make_job(classes={"n_permutations": 0, "sessions": "all"}, gap=1.5, n_wavelengths=60)
    stage.run(job)
    folder = tmp_path / "model"
    folder.mkdir()
    for role in ("model", "model_card"):
        shutil.copy(job.outputs[role], folder)
    table = read_spectra(job.inputs["reflectance/day8"], ("reflectance",))
    path = folder / "model.skops"
    return path, load_saved_model(path), table


def faults(call):
    with pytest.raises(InputFault) as caught:
        call()
    return list(caught.value.problems)


def test_scans_of_the_study_get_class_probability_and_lie_inside(saved):
    _, model, table = saved
    scans = list(table.rows["scan"])
    found = identify(model, scans, table.spectra["reflectance"], table.wavelength_nm, "day8")
    labels = [default_units()[scan.split("-")[1]]["cultivar"] for scan in scans]
    assert (found["class"] == labels).mean() > 0.8
    names = [f"p_{name}" for name in model.classes]
    np.testing.assert_allclose(found[names].sum(axis=1), 1)
    assert (found["probability"] == found[names].max(axis=1)).all()
    assert found["inside"].mean() > 0.9
    assert set(found.loc[found["inside"], "domain"]) == {INSIDE}
    # Wider spectra than the model's are cut, not refused: the file runs from 450 to 900 nm.
    assert table.wavelength_nm[0] < model.wavelength_nm[0]


def test_things_that_are_no_leaf_of_the_study_lie_outside(saved):
    _, model, table = saved
    axis = table.wavelength_nm
    chair = np.full(len(axis), 0.35) + 0.3 * (axis - 450) / 450
    lines = np.array([[488.0], [546.0], [587.0], [611.0], [708.0]])
    lamp = 0.4 + np.exp(-(((axis - lines) / 6) ** 2)).sum(axis=0)
    bright = table.spectra["reflectance"][0] * 3
    found = identify(model, ["chair", "lamp", "bright"], np.stack([chair, lamp, bright]), axis, "x")
    assert not found["inside"].any()
    assert all(words.startswith(OUTSIDE) for words in found["domain"])


def test_a_model_of_leaves_knows_a_leaf_from_a_chair(make_job, tmp_path):
    """Leaves of PROSPECT-D (Feret et al. 2017): chlorophyll apart, then a wooden chair."""
    from leafledger.classes.model import DiscriminantModel
    from leafledger.spectra.applicability import (
        hotelling_t2,
        q_limit,
        residual_eigenvalues,
        residual_q,
    )

    rng = np.random.default_rng(0)

    def leaf(chlorophyll):
        _, r, _ = run_prospect(
            1.45 + 0.05 * rng.normal(), chlorophyll, 2 + 0.19 * chlorophyll, 0.0, 0.0115, 0.0042,
            prospect_version="D",
        )  # fmt: skip
        return r[50:601] + 0.001 * rng.normal(size=551)

    training = np.stack([leaf(c + 2 * rng.normal()) for c in [15] * 20 + [30] * 20])
    model = DiscriminantModel(3).fit(training, np.repeat(["pale", "green"], 20))
    variance = model.scores(training).var(axis=0, ddof=1)
    q = q_limit(residual_eigenvalues(model.residuals(training)), 0.01).value
    new = np.stack([leaf(16.0), leaf(29.0), np.linspace(0.2, 0.6, 551)])
    assert model.predict(new[:2]).tolist() == ["pale", "green"]
    away = residual_q(model.residuals(new))
    assert away[2] > 100 * q > 50 * away[:2].max()
    assert hotelling_t2(model.scores(new), variance)[:2].max() < 15


def test_another_grid_and_a_cut_range_are_refused(saved):
    _, model, table = saved
    spectra, axis = table.spectra["reflectance"], table.wavelength_nm
    (grid,) = faults(lambda: identify(model, ["a"], spectra[:1], axis + 0.5, "x.txt"))
    assert grid.file == "x.txt" and "another grid" in grid.found
    (cut,) = faults(lambda: identify(model, ["a"], spectra[:1, :-10], axis[:-10], "x.txt"))
    assert "spectra over 450 to" in cut.found and "whole range" in cut.expected
    assert faults(lambda: identify(model, ["a"], spectra[:1, :0], axis[:0], "x.txt"))


def test_values_that_are_no_numbers_are_named(saved):
    _, model, table = saved
    spectra = table.spectra["reflectance"][:3].copy()
    spectra[1, 20], spectra[2, 5] = np.nan, np.inf
    found = faults(lambda: identify(model, ["a", "b", "c"], spectra, table.wavelength_nm, "x.txt"))
    assert [p.found[-1] for p in found] == ["b", "c"]


def rewritten(path, change, *, compression=0):
    """Rewrite an archive with ``change(name, bytes)`` and let its card vouch for it."""
    out = io.BytesIO()
    with ZipFile(path) as archive, ZipFile(out, "w", compression) as other:
        for name in archive.namelist():
            other.writestr(name, change(name, archive.read(name)))
    path.write_bytes(out.getvalue())
    vouch(path)


def vouch(path):
    card = json.loads(path.with_suffix(".json").read_text())
    card["model_sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    path.with_suffix(".json").write_text(json.dumps(card))


def test_one_flipped_byte_is_refused(saved):
    path = saved[0]
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(bytes(data))
    (problem,) = faults(lambda: load_saved_model(path))
    assert "changed after it was saved" in problem.mend


def test_other_types_are_refused_though_the_card_allows_them(saved):
    path = saved[0]

    def evil(name, content):
        if name != "schema.json":
            return content
        content = content.replace(b"DiscriminantModel", b"system")
        return content.replace(b"leafledger.classes.model", b"os")

    rewritten(path, evil)
    card = json.loads(path.with_suffix(".json").read_text())
    card["trusted_types"] = ["os.system"]
    path.with_suffix(".json").write_text(json.dumps(card))
    (problem,) = faults(lambda: load_saved_model(path))
    assert "os.system" in problem.found and "Nothing was loaded" in problem.mend


def test_a_pickle_is_refused(saved, tmp_path):
    import pickle

    path = saved[0]

    class Evil:
        def __reduce__(self):
            return (open, (str(tmp_path / "PWNED"), "w"))

    path.write_bytes(pickle.dumps(Evil()))
    vouch(path)
    assert "no model archive" in faults(lambda: load_saved_model(path))[0].found
    assert not (tmp_path / "PWNED").exists()


def test_an_array_of_another_shape_is_refused(saved):
    path = saved[0]
    short = io.BytesIO()
    np.save(short, np.zeros(3))

    def swap(name, content):
        return short.getvalue() if name.endswith(".npy") else content

    rewritten(path, swap)
    (problem,) = faults(lambda: load_saved_model(path))
    assert "do not fit their card" in problem.found or "damaged archive" in problem.found


def test_an_archive_that_unpacks_to_a_gigabyte_is_refused(saved):
    path = saved[0]
    with ZipFile(path, "a", ZIP_DEFLATED) as archive, archive.open("999.npy", "w") as member:
        block = bytes(1 << 20)
        for _ in range(520):
            member.write(block)
    vouch(path)
    assert path.stat().st_size < 2 << 20
    (problem,) = faults(lambda: load_saved_model(path))
    assert "more than 512 MB" in problem.found


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"classes": 1}', "\x00"])
def test_a_broken_card_is_refused(saved, text):
    saved[0].with_suffix(".json").write_text(text)
    (problem,) = faults(lambda: load_saved_model(saved[0]))
    assert problem.file == "model.json"


@pytest.mark.parametrize(
    "change",
    [
        {"classes": ["a", "b", "c"]}, {"n_components": 99}, {"wavelength_nm": [1.0]},
        {"sharpness": 9.0}, {"target": "other"}, {"note": "mine"},
    ],
)  # fmt: skip
def test_an_edited_card_is_refused(saved, change):
    path = saved[0]
    card_path = path.with_suffix(".json")
    card = json.loads(card_path.read_text())
    card_path.write_text(json.dumps({**card, **change}))
    (problem,) = faults(lambda: load_saved_model(path))
    assert problem.file == "model.json" and "edited after it was saved" in problem.mend


def test_wider_limits_are_refused_and_another_layout_is_not(saved):
    path = saved[0]
    card_path = path.with_suffix(".json")
    card = json.loads(card_path.read_text())
    card_path.write_text(json.dumps(card, indent=3))
    load_saved_model(path)
    card["domain"]["limits"][1]["q"] *= 2
    card_path.write_text(json.dumps(card))
    (problem,) = faults(lambda: load_saved_model(path))
    assert "edited" in problem.mend


def test_an_archive_that_does_not_fit_its_own_card_is_refused(saved):
    """Card and archive agree on their digests, and still not on a shape."""
    path = saved[0]
    card = json.loads(path.with_suffix(".json").read_text())
    card["n_components"] = 99
    rewritten(path, lambda name, content: card_digest(card) if name == "card.sha256" else content)
    card["model_sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    path.with_suffix(".json").write_text(json.dumps(card))
    (problem,) = faults(lambda: load_saved_model(path))
    assert "do not fit their card" in problem.found


def test_an_archive_without_the_digest_of_its_card_is_refused(saved):
    path = saved[0]
    out = io.BytesIO()
    with ZipFile(path) as archive, ZipFile(out, "w") as other:
        for name in archive.namelist():
            if name != "card.sha256":
                other.writestr(name, archive.read(name))
    path.write_bytes(out.getvalue())
    vouch(path)
    assert "without the digest" in faults(lambda: load_saved_model(path))[0].found


def test_missing_files_are_named(saved, tmp_path):
    path = saved[0]
    path.with_suffix(".json").unlink()
    assert faults(lambda: load_saved_model(path))[0].file == "model.json"
    assert faults(lambda: load_saved_model(tmp_path / "no.skops"))[0].file == "no.skops"

"""A model of one simulated instrument on another, corrected by standards."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from leafledger.classes import stage
from leafledger.classes.model import identify, identify_transferred, load_saved_model
from leafledger.errors import InputFault
from leafledger.runner.new_scans import NewScans, identify_scans
from leafledger.spectra.applicability import DIRECT, PIECEWISE, learn_transfer
from leafledger.study.definition import Form
from leafledger.study.table_files import read_spectra

from .conftest import default_units


def other_instrument(spectra: np.ndarray) -> np.ndarray:
    """Return what an instrument shows whose axis is off, whose slit is wider and whose lamp aged.

    A neighbour leaks in from the left, gain rises with the wavelength, stray light adds an offset.
    """
    moved = 0.6 * spectra + 0.4 * np.roll(spectra, 1, axis=1)
    moved[:, 0] = spectra[:, 0]
    return moved * np.linspace(0.7, 1.2, spectra.shape[1]) + 0.06


@pytest.fixture
def home(make_job, tmp_path):
    """Return a trained model, new leaves at home, their axis, names and labels."""
    job = make_job(classes={"n_permutations": 0, "sessions": ["day4"]}, gap=2.0, n_wavelengths=60)
    stage.run(job)
    for role in ("model", "model_card"):
        shutil.copy(job.outputs[role], tmp_path)
    table = read_spectra(job.inputs["reflectance/day8"], ("reflectance",))
    saved = load_saved_model(tmp_path / "model.skops")
    inside = np.isin(table.wavelength_nm, saved.wavelength_nm)
    scans = [str(scan) for scan in table.rows["scan"]]
    labels = np.array([default_units()[scan.split("-")[1]]["cultivar"] for scan in scans])
    return saved, table.spectra["reflectance"][:, inside], scans, labels, tmp_path


def standards_of(spectra, n=12, seed=0):
    """Return scans of leaves and of tiles, brighter and darker than any leaf."""
    rows = np.random.default_rng(seed).permutation(len(spectra))[: n - 2]
    flat = np.ones(spectra.shape[1])
    return np.vstack([spectra[rows], 0.2 * flat, 0.7 * flat]), rows


def test_a_correction_brings_the_leaves_of_another_instrument_home(home):
    saved, spectra, scans, labels, _ = home
    standards, rows = standards_of(spectra)
    new = np.delete(np.arange(len(spectra)), rows)
    names, truth = [scans[i] for i in new], labels[new]
    seen = other_instrument(spectra[new])
    axis = saved.wavelength_nm
    transfer = learn_transfer(other_instrument(standards), standards, "standards.csv")
    assert transfer.error < 0.3 * transfer.error_uncorrected
    table, said = identify_transferred(saved, names, seen, axis, "new", transfer, "standards.csv")
    plain = identify(saved, names, seen, axis, "new")
    at_home = identify(saved, names, spectra[new], axis, "home")
    assert plain["inside"].mean() < 0.2, "uncorrected they are outside the domain"
    np.testing.assert_array_equal(table["inside_uncorrected"], plain["inside"])
    assert table["inside"].mean() > 0.8
    agree = (at_home["class"] == truth).mean()
    assert (table["class"] == truth).mean() >= agree - 0.1
    assert transfer.method in said[0] and "before correction" in said[0]


def test_a_slope_and_an_offset_are_found_exactly():
    """Without noise the smallest window is enough: gain and offset of every wavelength."""
    rng = np.random.default_rng(0)
    spectra = 0.3 + 0.1 * rng.normal(size=(8, 20))
    gain, offset = rng.uniform(0.8, 1.2, 20), rng.normal(0, 0.02, 20)
    transfer = learn_transfer((spectra - offset) / gain, spectra, "x")
    assert transfer.method == PIECEWISE and transfer.half_width == 0
    more = 0.3 + 0.1 * rng.normal(size=(5, 20))
    np.testing.assert_allclose(transfer.apply((more - offset) / gain), more, atol=1e-9)
    np.testing.assert_allclose(np.diag(transfer.matrix), gain, atol=1e-9)


def test_direct_standardisation_is_the_pseudoinverse_of_the_standards():
    """Wang, Veltkamp and Kowalski 1991, eq. 7, where the instruments mix far wavelengths."""
    rng = np.random.default_rng(1)
    shapes = rng.normal(size=(3, 15))
    standards = 0.4 + rng.normal(size=(9, 3)) @ shapes
    mixing = np.eye(15)[::-1]
    transfer = learn_transfer(standards @ mixing, standards, "x")
    assert transfer.method == DIRECT
    more = 0.4 + rng.normal(size=(4, 3)) @ shapes
    np.testing.assert_allclose(transfer.apply(more @ mixing), more, atol=1e-8)


@pytest.mark.parametrize("n", [0, 3])
def test_few_standards_are_refused(n):
    with pytest.raises(InputFault, match="at least 4"):
        learn_transfer(np.ones((n, 5)), np.ones((n, 5)), "standards.csv")


def test_standards_that_are_all_alike_are_refused():
    with pytest.raises(InputFault, match="do not differ"):
        learn_transfer(np.full((6, 5), 0.3), np.full((6, 5), 0.4), "standards.csv")


def test_a_correction_that_does_not_help_is_refused():
    rng = np.random.default_rng(0)
    same = 0.3 + 0.1 * rng.normal(size=(6, 20))
    with pytest.raises(InputFault, match="no correction that helps"):
        learn_transfer(same, same + 1e-3 * rng.normal(size=same.shape), "standards.csv")


def test_leaves_that_the_standards_do_not_span_are_refused(home):
    saved, spectra, scans, _, _ = home
    dark = 0.2 * spectra[:8]
    transfer = learn_transfer(other_instrument(dark), dark, "standards.csv")
    with pytest.raises(InputFault, match="standards that span") as caught:
        identify_transferred(
            saved, scans[:3], other_instrument(spectra[:3]), saved.wavelength_nm, "new", transfer,
            "standards.csv",
        )  # fmt: skip
    assert len(caught.value.problems) == 3


def written(path, axis, values):
    path.write_text(
        "".join(f"{a!r}\t{v!r}\n" for a, v in zip(axis.tolist(), values.tolist(), strict=True))
    )
    return path.name


def test_standards_are_read_from_a_sheet(home):
    saved, spectra, _, _, folder = home
    axis = saved.wavelength_nm
    standards, rows = standards_of(spectra)
    lines = ["standard,home_file,new_file"]
    for i, (one, other) in enumerate(zip(standards, other_instrument(standards), strict=True)):
        names = (
            written(folder / f"h{i}.txt", axis, one),
            written(folder / f"n{i}.txt", axis, other),
        )
        lines.append(",".join([f"s{i}", *names]))
    sheet = folder / "standards.csv"
    sheet.write_text("\n".join(lines) + "\n")
    i = next(i for i in range(len(spectra)) if i not in rows)
    leaf = folder / written(folder / "leaf.txt", axis, other_instrument(spectra[i : i + 1])[0])
    form = Form.model_validate({"form": "text", "quantity": "reflectance"})
    from leafledger.runner.new_scans import scans_of_files

    new = scans_of_files([leaf], form)
    assert isinstance(new, NewScans)
    table, said = identify_scans(folder / "model.skops", new, sheet)
    assert bool(table["inside"].iloc[0]) and "standardisation" in said[-1]
    sheet.write_text("standard,home_file,new_file\ns1,h1.txt,\n,../h1.txt,n1.txt\n")
    with pytest.raises(InputFault) as caught:
        identify_scans(folder / "model.skops", new, sheet)
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (2, "new_file"), (3, "standard"), (3, "home_file"),
    ]  # fmt: skip

"""The table of coefficients that a study names, and what is wrong with it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from leafledger.errors import InputFault, Problem
from leafledger.traits.leaf_estimates import COLUMNS, read_coefficients
from leafledger.traits.leaf_model import Coefficients

from .simulated_leaves import coefficients, write_table

NAME = "leaf_coefficients.csv"


def _refused(path: Path) -> list[Problem]:
    with pytest.raises(InputFault) as fault:
        read_coefficients(path, NAME)
    return list(fault.value.problems)


def _changed(tmp_path: Path, **columns: float) -> Path:
    """Write the table with columns multiplied by a factor."""
    own = coefficients()
    scaled = {name: k * columns.get(name, 1.0) for name, k in own.absorption.items()}
    table = Coefficients(
        own.wavelength_nm * columns.get("wavelength_nm", 1.0),
        own.refractive_index * columns.get("refractive_index", 1.0),
        scaled,
    )
    return write_table(tmp_path / NAME, table)


@pytest.mark.parametrize("step", [1, 5])
def test_the_table_is_read_as_it_was_written(tmp_path: Path, step: int) -> None:
    own = coefficients()
    found = read_coefficients(write_table(tmp_path / NAME, step=step), NAME)
    assert found.wavelength_nm.tolist() == own.wavelength_nm[::step].tolist()
    np.testing.assert_allclose(found.refractive_index, own.refractive_index[::step], rtol=1e-9)
    for name, k in own.absorption.items():
        np.testing.assert_allclose(found.absorption[name], k[::step], rtol=1e-9)


def test_columns_may_be_left_out(tmp_path: Path) -> None:
    table = coefficients(without=("anthocyanins", "brown_pigments"))
    found = read_coefficients(write_table(tmp_path / NAME, table), NAME)
    assert set(found.absorption) == {"chlorophyll", "carotenoids", "water", "dry_matter"}


def test_a_missing_table_says_where_it_is_published(tmp_path: Path) -> None:
    (problem,) = _refused(tmp_path / NAME)
    assert problem.found == "no such file"
    assert "Feret et al. (2017)" in problem.mend
    assert all(name in problem.mend for name in COLUMNS)


def test_a_missing_and_a_misspelt_column(tmp_path: Path) -> None:
    path = write_table(tmp_path / NAME)
    text = (
        path.read_text().replace("refractive_index", "n", 1).replace("anthocyanins", "antocyanins")
    )
    path.write_text(text)
    problems = _refused(path)
    assert {p.column for p in problems} == {"refractive_index", "antocyanins"}


@pytest.mark.parametrize(
    ("column", "factor", "said"),
    [
        ("wavelength_nm", 1e-3, "multiply them by 1000"),
        ("chlorophyll", 1e6, "cm2/ug"),
        ("chlorophyll", 0.1, "cm2/ug"),
        ("carotenoids", 100.0, "cm2/ug"),
        ("anthocyanins", 1e-2, "cm2/ug"),
        ("water", 100.0, "cm-1"),
        ("water", 0.1, "cm-1"),
        ("dry_matter", 1e3, "cm2/g"),
    ],
)
def test_a_column_in_another_unit(tmp_path: Path, column: str, factor: float, said: str) -> None:
    (problem,) = _refused(_changed(tmp_path, **{column: factor}))
    assert problem.column == column
    assert said in problem.mend


@pytest.mark.parametrize(
    ("one", "other", "columns"),
    [
        ("chlorophyll", "carotenoids", ["chlorophyll", "carotenoids"]),
        ("chlorophyll", "anthocyanins", ["chlorophyll", "anthocyanins"]),
        ("carotenoids", "anthocyanins", ["carotenoids"]),
    ],
)
def test_exchanged_headings(tmp_path: Path, one: str, other: str, columns: list[str]) -> None:
    """PROSPECT-D: chlorophyll is zero from 781 nm, carotenoids from 561, anthocyanins from 690."""
    path = write_table(tmp_path / NAME)
    head, _, rows = path.read_text().partition("\n")
    names = [{one: other, other: one}.get(name, name) for name in head.split(",")]
    path.write_text(",".join(names) + "\n" + rows)
    problems = _refused(path)
    assert {*columns} <= {p.column for p in problems}
    assert any("headings of two pigments exchanged" in p.mend for p in problems)


@pytest.mark.parametrize(
    ("name", "nm"), [("chlorophyll", 781), ("carotenoids", 561), ("anthocyanins", 690)]
)
def test_a_pigment_absorbs_nothing_beyond_its_end(tmp_path: Path, name: str, nm: int) -> None:
    own = coefficients()
    k = own.absorption[name].copy()
    k[nm - 400] = 0.011 * k.max()
    changed = Coefficients(own.wavelength_nm, own.refractive_index, {**own.absorption, name: k})
    (problem,) = _refused(write_table(tmp_path / NAME, changed))
    assert problem.column == name and f"at {nm} nm" in problem.found
    k[nm - 400] = 0.0
    k[nm - 401] = 0.011 * k.max()  # the last wavelength where it may absorb
    changed = Coefficients(own.wavelength_nm, own.refractive_index, {**own.absorption, name: k})
    read_coefficients(write_table(tmp_path / NAME, changed), NAME)


def test_a_refractive_index_that_is_none(tmp_path: Path) -> None:
    (problem,) = _refused(_changed(tmp_path, refractive_index=0.5))
    assert problem.column == "refractive_index"


def test_a_grid_that_is_too_coarse(tmp_path: Path) -> None:
    (problem,) = _refused(write_table(tmp_path / NAME, step=6))
    assert "at most 5 nm" in problem.expected


def test_a_table_that_does_not_cover_the_pigments(tmp_path: Path) -> None:
    path = write_table(tmp_path / NAME)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], *lines[1:200]]) + "\n")
    (problem,) = _refused(path)
    assert problem.found == "400 to 598 nm"


def test_wavelengths_that_do_not_rise(tmp_path: Path) -> None:
    path = write_table(tmp_path / NAME)
    lines = path.read_text().splitlines()
    lines[10], lines[11] = lines[11], lines[10]
    path.write_text("\n".join(lines) + "\n")
    (problem,) = _refused(path)
    assert problem.row == 12
    assert problem.found == "409 after 410"


def test_cells_that_are_no_numbers_are_named_at_once(tmp_path: Path) -> None:
    path = write_table(tmp_path / NAME)
    lines = path.read_text().splitlines()
    for at, cell in ((5, ""), (7, "-1"), (9, "0,5"), (11, "nan")):
        lines[at] = ",".join([*lines[at].split(",")[:-1], f'"{cell}"'])
    path.write_text("\n".join(lines) + "\n")
    problems = _refused(path)
    assert [(p.row, p.column) for p in problems] == [(n, "dry_matter") for n in (6, 8, 10, 12)]


def test_a_table_with_headings_only(tmp_path: Path) -> None:
    path = tmp_path / NAME
    path.write_text(",".join(COLUMNS) + "\n")
    (problem,) = _refused(path)
    assert "0 rows" in problem.found

"""Room light is weighed by the indices in use: by hand, and in whole simulated sessions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from simulated import MERCURY, TRI_BAND, Simulated, any_leaves, lamp

from leafledger.quality import session as session_module
from leafledger.quality.fluorescent_lines import find_leak, leak_spectra
from leafledger.quality.room_light import ambient_light, leaks_like
from leafledger.quality.session import (
    IndexInUse,
    IndexShifts,
    Session,
    Source,
    largest_shifts,
    tolerated_leak,
)
from leafledger.quality.stage import run
from leafledger.resampling.intervals import Residuals
from leafledger.spectra.formula import parse
from leafledger.study.table_files import SpectraTable, read_parquet, read_spectra, write_spectra

AXIS = np.arange(390.0, 1010.0, 1.0)
GREEN = {"index": "green", "formula": "R(546) / R(800)"}
RED_EDGE = {"index": "edge", "formula": "R(750) / R(700)"}


def index(formula: str, name: str = "I") -> IndexInUse:
    return IndexInUse(name, parse(formula))


def two_leaves(*, u: str = "known", **sources: np.ndarray) -> SpectraTable:
    """Return two leaves of reflectance 0.1 at 546 nm and 0.4 at 800 nm, axis 1 nm."""
    value = np.full((2, len(AXIS)), 0.4)
    value[:, AXIS == 546] = 0.1
    spectra = {
        "reflectance": value,
        "u_scan": np.full_like(value, 0.003),
        "u_noise": np.full_like(value, 0.001),
        **sources,
    }
    metadata = {"u": u, "panel_u_relative": 0.02, "shared_sources": list(sources)}
    return SpectraTable(pd.DataFrame({"scan": ["a", "b"]}), AXIS, spectra, metadata)


def parts_of(leaves: SpectraTable) -> Source:
    """Return what gives the parts of the uncertainty of some leaves."""

    def of(name: str, rows: np.ndarray) -> np.ndarray | None:
        return leaves.spectra[name][rows] if name in leaves.spectra else None

    return of


def test_change_and_uncertainty_of_a_ratio_are_those_of_the_hand() -> None:
    """I = a / b: change light / b; u^2 = (u_a / b)^2 + (a u_b / b^2)^2 + (s_a / b - a s_b / b^2)^2.

    A panel that is wrong by the same share everywhere cancels. JCGM 100:2008, equations 10, 13.
    """
    drift = np.full((2, len(AXIS)), 0.002)
    drift[:, AXIS == 546] = -0.001
    light = np.where(AXIS == 546, 0.005, 0.0) * np.array([[1.0], [2.0]])
    leaves = two_leaves(u_drift=drift)
    rows = np.array([1, 0])
    moved = largest_shifts(
        [index("R(546) / R(800)")], leaves, parts_of(leaves), rows, light[::-1], slice(None)
    )
    assert moved is not None
    assert moved.shift == pytest.approx([0.01 / 0.4, 0.005 / 0.4])
    noise = 0.003**2 + 0.001**2
    u = np.sqrt(
        noise / 0.4**2 + noise * (0.1 / 0.4**2) ** 2 + (-0.001 / 0.4 - 0.1 * 0.002 / 0.4**2) ** 2
    )
    assert moved.u == pytest.approx([u, u])
    assert moved.ratio == pytest.approx(moved.shift / u)
    assert moved.words(0) == f"it moves I by +0.025, its standard uncertainty being {u:.2g}"


def test_the_panel_counts_where_it_does_not_cancel() -> None:
    light = np.where(AXIS == 546, 0.005, 0.0) * np.ones((2, 1))
    moved = largest_shifts(
        [index("R(546)")], two_leaves(), parts_of(two_leaves()), np.arange(2), light, slice(None)
    )
    assert moved is not None
    assert moved.u == pytest.approx(np.sqrt(0.003**2 + 0.001**2 + (0.1 * 0.02) ** 2))


def test_the_index_moved_most_is_named_and_others_left() -> None:
    light = np.where(AXIS == 546, 0.005, 0.0) * np.ones((2, 1))
    some = [
        index("R(750) / R(700)", "edge"),
        index("R(546) / R(800)", "green"),
        index("R(546) + R(600) + R(700)", "sum"),
    ]
    moved = largest_shifts(
        some, two_leaves(), parts_of(two_leaves()), np.arange(2), light, slice(None)
    )
    assert moved is not None
    assert list(moved.index) == ["green", "green"]
    # Beyond the usable axis nothing is read; an index that light does not move has no name.
    for formulas, usable in ((some[1:2], slice(0, 300)), (some[:1], slice(None))):
        moved = largest_shifts(
            formulas, two_leaves(), parts_of(two_leaves()), np.arange(2), light[:, usable], usable
        )
        assert moved is not None
        assert list(moved.index) == ["", ""]
        assert moved.ratio.tolist() == [0.0, 0.0]


def test_without_uncertainty_no_index_is_weighed() -> None:
    leaves = two_leaves(u="unknown")
    light = np.zeros((2, len(AXIS)))
    assert (
        largest_shifts(
            [index("R(546)")], leaves, parts_of(leaves), np.arange(2), light, slice(None)
        )
        is None
    )


def test_a_leak_is_tolerated_as_far_as_the_index_is() -> None:
    """A leak of 0.004 that moves the index by 4 u is tolerated to 0.001; by u / 2, to 0.008."""
    size = np.full(3, 0.004)
    moved = IndexShifts(
        np.array(["I", "I", ""]), np.array([0.4, -0.05, 0.0]), np.array([0.1, 0.1, 0.0])
    )
    assert tolerated_leak(size, 0.005, None, moved) == pytest.approx([0.001, 0.005, 0.005])
    assert tolerated_leak(size, 0.005, np.full(3, 0.02), moved) == pytest.approx(
        [0.001, 0.008, 0.02]
    )
    assert tolerated_leak(size, 0.005, np.full(3, 0.02), None) == pytest.approx([0.02] * 3)


@pytest.mark.parametrize("lines", [MERCURY, TRI_BAND])
def test_the_light_of_the_lines_is_what_was_added(lines: dict[float, float]) -> None:
    """Within a third at the strongest line from 500 nm up, where it stands, and nowhere else."""
    rng = np.random.default_rng(8)
    clean = any_leaves(AXIS, 40, rng)
    added = 0.03 * lamp(AXIS, lines, 2.0)
    noisy = clean + added + rng.normal(0, 0.001, clean.shape)
    leak = find_leak(AXIS, noisy, np.full(clean.shape, 0.001))
    scans = np.flatnonzero(leak.called)
    assert len(scans) == 40
    light = leak_spectra(AXIS, leak, scans[5:])
    assert light.shape == (35, len(AXIS))
    far = AXIS >= 500
    assert light[:, far].max(axis=1) == pytest.approx(leak.size[scans[5:]])
    top = np.argmax(added * far)
    assert np.median(light[:, top]) == pytest.approx(added[top], rel=0.34)
    assert (np.abs(AXIS[np.argmax(light * far, axis=1)] - AXIS[top]) <= 1).all()
    quiet = (added < 1e-6) & (np.abs(AXIS[:, None] - [*lines]).min(axis=1) > 12)
    assert np.abs(light[:, quiet]).max() < 1e-4


def test_a_line_smaller_than_leaves_themselves_seem_to_have_is_no_fault() -> None:
    """Of model leaves without noise the best seem to hold lines of up to 0.04 %."""
    leak = find_leak(AXIS, any_leaves(AXIS, 3, np.random.default_rng(1)), None)
    for size, severity in ((0.0004, "notice"), (0.0006, "fault")):
        seen = replace(
            leak,
            called=np.array([True, False, False]),
            score=np.full(3, 9.0),
            size=np.full(3, size),
        )
        moved = IndexShifts(np.array(["I"]), np.array([1.0]), np.array([1e-6]))
        (flag,) = ambient_light(["a", "b", "c"], seen, 3.3, 0.005, None, moved)
        assert flag.severity == severity


def leaking(indices: list[dict[str, str]], folder: Path, *, known: bool = True) -> pd.DataFrame:
    """Return flags of room light in a session with mercury lines of 0.3 % in eight leaves."""
    session = Simulated(21, n_units=12)
    session.indices = indices
    leaves = [k for k, row in enumerate(session.rows) if row["role"] == "sample"][:8]
    for k in leaves:
        light = 0.003 * lamp(session.axis, MERCURY, 2.0) * 50_000 * 18 / 12 * session.lit
        session.counts[k] = np.round(session.counts[k] + light)
    job = session.job(folder, known=known)
    run(job)
    table = read_parquet(job.outputs["quality"])
    return table[table["check"] == "ambient_light"]


def test_a_leak_below_the_stated_share_is_a_fault_if_it_moves_an_index_in_use(
    tmp_path: Path,
) -> None:
    before = leaking([], tmp_path / "none")
    assert set(before["severity"]) == {"notice"}
    edge = leaking([RED_EDGE], tmp_path / "edge")
    assert set(edge["severity"]) == {"notice"}, "no line of a lamp stands in its bands"
    green = leaking([RED_EDGE, GREEN], tmp_path / "green")
    faults = green[green["severity"] == "fault"]
    assert len(faults) >= 4
    assert (faults["value"] > faults["threshold"]).all()
    assert (faults["threshold"] < 0.005).all()
    assert faults["sentence"].str.contains("it moves green by +", regex=False).all()
    unknown = leaking([GREEN], tmp_path / "unknown", known=False)
    assert "fault" not in set(unknown["severity"])


def test_light_like_the_ambient_scan_is_weighed_by_reflectance_and_indices() -> None:
    """Tolerated share 5 %: 2 % is a fault only where an index is moved; never below 1 %."""
    amounts = Residuals(np.array([0.2, 0.2, 0.08, 0.9]), np.ones(4, dtype=bool), 0.001)
    some = IndexShifts(
        np.array(["I", "", "I", ""]), np.array([0.3, 0, 0.3, 0]), np.array([0.1, 0, 0.1, 0])
    )
    names = ["a", "b", "c", "d"]
    found = leaks_like(names, amounts, "amb", 0.1, 450.0, 0.05, "x", None, some)
    assert [flag.scan for flag in found] == ["a", "d"]
    assert found[0].threshold == pytest.approx(0.01)
    assert "it moves I by +0.3" in found[0].sentence
    assert "moves" not in found[1].sentence
    u = np.full(4, 0.2)
    assert [f.scan for f in leaks_like(names, amounts, "amb", 0.1, 450.0, 0.05, "x", u, some)] == [
        "a"
    ]


def test_the_parts_of_the_uncertainty_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "day0.parquet"
    leaves = two_leaves(u_drift=np.full((2, len(AXIS)), -0.25))
    write_spectra(path, pa.table({"scan": ["a", "b"]}), AXIS, leaves.spectra, leaves.metadata)
    session = Session(leaves, leaves, reflectance_file=path)
    both = np.arange(2)
    assert session.uncertainty_source("u_drift", both) == pytest.approx(leaves.spectra["u_drift"])
    assert session.uncertainty_source("u_noise", both) == pytest.approx(0.001, rel=1e-3)
    assert session.uncertainty_source("u_axis", both) is None
    assert Session(leaves, leaves).uncertainty_source("u_drift", both) is None


def test_many_leaves_are_weighed_some_at_a_time_with_the_same_result(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rows in any order, over the row groups of a file, in parts of any size."""
    rng, n = np.random.default_rng(5), 1203
    names = ("reflectance", "u_scan", "u_noise", "u_drift")
    spectra = {name: rng.uniform(0.001, 0.4, (n, len(AXIS))) for name in names}
    path = tmp_path / "day0.parquet"
    told = {"u": "known", "panel_u_relative": 0.02, "shared_sources": ["u_drift"]}
    write_spectra(path, pa.table({"scan": [f"s{i}" for i in range(n)]}), AXIS, spectra, told)
    leaves = read_spectra(path)
    held = read_spectra(path, ("u_drift", "u_noise"))
    leaves = replace(leaves, spectra={**leaves.spectra, **held.spectra})
    session = Session(leaves, leaves, reflectance_file=path)
    rows = rng.permutation(n)[:1100]
    for name in ("u_drift", "u_noise"):
        found = session.uncertainty_source(name, rows)
        assert found is not None
        assert np.array_equal(found, leaves.spectra[name][rows])
    light = rng.uniform(0, 0.01, (len(rows), len(AXIS)))
    some = [index("R(546) / R(800)", "green"), index("R(750) / R(700)", "edge")]
    told_whole = []
    for size in (2000, 500, 7):
        monkeypatch.setattr(session_module, "ROWS_PER_GROUP", size)
        source = session.uncertainty_source
        moved = largest_shifts(some, leaves, source, rows, light, slice(None))
        assert moved is not None
        told_whole.append(moved)
    first = told_whole[0]
    assert {*first.index} == {"green", "edge"}
    for other in told_whole[1:]:
        assert (other.index == first.index).all()
        assert other.shift == pytest.approx(first.shift, rel=1e-9)
        assert other.u == pytest.approx(first.u, rel=1e-9)

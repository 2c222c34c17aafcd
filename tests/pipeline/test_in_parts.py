"""What is made some scans at a time is, to the byte, what is made as a whole."""

from __future__ import annotations

import importlib
import json
import math
import statistics
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.effects.unit_means import exact_mean
from leafledger.errors import StageFailure
from leafledger.reflectance import stage as reflectance_stage
from leafledger.runner.step import job_of
from leafledger.study import table_files
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME
from leafledger.study.study import Task
from leafledger.study.table_files import (
    canonical_json,
    read_spectra,
    round_mantissa,
    spectra_by_group,
    write_spectra,
    write_spectra_in_parts,
)

ROOT = Path(__file__).resolve().parents[2]
AXIS = np.arange(400.0, 437.0)


def spectra_of(n_rows: int) -> tuple[pa.Table, dict[str, np.ndarray]]:
    rng = np.random.default_rng(n_rows)
    rows = pa.table(
        {
            "scan": pa.array([f"s{i}" for i in range(n_rows)], pa.string()),
            "role": pa.array(["white" if i % 3 == 0 else "sample" for i in range(n_rows)]),
            "weight": pa.array([None if i % 7 == 0 else i / 2 for i in range(n_rows)]),
        },
        schema=pa.schema([("scan", pa.string()), ("role", pa.string()), ("weight", pa.float64())]),
    )
    return rows, {
        "reflectance": rng.normal(size=(n_rows, len(AXIS))),
        "u_scan": rng.random((n_rows, len(AXIS))),
        "u_drift": rng.normal(size=(n_rows, len(AXIS))).astype(np.float32),
    }


def written_at_once(path: Path, rows: pa.Table, spectra: dict[str, np.ndarray]) -> None:
    """Write the table in one call of PyArrow, as a plain script would."""
    stored = {
        "reflectance": spectra["reflectance"],
        "u_scan": round_mantissa(spectra["u_scan"]).astype(np.float32),
        "u_drift": round_mantissa(spectra["u_drift"], 16).astype(np.float32),
    }
    for name, values in stored.items():
        flat = pa.array(values.ravel())
        kind = pa.list_(pa.field("element", flat.type, nullable=False), len(AXIS))
        column = pa.FixedSizeListArray.from_arrays(flat, type=kind)
        rows = rows.append_column(pa.field(name, kind, nullable=False), column)
    told = {"wavelength_nm": AXIS.tolist(), "shared_sources": ["u_drift"]}
    pq.write_table(
        rows.replace_schema_metadata({k: canonical_json(v) for k, v in told.items()}),
        path,
        compression="zstd",
        compression_level=3,
        row_group_size=500,
        use_dictionary=["scan"],
        write_statistics=["scan"],
        use_byte_stream_split=[f"{name}.list.element" for name in stored],
    )


@pytest.mark.parametrize("n_rows", [0, 1, 499, 500, 501, 1234])
def test_a_table_written_by_row_groups_has_the_bytes_of_one_call(
    tmp_path: Path, n_rows: int
) -> None:
    rows, spectra = spectra_of(n_rows)
    whole, parts = tmp_path / "whole.parquet", tmp_path / "parts.parquet"
    written_at_once(whole, rows, spectra)
    write_spectra(
        parts, rows, AXIS, spectra, {"shared_sources": ["u_drift"]}, in_full=("reflectance",)
    )
    assert parts.read_bytes() == whole.read_bytes()
    table = read_spectra(parts, ("reflectance",))
    assert np.array_equal(table.spectra["reflectance"], spectra["reflectance"])
    groups = [*spectra_by_group(parts, ("reflectance", "counts"), ("scan", "role"))]
    sizes = [500] * (n_rows // 500) + ([n_rows % 500] if n_rows % 500 or not n_rows else [])
    assert [len(group.rows) for group in groups] == sizes
    for name in ("scan", "role"):
        assert [x for g in groups for x in g.rows[name]] == table.rows[name].tolist()
    if groups:
        read = np.concatenate([group.spectra["reflectance"] for group in groups])
        assert np.array_equal(read, spectra["reflectance"])


@pytest.mark.parametrize("fault", ["too few", "too many in a group", "not finite"])
def test_parts_that_are_not_the_table_leave_nothing(tmp_path: Path, fault: str) -> None:
    rows, spectra = spectra_of(700)
    values = spectra["reflectance"]
    if fault == "not finite":
        values[650, 3] = math.nan
    sizes = {"too few": (500,), "too many in a group": (501, 199), "not finite": (500, 200)}[fault]
    starts = np.cumsum((0, *sizes))
    parts = ({"reflectance": values[a:b]} for a, b in pairwise(starts))
    with pytest.raises(StageFailure):
        write_spectra_in_parts(tmp_path / "x.parquet", rows, AXIS, parts, {})
    assert [*tmp_path.iterdir()] == []


def stages_run(study: Path, rules: tuple[str, ...], session: str) -> None:
    opened = read_study(study)
    for rule in rules:
        importlib.import_module(BY_NAME[rule].module).run(job_of(opened, Task(rule, session)))


@pytest.mark.parametrize("n_rows", [1, 7, 500])
def test_reflectance_in_parts_is_reflectance_as_a_whole(small_study: Path, n_rows: int) -> None:
    """Whatever the size of a part: every number, and which sources there are."""
    stages_run(small_study, ("intake",), "day0")
    job = job_of(read_study(small_study), Task("reflectance", "day0"))
    table = read_spectra(job.inputs["scans"], ("counts",))
    made = reflectance_stage._prepared(table, job.settings, "day0", None, "")
    whole = made.whole()
    assert len(whole.shared) > 1, "the case is worth a test"
    sources = frozenset(whole.shared)
    parts = [*made.parts(n_rows, sources)]
    assert max(len(part.reflectance) for part in parts) <= n_rows
    for name in ("reflectance", "u_scan", "u_noise", "u_reference"):
        both = [np.concatenate([getattr(part, name) for part in parts]), getattr(whole, name)]
        assert np.array_equal(*both), name
    for name in sources:
        assert np.array_equal(np.concatenate([p.shared[name] for p in parts]), whole.shared[name])


def test_a_source_that_a_later_scan_has_is_in_the_table_from_the_first(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stages_run(small_study, ("intake", "reflectance"), "day0")
    job = job_of(read_study(small_study), Task("reflectance", "day0"))
    before = job.outputs["reflectance"].read_bytes()
    tried: list[frozenset[str]] = []
    as_it_is = reflectance_stage._written
    monkeypatch.setattr(
        reflectance_stage,
        "_written",
        lambda job, made, sources: (tried.append(sources), as_it_is(job, made, sources))[1],
    )
    reflectance_stage.run(job)
    assert tried[0] == frozenset()
    assert tried[-1] > tried[0]
    assert job.outputs["reflectance"].read_bytes() == before
    table = read_spectra(job.inputs["scans"], ("counts",))
    whole = reflectance_stage.convert_session(table, job.settings, "day0", None, "").reflected
    assert set(table_files.spectra_metadata(job.outputs["reflectance"])[1]["shared_sources"]) == {
        *whole.shared
    }


@pytest.mark.parametrize("per_group", [1, 7, 500])
def test_indices_do_not_depend_on_the_row_groups_of_reflectance(
    small_study: Path, monkeypatch: pytest.MonkeyPatch, per_group: int
) -> None:
    stages_run(small_study, ("intake", "reflectance"), "day0")
    study = read_study(small_study)
    importlib.import_module(BY_NAME["catalogue"].module).run(job_of(study, Task("catalogue")))
    job = job_of(study, Task("indices", "day0"))
    table_files.write_json(job.inputs["range"], {"start_nm": 450.0, "stop_nm": 890.0})
    table = read_spectra(job.inputs["reflectance"])
    assert len(table.rows) > per_group or per_group == 500
    importlib.import_module(BY_NAME["indices"].module).run(job)
    whole = job.outputs["indices"].read_bytes()
    source = pq.read_table(job.inputs["reflectance"])
    assert any("u_" in name for name in table.metadata["shared_sources"]), "worth a test"
    pq.write_table(source, job.inputs["reflectance"], row_group_size=per_group)
    importlib.import_module(BY_NAME["indices"].module).run(job)
    assert job.outputs["indices"].read_bytes() == whole


@pytest.mark.parametrize("only_accepted", [True, False])
def test_spectra_of_a_study_are_those_of_its_sessions_read_whole(
    tmp_path: Path, only_accepted: bool
) -> None:
    """Sorted by session and scan, cut to the trusted range; one session at a time or together."""
    rng, wanted, rows, paths = np.random.default_rng(4), [], [], {}
    inside = slice(5, 31)
    for session, n in (("b", 501), ("a", 13)):
        table, spectra = spectra_of(n)
        order = rng.permutation(n)
        table = table.set_column(0, "scan", pa.array([f"{session}{i:04d}" for i in order]))
        paths[session] = tmp_path / f"{session}.parquet"
        write_spectra(paths[session], table, AXIS, {"reflectance": spectra["reflectance"]}, {})
        stored = spectra["reflectance"].astype(np.float32).astype(np.float64)
        for i in range(n):
            place = int(np.flatnonzero(order == i)[0])
            ok = i % 4 != 1
            rows.append((f"{session}{i:04d}", session, f"p{i % 3}", "1", "", ok))
            if ok or not only_accepted:
                wanted.append((session, f"{session}{i:04d}", f"p{i % 3}", stored[place, inside]))
    names = ["scan", "session", "unit", "leaf", "replicate", "accepted"]
    frame = pd.DataFrame(rows, columns=names)
    table_files.write_csv(tmp_path / "accepted.csv", frame, names)
    limits = {"start_nm": float(AXIS[5]), "stop_nm": float(AXIS[30])}
    table_files.write_json(tmp_path / "range.json", limits)
    where = (paths, tmp_path / "accepted.csv", tmp_path / "range.json")
    found = table_files.load_spectra(*where, {"p1": {"dose": "2"}}, only_accepted=only_accepted)
    assert found.rows["scan"].tolist() == [scan for _, scan, _, _ in wanted]
    assert np.array_equal(found.reflectance, np.array([values for *_, values in wanted]))
    assert np.array_equal(found.wavelength_nm, AXIS[inside])
    assert found.rows["dose"].tolist() == ["2" if u == "p1" else "" for _, _, u, _ in wanted]
    if only_accepted:
        one = dict(table_files.spectra_of_sessions(*where, sessions=("a",)))
        assert list(one) == ["a"]
        assert np.array_equal(
            one["a"].reflectance, np.array([values for s, _, _, values in wanted if s == "a"])
        )
        every = [part.reflectance for _, part in table_files.spectra_of_sessions(*where)]
        assert np.array_equal(np.concatenate(every), found.reflectance)


@given(st.lists(st.floats(-1e9, 1e9) | st.sampled_from([0.1, 0.2, 0.3, 1.0]), min_size=1))
def test_the_mean_is_taken_exactly_and_rounded_once(values: list[float]) -> None:
    """Against Python's own mean in fractions."""
    assert exact_mean(values) == statistics.mean(values)


def test_the_mean_of_a_tie_is_that_of_the_fractions() -> None:
    """Three numbers whose sum over three, each rounded, is not the mean rounded once."""
    rng = np.random.default_rng(3)
    tried = [rng.random(3).tolist() for _ in range(3000)]
    assert any(math.fsum(values) / 3 != statistics.mean(values) for values in tried)
    assert all(exact_mean(values) == statistics.mean(values) for values in tried)


@pytest.mark.slow
@pytest.mark.longest
def test_no_stage_takes_a_gibibyte_of_a_large_session(tmp_path: Path) -> None:
    """20,000 scans of 1,000 pixels in one session, each stage in a process of its own."""
    study = tmp_path / "study"
    script = (
        "import sys; sys.path.insert(0, 'benchmarks'); from pathlib import Path; import scale\n"
        f"scale.make_study(Path({str(study)!r}), 20_000, 1, 1_000)\n"
    )
    subprocess.run([sys.executable, "-c", script], cwd=ROOT, check=True)
    peaks = {}
    for rule, session in (
        ("intake", "s0000"),
        ("reflectance", "s0000"),
        ("catalogue", None),
        ("quality", "s0000"),
    ):
        code = (
            "import json, resource\nfrom pathlib import Path\nimport importlib\n"
            "from leafledger.runner.step import job_of\n"
            "from leafledger.study.reading import read_study\n"
            "from leafledger.study.rules import BY_NAME\nfrom leafledger.study.study import Task\n"
            f"job = job_of(read_study(Path({str(study)!r})), Task({rule!r}, {session!r}))\n"
            "importlib.import_module(BY_NAME[job.rule].module).run(job)\n"
            "print(json.dumps(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024))\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, check=True, text=True
        )
        peaks[rule] = json.loads(done.stdout)
    assert max(peaks.values()) < 1 << 30, peaks

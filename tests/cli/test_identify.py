"""New scans put into the classes of a model, from the command line."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from leafledger import Study

MODEL = "results/classes/model.skops"


def identify(study: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "leafledger.cli", "identify", str(study / MODEL), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def told(done: subprocess.CompletedProcess[str]) -> list[dict[str, Any]]:
    assert done.returncode == 0, done.stderr
    scans: list[dict[str, Any]] = json.loads(done.stdout)["scans"]
    return scans


def leaf_of(study: Path) -> tuple[str, np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Return an after-session leaf scan of the study: id, axis and reflectance."""
    from leafledger.study.table_files import read_spectra

    table = read_spectra(study / "results" / "reflectance" / "day12.parquet", ("reflectance",))
    return str(table.rows["scan"].iloc[0]), table.wavelength_nm, table.spectra["reflectance"][0]


def write(path: Path, axis: np.ndarray[Any, Any], values: np.ndarray[Any, Any]) -> str:
    rows = (
        f"{nm!r}\t{value!r}\n" for nm, value in zip(axis.tolist(), values.tolist(), strict=True)
    )
    path.write_text("".join(rows), encoding="utf-8")
    return str(path)


def test_a_leaf_of_the_study_is_at_home(small_study_run: Path, tmp_path: Path) -> None:
    _, axis, leaf = leaf_of(small_study_run)
    file = write(tmp_path / "leaf.txt", axis, leaf)
    (row,) = told(identify(small_study_run, file, "--json"))
    assert row["inside"] is True
    assert row["class"] in {"chelate", "water"}
    assert row["p_chelate"] + row["p_water"] == pytest.approx(1.0)
    plain = identify(small_study_run, file)
    assert "inside the model's domain" in plain.stdout
    percent = write(tmp_path / "percent.txt", axis, 100 * leaf)
    (again,) = told(identify(small_study_run, percent, "--quantity", "percent", "--json"))
    assert again["p_chelate"] == pytest.approx(row["p_chelate"], abs=1e-9)


def test_counts_go_through_the_stages_of_the_study(small_study_run: Path, tmp_path: Path) -> None:
    """The raw files of a session by their own sheet give what the study's reflectance gives."""
    study = Study.open(small_study_run)
    lines = (small_study_run / "scans.csv").read_text(encoding="utf-8").splitlines()
    kept = [row for row in csv.DictReader(lines) if row["session"] == "day0"]
    names = ("scan", "file", "session", "role", "time", "integration_ms", "averages")
    sheet = tmp_path / "new.csv"
    sheet.write_text(
        "\n".join([",".join(names), *(",".join(row[n] for n in names) for row in kept)]) + "\n",
        encoding="utf-8",
    )
    (tmp_path / "raw").symlink_to(small_study_run / "raw")
    refused = identify(small_study_run, "--sheet", str(sheet), "--quantity", "counts")
    assert refused.returncode == 2, "a link that leads out of the folder is not followed"
    (tmp_path / "raw").unlink()
    sheet = small_study_run / "new.csv"
    sheet.write_text((tmp_path / "new.csv").read_text(encoding="utf-8"), encoding="utf-8")
    try:
        rows = told(
            identify(small_study_run, "--sheet", str(sheet), "--quantity", "counts", "--json")
        )
    finally:
        sheet.unlink()
    assert [row["scan"] for row in rows] == [scan.scan for scan in study.samples("day0")]
    whole = identify(
        small_study_run, "--sheet", str(small_study_run / "scans.csv"), "--quantity", "counts"
    )
    assert whole.returncode == 2 and "scans of 2 sessions: day0, day12" in whole.stderr
    from leafledger.classes.model import identify as by_table
    from leafledger.classes.model import load_saved_model
    from leafledger.study.table_files import read_spectra

    table = read_spectra(small_study_run / "results/reflectance/day0.parquet", ("reflectance",))
    expected = by_table(
        load_saved_model(small_study_run / MODEL),
        [str(s) for s in table.rows["scan"]],
        table.spectra["reflectance"],
        table.wavelength_nm,
        "day0",
    )
    by_scan = dict(zip(expected["scan"], expected["p_chelate"], strict=True))
    for row in rows:
        assert row["p_chelate"] == pytest.approx(by_scan[row["scan"]], abs=1e-6)


def test_what_the_model_cannot_know_is_refused_or_told(
    small_study_run: Path, tmp_path: Path
) -> None:
    _, axis, leaf = leaf_of(small_study_run)
    coarse = identify(small_study_run, write(tmp_path / "grid.txt", axis[::2], leaf[::2]))
    assert coarse.returncode == 2
    assert "another grid" in coarse.stderr
    cut = identify(small_study_run, write(tmp_path / "cut.txt", axis[100:], leaf[100:]))
    assert cut.returncode == 2
    assert "the whole range" in cut.stderr
    chair = np.full(len(axis), 0.42)
    (row,) = told(identify(small_study_run, write(tmp_path / "chair.txt", axis, chair), "--json"))
    assert row["inside"] is False
    assert row["domain"].startswith("outside the model's domain")


@pytest.mark.parametrize(
    "arguments", [(), ("--quantity", "counts", "FILE"), ("FILE", "--sheet", "FILE")]
)
def test_what_to_read_must_be_plain(
    small_study_run: Path, tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    _, axis, leaf = leaf_of(small_study_run)
    file = write(tmp_path / "leaf.txt", axis, leaf)
    done = identify(small_study_run, *(file if a == "FILE" else a for a in arguments))
    assert done.returncode == 2
    assert "--sheet" in done.stderr
    assert "Traceback" not in done.stderr

"""Studies that several tests use: made once, copied for each."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from filelock import FileLock

from browser import chromium, watched  # noqa: F401 - fixtures for every test of a page
from generated import generator, shrink

# A test must not depend on what the machine's environment says, nor take two cores for one sum.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
os.environ["MPLBACKEND"] = "Agg"


@pytest.fixture(autouse=True)
def _print_options_kept() -> Iterator[None]:
    """Undo what a library does to NumPy's way of printing, on which the doctests rest."""
    with np.printoptions():
        yield


@pytest.fixture(scope="session")
def small_study_made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a clean study of 8 plants on two days; not to be changed."""
    out = tmp_path_factory.mktemp("made") / "small"
    generator().generate(
        out, seed=5, n_plants=8, n_leaves=2, n_sessions=2, n_pixels=256, fault_list="none"
    )
    shrink(out)
    return out


@pytest.fixture
def small_study(small_study_made: Path, tmp_path: Path) -> Path:
    """Return a copy of the small study, never run."""
    return Path(shutil.copytree(small_study_made, tmp_path / "study"))


@pytest.fixture(scope="session")
def small_study_run(small_study_made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the small study after one run, which all workers share; not to be changed."""
    from leafledger.runner.run import run_study

    base = tmp_path_factory.getbasetemp()
    study = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "small_study_run"
    done = study.with_suffix(".done")
    with FileLock(study.with_suffix(".lock")):
        if not done.exists():
            shutil.copytree(small_study_made, study)
            result = run_study(study, cores=2)
            assert result.outcome == "done", (result.message, result.problems)
            done.touch()
    return study


@pytest.fixture
def ran_study(small_study_run: Path, tmp_path: Path) -> Path:
    """Return a copy of the small study that has been run once."""
    return Path(shutil.copytree(small_study_run, tmp_path / "study"))


@pytest.fixture
def edit() -> Callable[[Path, str, str], None]:
    """Return a function that replaces text in a file and insists that it was there."""

    def replace(path: Path, old: str, new: str) -> None:
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} is not in {path.name}"
        path.write_text(text.replace(old, new), encoding="utf-8")

    return replace

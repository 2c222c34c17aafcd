"""Studies that several tests use: made once, copied for each."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent

# A test must not depend on what the machine's environment says, nor take two cores for one sum.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"
os.environ["MPLBACKEND"] = "Agg"


def generator() -> Any:
    """Return the module of the demo generator."""
    spec = importlib.util.spec_from_file_location("generate", ROOT / "demo_data" / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["generate"] = module
    spec.loader.exec_module(module)
    return module


SMALL_CLASSES = """\
classes:
  target: treatment
  max_components: 3
  folds: {outer: 3, repeats: 2}
  n_permutations: 19
  seed: 11
"""


def shrink(study: Path) -> None:
    """Make the settings of a generated study cheap, so that a test can run it in seconds."""
    path = study / "study.yaml"
    head, _, _ = path.read_text(encoding="utf-8").partition("\nclasses:")
    head = head.replace("n_draws: 9999", "n_draws: 99")
    text = head + "\n" + SMALL_CLASSES + "report: {language: en, figures: [svg]}\n"
    path.write_text(text, encoding="utf-8")


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
    """Return the small study after one run; not to be changed."""
    from leafledger.runner.run import run_study

    study = tmp_path_factory.mktemp("run") / "study"
    shutil.copytree(small_study_made, study)
    result = run_study(study, cores=2)
    assert result.outcome == "done", (result.message, result.problems)
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

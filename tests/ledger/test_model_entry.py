"""The classifier in the tracking store opens as MLflow's users expect, with nothing pickled."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from leafledger.classes.model import load_saved_model
from leafledger.ledger.mlflow_runs import write_model


@pytest.fixture
def written(small_study_run: Path, tmp_path: Path) -> Path:
    classes = small_study_run / "results" / "classes"
    files = (classes / name for name in ("model.skops", "model.json", "spectra_terms.parquet"))
    write_model(tmp_path / "model", *files)
    return tmp_path / "model"


def test_mlflow_opens_the_model_and_it_says_the_same(small_study_run: Path, written: Path) -> None:
    import mlflow.pyfunc

    opened = mlflow.pyfunc.load_model(str(written))
    example = np.array(json.loads((written / "input_example.json").read_text(encoding="utf-8")))
    saved = load_saved_model(small_study_run / "results" / "classes" / "model.skops")
    assert example.shape == (1, len(saved.wavelength_nm))
    spectra = example * np.linspace(0.7, 1.3, 9)[:, None]
    assert list(opened.predict(spectra)) == list(saved.model.predict(spectra))


def test_the_signature_refuses_another_number_of_wavelengths(written: Path) -> None:
    import mlflow.pyfunc
    from mlflow.exceptions import MlflowException

    opened = mlflow.pyfunc.load_model(str(written))
    with pytest.raises(MlflowException, match="shape"):
        opened.predict(np.zeros((1, 7)))


def test_a_run_keeps_it_beside_its_tables(small_study_run: Path) -> None:
    (model,) = (small_study_run / "ledger").glob("**/classes/model/MLmodel")
    text = model.read_text(encoding="utf-8")
    assert "serialization_format: skops" in text
    kept = {path.name for path in model.parent.iterdir()}
    assert kept == {"MLmodel", "model.skops", "input_example.json", "requirements.txt"}
    assert not [name for name in kept if name.endswith((".pkl", ".pickle"))]


def test_what_is_no_model_is_refused_before_anything_is_made(
    small_study_run: Path, tmp_path: Path
) -> None:
    classes = small_study_run / "results" / "classes"
    torn = tmp_path / "torn.json"
    torn.write_text("{", encoding="utf-8")
    with pytest.raises(ValueError, match="line 1"):
        write_model(
            tmp_path / "model", classes / "model.skops", torn, classes / "spectra_terms.parquet"
        )
    assert not (tmp_path / "model").exists()

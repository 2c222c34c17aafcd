"""The saved classifier as MLflow's users expect a model: with signature, example and requirements.

The files follow MLflow's model format through its own classes; the archive is copied as the stage
wrote it, so that nothing is pickled and no heavy library is loaded for keeping the books.
"""

from __future__ import annotations

import json
import platform
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from leafledger.study.tables import read_json, read_parquet

FOLDER = "model"
_ARCHIVE = "model.skops"
_EXAMPLE = "input_example.json"
_REQUIREMENTS = "requirements.txt"


def write_model(place: Path, archive: Path, card_path: Path, terms: Path) -> None:
    """Write the model folder that ``mlflow.pyfunc.load_model`` opens.

    Parameters
    ----------
    place
        Folder to make.
    archive, card_path, terms
        ``model.skops``, ``model.json`` and ``spectra_terms.parquet`` of the stage classes; the
        mean spectrum of training is the input example.

    Raises
    ------
    ValueError, KeyError
        If card or terms are not what the stage writes; nothing has been made then.
    """
    from mlflow.models import Model
    from mlflow.models.signature import ModelSignature
    from mlflow.types import Schema, TensorSpec

    card: dict[str, Any] = read_json(card_path)
    example = _mean_spectrum(terms, len(card["wavelength_nm"]))
    flavours = _flavours(card)
    place.mkdir(parents=True)
    shutil.copyfile(archive, place / _ARCHIVE)
    (place / _EXAMPLE).write_text(json.dumps([example]), encoding="utf-8")
    needed = [f"{name}=={version}" for name, version in sorted(card["libraries"].items())]
    (place / _REQUIREMENTS).write_text("\n".join(["leafledger", *needed]) + "\n", encoding="utf-8")
    axis = TensorSpec(np.dtype(np.float64), (-1, len(card["wavelength_nm"])), name=None)
    label = TensorSpec(np.dtype(np.str_), (-1,), name=None)
    model = Model(
        signature=ModelSignature(inputs=Schema([axis]), outputs=Schema([label])),
        saved_input_example_info={"artifact_path": _EXAMPLE, "type": "ndarray"},
        metadata={name: card[name] for name in ("target", "classes", "quantity", "range")},
    )
    for name, told in flavours.items():
        model.add_flavor(name, **told)
    model.save(place / "MLmodel")


def _flavours(card: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    return {
        "python_function": {
            "loader_module": "mlflow.sklearn",
            "model_path": _ARCHIVE,
            "predict_fn": "predict",
            "python_version": platform.python_version(),
        },
        "sklearn": {
            "pickled_model": _ARCHIVE,
            "serialization_format": "skops",
            "skops_trusted_types": list(card["trusted_types"]),
            "sklearn_version": card["libraries"]["scikit-learn"],
            "code": None,
        },
    }


def _mean_spectrum(terms: Path, n_wavelengths: int) -> list[float]:
    table = read_parquet(terms)
    mean = table[table["term"] == "spectrum_mean"].sort_values("wavelength_nm")["value"]
    if len(mean) != n_wavelengths:
        raise ValueError(f"{len(mean)} values of the mean spectrum, {n_wavelengths} wavelengths")
    return [float(value) for value in mean]

"""Stepping through numbers of latent variables: accuracy, confusion and loading together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from leafledger.report.class_figures import SPLIT_WORDS
from leafledger.report.gather import ClassTables
from leafledger.report.lettering import plain
from leafledger.report.live import LiveView, drawn_looks, row, step_for, thinning_words
from leafledger.report.term_figures import Training

if TYPE_CHECKING:
    import pandas as pd

_WAVELENGTHS_AT_MOST = 400
_TERMS = ("loading", "weight")


def live_path(tables: ClassTables, path: pd.DataFrame) -> LiveView | None:
    """Return accuracy against the number of latent variables; ``None`` if none was recorded.

    Parameters
    ----------
    path
        From :func:`leafledger.report.class_figures.accuracy_path`.
    """
    splits = [s for s in SPLIT_WORDS if (path["split"] == s).any()]
    if not splits:
        return None
    repeats = int(path["n_repeats"].max())
    values = {
        "chosen": int(tables.summary["n_components"]),
        "largest_class": tables.summary.get("majority_accuracy"),
        "looks": drawn_looks(splits),
        "splits": [_split(path[path["split"] == s], SPLIT_WORDS[s]) for s in splits],
    }
    return LiveView(
        "path",
        "Accuracy with each number of latent variables",
        f"Lines: mean over {repeats} repeats of the splitting, n = "
        f"{tables.predictions['scan'].nunique()} scans; bands: lowest and highest repeat (a "
        "spread over repeats, not a confidence interval). The number was chosen by validation "
        "inside the training part; the curve only shows what that choice meant. Circled: the "
        "number the slider stands at. Nothing is tested along the curve, so nothing is adjusted.",
        values,
    )


def _split(part: pd.DataFrame, words: str) -> dict[str, Any]:
    part = part.sort_values("n_components")
    return {
        "words": words,
        "n": [int(n) for n in part["n_components"]],
        **{name: row(part[name], 4) for name in ("mean", "lowest", "highest")},
    }


def live_terms(tables: ClassTables, training: Training) -> LiveView | None:
    """Return loading and weight of every latent variable; ``None`` if none was recorded.

    Parameters
    ----------
    training
        The spectra the classifier learned from, in short, in the order of wavelength.
    """
    frame = tables.terms[tables.terms["term"].isin(_TERMS)]
    if not len(frame):
        return None
    axis = np.unique(frame["wavelength_nm"].to_numpy(float))
    step = step_for(len(axis), _WAVELENGTHS_AT_MOST)
    there = [term for term in _TERMS if (frame["term"] == term).any()]
    values = {
        "wavelength": row(axis[::step], 6),
        "terms": [
            {"words": term, "steps": _by_step(frame[frame["term"] == term], step)} for term in there
        ],
        "told": _told(tables.summary),
        "quantity": plain(training.quantity),
        **{name: row(getattr(training, name)[::step], 4) for name in ("mean", "low", "high")},
    }
    return LiveView(
        "terms",
        "What the latent variable at the slider looks at",
        _caption(training, there, step),
        values,
    )


def _by_step(frame: pd.DataFrame, step: int) -> dict[str, dict[str, Any]]:
    out = {}
    for component, part in frame.groupby("component", sort=True):
        part = part.sort_values("wavelength_nm").iloc[::step]
        out[str(int(str(component)))] = {
            "value": row(part["value"], 4),
            "sd": row(part["sd_resample"], 3),
        }
    return out


def _told(summary: Mapping[str, Any]) -> dict[str, str]:
    """Return latent variable -> what it looks at, in words, and whether it is noise."""
    stable = summary.get("stable_components")
    out = {}
    for entry in summary.get("components") or []:
        number = int(entry["component"])
        noise = stable is not None and number > int(stable)
        words = plain(entry.get("words", ""))
        out[str(number)] = words + (
            " Beyond the point where loadings are steady: noise, not to be read."
            if noise and "noise" not in words
            else ""
        )
    return out


def _caption(training: Training, terms: list[str], step: int) -> str:
    return (
        f"Line: {' or '.join(terms)} of the latent variable that was added last (left scale; sign "
        "chosen so that the largest weight is positive); band: its standard deviation over "
        "resamples of the units, where it was looked at. Grey: mean, lowest and highest of the "
        f"n = {training.n} training spectra (right scale, {plain(training.quantity)}). Nothing is "
        f"tested here, so nothing is adjusted.{thinning_words(step)}"
    )

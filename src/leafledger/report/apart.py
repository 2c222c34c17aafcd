"""Fourth part of the page: what tells the groups apart, and how well."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from leafledger.effects.words import counted
from leafledger.report.class_details import class_details
from leafledger.report.class_facts import classifier_facts
from leafledger.report.class_figures import (
    SPLIT_WORDS,
    accuracy_path,
    confusion_matrix,
    draw_confusions,
    draw_path,
    draw_permutation,
    draw_rivals,
)
from leafledger.report.drawing import Book, Plate
from leafledger.report.gather import ClassTables, Material
from leafledger.report.live import LiveView
from leafledger.report.live_steps import live_path, live_terms
from leafledger.report.term_figures import (
    Loading,
    Training,
    draw_importance,
    draw_loadings,
)

if TYPE_CHECKING:
    import pandas as pd

_SPECTRA = ("spectrum_mean", "spectrum_sd", "spectrum_minimum", "spectrum_maximum")


def apart(material: Material, book: Book) -> dict[str, Any] | None:
    """Return what the fourth part of the page shows; ``None`` if no classes were asked for."""
    tables = material.classes
    if tables is None:
        return None
    chosen = int(tables.summary["n_components"])
    classes = [str(name) for name in tables.summary["classes"]]
    path = accuracy_path(tables.path)
    rivals = rival_rows(tables.rivals)
    n = _n_words(tables.predictions, material)
    return {
        "target": str(tables.summary["target"]),
        "classes": classes,
        "chosen": chosen,
        "sentence": str(tables.summary["sentence"]),
        "summary": classifier_facts(tables.summary, material.unit_words),
        "path_plate": draw_path(book, path, chosen, tables.summary["majority_accuracy"], n),
        "path_live": book.enliven(live_path(tables, path)),
        "path": path.to_dict("records"),
        "split_words": SPLIT_WORDS,
        "as_chosen": _as_chosen(tables, classes),
        "confusions": _confusions(tables, classes, chosen),
        "confusion_plate": draw_confusions(book, tables.confusion, classes, chosen, n),
        **_terms(tables, book, chosen),
        "rivals": rivals,
        "rivals_plate": draw_rivals(book, rivals, n) if rivals else None,
        "permutation_plate": _permutation(tables, book, n),
        "p": tables.summary["p_permutation"],
        **class_details(tables, book),
    }


def _n_words(predictions: pd.DataFrame, material: Material) -> str:
    scans = counted(predictions["scan"].nunique(), "scan")
    if not material.design.get("unit"):
        return f"n = {scans}."
    return f"n = {scans} of {counted(predictions['unit'].nunique(), material.unit_word)}."


def _as_chosen(tables: ClassTables, classes: list[str]) -> dict[str, Any] | None:
    """Return the confusion matrix of the whole procedure, with what each fold chose.

    Its share of scans right is the accuracy, so the page shows one figure for it.
    """
    said = tables.predictions
    if not len(said):
        return None
    repeats = said["repeat"].nunique()
    counts = said.groupby(["true", "predicted"], sort=True).size().reset_index(name="n_scans")
    counts["n_scans"] = counts["n_scans"] / repeats
    total = counts.groupby("true")["n_scans"].transform("sum")
    counts["share_of_true"] = counts["n_scans"] / total
    return _matrix(counts, classes)


def _confusions(tables: ClassTables, classes: list[str], chosen: int) -> list[dict[str, Any]]:
    """Return a confusion matrix for every number of latent variables."""
    frame = tables.confusion
    steps = sorted({int(n) for n in frame["n_components"]})
    parts = {n: frame[frame["n_components"] == n] for n in steps}
    return [{"n": n, "chosen": n == chosen, **_matrix(parts[n], classes)} for n in steps]


def _matrix(part: pd.DataFrame, classes: list[str]) -> dict[str, Any]:
    counts = {(r["true"], r["predicted"]): float(r["n_scans"]) for r in part.to_dict("records")}
    shares = confusion_matrix(part, classes)
    rows = [
        {
            "true": true,
            "total": sum(counts.get((true, p), 0.0) for p in classes),
            "cells": [
                {
                    "share": float(shares[i, j]),
                    "n": counts.get((true, predicted), 0.0),
                    "tint": round(float(shares[i, j]), 2),
                    "right": i == j,
                }
                for j, predicted in enumerate(classes)
            ],
        }
        for i, true in enumerate(classes)
    ]
    right = sum(counts.get((c, c), 0.0) for c in classes)
    whole = all(n == round(n) for n in counts.values())
    return {
        "rows": rows,
        "right": right,
        "total": sum(counts.values()),
        "decimals": 0 if whole else 1,
    }


def _terms(tables: ClassTables, book: Book, chosen: int) -> dict[str, Plate | LiveView | None]:
    terms = tables.terms.sort_values("wavelength_nm", kind="stable")
    importance = terms[terms["term"] == "vip"]
    by_component = terms[terms["term"] == "loading"].groupby("component", sort=True)
    loadings = {
        int(str(n)): Loading(part["value"].to_numpy(float), part["sd_resample"].to_numpy(float))
        for n, part in by_component
    }
    axis = importance["wavelength_nm"].to_numpy(float)
    vip = importance["value"].to_numpy(float)
    training = _training(tables, terms)
    return {
        "loadings_plate": draw_loadings(
            book, axis, loadings, training, tables.summary.get("stable_components")
        ),
        "terms_live": book.enliven(live_terms(tables, training)),
        "importance_plate": draw_importance(book, axis, vip, chosen, training.n),
    }


def _training(tables: ClassTables, terms: pd.DataFrame) -> Training:
    """Return the training spectra in short, as the classifier saw them (after preprocessing)."""
    mean, sd, low, high = (
        terms.loc[terms["term"] == name, "value"].to_numpy(float) for name in _SPECTRA
    )
    step = str(tables.summary["preprocessing"]).replace("_", " ")
    return Training(
        mean,
        sd,
        low,
        high,
        n=tables.predictions["scan"].nunique(),
        quantity="reflectance" if step == "none" else f"reflectance after {step}",
    )


def rival_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return each procedure with its accuracy by repeat (folds pooled) and the mean, best first."""
    rows = []
    for name, part in frame.groupby("procedure", sort=True):
        pooled = part.groupby("repeat")[["n_correct", "n_scans"]].sum()
        accuracy = pooled["n_correct"] / pooled["n_scans"]
        rows.append(
            {
                "name": str(name).replace("_", " "),
                "by_repeat": [float(a) for a in accuracy],
                "mean": float(accuracy.mean()),
                "lowest": float(accuracy.min()),
                "highest": float(accuracy.max()),
            }
        )
    return sorted(rows, key=lambda r: (-r["mean"], r["name"]))


def _permutation(tables: ClassTables, book: Book, n_words: str) -> Plate | None:
    frame = tables.permutation
    observed = frame.loc[frame["draw"] == 0, "accuracy"].to_numpy(float)
    drawn = frame.loc[frame["draw"] != 0, "accuracy"].to_numpy(float)
    if not len(observed) or not len(drawn):
        return None
    return draw_permutation(book, drawn, float(observed[0]), n_words)

"""Two ways to the same predictions: fit by fit, or many labellings at once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.fold_fit import (
    DISCRIMINANT,
    MEMBERSHIP,
    FoldFit,
    Procedure,
    discriminant_of,
    fit_discriminants,
    fit_training,
)
from leafledger.classes.labelled import Labelled
from leafledger.classes.pls import (
    ROWS_AT_ONCE,
    SplitProducts,
    centred_products,
    label_paths,
    scan_products,
)
from leafledger.classes.preprocessing import LEARNED, Learned, learned_from, preprocessed
from leafledger.classes.splits import Scheme

MOST_SCANS_IN_ONE_PRODUCT = 4000
"""Above this the products of all scans with each other would not fit in 1 GB beside the rest."""
MANY_SCANS = 800
"""Above this, with wavelengths fewer than a third of them, the space of scans is the slower way."""
Array = NDArray[np.float64]
Scans = NDArray[np.bool_]
Codes = NDArray[np.int_]
Said = NDArray[np.int16]
"""Class numbers; 16 bits, because there is one for every candidate, count, fold and scan."""
Predict = Callable[[Scans, Scans, Codes, int], Said]
"""Training scans, scans to predict, labels ``(n_labellings, n_scans)``, number of latent variables
-> predicted class numbers ``(n_decisions, n_labellings, n_components, n_asked)``."""


def sums_products(spectra: Array, step: str, procedure: Procedure) -> bool:
    """Return whether products of wavelengths, summed by parts, are the quickest way."""
    n, p = spectra.shape
    many = n > MOST_SCANS_IN_ONE_PRODUCT or (n > MANY_SCANS and n > 3 * p)
    return many and step not in LEARNED and not procedure.balanced


class FittedPredictor:
    """Fits every labelling by the library's kernel algorithm and keeps the fits of the last one.

    Parameters
    ----------
    spectra
        After :func:`leafledger.classes.preprocessing.preprocessed`, shape ``(n_scans,
        n_wavelengths)``.
    step
        Preprocessing, for what it learns from each training part.
    procedure
        How a model is fitted.
    """

    def __init__(self, spectra: Array, step: str, procedure: Procedure) -> None:
        self.spectra, self.step, self.procedure = spectra, step, procedure
        self._fits: dict[bytes, FoldFit] = {}
        self._products: SplitProducts | None = None

    def prepare(self, training: Scans) -> None:
        """Form what all training sets ``(n_sets, n_scans)`` share, where that saves work."""
        if sums_products(self.spectra, self.step, self.procedure):
            self._products = SplitProducts(self.spectra, training)

    def __call__(self, training: Scans, asked: Scans, labels: Codes, n_components: int) -> Said:
        """Return predicted class numbers (see :data:`Predict`)."""
        rows = np.flatnonzero(asked)
        decisions = self.procedure.decisions
        out = np.empty((len(decisions), len(labels), n_components, len(rows)), dtype=np.int16)
        for i, codes in enumerate(labels):
            fit = self._fit(training, codes, n_components)
            for start in range(0, len(rows), ROWS_AT_ONCE):
                block = slice(start, start + ROWS_AT_ONCE)
                for d, decision in enumerate(decisions):
                    decided = fit.decision_path(self.spectra[rows[block]], decision)
                    out[d, i, :, block] = decided.argmax(axis=-1)
            self._fits[training.tobytes()] = fit
        return out

    def _fit(self, training: Scans, codes: Codes, n_components: int) -> FoldFit:
        procedure = replace(self.procedure, n_components=n_components)
        if self._products is None or not self._products.knows(training):
            return fit_training(self.spectra[training], codes[training], self.step, procedure)
        path = self._products.fit(training, codes, procedure.n_classes, n_components)
        discriminant = None
        if DISCRIMINANT in procedure.decisions:
            scores = path.place(self.spectra[training])
            discriminant = discriminant_of(scores, codes[training], procedure)
        return FoldFit(Learned(), path, discriminant)

    def fit_of(self, training: Scans) -> FoldFit:
        """Return the fit of a training part that was asked for before."""
        return self._fits[training.tobytes()]

    def forget(self) -> None:
        """Let go of all fits and of what they share."""
        self._fits.clear()
        self._products = None


def batched_predictor(spectra: Array, step: str, procedure: Procedure) -> Predict:
    """Return a predictor that takes all labellings through the space of scans together.

    Parameters
    ----------
    spectra, step, procedure
        See :class:`FittedPredictor`. A step that learns is learned anew in every training part,
        which then needs products of its own.
    """
    shared = None if step in LEARNED else scan_products(spectra)

    def predict(training: Scans, asked: Scans, labels: Codes, n_components: int) -> Said:
        rows = np.flatnonzero(training)
        products = shared
        if products is None:
            products = scan_products(learned_from(spectra[training], step).apply(spectra))
        inner, across = centred_products(products, rows, np.flatnonzero(asked))
        own = replace(procedure, n_components=n_components)
        return _decided(inner, across, labels[:, rows], own)

    return predict


def _decided(inner: Array, across: Array, codes: Codes, procedure: Procedure) -> Said:
    """Return class numbers, shape ``(n_decisions, n_labellings, n_components, n_asked)``."""
    paths = label_paths(
        inner, across, codes, procedure.n_classes, procedure.n_components,
        balanced=procedure.balanced,
    )  # fmt: skip
    out = []
    for decision in procedure.decisions:
        decided = paths.membership
        if decision != MEMBERSHIP:
            decided = fit_discriminants(
                paths.scores, codes, procedure.n_classes, balanced=procedure.balanced
            ).log_posterior_path(paths.other_scores)
        out.append(decided.argmax(axis=-1).astype(np.int16).transpose(1, 0, 2))
    return np.stack(out)


def nested_predictors(
    data: Labelled, steps: Sequence[str], procedure: Procedure, scheme: Scheme
) -> list[Predict]:
    """Return the quickest predictor of many labellings for every preprocessing step."""
    out: list[Predict] = []
    for step in steps:
        spectra = preprocessed(data.spectra, step, data.wavelength_nm)
        summed = sums_products(spectra, step, procedure)
        if not summed and len(spectra) <= MOST_SCANS_IN_ONE_PRODUCT:
            out.append(batched_predictor(spectra, step, procedure))
        else:
            predictor = FittedPredictor(spectra, step, procedure)
            predictor.prepare(scheme.training)
            out.append(predictor)
    return out

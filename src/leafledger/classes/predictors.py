"""Two ways to the same predictions: fit by fit, or many labellings at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.kernel_path import centred_products, membership_paths, scan_products
from leafledger.classes.latent import LatentPath, fit_path, membership_of
from leafledger.classes.nested import Codes, Predict


def fitted_predictor(spectra: NDArray[np.float64], n_classes: int, n_components: int) -> Predict:
    """Return a predictor that fits every labelling by the library's kernel algorithm."""

    def predict(training: NDArray[np.bool_], asked: NDArray[np.bool_], labels: Codes) -> Codes:
        out = np.full((len(labels), n_components, len(spectra)), -1, dtype=np.int_)
        for row, codes in enumerate(labels):
            path = training_fit(spectra, training, codes, n_classes, n_components)
            out[row][:, asked] = path.membership(spectra[asked]).argmax(axis=-1)
        return out

    return predict


def training_fit(
    spectra: NDArray[np.float64],
    training: NDArray[np.bool_],
    codes: Codes,
    n_classes: int,
    n_components: int,
) -> LatentPath:
    """Fit the training scans (true) alone; no other row is looked at."""
    return fit_path(spectra[training], membership_of(codes[training], n_classes), n_components)


def batched_predictor(spectra: NDArray[np.float64], n_classes: int, n_components: int) -> Predict:
    """Return a predictor that takes all labellings through the space of scans together."""
    products = scan_products(spectra)

    def predict(training: NDArray[np.bool_], asked: NDArray[np.bool_], labels: Codes) -> Codes:
        rows = np.flatnonzero(training)
        inner, across = centred_products(products, rows, np.flatnonzero(asked))
        member = membership_paths(inner, across, labels[:, rows], n_classes, n_components)
        out = np.full((len(labels), n_components, len(spectra)), -1, dtype=np.int_)
        out[:, :, asked] = member.argmax(axis=-1).transpose(1, 0, 2)
        return out

    return predict

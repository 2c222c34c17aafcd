"""One model fitted to one training part: preprocessing that learns, latent variables, decision."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.discriminant import Discriminants, fit_discriminants
from leafledger.classes.latent import LatentPath, class_weights, fit_path, membership_of
from leafledger.classes.preprocessing import Learned, learned_from

Array = NDArray[np.float64]
MEMBERSHIP = "largest_membership"
DISCRIMINANT = "linear_discriminant"


@dataclass(frozen=True)
class Procedure:
    """How every model of a study is fitted, whatever its preprocessing.

    Attributes
    ----------
    n_classes, n_components
        Number of classes, largest number of latent variables.
    decision
        ``largest_membership``, or ``linear_discriminant`` on the scores.
    balanced
        Let every class count alike, whatever its number of scans.
    """

    n_classes: int
    n_components: int
    decision: str = MEMBERSHIP
    balanced: bool = False


def procedure_of(n_classes: int, n_components: int, settings: Mapping[str, Any]) -> Procedure:
    """Return the procedure that section ``classes`` of the settings asks for."""
    return Procedure(
        n_classes,
        n_components,
        settings["decision"],
        settings["weights"] == "balanced",
    )


@dataclass(frozen=True)
class FoldFit:
    """What one training part taught.

    Attributes
    ----------
    learned
        The learning part of the preprocessing.
    path
        Latent variables.
    discriminant
        Linear discriminant on the scores, if that decides.
    """

    learned: Learned
    path: LatentPath
    discriminant: Discriminants | None

    def decision_path(self, spectra: Array) -> Array:
        """Return how strongly each class is spoken for, with 1, 2, ... latent variables.

        Parameters
        ----------
        spectra
            After :func:`leafledger.classes.preprocessing.preprocessed`.

        Returns
        -------
        numpy.ndarray
            Predicted membership or log posterior, shape ``(n_components, n_scans, n_classes)``.
        """
        ready = self.learned.apply(spectra)
        if self.discriminant is None:
            return self.path.membership(ready)
        return self.discriminant.log_posterior_path(self.path.place(ready)[None])[:, 0]

    def terms(self) -> bytes:
        """Return everything that was learned, byte by byte."""
        parts = [
            self.path.spectrum_mean,
            self.path.membership_mean,
            self.path.rotations,
            self.path.membership_loadings,
        ]
        parts += [a for a in (self.learned.reference, self.learned.spread) if a is not None]
        if self.discriminant is not None:
            parts += [
                self.discriminant.means,
                self.discriminant.whitening,
                self.discriminant.log_prior,
            ]
        return b"".join(np.ascontiguousarray(part, dtype="<f8").tobytes() for part in parts)


def fit_training(
    training: Array, codes: NDArray[np.int_], step: str, procedure: Procedure
) -> FoldFit:
    """Fit one model to the training scans; no other row is looked at.

    Parameters
    ----------
    training
        Training spectra after :func:`leafledger.classes.preprocessing.preprocessed`.
    codes
        Their class numbers.
    step
        Preprocessing.
    procedure
        See :class:`Procedure`.
    """
    learned = learned_from(training, step)
    weights = class_weights(codes, procedure.n_classes) if procedure.balanced else None
    member = membership_of(codes, procedure.n_classes)
    path = fit_path(learned.apply(training), member, procedure.n_components, weights)
    return FoldFit(learned, path, discriminant_of(path.scores, codes, procedure))


def discriminant_of(
    scores: Array, codes: NDArray[np.int_], procedure: Procedure
) -> Discriminants | None:
    """Return the linear discriminant on training scores, if that decides."""
    if procedure.decision != DISCRIMINANT:
        return None
    return fit_discriminants(
        scores[None], codes[None], procedure.n_classes, balanced=procedure.balanced
    )

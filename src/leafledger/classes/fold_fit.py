"""What does one training part teach, and what do its models say of other scans?

One fit: preprocessing (each spectrum by itself, or learned from the training part), latent
variables, decision rule. Predictions of many labellings take one of two ways, fit by fit or all
labellings at once through the space of scans.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled_scans import Labelled
from leafledger.resampling.splits import Scheme
from leafledger.spectra.pls import (
    ROWS_AT_ONCE,
    LatentPath,
    SplitProducts,
    centred_products,
    class_weights,
    fit_path,
    label_paths,
    membership_of,
    scan_products,
    summed_membership,
)
from leafledger.spectra.preprocessing import AUTO, LEARNED, Learned, learned_from, preprocessed

Array = NDArray[np.float64]

# One model fitted to one training part: preprocessing that learns, latent variables, decision.
# ----------------------------------------------------------------------

PRIOR_SCANS = 20.0
"""How many scans the prior of the covariance counts for: the scores' variances, no covariance."""
_RIDGE = 1e-9
"""Share of each score's variance added to it, so that a factor exists for scores without spread."""


@dataclass(frozen=True)
class Discriminants:
    """One linear discriminant per labelling.

    Attributes
    ----------
    means
        Mean scores of every class, shape ``(n_labellings, n_classes, n_components)``.
    whitening
        Lower triangular; scores times its transpose have unit variance within classes; shape
        ``(n_labellings, n_components, n_components)``.
    log_prior
        Logarithm of the class shares in training (minus infinity for a class that is missing),
        shape ``(n_labellings, n_classes)``.
    """

    means: Array
    whitening: Array
    log_prior: Array

    def first(self, n_components: int) -> Discriminants:
        """Return the discriminants on the first so many scores."""
        used = slice(0, n_components)
        return Discriminants(self.means[..., used], self.whitening[:, used, used], self.log_prior)

    def log_posterior_path(self, scores: Array) -> Array:
        """Return log density plus log prior of every class, up to a constant per scan.

        Parameters
        ----------
        scores
            Shape ``(n_labellings, n_scans, n_components)``.

        Returns
        -------
        numpy.ndarray
            Shape ``(n_components, n_labellings, n_scans, n_classes)``.
        """
        turned = self.whitening.transpose(0, 2, 1)
        placed, centres = scores @ turned, self.means @ turned
        # log p_c - |x - m_c|^2 / 2 without |x|^2, which is the same for every class:
        # log p_c - |m_c|^2 / 2 + x m_c, each score adding its part to those before it.
        n_labellings, n_scans, n_components = placed.shape
        out = np.empty((n_components, n_labellings, n_scans, centres.shape[1]))
        seen = np.repeat(self.log_prior[:, None, :], n_scans, axis=1)
        for a in range(n_components):
            centre = centres[:, None, :, a]
            seen += placed[:, :, None, a] * centre
            seen -= centre**2 / 2
            out[a] = seen
        return out


def fit_discriminants(
    scores: Array, codes: NDArray[np.int_], n_classes: int, *, balanced: bool = False
) -> Discriminants:
    """Learn a linear discriminant for every labelling.

    Parameters
    ----------
    scores
        Training scores, shape ``(n_labellings, n_scans, n_components)``.
    codes
        Class number of every training scan, shape ``(n_labellings, n_scans)``.
    n_classes
        Number of classes.
    balanced
        Equal priors for the classes that are there, instead of their shares.

    Returns
    -------
    Discriminants
        Covariance pooled within classes, divisor ``n_scans - n_classes_there`` (at least 1), with
        covariances (not variances) drawn towards zero as by ``PRIOR_SCANS`` scans that have none.

    References
    ----------
    Fisher 1936, Ann. Eugen. 7:179-188; Rao 1948, J. R. Stat. Soc. B 10:159-203 (several groups);
    Barker & Rayens 2003, J. Chemom. 17:166-173 (on scores of partial least squares); Friedman
    1989, J. Am. Stat. Assoc. 84:165-175 (regularised covariance); Schaefer & Strimmer 2005, Stat.
    Appl. Genet. Mol. Biol. 4:32 (target D: unequal variances, no covariance).
    """
    n = scores.shape[1]
    member = membership_of(codes, n_classes)
    counts = member.sum(axis=1)
    means = member.transpose(0, 2, 1) @ scores / np.where(counts > 0, counts, 1.0)[..., None]
    apart = scores - np.take_along_axis(means, codes[..., None], axis=1)
    total = ((scores - scores.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / max(n - 1, 1)
    return discriminants_of(
        means, counts, apart.transpose(0, 2, 1) @ apart, total, balanced=balanced
    )


def discriminants_of(
    means: Array, counts: Array, squares: Array, total: Array, *, balanced: bool = False
) -> Discriminants:
    """Return the discriminants of scores that are known by their sums.

    Parameters
    ----------
    means
        Mean scores of every class, shape ``(n_labellings, n_classes, n_components)``.
    counts
        Scans of every class, shape ``(n_labellings, n_classes)``.
    squares
        Products of scores less their class mean, summed over the scans, shape ``(n_labellings,
        n_components, n_components)``.
    total
        Variance of the scores, classes pooled, shape ``(n_labellings, n_components)``.
    balanced
        See :func:`fit_discriminants`.
    """
    n, n_components = counts.sum(axis=1, keepdims=True), means.shape[2]
    there = counts > 0
    # 1. S, the covariance pooled within classes, with nu degrees of freedom.
    freedom = np.maximum(n[:, 0] - there.sum(axis=1), 1)[:, None, None]
    within = squares / freedom
    spread = np.einsum("daa->da", within).copy()
    # 2. S* = (nu S + nu0 diag S) / (nu + nu0): the fewer scans, the less their covariances count.
    #    The weight is the same for every number of scores, so one Cholesky factor serves them all.
    within *= freedom / (freedom + PRIOR_SCANS)
    # Scores past the rank of the data are zero everywhere: any positive variance will do there.
    least = np.where(total > 0, _RIDGE * total, 1.0)
    place = np.arange(n_components)
    within[:, place, place] = spread + _RIDGE * spread + least
    whitening = np.linalg.inv(np.linalg.cholesky(within))
    shares = there / there.sum(axis=1, keepdims=True) if balanced else counts / n
    log_prior = np.log(np.where(there, shares, 1.0))
    return Discriminants(means, np.tril(whitening), np.where(there, log_prior, -np.inf))


MEMBERSHIP = "largest_membership"
DISCRIMINANT = "linear_discriminant"
DECISIONS = (MEMBERSHIP, DISCRIMINANT)


@dataclass(frozen=True)
class Procedure:
    """How every model of a study is fitted, whatever its preprocessing.

    Attributes
    ----------
    n_classes, n_components
        Number of classes, largest number of latent variables.
    decisions
        Decision rules that the inner loop chooses among: ``largest_membership``,
        ``linear_discriminant`` on the scores.
    balanced
        Let every class count alike, whatever its number of scans.
    """

    n_classes: int
    n_components: int
    decisions: tuple[str, ...] = (MEMBERSHIP,)
    balanced: bool = False


def procedure_of(n_classes: int, n_components: int, settings: Mapping[str, Any]) -> Procedure:
    """Return the procedure that section ``classes`` of the settings asks for."""
    asked = str(settings["decision"])
    return Procedure(
        n_classes,
        n_components,
        DECISIONS if asked == AUTO else (asked,),
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
        Linear discriminant on the scores, if it is one of the decision rules.
    """

    learned: Learned
    path: LatentPath
    discriminant: Discriminants | None

    def decision_path(self, spectra: Array, decision: str | None = None) -> Array:
        """Return membership or log posterior of each class, with 1, 2, ... latent variables.

        Parameters
        ----------
        spectra
            After :func:`leafledger.spectra.preprocessing.preprocessed`.
        decision
            Decision rule; left out, the discriminant if there is one.

        Returns
        -------
        numpy.ndarray
            Predicted membership or log posterior, shape ``(n_components, n_scans, n_classes)``.
        """
        return self.decided(self.scores(spectra), decision)

    def scores(self, spectra: Array) -> Array:
        """Return scores of spectra after their row-wise step, shape ``(n_scans, n_components)``."""
        return self.path.place(self.learned.apply(spectra))

    def decided(self, scores: Array, decision: str | None = None) -> Array:
        """Return :meth:`decision_path` of scans whose scores ``(n_scans, n_components)`` are known.

        Fewer scores than the fit has give the decisions with so many latent variables.
        """
        used = slice(0, scores.shape[1])
        if self.discriminant is None or decision == MEMBERSHIP:
            loadings = self.path.membership_loadings[:, used]
            return summed_membership(scores, loadings, self.path.membership_mean)
        return self.discriminant.first(scores.shape[1]).log_posterior_path(scores[None])[:, 0]

    def first(self, n_components: int) -> FoldFit:
        """Return the fit with the first so many latent variables."""
        discriminant = self.discriminant
        return FoldFit(
            self.learned,
            self.path.first(n_components),
            None if discriminant is None else discriminant.first(n_components),
        )

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
        Training spectra after :func:`leafledger.spectra.preprocessing.preprocessed`.
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
    """Return the linear discriminant on training scores, if it is one of the rules."""
    if DISCRIMINANT not in procedure.decisions:
        return None
    return fit_discriminants(
        scores[None], codes[None], procedure.n_classes, balanced=procedure.balanced
    )


# Two ways to the same predictions: fit by fit, or many labellings at once.
# ----------------------------------------------------------------------

MOST_SCANS_IN_ONE_PRODUCT = 4000
"""Above this the products of all scans with each other would not fit in 1 GB beside the rest."""
MANY_SCANS = 800
"""Above this, with wavelengths fewer than a third of them, the space of scans is the slower way."""
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
        After :func:`leafledger.spectra.preprocessing.preprocessed`, shape ``(n_scans,
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

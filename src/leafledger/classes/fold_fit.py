"""What does one training part teach, from scans or from sums, and what does it say of others?

One fit: preprocessing (each spectrum by itself, or learned from the training part), latent
variables, decision rule. Predictions of many labellings take one of two ways, fit by fit or all
labellings at once through the space of scans.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled_scans import Labelled
from leafledger.resampling.splits import Scheme
from leafledger.spectra.applicability import (
    AUTO,
    LEARNED,
    SCATTER,
    Learned,
    learned_from,
    preprocessed,
)
from leafledger.spectra.pls import (
    ROWS_AT_ONCE,
    LatentPath,
    SplitProducts,
    centred_products,
    class_weights,
    fit_path,
    label_paths,
    membership_of,
    path_of_products,
    scan_products,
    summed_membership,
)

# Fits from scans
# ----------------------------------------------------------------------

Array = NDArray[np.float64]

# One model fitted to one training part: preprocessing that learns, latent variables, decision.
# ----------------------------------------------------------------------

PRIOR_SCANS = 20.0
"""How many scans the prior of the covariance counts for: the scores' variances, no covariance."""
_RIDGE = 1e-9
"""Share of each score's variance added to it, so that a factor exists for scores without spread."""


@dataclass(frozen=True)
class Brief:
    """Mean, standard deviation, minimum and maximum of spectra, shape ``(n_wavelengths,)``."""

    mean: Array
    sd: Array
    minimum: Array
    maximum: Array


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
    deviations = scores - np.take_along_axis(means, codes[..., None], axis=1)
    total = ((scores - scores.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / max(n - 1, 1)
    return discriminants_of(
        means, counts, deviations.transpose(0, 2, 1) @ deviations, total, balanced=balanced
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
    present = counts > 0
    # 1. S, the covariance pooled within classes, with nu degrees of freedom.
    freedom = np.maximum(n[:, 0] - present.sum(axis=1), 1)[:, None, None]
    within = squares / freedom
    spread = np.einsum("daa->da", within).copy()
    # 2. S* = (nu S + nu0 diag S) / (nu + nu0): the fewer scans, the less their covariances count.
    #    The weight is the same for every number of scores, so one Cholesky factor serves them all.
    within *= freedom / (freedom + PRIOR_SCANS)
    # Scores past the rank of the data are zero everywhere: any positive variance will do there.
    least = np.where(total > 0, _RIDGE * total, 1.0)
    diagonal = np.arange(n_components)
    within[:, diagonal, diagonal] = spread + _RIDGE * spread + least
    whitening = np.linalg.inv(np.linalg.cholesky(within))
    shares = present / present.sum(axis=1, keepdims=True) if balanced else counts / n
    log_prior = np.log(np.where(present, shares, 1.0))
    return Discriminants(means, np.tril(whitening), np.where(present, log_prior, -np.inf))


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
    decision = str(settings["decision"])
    return Procedure(
        n_classes,
        n_components,
        DECISIONS if decision == AUTO else (decision,),
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
            After :func:`leafledger.spectra.applicability.preprocessed`.
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
        Training spectra after :func:`leafledger.spectra.applicability.preprocessed`.
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
        After :func:`leafledger.spectra.applicability.preprocessed`, shape ``(n_scans,
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

    def __call__(
        self, training: Scans, to_predict: Scans, labels: Codes, n_components: int
    ) -> Said:
        """Return predicted class numbers (see :data:`Predict`)."""
        rows = np.flatnonzero(to_predict)
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

    def predict(training: Scans, to_predict: Scans, labels: Codes, n_components: int) -> Said:
        rows = np.flatnonzero(training)
        products = shared
        if products is None:
            products = scan_products(learned_from(spectra[training], step).apply(spectra))
        inner, across = centred_products(products, rows, np.flatnonzero(to_predict))
        adapted = replace(procedure, n_components=n_components)
        return _decided(inner, across, labels[:, rows], adapted)

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


# Fits from sums over scans, so that no spectrum has to be held
# ----------------------------------------------------------------------
# 1. One pass over the row groups sums products of wavelengths, class sums and counts for every part
#    of the scans that always stays together (a fold, a fold in a session, a group of units).
# 2. Every training set is a sum of parts. Its latent variables, its linear discriminant, a spread
#    that it learns and the selectivity of its terms follow from these sums alone.
# 3. Multiplicative scatter correction has another reference in every training set, so no product
#    serves two of them: one pass sums spectra by parts, which gives every set its reference (the
#    mean of its own scans, of no scan held out); a second sums the products of each set by itself.
#
# Products are formed by the BLAS routine dsyrk, which adds to a matrix in place: measured within 2
# times the one product X'X of the same spectra in memory (``benchmarks/many_scans.py products``).
# The latent variables are those of :func:`leafledger.spectra.pls.path_of_products`.

PRODUCTS_AT_ONCE = 600e6
"""Bytes of products that one pass sums; more steps or parts take further passes."""


# 1. Products, summed by parts.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class PartSums:
    """Sums over the scans of every part, for one preprocessing step.

    Attributes
    ----------
    offset
        Taken off every spectrum before products are formed, to keep digits; ``(n_wavelengths,)``.
    squares
        Products of wavelengths, shape ``(n_parts, n_wavelengths, n_wavelengths)``.
    sums
        Sums of the spectra of each class, shape ``(n_parts, n_classes, n_wavelengths)``.
    counts
        Scans of each class, shape ``(n_parts, n_classes)``.
    low, high
        Smallest and largest value (with the offset), shape ``(n_parts, n_wavelengths)``.
    reference
        What multiplicative scatter was measured against, shape ``(n_wavelengths,)``; else nothing.
    """

    offset: Array
    squares: Array
    sums: Array
    counts: Array
    low: Array
    high: Array
    reference: Array | None = None

    @classmethod
    def empty(
        cls, offset: Array, n_parts: int, n_classes: int, reference: Array | None = None
    ) -> PartSums:
        """Return sums of nothing yet."""
        p = len(offset)
        return cls(
            offset, np.zeros((n_parts, p, p)), np.zeros((n_parts, n_classes, p)),
            np.zeros((n_parts, n_classes)), np.full((n_parts, p), np.inf),
            np.full((n_parts, p), -np.inf), reference,
        )  # fmt: skip

    def add(self, part: int, spectra: Array, codes: Codes, times: Array | None = None) -> None:
        """Add scans to a part, each so many times as ``times`` says (once if left out)."""
        from scipy.linalg.blas import dsyrk

        block = spectra - self.offset
        member = np.eye(self.counts.shape[1])[codes]
        np.minimum(self.low[part], block.min(axis=0), out=self.low[part])
        np.maximum(self.high[part], block.max(axis=0), out=self.high[part])
        if times is not None:
            member *= times[:, None]
        self.sums[part] += member.T @ block
        self.counts[part] += member.sum(axis=0)
        if times is not None:
            block *= np.sqrt(times)[:, None]
        # G += X'X: one triangle, in place.
        dsyrk(1.0, block.T, beta=1.0, c=self.squares[part].T, overwrite_c=1)

    def finish(self) -> None:
        """Fill the other triangle of the products and bring the extremes back to spectra."""
        for square in self.squares:
            square += np.tril(square, -1).T
        self.low[...] += self.offset
        self.high[...] += self.offset


def ready_blocks(
    data: Labelled, steps: Sequence[str]
) -> Iterator[tuple[NDArray[np.intp], dict[str, Array]]]:
    """Yield the rows of a block and its spectra after each step, block by block."""
    if data.files is None:
        raise ValueError("the spectra are in memory")
    for rows, spectra in data.files.blocks():
        yield rows, {step: preprocessed(spectra, step, data.wavelength_nm) for step in steps}


def parts_of(columns: Sequence[Codes | Scans]) -> tuple[Codes, NDArray[np.intp]]:
    """Return the number of every scan's part, and the first scan of every part.

    Scans of one part agree in every column (membership of a training set, group, class).

    Examples
    --------
    >>> part, first = parts_of([np.array([True, True, False]), np.array([0, 1, 1])])
    >>> part.tolist(), first.tolist()
    ([1, 2, 0], [2, 0, 1])
    """
    number = np.zeros(len(columns[0]), dtype=np.int_)
    first = np.zeros(1, dtype=np.intp)
    for column in columns:
        values = column.astype(np.int_)
        number = number * (int(values.max(initial=0)) + 1) + values
        _, first, number = np.unique(number, return_index=True, return_inverse=True)
        number = number.reshape(-1).astype(np.int_)
    return number, first


def steps_at_once(steps: Sequence[str], n_parts: int, n_wavelengths: int) -> list[list[str]]:
    """Return which steps one pass sums, so that its products fit ``PRODUCTS_AT_ONCE``.

    Examples
    --------
    >>> steps_at_once(["none", "detrend", "autoscale"], 30, 1000)
    [['none', 'detrend'], ['autoscale']]
    """
    many = max(1, int(PRODUCTS_AT_ONCE // (n_parts * n_wavelengths**2 * 8)))
    return [list(steps[start : start + many]) for start in range(0, len(steps), many)]


def summed(
    data: Labelled, steps: Sequence[str], part_of: Codes, n_parts: int
) -> dict[str, PartSums]:
    """Sum products, class sums and counts of every part in one pass.

    Parameters
    ----------
    data
        Labelled spectra in files.
    steps
        Preprocessing steps, all summed in this pass (see :func:`steps_at_once`).
    part_of
        Part of every scan, from 0; -1 for scans that are left out.
    n_parts
        Number of parts.
    """
    out: dict[str, PartSums] = {}
    for rows, ready in ready_blocks(data, steps):
        part = part_of[rows]
        order = np.argsort(part, kind="stable")
        ends = np.searchsorted(part[order], np.arange(n_parts + 1))
        for step in steps:
            if step not in out:
                out[step] = PartSums.empty(ready[step].mean(axis=0), n_parts, len(data.classes))
            for j in np.flatnonzero(np.diff(ends)):
                members = order[ends[j] : ends[j + 1]]
                out[step].add(int(j), ready[step][members], data.codes[rows[members]])
    for total in out.values():
        total.finish()
    return out


def fitted_sets(
    data: Labelled, step: str, part_of: Codes, times: Array, procedure: Procedure
) -> Iterator[SummedFit]:
    """Fit every training set in turn, each a sum of parts, from the passes that its step needs.

    Parameters
    ----------
    data
        Labelled spectra in files.
    step
        Any preprocessing step.
    part_of
        Part of every scan, from 0. Where every class counts alike, a part holds scans of one class
        only.
    times
        How often every part is in each training set, shape ``(n_sets, n_parts)``.
    procedure
        How a model is fitted.
    """
    if step != SCATTER:
        total = summed(data, [step], part_of, times.shape[1])[step]
        yield from (fit_sums(total, each, step, procedure) for each in times)
        return
    references = _references(data, part_of, times)
    n_parts = len(data.classes) if procedure.balanced else 1
    at_once = max(1, int(PRODUCTS_AT_ONCE // (n_parts * len(data.wavelength_nm) ** 2 * 8)))
    for start in range(0, len(times), at_once):
        some = slice(start, start + at_once)
        for total in _scattered(data, part_of, times[some], references[some], n_parts):
            yield fit_sums(total, np.ones(n_parts), step, procedure)


def _references(data: Labelled, part_of: Codes, times: Array) -> Array:
    """Return the mean spectrum of every training set, shape ``(n_sets, n_wavelengths)``."""
    n_parts = times.shape[1]
    sums = np.zeros((n_parts, len(data.wavelength_nm)))
    for rows, ready in ready_blocks(data, [SCATTER]):
        sums += np.eye(n_parts)[part_of[rows]].T @ ready[SCATTER]
    counts = np.bincount(part_of, minlength=n_parts)
    return np.asarray((times @ sums) / (times @ counts)[:, None])


def _scattered(
    data: Labelled, part_of: Codes, times: Array, references: Array, n_parts: int
) -> list[PartSums]:
    """Sum every training set after scatter correction against its own reference, in one pass."""
    out = [
        PartSums.empty(reference, n_parts, len(data.classes), reference) for reference in references
    ]
    for rows, ready in ready_blocks(data, [SCATTER]):
        codes = data.codes[rows]
        for total, each in zip(out, times, strict=True):
            often = each[part_of[rows]]
            corrected = Learned(reference=total.reference).apply
            for j in range(n_parts):
                inside = (often > 0) & ((codes == j) | (n_parts == 1))
                if inside.any():
                    total.add(j, corrected(ready[SCATTER][inside]), codes[inside], often[inside])
    for total in out:
        total.finish()
    return out


# 2. Fits, from sums alone.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class SummedFit:
    """A fit and the products it was made of.

    Attributes
    ----------
    fit
        All latent variables that were asked for.
    squares
        Products of centred spectra as the latent variables see them, every scan counting alike,
        shape ``(n_wavelengths, n_wavelengths)``; about the mean of the model.
    mean
        Plain mean of these spectra.
    trace, membership_squares
        Weighted sums of squares of centred spectra and membership, for shares of the variance.
    counts
        Training scans of every class.
    brief
        The training spectra in short.
    """

    fit: FoldFit
    squares: Array
    mean: Array
    trace: float
    membership_squares: float
    counts: Array
    brief: Brief

    def first(self, n_components: int) -> SummedFit:
        """Return the same with the first so many latent variables."""
        return replace(self, fit=self.fit.first(n_components))

    def score_squares(self) -> Array:
        """Return sums of squared scores about their mean, shape ``(n_components,)``."""
        shift = (self.mean - self.fit.path.spectrum_mean) @ self.fit.path.rotations
        about = np.einsum(
            "pa,pa->a", self.fit.path.rotations, self.squares @ self.fit.path.rotations
        )
        return np.asarray(about - self.counts.sum() * shift**2)


def fit_sums(total: PartSums, times: Array, step: str, procedure: Procedure) -> SummedFit:
    """Fit one training set that is a sum of parts.

    Parameters
    ----------
    total
        Sums by parts. Where every class counts alike, a part holds scans of one class only.
    times
        How often every part is in the training set (0 or 1; more in a resample), ``(n_parts,)``.
    step
        Preprocessing step; ``autoscale`` learns its spread from the same sums.
    procedure
        How a model is fitted.
    """
    used = np.flatnonzero(times)
    n_class = times @ total.counts
    n = float(n_class.sum())
    # 1. w_j, the weight of every scan of part j: 1, or n / (classes * scans of its class).
    weights = times.copy()
    if procedure.balanced:
        class_of = total.counts.argmax(axis=1)
        weights *= n / ((n_class > 0).sum() * np.where(n_class > 0, n_class, 1.0))[class_of]
    plain, weighed = (
        _sum_of(total.squares, used, each) for each in (times, weights)
    ) if procedure.balanced else [_sum_of(total.squares, used, times)] * 2  # fmt: skip
    class_sums = np.einsum("j,jkp->kp", times, total.sums)
    weighed_sums = np.einsum("j,jkp->kp", weights, total.sums)
    weighed_counts = weights @ total.counts
    size = float(weighed_counts.sum())
    # 2. Means, plain and of the model; everything below is about the offset.
    mean, centre = class_sums.sum(axis=0) / n, weighed_sums.sum(axis=0) / size
    spread = np.ones(len(mean))
    sd = np.sqrt(np.maximum(np.diag(plain) - n * mean**2, 0.0) / max(n - 1, 1))
    low, high = total.low[used].min(axis=0), total.high[used].max(axis=0)
    if step == "autoscale" and n > 1:
        varies = sd > 1e-12 * np.maximum(np.abs(low), np.abs(high))
        spread = np.where(varies, sd, 1.0)
    # 3. Products about the mean of the model, over the spread.
    scale = np.outer(spread, spread)
    about = (weighed - size * np.outer(centre, centre)) / scale
    squares = about
    if procedure.balanced:
        far = mean - centre
        squares = (plain - n * np.outer(mean, mean) + n * np.outer(far, far)) / scale
    products = (weighed_sums - np.outer(weighed_counts, centre)).T / spread[:, None]
    share = weighed_counts / size
    path = path_of_products(
        about, products, (centre + total.offset) / spread, share, procedure.n_components
    )
    learned = Learned(total.reference, spread if step == "autoscale" else None)
    discriminant = None
    if DISCRIMINANT in procedure.decisions:
        # 4. T = (X - m) R, so class means and products of scores follow from those of spectra.
        class_means = class_sums / np.where(n_class > 0, n_class, 1.0)[:, None]
        placed = ((class_means - centre) / spread) @ path.rotations * (n_class > 0)[:, None]
        inner = path.rotations.T @ squares @ path.rotations
        middle = ((mean - centre) / spread) @ path.rotations
        variance = (np.diag(inner) - n * middle**2) / max(n - 1, 1)
        within = inner - (placed * n_class[:, None]).T @ placed
        discriminant = discriminants_of(
            placed[None], n_class[None], within[None], np.maximum(variance, 0.0)[None],
            balanced=procedure.balanced,
        )  # fmt: skip
    brief = Brief((mean + total.offset) / spread, sd / spread, low / spread, high / spread)
    return SummedFit(
        FoldFit(learned, path, discriminant), squares, brief.mean, float(np.trace(about)),
        float((size * share * (1 - share)).sum()), n_class, brief,
    )  # fmt: skip


def _sum_of(squares: Array, used: NDArray[np.intp], weights: Array) -> Array:
    out: Array = np.zeros(squares.shape[1:])
    for j in used:
        out += squares[j] if weights[j] == 1 else weights[j] * squares[j]
    return out

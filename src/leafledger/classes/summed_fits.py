"""Which fits follow from sums over scans, so that no spectrum has to be held?

1. One pass over the row groups sums products of wavelengths, class sums and counts for every part
   of the scans that always stays together (a fold, a fold in a session, a group of units).
2. Every training set is a sum of parts. Its latent variables, its linear discriminant, a spread
   that it learns and the selectivity of its terms follow from these sums alone.
3. Multiplicative scatter correction has another reference in every training set, so no product
   serves two of them: one pass sums spectra by parts, which gives every set its reference (the mean
   of its own scans, of no scan held out); a second sums the products of each set by itself.

Products are formed by the BLAS routine dsyrk, which adds to a matrix in place: measured within 2
times the one product X'X of the same spectra in memory (``benchmarks/many_scans.py products``). The
latent variables are those of :func:`leafledger.spectra.pls.path_of_products`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.explanation import Brief, Terms, selectivity_of_sums
from leafledger.classes.fold_fit import DISCRIMINANT, FoldFit, Procedure, discriminants_of
from leafledger.classes.labelled_scans import Labelled
from leafledger.spectra.pls import importance, path_of_products
from leafledger.spectra.preprocessing import SCATTER, Learned, preprocessed

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
Scans = NDArray[np.bool_]

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
                some = order[ends[j] : ends[j + 1]]
                out[step].add(int(j), ready[step][some], data.codes[rows[some]])
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


def terms_of_sums(summed_fit: SummedFit, n_components: int) -> Terms:
    """Return the terms of a fit (see :func:`leafledger.classes.explanation.terms_of`)."""
    path = summed_fit.fit.path
    coefficients = path.coefficients(n_components)
    # About the plain mean: what the mean of a weighted model is off by is taken away.
    far = summed_fit.mean - path.spectrum_mean
    squares = summed_fit.squares - summed_fit.counts.sum() * np.outer(far, far)
    products = squares @ coefficients
    return Terms(
        weights=path.weights,
        loadings=path.loadings,
        coefficients=coefficients,
        selectivity=selectivity_of_sums(
            products, np.einsum("pk,pk->k", coefficients, products), np.diag(squares)
        ),
        importance=importance(path, n_components),
    )

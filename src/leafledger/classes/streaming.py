"""How is the classifier trained and validated on more scans than memory should hold?

The spectra stay in their Parquet files and are read in passes of row groups. Taken beyond
``splits.MOST_IN_MEMORY`` scans (``splits.SIZE_RULE``, which ``summary.json`` records):

1. one pass sums products for every part of the scans that always stays together, for all
   preprocessing steps (:mod:`leafledger.classes.fold_fit`);
2. the models of all training sets of the nested validation follow from these sums;
3. one pass predicts: scans held out, scans of the inner folds (kept as wrong predictions of each
   unit, from which the inner loop chooses), and training scans (kept as confusion matrices);
4. one pass gives the decisions that the sharpness of each fold is fitted to;
5. the final model is the sum of all parts; a last pass over the chosen step gives its resampled
   terms (units in groups), the distances T2 and Q, and the unit means.

Nothing is approximated in the model, its validation or its predictions: ``tests/classes/
test_streaming.py`` holds them to the path in memory. Three numbers rest on fewer scans or groups,
and say so: the sharpness (``SHARPNESS_SCANS``), the resampled terms (``GROUPS``) and the
separating wavelengths of confused pairs (``UNITS_OF_PAIRS``). Multiplicative scatter correction
has another reference in every training set and resample, so no sum of products serves two of them:
each has its own, which takes one further pass and as many times the products.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.cross_validation import (
    Nested,
    Validated,
    agreement,
    confusion,
    fit_sharpness,
    softmax,
)
from leafledger.classes.explanation import (
    N_RESAMPLES,
    Explanation,
    classes_of_units,
    redrawn,
    spread_of,
    terms_of_sums,
    turned,
)
from leafledger.classes.fold_assignment import Plan
from leafledger.classes.fold_fit import (
    FoldFit,
    Procedure,
    SummedFit,
    fit_sums,
    fitted_sets,
    parts_of,
    ready_blocks,
    steps_at_once,
    summed,
)
from leafledger.classes.labelled_scans import Labelled
from leafledger.classes.model import LEVELS, MOST_FOLDS
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import (
    Choice,
    CountedLosses,
    Scheme,
    assign_folds,
    choose,
    counts_up_to,
    unit_shares,
)
from leafledger.spectra.applicability import (
    SCATTER,
    hotelling_t2,
    preprocessed,
    q_limit,
    residual_q,
    t2_limit,
)

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
Scans = NDArray[np.bool_]

SHARPNESS_SCANS = 100_000
"""Scans that one sharpness is fitted to, at most: every so many-th scan of each unit."""
GROUPS = 30
"""Groups of units that are resampled, where there are more units."""
UNITS_OF_PAIRS = 2000
"""Labelled units whose mean spectra say which wavelengths separate two classes, at most."""
_LEAST_EIGENVALUE = 1e-13


# Predictions of every training set, in one pass.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Cell:
    """Scans that the same training sets have to predict.

    Attributes
    ----------
    held
        Outer fold in which they are held out; -1 for none.
    trains
        Outer folds whose training part they are in.
    validated
        Pairs of a training set and the outer fold that it chooses for.
    """

    held: int
    trains: tuple[int, ...]
    validated: tuple[tuple[int, int], ...]


def cells_of(scheme: Scheme) -> tuple[Codes, list[Cell]]:
    """Return the cell of every scan, and the cells."""
    pairs = [(s, i, scans) for i, inner in enumerate(scheme.inner) for s, scans in inner]
    trains = [scheme.training[outer] for outer in scheme.outer]
    cell_of, first = parts_of([scheme.fold + 1, *trains, *(scans for _, _, scans in pairs)])
    cells = [
        Cell(
            int(scheme.fold[row]),
            tuple(i for i, part in enumerate(trains) if part[row]),
            tuple((s, i) for s, i, scans in pairs if scans[row]),
        )
        for row in first
    ]
    return cell_of, cells


class _Predictions:
    """What one pass over the spectra says of every training set of a scheme."""

    def __init__(
        self, data: Labelled, scheme: Scheme, n_candidates: int, n_components: int
    ) -> None:
        k, n_units, n_folds = len(data.classes), len(data.units), scheme.n_folds
        self.data, self.scheme = data, scheme
        # Class numbers of scans held out; wrong predictions of every unit in the inner folds.
        self.held = np.full(
            (n_candidates, n_components, len(data.codes)), -1, np.int8 if k < 128 else np.int16
        )
        kind = counts_up_to(int(np.bincount(data.unit_of).max()))
        self.wrong = np.zeros((n_folds, n_candidates, n_components, n_units), kind)
        self.training = np.zeros((n_folds, n_candidates, n_components, k, k), np.int_)

    def add(
        self,
        candidate: int,
        cell: Cell,
        training_set: int,
        rows: NDArray[np.intp],
        predicted: Codes,
    ) -> None:
        """Take class numbers ``(n_components, m)`` that one set's model gives to rows of a cell."""
        if cell.held >= 0 and self.scheme.outer[cell.held] == training_set:
            self.held[candidate][:, rows] = predicted
        codes = self.data.codes[rows]
        for i in cell.trains:
            if self.scheme.outer[i] == training_set:
                self.training[i, candidate] += _confusions(codes, predicted, len(self.data.classes))
        folds = [i for s, i in cell.validated if s == training_set]
        if folds:
            order = np.argsort(self.data.unit_of[rows], kind="stable")
            units, starts = np.unique(self.data.unit_of[rows][order], return_index=True)
            wrong = np.add.reduceat((predicted != codes)[:, order], starts, axis=1, dtype=np.int_)
            for i in folds:
                self.wrong[i, candidate][:, units] += wrong.astype(self.wrong.dtype)

    def choices(self, widths: Sequence[int]) -> list[Choice]:
        """Choose in every outer fold by the losses of the units of its inner folds."""
        out = []
        for i, inner in enumerate(self.scheme.inner):
            scans = np.zeros(len(self.data.units), dtype=np.int_)
            for _, validated in inner:
                scans += np.bincount(self.data.unit_of[validated], minlength=len(scans))
            wrong = self.wrong[i]
            if not scans.all():
                wrong, scans = wrong[..., scans > 0], scans[scans > 0]
            out.append(choose(CountedLosses(wrong, scans), widths))
        return out

    def wrong_held_out(self, n_repeats: int) -> NDArray[np.unsignedinteger]:
        """Return the scans of each unit wrongly predicted while held out, for each candidate.

        Shape ``(n_candidates, n_components, n_units_tested)``; the sum over so many repeats fits
        the type of number.
        """
        rows = np.flatnonzero(self.scheme.tested)
        rows = rows[np.argsort(self.data.unit_of[rows], kind="stable")]
        starts = np.unique(self.data.unit_of[rows], return_index=True)[1]
        n_candidates, n_components = self.held.shape[:2]
        codes = self.data.codes[rows]
        kind = counts_up_to(n_repeats * int(np.bincount(self.data.unit_of).max()))
        out = np.empty((n_candidates, n_components, len(starts)), kind)
        for c in range(n_candidates):
            for a in range(n_components):
                wrong = self.held[c, a][rows] != codes
                out[c, a] = np.add.reduceat(wrong, starts, dtype=kind)
        return out


def _confusions(codes: Codes, predicted: Codes, n_classes: int) -> Codes:
    """Return the confusion matrix at every number of latent variables."""
    n_components, k = len(predicted), n_classes
    cells = (np.arange(n_components)[:, None] * k + codes) * k + predicted
    return np.bincount(cells.ravel(), minlength=n_components * k * k).reshape(n_components, k, k)


Fits = dict[str, list[FoldFit]]
"""Fits of every training set of a scheme, by preprocessing step."""


def _projection(fit: FoldFit, n_components: int, offset: Array) -> tuple[Array, Array]:
    """Return what turns spectra less an offset into scores: rotations and the scores of its mean.

    A spread that was learned divides the rotations instead of the spectra.
    """
    path = fit.path
    rotations = path.rotations[:, :n_components]
    over = path.spectrum_mean
    if fit.learned.spread is not None:
        rotations = rotations / fit.learned.spread[:, None]
        over = over * fit.learned.spread
    return rotations, (over - offset) @ rotations


def _predicted(
    data: Labelled, scheme: Scheme, fits: Fits, procedure: Procedure, n_components: int
) -> _Predictions:
    """Predict every scan by every training set that is asked for it."""
    cell_of, cells = cells_of(scheme)
    n_rules, a = len(procedure.decisions), n_components
    out = _Predictions(data, scheme, n_rules * len(fits), a)
    sets = [
        list(
            dict.fromkeys(
                [
                    *([scheme.outer[cell.held]] if cell.held >= 0 else []),
                    *(scheme.outer[i] for i in cell.trains),
                    *(s for s, _ in cell.validated),
                ]
            )
        )
        for cell in cells
    ]
    offset: dict[str, Array] = {}
    for step, (one, *_) in fits.items():
        spread = one.learned.spread
        offset[step] = one.path.spectrum_mean * (1.0 if spread is None else spread)
    turned_by = {
        step: [_projection(fit, a, offset[step]) for fit in step_fits]
        for step, step_fits in fits.items()
    }
    for rows, ready in ready_blocks(data, list(fits)):
        for j in np.unique(cell_of[rows]):
            here = np.flatnonzero(cell_of[rows] == j)
            for step_index, (step, step_fits) in enumerate(fits.items()):
                scored: Iterable[tuple[int, Array]]
                if step == SCATTER:
                    scored = ((s, step_fits[s].first(a).scores(ready[step][here])) for s in sets[j])
                else:
                    scored = _scored(ready[step][here] - offset[step], sets[j], turned_by[step])
                for s, scores in scored:
                    for d, decision in enumerate(procedure.decisions):
                        predicted = step_fits[s].decided(scores, decision).argmax(axis=-1)
                        out.add(step_index * n_rules + d, cells[j], s, rows[here], predicted)
    return out


def _scored(
    centred: Array, sets: Sequence[int], turned_by: Sequence[tuple[Array, Array]]
) -> Iterator[tuple[int, Array]]:
    """Yield the scores of the same scans under every set that is asked, from one product."""
    if not sets:
        return
    scores = centred @ np.hstack([turned_by[s][0] for s in sets])
    for s, own in zip(sets, np.split(scores, len(sets), axis=1), strict=True):
        yield s, own - turned_by[s][1]


def _fits(
    data: Labelled, scheme: Scheme, steps: Sequence[str], procedure: Procedure, *, keep: bool
) -> tuple[Fits, dict[str, tuple[SummedFit, ...]]]:
    """Fit every training set of a scheme from one pass of sums, or a few where memory asks.

    Also return, if ``keep``, the sums behind the fit of all scans and of each outer fold.
    """
    columns = [*scheme.training, *([data.codes] if procedure.balanced else [])]
    part_of, first = parts_of(columns)
    times = scheme.training[:, first].astype(np.float64)
    # The fit of all scans, those of the outer folds, then the others.
    first_ones = list(scheme.outer[:MOST_FOLDS]) if keep else []
    order = first_ones + [s for s in range(len(times)) if s not in first_ones]
    asked = np.vstack([np.ones((int(keep), len(first))), times[order]])
    n_kept = len(first_ones) + keep
    fits: Fits = {}
    kept: dict[str, tuple[SummedFit, ...]] = {}

    def take(step: str, found: Iterator[SummedFit]) -> None:
        in_order = []
        for i, each in enumerate(found):
            if i < n_kept:
                kept[step] = (*kept.get(step, ()), each)
            if i >= keep:
                in_order.append(each.fit)
        fits[step] = [in_order[order.index(s)] for s in range(len(times))]

    by_parts = [step for step in steps if step != SCATTER]
    for at_once in steps_at_once(by_parts, len(first), len(data.wavelength_nm)):
        for step, total in summed(data, at_once, part_of, len(first)).items():
            take(step, (fit_sums(total, each, step, procedure) for each in asked))
    if SCATTER in steps:
        take(SCATTER, fitted_sets(data, SCATTER, part_of, asked, procedure))
    return {step: fits[step] for step in steps}, kept


# Nested validation.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class StreamedValidation:
    """Outcome of the nested validation of spectra that stay in their files.

    Attributes
    ----------
    validated
        As in memory; ``every_candidate`` of its repeats is empty.
    final
        Fit of all scans by the chosen step, with all latent variables.
    fold_fits
        Fits of the outer folds of the first repeat by the chosen step.
    """

    validated: Validated
    final: SummedFit
    fold_fits: tuple[SummedFit, ...]


def streamed_validation(
    data: Labelled, plan: Plan, steps: Sequence[str], procedure: Procedure
) -> StreamedValidation:
    """Run every repeat and choose the final model, as :func:`validation.validate` in memory.

    Parameters
    ----------
    data
        Labelled spectra in files.
    plan
        Splits.
    steps
        Preprocessing steps to choose among.
    procedure
        How every model is fitted.
    """
    most = replace(procedure, n_components=plan.widths[-1])
    tested, decisions = plan.tested, procedure.decisions
    searched, done = plan.widths[0], 0
    repeats: list[Nested] = []
    wrong: NDArray[np.unsignedinteger] | None = None
    probability: list[Array] = []
    digests: list[tuple[str, ...]] = []
    outer_fits: list[Fits] = []
    kept: dict[str, tuple[SummedFit, ...]] = {}
    while done < len(plan.schemes):
        scheme = plan.schemes[done]
        fits, sums = _fits(data, scheme, steps, most, keep=not kept)
        kept = kept or sums
        predicted, choices, wide = _widened(data, scheme, fits, procedure, plan.widths, searched)
        if wide > searched and done:
            searched, done = wide, 0
            repeats, wrong, probability, digests, outer_fits = [], None, [], [], []
            continue
        searched = wide
        of_repeat = predicted.wrong_held_out(len(plan.schemes))
        wrong = of_repeat if wrong is None else wrong + of_repeat
        repeats.append(_nested(predicted, choices, data))
        del predicted
        probability.append(_probabilities(data, scheme, choices, fits, procedure))
        chosen = [choice.chosen(len(decisions)) for choice in choices]
        digests.append(
            tuple(
                hashlib.sha256(
                    f"{steps[step]} {decisions[rule]} {n} ".encode()
                    + fits[steps[step]][scheme.outer[i]].first(searched).terms()
                ).hexdigest()
                for i, (step, rule, n) in enumerate(chosen)
            )
        )
        outer_fits.append(
            {step: [fit_of[o] for o in scheme.outer] for step, fit_of in fits.items()}
        )
        done += 1
    if wrong is None:
        raise ValueError("no repeat was planned")
    scans = np.unique(data.unit_of[tested], return_counts=True)[1]
    final = choose(CountedLosses(wrong, scans * len(plan.schemes)), plan.widths)
    del wrong
    step, rule, n_components = final.chosen(len(decisions))
    sharpness = _final_sharpness(data, plan, outer_fits, steps[step], decisions[rule], n_components)
    right = np.mean([(nested.predicted[0] == data.codes)[tested] for nested in repeats], axis=0)
    units = data.unit_of[tested]
    validated = Validated(
        steps=tuple(steps),
        procedure=replace(procedure, n_components=searched),
        repeats=tuple(repeats),
        measures=tuple(
            agreement(confusion(data.codes[tested], nested.predicted[0][tested], len(data.classes)))
            for nested in repeats
        ),
        tested=tested,
        unit_right=unit_shares(right, units) * scans,
        unit_scans=scans.astype(np.float64),
        final=final,
        probability=tuple(probability),
        sharpness=sharpness,
        digests=tuple(digests),
    )
    whole, *folds = kept[steps[step]]
    return StreamedValidation(validated, whole.first(searched), tuple(folds))


def _widened(
    data: Labelled,
    scheme: Scheme,
    fits: Fits,
    procedure: Procedure,
    widths: Sequence[int],
    searched: int,
) -> tuple[_Predictions, list[Choice], int]:
    """Predict and choose, with more latent variables while the losses still fall."""
    wide, *wider = [w for w in widths if w >= searched] or [searched]
    while True:
        predicted = _predicted(data, scheme, fits, procedure, wide)
        choices = predicted.choices(widths)
        if not wider or not any(choice.rising[0] for choice in choices):
            return predicted, choices, wide
        del predicted  # Else those of both searches would be in memory.
        wide, *wider = wider


def _nested(predicted: _Predictions, choices: Sequence[Choice], data: Labelled) -> Nested:
    n_components = predicted.held.shape[1]
    held_out = np.full((n_components, len(data.codes)), -1, dtype=np.int16)
    chosen_codes = np.full((1, len(data.codes)), -1, dtype=np.int_)
    training = []
    for i, choice in enumerate(choices):
        test = predicted.scheme.fold == i
        of_choice = predicted.held[choice.candidate[0]]
        held_out[:, test] = of_choice[:, test]
        chosen_codes[0, test] = of_choice[choice.n_components[0] - 1, test]
        training.append(predicted.training[i, choice.candidate[0]])
    nothing = np.empty((0, n_components, len(data.codes)), dtype=np.int16)
    return Nested(chosen_codes, held_out, tuple(training), nothing, tuple(choices))


def sharpness_rows(units: Codes, most: int = SHARPNESS_SCANS) -> Scans:
    """Return the scans that a sharpness is fitted to: every so many-th of each unit.

    Examples
    --------
    >>> sharpness_rows(np.array([0, 0, 0, 1, 1]), 3).tolist()
    [True, False, True, True, False]
    """
    every = -(-len(units) // most)
    order = np.argsort(units, kind="stable")
    starts = np.searchsorted(units[order], units[order])
    out = np.zeros(len(units), dtype=bool)
    out[order] = (np.arange(len(units)) - starts) % every == 0
    return out


def _decisions(
    data: Labelled, requests: Sequence[tuple[str, str, int, FoldFit, Scans]]
) -> list[tuple[NDArray[np.intp], Array]]:
    """Return, in one pass, rows and decisions for models and the scans each is asked for.

    Each model is a step, a decision rule, a number of latent variables and a fit.
    """
    shapes = [(int(scans.sum()), len(data.classes)) for *_, scans in requests]
    out = [(np.empty(shape[0], dtype=np.intp), np.empty(shape)) for shape in shapes]
    done = [0 for _ in requests]
    for rows, ready in ready_blocks(data, list(dict.fromkeys(step for step, *_ in requests))):
        for i, (step, decision, n, fit, scans) in enumerate(requests):
            here = scans[rows]
            if here.any():
                placed = fit.first(n).scores(ready[step][here])
                next_ones = slice(done[i], done[i] + len(placed))
                out[i][0][next_ones] = rows[here]
                out[i][1][next_ones] = fit.decided(placed, decision)[n - 1]
                done[i] = next_ones.stop
    return out


def _probabilities(
    data: Labelled, scheme: Scheme, choices: Sequence[Choice], fits: Fits, procedure: Procedure
) -> Array:
    """Return probabilities of the scans held out; each fold's sharpness is from its inner loop."""
    steps, decisions = list(fits), procedure.decisions
    sharp = sharpness_rows(data.unit_of)
    requests, fold_of = [], []
    for i, choice in enumerate(choices):
        step, rule, n = choice.chosen(len(decisions))
        step_fits = fits[steps[step]]
        inner_scans = [(s, scans & sharp) for s, scans in scheme.inner[i]]
        inner_scans = [(s, scans) for s, scans in inner_scans if scans.any()]
        for s, scans in [*inner_scans, (scheme.outer[i], scheme.fold == i)]:
            requests.append((steps[step], decisions[rule], n, step_fits[s], scans))
            fold_of.append(i)
    results = _decisions(data, requests)
    out = np.full((len(data.codes), len(data.classes)), np.nan)
    for i in range(len(choices)):
        *inner, (held, decision) = [
            f for f, fold in zip(results, fold_of, strict=True) if fold == i
        ]
        rows = np.concatenate([r for r, _ in inner])
        n_units = len(np.unique(data.unit_of[rows]))
        decided = np.concatenate([d for _, d in inner])
        out[held] = softmax(decision, fit_sharpness(decided, data.codes[rows], n_units))
    return out


def _final_sharpness(
    data: Labelled, plan: Plan, fits: Sequence[Fits], step: str, decision: str, n: int
) -> float:
    """Fit the final model's sharpness to scans while they were held out."""
    sharp = sharpness_rows(data.unit_of)
    requests = [
        (step, decision, n, fit, (scheme.fold == i) & sharp)
        for scheme, repeat_fits in zip(plan.schemes, fits, strict=True)
        for i, fit in enumerate(repeat_fits[step])
        if ((scheme.fold == i) & sharp).any()
    ]
    results = _decisions(data, requests)
    n_units = len(np.unique(data.unit_of[plan.tested]))
    codes = np.concatenate([data.codes[rows] for rows, _ in results])
    return fit_sharpness(np.concatenate([d for _, d in results]), codes, n_units)


# The final model: resampled terms, distances and unit means, in one more pass.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class FinalPass:
    """What the last pass over the chosen step gives.

    Attributes
    ----------
    explanation
        As :func:`explanation.explain` gives it in memory.
    domain
        Score variances and limits of T2 and Q with the share of scans inside, for the card.
    spectra_sha256
        Digest of the digests of the spectra, scan by scan in row order.
    """

    explanation: Explanation
    domain: dict[str, Any]
    spectra_sha256: str


def final_pass(data: Labelled, plan: Plan, streamed: StreamedValidation, seed: int) -> FinalPass:
    """Describe the final model: see :class:`FinalPass`.

    Parameters
    ----------
    data, plan
        Labelled spectra in files, and their splits.
    streamed
        From :func:`streamed_validation`.
    seed
        Seed of the settings, for groups and resamples.
    """
    validated, final = streamed.validated, streamed.final
    step, _, n = validated.chosen
    procedure = validated.procedure
    group_of, group_codes = _groups(data, seed)
    columns = [group_of, *([data.codes] if procedure.balanced else [])]
    part_of, first = parts_of(columns)
    rng = generator(seed, "resampled terms")
    drawn = [
        np.bincount(redrawn(group_codes, rng), minlength=len(group_codes))
        for _ in range(N_RESAMPLES)
    ]
    times = np.stack(drawn)[:, group_of[first]].astype(np.float64)
    resampled = [
        turned(terms_of_sums(again, n), final.fit.path)
        for again in fitted_sets(data, step, part_of, times, procedure)
    ]
    distances, means, class_of, digest = _last_pass(data, plan, streamed, step, n, seed)
    path = final.fit.path
    squares = (path.loadings**2).sum(axis=0) * path.score_sizes
    member = (path.membership_loadings**2).sum(axis=0) * path.score_sizes
    explanation = Explanation(
        final.fit,
        n,
        terms_of_sums(final, n),
        final.brief,
        means,
        class_of,
        spread_of(resampled, path),
        squares / final.trace if final.trace > 0 else 0 * squares,
        member / final.membership_squares if final.membership_squares > 0 else 0 * member,
    )
    return FinalPass(explanation, distances, digest)


def _groups(data: Labelled, seed: int) -> tuple[Codes, Codes]:
    """Return the group of every scan and the number of classes' set of every group.

    A unit is a group by itself while there are no more units than ``GROUPS``. Else units are dealt
    into groups so that each holds all classes, and groups are resampled as a whole.
    """
    codes = classes_of_units(data, len(data.classes))
    if len(data.units) <= GROUPS:
        return data.unit_of, codes
    nothing = np.zeros(len(codes), dtype=np.int_)
    group = assign_folds(codes, nothing, GROUPS, generator(seed, "groups of units"))
    return group[data.unit_of], np.zeros(GROUPS, dtype=np.int_)


class _Limits:
    """T2 and Q of a model, their limits, and how many scans lie inside."""

    def __init__(self, fitted: SummedFit, n_components: int) -> None:
        self.fit = fitted.fit.first(n_components)
        kept = self.fit.path.n_stable
        self.fit = self.fit.first(kept)
        n = float(fitted.counts.sum())
        self.variance = fitted.first(kept).score_squares() / (n - 1)
        # E = X (I - R P'), so E'E follows from the products.
        path = self.fit.path
        leave = np.eye(len(path.spectrum_mean)) - path.rotations @ path.loadings.T
        about = leave.T @ fitted.squares @ leave / (n - 1)
        values = np.asarray(np.linalg.eigvalsh(about)[::-1], dtype=np.float64)
        values = values[values > _LEAST_EIGENVALUE * np.trace(fitted.squares) / (n - 1)]
        self.limits = [
            (
                t2_limit(int(n), kept, 1 - level) if 1 <= kept < n else None,
                q_limit(values, 1 - level),
            )
            for level in LEVELS
        ]
        self.inside = np.zeros((len(LEVELS), 2))
        self.seen = 0

    def add(self, ready: Array) -> None:
        """Count the scans inside each limit."""
        path = self.fit.path
        centred = self.fit.learned.apply(ready) - path.spectrum_mean
        scores = centred @ path.rotations
        t2 = hotelling_t2(scores, self.variance)
        q = residual_q(centred - scores @ path.loadings.T)
        for row, (limit_t2, limit_q) in zip(self.inside, self.limits, strict=True):
            row += [0 if limit_t2 is None else (t2 <= limit_t2).sum(), (q <= limit_q.value).sum()]
        self.seen += len(ready)

    def shares(self, level: int) -> tuple[float | None, float]:
        """Return the share of scans inside T2 (nothing without a limit) and inside Q."""
        t2_share, q_share = (self.inside[level] / max(self.seen, 1)).tolist()
        return (None if self.limits[level][0] is None else t2_share), q_share


def _last_pass(
    data: Labelled, plan: Plan, streamed: StreamedValidation, step: str, n: int, seed: int
) -> tuple[dict[str, Any], Array, Codes, str]:
    """Return domain, unit means with their classes, and the digest of the spectra."""
    if data.files is None:
        raise ValueError("the spectra are in memory")
    training_limits, fold = _Limits(streamed.final, n), plan.schemes[0].fold
    folds = [_Limits(fitted, n) for fitted in streamed.fold_fits]
    labelled, class_of = data.labelled_units()
    rng = generator(seed, "units of confused pairs")
    units = np.arange(len(class_of))
    if len(units) > UNITS_OF_PAIRS:
        units = np.sort(rng.permutation(units)[:UNITS_OF_PAIRS])
    mean_row = np.full(len(class_of), -1)
    mean_row[units] = np.arange(len(units))
    means = np.zeros((len(units), len(data.wavelength_nm)))
    digests = np.empty((len(data.codes), 32), dtype=np.uint8)
    for rows, spectra in data.files.blocks():
        for row, spectrum in zip(rows, np.ascontiguousarray(spectra, dtype="<f8"), strict=True):
            digests[row] = np.frombuffer(hashlib.sha256(spectrum).digest(), dtype=np.uint8)
        ready = preprocessed(spectra, step, data.wavelength_nm)
        training_limits.add(ready)
        for i, limits in enumerate(folds):
            if (here := fold[rows] == i).any():
                limits.add(ready[here])
        unit_rows = mean_row[labelled[rows]]
        np.add.at(
            means,
            unit_rows[unit_rows >= 0],
            streamed.final.fit.learned.apply(ready)[unit_rows >= 0],
        )
    means /= np.bincount(labelled)[units][:, None]
    rows_of_card = []
    for j, level in enumerate(LEVELS):
        limit_t2, limit_q = training_limits.limits[j]
        held = [each.shares(j) for each in folds]
        planes = [share for share, _ in held if share is not None]
        inside = training_limits.shares(j)
        rows_of_card.append(
            {
                "level": level,
                "t2": limit_t2,
                "q": limit_q.value,
                "q_method": limit_q.method,
                "training_within_t2": inside[0],
                "training_within_q": inside[1],
                "held_out_within_t2": float(np.mean(planes)) if planes else None,
                "held_out_within_q": float(np.mean([share for _, share in held])),
            }
        )
    domain = {
        "limits": rows_of_card,
        "score_variance": [float(v) for v in training_limits.variance],
    }
    return domain, means, class_of[units], hashlib.sha256(digests.tobytes()).hexdigest()

"""How well does a regression on the whole spectrum estimate a trait on units left out?

Partial least squares regression (PLSR) of one response. An inner loop chooses preprocessing and
number of latent variables by the error of units left out; an outer loop holds out other units and
is never seen by the choice. Every unit has the same weight in an error.

References
----------
Wold, Martens & Wold 1983, in: Matrix Pencils, 286-293 (PLSR); Burnett et al. 2021, J. Exp. Bot.
72:6175-6189 (leaf spectra); Dayal & MacGregor 1997, J. Chemom. 11:73-85 (algorithm).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import factorial, prod
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import (
    Choice,
    Scheme,
    assign_folds,
    choose,
    one_by_one_scheme,
    scheme_of,
    unit_shares,
    unseen_days_scheme,
    widths_of_search,
)
from leafledger.spectra.applicability import LEARNED, Learned, learned_from, preprocessed
from leafledger.spectra.pls import (
    LatentPath,
    centred_products,
    fit_path,
    response_paths,
    scan_products,
)
from leafledger.traits.samples import TraitValues
from leafledger.words import counted, plural

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
Scans = NDArray[np.bool_]
ONE_BY_ONE_UP_TO: Final = 30
"""Units up to which each is held out by itself."""
FOLDS, TEST_FOLDS = 10, 5
"""Outer folds of many units, and those of the permutation test."""
REPEATS: Final = 3
FIRST_WIDTH, MOST_COMPONENTS = 6, 20
"""Latent variables that are searched at first, and at most."""
UNITS_PER_COMPONENT: Final = 3
"""Training units for each latent variable that is tried."""
MOST_IN_ONE_PRODUCT: Final = 4000
"""Above this many leaves, products of all with each other would not fit in memory."""
FEWEST_ARRANGEMENTS: Final = 100
"""Fewer exchanges of values between units do not make a permutation test."""

# Splits.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Splits:
    """All splits of the leaves with a known trait.

    Attributes
    ----------
    schemes
        Training sets of every repeat.
    test_scheme
        Those of the permutation test.
    unseen_days
        Every session held out in turn, on units that training has not seen; ``None``, with the
        reason ``no_unseen_days``, if that cannot be done.
    widths
        Numbers of latent variables that the search widens to.
    rule
        How leaves were split, in words.
    """

    schemes: tuple[Scheme, ...]
    test_scheme: Scheme
    unseen_days: Scheme | None
    no_unseen_days: str
    widths: tuple[int, ...]
    rule: str


def splits_of(
    trait: TraitValues,
    n_wavelengths: int,
    settings: Mapping[str, Any],
    word: str,
    warnings: list[str],
) -> Splits:
    """Lay out the splits that section ``traits`` of the settings asks for.

    Parameters
    ----------
    trait
        Leaves with a known trait.
    n_wavelengths
        Length of a spectrum.
    settings
        Section ``traits``.
    word
        What a unit is called.
    warnings
        What is not as asked is appended.
    """
    n_units, seed = len(trait.units), int(settings["seed"])
    stated_folds = settings["folds"]["outer"]
    if stated_folds == "auto":
        n_folds = n_units if n_units <= ONE_BY_ONE_UP_TO else FOLDS
    else:
        n_folds = min(int(stated_folds), n_units)
        if n_folds < int(stated_folds):
            warnings.append(
                f"{trait.target}: {n_folds} outer folds instead of {stated_folds}, because there "
                f"are {counted(n_units, word)}"
            )
    one_by_one = n_folds == n_units
    given = settings["folds"]["repeats"]
    n_repeats = (1 if one_by_one else REPEATS) if given == "auto" else int(given)
    if one_by_one and n_repeats > 1:
        warnings.append(f"{trait.target}: every {word} is a fold of its own, so one repeat is done")
        n_repeats = 1
    schemes = tuple(
        _folds_of_units(trait, n_folds, generator(seed, "trait folds", trait.target, repeat))
        for repeat in range(1, n_repeats + 1)
    )
    test = schemes[0]
    if n_folds > TEST_FOLDS:
        rng = generator(seed, "trait folds of the permutation test", trait.target)
        test = _folds_of_units(trait, min(TEST_FOLDS, n_units), rng)
    days, why = _scheme_of_unseen_days(trait, seed, word)
    every = [*schemes, test, *([days] if days else [])]
    held = f"every {word} held out by itself" if one_by_one else (
        f"whole {plural(word)} held out in {n_folds} outer folds, {counted(n_repeats, 'time')}"
    )  # fmt: skip
    return Splits(
        schemes=schemes,
        test_scheme=test,
        unseen_days=days,
        no_unseen_days=why,
        widths=_searched_widths(
            trait, schemes, every, n_wavelengths, settings["max_components"], warnings
        ),
        rule=f"{held}; preprocessing and number of latent variables chosen anew each time by the "
        f"error of other {plural(word)} left out inside",
    )


def _folds_of_units(trait: TraitValues, n_folds: int, rng: np.random.Generator) -> Scheme:
    n_units = len(trait.units)
    if n_folds == n_units:
        return one_by_one_scheme(trait.unit_of, rng)
    nothing = np.zeros(n_units, dtype=np.int_)
    fold = assign_folds(nothing, nothing, n_folds, rng)
    return scheme_of(fold[trait.unit_of], trait.unit_of, rng)


def _scheme_of_unseen_days(trait: TraitValues, seed: int, word: str) -> tuple[Scheme | None, str]:
    """Return the scheme that holds out sessions, or none and why."""
    if len(trait.sessions) < 2:
        return None, "the known leaves are of one session"
    rng = generator(seed, "trait folds of held-out sessions", trait.target)
    n_units = len(trait.units)
    nothing = np.zeros(n_units, dtype=np.int_)
    fold = assign_folds(nothing, nothing, min(TEST_FOLDS, n_units), rng)
    scheme = unseen_days_scheme(fold[trait.unit_of], trait.day)
    fewest = min(len(np.unique(trait.unit_of[part])) for part in scheme.training)
    if fewest < 3 or any(not held.any() for pairs in scheme.inner for _, held in pairs):
        return None, f"too few {plural(word)} are known in the other sessions"
    return scheme, ""


def _searched_widths(
    trait: TraitValues,
    schemes: Sequence[Scheme],
    every: Sequence[Scheme],
    n_wavelengths: int,
    max_components: str | int,
    warnings: list[str],
) -> tuple[int, ...]:
    leaves = min(int(scheme.training.sum(axis=1).min()) for scheme in every)
    most = max(1, min(leaves - 2, n_wavelengths))
    if max_components == "auto":
        units = min(
            len(np.unique(trait.unit_of[part])) for scheme in schemes for part in scheme.training
        )
        most = min(most, MOST_COMPONENTS, max(1, units // UNITS_PER_COMPONENT))
        return widths_of_search(FIRST_WIDTH, most)
    if most < int(max_components):
        warnings.append(
            f"{trait.target}: at most {most} latent variables instead of {max_components}, "
            f"because the smallest training part has {counted(leaves, 'leaf')}"
        )
    return (min(int(max_components), most),)


# One fit.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Fitted:
    """One regression of a trait on spectra.

    Attributes
    ----------
    step, learned
        Preprocessing, and what it learned from the training leaves.
    n_components
        Latent variables.
    spectrum_mean, coefficients
        Of spectra after preprocessing, shape ``(n_wavelengths,)``.
    y_mean
        Mean of the trait in training.
    path
        All terms of the fit.
    """

    step: str
    learned: Learned
    n_components: int
    spectrum_mean: Array
    coefficients: Array
    y_mean: float
    path: LatentPath

    def ready(self, spectra: Array, wavelength_nm: Array) -> Array:
        """Return spectra as the latent variables see them, less the training mean."""
        steps = self.learned.apply(preprocessed(spectra, self.step, wavelength_nm))
        return np.asarray(steps - self.spectrum_mean)

    def predict(self, spectra: Array, wavelength_nm: Array) -> Array:
        """Return the estimated trait of reflectance spectra, shape ``(n,)``."""
        return np.asarray(self.ready(spectra, wavelength_nm) @ self.coefficients + self.y_mean)


def fit_regression(
    spectra: Array, y: Array, step: str, n_components: int, wavelength_nm: Array
) -> Fitted:
    """Fit PLSR to reflectance spectra, centred and not scaled; every leaf counts alike.

    Parameters
    ----------
    spectra, y
        Training leaves, shapes ``(n, n_wavelengths)`` and ``(n,)``.
    step, n_components
        Preprocessing and number of latent variables; fewer are used if the data hold no more.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    """
    prepared = preprocessed(spectra, step, wavelength_nm)
    learned = learned_from(prepared, step)
    n = max(1, min(n_components, len(y) - 1, spectra.shape[1]))
    path = fit_path(learned.apply(prepared), y[:, None], n)
    used = max(0, min(n, path.n_stable))
    return Fitted(
        step=step,
        learned=learned,
        n_components=used,
        spectrum_mean=path.spectrum_mean,
        coefficients=path.coefficients(used)[:, 0],
        y_mean=float(path.membership_mean[0]),
        path=path,
    )


# Many fits: every number of latent variables and every set of responses at once.
# ----------------------------------------------------------------------


class Engine:
    """Predictions of many sets of responses with one preprocessing.

    Up to some thousand leaves all sets pass together through the products of leaves with each
    other; above, each is fitted by itself.

    Parameters
    ----------
    spectra
        Reflectance of the leaves with a known trait, shape ``(n, n_wavelengths)``.
    step
        Preprocessing.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    """

    def __init__(self, spectra: Array, step: str, wavelength_nm: Array) -> None:
        self.step = step
        self.prepared = preprocessed(spectra, step, wavelength_nm)
        self.small = len(spectra) <= MOST_IN_ONE_PRODUCT
        self.shared = scan_products(self.prepared) if self.small and step not in LEARNED else None

    def predict(self, training: Scans, held_out: Scans, y: Array, n_components: int) -> Array:
        """Return predictions, shape ``(n_sets, n_components, n_held_out)``.

        Parameters
        ----------
        training, held_out
            Leaves (true), shape ``(n,)``.
        y
            Responses of every set, shape ``(n_sets, n)``.
        n_components
            Largest number of latent variables.
        """
        rows, others = np.flatnonzero(training), np.flatnonzero(held_out)
        if not self.small:
            return self._one_by_one(rows, others, y, n_components)
        products = self.shared
        if products is None:
            ready = learned_from(self.prepared[rows], self.step).apply(self.prepared)
            products = scan_products(ready)
        inner, across = centred_products(products, rows, others)
        paths = response_paths(inner, across, y[:, rows, None], n_components)
        return np.asarray(paths.membership[..., 0].transpose(1, 0, 2))

    def _one_by_one(
        self, rows: NDArray[np.intp], others: NDArray[np.intp], y: Array, n_components: int
    ) -> Array:
        learned = learned_from(self.prepared[rows], self.step)
        ready, new = learned.apply(self.prepared[rows]), learned.apply(self.prepared[others])
        out = np.empty((len(y), n_components, len(others)))
        for i, of_set in enumerate(y):
            path = fit_path(ready, of_set[rows, None], n_components)
            out[i] = path.membership(new)[..., 0]
        return out


# Choice inside, error outside.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Nested:
    """One repeat of the nested validation, for many sets of responses.

    Attributes
    ----------
    predicted
        What the model chosen in each outer fold says of the leaves held out, shape
        ``(n_sets, n)``.
    every
        Held-out predictions of every candidate, shape ``(n_steps, n_sets, n_components, n)``.
    choices
        Choice of every outer fold.
    """

    predicted: Array
    every: Array
    choices: tuple[Choice, ...]


def nested_validation(
    engines: Sequence[Engine], scheme: Scheme, y: Array, units: Codes, widths: Sequence[int]
) -> Nested:
    """Run choice and estimate on many sets of responses at once.

    Parameters
    ----------
    engines
        One for each preprocessing.
    scheme
        Training sets.
    y
        Responses of every set, shape ``(n_sets, n)``.
    units
        Unit of every leaf.
    widths
        Numbers of latent variables to search (see :func:`leafledger.resampling.splits.choose`).
    """
    width = widths[-1]
    # Losses are compared after rounding: they are taken in units of the spread of the trait.
    scale = y.std(axis=1, keepdims=True)
    z = (y - y.mean(axis=1, keepdims=True)) / np.where(scale > 0, scale, 1.0)
    n_sets, n = y.shape
    predicted = np.full((n_sets, n), np.nan)
    every = np.full((len(engines), n_sets, width, n), np.nan)
    done: dict[tuple[int, bytes], Array] = {}
    choices = []
    for i, outer in enumerate(scheme.outer):
        # 1. Errors of the units left out inside, for every candidate.
        squares, unit_of = [], []
        for inner, held in scheme.inner[i]:
            key = (inner, held.tobytes())
            if key not in done:
                done[key] = np.stack(
                    [engine.predict(scheme.training[inner], held, z, width) for engine in engines]
                )
            squares.append((done[key] - z[:, None, held]) ** 2)
            unit_of.append(units[held])
        losses = unit_shares(np.concatenate(squares, axis=-1), np.concatenate(unit_of))
        # 2. The fewest latent variables within one standard error of the best.
        choice = choose(losses, widths)
        choices.append(choice)
        # 3. The units held out outside.
        test = scheme.fold == i
        whole = np.stack(
            [engine.predict(scheme.training[outer], test, z, width) for engine in engines]
        )
        rows = np.arange(n_sets)
        every[..., test] = whole
        predicted[:, test] = whole[choice.candidate, rows, choice.n_components - 1]
    back = np.where(scale > 0, scale, 1.0)
    mean = y.mean(axis=1, keepdims=True)
    return Nested(predicted * back + mean, every * back[:, None] + mean[:, None], tuple(choices))


def unit_rms(errors: Array, units: Codes) -> Array:
    """Return the root of the mean over units of the mean squared error of each.

    Parameters
    ----------
    errors
        Shape ``(..., n)``.
    units
        Unit of every leaf, shape ``(n,)``.

    Examples
    --------
    >>> float(unit_rms(np.array([5.0, 5.0, 5.0]), np.array([0, 0, 1])))
    5.0
    """
    return np.asarray(np.sqrt(unit_shares(errors**2, units).mean(axis=-1)))


@dataclass(frozen=True)
class Validated:
    """A trait model: its validation, and what was chosen for all leaves.

    Attributes
    ----------
    steps
        Preprocessings that were tried.
    repeats
        The nested validation of every repeat (one set of responses).
    final
        Choice for the model of all leaves, on leaves held out in the outer folds.
    model
        The model of all known leaves.
    fold_models
        The model of every outer fold of the first repeat, as chosen inside it.
    """

    steps: tuple[str, ...]
    repeats: tuple[Nested, ...]
    final: Choice
    model: Fitted
    fold_models: tuple[Fitted, ...]

    @property
    def predicted(self) -> Array:
        """Held-out predictions, shape ``(n_repeats, n)``."""
        return np.stack([nested.predicted[0] for nested in self.repeats])

    @property
    def chosen(self) -> tuple[str, int]:
        """Preprocessing and number of latent variables of the model of all leaves."""
        return self.steps[int(self.final.candidate[0])], int(self.final.n_components[0])


def validate(
    trait: TraitValues, spectra: Array, wavelength_nm: Array, splits: Splits, steps: Sequence[str]
) -> Validated:
    """Run every repeat, choose the final model and fit it.

    Parameters
    ----------
    trait
        Leaves with a known trait.
    spectra
        Their reflectance, shape ``(n, n_wavelengths)``.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    splits
        From :func:`splits_of`.
    steps
        Preprocessings to choose among.
    """
    engines = [Engine(spectra, step, wavelength_nm) for step in steps]
    y = trait.y[None, :]
    repeats = [
        nested_validation(engines, scheme, y, trait.unit_of, splits.widths)
        for scheme in splits.schemes
    ]
    scale = float(trait.y.std()) or 1.0
    losses = np.mean(
        [unit_shares(((r.every - trait.y) / scale) ** 2, trait.unit_of) for r in repeats], axis=0
    )
    final = choose(losses, splits.widths)
    step, n_components = steps[int(final.candidate[0])], int(final.n_components[0])
    scheme = splits.schemes[0]
    fold_models = []
    for outer, choice in zip(scheme.outer, repeats[0].choices, strict=True):
        part = scheme.training[outer]
        fold_step, n = steps[int(choice.candidate[0])], int(choice.n_components[0])
        fold_models.append(
            fit_regression(spectra[part], trait.y[part], fold_step, n, wavelength_nm)
        )
    return Validated(
        steps=tuple(steps),
        repeats=tuple(repeats),
        final=final,
        model=fit_regression(spectra, trait.y, step, n_components, wavelength_nm),
        fold_models=tuple(fold_models),
    )


# Would exchanged values be estimated as well? And another session?
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class PermutationTest:
    """Errors of the whole procedure when values are exchanged between units.

    Attributes
    ----------
    observed
        Error of the true values, on the same splits.
    drawn
        Errors of the draws.
    p
        Share of draws with an error as small, ``(b + 1) / (n + 1)``.
    reason
        Why there was no test; empty if there was.
    """

    observed: float
    drawn: Array
    p: float
    reason: str = ""


def permutation_test(
    trait: TraitValues,
    spectra: Array,
    wavelength_nm: Array,
    splits: Splits,
    steps: Sequence[str],
    n_draws: int,
    rng: np.random.Generator,
) -> PermutationTest:
    """Exchange the values of whole units and run the whole procedure on each draw.

    Units with as many known leaves in the same sessions exchange all their values together.

    References
    ----------
    Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39 (p of drawn permutations).
    """
    order, groups = exchangeable(trait)
    n_arrangements = prod(min(factorial(len(group)), 10**9) for group in groups)
    nothing = np.zeros(0)
    if n_draws == 0:
        return PermutationTest(np.nan, nothing, np.nan, "no draw was asked for")
    if n_arrangements < FEWEST_ARRANGEMENTS:
        return PermutationTest(
            np.nan, nothing, np.nan,
            f"only {n_arrangements} exchanges are possible: units differ in their known leaves",
        )  # fmt: skip
    sets = [trait.y]
    for _ in range(n_draws):
        y = trait.y.copy()
        for group in groups:
            dealt = rng.permutation(len(group))
            for receiver, donor in enumerate(dealt):
                y[order[group[receiver]]] = trait.y[order[group[donor]]]
        sets.append(y)
    engines = [Engine(spectra, step, wavelength_nm) for step in steps]
    y = np.array(sets)
    nested = nested_validation(engines, splits.test_scheme, y, trait.unit_of, splits.widths)
    errors = unit_rms(nested.predicted - y, trait.unit_of)
    as_small = int(np.count_nonzero(errors[1:] <= errors[0] * (1 + 1e-12)))
    return PermutationTest(float(errors[0]), errors[1:], (as_small + 1) / (n_draws + 1))


def exchangeable(trait: TraitValues) -> tuple[dict[int, NDArray[np.intp]], list[list[int]]]:
    """Return the leaves of every unit, by session, and groups of units that may exchange values."""
    leaves: dict[int, NDArray[np.intp]] = {}
    groups: dict[tuple[int, ...], list[int]] = {}
    for unit in range(len(trait.units)):
        rows = np.flatnonzero(trait.unit_of == unit)
        rows = rows[np.argsort(trait.day[rows], kind="stable")]
        leaves[unit] = rows
        groups.setdefault(tuple(trait.day[rows].tolist()), []).append(unit)
    return leaves, list(groups.values())


def held_out_sessions(
    trait: TraitValues, spectra: Array, wavelength_nm: Array, scheme: Scheme, steps: Sequence[str],
    widths: Sequence[int],
) -> Array:  # fmt: skip
    """Return estimates of every leaf by models that saw neither its unit nor its session."""
    engines = [Engine(spectra, step, wavelength_nm) for step in steps]
    nested = nested_validation(engines, scheme, trait.y[None, :], trait.unit_of, widths)
    return np.asarray(nested.predicted[0])

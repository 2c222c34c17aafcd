"""Where did the spectrum move: the difference at every wavelength, with one band for all?

The band holds over all wavelengths, after-sessions and treatments together: one permutation of the
labels serves them all, so that their correlation is used.

References
----------
Westfall, P. H. and Young, S. S. (1993). Resampling-Based Multiple Testing, chapter 2. Wiley
(distribution of the largest |t| under permutation of the labels).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.design import BETWEEN, Contrast, Layout, Plan, contrasts
from leafledger.records.record import Job
from leafledger.resampling.permutation import (
    Weights,
    between_permuted_groups,
    common_scale,
    estimates,
    generator,
    label_permutations,
    weights_of,
    within_blocks,
)
from leafledger.study.table_files import spectra_of_sessions
from leafledger.study.tables import SPECTRUM_EFFECTS

if TYPE_CHECKING:
    import pandas as pd


MOST_DRAWS = 999
"""Arrangements drawn for the band at most: it is a quantile of the bulk, not a small p."""
ENUMERATED_DEALS = 5000
"""Up to this many ways to deal out the labels all of them are enumerated."""
_NUMBERS = 200_000
"""Numbers in memory at once (arrangements times columns), for each of a few tables."""
_RESOLUTION = 1e-9
"""Standard errors up to this share of the largest change are rounding."""


@dataclass(frozen=True)
class Band:
    """Difference between two groups at every wavelength; ``NaN`` where it does not exist.

    Attributes
    ----------
    estimate, low, high
        Shape ``(n_wavelengths,)``, in the unit of the values.
    """

    estimate: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]


@dataclass(frozen=True)
class Compared:
    """Two treatments in one session.

    Attributes
    ----------
    treated, reference
        Their labels.
    session
        Place along the second axis of the changes.
    """

    treated: int
    reference: int
    session: int


def unit_spectra(
    reflectance: NDArray[np.float64],
    rows: pd.DataFrame,
    units: Sequence[str],
    sessions: Sequence[str],
) -> NDArray[np.float64]:
    """Average scans within leaf and leaves within unit.

    Parameters
    ----------
    reflectance
        Shape ``(n_scans, n_wavelengths)``.
    rows
        Columns scan, unit, session, leaf of the same scans; an empty leaf is one of its own.
    units, sessions
        Names along the first two axes of the result.

    Returns
    -------
    ndarray
        Shape ``(n_units, n_sessions, n_wavelengths)``, ``NaN`` where a unit was not measured.
    """
    columns = (rows[c].tolist() for c in ("unit", "session", "leaf", "scan"))
    leaves: dict[tuple[str, str], dict[tuple[str, str], list[int]]] = {}
    for i, (unit, session, leaf, scan) in enumerate(zip(*columns, strict=True)):
        name = (leaf, "") if leaf else ("", scan)
        leaves.setdefault((unit, session), {}).setdefault(name, []).append(i)
    out = np.full((len(units), len(sessions), reflectance.shape[1]), np.nan)
    for i, unit in enumerate(units):
        for j, session in enumerate(sessions):
            rows_of = leaves.get((unit, session))
            if rows_of:
                means = [reflectance[rows_of[leaf]].mean(axis=0) for leaf in sorted(rows_of)]
                out[i, j] = np.mean(means, axis=0)
    return out


def simultaneous_bands(
    changes: NDArray[np.float64],
    labels: NDArray[np.int64],
    compared: Sequence[Compared],
    blocks: Sequence[str],
    level: float,
    n_draws: int,
    seed: int,
) -> list[Band | None]:
    """Return the difference at every wavelength of every comparison, with one band for all.

    The band is ``estimate +- q * standard error``. Both come from the model change ~ treatment +
    block with HC2 errors (:mod:`leafledger.resampling.permutation`). q is the quantile of the
    largest |t| over all wavelengths and all comparisons together when the labels of all treatments
    are dealt out anew within blocks. If no treatment does anything, the band leaves zero at any
    wavelength of any comparison with probability at most ``1 - level``.

    Parameters
    ----------
    changes
        One change per unit, session and wavelength, shape ``(n_units, n_sessions,
        n_wavelengths)``, units in the order of their id; ``NaN`` where a unit was not measured.
    labels
        Treatment of each unit as a whole number, shape ``(n_units,)``.
    compared
        Which treatments are compared in which session.
    blocks
        Block of each unit; the same word throughout if there are none.
    level
        Probability for the whole band.
    n_draws, seed
        Arrangements drawn where there are more than 5,000; at most 999 are used.

    Returns
    -------
    list of Band or None
        One for each comparison; ``None`` with fewer than two units on a side, or where no block
        holds both treatments.

    Notes
    -----
    An arrangement in which a comparison has no standard error (units are missing) leaves that
    comparison out of the largest |t|: a fixed rule, so the level holds. Where comparisons rest on
    different degrees of freedom, |t| is replaced by the tail of Student's distribution and q
    differs between them.
    """
    parts = _parts(changes, labels, compared, blocks)
    stream = generator(seed, "whole_spectrum")
    draws = min(n_draws, MOST_DRAWS)
    dealt = label_permutations(labels, blocks, draws, stream, ENUMERATED_DEALS)
    finite = np.abs(changes[np.isfinite(changes)])
    floor = _RESOLUTION * max(float(finite.max(initial=0.0)), 1e-300)
    # 1. Degrees of freedom of every comparison that has a standard error, and their common scale.
    testable = [part for part in parts if part.observed.defined[0]]
    df = np.array([float(part.df) for part in testable for _ in part.places])
    scale, back = common_scale(df)
    # 2. The largest |t| over wavelengths and comparisons, of every arrangement.
    together = bool(len(set(labels.tolist())) > 2)
    largest = _largest(testable, dealt.labels, floor, together=together)
    q = _critical(scale(largest).max(axis=1, initial=0.0), level, enumerated=dealt.enumerated)
    own_q = back(np.full(len(df), q))
    # 3. estimate +- q * standard error
    bands: list[Band | None] = [None] * len(compared)
    factors = iter(own_q.tolist())
    for part in parts:
        defined = bool(part.observed.defined[0])
        for k, (estimate, error) in part.observed_difference().items():
            factor = next(factors) if defined else math.nan
            half = np.where(error > floor, factor * error, np.nan)
            bands[k] = Band(estimate, estimate - half, estimate + half)
    return bands


@dataclass(frozen=True)
class _Part:
    """Comparisons of the same two treatments on the same measured units.

    Attributes
    ----------
    places
        Where the comparisons stand in the list that was asked for.
    label, other_label
        Labels of the two treatments; ``label`` is that of the first unit, whatever the names.
    sign
        Sign by which ``label - other_label`` is the stated difference, for each comparison.
    measured
        Units with values, of all treatments.
    compared_rows
        Those of the two treatments.
    blocks
        Block of each unit of all.
    values
        Of the measured units, sessions side by side, less the mean of their block over the units of
        both treatments (if there are no others) or of all; shape ``(n_measured, n_columns)``.
    observed
        Weights of the observed arrangement, over the units ``compared_rows``.
    """

    places: tuple[int, ...]
    label: int
    other_label: int
    sign: tuple[float, ...]
    measured: NDArray[np.intp]
    compared_rows: NDArray[np.intp]
    blocks: tuple[str, ...]
    values: NDArray[np.float64]
    observed: Weights

    @property
    def df(self) -> int:
        """Return the residual degrees of freedom: units less blocks less one."""
        return (
            len(self.compared_rows) - len({self.blocks[i] for i in self.compared_rows.tolist()}) - 1
        )

    def observed_difference(self) -> dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Return place -> estimate and standard error as observed, ``(n_wavelengths,)`` each."""
        blocks = [self.blocks[i] for i in self.compared_rows.tolist()]
        rows = np.isin(self.measured, self.compared_rows)
        beta, variance = estimates(self.observed, within_blocks(self.values[rows], blocks))
        shape = len(self.places), -1
        return {
            k: (sign * estimate, np.sqrt(spread))
            for k, sign, estimate, spread in zip(
                self.places, self.sign, beta.reshape(shape), variance.reshape(shape), strict=True
            )
        }

    def squares(
        self, labels: NDArray[np.int64], floor: float, *, together: bool
    ) -> NDArray[np.float64]:
        """Return the largest t squared over the wavelengths, ``(n_arrangements, n_places)``."""
        arrangements = labels[:, self.measured]
        blocks = [self.blocks[i] for i in self.measured.tolist()]
        if together:
            groups = arrangements == self.label, arrangements == self.other_label
            beta, variance, defined = between_permuted_groups(*groups, blocks, self.values)
        else:
            weights = weights_of(arrangements == self.label, blocks)
            (beta, variance), defined = estimates(weights, self.values), weights.defined
        np.square(beta, out=beta)
        t = np.divide(beta, variance, out=np.zeros_like(beta), where=variance > floor**2)
        t[~defined] = 0.0
        return np.asarray(t.reshape(len(t), len(self.places), -1).max(axis=2, initial=0.0))


def _parts(
    changes: NDArray[np.float64],
    labels: NDArray[np.int64],
    compared: Sequence[Compared],
    blocks: Sequence[str],
) -> list[_Part]:
    """Return the comparisons that have two units on either side and a block that holds both."""
    groups: dict[tuple[int, int, tuple[bool, ...]], list[int]] = {}
    for k, pair in enumerate(compared):
        measured = np.asarray(np.isfinite(changes[:, pair.session]).all(axis=1), dtype=bool)
        low, high = sorted((pair.treated, pair.reference))
        groups.setdefault((low, high, tuple(measured.tolist())), []).append(k)
    out = []
    for (low, high, measured_units), places in groups.items():
        measured = np.flatnonzero(measured_units)
        compared_rows = measured[np.isin(labels[measured], [low, high])]
        if min(int((labels[compared_rows] == label).sum()) for label in (low, high)) < 2:
            continue
        first, where = (
            labels[compared_rows] == labels[compared_rows][0],
            [blocks[i] for i in compared_rows.tolist()],
        )
        observed = weights_of(first[None, :], where)
        if not observed.d.any():
            continue
        values = np.hstack([changes[measured, compared[k].session] for k in places])
        label = int(labels[compared_rows][0])
        out.append(
            _Part(
                places=tuple(places),
                label=label,
                other_label=high if label == low else low,
                sign=tuple(1.0 if compared[k].treated == label else -1.0 for k in places),
                measured=measured,
                compared_rows=compared_rows,
                blocks=tuple(blocks),
                values=within_blocks(values, [blocks[i] for i in measured.tolist()]),
                observed=observed,
            )
        )
    return out


def _largest(
    parts: Sequence[_Part], labels: NDArray[np.int64], floor: float, *, together: bool
) -> NDArray[np.float64]:
    """Return the largest |t| over the wavelengths, shape ``(n_arrangements, n_comparisons)``."""
    squares = []
    for part in parts:
        step = max(8, _NUMBERS // max(1, part.values.shape[1]))
        chunks = [labels[i : i + step] for i in range(0, len(labels), step)]
        squares.append(np.vstack([part.squares(c, floor, together=together) for c in chunks]))
    return np.sqrt(np.hstack(squares)) if squares else np.zeros((len(labels), 0))


def _critical(largest: NDArray[np.float64], level: float, *, enumerated: bool) -> float:
    """Return the largest |t| that a test at ``1 - level`` still accepts; NaN if it accepts all."""
    total = len(largest) if enumerated else len(largest) + 1
    k = math.floor((1.0 - level) * total + 1e-9)
    if k < 1:
        return math.nan
    falling = np.sort(largest)[::-1]
    return float(falling[k] if enumerated else falling[k - 1])


# The table ``spectrum_effects.csv``: every difference in change, with one band for all of them.
# ----------------------------------------------------------------------

Array = NDArray[np.float64]


def spectrum_table(job: Job, layout: Layout, plan: Plan) -> pd.DataFrame:
    """Return the rows of ``spectrum_effects.csv`` for every contrast that the design allows."""
    import pandas as pd

    empty = pd.DataFrame(columns=list(SPECTRUM_EFFECTS))
    compared_contrasts = [
        c for c in contrasts(layout) if c.question in BETWEEN and not c.untestable
    ]
    if not layout.word or not compared_contrasts:
        return empty
    units, labels = _units(layout, compared_contrasts)
    means, wavelength_nm = _unit_means(job, layout, units)
    # Without a before session the values themselves are compared.
    start = means[:, : len(layout.before)]
    before = _mean_before(start)[:, None] if layout.before else np.zeros((len(units), 1, 1))
    names = list(layout.levels)
    compared = [
        Compared(names.index(c.level), names.index(c.reference), layout.sessions.index(c.after))
        for c in compared_contrasts
    ]
    blocks = [layout.blocks.get(unit, "") for unit in units]
    changes = means - before
    bands = simultaneous_bands(
        changes, labels, compared, blocks, plan.level, plan.n_draws, plan.seed
    )
    frames = []
    for contrast, pair, band in zip(compared_contrasts, compared, bands, strict=True):
        if band is None:
            continue
        measured = np.isfinite(changes[:, pair.session]).all(axis=1)
        columns = {
            "contrast": contrast.name,
            "wavelength_nm": wavelength_nm,
            "estimate": band.estimate,
            "low": band.low,
            "high": band.high,
            "n_units": int((measured & (labels == pair.treated)).sum()),
            "n_units_reference": int((measured & (labels == pair.reference)).sum()),
        }
        frames.append(pd.DataFrame(columns))
    if not frames:
        return empty
    table = pd.concat(frames, ignore_index=True)
    return table.sort_values(["contrast", "wavelength_nm"], kind="stable", ignore_index=True)


def _unit_means(job: Job, layout: Layout, units: Sequence[str]) -> tuple[Array, Array]:
    """Return mean spectra of experimental units; a whole plot has the mean of its units.

    The spectra of one session are held at a time.

    Returns
    -------
    means
        Shape ``(n_units, n_sessions, n_wavelengths)``, ``NaN`` where a unit was not measured.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    """
    held = [layout.parts.get(unit, (unit,)) for unit in units]
    flat = [part for parts in held for part in parts]
    of_sessions, axis = [], np.empty(0)
    for session, spectra in spectra_of_sessions(
        job.by_session("reflectance"),
        job.inputs["accepted"],
        job.inputs["range"],
        sessions=layout.sessions,
    ):
        of_sessions.append(unit_spectra(spectra.reflectance, spectra.rows, flat, [session]))
        axis = spectra.wavelength_nm
    means = np.concatenate(of_sessions, axis=1)
    if not layout.parts:
        return means, axis
    out = np.full((len(units), *means.shape[1:]), np.nan)
    first = 0
    for i, parts in enumerate(held):
        plot_means = means[first : first + len(parts)]
        first += len(parts)
        count = np.isfinite(plot_means).sum(axis=0)
        out[i] = np.where(count > 0, np.nansum(plot_means, axis=0) / np.maximum(count, 1), np.nan)
    return out, axis


def _mean_before(start: Array) -> Array:
    """Return the mean of the before sessions that a unit has, each less its own shift.

    As for the indices (:func:`leafledger.effects.unit_means.change_sample`): the shift of a session
    is estimated from the units that have them all.
    """
    here = np.asarray(np.isfinite(start).all(axis=2), dtype=bool)
    whole = np.asarray(here.all(axis=1), dtype=bool)
    shift = np.zeros(start.shape[1:])
    if whole.any():
        level = start[whole].mean(axis=0)
        shift = level - level.mean(axis=0)
    has_value = np.asarray(here.any(axis=1), dtype=bool) if whole.any() else whole
    count = np.maximum(here.sum(axis=1), 1)[:, None]
    moved = np.where(here[:, :, None], start - np.where(whole[:, None, None], 0.0, shift), 0.0)
    return np.where(has_value[:, None], moved.sum(axis=1) / count, np.nan)


def _units(
    layout: Layout, compared_contrasts: Sequence[Contrast]
) -> tuple[list[str], NDArray[np.int64]]:
    """Return the units of all treatments that are compared, by id, and their treatment."""
    arms = {level for c in compared_contrasts for level in (c.level, c.reference)}
    label_of = {
        unit: k
        for k, (level, arm) in enumerate(layout.levels.items())
        if level in arms
        for unit in arm
    }
    units = sorted(label_of)
    return units, np.array([label_of[unit] for unit in units], dtype=np.int64)

"""The table ``spectrum_effects.csv``: every difference in change, with one band for all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.contrasts import contrasts
from leafledger.effects.layout import BETWEEN, Contrast, Layout
from leafledger.effects.plan import Plan
from leafledger.effects.whole_spectrum import Compared, simultaneous_bands, unit_spectra
from leafledger.records.job import Job
from leafledger.study.columns import SPECTRUM_EFFECTS
from leafledger.study.spectra import Spectra, load_spectra

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]


def spectrum_table(job: Job, layout: Layout, plan: Plan) -> pd.DataFrame:
    """Return the rows of ``spectrum_effects.csv`` for every contrast that the design allows."""
    import pandas as pd

    empty = pd.DataFrame(columns=list(SPECTRUM_EFFECTS))
    asked = [c for c in contrasts(layout) if c.question in BETWEEN and not c.obstacle]
    if not layout.word or not asked:
        return empty
    spectra = load_spectra(
        job.by_session("reflectance"),
        job.inputs["accepted"],
        job.inputs["range"],
        job.settings["units"],
        sessions=layout.sessions,
    )
    units, labels = _units(layout, asked)
    means = _unit_means(layout, units, spectra)
    # Without a before session the values themselves are compared.
    start = means[:, : len(layout.before)]
    before = _mean_before(start)[:, None] if layout.before else np.zeros((len(units), 1, 1))
    names = list(layout.levels)
    compared = [
        Compared(names.index(c.level), names.index(c.reference), layout.sessions.index(c.after))
        for c in asked
    ]
    blocks = [layout.blocks.get(unit, "") for unit in units]
    changes = means - before
    bands = simultaneous_bands(
        changes, labels, compared, blocks, plan.level, plan.n_draws, plan.seed
    )
    frames = []
    for contrast, one, band in zip(asked, compared, bands, strict=True):
        if band is None:
            continue
        measured = np.isfinite(changes[:, one.session]).all(axis=1)
        columns = {
            "contrast": contrast.name,
            "wavelength_nm": spectra.wavelength_nm,
            "estimate": band.estimate,
            "low": band.low,
            "high": band.high,
            "n_units": int((measured & (labels == one.treated)).sum()),
            "n_units_reference": int((measured & (labels == one.reference)).sum()),
        }
        frames.append(pd.DataFrame(columns))
    if not frames:
        return empty
    table = pd.concat(frames, ignore_index=True)
    return table.sort_values(["contrast", "wavelength_nm"], kind="stable", ignore_index=True)


def _unit_means(layout: Layout, units: Sequence[str], spectra: Spectra) -> Array:
    """Return mean spectra of experimental units; a whole plot has the mean of its units.

    Returns
    -------
    ndarray
        Shape ``(n_units, n_sessions, n_wavelengths)``, ``NaN`` where a unit was not measured.
    """
    held = [layout.parts.get(unit, (unit,)) for unit in units]
    flat = [part for parts in held for part in parts]
    means = unit_spectra(spectra.reflectance, spectra.rows, flat, layout.sessions)
    if not layout.parts:
        return means
    out = np.full((len(units), *means.shape[1:]), np.nan)
    first = 0
    for i, parts in enumerate(held):
        own = means[first : first + len(parts)]
        first += len(parts)
        count = np.isfinite(own).sum(axis=0)
        out[i] = np.where(count > 0, np.nansum(own, axis=0) / np.maximum(count, 1), np.nan)
    return out


def _mean_before(start: Array) -> Array:
    """Return the mean of the before sessions that a unit has, each less its own shift.

    As for the indices (:func:`leafledger.effects.changes.sample`): the shift of a session is
    estimated from the units that have them all.
    """
    here = np.asarray(np.isfinite(start).all(axis=2), dtype=bool)
    whole = np.asarray(here.all(axis=1), dtype=bool)
    shift = np.zeros(start.shape[1:])
    if whole.any():
        level = start[whole].mean(axis=0)
        shift = level - level.mean(axis=0)
    some = np.asarray(here.any(axis=1), dtype=bool) if whole.any() else whole
    count = np.maximum(here.sum(axis=1), 1)[:, None]
    moved = np.where(here[:, :, None], start - np.where(whole[:, None, None], 0.0, shift), 0.0)
    return np.where(some[:, None], moved.sum(axis=1) / count, np.nan)


def _units(layout: Layout, asked: Sequence[Contrast]) -> tuple[list[str], NDArray[np.int64]]:
    """Return the units of all treatments that are compared, by id, and their treatment."""
    arms = {level for c in asked for level in (c.level, c.reference)}
    label_of = {
        unit: k
        for k, (level, arm) in enumerate(layout.levels.items())
        if level in arms
        for unit in arm
    }
    units = sorted(label_of)
    return units, np.array([label_of[unit] for unit in units], dtype=np.int64)

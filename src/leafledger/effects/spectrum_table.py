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
from leafledger.study.spectra import load_spectra

if TYPE_CHECKING:
    import pandas as pd


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
    means = unit_spectra(
        spectra.reflectance, _by_owner(layout, spectra.rows), units, layout.sessions
    )
    # Without a before session the values themselves are compared.
    before = means[:, : len(layout.before)].mean(axis=1, keepdims=True) if layout.before else 0.0
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


def _by_owner(layout: Layout, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with whole plots in the place of their units, where plots were treated."""
    if not layout.parts:
        return rows
    owner = layout.owner
    return rows.assign(
        unit=[owner.get(unit, "") for unit in rows["unit"]],
        leaf=[
            f"{unit}\n{leaf or scan}"
            for unit, leaf, scan in zip(rows["unit"], rows["leaf"], rows["scan"], strict=True)
        ],
    )


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

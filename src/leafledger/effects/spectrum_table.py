"""The table ``spectrum_effects.csv``: the band of every difference in change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.contrasts import contrasts
from leafledger.effects.layout import DIFFERENCE, Contrast, Layout
from leafledger.effects.plan import Plan
from leafledger.effects.whole_spectrum import simultaneous_band, unit_spectra
from leafledger.records.job import Job
from leafledger.study.columns import SPECTRUM_EFFECTS
from leafledger.study.spectra import load_spectra

if TYPE_CHECKING:
    import pandas as pd


def spectrum_table(job: Job, layout: Layout, plan: Plan) -> pd.DataFrame:
    """Return the rows of ``spectrum_effects.csv`` for every contrast that the design allows."""
    import pandas as pd

    empty = pd.DataFrame(columns=list(SPECTRUM_EFFECTS))
    asked = [c for c in contrasts(layout) if c.question == DIFFERENCE and not c.obstacle]
    if not layout.word or not asked:
        return empty
    spectra = load_spectra(
        job.by_session("reflectance"),
        job.inputs["accepted"],
        job.inputs["range"],
        job.settings["units"],
        sessions=layout.sessions,
    )
    units = sorted(unit for arm in layout.levels.values() for unit in arm)
    means = unit_spectra(spectra.reflectance, spectra.rows, units, layout.sessions)
    before = means[:, : len(layout.before)].mean(axis=1)
    frames = []
    for contrast in asked:
        change = means[:, layout.sessions.index(contrast.after)] - before
        frame = _contrast_band(contrast, layout, plan, units, change)
        if frame is not None:
            frames.append(frame.assign(wavelength_nm=spectra.wavelength_nm))
    if not frames:
        return empty
    table = pd.concat(frames, ignore_index=True)
    return table.sort_values(["contrast", "wavelength_nm"], kind="stable", ignore_index=True)


def _contrast_band(
    contrast: Contrast,
    layout: Layout,
    plan: Plan,
    units: Sequence[str],
    change: NDArray[np.float64],
) -> pd.DataFrame | None:
    """Return the band of one contrast; ``None`` with fewer than two units in an arm."""
    import pandas as pd

    two = {*layout.levels[contrast.level], *layout.levels.get(contrast.reference, ())}
    rows = [i for i, u in enumerate(units) if u in two and np.isfinite(change[i]).all()]
    treated = np.array([units[i] in layout.levels[contrast.level] for i in rows], dtype=bool)
    n, n_reference = int(treated.sum()), int((~treated).sum())
    if min(n, n_reference) < 2:
        return None
    blocks = [layout.blocks.get(units[i], "") for i in rows]
    band = simultaneous_band(change[rows], treated, blocks, plan.level, plan.n_draws, plan.seed)
    columns = {
        "contrast": contrast.name,
        "estimate": band.estimate,
        "low": band.low,
        "high": band.high,
        "n_units": n,
        "n_units_reference": n_reference,
    }
    return pd.DataFrame(columns)

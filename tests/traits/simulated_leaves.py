"""Leaves and coefficients for the tests of the leaf model, made at test time.

The coefficients are those of the package prosail, which declares no licence: they are used here and
written to temporary folders only, never into the repository.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from prosail import spectral_lib

from leafledger.traits.leaf_model import Coefficients, simulate

Floats = NDArray[np.float64]
MODEL_NM = np.arange(400.0, 2501.0)


def coefficients(without: tuple[str, ...] = ()) -> Coefficients:
    """Return the coefficients of PROSPECT-D, 400 to 2500 nm in steps of 1 nm."""
    own = spectral_lib.prospectd
    absorption = {
        "chlorophyll": own.kab,
        "carotenoids": own.kcar,
        "anthocyanins": own.kant,
        "brown_pigments": own.kbrown,
        "water": own.kw,
        "dry_matter": own.km,
    }
    kept = {name: np.array(k) for name, k in absorption.items() if name not in without}
    return Coefficients(MODEL_NM, np.array(own.nr), kept)


def write_table(path: Path, table: Coefficients | None = None, step: int = 1) -> Path:
    """Write the table of coefficients as a study has it."""
    table = table or coefficients()
    columns = {
        "wavelength_nm": table.wavelength_nm,
        "refractive_index": table.refractive_index,
        **table.absorption,
    }
    lines = [",".join(columns)]
    rows = np.column_stack([*columns.values()])[::step]
    lines += [",".join(f"{value:.10g}" for value in row) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def drawn(n: int, seed: int) -> dict[str, Floats]:
    """Return contents of leaves from pale to dark, thin to thick, green to reddish."""
    rng = np.random.default_rng(seed)
    chlorophyll = rng.uniform(5, 80, n)
    return {
        "structure": rng.uniform(1.2, 2.4, n),
        "chlorophyll": chlorophyll,
        "carotenoids": 2 + chlorophyll * rng.uniform(0.12, 0.25, n),
        "anthocyanins": rng.uniform(0.5, 6, n),
        "water": rng.uniform(0.004, 0.025, n),
        "dry_matter": rng.uniform(0.002, 0.015, n),
        "gloss": rng.normal(0, 0.01, n),
    }


def spectra(leaves: dict[str, Floats], axis: Floats) -> tuple[Coefficients, Floats]:
    """Return the coefficients on an axis, and the reflectance of the leaves there."""
    table = coefficients().at(axis)
    return table, simulate(table, leaves)[0]

"""Leaf reflectance from pigments, water and structure, by the model PROSPECT-D.

References
----------
Feret, Gitelson, Noble & Jacquemoud 2017, Remote Sensing of Environment 193:204-215.
"""

from __future__ import annotations

import numpy as np

from seedlings.scenario import Array

MODEL_NM = np.arange(400.0, 2501.0)
ADVICE = (
    "The demo generator needs the package prosail (the leaf model PROSPECT-D), which is part of "
    "the development set-up only. Run `make test` once: it installs it. Then run the generator "
    "with .venv/bin/python."
)


class ModelMissing(Exception):
    """The leaf model is not installed."""


def reflectance(parameters: Array, wavelength_nm: Array) -> Array:
    """Return the reflectance of leaves.

    Parameters
    ----------
    parameters
        Shape ``(n_leaves, 6)`` in the order of ``scenario.PARAMETERS``.
    wavelength_nm
        Shape ``(n_wavelengths,)``. The model begins at 400 nm; below, its value at 400 nm is held.

    Returns
    -------
    Array
        Shape ``(n_leaves, n_wavelengths)``, a fraction.

    Raises
    ------
    ModelMissing
        If the package prosail is not installed.
    """
    try:
        from prosail import run_prospect
    except ImportError as error:
        raise ModelMissing(ADVICE) from error
    out = np.empty((len(parameters), len(wavelength_nm)))
    for row, (structure, cab, car, ant, water, dry) in enumerate(parameters):
        _, model, _ = run_prospect(
            structure, cab, car, 0.0, water, dry, ant=ant, prospect_version="D"
        )
        out[row] = np.interp(wavelength_nm, MODEL_NM, model)
    return out

"""What a latent variable looks at, in plain words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
REGIONS: tuple[tuple[str, float, float], ...] = (
    ("ultraviolet", 0.0, 400.0),
    ("blue", 400.0, 500.0),
    ("green", 500.0, 600.0),
    ("red", 600.0, 680.0),
    ("red edge", 680.0, 750.0),
    ("near-infrared", 750.0, 1300.0),
    ("first shortwave infrared", 1300.0, 1900.0),
    ("second shortwave infrared", 1900.0, 2600.0),
)
"""Name, start (in) and stop (out) in nm; limits as commonly drawn (common practice, no source)."""
_VISIBLE = ("blue", "green", "red")
TELLING = 0.15
"""A region is named if it holds at least this share of its side's squared loading."""
ONE_SIDED = 0.95
"""Share of the squared loading of one sign from which there is nothing to compare."""


def component_words(loading: Array, wavelength_nm: Array, *, noise: bool = False) -> str:
    """Return one sentence on what a latent variable compares.

    Parameters
    ----------
    loading
        Shape ``(n_wavelengths,)``; its overall sign has no meaning.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    noise
        Whether the loading changes from resample to resample.

    Examples
    --------
    >>> axis = np.array([450.0, 550.0, 650.0, 800.0, 900.0])
    >>> component_words(np.array([-0.4, -0.4, -0.4, 0.5, 0.5]), axis)
    'compares near-infrared with visible'
    >>> component_words(np.array([0.1, 0.1, 0.1, 0.6, 0.6]), axis)
    'follows near-infrared up and down'
    """
    if noise:
        return "changes from resample to resample: noise, not to be read"
    squared = loading**2
    total = float(squared.sum())
    if total <= 0:
        return "empty"
    sides = []
    for sign in (1, -1):
        own = np.where(sign * loading > 0, squared, 0.0) / total
        size = float(own.sum())
        sides.append((size, _regions(own / size if size > 0 else own, wavelength_nm)))
    sides.sort(key=lambda side: -side[0])
    (most, first), (_, second) = sides
    if most >= ONE_SIDED or not second:
        names = _listed(first) or "many wavelengths"
        everything = _spread(loading)
        if everything:
            return "follows the brightness of the whole spectrum"
        return f"follows {names} up and down"
    return f"compares {_listed(first) or 'many wavelengths'} with {_listed(second)}"


def _spread(loading: Array) -> bool:
    """Return whether all wavelengths move together, within half of the mean size."""
    size = np.abs(loading)
    return bool(size.min() >= size.mean() / 2)


def _regions(share: Array, wavelength_nm: Array) -> list[str]:
    """Return the regions that hold a telling share of one side, most first."""
    found = []
    for name, start, stop in REGIONS:
        own = float(share[(wavelength_nm >= start) & (wavelength_nm < stop)].sum())
        if own >= TELLING:
            found.append((own, name))
    names = [name for _, name in sorted(found, key=lambda pair: -pair[0])]
    if all(name in names for name in _VISIBLE):
        at = min(names.index(name) for name in _VISIBLE)
        names = [name for name in names if name not in _VISIBLE]
        names.insert(at, "visible")
    return names


def _listed(names: Sequence[str]) -> str:
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"

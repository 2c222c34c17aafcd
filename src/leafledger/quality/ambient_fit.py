"""How much of a measured leak stands in each leaf scan: the ambient scan as a template.

Lines need no template. Light of an LED or of the day is smooth, and a leaf is smooth too: only
the scans of a session held against each other, with the leak's own spectrum known, can show it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag
from leafledger.quality.foretold import LeftOver, left_over
from leafledger.quality.index_shift import IndexShifts, tolerated_leak

Floats = NDArray[np.float64]

FIT_NM = (420.0, 700.0)
"""Where leaves are dark and a leak is large beside them."""
FIT_Z = 8.0
"""Robust standard deviations of the amounts of the session's own leaves."""
LEAST_LEAK = 0.01
"""Reflectance; less is not told from the differences of leaves."""
FEWEST_SCANS = 30
_N_LEAF_SHAPES = 5
_BENT = (0, 1)
"""Shapes whose squares count too: pale leaves do not follow a straight line."""
_MEAN_OVER_NM = 4.0


def leak_amounts(
    wavelength_nm: Floats, reflectance: Floats, template: Floats, usable: NDArray[np.bool_]
) -> LeftOver | None:
    """Fit the ambient light into every leaf scan by least squares.

    Parameters
    ----------
    wavelength_nm, usable
        Axis (nm), and where the white had signal, shape ``(n_wavelengths,)``.
    reflectance
        Leaf scans of a session, shape ``(n_scans, n_wavelengths)``.
    template
        Share of the white that the ambient scan saw, shape ``(n_wavelengths,)``.

    Returns
    -------
    LeftOver or None
        Amount of the ambient light in each scan, in units of the ambient scan and against the
        other leaves; ``None`` with fewer than 30 scans or without the axis.

    Notes
    -----
    The least-squares amount of the template in a scan is taken, and the scan without it is
    described by its scores on the principal components of all scans without it: these know the
    leaf and not the leak. They foretell what amount the leaf by itself would seem to have; what
    is left over is the leak. A leak that all leaves of the session share does not show here: the
    ambient scan itself tells it.
    """
    inside = usable & (wavelength_nm >= FIT_NM[0]) & (wavelength_nm <= FIT_NM[1])
    spacing = float(np.median(np.diff(wavelength_nm)))
    n_means = int(inside.sum()) // max(1, round(_MEAN_OVER_NM / spacing))
    if len(reflectance) < FEWEST_SCANS or n_means < 4 * _N_LEAF_SHAPES:
        return None
    own = _means(reflectance[:, inside], n_means)
    leak = _means(template[None, inside], n_means)[0]
    size = float(leak @ leak)
    if size <= 0:
        return None
    amount = own @ leak / size
    without = own - np.outer(amount, leak)
    without = without - np.median(without, axis=0)
    shapes = np.linalg.svd(without, full_matrices=False)[2][:_N_LEAF_SHAPES]
    return left_over(amount, without @ shapes.T, _BENT)


def _means(spectra: Floats, n_means: int) -> Floats:
    parts = np.array_split(np.arange(spectra.shape[1]), n_means)
    return np.column_stack([spectra[:, part].mean(axis=1) for part in parts])


def leaks_like(
    scans: Sequence[str],
    amounts: LeftOver,
    name: str,
    largest: float,
    at_nm: float,
    limit: float,
    light: str,
    u: Floats | None = None,
    moved: IndexShifts | None = None,
) -> list[Flag]:
    """Flag leaf scans with more of the ambient light than the leaves around them (a fault).

    Parameters
    ----------
    scans
        Leaf scans, length ``n_scans``.
    amounts
        From :func:`leak_amounts`.
    name, largest, at_nm, light
        The ambient scan: id, its largest share of the white, where, and its light in words.
    limit
        Share of the white that is tolerated.
    u
        Combined standard uncertainty of reflectance at ``at_nm``, shape ``(n_scans,)``; ``None``
        if unknown.
    moved
        Which index the light moves most in each scan; ``None`` if not known.
    """
    share, z = amounts.left * largest, amounts.left / amounts.scale
    tolerated = np.maximum(tolerated_leak(share, limit, u, moved), LEAST_LEAK)
    over = amounts.judged & (share > tolerated) & (z > FIT_Z)
    return [
        Flag(
            scans[i],
            "ambient_light",
            "fault",
            float(share[i]),
            float(tolerated[i]),
            "1",
            f"Light like that of the ambient scan {name} ({light}) reached the detector: it adds "
            f"{100 * share[i]:.2g} % reflectance near {at_nm:.0f} nm to this leaf, "
            f"{z[i]:.1f} standard deviations above the other leaves of the session"
            + (f"; {moved.words(i)}" if moved is not None and moved.ratio[i] > 1 else "")
            + ". The clip was probably open.",
            at_nm,
        )
        for i in np.flatnonzero(over).tolist()
    ]

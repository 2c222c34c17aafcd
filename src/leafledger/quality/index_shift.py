"""By how much does light that was added to a leaf move the indices in use?

A leak of light matters if it moves a number that the study rests on. A narrow line of a lamp can
move an index by many of its standard uncertainties where it moves reflectance by less than one:
what all wavelengths share cancels in a ratio, and the line does not.

References
----------
Standard uncertainty of an index: JCGM 100:2008 (GUM), equations 10 and 13, as the rule `indices`
has it (docs/indices.md).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.spectra.bands import covers, weights_matrix
from leafledger.spectra.formula import Node, bands_of, evaluate, parse
from leafledger.study.table_files import SHARED_SOURCES, read_json

if TYPE_CHECKING:
    from leafledger.study.table_files import SpectraTable

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class IndexInUse:
    """An index that the study computes: its id and its formula."""

    index: str
    formula: Node


@dataclass(frozen=True)
class IndexShifts:
    """The index that an added light moves most in each scan, shapes ``(n_scans,)``.

    Attributes
    ----------
    index
        Its id; empty where no index is moved.
    shift
        Change of its value by the light, in its own unit.
    u
        Its combined standard uncertainty.
    """

    index: NDArray[np.str_]
    shift: Floats
    u: Floats

    @property
    def ratio(self) -> Floats:
        """Size of the change in standard uncertainties; 0 where no index is moved."""
        return np.divide(np.abs(self.shift), self.u, out=np.zeros_like(self.u), where=self.u > 0)

    def words(self, row: int) -> str:
        """Return which index is moved by how much, in words."""
        return (
            f"it moves {self.index[row]} by {self.shift[row]:+.2g}, its standard uncertainty being "
            f"{self.u[row]:.2g}"
        )


def read_indices(path: Path) -> list[IndexInUse]:
    """Return the indices that the rule `catalogue` lists for the checks of room light."""
    return [
        IndexInUse(str(row["index"]), parse(str(row["formula"])))
        for row in read_json(path)["indices"]
    ]


def tolerated_leak(
    size: Floats, share: float, u: Floats | None, moved: IndexShifts | None
) -> Floats:
    """Return the size from which each leak is a fault, shape ``(n_scans,)``.

    A leak is tolerated up to the larger of the stated share and the uncertainty of reflectance,
    but no further than an index in use is moved by its own uncertainty.

    Parameters
    ----------
    size
        Reflectance that the leak adds where it adds most, shape ``(n_scans,)``.
    share
        Reflectance that room light may add and still be tolerated.
    u
        Combined standard uncertainty of reflectance there; ``None`` if unknown.
    moved
        From :func:`largest_shifts`, for the same scans.
    """
    tolerated = np.full(len(size), share) if u is None else np.maximum(share, u)
    if moved is None:
        return tolerated
    # An index changes in proportion to a small leak: this size moves it by its uncertainty.
    by_index = np.divide(size, moved.ratio, out=np.full(len(size), np.inf), where=moved.ratio > 0)
    return np.asarray(np.minimum(tolerated, by_index), dtype=np.float64)


def largest_shifts(
    indices: Sequence[IndexInUse],
    leaves: SpectraTable,
    source: Callable[[str], Floats | None],
    rows: NDArray[np.intp],
    light: Floats,
    usable: slice,
) -> IndexShifts | None:
    """Find for each scan the index that an added light moves most beyond its uncertainty.

    Parameters
    ----------
    indices
        Indices of the study.
    leaves
        Reflectance of the session.
    source
        Gives a part of its uncertainty by the name of the column, shape as the reflectance;
        ``None`` for a column that is not there. Read only if any index can be moved.
    rows
        Which leaf scans, shape ``(n_scans,)``.
    light
        What the light adds to their reflectance, shape ``(n_scans, n_usable)``.
    usable
        Part of the axis on which the white has signal; indices that read beyond it are left out.

    Returns
    -------
    IndexShifts or None
        ``None`` if the uncertainty of the reflectance is not known.

    Notes
    -----
    1. Bands B_k of reflectance R and of R less the light: weights w_k on the axis.
    2. Change of the index I: I(B(R)) - I(B(R - light)), no linear approximation.
    3. Gradient along the axis: G = sum over k of dI/dB_k w_k.
    4. u^2 = sum G^2 (u_scan^2 + u_noise^2) + sum over shared sources s of (sum G s)^2 +
       (sum G R u_panel)^2.
    """
    spectra = leaves.spectra
    if leaves.metadata.get("u") != "known" or "u_scan" not in spectra:
        return None
    axis, n = leaves.wavelength_nm[usable], len(rows)
    value = spectra["reflectance"][rows, usable]
    best = IndexShifts(np.full(n, "", dtype=object), np.zeros(n), np.zeros(n))
    if not n or not indices:
        return best
    noise = source("u_noise")
    variance = spectra["u_scan"][rows, usable] ** 2
    if noise is not None:
        variance = variance + noise[rows, usable] ** 2
    shared = [source(name) for name in leaves.metadata.get(SHARED_SOURCES) or ()]
    sources = [in_use[rows, usable] for in_use in shared if in_use is not None]
    panel = np.asarray(leaves.metadata.get("panel_u_relative") or 0.0, dtype=np.float64)
    sources.append(value * np.broadcast_to(panel, leaves.wavelength_nm.shape)[usable])
    for in_use in indices:
        bands = bands_of(in_use.formula)
        if not all(covers(axis, band) for band in bands):
            continue
        weights = weights_matrix(axis, bands)
        # 1, 2
        rated = evaluate(in_use.formula, dict(zip(bands, (value @ weights.T).T, strict=True)))
        dark = dict(zip(bands, ((value - light) @ weights.T).T, strict=True))
        without = evaluate(in_use.formula, dark)
        shift = rated.value - without.value
        # 3, 4
        slopes = np.array([rated.slopes.get(band, np.zeros(n)) for band in bands])
        gradient = slopes.T @ weights
        together = sum((gradient * source).sum(axis=1) ** 2 for source in sources)
        u = np.sqrt((gradient**2 * variance).sum(axis=1) + together)
        known = np.isfinite(shift) & np.isfinite(u) & (u > 0)
        ratio = np.divide(np.abs(shift), u, out=np.zeros(n), where=known)
        more = ratio > best.ratio
        best.index[more] = in_use.index
        best.shift[more], best.u[more] = shift[more], u[more]
    return best

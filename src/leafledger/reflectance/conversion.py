"""How do the scans of a session become reflectance on the grid of the study?

A few scans at a time: whites interpolated to the leaf, the measurement equation, the grid; then
what an uncertain wavelength axis adds to the uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.measurement_equation import (
    DarkPart,
    Part,
    WhitePart,
    interpolate,
    reflect,
    source_name,
    source_order,
)
from leafledger.reflectance.references import Blocks, References, Scans, levels

if TYPE_CHECKING:
    import scipy.sparse

Floats = NDArray[np.float64]

UNLIT_U = 1000.0
"""Standard uncertainty written where the white got no light and reflectance cannot be known."""
_ROWS = 256
_NO_LIGHT = 1e30


@dataclass(frozen=True)
class Reflected:
    """Reflectance on the grid, each ``(n_samples, n_wavelengths)``, and where it is not known.

    Attributes
    ----------
    reflectance, u_scan
        Fractions; uncertainties are zeros if the noise of the detector is unknown.
    u_noise
        Standard uncertainty from noise in darks and whites: shared by scans, independent over
        pixels.
    unlit
        Wavelengths that no light reached, shape ``(n_wavelengths,)``.
    shared
        Column -> change of reflectance for one standard uncertainty of a source that moves the
        wavelengths together, with its sign (float32: a session holds many). A session of several
        darks or times numbers those that enter each scan.
    """

    reflectance: Floats
    u_scan: Floats
    u_noise: Floats
    unlit: NDArray[np.bool_]
    shared: dict[str, NDArray[np.float32]] = field(default_factory=dict)

    @property
    def u_reference(self) -> Floats:
        """Standard uncertainty of all that scans share, same shape: noise and every source."""
        total = self.u_noise**2
        for name in sorted(self.shared, key=source_order):
            total += np.square(self.shared[name], dtype=np.float64)
        return np.asarray(np.sqrt(total, out=total), dtype=np.float64)


def to_reflectance(
    scans: Scans,
    references: References,
    panel: float | Floats,
    weights: scipy.sparse.csr_array,
) -> Reflected:
    """Return the reflectance of all leaf scans, in sheet order.

    Independent noise goes through the resampling weights as variance, every source that pixels
    share as a spectrum with its sign. Where a white does not stand above its noise
    (:attr:`Blocks.lit`) there is nothing to divide by: reflectance is written as 0 with
    ``u_scan`` 1000, so that nothing that looks at the uncertainty trusts it.

    Parameters
    ----------
    scans, references
        The session (counts).
    panel
        Reflectance of the white panel, a number or one for each native pixel.
    weights
        Native axis to grid, ``(n_wavelengths, n_pixels)``.
    """
    sample = scans.where("sample")
    out = _blank((len(sample), weights.shape[0]), unlit_on_grid(references, weights))
    for rows, part in _on_grid(scans, references, panel, weights):
        _put(out, rows, part, slice(None))
    return _finished(out, references.noise.known)


class MoreSourcesError(Exception):
    """A leaf scan has a shared source that was not named; ``names`` holds all known by now."""

    def __init__(self, names: frozenset[str]) -> None:
        super().__init__(", ".join(sorted(names)))
        self.names = names


def reflected_parts(
    scans: Scans,
    references: References,
    panel: float | Floats,
    weights: scipy.sparse.csr_array,
    n_rows: int,
    sources: frozenset[str],
) -> Iterator[Reflected]:
    """Yield the reflectance of successive leaf scans, ``n_rows`` at a time, in sheet order.

    The same numbers as :func:`to_reflectance`. Memory does not grow with the session as long as
    leaf scans that share their references stand near each other in the sheet.

    Parameters
    ----------
    scans, references, panel, weights
        As of :func:`to_reflectance`.
    n_rows
        Scans of a part; the last may hold fewer.
    sources
        Names of the shared sources. Each part has all of them, zero where a scan has none.

    Raises
    ------
    MoreSourcesError
        If a scan has a source that is not among them.
    """
    n_samples, unlit = len(scans.where("sample")), unlit_on_grid(references, weights)
    waiting: dict[int, Reflected] = {}
    left: dict[int, int] = {}
    first = 0
    for rows, part in _on_grid(scans, references, panel, weights):
        if not sources >= part.shared.keys():
            raise MoreSourcesError(sources | part.shared.keys())
        for number in np.unique(rows // n_rows).tolist():
            if number not in waiting:
                left[number] = min(n_rows, n_samples - number * n_rows)
                waiting[number] = _blank((left[number], weights.shape[0]), unlit)
                for name in sources:
                    waiting[number].shared[name] = np.zeros(
                        waiting[number].reflectance.shape, dtype=np.float32
                    )
            here = rows // n_rows == number
            _put(waiting[number], rows[here] - number * n_rows, part, here)
            left[number] -= int(here.sum())
        while first in waiting and not left[first]:
            yield _finished(waiting.pop(first), references.noise.known)
            first += 1


def unlit_on_grid(references: References, weights: scipy.sparse.csr_array) -> NDArray[np.bool_]:
    """Return the wavelengths of the grid that no light reached, shape ``(n_wavelengths,)``."""
    dark = (~references.blocks.lit).astype(np.float64)
    return np.asarray(abs(weights) @ dark > 0, dtype=bool)


def _blank(shape: tuple[int, int], unlit: NDArray[np.bool_]) -> Reflected:
    return Reflected(np.empty(shape), np.zeros(shape), np.zeros(shape), unlit)


def _on_grid(
    scans: Scans,
    references: References,
    panel: float | Floats,
    weights: scipy.sparse.csr_array,
) -> Iterator[tuple[NDArray[np.intp], Reflected]]:
    """Yield places of leaf scans that share blocks and time, and what they are on the grid.

    In the order of the first of each; where the noise is not known, reflectance alone.
    """
    sample = scans.where("sample")
    lit, unlit = references.blocks.lit, unlit_on_grid(references, weights)
    squared = weights.multiply(weights).tocsr()
    # A huge rate where there is no light: finite numbers, overwritten at the end.
    shaded = replace(references.blocks, rate=np.where(lit, references.blocks.rate, _NO_LIGHT))
    groups = _groups(references, scans.integration_ms[sample])
    for rows in sorted(groups, key=lambda members: int(members[0])):
        part = _reflect(scans, references, shaded, rows, panel)
        value = (weights @ part.reflectance.T).T
        if not references.noise.known:
            yield rows, Reflected(value, np.zeros((len(rows), 1)), np.zeros((len(rows), 1)), unlit)
            continue
        u_scan = np.sqrt(squared @ part.scan.T).T
        u_noise = np.sqrt(squared @ part.reference.T).T
        shared = {
            name: np.asarray((weights @ change.T).T, dtype=np.float32)
            for name, change in part.shared.items()
        }
        yield rows, Reflected(value, u_scan, u_noise, unlit, shared)


def _put(
    out: Reflected,
    places: NDArray[np.intp],
    part: Reflected,
    which: slice | NDArray[np.bool_],
) -> None:
    """Put some scans of a part at their places."""
    out.reflectance[places] = part.reflectance[which]
    out.u_scan[places] = part.u_scan[which]
    out.u_noise[places] = part.u_noise[which]
    for name, change in part.shared.items():
        column = out.shared.setdefault(name, np.zeros(out.reflectance.shape, dtype=np.float32))
        column[places] = change[which]


def _finished(out: Reflected, known: bool) -> Reflected:
    """Write over the wavelengths that no light reached."""
    out.reflectance[:, out.unlit] = 0.0
    if known:
        out.u_scan[:, out.unlit] = UNLIT_U
        out.u_noise[:, out.unlit] = 0.0
        for column in out.shared.values():
            column[:, out.unlit] = 0.0
    return out


def _groups(references: References, integration_ms: Floats) -> Iterator[NDArray[np.intp]]:
    """Yield leaf scans that share blocks and integration time, at most 256 together."""
    choice = references.choice
    keys = np.stack([choice.before, choice.after, integration_ms], axis=1)
    _, inverse = np.unique(keys, axis=0, return_inverse=True)
    order = np.argsort(inverse.ravel(), kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(inverse.ravel()[order])) + 1):
        for start in range(0, len(rows), _ROWS):
            yield rows[start : start + _ROWS]


def _reflect(
    scans: Scans,
    references: References,
    blocks: Blocks,
    rows: NDArray[np.intp],
    panel: float | Floats,
) -> Part:
    """Return the reflectance of leaf scans that share blocks and integration time."""
    leaves = scans.where("sample")[rows]
    time_ms = float(scans.integration_ms[leaves[0]])
    darks = references.darks
    of_one = references.noise.dark_variance(scans.averages[scans.where("dark")])
    dark = DarkPart(darks.at(time_ms), darks.weights(time_ms), darks.variance(of_one), darks.spread)
    return reflect(
        scans.counts[leaves],
        time_ms,
        scans.averages[leaves],
        dark,
        _white(references, blocks, scans.wavelength_nm, rows),
        panel,
        references.linearity,
        references.noise,
        references.stray,
        references.times,
    )


def _white(
    references: References,
    blocks: Blocks,
    wavelength_nm: Floats,
    rows: NDArray[np.intp],
) -> WhitePart:
    """Return the white rate of leaf scans that share their blocks."""
    choice = references.choice
    before, after = int(choice.before[rows[0]]), int(choice.after[rows[0]])
    if before >= 0 and after >= 0:
        ends = [_of_block(references, blocks, block) for block in (before, after)]
        return interpolate(ends[0], ends[1], choice.after_weight[rows])
    block = before if before >= 0 else after
    white = _of_block(references, blocks, block)
    if references.averaged:
        # The mean of all whites is uncertain by their range, taken as rectangular.
        u = float(np.ptp(levels(references.whites.rate, wavelength_nm)) / np.sqrt(12))
        return replace(white, drift=np.where(white.rate < _NO_LIGHT, u * white.rate, 0.0))
    return replace(white, drift=_one_sided_drift(blocks, block, before >= 0, choice.gap_s[rows]))


def _of_block(references: References, blocks: Blocks, block: int) -> WhitePart:
    """Return one block as it stands, without drift."""
    shares = blocks.time_shares[block][:, None, :]
    return WhitePart(
        rate=blocks.rate[block][None],
        variance=blocks.variance[block][None],
        drift=np.zeros((1, 1)),
        dark_slope=blocks.dark_slope[block][:, None, :],
        stray=float(blocks.stray_rate[block]),
        bends=blocks.bends[block][:, None, :],
        time_shares=shares if references.times is not None else shares[:0],
    )


def _one_sided_drift(blocks: Blocks, block: int, leaf_is_later: bool, gap_s: Floats) -> Floats:
    """Uncertainty, with its sign, of a white rate used away from its time: (n_scans, n_pixels).

    The lamp may have gone on changing as fast as between this block and its neighbour (the one
    on the leaf's side if there is one), either way: rectangular, half width = that change
    x gap / time between the blocks. With one block in the session it is not known, and zero.
    """
    if len(blocks.rate) < 2:
        return np.zeros((len(gap_s), blocks.rate.shape[1]))
    other = block + (1 if leaf_is_later else -1)
    if not 0 <= other < len(blocks.rate):
        other = 2 * block - other
    change = blocks.rate[other] - blocks.rate[block]
    between = max(abs(blocks.time_s[other] - blocks.time_s[block]), 1.0)
    return np.asarray(gap_s[:, None] / between * change / np.sqrt(3), dtype=np.float64)


# Uncertainty of the wavelengths
# ----------------------------------------------------------------------


def with_axis_doubt(reflected: Reflected, grid_nm: Floats, modes_nm: Floats) -> Reflected:
    """Add the uncertainty of the wavelengths to what all scans share.

    Parameters
    ----------
    reflected
        Reflectance on the grid.
    grid_nm
        Shape ``(n_wavelengths,)``, nm.
    modes_nm
        One standard deviation of the axis along each independent direction in which its correction
        is uncertain, shape ``(n_modes, n_wavelengths)``, nm.

    Returns
    -------
    Reflected
        With a source ``u_axis``, ``u_axis_2`` ... for each mode: minus the slope dR / dwavelength
        times the mode. One shift moves all scans of a session, and all wavelengths, alike.

    References
    ----------
    JCGM 100:2008 (GUM), equations 10 and 13.
    """
    lit = np.flatnonzero(~reflected.unlit)
    if len(lit) < 2:
        return reflected
    # What is written where there is no light (0) makes no slope: the nearest lit value stands in.
    near = lit[np.clip(np.searchsorted(lit, np.arange(len(grid_nm))), 0, len(lit) - 1)]
    shape = reflected.reflectance.shape
    names = [source_name("axis", place) for place in range(len(modes_nm))]
    sources = {name: np.zeros(shape, dtype=np.float32) for name in names}
    for start in range(0, len(reflected.reflectance), _ROWS):
        rows = slice(start, start + _ROWS)
        slope = np.gradient(reflected.reflectance[rows][:, near], grid_nm, axis=1)
        for name, mode in zip(names, modes_nm, strict=True):
            sources[name][rows] = -slope * mode
    for column in sources.values():
        column[:, reflected.unlit] = 0.0
    return replace(reflected, shared={**reflected.shared, **sources})

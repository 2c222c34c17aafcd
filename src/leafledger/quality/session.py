"""What do the checks know of one session, and what do they return?

Raw scans and reflectance in one place, with what follows from both: white less dark, counts per ms,
uncertainty, the signal-to-noise of the white wavelength by wavelength, and by how much added light
moves the indices in use.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from leafledger.records.record import Metric
from leafledger.resampling.intervals import robust_sd
from leafledger.spectra.formula import Node, bands_of, evaluate, parse
from leafledger.spectra.grid import covers, weights_matrix
from leafledger.study.table_files import (
    ROWS_PER_GROUP,
    SHARED_SOURCES,
    read_json,
    spectra_by_group,
    spectra_of_rows,
)
from leafledger.study.tables import QUALITY

if TYPE_CHECKING:
    import pyarrow as pa

    from leafledger.study.table_files import SpectraTable


# Shifts of indices by added light
# (uncertainty: JCGM 100:2008 (GUM), equations 10 and 13, as in the rule `indices`)
# ----------------------------------------------------------------------
# A leak of light matters if it moves a number that the study rests on. A narrow line of a lamp can
# move an index by many of its standard uncertainties where it moves reflectance by less than one:
# what all wavelengths share cancels in a ratio, and the line does not.

Floats = NDArray[np.float64]
Source = Callable[[str, NDArray[np.intp]], Floats | None]
"""Gives a part of the uncertainty of reflectance by its column and the leaf scans that are asked
for, shape ``(n_asked, n_wavelengths)``; ``None`` for a column that is not there."""


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
    source: Source,
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
        Gives a part of its uncertainty. Read only if any index can be moved, some scans at a time.
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
    if leaves.metadata.get("u") != "known" or "u_scan" not in leaves.spectra:
        return None
    starts = range(0, max(len(rows), 1), ROWS_PER_GROUP)
    parts = [slice(start, start + ROWS_PER_GROUP) for start in starts]
    found = [_shifts_of_some(indices, leaves, source, rows[p], light[p], usable) for p in parts]
    return IndexShifts(
        np.concatenate([some.index for some in found]),
        np.concatenate([some.shift for some in found]),
        np.concatenate([some.u for some in found]),
    )


def _shifts_of_some(
    indices: Sequence[IndexInUse],
    leaves: SpectraTable,
    source: Source,
    rows: NDArray[np.intp],
    light: Floats,
    usable: slice,
) -> IndexShifts:
    """Do the steps of :func:`largest_shifts` for so many scans as memory has room for."""
    spectra = leaves.spectra
    axis, n = leaves.wavelength_nm[usable], len(rows)
    value = spectra["reflectance"][rows, usable]
    best = IndexShifts(np.full(n, "", dtype=object), np.zeros(n), np.zeros(n))
    if not n or not indices:
        return best
    noise = source("u_noise", rows)
    variance = spectra["u_scan"][rows, usable] ** 2
    if noise is not None:
        variance = variance + noise[:, usable] ** 2
    shared = [source(name, rows) for name in leaves.metadata.get(SHARED_SOURCES) or ()]
    sources = [in_use[:, usable] for in_use in shared if in_use is not None]
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


# The session
# ----------------------------------------------------------------------


def dark_for(integration_ms: float, darks: Floats, times_ms: Floats, n_pixels: int) -> Floats:
    """Return the median dark of this integration time (else of the nearest one; zeros if none).

    Parameters
    ----------
    integration_ms
        Integration time wanted, ms; NaN if unknown (then all darks count).
    darks
        Shape ``(n_darks, n_pixels)``, counts.
    times_ms
        Integration time of each dark, ms, shape ``(n_darks,)``; NaN if unknown.
    n_pixels
        Pixels of the detector.
    """
    if len(darks) == 0:
        return np.zeros(n_pixels)
    if np.isnan(integration_ms) or np.isnan(times_ms).all():
        return np.asarray(np.median(darks, axis=0), dtype=np.float64)
    gap = np.abs(times_ms - integration_ms)
    return np.asarray(np.median(darks[gap == np.nanmin(gap)], axis=0), dtype=np.float64)


def dark_noise(darks: Floats, integration_ms: Floats) -> float | None:
    """Return the noise of one dark from scan to scan, counts; ``None`` without a repeat.

    Successive darks of one integration time are subtracted, so that the fixed pattern and slow
    drift are no noise.
    """
    times = np.where(np.isnan(integration_ms), -1.0, integration_ms)
    pairs = []
    for time in np.unique(times):
        step = np.diff(darks[times == time], axis=0)
        pairs += [float(robust_sd(row) / np.sqrt(2)) for row in step]
    return float(np.median(pairs)) if pairs else None


def raw_digest(values: NDArray[np.float64]) -> str:
    """Return a digest of the raw values of one scan, equal only if all of them are."""
    return hashlib.sha256(np.ascontiguousarray(values, dtype=np.float64).data).hexdigest()


@dataclass(frozen=True)
class Session:
    """The raw scans of a session and the reflectance of its leaves."""

    scans: SpectraTable
    leaves: SpectraTable
    indices: Sequence[IndexInUse] = ()
    """Indices of the study that light of a room can move."""
    reflectance_file: Path | None = None
    """File of ``leaves``, for those parts of its uncertainty that few checks ask for."""

    def uncertainty_source(self, name: str, rows: NDArray[np.intp]) -> Floats | None:
        """Return a part of the uncertainty of some leaf scans, as :data:`Source` says."""
        if self.reflectance_file is None:
            return None
        return spectra_of_rows(self.reflectance_file, name, rows)

    @cached_property
    def ids(self) -> list[str]:
        """Scan ids in sheet order."""
        return [str(s) for s in self.scans.rows["scan"]]

    @cached_property
    def roles(self) -> list[str]:
        """Roles in sheet order."""
        return [str(r) for r in self.scans.rows["role"]]

    @cached_property
    def leaf_ids(self) -> list[str]:
        """Ids of the leaf scans, in the order of the reflectance."""
        return [str(s) for s in self.leaves.rows["scan"]]

    @property
    def in_counts(self) -> bool:
        """Whether the raw values are counts, not reflectance."""
        return "counts" in self.scans.spectra

    @property
    def raw(self) -> Floats:
        """Raw values, shape ``(n_scans, n_pixels)``."""
        return self.scans.spectra["counts" if self.in_counts else "reflectance"]

    @cached_property
    def digests(self) -> list[str]:
        """Digest of the raw values of each scan, equal only if all values are."""
        return [raw_digest(values) for values in self.raw]

    @cached_property
    def integration_ms(self) -> Floats:
        """Integration time per scan, ms; NaN if unknown."""
        return np.asarray(self.scans.rows["integration_ms"], dtype=np.float64)

    @cached_property
    def seconds(self) -> Floats:
        """Time of each scan in s; NaN if unknown."""
        stamps = np.asarray(self.scans.rows["time"], dtype="datetime64[ms]")
        out = stamps.astype(np.int64) / 1000.0
        out[np.isnat(stamps)] = np.nan
        return out

    def sound(self, positions: NDArray[np.intp]) -> Floats:
        """Return raw values of the scans at some places, hot pixels interpolated as for leaves.

        Shape ``(n_places, n_pixels)``. Which pixels are hot is told by the reflectance table.
        """
        values = self.raw[positions]
        hot = self.leaves.metadata.get("hot_pixels") or []
        if not hot:
            return values
        pixels = np.arange(values.shape[1], dtype=np.float64)
        kept = np.setdiff1d(np.arange(len(pixels)), hot)
        for row in values:
            row[hot] = np.interp(pixels[hot], pixels[kept], row[kept])
        return values

    def linear(self, above_dark: Floats) -> Floats:
        """Return counts above dark as a linear detector would give them; same shape.

        By the polynomial that the reflectance rests on, told in its table.
        """
        coefficients = self.leaves.metadata.get("linearity_coefficients") or [1.0]
        return np.asarray(above_dark * np.polyval(coefficients[::-1], above_dark))

    def of_role(self, role: str) -> NDArray[np.intp]:
        """Places of the scans of a role, in the order of measuring."""
        positions = np.flatnonzero(np.array(self.roles) == role)
        if not np.isnan(self.seconds[positions]).any():
            positions = positions[np.argsort(self.seconds[positions], kind="stable")]
        return positions

    @cached_property
    def dark_noise(self) -> float | None:
        """Noise of one dark from scan to scan, counts; ``None`` without a repeat."""
        darks = self.of_role("dark")
        return dark_noise(self.raw[darks], self.integration_ms[darks]) if len(darks) else None

    @cached_property
    def white_minus_dark(self) -> Floats:
        """White minus dark, shape ``(n_whites, n_pixels)``, in the order of measuring."""
        whites, darks = self.of_role("white"), self.of_role("dark")
        dark, times = self.sound(darks), self.integration_ms[darks]
        white = self.sound(whites)
        n_pixels = self.raw.shape[1]
        out = np.empty((len(whites), n_pixels))
        white_ms = np.nan_to_num(self.integration_ms[whites], nan=-1.0)
        # One median per integration time: one per white would take time in the square of scans.
        for ms in np.unique(white_ms):
            same_time = white_ms == ms
            level = dark_for(float(ms) if ms >= 0 else np.nan, dark, times, n_pixels)
            out[same_time] = white[same_time] - level
        return out

    @cached_property
    def white_per_ms(self) -> Floats:
        """Linear white minus dark per ms (per scan where a time is unknown), same shape."""
        ms = np.nan_to_num(self.integration_ms[self.of_role("white")], nan=1.0)
        return self.linear(self.white_minus_dark) / ms[:, None]

    def white_signal(self) -> tuple[Floats | None, int]:
        """Return the white's signal-to-noise per pixel and the number of whites it is from.

        Whites at the integration time that most of them have (the longest of equals) are used.
        ``None`` and 0 for data that arrived without whites.
        """
        whites = self.of_role("white")
        if len(whites) == 0 or not self.in_counts:
            return None, 0
        times = np.nan_to_num(self.integration_ms[whites], nan=-1.0)
        kinds, counts = np.unique(times, return_counts=True)
        chosen = times == kinds[counts == counts.max()][-1]
        return white_signal_to_noise(self.white_minus_dark[chosen]), int(chosen.sum())


def combined_uncertainty(
    leaves: SpectraTable, file: Path | None = None
) -> tuple[Floats, Floats] | None:
    """Return the uncertainty of reflectance by the scan alone, and all of it.

    Parameters
    ----------
    leaves
        Reflectance of a session.
    file
        Its file, from which ``u_reference`` is read where ``leaves`` were loaded without it.

    Returns
    -------
    tuple or None
        ``u_scan`` and the combined standard uncertainty (scan, references, panel), each of shape
        ``(n_scans, n_wavelengths)``; ``None`` where they are not known.
    """
    if leaves.metadata.get("u") != "known" or "u_scan" not in leaves.spectra:
        return None
    u_scan = leaves.spectra["u_scan"]
    panel = np.asarray(leaves.metadata.get("panel_u_relative") or 0.0, dtype=np.float64)
    total = np.empty_like(u_scan)
    start = 0
    # Some scans at a time: the squares of a whole session would take as much again as its values.
    for reference in _reference_parts(leaves, file):
        scans = slice(start, start + len(reference))
        of_panel = np.abs(leaves.spectra["reflectance"][scans]) * panel
        total[scans] = np.sqrt(u_scan[scans] ** 2 + reference**2 + of_panel**2)
        start += len(reference)
    return u_scan, total


def _reference_parts(leaves: SpectraTable, file: Path | None) -> Iterator[Floats]:
    """Yield ``u_reference`` of successive scans; zeros where the table has none."""
    shape = leaves.spectra["u_scan"].shape
    loaded = leaves.spectra.get("u_reference")
    if loaded is None and file is not None:
        for table in spectra_by_group(file, ("u_reference",)):
            yield table.spectra.get("u_reference", np.zeros((len(table.rows), shape[1])))
        return
    for start in range(0, shape[0], ROWS_PER_GROUP):
        n = min(ROWS_PER_GROUP, shape[0] - start)
        yield np.zeros((n, shape[1])) if loaded is None else loaded[start : start + n]


# Signal-to-noise of the white
# ----------------------------------------------------------------------

USABLE_SIGNAL_TO_NOISE = 50.0
"""From here up a wavelength takes part in the checks of values (not yet the trusted range)."""
_LARGEST = 1e6
"""More than any detector reaches; only a made-up white without noise comes here."""
_NOISY_PAIR = 3.0
"""A pair this many times as noisy (variance) as the median pair holds a white that failed."""
_SMOOTHED_PIXELS = 9
"""The signal varies little over so few pixels, and its own noise falls to a third."""
_HOT = 15.0
"""A pixel this many times above the fitted variance is hot and tells nothing of the others."""


def usable_pixels(signal: Floats | None, n_pixels: int) -> NDArray[np.bool_]:
    """Return where the white has signal enough for checks of values; everywhere if unknown.

    Parameters
    ----------
    signal
        Signal-to-noise of the white, shape ``(n_pixels,)``, or ``None``.
    n_pixels
        Length of the axis.
    """
    if signal is None:
        return np.ones(n_pixels, dtype=bool)
    return np.asarray(signal >= USABLE_SIGNAL_TO_NOISE, dtype=bool)


def white_signal_to_noise(whites: Floats) -> Floats:
    """Return the signal-to-noise of one white scan, averaged over whites.

    Parameters
    ----------
    whites
        White minus dark, shape ``(n_whites, n_pixels)``, counts, all at one integration time and
        in the order of measuring.

    Returns
    -------
    ndarray
        Shape ``(n_pixels,)``; 0 where there is no signal.

    Notes
    -----
    Noise is what differs from pixel to pixel between successive whites: their difference minus
    the mean of that of the two neighbouring pixels, so that a lamp that drifts or changes colour
    smoothly is not taken for noise. With one white only, its own pixel-to-pixel structure stands
    in, an upper bound. The variance is then fitted over all pixels as a + b S + c S^2 with
    a, b, c >= 0: read noise, shot noise and a part proportional to the signal S.

    References
    ----------
    Mean-variance (photon transfer) method: Janesick 2007, Photon Transfer, SPIE Press (memory).
    """
    from scipy.ndimage import uniform_filter1d

    mean = whites.mean(axis=0)
    if len(whites) > 1:
        # A smooth level first, so that a halved white does not spread its own structure.
        level = np.maximum(np.median(whites, axis=1), 1e-12)
        scaled = whites * (np.median(level) / level)[:, None]
        pairs, n_white = np.diff(scaled, axis=0), 2
    else:
        pairs, n_white = whites, 1
    rest = pairs[:, 1:-1] - (pairs[:, :-2] + pairs[:, 2:]) / 2
    # A white that failed (halved, touched) makes noisy pairs: they tell nothing of the others.
    overall = np.median(rest**2, axis=1)
    sound = overall <= _NOISY_PAIR * np.median(overall)
    variance = (rest[sound] ** 2).mean(axis=0)
    # Of one pixel and the mean of two neighbours: 1 + 1/2 variances for each white of the pair.
    variance = variance / (1.5 * n_white)
    smooth = np.maximum(
        uniform_filter1d(mean, min(_SMOOTHED_PIXELS, len(mean)), mode="nearest"), 0.0
    )
    noise = np.sqrt(_variance_model(smooth[1:-1], variance, smooth))
    return np.asarray(np.clip(smooth / np.maximum(noise, 1e-12), 0, _LARGEST), dtype=np.float64)


def _variance_model(signal: Floats, variance: Floats, levels: Floats) -> Floats:
    """Fit variance = a + b S + c S^2 (none negative) by weighted least squares, at ``levels``."""
    from scipy.optimize import nnls

    scale = max(float(signal.max()), 1e-12)
    terms = np.column_stack([np.ones_like(signal), signal / scale, (signal / scale) ** 2])
    model_variance = np.full(len(signal), max(float(variance.mean()), 1e-300))
    keep = np.ones(len(signal), dtype=bool)
    coefficients = np.zeros(3)
    for _ in range(6):
        weight = 1 / model_variance[keep]
        coefficients, _residual = nnls(terms[keep] * weight[:, None], variance[keep] * weight)
        model_variance = np.maximum(terms @ coefficients, float(variance.mean()) * 1e-6 + 1e-300)
        keep = variance <= _HOT * model_variance
        if keep.sum() < 5:
            break
    fitted = (
        np.column_stack([np.ones_like(levels), levels / scale, (levels / scale) ** 2])
        @ coefficients
    )
    return np.asarray(fitted, dtype=np.float64)


# Noise of a dark leaf
# ----------------------------------------------------------------------

DARK_REFLECTANCE = 0.05
"""What a green leaf reflects in the blue and red."""


def predicted_noise(session: Session, signal_to_noise: Floats) -> Floats | None:
    """Return the noise of one leaf scan at a reflectance of 0.05, shape ``(n_pixels,)``.

    Parameters
    ----------
    session
        The session, in counts.
    signal_to_noise
        Of its white on the raw axis, shape ``(n_pixels,)``.

    Returns
    -------
    ndarray or None
        Standard deviation in reflectance (relative to the panel), NaN where the white has no
        signal. ``None`` without whites, or without two darks of one integration time.

    Notes
    -----
    The white's variance less that of the dark is taken as shot noise, in proportion to the
    signal; a leaf of reflectance 0.05, at the leaves' own integration time and averages, has 0.05
    of that and the whole noise of the dark. Noise of the reference is shared between leaves and
    left out. Stray light is not noise and not seen here.

    References
    ----------
    Mean-variance (photon transfer) method: Janesick 2007, Photon Transfer, SPIE Press (memory).
    """
    whites, darks = session.of_role("white"), session.of_role("dark")
    if not len(whites) or not len(darks):
        return None
    noise = session.dark_noise
    if noise is None:
        return None
    white = np.median(session.white_minus_dark, axis=0)
    leaves = np.flatnonzero(np.array(session.roles) == "sample")
    longer = _ratio(session.integration_ms, leaves, whites)
    averages = np.asarray(session.scans.rows["averages"], dtype=np.float64)
    lit = (white > 0) & (signal_to_noise > 0)
    out = np.full(len(white), np.nan)
    white_lit = white[lit]
    of_dark = noise**2 * _ratio(averages, darks, whites)
    shot = np.maximum((white_lit / signal_to_noise[lit]) ** 2 - of_dark, 0.0)
    variance = (of_dark + DARK_REFLECTANCE * longer * shot) / _ratio(averages, leaves, whites)
    out[lit] = np.sqrt(variance) / (white_lit * longer)
    return out


def _ratio(values: Floats, of: NDArray[np.intp], to: NDArray[np.intp]) -> float:
    """Return the ratio of the medians of two kinds of scan; 1 if one of them is not known."""
    both = [values[scans][np.isfinite(values[scans])] for scans in (of, to)]
    if not len(both[0]) or not len(both[1]):
        return 1.0
    return float(np.median(both[0]) / np.median(both[1]))


# Flags on scans, warnings, numbers; and the table of all flags
# ----------------------------------------------------------------------

Severity = Literal["fault", "outlier", "notice"]
RANK: dict[str, int] = {"fault": 0, "outlier": 1, "notice": 2}
"""Severities, the gravest first."""


@dataclass(frozen=True)
class Flag:
    """What one check found on one scan.

    Attributes
    ----------
    scan, check
        Which scan, which check.
    severity
        ``fault``: the measurement failed; ``outlier``: it disagrees with its group; ``notice``:
        worth knowing, suggests nothing.
    value, threshold, unit
        The number found, the number it was held against, and the unit of both.
    sentence
        The finding in words.
    wavelength_nm
        Where in the spectrum, if the finding has a place.
    """

    scan: str
    check: str
    severity: Severity
    value: float
    threshold: float
    unit: str
    sentence: str
    wavelength_nm: float | None = None


@dataclass
class Findings:
    """What checks return: flags on scans, and warnings and numbers for the record of the task."""

    flags: list[Flag] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    metrics: list[Metric] = field(default_factory=list)

    def __iadd__(self, other: Findings) -> Findings:
        """Take up what another check found, in the order of the checks."""
        self.flags += other.flags
        self.warnings += other.warnings
        self.metrics += other.metrics
        return self


def flag_table(flags: Iterable[Flag]) -> pa.Table:
    """Return the flags as the table of the contract, sorted by scan, check, wavelength."""
    import pyarrow as pa

    rows = sorted(flags, key=lambda f: (f.scan, f.check, f.wavelength_nm or 0.0, f.sentence))
    numbers = {"value", "threshold", "wavelength_nm"}
    return pa.table(
        {
            name: pa.array(
                [getattr(flag, name) for flag in rows],
                type=pa.float64() if name in numbers else pa.string(),
            )
            for name in QUALITY
        }
    )

"""How does a session of counts become a table of reflectance? The rule `reflectance`.

Data that arrive as reflectance skip the arithmetic with references and nothing else: they go to
the same grid and through the same smoothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.records.record import Job, Metric, Outcome
from leafledger.reflectance.measurement_equation import (
    DarkPart,
    Part,
    WhitePart,
    interpolate,
    panel_of,
    reflect,
    source_name,
    source_order,
)
from leafledger.reflectance.references import (
    Blocks,
    References,
    Scans,
    build_references,
    drift_and_outliers,
    fill_defaults,
    levels,
    reference_columns,
    without_hot_pixels,
)
from leafledger.reflectance.wavelength_correction import correct_axis, wavelengths_asked
from leafledger.spectra.grid import resampling_weights, smoothing_weights, target_axis
from leafledger.study.table_files import (
    ROWS_PER_GROUP,
    SHARED_SOURCES,
    SpectraTable,
    read_spectra,
    write_spectra_in_parts,
)
from leafledger.study.tables import REFLECTANCE

if TYPE_CHECKING:
    import scipy.sparse


# Scans of a session on the grid of the study
# ----------------------------------------------------------------------
# A few scans at a time: whites interpolated to the leaf, the measurement equation, the grid; then
# what an uncertain wavelength axis adds to the uncertainty.

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
    n_missing: dict[int, int] = {}
    first = 0
    for rows, part in _on_grid(scans, references, panel, weights):
        if not sources >= part.shared.keys():
            raise MoreSourcesError(sources | part.shared.keys())
        for number in np.unique(rows // n_rows).tolist():
            if number not in waiting:
                n_missing[number] = min(n_rows, n_samples - number * n_rows)
                waiting[number] = _blank((n_missing[number], weights.shape[0]), unlit)
                for name in sources:
                    waiting[number].shared[name] = np.zeros(
                        waiting[number].reflectance.shape, dtype=np.float32
                    )
            here = rows // n_rows == number
            _put(waiting[number], rows[here] - number * n_rows, part, here)
            n_missing[number] -= int(here.sum())
        while first in waiting and not n_missing[first]:
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


def _finished(out: Reflected, noise_known: bool) -> Reflected:
    """Write over the wavelengths that no light reached."""
    out.reflectance[:, out.unlit] = 0.0
    if noise_known:
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
    names = [source_name("axis", number) for number in range(len(modes_nm))]
    sources = {name: np.zeros(shape, dtype=np.float32) for name in names}
    for start in range(0, len(reflected.reflectance), _ROWS):
        rows = slice(start, start + _ROWS)
        slope = np.gradient(reflected.reflectance[rows][:, near], grid_nm, axis=1)
        for name, mode in zip(names, modes_nm, strict=True):
            sources[name][rows] = -slope * mode
    for column in sources.values():
        column[:, reflected.unlit] = 0.0
    return replace(reflected, shared={**reflected.shared, **sources})


# The rule
# ----------------------------------------------------------------------


def run(job: Job) -> Outcome:
    """Write ``reflectance/<session>.parquet`` from ``scans/<session>.parquet``.

    Raises
    ------
    InputFault
        If references are missing or unusable, or the grid does not fit the session's range.
    """
    table_file = job.inputs.get("panel")
    panel_name = "" if table_file is None else job.shown(table_file)
    # No name holds the table, so that counts can go once their hot pixels are interpolated.
    prepared = _prepared(
        read_spectra(job.inputs["scans"], ("counts", "reflectance")),
        job.settings,
        job.session or "",
        table_file,
        panel_name,
    )
    sources: frozenset[str] | None = frozenset()
    while sources is not None:
        sources = _written(job, prepared, sources)
    return prepared.outcome


@dataclass(frozen=True)
class PreparedSession:
    """A session whose references are ready, with all that its file says of the leaf scans.

    Attributes
    ----------
    columns
        Columns of the table that are no spectra, a value for each leaf scan.
    grid_nm
        Wavelengths, shape ``(n_wavelengths,)``, nm.
    metadata
        What the checks need of panel, instrument and references.
    outcome
        Metrics and warnings.
    parts
        Given a number of rows and the names of the shared sources, yields the reflectance of so
        many successive leaf scans.
    whole
        Returns the reflectance of all of them.
    """

    columns: Mapping[str, list[Any]]
    grid_nm: Floats
    metadata: Mapping[str, Any]
    outcome: Outcome
    parts: Callable[[int, frozenset[str]], Iterator[Reflected]]
    whole: Callable[[], Reflected]


@dataclass(frozen=True)
class ConvertedSession:
    """Reflectance of the leaf scans of a session; the attributes are those of `PreparedSession`."""

    columns: Mapping[str, list[Any]]
    grid_nm: Floats
    reflected: Reflected
    metadata: Mapping[str, Any]
    outcome: Outcome


def convert_session(
    table: SpectraTable,
    settings: Mapping[str, Any],
    session: str,
    panel_file: Path | None,
    shown_panel: str,
) -> ConvertedSession:
    """Return the reflectance of the leaf scans of a session; nothing is read or written.

    Parameters
    ----------
    table
        Scans of the session, counts or reflectance, in sheet order.
    settings
        Sections ``instrument`` and ``reflectance`` of the study.
    session
        Its id, for messages.
    panel_file, shown_panel
        Table of the reflectance of the white panel, if there is one, and its path in messages.

    Raises
    ------
    InputFault
        If references are missing or unusable, or the grid does not fit the session's range.
    """
    prepared = _prepared(table, settings, session, panel_file, shown_panel)
    return ConvertedSession(
        prepared.columns, prepared.grid_nm, prepared.whole(), prepared.metadata, prepared.outcome
    )


def _prepared(
    table: SpectraTable,
    settings: Mapping[str, Any],
    session: str,
    panel_file: Path | None,
    shown_panel: str,
) -> PreparedSession:
    """Prepare the references of a session; the leaf scans are converted afterwards."""
    instrument, reflectance = settings["instrument"], settings["reflectance"]
    full_scale = instrument["full_scale_counts"]
    if full_scale is None:
        full_scale = table.metadata.get("full_scale_counts")
    axis = correct_axis(table, wavelengths_asked(reflectance), full_scale, session)
    table = replace(table, wavelength_nm=axis.wavelength_nm)
    grid_nm = target_axis(table.wavelength_nm, reflectance["grid"], session)
    weights = to_grid(table.wavelength_nm, grid_nm, reflectance["smoothing"])
    panel = panel_of(instrument["panel"], panel_file, shown_panel, table.wavelength_nm, grid_nm)
    metadata: dict[str, Any] = {
        "panel_u_relative": panel.u_for_file,
        "full_scale_counts": full_scale,
        "smoothing": reflectance["smoothing"],
        **axis.metadata,
    }
    if table.metadata["quantity"] == "reflectance":
        return _pass_through(table, grid_nm, weights, metadata)
    scans = scans_of(table, session, full_scale)
    del table
    if not len(scans.where("sample")):
        return _empty(scans, grid_nm, metadata)
    scans, warnings = fill_defaults(scans)
    scans, hot_at, hot = without_hot_pixels(scans)
    references, more = build_references(scans, instrument, reflectance)
    modes: Floats | None = None
    if axis.modes_nm is not None and references.noise.known:
        modes = np.stack([np.interp(grid_nm, axis.wavelength_nm, m) for m in axis.modes_nm])

    def parts(n_rows: int, sources: frozenset[str]) -> Iterator[Reflected]:
        for part in reflected_parts(scans, references, panel.reflectance, weights, n_rows, sources):
            yield part if modes is None else with_axis_doubt(part, grid_nm, modes)

    def whole() -> Reflected:
        reflected = to_reflectance(scans, references, panel.reflectance, weights)
        return reflected if modes is None else with_axis_doubt(reflected, grid_nm, modes)

    columns = reference_columns(scans, references)
    drift, outliers = drift_and_outliers(scans, references)
    unlit_nm = [float(w) for w in grid_nm[unlit_on_grid(references, weights)]]
    noise_known = references.noise.known
    metadata |= {
        "has_references": True,
        "u": "known" if noise_known else "unknown",
        "unlit_nm": unlit_nm,
    }
    metadata |= {"hot_pixels": hot_at.tolist()}
    metadata |= {"hot_pixels_nm": [float(w) for w in scans.wavelength_nm[hot_at]]}
    metadata |= {"linearity_coefficients": list(references.linearity.coefficients)}
    if references.fit is not None:
        metadata |= {"linearity": references.fit.as_metadata}
    unlit = _unlit_sentence(unlit_nm, noise_known)
    outcome = Outcome(warnings=[*axis.warnings, *warnings, *hot, *more, *outliers, *unlit])
    outcome.metrics = [*_metrics(scans, references, columns, drift), *axis.metrics]
    return PreparedSession(columns, grid_nm, metadata, outcome, parts, whole)


def reference_problems(
    table: SpectraTable, session: str, settings: Mapping[str, Any]
) -> list[Problem]:
    """Return what :func:`run` would refuse in a session: its axis, grid, whites and darks.

    Nothing of the leaf scans is computed, so that this takes a fraction of a second.

    Parameters
    ----------
    table
        The scans of the session, as intake writes them.
    session
        Session id.
    settings
        Sections ``instrument`` and ``reflectance``, as in the job of the stage.
    """
    instrument, reflectance = settings["instrument"], settings["reflectance"]
    full_scale = instrument["full_scale_counts"]
    if full_scale is None:
        full_scale = table.metadata.get("full_scale_counts")
    try:
        axis = correct_axis(table, wavelengths_asked(reflectance), full_scale, session)
        table = replace(table, wavelength_nm=axis.wavelength_nm)
        target_axis(table.wavelength_nm, reflectance["grid"], session)
        scans = scans_of(table, session, full_scale) if "counts" in table.spectra else None
        if scans is not None and len(scans.where("sample")):
            scans, _ = fill_defaults(scans)
            build_references(without_hot_pixels(scans)[0], instrument, reflectance)
    except InputFault as fault:
        return list(fault.problems)
    return []


def to_grid(
    native_nm: Floats,
    grid_nm: Floats,
    smoothing: Mapping[str, Any] | None,
) -> scipy.sparse.csr_array:
    """Return resampling and, if asked for, smoothing as one weight matrix."""
    from scipy import sparse

    weights = resampling_weights(native_nm, grid_nm)
    if smoothing is None:
        return weights
    smooth = smoothing_weights(grid_nm, float(smoothing["window_nm"]), int(smoothing["order"]))
    return sparse.csr_array(smooth @ weights)


def scans_of(table: SpectraTable, session: str, full_scale_counts: float | None) -> Scans:
    """Return the table of counts as plain arrays, in sheet order."""
    rows = table.rows
    time = rows["time"].to_numpy(dtype="datetime64[ms]")
    time_s = np.where(np.isnat(time), np.nan, time.astype(np.int64) / 1000.0)
    order = np.argsort(rows["order"].to_numpy(), kind="stable")
    counts = table.spectra["counts"]
    return Scans(
        session=session,
        scan=rows["scan"].to_numpy(dtype=str)[order],
        role=rows["role"].to_numpy(dtype=str)[order],
        file=rows["file"].to_numpy(dtype=str)[order],
        time_s=time_s[order],
        integration_ms=rows["integration_ms"].to_numpy(dtype=np.float64)[order],
        averages=rows["averages"].to_numpy(dtype=np.float64, na_value=np.nan)[order],
        counts=counts if np.array_equal(order, np.arange(len(order))) else counts[order],
        wavelength_nm=table.wavelength_nm,
        full_scale_counts=full_scale_counts,
    )


def _pass_through(
    table: SpectraTable,
    grid_nm: Floats,
    weights: scipy.sparse.csr_array,
    metadata: dict[str, Any],
) -> PreparedSession:
    """Bring reflectance as it arrived to the grid; its uncertainty is unknown."""
    rows = table.rows
    order = np.argsort(rows["order"].to_numpy(), kind="stable")
    order = order[rows["role"].to_numpy(dtype=str)[order] == "sample"]
    unlit = np.zeros(len(grid_nm), dtype=bool)

    def parts(n_rows: int, _sources: frozenset[str]) -> Iterator[Reflected]:
        for start in range(0, max(len(order), 1), max(n_rows, 1)):
            scans = order[start : start + n_rows]
            value = np.ascontiguousarray((weights @ table.spectra["reflectance"][scans].T).T)
            yield Reflected(value, np.zeros_like(value), np.zeros_like(value), unlit)

    columns: dict[str, list[Any]] = {name: [""] * len(order) for name in REFLECTANCE}
    columns["scan"] = [str(s) for s in rows["scan"].to_numpy(dtype=str)[order]]
    columns["white_after_weight"] = [None] * len(order)
    metadata |= {"has_references": False, "u": "unknown", "unlit_nm": []}
    outcome = Outcome(metrics=[Metric("n_samples", float(len(order)))])
    return PreparedSession(
        columns, grid_nm, metadata, outcome, parts, lambda: next(parts(len(order), frozenset()))
    )


def _empty(scans: Scans, grid_nm: Floats, metadata: dict[str, Any]) -> PreparedSession:
    """Return a table without rows for a session that holds no leaf scan."""
    nothing = np.zeros((0, len(grid_nm)))
    metadata |= {"has_references": bool(len(scans.where("white"))), "u": "unknown", "unlit_nm": []}
    blank = Reflected(nothing, nothing, nothing, np.zeros(len(grid_nm), dtype=bool))
    sentence = f"Session {scans.session} holds no leaf scan (role sample)."
    outcome = Outcome(metrics=[Metric("n_samples", 0.0)], warnings=[sentence])
    columns: dict[str, list[Any]] = {name: [] for name in REFLECTANCE}
    return PreparedSession(
        columns, grid_nm, metadata, outcome, lambda _n, _sources: iter([blank]), lambda: blank
    )


def _written(job: Job, prepared: PreparedSession, sources: frozenset[str]) -> frozenset[str] | None:
    """Write the table, a row group at a time.

    Returns
    -------
    frozenset or None
        The names of the shared sources by which to begin anew, if a scan has one that is not
        among ``sources``: a table has the same columns from its first row.
    """
    try:
        first = next(iter(prepared.parts(ROWS_PER_GROUP, sources)))
        _write(job, prepared, sorted(first.shared), prepared.parts(ROWS_PER_GROUP, sources))
    except MoreSourcesError as more:
        return more.names
    return None


def _write(
    job: Job, prepared: PreparedSession, shared: list[str], parts: Iterator[Reflected]
) -> None:
    import pyarrow as pa

    columns = prepared.columns
    kinds = {"white_after_weight": pa.float64()}
    rows = pa.table(
        {name: pa.array(columns[name], type=kinds.get(name, pa.string())) for name in REFLECTANCE}
    )
    spectra: Iterator[Mapping[str, NDArray[np.floating[Any]]]] = (
        {
            "reflectance": part.reflectance,
            "u_scan": part.u_scan,
            "u_reference": part.u_reference,
            "u_noise": part.u_noise,
            **{name: part.shared[name] for name in shared},
        }
        for part in parts
    )
    metadata = {**prepared.metadata, SHARED_SOURCES: shared}
    in_full = () if metadata["has_references"] else ("reflectance",)
    path = job.outputs["reflectance"]
    write_spectra_in_parts(path, rows, prepared.grid_nm, spectra, metadata, in_full=in_full)


def _metrics(
    scans: Scans, references: References, columns: Mapping[str, list[Any]], drift: float
) -> list[Metric]:
    metrics = [
        Metric("n_samples", float(len(scans.where("sample")))),
        Metric("n_whites", float(len(scans.where("white")))),
        Metric("n_darks", float(len(scans.where("dark")))),
        Metric("n_reference_sets", float(len(set(columns["reference"])))),
        Metric("white_drift", drift),
    ]
    noise = references.noise
    if noise.electrons_per_count is not None:
        metrics.append(Metric("gain", float(noise.electrons_per_count), "electron/count"))
    if noise.read_counts is not None:
        metrics.append(Metric("read_noise", float(noise.read_counts), "count"))
    return metrics


def _unlit_sentence(unlit_nm: list[float], noise_known: bool) -> list[str]:
    if not unlit_nm:
        return []
    uncertainty = f"an uncertainty of {UNLIT_U:g}" if noise_known else "unknown uncertainty"
    return [
        f"At {len(unlit_nm)} wavelengths ({unlit_nm[0]:g} to {unlit_nm[-1]:g} nm) a white does not "
        f"stand above the noise of the dark: reflectance is written there as 0 with {uncertainty}."
    ]

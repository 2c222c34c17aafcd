"""How does a session of counts become a table of reflectance? The rule `reflectance`.

Data that arrive as reflectance skip the arithmetic with references and nothing else: they go to
the same grid and through the same smoothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.records.record import Job, Metric, Outcome
from leafledger.reflectance.conversion import (
    UNLIT_U,
    MoreSourcesError,
    Reflected,
    reflected_parts,
    to_reflectance,
    unlit_on_grid,
    with_axis_doubt,
)
from leafledger.reflectance.panel import panel_of
from leafledger.reflectance.references import (
    References,
    Scans,
    build_references,
    drift_and_outliers,
    fill_defaults,
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

Floats = NDArray[np.float64]


def run(job: Job) -> Outcome:
    """Write ``reflectance/<session>.parquet`` from ``scans/<session>.parquet``.

    Raises
    ------
    InputFault
        If references are missing or unusable, or the grid does not fit the session's range.
    """
    table_file = job.inputs.get("panel")
    shown = "" if table_file is None else job.shown(table_file)
    # No name holds the table, so that counts can go once their hot pixels are interpolated.
    prepared = _prepared(
        read_spectra(job.inputs["scans"], ("counts", "reflectance")),
        job.settings,
        job.session or "",
        table_file,
        shown,
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
    made = _prepared(table, settings, session, panel_file, shown_panel)
    return ConvertedSession(made.columns, made.grid_nm, made.whole(), made.metadata, made.outcome)


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
    scans, said = fill_defaults(scans)
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
    known = references.noise.known
    metadata |= {"has_references": True, "u": "known" if known else "unknown", "unlit_nm": unlit_nm}
    metadata |= {"hot_pixels": hot_at.tolist()}
    metadata |= {"hot_pixels_nm": [float(w) for w in scans.wavelength_nm[hot_at]]}
    metadata |= {"linearity_coefficients": list(references.linearity.coefficients)}
    if references.fit is not None:
        metadata |= {"linearity": references.fit.as_metadata}
    unlit = _unlit_sentence(unlit_nm, known)
    outcome = Outcome(warnings=[*axis.warnings, *said, *hot, *more, *outliers, *unlit])
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
    said = f"Session {scans.session} holds no leaf scan (role sample)."
    outcome = Outcome(metrics=[Metric("n_samples", 0.0)], warnings=[said])
    columns: dict[str, list[Any]] = {name: [] for name in REFLECTANCE}
    return PreparedSession(
        columns, grid_nm, metadata, outcome, lambda _n, _sources: iter([blank]), lambda: blank
    )


def _written(job: Job, made: PreparedSession, sources: frozenset[str]) -> frozenset[str] | None:
    """Write the table, a row group at a time.

    Returns
    -------
    frozenset or None
        The names of the shared sources by which to begin anew, if a scan has one that is not
        among ``sources``: a table has the same columns from its first row.
    """
    try:
        first = next(iter(made.parts(ROWS_PER_GROUP, sources)))
        _write(job, made, sorted(first.shared), made.parts(ROWS_PER_GROUP, sources))
    except MoreSourcesError as more:
        return more.names
    return None


def _write(job: Job, made: PreparedSession, shared: list[str], parts: Iterator[Reflected]) -> None:
    import pyarrow as pa

    columns = made.columns
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
    metadata = {**made.metadata, SHARED_SOURCES: shared}
    in_full = () if metadata["has_references"] else ("reflectance",)
    place = job.outputs["reflectance"]
    write_spectra_in_parts(place, rows, made.grid_nm, spectra, metadata, in_full=in_full)


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


def _unlit_sentence(unlit_nm: list[float], known: bool) -> list[str]:
    if not unlit_nm:
        return []
    uncertainty = f"an uncertainty of {UNLIT_U:g}" if known else "unknown uncertainty"
    return [
        f"At {len(unlit_nm)} wavelengths ({unlit_nm[0]:g} to {unlit_nm[-1]:g} nm) a white does not "
        f"stand above the noise of the dark: reflectance is written there as 0 with {uncertainty}."
    ]

"""What are the indices of a session, with three uncertainties and a status? Rule ``indices``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.indices.catalogue import Formula, formulas_from_json
from leafledger.records.record import Job, Metric, Outcome
from leafledger.spectra.formula import evaluate
from leafledger.spectra.grid import Band, covers, weighted_sums, weights_matrix, widest_gap_nm
from leafledger.study.table_files import (
    SHARED_SOURCES,
    read_json,
    spectra_by_group,
    spectra_metadata,
    write_parquet,
)
from leafledger.study.tables import INDICES

if TYPE_CHECKING:
    import pyarrow as pa


# From the uncertainty of reflectance to the uncertainty of an index.
# ----------------------------------------------------------------------
# Three parts are kept apart because they average differently later: ``u_scan`` is independent from
# scan to scan, ``u_reference`` is shared by the scans of one reference set, ``u_panel`` by all.
# Within ``u_reference`` the noise of darks and whites is independent from wavelength to wavelength;
# drift, darks that disagree, stray light, linearity, the axis and integration times each move all
# wavelengths together and go through the formula as one signed spectrum.
#
# References
# ----------
# JCGM 100:2008, Evaluation of measurement data - Guide to the expression of uncertainty in
# measurement (GUM), equations 10 (independent inputs) and 16 (fully correlated inputs).

Array = NDArray[np.float64]
Pair = tuple[Band, Band]


def shared_pairs(
    bands_of_formulas: Sequence[Sequence[Band]], weights: Mapping[Band, Array]
) -> list[Pair]:
    """Return the pairs of bands within a formula that are read from a common wavelength.

    Parameters
    ----------
    bands_of_formulas
        The bands of each formula.
    weights
        Band -> weights on the axis, shape ``(n_wavelengths,)``.

    Returns
    -------
    list of pairs
        Each once, the lower band first, sorted; every band with itself as well.
    """
    pairs = {(band, band) for bands in bands_of_formulas for band in bands}
    for bands in bands_of_formulas:
        for first, second in combinations(sorted(bands), 2):
            if np.any((weights[first] != 0) & (weights[second] != 0)):
                pairs.add((first, second))
    return sorted(pairs)


def band_covariances(
    pairs: Sequence[Pair], weights: Mapping[Band, Array], u: Array
) -> dict[Pair, Array]:
    """Return the covariances of bands whose wavelengths err independently.

    Parameters
    ----------
    pairs
        Pairs of bands, from :func:`shared_pairs`.
    weights
        Band -> weights on the axis, shape ``(n_wavelengths,)``.
    u
        Standard uncertainty of reflectance, shape ``(n_scans, n_wavelengths)``, uncorrelated over
        wavelengths.

    Returns
    -------
    dict
        Pair -> covariance, shape ``(n_scans,)``: the sum over wavelengths of both weights times
        the variance. Interpolated bands that share a pixel are correlated through it.
    """
    if not pairs:
        return {}
    products = np.stack([weights[a] * weights[b] for a, b in pairs])
    return dict(zip(pairs, weighted_sums(products, np.square(u)), strict=True))


def independent_u(slopes: Mapping[Band, Array], covariances: Mapping[Pair, Array]) -> Array:
    """Return the standard uncertainty of an index from the covariances of its bands.

    Parameters
    ----------
    slopes
        Band -> derivative of the index, shape ``(n_scans,)``.
    covariances
        Pair of bands -> covariance, shape ``(n_scans,)``, from :func:`band_covariances`.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_scans,)``, in the unit of the index.
    """
    variance: Array = np.zeros(())
    bands = sorted(slopes)
    for position, first in enumerate(bands):
        for second in bands[position:]:
            if (first, second) in covariances:
                times = 1.0 if first == second else 2.0
                step = slopes[first] * slopes[second] * covariances[first, second]
                variance = variance + times * step
    # Rounding can leave a cancelled sum just below zero.
    return np.sqrt(np.maximum(variance, 0.0))


def common_u(slopes: Mapping[Band, Array], change: Mapping[Band, Array]) -> Array:
    """Return the standard uncertainty of an index from one error that moves all wavelengths.

    Parameters
    ----------
    slopes
        Band -> derivative of the index, shape ``(n_scans,)``.
    change
        Band -> change of its reflectance, with its sign, for one standard uncertainty of the
        source, shape ``(n_scans,)``; for the panel reflectance times its relative uncertainty.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_scans,)``. Zero, up to rounding, for a ratio of reflectances when the change is
        the same share of all of them: a grey drift, or a panel of one uncertainty, cancels.
    """
    total: Array = np.zeros(())
    for band in sorted(slopes):
        total = total + slopes[band] * change[band]
    return np.abs(total)


def shared_u(
    slopes: Mapping[Band, Array],
    covariances: Mapping[Pair, Array],
    sources: Sequence[Mapping[Band, Array]],
) -> Array:
    """Return the standard uncertainty of an index from what scans share.

    Parameters
    ----------
    slopes
        Band -> derivative of the index, shape ``(n_scans,)``.
    covariances
        Of the noise of darks and whites, from :func:`band_covariances`.
    sources
        One mapping for each source, as in :func:`common_u`; sources are independent of each other.

    Returns
    -------
    NDArray[np.float64]
        Shape ``(n_scans,)``, in the unit of the index.
    """
    total = independent_u(slopes, covariances) ** 2
    for change in sources:
        total = total + common_u(slopes, change) ** 2
    return np.sqrt(total)


# The indices of one session: values, three uncertainties and a status for each scan.
# ----------------------------------------------------------------------

OK, OUTSIDE, UNDEFINED = "ok", "outside_range", "undefined"
NUMBERS = ("value", "u_scan", "u_reference", "u_panel")


@dataclass(frozen=True)
class Plan:
    """What has to be read for the indices of a session.

    Attributes
    ----------
    entries
        The indices, in the order asked for.
    available
        Whether all bands of each index lie in the trusted range.
    used
        Which wavelengths of the axis are read, shape ``(n_wavelengths,)``.
    weights
        Band -> weights on the used wavelengths, shape ``(n_used,)``.
    pairs
        Bands with a wavelength in common, for the uncertainty.
    """

    entries: Sequence[Formula]
    available: Sequence[bool]
    used: NDArray[np.bool_]
    weights: Mapping[Band, Array]
    pairs: Sequence[Pair]


def plan(entries: Sequence[Formula], wavelength_nm: Array, start_nm: float, stop_nm: float) -> Plan:
    """Return what has to be read.

    Parameters
    ----------
    entries
        The indices.
    wavelength_nm
        Axis, shape ``(n_wavelengths,)``, nm.
    start_nm, stop_nm
        The trusted range; no wavelength outside it is read, not even as the neighbour of a band
        between two wavelengths.
    """
    inside = (wavelength_nm >= start_nm) & (wavelength_nm <= stop_nm)
    trusted = wavelength_nm[inside]
    available = [all(covers(trusted, band) for band in entry.bands) for entry in entries]
    formulas = [e.bands for e, is_available in zip(entries, available, strict=True) if is_available]
    bands = sorted({band for formula_bands in formulas for band in formula_bands})
    matrix = weights_matrix(trusted, bands)
    read = np.any(matrix != 0, axis=0)
    used = inside.copy()
    used[inside] = read
    weights = dict(zip(bands, np.ascontiguousarray(matrix[:, read]), strict=True))
    return Plan(entries, available, used, weights, shared_pairs(formulas, weights))


@dataclass(frozen=True)
class BandErrors:
    """Uncertainty of the bands of a session; ``None`` where it is unknown.

    Attributes
    ----------
    scan, reference
        Pair of bands -> covariance by noise of the scan, or of darks and whites; shape
        ``(n_scans,)``.
    panel
        Band -> change for one standard uncertainty of the panel, shape ``(n_scans,)``.
    sources
        The same for every source that moves the wavelengths together; part of ``u_reference``.
    """

    scan: Mapping[Pair, Array] | None
    reference: Mapping[Pair, Array] | None
    panel: Mapping[Band, Array] | None
    sources: Sequence[Mapping[Band, Array]] = field(default_factory=list)


def band_values(band_plan: Plan, reflectance: Array) -> dict[Band, Array]:
    """Return band -> reflectance, shape ``(n_scans,)``, from spectra on the used wavelengths."""
    if not band_plan.weights:
        return {}
    matrix = np.stack(list(band_plan.weights.values()))
    return dict(zip(band_plan.weights, weighted_sums(matrix, reflectance), strict=True))


def covariances(band_plan: Plan, u: Array | None) -> dict[Pair, Array] | None:
    """Return the band covariances for ``u`` of shape ``(n_scans, n_used)``; ``None`` if unknown."""
    return None if u is None else band_covariances(band_plan.pairs, band_plan.weights, u)


def index_values(
    band_plan: Plan, reflectance: Mapping[Band, Array], errors: BandErrors, n_scans: int
) -> tuple[dict[str, Array], NDArray[np.str_]]:
    """Return all values, their uncertainties and their status.

    Parameters
    ----------
    band_plan
        The plan.
    reflectance
        Band -> reflectance, shape ``(n_scans,)``.
    errors
        Uncertainty of the bands.
    n_scans
        Number of scans.

    Returns
    -------
    numbers
        ``value``, ``u_scan``, ``u_reference`` and ``u_panel``, each of shape
        ``(n_scans, n_indices)``, NaN where missing. An uncertainty is missing where it is unknown
        or the value is.
    status
        ``ok``, ``outside_range`` or ``undefined``, shape ``(n_scans, n_indices)``.
    """
    shape = (n_scans, len(band_plan.entries))
    numbers = {name: np.full(shape, np.nan) for name in NUMBERS}
    status = np.full(shape, OUTSIDE)
    for column, (entry, is_available) in enumerate(
        zip(band_plan.entries, band_plan.available, strict=True)
    ):
        if not is_available or not n_scans:
            continue
        rated = evaluate(entry.tree, reflectance)
        numbers["value"][:, column] = rated.value
        status[:, column] = np.where(np.isnan(rated.value), UNDEFINED, OK)
        parts = {
            "u_scan": None if errors.scan is None else independent_u(rated.slopes, errors.scan),
            "u_reference": (
                None
                if errors.reference is None
                else shared_u(rated.slopes, errors.reference, errors.sources)
            ),
            "u_panel": None if errors.panel is None else common_u(rated.slopes, errors.panel),
        }
        for name, part in parts.items():
            if part is not None:
                numbers[name][:, column] = np.where(np.isnan(rated.value), np.nan, part)
    return numbers, status


def outside_sentence(entry: Formula, trusted: Array, start_nm: float, stop_nm: float) -> str:
    """Return which bands of an index lie outside the trusted range, as a sentence."""
    out = [band.words() for band in entry.bands if not covers(trusted, band)]
    reach = (
        f"wavelengths read from {trusted[0]:g} to {trusted[-1]:g} nm"
        if trusted.size
        else ("no wavelength of this session inside it")
    )
    return (
        f"{entry.index} is not computed: it needs {' and '.join(out)}, outside the trusted range "
        f"{start_nm:g} to {stop_nm:g} nm ({reach})."
    )


def coarse_sentence(entry: Formula, trusted: Array, limit_nm: float) -> str | None:
    """Return a sentence if a band is interpolated across a gap above ``limit_nm``."""
    gaps = [(band, widest_gap_nm(trusted, band)) for band in entry.bands]
    wide = [f"{band.words()} across {gap:g} nm" for band, gap in gaps if gap > limit_nm]
    if not wide:
        return None
    return f"{entry.index} is read from far neighbours: {', '.join(wide)}. Compare with care."


# The table of a session
# ----------------------------------------------------------------------

_WIDEST_GAP_NM = 10.0


def run(job: Job) -> Outcome:
    """Write ``indices/<session>.parquet``: one row per scan and index, sorted by scan, then index.

    Both are sorted as text. Every sample scan is there, accepted or not.
    """
    entries = formulas_from_json(read_json(job.inputs["formulas"]))
    limits = read_json(job.inputs["range"])
    start_nm, stop_nm = float(limits["start_nm"]), float(limits["stop_nm"])
    axis, metadata = spectra_metadata(job.inputs["reflectance"])
    band_plan = plan(entries, axis, start_nm, stop_nm)
    scans, numbers, status = session_indices(job.inputs["reflectance"], band_plan, axis, metadata)
    names = np.array([entry.index for entry in entries])
    write_parquet(
        job.outputs["indices"],
        _long_table(scans, names, numbers, status),
        {},
        keys=("scan", "index", "status"),
    )
    trusted = axis[(axis >= start_nm) & (axis <= stop_nm)]
    return Outcome(
        metrics=_metrics(len(entries), status),
        warnings=[
            *_range_warnings(band_plan, trusted, start_nm, stop_nm),
            *_undefined_warnings(entries, scans, status),
        ],
    )


def session_indices(
    path: Path, made: Plan, axis: Array, metadata: Mapping[str, Any]
) -> tuple[NDArray[np.str_], dict[str, Array], NDArray[np.str_]]:
    """Return scans, numbers and status of a session, its spectra read a row group at a time.

    Every number is one of a single scan, so that the size of a row group changes no digit.

    Parameters
    ----------
    path, axis, metadata
        The table of reflectance, its wavelengths and what else stands in it.
    made
        What is to be read.

    Returns
    -------
    scans
        Ids in the order of the table, shape ``(n_scans,)``.
    numbers, status
        As of :func:`index_values`.
    """
    u_stated = metadata.get("u") != "unknown"
    sources = list(metadata.get(SHARED_SOURCES, ())) if u_stated else []
    columns = ["reflectance", *(["u_scan", "u_noise", *sources] if u_stated else [])]
    scans: list[NDArray[np.str_]] = []
    found: list[tuple[dict[str, Array], NDArray[np.str_]]] = []
    for table in spectra_by_group(path, columns):
        used = {name: values[:, made.used] for name, values in table.spectra.items()}
        errors = BandErrors(
            covariances(made, used.get("u_scan")),
            covariances(made, used.get("u_noise")),
            _panel(made, used["reflectance"], axis, metadata, u_stated),
            [band_values(made, used[name]) for name in sources],
        )
        bands = band_values(made, used["reflectance"])
        found.append(index_values(made, bands, errors, len(table.rows)))
        scans.append(table.rows["scan"].to_numpy(dtype=str))
    if not found:
        nothing = index_values(made, {}, BandErrors(None, None, None), 0)
        return np.array([], dtype=str), *nothing
    numbers = {name: np.concatenate([part[name] for part, _ in found]) for name in NUMBERS}
    return np.concatenate(scans), numbers, np.concatenate([status for _, status in found])


def _panel(
    band_plan: Plan, reflectance: Array, axis: Array, metadata: Mapping[str, Any], u_stated: bool
) -> dict[Band, Array] | None:
    """Return the change of each band for one standard uncertainty of the panel.

    A zero for data whose other uncertainties are unknown is a default that nobody stated: unknown
    as well, not zero.
    """
    stated = metadata.get("panel_u_relative")
    if stated is None:
        return None
    relative = np.broadcast_to(np.asarray(stated, dtype=np.float64), axis.shape)
    if not u_stated and not relative.any():
        return None
    return band_values(band_plan, reflectance * relative[band_plan.used])


def _long_table(
    scans: NDArray[np.str_],
    names: NDArray[np.str_],
    numbers: Mapping[str, Array],
    status: NDArray[np.str_],
) -> pa.Table:
    import pyarrow as pa

    by_scan, by_name = np.argsort(scans, kind="stable"), np.argsort(names, kind="stable")
    square = np.ix_(by_scan, by_name)
    scan_place = np.repeat(by_scan, len(names))
    name_place = np.tile(by_name, len(scans))
    words = (OK, OUTSIDE, UNDEFINED)
    code = np.searchsorted(words, status[square].ravel())
    columns = {
        "scan": pa.array(scans.tolist(), pa.string()).take(pa.array(scan_place)),
        "index": pa.array(names.tolist(), pa.string()).take(pa.array(name_place)),
        **{
            name: pa.array(numbers[name][square].ravel(), pa.float64(), from_pandas=True)
            for name in NUMBERS
        },
        "status": pa.array(words, pa.string()).take(pa.array(code)),
    }
    return pa.table({name: columns[name] for name in INDICES})


def _metrics(n_indices: int, status: NDArray[np.str_]) -> list[Metric]:
    return [
        Metric("n_indices", n_indices),
        Metric("n_values", int(np.count_nonzero(status == OK))),
        Metric("n_outside_range", int(np.count_nonzero(status == OUTSIDE))),
        Metric("n_undefined", int(np.count_nonzero(status == UNDEFINED))),
    ]


def _range_warnings(band_plan: Plan, trusted: Array, start_nm: float, stop_nm: float) -> list[str]:
    warnings = []
    for entry, is_available in zip(band_plan.entries, band_plan.available, strict=True):
        if not is_available:
            warnings.append(outside_sentence(entry, trusted, start_nm, stop_nm))
        elif sentence := coarse_sentence(entry, trusted, _WIDEST_GAP_NM):
            warnings.append(sentence)
    return warnings


def _undefined_warnings(
    entries: list[Formula], scans: NDArray[np.str_], status: NDArray[np.str_]
) -> list[str]:
    warnings = []
    for column, entry in enumerate(entries):
        which = np.sort(scans[status[:, column] == UNDEFINED])
        if which.size:
            scan_words = ", ".join(which[:3]) + (", ..." if which.size > 3 else "")
            warnings.append(
                f"{entry.index} is undefined in {which.size} of {scans.size} scans "
                f"({scan_words}): a "
                "division by zero, or a root, logarithm or power without a value."
            )
    return warnings

"""The rule ``indices``: every index of every scan of a session, with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.indices.catalogue import Formula, formulas_from_json
from leafledger.indices.values import (
    NUMBERS,
    OK,
    OUTSIDE,
    UNDEFINED,
    BandErrors,
    Plan,
    band_values,
    coarse_sentence,
    covariances,
    index_values,
    outside_sentence,
    plan,
)
from leafledger.records.record import Job, Metric, Outcome
from leafledger.spectra.grid import Band
from leafledger.study.table_files import SHARED_SOURCES, read_json, read_spectra, write_parquet
from leafledger.study.tables import INDICES

if TYPE_CHECKING:
    import pyarrow as pa

Array = NDArray[np.float64]
_WIDEST_GAP_NM = 10.0


def run(job: Job) -> Outcome:
    """Write ``indices/<session>.parquet``: one row per scan and index, sorted by scan, then index.

    Both are sorted as text. Every sample scan is there, accepted or not.
    """
    entries = formulas_from_json(read_json(job.inputs["formulas"]))
    limits = read_json(job.inputs["range"])
    start_nm, stop_nm = float(limits["start_nm"]), float(limits["stop_nm"])
    path = job.inputs["reflectance"]
    table = read_spectra(path, ("reflectance",))
    axis = table.wavelength_nm
    made = plan(entries, axis, start_nm, stop_nm)
    reflectance = table.spectra["reflectance"][:, made.used]
    errors = _errors(path, made, reflectance, axis, table.metadata)
    scans = table.rows["scan"].to_numpy(dtype=str)
    numbers, status = index_values(made, band_values(made, reflectance), errors, len(scans))
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
            *_range_warnings(made, trusted, start_nm, stop_nm),
            *_undefined_warnings(entries, scans, status),
        ],
    )


def _errors(
    path: Path, made: Plan, reflectance: Array, axis: Array, metadata: Mapping[str, Any]
) -> BandErrors:
    """Return the uncertainty of the bands; each spectrum column is read, used and let go."""
    u_stated = metadata.get("u") != "unknown"
    band_covariances: dict[str, Any] = {}
    for name in ("u_scan", "u_noise"):
        u = read_spectra(path, (name,)).spectra.get(name) if u_stated else None
        band_covariances[name] = covariances(made, None if u is None else u[:, made.used])
    sources = [
        band_values(made, read_spectra(path, (name,)).spectra[name][:, made.used])
        for name in (metadata.get(SHARED_SOURCES, ()) if u_stated else ())
    ]
    panel = _panel(made, reflectance, axis, metadata, u_stated)
    return BandErrors(band_covariances["u_scan"], band_covariances["u_noise"], panel, sources)


def _panel(
    made: Plan, reflectance: Array, axis: Array, metadata: Mapping[str, Any], u_stated: bool
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
    return band_values(made, reflectance * relative[made.used])


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


def _range_warnings(made: Plan, trusted: Array, start_nm: float, stop_nm: float) -> list[str]:
    warnings = []
    for entry, is_available in zip(made.entries, made.available, strict=True):
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

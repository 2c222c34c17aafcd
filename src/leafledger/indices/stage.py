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

Array = NDArray[np.float64]
_WIDEST_GAP_NM = 10.0


def run(job: Job) -> Outcome:
    """Write ``indices/<session>.parquet``: one row per scan and index, sorted by scan, then index.

    Both are sorted as text. Every sample scan is there, accepted or not.
    """
    entries = formulas_from_json(read_json(job.inputs["formulas"]))
    limits = read_json(job.inputs["range"])
    start_nm, stop_nm = float(limits["start_nm"]), float(limits["stop_nm"])
    axis, metadata = spectra_metadata(job.inputs["reflectance"])
    made = plan(entries, axis, start_nm, stop_nm)
    scans, numbers, status = session_indices(job.inputs["reflectance"], made, axis, metadata)
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
        As of :func:`leafledger.indices.values.index_values`.
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

"""Which columns of a Parquet file hold the names and the spectra of its scans."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import nearest, quoted
from leafledger.intake.bounds import MAX_WAVELENGTHS
from leafledger.intake.faults import Faults
from leafledger.intake.raw_scan import FileForm
from leafledger.study.headings import LONGEST_NM, SHORTEST_NM, impossible_wavelength, split_headings

if TYPE_CHECKING:
    import pyarrow as pa


def check_scan_column(schema: pa.Schema, n_rows: int, form: FileForm, faults: Faults) -> None:
    """Add a problem if the column that names the scans is missing, double or not of text."""
    import pyarrow as pa

    if form.scan_column is None:
        if n_rows > 1:
            faults.add(
                f"{n_rows:,} scans without names",
                "a column that names them",
                "State `scan_column:` in the form of this session.",
                column="scan_column",
            )
        return
    n_found = schema.names.count(form.scan_column)
    kind = schema.field(form.scan_column).type if n_found == 1 else None
    if kind is not None and pa.types.is_dictionary(kind):
        kind = kind.value_type
    if kind is None or not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        faults.add(
            f"{n_found} such columns" if kind is None else f"a column of type {kind}",
            f"one text column {quoted(form.scan_column)} that names the scan of each row",
            "Mend `scan_column:` of the form. "
            + nearest(form.scan_column, schema.names[:200] or ["(none)"]),
            column=form.scan_column,
        )


def spectrum_columns(
    schema: pa.Schema, form: FileForm, faults: Faults
) -> tuple[list[str], NDArray[np.float64]]:
    """Return the column(s) of the spectra and their wavelengths in file order."""
    import pyarrow as pa

    wanted = "counts" if form.quantity == "counts" else "reflectance"
    if wanted in schema.names and _is_list(schema.field(wanted).type):
        return [wanted], _stated_axis(schema.metadata or {}, faults)
    _, positions, wavelengths = split_headings(schema.names)
    if not positions:
        faults.add(
            f"the columns {', '.join(quoted(n, 20) for n in schema.names[:8])}",
            f"a list column {quoted(wanted)}, or columns whose headings are wavelengths",
            f"Name the column {wanted}, or mend `quantity:` of the form.",
        )
    for name in schema.names:
        if impossible_wavelength(name) is not None:
            faults.add(
                "no wavelength",
                f"{SHORTEST_NM:g} to {LONGEST_NM:g} nm, or words",
                "Mend the heading.",
                column=name,
            )
    columns = [schema.names[i] for i in positions]
    if len(set(columns)) < len(columns):
        faults.add("columns of the same name", "one of each", "Write the file again.")
    for i in positions:
        kind = schema.field(i).type
        if not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
            faults.add(
                f"values of type {kind}",
                "numbers",
                "Write the file again.",
                column=schema.names[i],
            )
    return columns, np.array(wavelengths, dtype=np.float64)


def _is_list(kind: pa.DataType) -> bool:
    import pyarrow as pa

    lists = (pa.types.is_fixed_size_list, pa.types.is_list, pa.types.is_large_list)
    if not any(is_kind(kind) for is_kind in lists):
        return False
    return bool(pa.types.is_floating(kind.value_type) or pa.types.is_integer(kind.value_type))


def _stated_axis(metadata: dict[bytes, bytes], faults: Faults) -> NDArray[np.float64]:
    told: Any = None
    try:
        told = json.loads(metadata.get(b"wavelength_nm", b"null"))
        sound = isinstance(told, list) and all(
            isinstance(w, int | float) and not isinstance(w, bool) for w in told
        )
        axis = np.array(told if sound else [], dtype=np.float64)
    except (ValueError, RecursionError, OverflowError):
        sound = False
    if sound and len(axis) <= MAX_WAVELENGTHS:
        return axis
    faults.add(
        "no wavelengths of the list column" if told is None else "wavelengths that are no numbers",
        f"at most {MAX_WAVELENGTHS:,} numbers (JSON) under the key wavelength_nm of the schema",
        "Write the file with its wavelengths.",
        column="wavelength_nm",
    )
    return np.empty(0)

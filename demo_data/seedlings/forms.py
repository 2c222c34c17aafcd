"""The four forms of raw files: text per scan, wide table, JCAMP-DX, Parquet."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from seedlings.scenario import Array
from seedlings.sheet import Scan

_JCAMP_WIDTH = 78


def write_session(folder: Path, scans: list[Scan], wavelength_nm: Array, counts: Array) -> None:
    """Write the raw files of one session below ``folder`` (the study).

    Parameters
    ----------
    folder
        The study folder.
    scans
        The session's scans in order.
    wavelength_nm
        Centres of the pixels, shape ``(n_pixels,)``.
    counts
        Shape ``(n_scans, n_pixels)``.
    """
    (folder / scans[0].file).parent.mkdir(parents=True, exist_ok=True)
    form = scans[0].session.form
    if form == "text":
        axis = [f"{w:.3f}" for w in wavelength_nm]
        for scan, row in zip(scans, counts, strict=True):
            _write(folder / scan.file, text_file(scan, axis, row))
    elif form == "jcamp_dx":
        for scan, row in zip(scans, counts, strict=True):
            _write(folder / scan.file, jcamp_file(scan, wavelength_nm, row))
    elif form == "wide_table":
        _write(folder / scans[0].file, wide_table(scans, wavelength_nm, counts))
    else:
        _write_parquet(folder / scans[0].file, scans, wavelength_nm, counts)


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


def text_file(scan: Scan, axis: list[str], counts: Array) -> str:
    """Return a text file as an acquisition program writes it: header, then two columns, CRLF."""
    header = [
        "Leaf clip spectrometer, acquisition log",
        f"Scan:\t{scan.label}",
        f"Kind:\t{scan.role}",
        f"Date:\t{scan.time:%Y-%m-%d}",
        f"Time:\t{scan.time:%H:%M:%S}",
        "Instrument:\tinvented demo instrument, 16 bit",
        "Lamps:\thalogen + violet",
        f"Integration time (ms):\t{scan.integration_ms:g}",
        f"Scans averaged:\t{scan.averages}",
        "Boxcar width:\t0",
        "Dark subtracted:\tno",
        "Linearity corrected:\tno",
        f"Pixels:\t{len(axis)}",
        "",
        "Wavelength (nm)\tCounts",
    ]
    body = [f"{w}\t{c:.1f}" for w, c in zip(axis, counts.tolist(), strict=True)]
    return "\r\n".join([*header, *body]) + "\r\n"


def wide_table(scans: list[Scan], wavelength_nm: Array, counts: Array) -> str:
    """Return a CSV with a row per scan and a column per wavelength."""
    lines = [",".join(["label", *(f"{w:.3f}" for w in wavelength_nm)])]
    whole = np.rint(counts).astype(int).tolist()
    for scan, row in zip(scans, whole, strict=True):
        lines.append(",".join([scan.label, *map(str, row)]))
    return "\n".join(lines) + "\n"


def jcamp_file(scan: Scan, wavelength_nm: Array, counts: Array) -> str:
    """Return a JCAMP-DX 4.24 file with evenly spaced ordinates in AFFN form.

    References
    ----------
    McDonald & Wilks 1988, Applied Spectroscopy 42:151-162.
    """
    whole = np.rint(counts).astype(int)
    n = len(whole)
    first, last = float(wavelength_nm[0]), float(wavelength_nm[-1])
    head = {
        "TITLE": f"{scan.label} ({scan.role})",
        "JCAMP-DX": "4.24",
        "DATA TYPE": "UV/VIS SPECTRUM",
        "ORIGIN": "invented demo data, leafledger",
        "OWNER": "public domain",
        "DATE": f"{scan.time:%y/%m/%d}",
        "TIME": f"{scan.time:%H:%M:%S}",
        "XUNITS": "NANOMETERS",
        "YUNITS": "ARBITRARY UNITS",
        "FIRSTX": f"{first:.3f}",
        "LASTX": f"{last:.3f}",
        "DELTAX": f"{(last - first) / (n - 1):.3f}",
        "NPOINTS": str(n),
        "XFACTOR": "1",
        "YFACTOR": "1",
        "FIRSTY": str(whole[0]),
        "MAXY": str(whole.max()),
        "MINY": str(whole.min()),
        "XYDATA": "(X++(Y..Y))",
    }
    lines = [f"##{label}= {value}" for label, value in head.items()]
    return "\r\n".join([*lines, *_ordinates(wavelength_nm, whole.tolist()), "##END=", ""])


def _ordinates(wavelength_nm: Array, counts: list[int]) -> list[str]:
    lines: list[str] = []
    line = ""
    for w, count in zip(wavelength_nm, counts, strict=True):
        word = f" {count}"
        if not line or len(line) + len(word) > _JCAMP_WIDTH:
            lines.append(line)
            line = f"{w:.3f}"
        line += word
    return [*lines[1:], line]


def _write_parquet(path: Path, scans: list[Scan], wavelength_nm: Array, counts: Array) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    element = pa.field("element", pa.float32(), nullable=False)
    kind = pa.list_(element, len(wavelength_nm))
    flat = pa.array(np.ascontiguousarray(counts, dtype=np.float32).ravel())
    schema = pa.schema(
        [pa.field("label", pa.string()), pa.field("counts", kind, nullable=False)],
        metadata={"wavelength_nm": json.dumps(wavelength_nm.tolist(), separators=(",", ":"))},
    )
    labels = pa.array([scan.label for scan in scans])
    columns = [labels, pa.FixedSizeListArray.from_arrays(flat, type=kind)]
    pq.write_table(
        pa.Table.from_arrays(columns, schema=schema),
        path,
        compression="zstd",
        compression_level=9,
        use_dictionary=False,
        write_statistics=False,
        use_byte_stream_split=["counts.list.element"],
        store_schema=True,
    )

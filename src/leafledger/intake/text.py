"""One scan per text file: any header, delimiter, decimal mark, encoding and line ending."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from leafledger.errors import InputFault, Problem
from leafledger.intake.axis import check_axis
from leafledger.intake.bounds import MAX_LINE, MAX_LINES
from leafledger.intake.encoding import decode, split_lines
from leafledger.intake.faults import Faults
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.text_block import Block, classify, find_block
from leafledger.intake.text_dialect import Dialect, ambiguous, find_dialect
from leafledger.intake.text_layout import Layout, layout_of


def read_text(
    data: bytes, file: str, form: FileForm, known: Layout | None = None
) -> tuple[RawScans, Layout | None]:
    """Read a text file that holds one scan.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        How the file is written; what it leaves open is found (see
        :mod:`leafledger.intake.text_dialect` and :mod:`leafledger.intake.text_block`).
    known
        Layout of the file read before. Only if this file fits it in every respect, all
        wavelengths included, is it read the fast way; the numbers are the same either way.

    Returns
    -------
    scans
        One scan; a falling axis is reversed.
    layout
        For the next file of the session.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.

    Examples
    --------
    >>> rows = "".join(f"{400 + i};0,{i}\\r\\n" for i in range(10, 25))
    >>> scans, _ = read_text(b"Spectrum\\r\\n" + rows.encode(), "a.txt", FileForm())
    >>> scans.wavelength_nm[:3], scans.values[0, :3]
    (array([410., 411., 412.]), array([0.1 , 0.11, 0.12]))
    """
    if known is not None:
        values = known.values(data)
        if values is not None:
            axis = known.axis
            if known.falls:
                axis, values = axis[::-1], values[::-1]
            return RawScans(axis, values[np.newaxis], ("",)), known
    return _read_carefully(data, file, form)


def _read_carefully(data: bytes, file: str, form: FileForm) -> tuple[RawScans, Layout | None]:
    text, codec = decode(data, file, form.encoding)
    text = text.rstrip("\x1a")
    lines = split_lines(text)
    _check_shape(lines, file)
    faults = Faults(file)
    dialect = find_dialect(lines, form, faults)
    faults.stop()
    assert dialect is not None  # find_dialect has said why it is None
    block = find_block(classify(lines, dialect), faults)
    if block is None:
        raise InputFault(_no_data(form, dialect, faults))
    _check_commas(block, dialect, form, file)
    good = [line for line in block.lines if line.good]
    raw = np.array([line.wavelength for line in good], dtype=np.float64)
    values = np.array([line.value for line in good], dtype=np.float64)
    on_pixels = form.pixel_coefficients is not None
    falls = check_axis(raw, faults, lambda i: (good[i].row, None), pixels=on_pixels)
    faults.stop()
    layout = None
    if not block.notes:
        layout = layout_of(data, codec, lines, block.lines, dialect, raw, values)
    if falls:
        raw, values = raw[::-1].copy(), values[::-1].copy()
    return RawScans(raw, values[np.newaxis], ("",), notes=tuple(block.notes)), layout


def _check_shape(lines: Sequence[str], file: str) -> None:
    faults = Faults(file)
    if len(lines) > MAX_LINES:
        faults.add(
            f"{len(lines):,} lines",
            f"at most {MAX_LINES:,}",
            "Check that this is the file of one scan.",
        )
    long = next((i for i, line in enumerate(lines) if len(line) > MAX_LINE), None)
    if long is not None:
        faults.add(
            f"a line of {len(lines[long]):,} characters",
            f"at most {MAX_LINE:,}",
            "Check that this is the file of one scan; a table of many scans has the form "
            "wide_table.",
            row=long + 1,
        )
    faults.stop()


def _no_data(form: FileForm, dialect: Dialect, faults: Faults) -> list[Problem]:
    stated = [
        f"`{key}: {value}`"
        for key, value in (("delimiter", form.delimiter), ("decimal", form.decimal))
        if value != "auto"
    ]
    faults.add(
        "no row of numbers" + (f" under {' and '.join(stated)}" if stated else ""),
        f"rows with a wavelength in column {dialect.wavelength + 1} "
        f"and a value in column {dialect.value + 1}",
        "Check that the file holds a scan, and the delimiter, decimal and columns of its form.",
    )
    return faults.all()


def _check_commas(block: Block, dialect: Dialect, form: FileForm, file: str) -> None:
    rows = [line.text.strip() for line in block.lines]
    if ambiguous(dialect, rows, form):
        raise InputFault(
            Problem(
                file,
                f'"{rows[0][:60]}"',
                "commas that are either delimiters or decimal marks",
                "State `decimal: point` if every comma parts two columns; otherwise export the "
                "scan with another delimiter.",
                row=block.lines[0].row,
            )
        )

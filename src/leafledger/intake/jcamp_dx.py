"""JCAMP-DX 4.24 and 5.x: XYDATA and XYPOINTS, single and compound files.

All forms of ordinates are decoded by our own code (:mod:`leafledger.intake.jcamp_ordinates`),
because each check of the standard has to name the row at fault and no repeat count may be carried
out before it is bounded; DEVELOPERS.md (Readers) says which packages were considered.

References
----------
McDonald and Wilks (1988) Appl. Spectrosc. 42, 151-162 (4.24). Lampen, Lambert, Lancashire,
McDonald, McIntyre, Rutledge, Froehlich and Davies (1999) Pure Appl. Chem. 71, 1549-1556 (5.01).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import quoted
from leafledger.intake.axis import Place, check_axis, check_one_axis
from leafledger.intake.bounds import MAX_LINE, MAX_LINES, MAX_VALUES
from leafledger.intake.encoding import decode, split_lines
from leafledger.intake.faults import Faults
from leafledger.intake.jcamp_blocks import Block, split_blocks
from leafledger.intake.jcamp_points import Points, read_points
from leafledger.intake.raw_scan import FileForm, RawScans


def read_jcamp(data: bytes, file: str, form: FileForm) -> RawScans:
    """Read a JCAMP-DX file.

    Parameters
    ----------
    data
        The whole file.
    file
        Its path in the study, for messages.
    form
        Only ``quantity`` and ``encoding`` are used; the file says the rest itself.

    Returns
    -------
    RawScans
        One scan per data block; items are the titles, aliases the numbers of the blocks from 1.

    Raises
    ------
    InputFault
        With every problem of the file, up to 50.
    """
    text, _ = decode(data, file, form.encoding)
    lines = split_lines(text)
    faults = Faults(file)
    if len(lines) > MAX_LINES or max(map(len, lines)) > MAX_LINE:
        faults.add(
            f"{len(lines):,} lines, the longest of {max(map(len, lines)):,} characters",
            f"at most {MAX_LINES:,} lines of {MAX_LINE:,} characters",
            "Split the file, or export the scan again.",
        )
        faults.stop()
    blocks = split_blocks(lines, faults)
    faults.stop()
    spectra: list[tuple[Block, NDArray[np.float64], NDArray[np.float64]]] = []
    n_values = 0
    for block in blocks:
        points = read_points(block, form.quantity, MAX_VALUES - n_values, faults)
        if points is None:
            continue
        n_values += len(points.x)
        falls = check_axis(points.x, faults, _rows_of(points))
        order = slice(None, None, -1) if falls else slice(None)
        spectra.append((block, points.x[order], points.y[order]))
    faults.stop()
    named = [(f"block {quoted(block.title)}", block.row, x) for block, x, _ in spectra]
    check_one_axis(named, faults)
    faults.stop()
    notes = tuple(note for block in blocks for note in block.notes)
    return RawScans(
        spectra[0][1].copy(),
        np.array([y for _, _, y in spectra]),
        tuple(block.title for block, _, _ in spectra),
        tuple(str(i) for i in range(1, len(spectra) + 1)),
        notes,
    )


def _rows_of(points: Points) -> Place:
    return lambda i: (points.rows[i], None)

"""Put the scans of a session together: the right item of each file, one shared axis."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.intake.axis import SAME_NM
from leafledger.intake.bounds import LARGEST_VALUE
from leafledger.intake.raw_scan import RawScans

_FRACTION_TOP = 1.5


@dataclass(frozen=True)
class FileScans:
    """One raw file: its path in the study, SHA-256 and scans."""

    file: str
    sha256: str
    scans: RawScans


def pick(read: FileScans, rows: Sequence[Mapping[str, Any]]) -> tuple[list[int], list[Problem]]:
    """Return which scan of a file each row of the sheet means.

    A row without item means the only scan of a file. Otherwise the item is looked up among the
    names in the file, then among its block numbers.

    Parameters
    ----------
    read
        The file.
    rows
        Rows of the scan sheet that name it.
    """
    counts = Counter(read.scans.items)
    aliases = {alias: i for i, alias in enumerate(read.scans.aliases)}
    places: list[int] = []
    problems: list[Problem] = []
    taken: dict[int, str] = {}
    for row in rows:
        item = row["item"]
        place: int | None = None
        if not item and len(read.scans.items) == 1:
            place = 0
        elif counts[item] == 1:
            place = read.scans.items.index(item)
        elif item in aliases and not counts[item]:
            place = aliases[item]
        if place is None:
            problems.append(_missing(read, row["scan"], item, counts))
        elif place in taken:
            problems.append(_twice(read.file, item, taken[place], row["scan"]))
        else:
            taken[place] = row["scan"]
            places.append(place)
    return places, problems


def _missing(read: FileScans, scan: str, item: str, counts: Counter[str]) -> Problem:
    n_scans = len(read.scans.items)
    found = f"{counts[item]} scans named {quoted(item)}" if item else f"{n_scans} scans"
    mend = "Mend the item of this scan in the scan sheet"
    if item and not counts[item]:
        found = f"no scan named {quoted(item)}"
        mend += f". {nearest(item, [name for name in counts if name] or ['(no names)'])}"
    elif read.scans.aliases:
        mend += ": the number of the block, from 1."
    else:
        mend += ", or the names in the file."
    return Problem(read.file, found, f"one scan for {scan}", mend, column="item")


def _twice(file: str, item: str, first: str, second: str) -> Problem:
    return Problem(
        file,
        f"{quoted(item) if item else 'its only scan'} for both {first} and {second}",
        "each scan of a file at most once in the scan sheet",
        "Mend the file or item of one of them.",
        column="item",
    )


def shared_axis(files: Sequence[FileScans]) -> NDArray[np.float64]:
    """Return the axis of the session: the one that most files have (the first, if tied).

    Raises
    ------
    InputFault
        With a problem for each file that has another axis (differences of 1e-6 nm are none).
    """
    axes: list[NDArray[np.float64]] = []
    members: list[list[str]] = []
    for read in files:
        axis = read.scans.wavelength_nm
        for known, names in zip(axes, members, strict=True):
            if known is axis or (
                len(known) == len(axis) and np.allclose(known, axis, rtol=0, atol=SAME_NM)
            ):
                names.append(read.file)
                break
        else:
            axes.append(axis)
            members.append([read.file])
    most = max(range(len(axes)), key=lambda i: len(members[i]))
    problems = [
        Problem(
            file,
            _told(axes[i]) + _first_difference(axes[i], axes[most]),
            f"those of the session: {_told(axes[most])}",
            "Give scans with other wavelengths a session of their own, or mend the file.",
        )
        for i, names in enumerate(members)
        for file in names
        if i != most
    ]
    if problems:
        raise InputFault(problems)
    return axes[most]


def _told(axis: NDArray[np.float64]) -> str:
    return f"{len(axis)} wavelengths from {axis[0]:g} to {axis[-1]:g} nm"


def _first_difference(axis: NDArray[np.float64], other: NDArray[np.float64]) -> str:
    if len(axis) != len(other):
        return ""
    i = int(np.argmax(np.abs(axis - other) > SAME_NM))
    return f" ({axis[i]:.10g} instead of {other[i]:.10g})"


def in_unit(
    values: NDArray[np.float64], quantity: str, names: Sequence[tuple[str, str]]
) -> tuple[NDArray[np.float64], list[str]]:
    """Return counts as they are and reflectance as a fraction, with warnings.

    Values stated as fractions with a median above 1.5 in any scan are an error: they are percent.
    Values stated as percent of which none in the whole session reaches 1.5 are a warning: they
    may be fractions, but a session of very dark scans cannot be told from them.

    Parameters
    ----------
    values
        Shape ``(n_scans, n_wavelengths)``, as in the files.
    quantity
        ``counts``, ``reflectance`` or ``percent``.
    names
        File and scan of each row, for messages.

    Raises
    ------
    InputFault
        If a value is beyond any instrument (1e30), or fractions are percent.
    """
    tops = np.abs(values).max(axis=1)
    problems = [
        Problem(
            names[i][0], f"a value of {tops[i]:g}", f"at most {LARGEST_VALUE:g}", "Mend the scan."
        )
        for i in map(int, np.flatnonzero(tops > LARGEST_VALUE))
    ]
    if quantity == "reflectance":
        medians = np.median(values, axis=1)
        problems += [
            Problem(
                names[i][0],
                f"values around {medians[i]:.3g} in {names[i][1]}",
                "reflectance as a fraction, at most about 1",
                "State `quantity: percent` (or `counts`) in the form of this session.",
            )
            for i in map(int, np.flatnonzero(medians > _FRACTION_TOP))
        ]
    if problems:
        raise InputFault(problems)
    if quantity != "percent":
        return values, []
    warnings = []
    if values.max() < _FRACTION_TOP:
        warnings.append(
            f"stated as percent, but no value reaches {_FRACTION_TOP:g} % (the largest is "
            f"{values.max():.3g}): if these are fractions, state `quantity: reflectance`"
        )
    return values / 100.0, warnings

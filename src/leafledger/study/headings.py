"""Which headings of a wide table are wavelengths: the one rule, for the sheet and the reader."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

SHORTEST_NM = 150.0
LONGEST_NM = 30_000.0

_SIGN = "X|R|WL|W|NM|WAVE|WAVELENGTH|LAMBDA|\N{GREEK SMALL LETTER LAMDA}|REFL|REFLECTANCE|COUNTS"
_HEADING = re.compile(
    rf"(?:(?:{_SIGN})[\s._-]?)?([0-9]{{1,12}}(?:[.,][0-9]{{1,12}})?)(?:[\s._]*nm)?", re.IGNORECASE
)
_BARE = re.compile(r"([+-]?[0-9]{1,12}(?:[.,][0-9]{1,12})?)(?:\s*nm)?", re.IGNORECASE)
_LONGEST_HEADING = 48


def wavelength_of(heading: str) -> float | None:
    """Return the wavelength that a column heading names, or ``None`` for any other column.

    A heading names a wavelength if it is a number from 150 to 30,000, alone or with one of the
    usual signs before it (``X``, ``R``, ``wl``, ``wavelength``, ``reflectance`` ..., perhaps
    with a blank, point, dash or underscore) and perhaps ``nm`` after it. Case does not count; a
    comma is a decimal comma, for the headings have been split already. Common practice, no source.

    Parameters
    ----------
    heading
        One heading, without its quotes.

    Returns
    -------
    float or None
        Wavelength in nm.

    Examples
    --------
    >>> [wavelength_of(h) for h in ("505", "505.0 nm", "X505", "wl_505.5", "R505", "505,5")]
    [505.0, 505.0, 505.0, 505.5, 505.0, 505.5]
    >>> [wavelength_of(h) for h in ("Type", "plant505", "12", "99999", "-505", "")]
    [None, None, None, None, None, None]
    """
    text = heading.strip()
    if len(text) > _LONGEST_HEADING:
        return None
    found = _HEADING.fullmatch(text)
    if found is None:
        return None
    value = float(found.group(1).replace(",", "."))
    return value if SHORTEST_NM <= value <= LONGEST_NM else None


def impossible_wavelength(heading: str) -> float | None:
    """Return the number of a heading that is only a number (or number and nm) but no wavelength.

    Such a column must not be taken for metadata in silence.

    Examples
    --------
    >>> impossible_wavelength("-505"), impossible_wavelength("99999 nm")
    (-505.0, 99999.0)
    >>> impossible_wavelength("505") is None, impossible_wavelength("rep 2") is None
    (True, True)
    """
    text = heading.strip()
    found = _BARE.fullmatch(text) if len(text) <= _LONGEST_HEADING else None
    if found is None or wavelength_of(text) is not None:
        return None
    value = float(found.group(1).replace(",", "."))
    return value if math.isfinite(value) else None


def split_headings(headings: Sequence[str]) -> tuple[list[int], list[int], list[float]]:
    """Split the headings of a wide table into metadata and wavelengths.

    Parameters
    ----------
    headings
        All headings, in file order.

    Returns
    -------
    metadata_positions, wavelength_positions
        Positions from 0, in file order.
    wavelengths
        Wavelength in nm of each wavelength position.

    Examples
    --------
    >>> split_headings(["plant", "X505", "note", "X515"])
    ([0, 2], [1, 3], [505.0, 515.0])
    """
    metadata: list[int] = []
    positions: list[int] = []
    wavelengths: list[float] = []
    for position, heading in enumerate(headings):
        wavelength = wavelength_of(heading)
        if wavelength is None:
            metadata.append(position)
        else:
            positions.append(position)
            wavelengths.append(wavelength)
    return metadata, positions, wavelengths

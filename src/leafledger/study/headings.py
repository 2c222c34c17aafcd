"""Which headings of a wide table are wavelengths: the one rule, for the sheet and the reader."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from itertools import pairwise

SHORTEST_NM = 150.0
LONGEST_NM = 30_000.0

SHORTEST_UM, LONGEST_UM = SHORTEST_NM / 1000, LONGEST_NM / 1000
_FEWEST = 10
_SHARE_IN_ORDER = 0.8

_SIGN = "X|R|WL|W|NM|WAVE|WAVELENGTH|LAMBDA|\N{GREEK SMALL LETTER LAMDA}|REFL|REFLECTANCE|COUNTS"
_HEADING = re.compile(
    rf"(?:(?:{_SIGN})[\s._-]?)?([0-9]{{1,12}}(?:[.,][0-9]{{1,12}})?)(?:[\s._]*nm)?", re.IGNORECASE
)
_IN_MICROMETRES = re.compile(
    r"[0-9][\s._]*(?:um|[\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]m|micron|micromet)", re.IGNORECASE
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


def no_wavelengths(headings: Sequence[str]) -> tuple[str, str] | None:
    """Return why the numbers of a heading row are no wavelengths, and the mend.

    ``None`` if they may be wavelengths, or are fewer than ten.

    A first row of numbers in no order is a row of values: the table has no headings. Headings that
    count their columns from 0 or 1 (``X1`` to ``X2151``) name none either. Numbers from 0.15 to 30
    in order are micrometres.

    Parameters
    ----------
    headings
        All headings, in file order.

    Examples
    --------
    >>> values = (512, 498, 530, 501, 477, 499, 520, 530, 480, 470)
    >>> no_wavelengths(["leaf 1", *map(str, values)])[0]
    'a first row of numbers in no order'
    >>> no_wavelengths([f"X{n}" for n in range(1, 400)])[0]
    'headings that count their columns, from X1 to X399'
    >>> no_wavelengths([f"{n / 100}" for n in range(40, 100)])[0]
    'headings from 0.4 to 0.99, which look like micrometres'
    >>> no_wavelengths([f"{n / 100} um" for n in range(40, 100)])[0]
    'headings from 0.4 um to 0.99 um: micrometres'
    >>> no_wavelengths([f"X{n}" for n in range(400, 900)]) is None
    True
    """
    texts = [h.strip() for h in headings if len(h.strip()) <= _LONGEST_HEADING]
    in_um = [text for text in texts if _IN_MICROMETRES.search(text)]
    if len(in_um) >= _FEWEST:
        return (
            f"headings from {in_um[0]} to {in_um[-1]}: micrometres",
            "Write the wavelengths in nm: multiply them by 1000.",
        )
    found = [(text, match) for text in texts if (match := _HEADING.fullmatch(text))]
    numbers = [float(match.group(1).replace(",", ".")) for _, match in found]
    if len(numbers) < _FEWEST:
        return None
    rises = [later > earlier for earlier, later in pairwise(numbers)]
    falls = [later < earlier for earlier, later in pairwise(numbers)]
    in_order = max(sum(rises), sum(falls))
    if in_order < _SHARE_IN_ORDER * len(rises):
        return (
            "a first row of numbers in no order",
            "Write a heading row above it: the wavelength of each column, a word for the others.",
        )
    steps = {later - earlier for earlier, later in pairwise(numbers)}
    if steps == {1.0} and numbers[0] in (0.0, 1.0):
        return (
            f"headings that count their columns, from {found[0][0]} to {found[-1][0]}",
            "Write the wavelength of each column in its heading; where the file numbers pixels, "
            "state `pixel_coefficients:` in its form.",
        )
    if min(numbers) >= SHORTEST_UM and max(numbers) <= LONGEST_UM and any(n % 1 for n in numbers):
        low, high = f"{min(numbers):g}", f"{max(numbers):g}"
        return (
            f"headings from {low} to {high}, which look like micrometres",
            "Write the wavelengths in nm: multiply them by 1000.",
        )
    return None

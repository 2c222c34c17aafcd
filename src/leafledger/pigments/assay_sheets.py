"""What do the sheets of assays and chromatograms say, and what in them cannot be meant?

``assays.csv`` holds one row for each content that was handed in, or for each extract that was read;
``chromatograms.csv`` one row for each spot of a strip. Both may be workbooks (.xlsx). Every problem
is found at once, before anything runs.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from leafledger.errors import InputFault, Problem, bounded, first_words, grouped, nearest, quoted
from leafledger.pigments.extracts import (
    MOLAR_MASS,
    PER_AREA,
    PER_MASS,
    QUANTITIES,
    RATIO,
    Extract,
    Measured,
    NoEquation,
    equation_of,
    solvent_named,
    solvents,
    swapped_readings,
)
from leafledger.study.sheets import Row, Sheet, is_id, read_sheet

Leaf = tuple[str, str, str]
"""Unit, session and leaf; the leaf is empty where the scan sheet names none."""

# What a sheet may say, column by column.
# ----------------------------------------------------------------------

_PLACE: Final = ("unit", "session", "leaf")
_CONTENT: Final = ("quantity", "value", "unit_of_value", "u")
_EXTRACT: Final = (
    "solvent", "equation", "band_width_nm", "path_cm", "volume_ml", "u_volume_ml", "dilution",
    "u_dilution", "leaf_area_cm2", "u_leaf_area_cm2", "fresh_mass_g", "u_fresh_mass_g",
    "u_absorbance",
)  # fmt: skip
ASSAY_COLUMNS: Final = (*_PLACE, "extract", "method", *_CONTENT, *_EXTRACT)
"""Columns of ``assays.csv`` besides the absorbances, which are headed A663.2 and so on."""
CHROMATOGRAM_COLUMNS: Final = (
    "strip", "system", "front_mm", "spot_mm", "colour", "u_mm", "unit", "session",
)  # fmt: skip
_STRIP_NEEDS: Final = ("strip", "system", "front_mm", "spot_mm", "colour")
_ABSORBANCE = re.compile(r"A([1-9][0-9]{2,3}(?:\.[0-9]{1,2})?)")
_LOOKS_LIKE_ABSORBANCE = re.compile(
    r"(?:a|abs|od|absorbance|e)?[\s_(]*([1-9][0-9]{2}(?:[.,][0-9]{1,2})?)\s*(?:nm)?\)?",
    re.IGNORECASE,
)
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,15}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,2})?"
)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_LONGEST_TEXT = 200
_HIGHEST_ABSORBANCE = 5.0
_LOWEST_ABSORBANCE = -0.05
_MOST_MM = 2_000.0

# Units of contents, and what they are turned into.
# ----------------------------------------------------------------------

_AREA_UNITS: Final = {"ug/cm2": 1.0, "mg/m2": 0.1, "g/m2": 100.0, "mg/dm2": 10.0, "mg/cm2": 1000.0}
_MASS_UNITS: Final = {"mg/g": 1.0, "ug/g": 1e-3, "mg/kg": 1e-3, "g/kg": 1.0, "ug/mg": 1.0}
_MOLES: Final = {"nmol/cm2": 1.0, "umol/m2": 0.1}
"""In nmol/cm2: with the molar mass (g/mol, which is ng/nmol) they become ug/cm2."""


def plain_unit(text: str) -> str:
    """Return a unit as the package writes it.

    Examples
    --------
    >>> plain_unit("µg cm-2"), plain_unit("mg m⁻²"), plain_unit("mg g^-1"), plain_unit("ug/cm^2")
    ('ug/cm2', 'mg/m2', 'mg/g', 'ug/cm2')
    """
    text = text.strip().replace("µ", "u").replace("μ", "u").replace("⁻", "-")
    text = text.replace("²", "2").replace("¹", "1").replace("·", " ").replace("**", "^")
    match = re.fullmatch(r"([a-zA-Z]+)[\s.*]+([a-zA-Z]+)\^?-([12])", text)
    if match:
        power = "" if match[3] == "1" else match[3]
        return f"{match[1]}/{match[2]}{power}"
    return re.sub(r"\s+", "", text).replace("^", "")


def converted(quantity: str, unit: str) -> tuple[str, float] | None:
    """Return the unit that contents of a quantity are kept in, and the factor to it.

    Contents per area are kept in ug/cm2, per fresh mass in mg/g. Of a quantity that the package
    does not know the unit stays as it is stated. ``None`` if the unit cannot be one of the
    quantity.

    Examples
    --------
    >>> converted("chlorophyll", "mg/m2"), converted("chlorophyll", "ml")
    (('ug/cm2', 0.1), None)
    >>> converted("chlorophyll", "umol/m2"), converted("nitrogen", "%")
    (None, ('%', 1.0))
    """
    if quantity not in QUANTITIES:
        return (unit, 1.0) if unit and len(unit) <= 20 and unit.isprintable() else None
    if quantity == RATIO:
        return ("1", 1.0) if unit in {"1", ""} else None
    if unit in _AREA_UNITS:
        return PER_AREA, _AREA_UNITS[unit]
    if unit in _MASS_UNITS:
        return PER_MASS, _MASS_UNITS[unit]
    if unit in _MOLES and quantity in MOLAR_MASS:
        return PER_AREA, _MOLES[unit] * MOLAR_MASS[quantity] * 1e-3
    return None


# Rows of the two sheets.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Assay:
    """One row of the sheet of assays: an extract, or a content that was handed in.

    Attributes
    ----------
    row
        Its line in the sheet.
    leaf
        Unit, session and leaf that were assayed.
    extract_id
        Tells several extracts of one leaf apart.
    method
        In the person's own words.
    extract
        The readings, if it is an extract.
    quantity, unit, content
        What was handed in, in the unit of the package, if it is a content.
    """

    row: int
    leaf: Leaf
    extract_id: str
    method: str
    extract: Extract | None = None
    quantity: str = ""
    unit: str = ""
    content: Measured | None = None


@dataclass(frozen=True)
class Spot:
    """One spot of a chromatogram; distances from the start line to front and centre, in mm."""

    row: int
    strip: str
    system: str
    front_mm: float
    spot_mm: float
    colour: str
    u_mm: float
    unit: str
    session: str


class _Reader:
    """Cells of one sheet as numbers and texts, with the problems found on the way."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.problems: list[Problem] = []

    def fault(self, row: Row, column: str, found: str, expected: str, mend: str) -> None:
        """Note a problem."""
        self.problems.append(
            Problem(
                file=self.sheet.name, row=row.line, column=column, found=found, expected=expected,
                mend=mend,
            )
        )  # fmt: skip

    def text(self, row: Row, column: str) -> str:
        """Return a short printable text."""
        text = row.get(column)
        if len(text) > _LONGEST_TEXT or not text.isprintable():
            self.fault(row, column, f"{len(text)} characters, or some that cannot be printed",
                       f"at most {_LONGEST_TEXT} printable ones", "Shorten it.")  # fmt: skip
            return ""
        return text

    def number(
        self, row: Row, column: str, low: float, high: float, words: str, needed: bool = False
    ) -> float | None:
        """Return a number from ``low`` to ``high``; ``None`` if there is none, or none such."""
        text = row.get(column)
        if not text:
            if needed:
                self.fault(row, column, "nothing", words, "Fill it in.")
            return None
        if _COMMA.fullmatch(text):
            self.fault(row, column, quoted(text), words,
                       f"Write a decimal point: {text.replace(',', '.')}.")  # fmt: skip
            return None
        value = float(text) if _NUMBER.fullmatch(text) else math.nan
        if not low <= value <= high:
            self.fault(row, column, quoted(text), words, "Correct it.")
            return None
        return value

    def positive(
        self, row: Row, column: str, words: str, needed: bool = False, high: float = 1e6
    ) -> float | None:
        """Return a number above zero."""
        return self.number(row, column, 1e-9, high, f"{words}, a number above 0", needed)

    def measured(self, row: Row, column: str, words: str, needed: bool = False) -> Measured | None:
        """Return a number above zero with the uncertainty in the column ``u_...`` beside it."""
        value = self.positive(row, column, words, needed)
        u = self.number(row, f"u_{column}", 0.0, 1e6, "its standard uncertainty, 0 or more")
        if value is None:
            return None
        return Measured(value, math.nan if u is None else u)


# The sheet of assays.
# ----------------------------------------------------------------------


def read_assays(path: Path, file: str, leaves: Collection[Leaf]) -> list[Assay]:
    """Read the sheet of assays.

    Parameters
    ----------
    path, shown
        The sheet and its name in messages.
    leaves
        Unit, session and leaf of every leaf scan of the study.

    Raises
    ------
    InputFault
        With every problem: unknown unit, session or leaf; unknown solvent; wavelengths that do not
        belong to the equations; two readings that are swapped; doubled rows; units; numbers.
    """
    sheet = read_sheet(
        path, file, required=("unit",), known=ASSAY_COLUMNS, called="assays"
    )  # fmt: skip
    reader = _Reader(sheet)
    columns = _absorbance_columns(reader)
    places = Places(leaves)
    assays: list[Assay] = []
    for row in sheet.rows:
        assay = _assay(reader, row, columns, places)
        if assay is not None:
            assays.append(assay)
    if not sheet.rows:
        reader.problems.append(
            Problem(
                file=file,
                found="no row",
                expected="a row for each assay",
                mend="Fill the sheet in, or take it out of the study.",
            )
        )
    _note_repeated_rows(reader, assays)
    _note_mixed_units(reader, assays)
    _raise_problems(sheet, reader.problems)
    return assays


def _raise_problems(sheet: Sheet, problems: Sequence[Problem]) -> None:
    every = sheet.with_own(problems)
    if every:
        raise InputFault(bounded(grouped(every)))


def _absorbance_columns(reader: _Reader) -> dict[str, float]:
    """Return heading -> wavelength of the columns of absorbances."""
    wavelength_of: dict[str, float] = {}
    for name in reader.sheet.columns:
        if _ABSORBANCE.fullmatch(name):
            wavelength_of[name] = float(name[1:])
        elif odd := _LOOKS_LIKE_ABSORBANCE.fullmatch(name):
            wavelength = odd[1].replace(",", ".")
            reader.problems.append(
                Problem(
                    file=reader.sheet.name,
                    column=name,
                    found=f"the heading {quoted(name)}",
                    expected=f"A and the wavelength in nm for an absorbance: A{wavelength}",
                    mend=f"Rename the column A{wavelength}, if it holds absorbances.",
                )
            )
    by_nm: dict[float, str] = {}
    for name, wavelength in wavelength_of.items():
        if wavelength in by_nm:
            reader.problems.append(
                Problem(
                    file=reader.sheet.name,
                    column=name,
                    found=f"the wavelength of column {quoted(by_nm[wavelength])} once more",
                    expected="each wavelength once",
                    mend="Take one of the columns out.",
                )
            )
        by_nm.setdefault(wavelength, name)
    return wavelength_of


class Places:
    """Which units, sessions and leaves a study has, to refuse any other by name."""

    def __init__(self, leaves: Collection[Leaf]) -> None:
        self.leaves = set(leaves)
        self.units = list(dict.fromkeys(unit for unit, _, _ in leaves))
        self.sessions = list(dict.fromkeys(session for _, session, _ in leaves))
        self._known = {"unit": set(self.units), "session": set(self.sessions)}

    def known(self, reader: _Reader, row: Row, column: str, text: str) -> bool:
        """Return whether a unit or session is one of the study; note a problem if not."""
        if text in self._known[column]:
            return True
        every = self.units if column == "unit" else self.sessions
        reader.fault(row, column, quoted(text) if text else "nothing",
                     f"a {column} with leaf scans", nearest(text, every))  # fmt: skip
        return False

    def leaf(self, reader: _Reader, row: Row) -> Leaf | None:
        """Return the leaf that a row names; ``None``, with a problem, if the study has none such.

        The session may stay empty in a study of one session, the leaf where a unit has one.
        """
        unit, session, leaf = (row.get(name) for name in _PLACE)
        if not session and len(self.sessions) == 1:
            session = self.sessions[0]
        valid = [self.known(reader, row, "unit", unit), self.known(reader, row, "session", session)]
        if not all(valid):
            return None
        leaves_there = sorted(
            leaf_name
            for unit_of_leaf, session_of_leaf, leaf_name in self.leaves
            if unit_of_leaf == unit and session_of_leaf == session
        )
        if not leaves_there:
            reader.fault(row, "session", f"{quoted(unit)} in session {quoted(session)}",
                         "a session in which the unit was measured",
                         "Correct unit or session.")  # fmt: skip
            return None
        if not leaf and len(leaves_there) == 1:
            leaf = leaves_there[0]
        if leaf not in leaves_there:
            named = first_words([name or "(without a name)" for name in leaves_there])
            reader.fault(row, "leaf", quoted(leaf) if leaf else "nothing",
                         f"a leaf of {unit} in {session}: {named}",
                         "Name the leaf that was measured and then extracted.")  # fmt: skip
            return None
        return unit, session, leaf


def _assay(reader: _Reader, row: Row, columns: Mapping[str, float], places: Places) -> Assay | None:
    leaf = places.leaf(reader, row)
    method, extract_id = reader.text(row, "method"), row.get("extract")
    if extract_id and not is_id(extract_id):
        reader.fault(row, "extract", quoted(extract_id), "letters, digits, - and _",
                     "Rename the extract.")  # fmt: skip
    read = [name for name in columns if row.get(name)]
    as_extract = bool(read) or bool(row.get("solvent"))
    as_content = bool(row.get("quantity")) or bool(row.get("value"))
    if as_extract and as_content:
        reader.fault(row, "quantity", "a content and the readings of an extract in one row",
                     "one or the other", "Give the content a row of its own.")  # fmt: skip
        return None
    if not as_extract and not as_content:
        reader.fault(row, "value", "neither a content nor readings",
                     "quantity, value and unit_of_value; or solvent and absorbances",
                     "Fill in one of the two, or take the row out.")  # fmt: skip
        return None
    if as_content:
        content = _content(reader, row)
        if content is None or leaf is None:
            return None
        quantity, unit, measured = content
        return Assay(row.line, leaf, extract_id, method, None, quantity, unit, measured)
    extract = _extract(reader, row, {name: columns[name] for name in read})
    if extract is None or leaf is None:
        return None
    return Assay(row.line, leaf, extract_id, method, extract)


def _content(reader: _Reader, row: Row) -> tuple[str, str, Measured] | None:
    quantity = row.get("quantity")
    if not is_id(quantity):
        reader.fault(row, "quantity", quoted(quantity) if quantity else "nothing",
                     "one of " + ", ".join(QUANTITIES) + ", or a name of your own",
                     "Use letters, digits, - and _.")  # fmt: skip
    elif quantity.lower() in QUANTITIES and quantity not in QUANTITIES:
        reader.fault(row, "quantity", quoted(quantity), quantity.lower(), "Write it small.")
    value = reader.number(row, "value", 0.0, 1e9, "a content, 0 or more", needed=True)
    u = reader.number(row, "u", 0.0, 1e9, "its standard uncertainty, 0 or more")
    stated = row.get("unit_of_value")
    kept = converted(quantity, plain_unit(stated))
    if kept is None:
        valid = [*_AREA_UNITS, *_MASS_UNITS]
        if quantity in MOLAR_MASS:
            valid += _MOLES
        words = "1 (a plain number)" if quantity == RATIO else ", ".join(valid)
        words = words if quantity in QUANTITIES else "a unit of at most 20 letters"
        reader.fault(row, "unit_of_value", quoted(stated) if stated else "nothing", words,
                     "State the unit of the value; contents are per leaf area or per fresh mass."
                     )  # fmt: skip
    if value is None or kept is None or not is_id(quantity):
        return None
    unit, factor = kept
    return quantity, unit, Measured(value * factor, math.nan if u is None else u * factor)


def _extract(reader: _Reader, row: Row, columns: Mapping[str, float]) -> Extract | None:
    """Return the extract of a row; ``None``, with problems, if it cannot be computed."""
    n_before = len(reader.problems)
    absorbance: dict[float, float] = {}
    for name, nm in columns.items():
        value = reader.number(row, name, _LOWEST_ABSORBANCE, _HIGHEST_ABSORBANCE,
                              f"an absorbance from 0 to {_HIGHEST_ABSORBANCE:g}")  # fmt: skip
        if value is not None:
            absorbance[nm] = value
    u = reader.number(row, "u_absorbance", 0.0, 1.0, "a standard uncertainty from 0 to 1")
    path = reader.positive(row, "path_cm", "the path of the cuvette in cm", high=20.0)
    band = reader.positive(row, "band_width_nm", "the band width in nm", high=100.0)
    volume = reader.measured(row, "volume_ml", "the volume of the whole extract in ml", needed=True)
    dilution = reader.measured(row, "dilution", "by how much it was diluted (1: not at all)")
    area = reader.measured(row, "leaf_area_cm2", "the leaf area in cm2")
    mass = reader.measured(row, "fresh_mass_g", "the fresh mass in g")
    if not row.get("leaf_area_cm2") and not row.get("fresh_mass_g"):
        reader.fault(row, "leaf_area_cm2", "neither leaf area nor fresh mass",
                     "one of them: a content is per area or per mass", "Fill it in.")  # fmt: skip
    if dilution is not None and dilution.value < 1.0:
        reader.fault(row, "dilution", f"{dilution.value:g}", "1 or more: 5 means 1 ml made up to "
                     "5 ml", "Write the factor, not the share.")  # fmt: skip
    solvent = _solvent(reader, row)
    if len(reader.problems) > n_before or solvent is None or volume is None:
        return None
    try:
        equation = equation_of(solvent, tuple(absorbance), band, row.get("equation"))
    except NoEquation as why:
        reader.fault(row, why.column, why.found, why.expected, why.mend)
        return None
    # A dilution of 1 is none, and without error; one that nobody states is none.
    plain = Measured(1.0, 0.0)
    exact = dilution is None or (dilution.value == 1.0 and math.isnan(dilution.u))
    extract = Extract(
        equation, absorbance, math.nan if u is None else u, 1.0 if path is None else path, volume,
        plain if exact or dilution is None else dilution, area, mass, band,
    )  # fmt: skip
    if swapped_readings(extract):
        equation = extract.equation
        red, short = (
            (extract.reading(nm) or (nm,))[0] for nm in (equation.red_nm, equation.short_nm)
        )
        reader.fault(
            row,
            f"A{red:g}",
            f"less at {red:g} nm ({extract.corrected(equation.red_nm):.3g} above A750) than at "
            f"{short:g} nm ({extract.corrected(equation.short_nm):.3g})",
            "more at the red peak of chlorophyll a, in any extract of green leaves",
            "The two readings are swapped, or a and b are: put each in its own column.",
        )
        return None
    return extract


def _solvent(reader: _Reader, row: Row) -> str | None:
    text = row.get("solvent")
    solvent = solvent_named(text)
    if solvent is None:
        reader.fault(
            row, "solvent", quoted(text) if text else "nothing",
            "a solvent with published equations here: " + ", ".join(solvents()),
            "No published equation of the package is for this solvent or mixture, and one for "
            "another would be wrong. Extract in one of those named; or compute the contents by the "
            "equations that belong to your solvent and hand them in as quantity, value and "
            "unit_of_value.",
        )  # fmt: skip
    return solvent


def _note_repeated_rows(reader: _Reader, assays: Iterable[Assay]) -> None:
    """Note rows that say the same of the same extract."""
    first: dict[tuple[object, ...], Assay] = {}
    for assay in assays:
        key = (assay.leaf, assay.extract_id, assay.quantity, assay.unit)
        if key in first:
            unit, session, leaf = assay.leaf
            what = assay.quantity or "extract"
            reader.problems.append(
                Problem(
                    file=reader.sheet.name, row=assay.row, column="extract",
                    found=f"{what} of {unit}, {session}, leaf {leaf or '(without a name)'} once "
                    f"more, as in row {first[key].row}",
                    expected="each extract once",
                    mend="Take the copy out; if the leaf was extracted twice, tell the extracts "
                    "apart in a column extract.",
                )
            )  # fmt: skip
        first.setdefault(key, assay)


def _note_mixed_units(reader: _Reader, assays: Iterable[Assay]) -> None:
    """Note a quantity unknown to the package that stands in two units: nothing converts them."""
    units: dict[str, Assay] = {}
    for assay in assays:
        if not assay.quantity or assay.quantity in QUANTITIES:
            continue
        first = units.setdefault(assay.quantity, assay)
        if first.unit != assay.unit:
            reader.problems.append(
                Problem(
                    file=reader.sheet.name, row=assay.row, column="unit_of_value",
                    found=f"{assay.quantity} in {quoted(assay.unit)}, and in {quoted(first.unit)} "
                    f"in row {first.row}",
                    expected="one unit for a quantity",
                    mend="Convert the values to one unit.",
                )
            )  # fmt: skip


# The sheet of chromatograms.
# ----------------------------------------------------------------------


def read_chromatograms(path: Path, file: str, leaves: Collection[Leaf]) -> list[Spot]:
    """Read the sheet of chromatograms.

    Parameters
    ----------
    path, shown
        The sheet and its name in messages.
    leaves
        Unit, session and leaf of every leaf scan of the study.

    Raises
    ------
    InputFault
        With every problem: a spot beyond the front, two fronts or systems of one strip, doubled
        rows, an unknown unit or session, numbers.
    """
    sheet = read_sheet(
        path, file, required=_STRIP_NEEDS, known=CHROMATOGRAM_COLUMNS, called="chromatograms"
    )  # fmt: skip
    reader, places = _Reader(sheet), Places(leaves)
    spots = [spot for row in sheet.rows if (spot := _spot(reader, row, places)) is not None]
    if not sheet.rows:
        reader.problems.append(
            Problem(
                file=file,
                found="no row",
                expected="a row for each spot",
                mend="Fill the sheet in, or take it out of the study.",
            )
        )
    _note_strip_contradictions(reader, spots)
    _raise_problems(sheet, reader.problems)
    return spots


def _spot(reader: _Reader, row: Row, places: Places) -> Spot | None:
    n_before = len(reader.problems)
    strip = row.get("strip")
    if not is_id(strip):
        reader.fault(row, "strip", quoted(strip) if strip else "nothing",
                     "a name of letters, digits, - and _", "Name the strip.")  # fmt: skip
    texts = {name: reader.text(row, name) for name in ("system", "colour")}
    for name, text in texts.items():
        if not text:
            words = "support and solvent" if name == "system" else "the colour of the spot"
            reader.fault(row, name, "nothing", words, "Fill it in.")
    front = reader.positive(row, "front_mm", "the distance of the solvent front from the start "
                            "line in mm", needed=True, high=_MOST_MM)  # fmt: skip
    spot = reader.number(row, "spot_mm", 0.0, _MOST_MM, "the distance of the middle of the spot "
                         "from the start line in mm", needed=True)  # fmt: skip
    u = reader.number(row, "u_mm", 0.0, _MOST_MM, "the standard uncertainty of a distance in mm")
    if front is not None and spot is not None and spot > front:
        reader.fault(row, "spot_mm", f"{spot:g}, beyond the front at {front:g}",
                     "a spot between start line and front",
                     "Measure both from the start line; they may be swapped.")  # fmt: skip
    unit, session = row.get("unit"), row.get("session")
    if unit:
        places.known(reader, row, "unit", unit)
    if session:
        places.known(reader, row, "session", session)
    if len(reader.problems) > n_before or front is None or spot is None:
        return None
    return Spot(row.line, strip, texts["system"], front, spot, texts["colour"],
                math.nan if u is None else u, unit, session)  # fmt: skip


def _note_strip_contradictions(reader: _Reader, spots: Iterable[Spot]) -> None:
    """Note strips with two fronts, systems or places, and spots that are there twice."""
    first: dict[str, Spot] = {}
    seen: dict[tuple[str, float, str], Spot] = {}
    for spot in spots:
        first_spot = first.setdefault(spot.strip, spot)
        pairs = {
            "system": (spot.system, first_spot.system),
            "front_mm": (f"{spot.front_mm:g}", f"{first_spot.front_mm:g}"),
            "unit": (spot.unit, first_spot.unit),
            "session": (spot.session, first_spot.session),
        }
        for column, (value, first_value) in pairs.items():
            if value != first_value:
                reader.problems.append(
                    Problem(
                        file=reader.sheet.name, row=spot.row, column=column,
                        found=f"{quoted(value)}, and {quoted(first_value)} in row "
                        f"{first_spot.row} of the same strip",
                        expected="one for a strip",
                        mend="Correct it, or give the other strip a name of its own.",
                    )
                )  # fmt: skip
        key = (spot.strip, spot.spot_mm, spot.colour)
        if key in seen:
            reader.problems.append(
                Problem(
                    file=reader.sheet.name, row=spot.row, column="spot_mm",
                    found=f"the spot of row {seen[key].row} once more",
                    expected="each spot once", mend="Take the copy out.",
                )
            )  # fmt: skip
        seen.setdefault(key, spot)

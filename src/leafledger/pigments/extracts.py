"""How much pigment does an extract hold, and which leaves should be extracted?

Published equations turn the absorbances of an extract into pigment contents. Each set of equations
belongs to one solvent, to its own wavelengths and to a band width of the spectrophotometer; they
stand in ``equations.csv`` with their source and how far the coefficients were verified.

References
----------
Lichtenthaler HK (1987) Methods in Enzymology 148: 350-382.
Lichtenthaler HK, Buschmann C (2001) Current Protocols in Food Analytical Chemistry F4.3.
Porra RJ, Thompson WA, Kriedemann PE (1989) Biochimica et Biophysica Acta 975: 384-394.
Wellburn AR (1994) Journal of Plant Physiology 144: 307-313.
Arnon DI (1949) Plant Physiology 24: 1-15 (for comparison only).
JCGM 100:2008 (GUM), 5.1.2: propagation of uncertainty by the gradient.
"""

from __future__ import annotations

import csv
import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.words import listed

if TYPE_CHECKING:
    from leafledger.study.table_files import Spectra


# Contents of an extract
# ----------------------------------------------------------------------

Array = NDArray[np.float64]

# The published equations.
# ----------------------------------------------------------------------

_TABLE = Path(__file__).with_name("equations.csv")
EXACT_NM: Final = 0.051
NEAR_NM: Final = 0.31
"""How far a wavelength that was read may lie from that of the equations: exact; with a remark."""
TURBIDITY_NM: Final = 750.0
CHLOROPHYLL_A: Final = "chlorophyll_a"
CHLOROPHYLL_B: Final = "chlorophyll_b"
MOLAR_MASS: Final = {CHLOROPHYLL_A: 893.5, CHLOROPHYLL_B: 907.5}
"""g/mol; chlorophyll a is C55H72MgN4O5, b is C55H70MgN4O6."""


@dataclass(frozen=True)
class Equation:
    """A published set of equations for one solvent; contents in ug/ml for a path of 1 cm.

    A set that is printed in nmol/ml is turned into ug/ml by the molar masses.

    Attributes
    ----------
    red_nm, short_nm, carotenoid_nm
        Wavelengths of the two chlorophyll readings, and of the carotenoids (``None``: the source
        has no equation for them).
    a, b
        Factors of the absorbances at ``red_nm`` and ``short_nm``, for chlorophyll a and b.
    carotenoid
        Factor of the absorbance, factors of chlorophyll a and b, and the divisor.
    band_nm
        Narrowest and widest band of the spectrophotometers that they are meant for.
    comparison_only
        Not to be used for a calibration.
    """

    name: str
    solvent: str
    red_nm: float
    short_nm: float
    carotenoid_nm: float | None
    a: tuple[float, float]
    b: tuple[float, float]
    carotenoid: tuple[float, float, float, float] | None
    band_nm: tuple[float, float]
    comparison_only: bool
    source: str
    verification: str

    @property
    def wavelengths_nm(self) -> tuple[float, ...]:
        """The wavelengths at which an extract must be read."""
        more = () if self.carotenoid_nm is None else (self.carotenoid_nm,)
        return (self.red_nm, self.short_nm, *more)


@cache
def equations() -> tuple[Equation, ...]:
    """Return the sets of equations of the package, in the order of ``equations.csv``."""
    with _TABLE.open(encoding="utf-8", newline="") as lines:
        return tuple(_equation(row) for row in csv.DictReader(lines))


def _equation(row: Mapping[str, str]) -> Equation:
    has_carotenoids = bool(row["carotenoid_nm"])
    names = ("carotenoid_factor", "carotenoid_a", "carotenoid_b", "carotenoid_divisor")
    factor, a, b, divisor = (float(row[n]) if has_carotenoids else math.nan for n in names)
    in_ug = {"ug/ml": (1.0, 1.0), "nmol/ml": tuple(m / 1000 for m in MOLAR_MASS.values())}
    to_a, to_b = in_ug[row["unit"]]
    return Equation(
        name=row["equation"],
        solvent=row["solvent"],
        red_nm=float(row["red_nm"]),
        short_nm=float(row["short_nm"]),
        carotenoid_nm=float(row["carotenoid_nm"]) if has_carotenoids else None,
        a=(float(row["a_red"]) * to_a, float(row["a_short"]) * to_a),
        b=(float(row["b_red"]) * to_b, float(row["b_short"]) * to_b),
        carotenoid=(factor, a, b, divisor) if has_carotenoids else None,
        band_nm=(float(row["band_from_nm"]), float(row["band_to_nm"])),
        comparison_only=row["use"] == "comparison",
        source=row["source"],
        verification=row["verification"],
    )


# Which solvent is meant, and which equations belong to solvent, wavelengths and band width?
# ----------------------------------------------------------------------

_SUBSTANCES: Final = {
    "acetone": "acetone", "propanone": "acetone",
    "methanol": "methanol", "meoh": "methanol",
    "ethanol": "ethanol", "etoh": "ethanol",
    "diethyl ether": "diethyl ether", "diethylether": "diethyl ether", "ether": "diethyl ether",
    "dimethyl sulfoxide": "dimethyl sulfoxide", "dimethyl sulphoxide": "dimethyl sulfoxide",
    "dimethylsulfoxide": "dimethyl sulfoxide", "dmso": "dimethyl sulfoxide",
}  # fmt: skip
_MEANS_PURE: Final = frozenset({"methanol", "diethyl ether", "dimethyl sulfoxide"})
_FILLERS = re.compile(
    r"\(?\bv\s*/\s*v\b\)?|\b(buffered|aqueous|aq|pure|absolute|water-free|in water)\b"
)


def solvent_named(text: str) -> str | None:
    """Return the solvent of the package that a text names, ``None`` for any other or a mixture.

    ``acetone`` and ``ethanol`` alone name none: their equations belong to a stated share of water.

    Examples
    --------
    >>> solvent_named("80% acetone"), solvent_named("Methanol"), solvent_named("DMSO")
    ('acetone 80 %', 'methanol 100 %', 'dimethyl sulfoxide 100 %')
    >>> solvent_named("acetone"), solvent_named("acetone-methanol 1:1"), solvent_named("70 % EtOH")
    (None, None, None)
    """
    plain = _FILLERS.sub(" ", text.strip().lower().replace("_", " "))
    shares = re.findall(r"[0-9]+(?:\.[0-9]+)?", plain)
    words = " ".join(re.sub(r"[0-9]+(?:\.[0-9]+)?|%", " ", plain).split()).strip(" ,;-")
    substance = _SUBSTANCES.get(words)
    if substance is None or len(shares) > 1:
        return None
    if not shares and substance not in _MEANS_PURE:
        return None
    share = float(shares[0]) if shares else 100.0
    name = f"{substance} {share:g} %"
    return name if name in {equation.solvent for equation in equations()} else None


def solvents() -> list[str]:
    """Return the solvents for which the package has equations."""
    return list(dict.fromkeys(equation.solvent for equation in equations()))


class NoEquation(Exception):
    """No set of equations fits: ``found``, ``expected`` and ``mend`` say why."""

    def __init__(self, found: str, expected: str, mend: str, column: str) -> None:
        super().__init__(found)
        self.found, self.expected, self.mend, self.column = found, expected, mend, column


def nm_text(nm: float) -> str:
    """Return a wavelength as the heading of its column writes it.

    Examples
    --------
    >>> nm_text(663.2), nm_text(470.0)
    ('A663.2', 'A470')
    """
    return f"A{nm:g}"


def equation_of(
    solvent: str, read_nm: Sequence[float], band_nm: float | None = None, named: str = ""
) -> Equation:
    """Return the equations that fit the solvent, the wavelengths that were read and the band.

    Parameters
    ----------
    solvent
        One of :func:`solvents`.
    read_nm
        Wavelengths at which absorbance was read.
    band_nm
        Band width of the spectrophotometer, nm, if known. Of two sets that fit otherwise (dimethyl
        sulfoxide) it decides.
    named
        Name of the set, if the sheet states one.

    Raises
    ------
    NoEquation
        If none fits.
    """
    of_solvent = [equation for equation in equations() if equation.solvent == solvent]
    if named:
        by_name = {equation.name: equation for equation in equations()}
        if named not in by_name:
            names = listed([equation.name for equation in of_solvent])
            raise NoEquation(
                f'the equations "{named}"', f"for {solvent}: {names}", "Correct the name, or leave "
                "the cell empty: solvent and wavelengths then say which are meant.", "equation",
            )  # fmt: skip
        if by_name[named].solvent != solvent:
            raise NoEquation(
                f'the equations "{named}", which are for {by_name[named].solvent}, with an extract '
                f"in {solvent}", f"equations for {solvent}: "
                + listed([equation.name for equation in of_solvent]),
                "Correct equation or solvent.", "equation",
            )  # fmt: skip
        of_solvent = [by_name[named]]
    fitting = sorted(
        (
            equation
            for equation in of_solvent
            if _wavelength_distance(equation, read_nm) is not None
        ),
        key=lambda equation: (
            equation.comparison_only,
            not _band_fits(equation, band_nm),
            _wavelength_distance(equation, read_nm),
        ),
    )
    if fitting:
        return fitting[0]
    readings = [nm_text(nm) for nm in sorted(read_nm, reverse=True) if nm != TURBIDITY_NM]
    read = listed(readings) if readings else "no absorbance"
    needed_readings = "; ".join(
        f"{nm_text(equation.red_nm)} and {nm_text(equation.short_nm)} ({equation.name})"
        for equation in of_solvent
    )
    raise NoEquation(
        f"{read} of an extract in {solvent}", f"readings at the wavelengths of its equations: "
        f"{needed_readings}", "Equation and wavelength belong together: read the extract at these "
        "wavelengths, or correct solvent or heading.", "solvent",
    )  # fmt: skip


def _wavelength_distance(equation: Equation, read_nm: Sequence[float]) -> float | None:
    """Return how far the two chlorophyll readings lie off in all; ``None`` if one is missing."""
    total = 0.0
    for nm in (equation.red_nm, equation.short_nm):
        off = min((abs(nm - read) for read in read_nm), default=math.inf)
        if off > NEAR_NM:
            return None
        total += 0.0 if off <= EXACT_NM else off
    return total


def _band_fits(equation: Equation, band_nm: float | None) -> bool:
    return band_nm is None or equation.band_nm[0] <= band_nm <= equation.band_nm[1]


# From the absorbances of an extract to contents, with their uncertainty.
# ----------------------------------------------------------------------

CHLOROPHYLL: Final = "chlorophyll"
CAROTENOIDS: Final = "carotenoids"
RATIO: Final = "chlorophyll_a_to_b"
PER_AREA: Final = "ug/cm2"
PER_MASS: Final = "mg/g"
QUANTITIES: Final = (CHLOROPHYLL_A, CHLOROPHYLL_B, CHLOROPHYLL, CAROTENOIDS, RATIO)


@dataclass(frozen=True)
class Measured:
    """A number with its standard uncertainty; ``NaN`` where nobody stated one."""

    value: float
    u: float = math.nan


@dataclass(frozen=True)
class Extract:
    """What was read of one extract.

    Attributes
    ----------
    equation
        The equations that belong to its solvent and wavelengths.
    absorbance
        Wavelength (nm) -> absorbance, as read.
    u_absorbance
        Standard uncertainty of each reading; independent from reading to reading.
    path_cm, volume_ml, dilution
        Path of the cuvette; volume of the whole extract; by how much it was diluted for reading
        (1: not at all).
    area_cm2, mass_g
        Leaf area and fresh mass that were extracted, where known.
    band_nm
        Band width of the spectrophotometer, where known.
    """

    equation: Equation
    absorbance: Mapping[float, float]
    u_absorbance: float = math.nan
    path_cm: float = 1.0
    volume_ml: Measured = Measured(math.nan)
    dilution: Measured = Measured(1.0, 0.0)
    area_cm2: Measured | None = None
    mass_g: Measured | None = None
    band_nm: float | None = None

    def reading(self, nm: float) -> tuple[float, float] | None:
        """Return wavelength and absorbance of the reading nearest to a wavelength."""
        near = min(self.absorbance, key=lambda read: (abs(read - nm), read), default=math.inf)
        return (near, self.absorbance[near]) if abs(near - nm) <= NEAR_NM else None

    @property
    def turbidity(self) -> float:
        """Absorbance at 750 nm; zero where it was not read."""
        return self.absorbance.get(TURBIDITY_NM, 0.0)

    def corrected(self, nm: float) -> float:
        """Return the absorbance at a wavelength less the turbidity; ``NaN`` if it was not read."""
        reading = self.reading(nm)
        return math.nan if reading is None else reading[1] - self.turbidity


@dataclass(frozen=True)
class Content:
    """The content of one pigment, or the ratio of two."""

    quantity: str
    unit: str
    value: float
    u: float


def concentrations(extract: Extract) -> tuple[Array, Array]:
    """Return the concentrations in the cuvette and how they change with each reading.

    Returns
    -------
    c
        Chlorophyll a, b, their sum and carotenoids, ug/ml; ``NaN`` for carotenoids without an
        equation or reading.
    gradient
        Shape ``(4, 4)``: change of each with the absorbance at the red, the short and the
        carotenoid wavelength and at 750 nm, ug/ml.
    """
    equation = extract.equation
    # 1. Absorbances less the turbidity: A_i = A_i(read) - A750.
    red, short = extract.corrected(equation.red_nm), extract.corrected(equation.short_nm)
    # 2. Chlorophylls: C_a = k1 A_red + k2 A_short, C_b = k3 A_red + k4 A_short.
    a = equation.a[0] * red + equation.a[1] * short
    b = equation.b[0] * red + equation.b[1] * short
    rows = np.zeros((4, 4))
    rows[0, :2], rows[1, :2] = equation.a, equation.b
    rows[2] = rows[0] + rows[1]
    carotenoids = math.nan
    if equation.carotenoid is not None and equation.carotenoid_nm is not None:
        # 3. Carotenoids, of the contents C_a and C_b and not of the absorbances:
        #    C_x+c = (1000 A_470 - k5 C_a - k6 C_b) / k7.
        factor, of_a, of_b, divisor = equation.carotenoid
        blue = extract.corrected(equation.carotenoid_nm)
        carotenoids = (factor * blue - of_a * a - of_b * b) / divisor
        rows[3] = -(of_a * rows[0] + of_b * rows[1]) / divisor
        rows[3, 2] = factor / divisor
    # 4. The turbidity was taken off every reading, so that its part is minus the sum of all.
    rows[:, 3] = -rows[:, :3].sum(axis=1) if TURBIDITY_NM in extract.absorbance else 0.0
    path = extract.path_cm
    return np.array([a, b, a + b, carotenoids]) / path, rows / path


def contents(extract: Extract) -> list[Content]:
    """Return the contents per leaf area and per fresh mass, and the ratio of chlorophyll a to b.

    The standard uncertainty is propagated by the gradient from those of absorbance, volume,
    dilution and area or mass, all independent. It is ``NaN`` if one of these was not stated. What
    the coefficients themselves are wrong by is not in it.

    Returns
    -------
    list of Content
        ug/cm2 where the leaf area is known, mg/g (of fresh mass) where the mass is, and the ratio.
    """
    c, gradient = concentrations(extract)
    volume, dilution, u = extract.volume_ml, extract.dilution, extract.u_absorbance
    u_c = u * np.sqrt(np.square(gradient).sum(axis=1))
    names = (CHLOROPHYLL_A, CHLOROPHYLL_B, CHLOROPHYLL, CAROTENOIDS)
    quantities: list[Content] = []
    bases = ((PER_AREA, extract.area_cm2, 1.0), (PER_MASS, extract.mass_g, 1e-3))
    for unit, base, scale in bases:
        if base is None:
            continue
        # Content = C V D / (area or mass): relative parts of the factors add in squares.
        factor = scale * volume.value * dilution.value / base.value
        relative = math.sqrt(sum((part.u / part.value) ** 2 for part in (volume, dilution, base)))
        for name, value, u_value in zip(names, c.tolist(), u_c.tolist(), strict=True):
            if math.isfinite(value):
                whole = math.hypot(factor * u_value, factor * value * relative)
                quantities.append(Content(name, unit, factor * value, whole))
    a, b = float(c[0]), float(c[1])
    if b != 0.0:
        # Volume, dilution, area and path cancel in the ratio; the readings do not.
        slope = gradient[0] / b - gradient[1] * a / b**2
        quantities.append(Content(RATIO, "1", a / b, u * float(np.sqrt(np.square(slope).sum()))))
    return quantities


# What of an extract cannot be right, or should be known.
# ----------------------------------------------------------------------

BEST_RED: Final = (0.3, 0.85)
"""Absorbance at the red peak that handbooks advise."""
LINEAR_RED: Final = (0.05, 1.2)
"""Beyond these the reading is too faint, or no longer proportional to the content."""
USUAL_RATIO: Final = (2.0, 4.5)
POSSIBLE_RATIO: Final = (1.0, 10.0)
MOST_TURBID: Final = (0.02, 0.1)
"""A750 that is remarked on, and that makes an extract useless."""


@dataclass
class Findings:
    """What was found of one extract: its ``faults`` keep it out of a calibration."""

    faults: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def swapped_readings(extract: Extract) -> bool:
    """Return whether the two chlorophyll readings stand in each other's column.

    In an extract of green leaves the red peak of chlorophyll a is the higher one: a short reading
    that is larger than the red one means less chlorophyll a than b.
    """
    equation = extract.equation
    return extract.corrected(equation.short_nm) > extract.corrected(equation.red_nm)


def examine(extract: Extract) -> Findings:
    """Return what is wrong with an extract, and what should be known of it."""
    equation, findings = extract.equation, Findings()
    red = extract.corrected(equation.red_nm)
    _examine_red(red, equation, findings)
    if TURBIDITY_NM not in extract.absorbance:
        findings.remarks.append("A750 was not read, so that turbidity could not be subtracted")
    elif abs(extract.turbidity) > MOST_TURBID[1]:
        findings.faults.append(
            f"A750 is {extract.turbidity:.3g}: the extract is turbid; spin it down and read again"
        )
    elif abs(extract.turbidity) > MOST_TURBID[0]:
        findings.remarks.append(f"A750 is {extract.turbidity:.3g}: near 0 was expected (turbid?)")
    for nm in equation.wavelengths_nm:
        reading = extract.reading(nm)
        if reading is not None and abs(reading[0] - nm) > EXACT_NM:
            findings.remarks.append(f"read at {reading[0]:g} nm, the equations are for {nm:g} nm")
    if equation.carotenoid_nm is not None and extract.reading(equation.carotenoid_nm) is None:
        findings.remarks.append(f"no {nm_text(equation.carotenoid_nm)}: no carotenoids")
    if not _band_fits(equation, extract.band_nm):
        findings.remarks.append(
            f"band width {extract.band_nm:g} nm, the equations are for {equation.band_nm[0]:g} to "
            f"{equation.band_nm[1]:g} nm: above all chlorophyll b may be off"
        )
    if equation.comparison_only:
        findings.faults.append("these equations are for comparison with older work only")
    _examine_contents(concentrations(extract)[0], findings)
    return findings


def _examine_red(red: float, equation: Equation, findings: Findings) -> None:
    reading = nm_text(equation.red_nm)
    if red > LINEAR_RED[1]:
        findings.faults.append(
            f"{reading} is {red:.3g}, outside the linear range (at most {LINEAR_RED[1]:g}): "
            "dilute the extract and read again"
        )
    elif red < LINEAR_RED[0]:
        findings.faults.append(
            f"{reading} is {red:.3g}, too faint to be read (at least {LINEAR_RED[0]:g}): use more "
            "leaf or less solvent"
        )
    elif not BEST_RED[0] <= red <= BEST_RED[1]:
        findings.remarks.append(
            f"{reading} is {red:.3g}; {BEST_RED[0]:g} to {BEST_RED[1]:g} is read most reliably"
        )


def _examine_contents(c: Array, findings: Findings) -> None:
    a, b, _, carotenoids = c.tolist()
    names = {"chlorophyll a": a, "chlorophyll b": b, "carotenoids": carotenoids}
    negative = [name for name, value in names.items() if value < 0]
    if negative:
        findings.faults.append(
            f"a negative content of {listed(negative)}: wavelengths, blank or turbidity are wrong"
        )
        return
    findings.faults += _ratio_faults(a, b)
    ratio = a / b if b > 0 else math.inf
    if not findings.faults and not USUAL_RATIO[0] <= ratio <= USUAL_RATIO[1]:
        findings.remarks.append(
            f"the ratio of chlorophyll a to b is {ratio:.3g}; {USUAL_RATIO[0]:g} to "
            f"{USUAL_RATIO[1]:g} is usual in green leaves"
        )


def _ratio_faults(a: float, b: float) -> list[str]:
    low, high = POSSIBLE_RATIO
    if b > 0 and low <= a / b <= high:
        return []
    ratio = f"{a / b:.3g}" if b > 0 else "without bound"
    hint = "; are a and b swapped?" if b > 0 and a / b < low else ""
    return [
        f"the ratio of chlorophyll a to b is {ratio}, impossible in green leaves ({low:g} to "
        f"{high:g}){hint}"
    ]


# The choice of leaves to extract, so that a calibration spans the study
# ----------------------------------------------------------------------
# Leaves are chosen by their spectra alone, before any extraction: those that lie farthest from each
# other, spread over units and sessions.
#
# References
# ----------
# Kennard RW, Stone LA (1969) Computer aided design of experiments. Technometrics 11: 137-148.

_SHARE: Final = 0.995
"""Share of the variance of the spectra that the scores keep."""
_MOST_SCORES: Final = 10
_DIGITS: Final = 9

# Which cautions stand beside every list of leaves to be extracted.
# ----------------------------------------------------------------------

CAUTIONS: Final = (
    "Acetone, methanol, ethanol and above all diethyl ether are highly flammable: no flame, hot "
    "plate or spark near them, small amounts, closed bottles.",
    "Their vapours harm, and methanol and dimethyl sulfoxide pass through skin: work in a fume "
    "hood, with gloves that withstand the solvent, goggles and a coat.",
    "Diethyl ether forms explosive peroxides on standing: use fresh, stabilised ether, and no old "
    "bottle.",
    "Pigments fade in light and warmth and turn brown in acid: keep leaves and extracts dark, cold "
    "and tightly closed, and read them soon.",
    "Collect used solvents and extracts as flammable waste; nothing goes down the drain.",
    "This list is no safety instruction: the product's label and safety data sheet, local codes "
    "and trained or licensed persons, where these are required, stand above it.",
)
"""For who handles solvents."""

DESTROYS: Final = (
    "Extraction destroys the leaf: extract it on the day of its scan (or freeze it at once in the "
    "dark), after its last scan. A leaf that is measured again later cannot be taken before."
)


# Kennard and Stone's choice, spread over units and sessions.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Chosen:
    """A leaf to be extracted.

    Attributes
    ----------
    place
        Its rank: the first leaves span most.
    unit, session, leaf
        Which leaf.
    distance
        To the nearest leaf chosen before, in the scores; of the first two, to each other.
    """

    place: int
    unit: str
    session: str
    leaf: str
    distance: float


def leaf_scores(spectra: Array) -> Array:
    """Return the principal component scores of spectra, as many as carry 99.5 % of the variance.

    Parameters
    ----------
    spectra
        Mean spectrum of each leaf, shape ``(n_leaves, n_wavelengths)``.

    Returns
    -------
    Array
        Shape ``(n_leaves, n_scores)``, at most ten. The sign of each is such that its largest value
        is positive.
    """
    centred = spectra - spectra.mean(axis=0)
    u, s, _ = np.linalg.svd(centred, full_matrices=False)
    total = float(np.sum(s**2))
    if total <= 0.0:
        return np.zeros((len(spectra), 1))
    n = int(np.searchsorted(np.cumsum(s**2) / total, _SHARE)) + 1
    scores = (u * s)[:, : min(n, _MOST_SCORES, len(s))]
    largest = np.abs(scores).argmax(axis=0)
    signs = np.sign(scores[largest, np.arange(scores.shape[1])])
    return np.asarray(scores * np.where(signs == 0, 1.0, signs))


def kennard_stone(
    scores: Array, n: int, units: Sequence[str], sessions: Sequence[str]
) -> list[tuple[int, float]]:
    """Choose leaves that lie far from each other, spread over units and sessions.

    Parameters
    ----------
    scores
        Shape ``(n_leaves, n_scores)``.
    n
        How many to choose; all, if there are fewer.
    units, sessions
        Of each leaf.

    Returns
    -------
    list of (int, float)
        Places of the chosen leaves, in the order in which they were chosen, and the distance to the
        nearest one chosen before.

    Notes
    -----
    No unit gives more than its share of the leaves, and no session: ``n`` over their number,
    rounded up. Where that leaves nothing to choose, the share of sessions is given up first, then
    that of units. With one unit and one session the choice is that of Kennard and Stone. Ties go to
    the leaf that stands first.
    """
    n = min(n, len(scores))
    quota = _Quota(n, units, sessions)
    # 1. The two leaves farthest from each other.
    if n < 2:
        middle = np.square(scores - scores.mean(axis=0)).sum(axis=1)
        return [(int(np.argmin(np.round(middle, _DIGITS))), 0.0)] if n else []
    first, second = _farthest_pair(scores, units, sessions)
    nearest = _distances(scores, first)
    chosen = [(first, float(nearest[second])), (second, float(nearest[second]))]
    for leaf, _ in chosen:
        quota.take(leaf)
    # 2. Again and again the leaf whose nearest chosen leaf is farthest away.
    nearest = np.minimum(nearest, _distances(scores, second))
    while len(chosen) < n:
        allowed = quota.allowed({leaf for leaf, _ in chosen})
        best = max(allowed, key=lambda leaf: (nearest[leaf], -leaf))
        chosen.append((best, float(nearest[best])))
        quota.take(best)
        nearest = np.minimum(nearest, _distances(scores, best))
    return chosen


def _distances(scores: Array, leaf: int) -> Array:
    """Return the distance of every leaf to one, rounded so that ties are ties."""
    squares = np.square(scores - scores[leaf]).sum(axis=1)
    return np.asarray(np.round(np.sqrt(squares), _DIGITS))


def _farthest_pair(scores: Array, units: Sequence[str], sessions: Sequence[str]) -> tuple[int, int]:
    """Return the two leaves farthest apart; of two units and sessions, if there are any such."""
    parted = [
        np.unique(np.asarray(names, dtype=str), return_inverse=True)[1]
        for names in (units, sessions)
        if len(set(names)) > 1
    ]
    best, pair = -1.0, (0, 1)
    for leaf in range(len(scores) - 1):
        distances = _distances(scores[leaf:], 0)
        for codes in parted:
            distances[codes[leaf:] == codes[leaf]] = -1.0
        other = int(np.argmax(distances[1:])) + 1
        if distances[other] > best:
            best, pair = float(distances[other]), (leaf, leaf + other)
    return pair


class _Quota:
    """How many leaves of each unit and session may still be chosen."""

    def __init__(self, n: int, units: Sequence[str], sessions: Sequence[str]) -> None:
        self.units, self.sessions = units, sessions
        self.per_unit = math.ceil(n / len(set(units)))
        self.per_session = math.ceil(n / len(set(sessions)))
        self.of_unit: Counter[str] = Counter()
        self.of_session: Counter[str] = Counter()

    def take(self, leaf: int) -> None:
        """Count a leaf that was chosen."""
        self.of_unit[self.units[leaf]] += 1
        self.of_session[self.sessions[leaf]] += 1

    def allowed(self, taken: set[int]) -> list[int]:
        """Return the places that may be chosen next, with a share given up where none is left."""
        free = [leaf for leaf in range(len(self.units)) if leaf not in taken]
        in_unit = [
            candidate for candidate in free if self.of_unit[self.units[candidate]] < self.per_unit
        ]
        in_both = [
            candidate
            for candidate in in_unit
            if self.of_session[self.sessions[candidate]] < self.per_session
        ]
        return in_both or in_unit or free


# From the spectra of a study to the list of leaves.
# ----------------------------------------------------------------------


def advise(spectra: Spectra, n: int) -> list[Chosen]:
    """Choose the leaves of a study to be extracted.

    Parameters
    ----------
    spectra
        Accepted spectra in the trusted range, with columns scan, session, unit and leaf.
    n
        How many leaves.

    Returns
    -------
    list of Chosen
        In the order in which they were chosen: the first of them span most, so that fewer may be
        taken from the top.
    """
    rows = spectra.rows
    keys = [
        (str(unit), str(session), str(leaf or ""), "" if leaf else str(scan))
        for unit, session, leaf, scan in zip(
            *(rows[name].tolist() for name in ("unit", "session", "leaf", "scan")), strict=True
        )
    ]
    names = sorted(set(keys))
    place_of = {name: position for position, name in enumerate(names)}
    code = np.array([place_of[key] for key in keys], dtype=np.intp)
    sums = np.zeros((len(names), spectra.reflectance.shape[1]))
    np.add.at(sums, code, np.asarray(spectra.reflectance, dtype=np.float64))
    means = sums / np.bincount(code, minlength=len(names))[:, None]
    chosen = kennard_stone(
        leaf_scores(means), n, [key[0] for key in names], [key[1] for key in names]
    )
    return [
        Chosen(
            rank,
            names[position][0],
            names[position][1],
            names[position][2] or names[position][3],
            distance,
        )
        for rank, (position, distance) in enumerate(chosen, start=1)
    ]

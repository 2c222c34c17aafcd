"""Which pigments may the spots of a chromatogram be?

The retardation factor Rf is the distance of a spot over that of the solvent front. It depends on
support and solvent, and less on them than on how the strip was run: so no pigment is named by Rf
alone. A candidate must belong to the handbook table of the very system, have the colour of the
spot, and stand in an order with the candidates of the other spots.

References
----------
Reiss C (1994) Experiments in Plant Physiology. The table is ``handbook_rf.csv``; each row says how
far it was verified.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, bounded, quoted
from leafledger.pigments.assay_sheets import Spot
from leafledger.words import listed

Array = NDArray[np.float64]

# The handbook table.
# ----------------------------------------------------------------------

_TABLE = Path(__file__).with_name("handbook_rf.csv")


@dataclass(frozen=True)
class HandbookPigment:
    """A pigment of the handbook table, in one system."""

    system: str
    pigment: str
    rf: float
    colour: str
    order_from_front: int
    source: str
    verification: str


@cache
def handbook() -> tuple[HandbookPigment, ...]:
    """Return the handbook table, in the order of ``handbook_rf.csv``."""
    with _TABLE.open(encoding="utf-8", newline="") as lines:
        return tuple(
            HandbookPigment(
                row["system"],
                row["pigment"],
                float(row["rf"]),
                row["colour"],
                int(row["order_from_front"]),
                row["source"],
                row["verification"],
            )
            for row in csv.DictReader(lines)
        )


def systems() -> list[str]:
    """Return the systems of the table: support and solvent."""
    return list(dict.fromkeys(pigment.system for pigment in handbook()))


_LIKE: Final = {"paper": "cellulose paper", "cellulose": "cellulose paper",
                "silica": "silica gel", "silica gel thin layer": "silica gel",
                "silica gel plate": "silica gel", "tlc": "silica gel"}  # fmt: skip


def system_named(text: str) -> str | None:
    """Return the system of the table that a text names; ``None`` for any other.

    Support and solvent must both be those of the table: spelling, capital letters and blanks may
    differ.

    Examples
    --------
    >>> system_named("Paper, petroleum ether : acetone 9 : 1")
    'cellulose paper, petroleum ether-acetone 9:1'
    >>> system_named("paper, petroleum ether-acetone 8:2")
    """
    plain_name = _plain_system(text)
    return next((name for name in systems() if _plain_system(name) == plain_name), None)


def _plain_system(text: str) -> str:
    support, _, solvent = text.strip().lower().partition(",")
    support = " ".join(support.split())
    solvent = re.sub(r"(?<=[a-z])\s*[-:/+]\s*(?=[a-z])", "-", " ".join(solvent.split()))
    solvent = re.sub(r"\s*:\s*", ":", solvent)
    return f"{_LIKE.get(support, support)}, {solvent}"


# Colours in words.
# ----------------------------------------------------------------------

_HUES: Final = {
    "blue-green": {"blue-green", "green-blue", "bluegreen", "bluish green", "dark green"},
    "yellow-green": {"yellow-green", "green-yellow", "olive-green", "yellowish green",
                     "light green"},
    "orange-yellow": {"orange-yellow", "yellow-orange", "orange", "golden", "gold",
                      "golden yellow"},
    "yellow": {"yellow", "pale yellow", "lemon", "lemon yellow"},
    "grey": {"grey", "gray", "grey-olive", "gray-olive", "olive-grey", "olive-gray", "grey-green",
             "gray-green", "grey-brown", "gray-brown", "brown-grey"},
    "green": {"green"},
}  # fmt: skip
_MAY_BE: Final = {
    "green": ("blue-green", "yellow-green"),
    "yellow": ("yellow", "orange-yellow"),
    "orange-yellow": ("orange-yellow",),
}
"""Hues that a colour in plain words may stand for; any other stands for itself."""


def hue(colour: str) -> str | None:
    """Return the hue that a colour in words names; ``None`` for a word that is not known.

    Examples
    --------
    >>> hue("Blue green"), hue("grey-olive"), hue("orange"), hue("mauve")
    ('blue-green', 'grey', 'orange-yellow', None)
    """
    plain = re.sub(r"[\s/-]+", "-", colour.strip().lower())
    for name, words in _HUES.items():
        if plain in {re.sub(r"[\s/-]+", "-", word) for word in words}:
            return name
    return None


def colour_fits(seen: str, stated: str) -> bool:
    """Return whether a spot of the colour seen may be a pigment of the colour stated.

    Examples
    --------
    >>> colour_fits("green", "blue-green"), colour_fits("yellow", "blue-green")
    (True, False)
    """
    seen_hue, stated_hue = hue(seen), hue(stated)
    if seen_hue is None or stated_hue is None:
        return False
    return stated_hue in _MAY_BE.get(seen_hue, (seen_hue,))


# Rf, and the candidates of every spot of a strip.
# ----------------------------------------------------------------------


def rf_of(spot_mm: float, front_mm: float, u_mm: float) -> tuple[float, float]:
    """Return Rf and its standard uncertainty.

    Parameters
    ----------
    spot_mm, front_mm
        Distances of spot and front from the same start line.
    u_mm
        Standard uncertainty of each distance; independent.

    Examples
    --------
    >>> tuple(round(x, 5) for x in rf_of(53.0, 82.0, 0.5))
    (0.64634, 0.00726)
    """
    rf = spot_mm / front_mm
    return rf, u_mm / front_mm * math.sqrt(1.0 + rf**2)


RF_TOLERANCE: Final = 0.15
"""How far Rf may lie from the table and the pigment still be named; strips differ by as much."""


@dataclass(frozen=True)
class SpotFindings:
    """What is known of one spot.

    Attributes
    ----------
    order_from_front
        1: the spot next to the front.
    rf, u_rf
        Retardation factor and standard uncertainty (``NaN`` if nobody stated one).
    candidates
        The pigments it may be, in the order of the table; more than one: ambiguous.
    reason
        Why there is none, or several.
    """

    spot: Spot
    order_from_front: int
    rf: float
    u_rf: float
    system: str | None
    candidates: tuple[HandbookPigment, ...]
    reason: str

    @property
    def is_ambiguous(self) -> bool:
        """Whether more than one pigment remains."""
        return len(self.candidates) > 1


def identify_strip(spots: Sequence[Spot]) -> list[SpotFindings]:
    """Return the candidates of every spot of one strip, from the front down.

    Notes
    -----
    A pigment is a candidate of a spot if it occurs in some assignment of pigments to all spots of
    the strip: every spot has a pigment of its colour within the tolerance of Rf, no pigment stands
    twice, and they stand in the order of the table. A spot that no pigment of its colour fits takes
    no part in the order.
    """
    ordered = sorted(spots, key=lambda s: (-s.spot_mm / s.front_mm, s.colour, s.row))
    system = system_named(ordered[0].system) if ordered else None
    table = sorted(
        (pigment for pigment in handbook() if pigment.system == system),
        key=lambda pigment: pigment.order_from_front,
    )
    ratios = [rf_of(spot.spot_mm, spot.front_mm, spot.u_mm) for spot in ordered]
    by_colour = [[k for k in table if colour_fits(spot.colour, k.colour)] for spot in ordered]
    near = [
        [k.order_from_front for k in fitting if abs(k.rf - rf) <= RF_TOLERANCE]
        for fitting, (rf, _) in zip(by_colour, ratios, strict=True)
    ]
    possible = possible_orders([orders for orders in near if orders])
    of_order = {pigment.order_from_front: pigment for pigment in table}
    findings, n_placed = [], 0
    for position, (spot, (rf, u_rf)) in enumerate(zip(ordered, ratios, strict=True)):
        orders: Sequence[int] = ()
        if near[position]:
            orders, n_placed = possible[n_placed], n_placed + 1
        candidates = tuple(of_order[order] for order in orders)
        reason = _reason(spot, system, by_colour[position], near[position], candidates)
        findings.append(SpotFindings(spot, position + 1, rf, u_rf, system, candidates, reason))
    return findings


def possible_orders(choices: Sequence[Sequence[int]]) -> list[list[int]]:
    """Return for each spot the places that occur in some strictly rising choice of one each.

    Examples
    --------
    >>> possible_orders([[1], [3, 4], [3, 4]])
    [[1], [3], [4]]
    >>> possible_orders([[2], [1]])
    [[], []]
    """
    # 1. From the front down: the lowest place that each spot can have.
    low, lowest = 0, []
    for places in choices:
        low = min((p for p in places if p > low), default=10**9)
        lowest.append(low)
    # 2. From the start line up: the highest. A place between the two occurs in some choice.
    high, highest = 10**9, [0] * len(choices)
    for i in range(len(choices) - 1, -1, -1):
        high = max((p for p in choices[i] if p < high), default=-1)
        highest[i] = high
    if any(bound >= 10**9 for bound in lowest) or any(bound < 0 for bound in highest):
        return [[] for _ in choices]
    return [
        [p for p in sorted(set(places)) if lowest[i] <= p <= highest[i]]
        for i, places in enumerate(choices)
    ]


def _reason(
    spot: Spot,
    system: str | None,
    by_colour: Sequence[HandbookPigment],
    near: Sequence[int],
    candidates: Sequence[HandbookPigment],
) -> str:
    if system is None:
        return "no handbook table for this system: Rf alone names no pigment"
    if hue(spot.colour) is None:
        return "this colour is in no table: blue-green, yellow-green, yellow, orange or grey are"
    if not by_colour:
        return "no pigment of this colour in the table of this system"
    if not near:
        names = listed([f"{pigment.pigment} ({pigment.rf:g})" for pigment in by_colour])
        return f"of this colour the table has {names}, which lies more than {RF_TOLERANCE:g} off"
    if not candidates:
        return "the colours of this strip do not stand in the order of the table"
    if len(candidates) > 1:
        return "ambiguous: colour and order leave more than one"
    return ""


def strips(spots: Sequence[Spot]) -> Iterator[list[SpotFindings]]:
    """Yield the findings strip by strip, by name."""
    by_strip: dict[str, list[Spot]] = {}
    for spot in spots:
        by_strip.setdefault(spot.strip, []).append(spot)
    for name in sorted(by_strip):
        yield identify_strip(by_strip[name])


def strip_sentence(findings: Sequence[SpotFindings]) -> str:
    """Return what a strip shows, in one sentence."""
    strip = findings[0].spot.strip
    named = [finding.candidates[0].pigment for finding in findings if len(finding.candidates) == 1]
    several = sum(finding.is_ambiguous for finding in findings)
    none = sum(not finding.candidates for finding in findings)
    parts = [f"consistent with {listed(named)}"] if named else []
    parts += [f"{several} ambiguous"] if several else []
    parts += [f"{none} without a candidate"] if none else []
    n = len(findings)
    system = findings[0].spot.system if findings[0].system is None else findings[0].system
    return (
        f"Strip {strip} ({system}) shows {n} {'spot' if n == 1 else 'spots'}: {'; '.join(parts)}. "
        "Colour and order in this system suggest a pigment; they do not prove it."
    )


def sources_of(findings: Sequence[SpotFindings]) -> Mapping[str, str]:
    """Return source -> how far its values were verified, for the candidates of some spots."""
    return {
        pigment.source: pigment.verification
        for finding in findings
        for pigment in finding.candidates
    }


# The density along a lane, as the page of strips keeps it: a CSV for each strip.
# ----------------------------------------------------------------------

CHANNELS: Final = ("red", "green", "blue")
PROFILE_COLUMNS: Final = ("distance_mm", "density", *(f"density_{c}" for c in CHANNELS))
_LONGEST_PROFILE: Final = 40_000


def read_profile(path: Path, file: str) -> dict[str, Array]:
    """Read a kept profile.

    Raises
    ------
    InputFault
        If it has other columns, cells that are no numbers, or distances that do not rise.
    """
    try:
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise _profile_fault(file, None, "a file that cannot be read as a CSV") from error
    if not rows or tuple(rows[0]) != PROFILE_COLUMNS:
        raise _profile_fault(file, 1, quoted(",".join(rows[0]) if rows else ""))
    if not 2 <= len(rows) - 1 <= _LONGEST_PROFILE:
        raise _profile_fault(file, None, f"{len(rows) - 1} rows")
    values: list[list[float]] = []
    problems: list[Problem] = []
    for line, row in enumerate(rows[1:], start=2):
        try:
            values.append([float(cell) for cell in row])
        except ValueError:
            values.append([])
        if len(values[-1]) != len(PROFILE_COLUMNS) or not np.isfinite(values[-1]).all():
            problems += _profile_fault(file, line, quoted(",".join(row))).problems
    if problems:
        raise InputFault(bounded(problems))
    table = np.array(values)
    if (np.diff(table[:, 0]) <= 0).any():
        raise _profile_fault(file, None, "distances that do not rise")
    return dict(zip(PROFILE_COLUMNS, table.T, strict=True))


def _profile_fault(file: str, row: int | None, found: str) -> InputFault:
    return InputFault(
        Problem(
            file=file, row=row, found=found,
            expected=f"the profile of a strip: {', '.join(PROFILE_COLUMNS)}",
            mend="Let `leafledger assay strip` write it anew, or take the file away.",
        )
    )  # fmt: skip


def profile_rows(
    profiles: Mapping[str, Mapping[str, Array]], fronts: Mapping[str, float]
) -> list[dict[str, Any]]:
    """Return rows of the table of profiles, for strips that stand in the sheet.

    Parameters
    ----------
    profiles
        Strip -> profile.
    fronts
        Strip of the sheet -> distance of its front, mm.
    """
    return [
        {
            "strip": strip,
            "distance_mm": values[0],
            "rf": values[0] / fronts[strip],
            **dict(zip(PROFILE_COLUMNS[1:], values[1:], strict=True)),
        }
        for strip, profile in sorted(profiles.items())
        if strip in fronts
        for values in zip(*(profile[name].tolist() for name in PROFILE_COLUMNS), strict=True)
    ]

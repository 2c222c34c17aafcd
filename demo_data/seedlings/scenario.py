"""The invented trial: who the plants are, what the spray does, how much everything varies.

All numbers are ours, chosen so that one index shows a clear effect, one a borderline one and one
none. No real cultivar, product or measurement stands behind them.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TREATMENTS = ("chelate", "water")
BLOCKS = ("A", "B")


@dataclass(frozen=True)
class Cultivar:
    """Offsets of an invented cultivar from the mean plant."""

    name: str
    chlorophyll: float
    structure: float
    water: float


CULTIVARS = (
    Cultivar("Kestrel", -4.0, -0.09, 0.0008),
    Cultivar("Plover", -1.5, 0.06, -0.0005),
    Cultivar("Dunlin", 1.5, -0.03, 0.0004),
    Cultivar("Curlew", 4.0, 0.06, -0.0007),
)


@dataclass(frozen=True)
class Session:
    """One day of measuring: its place in time, the planted means, the form of its raw files."""

    session: str
    prefix: str
    date: str
    phase: str
    order: int
    control_drift: float
    spray_gain: float
    form: str


SESSIONS = (
    Session("day0", "d0", "2026-05-04", "before", 0, 0.0, 0.0, "text"),
    Session("day4", "d4", "2026-05-08", "after", 1, -0.3, 2.0, "wide_table"),
    Session("day8", "d8", "2026-05-12", "after", 2, -0.6, 4.5, "jcamp_dx"),
    Session("day12", "d12", "2026-05-16", "after", 3, -1.0, 9.0, "parquet"),
)
_CHOSEN = {1: (0,), 2: (0, 3), 3: (0, 1, 3), 4: (0, 1, 2, 3)}

# Means (chlorophyll, carotenoid, anthocyanin in ug/cm2; water in cm; dry matter in g/cm2).
CHLOROPHYLL = 20.0
CAROTENOID_BASE, CAROTENOID_PER_CHLOROPHYLL = 2.0, 0.19
ANTHOCYANIN = 1.2
STRUCTURE = 1.45
WATER, WATER_PER_SESSION = 0.0115, 0.0004
DRY_MATTER = 0.0042
BENCH = {"A": -0.2, "B": 0.2}

# Standard deviations.
RESPONSE_SD = 0.25
PLANT_SD = {
    "chlorophyll": 2.5,
    "anthocyanin": 0.25,
    "structure": 0.04,
    "water": 0.0007,
    "dry_matter": 0.0003,
}
PLANT_BY_DAY_SD = 1.3
LEAF_SD = 2.0
SCAN_SD = {
    "chlorophyll": 1.0,
    "carotenoid": 0.35,
    "anthocyanin": 0.15,
    "structure": 0.05,
    "water": 0.0007,
    "dry_matter": 0.0003,
}

PARAMETERS = ("structure", "chlorophyll", "carotenoid", "anthocyanin", "water", "dry_matter")
"""Order of the last axis of every parameter array."""
_LEAST = np.array([1.05, 1.0, 0.2, 0.0, 0.002, 0.001])


@dataclass(frozen=True)
class Unit:
    """One plant."""

    unit: str
    treatment: str
    block: str
    cultivar: Cultivar


def stream(seed: int, *purpose: str | int) -> np.random.Generator:
    """Return the random numbers of one purpose; no other purpose moves them."""
    words = [zlib.crc32(str(word).encode()) for word in purpose]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *words])))


def chosen_sessions(n_sessions: int) -> tuple[Session, ...]:
    """Return 1 to 4 sessions; two are the first and the last, where the effect is largest."""
    return tuple(SESSIONS[i] for i in _CHOSEN[n_sessions])


def units_of(n_plants: int) -> list[Unit]:
    """Return the plants of a layout that is balanced at 8, 16, 24, ... plants.

    With 24 plants the 16 cells of cultivar, treatment and bench hold one and two plants in turn:
    12 per treatment, 12 per bench, 6 per cultivar, 3 per cultivar and treatment.
    """
    width = max(2, len(str(n_plants)))
    units = []
    for i in range(n_plants):
        round_, within = divmod(i, 8)
        kind, arm = divmod(within, 2)
        bench = (kind % 2, 1 - kind % 2, (kind + arm + 1) % 2)[round_ % 3]
        name = f"p{i + 1:0{width}d}"
        units.append(Unit(name, TREATMENTS[arm], BLOCKS[bench], CULTIVARS[kind]))
    return units


def spray(session: Session, treatment: str, effect: float) -> float:
    """Return the planted mean gain of chlorophyll, ug/cm2."""
    return effect * session.spray_gain if treatment == "chelate" else 0.0


def limited(parameters: Array) -> Array:
    """Return parameters that the leaf model can take (none below a leaf that still is one)."""
    return np.asarray(np.maximum(parameters, _LEAST))


def leaf_parameters(
    seed: int, effect: float, units: list[Unit], sessions: tuple[Session, ...], n_leaves: int
) -> Array:
    """Return the true state of every leaf, shape ``(units, sessions, leaves, parameters)``.

    The same tagged leaves are followed: a leaf's deviation stays with it from day to day.
    """
    out = np.empty((len(units), len(sessions), n_leaves, len(PARAMETERS)))
    for i, unit in enumerate(units):
        draw = stream(seed, "plant", unit.unit)
        z = dict(zip(PLANT_SD, draw.standard_normal(len(PLANT_SD)), strict=True))
        plant = {name: PLANT_SD[name] * value for name, value in z.items()}
        response = 1.0 + RESPONSE_SD * draw.standard_normal()
        by_day = PLANT_BY_DAY_SD * draw.standard_normal(len(SESSIONS))
        leaf = LEAF_SD * draw.standard_normal(n_leaves)
        for k, session in enumerate(sessions):
            mean = mean_parameters(unit.cultivar, session)
            chlorophyll = mean[1] + BENCH[unit.block] + plant["chlorophyll"] + leaf
            chlorophyll = chlorophyll + by_day[session.order]
            chlorophyll = chlorophyll + response * spray(session, unit.treatment, effect)
            cell = out[i, k]
            cell[:, 0] = mean[0] + plant["structure"]
            cell[:, 1] = chlorophyll
            cell[:, 2] = carotenoid(chlorophyll)
            cell[:, 3] = mean[3] + plant["anthocyanin"]
            cell[:, 4] = mean[4] + plant["water"]
            cell[:, 5] = mean[5] + plant["dry_matter"]
    return limited(out)


def carotenoid(chlorophyll: Array) -> Array:
    """Return the carotenoid content that goes with a chlorophyll content, both ug/cm2."""
    return np.asarray(CAROTENOID_BASE + CAROTENOID_PER_CHLOROPHYLL * chlorophyll)


def mean_parameters(cultivar: Cultivar, session: Session) -> Array:
    """Return the planted mean of an unsprayed plant of a cultivar on a day."""
    chlorophyll = CHLOROPHYLL + session.control_drift + cultivar.chlorophyll
    return np.array(
        [
            STRUCTURE + cultivar.structure,
            chlorophyll,
            CAROTENOID_BASE + CAROTENOID_PER_CHLOROPHYLL * chlorophyll,
            ANTHOCYANIN,
            WATER + WATER_PER_SESSION * session.order + cultivar.water,
            DRY_MATTER,
        ]
    )


def spot_parameters(seed: int, scan: str, leaf: Array) -> Array:
    """Return what the clip sees at one spot of a leaf: the leaf's state and the scan's own part."""
    z = stream(seed, "spot", scan).standard_normal(len(SCAN_SD))
    part = {name: SCAN_SD[name] * value for name, value in zip(SCAN_SD, z, strict=True)}
    spot = leaf + np.array([part[name] for name in PARAMETERS])
    spot[2] += CAROTENOID_PER_CHLOROPHYLL * part["chlorophyll"]
    return limited(spot)

"""What the wet bench wrote down: raw extracts of some leaves, and one paper chromatogram.

The planted pigments of a leaf become absorbances of its extract in 80 % acetone by the equations of
Lichtenthaler 1987, turned round; then the errors of a careful bench are added.
"""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np

from seedlings.scenario import Array, Session, Unit, stream

# Ca = 12.25 A663.2 - 2.79 A646.8, Cb = 21.50 A646.8 - 5.10 A663.2 (ug/ml, path 1 cm), and
# Cx+c = (1000 A470 - 1.82 Ca - 85.02 Cb) / 198: Lichtenthaler 1987, Methods Enzymol. 148:350-382.
_TO_CHLOROPHYLLS = np.array([[12.25, -2.79], [-5.10, 21.50]])
_BLUE = np.array([1.82, 85.02, 198.0]) / 1000.0

MOST_ASSAYS = 20
SOLVENT = "acetone 80 %"
AREA_CM2, VOLUME_ML = 2.0, 6.0
RATIO_A_TO_B, RATIO_SD = 2.9, 0.15
U_ABSORBANCE, U_VOLUME_ML, U_AREA_CM2 = 0.003, 0.03, 0.03
TURBIDITY, TURBIDITY_SD = 0.004, 0.0015

FRONT_MM, U_MM = 118.0, 0.7
SYSTEM = "cellulose paper, petroleum ether-acetone 9:1"
SPOTS = (
    ("carotene", 0.95, "orange-yellow"),
    ("xanthophyll (lutein)", 0.71, "yellow"),
    ("chlorophyll a", 0.65, "blue-green"),
    ("chlorophyll b", 0.45, "yellow-green"),
)
"""What is planted on the strip: pigment, Rf, colour."""

_COLUMNS = (
    "unit", "session", "leaf", "solvent", "A663.2", "A646.8", "A470", "A750", "u_absorbance",
    "path_cm", "volume_ml", "u_volume_ml", "dilution", "leaf_area_cm2", "u_leaf_area_cm2",
    "band_width_nm", "method",
)  # fmt: skip


def assayed(n: int, units: list[Unit], n_leaves: int) -> list[tuple[int, int]]:
    """Return the plants and leaves (both from 0) that were extracted: one leaf of a plant."""
    n = min(n, len(units))
    plants = [k * len(units) // n for k in range(n)]
    return [(i, (i + 1) % 3 % n_leaves) for i in plants]


def true_contents(seed: int, unit: str, parameters: Array) -> Array:
    """Return chlorophyll a, b and carotenoids of a leaf, ug/cm2."""
    ratio = RATIO_A_TO_B + RATIO_SD * stream(seed, "assay ratio", unit).standard_normal()
    total = float(parameters[1])
    return np.array([total * ratio / (1.0 + ratio), total / (1.0 + ratio), float(parameters[2])])


def absorbances(c: Array) -> Array:
    """Return the absorbances at 663.2, 646.8 and 470 nm of concentrations a, b, x+c in ug/ml."""
    red, short = np.linalg.solve(_TO_CHLOROPHYLLS, c[:2])
    return np.array([red, short, float(_BLUE @ c)])


def assays_csv(
    seed: int, n: int, units: list[Unit], sessions: tuple[Session, ...], leaves: Array
) -> tuple[str, list[dict[str, Any]]]:
    """Return ``assays.csv`` and what is true of its leaves, which are those of the last day."""
    session = sessions[-1].session
    rows: list[tuple[str, ...]] = [_COLUMNS]
    truths: list[dict[str, Any]] = []
    for i, leaf in assayed(n, units, leaves.shape[2]):
        unit = units[i].unit
        true = true_contents(seed, unit, leaves[i, -1, leaf])
        z = stream(seed, "assay", unit).standard_normal(7)
        # What was punched and filled up differs a little from what was written down.
        area, volume = AREA_CM2 + U_AREA_CM2 * z[0], VOLUME_ML + U_VOLUME_ML * z[1]
        turbid = TURBIDITY + TURBIDITY_SD * z[2]
        read = np.append(absorbances(true * area / volume) + turbid, turbid)
        read = read + U_ABSORBANCE * z[3:]
        written = [f"{round(a, 4) + 0.0:.4f}" for a in read.tolist()]  # no -0.0000
        rows.append(
            (
                unit, session, str(leaf + 1), SOLVENT, *written,
                f"{U_ABSORBANCE:g}", "1", f"{VOLUME_ML:g}", f"{U_VOLUME_ML:g}", "1",
                f"{AREA_CM2:g}", f"{U_AREA_CM2:g}", "0.5", "four discs, ground in the cold",
            )
        )  # fmt: skip
        truths.append(
            {
                "unit": unit,
                "session": session,
                "leaf": str(leaf + 1),
                "chlorophyll_a_ug_cm2": round(float(true[0]), 5),
                "chlorophyll_b_ug_cm2": round(float(true[1]), 5),
                "carotenoids_ug_cm2": round(float(true[2]), 5),
            }
        )
    return _csv(rows), truths


def chromatograms_csv(seed: int, units: list[Unit], sessions: tuple[Session, ...]) -> str:
    """Return ``chromatograms.csv``: one strip of the first plant on the last day."""
    z = stream(seed, "strip").standard_normal(len(SPOTS))
    rows: list[tuple[str, ...]] = [
        ("strip", "unit", "session", "system", "front_mm", "spot_mm", "colour", "u_mm")
    ]
    for (_, rf, colour), noise in zip(SPOTS, z, strict=True):
        spot = f"{rf * FRONT_MM + U_MM * noise:.1f}"
        rows.append(
            ("strip1", units[0].unit, sessions[-1].session, SYSTEM, f"{FRONT_MM:g}", spot, colour,
             f"{U_MM:g}")
        )  # fmt: skip
    return _csv(rows)


def _csv(rows: list[tuple[str, ...]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()

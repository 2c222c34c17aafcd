"""How far the whites and darks of a session agree with each other."""

from __future__ import annotations

import numpy as np

from leafledger.reflectance.dark import Darks
from leafledger.reflectance.references import levels, middle_half
from leafledger.reflectance.session import References, Scans

DRIFT_WARNING = 0.01
"""Relative change of the white over a session that is worth a warning."""


def drift_and_outliers(scans: Scans, references: References) -> tuple[float, list[str]]:
    """Return the change of the white over the session, and sentences on references that differ.

    Returns
    -------
    tuple
        Range of the white level (median over 500-800 nm, relative to the mean of the session)
        over the blocks, or over the whites where there is one block; and warnings for a range over
        1 %, for whites more than 1 % off the middle of their block, and for darks off the
        middle of their integration time by more than 1 % of the white signal.
    """
    rate = references.whites.rate
    blocks = references.blocks.rate
    drift = float(np.ptp(levels(blocks if len(blocks) > 1 else rate, scans.wavelength_nm)))
    said = []
    if drift > DRIFT_WARNING:
        said.append(
            f"The white changed by {100 * drift:.1f} % over the session (more than "
            f"{100 * DRIFT_WARNING:g} %)."
        )
    level = levels(rate, scans.wavelength_nm)
    names = scans.scan[scans.where("white")]
    if not references.averaged:
        for block in references.members:
            middle = float(np.median(level[block]))
            said += [
                f"White {names[w]} is {100 * (level[w] / middle - 1):+.1f} % off the other whites "
                "taken with it."
                for w in block
                if abs(level[w] / middle - 1) > DRIFT_WARNING
            ]
    return drift, said + _odd_darks(scans, references.darks)


def _odd_darks(scans: Scans, darks: Darks) -> list[str]:
    middle = middle_half(scans.counts.shape[1])
    dark, white = scans.where("dark"), scans.where("white")
    level = np.median(scans.counts[dark][:, middle], axis=1)
    signal = float(np.median(scans.counts[white][:, middle])) - float(level.min())
    off = {d: level[d] - np.median(level[list(group)]) for group in darks.members for d in group}
    return [
        f"Dark {scans.scan[dark[d]]} is {_three_figures(by)} counts off the other darks of its "
        "integration time."
        for d, by in off.items()
        if abs(by) > DRIFT_WARNING * signal
    ]


def _three_figures(value: float) -> str:
    return f"{float(f'{value:.3g}'):+g}"

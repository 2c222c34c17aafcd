"""What heights of lines say together: over chance, and as the lines of one lamp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_CONSISTENCY, _SHORT_BY_CHANCE = 0.55, 1.28
"""The lines besides the strongest must show at least this share of what it makes expect, or fall
short of that by so many standard deviations at most, as nine in ten lamps do."""
_NEAR_NM, _NEAR_SHARE = 50.0, 0.6
"""Chance heights so near a group count where this share of them is above those of the session."""
_CHANCE_QUANTILE, _NORMAL_QUANTILE = 0.75, 1.1503
"""Share of chance heights (either sign) below this many standard deviations (normal)."""


def chance_deviation(height: Floats, clear_nm: Floats, centre_nm: Floats) -> Floats:
    """Return the standard deviation of chance heights at every group, ``(n_scans, n_groups)``.

    They are heights over what the stated noise makes expect. What that is wrong by is the same
    for all scans of a session, so that all together tell it. Only where a scan is clearly rougher
    near a group, as on the flank of a diode's peak, does it stand for itself.

    Parameters
    ----------
    height
        Heights over their stated standard deviation at places without a lamp's line, shape
        ``(n_scans, n_places)``.
    clear_nm, centre_nm
        Those places, and the groups of lines, nm.
    """
    absolute = np.abs(height)
    out = np.empty((len(height), len(centre_nm)))
    typical = float(np.median(np.quantile(absolute, _CHANCE_QUANTILE, axis=1)))
    for k, centre in enumerate(centre_nm):
        near = absolute[:, np.abs(clear_nm - centre) <= _NEAR_NM]
        own = np.quantile(near, _CHANCE_QUANTILE, axis=1)
        out[:, k] = np.maximum(typical, _NEAR_SHARE * own)
    return np.asarray(out / _NORMAL_QUANTILE)


def joint_score(height: Floats, expected: Floats, limit: float) -> Floats:
    """Return the joint height of the lines over its standard deviation, shape ``(n_scans,)``.

    At most ``limit`` where one line alone carries it.

    Parameters
    ----------
    height, expected
        Height of every group of lines over its standard deviation, and what a leak of this lamp
        would give, in any unit; shape ``(n_scans, n_groups)``.
    limit
        Score above which a lamp is called.
    """
    rows = np.arange(len(height))
    norm2 = (expected**2).sum(axis=1)
    parts = expected * height
    score = parts.sum(axis=1) / np.sqrt(norm2)
    strongest = np.argmax(parts, axis=1)
    rest_norm2 = norm2 - expected[rows, strongest] ** 2
    rest = (parts.sum(axis=1) - parts[rows, strongest]) / np.sqrt(rest_norm2)
    due = score * np.sqrt(rest_norm2 / norm2)
    shared = rest >= np.minimum(_CONSISTENCY * due, due - _SHORT_BY_CHANCE)
    return np.asarray(np.where(shared, score, np.minimum(score, limit)), dtype=np.float64)

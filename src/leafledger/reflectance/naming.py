"""Which references each leaf scan got, as columns of the reflectance table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.reflectance.session import References, Scans


def reference_columns(scans: Scans, references: References) -> dict[str, list[Any]]:
    """Return the columns of the reflectance table that are not spectra, one row per leaf scan.

    ``reference`` names the set: ``w2-w3-d1`` is white blocks 2 and 3 (in time order) with the
    darks of the first (shortest) integration time; ``w1-d1`` one block only; ``wm`` the mean of
    all whites; ``ds`` darks scaled over the integration time. ``white_before`` and
    ``white_after`` hold the middle scan of a block in time (the earlier of two), ``dark_before``
    and ``dark_after`` the nearest of the pooled darks in time; ``""`` for none.
    """
    sample, white, dark = (scans.where(role) for role in ("sample", "white", "dark"))
    middles = [str(scans.scan[white[block[(len(block) - 1) // 2]]]) for block in references.members]
    out: dict[str, list[Any]] = {
        "scan": [str(s) for s in scans.scan[sample]],
        "reference": [],
        "white_before": [],
        "white_after": [],
        "dark_before": [],
        "dark_after": [],
        "white_after_weight": [],
    }
    choice, darks = references.choice, references.darks
    groups = [None if darks.scaled else darks.group(float(t)) for t in scans.integration_ms[sample]]
    for row, group in enumerate(groups):
        blocks = [int(b) for b in (choice.before[row], choice.after[row]) if b >= 0]
        whites = ["wm"] if references.averaged else [f"w{b + 1}" for b in blocks]
        out["reference"].append("-".join([*whites, "ds" if group is None else f"d{group + 1}"]))
        for name, block in (("white_before", choice.before), ("white_after", choice.after)):
            named = not references.averaged and block[row] >= 0
            out[name].append(middles[block[row]] if named else "")
        weight = float(choice.after_weight[row])
        out["white_after_weight"].append(None if np.isnan(weight) else weight)
    out["dark_before"], out["dark_after"] = _darks_around(scans, references, sample, dark, groups)
    return out


def _darks_around(
    scans: Scans,
    references: References,
    sample: NDArray[np.intp],
    dark: NDArray[np.intp],
    groups: Sequence[int | None],
) -> tuple[list[str], list[str]]:
    """Return the ids of the nearest dark before and after each leaf scan, of its own group."""
    before, after = np.full(len(sample), "", dtype=object), np.full(len(sample), "", dtype=object)
    for group in dict.fromkeys(groups):
        rows = np.array([g == group for g in groups])
        pooled = dark if group is None else dark[list(references.darks.members[group])]
        ids = np.array([*scans.scan[pooled].tolist(), ""], dtype=object)
        earlier, later = _around(scans.time_s[pooled], scans.time_s[sample[rows]])
        before[rows], after[rows] = ids[earlier], ids[later]
    return before.tolist(), after.tolist()


def _around(
    dark_s: NDArray[np.float64], at_s: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the positions of the last dark not after, and the first after; -1 for none.

    Parameters
    ----------
    dark_s
        Times of the darks, shape ``(n_darks,)``, s; NaN if unknown. Of equal times the first
        counts.
    at_s
        Times of the leaf scans, shape ``(n_scans,)``, s.
    """
    known = np.flatnonzero(~np.isnan(dark_s))
    times, first = np.unique(dark_s[known], return_index=True)
    names = np.r_[known[first], -1]
    later = np.searchsorted(times, at_s, side="right")
    timed = ~np.isnan(at_s)
    # Position -1 is the last of names, which stands for none.
    return (
        np.where(timed, names[later - 1], -1),
        np.where(timed, names[later], -1),
    )

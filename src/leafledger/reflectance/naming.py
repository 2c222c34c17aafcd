"""Which references each leaf scan got, as columns of the reflectance table."""

from __future__ import annotations

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
    for row, at in enumerate(sample):
        group = None if darks.scaled else darks.group(float(scans.integration_ms[at]))
        blocks = [int(b) for b in (choice.before[row], choice.after[row]) if b >= 0]
        whites = ["wm"] if references.averaged else [f"w{b + 1}" for b in blocks]
        out["reference"].append("-".join([*whites, "ds" if group is None else f"d{group + 1}"]))
        for name, block in (("white_before", choice.before), ("white_after", choice.after)):
            named = not references.averaged and block[row] >= 0
            out[name].append(middles[block[row]] if named else "")
        weight = float(choice.after_weight[row])
        out["white_after_weight"].append(None if np.isnan(weight) else weight)
        pooled = dark if group is None else dark[list(darks.members[group])]
        earlier, later = _around(scans.time_s[pooled], float(scans.time_s[at]))
        out["dark_before"].append("" if earlier is None else str(scans.scan[pooled[earlier]]))
        out["dark_after"].append("" if later is None else str(scans.scan[pooled[later]]))
    return out


def _around(time_s: NDArray[np.float64], at_s: float) -> tuple[int | None, int | None]:
    """Return the positions of the last time not after, and the first time after ``at_s``."""
    earlier = np.flatnonzero(time_s <= at_s)
    later = np.flatnonzero(time_s > at_s)
    return (
        int(earlier[np.argmax(time_s[earlier])]) if len(earlier) else None,
        int(later[np.argmin(time_s[later])]) if len(later) else None,
    )

"""Classes that were never seen under equal conditions: no split can tell the two apart."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled import Labelled
from leafledger.errors import first_words


def never_together(
    codes: NDArray[np.int_], conditions: NDArray[np.int_], classes: tuple[str, ...]
) -> list[tuple[str, str]]:
    """Return the pairs of classes that share no condition (session, block).

    Parameters
    ----------
    codes, conditions
        Class number and condition number of every scan.
    classes
        Labels.

    Examples
    --------
    >>> never_together(np.array([0, 0, 1, 2]), np.array([0, 1, 1, 2]), ("A", "B", "C"))
    [('A', 'C'), ('B', 'C')]
    """
    seen = [set(conditions[codes == i].tolist()) for i in range(len(classes))]
    return [
        (classes[i], classes[j])
        for i, j in combinations(range(len(classes)), 2)
        if not seen[i] & seen[j]
    ]


def confounding_warnings(data: Labelled, target: str, block: str | None) -> list[str]:
    """Return a warning for the sessions and one for the blocks that stand for a class.

    Parameters
    ----------
    data
        Labelled spectra.
    target
        Name of the target.
    block
        Name of the block column, if there is one.
    """
    conditions = [("session", "day", data.day)]
    if block is not None and block != target and data.blocks:
        conditions.append(("block", "place", data.unit_blocks[data.unit_of]))
    found = []
    for word, thing, numbers in conditions:
        pairs = never_together(data.codes, numbers, data.classes)
        if pairs:
            told = first_words([f"{a} and {b}" for a, b in pairs], 5)
            found.append(
                f"classes of {target} that were never measured in the same {word}: {told}. What "
                f"tells them apart may be the {thing}, and no way of splitting these scans can "
                "show which"
            )
    return found

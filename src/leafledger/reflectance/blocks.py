"""Which white references a leaf scan gets: blocks of whites, and the leaves between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BRACKET_S = 30 * 60.0
"""Whites on both sides of a leaf should be no farther apart than this, s."""
ONE_SIDED_S = 10 * 60.0
"""A leaf with whites on one side only should be no farther from them than this, s."""


@dataclass(frozen=True)
class Choice:
    """The white blocks of each leaf scan.

    Attributes
    ----------
    before, after
        Positions of the blocks, shape ``(n_samples,)``; -1 for none.
    after_weight
        Share of the block after, 0 to 1; NaN where all whites are averaged.
    gap_s
        Seconds between the two blocks, or from the leaf to its only block; 0 without times.
    """

    before: NDArray[np.intp]
    after: NDArray[np.intp]
    after_weight: NDArray[np.float64]
    gap_s: NDArray[np.float64]

    @property
    def interpolated(self) -> NDArray[np.bool_]:
        """Whether a leaf lies between two blocks, shape ``(n_samples,)``."""
        return (self.before >= 0) & (self.after >= 0)


def white_blocks(
    time_s: NDArray[np.float64], is_white: NDArray[np.bool_]
) -> list[NDArray[np.intp]]:
    """Group whites that follow each other into blocks.

    A block holds consecutive whites in time order with no leaf scan between them; a pause of more
    than 10 minutes between two whites also ends a block.

    Parameters
    ----------
    time_s
        Times of whites and leaf scans, shape ``(n,)``, s; equal times keep their order.
    is_white
        Which of them are whites, shape ``(n,)``.

    Returns
    -------
    list of ndarray
        Positions of the whites of each block, in time order.
    """
    blocks: list[list[int]] = []
    previous: int | None = None
    for position in np.argsort(time_s, kind="stable"):
        here = int(position)
        if not is_white[here]:
            previous = None
            continue
        if previous is None or time_s[here] - time_s[previous] > ONE_SIDED_S:
            blocks.append([])
        blocks[-1].append(here)
        previous = here
    return [np.array(block, dtype=np.intp) for block in blocks]


def bracket(block_s: NDArray[np.float64], sample_s: NDArray[np.float64]) -> Choice:
    """Give each leaf scan the block before and the block after, weighted linearly in time.

    Before the first and after the last block there is one block only.

    Parameters
    ----------
    block_s
        Times of the blocks, shape ``(n_blocks,)``, s, rising.
    sample_s
        Times of the leaf scans, shape ``(n_samples,)``, s.
    """
    after = np.searchsorted(block_s, sample_s, side="right").astype(np.intp)
    before = after - 1
    last = len(block_s) - 1
    both = (before >= 0) & (after <= last)
    start, stop = block_s[np.maximum(before, 0)], block_s[np.minimum(after, last)]
    span = np.where(both, stop - start, 1.0)
    weight = np.where(both, (sample_s - start) / span, np.where(before >= 0, 0.0, 1.0))
    one_sided = np.where(before >= 0, sample_s - start, stop - sample_s)
    return Choice(
        before=before,
        after=np.where(after <= last, after, -1),
        after_weight=weight,
        gap_s=np.where(both, stop - start, one_sided),
    )


def nearest(block_s: NDArray[np.float64], sample_s: NDArray[np.float64]) -> Choice:
    """Give each leaf scan the block nearest in time (the earlier one of two equally near)."""
    either = bracket(block_s, sample_s)
    takes_after = np.where(either.interpolated, either.after_weight > 0.5, either.before < 0)
    before = np.where(takes_after, -1, either.before)
    after = np.where(takes_after, either.after, -1)
    block = np.where(takes_after, after, before)
    return Choice(
        before=before,
        after=after,
        after_weight=takes_after.astype(np.float64),
        gap_s=np.abs(sample_s - block_s[block]),
    )


def all_whites(n_samples: int) -> Choice:
    """Give every leaf scan the one block that holds all whites of the session."""
    return Choice(
        before=np.zeros(n_samples, dtype=np.intp),
        after=np.full(n_samples, -1, dtype=np.intp),
        after_weight=np.full(n_samples, np.nan),
        gap_s=np.zeros(n_samples),
    )

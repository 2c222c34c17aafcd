"""The rule ``bracket``, ``nearest`` or ``mean``, carried out on a session and reported."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault
from leafledger.reflectance import refusals
from leafledger.reflectance.blocks import (
    BRACKET_S,
    ONE_SIDED_S,
    Choice,
    all_whites,
    bracket,
    nearest,
    white_blocks,
)

_ODD_GAP = 1.5
_FEWEST_GAPS = 3


def assign(
    rule: str,
    white_s: NDArray[np.float64],
    sample_s: NDArray[np.float64],
    names: tuple[list[str], list[str]],
    session: str,
) -> tuple[list[NDArray[np.intp]], Choice, bool, list[str]]:
    """Give each leaf scan its whites.

    Without any times the rule ``mean`` stands in for ``bracket`` and ``nearest``, with a warning.

    Parameters
    ----------
    rule
        ``bracket``, ``nearest`` or ``mean``.
    white_s, sample_s
        Times of whites and leaf scans, ``(n_whites,)`` and ``(n_samples,)``, s; NaN if unknown.
    names
        Ids of whites and leaf scans.
    session
        Session id.

    Returns
    -------
    tuple
        Positions of the whites of each block; the choice; whether all whites were averaged;
        warnings.

    Raises
    ------
    InputFault
        If times are stated for some whites and leaf scans but not for all.
    """
    time_s = np.r_[white_s, sample_s]
    said = []
    if rule != "mean":
        blank = np.isnan(time_s)
        problems = refusals.half_stated([*names[0], *names[1]], blank, "time", session)
        if problems:
            raise InputFault(problems)
        if blank.all():
            said.append(
                f"No scan states its time: the mean of all whites is used instead of {rule}."
            )
            rule = "mean"
    if rule == "mean":
        everything = np.argsort(np.array(names[0]), kind="stable").astype(np.intp)
        return [everything], all_whites(len(sample_s)), True, said
    n_whites = len(white_s)
    members = white_blocks(time_s, np.arange(len(time_s)) < n_whites)
    block_s = np.array([np.median(white_s[m]) for m in members])
    choice = (bracket if rule == "bracket" else nearest)(block_s, sample_s)
    return members, choice, False, [*said, *distances(rule, choice, names[1], block_s)]


def distances(
    rule: str, choice: Choice, scans: Sequence[str], block_s: NDArray[np.float64]
) -> list[str]:
    """Return warnings for leaf scans whose whites are one-sided or far away in time.

    Parameters
    ----------
    rule, choice
        The rule and what it gave each leaf scan.
    scans
        Ids of the leaf scans.
    block_s
        Times of the white blocks, s, rising.
    """
    n = len(choice.before)
    between = choice.interpolated
    said = []
    if rule == "bracket" and (~between).any():
        said.append(
            f"{(~between).sum()} of {n} leaf scans have whites on one side only: a change of the "
            "lamp cannot be followed there."
        )
    far = between & (choice.gap_s > BRACKET_S)
    if far.any():
        said.append(
            f"{far.sum()} of {n} leaf scans lie between whites more than {BRACKET_S / 60:g} min "
            f"apart (up to {choice.gap_s[far].max() / 60:.0f} min)."
        )
    far = ~between & (choice.gap_s > ONE_SIDED_S)
    if far.any():
        said.append(
            f"{far.sum()} of {n} leaf scans are more than {ONE_SIDED_S / 60:g} min from their "
            f"only white (up to {choice.gap_s[far].max() / 60:.0f} min)."
        )
    return said + _in_odd_gaps(choice, scans, block_s)


def _in_odd_gaps(choice: Choice, scans: Sequence[str], block_s: NDArray[np.float64]) -> list[str]:
    """Name the leaf scans between white blocks with far more time and leaves than is usual.

    Where a block was left out both double; a pause, or darks half way, adds time alone.
    """
    gaps = np.diff(block_s)
    if len(gaps) < _FEWEST_GAPS:
        return []
    usual = float(np.median(gaps))
    # The blocks are numbered in time: between k and k + 1 lie the leaves whose block before is k.
    between = np.bincount(choice.before[choice.interpolated], minlength=len(gaps))
    full = between > _ODD_GAP * np.median(between)
    odd = choice.interpolated & (choice.gap_s > _ODD_GAP * usual)
    odd[odd] = full[choice.before[odd]]
    names = [scan for scan, far in zip(scans, odd, strict=True) if far]
    if not names:
        return []
    widest = choice.gap_s[odd].max() / 60
    return [
        f"{len(names)} of {len(scans)} leaf scans lie between whites {widest:.0f} min apart, where "
        f"{usual / 60:.0f} min is usual: a block of whites seems to be missing around "
        f"{refusals.listed(names)}."
    ]

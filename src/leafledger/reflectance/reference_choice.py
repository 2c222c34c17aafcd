"""Which whites belong to which leaf, and which references are refused?

Whites that follow each other form blocks; a leaf gets the block before and after (``bracket``),
the nearest, or all. Problems name the scans, what is wrong with them, and how to mend it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.reflectance.detector import Darks, same_time
from leafledger.words import minutes_text

Floats = NDArray[np.float64]


# Whites of each leaf scan
# ----------------------------------------------------------------------

_ODD_GAP = 1.5
_FEWEST_GAPS = 3
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
    after_weight: Floats
    gap_s: Floats

    @property
    def interpolated(self) -> NDArray[np.bool_]:
        """Whether a leaf lies between two blocks, shape ``(n_samples,)``."""
        return (self.before >= 0) & (self.after >= 0)


def assign_whites(
    rule: str,
    white_s: Floats,
    sample_s: Floats,
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
    warnings = []
    if rule != "mean":
        blank = np.isnan(time_s)
        problems = partly_missing([*names[0], *names[1]], blank, "time", session)
        if problems:
            raise InputFault(problems)
        if blank.all():
            warnings.append(
                f"No scan states its time: the mean of all whites is used instead of {rule}."
            )
            rule = "mean"
    if rule == "mean":
        everything = np.argsort(np.array(names[0]), kind="stable").astype(np.intp)
        return [everything], all_whites(len(sample_s)), True, warnings
    n_whites = len(white_s)
    members = white_blocks(time_s, np.arange(len(time_s)) < n_whites)
    block_s = np.array([np.median(white_s[m]) for m in members])
    choice = (bracket if rule == "bracket" else nearest)(block_s, sample_s)
    return members, choice, False, [*warnings, *distances(rule, choice, names[1], block_s)]


def all_whites(n_samples: int) -> Choice:
    """Give every leaf scan the one block that holds all whites of the session."""
    return Choice(
        before=np.zeros(n_samples, dtype=np.intp),
        after=np.full(n_samples, -1, dtype=np.intp),
        after_weight=np.full(n_samples, np.nan),
        gap_s=np.zeros(n_samples),
    )


def white_blocks(time_s: Floats, is_white: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
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


def bracket(block_s: Floats, sample_s: Floats) -> Choice:
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


def nearest(block_s: Floats, sample_s: Floats) -> Choice:
    """Give each leaf scan the block nearest in time (the earlier one of two equally near)."""
    bracketed = bracket(block_s, sample_s)
    takes_after = np.where(
        bracketed.interpolated, bracketed.after_weight > 0.5, bracketed.before < 0
    )
    before = np.where(takes_after, -1, bracketed.before)
    after = np.where(takes_after, bracketed.after, -1)
    block = np.where(takes_after, after, before)
    return Choice(
        before=before,
        after=after,
        after_weight=takes_after.astype(np.float64),
        gap_s=np.abs(sample_s - block_s[block]),
    )


def distances(rule: str, choice: Choice, scans: Sequence[str], block_s: Floats) -> list[str]:
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
    warnings = []
    if rule == "bracket" and (~between).any():
        warnings.append(
            f"{(~between).sum()} of {n} leaf scans have whites on one side only: a change of the "
            "lamp cannot be followed there."
        )
    far = between & (choice.gap_s > BRACKET_S)
    if far.any():
        warnings.append(
            f"{far.sum()} of {n} leaf scans lie between whites more than {BRACKET_S / 60:g} min "
            f"apart (up to {_whole_minutes(choice.gap_s[far].max())})."
        )
    far = ~between & (choice.gap_s > ONE_SIDED_S)
    if far.any():
        warnings.append(
            f"{far.sum()} of {n} leaf scans are more than {ONE_SIDED_S / 60:g} min from their "
            f"only white (up to {_whole_minutes(choice.gap_s[far].max())})."
        )
    return warnings + _in_odd_gaps(choice, scans, block_s)


def _whole_minutes(seconds: float) -> str:
    return minutes_text(round(seconds / 60))


def _in_odd_gaps(choice: Choice, scans: Sequence[str], block_s: Floats) -> list[str]:
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
    widest = choice.gap_s[odd].max()
    return [
        f"{len(names)} of {len(scans)} leaf scans lie between whites {_whole_minutes(widest)} "
        f"apart, where {_whole_minutes(usual)} is usual: a block of whites seems to be missing "
        f"around {listed(names)}."
    ]


# References that cannot be used
# ----------------------------------------------------------------------

_SHEET = "scans.csv"
_WHITE_OVER_DARK = 1.1
_DARK_NEAR_WHITE = 0.5
_SHOWN = 8


def missing_references(session: str, n_whites: int, n_darks: int) -> list[Problem]:
    """Return a problem for each kind of reference that a session of counts lacks."""
    problems = []
    for role, number in (("white", n_whites), ("dark", n_darks)):
        if not number:
            problems.append(
                Problem(
                    file=_SHEET,
                    column="role",
                    found=f"session {session} with leaf scans in counts but no {role}",
                    expected=f"at least one scan of role {role} in every session",
                    mend=f"Add the {role} of that session to the sheet. If the file already holds "
                    "reflectance, say quantity: reflectance in intake.forms.",
                )
            )
    return problems


def swapped_roles(session: str, whites: Floats, darks: Floats, leaves: Floats) -> list[Problem]:
    """Return one problem if the whites of a session lie below its darks.

    Parameters
    ----------
    session
        Session id.
    whites, darks, leaves
        Level of each white, dark and leaf scan, counts: medians over the middle half of the axis.

    Notes
    -----
    No dark is brighter than a white: roles were exchanged. All that would be said of levels and
    integration times of single scans follows from that. Where there was little light the two are
    near each other: then every white lies below every dark, and the leaves between them.
    """
    white, dark = float(np.median(whites)), float(np.median(darks))
    is_reversed = (
        whites.max() < darks.min() and whites.max() < float(np.median(leaves)) < darks.min()
    )
    if dark <= _WHITE_OVER_DARK * max(white, 0.0) and not is_reversed:
        return []
    return [
        Problem(
            file=_SHEET,
            column="role",
            found=f"whites below darks in session {session}: swapped? (whites at {white:.6g}, "
            f"darks at {dark:.6g} counts, medians of the middle half of the axis)",
            expected="whites far above the darks",
            mend="Exchange the roles dark and white of this session in the sheet.",
        )
    ]


def partly_missing(
    scans: Sequence[str], missing: NDArray[np.bool_], column: str, session: str
) -> list[Problem]:
    """Return a problem if a column is filled for some scans of a session but not for all."""
    if missing.all() or not missing.any():
        return []
    names = [scan for scan, is_missing in zip(scans, missing, strict=True) if is_missing]
    return [
        Problem(
            file=_SHEET,
            column=column,
            found=f"no value for {len(names)} of {len(scans)} scans of session {session}: "
            f"{listed(names)}",
            expected="a value for every leaf scan, white and dark of the session, or for none",
            mend=f"Fill in {column} for these scans.",
        )
    ]


def listed(scans: Sequence[str]) -> str:
    """Return scan ids as text, at most eight of them.

    Examples
    --------
    >>> listed(["a", "b"])
    'a, b'
    """
    first = ", ".join(scans[:_SHOWN])
    return first if len(scans) <= _SHOWN else f"{first} and {len(scans) - _SHOWN} more"


def bad_times(scans: Sequence[str], integration_ms: Floats, averages: Floats) -> list[Problem]:
    """Return a problem for integration times and averages that are not above zero."""
    problems = []
    for column, values in (("integration_ms", integration_ms), ("averages", averages)):
        wrong = ~(np.isfinite(values) & (values > 0))
        names = [scan for scan, bad in zip(scans, wrong, strict=True) if bad]
        if names:
            problems.append(
                Problem(
                    file=_SHEET,
                    column=column,
                    found=f"a value of zero or below for {listed(names)}",
                    expected="a number above zero",
                    mend="Correct it.",
                )
            )
    return problems


def darks_missing(scans: Sequence[str], integration_ms: Floats, darks: Darks) -> list[Problem]:
    """Return a problem for each integration time of leaves or whites that no dark shares.

    Under the rule ``scaled``, instead, darks at two integration times are needed.
    """
    have = ", ".join(f"{t:g}" for t in darks.integration_ms)
    if darks.scaled:
        if len(darks.integration_ms) > 1:
            return []
        return [
            Problem(
                file=_SHEET,
                column="integration_ms",
                found=f"darks at one integration time only ({have} ms)",
                expected="darks at two integration times or more, as reflectance.dark: scaled asks",
                mend="Add darks at another time, or say dark: per_integration_time.",
            )
        ]
    problems: list[Problem] = []
    seen: list[float] = []
    for time in np.unique(integration_ms):
        if darks.group(float(time)) is None and not any(same_time(time, s) for s in seen):
            seen.append(float(time))
            names = [s for s, t in zip(scans, integration_ms, strict=True) if same_time(t, time)]
            problems.append(
                Problem(
                    file=_SHEET,
                    column="integration_ms",
                    found=f"no dark at {time:g} ms, the integration time of {listed(names)}",
                    expected=f"a dark at the same integration time (darks exist at {have} ms)",
                    mend="Add such a dark, or say reflectance.dark: scaled if there are darks at "
                    "two integration times.",
                )
            )
    return problems


def dim_whites(
    scans: Sequence[str],
    files: Sequence[str],
    counts: Floats,
    dark: Floats,
) -> list[Problem]:
    """Return a problem for each white that is no brighter than the dark.

    Over the pixels given, the median of the white must exceed the median of its dark, and be at
    least 1.1 times as high where the dark is above zero.

    Parameters
    ----------
    scans, files
        Ids of the whites and their files.
    counts, dark
        Whites and the darks of their integration times over the middle half of the axis,
        ``(n_whites, n_pixels)``.
    """
    problems = []
    levels, floors = np.median(counts, axis=1), np.median(dark, axis=1)
    rises = np.median(counts - dark, axis=1)
    for scan, file, level, floor, rise in zip(scans, files, levels, floors, rises, strict=True):
        if level <= max(floor, _WHITE_OVER_DARK * floor) or rise <= 0:
            problems.append(
                Problem(
                    file=file or _SHEET,
                    found=f"white {scan} at {level:.6g} counts, its dark at {floor:.6g} (medians "
                    "of the middle half of the axis)",
                    expected=f"a white at least {_WHITE_OVER_DARK:g} times as bright as the dark",
                    mend="Check whether white and dark were swapped or the lamp was off; correct "
                    "the role or take the scan out of the sheet.",
                )
            )
    return problems


def bright_darks(
    scans: Sequence[str],
    files: Sequence[str],
    levels: Floats,
    darks: Darks,
    white_level: float,
) -> list[Problem]:
    """Return a problem for each dark that is as bright as a white.

    A dark must not stand above the lowest dark of its integration time by more than half the way
    from there to the whites.

    Parameters
    ----------
    scans, files
        Ids of the darks and their files.
    levels
        Their medians over the middle half of the axis, counts.
    darks
        The pooled darks.
    white_level
        Median of the whites there, counts.
    """
    problems = []
    for group in darks.members:
        lowest = float(levels[list(group)].min())
        for dark in group if white_level > lowest else ():
            if levels[dark] - lowest > _DARK_NEAR_WHITE * (white_level - lowest):
                problems.append(
                    Problem(
                        file=files[dark] or _SHEET,
                        found=f"dark {scans[dark]} at {levels[dark]:.6g} counts, another dark of "
                        f"that integration time at {lowest:.6g}, whites at {white_level:.6g}",
                        expected="darks that agree and stand far below the whites",
                        mend="Check whether light reached the detector or roles were swapped; "
                        "correct the role or take the scan out of the sheet.",
                    )
                )
    return problems

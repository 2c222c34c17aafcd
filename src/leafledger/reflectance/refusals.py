"""What makes a session's references unusable, said to the person who measured them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import Problem
from leafledger.reflectance.dark import Darks, same_time

Floats = NDArray[np.float64]

_SHEET = "scans.csv"
_WHITE_OVER_DARK = 1.1
_DARK_NEAR_WHITE = 0.5
_SHOWN = 8


def listed(scans: Sequence[str]) -> str:
    """Return scan ids as text, at most eight of them.

    Examples
    --------
    >>> listed(["a", "b"])
    'a, b'
    """
    shown = ", ".join(scans[:_SHOWN])
    return shown if len(scans) <= _SHOWN else f"{shown} and {len(scans) - _SHOWN} more"


def missing_references(session: str, n_whites: int, n_darks: int) -> list[Problem]:
    """Return a problem for each kind of reference that a session of counts lacks."""
    found = []
    for role, number in (("white", n_whites), ("dark", n_darks)):
        if not number:
            found.append(
                Problem(
                    file=_SHEET,
                    column="role",
                    found=f"session {session} with leaf scans in counts but no {role}",
                    expected=f"at least one scan of role {role} in every session",
                    mend=f"Add the {role} of that session to the sheet. If the file already holds "
                    "reflectance, say quantity: reflectance in intake.forms.",
                )
            )
    return found


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
    apart = whites.max() < darks.min() and whites.max() < float(np.median(leaves)) < darks.min()
    if dark <= _WHITE_OVER_DARK * max(white, 0.0) and not apart:
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


def half_stated(
    scans: Sequence[str], missing: NDArray[np.bool_], column: str, session: str
) -> list[Problem]:
    """Return a problem if a column is filled for some scans of a session but not for all."""
    if missing.all() or not missing.any():
        return []
    names = [scan for scan, gone in zip(scans, missing, strict=True) if gone]
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


def bad_times(
    scans: Sequence[str], integration_ms: NDArray[np.float64], averages: NDArray[np.float64]
) -> list[Problem]:
    """Return a problem for integration times and averages that are not above zero."""
    found = []
    for column, values in (("integration_ms", integration_ms), ("averages", averages)):
        wrong = ~(np.isfinite(values) & (values > 0))
        names = [scan for scan, bad in zip(scans, wrong, strict=True) if bad]
        if names:
            found.append(
                Problem(
                    file=_SHEET,
                    column=column,
                    found=f"a value of zero or below for {listed(names)}",
                    expected="a number above zero",
                    mend="Correct it.",
                )
            )
    return found


def darks_missing(
    scans: Sequence[str], integration_ms: NDArray[np.float64], darks: Darks
) -> list[Problem]:
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
    found: list[Problem] = []
    seen: list[float] = []
    for time in np.unique(integration_ms):
        if darks.group(float(time)) is None and not any(same_time(time, s) for s in seen):
            seen.append(float(time))
            names = [s for s, t in zip(scans, integration_ms, strict=True) if same_time(t, time)]
            found.append(
                Problem(
                    file=_SHEET,
                    column="integration_ms",
                    found=f"no dark at {time:g} ms, the integration time of {listed(names)}",
                    expected=f"a dark at the same integration time (darks exist at {have} ms)",
                    mend="Add such a dark, or say reflectance.dark: scaled if there are darks at "
                    "two integration times.",
                )
            )
    return found


def dim_whites(
    scans: Sequence[str],
    files: Sequence[str],
    counts: NDArray[np.float64],
    dark: NDArray[np.float64],
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
    found = []
    levels, floors = np.median(counts, axis=1), np.median(dark, axis=1)
    rises = np.median(counts - dark, axis=1)
    for scan, file, level, floor, rise in zip(scans, files, levels, floors, rises, strict=True):
        if level <= max(floor, _WHITE_OVER_DARK * floor) or rise <= 0:
            found.append(
                Problem(
                    file=file or _SHEET,
                    found=f"white {scan} at {level:.6g} counts, its dark at {floor:.6g} (medians "
                    "of the middle half of the axis)",
                    expected=f"a white at least {_WHITE_OVER_DARK:g} times as bright as the dark",
                    mend="Check whether white and dark were swapped or the lamp was off; correct "
                    "the role or take the scan out of the sheet.",
                )
            )
    return found


def bright_darks(
    scans: Sequence[str],
    files: Sequence[str],
    levels: NDArray[np.float64],
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
    found = []
    for group in darks.members:
        lowest = float(levels[list(group)].min())
        for dark in group if white_level > lowest else ():
            if levels[dark] - lowest > _DARK_NEAR_WHITE * (white_level - lowest):
                found.append(
                    Problem(
                        file=files[dark] or _SHEET,
                        found=f"dark {scans[dark]} at {levels[dark]:.6g} counts, another dark of "
                        f"that integration time at {lowest:.6g}, whites at {white_level:.6g}",
                        expected="darks that agree and stand far below the whites",
                        mend="Check whether light reached the detector or roles were swapped; "
                        "correct the role or take the scan out of the sheet.",
                    )
                )
    return found

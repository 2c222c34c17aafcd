"""Why a lamp scan cannot be used, in words for the person at the bench."""

from __future__ import annotations

from dataclasses import dataclass

BROADEST_NM = 15.0
"""No leaf spectrometer has lines this broad: a broader peak is not a line."""
FEWEST_PIXELS = 1.4
"""A line narrower than this many pixels cannot be placed between them."""


@dataclass(frozen=True)
class LampRefusal:
    """Why a lamp scan cannot be used: what was found and what was expected, in words."""

    found: str
    expected: str
    mend: str


def flooded(share: float) -> LampRefusal:
    """Refuse a detector that is full at a share of its pixels, or without light if that is 0."""
    if share > 0:
        return LampRefusal(
            f"a detector full at {100 * share:.0f} % of its pixels",
            "lines below full scale",
            "Measure the lamp again with a shorter integration time or from further away.",
        )
    return LampRefusal(
        "no light above dark",
        "the lines of a mercury-argon lamp",
        "Check that the lamp was on, and that its dark has the same integration time.",
    )


def no_lines(width: float | None) -> LampRefusal:
    """Refuse a spectrum without peaks, or with broad ones only."""
    found = "no peak above the noise" if width is None else f"peaks {width:.0f} nm broad"
    return LampRefusal(
        found,
        f"narrow lines of a mercury-argon lamp (below {BROADEST_NM:g} nm)",
        "Measure a mercury-argon lamp, or take the scan out of role lamp.",
    )


def too_narrow(width: float, step: float) -> LampRefusal:
    """Refuse lines that are narrower than the wavelengths are apart."""
    return LampRefusal(
        f"lines {width:.2g} nm wide on wavelengths {step:.2g} nm apart",
        f"lines at least {FEWEST_PIXELS:g} pixels wide",
        "If the export was thinned out, export every pixel of the detector; if these are all its "
        "pixels, its lines are too narrow to be placed: take the scan out of role lamp.",
    )


def too_few(n: int, fewest: int, n_saturated: int) -> LampRefusal:
    """Refuse a lamp of which too few lines can be placed."""
    full = f"; the detector is full at {n_saturated} more" if n_saturated else ""
    return LampRefusal(
        f"{n} lines that can be placed{full}",
        f"at least {fewest}",
        "Measure the lamp again with "
        + ("a shorter integration time." if n_saturated else "more light or more averages."),
    )

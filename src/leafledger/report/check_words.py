"""The names of the checks as a reader says them."""

from __future__ import annotations

CHECK_WORDS = {
    "ambient_light": "room light in the leaf scan",
    "ambient_scan": "room light with the lamp off",
    "bad_dark": "dark reference off",
    "clip_moved": "clip moved or lifted",
    "dark_against_sessions": "darks unlike those of other sessions",
    "dark_drift": "dark drifted",
    "dark_noise": "dark of unusual noise",
    "dark_pixel": "pixels that stand out in one dark",
    "decision": "decision of a person",
    "duplicate": "same scan twice",
    "far_from_white": "measured long after a white",
    "group_disagrees": "group of scans that disagree",
    "hot_pixel": "hot or dead pixels",
    "impossible_reflectance": "impossible reflectance",
    "lamp_lines": "lines of room lamps",
    "low_signal": "low signal",
    "no_leaf": "no leaf in the clip",
    "reference_at_fault": "rests on a reference at fault",
    "reference_drift": "white drifted",
    "replicate": "unlike its replicates",
    "replicate_q": "unlike its replicates in shape",
    "replicate_t2": "unlike its replicates in extent",
    "saturated": "saturated",
    "time_order": "times out of order",
    "wavelength_shift": "wavelength axis shifted",
    "white_saturated": "white saturated",
    "weak_white": "weak white reference",
}
"""Check (or ``decision``) -> words."""


def check_words(name: str) -> str:
    """Return a check in words; a name that is new here, without its underscores.

    Examples
    --------
    >>> check_words("far_from_white"), check_words("something_new")
    ('measured long after a white', 'something new')
    """
    return CHECK_WORDS.get(name, name.replace("_", " "))

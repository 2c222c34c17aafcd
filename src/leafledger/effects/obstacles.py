"""What hinders the test of a contrast once it is known which units have values."""

from __future__ import annotations

import math
from collections.abc import Sequence

from leafledger.effects.changes import Sample
from leafledger.effects.layout import Contrast, Layout
from leafledger.effects.result import mean
from leafledger.effects.words import counted


def too_few(layout: Layout, contrast: Contrast, found: Sample) -> str:
    """Return why the units of a contrast are too few for a test; ``""`` if they are not."""
    treated, reference = found.arms
    if not contrast.reference:
        if len(treated) >= 2:
            return ""
        have = counted(len(treated), layout.word)
        return f"{have} with the pair in {contrast.level}; at least 2 are needed: description only"
    if text := _session_confounded(layout, contrast, found):
        return text
    short = [
        f"{level} has {counted(len(arm), layout.word)} with the pair"
        for level, arm in ((contrast.level, treated), (contrast.reference, reference))
        if len(arm) < 2
    ]
    return f"{', '.join(short)}; at least 2 are needed: description only" if short else ""


def _session_confounded(layout: Layout, contrast: Contrast, found: Sample) -> str:
    """Say where one arm was never measured in a session that the other one has."""
    arms = layout.within(contrast.stratum).levels
    level, reference = contrast.level, contrast.reference
    never = [name for name in (level, reference) if _valueless(found, arms.get(name, ()))]
    if never:
        return ""  # an index that an arm lacks throughout says nothing of when it was measured
    for session, gone in found.missing.items():
        without = [name for name in (level, reference) if set(arms.get(name, ())) <= set(gone)]
        if len(without) == 1 and arms.get(without[0]):
            other = reference if without[0] == level else level
            return (
                f"no {layout.word or 'unit'} of {without[0]} has a value in {session} and those of "
                f"{other} have: the treatment cannot be told from the session"
            )
    return ""


def _valueless(found: Sample, arm: Sequence[str]) -> bool:
    """Return whether no unit of an arm has a value in any session of the contrast."""
    return all(set(arm) <= set(found.missing.get(session, ())) for session in found.sessions)


def described(contrast: Contrast, found: Sample) -> float:
    """Return the estimate alone, where the units allow no test."""
    treated, reference = found.arms
    if len(treated) == 0 or (contrast.reference and len(reference) == 0):
        return math.nan
    return mean(treated) - (mean(reference) if contrast.reference else 0.0)

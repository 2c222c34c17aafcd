"""The contrasts that a design allows, and in words why it does not allow one."""

from __future__ import annotations

from collections.abc import Sequence

from leafledger.effects.instruments import apart
from leafledger.effects.layout import ALL, CHANGE, DIFFERENCE, EQUIVALENCE, Contrast, Layout


def contrasts(layout: Layout, stratum: str = ALL) -> list[Contrast]:
    """Return the contrasts between sessions, also those that the design cannot answer."""
    out = []
    layout = layout.within(stratum)
    for after in layout.after or ("",):
        step = f"{after or 'after'}-{layout.before_name}"
        obstacle = no_sessions(layout)
        for level in layout.levels:
            out.append(Contrast(CHANGE, f"{step}@{level}", after, level, "", obstacle, stratum))
        for level in layout.treated:
            name = f"({step})@{level}-{layout.control}"
            hindered = obstacle or confounding(layout, level, [after])
            for question in (DIFFERENCE, EQUIVALENCE):
                out.append(
                    Contrast(question, name, after, level, layout.control, hindered, stratum)
                )
    return out


def no_sessions(layout: Layout) -> str:
    """Return why no change can be computed; ``""`` if it can."""
    if not layout.before:
        return (
            "the study has no before session, so no change can be computed; levels after "
            "treatment are not compared in its place"
        )
    if not layout.after:
        return "the study has no after session, so no change can be computed"
    return ""


def confounding(layout: Layout, level: str, after: Sequence[str]) -> str:
    """Return why a treatment cannot be told from block or instrument; ``""`` if it can.

    Parameters
    ----------
    layout
        The design.
    level
        The treatment, compared with the control.
    after
        After sessions that take part.
    """
    return _by_block(layout, level) or by_instrument(layout, [level, layout.control], after)


def by_instrument(layout: Layout, levels: Sequence[str], after: Sequence[str]) -> str:
    """Return why treatments cannot be told from the instruments; ``""`` if they can.

    An instrument of its own in a session before the treatment hinders as much as one after it.

    Parameters
    ----------
    layout
        The design.
    levels
        Treatments of which at least two must share an instrument.
    after
        After sessions that take part.
    """
    arms = [layout.levels.get(level, ()) for level in levels]
    pairs = [(one, two) for i, one in enumerate(arms) for two in arms[i + 1 :]]
    for session in (*layout.before, *after):
        if pairs and all(apart(layout.instruments, session, *pair) for pair in pairs):
            return (
                f"in {session} no instrument measured {'two of' if len(levels) > 2 else 'both'} "
                f"{', '.join(levels[:-1])} and {levels[-1]}: the treatment cannot be told from "
                "the instrument"
            )
    return ""


def _by_block(layout: Layout, level: str) -> str:
    if not layout.blocks:
        return ""
    one = {layout.blocks[unit] for unit in layout.levels[level]}
    two = {layout.blocks[unit] for unit in layout.levels.get(layout.control, ())}
    if not one or not two or len(one | two) < 2 or one & two:
        return ""
    return (
        f"no block holds both {level} and {layout.control}: "
        "the treatment cannot be told from the block"
    )


def small_arms(layout: Layout, levels: Sequence[str]) -> list[str]:
    """Return the levels that have fewer than two units."""
    return [level for level in levels if len(layout.levels.get(level, ())) < 2]

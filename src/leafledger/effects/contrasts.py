"""The contrasts that a design allows, and in words why it does not allow one."""

from __future__ import annotations

from collections.abc import Sequence

from leafledger.effects.instruments import apart
from leafledger.effects.layout import ALL, CHANGE, EQUIVALENCE, Contrast, Layout


def contrasts(layout: Layout, stratum: str = ALL) -> list[Contrast]:
    """Return the contrasts between sessions, also those that the design cannot answer."""
    out = []
    layout = layout.within(stratum)
    for after in layout.after or ("",):
        step = f"{after or 'after'}-{layout.before_name}"
        obstacle = no_change(layout)
        # Without a session before there is no change to ask for, where treatments can be compared.
        for level in layout.levels if layout.before or not layout.pairs else ():
            out.append(Contrast(CHANGE, f"{step}@{level}", after, level, "", obstacle, stratum))
        for level, reference in layout.pairs:
            name = (
                f"({step})@{level}-{reference}" if layout.before else f"{after}@{level}-{reference}"
            )
            hindered = no_after(layout) or confounding(layout, level, reference, [after])
            for question in (layout.difference, EQUIVALENCE):
                out.append(Contrast(question, name, after, level, reference, hindered, stratum))
    return out


def no_change(layout: Layout) -> str:
    """Return why no change can be computed; ``""`` if it can."""
    if not layout.before:
        return "the study has no before session, so no change can be computed"
    return no_after(layout)


def no_after(layout: Layout) -> str:
    """Return why nothing can be compared after the treatment; ``""`` if it can."""
    return "" if layout.after else "the study has no after session, so no change can be computed"


def confounding(layout: Layout, level: str, reference: str, after: Sequence[str]) -> str:
    """Return why a treatment cannot be told from block or instrument; ``""`` if it can.

    Parameters
    ----------
    layout
        The design.
    level, reference
        The two treatments that are compared.
    after
        After sessions that take part.
    """
    return by_block(layout, level, reference) or by_instrument(layout, [level, reference], after)


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


def by_block(layout: Layout, level: str, reference: str) -> str:
    """Return why two treatments cannot be told from the blocks; ``""`` if they can."""
    if not layout.blocks:
        return ""
    one = {layout.blocks[unit] for unit in layout.levels.get(level, ())}
    two = {layout.blocks[unit] for unit in layout.levels.get(reference, ())}
    if not one or not two or len(one | two) < 2 or one & two:
        return ""
    return (
        f"no block holds both {level} and {reference}: the treatment cannot be told from the block"
    )


def small_arms(layout: Layout, levels: Sequence[str]) -> list[str]:
    """Return the levels that have fewer than two units."""
    return [level for level in levels if len(layout.levels.get(level, ())) < 2]

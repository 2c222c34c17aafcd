"""What the design can answer: arms, sessions, blocks, and the contrasts they allow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

CHANGE = "change"
DIFFERENCE = "difference_in_change"
EQUIVALENCE = "equivalence"


@dataclass(frozen=True)
class Contrast:
    """One question to one pair of occasions, in one arm or between two.

    Attributes
    ----------
    question
        ``change``, ``difference_in_change`` or ``equivalence``.
    name
        Such as ``day8-day0@chelate`` or ``(day8-day0)@chelate-water``.
    after
        The later session; ``""`` if the study has none.
    level, reference
        Treatment, and the control it is compared with (``""`` for a change within a treatment).
    obstacle
        Why the design cannot answer it, in words; ``""`` if it can.
    """

    question: str
    name: str
    after: str
    level: str
    reference: str
    obstacle: str


@dataclass(frozen=True)
class Layout:
    """The design as the tests see it.

    Attributes
    ----------
    word
        Word for the experimental unit; ``""`` if the units are not known.
    levels
        Treatment -> its units, both sorted.
    control
        The level that others are compared with; ``""`` if none is named.
    blocks
        Unit -> its block; empty if there are no blocks.
    before, after
        Sessions in study order.
    """

    word: str
    levels: Mapping[str, tuple[str, ...]]
    control: str
    blocks: Mapping[str, str]
    before: tuple[str, ...]
    after: tuple[str, ...]

    @property
    def treated(self) -> list[str]:
        """Levels that are compared with the control."""
        return [level for level in self.levels if level != self.control] if self.control else []

    @property
    def before_name(self) -> str:
        """The before session in contrast names; ``before`` if there are several or none."""
        return self.before[0] if len(self.before) == 1 else "before"

    @property
    def sessions(self) -> tuple[str, ...]:
        """All sessions that take part, before ones first."""
        return (*self.before, *self.after)


def layout_from(design: Mapping[str, Any], units: Mapping[str, Mapping[str, str]]) -> Layout:
    """Read the design settings and the unit sheet.

    Parameters
    ----------
    design
        unit, treatment, control, block, sessions (session, phase).
    units
        Unit -> its columns; a unit without a treatment belongs to no arm.
    """
    levels: dict[str, list[str]] = {}
    for unit in sorted(units):
        level = units[unit].get(design["treatment"], "")
        if level:
            levels.setdefault(level, []).append(unit)
    sessions = design.get("sessions") or [{"session": "all", "phase": "after"}]
    block = design.get("block")
    return Layout(
        word=design.get("unit") or "",
        levels={level: tuple(levels[level]) for level in sorted(levels)},
        control=design.get("control") or "",
        blocks={u: units[u].get(block, "") for u in sorted(units)} if block else {},
        before=tuple(s["session"] for s in sessions if s["phase"] == "before"),
        after=tuple(s["session"] for s in sessions if s["phase"] != "before"),
    )


def contrasts(layout: Layout) -> list[Contrast]:
    """Return every contrast the study asks for, also those that its design cannot answer."""
    out = []
    for after in layout.after or ("",):
        step = f"{after or 'after'}-{layout.before_name}"
        obstacle = _no_sessions(layout)
        for level in layout.levels:
            out.append(Contrast(CHANGE, f"{step}@{level}", after, level, "", obstacle))
        for level in layout.treated:
            name = f"({step})@{level}-{layout.control}"
            hindered = obstacle or confounding(layout, level)
            for question in (DIFFERENCE, EQUIVALENCE):
                out.append(Contrast(question, name, after, level, layout.control, hindered))
    return out


def _no_sessions(layout: Layout) -> str:
    if not layout.before:
        return (
            "the study has no before session, so no change can be computed; levels after "
            "treatment are not compared in its place"
        )
    if not layout.after:
        return "the study has no after session, so no change can be computed"
    return ""


def confounding(layout: Layout, level: str) -> str:
    """Return why a treatment cannot be told from the blocks; ``""`` if it can."""
    if not layout.blocks:
        return ""
    one = {layout.blocks[unit] for unit in layout.levels[level]}
    two = {layout.blocks[unit] for unit in layout.levels.get(layout.control, ())}
    if len(one | two) < 2 or one & two:
        return ""
    return (
        f"no block holds both {level} and {layout.control}: "
        "the treatment cannot be told from the block"
    )


def small_arms(layout: Layout, levels: Sequence[str]) -> list[str]:
    """Return the levels that have fewer than two units."""
    return [level for level in levels if len(layout.levels.get(level, ())) < 2]

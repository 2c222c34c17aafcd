"""The design as the tests see it: arms, sessions, blocks, strata, doses, instruments."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from leafledger.effects.instruments import Instruments

CHANGE = "change"
DIFFERENCE = "difference_in_change"
EQUIVALENCE = "equivalence"
COURSE = "course"
TREND = "trend"
ALL = "all"
"""The stratum that holds every unit."""


@dataclass(frozen=True)
class Contrast:
    """One question to one pair of occasions, in one arm or between two.

    Attributes
    ----------
    question
        ``change``, ``difference_in_change``, ``equivalence``, ``course`` or ``trend``.
    name
        Such as ``day8-day0@chelate`` or ``(day8-day0)@chelate-water``.
    after
        The later session; ``""`` if the study has none.
    level, reference
        Treatment, and the control it is compared with (``""`` for a change within a treatment).
    obstacle
        Why the design cannot answer it, in words; ``""`` if it can.
    stratum
        ``all``, or the units of one level of a factor, such as ``cultivar=Kestrel``.
    per
        What the unit of the index is divided or multiplied by, such as ``/day``.
    """

    question: str
    name: str
    after: str
    level: str
    reference: str
    obstacle: str
    stratum: str = ALL
    per: str = ""


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
    times
        Session -> days since the first one, or its place in the order if a date is missing.
    time_word
        ``day`` or ``session``: what ``times`` counts.
    strata
        Stratum -> its units, such as ``cultivar=Kestrel``; empty if none are asked for.
    doses
        Treatment -> its amount; empty if the levels are not ordered.
    instruments
        Which instrument measured which unit in which session, as far as the study says.
    """

    word: str
    levels: Mapping[str, tuple[str, ...]]
    control: str
    blocks: Mapping[str, str]
    before: tuple[str, ...]
    after: tuple[str, ...]
    times: Mapping[str, float] = field(default_factory=dict)
    time_word: str = "session"
    strata: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    doses: Mapping[str, float] = field(default_factory=dict)
    instruments: Instruments = field(default_factory=dict)

    def only(self, units: Iterable[str]) -> Layout:
        """Return the same design with these units alone."""
        kept = set(units)
        levels = {
            level: tuple(unit for unit in arm if unit in kept) for level, arm in self.levels.items()
        }
        return replace(self, levels=levels)

    def within(self, stratum: str) -> Layout:
        """Return the design within one stratum; the whole design for ``all``."""
        return self.only(self.strata[stratum]) if stratum in self.strata else self

    def block_of(self, unit: str, stratum: str = "") -> str:
        """Return the group within which the label of a unit may be exchanged."""
        block = self.blocks.get(unit, "")
        return f"{stratum}\n{block}" if stratum else block

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


def layout_from(
    design: Mapping[str, Any],
    units: Mapping[str, Mapping[str, str]],
    strata: str | None = None,
    instruments: Instruments | None = None,
) -> Layout:
    """Read the design settings and the unit sheet.

    Parameters
    ----------
    design
        unit, treatment, control, block, doses, sessions (session, date, phase).
    units
        Unit -> its columns; a unit without a treatment belongs to no arm.
    strata
        Column of the units whose levels are looked at one by one.
    instruments
        Which instrument measured which unit; ``None`` if the study does not say.
    """
    levels: dict[str, list[str]] = {}
    for unit in sorted(units):
        level = units[unit].get(design["treatment"], "")
        if level:
            levels.setdefault(level, []).append(unit)
    sessions = design.get("sessions") or [{"session": "all", "phase": "after"}]
    block = design.get("block")
    times, time_word = _times(sessions)
    return Layout(
        word=design.get("unit") or "",
        levels={level: tuple(levels[level]) for level in sorted(levels)},
        control=design.get("control") or "",
        blocks={u: units[u].get(block, "") for u in sorted(units)} if block else {},
        before=tuple(s["session"] for s in sessions if s["phase"] == "before"),
        after=tuple(s["session"] for s in sessions if s["phase"] != "before"),
        times=times,
        time_word=time_word,
        strata=_strata(units, strata),
        doses=doses_of(sorted(levels), design.get("doses") or {}),
        instruments=instruments or {},
    )


def _times(sessions: Sequence[Mapping[str, Any]]) -> tuple[dict[str, float], str]:
    names = [str(s["session"]) for s in sessions]
    dates = [dt.date.fromisoformat(str(s["date"])) for s in sessions if s.get("date")]
    if len(dates) == len(names) and len(set(dates)) == len(dates):
        return {n: float((d - dates[0]).days) for n, d in zip(names, dates, strict=True)}, "day"
    return {name: float(i) for i, name in enumerate(names)}, "session"


def _strata(
    units: Mapping[str, Mapping[str, str]], column: str | None
) -> dict[str, tuple[str, ...]]:
    if not column:
        return {}
    found: dict[str, list[str]] = {}
    for unit in sorted(units):
        if label := units[unit].get(column, ""):
            found.setdefault(f"{column}={label}", []).append(unit)
    return {name: tuple(found[name]) for name in sorted(found)}


def doses_of(levels: Sequence[str], named: Mapping[str, float]) -> dict[str, float]:
    """Return the amount of every level; empty unless each has one and there are three or more.

    Examples
    --------
    >>> doses_of(["0", "1.5", "3"], {}), doses_of(["full", "none"], {})
    ({'0': 0.0, '1.5': 1.5, '3': 3.0}, {})
    """
    found: dict[str, float] = {}
    for level in levels:
        try:
            found[level] = float(named[level] if named else level)
        except (KeyError, ValueError):
            return {}
    return found if len(set(found.values())) >= 3 else {}

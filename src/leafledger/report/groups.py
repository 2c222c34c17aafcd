"""Which treatment a unit had, and in which order treatments and sessions are shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Groups:
    """Treatments in the order of display, and the treatment of every unit.

    Attributes
    ----------
    names
        The control first, then the others by name.
    of_unit
        Unit -> treatment.
    control
        The control, if the study names one.
    """

    names: tuple[str, ...]
    of_unit: Mapping[str, str]
    control: str | None

    def sizes(self) -> dict[str, int]:
        """Return the number of units of each group."""
        labels = list(self.of_unit.values())
        return {name: labels.count(name) for name in self.names}


def groups_of(design: Mapping[str, Any], units: Mapping[str, Mapping[str, str]]) -> Groups:
    """Find the groups of a study; one group called ``all`` if the treatment is not known."""
    column = str(design.get("treatment") or "")
    of_unit = {unit: row.get(column, "") or "all" for unit, row in units.items()}
    control = design.get("control")
    others = sorted(set(of_unit.values()) - {control})
    names = ([control] if control in set(of_unit.values()) else []) + others
    return Groups(tuple(names) or ("all",), of_unit, control)


@dataclass(frozen=True)
class Days:
    """Where the sessions lie on the time axis.

    Attributes
    ----------
    sessions
        Session ids in study order.
    positions
        Days since the first session, or 0, 1, 2 ... if a date is missing.
    label
        What the axis is called.
    """

    sessions: tuple[str, ...]
    positions: tuple[float, ...]
    label: str


def days_of(sessions: Sequence[Mapping[str, Any]]) -> Days:
    """Place the sessions in time.

    Examples
    --------
    >>> days_of([{"session": "a", "date": "2026-05-04"}, {"session": "b", "date": "2026-05-08"}])
    Days(sessions=('a', 'b'), positions=(0.0, 4.0), label='days since a')
    """
    names = tuple(str(row["session"]) for row in sessions)
    dates = [dt.date.fromisoformat(str(row["date"])) for row in sessions if row.get("date")]
    if names and len(dates) == len(names) and len(set(dates)) == len(dates):
        return Days(
            names, tuple(float((d - dates[0]).days) for d in dates), f"days since {names[0]}"
        )
    return Days(names, tuple(float(i) for i in range(len(names))), "session")


def contrast_words(
    sessions: Sequence[str], groups: Sequence[str], before: Sequence[str]
) -> dict[str, str]:
    """Return contrast -> words, for the contrasts that this study can hold.

    Parameters
    ----------
    sessions
        Session ids.
    groups
        Treatments.
    before
        Names that may stand for the state before treatment besides session ids.

    Examples
    --------
    >>> contrast_words(["d0", "d8"], ["water", "iron"], [])["(d8-d0)@iron-water"]
    'change from d0 to d8: iron minus water'
    >>> contrast_words(["d0", "d8"], ["water", "iron"], [])["(mean-d0)@iron-water"]
    'mean change from d0: iron minus water'
    """
    starts = [*sessions, *before]
    words: dict[str, str] = {}
    for late in sessions:
        words |= {
            f"{late}@{group}-{other}": f"at {late}: {group} minus {other}"
            for group in groups
            for other in groups
            if group != other
        }
        for early in starts:
            if early == late:
                continue
            change = f"change from {early} to {late}"
            for group in groups:
                words[f"{late}-{early}@{group}"] = f"{change} in {group}"
                for other in groups:
                    if other != group:
                        key = f"({late}-{early})@{group}-{other}"
                        words[key] = f"{change}: {group} minus {other}"
    return words | _course_words(starts, groups)


def contrast_in_words(key: str, words: Mapping[str, str]) -> str:
    """Return a contrast in words; one that is not among them without the signs of its key.

    Examples
    --------
    >>> contrast_in_words("d8-d0@iron", {"d8-d0@iron": "change from d0 to d8 in iron"})
    'change from d0 to d8 in iron'
    >>> contrast_in_words("(trend)@dose", {}), contrast_in_words("(d8-d0)/dose", {})
    ('trend: dose', 'change d8-d0 per dose')
    """
    if key in words:
        return words[key]
    if "@" not in key:
        return step_words(key)
    what, _, who = key.partition("@")
    what = what.strip("()").replace("_", " ")
    return f"{what}: {who}" if who else what


def step_words(contrast: str) -> str:
    """Return the words of a contrast that is none of two groups: a dose, or crossed factors.

    Examples
    --------
    >>> step_words("(d8-d0)/dose"), step_words("(d8-d0) treatment x cultivar")
    ('change d8-d0 per dose', 'change d8-d0: treatment x cultivar')
    >>> step_words("treatment x session")
    'treatment x session'
    """
    step, found, rest = contrast.removeprefix("(").partition(")")
    if not found:
        return contrast
    about = f"change {step}" if "-" in step else f"at {step}"
    return f"{about} per dose" if rest == "/dose" else f"{about}: {rest.strip()}"


def _course_words(starts: Sequence[str], groups: Sequence[str]) -> dict[str, str]:
    """Return contrast -> words for the summaries of a whole course."""
    told = {"slope": "slope of the course"}
    for start in starts:
        told[f"mean-{start}"] = f"mean change from {start}"
        told[f"area-{start}"] = f"area of the change from {start}"
    return {
        f"({name})@{group}-{other}": f"{words}: {group} minus {other}"
        for name, words in told.items()
        for group in groups
        for other in groups
        if group != other
    }

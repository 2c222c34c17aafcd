"""Which instrument measured which unit, and whether the treatment can be told from it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

Instruments = Mapping[str, Mapping[str, frozenset[str]]]
"""Session -> unit -> its instruments; sessions and units of which none is named are left out."""


def instruments_of(scans: Mapping[str, Mapping[str, str]]) -> Instruments:
    """Return who measured what, from scans that name their session, unit and instrument.

    Examples
    --------
    >>> one = {"session": "d0", "unit": "p1", "instrument": "A"}
    >>> instruments_of({"s1": one, "s2": one})
    {'d0': {'p1': frozenset({'A'})}}
    """
    found: dict[str, dict[str, set[str]]] = {}
    for scan in scans.values():
        units = found.setdefault(scan["session"], {})
        units.setdefault(scan["unit"], set()).add(scan["instrument"])
    return {s: {u: frozenset(names) for u, names in units.items()} for s, units in found.items()}


def used(instruments: Instruments, sessions: Iterable[str], units: Collection[str]) -> set[str]:
    """Return the instruments that measured any of the units in any of the sessions."""
    return {
        name
        for session in sessions
        for unit, names in instruments.get(session, {}).items()
        if unit in units
        for name in names
    }


def apart(
    instruments: Instruments, session: str, one: Collection[str], two: Collection[str]
) -> bool:
    """Return whether two groups of units share no instrument in a session, as far as is known.

    Examples
    --------
    >>> known = {"d0": {"p1": frozenset({"A"}), "p2": frozenset({"B"})}}
    >>> apart(known, "d0", ["p1"], ["p2"]), apart(known, "d4", ["p1"], ["p2"])
    (True, False)
    """
    a, b = (used(instruments, [session], units) for units in (one, two))
    return bool(a and b) and not a & b


def changed(
    instruments: Instruments, before: Iterable[str], after: str, units: Iterable[str]
) -> bool:
    """Return whether every unit was measured by other instruments after than before.

    Units of which the instruments are not named say nothing.
    """
    start = list(before)
    pairs = [(used(instruments, start, [u]), used(instruments, [after], [u])) for u in units]
    known = [(a, b) for a, b in pairs if a and b]
    return bool(known) and not any(a & b for a, b in known)


def warnings_of(
    instruments: Instruments,
    before: Iterable[str],
    after: Iterable[str],
    levels: Mapping[str, Collection[str]],
) -> list[str]:
    """Return a warning for each later session that other instruments measured than before.

    Parameters
    ----------
    instruments
        Who measured what.
    before, after
        Sessions.
    levels
        Treatment -> its units.
    """
    start, out = list(before), []
    for session in after:
        of = [lv for lv, units in levels.items() if changed(instruments, start, session, units)]
        if not of:
            continue
        units = {unit for level in of for unit in levels[level]}
        names = [", ".join(sorted(used(instruments, s, units))) for s in (start, [session])]
        who = "" if len(of) == len(levels) else f" under {', '.join(of)}"
        out.append(
            f"In {session} another instrument measured{who} ({names[1]}) than before "
            f"({names[0]}): a change cannot be told from the change of instrument, which cancels "
            "in the difference in change only as far as it is alike in both treatments"
        )
    return out


def told(settings: Mapping[str, Any]) -> Instruments:
    """Return who measured what, from the settings of the rule; empty if the sheet names none."""
    return instruments_of(settings.get("scans") or {})

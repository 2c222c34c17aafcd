"""Where settings differ: two of any form, or those of two records under a person's own names."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from leafledger.study.recorded_settings import parameters

# --- two settings of any form ---------------------------------------------------------------------


def differences(before: Any, after: Any, place: str = "") -> list[str]:
    """Return the key paths at which two settings differ.

    Examples
    --------
    >>> differences({"a": 1, "b": {"c": 2}}, {"a": 1, "b": {"c": 3}, "d": 4})
    ['b.c', 'd']
    """
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        return [
            found
            for key in sorted({*before, *after})
            for found in differences(
                before.get(key), after.get(key), f"{place}.{key}" if place else str(key)
            )
        ]
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [
            found
            for i, (one, other) in enumerate(zip(before, after, strict=True))
            for found in differences(one, other, f"{place}.{i}")
        ]
    same = type(before) is type(after) and before == after
    return [] if same else [place]


# --- the settings of two records ------------------------------------------------------------------

ABSENT = "not there"


@dataclass(frozen=True)
class SettingDiffers:
    """One setting that is not the same, or one cell of a sheet.

    Attributes
    ----------
    name
        The key in ``study.yaml``, or sheet, row and column.
    before, after
        What it was and what it is, in words.
    of_sheet
        Whether it stands in ``scans.csv`` or ``units.csv``.
    """

    name: str
    before: str
    after: str
    of_sheet: bool = False


def settings_differ(
    before: Mapping[str, Any], after: Mapping[str, Any], treatment: str = "treatment"
) -> Iterator[SettingDiffers]:
    """Yield all that differs in the settings of two records of one task.

    Parameters
    ----------
    before, after
        The records, of which rule, session and settings are read.
    treatment
        The column of ``units.csv`` that holds the treatment.

    Examples
    --------
    >>> record = {"rule": "quality", "session": "day0", "settings": {
    ...     "checks": {"lamp_lines": True}, "scans": {"a": {"leaf": "1"}}}}
    >>> other = {**record, "settings": {
    ...     "checks": {"lamp_lines": False}, "scans": {"a": {"leaf": "2"}}}}
    >>> [(d.name, d.before, d.after) for d in settings_differ(record, other)]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('quality.checks.lamp_lines', 'true', 'false'), ('scans.csv a leaf', '1', '2')]
    """
    then, now = parameters(before), parameters(after)
    for name in sorted({*then, *now}):
        if then.get(name) != now.get(name):
            yield SettingDiffers(name, then.get(name, ABSENT), now.get(name, ABSENT))
    one, other = before["settings"], after["settings"]
    scans = _by_scan(one.get("scans")), _by_scan(other.get("scans"))
    yield from _rows("scans", *scans)
    if set(scans[0]) == set(scans[1]) and list(scans[0]) != list(scans[1]):
        yield SettingDiffers("scans.csv order of the rows", "one", "another", of_sheet=True)
    yield from _rows("units", _units(one, treatment), _units(other, treatment))
    shared = one.get("elsewhere") or {}, other.get("elsewhere") or {}
    for file in differences(_joined(shared[0]), _joined(shared[1])):
        was, is_now = (_joined(some).get(file, ABSENT) for some in shared)
        yield SettingDiffers(f"scans.csv other sessions' scans of {file}", was, is_now, True)


def _rows(kind: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[SettingDiffers]:
    """Yield what differs in the rows of a sheet, each given by its id."""
    for row in sorted({*then, *now}):
        if row not in then or row not in now:
            was, is_now = ("a row" if row in rows else ABSENT for rows in (then, now))
            yield SettingDiffers(f"{kind}.csv {row}", was, is_now, of_sheet=True)
            continue
        for column in sorted({*then[row], *now[row]}):
            was, is_now = _cell(then[row], column), _cell(now[row], column)
            if was != is_now:
                yield SettingDiffers(f"{kind}.csv {row} {column}", was, is_now, of_sheet=True)


def _cell(row: Mapping[str, Any], column: str) -> str:
    if column not in row:
        return ABSENT
    return "empty" if row[column] is None or row[column] == "" else str(row[column])


def _by_scan(rows: Any) -> dict[str, Any]:
    """Return scan -> row of what a task is told of scans: a list, lists by session, or this."""
    if isinstance(rows, Mapping) and all(isinstance(some, list) for some in rows.values()):
        rows = [row for _, some in sorted(rows.items()) for row in some]
    if isinstance(rows, list):
        return {str(row["scan"]): {k: v for k, v in row.items() if k != "scan"} for row in rows}
    return dict(sorted((rows or {}).items()))


def scans_of(settings: Mapping[str, Any]) -> set[str]:
    """Return the ids of the scans that the settings of a record hold."""
    return set(_by_scan(settings.get("scans")))


def _units(settings: Mapping[str, Any], treatment: str) -> dict[str, Any]:
    """Return unit -> row; a task may be told nothing of the units but their treatments."""
    if "units" in settings:
        return dict(settings["units"] or {})
    levels = (settings.get("design") or {}).get("treatments") or {}
    return {unit: {treatment: level} for unit, level in levels.items()}


def _joined(named: Mapping[str, Any]) -> dict[str, str]:
    return {file: ", ".join(scans) for file, scans in named.items()}

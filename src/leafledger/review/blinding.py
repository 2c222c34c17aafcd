"""What a reviewer may not read while deciding: which unit had which treatment.

Choosing exclusions by their effect is a way to pick results, so the page never names a treatment
until decisions are saved. File names, notes and titles are the user's own words and may tell it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from leafledger.study.study import Study

_LONG_ENOUGH = 3


@dataclass(frozen=True)
class Blind:
    """Finds the names of treatments in text.

    Parameters
    ----------
    labels
        Labels of the treatments.
    """

    labels: frozenset[str]

    def tells(self, text: str) -> bool:
        """Tell whether a text names a treatment.

        A label of one or two characters counts only where it stands alone.

        Examples
        --------
        >>> blind = Blind(frozenset({"water", "B"}))
        >>> blind.tells("raw/Water3.txt"), blind.tells("bench b, left"), blind.tells("able")
        (True, True, False)
        """
        return any(_pattern(label).search(text) for label in self.labels)

    def shown(self, text: str, what: str) -> str:
        """Return a text, or words in its place if it names a treatment."""
        return f"({what} not shown: it names a treatment)" if self.tells(text) else text

    def telling(self, names: Iterable[str]) -> list[str]:
        """Return those of some names that tell a treatment."""
        return [name for name in names if self.tells(name)]


def blind_of(study: Study) -> Blind:
    """Return what must not be read in a study.

    A label of one or two characters (treatment ``1``, leaf ``1``) that also stands in the names of
    scans of other treatments tells nothing, and is left out.
    """
    column = study.definition.design.treatment
    own = {unit: row.get(column, "").strip() for unit, row in study.units.items()}
    names = [
        (own.get(study.unit_of(scan), ""), f"{study.unit_of(scan)} {scan.scan} {scan.file}")
        for scan in study.samples()
    ]

    def counts(label: str) -> bool:
        if len(label) >= _LONG_ENOUGH:
            return True
        pattern = _pattern(label)
        return not any(of != label and pattern.search(name) for of, name in names)

    return Blind(frozenset(label for label in set(own.values()) if label and counts(label)))


def _pattern(label: str) -> re.Pattern[str]:
    inner = re.escape(label)
    if len(label) < _LONG_ENOUGH:
        inner = rf"(?<![^\W_]){inner}(?![^\W_])"
    return re.compile(inner, re.IGNORECASE)

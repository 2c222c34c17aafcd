"""Verdicts: every test is judged within its family.

A family is one question answered by one method over all indices, contrasts and after-sessions,
without the primary contrast, which stands alone.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from leafledger.chance.multiplicity import benjamini_hochberg, holm
from leafledger.effects.analysis import Effect
from leafledger.effects.layout import EQUIVALENCE

SIGNIFICANT, NOT_SIGNIFICANT = "significant", "not_significant"
EQUIVALENT, UNDEFINED = "equivalent", "undefined"
PRIMARY = "primary"


@dataclass(frozen=True)
class Judged:
    """A test with its adjusted p and its verdict.

    Attributes
    ----------
    n_family
        Tests of the family that have a p.
    note
        What must be known beside the numbers: who is left out, why there is no interval.
    """

    effect: Effect
    family: str
    n_family: int
    p_holm: float
    p_bh: float
    verdict: str
    note: str

    @property
    def reason(self) -> str:
        """The column ``reason``: what was not shown, then the note."""
        effect = self.effect
        if effect.contrast.question != EQUIVALENCE or self.verdict != NOT_SIGNIFICANT:
            return self.note
        shown = f"equivalence within {effect.margin:g} is not shown"
        return f"{shown}; {self.note}" if self.note else shown


def judged(effects: Sequence[Effect], alpha: float) -> list[Judged]:
    """Adjust p within families and pass the verdicts.

    A test is significant if its Holm-adjusted p is below alpha; for the primary contrast, alone in
    its family, that is its own p. Equivalence is judged by its own p, because the margin is stated
    for each index beforehand; the adjusted p stands beside it.
    """
    families: dict[str, list[Effect]] = defaultdict(list)
    for effect in effects:
        families[family_of(effect)].append(effect)
    out = []
    for family in sorted(families):
        members = families[family]
        raw = [member.tested.p for member in members]
        n = sum(not math.isnan(p) for p in raw)
        for member, strict, loose in zip(members, holm(raw), benjamini_hochberg(raw), strict=True):
            verdict = _verdict(member, float(strict), alpha)
            note = _note(member, n, alpha, verdict)
            out.append(Judged(member, family, n, float(strict), float(loose), verdict, note))
    return sorted(out, key=key_of)


def family_of(effect: Effect) -> str:
    """Return the name of the family of a test."""
    if effect.primary:
        return PRIMARY
    return f"{effect.contrast.question}, {effect.method}"


def key_of(row: Judged) -> tuple[str, ...]:
    """Return the key of a row of ``effects.csv``."""
    contrast = row.effect.contrast
    return contrast.question, row.effect.index, contrast.name, "all", row.effect.method


def _verdict(effect: Effect, p_holm: float, alpha: float) -> str:
    if math.isnan(effect.tested.p):
        return UNDEFINED
    if effect.contrast.question == EQUIVALENCE:
        return EQUIVALENT if effect.tested.p < alpha else NOT_SIGNIFICANT
    return SIGNIFICANT if p_holm < alpha else NOT_SIGNIFICANT


def _note(effect: Effect, n: int, alpha: float, verdict: str) -> str:
    parts = list(effect.remarks)
    smallest = effect.tested.p_smallest
    if verdict != UNDEFINED and smallest * n >= alpha:
        reach = f"so few units reach p = {smallest:.3g} at best"
        if smallest >= alpha:
            parts.append(f"{reach}: significance at {alpha:g} is out of reach")
        else:
            # Not out of reach for good: others of the family may come before it.
            parts.append(
                f"{reach}; as the smallest of the {n} tests of its family that is "
                f"{min(1.0, smallest * n):.3g} after adjustment"
            )
    return "; ".join(parts)


def record(row: Judged, unit: str) -> dict[str, Any]:
    """Return a row of ``effects.csv``, missing numbers as ``None``.

    Parameters
    ----------
    row
        The judged test.
    unit
        Unit of the index.
    """
    effect, tested, size = row.effect, row.effect.tested, row.effect.size
    question, index, contrast, stratum, method = key_of(row)
    values: dict[str, Any] = {
        "question": question,
        "index": index,
        "contrast": contrast,
        "stratum": stratum,
        "method": method,
        "primary": effect.primary,
        "estimate": tested.estimate,
        "ci_low": tested.ci_low,
        "ci_high": tested.ci_high,
        "ci_level": tested.ci_level,
        "unit": unit,
        "n_units": effect.n_units,
        "n_units_reference": effect.n_reference,
        "n_missing": effect.n_missing,
        "statistic": tested.statistic,
        "statistic_name": tested.statistic_name,
        "df": tested.df,
        "df2": None,
        "p": tested.p,
        "p_smallest": tested.p_smallest,
        "family": row.family,
        "n_family": row.n_family,
        "p_holm": row.p_holm,
        "p_bh": row.p_bh,
        "p_max_t": None,
        "effect_size": size.g,
        "effect_size_name": size.name,
        "effect_low": size.low,
        "effect_high": size.high,
        "percent_change": effect.percent_change,
        "in_u": effect.in_u,
        "n_draws": tested.n_draws,
        "seed": tested.seed,
        "verdict": row.verdict,
        "reason": row.reason,
    }
    return {name: finite(value) for name, value in values.items()}


def finite(value: Any) -> Any:
    """Return ``None`` for a number that does not exist (JSON and CSV know no NaN)."""
    return None if isinstance(value, float) and not math.isfinite(value) else value

"""What are the primary effects and the accuracy under each variant of the settings?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from leafledger.study.tables import EFFECTS, VARIANTS

if TYPE_CHECKING:
    import pandas as pd

_OF_THE_EFFECT = tuple(name for name in VARIANTS if name in EFFECTS)


@dataclass(frozen=True)
class Origin:
    """What a set of settings is called, and the content that its rows come from.

    Attributes
    ----------
    variant
        Its name.
    settings
        What differs from the settings as stated, in words.
    effects, classes
        SHA-256 of ``effects.csv`` and ``classes/summary.json``; empty where there is none.
    inputs
        Digest of all that the effects and the classifier read: it differs when the data do, even
        where the results happen to be equal.
    """

    variant: str
    settings: str
    effects: str = ""
    classes: str = ""
    inputs: str = ""


def rows_of(
    origin: Origin, effects: pd.DataFrame, summary: Mapping[str, Any] | None
) -> list[dict[str, Any]]:
    """Return a row for each primary effect, or one without an effect if the study names none.

    Parameters
    ----------
    origin
        Where the rows come from.
    effects
        ``effects.csv``.
    summary
        ``classes/summary.json``; ``None`` without a classifier.

    Returns
    -------
    list of dict
        Rows with the columns of ``variants.csv``. The accuracy is that of scans left out of
        training, with the interval that counts units.
    """
    primary = effects.loc[effects["primary"].astype(bool)] if len(effects) else effects
    effects_of_primary = [
        {name: row[name] for name in _OF_THE_EFFECT} for row in primary.to_dict("records")
    ]
    accuracy = _accuracy(summary)
    return [_row(origin, row | accuracy) for row in effects_of_primary or [{}]]


def row_without_result(origin: Origin, reason: str) -> dict[str, Any]:
    """Return the row of settings under which the study did not run to its end."""
    return _row(origin, {"verdict": "undefined", "reason": reason})


def _row(origin: Origin, values: Mapping[str, Any]) -> dict[str, Any]:
    named = {
        "variant": origin.variant,
        "settings": origin.settings,
        "effects_sha256": origin.effects,
        "classes_sha256": origin.classes,
        "inputs_sha256": origin.inputs,
    }
    return {name: named.get(name, values.get(name)) for name in VARIANTS}


def _accuracy(summary: Mapping[str, Any] | None) -> dict[str, Any]:
    if not summary or summary.get("accuracy") is None:
        return {}
    low, high = summary.get("wilson") or (None, None)
    return {"accuracy": summary["accuracy"], "accuracy_low": low, "accuracy_high": high}

"""What may be said of the variants: how many agree, how far the numbers move, what they are not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from leafledger.report.numbers import known, number, percent, unit_suffix, verdict_words
from leafledger.words import listed

View = Mapping[str, Any]
NO_CHOICE = (
    "All rows rest on the same raw data, so that none confirms another. The primary effect stands "
    "as stated: to choose among settings by their result is how false findings are made."
)


def sentences_of(stated: Sequence[View], others: Sequence[View]) -> list[str]:
    """Return the sentences on the variants.

    Parameters
    ----------
    stated
        The rows of the settings as stated, one for each primary effect.
    others
        The rows of the variants.
    """
    found = [*_not_run(others)]
    ran = [view for view in others if view["ran"]]
    effects = [view for view in stated if view["index"]]
    if ran and not effects:
        found.append("The study names no primary effect, so that no verdict can be compared.")
    for effect in effects if ran else []:
        same = [v for v in ran if _key(v) == _key(effect)]
        several = len(effects) > 1
        found += [_verdicts(effect, same, several), *_moves(effect, same, several)]
    found += _accuracies(stated, ran)
    return [*found, NO_CHOICE]


def _key(view: View) -> tuple[str, ...]:
    return tuple(str(view[name]) for name in ("question", "index", "contrast", "stratum"))


def _not_run(others: Sequence[View]) -> list[str]:
    names = list(dict.fromkeys(str(v["name"]) for v in others if not v["ran"]))
    if not names:
        return []
    return [f"The study was not run to its end under {listed(names)}: nothing is said of that."]


def _verdicts(effect: View, same: Sequence[View], several: bool) -> str:
    about = f"{effect['index']}, {effect['contrast_words']}: " if several else ""
    verdict = verdict_words(str(effect["verdict"]))
    if effect["verdict"] == "significant":
        verdict += ", in the same direction"
    if not same:
        return f"{about}No variant holds this primary effect."
    n = sum(bool(v["agrees"]) for v in same)
    which = "" if n == len(same) else f"; not under {listed(_names(same))}"
    if len(same) == 1:
        told = "comes" if n else "does not come"
        return f"{about}The one variant {told} to the verdict as stated ({verdict})."
    if n == 0:
        return f"{about}None of {len(same)} variants comes to the verdict as stated ({verdict})."
    many = f"All {n}" if n == len(same) else f"{n} of {len(same)}"
    come = "comes" if n == 1 else "come"
    return f"{about}{many} variants {come} to the verdict as stated ({verdict}){which}."


def _names(same: Sequence[View]) -> list[str]:
    return [str(v["name"]) for v in same if not v["agrees"]]


def _moves(effect: View, same: Sequence[View], several: bool) -> list[str]:
    about = f" of {effect['index']}, {effect['contrast_words']}," if several else ""
    there = [v for v in same if v["comparable"] and known(v["estimate"])]
    found = []
    if there and known(effect["estimate"]):
        base = float(effect["estimate"])
        far = max(there, key=lambda v: abs(float(v["estimate"]) - base))
        moved = abs(float(far["estimate"]) - base)
        unit = unit_suffix(str(effect["unit"]))
        told = f"The estimate{about} moves by at most {number(moved, 2)}{unit} ({far['name']})"
        if known(effect["ci_low"]) and known(effect["ci_high"]):
            half = (float(effect["ci_high"]) - float(effect["ci_low"])) / 2
            told += f"; half the width of its interval as stated is {number(half, 2)}{unit}"
        found.append(f"{told}.")
    other = [str(v["name"]) for v in same if not v["comparable"]]
    if other:
        found.append(f"Under {listed(other)} the index has another unit and is not compared.")
    return found


def _accuracies(stated: Sequence[View], ran: Sequence[View]) -> list[str]:
    base = next((v["accuracy"] for v in stated if known(v["accuracy"])), None)
    values = [float(v["accuracy"]) for v in ran if known(v["accuracy"])]
    if base is None or not values:
        return []
    low, high = percent(min(values)), percent(max(values))
    spread = f"is {low}" if low == high else f"lies between {low} and {high}"
    return [f"The accuracy of the classifier is {percent(base)} as stated and {spread} otherwise."]

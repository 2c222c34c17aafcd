"""The plan of a study: what is asked of which units, and by which rules it is judged.

A plan is a flat mapping of names to plain values, made from the design, the units and the section
``effects``. Titles, notes, dates and raw data are no part of it. Its text is canonical: one study
has one text, so that its digest can be lodged elsewhere and compared later.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from leafledger.study.analysis_checks import PRIMARY_METHODS
from leafledger.study.tables import canonical_json

Plan = dict[str, Any]
"""Name -> value; what is not set has no name."""

FORM = "1"
_PRIMARY = "effects.primary."
_SESSION = f"{_PRIMARY}session"
_BEFORE, _AFTER = "design.sessions.before", "design.sessions.after"
_UNITS = "units."
_MARGIN = "effects.margin."
_METHODS = "effects.methods"
_METHOD = f"{_PRIMARY}method"
_QUESTION = f"{_PRIMARY}question"
_BESIDE = ("design.factors", "design.doses", _AFTER, "effects.strata", "effects.crossed")
"""What the primary contrast does not rest on, besides the margins of equivalence."""
_GROUPS = (
    ("Primary contrast", _PRIMARY),
    ("How effects are judged", "effects."),
    ("Design", "design."),
    ("Units", _UNITS),
)
_NAMES = {
    _BEFORE: "sessions before",
    _AFTER: "sessions after",
    "design.unit": "word for the unit",
    "design.treatment": "treatment column",
    "design.block": "block column",
}
_QUESTIONS = {
    "change": "change",
    "difference_in_change": "difference in change",
    "difference": "difference",
    "equivalence": "equivalence",
}
_UNSET = {"effects.compare": "control"}
"""Values that say what leaving the key out says."""


def plan_of(settings: Mapping[str, Any], indices: Mapping[str, Any] | None = None) -> Plan:
    """Return the plan that the settings of the rules ``effects`` and ``catalogue`` hold.

    Parameters
    ----------
    settings
        ``design``, ``effects`` and ``units``, as a record keeps them. A key that is absent means
        the same as one that is ``None`` or empty, so that records of other versions compare.
    indices
        The section ``indices``: where the index of the primary contrast is one of the user's own,
        its formula is part of the plan.

    Examples
    --------
    >>> plan = plan_of({
    ...     "design": {"unit": "plant", "treatment": "spray", "control": "water", "block": None,
    ...                "sessions": [{"session": "d0", "phase": "before"}, {"session": "d4"}]},
    ...     "effects": {"alpha": 0.05, "strata": None, "margin": {}},
    ...     "units": {"p2": {"spray": "iron"}, "p1": {"spray": "water"}}})
    >>> plan["design.sessions.after"], plan["units.p1"], "effects.strata" in plan
    (['d4'], {'treatment': 'water'}, False)
    """
    design = settings.get("design") or {}
    plan: Plan = {}
    for name in ("unit", "treatment", "control", "block", "whole_plot", "factors", "doses"):
        plan[f"design.{name}"] = design.get(name)
    sessions = design.get("sessions") or []
    plan[_BEFORE] = [s["session"] for s in sessions if s.get("phase") == "before"]
    plan[_AFTER] = [s["session"] for s in sessions if s.get("phase", "after") == "after"]
    plan |= dict(_flat(settings.get("effects") or {}, "effects"))
    own = {one["index"]: one["formula"] for one in (indices or {}).get("formulas") or []}
    plan[f"{_PRIMARY}formula"] = own.get(plan.get(f"{_PRIMARY}index"))
    if design.get("unit") is not None:
        columns = {kind: design.get(kind) for kind in ("treatment", "block", "whole_plot")}
        columns |= {column: column for column in plan.get("effects.covariates") or []}
        for unit, labels in (settings.get("units") or {}).items():
            plan[f"{_UNITS}{unit}"] = {
                kind: labels[column]
                for kind, column in columns.items()
                if column and labels.get(column)
            }
    return {
        name: value
        for name, value in plan.items()
        if name.startswith(_UNITS)
        or (value is not None and value not in ([], {}, "") and _UNSET.get(name) != value)
    }


def _flat(value: Any, place: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{place}.{key}")
    else:
        yield place, value


def has_primary(plan: Plan) -> bool:
    """Tell whether a plan names a primary contrast."""
    return f"{_PRIMARY}index" in plan


def sessions_after(plan: Plan) -> list[str]:
    """Return the after-sessions of a plan."""
    return list(plan.get(_AFTER, []))


def sessions_in(plan: Plan) -> list[str]:
    """Return all sessions of a plan, in the order of measuring."""
    return [*plan.get(_BEFORE, []), *sessions_after(plan)]


def primary_session(plan: Plan) -> str | None:
    """Return the after-session of the primary contrast: the one named, else the last one.

    ``None`` if no primary contrast is named, or no after-session is: it is open then.
    """
    if not has_primary(plan):
        return None
    last = sessions_after(plan)[-1:]
    return plan.get(_SESSION) or (last[0] if last else None)


def resolved(plan: Plan) -> Plan:
    """Return a plan with the session of its primary contrast written out."""
    session = primary_session(plan)
    return plan if session is None else {**plan, _SESSION: session}


def is_open(plan: Plan) -> bool:
    """Tell whether a plan leaves open at which after-session its primary contrast is tested."""
    return has_primary(plan) and primary_session(plan) is None


def rests_beside(name: str) -> bool:
    """Tell whether a part of a plan is one that the primary contrast does not rest on.

    Names that are not known count as part of the primary contrast.
    """
    return name in _BESIDE or name.startswith(_MARGIN)


def is_margin(name: str) -> bool:
    """Tell whether a part of a plan is a margin of equivalence."""
    return name.startswith(_MARGIN)


def core(plan: Plan) -> Plan:
    """Return what the primary contrast of a plan rests on.

    Of the methods only the one counts that is its test; of the margins only that of a primary
    equivalence.
    """
    kept = {name: value for name, value in resolved(plan).items() if not rests_beside(name)}
    question = plan.get(_QUESTION, "")
    answering = PRIMARY_METHODS.get(question, ())
    if answering:
        listed = kept.pop(_METHODS, [])
        usable = [method for method in answering if method in listed]
        kept[_METHOD] = plan.get(_METHOD) or (usable or [*answering])[0]
    if question == "difference":
        kept[_QUESTION] = "difference_in_change"  # the design tells which of the two it is
    margin = f"{_MARGIN}{plan.get(f'{_PRIMARY}index')}"
    if question == "equivalence" and margin in plan:
        kept[margin] = plan[margin]
    return kept


def bears_on_primary(name: str, before: Plan, after: Plan) -> bool:
    """Tell whether a part in which two plans differ is one that the primary contrast rests on."""
    one, other = core(before), core(after)
    name = _METHOD if name == _METHODS and _METHOD in one else name
    if name in one or name in other:
        return one.get(name) != other.get(name)
    return not rests_beside(name)


def core_without_session(plan: Plan) -> Plan:
    """Return the core of a plan as if the session of its primary contrast had been left open."""
    return {name: value for name, value in core(plan).items() if name != _SESSION}


# --- as text ---------------------------------------------------------------------------------


def text_of(plan: Plan) -> str:
    """Return the one text of a plan.

    Lines that begin with ``#`` say it in words, every other line is ``name = value`` with the
    value as JSON; names are sorted within their group.
    """
    lines = [f"# Plan of a leaf reflectance study (leafledger, form {FORM})", "#"]
    lines += ["# " + sentence.replace("\n", " ") for sentence in _in_words(plan)]
    left = dict(plan)
    for title, start in _GROUPS:
        names = sorted(name for name in left if name.startswith(start))
        if names:
            lines += ["", f"# {title}"]
            lines += [f"{name} = {_json(left.pop(name))}" for name in names]
    return "\n".join(lines) + "\n"


def digest_of(plan: Plan) -> str:
    """Return the SHA-256 of a plan's text in hex."""
    return hashlib.sha256(text_of(plan).encode("utf-8")).hexdigest()


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, allow_nan=False, ensure_ascii=False)


def read_plan(text: str) -> Plan:
    """Return the plan that a text of :func:`text_of` holds.

    Raises
    ------
    ValueError
        If a line is no ``name = value``.
    """
    plan: Plan = {}
    for line in text.split("\n"):
        if not line or line.startswith("#"):
            continue
        name, equals, value = line.partition(" = ")
        if not equals:
            raise ValueError(f"no name = value: {line[:60]}")
        plan[name] = json.loads(value)
    return plan


def _in_words(plan: Plan) -> Iterator[str]:
    if has_primary(plan):
        question = str(plan.get(f"{_PRIMARY}question", ""))
        asked = _QUESTIONS.get(question, question.replace("_", " "))
        session = primary_session(plan)
        when = f"at {session}" if session else "at the last after-session, which is not named yet"
        control = plan.get("design.control")
        against = f", against {control}" if control and question != "change" else ""
        yield f"Primary contrast: the {asked} of {plan[f'{_PRIMARY}index']} {when}{against}."
    else:
        yield "No primary contrast is named: every effect of this plan is exploratory."
    if "effects.alpha" in plan and "effects.interval" in plan:
        interval = 100 * plan["effects.interval"]
        yield f"Verdicts at alpha {plan['effects.alpha']:g}, intervals at {interval:g} %."
    units = {name: value for name, value in plan.items() if name.startswith(_UNITS)}
    if units:
        counts = Counter(labels.get("treatment", "no treatment") for labels in units.values())
        groups = ", ".join(f"{label} {n}" for label, n in sorted(counts.items()))
        yield f"Units ({plan['design.unit']}): {len(units)} ({groups})."
    sessions = [f"{s} (before)" for s in plan.get(_BEFORE, [])]
    sessions += [f"{s} (after)" for s in sessions_after(plan)]
    if sessions:
        yield f"Sessions: {', '.join(sessions)}."


# --- what differs ----------------------------------------------------------------------------


@dataclass(frozen=True)
class PlanDiffers:
    """One part of a plan that is not the same.

    Attributes
    ----------
    name
        Its name in the plan, for a unit with the kind of label: ``units.p01.treatment``.
    before, after
        What it was and what it is, in words.
    """

    name: str
    before: str
    after: str

    @property
    def words(self) -> str:
        """The difference in words.

        Examples
        --------
        >>> PlanDiffers("effects.primary.index", "NDVI", "PRI").words
        'primary index NDVI -> PRI'
        >>> PlanDiffers("effects.margin.WI", "none", "0.006").words
        'margin of WI none -> 0.006'
        """
        return f"{name_in_words(self.name)} {self.before} -> {self.after}"


def name_in_words(name: str) -> str:
    """Return the name of a part of a plan as a sentence has it."""
    if name in _NAMES:
        return _NAMES[name]
    if name.startswith(_MARGIN):
        return f"margin of {name.removeprefix(_MARGIN)}"
    if name.startswith(_UNITS):
        unit, _, kind = name.removeprefix(_UNITS).rpartition(".")
        return f"{kind} of {unit}" if unit else f"unit {kind}"
    plain = name.removeprefix("effects.").removeprefix("design.")
    return plain.replace(".", " ").replace("_", " ")


def differences_between(before: Plan, after: Plan) -> list[PlanDiffers]:
    """Return what differs between two plans, the primary contrast first and the units last."""
    then, now = _told(before), _told(after)
    names = sorted({*then, *now}, key=lambda name: (_place(name), name))
    return [
        PlanDiffers(name, _words(then.get(name)), _words(now.get(name)))
        for name in names
        if canonical_json(then.get(name)) != canonical_json(now.get(name))
    ]


def _told(plan: Plan) -> Plan:
    """Return a plan with the labels of each unit under names of their own."""
    told: Plan = {}
    for name, value in resolved(plan).items():
        if name.startswith(_UNITS):
            told |= {f"{name}.{kind}": label for kind, label in value.items()}
        else:
            told[name] = value
    if is_open(plan):
        told[_SESSION] = "the last one, not named"
    return told


def _place(name: str) -> int:
    return next(i for i, (_, start) in enumerate((*_GROUPS, ("", ""))) if name.startswith(start))


def _words(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, list):
        return ", ".join(_words(item) for item in value) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_words(inner)}" for key, inner in value.items())
    return str(value)

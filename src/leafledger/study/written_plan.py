"""What does a study plan, as text, and was that text on record before the results were known?"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from leafledger.study.analysis_checks import PRIMARY_METHODS
from leafledger.study.table_files import canonical_json

# What is asked of which units, and by which rules it is answered.
# ----------------------------------------------------------------------
# A plan is a flat mapping of names to plain values, made from the design, the units and the section
# ``effects``. Titles, notes, dates and raw data are no part of it. Its text is canonical: one study
# has one text, so that its digest can be lodged elsewhere and compared later.

Plan = dict[str, Any]
"""Name -> value; what is not set has no name."""

FORM = "1"
_PRIMARY = "effects.primary."
_SESSION = f"{_PRIMARY}session"
_BEFORE, _AFTER = "design.sessions.before", "design.sessions.after"
_UNITS = "units."
_BLOCK = "design.block"
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
    formula_of = {
        index["index"]: index["formula"] for index in (indices or {}).get("formulas") or []
    }
    plan[f"{_PRIMARY}formula"] = formula_of.get(plan.get(f"{_PRIMARY}index"))
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


def _flat(value: Any, key_path: str) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{key_path}.{key}")
    else:
        yield key_path, value


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
    if plan.get("effects.compare") == "all" and "design.control" in plan:
        kept.pop("effects.compare")  # the primary contrasts are those with the control either way
    margin = f"{_MARGIN}{plan.get(f'{_PRIMARY}index')}"
    if question == "equivalence" and margin in plan:
        kept[margin] = plan[margin]
    return kept


def bears_on_primary(name: str, before: Plan, after: Plan) -> bool:
    """Tell whether a part in which two plans differ is one that the primary contrast rests on."""
    core_before, core_after = core(before), core(after)
    name = _METHOD if name == _METHODS and _METHOD in core_before else name
    if name in core_before or name in core_after:
        return core_before.get(name) != core_after.get(name)
    return not rests_beside(name)


def core_without_session(plan: Plan) -> Plan:
    """Return the core of a plan as if the session of its primary contrast had been left open."""
    return {name: value for name, value in core(plan).items() if name != _SESSION}


def core_without_allocation(plan: Plan) -> Plan:
    """Return the core of a plan as if treatments and blocks of the units had not been drawn yet."""
    kept = {name: value for name, value in core(plan).items() if name != _BLOCK}
    return {
        name: {
            label: label_value
            for label, label_value in value.items()
            if label not in ("treatment", "block")
        }
        if name.startswith(_UNITS)
        else value
        for name, value in kept.items()
    }


# As text.
# ----------------------------------------------------------------------


def text_of(plan: Plan) -> str:
    """Return the one text of a plan.

    Lines that begin with ``#`` say it in words, every other line is ``name = value`` with the
    value as JSON; names are sorted within their group.
    """
    lines = [f"# Plan of a leaf reflectance study (leafledger, form {FORM})", "#"]
    lines += ["# " + sentence.replace("\n", " ") for sentence in _plan_sentences(plan)]
    remaining = dict(plan)
    for title, start in _GROUPS:
        names = sorted(name for name in remaining if name.startswith(start))
        if names:
            lines += ["", f"# {title}"]
            lines += [f"{name} = {_json(remaining.pop(name))}" for name in names]
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


def _plan_sentences(plan: Plan) -> Iterator[str]:
    if has_primary(plan):
        question = str(plan.get(f"{_PRIMARY}question", ""))
        question_words = _QUESTIONS.get(question, question.replace("_", " "))
        session = primary_session(plan)
        when = f"at {session}" if session else "at the last after-session, which is not named yet"
        control = plan.get("design.control")
        against = f", against {control}" if control and question != "change" else ""
        index = plan[f"{_PRIMARY}index"]
        yield f"Primary contrast: the {question_words} of {index} {when}{against}."
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


# What differs.
# ----------------------------------------------------------------------


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
    then, now = _comparable(before), _comparable(after)
    names = sorted({*then, *now}, key=lambda name: (_place(name), name))
    return [
        PlanDiffers(name, _value_words(then.get(name)), _value_words(now.get(name)))
        for name in names
        if canonical_json(then.get(name)) != canonical_json(now.get(name))
    ]


def _comparable(plan: Plan) -> Plan:
    """Return a plan with the labels of each unit under names of their own."""
    comparable: Plan = {}
    for name, value in resolved(plan).items():
        if name.startswith(_UNITS):
            comparable |= {f"{name}.{kind}": label for kind, label in value.items()}
        else:
            comparable[name] = value
    if is_open(plan):
        comparable[_SESSION] = "the last one, not named"
    return comparable


def _place(name: str) -> int:
    return next(i for i, (_, start) in enumerate((*_GROUPS, ("", ""))) if name.startswith(start))


def _value_words(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:.15g}"
    if isinstance(value, list):
        return ", ".join(_value_words(item) for item in value) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_value_words(inner)}" for key, inner in value.items())
    return str(value)


# Was the plan fixed before the after-sessions were read? Read from the records of all plans.
# ----------------------------------------------------------------------
# What can be shown is one of these.
#
# fixed_before: the plan was on record before any run held an after-session.
# changed_after_results: it was recorded first when an earlier run had read an after-session, and
#     another plan had been recorded before.
# not_as_recorded: a plan was on record before any after-session was read, and the first run that
#     held one followed another. Whether it was changed before or after the data were seen cannot be
#     shown.
# another_followed: the plan was on record before any after-session was read, one of several. The
#     run that read one first followed another.
# not_provable: the first record of any plan held the after-sessions already.

FIXED = "fixed_before"
CHANGED = "changed_after_results"
OTHER = "not_as_recorded"
SEVERAL = "another_followed"
NOT_PROVABLE = "not_provable"

MARK_CHANGED = "exploratory: the plan was changed after results existed"
MARK_OTHER = "exploratory: not the plan that was recorded before the data"
MARK_SEVERAL = "exploratory: another plan was followed when the data were read"
_MARKS = {CHANGED: MARK_CHANGED, OTHER: MARK_OTHER, SEVERAL: MARK_SEVERAL}

BY_RUN, BY_COMMAND = "run", "plan"
_SHOWN = 6

NOTHING_SHOWN = (
    "Whether the primary contrast was named before the data is not provable: nothing behind these "
    "results shows a plan from before the after-sessions were read."
)

Facts = dict[str, Any]
"""What the book says of a plan, as plain values."""


@dataclass(frozen=True)
class Recorded:
    """A plan on record: that of a run, or one that was recorded by itself.

    Attributes
    ----------
    by
        ``run`` or ``plan``.
    id
        Id of the run, or number of the plan.
    date
        Day of recording.
    plan
        The plan; ``None`` where it is not known, and for the run of a variant, whose settings are
        not the study's plan.
    sha256
        Digest of its text as it is kept.
    held
        Sessions whose raw files had to be in place.
    read
        Sessions that had been read when the run ended, or when the plan was recorded.
    allocation
        Where lots had been drawn on values before the treatment: their digest, and how many draws
        had been before. ``None`` otherwise.
    """

    by: str
    id: str
    date: str
    plan: Plan | None
    sha256: str = ""
    held: frozenset[str] = frozenset()
    read: frozenset[str] = frozenset()
    allocation: Mapping[str, Any] | None = None

    def facts(self) -> Facts:
        """Return the fields of this record that results name."""
        own_facts = {"by": self.by, "id": self.id, "date": self.date, "plan_sha256": self.sha256}
        return (
            own_facts
            if self.allocation is None
            else {**own_facts, "allocation": dict(self.allocation)}
        )


@dataclass(frozen=True)
class _SessionHistory:
    """The state of the after-sessions at each record.

    Attributes
    ----------
    nothing_held
        No after-session was held by the end of the record.
    results_existed
        An after-session had been read before the record.
    results_after
        An after-session had been read by the end of the record.
    """

    nothing_held: list[bool]
    results_existed: list[bool]
    results_after: list[bool]


def _session_history(records: Sequence[Recorded], plan: Plan) -> _SessionHistory:
    after = set(sessions_after(plan))
    held_any = read_any = False
    held: set[str] = set()
    read: set[str] = set()
    history = _SessionHistory([], [], [])
    for record in records:
        after |= set(sessions_after(record.plan)) if record.plan is not None else set()
        history.results_existed.append(read_any or bool(read & after))
        held |= record.held | record.read
        read |= record.read
        held_any, read_any = held_any or bool(held & after), read_any or bool(read & after)
        history.nothing_held.append(not held_any)
        history.results_after.append(read_any)
    return history


def facts_of_plan(records: Sequence[Recorded], plan: Plan) -> Facts | None:
    """Return what the records say of a plan, ``None`` if they show nothing.

    Parameters
    ----------
    records
        Every record of the book in the order of the chain; the plan is among them.
    plan
        The plan as it stands.

    Raises
    ------
    ValueError
        If the plan is not among the records.
    """
    plan_core = core(plan)
    history = _session_history(records, plan)
    cores = [None if record.plan is None else core(record.plan) for record in records]
    if plan_core not in cores:
        raise ValueError("the plan is not on record")
    # 1. The first record whose primary contrast is this one.
    first = cores.index(plan_core)
    start, left_open = first, False
    # 2. A record of the same but for the session, which it left open, counts for it if no
    #    after-session had been read when the session was named.
    if not history.nothing_held[first] and not history.results_existed[first]:
        opened = _first_open(records, cores, plan, first)
        if opened is not None and history.nothing_held[opened]:
            start, left_open = opened, True
    # 3. What stood when the results came, and what of it is not so any more.
    statement, against = NOT_PROVABLE, None
    if history.nothing_held[start]:
        against = _other_plan_at_results(cores, history, plan_core, core_without_session(plan))
        statement = FIXED if against is None else SEVERAL
    elif history.results_existed[first]:
        against = _last_plan_before_results(records, history.results_existed, first)
        statement = NOT_PROVABLE if against is None else CHANGED
    else:
        before = [
            i for i in range(first) if records[i].plan is not None and history.nothing_held[i]
        ]
        against = before[-1] if before else None
        statement = NOT_PROVABLE if against is None else OTHER
    changed = [] if against is None else _differing(records[against], plan, primary=True)
    beside, beside_in = _changed_outside_primary(records, history, plan)
    allocated = allocated_before(records, plan)
    if statement == NOT_PROVABLE and not beside and allocated is None:
        return None
    # 4. Where lots were drawn later, the record that named the contrast before they were.
    named = _named_before_allocation(records, start) if statement == FIXED else None
    return {
        **({} if allocated is None else {"allocated": allocated}),
        **({} if named is None else {"before_allocation": records[named].facts()}),
        "form": 1,
        "plan_sha256": digest_of(plan),
        "statement": statement,
        "recorded": None if statement == NOT_PROVABLE else records[start].facts(),
        "against": None if against is None else records[against].facts(),
        "session_left_open": left_open,
        "changed": [_as_facts(difference) for difference in changed],
        "changed_beside": [_as_facts(difference) for difference in beside],
        "changed_beside_in": None if beside_in is None else records[beside_in].facts(),
    }


def _named_before_allocation(records: Sequence[Recorded], allocation_record: int) -> int | None:
    """Return the first record since which a plan differs by its allocation alone.

    ``None`` if the record is no allocation, or if another plan was in force just before it.
    """
    if records[allocation_record].allocation is None:
        return None
    core_before, first = core_without_allocation(records[allocation_record].plan or {}), None
    for i in range(allocation_record - 1, -1, -1):
        earlier_plan = records[i].plan
        if earlier_plan is not None and core_without_allocation(earlier_plan) != core_before:
            break
        first = first if earlier_plan is None else i
    return first


def allocated_before(records: Sequence[Recorded], plan: Plan) -> Facts | None:
    """Return when treatments were allocated on values of a session before, and whether that holds.

    Parameters
    ----------
    records
        Every record of the book in the order of the chain.
    plan
        The plan as it stands.

    Returns
    -------
    dict or None
        Facts of the last allocation; ``after_read``: after-sessions that had been read by then;
        ``n_again``: how often lots were drawn again; ``holds``: whether every unit still has the
        treatment it was allocated. ``None`` if the book knows of no allocation.
    """
    drawn = [i for i, record in enumerate(records) if record.allocation is not None]
    if not drawn:
        return None
    last = records[drawn[-1]]
    after = set(sessions_after(plan)) | set(sessions_after(last.plan or {}))
    read = {session for record in records[: drawn[-1]] for session in record.read} | last.read
    units = [
        {
            name: labels.get("treatment")
            for name, labels in labels_of.items()
            if name.startswith(_UNITS)
        }
        for labels_of in (plan, last.plan or {})
    ]
    return last.facts() | {
        "after_read": sorted(after & read),
        "n_again": len(drawn) - 1,
        "holds": units[0] == units[1],
    }


def _other_plan_at_results(
    cores: Sequence[Plan | None], history: _SessionHistory, plan_core: Plan, opened: Plan
) -> int | None:
    """Return the run that read an after-session first, if it followed another plan."""
    for i, other_core in enumerate(cores):
        if history.results_after[i] and not history.results_existed[i]:
            return None if other_core is None or other_core in (plan_core, opened) else i
    return None


def _first_open(
    records: Sequence[Recorded], cores: Sequence[Plan | None], plan: Plan, stop: int
) -> int | None:
    open_core = core_without_session(plan)
    for i in range(stop):
        earlier_plan = records[i].plan
        if earlier_plan is not None and is_open(earlier_plan) and cores[i] == open_core:
            return i
    return None


def _last_plan_before_results(
    records: Sequence[Recorded], existed: Sequence[bool], stop: int
) -> int | None:
    """Return the last plan recorded before results existed, else the first one of all."""
    recorded = [i for i in range(stop) if records[i].plan is not None]
    before = [i for i in recorded if not existed[i]]
    return before[-1] if before else (recorded[0] if recorded else None)


def _differing(record: Recorded, plan: Plan, *, primary: bool) -> list[PlanDiffers]:
    """Return what differs from a record in what the primary contrast rests on, or in the rest."""
    then = record.plan or {}
    differences = differences_between(then, plan)
    return [
        difference
        for difference in differences
        if bears_on_primary(difference.name, then, plan) == primary
    ]


def _changed_outside_primary(
    records: Sequence[Recorded], history: _SessionHistory, plan: Plan
) -> tuple[list[PlanDiffers], int | None]:
    """Return what changed after results existed and bears on no primary contrast, and when."""
    plan_record = next((i for i, record in enumerate(records) if record.plan == plan), None)
    if plan_record is None or not history.results_existed[plan_record]:
        return [], None
    against = _last_plan_before_results(records, history.results_existed, plan_record)
    if against is None:
        return [], None
    differences = _differing(records[against], plan, primary=False)
    return differences, plan_record if differences else None


def _as_facts(difference: PlanDiffers) -> dict[str, str]:
    return {"name": difference.name, "before": difference.before, "after": difference.after}


def others_between(records: Sequence[Recorded], plan: Plan) -> list[Recorded]:
    """Return the records of other plans that were followed after this one had been recorded.

    A plan that differs only by leaving the session open is not another one.
    """
    plan_core, opened = core(plan), core_without_session(plan)
    cores = [None if record.plan is None else core(record.plan) for record in records]
    if plan_core not in cores:
        return []
    first = cores.index(plan_core)
    last = len(cores) - 1 - cores[::-1].index(plan_core)
    return [
        records[i]
        for i in range(first + 1, last)
        if cores[i] is not None and cores[i] not in (plan_core, opened)
    ]


# In words.
# ----------------------------------------------------------------------


def mark_of(facts: Facts | None) -> str:
    """Return the mark that the verdict of the primary contrast carries, empty for none."""
    return "" if facts is None else _MARKS.get(facts["statement"], "")


def mark_of_margins(facts: Facts | None) -> str:
    """Return the mark that a verdict on equivalence carries, empty for none."""
    if facts is None or not any(
        is_margin(difference["name"]) for difference in facts["changed_beside"]
    ):
        return ""
    return MARK_CHANGED


def sentences_of(facts: Facts | None, *, primary: bool) -> list[str]:
    """Return what the book says of the plan, for the page and the terminal.

    Parameters
    ----------
    facts
        As :func:`judged` returns them.
    primary
        Whether the study names a primary contrast; without one and without facts there is
        nothing to say.
    """
    if facts is None:
        return [NOTHING_SHOWN] if primary else []
    what = "The primary contrast" if primary else "The plan (no primary contrast is named)"
    words = {
        FIXED: _fixed_sentence,
        CHANGED: _changed_sentence,
        OTHER: _other_sentence,
        SEVERAL: _several_sentence,
    }
    sentence_for = words.get(facts["statement"])
    out = (
        [sentence_for(facts, what, primary)]
        if sentence_for
        else ([NOTHING_SHOWN] if primary else [])
    )
    return out + _changed_outside_sentences(facts) + _allocation_sentences(facts.get("allocated"))


def _fixed_sentence(facts: Facts, what: str, _primary: bool) -> str:
    where = place_of(facts["recorded"])
    if named := facts.get("before_allocation"):
        where = f"{place_of(named)}, and with the treatments as they were allocated {where}"
    text = (
        f"{what} was fixed before the data: recorded first {where}, before any after-session had "
        "been read."
    )
    if facts["session_left_open"]:
        text += " Which after-session it is tested at was left open then."
    return text


def _changed_sentence(facts: Facts, what: str, primary: bool) -> str:
    so = f" {what} is exploratory." if primary else ""
    return (
        f"The plan was changed after results existed, {place_of(facts['recorded'])}: "
        f"{listed_changes(facts['changed'])}. Until then the plan recorded "
        f"{place_of(facts['against'])} held.{so}"
    )


def _other_sentence(facts: Facts, what: str, primary: bool) -> str:
    so = f", so that {what[0].lower()}{what[1:]} is exploratory" if primary else ""
    return (
        f"The plan is not the one recorded {place_of(facts['against'])} before any after-session "
        f"had been read: {listed_changes(facts['changed'])}, {place_of(facts['recorded'])}, which "
        "had the after-sessions already. Whether it was changed before or after the data were seen "
        f"cannot be shown{so}."
    )


def _several_sentence(facts: Facts, what: str, primary: bool) -> str:
    so = f" {what} is exploratory." if primary else ""
    return (
        f"More than one plan was on record before the data. This one was recorded first "
        f"{place_of(facts['recorded'])}, but the after-sessions were first read under another, "
        f"{place_of(facts['against'])}: {listed_changes(facts['changed'])}.{so}"
    )


def _changed_outside_sentences(facts: Facts) -> list[str]:
    if not facts["changed_beside"]:
        return []
    return [
        "Beside the primary contrast the plan was changed after results existed, "
        f"{place_of(facts['changed_beside_in'])}: {listed_changes(facts['changed_beside'])}. What "
        "rests on that is exploratory."
    ]


def _allocation_sentences(drawn: Facts | None) -> list[str]:
    """Return in a sentence when treatments were allocated, and against which data."""
    if drawn is None:
        return []
    read = ", ".join(drawn["after_read"])
    when = (
        f"when {read} had been read already" if read else "before any after-session had been read"
    )
    text = (
        f"Treatments were allocated after baseline on {drawn['date']}, {when} (plan {drawn['id']}, "
        f"SHA-256 of the allocation {drawn['allocation']['sha256']})."
    )
    again = drawn["n_again"]
    if again:
        times = "once" if again == 1 else f"{again} times"
        text += f" Lots were drawn again {times}; the earlier allocation stays on record."
    if not drawn["holds"]:
        text += " Units or their treatments are no longer those of the allocation."
    return [text]


def place_of(recorded: Mapping[str, Any]) -> str:
    """Return in which run, or by which command, and when a plan was recorded.

    Examples
    --------
    >>> place_of({"by": "run", "id": "20260504-171200-a1b2", "date": "2026-05-04"})
    'in run 20260504-171200-a1b2 on 2026-05-04'
    """
    if recorded["by"] == BY_RUN:
        return f"in run {recorded['id']} on {recorded['date']}"
    digest = f", SHA-256 {recorded['plan_sha256']}" if recorded.get("plan_sha256") else ""
    command = "plan allocate" if recorded.get("allocation") else "plan record"
    return f"by `{command}` on {recorded['date']} (plan {recorded['id']}{digest})"


def listed_changes(changed: Sequence[Mapping[str, str]]) -> str:
    """Return what changed, old -> new, in words."""
    words = [PlanDiffers(c["name"], c["before"], c["after"]).words for c in changed]
    more = f"; and {len(words) - _SHOWN} more" if len(words) > _SHOWN else ""
    return "; ".join(words[:_SHOWN]) + more


def course_lines(records: Sequence[Recorded]) -> list[str]:
    """Return each plan on record as a line to read: where it begins, and what changed then."""
    lines: list[str] = []
    before: Plan | None = None
    for record in records:
        if record.plan is None or record.plan == before:
            continue
        changed = [] if before is None else differences_between(before, record.plan)
        changes = "; ".join(d.words for d in changed) or "the first plan on record"
        where = place_of(record.facts())
        lines.append(f"{where[0].upper()}{where[1:]}: {changes}")
        before = record.plan
    return lines


def words_of_first(records: Sequence[Recorded]) -> list[str]:
    """Return which plan was the first on record and that it came with the after-sessions."""
    first = next((record for record in records if record.plan is not None), None)
    if first is None:
        return []
    where = place_of(first.facts())
    return [f"The first plan on record, {where}, came when the after-sessions were there already."]


def words_of_others(records: Sequence[Recorded], plan: Plan) -> list[str]:
    """Return that other plans were followed after this one had been recorded; empty if none was."""
    others = others_between(records, plan)
    if not others:
        return []
    first = others[0]
    changed = differences_between(plan, first.plan or {})
    changes = listed_changes([_as_facts(difference) for difference in changed])
    more = f" (and in {len(others) - 1} more records)" if len(others) > 1 else ""
    return [f"In between another plan was in force, {place_of(first.facts())}{more}: {changes}."]

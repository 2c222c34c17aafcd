"""Was the plan fixed before the after-sessions were read? Judged from the records of all plans.

What can be shown is one of these:

``fixed_before``
    the plan was on record before any run held an after-session;
``changed_after_results``
    it was recorded first when an after-session had been read by an earlier run, and another plan
    had been recorded before;
``not_as_recorded``
    a plan was on record before any after-session was read, and the first run that held one
    followed another: whether it was changed before or after the data were seen cannot be shown;
``not_provable``
    the first record of any plan held the after-sessions already.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from leafledger.study.plan import (
    Plan,
    PlanDiffers,
    bears_on_primary,
    core,
    core_without_session,
    differences_between,
    digest_of,
    is_margin,
    is_open,
    sessions_after,
)

FIXED = "fixed_before"
CHANGED = "changed_after_results"
OTHER = "not_as_recorded"
NOT_PROVABLE = "not_provable"

MARK_CHANGED = "exploratory: the plan was changed after results existed"
MARK_OTHER = "exploratory: not the plan that was recorded before the data"
_MARKS = {CHANGED: MARK_CHANGED, OTHER: MARK_OTHER}

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
    """

    by: str
    id: str
    date: str
    plan: Plan | None
    sha256: str = ""
    held: frozenset[str] = frozenset()
    read: frozenset[str] = frozenset()

    def facts(self) -> Facts:
        """Return what is told of this record."""
        return {"by": self.by, "id": self.id, "date": self.date, "plan_sha256": self.sha256}


@dataclass(frozen=True)
class _Course:
    """For each record: had no after-session been held by its end, had one been read before it?"""

    nothing_held: list[bool]
    results_existed: list[bool]


def _course(records: Sequence[Recorded], plan: Plan) -> _Course:
    after = set(sessions_after(plan))
    held_any = read_any = False
    held: set[str] = set()
    read: set[str] = set()
    course = _Course([], [])
    for one in records:
        after |= set(sessions_after(one.plan)) if one.plan is not None else set()
        course.results_existed.append(read_any or bool(read & after))
        held |= one.held | one.read
        read |= one.read
        held_any, read_any = held_any or bool(held & after), read_any or bool(read & after)
        course.nothing_held.append(not held_any)
    return course


def judged(records: Sequence[Recorded], plan: Plan) -> Facts | None:
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
    own = core(plan)
    course = _course(records, plan)
    cores = [None if one.plan is None else core(one.plan) for one in records]
    if own not in cores:
        raise ValueError("the plan is not on record")
    # 1. The first record whose primary contrast is this one.
    first = cores.index(own)
    start, left_open = first, False
    # 2. A record of the same but for the session, which it left open, counts for it if no
    #    after-session had been read when the session was named.
    if not course.nothing_held[first] and not course.results_existed[first]:
        opened = _first_open(records, cores, plan, first)
        if opened is not None and course.nothing_held[opened]:
            start, left_open = opened, True
    # 3. What stood when the results came, and what of it is not so any more.
    statement, against = NOT_PROVABLE, None
    if course.nothing_held[start]:
        statement = FIXED
    elif course.results_existed[first]:
        against = _stood(records, course.results_existed, first)
        statement = NOT_PROVABLE if against is None else CHANGED
    else:
        before = [i for i in range(first) if records[i].plan is not None and course.nothing_held[i]]
        against = before[-1] if before else None
        statement = NOT_PROVABLE if against is None else OTHER
    changed = [] if against is None else _differing(records[against], plan, primary=True)
    beside, beside_in = _changed_beside(records, course, plan)
    if statement == NOT_PROVABLE and not beside:
        return None
    return {
        "form": 1,
        "plan_sha256": digest_of(plan),
        "statement": statement,
        "recorded": None if statement == NOT_PROVABLE else records[start].facts(),
        "against": None if against is None else records[against].facts(),
        "session_left_open": left_open,
        "changed": [_plain(one) for one in changed],
        "changed_beside": [_plain(one) for one in beside],
        "changed_beside_in": None if beside_in is None else records[beside_in].facts(),
    }


def _first_open(
    records: Sequence[Recorded], cores: Sequence[Plan | None], plan: Plan, stop: int
) -> int | None:
    wanted = core_without_session(plan)
    for i in range(stop):
        one = records[i].plan
        if one is not None and is_open(one) and cores[i] == wanted:
            return i
    return None


def _stood(records: Sequence[Recorded], existed: Sequence[bool], stop: int) -> int | None:
    """Return the last plan recorded before results existed, else the first one of all."""
    known = [i for i in range(stop) if records[i].plan is not None]
    before = [i for i in known if not existed[i]]
    return before[-1] if before else (known[0] if known else None)


def _differing(record: Recorded, plan: Plan, *, primary: bool) -> list[PlanDiffers]:
    """Return what differs from a record in what the primary contrast rests on, or in the rest."""
    then = record.plan or {}
    found = differences_between(then, plan)
    return [one for one in found if bears_on_primary(one.name, then, plan) == primary]


def _changed_beside(
    records: Sequence[Recorded], course: _Course, plan: Plan
) -> tuple[list[PlanDiffers], int | None]:
    """Return what changed after results existed and bears on no primary contrast, and when."""
    at = next((i for i, one in enumerate(records) if one.plan == plan), None)
    if at is None or not course.results_existed[at]:
        return [], None
    against = _stood(records, course.results_existed, at)
    if against is None:
        return [], None
    found = _differing(records[against], plan, primary=False)
    return found, at if found else None


def _plain(one: PlanDiffers) -> dict[str, str]:
    return {"name": one.name, "before": one.before, "after": one.after}


def others_between(records: Sequence[Recorded], plan: Plan) -> list[Recorded]:
    """Return the records of other plans that were followed after this one had been recorded.

    A plan that differs only by leaving the session open is not another one.
    """
    own, opened = core(plan), core_without_session(plan)
    cores = [None if one.plan is None else core(one.plan) for one in records]
    if own not in cores:
        return []
    first = cores.index(own)
    last = len(cores) - 1 - cores[::-1].index(own)
    return [
        records[i]
        for i in range(first + 1, last)
        if cores[i] is not None and cores[i] not in (own, opened)
    ]


# --- in words --------------------------------------------------------------------------------


def mark_of(facts: Facts | None) -> str:
    """Return the mark that the verdict of the primary contrast carries, empty for none."""
    return "" if facts is None else _MARKS.get(facts["statement"], "")


def mark_of_margins(facts: Facts | None) -> str:
    """Return the mark that a verdict on equivalence carries, empty for none."""
    if facts is None or not any(is_margin(one["name"]) for one in facts["changed_beside"]):
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
    said = {FIXED: _fixed, CHANGED: _changed, OTHER: _other}.get(facts["statement"])
    out = [said(facts, what, primary)] if said else ([NOTHING_SHOWN] if primary else [])
    return out + _beside(facts)


def _fixed(facts: Facts, what: str, _primary: bool) -> str:
    text = (
        f"{what} was fixed before the data: recorded first {place_of(facts['recorded'])}, before "
        "any after-session had been read."
    )
    if facts["session_left_open"]:
        text += " Which after-session it is tested at was left open then."
    return text


def _changed(facts: Facts, what: str, primary: bool) -> str:
    so = f" {what} is exploratory." if primary else ""
    return (
        f"The plan was changed after results existed, {place_of(facts['recorded'])}: "
        f"{listed_changes(facts['changed'])}. Until then the plan recorded "
        f"{place_of(facts['against'])} held.{so}"
    )


def _other(facts: Facts, what: str, primary: bool) -> str:
    so = f", so that {what[0].lower()}{what[1:]} is exploratory" if primary else ""
    return (
        f"The plan is not the one recorded {place_of(facts['against'])} before any after-session "
        f"had been read: {listed_changes(facts['changed'])}, {place_of(facts['recorded'])}, which "
        "had the after-sessions already. Whether it was changed before or after the data were seen "
        f"cannot be shown{so}."
    )


def _beside(facts: Facts) -> list[str]:
    if not facts["changed_beside"]:
        return []
    return [
        "Beside the primary contrast the plan was changed after results existed, "
        f"{place_of(facts['changed_beside_in'])}: {listed_changes(facts['changed_beside'])}. What "
        "rests on that is exploratory."
    ]


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
    return f"by `plan record` on {recorded['date']} (plan {recorded['id']}{digest})"


def listed_changes(changed: Sequence[Mapping[str, str]]) -> str:
    """Return what changed, old -> new, in words."""
    words = [PlanDiffers(c["name"], c["before"], c["after"]).words for c in changed]
    more = f"; and {len(words) - _SHOWN} more" if len(words) > _SHOWN else ""
    return "; ".join(words[:_SHOWN]) + more


def course_lines(records: Sequence[Recorded]) -> list[str]:
    """Return each plan on record as a line to read: where it begins, and what changed then."""
    lines: list[str] = []
    before: Plan | None = None
    for one in records:
        if one.plan is None or one.plan == before:
            continue
        changed = [] if before is None else differences_between(before, one.plan)
        told = "; ".join(d.words for d in changed) or "the first plan on record"
        where = place_of(one.facts())
        lines.append(f"{where[0].upper()}{where[1:]}: {told}")
        before = one.plan
    return lines


def words_of_first(records: Sequence[Recorded]) -> list[str]:
    """Return which plan was the first on record and that it came with the after-sessions."""
    first = next((one for one in records if one.plan is not None), None)
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
    told = listed_changes([_plain(one) for one in changed])
    more = f" (and in {len(others) - 1} more records)" if len(others) > 1 else ""
    return [f"In between another plan was in force, {place_of(first.facts())}{more}: {told}."]

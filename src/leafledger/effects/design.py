"""What is asked of the data, and what does the design allow to be asked?

The layout holds treatments, sessions, blocks and strata as the tests see them; the plan holds what
is tested and how. From both follow the contrasts, each with the reason why it cannot be tested, if
there is one.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

Instruments = Mapping[str, Mapping[str, frozenset[str]]]
"""Session -> unit -> its instruments; sessions and units of which none is named are left out."""

CHANGE = "change"
DIFFERENCE = "difference_in_change"
AFTER_ONLY = "difference"
"""Between treatments where no session lies before: of the values themselves."""
BETWEEN = frozenset({DIFFERENCE, AFTER_ONLY})
EQUIVALENCE = "equivalence"
COURSE = "course"
TREND = "trend"
FACTORIAL = "factorial"
WAITS = "waits: "
"""How the reason of what is not answered yet begins."""
UNALLOCATED = f"{WAITS}treatments are not allocated yet"
ALL = "all"
"""The stratum that holds every unit."""


@dataclass(frozen=True)
class Contrast:
    """One question to one pair of occasions, in one arm or between two.

    Attributes
    ----------
    question
        ``change``, ``difference_in_change``, ``difference``, ``equivalence``, ``course``, ``trend``
        or ``factorial``.
    name
        Such as ``day8-day0@chelate`` or ``(day8-day0)@chelate-water``.
    after
        The later session; ``""`` if the study has none.
    level, reference
        Treatment, and the one it is compared with, usually the control (``""`` for a change within
        a treatment).
    untestable
        Why the design cannot answer it, in words; ``""`` if it can.
    stratum
        ``all``, or the units of one level of a factor, such as ``cultivar=Kestrel``.
    per
        What the unit of the index is divided or multiplied by, such as ``/day``.
    """

    question: str
    name: str
    after: str
    level: str
    reference: str
    untestable: str
    stratum: str = ALL
    per: str = ""


@dataclass(frozen=True)
class Layout:
    """The design as the tests see it.

    Attributes
    ----------
    word
        Word for the experimental unit; ``""`` if the units are not known.
    levels
        Treatment -> its units, both sorted.
    control
        The level that others are compared with; ``""`` if none is named.
    blocks
        Unit -> its block; empty if there are no blocks.
    before, after
        Sessions in study order.
    times
        Session -> days since the first one, or its place in the order if a date is missing.
    time_word
        ``day`` or ``session``: what ``times`` counts.
    strata
        Stratum -> its units, such as ``cultivar=Kestrel``; empty if none are asked for.
    doses
        Treatment -> its amount; empty if the levels are not ordered.
    instruments
        Which instrument measured which unit in which session, as far as the study says.
    covariates
        Stated factor -> unit -> its level: they stand in the linear model beside the block.
    crossed
        Unit -> its level of the factor that the treatment is crossed with; empty if none is asked
        for.
    crossed_name
        Column of that factor.
    compared
        Treatments that are compared, as the settings ask: the treated one and its reference; empty
        where each is compared with the control.
    parts
        Experimental unit -> the units of the sheet that it holds, where whole plots (trays,
        benches) were treated; empty where the units of the sheet were.
    above
        Unit -> the block that its whole plot lies in, where whole plots are the blocks.
    stated
        Every session that the study states with its phase, measured or not; empty where all of
        them are in ``before`` and ``after``.
    unmeasured
        Session -> why it has no results: it is to come, or it was skipped for a reason.
    unallocated
        Treatments that are stated and that no unit has been given yet; empty once units have them.
    """

    word: str
    levels: Mapping[str, tuple[str, ...]]
    control: str
    blocks: Mapping[str, str]
    before: tuple[str, ...]
    after: tuple[str, ...]
    times: Mapping[str, float] = field(default_factory=dict)
    time_word: str = "session"
    strata: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    doses: Mapping[str, float] = field(default_factory=dict)
    instruments: Instruments = field(default_factory=dict)
    covariates: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    crossed: Mapping[str, str] = field(default_factory=dict)
    crossed_name: str = ""
    compared: tuple[tuple[str, str], ...] = ()
    parts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    above: Mapping[str, str] = field(default_factory=dict)
    stated: tuple[tuple[str, str], ...] = ()
    unmeasured: Mapping[str, str] = field(default_factory=dict)
    unallocated: tuple[str, ...] = ()

    def only(self, units: Iterable[str]) -> Layout:
        """Return the same design with these units alone."""
        kept = set(units)
        levels = {
            level: tuple(unit for unit in arm if unit in kept) for level, arm in self.levels.items()
        }
        return replace(self, levels=levels)

    def within(self, stratum: str) -> Layout:
        """Return the design within one stratum; the whole design for ``all``."""
        return self.only(self.strata[stratum]) if stratum in self.strata else self

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Treatments that are compared with each other: the treated one and its reference."""
        treated = [level for level in self.levels if level != self.control] if self.control else []
        return self.compared or tuple((level, self.control) for level in treated)

    @property
    def level_of(self) -> dict[str, str]:
        """Unit -> its treatment."""
        return {unit: level for level, arm in self.levels.items() for unit in arm}

    @property
    def difference(self) -> str:
        """The question between treatments: the difference in change, or after alone."""
        return DIFFERENCE if self.before else AFTER_ONLY

    @property
    def owner(self) -> dict[str, str]:
        """Unit of the sheet -> the experimental unit that it is, or is a part of."""
        whole = {
            unit: unit for arm in self.levels.values() for unit in arm if unit not in self.parts
        }
        return whole | {part: unit for unit, held in self.parts.items() for part in held}

    @property
    def factors(self) -> dict[str, Mapping[str, str]]:
        """Factors of the linear model by name: the block first, then the stated ones."""
        block = {"block": self.blocks} if len(set(self.blocks.values())) > 1 else {}
        return {**block, **self.covariates}

    @property
    def stated_before(self) -> tuple[str, ...]:
        """All sessions before that the study states, measured or not."""
        return tuple(s for s, phase in self.stated if phase == "before") or self.before

    @property
    def stated_after(self) -> tuple[str, ...]:
        """All sessions after that the study states, measured or not."""
        return tuple(s for s, phase in self.stated if phase != "before") or self.after

    @property
    def as_stated(self) -> Layout:
        """The design as it will be once every session is measured and all units are treated."""
        return replace(self, before=self.stated_before, after=self.stated_after)

    @property
    def to_come(self) -> tuple[str, ...]:
        """Sessions that are still to be measured, in study order."""
        return tuple(s for s, why in self.unmeasured.items() if why.startswith(WAITS))

    @property
    def start_waits(self) -> str:
        """Why nothing can be compared with the time before; ``""`` if it can.

        The treatments are not allocated, or a session before is to come: one that is missing from
        the mean before would move every change.
        """
        if self.unallocated:
            return UNALLOCATED
        coming = [s for s in self.stated_before if s in self.to_come]
        return self.unmeasured[coming[0]] if coming else ""

    @property
    def course_waits(self) -> str:
        """Why the whole course cannot be tested yet; ``""`` if no session is to come."""
        coming = self.to_come
        return self.start_waits or (self.unmeasured[coming[0]] if coming else "")

    def why_not(self, after: str) -> str:
        """Return why no contrast to a session can be tested yet, or ever; ``""`` if it can.

        A study of which every session before was skipped has no change to test.
        """
        unmeasured = [s for s in self.stated_before if s in self.unmeasured]
        no_start = self.unmeasured[unmeasured[0]] if unmeasured and not self.before else ""
        own_reason = self.unmeasured.get(after, "")
        if own_reason and not own_reason.startswith(WAITS):
            return own_reason  # never measured: nothing to wait for
        return self.start_waits or own_reason or no_start

    @property
    def before_name(self) -> str:
        """The before session in contrast names; ``before`` if there are several or none."""
        return self.before[0] if len(self.before) == 1 else "before"

    @property
    def sessions(self) -> tuple[str, ...]:
        """All sessions that take part, before ones first."""
        return (*self.before, *self.after)


def layout_from(
    design: Mapping[str, Any],
    units: Mapping[str, Mapping[str, str]],
    settings: Mapping[str, Any] | None = None,
    instruments: Instruments | None = None,
    *,
    inside_plots: bool = False,
) -> Layout:
    """Read the design settings and the unit sheet.

    Where ``whole_plot`` names a column and every whole plot bears one treatment, the plots are the
    experimental units: a treatment given to trays is tested over trays. Where treatments differ
    within whole plots, these are the blocks.

    Parameters
    ----------
    design
        unit, treatment, control, block, whole_plot, doses, sessions (session, date, phase; while
        the study is not complete also ``to_come`` and ``skipped``), and ``unallocated``, the
        treatments that no unit has been given yet.
    units
        Unit -> its columns; a unit without a treatment belongs to no arm.
    settings
        Section ``effects``: strata, covariates, crossed, compare.
    instruments
        Which instrument measured which unit; ``None`` if the study does not say.
    inside_plots
        Keep the units of the sheet where whole plots were treated, with the plots as blocks: for a
        factor that varies inside them.
    """
    settings = settings or {}
    block, plot = design.get("block"), design.get("whole_plot")
    parts = _whole_plots(units, design["treatment"], plot) if plot and not inside_plots else {}
    word = design.get("unit") or ""
    if parts:
        word = str(plot).replace("_", " ") if word else ""
        units = {name: _shared(units, held) for name, held in parts.items()}
        owner = {part: name for name, held in parts.items() for part in held}
        instruments = _by_owner(instruments or {}, owner)
    above: dict[str, str] = {}
    if plot and not parts:
        above = {u: units[u].get(block, "") for u in sorted(units)} if block else {}
        units = {
            u: {**row, plot: f"{row.get(block or '', '')} {row.get(plot, '')}".strip()}
            for u, row in units.items()
        }
        block = plot
    levels: dict[str, list[str]] = {}
    for unit in sorted(units):
        level = units[unit].get(design["treatment"], "")
        if level:
            levels.setdefault(level, []).append(unit)
    stated = design.get("sessions") or [{"session": "all", "phase": "after"}]
    unmeasured = {str(s["session"]): why for s in stated if (why := _why_unmeasured(s))}
    sessions = [s for s in stated if s["session"] not in unmeasured]
    times, time_word = _times(sessions)
    crossed = settings.get("crossed") or ""

    def column(name: str) -> dict[str, str]:
        return {u: units[u].get(name, "") for u in sorted(units)}

    return Layout(
        word=word,
        levels={level: tuple(levels[level]) for level in sorted(levels)},
        control=design.get("control") or "",
        blocks=column(block) if block else {},
        before=tuple(s["session"] for s in sessions if s["phase"] == "before"),
        after=tuple(s["session"] for s in sessions if s["phase"] != "before"),
        times=times,
        time_word=time_word,
        strata=_strata(units, settings.get("strata")),
        doses=doses_of(sorted(levels), design.get("doses") or {}),
        instruments=instruments or {},
        covariates={name: column(name) for name in settings.get("covariates") or []},
        crossed=column(crossed) if crossed else {},
        crossed_name=crossed,
        compared=_compared(settings.get("compare"), sorted(levels), design.get("control") or ""),
        parts=parts,
        above=above,
        stated=tuple((str(s["session"]), str(s["phase"])) for s in stated) if unmeasured else (),
        unmeasured=unmeasured,
        unallocated=tuple(design.get("unallocated") or ()),
    )


def _why_unmeasured(session: Mapping[str, Any]) -> str:
    """Return why a session has no results; ``""`` if it is measured."""
    if session.get("to_come"):
        return f"{WAITS}{session['session']} has no scans yet"
    reason = session.get("skipped")
    return f"{session['session']} was not measured: {reason}" if reason else ""


def _whole_plots(
    units: Mapping[str, Mapping[str, str]], treatment: str, column: str
) -> dict[str, tuple[str, ...]]:
    """Return whole plot -> its units, where each bears one treatment; else nothing."""
    held: dict[str, list[str]] = {}
    for unit in sorted(units):
        if units[unit].get(treatment):
            held.setdefault(units[unit].get(column, "") or unit, []).append(unit)
    if any(len({units[u][treatment] for u in members}) > 1 for members in held.values()):
        return {}
    return {name: tuple(held[name]) for name in sorted(held)}


def _shared(units: Mapping[str, Mapping[str, str]], held: Sequence[str]) -> dict[str, str]:
    """Return the columns in which all units of a whole plot agree."""
    first = units[held[0]]
    return {
        name: value
        for name, value in first.items()
        if all(units[unit].get(name, "") == value for unit in held)
    }


def _by_owner(instruments: Instruments, owner: Mapping[str, str]) -> Instruments:
    out: dict[str, dict[str, frozenset[str]]] = {}
    for session, units in instruments.items():
        here = out.setdefault(session, {})
        for unit, names in units.items():
            name = owner.get(unit, unit)
            here[name] = here.get(name, frozenset()) | names
    return out


def _compared(
    compare: str | Sequence[Sequence[str]] | None, levels: Sequence[str], control: str
) -> tuple[tuple[str, str], ...]:
    """Return the pairs that the settings ask for; none where each is compared with the control."""
    if compare in (None, "control"):
        return ()
    if compare == "all":
        others = [level for level in levels if level != control]
        treated = [
            (later_level, first_level)
            for i, first_level in enumerate(others)
            for later_level in others[i + 1 :]
        ]
        return (*((level, control) for level in others if control), *treated)
    return tuple((pair[0], pair[1]) for pair in compare or ())


def _times(sessions: Sequence[Mapping[str, Any]]) -> tuple[dict[str, float], str]:
    names = [str(s["session"]) for s in sessions]
    dates = [dt.date.fromisoformat(str(s["date"])) for s in sessions if s.get("date")]
    if len(dates) == len(names) and len(set(dates)) == len(dates):
        return {n: float((d - dates[0]).days) for n, d in zip(names, dates, strict=True)}, "day"
    return {name: float(i) for i, name in enumerate(names)}, "session"


def _strata(
    units: Mapping[str, Mapping[str, str]], column: str | None
) -> dict[str, tuple[str, ...]]:
    if not column:
        return {}
    units_of: dict[str, list[str]] = {}
    for unit in sorted(units):
        if label := units[unit].get(column, ""):
            units_of.setdefault(f"{column}={label}", []).append(unit)
    return {name: tuple(units_of[name]) for name in sorted(units_of)}


def doses_of(levels: Sequence[str], named: Mapping[str, float]) -> dict[str, float]:
    """Return the amount of every level; empty unless each has one and there are three or more.

    Examples
    --------
    >>> doses_of(["0", "1.5", "3"], {}), doses_of(["full", "none"], {})
    ({'0': 0.0, '1.5': 1.5, '3': 3.0}, {})
    """
    try:
        doses = {level: float(named[level] if named else level) for level in levels}
    except (KeyError, ValueError):
        return {}
    return doses if len(set(doses.values())) >= 3 else {}


# Which instrument measured which unit, and whether the treatment can be told from it.
# ----------------------------------------------------------------------


def instruments_of(scans: Mapping[str, Mapping[str, str]]) -> Instruments:
    """Return which instrument measured what, from scans that name session, unit and instrument.

    Examples
    --------
    >>> one = {"session": "d0", "unit": "p1", "instrument": "A"}
    >>> instruments_of({"s1": one, "s2": one})
    {'d0': {'p1': frozenset({'A'})}}
    """
    names: dict[str, dict[str, frozenset[str]]] = {}
    for scan in scans.values():
        units = names.setdefault(scan["session"], {})
        units[scan["unit"]] = units.get(scan["unit"], frozenset()) | {scan["instrument"]}
    return names


def _used(instruments: Instruments, sessions: Iterable[str], units: Collection[str]) -> set[str]:
    """Return the instruments that measured any of the units in any of the sessions."""
    return {
        name
        for session in sessions
        for unit, names in instruments.get(session, {}).items()
        if unit in units
        for name in names
    }


def no_common_instrument(
    instruments: Instruments, session: str, units: Collection[str], other_units: Collection[str]
) -> bool:
    """Return whether two groups of units share no instrument in a session, as far as is known.

    Examples
    --------
    >>> known = {"d0": {"p1": frozenset({"A"}), "p2": frozenset({"B"})}}
    >>> [no_common_instrument(known, day, ["p1"], ["p2"]) for day in ("d0", "d4")]
    [True, False]
    """
    names, other_names = (_used(instruments, [session], group) for group in (units, other_units))
    return bool(names and other_names) and not names & other_names


def instrument_changed(
    instruments: Instruments, before: Collection[str], after: str, units: Iterable[str]
) -> bool:
    """Return whether every unit was measured by other instruments after than before.

    Units of which the instruments are not named say nothing.
    """
    pairs = [(_used(instruments, before, [u]), _used(instruments, [after], [u])) for u in units]
    named = [(a, b) for a, b in pairs if a and b]
    return bool(named) and not any(a & b for a, b in named)


def instrument_warnings(layout: Layout) -> list[str]:
    """Return a warning for each later session that other instruments measured than before."""
    out = []
    for session in layout.after:
        changed = [
            level
            for level, units in layout.levels.items()
            if instrument_changed(layout.instruments, layout.before, session, units)
        ]
        if not changed:
            continue
        units = {unit for level in changed for unit in layout.levels[level]}
        old, new = (
            ", ".join(sorted(_used(layout.instruments, sessions, units)))
            for sessions in (layout.before, [session])
        )
        who = "" if len(changed) == len(layout.levels) else f" under {', '.join(changed)}"
        out.append(
            f"In {session} another instrument measured{who} ({new}) than before ({old}): a change "
            "cannot be told from the change of instrument, which cancels in the difference in "
            "change only as far as it is alike in both treatments"
        )
    return out


# The contrasts that a design allows, and in words why it does not allow one.
# ----------------------------------------------------------------------


def contrasts(layout: Layout, stratum: str = ALL) -> list[Contrast]:
    """Return the contrasts between sessions, also those that the design cannot answer."""
    out = []
    layout = layout.within(stratum)
    if layout.start_waits or (layout.unmeasured and not layout.after):
        return []  # what waits, or was never measured, is stated apart
    for after in layout.after or ("",):
        step = f"{after or 'after'}-{layout.before_name}"
        reason = no_change(layout)
        # Without a session before there is no change to ask for, where treatments can be compared.
        for level in layout.levels if layout.before or not layout.pairs else ():
            out.append(Contrast(CHANGE, f"{step}@{level}", after, level, "", reason, stratum))
        for level, reference in layout.pairs:
            name = f"({step})" if layout.before else after
            name += f"@{level}-{reference}"
            reason = no_after(layout) or confounding(layout, level, reference, [after])
            for question in (layout.difference, EQUIVALENCE):
                out.append(Contrast(question, name, after, level, reference, reason, stratum))
    return out


def no_change(layout: Layout) -> str:
    """Return why no change can be computed; ``""`` if it can."""
    if not layout.before:
        return "the study has no before session, so no change can be computed"
    return no_after(layout)


def no_after(layout: Layout) -> str:
    """Return why nothing can be compared after the treatment; ``""`` if it can."""
    return "" if layout.after else "the study has no after session, so no change can be computed"


def confounding(layout: Layout, level: str, reference: str, after: Sequence[str]) -> str:
    """Return why a treatment cannot be told from block or instrument; ``""`` if it can.

    Parameters
    ----------
    layout
        The design.
    level, reference
        The two treatments that are compared.
    after
        After sessions that take part.
    """
    return by_block(layout, level, reference) or by_instrument(layout, [level, reference], after)


def by_instrument(layout: Layout, levels: Sequence[str], after: Sequence[str]) -> str:
    """Return why treatments cannot be told from the instruments; ``""`` if they can.

    An instrument of its own in a session before the treatment hinders as much as one after it.

    Parameters
    ----------
    layout
        The design.
    levels
        Treatments of which at least two must share an instrument.
    after
        After sessions that take part.
    """
    arms = [layout.levels.get(level, ()) for level in levels]
    pairs = [(arm, other_arm) for i, arm in enumerate(arms) for other_arm in arms[i + 1 :]]
    for session in (*layout.before, *after):
        if pairs and all(
            no_common_instrument(layout.instruments, session, *pair) for pair in pairs
        ):
            return (
                f"in {session} no instrument measured {'two of' if len(levels) > 2 else 'both'} "
                f"{', '.join(levels[:-1])} and {levels[-1]}: the treatment cannot be told from "
                "the instrument"
            )
    return ""


def by_block(layout: Layout, level: str, reference: str) -> str:
    """Return why two treatments cannot be told from the blocks; ``""`` if they can."""
    if not layout.blocks:
        return ""
    blocks = {layout.blocks[unit] for unit in layout.levels.get(level, ())}
    reference_blocks = {layout.blocks[unit] for unit in layout.levels.get(reference, ())}
    if (
        not blocks
        or not reference_blocks
        or len(blocks | reference_blocks) < 2
        or blocks & reference_blocks
    ):
        return ""
    return (
        f"no block holds both {level} and {reference}: the treatment cannot be told from the block"
    )


# What is asked of the data and how: the section ``effects`` of the settings, completed.
# ----------------------------------------------------------------------

_TWO_ARMS = ("linear_model", "linear_model_equal", "welch_t", "label_permutation", "ancova")
METHODS = {
    CHANGE: ("paired_t", "signed_rank", "sign_flip"),
    DIFFERENCE: _TWO_ARMS,
    AFTER_ONLY: _TWO_ARMS,
    EQUIVALENCE: ("tost",),
    COURSE: (
        "summary_mean",
        "summary_slope",
        "summary_area",
        "mixed_model",
        "mixed_model_slope",
        "mixed_model_unstructured",
    ),
    TREND: ("linear_trend",),
    FACTORIAL: ("factorial_f", "factorial_robust_f"),
}
"""Methods that answer each question. Unless the study names one, the first that is used is the
primary test: a rule that rests on the design and the settings alone."""
ALWAYS = frozenset({TREND, FACTORIAL})
"""Questions that need no method in the settings: doses, or the factor crossed with the treatment,
ask for them."""


@dataclass(frozen=True)
class Primary:
    """The contrast that the settings name as the primary one."""

    index: str
    question: str
    session: str
    method: str


@dataclass(frozen=True)
class Plan:
    """What is tested, and how: the section ``effects`` of the settings, completed.

    Attributes
    ----------
    methods
        Method names.
    margin
        Index -> smallest difference that would matter.
    primary
        ``None`` if the study names none.
    strata
        Column within whose levels the tests are repeated; ``""`` for none.
    """

    methods: tuple[str, ...]
    level: float
    alpha: float
    margin: Mapping[str, float]
    n_draws: int
    seed: int
    primary: Primary | None
    strata: str = ""

    def methods_for(self, question: str, index: str) -> list[str]:
        """Return the methods that answer a question on an index."""
        if question == EQUIVALENCE:
            return ["tost"] if index in self.margin else []
        if question in ALWAYS:
            return list(METHODS[question])
        return [method for method in METHODS[question] if method in self.methods]


def plan_from(settings: Mapping[str, Any], layout: Layout) -> Plan:
    """Complete the settings: the primary session is the last one unless named.

    Parameters
    ----------
    settings
        Section ``effects`` of the study, as plain values.
    layout
        The design.
    """
    named = settings.get("primary")
    methods = tuple(settings["methods"])
    primary = None
    if named:
        question = named["question"]
        if question in BETWEEN:
            question = DIFFERENCE if layout.stated_before else AFTER_ONLY
        last = layout.stated_after[-1] if layout.stated_after else ""
        method = named.get("method") or ""
        usable = [m for m in METHODS[question] if m in methods or question == EQUIVALENCE]
        if method and method not in methods and question != EQUIVALENCE:
            methods = (*methods, method)
        session = named.get("session") or last
        primary = Primary(
            named["index"], question, session, method or (usable[0] if usable else "")
        )
    return Plan(
        methods,
        settings["interval"],
        settings["alpha"],
        dict(settings["margin"]),
        settings["n_draws"],
        settings["seed"],
        primary,
        settings.get("strata") or "",
    )


def is_primary(layout: Layout, plan: Plan, contrast: Contrast, index: str, method: str) -> bool:
    """Return whether a test is the one the study named, in one of its treatments."""
    named = plan.primary
    if named is None or contrast.stratum != ALL:
        return False
    if contrast.question == CHANGE and contrast.level == layout.control:
        return False
    with_control = any(reference == layout.control for _, reference in layout.pairs)
    if contrast.reference and with_control and contrast.reference != layout.control:
        return False  # treated against treated is secondary where there is a control
    return (named.index, named.question, named.session, named.method) == (
        index,
        contrast.question,
        contrast.after,
        method,
    )

"""What is asked of the data and how: the section ``effects`` of the settings, completed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from leafledger.effects.layout import (
    AFTER_ONLY,
    ALL,
    BETWEEN,
    CHANGE,
    COURSE,
    DIFFERENCE,
    EQUIVALENCE,
    FACTORIAL,
    TREND,
    Contrast,
    Layout,
)

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
    FACTORIAL: ("factorial_f",),
}
"""Methods that answer each question. Unless the study names one, the first that is used is the
primary
test: a rule that rests on the design and the settings alone."""
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
        Column whose levels are looked at one by one; ``""`` for none.
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
        question = layout.difference if named["question"] in BETWEEN else named["question"]
        last = layout.after[-1] if layout.after else ""
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

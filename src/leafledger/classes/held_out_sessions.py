"""Would the classifier hold on another day? Accuracy on sessions that it was not trained on.

The default split holds out units, so the model has seen every session. If the classes were handled
differently on one day (who was measured first, where the lamp stood), other units of the same day
teach it that handling, and the default accuracy is that of the day. Here every session is held
out in turn, on units that the model has not seen either.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.resampling import paired_share_interval, wilson_interval
from leafledger.classes.fold_assignment import Plan
from leafledger.classes.labelled import Labelled
from leafledger.classes.predictors import Predict
from leafledger.classes.validation import nested_predictions, unit_shares

Array = NDArray[np.float64]
LEVEL = 0.95
ONE_SIDED = 1.645
"""Standard errors that a gap without a cause exceeds in 5 % of studies."""
RULE = (
    "every session held out in turn, trained on the other units in all other sessions; the gap is "
    "to models of as many sessions that were trained on the session they are judged in; where it "
    "is larger than the margin and than chance allows (one-sided, 5 %), the classes are said to be "
    "told apart by the day; the interval is Wilson's, with so many trials that the variance of a "
    "share of them is p (1 - p) / units + gap^2 / (2 sessions)"
)


@dataclass(frozen=True)
class HeldOutSessions:
    """Accuracy on sessions that were not trained on.

    Attributes
    ----------
    accuracy
        Share of all scans called right while their session and their unit were held out.
    by_session
        Session -> the same of its scans.
    low, high
        Interval of ``accuracy`` for a new session.
    gap, gap_low, gap_high
        Accuracy of models of as many sessions that know the session, minus this, and its interval
        over units.
    day_specific
        Whether the gap is larger than the margin and than chance allows (one-sided, 5 %).
    """

    accuracy: float
    by_session: dict[str, float]
    low: float
    high: float
    gap: float
    gap_low: float
    gap_high: float
    day_specific: bool


def held_out_sessions(
    data: Labelled, plan: Plan, predictors: list[Predict], margin: float
) -> HeldOutSessions | None:
    """Return the accuracy on held-out sessions; nothing where it has no meaning.

    Parameters
    ----------
    data, plan
        Labels and splits.
    predictors
        One per preprocessing.
    margin
        Gap of accuracy that matters.
    """
    if plan.unseen_days is None:
        return None
    right, known = (
        (
            nested_predictions(predictors, scheme, data.codes[None, :], data.unit_of, plan.widths)[
                0
            ]
            == data.codes
        ).astype(np.float64)
        for scheme in plan.unseen_days
    )
    accuracy = float(right.mean())
    # 1. The gap, unit by unit; every unit counts by its scans. Both sides train on as many
    #    sessions, so that a gap is not that of fewer scans.
    scans = np.bincount(data.unit_of).astype(np.float64)
    difference = scans / scans.mean() * unit_shares(known - right, data.unit_of)
    n_units = len(difference)
    gap = float(difference.mean())
    gap_low, gap_high = paired_share_interval(difference, LEVEL)
    error = float(difference.std(ddof=1) / np.sqrt(n_units)) if n_units > 1 else np.inf
    day_specific = gap > margin and gap > ONE_SIDED * error
    # 2. The interval.
    low, high = session_interval(accuracy, gap, n_units, len(data.sessions))
    by_session = {name: float(right[data.day == i].mean()) for i, name in enumerate(data.sessions)}
    return HeldOutSessions(
        accuracy, by_session, low, high, gap, gap_low, gap_high, bool(day_specific)
    )


def session_interval(
    accuracy: float, gap: float, n_units: int, n_sessions: int, level: float = LEVEL
) -> tuple[float, float]:
    """Return the interval of the accuracy that a new session would show.

    Scans of one session share its handling, so units are no independent trials where handling
    matters. How much it matters is the gap: a model that knows the handling of the day gains it, a
    model of other days gains or loses with it by chance, at most as much.

    Parameters
    ----------
    accuracy
        Share of scans called right while their session and unit were held out.
    gap
        What models that know the session reach beyond that; counts as 0 if negative.
    n_units, n_sessions
        Number of units and of sessions.
    level
        Confidence level.

    Returns
    -------
    tuple
        Lower and upper limit.

    Notes
    -----
    The variance of a new session's handling is that of ``gap cos(phi)`` with an angle ``phi`` of
    any size alike, ``gap^2 / 2``. That is the project's own rule, made for want of a published one:
    the variance between few sessions cannot be had from their accuracies, because every session is
    judged by the others and two sessions judge each other alike. In simulated studies (2 to 6
    sessions, 24 units, handling in 8 directions) it covers 93 to 98 %; where very strong
    handling has one direction, 89 % (two sessions) and 91 % (three): they may look alike by chance.

    References
    ----------
    Kish 1965, Survey Sampling, sec. 8.2 (effective number of trials by the design effect); Wilson
    1927, J. Am. Stat. Assoc. 22:209-212.

    Examples
    --------
    >>> [round(limit, 2) for limit in session_interval(0.5, 0.0, 24, 3)]
    [0.31, 0.69]
    >>> [round(limit, 2) for limit in session_interval(0.5, 0.3, 24, 3)]
    [0.24, 0.76]
    """
    # 1. Variance of the accuracy: units, and the handling of the sessions.
    share = min(max(accuracy, 0.5 / n_units), 1 - 0.5 / n_units)
    of_one = share * (1 - share)
    variance = of_one / n_units + max(gap, 0.0) ** 2 / (2 * n_sessions)
    # 2. So many independent trials would have that variance.
    trials = max(of_one / variance, 1.0)
    # 3. Wilson's interval with these.
    return wilson_interval(min(accuracy, 1.0) * trials, trials, level)


def session_facts(found: HeldOutSessions | None) -> dict[str, Any]:
    """Return the keys of ``summary.json`` on held-out sessions; null where they have no meaning."""
    if found is None:
        return {"held_out_sessions": None}
    return {
        "held_out_sessions": {
            "accuracy": found.accuracy,
            "by_session": found.by_session,
            "interval": [found.low, found.high],
            "ci_level": LEVEL,
            "gap": found.gap,
            "gap_interval": [found.gap_low, found.gap_high],
            "day_specific": found.day_specific,
            "rule": RULE,
        }
    }


def session_warnings(found: HeldOutSessions | None, accuracy: float, target: str) -> list[str]:
    """Warn where the classes are told apart by the day they were handled."""
    if found is None or not found.day_specific:
        return []
    return [
        f"the groups of {target} are told apart by the day they were handled: "
        f"{100 * accuracy:.0f} % of the scans are put in the right class when their units are held "
        f"out, {100 * found.accuracy:.0f} % when their session is held out too "
        f"(95 % interval {100 * found.low:.0f} to {100 * found.high:.0f} %). Expect the second on "
        "another day"
    ]

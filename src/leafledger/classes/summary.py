"""The classifier in numbers and in one sentence."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.chance.resampling import wilson_interval
from leafledger.classes.explanation import RULE as STABLE_RULE
from leafledger.classes.explanation import Spread, component_words
from leafledger.classes.fold_assignment import Plan, training_share
from leafledger.classes.held_out_sessions import (
    HeldOutSessions,
    session_facts,
    session_warnings,
)
from leafledger.classes.labelled import BY_SCAN, BY_UNIT, Labelled
from leafledger.classes.negative_controls import confounding_warnings
from leafledger.classes.permutation import PermutationTest
from leafledger.classes.pls import LatentPath
from leafledger.classes.probabilities import RULE as PROBABILITY_RULE
from leafledger.classes.probabilities import brier_score
from leafledger.classes.validation import RULE as CHOICE_RULE
from leafledger.classes.validation import Validated, unit_shares
from leafledger.words import counted

Array = NDArray[np.float64]
_LEVEL = 0.95


def summary(
    data: Labelled,
    plan: Plan,
    validated: Validated,
    test: PermutationTest | None,
    sessions: HeldOutSessions | None,
    fit: LatentPath,
    explained: tuple[Array, Array],
    spread: Spread,
    job_settings: Mapping[str, Any],
) -> dict[str, Any]:
    """Return ``summary.json``.

    Parameters
    ----------
    data, plan, validated, test, sessions, fit, explained, spread
        What was found; ``test`` is missing if no permutation was asked for; ``fit`` is that of
        all scans, with as many latent variables as were looked at, and ``explained`` the shares
        of variance of spectra and membership that each of them accounts for.
    job_settings
        All settings of the rule.

    Returns
    -------
    dict
        JSON values. ``accuracy`` is the mean over repeats of the nested accuracy of scans; both
        intervals count units.
    """
    settings = job_settings["classes"]
    out: dict[str, Any] = {
        **_material(data, job_settings),
        "split": split if isinstance(split := settings["split"], str) else split["column"],
        "weights": settings["weights"],
        "split_rule": plan.rule,
        "n_folds": plan.schemes[0].n_folds,
        "n_repeats": len(plan.schemes),
        "max_components": validated.procedure.n_components,
        "training_share": training_share(plan.schemes, data.unit_of),
        "set_aside": list(data.set_aside),
        "seeds": {"classes": settings["seed"]},
        "warnings": [*plan.warnings, *_further_warnings(data, plan, test, job_settings)],
        "stable_components": spread.stable_components,
        "stable_rule": STABLE_RULE,
        "loading_cosine": [float(c) for c in spread.cosine],
        "components": _components(data, fit, explained, spread),
        "fitted_terms_sha256": [list(row) for row in validated.digests],
    }
    out |= _choice(validated)
    out |= _accuracy(data, validated)
    out |= _certainty(data, plan, validated)
    out |= _against_chance(test, plan)
    out |= _weakest_class(data, validated)
    out |= unit_calls(data, validated)
    out |= session_facts(sessions)
    out["held_out_sessions_reason"] = plan.no_unseen_days or None
    out["warnings"] += session_warnings(sessions, out["accuracy"], out["target"])
    out["warnings"] += _weak_warnings(out)
    if out["best_n_components"] == plan.widths[-1] == settings["max_components"]:
        out["warnings"].append(
            f"the smallest loss is at {plan.widths[-1]} latent variables, the most that were "
            "looked at: a larger classes.max_components may do better"
        )
    out["sentence"] = sentence(out)
    return out


def _material(data: Labelled, job_settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the classifier learned from, in numbers."""
    units, scans = data.units_per_class(), data.scans_per_class()
    return {
        "target": job_settings["classes"]["target"],
        "labels_by": data.labels_by,
        "classes": list(data.classes),
        "unit": job_settings["design"]["unit"],
        "sessions": list(dict.fromkeys(str(s) for s in data.rows["session"])),
        "n_units": len(data.units),
        "n_scans": len(data.codes),
        "n_units_per_class": dict(zip(data.classes, map(int, units), strict=True)),
        "n_scans_per_class": dict(zip(data.classes, map(int, scans), strict=True)),
        "n_wavelengths": len(data.wavelength_nm),
    }


def _components(
    data: Labelled, fit: LatentPath, explained: tuple[Array, Array], spread: Spread
) -> list[dict[str, Any]]:
    """Return what every latent variable looks at, in words, and how steady it is."""
    stable = spread.stable_components
    return [
        {
            "component": a + 1,
            "words": component_words(fit.loadings[:, a], data.wavelength_nm, noise=a >= stable),
            "cosine": float(spread.cosine[a]),
            "spectra_explained": float(explained[0][a]),
            "membership_explained": float(explained[1][a]),
            "noise": a >= stable,
        }
        for a in range(fit.n_stable)
    ]


def _certainty(data: Labelled, plan: Plan, validated: Validated) -> dict[str, Any]:
    """Return how good the class probabilities are, beside always naming the class shares."""
    held = plan.tested
    codes = data.codes[held]
    shares = np.bincount(codes, minlength=len(data.classes)) / len(codes)
    known = np.tile(shares, (len(codes), 1))
    scores = [brier_score(p[held], codes) for p in validated.probability]
    return {
        "brier": float(np.mean(scores)),
        "brier_of_class_shares": brier_score(known, codes),
        "sharpness": validated.sharpness,
        "probability_rule": PROBABILITY_RULE,
    }


def _choice(validated: Validated) -> dict[str, Any]:
    final, decisions = validated.final, validated.procedure.decisions
    step, decision, n_components = validated.chosen
    return {
        "n_components": n_components,
        "preprocessing": step,
        "decision": decision,
        "preprocessings_searched": list(validated.steps),
        "decisions_searched": list(decisions),
        "choice_rule": CHOICE_RULE,
        "best_n_components": int(final.best_n_components[0]),
        "validation_curve": [
            {
                "preprocessing": validated.steps[c // len(decisions)],
                "decision": decisions[c % len(decisions)],
                "n_components": a + 1,
                "loss": float(final.loss[c, 0, a]),
                "standard_error": float(final.standard_error[c, 0, a]),
            }
            for c in range(len(final.loss))
            for a in range(validated.procedure.n_components)
        ],
    }


def _accuracy(data: Labelled, validated: Validated) -> dict[str, Any]:
    each = {
        name: np.array([getattr(measure, name) for measure in validated.measures])
        for name in ("accuracy", "balanced_accuracy", "kappa", "mcc")
    }
    n = len(validated.unit_scans)
    accuracy = validated.accuracy
    wilson = wilson_interval(accuracy * n, n, _LEVEL)
    several = len(validated.measures) > 1
    codes = data.codes[validated.tested]
    scans = np.bincount(codes, minlength=len(data.classes))
    return {
        **{name: float(values.mean()) for name, values in each.items()},
        "accuracy_by_repeat": [float(a) for a in each["accuracy"]],
        "accuracy_sd_repeats": float(each["accuracy"].std(ddof=1)) if several else None,
        "accuracy_of_units": float((validated.unit_right / validated.unit_scans).mean()),
        "n_units_tested": n,
        "n_scans_tested": len(codes),
        "ci_level": _LEVEL,
        "wilson": list(wilson),
        "wilson_rule": "share of scans right, counted as if every unit were one trial",
        "majority_class": data.classes[int(scans.argmax())],
        "majority_accuracy": float(scans.max() / scans.sum()),
    }


def _against_chance(test: PermutationTest | None, plan: Plan) -> dict[str, Any]:
    """Return the permutation test; all but ``n_draws`` is null if none was asked for."""
    return {
        "p_permutation": test.p if test else None,
        "p_smallest": test.p_smallest if test else None,
        "n_draws": len(test.accuracy) - 1 if test else 0,
        "permuted_within": test.within if test else None,
        # As text: the count of a large design is beyond the whole numbers of a JSON reader.
        "n_arrangements": str(test.n_arrangements) if test else None,
        "all_arrangements": test.enumerated if test else None,
        "permutation_accuracy": float(test.accuracy[0]) if test else None,
        "permutation_statistic": "nested accuracy of one deal into "
        f"{plan.test_scheme.n_folds} outer folds, for all labellings alike",
    }


def _further_warnings(
    data: Labelled, plan: Plan, test: PermutationTest | None, job_settings: Mapping[str, Any]
) -> list[str]:
    design, settings = job_settings["design"], job_settings["classes"]
    found = confounding_warnings(data, settings["target"], design["block"])
    phases = {row["session"]: row["phase"] for row in design["sessions"]}
    there = {str(session) for session in data.rows["session"]}
    before = sorted(s for s in there if phases.get(s) == "before")
    if settings["target"] == design["treatment"] and before:
        found.append(
            f"{', '.join(before)}: measured before the treatment, where its classes should not "
            "differ"
            + ("" if len(before) == len(there) else "; such scans blur the classes of the others")
        )
    if data.labels_by != BY_UNIT and len(data.sessions) > 1 and plan.no_unseen_days:
        found.append(
            f"no accuracy on sessions held out: {plan.no_unseen_days}. Whether the classifier "
            "holds on another day is not known"
        )
    if data.labels_by == BY_SCAN and settings["n_permutations"]:
        found.append(
            f"no permutation test: labels of {settings['target']} differ between scans of one "
            f"{design['unit'] or 'scan'} in one session ({_mixed_example(data)}), and the design "
            "does not say which of these scans could have had each other's label"
        )
    if test is not None and test.p_smallest > 0.05:
        found.append(
            f"this design allows {len(test.accuracy)} arrangements of the labels: p cannot fall "
            f"below {test.p_smallest:.2g}, whatever the spectra"
        )
    return found


def _mixed_example(data: Labelled) -> str:
    """Name the first unit and session with scans of several classes, and these."""
    for unit, day in sorted({*zip(data.unit_of.tolist(), data.day.tolist(), strict=True)}):
        own = np.unique(data.codes[(data.unit_of == unit) & (data.day == day)])
        if len(own) > 1:
            names = " and ".join(data.classes[code] for code in own)
            return f"{data.units[unit]} in {data.sessions[day]}: {names}"
    return ""


def _weakest_class(data: Labelled, validated: Validated) -> dict[str, Any]:
    """Return the class that is named rightly least often; its interval counts units."""
    tested, right = validated.tested, []
    codes, units = data.codes[tested], data.unit_of[tested]
    for nested in validated.repeats:
        right.append(nested.predicted[0][tested] == codes)
    share = np.mean(right, axis=0)
    rows = [
        (float(share[codes == i].mean()), name, len(np.unique(units[codes == i])))
        for i, name in enumerate(data.classes)
        if (codes == i).any()
    ]
    sensitivity, name, n_units = min(rows)
    low, high = wilson_interval(min(sensitivity, 1.0) * n_units, n_units, _LEVEL)
    return {
        "weakest_class": {
            "class": name,
            "sensitivity": sensitivity,
            "interval": [low, high],
            "n_units": n_units,
        }
    }


def _weak_warnings(told: Mapping[str, Any]) -> list[str]:
    weak = told["weakest_class"]
    if weak["interval"][1] >= told["accuracy"]:
        return []
    return [
        f"class {weak['class']} is told much less well than the others: "
        f"{100 * weak['sensitivity']:.0f} % of its scans are named so (95 % interval "
        f"{100 * weak['interval'][0]:.0f} to {100 * weak['interval'][1]:.0f} %, "
        f"n = {weak['n_units']}), against {100 * told['accuracy']:.0f} % of all"
    ]


def unit_calls(data: Labelled, validated: Validated) -> dict[str, Any]:
    """Return how often a whole unit is named rightly when its scans vote by probability.

    Where labels change, the scans of a unit in one session vote, those of one label together.

    Returns
    -------
    dict
        ``unit_accuracy``: share of units (of units in a session, where labels change) whose mean
        class probabilities are largest for their class, mean over repeats; its Wilson interval,
        which counts units; ``n_unit_calls``: how many votes that is. Null if nothing that votes
        has two scans.
    """
    held = validated.tested
    voter, class_of = _voters(data)
    there, voter = np.unique(voter[held], return_inverse=True)
    if np.bincount(voter).max() < 2:
        return {"unit_accuracy": None, "unit_accuracy_interval": None, "n_unit_calls": None}
    shares = []
    for probability in validated.probability:
        voted = unit_shares(probability[held].T, voter).T
        shares.append((voted.argmax(axis=1) == class_of[there]).mean())
    accuracy, n = float(np.mean(shares)), len(np.unique(data.unit_of[held]))
    return {
        "unit_accuracy": accuracy,
        "unit_accuracy_interval": list(wilson_interval(min(accuracy, 1.0) * n, n, _LEVEL)),
        "n_unit_calls": len(there),
    }


def _voters(data: Labelled) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
    """Return the number of what each scan votes for, and the class of each voter."""
    if data.labels_by == BY_UNIT:
        return data.unit_of, data.unit_codes
    keys = np.stack([data.unit_of, data.day, data.codes])
    there, voter = np.unique(keys, axis=1, return_inverse=True)
    return voter.reshape(-1), there[2]


def sentence(told: Mapping[str, Any]) -> str:
    """Return the finding in one sentence.

    Parameters
    ----------
    told
        ``summary.json``.

    Examples
    --------
    >>> sentence({"classes": ["A", "B"], "target": "cultivar", "accuracy": 0.81,
    ...     "majority_accuracy": 0.5, "ci_level": 0.95, "wilson": [0.61, 0.92],
    ...     "n_units_tested": 24, "unit": "plant", "n_components": 4, "p_permutation": 0.005,
    ...     "n_draws": 199, "all_arrangements": False})
    'Of scans left out of training, 81.0 % were put in the right one of 2 classes of cultivar \
(always naming the largest class: 50 %), 95 % interval 61 to 92 %, n = 24 plants, \
permutation p = 0.005 (199 draws); the final model has 4 latent variables.'
    """
    low, high = told["wilson"]
    unit = told["unit"]
    n = counted(told["n_units_tested"], unit)
    if not unit:
        n = f"{told['n_units_tested']} scans, units unknown"
    many = told["n_components"]
    text = (
        f"Of scans left out of training, {100 * told['accuracy']:.1f} % were put in the right one "
        f"of {len(told['classes'])} classes of {told['target']} (always naming the largest class: "
        f"{100 * told['majority_accuracy']:.0f} %), {100 * told['ci_level']:.0f} % interval "
        f"{100 * low:.0f} to {100 * high:.0f} %, n = {n}"
    )
    sessions = told.get("held_out_sessions")
    if sessions:
        low, high = sessions["interval"]
        text += (
            f"; on sessions that it was not trained on {100 * sessions['accuracy']:.0f} % "
            f"({100 * low:.0f} to {100 * high:.0f} %)"
        )
        if sessions["day_specific"]:
            text += ", which is what to expect of another day"
    if told["p_permutation"] is not None:
        text += f", permutation p = {told['p_permutation']:.2g} ({_labellings(told)})"
    weak = told.get("weakest_class")
    if weak and len(told["classes"]) > 2:
        text += f"; weakest class: {weak['class']}, {100 * weak['sensitivity']:.0f} %"
    return f"{text}; the final model has {many} latent variable{'s' if many > 1 else ''}."


def _labellings(told: Mapping[str, Any]) -> str:
    """Say how many labellings the observed one was compared with."""
    if told["all_arrangements"]:
        return f"all {told['n_draws'] + 1} arrangements of the labels"
    return f"{told['n_draws']} draws"

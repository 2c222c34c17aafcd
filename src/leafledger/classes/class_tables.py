"""What is written of the classifier: its tables, its summary and one sentence?

Repeats and folds are counted from 1.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.cross_validation import (
    CHOICE_RULE,
    PROBABILITY_RULE,
    Validated,
    agreement,
    brier_score,
    confusion,
    reliability,
)
from leafledger.classes.explanation import RULE as STABLE_RULE
from leafledger.classes.explanation import (
    Explanation,
    separating_wavelengths,
)
from leafledger.classes.fold_assignment import Plan, training_share
from leafledger.classes.labelled_scans import (
    BY_SCAN,
    BY_UNIT,
    Labelled,
    Sample,
    sample_warnings,
    size_facts,
)
from leafledger.classes.negative_controls import (
    HeldOutSessions,
    PermutationTest,
    confounding_warnings,
    session_facts,
    session_warnings,
)
from leafledger.resampling.intervals import wilson_interval
from leafledger.resampling.splits import unit_shares
from leafledger.spectra.grid import component_words
from leafledger.study.tables import (
    CONFUSED_PAIRS,
    CONFUSION,
    PATH,
    PER_CLASS,
    PREDICTIONS,
    RELIABILITY,
    SPECTRA_TERMS,
)
from leafledger.words import counted, shown_p

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa


Array = NDArray[np.float64]
LEVEL = 0.95

# The classifier's tables, row by row as the registry has them.
# ----------------------------------------------------------------------


def path_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return accuracy at every number of latent variables, held out and in training.

    Returns
    -------
    pandas.DataFrame
        Columns of ``path.csv``; split ``outer`` (scans held out; ``fixed`` if the study fixes
        them) and ``training`` (scans of the same fold's training part). ``chosen`` marks what
        the inner loop of that fold chose.
    """
    import pandas as pd

    rows: list[tuple[object, ...]] = []
    for repeat, (scheme, nested) in enumerate(
        zip(plan.schemes, validated.repeats, strict=True), start=1
    ):
        for i, choice in enumerate(nested.choices):
            held, trains = scheme.fold == i, scheme.training[scheme.outer[i]]
            tested = [
                confusion(data.codes[held], predicted[held], len(data.classes))
                for predicted in nested.held_out
            ]
            halves = ((plan.kind, held, tested), ("training", trains, list(nested.training[i])))
            for split, part, matrices in halves:
                n_scans, n_units = int(part.sum()), len(np.unique(data.unit_of[part]))
                for a, matrix in enumerate(matrices, start=1):
                    measures = agreement(matrix)
                    rows.append(
                        (split, repeat, i + 1, a, n_scans, n_units, int(np.trace(matrix)),
                         measures.accuracy, measures.balanced_accuracy,
                         a == int(choice.n_components[0]))
                    )  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(PATH))
    return frame.sort_values(["split", "repeat", "fold", "n_components"], ignore_index=True)


SCANS_AT_ONCE = 20_000
"""Scans of one piece of ``predictions.csv``."""


def prediction_tables(data: Labelled, plan: Plan, validated: Validated) -> Iterator[pd.DataFrame]:
    """Yield what was said of every scan while its unit was held out, once a repeat.

    Yields
    ------
    pandas.DataFrame
        Rows of ``predictions.csv`` for some scans, in the order of the file: its columns, then
        ``p_<class>`` of every class.
    """
    import pandas as pd

    names = np.array(data.classes, dtype=object)
    held = np.flatnonzero(plan.tested)
    held = held[np.asarray(data.rows["scan"].iloc[held].argsort(kind="stable"))]
    for start in range(0, max(len(held), 1), SCANS_AT_ONCE):
        some = held[start : start + SCANS_AT_ONCE]
        parts = []
        for repeat, (scheme, nested) in enumerate(
            zip(plan.schemes, validated.repeats, strict=True), start=1
        ):
            counts = np.array([int(choice.n_components[0]) for choice in nested.choices])
            part = data.rows.iloc[some][["scan", "unit", "session"]].copy()
            part["repeat"] = repeat
            part["fold"] = scheme.fold[some] + 1
            part["true"] = names[data.codes[some]]
            part["predicted"] = names[nested.predicted[0][some]]
            part["n_components"] = counts[scheme.fold[some]]
            for i, name in enumerate(data.classes):
                part[f"p_{name}"] = validated.probability[repeat - 1][some, i]
            parts.append(part)
        frame = pd.concat(parts, ignore_index=True)[list(prediction_columns(data))]
        yield frame.sort_values(["scan", "repeat", "fold"], ignore_index=True)


def prediction_columns(data: Labelled) -> tuple[str, ...]:
    """Return the columns of ``predictions.csv`` for these classes."""
    return (*PREDICTIONS, *(f"p_{name}" for name in data.classes))


def reliability_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return how often the named class was right, by how sure the classifier was.

    Returns
    -------
    pandas.DataFrame
        Columns of ``reliability.csv``; a scan counts once in every repeat.
    """
    import pandas as pd

    held, many = plan.tested, len(plan.schemes)
    rows = reliability(
        np.concatenate([p[held] for p in validated.probability]),
        np.tile(data.codes[held], many),
        np.tile(data.unit_of[held], many),
    )
    return pd.DataFrame(rows, columns=list(RELIABILITY))


def confusion_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return who was taken for whom at every number of latent variables.

    Returns
    -------
    pandas.DataFrame
        Columns of ``confusion.csv``; split ``outer`` or ``fixed``. ``n_scans`` is the mean
        over repeats, so that the rows of a true class add up to its scans; ``n_units`` counts
        every unit by the share of its scans of that class, so that they add up to its units.
        ``share_of_true`` is of scans.
    """
    import pandas as pd

    n, held = len(data.classes), plan.tested
    codes, labelled = data.codes[held], data.labelled_units()[0][held]
    weight = 1 / np.bincount(labelled)[labelled]
    true = np.repeat(np.arange(n), n)
    predicted = np.tile(np.arange(n), n)
    scans = np.bincount(codes, minlength=n)[true]
    names = np.array(data.classes, dtype=object)
    parts = []
    for a in range(validated.procedure.n_components):
        cells = [codes * n + nested.held_out[a][held] for nested in validated.repeats]
        counted = sum(np.bincount(c, minlength=n * n) for c in cells)
        by_unit = sum(np.bincount(c, weights=weight, minlength=n * n) for c in cells)
        mean = counted / len(cells)
        parts.append(
            pd.DataFrame(
                {
                    "split": plan.kind,
                    "n_components": a + 1,
                    "true": names[true],
                    "predicted": names[predicted],
                    "n_scans": mean,
                    # Rounded: sums of thirds and halves would end in digits without meaning.
                    "n_units": np.round(by_unit / len(cells), 9),
                    "share_of_true": np.where(scans > 0, mean / np.maximum(scans, 1), np.nan),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)[list(CONFUSION)]


def terms_table(data: Labelled, final: Explanation) -> pa.Table:
    """Return weights, loadings, coefficients, selectivity and importance of the final model.

    Returns
    -------
    pyarrow.Table
        term, component, class, wavelength_nm, value, sd_resample. Besides the terms of the model
        there are the training spectra in short (``spectrum_mean``, ``spectrum_sd``,
        ``spectrum_minimum``, ``spectrum_maximum``, component 0, no ``sd_resample``).
    """
    import pyarrow as pa

    terms, spread, brief = final.terms, final.spread, final.brief
    chosen, n = final.n_components, len(data.wavelength_nm)
    blocks: list[tuple[str, int, str | None, Array, Array | None]] = [
        ("coefficient", chosen, name, terms.coefficients[:, i], spread.coefficients[:, i])
        for i, name in enumerate(data.classes)
    ]
    each = range(final.fit.path.n_stable)
    blocks += [("loading", a + 1, None, terms.loadings[:, a], spread.loadings[:, a]) for a in each]
    blocks += [
        ("selectivity_ratio", chosen, name, terms.selectivity[:, i], spread.selectivity[:, i])
        for i, name in enumerate(data.classes)
    ]
    blocks += [
        ("spectrum_maximum", 0, None, brief.maximum, None),
        ("spectrum_mean", 0, None, brief.mean, None),
        ("spectrum_minimum", 0, None, brief.minimum, None),
        ("spectrum_sd", 0, None, brief.sd, None),
        ("vip", chosen, None, terms.importance, spread.importance),
    ]
    blocks += [("weight", a + 1, None, terms.weights[:, a], spread.weights[:, a]) for a in each]
    spreads = [pa.nulls(n, pa.float64()) if b[4] is None else pa.array(b[4]) for b in blocks]
    table = pa.table(
        {
            "term": pa.array([b[0] for b in blocks for _ in range(n)], pa.string()),
            "component": pa.array(np.repeat([b[1] for b in blocks], n), pa.int32()),
            "class": pa.array([b[2] for b in blocks for _ in range(n)], pa.string()),
            "wavelength_nm": pa.array(np.tile(data.wavelength_nm, len(blocks))),
            "value": pa.array(np.concatenate([b[3] for b in blocks])),
            "sd_resample": pa.concat_arrays(spreads),
        }
    )
    return table.select(list(SPECTRA_TERMS))


def unit_interval(share: float, n_units: int) -> list[float]:
    """Return Wilson's interval of a share of scans, counted as if every unit were one trial."""
    return list(wilson_interval(min(share, 1.0) * n_units, n_units, LEVEL))


def mean_confusion(data: Labelled, plan: Plan, validated: Validated) -> NDArray[np.float64]:
    """Return who was taken for whom by the whole nested procedure, mean over repeats.

    Returns
    -------
    numpy.ndarray
        Scans, rows true and columns predicted, shape ``(n_classes, n_classes)``.
    """
    held = plan.tested
    counts = [
        confusion(data.codes[held], nested.predicted[0][held], len(data.classes))
        for nested in validated.repeats
    ]
    return np.asarray(np.mean(counts, axis=0))


def per_class_table(data: Labelled, plan: Plan, validated: Validated) -> pd.DataFrame:
    """Return sensitivity and precision of every class.

    Returns
    -------
    pandas.DataFrame
        Columns of ``per_class.csv``. Sensitivity is the share of a class's scans that were named
        so; its Wilson interval counts units. Precision is the share of the scans named so that
        are of the class; both are empty where nothing is there to count.
    """
    import pandas as pd

    matrix = mean_confusion(data, plan, validated)
    held = plan.tested
    rows: list[tuple[object, ...]] = []
    for i, name in enumerate(data.classes):
        units = data.unit_of[held & (data.codes == i)]
        n_units, n_scans = len(np.unique(units)), len(units)
        sensitivity = matrix[i, i] / n_scans if n_scans else np.nan
        low, high = unit_interval(sensitivity, n_units) if n_units else (np.nan, np.nan)
        # Rounded: sums of means over repeats would end in digits without meaning.
        named = round(float(matrix[:, i].sum()), 9)
        precision = matrix[i, i] / named if named else np.nan
        area = roc_area(validated, data.codes == i, i)
        rows.append((name, n_units, n_scans, sensitivity, low, high, LEVEL, named, precision, area))
    return pd.DataFrame(rows, columns=list(PER_CLASS))


def roc_area(validated: Validated, of_class: NDArray[np.bool_], column: int) -> float:
    """Return the area under the ROC curve of a class against all others, mean over repeats.

    It is the probability that a scan of the class is given a larger probability of it than a scan
    of another class, Mann and Whitney's U over the number of pairs; NaN where there are none.

    Parameters
    ----------
    validated
        Probabilities of scans while they were held out.
    of_class
        Scans of the class (true), shape ``(n_scans,)``.
    column
        Its number.

    References
    ----------
    Hanley & McNeil 1982, Radiology 143:29-36.
    """
    from scipy.stats import mannwhitneyu

    inside, outside = validated.tested & of_class, validated.tested & ~of_class
    n_pairs = int(inside.sum()) * int(outside.sum())
    if n_pairs == 0:
        return float("nan")
    pairs = [
        mannwhitneyu(p[inside, column], p[outside, column], method="asymptotic").statistic
        for p in validated.probability
    ]
    return float(np.mean([u / n_pairs for u in pairs]))


def confused_pairs_table(
    data: Labelled, plan: Plan, validated: Validated, final: Explanation
) -> pd.DataFrame:
    """Return the pairs of classes that were taken for each other and what separates them.

    Returns
    -------
    pandas.DataFrame
        Columns of ``confused_pairs.csv``; a pair that was never confused is left out.
    """
    import pandas as pd

    matrix = mean_confusion(data, plan, validated)
    means, class_of = final.unit_means, final.class_of_means
    rows: list[tuple[object, ...]] = []
    for i, j in combinations(range(len(data.classes)), 2):
        sets = (means[class_of == i], means[class_of == j])
        separators = separating_wavelengths(*sets, data.wavelength_nm)
        for true, other, sign in ((i, j, 1.0), (j, i, -1.0)):
            n_scans = float(matrix[true, other])
            if n_scans == 0:
                continue
            share = n_scans / matrix[true].sum()
            rows += [
                (data.classes[true], data.classes[other], rank, n_scans, share, s.wavelength_nm,
                 sign * s.difference, s.sd_units, sign * s.standardised)
                for rank, s in enumerate(separators, start=1)
            ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(CONFUSED_PAIRS))
    return frame.sort_values(["true", "predicted", "rank"], ignore_index=True)


# The classifier in numbers and in one sentence.
# ----------------------------------------------------------------------


def summary(
    data: Labelled,
    plan: Plan,
    validated: Validated,
    test: PermutationTest | None,
    sessions: HeldOutSessions | None,
    final: Explanation,
    job_settings: Mapping[str, Any],
    *,
    control_plan: Plan | None = None,
    sample: Sample | None = None,
    refused: str = "",
) -> dict[str, Any]:
    """Return ``summary.json``.

    Parameters
    ----------
    data, plan, validated, test, sessions, final
        Results of the parts; ``test`` is missing if no permutation was asked for.
    job_settings
        All settings of the rule.
    control_plan, sample, refused
        Splits of the permutation test and the held-out sessions, the sample of units that they
        are on (nothing if on all scans), and why this sample allows neither.

    Returns
    -------
    dict
        JSON values. ``accuracy`` is the mean over repeats of the nested accuracy of scans; both
        intervals count units.
    """
    settings = job_settings["classes"]
    control_plan = plan if control_plan is None else control_plan
    out: dict[str, Any] = {
        **_material(data, job_settings),
        **size_facts(data, sample),
        "split": split if isinstance(split := settings["split"], str) else split["column"],
        "weights": settings["weights"],
        "split_rule": plan.rule,
        "n_folds": plan.schemes[0].n_folds,
        "n_repeats": len(plan.schemes),
        "max_components": validated.procedure.n_components,
        "training_share": training_share(plan.schemes, data.unit_of),
        "set_aside": list(data.set_aside),
        "seeds": {"classes": settings["seed"]},
        "warnings": [
            *plan.warnings,
            *sample_warnings(sample, refused, job_settings["design"]["unit"]),
            *_further_warnings(data, plan, test, job_settings),
        ],
        "stable_components": final.spread.stable_components,
        "stable_rule": STABLE_RULE,
        "loading_cosine": [float(c) for c in final.spread.cosine],
        "components": _components(data, final),
        "fitted_terms_sha256": [list(row) for row in validated.digests],
    }
    out |= _choice(validated)
    out |= _accuracy(data, validated)
    out |= _certainty(data, plan, validated)
    out |= _against_chance(test, control_plan)
    out["weakest_class"] = _weakest_class(data, validated)
    out |= unit_calls(data, validated)
    out["held_out_sessions"] = session_facts(sessions)
    out["held_out_sessions_reason"] = refused or control_plan.no_unseen_days or None
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
        "sessions": list(data.sessions),
        "n_units": len(data.units),
        "n_scans": len(data.codes),
        "n_units_per_class": dict(zip(data.classes, map(int, units), strict=True)),
        "n_scans_per_class": dict(zip(data.classes, map(int, scans), strict=True)),
        "n_wavelengths": len(data.wavelength_nm),
    }


def _components(data: Labelled, final: Explanation) -> list[dict[str, Any]]:
    """Return what every latent variable compares, in words, and how steady it is."""
    path, stable = final.fit.path, final.spread.stable_components
    return [
        {
            "component": a + 1,
            "words": component_words(path.loadings[:, a], data.wavelength_nm, noise=a >= stable),
            "cosine": float(final.spread.cosine[a]),
            "spectra_explained": float(final.spectra_explained[a]),
            "membership_explained": float(final.membership_explained[a]),
            "noise": a >= stable,
        }
        for a in range(path.n_stable)
    ]


def _certainty(data: Labelled, plan: Plan, validated: Validated) -> dict[str, Any]:
    """Return how good the class probabilities are, beside always naming the class shares."""
    held = plan.tested
    codes = data.codes[held]
    shares = np.bincount(codes, minlength=len(data.classes)) / len(codes)
    base_rates = np.tile(shares, (len(codes), 1))
    scores = [brier_score(p[held], codes) for p in validated.probability]
    return {
        "brier": float(np.mean(scores)),
        "brier_of_class_shares": brier_score(base_rates, codes),
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
        "ci_level": LEVEL,
        "wilson": unit_interval(accuracy, n),
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
    out = confounding_warnings(data, settings["target"], design["block"])
    phases = {row["session"]: row["phase"] for row in design["sessions"]}
    before = sorted(s for s in data.sessions if phases.get(s) == "before")
    if settings["target"] == design["treatment"] and before:
        out.append(
            f"{', '.join(before)}: measured before the treatment, where its classes should not "
            "differ"
            + (
                ""
                if len(before) == len(data.sessions)
                else "; such scans blur the classes of the others"
            )
        )
    if data.labels_by != BY_UNIT and len(data.sessions) > 1 and plan.no_unseen_days:
        out.append(
            f"no accuracy on sessions held out: {plan.no_unseen_days}. Whether the classifier "
            "holds on another day is not known"
        )
    if data.labels_by == BY_SCAN and settings["n_permutations"]:
        out.append(
            f"no permutation test: labels of {settings['target']} differ between scans of one "
            f"{design['unit'] or 'scan'} in one session ({_mixed_example(data)}), and the design "
            "does not say which of these scans could have had each other's label"
        )
    if test is not None and test.p_smallest > 0.05:
        out.append(
            f"this design allows {len(test.accuracy)} arrangements of the labels: p cannot fall "
            f"below {test.p_smallest:.2g}, whatever the spectra"
        )
    return out


def _mixed_example(data: Labelled) -> str:
    """Name the first unit and session with scans of several classes, and these."""
    for unit, day in sorted({*zip(data.unit_of.tolist(), data.day.tolist(), strict=True)}):
        codes = np.unique(data.codes[(data.unit_of == unit) & (data.day == day)])
        if len(codes) > 1:
            names = " and ".join(data.classes[code] for code in codes)
            return f"{data.units[unit]} in {data.sessions[day]}: {names}"
    return ""


def _weakest_class(data: Labelled, validated: Validated) -> dict[str, Any]:
    """Return the class that is named rightly least often; its interval counts units."""
    tested = validated.tested
    codes, units = data.codes[tested], data.unit_of[tested]
    right = [nested.predicted[0][tested] == codes for nested in validated.repeats]
    share = np.mean(right, axis=0)
    rows = [
        (float(share[codes == i].mean()), name, len(np.unique(units[codes == i])))
        for i, name in enumerate(data.classes)
        if (codes == i).any()
    ]
    sensitivity, name, n_units = min(rows)
    return {
        "class": name,
        "sensitivity": sensitivity,
        "interval": unit_interval(sensitivity, n_units),
        "n_units": n_units,
    }


def _weak_warnings(facts: Mapping[str, Any]) -> list[str]:
    weak = facts["weakest_class"]
    if weak["interval"][1] >= facts["accuracy"]:
        return []
    return [
        f"class {weak['class']} is told much less well than the others: "
        f"{100 * weak['sensitivity']:.0f} % of its scans are named so (95 % interval "
        f"{100 * weak['interval'][0]:.0f} to {100 * weak['interval'][1]:.0f} %, "
        f"n = {weak['n_units']}), against {100 * facts['accuracy']:.0f} % of all"
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
    # Where labels change, a unit in one session under one label votes by itself.
    day = data.day if data.labels_by != BY_UNIT else np.zeros_like(data.day)
    keys = np.stack([data.unit_of, day, data.codes])[:, held]
    (_, _, class_of), voter = np.unique(keys, axis=1, return_inverse=True)
    voter = voter.reshape(-1)
    if np.bincount(voter).max() < 2:
        return {"unit_accuracy": None, "unit_accuracy_interval": None, "n_unit_calls": None}
    shares = []
    for probability in validated.probability:
        votes = unit_shares(probability[held].T, voter).T
        shares.append((votes.argmax(axis=1) == class_of).mean())
    accuracy, n = float(np.mean(shares)), len(np.unique(data.unit_of[held]))
    return {
        "unit_accuracy": accuracy,
        "unit_accuracy_interval": unit_interval(accuracy, n),
        "n_unit_calls": len(class_of),
    }


def sentence(facts: Mapping[str, Any]) -> str:
    """Return the finding in one sentence.

    Parameters
    ----------
    facts
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
    low, high = facts["wilson"]
    unit = facts["unit"]
    n = counted(facts["n_units_tested"], unit)
    if not unit:
        n = f"{facts['n_units_tested']} scans, units unknown"
    many = facts["n_components"]
    text = (
        f"Of scans left out of training, {100 * facts['accuracy']:.1f} % were put in the right one "
        f"of {len(facts['classes'])} classes of {facts['target']} (always naming the largest "
        f"class: {100 * facts['majority_accuracy']:.0f} %), "
        f"{100 * facts['ci_level']:.0f} % interval {100 * low:.0f} to {100 * high:.0f} %, n = {n}"
    )
    sessions = facts.get("held_out_sessions")
    if sessions:
        low, high = sessions["interval"]
        text += (
            f"; on sessions that it was not trained on {100 * sessions['accuracy']:.0f} % "
            f"({100 * low:.0f} to {100 * high:.0f} %)"
        )
        if sessions["day_specific"]:
            text += ", which is what to expect of another day"
    if facts["p_permutation"] is not None:
        text += f", permutation p {shown_p(facts['p_permutation'])} ({_labellings(facts)})"
    weak = facts.get("weakest_class")
    if weak and len(facts["classes"]) > 2:
        text += f"; weakest class: {weak['class']}, {100 * weak['sensitivity']:.0f} %"
    return f"{text}; the final model has {many} latent variable{'s' if many > 1 else ''}."


def _labellings(facts: Mapping[str, Any]) -> str:
    """Say how many labellings the observed one was compared with."""
    if facts["all_arrangements"]:
        return f"all {facts['n_draws'] + 1} arrangements of the labels"
    return f"{facts['n_draws']} draws"

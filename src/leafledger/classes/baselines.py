"""Would something simpler do? Rule ``rivals``: baseline classifiers on the classifier's splits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.cross_validation import nested_predictions
from leafledger.classes.fold_assignment import Plan, planned
from leafledger.classes.fold_fit import Procedure, nested_predictors, procedure_of
from leafledger.classes.labelled_scans import Labelled, Sample, labelled_spectra, sampled
from leafledger.records.record import Job, Metric, Outcome
from leafledger.resampling.intervals import paired_share_interval, wilson_interval
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import unit_shares
from leafledger.spectra.applicability import steps_of
from leafledger.study.table_files import write_csv
from leafledger.study.tables import COMPARISON, RIVALS

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Codes = NDArray[np.int_]
N_TREES = 100
N_REPEATS = 3
"""The first so many repeats of the classifier."""
REPEATS_OF_FOREST = 1
"""A forest takes half the time of the rule: one repeat, whose chance of folds (2 to 3 points in
studies of 24 plants) is small beside the error of so few plants (10 points)."""
MOST_SCANS = 2000
"""Scans at most; beyond, all procedures work on the same sample of units, stated in the result."""
VARIANCE_KEPT = 0.999
"""Share of training variance that the principal components carry."""
Baseline = Callable[[Array, Codes, Array, int], Codes]
"""Training table, its class numbers, table held out, seed -> predicted class numbers of these."""


def majority_class(training: Array, codes: Codes, held_out: Array, seed: int) -> Codes:
    """Name the class with most training scans, whatever the spectrum."""
    del training, seed
    return np.full(len(held_out), np.bincount(codes).argmax(), dtype=np.int_)


def prior_draw(training: Array, codes: Codes, held_out: Array, seed: int) -> Codes:
    """Draw a class for every scan, as often as each class occurs in training."""
    del training
    return np.asarray(np.random.default_rng(seed).choice(codes, len(held_out)), dtype=np.int_)


def nearest_class_mean(training: Array, codes: Codes, held_out: Array, seed: int) -> Codes:
    """Name the class whose mean training spectrum is nearest (Euclidean distance).

    Examples
    --------
    >>> spectra = np.array([[0.1, 0.1], [0.5, 0.6]])
    >>> nearest_class_mean(spectra, np.array([0, 1]), np.array([[0.4, 0.4]]), 0).tolist()
    [1]
    """
    del seed
    names = np.unique(codes)
    means = np.stack([training[codes == code].mean(axis=0) for code in names])
    distance = ((held_out[:, None, :] - means) ** 2).sum(axis=2)
    return np.asarray(names[distance.argmin(axis=1)])


def principal_component_discriminant(
    training: Array, codes: Codes, held_out: Array, seed: int
) -> Codes:
    """Linear discriminant on the principal components that carry 99.9 % of training variance.

    Parameters
    ----------
    training, codes, held_out, seed
        See :data:`Baseline`. At most a third as many components as training scans are used.

    References
    ----------
    Fisher 1936, Ann. Eugen. 7:179-188; Hotelling 1933, J. Educ. Psychol. 24:417-441.
    """
    from sklearn.decomposition import PCA
    from sklearn.discriminant_analysis import LinearDiscriminantAnalysis

    if not np.ptp(training, axis=0).any():
        return majority_class(training, codes, held_out, seed)
    # 1. How many components carry the variance of the training part.
    axes = PCA(svd_solver="full").fit(training)
    carried = np.cumsum(axes.explained_variance_)
    n_needed = int(np.searchsorted(carried, VARIANCE_KEPT * carried[-1])) + 1
    n_components = max(1, min(n_needed, len(training) // 3))
    # 2. The discriminant on these, mean and axes of the training part alone.
    model = LinearDiscriminantAnalysis(solver="lsqr", shrinkage="auto")
    model.fit(axes.transform(training)[:, :n_components], codes)
    placed = axes.transform(held_out)[:, :n_components]
    return np.asarray(model.predict(placed), dtype=np.int_)


def logistic_regression(training: Array, codes: Codes, held_out: Array, seed: int) -> Codes:
    """Logistic regression on a table standardised by its training part (ridge penalty 1)."""
    from sklearn.linear_model import LogisticRegression

    mean, sd = training.mean(axis=0), training.std(axis=0)
    varies = sd > 1e-12 * np.maximum(np.abs(mean), 1e-300)
    if not varies.any():
        return majority_class(training, codes, held_out, seed)
    scaled = [(part - mean)[:, varies] / sd[varies] for part in (training, held_out)]
    model = LogisticRegression(C=1.0, max_iter=2000)
    return np.asarray(model.fit(scaled[0], codes).predict(scaled[1]), dtype=np.int_)


def random_forest(training: Array, codes: Codes, held_out: Array, seed: int) -> Codes:
    """Random forest of 100 trees on all wavelengths.

    References
    ----------
    Breiman 2001, Mach. Learn. 45:5-32.
    """
    from sklearn import config_context
    from sklearn.ensemble import RandomForestClassifier

    model = RandomForestClassifier(n_estimators=N_TREES, random_state=seed, n_jobs=1)
    # Else every tree checks its parameters and spectra again.
    with config_context(skip_parameter_validation=True, assume_finite=True):
        return np.asarray(model.fit(training, codes).predict(held_out), dtype=np.int_)


ON_SPECTRA: dict[str, Baseline] = {
    "majority_class": majority_class,
    "nearest_class_mean": nearest_class_mean,
    "prior_draw": prior_draw,
    "principal_component_discriminant": principal_component_discriminant,
    "random_forest": random_forest,
}
ON_INDICES: dict[str, Baseline] = {"index_logistic_regression": logistic_regression}
MODEL = "discriminant_model"
NEEDS_MORE = "principal_component_discriminant"
"""It has no spread within classes unless there are more training scans than classes."""
WORDS: dict[str, str] = {
    MODEL: "the classifier on the full spectrum",
    "majority_class": "always naming the largest class",
    "nearest_class_mean": "the nearest class mean",
    "prior_draw": "drawing a class at random by its share",
    "principal_component_discriminant": "a linear discriminant on principal components",
    "random_forest": "a random forest",
    "index_logistic_regression": "a logistic regression on the indices alone",
}


def baseline_predictions(
    data: Labelled, plan: Plan, name: str, baseline: Baseline, table: Array, seed: int
) -> list[Codes]:
    """Return what a baseline classifier predicts for every scan held out, one array per repeat.

    Parameters
    ----------
    data, plan
        Labels and splits, as for the classifier; the first three repeats are used, for a forest
        the first.
    name, baseline
        The baseline classifier.
    table
        What it sees of every scan, shape ``(n_scans, n_columns)``.
    seed
        Seed of the settings.

    Returns
    -------
    list of numpy.ndarray
        Class numbers, shape ``(n_scans,)``; -1 for scans that are never held out.
    """
    out = []
    n_repeats = REPEATS_OF_FOREST if baseline is random_forest else N_REPEATS
    for repeat, scheme in enumerate(plan.schemes[:n_repeats], start=1):
        predicted = np.full(len(data.codes), -1, dtype=np.int_)
        for i, outer in enumerate(scheme.outer):
            training, test = scheme.training[outer], scheme.fold == i
            fold_seed = int(generator(seed, "rival", name, repeat, i).integers(2**31))
            predicted[test] = baseline(
                table[training], data.codes[training], table[test], fold_seed
            )
        out.append(predicted)
    return out


def model_predictions(
    data: Labelled, plan: Plan, steps: Sequence[str], procedure: Procedure
) -> list[Codes]:
    """Return what the classifier predicts in all repeats, as in the rule ``classes``.

    Nothing but predictions is asked for, so the space of scans serves where it is the quicker way.
    """
    labels = data.codes[None, :]
    out = []
    for scheme in plan.schemes:
        predictors = nested_predictors(data, steps, procedure, scheme)
        out.append(nested_predictions(predictors, scheme, labels, data.unit_of, plan.widths)[0])
    return out


Predictions = Sequence[Codes]
"""Predicted class number of every scan held out, one array per repeat."""


def fold_table(data: Labelled, plan: Plan, name: str, predictions: Predictions) -> pd.DataFrame:
    """Return the accuracy of one procedure in every outer fold: columns of ``rivals.csv``."""
    import pandas as pd

    rows = []
    for repeat, (scheme, predicted) in enumerate(
        zip(plan.schemes[: len(predictions)], predictions, strict=True), start=1
    ):
        right = predicted == data.codes
        for i in range(scheme.n_folds):
            test = scheme.fold == i
            n_right, n = int(right[test].sum()), int(test.sum())
            rows.append((name, repeat, i + 1, n_right, n, n_right / n))
    return pd.DataFrame(rows, columns=list(RIVALS))


def share_correct_by_unit(data: Labelled, plan: Plan, predictions: Predictions) -> Array:
    """Return the share of each tested unit's scans that was named rightly, mean over repeats."""
    held = plan.tested
    right = np.mean([(codes == data.codes)[held] for codes in predictions], axis=0)
    return unit_shares(right, data.unit_of[held])


_OF_SAMPLE = ("n_scans", "n_units_all", "n_scans_all")
LEVEL = 0.95
RULE = (
    "a rival does better if the whole interval of its difference to the classifier lies above "
    "zero; it is as good if the whole interval lies above minus the margin (non-inferiority), and "
    "worse if it lies below zero; else these units cannot tell"
)
USE: dict[str, str] = {
    "principal_component_discriminant": "To use such a rule in this program set classes.decision: "
    "linear_discriminant and preprocessing: [none]; the rival itself is scikit-learn's PCA "
    "followed by LinearDiscriminantAnalysis(solver='lsqr', shrinkage='auto') on the spectra.",
    "index_logistic_regression": "To use it, fit scikit-learn's LogisticRegression to the "
    "standardised values of results/indices.",
    "nearest_class_mean": "To use it, name the class whose mean spectrum is nearest "
    "(scikit-learn's NearestCentroid on the spectra).",
    "random_forest": f"To use it, fit scikit-learn's RandomForestClassifier(n_estimators={N_TREES})"
    " to the spectra.",
}
"""How a baseline that does better is used."""


def comparison_table(
    right: Mapping[str, Array],
    scans: Array,
    reference: str,
    words: Mapping[str, str],
    margin: float,
) -> pd.DataFrame:
    """Compare procedures by the units they name rightly.

    Parameters
    ----------
    right
        Procedure -> share of each unit's scans that it named rightly, mean over repeats, shape
        ``(n_units,)``; the units are the same for all.
    scans
        Scans of every unit: each counts by them, so that the accuracy is that of scans.
    reference
        The procedure that the others are compared with.
    words
        Procedure -> its name in the sentence.
    margin
        Share of accuracy that a procedure may lie behind and still be as good.

    Returns
    -------
    pandas.DataFrame
        Columns of ``comparison.csv`` but for the numbers of scans and of all units: accuracy of
        scans, Wilson interval, and difference to the
        reference with its interval, both counting units; ``better`` and ``as_good`` by ``RULE``.
        What compares is empty for the reference itself.

    References
    ----------
    Agresti & Min 2005, Stat. Med. 24:729-740 (interval of the difference); non-inferiority:
    Piaggio and others 2012, J. Am. Med. Assoc. 308:2594-2604.
    """
    import pandas as pd

    n = len(scans)
    weight = scans / scans.mean()
    base = right[reference]
    rows: list[tuple[object, ...]] = []
    for name in sorted(right):
        accuracy = min(float((weight * right[name]).mean()), 1.0)
        low, high = wilson_interval(accuracy * n, n, LEVEL)
        beside: tuple[object, ...] = (np.nan, np.nan, np.nan, LEVEL, margin, "", "", "")
        if name != reference:
            named = (name, words[name], words[reference])
            beside = _beside(weight * (right[name] - base), margin, named)
        rows.append((name, n, accuracy, low, high, *beside))
    columns = [name for name in COMPARISON if name not in _OF_SAMPLE]
    return pd.DataFrame(rows, columns=columns)


def _beside(difference: Array, margin: float, names: tuple[str, str, str]) -> tuple[object, ...]:
    n = len(difference)
    mean = float(difference.mean())
    low, high = paired_share_interval(difference, LEVEL)
    better, as_good = low > 0, low > -margin
    verdict = "cannot be told by these units from"
    if better:
        verdict = "does better than"
    elif as_good:
        verdict = f"is as good as (not {_points(margin)[1:]} points worse than)"
    elif high < 0:
        verdict = "does worse than"
    sentence = (
        f"{names[1][0].upper()}{names[1][1:]} {verdict} {names[2]}: {_points(mean)} points of "
        f"accuracy (95 % interval {_points(low)} to {_points(high)}, n = {n} units)."
    )
    if better and names[0] in USE:
        sentence += f" {USE[names[0]]}"
    return mean, low, high, LEVEL, margin, bool(better), bool(as_good), sentence


def _points(share: float) -> str:
    """Return a share as signed percentage points; no sign before a plain zero.

    Examples
    --------
    >>> _points(-0.0046), _points(0.0278), _points(-0.28)
    ('0', '+3', '-28')
    """
    whole = round(100 * share)
    return f"{whole:+d}" if whole else "0"


def run(job: Job) -> Outcome:
    """Hold out the same scans as the classifier; write what every baseline achieves."""
    import pandas as pd

    settings = job.settings["classes"]
    data, sample = sampled(labelled_spectra(job), MOST_SCANS, int(settings["seed"]))
    plan = planned(data, job.settings)
    warnings: list[str] = []
    on_sample = ""
    if sample is not None:
        on_sample = f"On {sample.words(job.settings['design']['unit'])}."
        warnings.append(f"rivals and the classifier beside them: {on_sample[3:-1]}")
    steps = steps_of(settings["preprocessing"], data.wavelength_nm)
    predictions = _predictions(job, data, plan, steps, warnings)
    folds = [fold_table(data, plan, name, each) for name, each in sorted(predictions.items())]
    write_csv(job.outputs["rivals"], pd.concat(folds, ignore_index=True), RIVALS)
    right = {name: share_correct_by_unit(data, plan, each) for name, each in predictions.items()}
    scans = np.unique(data.unit_of[plan.tested], return_counts=True)[1].astype(np.float64)
    table = comparison_table(right, scans, MODEL, WORDS, float(settings["margin"]))
    table = _with_sample(table, data, sample, on_sample)
    write_csv(job.outputs["comparison"], table, COMPARISON)
    return Outcome(
        metrics=_metrics(predictions, data, plan),
        warnings=[*warnings, *_findings(table)],
        seeds={"classes": int(settings["seed"])},
    )


def _with_sample(
    table: pd.DataFrame, data: Labelled, sample: Sample | None, words: str
) -> pd.DataFrame:
    """Return the comparison with n of the sample beside n of all, in columns and in words."""
    n_units, n_scans = len(data.units), len(data.codes)
    table["n_scans"] = n_scans
    table["n_units_all"] = n_units if sample is None else sample.n_units_all
    table["n_scans_all"] = n_scans if sample is None else sample.n_scans_all
    if words:
        table["sentence"] = [f"{s} {words}" if s else words for s in table["sentence"]]
    return table


def _predictions(
    job: Job, data: Labelled, plan: Plan, steps: list[str], warnings: list[str]
) -> dict[str, list[Codes]]:
    """Return what the classifier and every baseline predict for the scans held out."""
    settings = job.settings["classes"]
    seed = int(settings["seed"])
    procedure = procedure_of(len(data.classes), plan.widths[-1], settings)
    out = {MODEL: model_predictions(data, plan, steps, procedure)}
    smallest = min(
        int(s.training[outer].sum()) for s in plan.schemes[:N_REPEATS] for outer in s.outer
    )
    for name, baseline in ON_SPECTRA.items():
        if name == NEEDS_MORE and smallest <= len(data.classes):
            warnings.append(
                f"no {name.replace('_', ' ')}: {smallest} scans train {len(data.classes)} classes"
            )
            continue
        out[name] = baseline_predictions(data, plan, name, baseline, data.spectra, seed)
    table = _index_table(job, data, warnings)
    if table is not None:
        for name, baseline in ON_INDICES.items():
            out[name] = baseline_predictions(data, plan, name, baseline, table, seed)
    return out


def _findings(table: pd.DataFrame) -> list[str]:
    """Return which baseline does better, and whether indices alone are as good."""
    better = table[table["better"] == True]  # noqa: E712
    few = table[table["procedure"].isin(list(ON_INDICES)) & (table["as_good"] == True)]  # noqa: E712
    sentences = [str(sentence) for sentence in better["sentence"]]
    return sentences + [
        f"{sentence} A handful of indices may be enough."
        for sentence in few["sentence"]
        if sentence not in sentences
    ]


def _metrics(predictions: dict[str, list[Codes]], data: Labelled, plan: Plan) -> list[Metric]:
    held = plan.tested
    return [
        Metric(
            f"accuracy_{name}",
            float(np.mean([(codes == data.codes)[held].mean() for codes in predictions[name]])),
        )
        for name in sorted(predictions)
    ]


def _index_table(job: Job, data: Labelled, warnings: list[str]) -> Array | None:
    """Return the indices that have a value for every scan, shape ``(n_scans, n_indices)``."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    # Only the rows of scans that take part are held: a sample is a small part of many.
    scans = pa.array(data.rows["scan"].astype(str), pa.string())
    parts: list[pd.DataFrame] = []
    names: set[str] = set()
    for session, path in job.by_session("indices").items():
        if session in data.sessions:
            columns, ours = ["scan", "index", "value"], pc.field("scan").isin(scans)
            parts.append(pq.read_table(path, columns=columns, filters=ours).to_pandas())
            names |= {*pq.read_table(path, columns=["index"])["index"].unique().to_pylist()}
    long = pd.concat(parts, ignore_index=True)
    wide = long.pivot(index="scan", columns="index", values="value")
    wide = wide.reindex(index=data.rows["scan"], columns=sorted(names))
    missing = [str(name) for name in wide.columns if wide[name].isna().any()]
    kept = wide.drop(columns=missing)
    if missing:
        warnings.append(
            f"left out of the logistic regression, without a value for every scan: "
            f"{', '.join(missing)}"
        )
    if kept.shape[1] == 0:
        warnings.append("no logistic regression: no index has a value for every scan")
        return None
    return np.asarray(kept.to_numpy(dtype=np.float64))

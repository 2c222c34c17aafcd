"""Which tables does a study leave behind, and what does each of their columns mean?"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

# Column names of every table, in order: the contract between the stages.
# ----------------------------------------------------------------------
# Units: wavelengths in nm (air), reflectance a fraction, ``u_*`` standard uncertainties (k = 1).

SCANS = (
    "scan",
    "role",
    "file",
    "item",
    "file_sha256",
    "order",
    "time",
    "integration_ms",
    "averages",
)
REFLECTANCE = (
    "scan",
    "reference",
    "white_before",
    "white_after",
    "dark_before",
    "dark_after",
    "white_after_weight",
)
QUALITY = ("scan", "check", "severity", "value", "threshold", "unit", "wavelength_nm", "sentence")
SIGNAL = ("wavelength_nm", "signal_to_noise", "n_references", "noise_at_005", "white")
LEVELS = (
    "scan",
    "role",
    "place",
    "block",
    "hours",
    "integration_ms",
    "digest",
    "wavelength_nm",
    "value",
    "unit",
)
ACCEPTED = ("scan", "session", "unit", "leaf", "replicate", "accepted")
EXCLUSIONS = ("scan", "rule", "suggested", "applied", "reason", "by", "when")
SESSION_EFFECTS = (
    "session",
    "group",
    "wavelength_nm",
    "estimate",
    "ci_low",
    "ci_high",
    "ci_level",
    "n_units",
    "p",
    "p_holm",
    "limit_low",
    "limit_high",
    "unit",
    "reason",
)
ORDER_EFFECTS = (
    "session",
    "term",
    "position",
    "wavelength_nm",
    "estimate",
    "ci_low",
    "ci_high",
    "ci_level",
    "n_units",
    "p",
    "p_holm",
    "unit",
    "reason",
)
INDICES = ("scan", "index", "value", "u_scan", "u_reference", "u_panel", "status")
UNIT_INDICES = (
    "unit",
    "session",
    "index",
    "mean",
    "sd_leaves",
    "u",
    "n_leaves",
    "n_scans",
    "n_excluded",
)
EFFECTS_KEY = ("question", "index", "contrast", "stratum", "method")
EFFECTS = (
    *EFFECTS_KEY,
    "primary",
    "estimate",
    "ci_low",
    "ci_high",
    "ci_level",
    "unit",
    "n_units",
    "n_units_reference",
    "n_missing",
    "covariates",
    "statistic",
    "statistic_name",
    "df",
    "df2",
    "p",
    "p_smallest",
    "family",
    "n_family",
    "p_holm",
    "p_bh",
    "p_max_t",
    "effect_size",
    "effect_size_name",
    "effect_low",
    "effect_high",
    "percent_change",
    "percent_low",
    "percent_high",
    "in_u",
    "n_draws",
    "seed",
    "verdict",
    "reason",
)
SPECTRUM_EFFECTS = (
    "contrast",
    "wavelength_nm",
    "estimate",
    "low",
    "high",
    "n_units",
    "n_units_reference",
)
SENSITIVITY = (
    "question",
    "index",
    "contrast",
    "method",
    "variant",
    "left_out",
    "estimate",
    "ci_low",
    "ci_high",
    "ci_level",
    "unit",
    "n_units",
    "n_units_reference",
    "p",
    "p_holm",
    "verdict",
    "same_conclusion",
    "reason",
)
VARIANTS = (
    "variant",
    "question",
    "index",
    "contrast",
    "stratum",
    "method",
    "settings",
    "estimate",
    "ci_low",
    "ci_high",
    "ci_level",
    "unit",
    "n_units",
    "n_units_reference",
    "p",
    "verdict",
    "reason",
    "accuracy",
    "accuracy_low",
    "accuracy_high",
    "effects_sha256",
    "classes_sha256",
    "inputs_sha256",
)
"""A row for every primary effect under the settings as stated and under each variant."""
STATED = "as_stated"
"""What the settings as stated are called there."""

VARIANCE_COMPONENTS = (
    "index",
    "component",
    "variance",
    "sd",
    "share",
    "df",
    "n_groups",
    "unit",
    "reason",
)
GROUP_MEANS = (
    "index",
    "treatment",
    "session",
    "n_units",
    "n_missing",
    "n_scans",
    "mean",
    "sd",
    "se",
    "ci_low",
    "ci_high",
    "ci_level",
    "unit",
)
POWER = (
    "index",
    "session",
    "n_units",
    "n_leaves",
    "n_scans",
    "sd_residual",
    "residual_df",
    "covariates",
    "df",
    "alpha",
    "power",
    "detectable",
    "power_simulated",
    "margin",
    "power_at_margin",
    "unit",
    "reason",
)
PATH = (
    "split",
    "repeat",
    "fold",
    "n_components",
    "n_scans",
    "n_units",
    "n_correct",
    "accuracy",
    "balanced_accuracy",
    "chosen",
)
PREDICTIONS = ("scan", "repeat", "fold", "unit", "session", "true", "predicted", "n_components")
CONFUSION = (
    "split",
    "n_components",
    "true",
    "predicted",
    "n_scans",
    "n_units",
    "share_of_true",
)
SPECTRA_TERMS = ("term", "component", "class", "wavelength_nm", "value", "sd_resample")
PERMUTATION = ("draw", "accuracy")
RELIABILITY = ("low", "high", "n_scans", "n_units", "mean_probability", "share_right")
PER_CLASS = (
    "class",
    "n_units",
    "n_scans",
    "sensitivity",
    "sensitivity_low",
    "sensitivity_high",
    "ci_level",
    "n_predicted",
    "precision",
    "roc_area",
)
CONFUSED_PAIRS = (
    "true",
    "predicted",
    "rank",
    "n_scans",
    "share_of_true",
    "wavelength_nm",
    "difference",
    "sd_units",
    "standardised",
)
RIVALS = ("procedure", "repeat", "fold", "n_correct", "n_scans", "accuracy")
COMPARISON = (
    "procedure",
    "n_units",
    "accuracy",
    "wilson_low",
    "wilson_high",
    "difference",
    "difference_low",
    "difference_high",
    "ci_level",
    "margin",
    "better",
    "as_good",
    "sentence",
)
QUESTIONS = (
    "asked",
    "n_classes",
    "n_units",
    "n_scans",
    "accuracy",
    "majority_accuracy",
    "p",
    "n_draws",
    "permuted_within",
    "sentence",
    "reason",
)

TEXT = frozenset(
    {
        "scan",
        "role",
        "file",
        "item",
        "file_sha256",
        "reference",
        "white_before",
        "white_after",
        "dark_before",
        "dark_after",
        "check",
        "severity",
        "unit",
        "sentence",
        "session",
        "leaf",
        "replicate",
        "rule",
        "suggested",
        "applied",
        "reason",
        "by",
        "when",
        "group",
        "index",
        "status",
        "question",
        "contrast",
        "stratum",
        "method",
        "statistic_name",
        "covariates",
        "family",
        "effect_size_name",
        "verdict",
        "variant",
        "settings",
        "effects_sha256",
        "classes_sha256",
        "inputs_sha256",
        "left_out",
        "component",
        "split",
        "true",
        "predicted",
        "term",
        "class",
        "procedure",
        "position",
        "asked",
        "permuted_within",
        "treatment",
    }
)
FLAGS = frozenset({"accepted", "primary", "chosen", "same_conclusion", "as_good", "better"})
"""Columns of text, and columns of ``true`` or ``false``, wherever they occur in a CSV."""


# What every column of every table means, and its unit.
# ----------------------------------------------------------------------
# ``{unit}`` stands for what the row says in its own column ``unit``, ``{index}`` for the unit of
# the row's index; ``1`` is a plain number; text and flags have no unit.

Meaning = tuple[str, str]

OF_UNIT: Final = "{unit}"
OF_INDEX: Final = "{index}"

EVERYWHERE: Final[dict[str, Meaning]] = {
    "scan": ("", "id of the scan"),
    "session": ("", "id of the session"),
    "unit": ("", "experimental unit"),
    "leaf": ("", "leaf within its unit"),
    "replicate": ("", "repeat on the same leaf"),
    "role": ("", "sample, white, dark, lamp, ambient or check (a stable tile)"),
    "index": ("", "name of the index in the catalogue"),
    "wavelength_nm": ("nm", "wavelength in air"),
    "integration_ms": ("ms", "integration time"),
    "reason": ("", "why a number is missing, or what it rests on"),
    "sentence": ("", "the same in words"),
    "n_units": ("1", "number of units"),
    "n_scans": ("1", "number of scans"),
    "ci_level": ("1", "confidence level of the interval"),
    "p": ("1", "p-value, two-sided unless the method says otherwise"),
    "p_holm": ("1", "p adjusted after Holm within its family"),
    "repeat": ("1", "repeat of the splitting, from 1"),
    "fold": ("1", "outer fold, from 1"),
    "n_components": ("1", "number of latent variables"),
    "true": ("", "class that the scan is of"),
    "predicted": ("", "class that the classifier named"),
    "n_correct": ("1", "scans named rightly"),
    "accuracy": ("1", "share named rightly"),
    "n_draws": ("1", "random arrangements drawn; 0: all were enumerated"),
    "procedure": ("", "way of classifying"),
    "share_of_true": ("1", "share of the scans of the true class"),
}

_TESTED: Final[dict[str, Meaning]] = {
    "question": (
        "",
        "change, difference_in_change, difference (after only), course, trend, factorial or "
        "equivalence",
    ),
    "contrast": ("", "what is compared: sessions, then @ and groups"),
    "method": ("", "method of the test"),
    "estimate": (OF_UNIT, "estimate of the contrast"),
    "ci_low": (OF_UNIT, "lower end of the confidence interval"),
    "ci_high": (OF_UNIT, "upper end of the confidence interval"),
    "unit": ("", "unit of the index, in which estimate and interval are"),
    "n_units": ("1", "number of units (never leaves) in the group"),
    "n_units_reference": ("1", "number of units in the group compared with"),
    "verdict": ("", "significant, not_significant, equivalent or undefined"),
}
_SHIFT: Final[dict[str, Meaning]] = {
    "estimate": (OF_UNIT, "estimated shift"),
    "ci_low": (OF_UNIT, "lower end of the confidence interval"),
    "ci_high": (OF_UNIT, "upper end of the confidence interval"),
    "unit": ("", "unit of estimate and interval: 1 or count"),
    "n_units": ("1", "number of units; of repeats where references are judged"),
}

OF_TABLE: Final[dict[str, dict[str, Meaning]]] = {
    "scans": {
        "file": ("", "raw file, path in the study"),
        "item": ("", "row, block or sheet of a file of several scans"),
        "file_sha256": ("", "SHA-256 of the whole raw file"),
        "order": ("1", "position in the session's sheet, from 0"),
        "time": ("", "time of the scan, local wall clock"),
        "averages": ("1", "number of readings averaged"),
    },
    "reflectance": {
        "reference": ("", "set of white and dark; scans of one set share its uncertainty"),
        "white_before": ("", "white before the scan"),
        "white_after": ("", "white after the scan"),
        "dark_before": ("", "dark before the scan"),
        "dark_after": ("", "dark after the scan"),
        "white_after_weight": ("1", "share of the white after: 0 before only, 1 after only"),
    },
    "quality": {
        "check": ("", "name of the check"),
        "severity": ("", "fault, outlier or notice"),
        "value": (OF_UNIT, "what was found"),
        "threshold": (OF_UNIT, "limit of the check"),
        "unit": ("", "unit of value and threshold"),
        "wavelength_nm": ("nm", "where it was found; empty if not at one wavelength"),
    },
    "signal": {
        "signal_to_noise": ("1", "of the white reference"),
        "n_references": ("1", "white scans that it rests on"),
        "noise_at_005": ("1", "noise (standard deviation) of a scan at a reflectance of 0.05"),
        "white": (
            "count/ms",
            "mean of the whites without fault, less dark; per scan where a time is unknown",
        ),
    },
    "levels": {
        "place": ("1", "place in the order of measuring, from 0"),
        "block": ("1", "block of references measured together; empty for leaves"),
        "hours": ("h", "time since the first scan of the session"),
        "digest": ("", "SHA-256 of the raw values"),
        "value": (OF_UNIT, "level of the scan, a mean over 5 nm for references"),
        "unit": ("", "1 for reflectance, count or count/ms for references"),
    },
    "accepted": {"accepted": ("", "whether the scan takes part")},
    "exclusions": {
        "rule": ("", "name of the check, or decision"),
        "suggested": ("", "exclude or keep, as the check suggests"),
        "applied": ("", "exclude or keep, as was done"),
        "reason": ("", "why, in words"),
        "by": ("", "who decided"),
        "when": ("", "when it was decided, local wall clock"),
    },
    "session_effects": {
        **_SHIFT,
        "group": ("", "control (untreated units), check (stable tile), white or dark"),
        "limit_low": (OF_UNIT, "lower control limit of the stable tile"),
        "limit_high": (OF_UNIT, "upper control limit of the stable tile"),
    },
    "order_effects": {
        **_SHIFT,
        "term": ("", "order, leaf_position, white_signal or dark_level"),
        "position": ("", "leaf position, for the term leaf_position"),
    },
    "indices": {
        "value": (OF_INDEX, "value of the index; empty if it could not be taken"),
        "u_scan": (OF_INDEX, "standard uncertainty (k = 1), part of the scan alone"),
        "u_reference": (OF_INDEX, "standard uncertainty (k = 1), part of white and dark"),
        "u_panel": (OF_INDEX, "standard uncertainty (k = 1), part of the panel"),
        "status": ("", "ok, outside_range or undefined"),
    },
    "unit_indices": {
        "mean": (OF_INDEX, "mean over leaves of the mean over scans"),
        "sd_leaves": (OF_INDEX, "standard deviation of the leaf means; empty with one leaf"),
        "u": (OF_INDEX, "standard measurement uncertainty (k = 1) of the mean"),
        "n_leaves": ("1", "number of leaves averaged"),
        "n_excluded": ("1", "number of scans left out"),
    },
    "effects": {
        **_TESTED,
        "stratum": ("", "all, or the level of a factor within which was tested"),
        "primary": ("", "whether it is the primary contrast of the study"),
        "n_missing": ("1", "units left out, such as those without the pair of sessions"),
        "covariates": ("", "what the difference is adjusted for, in the order of the model"),
        "statistic": ("1", "test statistic"),
        "statistic_name": ("", "name of the test statistic"),
        "df": ("1", "degrees of freedom"),
        "df2": ("1", "second degrees of freedom, of an F"),
        "p_smallest": ("1", "smallest p that this design can reach at all"),
        "family": ("", "tests that were adjusted together"),
        "n_family": ("1", "number of tests in the family"),
        "p_bh": ("1", "p adjusted after Benjamini and Hochberg"),
        "p_max_t": ("1", "p adjusted by the largest |t| under permutation"),
        "effect_size": ("1", "standardised effect size"),
        "effect_size_name": ("", "which effect size"),
        "effect_low": ("1", "lower end of its confidence interval"),
        "effect_high": ("1", "upper end of its confidence interval"),
        "percent_change": ("%", "estimate over the mean before; after only: over the reference's"),
        "percent_low": ("%", "lower end of its interval (Fieller)"),
        "percent_high": ("%", "upper end of its interval (Fieller)"),
        "in_u": ("1", "estimate over its measurement uncertainty"),
        "seed": ("1", "seed of the arrangements"),
        "reason": ("", "why a result is undefined, or which pairs are missing"),
    },
    "spectrum_effects": {
        "contrast": ("", "what is compared: sessions, then @ and groups"),
        "estimate": (
            "1",
            "difference in change of reflectance, within blocks; of reflectance itself without a "
            "before session",
        ),
        "low": ("1", "lower end of the band, which holds over all rows of the table together"),
        "high": ("1", "upper end of the band, which holds over all rows of the table together"),
        "n_units_reference": ("1", "number of units in the group compared with"),
    },
    "sensitivity": {
        **_TESTED,
        "variant": ("", "what was done otherwise than planned"),
        "left_out": ("", "session or unit left out, or the other method"),
        "same_conclusion": ("", "whether the conclusion stays"),
    },
    "variants": {
        **_TESTED,
        "variant": ("", "name of the set of settings"),
        "stratum": ("", "all, or the level of a factor within which was tested"),
        "settings": ("", "what it sets otherwise than the study as stated"),
        "accuracy": ("1", "share of scans named rightly by the classifier"),
        "accuracy_low": ("1", "lower end of its interval"),
        "accuracy_high": ("1", "upper end of its interval"),
        "effects_sha256": ("", "SHA-256 of the effects that the row was taken from"),
        "classes_sha256": ("", "SHA-256 of the summary of the classes"),
        "inputs_sha256": ("", "SHA-256 over all that the effects and the classifier read"),
    },
    "variance_components": {
        "component": ("", "unit, unit_x_session, leaf, scan or session"),
        "variance": ("square of {unit}", "variance of the component"),
        "sd": (OF_UNIT, "its square root"),
        "share": ("1", "share of all known components but that between sessions"),
        "df": ("1", "degrees of freedom"),
        "n_groups": ("1", "number of groups it is estimated from"),
        "unit": ("", "unit of the index"),
    },
    "group_means": {
        "treatment": ("", "treatment of the units"),
        "n_units": ("1", "units with an accepted value; empty if units are not known"),
        "n_missing": ("1", "units of the treatment without one"),
        "n_scans": ("1", "number of accepted scans behind the mean"),
        "mean": (OF_UNIT, "mean of the unit means"),
        "sd": (OF_UNIT, "standard deviation between units (between scans if these are unknown)"),
        "se": (OF_UNIT, "standard error of the mean"),
        "ci_low": (OF_UNIT, "lower end of the confidence interval of the mean (Student)"),
        "ci_high": (OF_UNIT, "upper end of the confidence interval of the mean (Student)"),
        "unit": ("", "unit of the index"),
    },
    "power": {
        "session": ("", "after-session that the next study aims at"),
        "n_units": ("1", "units in each of two groups; empty if the scatter is not known"),
        "n_leaves": ("1", "leaves of a unit in a session"),
        "n_scans": ("1", "scans of a leaf"),
        "sd_residual": (OF_UNIT, "standard deviation between units that the linear model leaves"),
        "residual_df": ("1", "degrees of freedom that this study estimates it with"),
        "covariates": ("", "what the planned difference is adjusted for"),
        "df": ("1", "residual degrees of freedom of the planned study"),
        "alpha": ("1", "level of the two-sided test"),
        "power": ("1", "power at which the detectable difference is told"),
        "detectable": (OF_UNIT, "difference between treatments that is found with this power"),
        "power_simulated": ("1", "share of simulated studies that found it"),
        "margin": (OF_UNIT, "smallest difference that would matter, as the study states it"),
        "power_at_margin": ("1", "power at that margin"),
        "unit": ("", "unit of the index"),
        "reason": ("", "why the scatter is not known, or what it rests on"),
    },
    "path": {
        "split": ("", "outer or fixed (scans held out), or training"),
        "balanced_accuracy": ("1", "mean over classes of the share named rightly"),
        "chosen": ("", "whether the inner folds chose this number"),
    },
    "predictions": {},
    "confusion": {"split": ("", "which scans: outer or fixed (held out), or training")},
    "spectra_terms": {
        "term": (
            "",
            "weight, loading, coefficient, vip (importance in projection) or spectrum_...",
        ),
        "component": ("1", "latent variable, from 1"),
        "class": ("", "class, for terms that each class has its own of"),
        "value": ("1", "value of the term"),
        "sd_resample": ("1", "its standard deviation over resamples of units"),
    },
    "permutation": {
        "draw": ("1", "draw of labels; 0 is as observed"),
        "accuracy": ("1", "accuracy with these labels"),
    },
    "reliability": {
        "low": ("1", "lower end of the probabilities given"),
        "high": ("1", "upper end of the probabilities given"),
        "mean_probability": ("1", "mean of the probabilities given"),
        "share_right": ("1", "share of these named rightly"),
    },
    "per_class": {
        "class": ("", "class"),
        "sensitivity": ("1", "share of the class's scans that were named so"),
        "sensitivity_low": ("1", "lower end of its Wilson interval over units"),
        "sensitivity_high": ("1", "upper end of its Wilson interval over units"),
        "n_predicted": ("1", "scans named so, mean over repeats"),
        "precision": ("1", "share of the scans named so that are of the class"),
        "roc_area": ("1", "area under the ROC curve of the class against all others"),
    },
    "confused_pairs": {
        "predicted": ("", "class it was taken for"),
        "rank": ("1", "rank of the wavelength for this pair, from 1"),
        "n_scans": ("1", "scans taken so, mean over repeats"),
        "wavelength_nm": ("nm", "where the two classes lie far apart"),
        "difference": ("1", "mean of the units of the true class minus the other's"),
        "sd_units": ("1", "standard deviation among units within the two classes"),
        "standardised": ("1", "difference over standard deviation"),
    },
    "rivals": {},
    "comparison": {
        "accuracy": ("1", "share of the scans named rightly, mean over repeats"),
        "wilson_low": ("1", "lower end of its Wilson interval over units"),
        "wilson_high": ("1", "upper end of its Wilson interval over units"),
        "difference": ("1", "accuracy minus that of the classifier"),
        "difference_low": ("1", "lower end of its interval over units"),
        "difference_high": ("1", "upper end of its interval over units"),
        "margin": ("1", "accuracy that may lie behind and still count as good"),
        "better": ("", "whether the whole interval lies above zero"),
        "as_good": ("", "whether the whole interval lies above minus the margin"),
    },
    "questions": {
        "asked": ("", "what the spectra were asked for"),
        "n_classes": ("1", "number of classes"),
        "majority_accuracy": ("1", "accuracy of always naming the largest class"),
        "permuted_within": ("", "what labels were exchanged within"),
    },
}


# What is a table, what is a column of it, and in which unit?
# ----------------------------------------------------------------------

TABLES: Final[dict[str, str]] = {
    "scans": "Every scan and the raw file it stands in",
    "reflectance": "White and dark of every leaf scan",
    "quality": "What the checks found, scan by scan",
    "signal": "Signal-to-noise of the white reference by wavelength",
    "levels": "Level of every scan at four wavelengths, in the order of measuring",
    "accepted": "Which leaf scans take part",
    "exclusions": "Exclusions suggested by checks and decided by persons",
    "session_effects": "Shifts between sessions of untreated units, stable tile and references",
    "order_effects": "Effects of the order of measuring and of the leaf's position",
    "indices": "Value of every index on every leaf scan, accepted or not",
    "unit_indices": "Mean of every index on every unit in every session",
    "effects": "What the treatment changed: every question, index, contrast and method",
    "group_means": "Number, mean and spread of units by treatment and session",
    "spectrum_effects": "Difference in change of reflectance at every wavelength",
    "sensitivity": "The primary contrasts under other choices than the planned ones",
    "variants": "The primary effects and the accuracy under other settings of the study",
    "variance_components": "Where the variation sits: units, sessions, leaves, scans",
    "power": "What a next study would find",
    "path": "Accuracy by number of latent variables",
    "predictions": "What the classifier said of every scan held out",
    "confusion": "Which class is taken for which, by number of latent variables",
    "spectra_terms": "Weights, loadings, coefficients and importance by wavelength",
    "permutation": "Accuracy with permuted labels",
    "reliability": "Probabilities given, and how often they were right",
    "per_class": "Sensitivity and precision of every class",
    "confused_pairs": "Classes taken for each other, and what separates them",
    "rivals": "Accuracy of simpler procedures, split by split",
    "comparison": "The classifier beside simpler procedures, by units",
    "questions": "How well session and block can be told from the spectra",
}
"""Kind of table -> what it holds."""

_BY_ROW: Final = {
    OF_UNIT: "as in column unit",
    f"square of {OF_UNIT}": "square of column unit",
    OF_INDEX: "unit of the index",
}
_ONE_SESSION: Final = frozenset({"scans", "reflectance", "quality", "indices"})


def kind_of(path: str) -> str:
    """Return what kind of table a path below ``results/`` is; the file's name if it is unknown.

    Examples
    --------
    >>> kind_of("effects.csv"), kind_of("quality/day4.signal.parquet"), kind_of("indices/d.parquet")
    ('effects', 'signal', 'indices')
    """
    folder, _, name = path.rpartition("/")
    parts = name.split(".")
    if folder in _ONE_SESSION:
        return parts[1] if len(parts) == 3 else folder
    return parts[0]


def meaning_of(path: str, column: str) -> tuple[str, str]:
    """Return unit and meaning of a column.

    Parameters
    ----------
    path
        Path of the table below ``results/``, or its kind.
    column
        Name of the column.

    Returns
    -------
    tuple
        The unit is ``1`` for a plain number and empty for text; ``as in column unit`` and ``unit
        of the index`` say where it depends on the row.

    Examples
    --------
    >>> meaning_of("effects.csv", "estimate")
    ('as in column unit', 'estimate of the contrast')
    >>> meaning_of("classes/predictions.csv", "p_Kestrel")
    ('1', 'probability given to the class Kestrel')
    """
    unit, meaning = _found(kind_of(path), column)
    return _BY_ROW.get(unit, unit), meaning


def unit_in(path: str, column: str, units: Iterable[str], index_units: Iterable[str]) -> str:
    """Return the unit of a column as it stands in a heading, as narrowly as the rows allow.

    Parameters
    ----------
    path, column
        As :func:`meaning_of` takes them.
    units
        What the rows say in their column ``unit``, if they have one.
    index_units
        Units of the indices of the study.

    Examples
    --------
    >>> unit_in("effects.csv", "estimate", ["1", "1"], ["1", "nm"])
    '1'
    >>> unit_in("unit_indices.csv", "mean", ["p01"], ["1", "nm"])
    'unit of the index'
    """
    raw, _ = _found(kind_of(path), column)
    for mark, told in ((OF_UNIT, set(units)), (OF_INDEX, set(index_units))):
        named = told - {""}
        if mark in raw and len(named) == 1:
            return _squared(raw.replace(mark, named.pop()))
    return meaning_of(path, column)[0]


def _found(kind: str, column: str) -> tuple[str, str]:
    of_table = OF_TABLE.get(kind, {})
    found = of_table.get(column) or EVERYWHERE.get(column)
    if found is None and kind == "predictions" and column.startswith("p_"):
        return "1", f"probability given to the class {column[2:]}"
    return found or ("", "")


def _squared(unit: str) -> str:
    return "1" if unit == "square of 1" else unit

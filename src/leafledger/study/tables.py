"""Which tables and documents does a study leave behind, and what does each column mean?

Every file below ``results/`` is declared here once. Whatever lists tables or columns elsewhere (the
outputs of the rules, the readers, the workbook, what can be saved from the page, the lineage, the
pages of ``docs/reference``) reads these declarations or is held to them by a test.

Wavelengths are in nm (air), reflectance is a fraction, ``u_*`` are standard uncertainties (k = 1).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Literal

Dtype = Literal["text", "number", "whole number", "true or false", "date and time", "spectrum"]

OF_UNIT: Final = "{unit}"
"""Unit that the row states in its own column ``unit``."""
OF_INDEX: Final = "{index}"
"""Unit of the index that the row names."""
OF_VALUE: Final = "{unit_of_value}"
"""Unit that the row states in its column ``unit_of_value``, beside the experimental unit."""
OF_SESSION: Final = "{session}"
_BY_ROW: Final = {
    OF_UNIT: "as in column unit",
    f"square of {OF_UNIT}": "square of column unit",
    OF_INDEX: "unit of the index",
    OF_VALUE: "as in column unit_of_value",
}


@dataclass(frozen=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    name, meaning
        As it stands in the heading, and in words.
    unit
        ``1`` for a plain number, empty for text, flags and times; :data:`OF_UNIT` or
        :data:`OF_INDEX` where it depends on the row.
    dtype
        What its cells hold; a spectrum is a number for every wavelength of the table.
    optional
        Written only if the study asks for the correction or states the uncertainty.
    """

    name: str
    meaning: str
    unit: str = "1"
    dtype: Dtype = "number"
    optional: bool = False


_text = partial(Column, unit="", dtype="text")
_flag = partial(Column, unit="", dtype="true or false")
_time = partial(Column, unit="", dtype="date and time")
_number = partial(Column, dtype="number")
_whole = partial(Column, dtype="whole number")
_spectrum = partial(Column, dtype="spectrum")


@dataclass(frozen=True)
class Result:
    """A file that a rule leaves behind: a table with columns, or a document without.

    Attributes
    ----------
    name
        Unique; of a table also its kind, such as ``effects``.
    path
        Below ``results/``; ``{session}`` stands for a session, a final ``/`` for a folder.
    rule
        Rule that writes it; ``variants`` and ``plan_history`` are made of the book of runs.
    about
        What it holds, in one sentence.
    columns
        In order, spectra last.
    key
        Columns that name a row: no two rows share them.
    role
        Name of the file among the outputs of its rule.
    shown
        Parts of the page whose statements are read from it.
    sheet
        Name of its sheet in the workbook, empty for none.
    saved
        Part of the page that offers it for saving, empty if none does.
    note
        What a reader of the reference should know besides.
    per_class
        A further column for each class, whose name stands in place of ``{}``.
    """

    name: str
    path: str
    rule: str
    about: str
    columns: tuple[Column, ...] = ()
    key: tuple[str, ...] = ()
    role: str = ""
    shown: tuple[str, ...] = ()
    sheet: str = ""
    saved: str = ""
    note: str = ""
    per_class: Column | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns that are no spectra, in order."""
        return tuple(c.name for c in self.columns if c.dtype != "spectrum")

    @property
    def is_table(self) -> bool:
        """Whether it has columns."""
        return bool(self.columns)

    @property
    def holds_spectra(self) -> bool:
        """Whether a row holds whole spectra."""
        return any(c.dtype == "spectrum" for c in self.columns)

    @property
    def per_session(self) -> bool:
        """Whether there is one file for each session."""
        return OF_SESSION in self.path

    @property
    def in_report(self) -> bool:
        """Whether the page reads it: it says something, or vouches for what does."""
        return bool(self.shown or self.sheet or self.saved) or self.role in {"passed", "model_card"}

    @property
    def of_classes(self) -> bool:
        """Whether only a study with a classifier has it."""
        return self.path.startswith("classes/")

    @property
    def of_pigments(self) -> bool:
        """Whether only a study with assays or chromatograms has it."""
        return self.path.startswith("pigments/")

    @property
    def report_role(self) -> str:
        """Name of the file among the inputs of the report; of a session, ``/SESSION`` follows."""
        folder = self.path.partition("/")[0]
        if folder not in {"classes", "validation"} or self.role in {
            "model",
            "model_card",
            "passed",
        }:
            return self.role
        return f"{folder}_{self.role}"

    def column(self, name: str) -> Column | None:
        """Return a column by its name, ``None`` if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        if self.per_class is not None:
            before, after = self.per_class.name.split("{}")
            if name.startswith(before) and name.endswith(after):
                label = name.removeprefix(before).removesuffix(after)
                return Column(name, self.per_class.meaning.format(label))
        return None


_COMMON: Final = {
    column.name: column
    for column in (
        _text("scan", "id of the scan"),
        _text("session", "id of the session"),
        _text("unit", "experimental unit"),
        _text("role", "sample, white, dark, lamp, ambient or check (a stable tile)"),
        _text("index", "name of the index in the catalogue"),
        _number("wavelength_nm", "wavelength in air", "nm"),
        _number("integration_ms", "integration time", "ms"),
        _text("reason", "why a number is missing, or what it rests on"),
        _text("sentence", "the same in words"),
        _whole("n_units", "number of units"),
        _whole("n_units_reference", "number of units in the group compared with"),
        _whole("n_scans", "number of scans"),
        _number("ci_low", "lower end of the confidence interval", OF_UNIT),
        _number("ci_high", "upper end of the confidence interval", OF_UNIT),
        _number("ci_level", "confidence level of the interval"),
        _number("df", "degrees of freedom"),
        _number("p", "p-value, two-sided unless the method says otherwise"),
        _number("p_holm", "p adjusted after Holm within its family"),
        _whole("n_draws", "random arrangements drawn; 0: all were enumerated"),
        _text(
            "question",
            "change, difference_in_change, difference (after only), course, trend, factorial or "
            "equivalence",
        ),
        _text("contrast", "what is compared: sessions, then @ and groups"),
        _text("stratum", "all, or the level of a factor within which was tested"),
        _text("method", "method of the test"),
        _text("verdict", "significant, not_significant, equivalent or undefined"),
        _whole("repeat", "repeat of the splitting, from 1"),
        _whole("fold", "outer fold, from 1"),
        _whole("n_components", "number of latent variables"),
        _text("true", "class that the scan is of"),
        _text("predicted", "class that the classifier named"),
        _whole("n_correct", "scans named rightly"),
        _number("accuracy", "share named rightly"),
        _number("share_of_true", "share of the scans of the true class"),
        _text("procedure", "way of classifying"),
    )
}
"""Columns that mean the same in every table that names them in plain words."""


def _columns(*parts: str | Column) -> tuple[Column, ...]:
    """Return columns in order; a string names columns of :data:`_COMMON`, with spaces between."""
    found: list[Column] = []
    for part in parts:
        found += [part] if isinstance(part, Column) else [_COMMON[name] for name in part.split()]
    return tuple(found)


_UNIT_OF_INDEX = _text("unit", "unit of the index")
_QUANTITY = _text("quantity", "pigment, ratio or other content that was assayed")
_UNIT_OF_VALUE = _text(
    "unit_of_value",
    "unit of the content: ug/cm2 of leaf, mg/g of fresh mass, 1 for a ratio, or as stated",
)
_CONTRAST: Final = _columns(
    _number("estimate", "estimate of the contrast", OF_UNIT),
    "ci_low ci_high ci_level",
    _text("unit", "unit of the index, in which estimate and interval are"),
    _whole("n_units", "number of units (never leaves) in the group"),
    "n_units_reference",
)
_SHIFT: Final = _columns(
    "wavelength_nm",
    _number("estimate", "estimated shift", OF_UNIT),
    "ci_low ci_high ci_level",
    _whole("n_units", "number of units; of repeats where references are judged"),
    "p p_holm",
)
_UNIT_OF_SHIFT = _text("unit", "unit of estimate and interval: 1 or count")


def _shared_source(name: str, source: str, optional: bool = False) -> Column:
    """Return a spectrum of reflectance for one standard uncertainty of a source."""
    return _spectrum(
        name,
        f"part of u_reference: change for one standard uncertainty of {source}, with its sign; "
        "there where the study has it, a second one as ..._2",
        optional=optional,
    )


def _result(
    name: str,
    path: str,
    rule: str,
    about: str,
    *columns: str | Column,
    key: str = "",
    shown: str = "",
    **more: Any,
) -> Result:
    """Return a declaration; names in ``key`` and ``shown`` have spaces between."""
    lists = {
        "columns": _columns(*columns),
        "key": tuple(key.split()),
        "shown": tuple(shown.split()),
    }
    return Result(name, path, rule, about, **{"role": name, **lists, **more})


RESULTS: Final = (
    # Of each session: counts, reflectance, checks.
    _result(
        "scans", "scans/{session}.parquet", "intake", "Every scan and the raw file it stands in",
        "scan role",
        _text("file", "raw file, path in the study"),
        _text("item", "row, block or sheet of a file of several scans"),
        _text("file_sha256", "SHA-256 of the whole raw file"),
        _whole("order", "position in the session's sheet, from 0"),
        _time("time", "time of the scan, local wall clock"),
        "integration_ms",
        _whole("averages", "number of readings averaged"),
        _spectrum("counts", "as read from the raw file", "count"),
        key="scan", shown="went-in", sheet="all scans",
        note="A session that arrives as reflectance has `reflectance` in place of `counts`.",
    ),
    _result(
        "reflectance", "reflectance/{session}.parquet", "reflectance",
        "White and dark of every leaf scan",
        "scan",
        _text("reference", "set of white and dark; scans of one set share its uncertainty"),
        _text("white_before", "white before the scan"),
        _text("white_after", "white after the scan"),
        _text("dark_before", "dark before the scan"),
        _text("dark_after", "dark after the scan"),
        _number("white_after_weight", "share of the white after: 0 before only, 1 after only"),
        _spectrum("reflectance", "leaf over white, both above dark, times the panel's reflectance"),
        _spectrum("u_scan", "standard uncertainty that differs from scan to scan: light and "
                            "reading out"),
        _spectrum("u_reference", "standard uncertainty that scans of one reference share: that of "
                                 "all columns below"),
        _spectrum("u_noise", "part of u_reference: noise of darks and whites, independent over "
                             "wavelengths"),
        _shared_source("u_drift", "the lamp between whites"),
        _shared_source("u_dark", "a dark level as a whole"),
        _shared_source("u_stray", "the correction of stray light", optional=True),
        _shared_source("u_linearity", "an estimated linearity", optional=True),
        _shared_source("u_axis", "an axis put right by a lamp", optional=True),
        _shared_source("u_integration", "an integration time", optional=True),
        key="scan", shown="left-out spectra", sheet="references used",
    ),
    _result(
        "quality", "quality/{session}.parquet", "quality", "What the checks found, scan by scan",
        "scan",
        _text("check", "name of the check"),
        _text("severity", "fault, outlier or notice"),
        _number("value", "what was found", OF_UNIT),
        _number("threshold", "limit of the check", OF_UNIT),
        _text("unit", "unit of value and threshold"),
        _number("wavelength_nm", "where it was found; empty if not at one wavelength", "nm"),
        "sentence",
        key="scan check wavelength_nm sentence", shown="left-out", sheet="quality flags",
    ),
    _result(
        "signal", "quality/{session}.signal.parquet", "quality",
        "Signal-to-noise of the white reference by wavelength",
        "wavelength_nm",
        _number("signal_to_noise", "of the white reference"),
        _whole("n_references", "white scans that it rests on"),
        _number("noise_at_005", "noise (standard deviation) of a scan at a reflectance of 0.05"),
        _number("white", "mean of the whites without fault, less dark; per scan where a time is "
                         "unknown", "count/ms"),
        key="wavelength_nm", shown="range", sheet="signal to noise",
    ),
    _result(
        "levels", "quality/{session}.levels.parquet", "quality",
        "Level of every scan at four wavelengths, in the order of measuring",
        "scan role",
        _whole("place", "place in the order of measuring, from 0"),
        _whole("block", "block of references measured together; empty for leaves"),
        _number("hours", "time since the first scan of the session", "h"),
        "integration_ms",
        _text("digest", "SHA-256 of the raw values"),
        "wavelength_nm",
        _number("value", "level of the scan, a mean over 5 nm for references", OF_UNIT),
        _text("unit", "1 for reflectance, count or count/ms for references"),
        key="scan wavelength_nm unit", shown="references", sheet="levels",
    ),
    # Which scans and wavelengths are used.
    _result(
        "accepted", "accepted.csv", "acceptance", "Which leaf scans take part",
        "scan session unit",
        _text("leaf", "leaf within its unit"),
        _text("replicate", "repeat on the same leaf"),
        _flag("accepted", "whether the scan takes part"),
        key="scan", shown="trust went-in left-out spectra", sheet="leaf scans",
    ),
    _result(
        "exclusions", "exclusions.csv", "acceptance",
        "Exclusions suggested by checks and decided by persons",
        "scan",
        _text("rule", "name of the check, or decision"),
        _text("suggested", "exclude or keep, as the check suggests"),
        _text("applied", "exclude or keep, as was done"),
        _text("reason", "why, in words"),
        _text("by", "who decided"),
        _text("when", "when it was decided, local wall clock"),
        key="scan rule", shown="left-out decisions", sheet="exclusions", saved="left-out",
    ),
    _result(
        "range", "range.json", "acceptance", "The wavelengths that are trusted, and why",
        shown="trust range spectra",
    ),
    _result(
        "session_effects", "session_effects.csv", "acceptance",
        "Shifts between sessions of untreated units, stable tile and references",
        "session",
        _text("group", "control (untreated units), check (stable tile), white or dark"),
        *_SHIFT,
        _number("limit_low", "lower control limit of the stable tile", OF_UNIT),
        _number("limit_high", "upper control limit of the stable tile", OF_UNIT),
        _UNIT_OF_SHIFT,
        "reason",
        key="session group wavelength_nm",
        shown="session-effects", sheet="session effects", saved="session-effects",
    ),
    _result(
        "order_effects", "order_effects.csv", "acceptance",
        "Effects of the order of measuring and of the leaf's position",
        "session",
        _text("term", "order, leaf_position, white_signal or dark_level"),
        _text("position", "leaf position, for the term leaf_position"),
        *_SHIFT,
        _UNIT_OF_SHIFT,
        "reason",
        key="session term position wavelength_nm",
        shown="order-effects", sheet="order effects", saved="order-effects",
    ),
    # Indices.
    _result(
        "catalogue", "indices/catalogue.json", "catalogue",
        "Formula, unit and source of every index used", shown="indices", sheet="index catalogue",
    ),
    _result(
        "formulas", "indices/formulas.json", "catalogue", "The formulas of the indices, parsed",
    ),
    _result(
        "visible_indices", "indices/visible.json", "catalogue",
        "The indices in use that read visible light",
    ),
    _result(
        "indices", "indices/{session}.parquet", "indices",
        "Value of every index on every leaf scan, accepted or not",
        "scan index",
        _number("value", "value of the index; empty if it could not be taken", OF_INDEX),
        _number("u_scan", "standard uncertainty (k = 1), part of the scan alone", OF_INDEX),
        _number("u_reference", "standard uncertainty (k = 1), part of white and dark", OF_INDEX),
        _number("u_panel", "standard uncertainty (k = 1), part of the panel", OF_INDEX),
        _text("status", "ok, outside_range or undefined"),
        key="scan index", sheet="index gaps",
    ),
    *(
        _result(
            f"validation_{part}", f"validation/{part}.json", "validation",
            f"What is expected of the tables of {part}, and whether it holds",
            role=part, shown="expectations",
        )
        for part in ("scans", "reflectance", "indices")
    ),
    _result(
        "passed", "validation/passed.json", "validation",
        "Whether every expectation holds that stops a study",
    ),
    _result(
        "unit_indices", "unit_indices.csv", "unit_means",
        "Mean of every index on every unit in every session",
        "unit session index",
        _number("mean", "mean over leaves of the mean over scans", OF_INDEX),
        _number("sd_leaves", "standard deviation of the leaf means; empty with one leaf", OF_INDEX),
        _number("u", "standard measurement uncertainty (k = 1) of the mean", OF_INDEX),
        _whole("n_leaves", "number of leaves averaged"),
        "n_scans",
        _whole("n_excluded", "number of scans left out"),
        key="unit session index", shown="found index-courses", sheet="unit indices",
    ),
    # The classifier.
    _result(
        "path", "classes/path.csv", "classes", "Accuracy by number of latent variables",
        _text("split", "outer or fixed (scans held out), or training"),
        "repeat fold n_components n_scans n_units n_correct accuracy",
        _number("balanced_accuracy", "mean over classes of the share named rightly"),
        _flag("chosen", "whether the inner folds chose this number"),
        key="split repeat fold n_components", shown="accuracy", sheet="classes path",
    ),
    _result(
        "predictions", "classes/predictions.csv", "classes",
        "What the classifier said of every scan held out",
        "scan repeat fold unit session true predicted n_components",
        key="scan repeat", sheet="classes predictions",
        note="After these columns stands `p_CLASS` for each class, its probability.",
        per_class=_number("p_{}", "probability given to the class {}"),
    ),
    _result(
        "confusion", "classes/confusion.csv", "classes",
        "Which class is taken for which, by number of latent variables",
        _text("split", "which scans: outer or fixed (held out), or training"),
        "n_components true predicted",
        _number("n_scans", "number of scans"),
        _number("n_units", "number of units"),
        "share_of_true",
        key="split n_components true predicted",
        shown="confusion", sheet="classes confusion", saved="confusion",
    ),
    _result(
        "spectra_terms", "classes/spectra_terms.parquet", "classes",
        "Weights, loadings, coefficients and importance by wavelength",
        _text("term", "weight, loading, coefficient, vip (importance in projection) or "
                      "spectrum_..."),
        _whole("component", "latent variable, from 1"),
        _text("class", "class, for terms that each class has its own of"),
        "wavelength_nm",
        _number("value", "value of the term"),
        _number("sd_resample", "its standard deviation over resamples of units"),
        key="term component class wavelength_nm",
        role="terms", shown="which-wavelengths", sheet="classes terms",
    ),
    _result(
        "permutation", "classes/permutation.csv", "classes", "Accuracy with permuted labels",
        _whole("draw", "draw of labels; 0 is as observed"),
        _number("accuracy", "accuracy with these labels"),
        key="draw", shown="chance", sheet="classes permutation",
    ),
    _result(
        "reliability", "classes/reliability.csv", "classes",
        "Probabilities given, and how often they were right",
        _number("low", "lower end of the probabilities given"),
        _number("high", "upper end of the probabilities given"),
        "n_scans n_units",
        _number("mean_probability", "mean of the probabilities given"),
        _number("share_right", "share of these named rightly"),
        key="low", shown="sureness", sheet="classes reliability", saved="sureness",
    ),
    _result(
        "per_class", "classes/per_class.csv", "classes", "Sensitivity and precision of every class",
        _text("class", "class"),
        "n_units n_scans",
        _number("sensitivity", "share of the class's scans that were named so"),
        _number("sensitivity_low", "lower end of its Wilson interval over units"),
        _number("sensitivity_high", "upper end of its Wilson interval over units"),
        "ci_level",
        _number("n_predicted", "scans named so, mean over repeats"),
        _number("precision", "share of the scans named so that are of the class"),
        _number("roc_area", "area under the ROC curve of the class against all others"),
        key="class", shown="each-class", sheet="classes per class", saved="each-class",
    ),
    _result(
        "confused_pairs", "classes/confused_pairs.csv", "classes",
        "Classes taken for each other, and what separates them",
        "true",
        _text("predicted", "class it was taken for"),
        _whole("rank", "rank of the wavelength for this pair, from 1"),
        _number("n_scans", "scans taken so, mean over repeats"),
        "share_of_true",
        _number("wavelength_nm", "where the two classes lie far apart", "nm"),
        _number("difference", "mean of the units of the true class minus the other's"),
        _number("sd_units", "standard deviation among units within the two classes"),
        _number("standardised", "difference over standard deviation"),
        key="true predicted rank",
        shown="each-class", sheet="classes confused pairs", saved="each-class",
    ),
    _result(
        "classes_summary", "classes/summary.json", "classes",
        "The classifier: classes, rules, accuracy with intervals, p",
        role="summary", shown="found accuracy sureness which-wavelengths chance",
        sheet="classes summary",
    ),
    _result(
        "model", "classes/model.skops", "classes", "The classifier trained on all scans",
    ),
    _result(
        "model_card", "classes/model.json", "classes",
        "What the saved classifier is for, was trained on and can do",
    ),
    # What the treatment changed.
    _result(
        "effects", "effects.csv", "effects",
        "What the treatment changed: every question, index, contrast and method",
        "question index contrast stratum method",
        _flag("primary", "whether it is the primary contrast of the study"),
        *_CONTRAST,
        _whole("n_missing", "units left out, such as those without the pair of sessions"),
        _text("covariates", "what the difference is adjusted for, in the order of the model"),
        _number("statistic", "test statistic"),
        _text("statistic_name", "name of the test statistic"),
        "df",
        _number("df2", "second degrees of freedom, of an F"),
        "p",
        _number("p_smallest", "smallest p that this design can reach at all"),
        _text("family", "tests that were adjusted together"),
        _whole("n_family", "number of tests in the family"),
        "p_holm",
        _number("p_bh", "p adjusted after Benjamini and Hochberg"),
        _number("p_max_t", "p adjusted by the largest |t| under permutation"),
        _number("effect_size", "standardised effect size"),
        _text("effect_size_name", "which effect size"),
        _number("effect_low", "lower end of its confidence interval"),
        _number("effect_high", "upper end of its confidence interval"),
        _number("percent_change", "estimate over the mean before; after only: over the "
                                  "reference's", "%"),
        _number("percent_low", "lower end of its interval (Fieller)", "%"),
        _number("percent_high", "upper end of its interval (Fieller)", "%"),
        _number("in_u", "estimate over its measurement uncertainty"),
        "n_draws",
        _whole("seed", "seed of the arrangements"),
        "verdict",
        _text("reason", "why a result is undefined, or which pairs are missing"),
        key="question index contrast stratum method",
        shown="index-courses effects", sheet="effects", saved="effects",
    ),
    _result(
        "effects_summary", "effects.json", "effects",
        "Findings, plan and assumptions of the tests, in words and numbers",
        shown="found effects holds assumptions", sheet="findings",
    ),
    _result(
        "group_means", "group_means.csv", "effects",
        "Number, mean and spread of units by treatment and session",
        "index",
        _text("treatment", "treatment of the units"),
        "session",
        _whole("n_units", "units with an accepted value; empty if units are not known"),
        _whole("n_missing", "units of the treatment without one"),
        _whole("n_leaves", "number of leaves behind the mean; empty if units are not known"),
        _whole("n_scans", "number of accepted scans behind the mean"),
        _number("mean", "mean of the unit means", OF_UNIT),
        _number("sd", "standard deviation between units (between scans if these are unknown)",
                OF_UNIT),
        _number("se", "standard error of the mean", OF_UNIT),
        _number("ci_low", "lower end of the confidence interval of the mean (Student)", OF_UNIT),
        _number("ci_high", "upper end of the confidence interval of the mean (Student)", OF_UNIT),
        "ci_level",
        _UNIT_OF_INDEX,
        key="index treatment session",
        shown="index-courses", sheet="group means", saved="index-courses",
    ),
    _result(
        "spectrum_effects", "spectrum_effects.csv", "effects",
        "Difference in change of reflectance at every wavelength",
        "contrast wavelength_nm",
        _number("estimate", "difference in change of reflectance, within blocks; of reflectance "
                            "itself without a before session"),
        _number("low", "lower end of the band, which holds over all rows of the table together"),
        _number("high", "upper end of the band, which holds over all rows of the table together"),
        "n_units n_units_reference",
        key="contrast wavelength_nm", shown="whole-spectrum", sheet="spectrum effects",
    ),
    _result(
        "sensitivity", "sensitivity.csv", "effects",
        "The primary contrasts under other choices than the planned ones",
        "question index contrast method",
        _text("variant", "what was done otherwise than planned"),
        _text("left_out", "session or unit left out, or the other method"),
        *_CONTRAST,
        "p p_holm verdict",
        _flag("same_conclusion", "whether the conclusion stays"),
        "reason",
        key="question index contrast method variant left_out",
        shown="found holds", sheet="sensitivity", saved="holds",
    ),
    _result(
        "variance_components", "variance_components.csv", "effects",
        "Where the variation sits: units, sessions, leaves, scans",
        "index",
        _text("component", "unit, unit_x_session, leaf, scan or session"),
        _number("variance", "variance of the component", f"square of {OF_UNIT}"),
        _number("sd", "its square root", OF_UNIT),
        _number("share", "share of all known components but that between sessions"),
        "df",
        _whole("n_groups", "number of groups it is estimated from"),
        _UNIT_OF_INDEX,
        "reason",
        key="index component",
        shown="variation", sheet="variance components", saved="variation",
    ),
    _result(
        "power", "power.csv", "effects", "What a next study would find",
        "index",
        _text("session", "after-session that the next study aims at"),
        _whole("n_units", "units in each of two groups; empty if the scatter is not known"),
        _whole("n_leaves", "leaves of a unit in a session"),
        _whole("n_scans", "scans of a leaf"),
        _number("sd_residual", "standard deviation between units that the linear model leaves",
                OF_UNIT),
        _number("residual_df", "degrees of freedom that this study estimates it with"),
        _text("covariates", "what the planned difference is adjusted for"),
        _number("df", "residual degrees of freedom of the planned study"),
        _number("alpha", "level of the two-sided test"),
        _number("power", "power at which the detectable difference is told"),
        _number("detectable", "difference between treatments that is found with this power",
                OF_UNIT),
        _number("power_simulated", "share of simulated studies that found it"),
        _number("margin", "smallest difference that would matter, as the study states it", OF_UNIT),
        _number("power_at_margin", "power at that margin"),
        _UNIT_OF_INDEX,
        _text("reason", "why the scatter is not known, or what it rests on"),
        key="index session n_units n_leaves n_scans",
        shown="detectable", sheet="power", saved="detectable",
    ),
    # Assays, calibrated indices and chromatograms, where the study has any.
    _result(
        "pigment_contents", "pigments/contents.csv", "pigments",
        "Contents of the leaves that were assayed",
        _whole("row", "row in the sheet of assays"),
        "unit session",
        _text("leaf", "leaf within its unit"),
        _text("extract", "tells several extracts of a leaf apart"),
        _QUANTITY,
        _number("value", "content, or ratio of two", OF_VALUE),
        _number("u", "standard uncertainty, from those of absorbance, volume, dilution and area or "
                     "mass; empty if one of these is not stated", OF_VALUE),
        _UNIT_OF_VALUE,
        _text("equation", "published set of equations; empty for a content that was handed in"),
        _text("method", "method in the person's own words"),
        _flag("used", "whether it takes part in a calibration"),
        _text("reason", "why it does not"),
        _text("remark", "what should be known of it"),
        key="row quantity unit_of_value", shown="pigment-contents", sheet="pigment contents",
        saved="pigment-contents",
    ),
    _result(
        "pigment_calibrations", "pigments/calibrations.csv", "pigments",
        "Every index calibrated to every assay, by the error of units left out",
        _QUANTITY, _UNIT_OF_VALUE, "index",
        _text("form", "linear, quadratic or power"),
        "n_units",
        _whole("n_leaves", "leaves that were assayed and have the index"),
        _number("b0", "content = b0 + b1 index + b2 index^2; of a power exp(b0) index^b1"),
        _number("b1", "second coefficient"),
        _number("b2", "third coefficient, of a quadratic form"),
        _number("rmse_cv", "root mean square error of units left out in turn", OF_VALUE),
        _number("bias_cv", "mean error of units left out: estimated minus assayed", OF_VALUE),
        _number("r2_cv", "share of the spread of units left out that is predicted"),
        _number("sd_leaf", "standard deviation of a leaf of a new unit about the curve; of the "
                           "natural logarithm for a power"),
        "df",
        _number("range_low", "lowest index of an assayed leaf: no estimate below", OF_INDEX),
        _number("range_high", "highest index of an assayed leaf: no estimate above", OF_INDEX),
        _number("york_intercept", "intercept of the line with errors in both variables (York)",
                OF_VALUE),
        _number("york_slope", "its slope"),
        _number("u_york_intercept", "standard uncertainty of the intercept", OF_VALUE),
        _number("u_york_slope", "standard uncertainty of the slope"),
        _number("york_chi_square", "weighted sum of squared distances; far above york_df the "
                                   "leaves scatter more than their uncertainties explain"),
        _whole("york_df", "its degrees of freedom: leaves less two"),
        _flag("best_form", "whether this form has the smallest error for this index"),
        _flag("chosen", "whether estimates are made by it"),
        _number("rmse_nested", "error of units left out when index and form are chosen anew "
                               "without each; of the chosen one", OF_VALUE),
        _whole("n_tried", "indices it was chosen from"),
        "reason",
        key="quantity unit_of_value index form", shown="pigment-calibration",
        sheet="pigment calibrations", saved="pigment-calibration",
    ),
    _result(
        "pigment_estimates", "pigments/estimates.csv", "pigments",
        "Estimated content of every leaf in the range of the calibration",
        "unit session",
        _text("leaf", "leaf within its unit"),
        _QUANTITY, _UNIT_OF_VALUE, "index",
        _number("index_value", "mean of the index over the accepted scans of the leaf", OF_INDEX),
        _number("estimate", "estimated content; empty outside the range", OF_VALUE),
        _number("estimate_low", "lower end of the interval for the leaf", OF_VALUE),
        _number("estimate_high", "upper end of the interval for the leaf", OF_VALUE),
        _number("interval_level", "level of the interval"),
        _flag("in_range", "whether the index lies in the range of the assayed leaves"),
        _flag("assayed", "whether the leaf itself took part in the calibration"),
        "reason",
        key="unit session leaf quantity unit_of_value", shown="pigment-calibration",
        sheet="pigment estimates", saved="pigment-calibration",
    ),
    _result(
        "chromatogram_spots", "pigments/chromatograms.csv", "pigments",
        "Rf of every spot, and the pigments it may be by colour and order",
        _text("strip", "name of the strip"),
        _whole("order_from_front", "place of the spot counted from the solvent front"),
        "unit session",
        _text("system", "support and solvent, as stated"),
        _text("colour", "colour of the spot, as stated"),
        _number("spot_mm", "distance of the middle of the spot from the start line", "mm"),
        _number("front_mm", "distance of the solvent front from the start line", "mm"),
        _number("rf", "spot_mm over front_mm"),
        _number("u_rf", "its standard uncertainty; empty if none of the distances is stated"),
        _text("candidates", "pigments that it may be; several: ambiguous"),
        _text("table_rf", "their Rf in the table of the system"),
        _flag("ambiguous", "whether more than one remains"),
        _text("source", "where the table is from, and how far it was verified"),
        "reason",
        key="strip order_from_front", shown="chromatograms", sheet="chromatograms",
        saved="chromatograms",
    ),
    _result(
        "pigments_summary", "pigments/pigments.json", "pigments",
        "Sentences, equations and cautions", shown="pigment-calibration chromatograms",
    ),
    # The classifier beside simpler procedures and other questions.
    _result(
        "rivals", "classes/rivals.csv", "rivals", "Accuracy of simpler procedures, split by split",
        "procedure repeat fold n_correct n_scans accuracy",
        key="procedure repeat fold", shown="rivals", sheet="classes rivals",
    ),
    _result(
        "comparison", "classes/comparison.csv", "rivals",
        "The classifier beside simpler procedures, by units",
        "procedure n_units",
        _number("accuracy", "share of the scans named rightly, mean over repeats"),
        _number("wilson_low", "lower end of its Wilson interval over units"),
        _number("wilson_high", "upper end of its Wilson interval over units"),
        _number("difference", "accuracy minus that of the classifier"),
        _number("difference_low", "lower end of its interval over units"),
        _number("difference_high", "upper end of its interval over units"),
        "ci_level",
        _number("margin", "accuracy that may lie behind and still count as good"),
        _flag("better", "whether the whole interval lies above zero"),
        _flag("as_good", "whether the whole interval lies above minus the margin"),
        "sentence",
        key="procedure", shown="rivals", sheet="classes comparison", saved="rivals",
    ),
    _result(
        "questions", "classes/questions.csv", "negative_controls",
        "How well session and block can be told from the spectra",
        _text("asked", "what the spectra were asked for"),
        _whole("n_classes", "number of classes"),
        "n_units n_scans accuracy",
        _number("majority_accuracy", "accuracy of always naming the largest class"),
        "p n_draws",
        _text("permuted_within", "what labels were exchanged within"),
        "sentence reason",
        key="asked",
        shown="day-or-treatment", sheet="classes questions", saved="day-or-treatment",
    ),
    # Made of the book of runs before the report; then the report itself.
    _result(
        "variants", "variants.csv", "variants",
        "The primary effects and the accuracy under other settings of the study",
        _text("variant", "name of the set of settings"),
        "question index contrast stratum method",
        _text("settings", "what it sets otherwise than the study as stated"),
        *_CONTRAST,
        "p verdict reason",
        _number("accuracy", "share of scans named rightly by the classifier"),
        _number("accuracy_low", "lower end of its interval"),
        _number("accuracy_high", "upper end of its interval"),
        _text("effects_sha256", "SHA-256 of the effects that the row was taken from"),
        _text("classes_sha256", "SHA-256 of the summary of the classes"),
        _text("inputs_sha256", "SHA-256 over all that the effects and the classifier read"),
        key="variant question index contrast stratum method",
        shown="variants", sheet="variants", saved="variants",
        note="Written by `leafledger run --variants`.",
    ),
    _result(
        "plan_history", "plan_history.json", "plan_history",
        "When the plan was recorded, as the book of runs has it", shown="plan",
    ),
    _result("report", "report.html", "report", "The page for a person"),
    _result("figures", "figures/", "report", "The figures of the page, each as a file"),
    _result("tables", "tables.xlsx", "report", "Every table in one workbook"),
)  # fmt: skip
"""In the order of the data."""

BY_NAME: Final = {result.name: result for result in RESULTS}
TABLES: Final = {result.name: result for result in RESULTS if result.is_table}

TEXT: Final = frozenset(c.name for t in TABLES.values() for c in t.columns if c.dtype == "text")
FLAGS: Final = frozenset(
    c.name for t in TABLES.values() for c in t.columns if c.dtype == "true or false"
)
"""Columns of text, and columns of ``true`` or ``false``, wherever they occur in a CSV."""

STATED: Final = "as_stated"
"""What the settings as stated are called in the table of the variants."""
UNDEFINED: Final = "undefined"
"""Verdict of a test that has no p."""
PLANNED: Final = "as_planned"
"""Variant of ``sensitivity.csv``: the test as planned."""
NOT_PART: Final = "this session is not part of the contrast"
"""Reason in ``sensitivity.csv`` of a session left out that cannot change the result."""


def names_of(table: str) -> tuple[str, ...]:
    """Return the columns of a table that are no spectra, in order."""
    return TABLES[table].names


SCANS: Final = names_of("scans")
REFLECTANCE: Final = names_of("reflectance")
QUALITY: Final = names_of("quality")
SIGNAL: Final = names_of("signal")
LEVELS: Final = names_of("levels")
ACCEPTED: Final = names_of("accepted")
EXCLUSIONS: Final = names_of("exclusions")
SESSION_EFFECTS: Final = names_of("session_effects")
ORDER_EFFECTS: Final = names_of("order_effects")
INDICES: Final = names_of("indices")
UNIT_INDICES: Final = names_of("unit_indices")
EFFECTS: Final = names_of("effects")
EFFECTS_KEY: Final = TABLES["effects"].key
SPECTRUM_EFFECTS: Final = names_of("spectrum_effects")
SENSITIVITY: Final = names_of("sensitivity")
VARIANTS: Final = names_of("variants")
VARIANCE_COMPONENTS: Final = names_of("variance_components")
GROUP_MEANS: Final = names_of("group_means")
POWER: Final = names_of("power")
PATH: Final = names_of("path")
PREDICTIONS: Final = names_of("predictions")
CONFUSION: Final = names_of("confusion")
SPECTRA_TERMS: Final = names_of("spectra_terms")
PERMUTATION: Final = names_of("permutation")
RELIABILITY: Final = names_of("reliability")
PER_CLASS: Final = names_of("per_class")
CONFUSED_PAIRS: Final = names_of("confused_pairs")
RIVALS: Final = names_of("rivals")
COMPARISON: Final = names_of("comparison")
QUESTIONS: Final = names_of("questions")


def written_by(rule: str) -> tuple[Result, ...]:
    """Return what a rule writes, in order.

    Examples
    --------
    >>> [result.path for result in written_by("unit_means")]
    ['unit_indices.csv']
    """
    return tuple(result for result in RESULTS if result.rule == rule)


def result_at(path: str) -> Result | None:
    """Return the declaration of a file below ``results/``, or of a name; ``None`` if unknown.

    Examples
    --------
    >>> [result_at(p).name for p in ("effects.csv", "quality/day4.signal.parquet", "indices")]
    ['effects', 'signal', 'indices']
    """
    if path in BY_NAME:
        return BY_NAME[path]
    for result in RESULTS:
        pattern = re.escape(result.path).replace(re.escape(OF_SESSION), "[^./]+")
        if re.fullmatch(pattern, path):
            return result
    return None


def meaning_of(path: str, column: str) -> tuple[str, str]:
    """Return unit and meaning of a column.

    Parameters
    ----------
    path
        Path of the table below ``results/``, or its name.
    column
        Name of the column; ``session`` means the same in tables of all sessions put together.

    Returns
    -------
    tuple
        The unit is ``1`` for a plain number and empty for text; ``as in column unit`` and ``unit
        of the index`` say where it depends on the row. Both are empty for an unknown column.

    Examples
    --------
    >>> meaning_of("effects.csv", "estimate")
    ('as in column unit', 'estimate of the contrast')
    >>> meaning_of("classes/predictions.csv", "p_Kestrel")
    ('1', 'probability given to the class Kestrel')
    """
    declared = _declared(path, column)
    return (_BY_ROW.get(declared.unit, declared.unit), declared.meaning) if declared else ("", "")


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
    declared = _declared(path, column)
    for mark, stated in ((OF_UNIT, set(units)), (OF_INDEX, set(index_units))):
        named = stated - {""}
        if declared and mark in declared.unit and len(named) == 1:
            unit = declared.unit.replace(mark, named.pop())
            return "1" if unit == "square of 1" else unit
    return meaning_of(path, column)[0]


def _declared(path: str, column: str) -> Column | None:
    result = result_at(path)
    declared = result.column(column) if result else None
    return declared or (_COMMON["session"] if column == "session" else None)

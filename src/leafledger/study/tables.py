"""Which tables and documents does a study leave behind, and what does each column mean?

Every file below ``results/`` is declared here once. Whatever lists tables or columns elsewhere (the
outputs of the rules, the readers, the workbook, what can be saved from the page, the lineage, the
pages of ``docs/reference``) reads these declarations or is held to them by a test.

Wavelengths are in nm (air), reflectance is a fraction, ``u_*`` are standard uncertainties (k = 1).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from leafledger.study.columns import (
    BY_ROW,
    COMMON,
    CONTRAST,
    MODEL_INTERVAL,
    MODEL_QUANTITY,
    MODEL_UNIT,
    OF_INDEX,
    OF_SESSION,
    OF_UNIT,
    OF_VALUE,
    QUANTITY,
    SHIFT,
    TARGET,
    UNIT_OF_INDEX,
    UNIT_OF_SHIFT,
    UNIT_OF_VALUE,
    Column,
    Result,
    declare,
    flag,
    number,
    shared_source,
    spectrum,
    text,
    time,
    whole,
)

RESULTS: Final = (
    # Of each session: counts, reflectance, checks.
    declare(
        "scans", "scans/{session}.parquet", "intake", "Every scan and the raw file it stands in",
        "scan role",
        text("file", "raw file, path in the study"),
        text("item", "row, block or sheet of a file of several scans"),
        text("file_sha256", "SHA-256 of the whole raw file"),
        whole("order", "position in the session's sheet, from 0"),
        time("time", "time of the scan, local wall clock"),
        "integration_ms",
        whole("averages", "number of readings averaged"),
        spectrum("counts", "as read from the raw file", "count"),
        key="scan", shown="went-in", sheet="all scans", place=190,
        note="A session that arrives as reflectance has `reflectance` in place of `counts`.",
    ),
    declare(
        "reflectance", "reflectance/{session}.parquet", "reflectance",
        "White and dark of every leaf scan",
        "scan",
        text("reference", "set of white and dark; scans of one set share its uncertainty"),
        text("white_before", "white before the scan"),
        text("white_after", "white after the scan"),
        text("dark_before", "dark before the scan"),
        text("dark_after", "dark after the scan"),
        number("white_after_weight", "share of the white after: 0 before only, 1 after only"),
        spectrum("reflectance", "leaf over white, both above dark, times the panel's reflectance"),
        spectrum("u_scan", "standard uncertainty that differs from scan to scan: light and "
                            "reading out"),
        spectrum("u_reference", "standard uncertainty that scans of one reference share: that of "
                                 "all columns below"),
        spectrum("u_noise", "part of u_reference: noise of darks and whites, independent over "
                             "wavelengths"),
        shared_source("u_drift", "the lamp between whites"),
        shared_source("u_dark", "a dark level as a whole"),
        shared_source("u_stray", "the correction of stray light", optional=True),
        shared_source("u_linearity", "an estimated linearity", optional=True),
        shared_source("u_axis", "an axis put right by a lamp", optional=True),
        shared_source("u_integration", "an integration time", optional=True),
        key="scan", shown="left-out spectra", sheet="references used", place=200,
    ),
    declare(
        "quality", "quality/{session}.parquet", "quality", "What the checks found, scan by scan",
        "scan",
        text("check", "name of the check"),
        text("severity", "fault, outlier or notice"),
        number("value", "what was found", OF_UNIT),
        number("threshold", "limit of the check", OF_UNIT),
        text("unit", "unit of value and threshold"),
        number("wavelength_nm", "where it was found; empty if not at one wavelength", "nm"),
        "sentence",
        key="scan check wavelength_nm sentence", shown="left-out", sheet="quality flags", place=140,
    ),
    declare(
        "signal", "quality/{session}.signal.parquet", "quality",
        "Signal-to-noise of the white reference by wavelength",
        "wavelength_nm",
        number("signal_to_noise", "of the white reference"),
        whole("n_references", "white scans that it rests on"),
        number("noise_at_005", "noise (standard deviation) of a scan at a reflectance of 0.05"),
        number("white", "mean of the whites without fault, less dark; per scan where a time is "
                         "unknown", "count/ms"),
        key="wavelength_nm", shown="range", sheet="signal to noise", place=170,
    ),
    declare(
        "levels", "quality/{session}.levels.parquet", "quality",
        "Level of every scan at four wavelengths, in the order of measuring",
        "scan role",
        whole("place", "place in the order of measuring, from 0"),
        whole("block", "block of references measured together; empty for leaves"),
        number("hours", "time since the first scan of the session", "h"),
        "integration_ms",
        text("digest", "SHA-256 of the raw values"),
        "wavelength_nm",
        number("value", "level of the scan, a mean over 5 nm for references", OF_UNIT),
        text("unit", "1 for reflectance, count or count/ms for references"),
        key="scan wavelength_nm unit", shown="references", sheet="levels", place=180,
    ),
    # Which scans and wavelengths are used.
    declare(
        "accepted", "accepted.csv", "acceptance", "Which leaf scans take part",
        "scan session unit",
        text("leaf", "leaf within its unit"),
        text("replicate", "repeat on the same leaf"),
        flag("accepted", "whether the scan takes part"),
        key="scan", shown="trust went-in left-out spectra", sheet="leaf scans", place=120,
    ),
    declare(
        "exclusions", "exclusions.csv", "acceptance",
        "Exclusions suggested by checks and decided by persons",
        "scan",
        text("rule", "name of the check, or decision"),
        text("suggested", "exclude or keep, as the check suggests"),
        text("applied", "exclude or keep, as was done"),
        text("reason", "why, in words"),
        text("by", "who decided"),
        text("when", "when it was decided, local wall clock"),
        key="scan rule", shown="left-out decisions", sheet="exclusions", place=130,
        saved="left-out",
    ),
    declare(
        "range", "range.json", "acceptance", "The wavelengths that are trusted, and why",
        shown="trust range spectra",
    ),
    declare(
        "session_effects", "session_effects.csv", "acceptance",
        "Shifts between sessions of untreated units, stable tile and references",
        "session",
        text("group", "control (untreated units), check (stable tile), white or dark"),
        *SHIFT,
        number("limit_low", "lower control limit of the stable tile", OF_UNIT),
        number("limit_high", "upper control limit of the stable tile", OF_UNIT),
        UNIT_OF_SHIFT,
        "reason",
        key="session group wavelength_nm",
        shown="session-effects", sheet="session effects", place=150, saved="session-effects",
    ),
    declare(
        "order_effects", "order_effects.csv", "acceptance",
        "Effects of the order of measuring and of the leaf's position",
        "session",
        text("term", "order, leaf_position, white_signal or dark_level"),
        text("position", "leaf position, for the term leaf_position"),
        *SHIFT,
        UNIT_OF_SHIFT,
        "reason",
        key="session term position wavelength_nm",
        shown="order-effects", sheet="order effects", place=160, saved="order-effects",
    ),
    # Indices.
    declare(
        "catalogue", "indices/catalogue.json", "catalogue",
        "Formula, unit and source of every index used", shown="indices",
        sheet="index catalogue", place=210,
    ),
    declare(
        "formulas", "indices/formulas.json", "catalogue", "The formulas of the indices, parsed",
    ),
    declare(
        "visible_indices", "indices/visible.json", "catalogue",
        "The indices in use that read visible light",
    ),
    declare(
        "indices", "indices/{session}.parquet", "indices",
        "Value of every index on every leaf scan, accepted or not",
        "scan index",
        number("value", "value of the index; empty if it could not be taken", OF_INDEX),
        number("u_scan", "standard uncertainty (k = 1), part of the scan alone", OF_INDEX),
        number("u_reference", "standard uncertainty (k = 1), part of white and dark", OF_INDEX),
        number("u_panel", "standard uncertainty (k = 1), part of the panel", OF_INDEX),
        text("status", "ok, outside_range or undefined"),
        key="scan index", sheet="index gaps", place=110,
    ),
    *(
        declare(
            f"validation_{part}", f"validation/{part}.json", "validation",
            f"What is expected of the tables of {part}, and whether it holds",
            role=part, shown="expectations",
        )
        for part in ("scans", "reflectance", "indices")
    ),
    declare(
        "passed", "validation/passed.json", "validation",
        "Whether every expectation holds that stops a study",
    ),
    declare(
        "unit_indices", "unit_indices.csv", "unit_means",
        "Mean of every index on every unit in every session",
        "unit session index",
        number("mean", "mean over leaves of the mean over scans", OF_INDEX),
        number("sd_leaves", "standard deviation of the leaf means; empty with one leaf", OF_INDEX),
        number("u", "standard measurement uncertainty (k = 1) of the mean", OF_INDEX),
        whole("n_leaves", "number of leaves averaged"),
        "n_scans",
        whole("n_excluded", "number of scans left out"),
        key="unit session index", shown="found index-courses", sheet="unit indices", place=50,
    ),
    # The classifier.
    declare(
        "path", "classes/path.csv", "classes", "Accuracy by number of latent variables",
        text("split", "outer or fixed (scans held out), or training"),
        "repeat fold n_components n_scans n_units n_correct accuracy",
        number("balanced_accuracy", "mean over classes of the share named rightly"),
        flag("chosen", "whether the inner folds chose this number"),
        key="split repeat fold n_components", shown="accuracy", sheet="classes path", place=220,
    ),
    declare(
        "predictions", "classes/predictions.csv", "classes",
        "What the classifier said of every scan held out",
        "scan repeat fold unit session true predicted n_components",
        key="scan repeat", sheet="classes predictions", place=230,
        note="After these columns stands `p_CLASS` for each class, its probability.",
        per_class=number("p_{}", "probability given to the class {}"),
    ),
    declare(
        "confusion", "classes/confusion.csv", "classes",
        "Which class is taken for which, by number of latent variables",
        text("split", "which scans: outer or fixed (held out), or training"),
        "n_components true predicted",
        number("n_scans", "number of scans"),
        number("n_units", "number of units"),
        "share_of_true",
        key="split n_components true predicted",
        shown="confusion", sheet="classes confusion", place=240, saved="confusion",
    ),
    declare(
        "spectra_terms", "classes/spectra_terms.parquet", "classes",
        "Weights, loadings, coefficients and importance by wavelength",
        text("term", "weight, loading, coefficient, vip (importance in projection) or "
                      "spectrum_..."),
        whole("component", "latent variable, from 1"),
        text("class", "class, for terms that each class has its own of"),
        "wavelength_nm",
        number("value", "value of the term"),
        number("sd_resample", "its standard deviation over resamples of units"),
        key="term component class wavelength_nm",
        role="terms", shown="which-wavelengths", sheet="classes terms", place=320,
    ),
    declare(
        "permutation", "classes/permutation.csv", "classes", "Accuracy with permuted labels",
        whole("draw", "draw of labels; 0 is as observed"),
        number("accuracy", "accuracy with these labels"),
        key="draw", shown="chance", sheet="classes permutation", place=280,
    ),
    declare(
        "reliability", "classes/reliability.csv", "classes",
        "Probabilities given, and how often they were right",
        number("low", "lower end of the probabilities given"),
        number("high", "upper end of the probabilities given"),
        "n_scans n_units",
        number("mean_probability", "mean of the probabilities given"),
        number("share_right", "share of these named rightly"),
        key="low", shown="sureness", sheet="classes reliability", place=270, saved="sureness",
    ),
    declare(
        "per_class", "classes/per_class.csv", "classes", "Sensitivity and precision of every class",
        text("class", "class"),
        "n_units n_scans",
        number("sensitivity", "share of the class's scans that were named so"),
        number("sensitivity_low", "lower end of its Wilson interval over units"),
        number("sensitivity_high", "upper end of its Wilson interval over units"),
        "ci_level",
        number("n_predicted", "scans named so, mean over repeats"),
        number("precision", "share of the scans named so that are of the class"),
        number("roc_area", "area under the ROC curve of the class against all others"),
        key="class", shown="each-class", sheet="classes per class", place=250, saved="each-class",
    ),
    declare(
        "confused_pairs", "classes/confused_pairs.csv", "classes",
        "Classes taken for each other, and what separates them",
        "true",
        text("predicted", "class it was taken for"),
        whole("rank", "rank of the wavelength for this pair, from 1"),
        number("n_scans", "scans taken so, mean over repeats"),
        "share_of_true",
        number("wavelength_nm", "where the two classes lie far apart", "nm"),
        number("difference", "mean of the units of the true class minus the other's"),
        number("sd_units", "standard deviation among units within the two classes"),
        number("standardised", "difference over standard deviation"),
        key="true predicted rank",
        shown="each-class", sheet="classes confused pairs", place=260, saved="each-class",
    ),
    declare(
        "classes_summary", "classes/summary.json", "classes",
        "The classifier: classes, rules, accuracy with intervals, p",
        role="summary", shown="found accuracy sureness which-wavelengths chance",
        sheet="classes summary", place=330,
    ),
    declare(
        "model", "classes/model.skops", "classes", "The classifier trained on all scans",
    ),
    declare(
        "model_card", "classes/model.json", "classes",
        "What the saved classifier is for, was trained on and can do",
    ),
    # What the treatment changed.
    declare(
        "effects", "effects.csv", "effects",
        "What the treatment changed: every question, index, contrast and method",
        "question index contrast stratum method",
        flag("primary", "whether it is the primary contrast of the study"),
        *CONTRAST,
        whole("n_missing", "units left out, such as those without the pair of sessions"),
        text("covariates", "what the difference is adjusted for, in the order of the model"),
        number("statistic", "test statistic"),
        text("statistic_name", "name of the test statistic"),
        "df",
        number("df2", "second degrees of freedom, of an F"),
        "p",
        number("p_smallest", "smallest p that this design can reach at all"),
        text("family", "tests that were adjusted together"),
        whole("n_family", "number of tests in the family"),
        "p_holm",
        number("p_bh", "p adjusted after Benjamini and Hochberg"),
        number("p_max_t", "p adjusted by the largest |t| under permutation"),
        number("effect_size", "standardised effect size"),
        text("effect_size_name", "which effect size"),
        number("effect_low", "lower end of its confidence interval"),
        number("effect_high", "upper end of its confidence interval"),
        number("percent_change", "estimate over the mean before; after only: over the "
                                  "reference's", "%"),
        number("percent_low", "lower end of its interval (Fieller)", "%"),
        number("percent_high", "upper end of its interval (Fieller)", "%"),
        number("in_u", "estimate over its measurement uncertainty"),
        "n_draws",
        whole("seed", "seed of the arrangements"),
        "verdict",
        text("reason", "why a result is undefined, or which pairs are missing"),
        key="question index contrast stratum method",
        shown="index-courses effects", sheet="effects", place=20, saved="effects",
    ),
    declare(
        "effects_summary", "effects.json", "effects",
        "Findings, plan and assumptions of the tests, in words and numbers",
        shown="found effects holds assumptions", sheet="findings", place=10,
    ),
    declare(
        "group_means", "group_means.csv", "effects",
        "Number, mean and spread of units by treatment and session",
        "index",
        text("treatment", "treatment of the units"),
        "session",
        whole("n_units", "units with an accepted value; empty if units are not known"),
        whole("n_missing", "units of the treatment without one"),
        whole("n_leaves", "number of leaves behind the mean; empty if units are not known"),
        whole("n_scans", "number of accepted scans behind the mean"),
        number("mean", "mean of the unit means", OF_UNIT),
        number("sd", "standard deviation between units (between scans if these are unknown)",
                OF_UNIT),
        number("se", "standard error of the mean", OF_UNIT),
        number("ci_low", "lower end of the confidence interval of the mean (Student)", OF_UNIT),
        number("ci_high", "upper end of the confidence interval of the mean (Student)", OF_UNIT),
        "ci_level",
        UNIT_OF_INDEX,
        key="index treatment session",
        shown="index-courses", sheet="group means", place=60, saved="index-courses",
    ),
    declare(
        "unit_changes", "unit_changes.csv", "effects",
        "Change of every unit, as a test of the change within its group takes it",
        "index session",
        text("treatment", "treatment of the unit"),
        "unit",
        number("before", "mean of the unit means in the sessions before", OF_INDEX),
        number("after", "unit mean in the session", OF_INDEX),
        number("change", "after minus before", OF_INDEX),
        number("u", "standard measurement uncertainty (k = 1) of the change", OF_INDEX),
        key="index session unit", shown="index-courses", sheet="unit changes", place=70,
    ),
    declare(
        "spectrum_effects", "spectrum_effects.csv", "effects",
        "Difference in change of reflectance at every wavelength",
        "contrast wavelength_nm",
        number("estimate", "difference in change of reflectance, within blocks; of reflectance "
                            "itself without a before session"),
        number("low", "lower end of the band, which holds over all rows of the table together"),
        number("high", "upper end of the band, which holds over all rows of the table together"),
        "n_units n_units_reference",
        key="contrast wavelength_nm", shown="whole-spectrum", sheet="spectrum effects", place=80,
    ),
    declare(
        "sensitivity", "sensitivity.csv", "effects",
        "The primary contrasts under other choices than the planned ones",
        "question index contrast method",
        text("variant", "what was done otherwise than planned"),
        text("left_out", "session or unit left out, or the other method"),
        *CONTRAST,
        "p p_holm verdict",
        flag("same_conclusion", "whether the conclusion stays"),
        "reason",
        key="question index contrast method variant left_out",
        shown="found holds", sheet="sensitivity", place=30, saved="holds",
    ),
    declare(
        "variance_components", "variance_components.csv", "effects",
        "Where the variation sits: units, sessions, leaves, scans",
        "index",
        text("component", "unit, unit_x_session, leaf, scan or session"),
        number("variance", "variance of the component", f"square of {OF_UNIT}"),
        number("sd", "its square root", OF_UNIT),
        number("share", "share of all known components but that between sessions"),
        "df",
        whole("n_groups", "number of groups it is estimated from"),
        UNIT_OF_INDEX,
        "reason",
        key="index component",
        shown="variation", sheet="variance components", place=90, saved="variation",
    ),
    declare(
        "power", "power.csv", "effects", "What a next study would find",
        "index",
        text("session", "after-session that the next study aims at"),
        whole("n_units", "units in each of two groups; empty if the scatter is not known"),
        whole("n_leaves", "leaves of a unit in a session"),
        whole("n_scans", "scans of a leaf"),
        number("sd_residual", "standard deviation between units that the linear model leaves",
                OF_UNIT),
        number("residual_df", "degrees of freedom that this study estimates it with"),
        text("covariates", "what the planned difference is adjusted for"),
        number("df", "residual degrees of freedom of the planned study"),
        number("alpha", "level of the two-sided test"),
        number("power", "power at which the detectable difference is told"),
        number("detectable", "difference between treatments that is found with this power",
                OF_UNIT),
        number("power_simulated", "share of simulated studies that found it"),
        number("margin", "smallest difference that would matter, as the study states it", OF_UNIT),
        number("power_at_margin", "power at that margin"),
        UNIT_OF_INDEX,
        text("reason", "why the scatter is not known, or what it rests on"),
        key="index session n_units n_leaves n_scans",
        shown="detectable", sheet="power", place=100, saved="detectable",
    ),
    # Assays, calibrated indices and chromatograms, where the study has any.
    declare(
        "pigment_contents", "pigments/contents.csv", "pigments",
        "Contents of the leaves that were assayed",
        whole("row", "row in the sheet of assays"),
        "unit session",
        text("leaf", "leaf within its unit"),
        text("extract", "tells several extracts of a leaf apart"),
        QUANTITY,
        number("value", "content, or ratio of two", OF_VALUE),
        number("u", "standard uncertainty, from those of absorbance, volume, dilution and area or "
                     "mass; empty if one of these is not stated", OF_VALUE),
        UNIT_OF_VALUE,
        text("equation", "published set of equations; empty for a content that was handed in"),
        text("method", "method in the person's own words"),
        flag("used", "whether it takes part in a calibration"),
        text("reason", "why it does not"),
        text("remark", "what should be known of it"),
        key="row quantity unit_of_value", shown="pigment-contents", sheet="pigment contents",
        saved="pigment-contents",
    ),
    declare(
        "pigment_calibrations", "pigments/calibrations.csv", "pigments",
        "Every index calibrated to every assay, by the error of units left out",
        QUANTITY, UNIT_OF_VALUE, "index",
        text("form", "linear, quadratic or power"),
        "n_units",
        whole("n_leaves", "leaves that were assayed and have the index"),
        number("b0", "content = b0 + b1 index + b2 index^2; of a power exp(b0) index^b1"),
        number("b1", "second coefficient"),
        number("b2", "third coefficient, of a quadratic form"),
        number("rmse_cv", "root mean square error of units left out in turn", OF_VALUE),
        number("bias_cv", "mean error of units left out: estimated minus assayed", OF_VALUE),
        number("r2_cv", "share of the spread of units left out that is predicted"),
        number("sd_leaf", "standard deviation of a leaf of a new unit about the curve; of the "
                           "natural logarithm for a power"),
        "df",
        number("range_low", "lowest index of an assayed leaf: no estimate below", OF_INDEX),
        number("range_high", "highest index of an assayed leaf: no estimate above", OF_INDEX),
        number("york_intercept", "intercept of the line with errors in both variables (York)",
                OF_VALUE),
        number("york_slope", "its slope"),
        number("u_york_intercept", "standard uncertainty of the intercept", OF_VALUE),
        number("u_york_slope", "standard uncertainty of the slope"),
        number("york_chi_square", "weighted sum of squared distances; far above york_df the "
                                   "leaves scatter more than their uncertainties explain"),
        whole("york_df", "its degrees of freedom: leaves less two"),
        flag("best_form", "whether this form has the smallest error for this index"),
        flag("chosen", "whether estimates are made by it"),
        number("rmse_nested", "error of units left out when index and form are chosen anew "
                               "without each; of the chosen one", OF_VALUE),
        whole("n_tried", "indices it was chosen from"),
        "reason",
        key="quantity unit_of_value index form", shown="pigment-calibration",
        sheet="pigment calibrations", saved="pigment-calibration",
    ),
    declare(
        "pigment_estimates", "pigments/estimates.csv", "pigments",
        "Estimated content of every leaf in the range of the calibration",
        "unit session",
        text("leaf", "leaf within its unit"),
        QUANTITY, UNIT_OF_VALUE, "index",
        number("index_value", "mean of the index over the accepted scans of the leaf", OF_INDEX),
        number("estimate", "estimated content; empty outside the range", OF_VALUE),
        number("estimate_low", "lower end of the interval for the leaf", OF_VALUE),
        number("estimate_high", "upper end of the interval for the leaf", OF_VALUE),
        number("interval_level", "level of the interval"),
        flag("in_range", "whether the index lies in the range of the assayed leaves"),
        flag("assayed", "whether the leaf itself took part in the calibration"),
        "reason",
        key="unit session leaf quantity unit_of_value", shown="pigment-calibration",
        sheet="pigment estimates", saved="pigment-calibration",
    ),
    declare(
        "chromatogram_spots", "pigments/chromatograms.csv", "pigments",
        "Rf of every spot, and the pigments it may be by colour and order",
        text("strip", "name of the strip"),
        whole("order_from_front", "place of the spot counted from the solvent front"),
        "unit session",
        text("system", "support and solvent, as stated"),
        text("colour", "colour of the spot, as stated"),
        number("spot_mm", "distance of the middle of the spot from the start line", "mm"),
        number("front_mm", "distance of the solvent front from the start line", "mm"),
        number("rf", "spot_mm over front_mm"),
        number("u_rf", "its standard uncertainty; empty if none of the distances is stated"),
        text("candidates", "pigments that it may be; several: ambiguous"),
        text("table_rf", "their Rf in the table of the system"),
        flag("ambiguous", "whether more than one remains"),
        text("source", "where the table is from, and how far it was verified"),
        "reason",
        key="strip order_from_front", shown="chromatograms", sheet="chromatograms",
        saved="chromatograms",
    ),
    declare(
        "strip_profiles", "pigments/strip_profiles.csv", "pigments",
        "Density along the lanes of photographed strips",
        text("strip", "name of the strip"),
        number("distance_mm", "distance from the start line; negative below it", "mm"),
        number("rf", "distance over that of the front"),
        number("density", "optical density of the lane, mean of the three channels"),
        number("density_red", "of red light"),
        number("density_green", "of green light"),
        number("density_blue", "of blue light"),
        key="strip distance_mm", shown="chromatograms", sheet="strip profiles",
        saved="chromatograms",
    ),
    declare(
        "pigments_summary", "pigments/pigments.json", "pigments",
        "Sentences, equations and cautions", shown="pigment-calibration chromatograms",
    ),
    # Contents by inversion of a leaf model, where the study asks for them.
    declare(
        "leaf_model_scans", "leaf_model/scans.csv", "leaf_model",
        "Contents of every accepted scan by the leaf model",
        "scan unit session",
        text("leaf", "leaf within its unit"),
        MODEL_QUANTITY,
        number("value", "estimate of highest posterior density", OF_VALUE),
        number("u", "standard uncertainty: posterior, with what wavelengths share", OF_VALUE),
        *MODEL_INTERVAL,
        MODEL_UNIT,
        number("prior_share", "posterior over prior variance; 1: the spectrum adds nothing"),
        number("misfit", "root mean squared residual of the scan (reflectance)"),
        flag("fits", "whether the model describes the scan"),
        "reason",
        key="scan quantity", shown="leaf-model", sheet="leaf model scans", saved="leaf-model",
    ),
    declare(
        "leaf_model_units", "leaf_model/units.csv", "leaf_model",
        "Contents of every unit in every session by the leaf model",
        "unit session",
        MODEL_QUANTITY,
        MODEL_UNIT,
        number("value", "mean of the leaves, each the mean of its scans that fit", OF_VALUE),
        number("u", "mean of their standard uncertainties: a model errs in all alike", OF_VALUE),
        *MODEL_INTERVAL,
        number("sd_leaves", "standard deviation between the leaves", OF_VALUE),
        number("prior_share", "mean of posterior over prior variance"),
        whole("n_leaves", "leaves with a scan that fits"),
        whole("n_scans", "scans that fit"),
        whole("n_unfit", "accepted scans that the model does not describe"),
        "reason",
        key="unit session quantity", shown="leaf-model", sheet="leaf model units",
        saved="leaf-model",
    ),
    declare(
        "leaf_model_residuals", "leaf_model/residuals.parquet", "leaf_model",
        "Fitted and residual spectrum of every accepted scan",
        "scan session",
        spectrum("fitted", "reflectance of the fitted leaf, with the gloss"),
        spectrum("residual", "measured less fitted reflectance"),
        key="scan", shown="leaf-model",
    ),
    declare(
        "leaf_model_summary", "leaf_model/leaf_model.json", "leaf_model",
        "Sentences, priors and range of the leaf model", shown="leaf-model",
    ),
    # Traits estimated from whole spectra, where the study asks for any.
    declare(
        "trait_predictions", "traits/predictions.csv", "traits",
        "Every leaf with a known trait, estimated by models that did not see its unit",
        TARGET, "repeat fold unit session",
        text("leaf", "leaf within its unit"),
        number("value", "measured or assayed", OF_VALUE),
        number("u", "its standard uncertainty; empty if not stated", OF_VALUE),
        number("estimate", "by the model of the outer fold that holds the unit out", OF_VALUE),
        UNIT_OF_VALUE,
        text("preprocessing", "chosen inside the fold"),
        "n_components",
        key="target repeat unit session leaf", shown="trait-models", sheet="trait predictions",
    ),
    declare(
        "trait_path", "traits/path.csv", "traits",
        "Error of units left out by preprocessing and number of latent variables",
        TARGET,
        text("preprocessing", "what is done to spectra first"),
        "n_components",
        number("rmse", "root mean square over units of the error in the outer folds", OF_VALUE),
        number("rmse_fit", "the same on the leaves that trained the model of all", OF_VALUE),
        flag("chosen", "whether the model of all leaves uses it"),
        key="target preprocessing n_components", shown="trait-models", sheet="trait path",
    ),
    declare(
        "trait_measures", "traits/measures.csv", "traits",
        "How well each trait is estimated on units left out",
        TARGET, UNIT_OF_VALUE,
        text("measure", "rmsep, rmsep_without_assay, bias, slope, r2, rpd, rpiq, or rmsep_sessions "
                        "(session and unit left out)"),
        number("estimate", "value of the measure", OF_VALUE),
        number("ci_low", "lower end of its interval over units", OF_VALUE),
        number("ci_high", "upper end of its interval over units", OF_VALUE),
        "ci_level n_units",
        whole("n_leaves", "leaves with a known trait"),
        "reason",
        key="target measure", shown="trait-models", sheet="trait measures", saved="trait-models",
    ),
    declare(
        "trait_rivals", "traits/rivals.csv", "traits",
        "The model of the spectrum beside simpler and other procedures, on the same splits",
        TARGET, "procedure n_units",
        number("rmsep", "root mean square over units of the error on units left out", OF_VALUE),
        number("difference", "rmsep minus that of partial least squares", OF_VALUE),
        number("difference_low", "lower end of its interval over units", OF_VALUE),
        number("difference_high", "upper end of its interval over units", OF_VALUE),
        "ci_level",
        UNIT_OF_VALUE,
        "sentence",
        key="target procedure", shown="trait-models", sheet="trait rivals", saved="trait-models",
    ),
    declare(
        "trait_permutation", "traits/permutation.csv", "traits",
        "Error when values are exchanged between units",
        TARGET,
        whole("draw", "number of the draw, from 0"),
        number("rmsep", "error of units left out", OF_VALUE),
        key="target draw", sheet="trait permutation",
    ),
    declare(
        "trait_terms", "traits/terms.parquet", "traits",
        "What the model of all leaves rests on, wavelength by wavelength",
        TARGET,
        text("term", "coefficient, importance or loading"),
        whole("component", "latent variable of a loading, from 1; 0 for the others"),
        number("wavelength_nm", "wavelength in air", "nm"),
        number("value", "of spectra after preprocessing"),
        number("sd", "standard deviation over the models of the outer folds, scaled as a jackknife "
                     "over units"),
        key="target term component wavelength_nm", shown="trait-models", sheet="trait terms",
    ),
    declare(
        "trait_estimates", "traits/estimates.csv", "traits",
        "Estimated trait of every leaf, never by a model that saw its unit",
        TARGET, "unit session",
        text("leaf", "leaf within its unit"),
        number("estimate", "estimated trait of the leaf", OF_VALUE),
        number("estimate_low", "lower end of the interval for the leaf", OF_VALUE),
        number("estimate_high", "upper end of the interval for the leaf", OF_VALUE),
        number("interval_level", "level of the interval"),
        UNIT_OF_VALUE,
        text("model", "all: no leaf of the unit is known; without its unit: a model of the others"),
        flag("assayed", "whether the trait of this leaf is known"),
        flag("inside", "whether the spectrum is like those that the model was trained on"),
        "reason",
        key="target unit session leaf", shown="trait-models", sheet="trait estimates",
        saved="trait-models",
    ),
    declare(
        "trait_unit_means", "traits/unit_means.csv", "traits",
        "Estimated traits averaged over the leaves of every unit, and by models without some units",
        TARGET,
        whole("refit", "0: every unit by a model that did not see it; else the model of all leaves "
                       "but those of this outer fold"),
        "unit session",
        number("mean", "mean of the estimates of its leaves", OF_VALUE),
        whole("n_leaves", "leaves averaged"),
        UNIT_OF_VALUE,
        key="target refit unit session", sheet="trait unit means",
    ),
    declare(
        "trait_effects", "traits/effects.csv", "trait_effects",
        "Tests of the treatment on estimated traits",
        TARGET, "question contrast stratum method",
        number("estimate", "estimate of the contrast", OF_VALUE),
        number("ci_low", "lower end of the interval, the calibration's uncertainty in it",
                OF_VALUE),
        number("ci_high", "upper end of the interval, the calibration's uncertainty in it",
                OF_VALUE),
        number("ci_low_test", "lower end of the interval of the test by itself", OF_VALUE),
        number("ci_high_test", "upper end of the interval of the test by itself", OF_VALUE),
        number("u_calibration", "standard uncertainty of the estimate that comes from the trait "
                                "model: jackknife over its outer folds", OF_VALUE),
        "ci_level",
        UNIT_OF_VALUE,
        "n_units n_units_reference df p",
        text("family", "family of tests within which p is adjusted"),
        "p_holm verdict",
        number("rmsep", "error of the trait model on units left out", OF_VALUE),
        whole("n_leaves_assayed", "leaves whose trait is known"),
        whole("n_units_assayed", "units of these leaves"),
        "sentence",
        key="target question contrast stratum method", shown="trait-effects",
        sheet="trait effects", saved="trait-effects",
    ),
    declare(
        "traits_summary", "traits/traits.json", "traits",
        "Sentences, choices and figures of the trait models", shown="trait-models",
    ),
    declare(
        "trait_models", "traits/models/", "traits",
        "A saved model and its card for each trait",
    ),
    # The classifier beside simpler procedures and other questions.
    declare(
        "rivals", "classes/rivals.csv", "rivals", "Accuracy of simpler procedures, split by split",
        "procedure repeat fold n_correct n_scans accuracy",
        key="procedure repeat fold", shown="rivals", sheet="classes rivals", place=290,
    ),
    declare(
        "comparison", "classes/comparison.csv", "rivals",
        "The classifier beside simpler procedures, by units",
        "procedure n_units",
        number("accuracy", "share of the scans named rightly, mean over repeats"),
        number("wilson_low", "lower end of its Wilson interval over units"),
        number("wilson_high", "upper end of its Wilson interval over units"),
        number("difference", "accuracy minus that of the classifier"),
        number("difference_low", "lower end of its interval over units"),
        number("difference_high", "upper end of its interval over units"),
        "ci_level",
        number("margin", "accuracy that may lie behind and still count as good"),
        flag("better", "whether the whole interval lies above zero"),
        flag("as_good", "whether the whole interval lies above minus the margin"),
        "n_scans",
        whole("n_units_all", "units of the study, of which these may be a sample"),
        whole("n_scans_all", "scans of the study"),
        "sentence",
        key="procedure", shown="rivals", sheet="classes comparison", place=300, saved="rivals",
    ),
    declare(
        "questions", "classes/questions.csv", "negative_controls",
        "How well session and block can be told from the spectra",
        text("asked", "what the spectra were asked for"),
        whole("n_classes", "number of classes"),
        "n_units n_scans accuracy",
        number("majority_accuracy", "accuracy of always naming the largest class"),
        "p n_draws",
        text("permuted_within", "what labels were exchanged within"),
        "sentence reason",
        key="asked",
        shown="day-or-treatment", sheet="classes questions", place=310, saved="day-or-treatment",
    ),
    # Made of the book of runs before the report; then the report itself.
    declare(
        "variants", "variants.csv", "variants",
        "The primary effects and the accuracy under other settings of the study",
        text("variant", "name of the set of settings"),
        "question index contrast stratum method",
        text("settings", "what it sets otherwise than the study as stated"),
        *CONTRAST,
        "p verdict reason",
        number("accuracy", "share of scans named rightly by the classifier"),
        number("accuracy_low", "lower end of its interval"),
        number("accuracy_high", "upper end of its interval"),
        text("effects_sha256", "SHA-256 of the effects that the row was taken from"),
        text("classes_sha256", "SHA-256 of the summary of the classes"),
        text("inputs_sha256", "SHA-256 over all that the effects and the classifier read"),
        key="variant question index contrast stratum method",
        shown="variants", sheet="variants", place=40, saved="variants",
        note="Written by `leafledger run --variants`.",
    ),
    declare(
        "plan_history", "plan_history.json", "plan_history",
        "When the plan was recorded, as the book of runs has it", shown="plan",
    ),
    declare("report", "report.html", "report", "The page for a person"),
    declare("figures", "figures/", "report", "The figures of the page, each as a file"),
    declare("tables", "tables.xlsx", "report", "Every table in one workbook"),
    declare("answer", "answer.json", "report", "The answer of the page, in words"),
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
UNIT_CHANGES: Final = names_of("unit_changes")
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
    return (BY_ROW.get(declared.unit, declared.unit), declared.meaning) if declared else ("", "")


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
    return declared or (COMMON["session"] if column == "session" else None)

"""Column names of every table, in order: the contract between the stages.

Units: wavelengths in nm (air), reflectance a fraction, ``u_*`` standard uncertainties (k = 1).
"""

from __future__ import annotations

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
SIGNAL = ("wavelength_nm", "signal_to_noise", "n_references")
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
RIVALS = ("procedure", "repeat", "fold", "n_correct", "n_scans", "accuracy")

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
        "family",
        "effect_size_name",
        "verdict",
        "split",
        "true",
        "predicted",
        "term",
        "class",
        "procedure",
    }
)
FLAGS = frozenset({"accepted", "primary", "chosen"})
"""Columns of text, and columns of ``true`` or ``false``, wherever they occur in a CSV."""

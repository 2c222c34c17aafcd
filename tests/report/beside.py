"""Tables that stand beside the effects and the classes, small enough to be worked by hand."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd

from leafledger.study import tables as registry
from leafledger.study.table_files import write_csv, write_json

from . import tables

CONTRAST = "(day4-day0)@chelate-water"


def variant(kind: str, left_out: str, estimate: float | None, *, same: bool = True, **more: Any):
    half = None if estimate is None else 0.02
    return {
        "question": "difference_in_change", "index": "CI_rededge", "contrast": CONTRAST,
        "method": "linear_model", "variant": kind, "left_out": left_out, "estimate": estimate,
        "ci_low": None if half is None else estimate - half,
        "ci_high": None if half is None else estimate + half, "ci_level": 0.95, "unit": "1",
        "n_units": 6, "n_units_reference": 6, "p": 0.01, "p_holm": 0.01,
        "verdict": "significant" if same else "not_significant", "same_conclusion": same,
        "reason": "", **more,
    }  # fmt: skip


def add(made: tables.Made, units: list[str]) -> None:
    """Write what the stages write beside the tables of :mod:`tables`."""
    _held(made, units)
    _summary(made, units)
    _next(made)
    _effects(made)
    _classes(made)


def _held(made: tables.Made, units: list[str]) -> None:
    rows = [
        variant("as_planned", "", 0.05),
        variant("every_scan", "", 0.051),
        variant("without_session", "day0", None, same=False, reason="no before session is left"),
        *(variant("without_unit", u, 0.05 + 0.001 * i, same=u != "p03")
          for i, u in enumerate(units)),
        variant("other_method", "ancova", 0.049),
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(registry.SENSITIVITY))
    write_csv(made.place("sensitivity", "sensitivity.csv"), frame, registry.SENSITIVITY)


def _summary(made: tables.Made, units: list[str]) -> None:
    path = made.inputs["effects_summary"]
    told = json.loads(path.read_text(encoding="utf-8"))
    told |= {
        "alpha": 0.05,
        "onset": [
            {"index": "CI_rededge", "sentence": "CI_rededge, chelate against water: shown from "
             "day4 on."}
        ],
        "robustness": [
            f"CI_rededge, {CONTRAST}: the conclusion is significant; it changes without p03, one "
            "at a time; it stays by the method ancova (p = 1.4e-08)."
        ],
        "assumptions": [
            {
                "index": "CI_rededge", "contrast": CONTRAST, "variance_ratio": 3.61,
                "influential": ["p03"],
                "residuals": [
                    {"unit": u, "treatment": ("chelate", "water")[i % 2], "fitted": 0.1,
                     "residual": 0.01 * (i - 5), "standardised": 4.2 if u == "p02" else 0.3}
                    for i, u in enumerate(units)
                ],
            }
        ],
        "families": [
            {"family": "change, signed_rank", "n_tests": 4, "n_defined": 4,
             "p_holm_smallest": 0.125, "p_max_t_smallest": None, "max_t_draws": None},
            {"family": "difference_in_change, welch_t", "n_tests": 3, "n_defined": 3,
             "p_holm_smallest": None, "p_max_t_smallest": 0.002, "max_t_draws": 499},
        ],
    }  # fmt: skip
    write_json(path, told)


def _next(made: tables.Made) -> None:
    parts = {"unit": 4.0, "unit_x_session": 1.0, "leaf": 3.0, "scan": 2.0, "session": 1.5}
    rows = [
        {"index": index, "component": name, "variance": v, "sd": np.sqrt(v),
         "share": np.nan if name == "session" else v / 10.0, "df": 5, "n_groups": 6, "unit": "1",
         "reason": "growth and drift together" if name == "session" else ""}
        for index in ("CI_rededge", "NDVI")
        for name, v in parts.items()
    ]  # fmt: skip
    write_csv(
        made.place("variance_components", "variance_components.csv"),
        pd.DataFrame(rows, columns=list(registry.VARIANCE_COMPONENTS)),
        registry.VARIANCE_COMPONENTS,
    )
    designs = [
        {"index": index, "session": "day4", "n_units": n, "n_leaves": k, "n_scans": s,
         "sd_residual": 1.0 / k, "residual_df": 9, "covariates": "value before, block",
         "df": 2.0 * n - 3,
         "reason": "the variance of chelate is 3 times that of water: one for both is taken here",
         "alpha": 0.05, "power": 0.8, "detectable": 1.0 / (n * k * s),
         "power_simulated": 0.79, "margin": 0.05 if index == "CI_rededge" else np.nan,
         "power_at_margin": 0.62 if index == "CI_rededge" else np.nan, "unit": "1"}
        for index in ("CI_rededge", "NDVI") for n in (4, 8) for k in (1, 3) for s in (1, 2)
    ]  # fmt: skip
    designs.append(
        {"index": "WI", "session": "day4", "unit": "1",
         "reason": "2 units are too few for the 2 coefficients of the model"}
    )  # fmt: skip
    groups = [
        {"index": index, "treatment": level, "session": day, "n_units": 5, "n_missing": 1,
         "n_scans": 10, "mean": 3.25, "sd": 0.75, "se": 0.34, "ci_low": 2.3, "ci_high": 4.2,
         "ci_level": 0.95, "unit": "1"}
        for index in ("CI_rededge", "NDVI") for level in ("chelate", "water")
        for day in ("day0", "day4")
    ]  # fmt: skip
    write_csv(
        made.place("group_means", "group_means.csv"),
        pd.DataFrame(groups, columns=list(registry.GROUP_MEANS)),
        registry.GROUP_MEANS,
    )
    write_csv(
        made.place("power", "power.csv"),
        pd.DataFrame(designs, columns=list(registry.POWER)),
        registry.POWER,
    )


def _effects(made: tables.Made) -> None:
    """Add a row of every other kind: F rows have no estimate, slopes are per day."""
    frame = made.effects
    base = frame[frame["method"] == "linear_model"].iloc[0].to_dict() | {
        "primary": False, "p_max_t": 0.0123, "percent_change": np.nan,
    }  # fmt: skip
    none = dict.fromkeys(("estimate", "ci_low", "ci_high", "ci_level", "effect_size", "effect_low",
                          "effect_high"), np.nan)  # fmt: skip
    f_test = {**none, "statistic_name": "F", "statistic": 3.21, "df": 3.0, "df2": 54.1,
              "effect_size_name": ""}  # fmt: skip
    more = [
        {"method": "ancova"},
        {"method": "interaction_f", "stratum": "cultivar", **f_test},
        {"method": "linear_model", "stratum": "cultivar=Kestrel"},
        {"question": "course", "method": "summary_slope", "unit": "1/day",
         "contrast": "(slope)@chelate-water"},
        {"question": "course", "method": "mixed_model_f", "contrast": "treatment x session",
         **f_test},
        {"question": "trend", "method": "linear_trend", "contrast": "(day4-day0)/dose"},
    ]  # fmt: skip
    rows = pd.DataFrame([{**base, **row} for row in more], columns=list(registry.EFFECTS))
    whole = pd.concat([frame, rows]).sort_values(list(registry.EFFECTS_KEY))
    made.effects = whole
    write_csv(made.inputs["effects"], whole, registry.EFFECTS)


def _classes(made: tables.Made) -> None:
    def put(role: str, names: tuple[str, ...], rows: list[tuple[Any, ...]]) -> None:
        frame = pd.DataFrame(rows, columns=list(names))
        write_csv(made.place(f"classes_{role}", f"classes/{role}.csv"), frame, names)

    put("per_class", registry.PER_CLASS, [
        ("Dunlin", 3, 9, 0.777, 0.3, 0.95, 0.95, 8.0, 0.875, 0.91),
        ("Kestrel", 3, 9, 0.0, 0.0, 0.56, 0.95, 0.0, np.nan, 0.4),
    ])  # fmt: skip
    put("reliability", registry.RELIABILITY, [
        (0.3, 0.4, 20, 6, 0.36, 0.35), (0.8, 0.9, 7, 4, 0.84, 0.71),
    ])  # fmt: skip
    put("confused_pairs", registry.CONFUSED_PAIRS, [
        ("Dunlin", "Kestrel", 1, 2.0, 0.22, 705.0, 0.01, 0.004, 2.5),
        ("Dunlin", "Kestrel", 2, 2.0, 0.22, 553.0, -0.01, 0.005, -2.0),
        ("Kestrel", "Dunlin", 1, 6.5, 0.72, 705.0, -0.01, 0.004, -2.5),
    ])  # fmt: skip
    put("comparison", registry.COMPARISON, [
        ("discriminant_model", 6, 0.5, 0.2, 0.8, *3 * (np.nan,), 0.95, 0.05, "", "", 18, 6, 18, ""),
        ("index_logistic_regression", 6, 0.52, 0.2, 0.8, 0.02, -0.04, 0.14, 0.95, 0.05, False, True,
         18, 6, 18, "As good."),
        ("majority_class", 6, 0.25, 0.1, 0.6, -0.25, -0.5, -0.1, 0.95, 0.05, False, False,
         18, 6, 18, "Worse."),
        ("nearest_class_mean", 6, 0.45, 0.1, 0.7, -0.05, -0.2, 0.1, 0.95, 0.05, False, False,
         18, 6, 18, "Cannot be told."),
        ("random_forest", 6, 0.7, 0.3, 0.9, 0.2, 0.04, 0.3, 0.95, 0.05, True, True,
         18, 6, 18, "A random forest does better. Use it so."),
    ])  # fmt: skip
    put("questions", registry.QUESTIONS, [
        ("block", np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, 0, "",
         "The block was not asked for: the design has no two blocks.",
         "the design has no two blocks"),
        ("session", 2, 6, 18, 0.97, 0.5, 0.05, 19, "unit",
         "Asked for the session, the same procedure names 97 % of the scans rightly.", ""),
        ("target", 2, 6, 18, 0.49, 0.5, 0.4, 19, "block",
         "Asked for the cultivar, the same procedure names 49 % of the scans rightly.", ""),
    ])  # fmt: skip
    path = made.inputs["classes_summary"]
    told = json.loads(path.read_text(encoding="utf-8"))
    told |= {
        "stable_components": 1, "max_components": 2, "n_components": 2, "brier": 0.61,
        "brier_of_class_shares": 0.75, "stable_rule": "those of a median cosine of at least 0.9",
        "components": [
            {"component": 1, "words": "compares near-infrared with visible", "cosine": 0.99,
             "spectra_explained": 0.71, "membership_explained": 0.09, "noise": False},
            {"component": 2, "words": "noise, not to be read", "cosine": 0.5,
             "spectra_explained": 0.2, "membership_explained": 0.01, "noise": True},
        ],
    }  # fmt: skip
    write_json(path, told)

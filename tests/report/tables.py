"""A small invented study's tables, made exactly as the contract has them, to draw a page.

The numbers are invented and serve the page only; the statistics beside them are simple and true to
the numbers (means, t intervals), so that the page can be checked against them.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from scipy import stats

from leafledger.records.record import Job
from leafledger.study import tables
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra

INDICES = ("NDVI", "PRI", "CI_rededge", "ND705", "MTCI", "REP_linear", "CI_green", "ARI1", "CRI1",
           "PSRI", "SIPI", "WI")  # fmt: skip
METHODS = ("paired_t", "signed_rank", "linear_model")


@dataclass(frozen=True)
class Plan:
    """What kind of study to make."""

    title: str = "Iron chelate on chlorotic soybean seedlings"
    question: str = "Does one foliar iron-chelate spray raise chlorophyll within 12 days?"
    treatments: tuple[str, str] = ("chelate", "water")
    cultivars: tuple[str, ...] = ("Kestrel", "Dunlin", "Plover", "Avocet")
    sessions: tuple[str, ...] = ("day0", "day4", "day8", "day12")
    n_units: int = 24
    n_leaves: int = 3
    indices: tuple[str, ...] = INDICES
    classes: bool = True
    effects: bool = True
    references: bool = True
    unit_word: str | None = "plant"
    reason: str = "room light on: clip open"
    max_components: int = 10
    repeats: int = 4
    figures: tuple[str, ...] = ("svg",)
    n_faults: int = 1
    n_outliers: int = 1
    n_primary: int = 1
    lone_control: bool = False


BARE = Plan(
    sessions=("all",), effects=False, references=False, unit_word=None, n_units=30, n_leaves=1
)


@dataclass
class Made:
    """A study on disk."""

    folder: Path
    plan: Plan
    inputs: dict[str, Path] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    effects: pd.DataFrame | None = None

    def job(self) -> Job:
        out = self.folder / "results"
        return Job(
            rule="report",
            session=None,
            settings=self.settings,
            inputs=self.inputs,
            outputs={
                "report": out / "report.html",
                "figures": out / "figures",
                "tables": out / "tables.xlsx",
                "answer": out / "answer.json",
            },
            folder=self.folder,
        )

    def place(self, role: str, path: str) -> Path:
        self.inputs[role] = self.folder / "results" / path
        return self.inputs[role]


def make(folder: Path, plan: Plan | None = None) -> Made:
    plan = plan or Plan()
    made = Made(folder, plan)
    rng = np.random.default_rng(7)
    units = _units(plan)
    scans = _scans(plan, units)
    wavelength = np.arange(400.0, 1001.0)
    made.settings = {
        "title": plan.title,
        "question": plan.question,
        "design": {
            "unit": plan.unit_word,
            "treatment": "treatment",
            "control": plan.treatments[1],
            "block": "block",
            "factors": ["cultivar"],
            "sessions": [
                {
                    "session": s,
                    "date": str(dt.date(2026, 5, 4) + dt.timedelta(days=4 * i))
                    if len(plan.sessions) > 1
                    else None,
                    "phase": "before" if i == 0 and len(plan.sessions) > 1 else "after",
                }
                for i, s in enumerate(plan.sessions)
            ],
        },
        "units": units,
        "report": {"language": "en", "figures": list(plan.figures)},
    }
    _measured(made, scans, units, wavelength, rng)
    _judged(made, scans)
    _validation(made)
    unit_means = _indices(made, scans, units, rng)
    _effects(made, unit_means, units, wavelength)
    if plan.classes:
        _classes(made, scans, units, wavelength, rng)
    _records(made)
    return made


def _units(plan: Plan) -> dict[str, dict[str, str]]:
    return {
        f"p{i + 1:02d}": {
            "treatment": plan.treatments[i % 2],
            "block": "AB"[(i // 2) % 2],
            "cultivar": plan.cultivars[(i // 4) % len(plan.cultivars)],
        }
        for i in range(plan.n_units)
    }


def _scans(plan: Plan, units: dict[str, dict[str, str]]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"scan": f"d{i}-{unit}-{leaf}", "session": s, "unit": unit, "leaf": str(leaf),
             "replicate": "1"}
            for i, s in enumerate(plan.sessions)
            for unit in units
            for leaf in range(1, plan.n_leaves + 1)
        ]
    )  # fmt: skip


def leaf(wavelength: np.ndarray, chlorophyll: float, water: float) -> np.ndarray:
    """A curve with a green peak, a red well, a red edge and a water dip; no leaf model."""
    edge = 0.46 / (1 + np.exp(-(wavelength - 706 - 0.5 * chlorophyll) / 13))
    green = 0.16 * np.exp(-(((wavelength - 551) / 32) ** 2)) * 20 / (12 + chlorophyll)
    dip = water * np.exp(-(((wavelength - 972) / 20) ** 2))
    return 0.045 + edge + green - dip


def _measured(
    made: Made, scans: pd.DataFrame, units: Any, wavelength: np.ndarray, rng: Any
) -> None:
    plan = made.plan
    for number, session in enumerate(plan.sessions):
        part = scans[scans["session"] == session]
        names = list(part["scan"])
        roles = ["sample"] * len(names)
        if plan.references:
            names = [*names, *(f"d{number}-white-{k}" for k in range(6)), f"d{number}-dark-1"]
            roles += ["white"] * 6 + ["dark"]
        n = len(names)
        rows = pa.table(
            {
                "scan": names,
                "role": pa.array(roles).dictionary_encode(),
                "file": [f"raw/{session}/{name}.txt" for name in names],
                "item": [""] * n,
                "file_sha256": [hashlib.sha256(name.encode()).hexdigest() for name in names],
                "order": pa.array(range(n), pa.int32()),
                "time": pa.array([None] * n, pa.timestamp("ms")),
                "integration_ms": pa.array([12.0 if r == "white" else 18.0 for r in roles]
                                           if plan.references else [None] * n, pa.float64()),
                "averages": pa.array([10] * n, pa.int32()),
            }
        )  # fmt: skip
        counts = np.full((n, len(wavelength)), 1000.0)
        write_spectra(
            made.place(f"scans/{session}", f"scans/{session}.parquet"),
            rows,
            wavelength,
            {"counts" if plan.references else "reflectance": counts},
            {
                "quantity": "counts" if plan.references else "reflectance",
                "full_scale_counts": 65535 if plan.references else None,
            },
        )
        spectra = np.array([_one(plan, units[u], number, wavelength, rng) for u in part["unit"]])
        flat = np.full(spectra.shape, 0.002 if plan.references else 0.0)
        kept = pa.table(
            {"scan": list(part["scan"]), "reference": ["r1"] * len(part)}
            | {c: pa.array([None] * len(part), pa.string()) for c in tables.REFLECTANCE[2:6]}
            | {"white_after_weight": pa.array([None] * len(part), pa.float64())}
        )
        write_spectra(
            made.place(f"reflectance/{session}", f"reflectance/{session}.parquet"),
            kept,
            wavelength,
            {"reflectance": spectra, "u_scan": flat, "u_reference": flat},
            {
                "panel_u_relative": 0.005,
                "has_references": plan.references,
                "u": "known" if plan.references else "unknown",
                "full_scale_counts": None,
                "smoothing": "none",
            },
        )


def _one(plan: Plan, labels: Any, number: int, wavelength: np.ndarray, rng: Any) -> np.ndarray:
    gain = number * 2.2 if labels["treatment"] == plan.treatments[0] else -0.3 * number
    cultivar = 2.5 * plan.cultivars.index(labels["cultivar"]) - 3
    curve = leaf(wavelength, 20 + gain + cultivar + rng.normal(0, 2), 0.03)
    return curve * (1 + rng.normal(0, 0.03)) + rng.normal(0, 0.001, len(wavelength))


def _judged(made: Made, scans: pd.DataFrame) -> None:
    plan = made.plan
    wavelength = np.arange(400.0, 1001.0)
    faults = list(scans["scan"].iloc[4 : 4 + 3 * plan.n_faults : 3])
    out = {**dict.fromkeys(faults, "lamp_lines"), scans["scan"].iloc[-2]: "decision"}
    odd = list(scans["scan"].iloc[5 : 5 + 3 * plan.n_outliers : 3])
    bad_darks = [f"d{i}-dark-2" for i in range(len(plan.sessions))] if plan.references else []
    for number, session in enumerate(plan.sessions):
        rows = [
            {"scan": scan, "check": "lamp_lines", "severity": "fault", "value": 0.021,
             "threshold": 0.01, "unit": "1", "wavelength_nm": 546.1,
             "sentence": f"{scan}: lamp lines reach 2.1 % at 546.1 nm; the clip was open."}
            for scan, rule in out.items()
            if rule == "lamp_lines" and scan.startswith(f"d{number}-")
        ] + [
            {"scan": scan, "check": check, "severity": severity, "value": 6.1, "threshold": 4.5,
             "unit": "1", "wavelength_nm": np.nan, "sentence": f"{scan} is not like the others."}
            for names, check, severity in ((odd, "replicate", "outlier"),
                                           (bad_darks, "bad_dark", "fault"))
            for scan in names
            if scan.startswith(f"d{number}-")
        ]  # fmt: skip
        frame = pd.DataFrame(rows, columns=list(tables.QUALITY))
        types = {"value": float, "threshold": float, "wavelength_nm": float}
        write_parquet(
            made.place(f"quality/{session}", f"quality/{session}.parquet"),
            pa.Table.from_pandas(frame.astype(types), preserve_index=False),
            {},
            ["scan"],
        )
        ratio = 40 + (900 + 60 * number) * np.exp(-(((wavelength - 690) / 210) ** 2))
        n = len(wavelength) if plan.references else 0
        signal = pa.table(
            {
                "wavelength_nm": wavelength[:n],
                "signal_to_noise": ratio[:n],
                "n_references": pa.array([6] * n, pa.int32()),
            }
        )
        write_parquet(made.place(f"signal/{session}", f"quality/{session}.signal.parquet"), signal,
                      {}, ["wavelength_nm"])  # fmt: skip
        _levels(made, number, session, list(scans.loc[scans["session"] == session, "scan"]))
    accepted = scans.assign(accepted=~scans["scan"].isin(list(out))).sort_values("scan")
    write_csv(made.place("accepted", "accepted.csv"), accepted, tables.ACCEPTED)
    exclusions = pd.DataFrame(
        [
            {"scan": scan, "rule": rule, "suggested": "exclude", "applied": "exclude",
             "reason": plan.reason, "by": "A. Grower" if rule == "decision" else "",
             "when": "2026-05-08T17:40:00" if rule == "decision" else ""}
            for scan, rule in sorted(out.items())
        ]
        + [
            {"scan": scan, "rule": rule, "suggested": "exclude", "applied": "keep",
             "reason": f"{scan} is not like the others.", "by": "", "when": ""}
            for names, rule in ((odd, "replicate"), (bad_darks, "bad_dark"))
            for scan in names
        ]
    )  # fmt: skip
    write_csv(made.place("exclusions", "exclusions.csv"), exclusions, tables.EXCLUSIONS)
    write_json(
        made.place("range", "range.json"),
        {
            "start_nm": 428.0 if plan.references else 400.0,
            "stop_nm": 952.0 if plan.references else 1000.0,
            "rule": "references" if plan.references else "stated",
            "why": "the white's signal is at least 200 times its noise in all sessions"
            if plan.references
            else "The file holds no references, so its whole range is used, untested.",
            "margin_nm": 5.0,
            "limiting_session": plan.sessions[0] if plan.references else None,
        },
    )
    effects = [
        {"session": s, "group": "control", "wavelength_nm": w, "estimate": 0.004, "ci_low": -0.003,
         "ci_high": 0.011, "ci_level": 0.95, "n_units": 12, "p": 0.24, "p_holm": 0.96}
        for s in plan.sessions[1:]
        for w in LEVELS_NM
    ]  # fmt: skip
    if plan.lone_control:
        reason = "one control unit only: no interval and no test, units are what varies"
        none = dict.fromkeys(("ci_low", "ci_high", "p", "p_holm"))
        effects = [{**row, **none, "n_units": 1, "reason": reason} for row in effects]
        effects.append({**effects[0], "group": "moss_<pad>", "unit": "count"})
    write_csv(
        made.place("order_effects", "order_effects.csv"),
        pd.DataFrame(
            [
                {"session": s, "term": "order", "position": "", "wavelength_nm": 550.0,
                 "estimate": 0.02, "ci_low": 0.01, "ci_high": 0.03, "ci_level": 0.95,
                 "n_units": 24, "p": 0.001, "p_holm": 0.004, "unit": "1", "reason": ""}
                for s in plan.sessions[1:]
            ],
            columns=list(tables.ORDER_EFFECTS),
        ),
        tables.ORDER_EFFECTS,
    )  # fmt: skip
    write_csv(
        made.place("session_effects", "session_effects.csv"),
        pd.DataFrame(effects, columns=list(tables.SESSION_EFFECTS)),
        tables.SESSION_EFFECTS,
    )


LEVELS_NM = (550.0, 680.0, 720.0, 800.0)


def _levels(made: Made, number: int, session: str, leaves: list[str]) -> None:
    """Six whites of 12 ms in two blocks, three darks of 12 and three of 18 ms; dark-2 is bad."""
    kinds = [(f"d{number}-white-{k}", "white", 12.0, 100.0 * (1 + 0.004 * k)) for k in range(6)]
    kinds += [
        (f"d{number}-dark-{k}", "dark", 12.0 if k < 4 else 18.0, 1000.0 + k + 900.0 * (k == 2))
        for k in range(1, 7)
    ]
    kinds = kinds if made.plan.references else []
    kinds += [(leaf_scan, "sample", 18.0, 0.2) for leaf_scan in leaves]
    rows = [
        {"scan": scan, "role": role, "place": place, "block": 0, "hours": place / 60,
         "integration_ms": ms, "digest": "ab" * 32, "wavelength_nm": at,
         "value": value * (1 + at / 1e6), "unit": {"white": "count/ms", "dark": "count"}.get(
             role, "1")}
        for place, (scan, role, ms, value) in enumerate(kinds)
        for at in LEVELS_NM
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(tables.LEVELS)).sort_values(["scan", "wavelength_nm"])
    write_parquet(
        made.place(f"levels/{session}", f"quality/{session}.levels.parquet"),
        pa.Table.from_pandas(frame, preserve_index=False),
        {},
        ["scan", "wavelength_nm"],
    )


def _validation(made: Made) -> None:
    for part in ("scans", "reflectance", "indices"):
        severity = "error" if part != "indices" else "warning"
        rows = [
            {"name": "ids", "expectation": "expect_column_values_to_be_unique", "column": "scan",
             "severity": severity, "expected": "every scan id once", "mend": "", "success": True,
             "observed": "0 of 288 rows", "n_unexpected": 0, "unexpected": []},
            {"name": "possible", "expectation": "expect_column_values_to_be_between",
             "column": "value", "severity": severity, "expected": "values from -1 to 1", "mend": "",
             "success": part != "indices", "observed": "2 of 288 rows", "n_unexpected": 2,
             "unexpected": ["d0-p01-1 NDVI (1.4)", "d0-p02-1 NDVI (1.2)"]},
        ]  # fmt: skip
        write_json(
            made.place(f"validation_{part}", f"validation/{part}.json"),
            {
                "suite": part,
                "success": part != "indices",
                "n_expectations": 2,
                "expectations": rows,
            },
        )
    write_json(made.place("passed", "validation/passed.json"), {"passed": True})


def _indices(made: Made, scans: pd.DataFrame, units: Any, rng: Any) -> pd.DataFrame:
    plan = made.plan
    write_json(
        made.place("catalogue", "indices/catalogue.json"),
        {"indices": [
            {"index": name, "formula": "(R(750) - R(705)) / (R(750) + R(705))",
             "unit": "nm" if name == "REP_linear" else "1", "source": "An invented source (2026)"}
            for name in plan.indices
        ]},
    )  # fmt: skip
    rows = []
    for i, name in enumerate(plan.indices):
        base, slope = 0.4 + 0.11 * i, 0.03 * (1 if i % 3 else 0.2) * (-1) ** (i // 6)
        if name == "REP_linear":
            base, slope = 705.0, 1.4
        for unit, labels in units.items():
            own = rng.normal(0, 1.5)
            for number, session in enumerate(plan.sessions):
                gain = number if labels["treatment"] == plan.treatments[0] else -0.15 * number
                value = base + slope * (gain + own + rng.normal(0, 0.7))
                rows.append(
                    {"unit": unit, "session": session, "index": name, "mean": value,
                     "sd_leaves": 0.02 if plan.n_leaves > 1 else np.nan,
                     "u": 0.004 if plan.references else np.nan, "n_leaves": plan.n_leaves,
                     "n_scans": plan.n_leaves, "n_excluded": 0}
                )  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(tables.UNIT_INDICES))
    frame = frame.sort_values(["unit", "session", "index"])
    write_csv(made.place("unit_indices", "unit_indices.csv"), frame, tables.UNIT_INDICES)
    for session in plan.sessions:
        table = pa.table({c: pa.array([], pa.string()) for c in tables.INDICES})
        write_parquet(made.place(f"indices/{session}", f"indices/{session}.parquet"), table, {}, [])
    return frame


def _effects(made: Made, means: pd.DataFrame, units: Any, wavelength: np.ndarray) -> None:
    plan = made.plan
    rows = _tests(plan, means, units) if plan.effects else []
    frame = pd.DataFrame(rows, columns=list(tables.EFFECTS))
    frame = frame.sort_values(list(tables.EFFECTS_KEY))
    _name_primary(frame, plan.n_primary)
    made.effects = frame
    write_csv(made.place("effects", "effects.csv"), frame, tables.EFFECTS)
    findings = [
        {"id": f"finding-{i}", "sentence": f"{word} changed by {r['estimate']:.3f} more under "
         f"{plan.treatments[0]} than under {plan.treatments[1]}.", "index": r["index"],
         "question": r["question"], "method": r["method"], "ci_level": r["ci_level"],
         "contrast": r["contrast"], "estimate": r["estimate"], "ci_low": r["ci_low"],
         "ci_high": r["ci_high"], "unit": r["unit"], "verdict": r["verdict"]}
        for i, (word, r) in enumerate(zip(("CI_rededge", "WI"), _headlines(rows), strict=False))
    ]  # fmt: skip
    write_json(
        made.place("effects_summary", "effects.json"),
        {
            "plan": ["One primary contrast."],
            "primary": findings[0]["id"] if findings else None,
            "sentences": [],
            "findings": findings,
            "warnings": [] if rows else ["Units are not known: description only."],
        },
    )
    bands = [
        {"contrast": f"({s}-{plan.sessions[0]})@{plan.treatments[0]}-{plan.treatments[1]}",
         "wavelength_nm": w, "estimate": e, "low": e - 0.012, "high": e + 0.012, "n_units": 12,
         "n_units_reference": 12}
        for number, s in enumerate(plan.sessions[1:], 1)
        for w, e in zip(wavelength[30:550], -0.018 * number * np.exp(
            -(((wavelength[30:550] - 715) / 25) ** 2)), strict=True)
    ] if plan.effects else []  # fmt: skip
    write_csv(
        made.place("spectrum_effects", "spectrum_effects.csv"),
        pd.DataFrame(bands, columns=list(tables.SPECTRUM_EFFECTS)),
        tables.SPECTRUM_EFFECTS,
    )


def _name_primary(frame: pd.DataFrame, n: int) -> None:
    """Make so many rows primary, one family adjusted by Holm."""
    if n == 1 or not len(frame):
        return
    between = frame["question"] == "difference_in_change"
    rows = frame.index[between & (frame["index"] == "CI_rededge")]
    rows = rows.union(frame.index[between & (frame["index"] != "CI_rededge")][: n - len(rows)])[:n]
    frame["primary"] = frame.index.isin(rows)
    frame.loc[rows, "family"] = "primary"
    frame.loc[rows, "n_family"] = n
    order = frame.loc[rows, "p"].sort_values().index
    adjusted = np.maximum.accumulate(frame.loc[order, "p"] * np.arange(n, 0, -1)).clip(upper=1.0)
    frame.loc[order, "p_holm"] = adjusted


def _headlines(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    last = [r for r in rows if r["method"] == "linear_model" and r["contrast"].startswith("(day12")]
    return [r for r in last if r["index"] in {"CI_rededge", "WI"}] or last[:2]


def _tests(plan: Plan, means: pd.DataFrame, units: Any) -> list[dict[str, Any]]:
    wide = means.pivot(index="unit", columns=["index", "session"], values="mean")
    treated = np.array([units[u]["treatment"] == plan.treatments[0] for u in wide.index])
    rows = []
    for name in plan.indices:
        for session in plan.sessions[1:]:
            change = (wide[name, session] - wide[name, plan.sessions[0]]).to_numpy()
            step = f"{session}-{plan.sessions[0]}"
            for label, mask in zip(plan.treatments, (treated, ~treated), strict=True):
                for method in METHODS[:2]:
                    rows.append(_row(plan, name, f"{step}@{label}", method, change[mask]))
            rows.append(
                _row(plan, name, f"({step})@{plan.treatments[0]}-{plan.treatments[1]}",
                     "linear_model", change[treated], change[~treated])
            )  # fmt: skip
    return rows


def _row(
    plan: Plan, name: str, contrast: str, method: str, a: Any, b: Any = None
) -> dict[str, Any]:
    test = stats.ttest_1samp(a, 0) if b is None else stats.ttest_ind(a, b, equal_var=False)
    ci = test.confidence_interval(0.95)
    estimate = float(a.mean() - (0 if b is None else b.mean()))
    size = estimate / float(a.std(ddof=1))
    primary = (
        b is not None and name == "CI_rededge" and contrast.startswith(f"({plan.sessions[-1]}")
    )
    p = float(test.pvalue)
    p_holm = p if primary else min(1.0, 36 * p)
    return {
        "question": "change" if b is None else "difference_in_change",
        "index": name, "contrast": contrast, "stratum": "all", "method": method, "primary": primary,
        "estimate": estimate, "ci_low": float(ci.low), "ci_high": float(ci.high), "ci_level": 0.95,
        "unit": "nm" if name == "REP_linear" else "1", "n_units": len(a),
        "n_units_reference": np.nan if b is None else len(b), "n_missing": 0,
        "statistic": float(test.statistic), "statistic_name": "t", "df": float(test.df),
        "df2": np.nan, "p": p, "p_smallest": np.nan,
        "family": "primary" if primary else method, "n_family": 1 if primary else 36,
        "p_holm": p_holm, "p_bh": min(1.0, 8 * p), "p_max_t": np.nan, "effect_size": size,
        "effect_size_name": "hedges_g_paired" if b is None else "hedges_g_independent",
        "effect_low": size - 0.8, "effect_high": size + 0.8, "percent_change": 12.3,
        "percent_low": 9.1, "percent_high": 15.4, "covariates": "value before", "in_u": 4.0,
        "n_draws": np.nan, "seed": np.nan,
        "verdict": "significant" if p_holm < 0.05 else "not_significant", "reason": "",
    }  # fmt: skip


def _classes(made: Made, scans: pd.DataFrame, units: Any, wavelength: np.ndarray, rng: Any) -> None:
    plan = made.plan
    names, top = sorted(plan.cultivars), plan.max_components
    chosen = min(4, top)
    used = scans[scans["session"] != plan.sessions[0]] if len(plan.sessions) > 1 else scans
    path, confusion, terms = [], [], []
    for n in range(1, top + 1):
        right = {"outer": 0.3 + 0.3 * (1 - np.exp(-n / 2)) - 0.008 * n, "training": 0.35 + 0.06 * n}
        for split, share in right.items():
            for repeat in range(plan.repeats):
                for fold in range(6):
                    total = 36
                    correct = round(total * min(1.0, share + rng.normal(0, 0.04)))
                    path.append(
                        {"split": split, "repeat": repeat, "fold": fold, "n_components": n,
                         "n_scans": total, "n_units": 4, "n_correct": correct,
                         "accuracy": correct / total, "balanced_accuracy": correct / total,
                         "chosen": n == chosen}
                    )  # fmt: skip
        for true in names:
            hits = rng.multinomial(54 * plan.repeats, _split(names, true, right["outer"]))
            confusion += [
                {"split": "outer", "n_components": n, "true": true, "predicted": predicted,
                 "n_scans": k / plan.repeats, "n_units": 6,
                 "share_of_true": k / (54 * plan.repeats)}
                for predicted, k in zip(names, hits, strict=True)
            ]  # fmt: skip
        curve = np.sin((wavelength[28:553] - 400) / (180 / n)) / 20
        terms += [("loading", n, "", w, v) for w, v in zip(wavelength[28:553], curve, strict=True)]
    vip = 0.6 + 1.4 * np.exp(-(((wavelength[28:553] - 705) / 40) ** 2))
    terms += [("vip", chosen, "", w, v) for w, v in zip(wavelength[28:553], vip, strict=True)]
    behind = leaf(wavelength[28:553], 22, 0.03)
    terms += [
        (f"spectrum_{name}", 0, "", w, v)
        for name, curve in (("mean", behind), ("sd", 0.03 * behind), ("minimum", 0.9 * behind),
                            ("maximum", 1.1 * behind))
        for w, v in zip(wavelength[28:553], curve, strict=True)
    ]  # fmt: skip
    terms += [
        ("coefficient", chosen, name, w, 0.1 * (i - 1) * np.exp(-(((w - 705) / 40) ** 2)))
        for i, name in enumerate(names)
        for w in wavelength[28:553]
    ]
    frame = pd.DataFrame(terms, columns=["term", "component", "class", "wavelength_nm", "value"])
    frame["sd_resample"] = np.nan
    frame.loc[frame["term"] == "coefficient", "sd_resample"] = 0.02
    write_parquet(
        made.place("classes_terms", "classes/spectra_terms.parquet"),
        pa.Table.from_pandas(frame.astype({"component": "int32"}), preserve_index=False),
        {},
        ["term"],
    )
    write_csv(made.place("classes_path", "classes/path.csv"), pd.DataFrame(path), tables.PATH)
    write_csv(made.place("classes_confusion", "classes/confusion.csv"), pd.DataFrame(confusion),
              tables.CONFUSION)  # fmt: skip
    predictions = pd.DataFrame(
        [
            {"scan": r.scan, "repeat": 0, "fold": i % 6, "unit": r.unit, "session": r.session,
             "true": units[r.unit]["cultivar"], "predicted": names[i % len(names)],
             "n_components": chosen}
            for i, r in enumerate(used.itertuples())
        ]
    )  # fmt: skip
    write_csv(made.place("classes_predictions", "classes/predictions.csv"), predictions,
              tables.PREDICTIONS)  # fmt: skip
    draws = np.concatenate([[0.56], rng.normal(0.25, 0.06, 199)])
    write_csv(
        made.place("classes_permutation", "classes/permutation.csv"),
        pd.DataFrame({"draw": range(200), "accuracy": draws}),
        tables.PERMUTATION,
    )
    rivals = [
        {"procedure": name, "repeat": r, "fold": f, "n_correct": int(36 * share), "n_scans": 36,
         "accuracy": int(36 * share) / 36}
        for name, share in (("linear_discriminant", 0.5), ("nearest_class_mean", 0.4),
                            ("majority_class", 0.25))
        for r in range(plan.repeats)
        for f in range(6)
    ]  # fmt: skip
    write_csv(
        made.place("classes_rivals", "classes/rivals.csv"), pd.DataFrame(rivals), tables.RIVALS
    )
    write_json(
        made.place("classes_summary", "classes/summary.json"),
        {
            "target": "cultivar", "classes": names, "n_components": chosen, "n_units": 24,
            "choice_rule": "one standard error", "split": "unit", "preprocessing": "none",
            "accuracy": 0.5871, "majority_accuracy": 0.25, "ci_level": 0.95, "wilson": [0.39, 0.76],
            "validation_curve": [{"loss": 1.0}],
            "kappa": 0.45, "mcc": 0.452, "p_permutation": 0.005, "n_draws": 199,
            "sentence": f"{len(names)} classes of cultivar were told apart in 58.7 % of the scans.",
            "warnings": ["With six units a class the interval is wide."],
        },
    )  # fmt: skip
    write_json(made.place("model_card", "classes/model.json"), {"n_components": chosen})


def _split(names: list[str], true: str, share: float) -> list[float]:
    rest = (1 - share) / max(1, len(names) - 1)
    return [share if name == true else rest for name in names]


def _records(made: Made) -> None:
    digests = {role: hashlib.sha256(path.read_bytes()).hexdigest()
               for role, path in made.inputs.items()}  # fmt: skip
    wrote = {
        role: {"role": role, "path": path.relative_to(made.folder).as_posix(),
               "sha256": digests[role], "bytes": path.stat().st_size}
        for role, path in made.inputs.items()
    }  # fmt: skip
    settings: dict[str, Any] = {
        "acceptance": {"apply": "faults", "range": {"signal_to_noise": 200.0, "margin_nm": 5.0}},
        "quality": {"checks": {"reference_drift": 0.03}},
        "effects": {"effects": {"alpha": 0.05, "interval": 0.95, "seed": 20260504}},
    }
    jobs = [(rule, s) for rule in ("intake", "reflectance", "quality", "indices")
            for s in made.plan.sessions]  # fmt: skip
    jobs += [
        (rule, None) for rule in ("acceptance", "catalogue", "validation", "unit_means", "effects")
    ]
    for rule, session in jobs:
        kind = "scans" if rule == "intake" else rule
        outputs = [wrote[r] for r in (f"{kind}/{session}", kind) if r in wrote]
        record = {
            "record": 1, "rule": rule, "session": session, "key": f"sha256:{'0' * 64}",
            "settings": settings.get(rule, {"form": {"form": "text", "quantity": "counts"}}
                                     if rule == "intake" else {}),
            "inputs": [wrote["range"]] if rule == "indices" else [],
            "outputs": outputs, "code": {"package": "0.1.0", "sha256": "ab" * 32},
            "libraries": {"numpy": "2.4.6", "pyarrow": "25.0.1"},
            "metrics": [{"name": "n_scans", "value": 72, "unit": "1"}],
            "seeds": {"effects": 20260504} if rule == "effects" else {},
            "warnings": ["The white signal drifted by 1.2 %."] if rule == "reflectance" else
            [f"{i} is not computed: it needs R(970), outside the trusted range 428 to 952 nm "
             "(wavelengths read from 428 to 952 nm)." for i in ("WI", "NDWI", "SRWI")]
            if rule == "indices" else [],
        }  # fmt: skip
        name = rule if session is None else f"{rule}.{session}"
        write_json(made.folder / "records" / f"{name}.json", record)
        made.inputs[f"record/{name}"] = made.folder / "records" / f"{name}.json"


def without_classes(plan: Plan) -> Plan:
    return replace(plan, classes=False)

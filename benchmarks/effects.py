"""Time and memory of the rule ``effects``: 50 indices, 4 sessions, 24 plants, 9,999 permutations.

``python benchmarks/effects.py`` (about two minutes), with the one thread that a run uses. Bounds:
20 s of processor time, 500 MB, and twice the time of the plain way: a script as a scientist would
write it, with pandas, scipy and statsmodels. Index by index and session by session it takes unit
means, Welch's test of the changes, a permutation test of 9,999 draws, an analysis of covariance
with block and cultivar, and for each index one mixed model of all sessions. These are four of the
fourteen methods; it corrects nothing for many tests and has no exact small-sample freedom, no
sensitivity, no variance components, no power.
Both sides test the same changes: the differences between treatments are asserted to be equal.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import tempfile
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from bounds import at_most, finish, peak_megabytes, timed

from leafledger.effects import stage, unit_means
from leafledger.records.record import Job
from leafledger.study.definition import Effects
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra
from leafledger.study.tables import ACCEPTED, EXCLUSIONS, written_by

SESSIONS = {"day0": "before", "day4": "after", "day8": "after", "day12": "after"}
N_INDICES, N_PLANTS, N_LEAVES = 50, 24, 3
METHODS = [
    *("paired_t", "signed_rank", "sign_flip", "linear_model", "linear_model_equal"),
    *("welch_t", "label_permutation", "ancova"),
    *("summary_mean", "summary_slope", "summary_area"),
    *("mixed_model", "mixed_model_slope", "mixed_model_unstructured"),
]


def scans() -> pd.DataFrame:
    rows = [
        (f"{s}-p{p:02d}-{leaf}", s, f"p{p:02d}", str(leaf), "1", True)
        for s in SESSIONS
        for p in range(1, N_PLANTS + 1)
        for leaf in range(1, N_LEAVES + 1)
    ]
    return pd.DataFrame(rows, columns=list(ACCEPTED))


def inputs(folder: Path) -> dict[str, Path]:
    """Write what the rule reads, as the rules before it would."""
    rng = np.random.default_rng(1)
    names = [f"I{k:02d}" for k in range(N_INDICES)]
    table, axis = scans(), np.arange(430.0, 976.0)
    write_csv(folder / "accepted.csv", table, ACCEPTED)
    write_csv(folder / "exclusions.csv", pd.DataFrame(columns=list(EXCLUSIONS)), EXCLUSIONS)
    write_json(folder / "range.json", {"start_nm": 430.0, "stop_nm": 975.0})
    write_json(folder / "catalogue.json", {"indices": [{"index": n, "unit": "1"} for n in names]})
    write_json(folder / "passed.json", {"passed": True})
    found = {n: folder / f"{n}.csv" for n in ("accepted", "exclusions")}
    found |= {n: folder / f"{n}.json" for n in ("range", "catalogue", "passed")}
    plant = rng.normal(0, 0.3, (N_PLANTS, N_INDICES))
    for session in SESSIONS:
        here = table[table["session"] == session]
        rows = [int(unit[1:]) - 1 for unit in here["unit"]]
        values = 2.0 + plant[rows] + rng.normal(0, 0.1, (len(here), N_INDICES))
        long = {
            "scan": np.repeat(here["scan"].to_numpy(), N_INDICES).tolist(),
            "index": names * len(here),
            "value": values.ravel(),
            "u_scan": np.full(values.size, 0.02),
            "u_reference": np.full(values.size, 0.01),
            "u_panel": np.full(values.size, 0.005),
            "status": ["ok"] * values.size,
        }
        found[f"indices/{session}"] = folder / f"indices.{session}.parquet"
        write_parquet(found[f"indices/{session}"], pa.table(long), {}, keys=("scan", "index"))
        found[f"reflectance/{session}"] = folder / f"reflectance.{session}.parquet"
        spectra = 0.2 + 0.01 * rng.normal(size=(len(here), len(axis)))
        write_spectra(
            found[f"reflectance/{session}"],
            pa.table({"scan": here["scan"].tolist()}),
            axis,
            {"reflectance": spectra},
            {},
        )
    return found


def settings() -> dict[str, object]:
    units = {
        f"p{p:02d}": {
            "treatment": ["chelate", "water"][p % 2],
            "block": "AB"[(p // 2) % 2],
            "cultivar": "KL"[(p // 4) % 2],
        }
        for p in range(1, N_PLANTS + 1)
    }
    effects = Effects.model_validate(
        {
            "primary": {"index": "I00", "session": "day12"},
            "methods": METHODS,
            "margin": {"I01": 0.1},
            "strata": "cultivar",
        }
    )
    design = {
        "unit": "plant",
        "treatment": "treatment",
        "control": "water",
        "block": "block",
        "factors": ["cultivar"],
        "sessions": [
            {"session": s, "date": f"2026-05-{4 + 4 * i:02d}", "phase": phase}
            for i, (s, phase) in enumerate(SESSIONS.items())
        ],
    }
    return {"design": design, "effects": effects.model_dump(mode="json"), "units": units}


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found = inputs(folder)
        places = {
            r.scan: {"session": r.session, "unit": r.unit, "leaf": r.leaf}
            for r in scans().itertuples()
        }
        means = folder / "unit_indices.csv"
        outputs = {r.role: folder / r.path for r in written_by("effects")}
        unit_means.run(
            Job("unit_means", None, {"scans": places}, found, {"unit_indices": means}, folder)
        )
        job = Job("effects", None, settings(), {**found, "unit_indices": means}, outputs, folder)
        ours = timed(lambda: stage.run_effects(job))
        peak = peak_megabytes()
        table: list[pd.DataFrame] = []
        plain = timed(lambda: table.append(plain_effects(found)))
        compare(pd.read_csv(outputs["effects"]), table[0])
    at_most("effects, processor time", ours, 20, "s")
    at_most("effects, peak", peak, 500, "MB")
    at_most("effects, over pandas, scipy and statsmodels", ours / plain, 2, "x")
    finish()


def plain_effects(files: dict[str, Path]) -> pd.DataFrame:
    """Return Welch, permutation, covariance and mixed model of every index, the plain way."""
    import statsmodels.formula.api as smf
    from scipy import stats

    accepted = pd.read_csv(files["accepted"])
    sheet = pd.DataFrame(settings()["units"]).T.rename_axis("unit").reset_index()
    values = pd.concat([pd.read_parquet(files[f"indices/{s}"]) for s in SESSIONS])
    long = values.merge(accepted, on="scan").merge(sheet, on="unit")
    keys = ["index", "unit", "session", "treatment", "block", "cultivar"]
    means = long.groupby(keys, as_index=False)["value"].mean()
    rows = []
    for index, of in means.groupby("index"):
        wide = of.pivot(index=keys[1:2] + keys[3:], columns="session", values="value").reset_index()
        for session in list(SESSIONS)[1:]:
            wide["change"] = wide[session] - wide["day0"]
            one = wide.loc[wide["treatment"] == "chelate", "change"].to_numpy()
            other = wide.loc[wide["treatment"] == "water", "change"].to_numpy()
            welch = stats.ttest_ind(one, other, equal_var=False)
            drawn = stats.permutation_test(
                (one, other), lambda x, y, axis: x.mean(axis) - y.mean(axis), vectorized=True,
                n_resamples=9999, rng=1,
            )  # fmt: skip
            adjusted = smf.ols(
                f"{session} ~ C(treatment, Treatment('water')) + day0 + block + cultivar", wide
            ).fit()
            rows.append((index, session, one.mean() - other.mean(), welch.pvalue, drawn.pvalue,
                         adjusted.pvalues.iloc[1]))  # fmt: skip
        with warnings.catch_warnings():
            # No variance between plants is left in some indices: the optimiser says so each time.
            warnings.simplefilter("ignore")
            smf.mixedlm("value ~ treatment * session + block", of, groups=of["unit"]).fit()
    columns = ["index", "session", "difference", "p_welch", "p_permutation", "p_ancova"]
    return pd.DataFrame(rows, columns=columns)


def compare(ours: pd.DataFrame, plain: pd.DataFrame) -> None:
    """Assert that both sides tested the same changes."""
    welch = ours[(ours["method"] == "welch_t") & (ours["stratum"] == "all")]
    theirs = plain.set_index(["index", "session"])["p_welch"]
    found = {(row.index_name, row.p) for row in welch.rename(columns={"index": "index_name"})
             .itertuples()}  # fmt: skip
    seen = [
        any(name == index and abs(p - value) < 1e-9 for name, p in found)
        for (index, _), value in theirs.items()
    ]
    assert len(seen) == 3 * N_INDICES
    assert all(seen), f"{seen.count(False)} of {len(seen)} p of Welch differ"


if __name__ == "__main__":
    main()

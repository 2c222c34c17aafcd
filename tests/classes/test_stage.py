"""The rule ``classes`` on a small study: tables, honesty, bytes, and every refusal."""

from __future__ import annotations

import json
import os
import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from leafledger.classes import baselines, negative_controls, stage
from leafledger.errors import InputFault
from leafledger.records.store import load_archive
from leafledger.study.table_files import read_json, read_parquet, read_spectra
from leafledger.study.tables import (
    CONFUSED_PAIRS,
    CONFUSION,
    PATH,
    PER_CLASS,
    PERMUTATION,
    PREDICTIONS,
    RELIABILITY,
    SPECTRA_TERMS,
)

from .conftest import CLASSES, default_units


def read(job, role):
    return pd.read_csv(job.outputs[role])


@pytest.fixture
def done(make_job):
    job = make_job(classes={"preprocessing": ["none", "standard_normal_variate"]})
    return job, stage.run(job)


def test_tables_have_the_columns_of_the_contract(done):
    job, outcome = done
    sure = tuple(f"p_{name}" for name in ("Heron", "Kestrel", "Plover"))
    for role, columns in {
        "path": PATH, "predictions": (*PREDICTIONS, *sure), "confusion": CONFUSION,
        "permutation": PERMUTATION, "reliability": RELIABILITY, "per_class": PER_CLASS,
        "confused_pairs": CONFUSED_PAIRS,
    }.items():  # fmt: skip
        assert tuple(read(job, role).columns) == columns
    assert tuple(read_parquet(job.outputs["terms"]).columns) == SPECTRA_TERMS
    assert outcome.seeds == {"classes": CLASSES["seed"]}
    told = read_json(job.outputs["summary"])
    assert {m.name: m.value for m in outcome.metrics}["accuracy"] == told["accuracy"]


def test_every_scan_is_predicted_once_a_repeat_and_units_stay_together(done):
    job, _ = done
    said = read(job, "predictions")
    assert len(said) == 2 * 48
    assert not said.duplicated(["scan", "repeat"]).any()
    assert (said.groupby(["unit", "repeat"])["fold"].nunique() == 1).all()
    assert set(said["session"]) == {"day4", "day8"}
    labels = {unit: row["cultivar"] for unit, row in default_units().items()}
    assert (said["true"] == said["unit"].map(labels)).all()


def test_summary_follows_from_the_tables(done):
    job, _ = done
    told, said, path = (
        read_json(job.outputs["summary"]),
        read(job, "predictions"),
        read(job, "path"),
    )
    right = (said["true"] == said["predicted"]).groupby(said["repeat"]).mean()
    assert told["accuracy"] == pytest.approx(right.mean(), abs=1e-12)
    assert told["accuracy_by_repeat"] == pytest.approx(right.tolist())
    assert told["accuracy"] > 0.7, "these classes are clear"
    chosen = path[path["chosen"] & (path["split"] == "outer")]
    assert chosen["n_correct"].sum() == (said["true"] == said["predicted"]).sum()
    assert len(chosen) == 8
    low, high = told["wilson"]
    assert low < told["accuracy"] < high
    assert high - low > 0.25, "twelve units: the interval must not be that of 48 scans"
    assert told["n_units_per_class"] == {"Heron": 4, "Kestrel": 4, "Plover": 4}
    assert told["n_components"] <= told["best_n_components"] <= CLASSES["max_components"]
    assert f"n = {told['n_units']} plants" in told["sentence"]


def test_training_flatters(done):
    path = read(done[0], "path")
    most = path[path["n_components"] == CLASSES["max_components"]].groupby("split")
    share = most["n_correct"].sum() / most["n_scans"].sum()
    assert share["training"] > share["outer"]


def test_confusion_adds_up_to_scans_and_units(done):
    job, _ = done
    table = read(job, "confusion")
    sums = table.groupby(["n_components", "true"])[["n_scans", "n_units", "share_of_true"]].sum()
    assert len(sums) == 6 * 3
    np.testing.assert_allclose(sums["n_scans"], 16)
    np.testing.assert_allclose(sums["n_units"], 4, atol=1e-6)
    np.testing.assert_allclose(sums["share_of_true"], 1)
    path = read(job, "path")
    outer = path[path["split"] == "outer"].groupby("n_components")
    hits = table[table["true"] == table["predicted"]].groupby("n_components")["n_scans"].sum()
    np.testing.assert_allclose(hits, outer["n_correct"].sum() / 2)


def test_permutation_starts_with_the_first_repeat(done):
    job, _ = done
    told, drawn = read_json(job.outputs["summary"]), read(job, "permutation")
    assert drawn["draw"].tolist() == list(range(20))
    assert drawn["accuracy"][0] == told["accuracy_by_repeat"][0] == told["permutation_accuracy"]
    reached = int((drawn["accuracy"][1:] >= drawn["accuracy"][0]).sum())
    assert told["p_permutation"] == (reached + 1) / 20


def test_terms_have_the_sign_rule_and_mean_square_one(done):
    job, _ = done
    told, terms = read_json(job.outputs["summary"]), read_parquet(job.outputs["terms"])
    weights = terms[terms["term"] == "weight"]
    for _, part in weights.groupby("component"):
        assert part["value"].iloc[part["value"].abs().argmax()] > 0
        assert (part["value"] ** 2).sum() == pytest.approx(1)
    vip = terms[terms["term"] == "vip"]
    assert (vip["value"] ** 2).mean() == pytest.approx(1)
    assert (vip["component"] == told["n_components"]).all()
    coefficients = terms[terms["term"] == "coefficient"]
    assert sorted(coefficients["class"].unique()) == told["classes"]
    # Memberships add up to 1, so the coefficients of all classes add up to 0.
    total = coefficients.groupby("wavelength_nm")["value"].sum()
    np.testing.assert_allclose(total, 0, atol=1e-9)
    assert (vip["sd_resample"] > 0).all()
    assert 1 <= told["stable_components"] <= len(told["loading_cosine"])


def test_the_saved_model_gives_the_final_answer(done):
    job, _ = done
    card = read_json(job.outputs["model_card"])
    data = job.outputs["model"].read_bytes()
    model = load_archive(data, card["trusted_types"])
    table = read_spectra(job.inputs["reflectance/day8"], ("reflectance",))
    inside = (table.wavelength_nm >= 460) & (table.wavelength_nm <= 890)
    assert card["wavelength_nm"] == table.wavelength_nm[inside].tolist()
    said = model.predict(table.spectra["reflectance"][:, inside])
    labels = [default_units()[scan.split("-")[1]]["cultivar"] for scan in table.rows["scan"]]
    assert (said == np.array(labels)).mean() > 0.8
    assert card["n_components"] == read_json(job.outputs["summary"])["n_components"]
    for limit in card["domain"]["limits"]:
        assert limit["training_within_t2"] > 0.85
        assert limit["training_within_q"] > 0.85
    with pytest.raises(pickle.UnpicklingError):
        pickle.loads(data)


def test_held_out_spectra_leave_no_trace_in_what_their_fold_learned(make_job):
    settings = {"preprocessing": ["none", "standard_normal_variate"], "n_permutations": 0}
    job = make_job(classes=settings)
    stage.run(job)
    said = read(job, "predictions")
    first = said[(said["repeat"] == 1) & (said["fold"] == 1)]
    shifted = make_job(
        classes=settings, shift=dict.fromkeys(first["unit"].unique(), 1e6), folder="shifted"
    )
    stage.run(shifted)
    before, after = (read_json(j.outputs["summary"])["fitted_terms_sha256"] for j in (job, shifted))
    assert before[0][0] == after[0][0]
    for fold in range(1, 4):
        assert before[0][fold] != after[0][fold], "the others were trained on the shifted scans"


RUN = """
import pickle, sys
from leafledger.classes import baselines, negative_controls, stage
modules = {"classes": stage, "rivals": baselines, "negative_controls": negative_controls}
for job in pickle.load(open(sys.argv[1], "rb")):
    modules[job.rule].run(job)
"""


@pytest.mark.slow
def test_two_processes_write_equal_bytes(make_job, tmp_path):
    outputs = []
    for seed in (1, 2):
        rules = ("classes", "rivals", "negative_controls")
        jobs = [make_job(folder=f"seed{seed}", rule=rule) for rule in rules]
        listed = tmp_path / f"{seed}.jobs"
        listed.write_bytes(pickle.dumps(jobs))
        subprocess.run(
            [sys.executable, "-c", RUN, str(listed)],
            env={**os.environ, "PYTHONHASHSEED": str(seed), "OPENBLAS_NUM_THREADS": "1"},
            check=True,
        )
        paths = [path for job in jobs for path in job.outputs.values()]
        outputs.append({path.name: path.read_bytes() for path in paths})
    assert outputs[0] == outputs[1]
    assert len(outputs[0]) == 14


def test_row_order_of_the_sheet_does_not_matter(make_job):
    one = make_job(folder="one")
    other = make_job(folder="other", units=dict(reversed(default_units().items())))
    stage.run(one)
    stage.run(other)
    for role in one.outputs:
        assert one.outputs[role].read_bytes() == other.outputs[role].read_bytes()


def test_excluded_scans_are_not_used(make_job):
    job = make_job(excluded=lambda scan: scan.startswith("day4-p01"))
    stage.run(job)
    said = read(job, "predictions")
    assert not said["scan"].str.startswith("day4-p01").any()
    assert "p01" in set(said["unit"])


# --- Degradations that show -------------------------------------------------------------------


def test_without_units_the_accuracy_may_flatter(make_job):
    base = make_job()
    by_scan = {
        f"{s}-{unit}-{leaf}": row
        for unit, row in default_units().items()
        for s in ("day0", "day4", "day8")
        for leaf in (1, 2)
    }
    accepted = pd.read_csv(base.inputs["accepted"], dtype=str)
    accepted["unit"] = accepted["scan"]
    accepted.to_csv(base.inputs["accepted"], index=False)
    settings = dict(base.settings) | {
        "design": {**base.settings["design"], "unit": None, "sessions": [], "block": None},
        "units": by_scan,
    }
    job = type(base)(base.rule, None, settings, base.inputs, base.outputs, base.folder)
    outcome = stage.run(job)
    assert any("accuracy may flatter" in warning for warning in outcome.warnings)
    told = read_json(job.outputs["summary"])
    assert told["n_units"] == told["n_scans"] == 72
    assert "units unknown" in told["sentence"]


def test_folds_are_no_more_than_the_largest_class_has_units(make_job):
    job = make_job(classes={"folds": {"outer": 6, "repeats": 1}, "max_components": 40})
    outcome = stage.run(job)
    told = read_json(job.outputs["summary"])
    assert told["n_folds"] == 4
    assert any("4 outer folds instead of 6" in warning for warning in outcome.warnings)
    assert any("latent variables instead of 40" in warning for warning in outcome.warnings)


def units_of(**counts):
    """Return so many plants of each cultivar, in two blocks."""
    labels = [name for name, count in counts.items() for _ in range(count)]
    return {
        f"p{i + 1:02d}": {"treatment": ("chelate", "water")[i % 2], "block": "AB"[i % 2],
                          "cultivar": label} for i, label in enumerate(labels)
    }  # fmt: skip


def test_a_small_class_does_not_set_the_folds(make_job):
    """Two plants of one class, six of the others: six folds, and it is trained where tested."""
    units = units_of(Heron=6, Kestrel=2, Plover=6)
    job = make_job(units=units, classes={"folds": {"outer": "auto", "repeats": 2},
                                         "n_permutations": 0})  # fmt: skip
    stage.run(job)
    told, said = read_json(job.outputs["summary"]), read(job, "predictions")
    assert told["n_folds"] == 6, "the units of the median class"
    folds = said[said["true"] == "Kestrel"].groupby("repeat")["fold"].nunique()
    assert folds.tolist() == [2, 2], "never held out together, so it always trains"
    spread = said.groupby(["repeat", "fold"])["unit"].nunique()
    assert set(spread) <= {2, 3}
    # 14 plants in six folds: 14/6 are held out on average.
    assert told["training_share"] == pytest.approx(1 - 1 / 6)
    assert "83 % of the plants train each model" in told["split_rule"].replace("units", "plants")


def test_a_class_of_one_unit_is_set_aside_and_named(make_job):
    units = units_of(Heron=4, Kestrel=1, Plover=4)
    for rule, module in (
        ("classes", stage),
        ("rivals", baselines),
        ("negative_controls", negative_controls),
    ):
        job = make_job(units=units, classes={"n_permutations": 0}, rule=rule, folder=rule)
        outcome = module.run(job)
        if rule == "classes":
            told, said = read_json(job.outputs["summary"]), read(job, "predictions")
            assert told["classes"] == ["Heron", "Plover"]
            assert "p05" not in set(said["unit"]) and told["n_units"] == 8
            (sentence,) = told["set_aside"]
            assert '"Kestrel"' in sentence and "p05" in sentence
            assert sentence in outcome.warnings


def test_two_units_in_a_class_still_choose_inside_the_training_part(make_job):
    units = {unit: row for unit, row in default_units().items() if unit in
             {"p01", "p02", "p04", "p05", "p07"}}  # fmt: skip
    job = make_job(units=units)
    stage.run(job)
    told = read_json(job.outputs["summary"])
    assert told["n_folds"] == 3
    assert "blind to labels" in told["split_rule"]


def test_target_treatment_permutes_within_blocks_and_marks_the_before_session(make_job):
    job = make_job(classes={"target": "treatment", "sessions": "all"})
    outcome = stage.run(job)
    told = read_json(job.outputs["summary"])
    # Within folds and blocks there are few ways to exchange them: folds are dealt anew instead.
    assert told["permuted_within"] == "block"
    assert any("day0" in warning for warning in outcome.warnings)


def test_a_design_that_cannot_reach_a_small_p_says_so(make_job):
    units = {unit: row for unit, row in default_units().items() if unit in
             {"p01", "p02", "p04", "p05"}}  # fmt: skip
    job = make_job(units=units, classes={"n_permutations": 999})
    outcome = stage.run(job)
    told = read_json(job.outputs["summary"])
    assert told["all_arrangements"] and told["n_draws"] == 5
    assert any("p cannot fall below 0.17" in warning for warning in outcome.warnings)


def test_a_best_at_the_end_of_the_search_says_so(make_job):
    outcome = stage.run(make_job(classes={"max_components": 1}))
    assert any("a larger classes.max_components" in warning for warning in outcome.warnings)


def test_no_permutations_means_no_p(make_job):
    job = make_job(classes={"n_permutations": 0})
    stage.run(job)
    told = read_json(job.outputs["summary"])
    assert told["p_permutation"] is None and "permutation" not in told["sentence"]
    assert len(read(job, "permutation")) == 0


def test_split_by_block_holds_out_whole_blocks(make_job):
    job = make_job(classes={"split": "block"})
    stage.run(job)
    said = read(job, "predictions").merge(
        pd.DataFrame([{"unit": u, "block": r["block"]} for u, r in default_units().items()])
    )
    assert (said.groupby(["repeat", "block"])["fold"].nunique() == 1).all()
    assert (said.groupby(["repeat", "fold"])["block"].nunique() == 1).all()


def test_three_blocks_are_done_once(make_job):
    units = {
        u: {**row, "block": "ABC"[i // 4]} for i, (u, row) in enumerate(default_units().items())
    }
    job = make_job(classes={"split": "block"}, units=units)
    outcome = stage.run(job)
    assert any("one was done" in warning for warning in outcome.warnings)
    assert read_json(job.outputs["summary"])["n_repeats"] == 1


# --- Refusals ---------------------------------------------------------------------------------


def refused(job) -> list:
    with pytest.raises(InputFault) as caught:
        stage.run(job)
    assert not any(path.exists() for path in job.outputs.values()), "nothing half-written"
    return list(caught.value.problems)


def test_one_class_only(make_job):
    units = {u: {**row, "cultivar": "Heron"} for u, row in default_units().items()}
    (problem,) = refused(make_job(units=units))
    assert problem.column == "classes.target"
    assert "one class only" in problem.found and "Heron" in problem.found


def test_every_class_with_one_unit_is_named(make_job):
    units = {unit: row for unit, row in default_units().items() if unit in
             {"p01", "p04", "p02", "p03"}}  # fmt: skip
    problems = refused(make_job(units=units))
    assert [("Kestrel" in p.found, "Plover" in p.found) for p in problems] == [
        (True, False),
        (False, True),
    ]
    assert "one plant (p02)" in problems[0].found


def test_no_accepted_scan(make_job):
    (problem,) = refused(make_job(excluded=lambda scan: not scan.startswith("day0")))
    assert problem.found == "no accepted scan in day4, day8"


def test_units_without_a_label_are_all_named(make_job):
    units = default_units()
    units["p03"] = {**units["p03"], "cultivar": ""}
    del units["p05"]["cultivar"]
    problems = refused(make_job(units=units))
    assert [p.found for p in problems] == ["no label for p03", "no label for p05"]
    assert {p.file for p in problems} == {"units.csv"}


def test_block_that_takes_a_class_with_it(make_job):
    units = {
        unit: {**row, "block": "A" if row["cultivar"] == "Plover" else "B"}
        for unit, row in default_units().items()
    }
    problems = refused(make_job(classes={"split": "block"}, units=units))
    assert {
        name for p in problems for name in ("Heron", "Kestrel", "Plover") if name in p.found
    } == {
        "Heron",
        "Kestrel",
        "Plover",
    }


def test_split_by_block_without_blocks(make_job):
    (problem,) = refused(make_job(classes={"split": "block"}, design={"block": None}))
    assert problem.column == "classes.split" and "no block" in problem.found


def test_unknown_session_and_empty_phase(make_job):
    problems = refused(make_job(classes={"sessions": ["day4", "day5"]}))
    assert [p.found for p in problems] == ['"day5"']
    late = [{"session": s, "date": None, "phase": "after"} for s in ("day0", "day4", "day8")]
    (problem,) = refused(make_job(classes={"sessions": "before"}, design={"sessions": late}))
    assert "no session with phase before" in problem.found


def test_range_without_wavelengths(make_job):
    job = make_job()
    Path(job.inputs["range"]).write_text(json.dumps({"start_nm": 1.0, "stop_nm": 2.0}))
    (problem,) = refused(job)
    assert problem.column == "quality.range"

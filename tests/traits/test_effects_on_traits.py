"""Effects on estimated traits: what is tested, and the calibration's part of the interval."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from leafledger.effects import stage
from leafledger.effects.stage import run_trait_effects
from leafledger.records.record import Job
from leafledger.study.table_files import read_csv, write_csv, write_json
from leafledger.study.tables import names_of

DESIGN = {
    "unit": "plant", "treatment": "treatment", "control": "water", "block": None,
    "whole_plot": None, "factors": [], "doses": {},
    "sessions": [
        {"session": "d0", "date": None, "phase": "before"},
        {"session": "d9", "date": None, "phase": "after"},
    ],
}  # fmt: skip
EFFECTS = {
    "primary": {"index": "NDVI", "question": "difference_in_change", "session": "d9",
                "method": None},
    "alpha": 0.05, "interval": 0.95, "methods": ["paired_t", "welch_t"], "margin": {},
    "covariates": [], "compare": "control", "crossed": None, "strata": None,
    "n_draws": 999, "seed": 1,
}  # fmt: skip
MakeMeans = Callable[..., Job]


@pytest.fixture
def make_job(tmp_path: Path) -> MakeMeans:
    def make(
        shift: list[float],
        effect: float = 5.0,
        swapped: bool = False,
        responses: tuple[str, ...] = ("chlorophyll",),
        source: str = "assays",
        unclear: str = "",
        targets: tuple[str, ...] = ("chlorophyll",),
    ) -> Job:
        """Write means of 16 plants; refit k finds ``shift[k]`` more in treated plants at d9."""
        rng = np.random.default_rng(4)
        units = [f"p{i:02d}" for i in range(16)]
        names = ("iron", "water") if not swapped else ("water", "iron")
        treated = {unit: i < 8 for i, unit in enumerate(units)}
        base = {(u, s): 20 + rng.normal() + effect * (treated[u] and s == "d9")
                for u in units for s in ("d0", "d9")}  # fmt: skip
        rows = [
            (target, refit, u, s, value + by * (treated[u] and s == "d9"), 3, "ug/cm2")
            for target in targets
            for refit, by in enumerate([0.0, *shift])
            for (u, s), value in base.items()
        ]
        inputs = {name: tmp_path / f"{name}.txt" for name in ("trait_unit_means", "traits_summary")}
        frame = pd.DataFrame(rows, columns=list(names_of("trait_unit_means")))
        write_csv(inputs["trait_unit_means"], frame, names_of("trait_unit_means"))
        write_json(inputs["traits_summary"], {"targets": [
            *({"target": target, "trained": True, "unit_of_value": "ug/cm2", "n_leaves": 9,
               "n_units": 7, "source": source, "unclear": unclear,
               "measures": {"rmsep": [1.5, 1.0, 2.0]}} for target in targets),
            {"target": "nitrogen", "trained": False, "reason": "too few plants"},
        ]})  # fmt: skip
        settings = {
            "design": {**DESIGN, "control": "water"},
            "effects": EFFECTS,
            "responses": list(responses),
            "units": {u: {"treatment": names[0] if treated[u] else names[1]} for u in units},
        }
        outputs = {"trait_effects": tmp_path / "effects.csv"}
        return Job("trait_effects", None, settings, inputs, outputs, tmp_path)

    return make


def difference(job: Job) -> pd.Series:
    table = read_csv(job.outputs["trait_effects"])
    (row,) = table[table["question"] == "difference_in_change"].to_dict("records")
    return pd.Series(row)


def test_the_test_is_welch_and_the_calibration_widens_its_interval(make_job: MakeMeans) -> None:
    shift = [0.5, -0.5, 1.0, -1.0, 0.0]
    job = make_job(shift)
    run_trait_effects(job)
    row = difference(job)
    means = read_csv(job.inputs["trait_unit_means"])
    wide = means[means["refit"] == 0].pivot(index="unit", columns="session", values="mean")
    change = (wide["d9"] - wide["d0"]).to_numpy()
    by_scipy = stats.ttest_ind(change[:8], change[8:], equal_var=False)
    low, high = by_scipy.confidence_interval(0.95)
    assert (row["ci_low_test"], row["ci_high_test"]) == pytest.approx((low, high), rel=1e-9)
    u = np.sqrt(4 / 5 * np.sum(np.square(shift)))  # the mean of the shifts is zero
    assert row["u_calibration"] == pytest.approx(u, rel=1e-9)
    se = (high - low) / 2 / stats.t.ppf(0.975, by_scipy.df)
    total = np.sqrt(se**2 + u**2)
    p = 2 * stats.t.sf(abs(row["estimate"]) / total, by_scipy.df)
    assert row["p"] == pytest.approx(p, rel=1e-7) and p > 2 * by_scipy.pvalue
    half = stats.t.ppf(0.975, by_scipy.df) * total
    assert row["ci_high"] - row["estimate"] == pytest.approx(half, rel=1e-9)
    assert row["estimate"] - row["ci_low"] == pytest.approx(half, rel=1e-9)
    for part in ("estimated chlorophyll", "error of 1.5 ug/cm2 on plants left out",
                 "9 leaves of 7 plants were assayed", "standard uncertainty"):  # fmt: skip
        assert part in row["sentence"]
    assert row["method"] == "welch_t", "the linear model was not asked for"
    assert "no primary contrast was named" not in row["sentence"]


def test_a_calibration_that_all_refits_share_widens_nothing(make_job: MakeMeans) -> None:
    job = make_job([0.7, 0.7, 0.7])
    run_trait_effects(job)
    row = difference(job)
    assert row["u_calibration"] == pytest.approx(0.0, abs=1e-12)
    assert row["ci_low"] == pytest.approx(row["ci_low_test"], rel=1e-12)


@pytest.mark.parametrize("effect", [1.0, 2.0, 3.0, 4.0])
def test_a_verdict_never_contradicts_the_interval(make_job: MakeMeans, effect: float) -> None:
    job = make_job([1.5, -1.5, 0.5, -0.5], effect=effect)
    run_trait_effects(job)
    row = difference(job)
    shown = row["ci_low"] > 0 or row["ci_high"] < 0
    assert (row["verdict"] == "significant") == shown, "alone in its family"
    assert (row["p"] < 0.05) == shown


def test_a_worthless_model_is_not_tested(make_job: MakeMeans) -> None:
    job = make_job([0.1, -0.1], unclear="exchanged values are estimated as well")
    outcome = run_trait_effects(job)
    assert len(read_csv(job.outputs["trait_effects"])) == 0
    assert outcome.warnings == [
        "no effect on estimated chlorophyll: exchanged values are estimated as well"
    ]


def test_a_constant_of_the_unit_has_no_change(make_job: MakeMeans) -> None:
    for source, questions in (
        ("units", {"difference_in_change"}),
        ("scans", {"difference_in_change", "change"}),
    ):
        job = make_job([0.1, -0.1], source=source)
        run_trait_effects(job)
        assert set(read_csv(job.outputs["trait_effects"])["question"]) == questions


def test_holm_counts_the_tests_of_all_responses(make_job: MakeMeans) -> None:
    names = ("nitrogen_content", "chlorophyll")
    job = make_job([1.0, -1.0], effect=1.5, responses=names, targets=names)
    run_trait_effects(job)
    table = read_csv(job.outputs["trait_effects"])
    own = table[table["question"] == "difference_in_change"]
    assert own["target"].tolist() == list(names), "in the order of effects.responses"
    assert own["family"].nunique() == 1
    np.testing.assert_allclose(own["p_holm"], np.minimum(1, 2 * own["p"]), rtol=1e-9)
    changes = table[table["question"] == "change"]
    assert len(changes) == 4 and changes["p_holm"].min() == pytest.approx(
        4 * changes["p"].min(), rel=1e-9
    )


@pytest.mark.parametrize("methods", [["linear_model", "paired_t"], ["welch_t", "paired_t"]])
def test_without_an_uncertain_calibration_p_is_that_of_the_test(
    make_job: MakeMeans, monkeypatch: pytest.MonkeyPatch, methods: list[str]
) -> None:
    job = make_job([0.7, 0.7, 0.7], effect=1.0)
    job.settings["effects"] = {**EFFECTS, "methods": methods}
    run_trait_effects(job)
    ours = read_csv(job.outputs["trait_effects"])
    monkeypatch.setattr(stage, "widened", lambda effect, *_: effect)
    run_trait_effects(job)
    tests = read_csv(job.outputs["trait_effects"])
    assert set(ours["method"]) == {*methods}
    np.testing.assert_allclose(ours["p"], tests["p"], rtol=1e-7)
    np.testing.assert_allclose(ours["ci_low"], tests["ci_low"], rtol=1e-9)


def test_names_of_treatments_change_signs_and_no_digit_of_p(make_job: MakeMeans) -> None:
    one, two = (make_job([0.1, -0.1], swapped=swapped) for swapped in (False, True))
    run_trait_effects(one)
    first = difference(one)
    run_trait_effects(two)
    second = difference(two)
    assert first["p"] == second["p"] and first["u_calibration"] == second["u_calibration"]
    assert first["estimate"] == pytest.approx(-second["estimate"], rel=1e-12)
    assert first["ci_low"] == pytest.approx(-second["ci_high"], rel=1e-12)


def test_responses_without_a_model_are_said(make_job: MakeMeans) -> None:
    job = make_job([0.1, -0.1], responses=("nitrogen", "iron"))
    outcome = run_trait_effects(job)
    assert len(read_csv(job.outputs["trait_effects"])) == 0
    assert outcome.warnings == [
        "no effect on estimated nitrogen: too few plants",
        "no effect on estimated iron: it is no target of traits",
    ]


def test_intervals_with_a_calibration_hold_the_true_difference() -> None:
    """400 studies: a calibration learned from 20 plants, tested on 24 others."""
    from leafledger.traits.stage import jackknifed_sd

    rng = np.random.default_rng(9)
    held = plain = 0
    for _ in range(400):
        x = rng.normal(0, 1, 20)
        y = 3.0 * x + rng.normal(0, 2.0, 20)
        change = rng.normal(0, 0.3, 24) + 1.0 * (np.arange(24) < 12)
        fits = [np.polyfit(np.delete(x, k), np.delete(y, k), 1)[0] for k in range(20)]
        by = np.array([np.subtract(*(f * change).reshape(2, 12).mean(axis=1)) for f in fits])
        u = float(jackknifed_sd(by))
        values = np.polyfit(x, y, 1)[0] * change
        test = stats.ttest_ind(values[:12], values[12:], equal_var=False)
        low, high = test.confidence_interval(0.95)
        middle, t = (low + high) / 2, stats.t.ppf(0.975, test.df)
        half = np.sqrt(((high - low) / 2) ** 2 + (t * u) ** 2)
        held += middle - half <= 3.0 <= middle + half
        plain += low <= 3.0 <= high
    assert 0.92 <= held / 400 <= 0.985 and plain / 400 < held / 400 - 0.05

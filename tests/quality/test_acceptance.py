"""Exclusions, decisions, trusted range and session effects, alone and through the rule."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from leafledger.errors import InputFault
from leafledger.quality.acceptance import found_range, run, stated_range
from leafledger.quality.cross_session_checks import copies_between_sessions
from leafledger.quality.session import Flag, flag_table
from leafledger.quality.session_levels import session_effects
from leafledger.records.record import Job
from leafledger.study.scan_sheet import read_decisions
from leafledger.study.table_files import (
    read_csv,
    read_json,
    read_spectra,
    write_parquet,
    write_spectra,
)
from leafledger.study.tables import ACCEPTED, EXCLUSIONS, SESSION_EFFECTS, SIGNAL

AXIS = np.arange(400.0, 1001.0, 1.0)
SESSIONS = [("day4", "before"), ("day8", "after"), ("day10", "after")]
UNITS = {"p1": "water", "p2": "water", "p3": "chelate", "p4": "chelate"}


def study(
    folder: Path,
    flags: dict[str, list[Flag]] | None = None,
    decisions: str | None = None,
    *,
    references: bool = True,
    shift: float = 0.0,
    moved: Mapping[str, float] = MappingProxyType({}),
    **settings: Any,
) -> Job:
    """Write the tables of three sessions, 4 units, 2 leaves, and return the acceptance job."""
    inputs: dict[str, Path] = {}
    scans = []
    rng = np.random.default_rng(3)
    for place, (session, phase) in enumerate(SESSIONS):
        ids = [f"{session}-{unit}-{leaf}" for unit in UNITS for leaf in "12"]
        scans += [
            {"scan": s, "session": session, "unit": s.split("-")[1], "leaf": s[-1], "replicate": ""}
            for s in ids
        ]
        kinds = {
            "quality": folder / f"results/quality/{session}.parquet",
            "signal": folder / f"results/quality/{session}.signal.parquet",
            "reflectance": folder / f"results/reflectance/{session}.parquet",
        }
        write_parquet(kinds["quality"], flag_table((flags or {}).get(session, [])), {}, ("scan",))
        peak = 800 - 100 * place
        signal = peak * np.exp(-(((AXIS - 680) / 180) ** 2))
        n = len(AXIS) if references else 0
        white = 40 * signal * (1 + 0.03 * np.sin((AXIS - moved.get(session, 0.0)) / 6))
        columns = [AXIS[:n], signal[:n], np.full(n, 6, np.int32), np.full(n, 0.001), white[:n]]
        write_parquet(
            kinds["signal"], pa.table([pa.array(c) for c in columns], names=list(SIGNAL)), {}, ()
        )
        value = 0.3 + rng.normal(size=(len(ids), 1)) * 0.01 + 0 * AXIS
        value += shift if phase == "after" else 0.0
        write_spectra(
            kinds["reflectance"], pa.table({"scan": ids}), AXIS, {"reflectance": value}, {}
        )
        inputs |= {f"{kind}/{session}": path for kind, path in kinds.items()}
    if decisions is not None:
        inputs["decisions"] = folder / "decisions.csv"
        inputs["decisions"].write_text(decisions, encoding="utf-8")
    names = {"accepted": "accepted.csv", "exclusions": "exclusions.csv", "range": "range.json"}
    outputs = {role: folder / "results" / name for role, name in names.items()}
    outputs["session_effects"] = folder / "results/session_effects.csv"
    outputs["order_effects"] = folder / "results/order_effects.csv"
    design = {
        "unit": "plant",
        "control": "water",
        "sessions": [{"session": s, "date": None, "phase": p} for s, p in SESSIONS],
        "treatments": UNITS,
    }
    told = {
        "apply": "faults",
        "range": {"signal_to_noise": 200.0, "margin_nm": 5.0},
        "design": design,
        "scans": scans,
        **settings,
    }
    return Job("acceptance", None, told, inputs, outputs, folder)


def flag(scan: str, check: str = "saturated", severity: str = "fault") -> Flag:
    return Flag(scan, check, severity, 1.0, 0.0, "1", f"{check} found")  # type: ignore[arg-type]


def excluded(job: Job) -> set[str]:
    table = read_csv(job.outputs["accepted"])
    return set(table.loc[~table["accepted"], "scan"])


def rows(job: Job) -> dict[tuple[str, str], tuple[str, str]]:
    table = read_csv(job.outputs["exclusions"])
    assert tuple(table.columns) == EXCLUSIONS
    return {
        (r["scan"], r["rule"]): (r["suggested"], r["applied"]) for r in table.to_dict("records")
    }


HEAD = "scan,action,reason,by,when\n"
FOUND = {
    "day4": [flag("day4-p1-1"), flag("day4-p1-1", "no_leaf"), flag("day4-w1", "reference_drift")],
    "day8": [flag("day8-p2-2", "replicate", "outlier"), flag("day8-p3-1", "time_order", "notice")],
}


@pytest.mark.parametrize(
    ("apply", "expected"),
    [
        ("none", set()),
        ("faults", {"day4-p1-1"}),
        ("faults_and_outliers", {"day4-p1-1", "day8-p2-2"}),
    ],
)
def test_apply(tmp_path: Path, apply: str, expected: set[str]) -> None:
    job = study(tmp_path, FOUND, apply=apply)
    run(job)
    assert excluded(job) == expected
    told = rows(job)
    assert set(told) == {
        ("day4-p1-1", "saturated"),
        ("day4-p1-1", "no_leaf"),
        ("day4-w1", "reference_drift"),
        ("day8-p2-2", "replicate"),
    }
    assert {suggested for suggested, _ in told.values()} == {"exclude"}
    assert told["day4-w1", "reference_drift"] == ("exclude", "keep")


def test_decisions_rule_in_both_directions_and_the_last_row_wins(tmp_path: Path) -> None:
    decisions = (
        "# kept by hand\nscan,action,reason,by,when,mood\n"
        "day4-p1-1,exclude,first thought,A. Grower,2026-05-08T17:40:00,\n"
        'day4-p1-1,keep,"looked again,\nit is fine",A. Grower,2026-05-08T17:50:00,good\n'
        "day8-p3-1,exclude,=clip open,A. Grower,2026-05-12T10:00:00,\n"
    )
    job = study(tmp_path, FOUND, decisions)
    run(job)
    assert excluded(job) == {"day8-p3-1"}
    told = rows(job)
    assert told["day4-p1-1", "saturated"] == ("exclude", "keep")
    assert told["day4-p1-1", "decision"] == ("exclude", "keep")
    assert told["day8-p3-1", "decision"] == ("keep", "exclude")
    table = read_csv(job.outputs["exclusions"])
    mine = table[table["rule"] == "decision"].set_index("scan")
    assert mine.loc["day4-p1-1", "reason"] == "looked again,\nit is fine"
    assert mine.loc["day8-p3-1", "reason"] == "=clip open"
    on_disk = job.outputs["exclusions"].read_text(encoding="utf-8")
    assert ",'=clip open," in on_disk, "a spreadsheet must not run it"
    assert mine.loc["day8-p3-1", "when"] == "2026-05-12T10:00:00"


def test_every_faulty_decision_is_told_with_its_row(tmp_path: Path) -> None:
    path = tmp_path / "decisions.csv"
    path.write_text(
        f"# note\n{HEAD}x9,exclude,why,me,\na1,drop,why,me,\na1,keep,,me,\na1,keep,why,,\n"
    )
    with pytest.raises(InputFault) as caught:
        read_decisions(path, "decisions.csv", {"a1"})
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (3, "scan"),
        (4, "action"),
        (5, "reason"),
        (6, "by"),
    ]


def test_accepted_is_sorted_by_session_order_then_scan(tmp_path: Path) -> None:
    job = study(tmp_path)
    run(job)
    table = read_csv(job.outputs["accepted"])
    assert tuple(table.columns) == ACCEPTED
    assert list(dict.fromkeys(table["session"])) == ["day4", "day8", "day10"]
    assert list(table["scan"][:3]) == ["day4-p1-1", "day4-p1-2", "day4-p2-1"]


def test_a_reason_alone_changes_exclusions_only(tmp_path: Path) -> None:
    jobs = [
        study(tmp_path / word, FOUND, f"{HEAD}day8-p1-1,exclude,{word},me,now\n")
        for word in ("a", "b")
    ]
    for job in jobs:
        run(job)
    same = {
        role: jobs[0].outputs[role].read_bytes() == jobs[1].outputs[role].read_bytes()
        for role in jobs[0].outputs
    }
    assert same == {
        "accepted": True,
        "range": True,
        "session_effects": True,
        "order_effects": True,
        "exclusions": False,
    }


def test_empty_session_warns_and_empty_study_is_refused(tmp_path: Path) -> None:
    every = {
        s: [flag(f"{s}-{unit}-{leaf}") for unit in UNITS for leaf in "12"] for s, _ in SESSIONS
    }
    outcome = run(study(tmp_path / "one", {"day8": every["day8"]}))
    assert any("Session day8: all 8 leaf scans are excluded" in w for w in outcome.warnings)
    with pytest.raises(InputFault, match="all 24 leaf scans excluded"):
        run(study(tmp_path / "all", every))


def test_range_is_that_of_the_worst_session(tmp_path: Path) -> None:
    job = study(tmp_path)
    run(job)
    told = read_json(job.outputs["range"])
    # 600 exp(-((x - 680) / 180)^2) = 200 where |x - 680| = 180 sqrt(ln 3) = 188.66
    assert told == {
        "start_nm": 497.0,
        "stop_nm": 863.0,
        "rule": "references",
        "margin_nm": 5.0,
        "limiting_session": "day10",
        "why": told["why"],
    }
    assert "at least 200 times its noise from 492 to 868 nm" in told["why"]


def test_range_to_the_end_of_the_axis_loses_no_margin() -> None:
    told = found_range(AXIS, {"a": np.full(len(AXIS), 300.0)}, 200.0, 5.0)
    assert (told.start_nm, told.stop_nm, told.limiting_session) == (400.0, 1000.0, None)


def test_range_ends_at_the_first_gap() -> None:
    signal = np.full(len(AXIS), 300.0)
    signal[(AXIS == 520) | (AXIS == 900)] = 100.0
    told = found_range(AXIS, {"a": signal}, 200.0, 5.0)
    assert (told.start_nm, told.stop_nm) == (526.0, 894.0)


def test_too_weak_white_says_the_best_and_how_to_mend() -> None:
    signal = 150 * np.exp(-(((AXIS - 680) / 180) ** 2))
    with pytest.raises(InputFault) as caught:
        found_range(AXIS, {"day4": signal, "day8": signal * 2}, 200.0, 5.0)
    sentence = caught.value.problems[0].sentence()
    assert "session day4" in sentence
    assert "150 at 680 nm" in sentence
    assert "start_nm" in sentence


def test_margins_that_leave_nothing_are_named_as_such() -> None:
    signal = np.where(AXIS > 420, 300.0, 10.0)
    with pytest.raises(InputFault) as caught:
        found_range(AXIS, {"a": signal}, 200.0, 600.0)
    (problem,) = caught.value.problems
    assert problem.column == "quality.range.margin_nm"
    assert "600 nm" in problem.found


def test_axis_that_misses_the_core_uses_the_best_wavelength() -> None:
    axis = np.arange(600.0, 1001.0)
    signal = np.where(axis < 850, 300.0, 10.0)
    assert found_range(axis, {"a": signal}, 200.0, 5.0).stop_nm == 844.0


@pytest.mark.parametrize("limits", [(390.0, 900.0), (450.0, 1200.0), (500.2, 500.8)])
def test_stated_range_must_lie_in_the_axis(limits: tuple[float, float]) -> None:
    with pytest.raises(InputFault, match="400 to 1000 nm"):
        stated_range(*limits, AXIS)


def test_stated_range_and_data_without_references(tmp_path: Path) -> None:
    job = study(tmp_path / "a", range={"start_nm": 450.0, "stop_nm": 950.0})
    run(job)
    assert read_json(job.outputs["range"])["rule"] == "stated"
    job = study(tmp_path / "b", references=False)
    outcome = run(job)
    told = read_json(job.outputs["range"])
    assert (told["start_nm"], told["stop_nm"]) == (400.0, 1000.0)
    assert told["why"].startswith("untested: the data arrived without references")
    assert any("untested" in warning for warning in outcome.warnings)


def test_session_effect_is_the_paired_t_of_student(tmp_path: Path) -> None:
    # Student 1908, Biometrika 6:1-25: extra sleep of ten patients under two drugs; the paired
    # test gives t = -4.0621, p = 0.002833, interval -2.4599 to -0.7001 (R 4.2.2, t.test).
    one = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    two = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    control = {
        "b": {f"u{k}": np.array([v]) for k, v in enumerate(two)},
        "a": {f"u{k}": np.array([v]) for k, v in enumerate(one)},
    }
    (row,) = session_effects([("b", "before"), ("a", "after")], control, [680.0])
    assert row.estimate == pytest.approx(-1.58)
    assert row.p == pytest.approx(0.00283289, rel=1e-5)
    assert (row.ci_low, row.ci_high) == pytest.approx((-2.4598858, -0.7001142), rel=1e-6)
    assert row.n_units == 10
    assert row.p_holm == row.p


def test_session_shift_is_found_and_told(tmp_path: Path) -> None:
    job = study(tmp_path, shift=0.2)
    outcome = run(job)
    table = read_csv(job.outputs["session_effects"])
    assert tuple(table.columns) == SESSION_EFFECTS
    assert list(table["session"]) == ["day8"] * 4 + ["day10"] * 4
    assert list(table["wavelength_nm"]) == [550, 680, 720, 800] * 2
    assert set(table["n_units"]) == {2}
    assert table["estimate"].to_numpy() == pytest.approx(0.2, abs=0.03)
    assert (table["p_holm"] >= table["p"]).all()
    assert isinstance(outcome.warnings, list)


def test_no_session_effects_without_a_control_or_units(tmp_path: Path) -> None:
    job = study(tmp_path)
    for change in ({"control": None}, {"unit": None}, {"treatments": {"p9": "water"}}):
        design = {**job.settings["design"], **change}
        run(
            Job(
                "acceptance",
                None,
                {**job.settings, "design": design},
                job.inputs,
                job.outputs,
                tmp_path,
            )
        )
        assert job.outputs["session_effects"].read_text().count("\n") == 1


def test_one_control_unit_gives_an_estimate_without_interval_and_says_why(tmp_path: Path) -> None:
    job = study(tmp_path, shift=0.2)
    design = {**job.settings["design"], "treatments": {"p1": "water", "p3": "chelate"}}
    settings = {**job.settings, "design": design}
    outcome = run(Job("acceptance", None, settings, job.inputs, job.outputs, tmp_path))
    table = read_csv(job.outputs["session_effects"])
    assert list(table["session"]) == ["day8"] * 4 + ["day10"] * 4
    assert set(table["n_units"]) == {1}
    assert table["estimate"].to_numpy() == pytest.approx(0.2, abs=0.05)
    assert table[["ci_low", "ci_high", "p", "p_holm"]].isna().all().all()
    assert table["reason"].str.contains("one control unit only").all()
    assert not any("shifted together" in warning for warning in outcome.warnings)


def test_counts_of_exclusions_by_rule(tmp_path: Path) -> None:
    decisions = f"{HEAD}day8-p2-1,exclude,torn,me,now\nday4-p1-1,keep,fine,me,now\n"
    found = {
        **FOUND,
        "day10": [flag("day10-p4-1"), flag("day10-p4-2"), flag("day10-p4-2", "no_leaf")],
    }
    outcome = run(study(tmp_path, found, decisions))
    told = {m.name: m.value for m in outcome.metrics}
    assert told["n_scans_excluded"] == 3
    by_rule = {k.removeprefix("n_scans_excluded_by_"): v for k, v in told.items() if "_by_" in k}
    assert by_rule == {"decision": 1, "no_leaf": 1, "saturated": 2}


def test_same_bytes_twice(tmp_path: Path) -> None:
    job = study(tmp_path, FOUND, f"{HEAD}day8-p1-1,exclude,why,me,now\n")
    run(job)
    first = {role: path.read_bytes() for role, path in job.outputs.items()}
    run(job)
    assert first == {role: path.read_bytes() for role, path in job.outputs.items()}
    assert str(tmp_path) not in "".join(data.decode() for data in first.values())
    json.loads(first["range"])


def test_copies_between_sessions_are_faults_on_leaves_and_a_warning_on_references() -> None:
    def table(session: str, **digests: str) -> pd.DataFrame:
        rows = [
            (f"{session}-{name}", "white" if name == "w" else "sample", digest)
            for name, digest in digests.items()
            for _ in range(4)
        ]
        return pd.DataFrame(rows, columns=["scan", "role", "digest"])

    levels = {
        "day0": table("day0", w="1", p1="2", p2="3"),
        "day4": table("day4", w="1", p1="4", p2="2"),
    }
    flags, (told,) = copies_between_sessions(levels)
    assert [(f.scan, f.severity) for f in flags] == [("day0-p1", "fault"), ("day4-p2", "fault")]
    assert "scan day4-p2 of session day4" in flags[0].sentence
    assert told.startswith("Session day4: 1 reference holds the very values")


def test_axes_that_moved_between_sessions_are_told(tmp_path: Path) -> None:
    job = study(tmp_path)
    for session, shift in (("day4", 0.1), ("day8", 0.12), ("day10", 0.8)):
        path = job.inputs[f"reflectance/{session}"]
        table = read_spectra(path)
        lamp = {"shift_nm": shift, "u_shift_nm": 0.02, "shift_at_ends_nm": [shift, shift],
                "u_shift_at_ends_nm": [0.05, 0.05]}  # fmt: skip
        ids = pa.table({"scan": [str(scan) for scan in table.rows["scan"]]})
        told = {"wavelengths": {"axis": "as_read", "lamp": lamp}}
        write_spectra(path, ids, table.wavelength_nm, table.spectra, told)
    outcome = run(job)
    (said,) = [w for w in outcome.warnings if "by the lamp" in w]
    assert said.startswith("Session day10: its wavelengths stand +0.68 nm")
    metrics = {metric.name: metric.value for metric in outcome.metrics}
    assert metrics["wavelength_shift_between_sessions"] == pytest.approx(0.7)


def test_whites_that_moved_between_sessions_are_told(tmp_path: Path) -> None:
    outcome = run(study(tmp_path, moved={"day8": 0.7}))
    (said,) = [w for w in outcome.warnings if "structure of its whites" in w]
    assert said.startswith("Session day8: the structure of its whites stands +0.7")
    metrics = {metric.name: metric.value for metric in outcome.metrics}
    assert metrics["wavelength_shift_between_sessions"] == pytest.approx(0.7, abs=0.05)


def test_warnings_are_sentences(tmp_path: Path) -> None:
    everything = {s: [flag(f"{s}-{u}-{n}") for u in UNITS for n in "12"] for s in ("day8",)}
    outcome = run(study(tmp_path, everything, references=False, shift=0.1))
    assert len(outcome.warnings) >= 2
    assert all(w[0].isupper() and w.endswith(".") for w in outcome.warnings), outcome.warnings

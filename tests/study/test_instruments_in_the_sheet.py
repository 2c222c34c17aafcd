"""The column ``instrument`` of the scan sheet: what is refused, what an edit makes run again."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.errors import InputFault, Problem
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.study import tasks

Row = dict[str, str]


def name_instruments(study: Path, instrument: Callable[[Row], str]) -> None:
    path = study / "scans.csv"
    with path.open(newline="", encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    with path.open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, [*(n for n in rows[0] if n != "instrument"), "instrument"])
        writer.writeheader()
        writer.writerows({**row, "instrument": instrument(row)} for row in rows)


def problems_of(study: Path) -> tuple[Problem, ...]:
    with pytest.raises(InputFault) as fault:
        read_study(study)
    return fault.value.problems


def test_an_edit_runs_effects_and_nothing_else(small_study):
    before = read_study(small_study)
    name_instruments(small_study, lambda row: "SN 17")
    after = read_study(small_study)
    changed = [
        task.rule
        for task in tasks(after)
        if settings_of(before, task.rule, task.session)
        != settings_of(after, task.rule, task.session)
    ]
    assert changed == ["effects"]
    told = settings_of(after, "effects", None)["scans"]
    assert set(told) == {scan.scan for scan in after.samples()}
    assert all(row["instrument"] == "SN 17" for row in told.values())


def test_two_instruments_in_a_session_of_counts_are_refused(small_study):
    name_instruments(small_study, lambda r: "B" if r["role"] == "white" else "A")
    found = problems_of(small_study)
    assert {p.column for p in found} == {"instrument"}
    assert len(found) == 2, "one for each session"
    assert '"A" in session "day0"' in found[0].found or '"B" in session "day0"' in found[0].found
    assert "session of their own" in found[0].mend and found[0].row is not None


def test_an_instrument_for_some_leaf_scans_only_is_refused(small_study):
    sessions = {scan.session for scan in read_study(small_study).scans}
    name_instruments(small_study, lambda row: "A" if row["leaf"] == "1" else "")
    found = problems_of(small_study)
    assert len(found) == len(sessions)
    assert all("no instrument, but other leaf scans" in p.found for p in found)


def test_two_instruments_in_a_session_of_reflectance_are_allowed(tmp_path):
    rows = "".join(f"{400 + i} 0.{50 + i}\n" for i in range(20))
    lines = ["scan,file,unit,instrument"]
    for i in range(1, 5):
        (tmp_path / f"p{i}.txt").write_text(rows, encoding="utf-8")
        lines.append(f"s{i},p{i}.txt,p{i},{'AB'[i % 2]}")
    (tmp_path / "scans.csv").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "units.csv").write_text("unit,t\np1,a\np2,a\np3,b\np4,b\n", encoding="utf-8")
    (tmp_path / "study.yaml").write_text(
        "title: x\ndesign: {unit: plant, treatment: t, control: a}\n"
        "intake: {forms: {default: {quantity: reflectance}}}\n",
        encoding="utf-8",
    )
    assert {scan.instrument for scan in read_study(tmp_path).scans} == {"A", "B"}


def test_the_instrument_may_be_a_factor_of_the_design(tmp_path):
    (tmp_path / "s.txt").write_text("400 0.5\n", encoding="utf-8")
    lines = ["scan,file,item,unit,t,instrument"]
    lines += [f"s{i},s.txt,{i},p{i},{'ab'[i % 2]},{'XY'[i // 2 % 2]}" for i in range(4)]
    (tmp_path / "scans.csv").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "study.yaml").write_text(
        "title: x\ndesign: {unit: plant, treatment: t, control: a, factors: [instrument]}\n"
        "intake: {forms: {default: {quantity: reflectance}}}\n",
        encoding="utf-8",
    )
    study = read_study(tmp_path)
    assert study.units["p2"] == {"t": "a", "instrument": "Y"}


def test_an_instrument_that_is_no_label_is_refused(small_study):
    name_instruments(small_study, lambda row: "x" * 65)
    assert all(p.column == "instrument" for p in problems_of(small_study))

"""What effects and classes ask of the design is checked before anything is computed."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from leafledger.effects.design import METHODS
from leafledger.errors import InputFault, Problem
from leafledger.study.analysis_checks import PRIMARY_METHODS
from leafledger.study.reading import read_study


def problems_with(study: Path, section: str, **changes: object) -> list[Problem]:
    path = study / "study.yaml"
    told = yaml.safe_load(path.read_text(encoding="utf-8"))
    told[section] = {**told.get(section, {}), **changes}
    path.write_text(yaml.safe_dump(told, sort_keys=False), encoding="utf-8")
    with pytest.raises(InputFault) as caught:
        read_study(study)
    return list(caught.value.problems)


def test_strata_must_be_a_factor(small_study: Path) -> None:
    (problem,) = problems_with(small_study, "effects", strata="cultivr")
    assert problem.column == "effects.strata"
    assert "cultivar" in problem.mend and problem.row is not None


def test_strata_are_not_the_treatment(small_study: Path) -> None:
    (problem,) = problems_with(small_study, "effects", strata="treatment")
    assert "beside the treatment" in problem.expected


def test_doses_name_every_treatment_and_no_other(small_study: Path) -> None:
    found = problems_with(small_study, "design", doses={"water": 0, "chelat": 2})
    assert [p.column for p in found] == ["design.doses", "design.doses.chelat"]
    assert "chelate" in found[0].found and "chelate" in found[1].mend


def test_the_primary_question_needs_a_method(small_study: Path) -> None:
    (problem,) = problems_with(small_study, "effects", methods=["paired_t"])
    assert problem.column == "effects.methods"
    assert "welch_t" in problem.mend


def test_methods_are_those_of_the_effects() -> None:
    assert {question: METHODS[question] for question in PRIMARY_METHODS} == PRIMARY_METHODS


def test_the_column_of_a_split_is_a_factor(small_study: Path) -> None:
    (problem,) = problems_with(small_study, "classes", split={"column": "side"})
    assert problem.column == "classes.split.column"
    assert "design.factors" in problem.mend


def test_the_column_of_a_split_says_train_or_test(small_study: Path) -> None:
    (problem,) = problems_with(small_study, "classes", split={"column": "cultivar"})
    assert (problem.file, problem.column) == ("units.csv", "cultivar")
    assert "p01" in problem.found and problem.expected == "train or test"


def test_a_named_primary_method_must_answer_the_question(small_study: Path) -> None:
    primary = {"index": "NDVI", "question": "change", "method": "linear_model"}
    (problem,) = problems_with(small_study, "effects", primary=primary)
    assert problem.column == "effects.primary.method"
    assert "paired_t" in problem.mend


def test_a_primary_equivalence_needs_its_margin(small_study: Path) -> None:
    primary = {"index": "NDVI", "question": "equivalence"}
    (problem,) = problems_with(small_study, "effects", primary=primary, margin={"WI": 0.1})
    assert problem.column == "effects.margin"
    assert "NDVI" in problem.found


def test_a_change_needs_a_session_before(small_study: Path) -> None:
    path = small_study / "study.yaml"
    told = yaml.safe_load(path.read_text(encoding="utf-8"))
    for session in told["design"]["sessions"]:
        session["phase"] = "after"
    path.write_text(yaml.safe_dump(told, sort_keys=False), encoding="utf-8")
    primary = {"index": "NDVI", "question": "change"}
    (problem,) = problems_with(small_study, "effects", primary=primary)
    assert problem.column == "effects.primary.question"
    assert "difference" in problem.mend


@pytest.mark.parametrize(
    ("compare", "found"),
    [([["chelat", "water"]], '"chelat"'), ([["water", "water"]], "water against itself")],
)
def test_compared_treatments_are_two_of_the_study(
    small_study: Path, compare: object, found: str
) -> None:
    (problem,) = problems_with(small_study, "effects", compare=compare)
    assert problem.column == "effects.compare.0"
    assert problem.found == found


def test_a_block_that_holds_one_treatment_is_refused(small_study: Path) -> None:
    sheet = small_study / "units.csv"
    rows = sheet.read_text(encoding="utf-8").splitlines()
    at = rows[0].split(",").index("treatment")
    rows = [f"{rows[0]},bench", *(f"{row},{row.split(',')[at]} bench" for row in rows[1:])]
    sheet.write_text("\n".join(rows) + "\n", encoding="utf-8")
    (problem,) = problems_with(small_study, "design", block="bench")
    assert problem.column == "design.block"
    assert "no bench holds both chelate and water" in problem.found
    assert "whole_plot" in problem.mend


def test_a_covariate_varies_and_can_be_told_from_the_treatment(small_study: Path) -> None:
    sheet = small_study / "units.csv"
    rows = sheet.read_text(encoding="utf-8").splitlines()
    at = rows[0].split(",").index("treatment")
    own = [f"{row},one,{row.split(',')[at]}s" for row in rows[1:]]
    sheet.write_text("\n".join([f"{rows[0]},room,copy", *own]) + "\n", encoding="utf-8")
    path = small_study / "study.yaml"
    told = yaml.safe_load(path.read_text(encoding="utf-8"))
    told["design"]["factors"] = ["cultivar", "room", "copy"]
    path.write_text(yaml.safe_dump(told, sort_keys=False), encoding="utf-8")
    found = problems_with(small_study, "effects", covariates=["room", "copy", "height"])
    assert [p.column for p in found] == ["effects.covariates"] * 3
    assert '"room" is "one" for every unit' in found[0].found
    assert 'no level of "copy" holds both chelate and water' in found[1].found
    assert '"height"' in found[2].found


def test_a_crossed_factor_holds_every_treatment_at_every_level(small_study: Path) -> None:
    (problem,) = problems_with(small_study, "effects", crossed="cultivr")
    assert problem.column == "effects.crossed"
    assert "cultivar" in problem.mend

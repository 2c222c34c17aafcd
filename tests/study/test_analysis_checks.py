"""What effects and classes ask of the design is checked before anything is computed."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from leafledger.effects.plan import METHODS
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

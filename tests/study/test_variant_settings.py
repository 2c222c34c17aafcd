"""Variants say what differs from the study, and nothing that would make them another study."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from leafledger.errors import InputFault, Problem
from leafledger.runner.study_check import checked_study
from leafledger.study.definition import Definition
from leafledger.study.definition_file import (
    REFUSED,
    definition_of,
    differences_in_words,
    merge_settings,
)
from leafledger.study.reading import read_study, under_variant

VALUES = {
    "version": "1",
    "title": "another",
    "question": "another?",
    "design": {"unit": "leaf"},
    "report": {"figures": ["svg"]},
    "tracking": {"store_gb": 1},
    "variants": {"inner": {}},
    "intake.sheet": "other.csv",
    "intake.pattern": "raw/{session}/{unit}.txt",
    "effects.primary": None,
    "effects.alpha": 0.01,
    "effects.interval": 0.9,
    "classes.target": "cultivar",
}


def with_variants(study: Path, variants: object) -> Path:
    path = study / "study.yaml"
    told = yaml.safe_load(path.read_text(encoding="utf-8"))
    told["variants"] = variants
    path.write_text(yaml.safe_dump(told, sort_keys=False), encoding="utf-8")
    return study


def problems_of(study: Path, variants: object) -> list[Problem]:
    with pytest.raises(InputFault) as caught:
        checked_study(with_variants(study, variants))
    return list(caught.value.problems)


def test_a_variant_changes_what_it_names_and_nothing_else(small_study: Path) -> None:
    study = with_variants(small_study, {"strict": {"quality": {"checks": {"lamp_lines": False}}}})
    stated, _ = definition_of(study)
    other, _ = definition_of(study, "strict")
    assert stated.quality.checks.lamp_lines and not other.quality.checks.lamp_lines
    before, after = stated.model_dump(), other.model_dump()
    before["quality"]["checks"]["lamp_lines"] = False
    assert before == after
    assert read_study(study, "strict").variant == "strict"
    assert read_study(study).variant is None


def test_a_list_replaces_the_stated_one(small_study: Path) -> None:
    study = with_variants(small_study, {"few": {"indices": {"use": ["CI_rededge", "WI", "PRI"]}}})
    few, _ = definition_of(study, "few")
    assert list(few.indices.use) == ["CI_rededge", "WI", "PRI"]


def test_a_section_of_another_form_replaces_the_stated_form_as_a_whole() -> None:
    found = {"quality": {"range": {"signal_to_noise": "200", "margin_nm": "5"}}}
    stated = {"quality": {"range": {"start_nm": "500", "stop_nm": "900"}}}
    assert merge_settings(found, stated, [Definition]) == stated
    wider = {"quality": {"range": {"margin_nm": "10"}}}
    assert merge_settings(found, wider, [Definition]) == {
        "quality": {"range": {"signal_to_noise": "200", "margin_nm": "10"}}
    }


def test_a_study_without_a_classifier_as_a_variant(small_study: Path) -> None:
    study = with_variants(small_study, {"plain": {"classes": "none"}})
    assert read_study(study, "plain").definition.classes is None
    assert read_study(study).definition.classes is not None


def test_the_values_tried_are_all_that_is_refused() -> None:
    assert {".".join(place) for place in REFUSED} == set(VALUES)


@pytest.mark.parametrize("key", VALUES)
def test_what_makes_another_study_is_refused_by_name(small_study: Path, key: str) -> None:
    value: object = VALUES[key]
    if key == "effects.primary":
        value = {"index": "WI", "question": "difference_in_change", "session": "day12"}
    for part in reversed(key.split(".")):
        value = {part: value}
    (problem,) = problems_of(small_study, {"odd": value})
    assert problem.column == f"variants.odd.{key}"
    assert problem.found == "a key that no variant may change"
    assert REFUSED[tuple(key.split("."))] in problem.expected
    assert problem.file == "study.yaml" and problem.row is not None


def test_a_problem_names_the_variant_the_key_and_the_line(small_study: Path) -> None:
    (problem,) = problems_of(
        small_study, {"fine": {"quality": {"apply": "none"}}, "odd": {"quality": {"apply": "al"}}}
    )
    assert problem.column == "variants.odd.quality.apply"
    assert "al" in problem.found
    lines = (small_study / "study.yaml").read_text(encoding="utf-8").splitlines()
    assert problem.row is not None and "apply: al" in lines[problem.row - 1]


def test_a_misspelt_key_is_told_with_the_nearest(small_study: Path) -> None:
    (problem,) = problems_of(small_study, {"odd": {"quality": {"aply": "none"}}})
    assert problem.column == "variants.odd.quality.aply"
    assert "apply" in problem.mend
    (problem,) = problems_of(small_study, {"odd": {"qualty": {"apply": "none"}}})
    assert problem.column == "variants.odd.qualty"
    assert "quality" in problem.mend


def test_what_only_the_whole_study_shows_is_told_for_the_variant(small_study: Path) -> None:
    found = problems_of(small_study, {"odd": {"effects": {"strata": "cultivr"}}})
    assert [p.column for p in found] == ["variants.odd.effects.strata"]
    found = problems_of(small_study, {"odd": {"indices": {"use": ["CI_rededge", "NDVX"]}}})
    assert found and all((p.column or "").startswith("variants.odd.") for p in found)


@pytest.mark.parametrize("name", ["as_stated", "two words", "../up", "", "a/b"])
def test_a_name_is_an_id_and_not_that_of_the_study(small_study: Path, name: str) -> None:
    problems = problems_of(small_study, {name: {"quality": {"apply": "none"}}})
    assert len(problems) == 1
    assert (problems[0].column or "").startswith("variants")


def test_a_variant_must_differ(small_study: Path) -> None:
    apply = read_study(small_study).definition.quality.apply
    (problem,) = problems_of(small_study, {"same": {"quality": {"apply": apply}}})
    assert problem.column == "variants.same"
    assert problem.expected == "a setting that differs"


def test_the_sheets_are_read_again_only_for_other_raw_forms(small_study: Path) -> None:
    form = {"forms": {"default": {"decimal": "point"}}}
    study = with_variants(
        small_study, {"all": {"quality": {"apply": "none"}}, "raw": {"intake": form}}
    )
    stated = read_study(study)
    assert {name: under_variant(stated, name) for name in ("all", "raw")} == {
        name: read_study(study, name) for name in ("all", "raw")
    }
    (study / "scans.csv").unlink()
    assert under_variant(stated, "all").definition.quality.apply == "none"
    with pytest.raises(InputFault):
        under_variant(stated, "raw")


def test_an_unknown_variant_is_told_with_the_nearest(small_study: Path) -> None:
    study = with_variants(small_study, {"smoothed": {"quality": {"apply": "none"}}})
    with pytest.raises(InputFault) as caught:
        read_study(study, "smothed")
    assert "smoothed" in caught.value.problems[0].mend


def test_differences_are_told_with_the_stated_value() -> None:
    stated = {"quality": {"apply": "faults"}, "indices": {"use": ["NDVI", "PRI"]}}
    other = {"quality": {"apply": "none"}, "indices": {"use": ["NDVI"]}}
    assert differences_in_words(stated, other) == (
        "quality.apply: none (stated: faults); indices.use: NDVI (stated: NDVI and PRI)"
    )
    assert differences_in_words(stated, stated) == ""

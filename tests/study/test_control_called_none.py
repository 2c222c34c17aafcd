"""A treatment may be called `none`; the word alone also says that there is no control."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of

Edit = Callable[[Path, str, str], None]


def rename(study: Path, label: str) -> None:
    path = study / "units.csv"
    text = path.read_text(encoding="utf-8")
    assert ",water," in text
    path.write_text(text.replace(",water,", f",{label},"), encoding="utf-8")


@pytest.mark.parametrize("typed", ["none", '"none"', "'none'", "null", "~"])
def test_a_level_called_none_is_the_control(small_study: Path, edit: Edit, typed: str) -> None:
    label = typed.strip("\"'")
    rename(small_study, label)
    edit(small_study / "study.yaml", "control: water", f"control: {typed}")
    study = read_study(small_study)
    assert study.definition.design.control == label
    assert settings_of(study, "acceptance", None)["design"]["control"] == label
    assert settings_of(study, "effects", None)["design"]["control"] == label


@pytest.mark.parametrize("typed", ["none", '"none"', "~", '""'])
def test_none_without_such_a_level_is_no_control(small_study: Path, edit: Edit, typed: str) -> None:
    edit(small_study / "study.yaml", "control: water", f"control: {typed}")
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    (problem,) = [p for p in caught.value.problems if p.column == "design.control"]
    assert problem.found == "no control"
    assert "chelate, water" in problem.expected


def test_a_level_called_none_is_not_taken_when_nothing_was_typed(
    small_study: Path, edit: Edit
) -> None:
    rename(small_study, "none")
    edit(small_study / "study.yaml", "control: water", "control: ''")
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    (problem,) = [p for p in caught.value.problems if p.column == "design.control"]
    assert problem.found == "no control"


def test_another_spelling_is_told_apart(small_study: Path, edit: Edit) -> None:
    rename(small_study, "None")
    edit(small_study / "study.yaml", "control: water", "control: none")
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    (problem,) = [p for p in caught.value.problems if p.column == "design.control"]
    assert 'To name "None", write it just so' in problem.mend

"""A treatment typed in two ways is an error with the word that was meant, never a new level."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from leafledger.cli.study_commands import check
from leafledger.errors import InputFault, Problem
from leafledger.study.checks import MISSING_WORDS, LabelCell, level_problems, levels_with_n
from leafledger.study.definition import Design
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of

Edit = Callable[[Path, str, str], None]


def found(column: str = "treatment", design: Design | None = None, **n: int) -> list[Problem]:
    return problems_of(list(n.items()), column, design)


def problems_of(
    levels: list[tuple[str, int]], column: str = "treatment", design: Design | None = None
) -> list[Problem]:
    labels = [level for level, n in levels for _ in range(n)]
    cells = [LabelCell(text, "units.csv", row) for row, text in enumerate(labels, start=2)]
    return level_problems(design or Design(), column, cells, "plant")


@pytest.mark.parametrize(
    ("typed", "row"),
    [("chelat", 4), ("Chelate", 4), ("#N/A", 4), ("chel\N{CYRILLIC SMALL LETTER A}te", 4)],
)
def test_a_slip_in_the_sheet_of_units_is_refused_by_its_row(
    small_study: Path, edit: Edit, typed: str, row: int
) -> None:
    edit(small_study / "units.csv", "p03,chelate", f"p03,{typed}")
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    (problem,) = caught.value.problems
    assert (problem.file, problem.row, problem.column) == ("units.csv", row, "treatment")
    assert "1 plant" in problem.found
    if typed != "#N/A":
        assert 'Did you mean "chelate"?' in problem.mend
        assert "design.levels" in problem.mend


@pytest.mark.parametrize(
    ("odd", "meant"),
    [
        ("Water", "water"),
        ("water ", "water"),
        ("wa\N{COMBINING RING ABOVE}ter", "w\N{LATIN SMALL LETTER A WITH RING ABOVE}ter"),
        ("\N{FULLWIDTH LATIN SMALL LETTER W}ater", "water"),
        ("5 mM", "5mM"),
        ("10.0", "10"),
        ("0,5", "0.5"),
        ("low_N", "low N"),
    ],
)
def test_one_word_in_two_forms_is_one_level(odd: str, meant: str) -> None:
    (problem,) = problems_of([(meant, 3), (odd, 2)])
    assert f'Did you mean "{meant}"?' in problem.mend
    assert problem.row == 5


@pytest.mark.parametrize("n", [1, 3])
@pytest.mark.parametrize("odd", ["chelat", "chelatte", "cehlate", "helate"])
def test_a_letter_missing_doubled_or_swapped_is_a_slip(odd: str, n: int) -> None:
    (problem,) = problems_of([("chelate", 3), (odd, n)])
    assert "chelate" in problem.mend or "chelate" in problem.found


def test_the_rarer_of_two_is_the_odd_one() -> None:
    (problem,) = found(chelat=1, chelate=4)
    assert problem.row == 2
    assert problem.found == '"chelat" (1 plant) beside "chelate" (4 plants)'


@pytest.mark.parametrize(
    "pair",
    [
        ("nitrate", "nitrite"),
        ("dose1", "dose2"),
        ("10", "100"),
        ("line A", "line B"),
        ("lowN", "lowP"),
        ("NPK", "NPKS"),
        ("irrigated", "unirrigated"),
        ("increased", "decreased"),
        ("+N", "-N"),
        ("wet", "dry"),
        ("drought", "droughted twice"),
    ],
)
def test_two_treatments_are_left_alone(pair: tuple[str, str]) -> None:
    assert problems_of([(pair[0], 5), (pair[1], 5)]) == []


def test_a_wrong_letter_is_a_slip_where_the_level_is_rare() -> None:
    assert found(nitrate=5, nitrote=5) == []
    assert len(found(nitrate=5, nitrote=1)) == 1
    assert len(found(fertilizer=5, fertlizar=1)) == 1


@pytest.mark.parametrize("column", ["block", "cultivar", "tray"])
@pytest.mark.parametrize(
    "odd",
    ["kestrel", "Kestral", "Kestre", "Kestrel ", "Ketsrel", "K\N{CYRILLIC SMALL LETTER IE}strel"],
)
def test_the_same_rule_holds_for_block_whole_plot_and_factors(column: str, odd: str) -> None:
    design = Design(block="block", factors=["cultivar"], whole_plot="tray")
    (problem,) = problems_of([("Kestrel", 4), (odd, 1)], column, design)
    assert problem.column == column
    assert 'Did you mean "Kestrel"?' in problem.mend
    assert "design.distinct" in problem.mend and "design.levels" not in problem.mend
    meant = design.model_copy(update={"distinct": ["Kestrel", odd]})
    assert problems_of([("Kestrel", 4), (odd, 1)], column, meant) == []


def test_a_slip_in_a_factor_is_refused_by_its_row(small_study: Path, edit: Edit) -> None:
    edit(small_study / "units.csv", "p02,water,A,Kestrel", "p02,water,A,Kestrl")
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    (problem,) = caught.value.problems
    assert (problem.file, problem.row, problem.column) == ("units.csv", 3, "cultivar")
    edit(
        small_study / "study.yaml",
        "  control: water",
        "  distinct: [Kestrel, Kestrl]\n  control: water",
    )
    assert settings_of(read_study(small_study), "effects", None)["design"].get("distinct") is None


def test_labels_called_distinct_twice_are_a_problem(small_study: Path, edit: Edit) -> None:
    edit(small_study / "study.yaml", "  control: water", "  distinct: [a, a]\n  control: water")
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    assert [p.column for p in caught.value.problems] == ["design.distinct"]


@pytest.mark.parametrize("n", [1, 5])
@pytest.mark.parametrize(
    "pair",
    [("low", "slow"), ("heat", "wheat"), ("light", "night"), ("late", "plate"), ("dry", "day"),
     ("salt", "malt"), ("rain", "grain"), ("light", "slight"), ("cold", "clod"), ("cut", "uncut")],
)  # fmt: skip
def test_short_words_that_differ_by_a_letter_are_two_levels(pair: tuple[str, str], n: int) -> None:
    assert problems_of([(pair[0], n), (pair[1], 5)]) == []
    assert problems_of([(pair[0], 5), (pair[1], n)]) == []


@pytest.mark.parametrize(("n", "refused"), [(1, 1), (2, 1), (4, 0)])
def test_a_slip_in_a_word_of_five_letters_counts_where_it_is_rare(n: int, refused: int) -> None:
    for odd in ("wate", "watre", "waten"):
        assert len(problems_of([("water", 5), (odd, n)])) == refused, odd


def test_levels_that_the_design_states_may_be_near_and_no_other_is_taken() -> None:
    design = Design(levels=["nitrate", "nitrat"])
    assert found(design=design, nitrate=3, nitrat=3) == []
    (problem,) = found(design=design, nitrate=3, nitrat=3, Nitrat=1)
    assert "a level that design.levels states" in problem.expected
    assert 'Did you mean "nitrat"?' in problem.mend
    assert found(design=Design(doses={"salt": 1, "salty": 2}), salt=3, salty=3) == []
    assert found(design=Design(levels=["NA", "K"]), NA=3, K=3) == []


@pytest.mark.parametrize("word", ["NA", "n/a", "nan", "#REF!", "#WERT!", "?"])
def test_words_for_a_missing_value_are_no_level(word: str) -> None:
    (problem,) = problems_of([("water", 4), (word, 3)])
    assert "3 plants" in problem.found


@settings(max_examples=200, deadline=None)
@given(st.text(st.characters(categories=["Ll", "Lu", "Nd"]), min_size=1, max_size=12))
def test_every_unicode_form_of_a_label_is_the_same_level(label: str) -> None:
    assume(label not in MISSING_WORDS)
    forms = {unicodedata.normalize(form, label) for form in ("NFC", "NFD", "NFKC", "NFKD")}
    assert len(problems_of([(form, 2) for form in sorted(forms)])) == len(forms) - 1


def test_levels_are_counted_with_the_control_first_and_empty_ones() -> None:
    units = {"p1": {"treatment": "salt"}, "p2": {"treatment": "water"}, "p3": {"treatment": "salt"}}
    design = Design(control="water", levels=["salt", "heat"])
    assert levels_with_n(units, design) == [("water", 1), ("salt", 2), ("heat", 0)]


def test_check_lists_the_levels_with_their_n(small_study: Path, edit: Edit) -> None:
    edit(
        small_study / "study.yaml",
        "  control: water",
        "  levels: [water, chelate, salt]\n  control: water",
    )
    done = CliRunner().invoke(check, [str(small_study), "--sheets"])
    assert "  - water: 4 (control)\n  - chelate: 4\n  - salt: 0\n" in done.stdout
    assert 'design.levels states "salt"' in done.stdout
    told = json.loads(CliRunner().invoke(check, [str(small_study), "--sheets", "--json"]).stdout)
    assert told["levels"][1] == {"level": "chelate", "n": 4}


def test_stating_the_levels_makes_no_step_run_again(small_study: Path, edit: Edit) -> None:
    before = settings_of(read_study(small_study), "effects", None)
    edit(
        small_study / "study.yaml",
        "  control: water",
        "  levels: [water, chelate]\n  control: water",
    )
    assert settings_of(read_study(small_study), "effects", None) == before


def test_a_level_stated_twice_is_a_problem(small_study: Path, edit: Edit) -> None:
    edit(
        small_study / "study.yaml",
        "  control: water",
        "  levels: [water, chelate, water]\n  control: water",
    )
    with pytest.raises(InputFault) as caught:
        read_study(small_study)
    (problem,) = caught.value.problems
    assert (problem.column, problem.file) == ("design.levels", "study.yaml")
    assert problem.row is not None

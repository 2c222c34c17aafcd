"""Settings are checked before any job: every fault at once, each with a way out."""

import pytest

from leafledger.errors import InputFault
from leafledger.indices.catalogue import catalogue, check_indices, chosen
from leafledger.spectra.formula import written
from leafledger.study.definition import Indices


def section(**values):
    return Indices.model_validate(values).model_dump(mode="json")


def own(index, formula):
    return {"index": index, "formula": formula}


def test_the_default_section_is_the_twelve_indices() -> None:
    settings = section()
    assert check_indices(settings) == []
    entries = chosen(settings)
    assert [entry.index for entry in entries] == settings["use"]
    assert len(entries) == 12
    assert written(entries[-1].tree) == "R(895, 905) / R(965, 975)"


def test_all_means_all_and_formulas_come_last() -> None:
    settings = section(use="all", formulas=[own("mine", "R(750) / R(700)")])
    assert [entry.index for entry in chosen(settings)] == [*catalogue(), "mine"]
    settings = section(use=["NDVI", "all"])
    assert [entry.index for entry in chosen(settings)][:2] == ["NDVI", "SR"]
    assert len(chosen(settings)) == len(catalogue())


def test_a_formula_may_be_named_to_place_it() -> None:
    settings = section(use=["mine", "PRI"], formulas=[own("mine", "R(750) / R(700)")])
    assert [entry.index for entry in chosen(settings)] == ["mine", "PRI"]


def test_a_stated_width_goes_for_every_single_wavelength() -> None:
    settings = section(
        use=["WI", "CI_green"],
        band_read={"mean_over_nm": 5},
        formulas=[own("mine", "R(750) / R(700, 705)")],
    )
    assert [written(entry.tree) for entry in chosen(settings)] == [
        "R(897.5, 902.5) / R(967.5, 972.5)",
        "R(750, 800) / R(520, 585) - 1",
        "R(747.5, 752.5) / R(700, 705)",
    ]


def test_all_faults_are_reported_together() -> None:
    settings = section(
        use=["NDVI", "ndvi", "CI_redege", "NDVI"],
        formulas=[
            own("NDVI", "R(750)"),
            own("twice", "R(750)"),
            own("twice", "R(751)"),
            own("all", "R(751)"),
            own("broken", "(R(750) - R(705) / 2"),
        ],
    )
    problems = check_indices(settings)
    told = [(p.column, p.found, p.mend) for p in problems]
    assert told == [
        ("indices.use", '"ndvi"', 'Did you mean "NDVI"?'),
        ("indices.use", '"CI_redege"', 'Did you mean "CI_rededge"?'),
        ("indices.use", '"NDVI" 2 times', "Leave it in once."),
        (
            "indices.formulas.NDVI",
            '"NDVI", the name of a published index',
            "Give the formula another name.",
        ),
        (
            "indices.formulas.twice",
            '"twice", the name of 2 formulas',
            "Give the formula another name.",
        ),
        (
            "indices.formulas.all",
            '"all", the word for all indices',
            "Give the formula another name.",
        ),
        (
            "indices.formulas.broken",
            'the end of the formula after "...(750) - R(705) / 2" (character 21)',
            "Close the parenthesis.",
        ),
    ]
    assert {p.file for p in problems} == {"study.yaml"}
    with pytest.raises(InputFault) as caught:
        chosen(settings)
    assert len(caught.value.problems) == len(problems)


def test_the_offending_character_is_shown() -> None:
    settings = section(formulas=[own("mine", "(R(750) - R(705)) ; \x1b[31m(R(750) + R(705))")])
    (problem,) = check_indices(settings)
    assert problem.found.startswith('";" at character 19 of "')
    assert "\x1b" not in problem.sentence()
    assert problem.mend == "Write , instead."


def test_nothing_asked_for_is_a_fault() -> None:
    (problem,) = check_indices(section(use=[]))
    assert problem.found == "no index"
    assert check_indices(section(use=[], formulas=[own("mine", "R(750)")])) == []

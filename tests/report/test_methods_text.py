"""The works behind methods and indices: read from the catalogue, cited, written as BibTeX.

Places of publication are held against the papers' own title pages as cited in reviews of leaf
indices: Gamon, Peñuelas and Field 1992 (Remote Sensing of Environment 41, 35-44), Gamon, Serrano
and Surfus 1997 (Oecologia 112, 492-501), Sims and Gamon 2002 (Remote Sensing of Environment 81,
337-354), Welch 1947 (Biometrika 34, 28-35).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, ClassVar, get_args

import pytest

from leafledger.indices.catalogue import catalogue
from leafledger.pigments.extracts import equations
from leafledger.report import methods_text
from leafledger.report import works as m
from leafledger.study import definition


def entry(index: str) -> dict[str, str]:
    return {"index": index, "source": catalogue()[index].source}


def test_every_index_of_the_catalogue_has_works_with_authors_year_and_place() -> None:
    works: dict[str, m.Work] = {}
    for index in catalogue():
        found = m.works_of_index(entry(index))
        assert found, index
        for work in found:
            assert re.fullmatch(r"[a-z]+\d{4}[a-z]?", work.key), (index, work.key)
            assert re.fullmatch(r"\d{4}", work.year), index
            assert work.where and not re.search(r"\d:\d", work.where.rpartition(", ")[0]), index
            assert not any(re.search(r"\b(as|form|and|in)\b|[;()]", a) for a in work.authors), index
            assert works.setdefault(work.key, work) == work, "one key, one work"
    places = [(w.where, w.volume, w.pages) for w in works.values()]
    assert len(places) == len(set(places)), "one work, one key"
    assert not set(works) & set(m.WORKS)


def test_works_of_an_index_with_two_sources() -> None:
    first, second = m.works_of_index(entry("PRI"))
    assert (first.short, first.where, first.volume, first.pages) == (
        "Gamon et al. 1992", "Remote Sensing of Environment", "41", "35-44"
    )  # fmt: skip
    assert (second.short, second.where, second.volume, second.pages) == (
        "Gamon et al. 1997", "Oecologia", "112", "492-501"
    )  # fmt: skip
    assert second.families == ["Gamon", "Serrano", "Surfus"]
    _, later = m.works_of_index(entry("SR705"))
    assert (later.short, later.pages) == ("Sims and Gamon 2002", "337-354")
    _, same_journal = m.works_of_index(entry("WI"))
    assert (same_journal.where, same_journal.volume) == (
        "International Journal of Remote Sensing", "14"
    )  # fmt: skip


def test_an_index_of_the_users_own_has_the_source_it_states() -> None:
    (work,) = m.works_of_index({"index": "RE_contrast", "source": "lab book 7, {page} 3"})
    assert work.key == "indexRE5fcontrast"
    assert work.bibtex() == (
        "@misc{indexRE5fcontrast,\n"
        "  title = {{RE\\_contrast, an index as this study states it}},\n"
        "  howpublished = {lab book 7, \\{page\\} 3},\n"
        "  annote = {as the study states it},\n}\n"
    )
    assert m.works_of_index({"index": "x", "source": ""}) == ()
    # A published name with another source is another index.
    (own,) = m.works_of_index({"index": "PRI", "source": "ours"})
    assert own.where == "ours"


def test_bibtex_of_a_method() -> None:
    text = m.WORKS["welch1947"].bibtex()
    for line in (
        "@article{welch1947,", "  author = {Welch, B. L.},", "  year = {1947},",
        "  journal = {Biometrika},", "  volume = {34},", "  pages = {28--35},",
    ):  # fmt: skip
        assert line in text.splitlines()
    assert "from memory" in text
    assert r"Statistics \& Probability" in m.WORKS["janssen1997"].bibtex()
    (datt, _) = m.works_of_index(entry("DD"))[0], None
    assert "{le Maire} and François" in datt.bibtex()


@pytest.mark.parametrize(
    "works", [m.WORKS, {w.key: w for i in catalogue() for w in m.works_of_index(entry(i))}]
)
def test_every_entry_is_balanced_and_has_what_bibtex_needs(works: dict[str, m.Work]) -> None:
    for key, work in works.items():
        text = work.bibtex()
        assert key == work.key
        assert text.count("{") == text.count("}")
        assert "author = {" in text and "year = {" in text
        assert re.search(r"(journal|publisher|booktitle|howpublished) = \{.", text)


def test_every_method_that_settings_allow_has_words_and_a_work() -> None:
    named = set(get_args(definition.Effects.model_fields["methods"].annotation)[0].__args__)
    assert named and named <= set(methods_text._METHODS)
    assert {key for _, key in methods_text._METHODS.values()} <= set(m.WORKS)
    assert set(m.OF_LIBRARY.values()) <= set(m.WORKS)


def test_marks_become_citations_in_text_and_latex() -> None:
    marked = f"Welch's test{m.cite('welch1947')} of CI_x & 5 % {m.cite()}<b>"
    assert m.keys_in(marked) == ["welch1947"]
    assert m.with_short_citations(marked, m.WORKS) == "Welch's test (Welch 1947) of CI_x & 5 % <b>"
    assert m.tex(marked) == (
        r"Welch's test~\cite{welch1947} of CI\_x \& 5 \% \textless{}b\textgreater{}"
    )
    assert m.tex("\\input{x}^~\N{MINUS SIGN}1") == (
        r"\textbackslash{}input\{x\}\textasciicircum{}\textasciitilde{}\ensuremath{-}1"
    )
    code = "`leafledger verify` holds a_b against it; a ` alone stays"
    assert m.tex(code) == r"\texttt{leafledger verify} holds a\_b against it; a ` alone stays"
    assert m.without_code_marks(code) == "leafledger verify holds a_b against it; a ` alone stays"


def test_every_set_of_extinction_equations_has_works_at_the_place_it_states() -> None:
    for equation in equations():
        works = m.works_of_equation(equation.source)
        assert works, equation.name
        for work in works:
            place = f"{work.volume}:{work.pages}" if work.volume else work.pages
            assert f"{work.where} {place}" in equation.source, equation.name


class Facts:
    """A run of three tasks: the settings that they record, and their summaries."""

    decisions = ()
    records: ClassVar[dict[str, Any]] = {}

    def __init__(self, **summaries: Any) -> None:
        self.summaries = summaries

    def settings(self, rule: str) -> dict[str, Any]:
        of_rule: dict[str, dict[str, Any]] = {
            "pigments": {"pigments": {"index": None, "interval": 0.95}},
            "traits": {
                "traits": {"targets": ["n_mass"], "interval": 0.9, "n_permutations": 199, "seed": 7}
            },
            "trait_effects": {"effects": {}},
            "leaf_model": {"leaf_model": {"interval": 0.95}},
        }
        return of_rule[rule] if rule == "trait_effects" or rule in self.summaries else {}

    def json(self, path: str) -> Any:
        return self.summaries[Path(path).stem]

    def table(self, path: str) -> Any:
        raise AssertionError(path)


def said(facts: Facts) -> str:
    parts = (methods_text._pigments, methods_text._traits, methods_text._leaf_model)
    return " ".join(sentence for part in parts for sentence in part(facts))


def test_a_study_without_contents_says_nothing_of_them() -> None:
    assert said(Facts()) == ""


def test_assays_are_described_with_solvent_wavelengths_and_the_work_of_their_equations() -> None:
    summary = {
        "equations": [
            {
                "solvent": "acetone 80 %",
                "formula": "Ca = 12.25 A663.2 - 2.79 A646.8; Cb = 21.5 A646.8 - 5.1 A663.2",
                "source": "Lichtenthaler 1987, Methods in Enzymology 148:350-382",
                "comparison_only": False,
            }
        ],
        "sentences": [{"index": "CI_rededge"}],
        "strips": [],
    }
    text = said(Facts(pigments=summary))
    assert (
        "extracted in acetone 80 %, and their contents computed from absorbances at 663.2 and "
        f"646.8 nm by published equations{m.cite('lichtenthaler1987')}." in text
    )
    assert "intervals of a leaf (95 %)" in text and "chromatogram" not in text
    handed_in = said(Facts(pigments={**summary, "equations": [], "strips": ["Strip 1."]}))
    assert "as they were handed in" in handed_in and "acetone" not in handed_in
    assert "On chromatograms" in handed_in


def test_traits_and_leaf_model_name_their_works_and_no_key_of_a_table() -> None:
    one = {"target": "n_mass", "trained": True, "split": "each plant held out",
           "interval_sentence": "(jackknife+ over plants)"}  # fmt: skip
    text = said(Facts(traits={"targets": [one]}))
    assert m.keys_in(text) == [
        "wold1983", "burnett2021", "barber2021", "dunn2023", "efron1981", "mackinnon1985",
        "student1908", "holm1979",
    ]  # fmt: skip
    assert "n mass of leaves was estimated" in text and "_" not in text
    assert "(90 %)" in text and "199 exchanges" in text and "(seed 7)" in text
    parts = {**one, "interval_sentence": "(CV+ over plants)"}
    assert "are by CV+" in said(Facts(traits={"targets": [parts]}))
    assert "Treatments were compared" in text
    unclear = said(Facts(traits={"targets": [{**one, "unclear": "no better than the mean"}]}))
    assert "Treatments were compared" not in unclear
    few = said(Facts(traits={"targets": [{**one, "trained": False}]}))
    assert few == "A model of n mass from the spectrum was asked for; too few leaves were known."
    model = {
        "model": "PROSPECT-D", "wavelength_nm": [450.0, 900.0], "coefficients": "table.csv",
        "priors": [{"quantity": "dry_matter", "mean": 0.006, "sd": 0.006, "unit": "g/cm2"}],
        "largest_misfit": 0.02,
    }  # fmt: skip
    text = said(Facts(leaf_model=model))
    assert m.with_short_citations(text, m.WORKS).startswith(
        "Contents were also estimated without an assay, by inversion of the leaf model PROSPECT-D "
        "(Féret et al. 2017) over 450 to 900 nm, with the coefficients in table.csv."
    )
    assert "dry matter 0.006 (SD 0.006 g/cm2)" in text

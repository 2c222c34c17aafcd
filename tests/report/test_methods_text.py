"""The works behind methods and indices: read from the catalogue, cited, written as BibTeX.

Places of publication are held against the papers' own title pages as cited in reviews of leaf
indices: Gamon, Peñuelas and Field 1992 (Remote Sensing of Environment 41, 35-44), Gamon, Serrano
and Surfus 1997 (Oecologia 112, 492-501), Sims and Gamon 2002 (Remote Sensing of Environment 81,
337-354), Welch 1947 (Biometrika 34, 28-35).
"""

from __future__ import annotations

import re
from typing import get_args

import pytest

from leafledger.indices.catalogue import catalogue
from leafledger.report import methods_text as m
from leafledger.study import definition


def entry(index: str) -> dict[str, str]:
    return {"index": index, "source": catalogue()[index].source}


def test_every_index_of_the_catalogue_has_works_with_authors_year_and_place() -> None:
    works = {}
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
        "@misc{indexRE5fcontrast,\n  howpublished = {lab book 7, \\{page\\} 3},\n"
        "  note = {as the study states it},\n}\n"
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
    assert named and named <= set(m._METHODS)
    assert {key for _, key in m._METHODS.values()} <= set(m.WORKS)
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

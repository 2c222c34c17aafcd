"""Several studies of one treatment on one page: read, compared, refused, drawn."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from generated import generator, shrink
from leafledger.errors import InputFault
from leafledger.ledger.studies_together import (
    StudyEffect,
    cautions_of,
    combined,
    effects_of,
    page_of,
    summary_sentences,
    write_comparison,
)
from leafledger.study.table_files import read_csv

MODEL = {
    "index": "CI_rededge",
    "formula": "R(750, 800) / R(695, 740) - 1",
    "unit": "1",
    "question": "difference in change",
    "method": "linear model",
    "covariates": "value before, block",
    "level": "0.95",
    "word": "plant",
}


def season(name: str, estimate: float, se: float, df: float = 16.0) -> StudyEffect:
    return StudyEffect(
        study=name,
        level="chelate",
        reference="water",
        span="day0 to day12 (12 days, from 2026-05-04)",
        model=MODEL,
        estimate=estimate,
        low=estimate - 2.1199 * se,
        high=estimate + 2.1199 * se,
        ci_level=0.95,
        df=df,
        se=se,
        n=(12, 12),
        sentence=f"It rose by {estimate} <b>.",
        plan="Recorded before any scan.",
        effects_sha256=name,
    )


SEASONS = [[season("2024", 0.14, 0.02)], [season("2025", 0.05, 0.03)], [season("2026", 0.11, 0.02)]]


def test_sentences_give_mean_interval_spread_and_prediction() -> None:
    effects = [one[0] for one in SEASONS]
    together = combined(effects)
    # By hand: with tau squared of Paule and Mandel the generalised Q is k - 1 = 2.
    w = 1 / (np.array([0.02, 0.03, 0.02]) ** 2 + together.tau**2)
    y = np.array([0.14, 0.05, 0.11])
    mean = w @ y / w.sum()
    assert w @ (y - mean) ** 2 == pytest.approx(2.0, abs=1e-9)
    lead, spread, further, few, small = summary_sentences(effects, together)
    half = 4.302652729911275 / np.sqrt(w.sum())
    assert lead.startswith(
        f"Over 3 studies the mean effect is {mean:.2f} (95 % interval "
        f"\N{MINUS SIGN}{half - mean:.2f} to {mean + half:.2f}; t = "
    )
    assert lead.endswith("no mean effect is shown.")
    assert f"Q = {together.q:.2f}, df = 2" in spread
    assert "prediction interval" in further and "With 3 studies" in few
    assert small.endswith("cannot be tested: it takes ten or more.")
    two = effects[:2]
    assert "allow no prediction interval" in summary_sentences(two, combined(two))[2]


def test_ten_studies_say_whether_small_ones_differ() -> None:
    errors = [0.02 + 0.01 * i for i in range(10)]
    alike = [season(str(i), 0.1 + 0.3 * e * (-1) ** i, e) for i, e in enumerate(errors)]
    last = summary_sentences(alike, combined(alike))[-1]
    assert last.startswith("Small studies are not shown to have other effects than large ones")
    other = [season(str(i), 0.1 + (3 + 0.3 * (-1) ** i) * e, e) for i, e in enumerate(errors)]
    last = summary_sentences(other, combined(other))[-1]
    assert last.startswith("Small studies show other effects than large ones") and "df = 8" in last


def test_the_page_is_the_same_each_time_and_asks_for_nothing() -> None:
    page = page_of(SEASONS)
    assert page == page_of(SEASONS)
    assert "<script" not in page and not re.search(r'(src|href)="(?!#)', page)
    assert "It rose by 0.14 &lt;b&gt;." in page
    assert page.count('<th scope="row">') == 3
    assert "mean of the studies" in page and "a further study" in page
    assert "Hartung and Knapp (2001)" in page


def test_two_pairs_of_treatments_have_a_part_each_whatever_their_order() -> None:
    other = [replace(season("2024", 0.3, 0.05), level="sulphate")]
    more = [replace(season("2025", 0.2, 0.05), level="sulphate")]
    page = page_of([SEASONS[0] + other, more + SEASONS[1]])
    assert "2 pairs of treatments are compared" in page
    first, second = page.index("<h2>chelate minus water"), page.index("<h2>sulphate minus water")
    assert first < second
    assert page[second:].count('<td class="r">0.30</td>') == 1
    assert "pairs of treatments" not in page_of(SEASONS)


def test_the_order_of_studies_changes_no_number() -> None:
    forth = combined([one[0] for one in SEASONS])
    back = combined([one[0] for one in reversed(SEASONS)])
    assert (back.mean, back.se, back.tau) == pytest.approx((forth.mean, forth.se, forth.tau))


def test_cautions_name_unlike_spans_missing_plans_and_few_units() -> None:
    other = replace(season("late", 0.1, 0.02, df=5.0), span="day0 to day20 (20 days)", plan="")
    notes = " ".join(cautions_of([SEASONS[0][0], other]))
    assert "day0 to day12 (12 days and day0 to day20" in notes
    assert "when the plan was made: late" in notes
    assert "fewer than 10 degrees of freedom in late" in notes
    assert cautions_of([one[0] for one in SEASONS]) == []


@pytest.mark.parametrize(
    ("name", "other", "words"),
    [
        ("index", "PRI", "index"),
        ("formula", "R(750) / R(710) - 1", "formula of the index"),
        ("unit", "nm", "unit of the value"),
        ("method", "Welch t", "model of the primary contrast"),
        ("word", "tray", "experimental unit"),
    ],
)
def test_studies_that_ask_otherwise_are_refused(
    monkeypatch: pytest.MonkeyPatch, name: str, other: str, words: str
) -> None:
    from leafledger.ledger import studies_together

    second = replace(SEASONS[1][0], model={**MODEL, name: other})
    made = {"a": [SEASONS[0][0]], "b": [second]}
    monkeypatch.setattr(
        studies_together, "_effects_of_one", lambda folder, _name: made[folder.name]
    )
    with pytest.raises(InputFault) as refused:
        effects_of([Path("/x/a"), Path("/x/b")])
    (problem,) = refused.value.problems
    assert problem.found == f'{words}: "{other}"'
    assert MODEL[name] in problem.expected


def test_other_treatments_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    from leafledger.ledger import studies_together

    made = {"a": [SEASONS[0][0]], "b": [replace(SEASONS[1][0], level="sulphate")]}
    monkeypatch.setattr(
        studies_together, "_effects_of_one", lambda folder, _name: made[folder.name]
    )
    with pytest.raises(InputFault, match='treatments compared: "sulphate minus water"'):
        effects_of([Path("/x/a"), Path("/x/b")])


def test_one_study_a_copy_and_a_study_never_run_are_refused(
    small_study_run: Path, small_study_made: Path, tmp_path: Path
) -> None:
    with pytest.raises(InputFault, match="one study"):
        effects_of([small_study_run])
    copy = Path(shutil.copytree(small_study_run, tmp_path / "copy"))
    with pytest.raises(InputFault) as refused:
        effects_of([small_study_run, copy, small_study_made])
    found = [problem.found for problem in refused.value.problems]
    assert found[0] == "no book of runs"
    assert found[1].endswith("hold the same results, digit by digit")


def test_a_copy_with_another_title_and_decision_is_one_study() -> None:
    """What a copy changes since (title, decision, digits) leaves its raw files and its runs."""
    from leafledger.ledger import studies_together

    raw = frozenset("abcde")
    one = replace(season("a", 0.14, 0.02), raw=raw, runs=frozenset({"r1", "r2"}))
    other = replace(season("h", 0.11, 0.03), raw=frozenset("cdefghij"), runs=frozenset({"r3"}))

    def found(second: StudyEffect) -> list[tuple[str, str]]:
        problems = studies_together._same_study([[one], [second]])
        return [(problem.file, problem.found) for problem in problems]

    assert found(other) == [("raw", "a and h share 3 of 5 raw files (60 %), byte by byte")]
    other = replace(other, raw=frozenset("fghij"))
    assert found(other) == []
    leaves = replace(one, raw=frozenset("abcdefghij"))
    lamp = replace(other, raw=frozenset("aklmnopqrstuv"))
    two_lamps = replace(other, raw=frozenset("abklmnopqrstu"))
    in_common = [bool(studies_together._in_common([leaves], [s])) for s in (lamp, two_lamps)]
    assert in_common == [False, True], "a lamp's file may be used again, not more"
    same_run = replace(other, runs=frozenset({"r2", "r4"}))
    assert found(same_run) == [("ledger/runs", "a and h have 1 run of their books in common")]
    equal = replace(other, estimate=one.estimate, low=one.low, high=one.high)
    assert found(equal) == [
        ("results/effects.csv", "a and h have the same primary results, digit by digit")
    ]


def test_what_a_run_read_is_held_against_that_of_a_copy(
    small_study_run: Path, tmp_path: Path
) -> None:
    from leafledger.ledger.studies_together import _effects_of_one, _in_common

    copy = Path(shutil.copytree(small_study_run, tmp_path / "copy"))
    (one,), (other,) = (_effects_of_one(folder, folder.name) for folder in (small_study_run, copy))
    assert one.raw and one.runs
    assert len(one.raw) > 10 and one.runs == other.runs
    changed = replace(other, estimate=0.5, effects_sha256="other")
    common = _in_common([one], [changed])
    assert common is not None
    assert common[1] == f"share {len(one.raw)} of {len(one.raw)} raw files (100 %), byte by byte"


def test_the_page_never_replaces_another_file_nor_lies_in_a_study(
    small_study_run: Path, tmp_path: Path
) -> None:
    mine = tmp_path / "mine.html"
    mine.write_text("<html>", encoding="utf-8")
    with pytest.raises(InputFault, match="not written by this command"):
        write_comparison([small_study_run, tmp_path / "b"], mine)
    with pytest.raises(InputFault, match="inside one of the studies"):
        write_comparison([small_study_run, tmp_path / "b"], small_study_run / "page.html")
    assert mine.read_text("utf-8") == "<html>"


@pytest.mark.slow
def test_two_seasons_from_raw_files(small_study_run: Path, tmp_path: Path) -> None:
    from leafledger.runner.run import run_study

    other = tmp_path / "second"
    generator().generate(
        other, seed=6, n_plants=8, n_leaves=2, n_sessions=2, n_pixels=256, fault_list="none"
    )
    shrink(other)
    assert run_study(other, cores=2).outcome == "done"
    studies = effects_of([small_study_run, other])
    for folder, (effect,) in zip((small_study_run, other), studies, strict=True):
        table = read_csv(folder / "results/effects.csv")
        row = table[table["primary"]].iloc[0]
        assert effect.estimate == row["estimate"]
        # The table's own t is estimate over error: the error found from the interval is that one.
        assert effect.se == pytest.approx(row["estimate"] / row["statistic"], rel=1e-7)
        assert effect.n == (4, 4)
    out = tmp_path / "seasons.html"
    (said,) = write_comparison([small_study_run, other], out)
    first = out.read_bytes()
    assert said.startswith("chelate minus water: Over 2 studies the mean effect is")
    write_comparison([small_study_run, other], out)
    assert out.read_bytes() == first
    assert str(tmp_path).encode() not in first

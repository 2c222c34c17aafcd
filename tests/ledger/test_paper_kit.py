"""The paper kit of a run: what is in it, that it holds together, and that it is whole or absent."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import docx
import pytest
import yaml
from playwright.sync_api import expect

from browser import Watched
from leafledger.cli.ledger_commands import export as export_command
from leafledger.errors import InputFault
from leafledger.ledger import paper_kit
from leafledger.ledger.paper_kit import (
    GUIDELINES,
    Kit,
    availability_text,
    checklist,
    read_kit,
    readme,
    results_text,
    write_paper_kit,
)
from leafledger.report.works import tex, without_code_marks
from leafledger.runner.workflow import snakefile
from leafledger.study.table_files import read_csv


@pytest.fixture(scope="module")
def kit(small_study_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the kit of the small study."""
    out = tmp_path_factory.mktemp("paper") / "kit"
    notes = write_paper_kit(small_study_run, out, snakefile(), authors=["A. Grower", "B. & Co"])
    assert any("licence" in note for note in notes)
    assert not list(out.parent.glob(".*")), "nothing half written is left"
    return out


@pytest.fixture(scope="module")
def facts(small_study_run: Path) -> Kit:
    """Return what a kit is made of, its figures left out."""
    with pytest.MonkeyPatch.context() as patch:
        drawn = paper_kit.journal_figures
        patch.setattr(paper_kit, "journal_figures", lambda material: drawn(material, (180,)))
        return read_kit(small_study_run, "latest", None, ["A. Grower"])


def bib_keys(kit: Path) -> list[str]:
    return re.findall(r"^@\w+\{([^,]+),", (kit / "references.bib").read_text("utf-8"), re.M)


@pytest.mark.slow
def test_every_citation_key_resolves_and_stands_once(kit: Path) -> None:
    keys = bib_keys(kit)
    assert len(keys) == len(set(keys)) > 15
    texts = [kit / "paper.tex", *(kit / "tables").glob("*.tex")]
    cited = {
        key
        for path in texts
        for keys_ in re.findall(r"\\cite\{([^}]+)\}", path.read_text("utf-8"))
        for key in keys_.split(",")
    }
    assert cited == set(keys)
    assert {"welch1947", "holm1979", "gitelson2003", "molder2021"} <= cited


@pytest.mark.slow
def test_the_document_holds_together(kit: Path) -> None:
    text = (kit / "paper.tex").read_text("utf-8")
    for path in re.findall(r"\\input\{([^}]+)\}", text):
        assert (kit / path).is_file()
    figures = re.findall(r"\\includegraphics\[height=[\d.]+mm\]\{([^}]+)\}", text)
    assert "figures/85mm/answer.pdf" in figures
    assert len(figures) == len(set(figures)) > 8
    for path in figures:
        assert (kit / path).read_bytes().startswith(b"%PDF")
    for path in [kit / "paper.tex", *(kit / "tables").glob("*.tex")]:
        bare = re.sub(r"\\[{}\\%&_#$]", "", path.read_text("utf-8"))
        assert bare.count("{") == bare.count("}")
        assert bare.count(r"\begin{") == bare.count(r"\end{")
        assert "\ue000" not in bare and "B. & Co" not in bare
    for path in kit.glob("*.txt"):
        assert "\ue000" not in path.read_text("utf-8")
    for name in ("methods.txt", "results.txt", "availability.txt", "paper.tex"):
        assert "`" not in (kit / name).read_text("utf-8"), name
    assert r"\texttt{leafledger verify}" in text


@pytest.mark.slow
def test_the_document_for_a_word_processor_holds_all_that_the_kit_has(kit: Path) -> None:
    document = docx.Document(str(kit / "paper.docx"))
    texts = [p.text for p in document.paragraphs]
    whole = "\n".join(texts)
    for paragraph in (kit / "results.txt").read_text("utf-8").strip().split("\n\n"):
        assert paragraph in texts
    for block in (kit / "methods.txt").read_text("utf-8").partition("\n\nSources")[0].split("\n\n"):
        heading, _, sentences = block.partition("\n")
        assert texts[texts.index(heading) + 1] == sentences
    drawn = {path.stem for path in (kit / "figures").rglob("*.png")}
    named = {shape._inline.docPr.get("name") for shape in document.inline_shapes}
    assert named == drawn
    for block in (kit / "figures/captions.txt").read_text("utf-8").strip().split("\n\n"):
        name, caption, *_ = block.split("\n")
        assert name not in drawn or caption in whole
    rows = list(csv.DictReader(io.StringIO((kit / "checklist.csv").read_text("utf-8"))))
    last = document.tables[-1]
    cells = [cell.text for cell in last._cells]
    assert cells[4 + 1 :: 4] == [row["item"] for row in rows]
    assert cells[4 + 2 :: 4] == [row["state"] for row in rows]
    names = {path.stem for path in (kit / "tables").glob("*.tex")}
    assert len(document.tables) == len(names) + 1


@pytest.mark.slow
def test_no_figure_of_the_report_is_missing(kit: Path, small_study_run: Path) -> None:
    of_report = {path.stem for path in (small_study_run / "results/figures").glob("*.svg")}
    captions = (kit / "figures/captions.txt").read_text("utf-8")
    assert {block.split("\n")[0] for block in captions.split("\n\n")} == of_report
    for path in (kit / "figures").rglob("*.pdf"):
        assert path.stem in of_report


@pytest.mark.slow
def test_results_have_n_interval_p_and_unit_as_computed(kit: Path) -> None:
    text = (kit / "results.txt").read_text("utf-8")
    table = read_csv(kit / "tables/effects.csv")
    row = table[table["primary"]].iloc[0]
    assert f"{row['estimate']:.3f} (95 % interval {row['ci_low']:.3f} to" in text
    assert (
        f"{row['n_units']:.0f} plants under chelate and {row['n_units_reference']:.0f} under"
        in text
    )
    assert f"df = {row['df']:.4g}; p = {row['p']:.3g}" in text
    assert "CI_rededge" in text and "Whether the primary contrast" in text


@pytest.mark.slow
def test_group_means_name_every_index_treatment_and_session(
    kit: Path, small_study_run: Path
) -> None:
    made = (small_study_run / "results/group_means.csv").read_bytes()
    assert (kit / "tables/group_means.csv").read_bytes() == made
    rows = list(csv.DictReader(io.StringIO(made.decode())))
    lines = [
        [cell.strip() for cell in line.removesuffix(r" \\").split(" & ")]
        for line in (kit / "tables/group_means.tex").read_text("utf-8").splitlines()
        if line.endswith(r"\\") and " & " in line
    ]
    assert lines[0] == lines[1] == ["Index", "Treatment", "Session", "n", "Mean", "SD"]
    assert len(lines) - 2 == len(rows) == 13 * 2 * 2
    for row, cells in zip(rows, lines[2:], strict=True):
        assert cells[0].replace("\\_", "_").partition(" ")[0] == row["index"]
        assert cells[1:4] == [row["treatment"], row["session"], row["n_units"]]
        mean = float(cells[4].replace(r"\ensuremath{-}", "-"))
        assert mean == pytest.approx(float(row["mean"]), rel=1e-3, abs=1e-4)


@pytest.mark.slow
def test_the_archive_has_crate_checklist_of_plants_and_datacite(kit: Path) -> None:
    archive = kit / "archive"
    assert (archive / "ro-crate-metadata.json").is_file()
    assert (archive / "raw/day0/p01_1.txt").is_file()
    about = json.loads((archive / "datacite.json").read_text("utf-8"))
    # Mandatory in the DataCite schema 4, but for the identifier, which a repository gives.
    for name in ("creators", "titles", "publisher", "publicationYear", "types", "schemaVersion"):
        assert about[name], name
    assert [person["name"] for person in about["creators"]] == ["A. Grower", "B. & Co"]
    assert about["types"]["resourceTypeGeneral"] == "Dataset"
    assert about["dates"] == [{"date": "2026-05-04/2026-05-16", "dateType": "Collected"}]
    cff = yaml.safe_load((kit / "CITATION.cff").read_text("utf-8"))
    # Required keys of the Citation File Format 1.2.0.
    assert {"cff-version", "message", "title", "authors"} <= set(cff)
    assert cff["cff-version"] == "1.2.0"


@pytest.mark.slow
def test_the_checklist_says_where_each_item_stands(kit: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((kit / "checklist.csv").read_text("utf-8"))))
    assert {row["guideline"] for row in rows} == set(GUIDELINES.values())
    assert {row["state"] for row in rows} == {"given", "to be filled in"}
    for row in rows:
        assert row["from_memory"] == ("no" if row["guideline"].startswith("MIAPPE") else "yes")
        for place in re.findall(r"[\w./-]+\.(?:txt|csv|tex|bib|json)", row["where"]):
            assert (kit / place).is_file(), place
    by_item = {row["item"]: row["state"] for row in rows}
    assert by_item["R1.1: a licence"] == "to be filled in"
    assert by_item["F2: rich metadata, with creators"] == "given"
    assert by_item["DM-42 Biological Material: Organism (1)"] == "to be filled in"
    assert by_item["DM-70 Observation Unit: Observation unit ID (1)"] == "given"


@pytest.mark.slow
def test_texts_of_a_study_with_sessions_to_come_say_so(facts: Kit) -> None:
    whole = results_text(facts)
    assert "may change" not in " ".join(whole)
    assert "NOT FINISHED" not in readme(facts, [])
    run = facts.run

    class Unfinished:
        run = facts.run.run

        def settings(self, rule: str) -> dict[str, object]:
            sessions = [{"session": "day12", "to_come": True, "date": None}]
            return {**run.settings(rule), "design": {"sessions": sessions}}

    findings = {**facts.findings, "measured_so_far": "1 of 2 sessions is measured."}
    coming = replace(facts, run=Unfinished(), findings=findings)
    assert coming.to_come == ["day12"]
    assert results_text(coming)[0] == (
        "1 of 2 sessions is measured. The results below are of the sessions measured so far, and "
        "may change."
    )
    assert "NOT FINISHED: still to be measured: day12." in readme(coming, [])


@pytest.mark.slow
def test_a_licence_and_no_author_turn_their_items(facts: Kit) -> None:
    states = {item: state for _, item, state, _ in checklist(replace(facts, licence="CC-BY-4.0"))}
    assert states["R1.1: a licence"] == "given"
    states = {item: state for _, item, state, _ in checklist(replace(facts, authors=[]))}
    assert states["F2: rich metadata, with creators"] == "to be filled in"


@pytest.mark.slow
def test_the_page_shows_the_methods_and_copies_them(
    facts: Kit, small_study_run: Path, watched: Watched
) -> None:
    page = watched.open_file(small_study_run / "results/report.html")
    page.evaluate("document.querySelector('#methods-words').closest('details').open = true")
    shown = page.inner_text("#methods-words")
    # The text of the kit has the run, the allocation and the workflow besides.
    named = [heading for heading, _ in facts.methods.paragraphs]
    assert named[:2] == ["Design", "Reflectance"] and named[-1] == "Software"
    for heading, text in facts.methods.paragraphs[:-1]:
        assert f"{heading}. {text}" in shown
    assert "Welch (1947)" in shown.partition("Sources")[2]
    page.click("button[data-copy=methods-words]")
    status = page.locator("[data-copied=methods-words]")
    expect(status).to_have_text(re.compile("^(Copied|Selected: copy it)"))
    assert watched.barriers() == []


def test_words_to_type_are_code_in_latex_and_plain_in_text() -> None:
    run = SimpleNamespace(run={"run": "20260504-1", "package": "0.1.0"})
    data, code = availability_text(cast(Kit, SimpleNamespace(run=run, licence=None, head="ab12")))
    assert r"\texttt{leafledger verify} holds every file" in tex(data)
    assert r"\texttt{leafledger reproduce} makes every result" in tex(code)
    assert "`" not in tex(data + code) + without_code_marks(data + code)
    assert "; leafledger verify holds every file" in without_code_marks(data)


def test_a_taken_place_and_one_in_the_study_are_refused(tmp_path: Path) -> None:
    out = tmp_path / "mine"
    out.mkdir()
    (out / "notes.txt").write_text("x", encoding="utf-8")
    with pytest.raises(InputFault, match=r"mine: found a folder that is not empty.*overwritten"):
        write_paper_kit(tmp_path / "study", out, snakefile())
    with pytest.raises(InputFault, match="mine: found a file"):
        write_paper_kit(tmp_path / "study", _file(tmp_path / "b" / "mine"), snakefile())
    with pytest.raises(InputFault, match="inside the study"):
        write_paper_kit(tmp_path, tmp_path / "paper", snakefile())
    assert (out / "notes.txt").read_text("utf-8") == "x"


def _file(path: Path) -> Path:
    path.parent.mkdir()
    path.write_text("x", encoding="utf-8")
    return path


def test_a_kit_that_fails_leaves_nothing(
    ran_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out" / "kit"
    monkeypatch.setattr(paper_kit, "journal_figures", lambda _: ([], {}))
    monkeypatch.setattr(paper_kit, "_write", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_paper_kit(ran_study, out, snakefile())
    assert list(out.parent.iterdir()) == []
    (ran_study / "raw/day0/p01_1.txt").write_text("other", encoding="utf-8")
    with pytest.raises(InputFault, match="has changed since the run"):
        write_paper_kit(ran_study, out, snakefile())
    assert list(out.parent.iterdir()) == []


def test_the_command_for_a_crate_is_as_it_was() -> None:
    from click.testing import CliRunner

    for args in (["study", "out"], ["--raw", "study", "out"], ["crate", "study", "out"]):
        ended = CliRunner().invoke(export_command, args)
        assert isinstance(ended.exception, InputFault), args
        assert "no book of runs" in str(ended.exception)
    help_ = CliRunner().invoke(export_command, ["--help"]).output
    assert "paper" in help_ and "crate" in help_

"""A run handed on: crate, checklist fields and methods, read as a stranger would read them.

The terms are those of RO-Crate 1.1 and the Workflow Run Crate profile (w3id.org/ro), of W3C PROV-O,
and of MIAPPE 1.1 (Papoutsoglou et al. 2020, New Phytologist 227, 260-273).
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from leafledger.errors import InputFault
from leafledger.ledger.book import close_run, open_run
from leafledger.ledger.export import FIELDS, TO_FILL_IN, export
from leafledger.ledger.variants_table import Settings, VariantsTable
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.runner.workflow import snakefile
from leafledger.study.reading import read_study

PROV = {
    "prov:used",
    "prov:wasGeneratedBy",
    "prov:wasDerivedFrom",
    "prov:wasAssociatedWith",
    "prov:wasAttributedTo",
    "prov:actedOnBehalfOf",
    "prov:wasInformedBy",
}


@pytest.fixture(scope="module")
def handed_on(small_study_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a crate of the small study with its raw files."""
    out = tmp_path_factory.mktemp("crate") / "out"
    export(small_study_run, out, snakefile(), raw=True, licence="https://x.org/l", authors=["A. G"])
    return out


@pytest.fixture(scope="module")
def graph(handed_on: Path) -> dict[str, dict[str, Any]]:
    told = json.loads((handed_on / "ro-crate-metadata.json").read_text("utf-8"))
    assert told["@context"][0] == "https://w3id.org/ro/crate/1.1/context"
    found = {entity["@id"]: entity for entity in told["@graph"]}
    assert len(found) == len(told["@graph"]), "no entity is told twice"
    return found


def kinds(entity: dict[str, Any]) -> set[str]:
    kind = entity["@type"]
    return set(kind) if isinstance(kind, list) else {kind}


def references(value: Any) -> list[str]:
    if isinstance(value, list):
        return [found for one in value for found in references(one)]
    if isinstance(value, dict) and set(value) == {"@id"}:
        return [value["@id"]]
    return []


def test_descriptor_and_root_are_those_of_the_standard(graph: dict[str, dict[str, Any]]) -> None:
    descriptor = graph["ro-crate-metadata.json"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert {"@id": "https://w3id.org/ro/crate/1.1"} in descriptor["conformsTo"]
    root = graph["./"]
    assert root["@type"] == "Dataset"
    for term in ("name", "description", "datePublished", "license", "hasPart", "author"):
        assert root[term], term
    assert {"@id": "https://w3id.org/ro/wfrun/workflow/0.5"} in root["conformsTo"]
    workflow = graph[root["mainEntity"]["@id"]]
    assert kinds(workflow) == {"File", "SoftwareSourceCode", "ComputationalWorkflow"}


def test_every_file_is_described_as_it_is(
    handed_on: Path, graph: dict[str, dict[str, Any]]
) -> None:
    beside = {"ro-crate-metadata.json", "ro-crate-preview.html"}
    there = {p.relative_to(handed_on).as_posix() for p in handed_on.rglob("*") if p.is_file()}
    described = {unquote(i): e for i, e in graph.items() if "File" in kinds(e)}
    assert set(described) == there - beside
    for path, entity in described.items():
        data = (handed_on / path).read_bytes()
        assert entity["sha256"] == hashlib.sha256(data).hexdigest()
        assert entity["contentSize"] == str(len(data))
        assert "/" in entity["encodingFormat"]
    parts = {unquote(part["@id"]) for part in graph["./"]["hasPart"]}
    assert parts == set(described)


def test_every_reference_leads_to_an_entity(graph: dict[str, dict[str, Any]]) -> None:
    outside = {"http://schema.org/CompletedActionStatus", "https://w3id.org/ro/crate/1.1"}
    for entity in graph.values():
        for term, value in entity.items():
            assert not term.startswith("prov:") or term in PROV
            for reference in references(value):
                assert reference in graph or reference in outside, (entity["@id"], term, reference)


def test_a_result_leads_back_to_the_raw_files(graph: dict[str, dict[str, Any]]) -> None:
    seen: set[str] = set()
    waiting = ["results/effects.csv"]
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        action = graph[name].get("prov:wasGeneratedBy")
        if action:
            task = graph[action["@id"]]
            assert {"CreateAction", "prov:Activity"} == kinds(task)
            assert graph[task["instrument"]["@id"]]["@type"] == "SoftwareApplication"
            assert {"@id": name} in task["result"]
            waiting += references(task["prov:used"])
    assert {"raw/day12/counts.parquet", "raw/day0/p01_1.txt"} <= seen


def test_the_run_is_an_action_of_the_workflow(graph: dict[str, dict[str, Any]]) -> None:
    (run,) = references(graph["./"]["mentions"])
    action = graph[run]
    assert action["@type"] == "CreateAction"
    assert action["instrument"] == graph["./"]["mainEntity"]
    assert {"@id": "results/report.html"} in action["result"]
    assert action["startTime"] < action["endTime"]


def test_settings_that_differ_are_values_of_their_task(graph: dict[str, dict[str, Any]]) -> None:
    draws = graph["#setting-effects-effects.n_draws"]
    assert (draws["@type"], draws["value"]) == ("PropertyValue", "99")
    assert {"@id": draws["@id"]} in graph["#task-effects"]["object"]


def test_the_crate_library_reads_it(handed_on: Path) -> None:
    from rocrate.rocrate import ROCrate

    read = ROCrate(str(handed_on))
    assert read.mainEntity.id == "workflow/Snakefile"
    assert len(read.data_entities) > 50


def test_checklist_fields(handed_on: Path, small_study_run: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((handed_on / "miappe.csv").read_text("utf-8"))))
    by_field: dict[str, list[str]] = {}
    for row in rows:
        assert FIELDS[row["number"]] == (row["section"], row["field"], row["cardinality"])
        by_field.setdefault(row["field"], []).append(row["value"])
    assert by_field["MIAPPE version"] == ["1.1"]
    assert by_field["Start date of study"] == ["2026-05-04"]
    assert set(by_field["Observation unit ID"]) == {f"p0{i}" for i in range(1, 9)}
    assert set(by_field["Observation unit type"]) == {"plant"}
    assert set(by_field["Experimental Factor values"]) >= {"chelate", "water"}
    assert len(by_field["Sample ID"]) == len(set(by_field["Sample ID"])) == 8 * 2 * 2
    assert set(by_field["Plant anatomical entity"]) == {"leaf"}
    assert "CI_rededge" in by_field["Variable ID"]
    owed = {number for number, (_, _, times) in FIELDS.items() if times.startswith(("1", "2"))}
    filled = {row["number"] for row in rows if row["value"]}
    assert owed - filled == set(TO_FILL_IN), "what nobody said is empty, and nothing else"


def test_methods_are_those_of_the_settings(handed_on: Path) -> None:
    text = (handed_on / "methods.txt").read_text("utf-8")
    for told in (
        "8 experimental units (plant: 4 chelate, 4 water)",
        "400 to 1000 nm in steps of 1 nm",
        "difference in change of CI_rededge at day12, judged at 0.05",
        "margins CI_rededge 0.05 and WI 0.006",
        "seed 20260504",
        "in 3 outer folds, 2 times",
        "Welch (1947)",
        "Gitelson, Gritz and Merzlyak (2003)",
    ):
        assert told in text, told
    assert "mixed model" in text
    assert "sign-flip" not in text
    assert "other set" not in text and "variants" not in text


def test_methods_tell_of_variants_where_there_is_a_table_of_them(
    ran_study: Path, tmp_path: Path
) -> None:
    study = read_study(ran_study)
    records = BookView(ran_study).records_of(BookView(ran_study).run("latest"))
    told = "quality.apply: none (stated: faults)"
    sets = [Settings("as_stated", "", records), Settings("all_in", told, records)]
    VariantsTable(ran_study, sets).make()
    open_run(study, "r8")
    close_run(study, "r8", "done", "")
    export(ran_study, tmp_path / "one", snakefile(), run="r8")
    text = (tmp_path / "one/methods.txt").read_text("utf-8")
    assert f"also analysed under 1 other set of settings: all_in ({told})." in text
    assert "the accuracy of the classifier under each are in results/variants.csv" in text
    assert "Without result" not in text and "does not belong" not in text

    other = {**records, "effects": {**records["effects"], "inputs": []}}
    sets = [Settings("as_stated", "", other), *sets[1:], Settings("strict", "x: 1", None)]
    VariantsTable(ran_study, sets).make()
    open_run(study, "r9")
    close_run(study, "r9", "done", "")
    export(ran_study, tmp_path / "two", snakefile(), run="r9")
    text = (tmp_path / "two/methods.txt").read_text("utf-8")
    assert f"under 2 other sets of settings: all_in ({told}); strict (x: 1)." in text
    assert "did not run to its end: strict." in text
    assert "made before the data that the effects and the accuracy rest on changed" in text
    assert "it does not belong to this run" in text


class Page(HTMLParser):
    """Counts cells and refuses scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.cells = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in {"script", "img", "link", "iframe"}
        self.cells += tag == "td"


def test_the_preview_shows_files_and_stages(handed_on: Path) -> None:
    text = (handed_on / "ro-crate-preview.html").read_text("utf-8")
    page = Page()
    page.feed(text)
    assert page.cells > 200
    assert "results/effects.csv" in text
    assert "effects.n_draws = 99" in text


def test_without_raw_data_the_digests_stand_for_it(small_study_run: Path, tmp_path: Path) -> None:
    notes = export(small_study_run, tmp_path / "out", snakefile())
    assert any("licence" in note for note in notes)
    assert not (tmp_path / "out/raw").exists()
    told = json.loads((tmp_path / "out/ro-crate-metadata.json").read_text("utf-8"))
    (raw,) = (e for e in told["@graph"] if e["@id"] == "#raw/day0/p01_1.txt")
    data = (small_study_run / "raw/day0/p01_1.txt").read_bytes()
    assert raw["sha256"] == hashlib.sha256(data).hexdigest()
    assert "File" not in kinds(raw)


def test_nothing_is_overwritten_and_nothing_changed_is_handed_on(
    ran_study: Path, tmp_path: Path
) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out/mine").write_text("x", encoding="utf-8")
    with pytest.raises(InputFault, match="not empty"):
        export(ran_study, tmp_path / "out", snakefile())
    (ran_study / "raw/day0/p01_1.txt").write_text("other", encoding="utf-8")
    with pytest.raises(InputFault, match="has changed since the run"):
        export(ran_study, tmp_path / "raw", snakefile(), raw=True)
    (ran_study / "results/effects.csv").unlink()
    export(ran_study, tmp_path / "kept", snakefile())
    (run,) = (r["run"] for r in events.runs(ran_study))
    assert (tmp_path / "kept/ledger/runs" / f"{run}.json").is_file()
    assert (tmp_path / "kept/results/effects.csv").is_file(), "out of the content store"


def test_text_of_the_user_is_escaped(ran_study: Path, tmp_path: Path) -> None:
    from leafledger.ledger.export import preview

    export(ran_study, tmp_path / "out", snakefile())
    told = json.loads((tmp_path / "out/ro-crate-metadata.json").read_text("utf-8"))
    for entity in told["@graph"]:
        if entity["@id"] in {"./", "results/effects.csv"}:
            entity["name"] = "</title><script>alert(1)</script>"
    page = preview(told)
    assert "<script>" not in page
    assert "&lt;script&gt;" in page


def lots_of(folder: Path) -> str:
    """Write the table of lots of a study as `leafledger plan` would, and return its digest."""
    with (folder / "units.csv").open(encoding="utf-8", newline="") as file:
        units = list(csv.DictReader(file))
    lines = [f"{row['unit']},{row['treatment']}" for row in units]
    text = "\n".join(["unit,treatment", *lines]) + "\n"
    (folder / "plan").mkdir()
    (folder / "plan/allocation.csv").write_text(text, encoding="utf-8")
    return hashlib.sha256(text.encode()).hexdigest()


def test_methods_say_how_treatments_were_drawn_and_whether_that_was_kept(
    small_study_run: Path, tmp_path: Path
) -> None:
    study = Path(shutil.copytree(small_study_run, tmp_path / "study"))
    digest = lots_of(study)
    facts = {"answers": {}, "seed": 7, "allocation": {"sha256": digest, "words": "Drawn by lot."}}
    (study / "plan/plan.json").write_text(json.dumps(facts), encoding="utf-8")

    def methods(name: str) -> str:
        export(study, tmp_path / name, snakefile())
        return (tmp_path / name / "methods.txt").read_text("utf-8")

    assert f"Drawn by lot (seed 7, SHA-256 of the allocation {digest})." in methods("kept")
    table = study / "plan/allocation.csv"
    table.write_text(table.read_text("utf-8").replace("water", "chelate", 1), encoding="utf-8")
    assert "is not what was drawn by lot" in methods("edited")
    facts["allocation"]["sha256"] = hashlib.sha256(table.read_bytes()).hexdigest()
    (study / "plan/plan.json").write_text(json.dumps(facts), encoding="utf-8")
    assert "1 unit of 8 did not have the treatment that was drawn" in methods("not kept")

"""The appendix: from every part of the page to files, settings, code and decisions."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest

from leafledger.report.gather import gather
from leafledger.report.provenance import (
    ORDER,
    PARTS,
    PLATES,
    broken_links,
    lineage,
    steps_of,
)
from leafledger.report.stage import run
from leafledger.study.rules import RULES
from leafledger.study.tables import RESULTS

from . import pages, tables


@pytest.fixture(scope="module")
def material(whole):
    return gather(whole.job())


def wired(material, **inputs):
    """Return the material with these inputs in its records: task -> paths it read."""
    records = {name: dict(record) for name, record in material.records.items()}
    for name, paths in WROTE.items():
        records[name]["outputs"] = [
            {"role": p, "path": f"results/{p}", "sha256": "a" * 64, "bytes": 7} for p in paths
        ]
    for name in records:
        records[name]["inputs"] = []
    wrote = {f["path"]: f for r in records.values() for f in r["outputs"]}
    for name, paths in inputs.items():
        records[name.replace("__", ".")]["inputs"] = [
            wrote.get(p) or {"role": p, "path": p, "sha256": "c" * 64, "bytes": 5} for p in paths
        ]
    return replace(material, records=records)


WROTE = {"unit_means": ["unit_indices.csv"], "acceptance": ["accepted.csv", "range.json"]}
CHAIN = {
    "intake__day4": ["raw/day4/counts.csv"],
    "reflectance__day4": ["results/scans/day4.parquet"],
    "indices__day4": ["results/reflectance/day4.parquet"],
    "acceptance": ["results/quality/day4.parquet", "decisions.csv"],
    "quality__day4": ["results/reflectance/day4.parquet"],
    "unit_means": ["results/indices/day4.parquet", "results/accepted.csv"],
    "effects": ["results/unit_indices.csv"],
}


def test_a_step_rests_on_all_steps_before_it_back_to_files_of_a_person(material):
    steps = {s.name: s for s in steps_of(wired(material, **CHAIN))}
    assert steps["effects"].before == [
        "intake.day4", "reflectance.day4", "quality.day4", "acceptance", "indices.day4",
        "unit_means",
    ]  # fmt: skip
    (raw,) = steps["intake.day4"].given
    assert (raw.path, raw.sha256, raw.maker) == ("raw/day4/counts.csv", "c" * 64, "")
    assert steps["intake.day4"].before == [] and steps["intake.day4"].read == []
    (read,) = steps["effects"].read
    assert (read.path, read.maker) == ("results/unit_indices.csv", "unit_means")


def test_decisions_stand_with_who_and_why_at_the_step_that_applied_them(material):
    steps = {s.name: s for s in steps_of(wired(material, **CHAIN))}
    (decided,) = steps["acceptance"].decisions
    assert decided["by"] == "A. Grower" and decided["reason"] == "room light on: clip open"
    assert [s.name for s in steps.values() if s.decisions] == ["acceptance"]


def test_settings_that_differ_stand_apart_from_those_as_by_default(material):
    acceptance = dict(material.records["acceptance"])
    acceptance["settings"] = {
        "apply": "none",
        "range": {"signal_to_noise": 200.0, "margin_nm": 7.0},
        "design": {"control": "water"},
        "scans": [{"scan": "a"}, {"scan": "b"}],
    }
    changed = replace(material, records={**material.records, "acceptance": acceptance})
    step = next(s for s in steps_of(changed) if s.name == "acceptance")
    assert [(s.name, s.value, s.default) for s in step.changed] == [
        ("quality.apply", "none", "faults"),
        ("quality.range.margin_nm", "7.0", "5.0"),
    ]
    assert [s.name for s in step.same] == ["quality.range.signal_to_noise"]
    assert [s.name for s in step.design] == ["design.control"]
    assert step.per_scan == [("scans", 2)]


def test_a_step_that_read_something_else_than_was_written_is_told(material):
    good = wired(material, **CHAIN)
    assert broken_links(good.records) == []
    bad = {name: json.loads(json.dumps(r)) for name, r in good.records.items()}
    bad["effects"]["inputs"][0]["sha256"] = "d" * 64
    told = "effects read another results/unit_indices.csv than unit_means wrote"
    assert broken_links(bad) == [told]
    unknown = wired(material, effects=["results/unit_indices.csv", "results/other.csv"])
    assert broken_links(unknown.records) == [
        "effects read results/other.csv, and no record tells who wrote it"
    ]
    assert lineage(replace(good, records=bad))["broken"]
    assert lineage(good)["n_links"] == 7 and lineage(good)["n_given"] == 2


def test_a_broken_link_stands_on_the_page(tmp_path):
    made = tables.make(tmp_path, replace(tables.Plan(), n_units=8, classes=False, effects=False))
    place = made.inputs["record/indices.day4"]
    record = json.loads(place.read_text())
    record["inputs"][0]["sha256"] = "e" * 64
    record["inputs"][0]["path"] = "results/reflectance/day4.parquet"
    place.write_text(json.dumps(record))
    run(made.job())
    page = made.job().outputs["report"].read_text(encoding="utf-8")
    assert (
        "indices.day4 read another results/reflectance/day4.parquet than reflectance.day4" in page
    )
    assert "has, where it was read, the digest" not in page


def test_every_rule_and_every_figure_has_its_words(whole):
    assert {rule.name for rule in RULES} - {"report"} == set(ORDER)
    drawn = {p.stem for p in whole.job().outputs["figures"].glob("*.svg")}
    assert drawn <= set(PLATES)
    assert set(PLATES.values()) <= set(PARTS)
    registered = {part for result in RESULTS for part in (*result.shown, result.saved) if part}
    assert registered == set(PARTS)


class _Numbers(HTMLParser):
    """Collects, for every part under a heading, its numbers and whether it links to the lineage."""

    def __init__(self) -> None:
        super().__init__()
        self.heading = ""
        self.numbers: dict[str, int] = {}
        self.linked: dict[str, set[str]] = {}
        self.stack: list[str] = []
        self.here: list[str] = []

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        if tag in {"h2", "h3"} and told.get("id"):
            self.here = [told["id"].removesuffix("-h")]
        if tag == "data" and self.here:
            self.numbers[self.here[0]] = self.numbers.get(self.here[0], 0) + 1
        if tag == "a" and told.get("href", "").startswith("#origin-") and self.here:
            self.linked.setdefault(self.here[0], set()).add(told["href"])


@pytest.mark.slow
def test_every_number_stands_under_a_link_to_its_lineage(whole):
    record = json.loads(whole.inputs["record/acceptance"].read_text())
    paths = [p for r, p in whole.inputs.items() if not r.startswith("record/")]
    record["outputs"] = [
        {"role": p.stem, "path": p.relative_to(whole.folder).as_posix(),
         "sha256": hashlib.sha256(p.read_bytes()).hexdigest(), "bytes": p.stat().st_size}
        for p in paths
    ]  # fmt: skip
    full = json.dumps(record)
    place = whole.inputs["record/acceptance"]
    kept = place.read_bytes()
    outputs = {
        role: path.parent / "other" / path.name for role, path in whole.job().outputs.items()
    }
    outputs["figures"].mkdir(parents=True, exist_ok=True)
    try:
        place.write_text(full)
        run(replace(whole.job(), outputs=outputs))
    finally:
        place.write_bytes(kept)
    page = outputs["report"].read_text(encoding="utf-8")
    seen = _Numbers()
    seen.feed(page.split('<section class="part" id="lineage"')[0])
    assert len(seen.numbers) >= 12
    assert {part for part in seen.numbers if part not in seen.linked} == set()
    ids = {a["id"] for _, a in pages.read(page).tags if a.get("id")}
    links = set().union(*seen.linked.values())
    assert {link[1:] for link in links} <= ids
    # All parts but those that this study has no numbers for.
    of_assays = {
        "pigment-calibration",
        "pigment-contents",
        "chromatograms",
        "trait-models",
        "trait-effects",
        "leaf-model",
    }
    assert len(set(PARTS) - {"plan", "variants", *of_assays}) - len(links) <= 4
    figures = re.findall(r'<figure id="fig-[a-z_]+".*?</figure>', page, flags=re.DOTALL)
    assert len(figures) > 12
    for figure in figures:
        assert 'href="#origin-' in figure, figure[:80]


def test_digests_lead_from_a_part_of_the_page_to_the_file(whole):
    part = whole.page.split('<tbody id="origin-effects">')[1].split("</tbody>")[0]
    digest = hashlib.sha256(whole.inputs["effects"].read_bytes()).hexdigest()
    assert digest in part and "results/effects.csv" in part
    assert 'href="#by-effects"' in part and 'href="#effects"' in part


def test_a_table_of_variants_is_named_with_its_digest(material, tmp_path):
    table = tmp_path / "variants.csv"
    pd.DataFrame({"variant": ["stated"]}).to_csv(table, index=False)
    (file,) = lineage(material, table)["parts"]["variants"]["files"]
    assert file.path == "results/variants.csv"
    assert file.sha256 == hashlib.sha256(table.read_bytes()).hexdigest()
    assert "variants" not in lineage(material)["parts"]


def test_nothing_of_the_machine_or_the_clock_stands_in_the_appendix(whole):
    appendix = whole.page.split('<section class="part" id="lineage"')[1]
    assert str(whole.folder) not in appendix
    assert not re.search(r"\d\d:\d\d:\d\d", re.sub(r"2026-05-\d\dT\d\d:\d\d:\d\d", "", appendix))


FILES = {
    "acceptance": ["accepted.csv", "range.json"],
    "effects": ["effects.json", "effects.csv", "sensitivity.csv"],
    "classes": ["classes/summary.json"],
}


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Return a study whose records tell what their steps wrote."""
    made = tables.make(tmp_path_factory.mktemp("told"), replace(tables.Plan(), n_units=8))
    for name, paths in FILES.items():
        made_by = name if f"record/{name}" in made.inputs else "effects"
        record = json.loads(made.inputs[f"record/{made_by}"].read_text())
        place = made.inputs["record/effects"].with_name(f"{name}.json")
        made.inputs[f"record/{name}"] = place
        record["rule"] = name
        record["outputs"] = [
            {"role": p, "path": f"results/{p}", "sha256": "a" * 64, "bytes": 7} for p in paths
        ]
        place.write_text(json.dumps(record))
    run(made.job())
    made.page = made.job().outputs["report"].read_text(encoding="utf-8")
    made.seen = pages.read(made.page)
    return made


def links_of(seen, cls):
    """Return address and, if it has one, spoken name of every link of a class."""
    return [
        (str(a["href"]), a.get("aria-label"))
        for tag, a in seen.tags
        if tag == "a" and cls in str(a.get("class", "")).split()
    ]


def row_at(page, anchor):
    """Return the row of the appendix to which a link leads; it must stand there once."""
    found = re.findall(rf'<tr id="{re.escape(anchor)}">(.*?)</tr>', page)
    assert len(found) == 1, anchor
    return found[0]


def test_numbers_of_findings_and_tiles_lead_to_the_result_they_were_read_from(told):
    page, seen = told.page, told.seen
    numbers = links_of(seen, "sourced")
    assert len(numbers) == page.count('class="finding ') + page.count('class="tile"') > 4
    assert page.count(", its lineage</span></a>") == len(numbers)
    for address, _ in numbers:
        assert ">results/" in row_at(page, address[1:])
    tile = re.search(r'class="tile">\s*<a class="sourced" href="#([^"]+)"><b>[^<]*(?:<data[^>]*>)?'
                     r"[^<]*(?:</data>)?&ndash;", page)  # fmt: skip
    assert tile is not None
    assert "results/range.json" in row_at(page, tile[1])


def test_every_sentence_of_the_headline_leads_to_the_result_it_was_read_from(told):
    headline = told.page.split('id="found"')[1].split("</section>")[0]
    sentences = re.findall(r'<div class="finding [^>]*>\s*<p>(.*?)</p>', headline, re.DOTALL)
    assert sentences
    for sentence in sentences:
        link = re.search(r'href="#(result-[^"]+)" aria-label="Lineage of the finding', sentence)
        assert link is not None, sentence
        assert "results/effects.json" in row_at(told.page, link[1])
    accuracy = re.search(r'href="#([^"]+)" aria-label="Lineage of the accuracy"', headline)
    assert accuracy is not None
    assert "results/classes/summary.json" in row_at(told.page, accuracy[1])


def test_every_link_inside_the_page_leads_somewhere(told):
    ids = [str(a["id"]) for _, a in told.seen.tags if "id" in a]
    assert len(ids) == len(set(ids))
    inside = {str(a["href"])[1:] for tag, a in told.seen.tags
              if tag == "a" and str(a.get("href", "")).startswith("#")}  # fmt: skip
    assert inside and inside <= set(ids)

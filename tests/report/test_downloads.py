"""Tables saved as CSV from the page: the result files byte for byte, and whole numbers."""

from __future__ import annotations

import base64
import csv
import gzip
import io
import json
import math
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from browser import Watched
from leafledger.report import stage
from leafledger.report.stage import Download, csv_text, packed, run
from leafledger.study.tables import TABLES


@pytest.fixture(scope="module")
def saved(whole):
    (block,) = re.findall(r'id="table-values">([A-Za-z0-9+/=]+)</script>', whole.page)
    return json.loads(gzip.decompress(base64.b64decode(block)))


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_every_table_of_the_page_can_be_saved(whole, saved):
    found = re.findall(
        r'<div class="scroll[^>]*>.*?</table>\s*</div>(\s*<p class="under">.*?</p>)?',
        whole.page,
        flags=re.DOTALL,
    )
    assert len(found) == whole.page.count("<table") > 30
    assert all(found), "a table without a button"
    named = {name for line in found for name in re.findall(r'data-csv="([a-z_0-9]+)"', line)}
    assert named <= set(saved)
    assert len(named) >= 19


def test_a_table_of_the_results_folder_is_saved_byte_for_byte(whole, saved):
    checked = 0
    for table in TABLES.values():
        role = table.report_role
        if table.saved and role in whole.inputs:
            assert saved[role]["text"].encode() == whole.inputs[role].read_bytes(), role
            assert saved[role]["file"] == f"{role}.csv"
            checked += 1
    assert checked >= 5


@pytest.mark.slow
def test_the_page_leads_to_a_large_table_and_does_not_hold_it(whole, tmp_path, monkeypatch):
    """The bound is lowered to a table that the small study has."""
    job = whole.job()
    job = replace(job, outputs={role: tmp_path / path.name for role, path in job.outputs.items()})
    large = whole.inputs["effects"].read_text(encoding="utf-8")
    monkeypatch.setattr(stage, "_LARGEST", len(large) - 1)
    run(job)
    page = job.outputs["report"].read_text(encoding="utf-8")
    (block,) = re.findall(r'id="table-values">([A-Za-z0-9+/=]+)</script>', page)
    held = json.loads(gzip.decompress(base64.b64decode(block)))
    assert "effects" not in held and "exclusions" in held
    assert 'data-csv="effects"' not in page and 'data-csv="exclusions"' in page
    link = re.search(r'<a href="effects.csv">effects.csv</a>, (.*?) rows, in the results', page)
    assert link is not None
    n = len(pd.read_csv(whole.inputs["effects"]))
    assert re.sub(r"<[^>]+>", "", link[1]).replace("\u202f", "").replace(",", "") == str(n)


def test_numbers_that_the_page_works_out_are_whole(whole, saved):
    frame = pd.read_csv(whole.inputs["classes_path"])
    outer = frame[(frame["split"] == "outer") & (frame["n_components"] == 3)]
    pooled = outer.groupby("repeat")[["n_correct", "n_scans"]].sum()
    mean = (pooled["n_correct"] / pooled["n_scans"]).mean()
    told = {(r["split"], r["n_components"]): r for r in
            rows(saved["accuracy_by_latent_variables"]["text"])}  # fmt: skip
    assert float(told["outer", "3"]["accuracy_mean"]) == pytest.approx(mean, rel=1e-15)
    # What the page shows of it is rounded; what is saved is not.
    assert len(told["outer", "3"]["accuracy_mean"]) > 10


def test_sessions_and_units_are_counted(whole, saved):
    sessions = rows(saved["sessions"]["text"])
    assert [r["session"] for r in sessions] == list(whole.plan.sessions)
    assert all(int(r["n_sample"]) == 72 for r in sessions)
    by_treatment = rows(saved["units_by_treatment"]["text"])
    assert sum(int(r["n_units"]) for r in by_treatment) == 24
    assert list(by_treatment[0]) == ["treatment", "block", "n_units"]
    assert len(rows(saved["units"]["text"])) == 24


def test_lineage_is_saved_whole(whole, saved):
    files = rows(saved["files"]["text"])
    wrote = {r["path"] for r in files if r["what"] == "wrote"}
    assert "results/effects.csv" in wrote
    record = json.loads(whole.inputs["record/effects"].read_text())
    effects = next(r for r in files if (r["step"], r["what"]) == ("effects", "wrote"))
    assert effects["sha256"] == record["outputs"][0]["sha256"]
    settings = {(r["step"], r["setting"]): r for r in rows(saved["settings"]["text"])}
    told = settings["effects", "effects.seed"]
    assert (told["value"], told["default"], told["differs"]) == ("20260504", "1", "true")


def test_text_is_text_and_numbers_are_never_altered():
    told = csv_text(
        ["label", "x"],
        [
            {"label": '=HYPERLINK("http://x.invalid")', "x": -0.1},
            {"label": "a,b\n\"c\"", "x": np.float64(1e-300)},
            {"label": "@x", "x": 12345678901234567},
            {"label": "", "x": math.nan},
            {"label": None, "x": np.bool_(True)},
            {"label": ["p1", "p2"], "x": 0.1 + 0.2},
        ],
    )  # fmt: skip
    found = rows(told)
    assert [r["x"] for r in found] == [
        "-0.1", "1e-300", "12345678901234567", "", "true", "0.30000000000000004",
    ]  # fmt: skip
    assert [r["label"] for r in found] == [
        "'=HYPERLINK(\"http://x.invalid\")", 'a,b\n"c"', "'@x", "", "", "p1, p2",
    ]  # fmt: skip


def test_what_stands_in_the_page_is_the_same_each_time_and_ends_no_script():
    one = {"b": Download("b.csv", "x", "a\n</script><script>alert(1)</script>\n"),
           "a": Download("a.csv", "x", "a\n1\n")}  # fmt: skip
    assert packed(one) == packed(dict(reversed(one.items())))
    assert re.fullmatch(r"[A-Za-z0-9+/=]+", packed(one))
    assert one["a"].n_rows == 1


def test_a_browser_saves_the_file_from_the_disk_and_links_open_what_is_folded(
    watched: Watched, whole, tmp_path
) -> None:
    page = watched.open_file(whole.job().outputs["report"])
    button = page.locator("#trust button[data-csv=session_effects]")
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    with page.expect_download() as started:
        button.click()
    started.value.save_as(tmp_path / "got.csv")
    assert started.value.suggested_filename == "session_effects.csv"
    assert (tmp_path / "got.csv").read_bytes() == whole.inputs["session_effects"].read_bytes()

    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = false; })")
    entry = page.locator("details[id='by-reflectance.day4']")
    assert not entry.locator("> .inside").is_visible()
    page.evaluate("location.hash = 'by-reflectance.day4'")
    entry.locator("> .inside").wait_for(state="visible")
    assert page.locator("#by-reflectance").evaluate("(d) => d.open")

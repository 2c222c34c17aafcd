"""What the figures that answer the pointer are drawn from: true to the tables, same bytes."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from importlib.metadata import version

import numpy as np
import pandas as pd
import pytest

from leafledger.records.code import code_of
from leafledger.report.figures import (
    InteractiveFigure,
    interactive_looks,
    looks,
    round_significant,
    step_for,
)
from leafledger.report.interactive import encode_spectrum
from leafledger.report.stage import drawing_library, pack_values
from leafledger.study.tables import read_spectra


def unpacked_line(line: list[int | None]) -> np.ndarray:
    """Undo ``encode_spectrum`` as the page does."""
    decimals, *steps = line
    total, out = 0, []
    for step in steps:
        total += step or 0
        out.append(np.nan if step is None else total * 10.0**-decimals)
    return np.array(out)


def inside(page: str, name: str) -> bytes:
    found = re.search(rf'<script type="application/gzip" id="{name}">([^<]+)</script>', page)
    assert found
    return gzip.decompress(base64.b64decode(found.group(1)))


@pytest.fixture(scope="module")
def values(whole):
    return json.loads(inside(whole.page, "drawing-values"))


def test_the_library_stands_in_the_page_once_and_the_policy_names_it(whole):
    assert whole.page.count('id="drawing-library"') == 1
    library = inside(whole.page, "drawing-library")
    assert b"plotly.js v" in library[:60]
    digest = base64.b64encode(hashlib.sha256(library).digest()).decode()
    policy = re.search(r"script-src ([^;]+);", whole.page).group(1).split()
    assert policy[1:] == [f"'sha256-{digest}'"] and len(policy) == 2
    assert "unsafe-eval" not in whole.page.split("</head>")[0]


def test_the_library_is_part_of_what_makes_the_report_run_again():
    assert code_of("leafledger.report.stage").libraries["plotly"] == version("plotly")


def test_every_scan_is_there_with_its_file_digest_and_rule(whole, values):
    scans = values["spectra"]["scans"]
    accepted = pd.read_csv(whole.inputs["accepted"]).set_index("scan")
    assert sorted(scans["scan"]) == sorted(accepted.index)
    for i, scan in enumerate(scans["scan"]):
        assert bool(scans["left_out"][i]) == (not accepted.loc[scan, "accepted"])
        assert scans["digest"][i] == hashlib.sha256(scan.encode()).hexdigest()[:12]
        assert scans["file"][i].endswith(f"/{scan}.txt")
    told = {words for words in scans["left_out"] if words}
    assert told == {"lines of room lamps", "decision of a person (A. Grower)"}


def test_the_drawn_spectra_are_the_measured_ones(whole, values):
    spectra = values["spectra"]
    tables_read = [
        read_spectra(whole.inputs[f"reflectance/{s}"], ("reflectance",))
        for s in spectra["sessions"]
    ]
    measured = np.vstack([t.spectra["reflectance"] for t in tables_read])
    drawn = np.array([unpacked_line(line) for line in spectra["reflectance"]])
    assert spectra["wavelength"] == list(tables_read[0].wavelength_nm)
    assert np.abs(drawn - measured).max() <= 0.5e-4 + 1e-12


@pytest.mark.parametrize(
    "line",
    [[0.1, 0.2, 0.15], [np.nan, 0.5, np.nan, -0.25, np.inf], [np.nan], [12.3456, 1e6, -3.0], [0.0]],
)
def test_a_spectrum_is_packed_and_unpacked(line):
    line = np.array(line)
    back = unpacked_line(encode_spectrum(line))
    finite = np.isfinite(line)
    assert np.array_equal(np.isfinite(back), finite)
    largest = np.abs(line[finite]).max(initial=0.0)
    assert np.abs(back[finite] - line[finite]).max(initial=0.0) <= max(0.5e-4, 0.5e-4 * largest)


def test_the_courses_hold_the_means_of_the_units(whole, values):
    courses = values["courses"]
    assert courses["indices"][courses["first"]]["index"] == "CI_rededge"
    table = pd.read_csv(whole.inputs["unit_indices"]).set_index(["index", "unit", "session"])[
        "mean"
    ]
    for entry in courses["indices"]:
        for group, units in zip(entry["groups"], courses["units"], strict=True):
            drawn = np.array(group["units"])
            own = [[table[entry["index"], u, s] for s in courses["sessions"]] for u in units]
            assert np.allclose(drawn, own, rtol=1e-4)
            assert np.allclose(group["mean"], np.mean(own, axis=0), rtol=1e-4)
            assert group["n"] == [len(units)] * len(courses["sessions"])


def test_the_band_leaves_zero_out_where_the_table_says(whole, values):
    table = pd.read_csv(whole.inputs["spectrum_effects"])
    entries = values["difference"]["contrasts"]
    for entry, session in zip(entries, ("day4", "day8", "day12"), strict=True):
        assert entry["words"] == f"change from day0 to {session}: chelate minus water"
        part = table[table["contrast"] == f"({session}-day0)@chelate-water"]
        apart = (part["low"] > 0) | (part["high"] < 0)
        assert {bool(a) for a in apart} == {True, False}
        assert entry["apart"] == [int(a) for a in apart]
        assert np.allclose(entry["estimate"], part["estimate"], rtol=1e-3, atol=1e-9)


def test_the_steps_hold_path_and_loadings(whole, values):
    path, terms = values["path"], values["terms"]
    assert path["chosen"] == 4 and [len(s["n"]) for s in path["splits"]] == [10, 10]
    assert path["splits"][0]["words"].startswith("validation")
    table = pd.read_parquet(whole.inputs["classes_terms"])
    for entry in terms["terms"]:
        part = table[(table["term"] == entry["words"]) & (table["component"] == 3)]
        own = part.sort_values("wavelength_nm")["value"].to_numpy()[:: step_for(len(part), 400)]
        assert np.allclose(entry["steps"]["3"]["value"], own, rtol=1e-3, atol=1e-9)


def test_the_same_look_as_in_the_still_figures():
    names = list("abcdefgh")
    drawn = interactive_looks(names)
    assert [d["colour"] for d in drawn] == [looks(names)[n].colour for n in names]
    assert len({d["symbol"] for d in drawn}) == len(names)
    assert drawn[0]["dash"] == "solid" and drawn[1]["dash"] != drawn[2]["dash"]


def test_numbers_that_are_not_known_are_told_as_such():
    assert round_significant(float("inf")) is None and round_significant(None) is None
    assert round_significant(123456.0) == 123460 and round_significant(0.1) == 0.1


def test_values_are_packed_to_the_same_bytes():
    view = InteractiveFigure("one", "One", "", {"label": "</script>", "x": [0.1, None]})
    assert pack_values([view]) == pack_values([view])
    assert json.loads(gzip.decompress(base64.b64decode(pack_values([view])))) == {
        "one": view.values
    }
    assert drawing_library() == drawing_library()


def test_every_caption_tells_n_error_bars_and_adjustment(whole):
    text = (whole.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    captions = dict(part.split("\n", 1) for part in text.strip().split("\n\n"))
    live = re.findall(r'<span class="live-words">([^<]+)</span>', whole.page)
    assert len(captions) >= 16 and len(live) == 5
    for name, caption in [*captions.items(), *enumerate(live)]:
        assert re.search(r"\bn\s(=\s|of |: |runs )|\bn:|\bn, |[Nn]umber of white", caption), name
        assert re.search(r"error bar|interval|deviation|spread", caption), name
        assert "adjust" in caption, name

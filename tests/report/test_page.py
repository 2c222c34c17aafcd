"""The page of a whole study: complete, closed to the network, true to its tables."""

from __future__ import annotations

import base64
import hashlib
import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from leafledger.effects.design import METHODS
from leafledger.report.answer import findings_part
from leafledger.report.figures import FigureSet
from leafledger.report.gather import CHECK_WORDS, gather
from leafledger.report.numbers import format_interval
from leafledger.report.stage import run
from leafledger.report.time_course_figures import disagreement_words

from . import beside, pages, tables

FIGURES = {
    "answer",
    "scans_at_fault",
    "replicates",
    "whites_over_time",
    "darks_over_time",
    "signal_to_noise",
    "primary_index",
    "index_courses",
    "effect_sizes",
    "spectra_by_group",
    "spectrum_difference",
    "taken_for",
    "accuracy_by_latent_variables",
    "class_weights",
    "confusion_matrices",
    "loadings",
    "importance",
    "rivals",
    "permutation",
}


def test_parts_stand_in_the_order_a_reader_asks(whole):
    ids = [a["id"] for t, a in whole.seen.tags if t == "section"]
    parts = ["found", "trust", "days", "holds", "apart", "next", "made", "cautions", "lineage"]
    assert ids == parts
    assert not whole.seen.unbalanced and not whole.seen.stack


def test_ids_are_unique_and_links_inside_the_page_lead_somewhere(whole):
    ids = Counter(a["id"] for _, a in whole.seen.tags if a.get("id"))
    assert [i for i, n in ids.items() if n > 1] == []
    inner = [a["href"][1:] for t, a in whole.seen.tags if t == "a" and a["href"].startswith("#")]
    assert len(inner) > 15 and set(inner) <= set(ids)
    labelled = {a["aria-labelledby"] for _, a in whole.seen.tags if "aria-labelledby" in a}
    assert labelled <= set(ids)


def test_every_reference_inside_a_drawing_is_defined_there(whole):
    ids = {a["id"] for _, a in whole.seen.tags if a.get("id")}
    used = set(re.findall(r"url\(#([^)]+)\)", whole.page))
    used |= {a["href"][1:] for t, a in whole.seen.tags if t == "use"}
    assert len(used) > 20 and used <= ids


def test_every_figure_is_in_the_folder_and_on_the_page(whole):
    folder = whole.job().outputs["figures"]
    names = {p.name for p in folder.iterdir()}
    assert names == {f"{f}.{e}" for f in FIGURES for e in ("svg", "png")} | {"captions.txt"}
    shown = {a["id"].removeprefix("fig-") for t, a in whole.seen.tags if t == "figure"}
    # The confusion matrices stand on the page as tables, one per number of latent variables.
    assert shown == FIGURES - {"confusion_matrices"}
    assert len([a for t, a in whole.seen.tags if t == "details" and a.get("class") == "step"]) == 10
    for p in folder.glob("*.png"):
        head = p.read_bytes()[:24]
        assert head.startswith(b"\x89PNG")
        # At publication size, at 200 dots an inch: a column of 85 mm, or more than 5 inches.
        assert int.from_bytes(head[16:20]) > (660 if p.stem == "answer" else 1000)
    for p in folder.glob("*.svg"):
        assert b"<dc:date>" not in p.read_bytes()


def test_every_drawing_has_a_description_and_every_figure_a_caption(whole):
    drawings = [a for t, a in whole.seen.tags if t == "svg" and a.get("class") == "plot"]
    names = [a["aria-labelledby"].removesuffix("-alt") for a in drawings]
    narrow = {"taken_for-narrow", "class_weights-narrow"}  # of the first layer, for phones
    assert sorted(names) == sorted((FIGURES | narrow) - {"confusion_matrices"})
    assert all(a["role"] == "img" for a in drawings)
    captions = (whole.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    for words in ("n of plants", "95 % t interval", "adjusted", "standard deviation"):
        assert words in captions


def test_nothing_is_asked_of_the_network(whole):
    for tag, attributes in whole.seen.tags:
        for name in ("src", "href", "srcset", "action", "data", "poster"):
            if name in attributes and tag != "data":
                own = r"(#|figures/|tables\.xlsx$|data:image/png)"
                assert re.match(own, attributes[name] or ""), attributes
    assert "@import" not in whole.page
    assert not re.search(r"url\((?!#)", whole.page)
    assert len(whole.page.encode()) < 8_000_000


def test_policy_names_only_our_script(whole):
    policy = next(
        a["content"]
        for t, a in whole.seen.tags
        if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    (script,) = whole.seen.scripts
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy.startswith("default-src 'none';")
    assert f"script-src 'sha256-{digest}'" in policy


def test_no_path_host_or_clock_time(whole):
    assert str(whole.folder) not in whole.page
    assert "/tmp" not in whole.page and "localhost" not in whole.page


def test_every_effect_is_on_the_page_with_its_own_numbers(whole):
    shown = [value for value, _ in whole.seen.values]
    for name in ("estimate", "p", "p_holm", "p_bh"):
        assert set(whole.effects[name]) <= set(shown)


@pytest.mark.parametrize("row", [0, 57, 179])
def test_a_row_of_the_effect_table_reads_as_the_table_says(whole, row):
    effect = whole.effects.iloc[row]
    value, low, high = format_interval(effect["estimate"], effect["ci_low"], effect["ci_high"])
    assert (float(effect["estimate"]), value) in whole.seen.values
    assert f"{low} to {high}" in whole.seen.text
    assert abs(float(value.replace("−", "-")) - effect["estimate"]) <= 0.05 * (
        effect["ci_high"] - effect["ci_low"]
    )


def test_primary_contrast_stands_first_and_apart(whole):
    primary = whole.effects[whole.effects["primary"]].iloc[0]
    after = whole.seen.text.split("The primary contrast that the settings name", 1)[1]
    first = after[:400]
    assert primary["index"] in first and "12 and 12" in first
    assert format_interval(primary["estimate"], primary["ci_low"], primary["ci_high"])[0] in first


def test_counts_of_scans_and_exclusions(whole):
    accepted = pd.read_csv(whole.inputs["accepted"])
    n_out = int((~accepted["accepted"]).sum())
    assert f"{n_out} of {len(accepted)} leaf scans were left out" in whole.seen.text
    for scan in accepted.loc[~accepted["accepted"], "scan"]:
        assert scan in whole.seen.text
    assert "A. Grower" in whole.seen.text and "room light on: clip open" in whole.seen.text


def test_digests_settings_seeds_and_versions_are_shown(whole):
    for role in ("effects", "catalogue", "scans/day4", "reflectance/day12"):
        assert hashlib.sha256(whole.inputs[role].read_bytes()).hexdigest() in whole.seen.text
    setting = "quality.checks.reference_drift"
    for word in ("20260504", "2.4.6", "25.0.1", setting, "leafledger 0.1.0"):
        assert word in whole.seen.text


def test_failed_expectation_is_open_and_says_where(whole):
    assert "Indices: 2 expectations, 1 not met" in whole.seen.text
    assert "d0-p01-1 NDVI (1.4)" in whole.seen.text
    assert "counts as: warning" in whole.seen.text


def test_chosen_confusion_matrix_is_open_without_script(whole):
    steps = [a for t, a in whole.seen.tags if t == "details" and a.get("class") == "step"]
    assert [a["data-n"] for a in steps if "open" in a] == ["4"]


def test_cautions_defer_to_local_codes(whole):
    for word in ("lamp", "Ultraviolet", "Hot bulbs", "Solvents", "Local codes", "licence"):
        assert word in whole.seen.text


def test_hostile_text_is_inert(tmp_path):
    bad = "</script><img src=x onerror=alert(1)>"
    plan = tables.Plan(
        title=f"{bad} $\\foo$ \x1b[31m",
        question='=HYPERLINK("x") " onmouseover="x',
        treatments=("$\\foo$", '=HYPERLINK("x")'),
        cultivars=("_hidden", bad, "{{ 7*7 }}", "x" * 64),
        reason=bad,
        sessions=("day0", "day4"),
        indices=("NDVI", "CI_rededge"),
        max_components=2,
        repeats=2,
    )
    made = tables.make(tmp_path, plan)
    run(made.job())
    seen = pages.read(made.job().outputs["report"].read_text(encoding="utf-8"))
    assert not [t for t, _ in seen.tags if t in {"img", "iframe", "object", "embed", "form"}]
    assert not [a for _, a in seen.tags if any(name.startswith("on") for name in a)]
    assert len(seen.scripts) == 1 and "alert" not in seen.scripts[0]
    assert bad in seen.text and "$\\foo$" in seen.text and "{{ 7*7 }}" in seen.text
    assert "\x1b" not in seen.text and not seen.unbalanced
    # The guard of spreadsheets is taken off again, so that the label joins with the design.
    assert "'=HYPERLINK" not in seen.text
    svg = (made.job().outputs["figures"] / "spectra_by_group.svg").read_text(encoding="utf-8")
    assert "$\\foo$" in svg and "=HYPERLINK" in svg


def small(**changes):
    short = tables.Plan(sessions=("day0", "day4"), indices=("NDVI", "CI_rededge"), n_units=12,
                        max_components=2, repeats=1)  # fmt: skip
    return replace(short, **changes)


def drawn(folder: Path, plan: tables.Plan) -> tuple[tables.Made, pages.Seen]:
    made = tables.make(folder, plan)
    run(made.job())
    return made, pages.read(made.job().outputs["report"].read_text(encoding="utf-8"))


def test_no_classes_asked_and_a_band_that_disagrees(tmp_path):
    made = tables.make(tmp_path, small(classes=False))
    effects = pd.read_csv(made.inputs["effects"])
    (verdict,) = effects.loc[effects["primary"], "verdict"]
    frame = pd.read_csv(made.inputs["spectrum_effects"])
    frame["low"], frame["high"] = (-1.0, 1.0) if verdict == "significant" else (1.0, 2.0)
    frame.to_csv(made.inputs["spectrum_effects"], index=False)
    run(made.job())
    seen = pages.read(made.job().outputs["report"].read_text(encoding="utf-8"))
    assert "The primary contrast of CI_rededge (" in seen.text
    assert "but the band leaves zero out" in seen.text
    assert "The study asks for no classifier" in seen.text
    assert not list(made.job().outputs["figures"].glob("loadings*"))


def test_bare_table_of_reflectance(tmp_path):
    bare = replace(tables.BARE, indices=("NDVI", "PRI"), max_components=2, repeats=1)
    made = tables.make(tmp_path, bare)
    beside._classes(made)
    run(made.job())
    seen = pages.read(made.job().outputs["report"].read_text(encoding="utf-8"))
    assert "scan's scans" not in seen.text
    for words in (
        "Share of the scans named rightly",
        "not known which spectra belong to the same plant",
        "No effect was tested",
        "arrived as reflectance, without white and dark references",
        "Measurement uncertainty is not known for session all",
        "the accuracy may flatter",
        "How do the groups differ?",
        "Small dots: single scans",
        "Thick lines: mean of the scans.",
        "There is no difference spectrum",
        "no repeated white references",
    ):
        assert words in seen.text
    assert "without known units no interval holds" in seen.text
    assert not list(made.job().outputs["figures"].glob("signal*"))


def test_no_scan_accepted(tmp_path):
    made = tables.make(tmp_path, small(classes=False, effects=False))
    frame = pd.read_csv(made.inputs["accepted"], dtype=str)
    frame["accepted"] = "false"
    frame.to_csv(made.inputs["accepted"], index=False)
    run(made.job())
    page = made.job().outputs["report"].read_text(encoding="utf-8")
    assert "No accepted spectrum is left to draw" in page


def test_one_unit_a_group_has_no_band(tmp_path):
    _, seen = drawn(tmp_path, small(n_units=2, classes=False, effects=False))
    assert "no band where a group has a single plant" in seen.text


def test_only_the_forms_that_were_asked_for(tmp_path):
    made, seen = drawn(tmp_path, small(classes=False, figures=("png",)))
    old = made.job().outputs["figures"] / "old.svg"
    old.write_text("from an earlier report")
    run(made.job())
    names = {p.suffix for p in made.job().outputs["figures"].iterdir()}
    assert names == {".png", ".txt"} and not old.exists()
    assert [t for t, _ in seen.tags if t == "figure"]


@pytest.mark.slow
def test_same_bytes_in_two_processes(tmp_path):
    script = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from pathlib import Path\nfrom report import beside, tables\n"
        "from report.test_page import small\n"
        "from leafledger.report.stage import run\n"
        "made = tables.make(Path(sys.argv[2]), small())\n"
        "beside.add(made, sorted(made.settings['units']))\n"
        "run(made.job())\n"
    )
    digests = []
    for seed in ("1", "2"):
        folder = tmp_path / seed
        subprocess.run(
            [sys.executable, "-c", script, str(Path(__file__).parents[1]), str(folder)],
            check=True,
            env={"PYTHONHASHSEED": seed, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
        out = sorted(p for p in (folder / "results").rglob("*") if p.is_file())
        digests.append(
            {
                p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
                for p in out
            }
        )
    assert "results/report.html" in digests[0]
    assert digests[0] == digests[1]


def test_the_effect_sizes_tell_both_groups_level_and_adjustment(whole):
    text = (whole.job().outputs["figures"] / "captions.txt").read_text(encoding="utf-8")
    caption = text.split("effect_sizes\n")[1].split("\n")[0]
    assert "95 % interval" in caption and "by Holm" in caption
    assert "n = 12 plants treated and 12 for reference." in caption


def test_of_many_sentences_three_stand_and_the_rest_is_folded(whole):
    told = [f"Nothing was shown of index {k}." for k in range(9)]
    material = gather(whole.job())
    for n, stand in ((9, 3), (4, 4)):
        summary = {**material.effects_summary, "sentences": told[:n]}
        view = findings_part(replace(material, effects_summary=summary), FigureSet(["svg"]))
        assert view["sentences"] == told[:stand]
        assert view["more_sentences"] == told[stand:n]


def _band(low, high, contrast="(d8-d0)@dry-wet"):
    frame = {"contrast": contrast, "wavelength_nm": [500.0, 501.0, 502.0], "low": low, "high": high}
    return pd.DataFrame(frame)


def _primary(verdict, contrast="(d8-d0)@dry-wet", primary=True):
    row = {"primary": primary, "stratum": "all", "contrast": contrast, "index": "NDVI"}
    return pd.DataFrame([row | {"verdict": verdict}])


CROSSING, AWAY = ([-1.0] * 3, [1.0] * 3), ([-1.0, 0.1, -0.4], [1.0, 0.2, -0.1])


def test_a_band_that_disagrees_with_the_primary_contrast_is_named():
    words = {"(d8-d0)@dry-wet": "dry minus wet"}
    (said,) = disagreement_words(_primary("significant"), _band(*CROSSING), words)
    assert said.startswith("The primary contrast of NDVI (dry minus wet) is significant, but the")
    assert "zero out at no wavelength" in said
    (said,) = disagreement_words(_primary("not_significant"), _band(*AWAY), words)
    assert "is not significant, but the band leaves zero out" in said
    assert "at 2 wavelengths between 501 and 502 nm" in said
    one = ([-1.0, 0.1, -1.0], [1.0, 0.2, 1.0])
    (said,) = disagreement_words(_primary("not_significant"), _band(*one), words)
    assert "leaves zero out at 501 nm" in said


def test_a_band_that_agrees_or_cannot_be_compared_is_not():
    for verdict, band in (
        ("significant", AWAY),
        ("not_significant", CROSSING),
        ("undefined", AWAY),
        ("equivalent", AWAY),
        ("significant", ([np.nan] * 3, [np.nan] * 3)),
    ):
        assert disagreement_words(_primary(verdict), _band(*band), {}) == []
    other = _band(*CROSSING, contrast="(d4-d0)@dry-wet")
    assert disagreement_words(_primary("significant"), other, {}) == []
    assert disagreement_words(_primary("significant", primary=False), _band(*CROSSING), {}) == []


def test_p_is_written_one_way_and_no_key_of_a_table_reaches_the_reader(whole):
    text = whole.seen.text.replace("\N{NO-BREAK SPACE}", " ")
    below = re.findall(r"< (0\.0+1)\b", text)
    assert set(below) <= {"0.0001"}
    written = re.findall(r"\bp (?:=|<|of) ?([0-9.e-]+[0-9])", text)
    assert written and not [p for p in written if "e" in p]
    assert not re.search(r"[\w)]@\w", text), "a contrast by its key"
    assert "hedges" not in text


def test_keys_of_methods_settings_and_checks_stand_as_code_or_not_at_all(whole):
    """What is typed in study.yaml or stands in a column is code; a reader's text has words."""
    prose = re.sub(r"<(script|style|code|pre|svg)\b.*?</\1>", "", whole.page, flags=re.DOTALL)
    text = pages.read(prose).text
    keys = {method for methods in METHODS.values() for method in methods} | set(CHECK_WORDS)
    keys |= {"hedges_g_paired", "full_scale_counts", "integration_ms"}
    named = {key for key in keys if "_" in key and re.search(rf"(?<![\w./]){key}(?![\w.])", text)}
    assert named == set()
    assert "<code>effects." in whole.page, "the settings themselves are there"

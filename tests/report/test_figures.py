"""Numbers, summaries and figures: against outside values, true to the tables, the same bytes."""

from __future__ import annotations

import base64
import gzip
import hashlib
import io
import itertools
import json
import re
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import axis as mpl_axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from leafledger import report
from leafledger.records.digests import _data_files, code_of
from leafledger.report import interactive, numbers
from leafledger.report.answer import strip
from leafledger.report.classification import rival_rows
from leafledger.report.classification_figures import accuracy_path
from leafledger.report.drawing import inline_svg, png_bytes
from leafledger.report.figures import (
    STYLE,
    FigureSet,
    InteractiveFigure,
    interactive_looks,
    looks,
    mean_interval,
    new_figure,
    round_significant,
    step_for,
    summarise_spectra,
)
from leafledger.report.gather import contrast_words, gather, groups_of
from leafledger.report.interactive import encode_spectrum, interactive_spectra
from leafledger.report.stage import drawing_library, pack_values
from leafledger.study.table_files import load_spectra, read_spectra
from leafledger.words import shown_p

STATIC = Path(report.__file__).parent / "static"


def test_mean_interval_of_a_published_example():
    # NIST/SEMATECH e-Handbook 1.3.5.2, data set ZARR13.DAT: n = 195, mean 9.261460, standard
    # deviation 0.022789, 95 % limits 9.258242 and 9.264679. Rebuilt here as 195 values with that
    # mean and standard deviation. The handbook's figures are typed from memory.
    shape = np.linspace(-1, 1, 195)
    values = 9.261460 + 0.022789 * (shape - shape.mean()) / shape.std(ddof=1)
    told = mean_interval(values)
    assert told.half is not None
    assert told.mean - told.half == pytest.approx(9.258242, abs=2e-6)
    assert told.mean + told.half == pytest.approx(9.264679, abs=2e-6)
    assert mean_interval(np.array([1.0])).half is None


def test_leaves_do_not_count_as_units():
    # Unit a: two leaves (one scanned twice); unit b: one leaf. Worked by hand:
    # a = mean(mean(1, 3), 6) = 4, b = 8; mean 6, standard deviation sqrt(8).
    spectra = np.array([[1.0], [3.0], [6.0], [8.0]])
    told = summarise_spectra(spectra, ["a", "a", "a", "b"], ["1", "1", "2", "1"])
    assert told.mean[0] == 6.0 and told.n_units == 2 and told.n_scans == 4
    assert told.sd is not None and told.sd[0] == pytest.approx(8**0.5)
    assert (told.low[0], told.high[0]) == (1.0, 8.0)


def test_row_order_does_not_matter():
    rng = np.random.default_rng(1)
    spectra, units = rng.normal(size=(30, 4)), [f"u{i % 7}" for i in range(30)]
    leaves = [str(i % 3) for i in range(30)]
    order = rng.permutation(30)
    one = summarise_spectra(spectra, units, leaves)
    two = summarise_spectra(spectra[order], [units[i] for i in order], [leaves[i] for i in order])
    assert np.allclose(one.mean, two.mean, rtol=1e-12)


def test_stated_uncertainty_keeps_two_figures():
    # JCGM 100:2008, 7.2.6: at most two significant digits of an uncertainty, e.g. the nominal
    # 100 g standard of 7.2.2: 100.02147 g with u = 0.35 mg reads 100.02147(35) g.
    assert (
        numbers.format_interval(100.02147, 100.02147 - 0.00035, 100.02147 + 0.00035)[0]
        == "100.02147"
    )
    assert numbers.format_interval(10.05762, 10.05762 - 0.027, 10.05762 + 0.027)[0] == "10.058"


def test_pooled_accuracy_by_hand():
    path = pd.DataFrame(
        {
            "split": ["outer"] * 4,
            "repeat": [1, 1, 2, 2],
            "fold": [1, 2, 1, 2],
            "n_components": [1] * 4,
            "n_correct": [1, 9, 4, 4],
            "n_scans": [10, 10, 10, 10],
        }
    )
    row = accuracy_path(path).iloc[0]
    assert (row["mean"], row["lowest"], row["highest"], row["n_repeats"]) == (0.45, 0.4, 0.5, 2)
    rival = rival_rows(path.assign(procedure="a_b"))[0]
    assert rival["name"] == "a b" and rival["by_repeat"] == [0.5, 0.4]


def test_strip_keeps_order_of_zero_and_interval():
    below = strip(-2.0, -3.0, -1.0)
    assert below is not None
    assert below["low"] < below["value"] < below["high"] < below["zero"] < 100


def test_looks_differ_by_more_than_colour():
    seven = looks(list("abcdefg"))
    assert len({look.colour for look in seven.values()}) == 7
    assert len({look.marker for look in seven.values()}) == 7
    # Okabe and Ito (2008): blue 0, 114, 178 and vermillion 213, 94, 0.
    assert seven["a"].colour == "#0072B2" and seven["b"].colour == "#D55E00"
    assert bytes.fromhex(seven["a"].colour[1:]) == bytes([0, 114, 178])


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (W3C, WCAG 2.2)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


def test_groups_differ_in_a_grey_print():
    """Symbols differ in every pair of seven groups; where lines are alike, their grey differs."""
    assert luminance("#ffffff") == pytest.approx(1.0) and luminance("#000000") == 0.0
    groups = list(looks([f"g{i}" for i in range(7)]).values())
    for one, other in itertools.combinations(groups, 2):
        assert one.marker != other.marker
        light = sorted((luminance(one.colour) + 0.05, luminance(other.colour) + 0.05))
        assert one.dashes != other.dashes or light[1] / light[0] >= 2.0
        assert (one.hatch, one.colour) != (other.hatch, other.colour)


def test_ids_with_hyphens_are_told_apart():
    words = contrast_words(["d-0", "d-8"], ["a-b", "c"], [])
    assert words["(d-8-d-0)@a-b-c"] == "change from d-0 to d-8: a-b minus c"


def test_control_comes_first():
    units = {"u1": {"t": "a"}, "u2": {"t": "z"}, "u3": {"t": "b"}}
    assert groups_of({"treatment": "t", "control": "z"}, units).names == ("z", "a", "b")
    assert groups_of({"treatment": "t"}, {"u": {}}).names == ("all",)


def test_inlined_drawing_keeps_text_and_prefixes_ids():
    text = (
        '<?xml version="1.0"?><svg viewBox="0 0 72 72"><metadata>when</metadata><defs>'
        '<style type="text/css">*{}</style><path id="m1"/></defs><g id="axes_1"><use '
        'xlink:href="#m1"/><text> id="kept" url(#kept)</text><g clip-path="url(#p1)"/></g></svg>'
    )
    out = str(inline_svg(text, "fig", 'a < b "c"'))
    assert 'id="fig-m1"' in out and 'href="#fig-m1"' in out and "url(#fig-p1)" in out
    assert "axes_1" not in out and "style type" not in out and "when" not in out
    assert ' id="kept" url(#kept)' in out
    assert "a &lt; b &#34;c&#34;</title>" in out


@pytest.mark.parametrize("exponent", range(13))
def test_p_in_a_table_is_p_in_a_sentence(exponent):
    """The page must not write one p in two ways: the findings are the judge."""
    for first in (1.0, 2.021, 4.9999, 5.0001, 9.995):
        p = min(first * 10.0**-exponent, 1.0)
        assert shown_p(p, 0.05).removeprefix("= ") == numbers.format_p(p)


def drawn(figure: Figure) -> None:
    """Draw panels of which some have no title and some no labels."""
    axes = figure.subplots(2, 2)
    for i, axis in enumerate(axes.ravel()):
        axis.plot([0, 1, 2], [10.0**i, 5, -3], label="leaf")
        if i != 3:
            axis.set_title(f"panel {i}")
        if i % 2 == 0:
            axis.set_ylabel("reflectance")
        if i >= 2:
            axis.set_xlabel("wavelength (nm)")
    figure.legend(*axes[0, 0].get_legend_handles_labels(), loc="outside upper left")


def pixels(png: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"), dtype=int)


def test_it_looks_as_if_matplotlib_had_laid_it_out_for_this_form():
    with mpl.rc_context(STYLE):
        figure = new_figure(6, 4)
        drawn(figure)
        book = FigureSet(["png"])
        book.add(figure, "panels", "Panels", "Four panels", "n = 1.")
        plain = new_figure(6, 4)
        drawn(plain)
        out = io.BytesIO()
        plain.savefig(out, dpi=plain.dpi)
    ours, theirs = pixels(book.files["panels.png"]), pixels(out.getvalue())
    assert ours.shape == theirs.shape
    assert np.mean(np.abs(ours - theirs) > 60) < 0.001


def test_the_picture_is_what_matplotlib_paints_packed_without_alpha():
    with mpl.rc_context(STYLE):
        figure, plain = new_figure(6, 4), new_figure(6, 4)
        for one in (figure, plain):
            drawn(one)
        canvas = FigureCanvasAgg(figure)
        ours = Image.open(io.BytesIO(png_bytes(figure, canvas, 200)))
        out = io.BytesIO()
        plain.savefig(out, dpi=200)
    theirs = Image.open(out)
    assert (ours.mode, theirs.mode) == ("RGB", "RGBA")
    assert ours.info["dpi"] == pytest.approx((200, 200), abs=0.1)
    assert np.array_equal(np.asarray(ours), np.asarray(theirs)[..., :3])


def test_a_figure_of_the_first_layer_has_a_narrow_drawing_but_no_more_files():
    def draw(book: FigureSet) -> Any:
        figure = new_figure(6.5, 3)
        drawn(figure)
        return book.add(figure, "panels", "Panels", "Four panels", "n = 1.", wide=True)

    with mpl.rc_context(STYLE):
        book = FigureSet(["svg"])
        whole = book.add_for_phones_too(draw)
        after = new_figure(6.5, 3)
        assert after.get_figwidth() == 6.5, "the width of a phone holds for that drawing alone"
        assert whole.narrow is not None
        wide, narrow = (
            float(re.search(r"max-width:(\d+)px", one.markup)[1]) for one in (whole, whole.narrow)
        )
    assert wide > 600
    assert narrow < 350  # a phone of 390 pixels less its margins
    assert set(book.files) == {"panels.svg"}
    assert [figure.name for figure in book.figures] == ["panels"]


def test_labels_are_not_sought_anew_in_each_drawing(monkeypatch: pytest.MonkeyPatch):
    sought = []
    whole = mpl_axis.Axis._get_tick_boxes_siblings

    def counted(self, renderer):
        sought.append(self)
        return whole(self, renderer)

    monkeypatch.setattr(mpl_axis.Axis, "_get_tick_boxes_siblings", counted)
    with mpl.rc_context(STYLE):
        figure = new_figure(6, 4)
        drawn(figure)
        book = FigureSet(["svg", "png"])
        book.add(figure, "panels", "Panels", "Four panels", "n = 1.")
    assert set(book.files) == {"panels.svg", "panels.png"}
    # Two passes of the layout over the four labels there are, and none in the two drawings.
    assert len(sought) == 8


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
    assert b"plotly.js (basic - minified) v" in library[:60]
    digest = base64.b64encode(hashlib.sha256(library).digest()).decode()
    policy = re.search(r"script-src ([^;]+);", whole.page).group(1).split()
    assert policy[1:] == [f"'sha256-{digest}'"] and len(policy) == 2
    assert "unsafe-eval" not in whole.page.split("</head>")[0]


def test_the_library_is_part_of_what_makes_the_report_run_again():
    folder = STATIC / "plotly"
    assert folder / "plotly-basic.min.js" in _data_files(STATIC.parent)
    assert "plotly" not in code_of("leafledger.report.stage").libraries


def test_the_library_is_the_file_that_its_version_and_licence_stand_for():
    """The digest was taken from the package of that name and version when it was put there."""
    said = json.loads((STATIC / "plotly" / "version.json").read_text(encoding="utf-8"))
    content = (STATIC / "plotly" / said["file"]).read_bytes()
    assert hashlib.sha256(content).hexdigest() == said["sha256"]
    assert f"plotly.js (basic - minified) v{said['version']}\n".encode() in content[:60]
    licence = (STATIC / "plotly" / "LICENSE").read_text(encoding="utf-8")
    assert said["license"] == "MIT" and licence.startswith("MIT License\n")


def test_the_scripts_ask_for_no_trace_that_the_library_lacks(whole):
    """The basic part draws scatter, bar and pie; any other type would leave a figure empty."""
    library = inside(whole.page, "drawing-library").decode()
    live = "\n".join(path.read_text(encoding="utf-8") for path in (STATIC / "live").glob("*.js"))
    asked = set(re.findall(r'type: "(scatter\w*|bar|heatmap\w*|box|contour|surface|mesh3d)"', live))
    assert asked == {"scatter"}
    assert 'moduleType:"trace",name:"scatter"' in library


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


def test_of_many_scans_the_page_holds_some_evenly_and_says_so(whole, monkeypatch):
    material = gather(whole.job())
    sizes = [len(table.rows) for table in material.reflectance.values()]
    all_of = interactive_spectra(material)
    assert len(all_of.values["reflectance"]) == sum(sizes) == all_of.values["n_scans"]
    assert "The page holds" not in all_of.caption
    monkeypatch.setattr(interactive, "_SCANS_IN_PAGE", 40)
    some = interactive_spectra(material)
    scans = some.values["scans"]
    assert len(scans["scan"]) == len(some.values["reflectance"]) == 40
    assert some.values["n_scans"] == sum(sizes)
    assert f"The page holds 40 of the {sum(sizes)} scans" in some.caption
    assert f"n = {sum(sizes)} scans" in some.caption
    assert sum(map(bool, scans["left_out"])) == (~material.accepted["accepted"]).sum()
    counts = [scans["session"].count(k) for k in range(len(sizes))]
    assert max(counts) - min(counts) <= 2 + max(
        sum(bool(w) and s == k for w, s in zip(scans["left_out"], scans["session"], strict=True))
        for k in range(len(sizes))
    )
    assert some.values["means"] == all_of.values["means"], "means are those of all scans"
    whole_of = dict(zip(all_of.values["scans"]["scan"], all_of.values["reflectance"], strict=True))
    for scan, line in zip(scans["scan"], some.values["reflectance"], strict=True):
        assert line == whole_of[scan]


def test_spectra_left_in_their_files_are_those_that_are_loaded(whole):
    job = whole.job()
    loaded = load_spectra(
        job.by_session("reflectance"), job.inputs["accepted"], job.inputs["range"],
        job.settings["units"], only_accepted=False,
    )  # fmt: skip
    material = gather(job)
    stored = material.all_spectra
    assert stored.reflectance.shape == loaded.reflectance.shape
    assert np.array_equal(stored.wavelength_nm, loaded.wavelength_nm)
    pd.testing.assert_frame_equal(stored.rows, loaded.rows)
    order = np.random.default_rng(1).permutation(len(loaded.rows))
    kept = loaded.rows["accepted"].to_numpy(dtype=bool)
    assert 0 < kept.sum() < len(kept)
    for rows in (order, order[:7], kept, slice(3, 90, 5), order[:0], 11, np.intp(40)):
        assert np.array_equal(stored.reflectance[rows], loaded.reflectance[rows])
    assert np.array_equal(
        material.spectra.reflectance[np.arange(kept.sum())], loaded.reflectance[kept]
    )


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
        assert re.search(r"error bar|interval|deviation|spread|\bSD\b", caption), name
        assert re.search(r"adjust|[Nn]othing is tested", caption), name


def test_every_figure_fits_two_columns_of_a_journal_with_text_of_8_points(whole):
    """180 mm are 510.2 points; DejaVu, the font of the figures, is larger than most at 8 points."""
    drawn = list(whole.job().outputs["figures"].glob("*.svg"))
    assert len(drawn) > 12
    for path in drawn:
        svg = path.read_text(encoding="utf-8")
        width = re.search(r'width="([\d.]+)pt"', svg)
        assert width is not None and float(width[1]) <= 510.3, path.name
        sizes = [float(x) for x in re.findall(r"font(?:-size)?:[^;\"]*?([\d.]+)px", svg)]
        assert sizes and min(sizes) >= 8, (path.name, min(sizes))


def test_each_loading_has_a_scale_of_its_own(whole):
    svg = (whole.job().outputs["figures"] / "loadings.svg").read_text(encoding="utf-8")
    assert svg.count(">wavelength (nm)<") == 1
    assert "(left scale, one for each;" in (
        whole.job().outputs["figures"] / "captions.txt"
    ).read_text(encoding="utf-8")

"""Written numbers and the summaries behind the figures, against outside values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from leafledger.report import numbers
from leafledger.report.answer import strip
from leafledger.report.classification import rival_rows
from leafledger.report.classification_figures import accuracy_path
from leafledger.report.figures import inline_svg, looks, mean_interval, summarise_spectra
from leafledger.report.gather import contrast_words, groups_of
from leafledger.words import shown_p


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


def test_one_value_has_no_interval():
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

"""Published data carried through the whole pipeline as spectra whose bands hold the values.

Sources
-------
Darwin (1876), The Effects of Cross and Self Fertilisation in the Vegetable Kingdom, chapter I;
heights in eighths of an inch, the t test and all 32,768 arrangements of signs as in Fisher (1935),
The Design of Experiments, chapter III (t = 2.148; 1,726 arrangements at least as far from zero).

Yates (1935), Complex experiments, Supplement to the JRSS 2, 181-247: split-plot trial of oats,
yields of 72 sub-plots in quarter pounds. Yields and analysis of variance as in Venables and Ripley
(2002), Modern Applied Statistics with S, 4th ed., section 10.2: sums of squares 15875, 1786, 6013,
20020, 322 and 7969, F of nitrogen x variety 0.303 on 6 and 45; written from memory, and the yields
give these sums of squares, asserted below.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from leafledger import Study

CROSSED = [188, 96, 168, 176, 153, 172, 177, 163, 146, 173, 186, 168, 177, 184, 96]
SELFED = [139, 163, 160, 160, 147, 149, 149, 122, 132, 144, 130, 144, 102, 124, 144]
STUDY = """\
version: 1
title: Maize
design:
  unit: pair
  treatment: treatment
  control: none
  sessions: [{session: selfed, phase: before}, {session: crossed, phase: after}]
intake: {sheet: raw/t.csv, forms: {default: {form: wide_table, quantity: reflectance}}}
reflectance: {grid: native}
quality: {apply: none, range: {start_nm: 500, stop_nm: 600}}
indices: {use: [], formulas: [{index: height, formula: "R(550) * 1000", unit: eighths}]}
effects:
  primary: {index: height, question: change}
  methods: [paired_t, sign_flip]
  n_draws: 99999
"""


OATS = """\
I Victory 111 130 157 174
I Golden 117 114 161 141
I Marvellous 105 140 118 156
II Victory 61 91 97 100
II Golden 70 108 126 149
II Marvellous 96 124 121 144
III Victory 68 64 112 86
III Golden 60 102 89 96
III Marvellous 89 129 132 124
IV Victory 74 89 81 122
IV Golden 64 103 132 133
IV Marvellous 70 89 104 117
V Victory 62 90 100 116
V Golden 80 82 94 126
V Marvellous 63 70 109 99
VI Victory 53 74 118 113
VI Golden 89 82 86 104
VI Marvellous 97 99 119 121"""
OATS_STUDY = """\
version: 1
title: Oats
design:
  unit: plot
  treatment: treatment
  control: Golden
  block: block
  sessions:
    - {session: n0, phase: before}
    - {session: n2, phase: after}
    - {session: n4, phase: after}
    - {session: n6, phase: after}
intake: {sheet: raw/t.csv, forms: {default: {form: wide_table, quantity: reflectance}}}
reflectance: {grid: native}
quality: {apply: none, range: {start_nm: 500, stop_nm: 600}}
indices: {use: [], formulas: [{index: yield, formula: "R(550) * 1000", unit: quarter_pounds}]}
effects:
  primary: {index: yield, question: difference_in_change}
  methods: [welch_t, mixed_model]
"""
BANDS = range(500, 610, 10)


def spectrum(value: float) -> list[str]:
    """Return reflectance in which the band at 550 nm holds the value over a thousand."""
    return [repr(value / 1000) if nm == 550 else "0.3" for nm in BANDS]


def effects_of(folder: Path, study: str, lines: list[str]) -> pd.DataFrame:
    """Run a study whose one table of spectra has these lines; return its effects."""
    (folder / "raw").mkdir()
    (folder / "raw/t.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "study.yaml").write_text(study, encoding="utf-8")
    command = [sys.executable, "-m", "leafledger.cli", "run", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return Study.open(folder).table("effects.csv")


@pytest.mark.slow
def test_darwin_maize_as_spectra(tmp_path: Path) -> None:
    lines = [",".join(["session", "unit", "leaf", "treatment", *map(str, BANDS)])]
    for session, heights in (("selfed", SELFED), ("crossed", CROSSED)):
        for i, height in enumerate(heights):
            lines.append(",".join([session, f"pair{i:02d}", "1", "pot", *spectrum(height)]))
    effects = effects_of(tmp_path, STUDY, lines).set_index("method")
    t, flips = effects.loc["paired_t"], effects.loc["sign_flip"]
    assert t["statistic"] == pytest.approx(2.147987, abs=5e-7)
    assert t["p"] == pytest.approx(0.0497029, abs=5e-8)
    assert t["estimate"] == pytest.approx(314 / 15, abs=1e-12)
    assert (t["ci_low"], t["ci_high"]) == pytest.approx((0.03119332, 41.83547335), abs=5e-9)
    assert flips["p"] == 1726 / 32768


@pytest.mark.longest
@pytest.mark.slow
def test_split_plot_oats_as_spectra(tmp_path: Path) -> None:
    """Varieties on plots, nitrogen on their sub-plots: here treatments of units seen four times."""
    rows = [line.split() for line in OATS.splitlines()]
    grown = np.array([[float(v) for v in row[2:]] for row in rows])
    variety = np.array([row[1] for row in rows])
    heads = ["session", "unit", "leaf", "treatment", "block", *map(str, BANDS)]
    lines = [",".join(heads)]
    for at, session in enumerate(("n0", "n2", "n4", "n6")):
        for (block, sort, *_), values in zip(rows, grown.tolist(), strict=True):
            unit = f"{block}-{sort}"
            lines.append(",".join([session, unit, "1", sort, block, *spectrum(values[at])]))
    effects = effects_of(tmp_path, OATS_STUDY, lines)

    cells = np.array(
        [grown[variety == v].mean(axis=0) for v in ("Golden", "Marvellous", "Victory")]
    )
    left = cells - cells.mean(axis=0) - cells.mean(axis=1, keepdims=True) + cells.mean()
    within = ((grown - grown.mean(axis=1, keepdims=True)) ** 2).sum()
    nitrogen = 18 * ((grown.mean(axis=0) - grown.mean()) ** 2).sum()
    assert (nitrogen, 6 * (left**2).sum()) == pytest.approx((20020.5, 321.75), abs=1e-8)
    residual = within - nitrogen - 321.75
    assert residual == pytest.approx(7968.75, abs=1e-8)

    joint = effects.set_index("method").loc["mixed_model_f"]
    assert joint["statistic"] == pytest.approx((321.75 / 6) / (7968.75 / 45), rel=1e-8)
    assert (joint["df"], joint["df2"]) == (6, 45)
    model = effects[effects["method"] == "mixed_model"].set_index("contrast")
    line = model.loc["(n6-n0)@Victory-Golden"]
    assert line["estimate"] == pytest.approx(cells[2, 3] - cells[2, 0] - cells[0, 3] + cells[0, 0])
    error = (4 * 7968.75 / 45 / 6) ** 0.5  # four means of six sub-plots each
    assert line["statistic"] == pytest.approx(line["estimate"] / error, rel=1e-8)
    assert line["df"] == 45
    assert (line["n_units"], line["n_units_reference"]) == (6, 6)
    components = Study.open(tmp_path).table("variance_components.csv").set_index("component")
    assert components.loc["unit_x_session", "variance"] == pytest.approx(7968.75 / 45, rel=1e-8)

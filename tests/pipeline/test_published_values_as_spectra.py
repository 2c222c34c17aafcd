"""Published data carried through the whole pipeline as spectra whose bands hold the values.

Sources
-------
Darwin (1876), The Effects of Cross and Self Fertilisation in the Vegetable Kingdom, chapter I;
heights in eighths of an inch, the t test and all 32,768 arrangements of signs as in Fisher (1935),
The Design of Experiments, chapter III (t = 2.148; 1,726 arrangements at least as far from zero).
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from leafledger.study.study import Study

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


@pytest.mark.slow
def test_darwin_maize_as_spectra(tmp_path: Path) -> None:
    bands = range(500, 610, 10)
    lines = [",".join(["session", "unit", "leaf", "treatment", *map(str, bands)])]
    for session, heights in (("selfed", SELFED), ("crossed", CROSSED)):
        for i, height in enumerate(heights):
            values = [repr(height / 1000) if nm == 550 else "0.3" for nm in bands]
            lines.append(",".join([session, f"pair{i:02d}", "1", "pot", *values]))
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw/t.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "study.yaml").write_text(STUDY, encoding="utf-8")
    command = [sys.executable, "-m", "leafledger.cli", "run", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    effects = Study.open(tmp_path).table("effects.csv").set_index("method")
    t, flips = effects.loc["paired_t"], effects.loc["sign_flip"]
    assert t["statistic"] == pytest.approx(2.147987, abs=5e-7)
    assert t["p"] == pytest.approx(0.0497029, abs=5e-8)
    assert t["estimate"] == pytest.approx(314 / 15, abs=1e-12)
    assert (t["ci_low"], t["ci_high"]) == pytest.approx((0.03119332, 41.83547335), abs=5e-9)
    assert flips["p"] == 1726 / 32768

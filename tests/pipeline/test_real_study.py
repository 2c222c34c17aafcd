"""A real study carried through the same pipeline, where its data lie beside the repository.

Data: 680 leaf-clip spectra of lemon myrtle in three classes. Heim, Wright, Allen, Geedicke and
Oldeland (2018), Developing a spectral disease index for myrtle rust (Austropuccinia psidii), Plant
Pathology; published by the authors under the MIT licence, not part of this repository.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from generated import ROOT
from leafledger import Study

TABLE = ROOT.parent / "shared" / "real" / "lemon_myrtle_leaves.csv"
pytestmark = [
    pytest.mark.skipif(not TABLE.is_file(), reason="the real data are not beside the repository"),
]


def cli(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "leafledger.cli", *arguments],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
def test_a_labelled_table_runs_with_a_dozen_lines(tmp_path: Path) -> None:
    study = tmp_path / "rust"
    made = cli(
        *("new", str(study), "--table", str(TABLE), "--treatment", "Type"),
        *("--quantity", "percent", "--title", "Leaf rust"),
    )
    assert made.returncode == 0, made.stderr
    definition = study / "study.yaml"
    text = definition.read_text(encoding="utf-8")
    assert len([line for line in text.splitlines() if line and line[0] != "#"]) <= 14
    # Cheap enough for a test: fewer components, repeats and draws than a study would use.
    definition.write_text(
        text.replace("n_permutations: 199", "n_permutations: 19\n  max_components: 6")
        + "  folds: {outer: 4, repeats: 2}\n",
        encoding="utf-8",
    )
    done = cli("run", str(study), "--json")
    assert done.returncode == 0, done.stdout + done.stderr
    opened = Study.open(study)
    spectra = opened.spectra()
    raw = np.genfromtxt(TABLE, delimiter=",", skip_header=1, dtype=str)
    values = raw[:, 1:].astype(float) / 100
    assert spectra.reflectance.shape == values.shape == (680, 201)
    ours = spectra.reflectance[np.lexsort(spectra.reflectance.T[::-1])]
    theirs = values.astype(np.float32).astype(float)
    np.testing.assert_allclose(ours, theirs[np.lexsort(theirs.T[::-1])], rtol=1e-6)
    summary = json.loads((study / "results/classes/summary.json").read_text(encoding="utf-8"))
    assert summary["n_scans"] == 680
    assert summary["accuracy"] > 0.8
    assert any("flatter" in text for text in summary["warnings"])
    effects = json.loads((study / "results/effects.json").read_text(encoding="utf-8"))
    assert effects["description"]
    assert len(opened.table("effects.csv")) == 0

"""What `import leafledger` gives: tables, labelled spectra, figures, and running again."""

from __future__ import annotations

import importlib
import re
import subprocess
import sys

import numpy as np
import pytest

import leafledger
from leafledger.errors import InputFault, StageFailure
from leafledger.study.reading import read_study
from leafledger.study.study import read_figures
from leafledger.study.table_files import read_json


def test_tables_are_named_in_the_order_of_the_data_and_read_as_pandas(small_study_run):
    study = leafledger.Study.open(small_study_run)
    names = study.tables()
    assert names[0].startswith("scans/")
    assert names.index("accepted.csv") < names.index("unit_indices.csv")
    assert names.index("unit_indices.csv") < names.index("effects.csv")
    for name in names:
        assert list(study.columns(name)["column"]) == list(study.table(name).columns)
        assert study.columns(name)["meaning"].all(), name
    effects = study.table("effects.csv")
    assert effects["primary"].dtype == bool
    assert study.document("range.json") == read_json(small_study_run / "results/range.json")
    assert "effects.json" in study.documents()
    assert "range.json" not in names
    # Spectra beside reflectance, numbers beside an index: only the spectra are left out.
    indices = study.table(next(name for name in names if name.startswith("indices/")))
    assert {"u_scan", "u_reference", "u_panel"} <= set(indices.columns)
    reflectance = study.table(next(name for name in names if name.startswith("reflectance/")))
    assert not {"reflectance", "u_scan", "u_reference"} & set(reflectance.columns)


def test_a_name_that_does_not_exist_is_answered_with_the_nearest(small_study_run, small_study_made):
    study = leafledger.Study.open(small_study_run)
    with pytest.raises(FileNotFoundError, match=r'Did you mean "effects.csv"\?'):
        study.table("effect.csv")
    with pytest.raises(FileNotFoundError, match=r'Did you mean "effects.json"\?'):
        study.document("effect.json")
    unrun = leafledger.Study.open(small_study_made)
    assert unrun.tables() == [] and unrun.figures() == {}
    with pytest.raises(FileNotFoundError, match="Run the study first"):
        unrun.table("effects.csv")


def test_a_table_tells_unit_and_meaning_of_its_columns_on_hover(small_study_run):
    study = leafledger.Study.open(small_study_run)
    table = study.table("unit_indices.csv")
    shown = table.query("n_scans > 0")[["unit", "index", "mean"]].head(2)._repr_html_()
    units = dict(zip(study.columns("unit_indices.csv")["column"],
                     study.columns("unit_indices.csv")["unit"], strict=True))  # fmt: skip
    assert units["mean"] == "unit of the index"
    assert re.search(r'<th title="[^"]+ \(unit: unit of the index\)">mean</th>', shown)
    assert re.search(r'<th title="[^"]+">index</th>', shown)
    # Words for which the study has none are left as they are, and no cell is touched.
    assert "<th>other</th>" in table.head(1).assign(other="<th>mean</th>")._repr_html_()
    assert table.equals(read_study(small_study_run).table("unit_indices.csv"))


def test_the_table_of_variants_is_named_if_it_is_there(small_study):
    (small_study / "results").mkdir()
    (small_study / "results/variants.csv").write_text("variant,settings\nother,seed 2\n")
    study = leafledger.Study.open(small_study)
    assert study.tables() == ["variants.csv"]
    assert study.table("variants.csv")["variant"].tolist() == ["other"]
    assert study.columns("variants.csv")["meaning"].all()


def test_spectra_have_labelled_axes(small_study_run):
    study = leafledger.Study.open(small_study_run)
    spectra = study.spectra()
    frame = spectra.frame()
    assert frame.shape == spectra.reflectance.shape
    assert frame.columns.name == "wavelength_nm"
    np.testing.assert_array_equal(frame.columns, spectra.wavelength_nm)
    assert {"scan", "session", "unit", "treatment"} <= set(frame.index.names)
    levels = set(spectra.rows["treatment"])
    assert set(frame.groupby("treatment").mean().index) == levels
    row = spectra.rows.iloc[3]
    one = frame.xs(row["scan"], level="scan")
    np.testing.assert_array_equal(one.to_numpy()[0], spectra.reflectance[3])
    band = frame.loc[:, 540:560]
    assert (band.columns >= 540).all() and (band.columns <= 560).all() and band.shape[1] > 1


def test_figures_come_with_their_captions_and_draw_in_a_notebook(small_study_run):
    figures = leafledger.Study.open(small_study_run).figures()
    drawn = {path.stem for path in (small_study_run / "results/figures").glob("*.svg")}
    assert set(figures) == drawn
    for name, figure in figures.items():
        assert len(figure.caption) > 20, name
        bundle = figure._repr_mimebundle_()
        assert "<svg" in bundle["image/svg+xml"]
        assert set(figure.files) == {"svg"}  # this study asks for no other form


def test_a_caption_of_several_lines_stays_with_its_figure(tmp_path):
    (tmp_path / "one.svg").write_text("<svg/>")
    (tmp_path / "two.png").write_bytes(b"\x89PNG")
    (tmp_path / "captions.txt").write_text("one\nFirst. n = 3.\nMore\n\ntwo\nSecond.\n")
    found = read_figures(tmp_path)
    assert [f.caption for f in found.values()] == ["First. n = 3.\nMore", "Second."]
    assert "image/png" in found["two"]._repr_mimebundle_()


@pytest.mark.slow
def test_running_again_does_what_an_edit_asks_for_and_no_more(ran_study, edit):
    study = leafledger.Study.open(ran_study)
    assert study.would_run().empty
    assert study.run().outcome == "idle"
    old = study.definition.title
    edit(ran_study / "study.yaml", old, "Another title")
    would = study.would_run()
    assert list(would["task"]) == ["report"] and would["certain"].all()
    lines: list[dict[str, object]] = []
    result = study.run(listen=lines.append)
    assert result.outcome == "done"
    assert [e["task"] for e in result.tasks] == ["report"]
    assert any(line.get("task") == "report" for line in lines)
    assert leafledger.Study.open(ran_study).definition.title == "Another title"
    assert study.would_run().empty


def test_a_run_that_cannot_be_is_an_exception_in_plain_words(ran_study, edit, monkeypatch):
    study = leafledger.Study.open(ran_study)
    edit(ran_study / "study.yaml", "title:", "titel:")
    with pytest.raises(InputFault, match="titel"):
        study.run()
    with pytest.raises(InputFault, match="titel"):
        leafledger.Study.open(ran_study)

    runner = importlib.import_module("leafledger.runner.run")
    failed = runner.RunResult("r1", "failed", message="effects was ended from outside")
    monkeypatch.setattr(runner, "run_study", lambda *_, **__: failed)
    with pytest.raises(StageFailure, match="ended from outside"):
        study.run()


def test_opening_a_study_loads_neither_snakemake_nor_mlflow(small_study_made):
    code = (
        "import sys, leafledger; leafledger.Study.open(sys.argv[1]); "
        "print(sorted({'snakemake', 'mlflow', 'great_expectations'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(small_study_made)], capture_output=True, text=True
    )
    assert done.stdout.strip() == "[]", done.stderr


def test_a_study_shows_itself_as_a_short_card(small_study_run, small_study_made):
    study = leafledger.Study.open(small_study_run)
    for card in (repr(study), study._repr_html_()):
        assert len(card) < 3_000
        for words in (
            "Iron chelate on chlorotic soybean seedlings",
            "day0 (before), day12 (after)",
            "8 plants; water: 4 (control), chelate: 4",
            "From day0 to day12 the red-edge chlorophyll index (CI_rededge) rose",
            "95 % interval",
            "of 36 leaf scans left out; trusted from",
            "things to heed",
        ):
            assert words in card
    assert len(repr(study).splitlines()) <= 9
    assert repr(study).count("CI_rededge") == 1, "the primary contrast is said once"
    unrun = leafledger.Study.open(small_study_made)
    assert "none yet" in repr(unrun) and "none yet" in unrun._repr_html_()


def test_a_card_escapes_its_title_and_survives_a_broken_result(ran_study, edit):
    edit(ran_study / "study.yaml", 'title: "Iron', 'title: "<b>&Iron')
    (ran_study / "results/range.json").write_text("{", encoding="utf-8")
    study = leafledger.Study.open(ran_study)
    assert "&lt;b&gt;&amp;Iron" in study._repr_html_()
    assert "results:   cannot be read" in repr(study)


def test_a_checked_study_is_a_line_in_a_traceback(small_study_made):
    text = repr(read_study(small_study_made))
    assert "2 sessions, 8 units" in text and len(text) < 200

"""The part of the page that shows trait models: rows, figures and what is said of none."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from matplotlib.backends.backend_agg import FigureCanvasAgg

from leafledger.records.record import Job
from leafledger.report import pigments
from leafledger.report.figures import FigureSet
from leafledger.report.pigments import traits_part
from leafledger.study.table_files import read_csv, read_json, read_parquet
from leafledger.study.tables import names_of, written_by
from leafledger.traits.stage import run

MakeJob = Callable[..., Job]


def material(job: Job) -> Any:
    tables = {
        one.name: read_csv(path) if path.suffix == ".csv" else read_parquet(path)
        for one in written_by("traits")
        if one.is_table and (path := job.outputs[one.role])
    }
    tables["trait_effects"] = pd.DataFrame(columns=list(names_of("trait_effects")))
    return SimpleNamespace(
        traits=read_json(job.outputs["traits_summary"]),
        tables=tables,
        unit_word="plant",
        unit_words="plants",
        stated_sessions=("d1",),
        groups=SimpleNamespace(names=("water", "iron")),
    )


def test_models_are_drawn_and_listed(make_job: MakeJob) -> None:
    readings = {f"d1-p{i + 1:02d}-1-1": str(10 + i % 7) for i in range(24)}
    job = make_job(
        traits={"targets": ["chlorophyll", "SPAD"], "n_permutations": 0},
        columns={"scans": {"SPAD": readings}},
    )
    run(job)
    figures = FigureSet(["svg"])
    part = traits_part(material(job), figures)
    assert [one["words"] for one in part["targets"]] == ["chlorophyll", "SPAD"]
    for name in ("estimates_figure", "path_figure", "wavelengths_figure"):
        assert part[name] is not None
    caption = part["estimates_figure"].caption
    assert "n = 20 leaves of 20 plants" in caption and "n = 24 leaves of 24 plants" in caption
    rmsep = next(row for row in part["measures"] if row["measure"] == "rmsep")
    assert rmsep["value_text"].endswith("µg/cm²") and " to " in rmsep["interval_text"]
    rivals = [row for row in part["rivals"] if row["target"] == "chlorophyll"]
    assert [row["difference_text"] for row in rivals if row["procedure"] == "plsr"] == [""]
    assert all(row["interval_text"] for row in rivals if row["procedure"] != "plsr")
    assert {len(text.split()[0].partition(".")[2]) for text in
            (rmsep["value_text"], *rmsep["interval_text"].split(" to "))} == {2}  # fmt: skip
    assert "mean of the other plants" in [row["procedure_words"] for row in rivals]
    # The numbers of a row have the same decimals.
    row = next(row for row in rivals if row["procedure"] == "ridge")
    numbers = [row["rmsep_text"], row["difference_text"], *row["interval_text"].split(" to ")]
    assert {len(text.partition(".")[2]) for text in numbers} == {2}


def effect(target: str, contrast: str, question: str = "difference_in_change") -> dict[str, Any]:
    row = dict.fromkeys(names_of("trait_effects"), "")
    return row | {
        "target": target, "contrast": contrast, "question": question, "estimate": 2.5,
        "ci_low": 1.0, "ci_high": 4.0, "p_holm": 0.01, "unit_of_value": "ug/cm2",
        "method": "welch_t", "verdict": "significant", "sentence": "It is so.",
    }  # fmt: skip


@pytest.mark.parametrize("several", [False, True])
def test_the_table_of_effects_names_the_trait_only_where_there_are_several(
    make_job: MakeJob, several: bool
) -> None:
    job = make_job(value=lambda true: 31.0)
    run(job)
    of = material(job)
    rows = [effect("chlorophyll", "d2-d1@iron", "change"), effect("chlorophyll", "d2@iron-water")]
    of.tables["trait_effects"] = pd.DataFrame(
        [*rows, effect("SPAD", "d2@iron-water")] if several else rows
    )
    part = traits_part(of, FigureSet(["svg"]))
    environment = Environment(
        loader=FileSystemLoader(Path(pigments.__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
    )
    shown = dict.fromkeys(("plain", "sentence", "num", "n", "first_sentence"), str)
    environment.filters.update(shown)

    def download() -> SimpleNamespace:
        return SimpleNamespace(file="a.csv", n_rows=2, part="", link="")

    lineage = SimpleNamespace(parts={}, anchors={}, plates={}, rules={})
    macros = environment.get_template("macros.html").make_module(
        {"lineage": lineage, "downloads": defaultdict(download)}
    )
    study = SimpleNamespace(unit_words="plants")
    page = environment.get_template("traits.html").render(traits=part, m=macros, study=study)
    heads = page.partition("<caption>Tests of unit means")[2].partition("</thead>")[0]
    assert ("<th>Trait</th>" in heads) == several and "<th>Question</th>" not in heads
    assert ("of estimates of chlorophyll, each" in heads) != several
    cells = page.partition("<caption>Tests of unit means")[2].partition("<tbody>")[2]
    assert cells.count("<tr>") == 2 + several
    for row in cells.split("</tr>")[:-1]:
        if "<tr>" in row:
            assert row.count("<t") - row.count("<tr") == heads.count("<th") - heads.count("<thead")


def test_the_legend_of_the_path_lies_inside_the_figure(monkeypatch: pytest.MonkeyPatch) -> None:
    steps = ["none", "standard_normal_variate", "derivative_1", "multiplicative_scatter"]
    path = pd.DataFrame(
        [("N", step, n, 2.0 + n, 1.0, step == "none" and n == 1) for step in steps for n in (1, 2)],
        columns=["target", "preprocessing", "n_components", "rmse", "rmse_fit", "chosen"],
    )
    drawn: list[Any] = []
    figures = FigureSet(["svg"])
    monkeypatch.setattr(figures, "add", lambda figure, *_: drawn.append(figure))
    pigments.draw_trait_path(figures, [{"target": "N", "unit_of_value": "1"}], path)
    (figure,) = drawn
    FigureCanvasAgg(figure).draw()
    box = figure.legends[0].get_window_extent()
    assert box.x0 >= 0 and box.x1 <= figure.bbox.x1


def test_without_a_model_there_is_a_sentence_and_no_figure(make_job: MakeJob) -> None:
    job = make_job(value=lambda true: 31.0)
    run(job)
    part = traits_part(material(job), FigureSet(["svg"]))
    assert "is the same in all leaves" in part["targets"][0]["sentence"]
    assert part["estimates_figure"] is None and part["rivals"] == []
    nothing = SimpleNamespace(traits=None)
    assert traits_part(nothing, FigureSet(["svg"])) is None

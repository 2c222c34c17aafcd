"""The part of the page that shows trait models: rows, figures and what is said of none."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pandas as pd

from leafledger.records.record import Job
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
    assert rmsep["value_text"].endswith("ug/cm2") and " to " in rmsep["interval_text"]
    rivals = [row for row in part["rivals"] if row["target"] == "chlorophyll"]
    assert [row["difference_text"] for row in rivals if row["procedure"] == "plsr"] == [""]
    assert all(row["interval_text"] for row in rivals if row["procedure"] != "plsr")


def test_without_a_model_there_is_a_sentence_and_no_figure(make_job: MakeJob) -> None:
    job = make_job(value=lambda true: 31.0)
    run(job)
    part = traits_part(material(job), FigureSet(["svg"]))
    assert "is the same in all leaves" in part["targets"][0]["sentence"]
    assert part["estimates_figure"] is None and part["rivals"] == []
    nothing = SimpleNamespace(traits=None)
    assert traits_part(nothing, FigureSet(["svg"])) is None

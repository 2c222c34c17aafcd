"""A result's lineage: all it rests on, and at once what no longer holds."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from leafledger.errors import InputFault
from leafledger.ledger import book
from leafledger.ledger.run_summary import lines
from leafledger.ledger.trace import as_json, sheets_read, trace, treatment_groups
from leafledger.ledger.view import BookView
from leafledger.records.digests import Code, sha256_of_file
from leafledger.records.record import Record
from leafledger.study.reading import read_study
from leafledger.study.study import Study, tasks

from .conftest import enact

Entered = Callable[..., str]
BEFORE_EFFECTS = {
    "effects",
    "unit_means",
    "validation",
    "acceptance",
    "catalogue",
    *(
        f"{rule}.day{day}"
        for rule in ("intake", "reflectance", "quality", "indices")
        for day in (0, 12)
    ),
}


@pytest.fixture
def ran(study: Study, whole_run: Entered) -> Study:
    """Return a study whose book holds one run, with a decision."""
    path = study.folder / "decisions.csv"
    path.write_text(
        "scan,action,reason,by,when\n"
        "d12-p01-1,keep,looked torn,A. Grower,2026-05-16T17:00:00\n"
        'd12-p01-1,exclude,"torn, seen on the plant",B. Grower,2026-05-17T09:00:00\n',
        encoding="utf-8",
    )
    whole_run("r1")
    return read_study(study.folder)


def test_effects_rest_on_every_raw_file_and_not_on_the_classifier(ran: Study) -> None:
    lineage = trace(ran.folder, "results/effects.csv")
    assert lineage.broken == []
    assert set(lineage.nodes) == BEFORE_EFFECTS
    assert next(iter(lineage.nodes)) == "effects"
    files = {g.path: g.sha256 for node in lineage.nodes.values() for g in node.files}
    assert set(files) == {scan.file for scan in ran.scans} | {"decisions.csv"}
    assert all(sha256_of_file(ran.folder / path) == digest for path, digest in files.items())
    assert {node.run for node in lineage.nodes.values()} == {"r1"}


def test_the_report_rests_on_everything(ran: Study) -> None:
    nodes = trace(ran.folder, "report.html").nodes
    assert set(nodes) == BEFORE_EFFECTS | {"classes", "rivals", "negative_controls", "report"}


def test_settings_that_differ_from_the_defaults_come_first(ran: Study) -> None:
    settings = trace(ran.folder, "effects.csv").nodes["effects"].settings
    changed = [s.changed for s in settings]
    assert changed == sorted(changed, reverse=True)
    told = {s.name: (s.value, s.default) for s in settings}
    assert told["effects.n_draws"] == ("99", "9999")
    assert told["effects.alpha"] == ("0.05", "0.05")


def test_decisions_come_with_who_and_why(ran: Study) -> None:
    told = [
        (d.action, d.reason, d.by)
        for d in trace(ran.folder, "effects.csv").nodes["acceptance"].decisions
    ]
    assert told == [
        ("keep", "looked torn", "A. Grower"),
        ("exclude", "torn, seen on the plant", "B. Grower"),
    ]
    for whole in (False, True):
        text = "\n".join(lines(trace(ran.folder, "effects.csv"), whole))
        assert "exclude d12-p01-1: torn, seen on the plant" in text
        assert "by B. Grower, 2026-05-17T09:00:00" in text


@pytest.mark.parametrize(
    ("path", "where"),
    [
        ("raw/day0/p01_1.txt", "has another content"),
        ("results/reflectance/day0.parquet", "has another content"),
        ("results/effects.csv", "has another content"),
    ],
)
def test_a_link_that_was_changed_is_told_at_once(ran: Study, path: str, where: str) -> None:
    (ran.folder / path).write_text("something else\n", encoding="utf-8")
    lineage = trace(ran.folder, "effects.csv")
    assert any(path in text and where in text for text in lineage.broken)
    for whole in (False, True):
        shown = list(lines(lineage, whole))
        assert shown[-1].startswith("BROKEN")
        assert any(path in text and text.startswith("  - ") for text in shown[-7:])


def test_numbers_of_a_value_are_short_for_the_eye_and_whole_for_programs(ran: Study) -> None:
    row = {"index": "PRI", "estimate": "0.04792359182006373", "p": 0.011605054265597717, "n": "4"}
    lineage = trace(ran.folder, "effects.csv")
    lineage.target = replace(lineage.target, rows=(row,))
    shown = list(lines(lineage))
    assert shown[2] == "  index PRI, estimate 0.0479236, p 0.0116, n 4"
    assert as_json(lineage)["target"]["rows"][0]["estimate"] == "0.04792359182006373"


EFFECT = {
    "question": "difference_in_change", "index": "PRI", "contrast": "(day12-day0)@chelate-water",
    "stratum": "all", "method": "linear_model", "primary": "true", "estimate": "0.04792359182",
    "ci_low": "0.0148", "ci_high": "0.0812", "ci_level": "0.95", "unit": "1", "n_units": "4",
    "n_units_reference": "5", "statistic": "9.25", "statistic_name": "t", "df": "16.5912",
    "df2": "", "p": "2.6e-08", "p_holm": "0.0123456", "effect_size": "3.79",
    "effect_size_name": "hedges_g_adjusted", "effect_low": "2.2", "effect_high": "5.2",
    "verdict": "not_significant", "reason": "some long reason " * 12,
}  # fmt: skip


def test_a_value_is_said_in_words_with_p_and_df_and_nothing_is_cut(ran: Study) -> None:
    lineage = trace(ran.folder, "effects.csv")
    lineage.target = replace(lineage.target, rows=(EFFECT,))
    shown = list(lines(lineage))
    text = " ".join(line.strip() for line in shown)
    for words in (
        "PRI, change from day0 to day12: chelate minus water (primary; difference in change;",
        "estimate 0.0479236 (95 % interval 0.0148 to 0.0812), t 9.25, p < 0.0001, df 16.5912,",
        "n 4 and 5, p_holm 0.0123, verdict not significant",
        "Hedges g, adjusted 3.79 (2.2 to 5.2)",
        "some long reason " * 11,
    ):
        assert words in text
    assert not any(key in text for key in ("@", "linear_model", "hedges_g", "..."))
    assert len([part for line in shown for part in textwrap.wrap(line, 100)]) <= 24
    assert shown[-1].startswith("Every link holds")


def test_of_several_values_each_has_its_p_and_its_df(ran: Study) -> None:
    lineage = trace(ran.folder, "effects.csv")
    odd = EFFECT | {"contrast": "(trend)@dose", "method": "linear_trend", "primary": "false"}
    lineage.target = replace(lineage.target, rows=(EFFECT, odd, EFFECT, EFFECT, EFFECT))
    text = "\n".join(lines(lineage))
    assert text.count("p < 0.0001, df 16.5912") == 3
    assert "PRI, trend: dose (difference in change; linear trend)" in text
    assert "some long reason" not in text and "and 2 more rows" in text
    whole = " ".join(line.strip() for line in lines(lineage, whole=True))
    assert whole.count("some long reason") == 5 * 12


def test_an_empty_default_is_told_as_none(ran: Study) -> None:
    shown = "\n".join(lines(trace(ran.folder, "report.html"), whole=True))
    assert "design.factors = cultivar   (default none)" in shown
    assert "(default )" not in shown


def test_a_link_that_is_missing_is_told(ran: Study) -> None:
    (ran.folder / "raw/day0/p01_1.txt").unlink()
    assert trace(ran.folder, "effects.csv").broken == ["raw/day0/p01_1.txt is missing"]


def test_other_code_is_told(ran: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    from leafledger.ledger import trace as module

    plain = module.code_of

    def other(name: str) -> Code:
        code = plain(name)
        return Code("0" * 64, code.libraries) if name == "leafledger.effects.stage" else code

    monkeypatch.setattr(module, "code_of", other)
    (told,) = trace(ran.folder, "effects.csv").broken
    assert told.startswith("effects was made by other code (version 0.1.0, ")
    assert trace(ran.folder, "unit_indices.csv").broken == []


def test_a_digest_finds_its_file(ran: Study) -> None:
    whole = sha256_of_file(ran.folder / "results/effects.csv")
    for asked in (whole, f"sha256:{whole}", whole[:10]):
        assert trace(ran.folder, asked).target.path == "results/effects.csv"
    raw = trace(ran.folder, sha256_of_file(ran.folder / "raw/day0/p01_1.txt"))
    assert (raw.target.path, raw.used_by[0]) == ("raw/day0/p01_1.txt", "intake.day0")
    assert {"reflectance.day0", "effects", "report"} <= set(raw.used_by)
    assert not {"intake.day12", "quality.day12", "catalogue"} & set(raw.used_by)


def test_a_value_of_a_table(ran: Study) -> None:
    lineage = trace(ran.folder, "classes/path.csv#split=outer,n_components=2")
    assert [dict(row) for row in lineage.target.rows] == [
        {"split": "outer", "n_components": "2", "accuracy": "0.75"},
        {"split": "outer", "n_components": "2", "accuracy": "0.25"},
    ]
    assert as_json(lineage)["target"]["rows"][0]["accuracy"] == "0.75"


@pytest.mark.parametrize(
    ("asked", "told"),
    [
        ("results/effect.csv", "effects.csv"),
        ("classes/path.csv#splitt=outer", "split"),
        ("classes/path.csv#split=outre", "outer"),
        ("classes/path.csv#outer", "column=value"),
        ("classes/model.skops#a=1", "without `#`"),
        ("0123456789abcdef", "sha256sum"),
        ("../../etc/passwd", "results/effects.csv"),
        ("#a=1", "results/effects.csv"),
    ],
)
def test_what_is_not_there_is_refused_with_what_is(ran: Study, asked: str, told: str) -> None:
    with pytest.raises(InputFault) as caught:
        trace(ran.folder, asked)
    assert told in caught.value.problems[0].mend


def test_of_an_earlier_run_the_earlier_lineage_is_told(ran: Study, whole_run: Entered) -> None:
    old = sha256_of_file(ran.folder / "results/effects.csv")
    whole_run("r2", only=frozenset({"effects", "report"}), said="anew")
    lineage = trace(ran.folder, old)
    assert lineage.run == "r1"
    assert lineage.nodes["effects"].run == "r1"
    assert any("another content now" in text for text in lineage.broken)
    now = trace(ran.folder, "effects.csv")
    assert (now.run, now.nodes["effects"].run, now.nodes["unit_means"].run) == ("r2", "r2", "r1")
    assert len(now.broken) == 1
    assert now.broken[0].startswith("effects was made by other code")


def test_a_moved_study_is_traced_the_same(ran: Study, tmp_path: Path) -> None:
    before = as_json(trace(ran.folder, "effects.csv"))
    moved = ran.folder.rename(tmp_path / "elsewhere é")
    assert as_json(trace(moved, "effects.csv")) == before


# --- sheets, treatments, indices, a screenful ------------------------------------------------

CATALOGUE = {
    "index": "PRI",
    "formula": "(R(531) - R(570)) / (R(531) + R(570))",
    "published_formula": "(R(531) - R(570)) / (R(531) + R(570))",
    "unit": "1",
    "source": "Gamon et al. (1992). Remote Sensing of Environment 41",
}


@pytest.fixture
def with_a_value(study: Study) -> Study:
    """Return a study whose effects and catalogue tell of one index."""
    book.open_run(study, "r1")
    told = {
        "catalogue": json.dumps({"indices": [CATALOGUE]}),
        "effects": "index,method,estimate\nPRI,welch_t,0.0123456789\nNDVI,welch_t,0.1\n",
    }
    for task in tasks(study):
        enact(study, task, "r1", content=told.get(task.name))
    book.close_run(study, "r1", "done", "")
    return study


def test_a_value_comes_with_formula_source_and_treatments(with_a_value: Study) -> None:
    folder = with_a_value.folder
    lineage = trace(folder, "effects.csv#index=PRI")
    assert lineage.broken == []
    (index,) = lineage.indices
    assert index["formula"] == CATALOGUE["formula"]
    for whole in (False, True):
        text = "\n".join(lines(lineage, whole))
        assert f"index PRI = {CATALOGUE['formula']}   (unit 1)" in text
        assert "source: Gamon et al. (1992)" in text
    units = {unit: row["treatment"] for unit, row in with_a_value.units.items()}
    assert {u: level for level, own in lineage.groups.items() for u in own} == units
    (told,) = [line for line in lines(lineage) if line.startswith("units by treatment")]
    first = next(iter(units))
    count = sum(level == units[first] for level in units.values())
    assert f"{units[first]} {count} ({first}, " in told
    assert as_json(lineage)["indices"] == [CATALOGUE]
    assert trace(folder, "effects.csv").indices == [], "no index was asked for"
    assert trace(folder, "effects.csv#index=NDVI").indices == [], "the catalogue has none"


def test_the_sheets_that_say_which_plant_got_what_are_told(ran: Study) -> None:
    sheets = {s.path: s.sha256 for s in trace(ran.folder, "effects.csv").sheets}
    assert sheets == {
        name: sha256_of_file(ran.folder / name) for name in ("study.yaml", "units.csv", "scans.csv")
    }
    for whole in (False, True):
        text = "\n".join(lines(trace(ran.folder, "effects.csv"), whole))
        assert all(name in text for name in sheets)
    units = ran.folder / "units.csv"
    text = units.read_text("utf-8")
    units.write_text(text.replace("chelate", "CHELATE"), "utf-8")
    (ran.folder / "study.yaml").write_text(
        (ran.folder / "study.yaml").read_text("utf-8").replace("chelate", "CHELATE"), "utf-8"
    )
    lineage = trace(ran.folder, "effects.csv")
    assert len(lineage.broken) == 2
    assert all("was run with other settings" in text for text in lineage.broken)
    assert any(text.startswith("units.csv has another content now") for text in lineage.broken)
    assert trace(ran.folder, "indices/catalogue.json").broken == [], "it rests on no treatment"


def test_a_sheet_that_only_other_tasks_read_is_not_named() -> None:
    def record(*paths: str) -> dict[str, Any]:
        return {"inputs": [{"path": path} for path in paths]}

    records = {"effects": record("results/unit_means.csv"), "pigments": record("assays.csv")}
    digests = {"assays.csv": "a", "units.csv": "u"}
    entry = {"study": digests, "records": records}
    book = SimpleNamespace(
        run=lambda _: entry, records_of=lambda _: records, sha256_now=digests.get
    )

    def named(*tasks: str) -> list[str]:
        of_result = cast("dict[str, Record]", {task: records[task] for task in tasks})
        return [s.path for s in sheets_read(cast(BookView, book), "r1", of_result)]

    assert named("effects") == ["units.csv"]
    assert named("effects", "pigments") == ["assays.csv", "units.csv"]


def test_a_sheet_changed_in_nothing_that_matters_is_a_note(ran: Study) -> None:
    path = ran.folder / "study.yaml"
    path.write_text(path.read_text("utf-8") + "# a comment\n", "utf-8")
    lineage = trace(ran.folder, "effects.csv")
    assert lineage.broken == []
    (note,) = [line for line in lines(lineage) if line.startswith("note: ")]
    assert "study.yaml has another content now" in note
    (ran.folder / "units.csv").unlink()
    broken = trace(ran.folder, "effects.csv").broken
    assert any(text.startswith("units.csv is missing") for text in broken)


def test_a_sheet_is_traced_to_what_rests_on_it(ran: Study) -> None:
    digest = sha256_of_file(ran.folder / "units.csv")
    for asked in ("units.csv", digest, digest[:12]):
        lineage = trace(ran.folder, asked)
        assert (lineage.target.path, lineage.run, lineage.broken) == ("units.csv", "r1", [])
        assert {"acceptance", "effects", "classes", "rivals", "report"} <= set(lineage.used_by)
        assert "unit_means" in lineage.used_by, "it rests on acceptance"
        assert not {"intake.day0", "quality.day12", "catalogue"} & set(lineage.used_by)
        assert list(lines(lineage))[-1] == "The file is as it was read (run r1)."
    assert {"intake.day0", "effects"} <= set(trace(ran.folder, "scans.csv").used_by)
    assert "catalogue" in trace(ran.folder, "study.yaml").used_by
    unit = next(iter(ran.units))
    (row,) = trace(ran.folder, f"units.csv#unit={unit}").target.rows
    assert row["treatment"] == ran.units[unit]["treatment"]
    (ran.folder / "units.csv").write_text("plant\n", "utf-8")
    lineage = trace(ran.folder, "units.csv")
    assert list(lines(lineage))[-1].startswith("BROKEN")


def test_of_many_decisions_the_last_are_shown(ran: Study, whole_run: Entered) -> None:
    path = ran.folder / "decisions.csv"
    path.write_text(path.read_text("utf-8") + "d12-p02-1,keep,sound,C. Grower,\n", "utf-8")
    whole_run("r2")
    short = [line for line in lines(trace(ran.folder, "effects.csv")) if "decision" in line]
    assert short[0] == "  3 decisions; the last 2:"
    assert "B. Grower" in short[1]
    assert "keep d12-p02-1: sound (by C. Grower)" in short[2]


def test_a_screenful_by_default_and_all_on_demand(ran: Study) -> None:
    lineage = trace(ran.folder, "report.html")
    short, whole = list(lines(lineage)), list(lines(lineage, whole=True))
    assert len([part for line in short for part in textwrap.wrap(line, 80)]) <= 24
    assert len(whole) > 5 * len(short)
    assert short[-1] == whole[-1] == "Every link holds (last stood in run r1)."
    for scan in ran.scans:
        (ran.folder / scan.file).unlink(missing_ok=True)
    broken = list(lines(trace(ran.folder, "report.html")))
    assert len([part for line in broken for part in textwrap.wrap(line, 80)]) <= 32
    assert broken[-1].startswith("BROKEN")
    assert "more (all with --all)" in broken[-2]


def test_groups_are_those_of_the_first_task_that_knows_the_treatment() -> None:
    blind = {"settings": {"design": {"treatment": "spray"}, "units": {"p1": {"cultivar": "K"}}}}
    knows = {"settings": {"design": {"treatment": "spray"}, "units": {"p1": {"spray": "iron"}}}}
    assert treatment_groups([blind, knows]) == {"iron": ["p1"]}  # type: ignore[list-item]
    assert treatment_groups([blind]) == {}  # type: ignore[list-item]

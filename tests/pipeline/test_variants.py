"""The same study under other settings: computed once where equal, kept in the same books."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner
from test_same_bytes import digests

from leafledger.cli.main import cli
from leafledger.ledger.compare import compare, run_history
from leafledger.ledger.export import export
from leafledger.ledger.trace import trace
from leafledger.ledger.verify import verify
from leafledger.ledger.view import BookView
from leafledger.records.digests import FileDigests, sha256_of_file
from leafledger.records.events import events_of
from leafledger.runner.outdated import plan
from leafledger.runner.reproduce import reproduce
from leafledger.runner.run import RunResult, run_study, run_variants
from leafledger.runner.workflow import snakefile
from leafledger.study.reading import read_study

pytestmark = pytest.mark.slow

TABLE, RECORD = "results/variants.csv", "records/variants.json"
OF_THE_TABLE = {TABLE, RECORD, "records/report.json"}
OF_THE_PAGE = {"results/report.html", "results/tables.xlsx"}
VARIANTS = """\
variants:
  narrow_range: {quality: {range: {start_nm: 500, stop_nm: 900}}}
  outliers_out: {quality: {apply: faults_and_outliers}}
"""
TOO_STRICT = "  too_strict: {quality: {range: {signal_to_noise: 1000000, margin_nm: 5}}}\n"
Edit = Callable[[Path, str, str], None]


@pytest.fixture(scope="module")
def made(small_study_run: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RunResult]:
    """The small study, run plainly and then under its variants; not to be changed."""
    study = tmp_path_factory.mktemp("variants") / "study"
    shutil.copytree(small_study_run, study)
    path = study / "study.yaml"
    path.write_text(path.read_text(encoding="utf-8") + VARIANTS, encoding="utf-8")
    return study, run_variants(study, cores=2)


@pytest.fixture
def varied(made: tuple[Path, RunResult], tmp_path: Path) -> Path:
    return Path(shutil.copytree(made[0], tmp_path / "study"))


def ran(result: RunResult) -> list[str]:
    return [event["task"] for event in result.tasks]


def run_of(study: Path, variant: str | None) -> str:
    runs = [run for run in BookView(study).runs if run.get("variant") == variant]
    return str(runs[-1]["run"])


def test_all_end_well_and_the_study_stands_as_stated(
    made: tuple[Path, RunResult], small_study_run: Path
) -> None:
    study, result = made
    assert result.exit_code == 0, (result.message, result.failed_variants)
    assert [(v.variant, v.outcome) for v in result.variants] == [
        ("narrow_range", "done"),
        ("outliers_out", "done"),
    ]
    before, after = digests(small_study_run), digests(study)
    differ = {path for path in {*before, *after} if before.get(path) != after.get(path)}
    figures = {path for path in differ if path.startswith("results/figures/")}
    assert figures == {"results/figures/captions.txt", "results/figures/variants.svg"}
    assert differ == OF_THE_TABLE | OF_THE_PAGE | figures
    table = pd.read_csv(study / TABLE)
    assert list(table["variant"]) == ["as_stated", "narrow_range", "outliers_out"]
    effects = pd.read_csv(study / "results/effects.csv")
    (primary,) = effects.loc[effects["primary"], "estimate"]
    assert table["estimate"][0] == primary
    assert "500" in table["settings"][1] and "faults_and_outliers" in table["settings"][2]
    assert "Under other settings" in (study / "results/report.html").read_text(encoding="utf-8")


def test_what_variants_have_in_common_is_computed_once(made: tuple[Path, RunResult]) -> None:
    study, result = made
    keys = Counter(
        (event["task"], event["key"])
        for run in BookView(study).runs
        for event in events_of(study, run["run"])
        if event["outcome"] == "done"
    )
    assert {key: n for key, n in keys.items() if n > 1} == {}
    for variant in result.variants:
        assert not [task for task in ran(variant) if task.startswith(("intake", "reflectance"))]
    done = {e["task"] for e in result.tasks if e["outcome"] == "done"}
    assert done == {"variants", "report"}


def test_once_made_nothing_runs_and_a_plain_run_keeps_the_table(varied: Path) -> None:
    before = digests(varied)
    again = CliRunner().invoke(cli, ["run", str(varied), "--variants", "--cores", "2"])
    assert again.exit_code == 0, again.output
    assert "Variant narrow_range: holds as it was run before." in again.output
    assert "0 tasks ran" in again.output
    assert run_study(varied, cores=2).outcome == "idle"
    assert digests(varied) == before


def test_plain_snakemake_right_after_changes_nothing(varied: Path) -> None:
    """What was put back after the last variant it may put back once more, from the store."""
    before, dated = digests(varied), (varied / TABLE).stat().st_mtime_ns
    command = [
        sys.executable,
        *("-m", "snakemake", "--cores", "2", "--directory", str(varied)),
        *("--snakefile", str(snakefile())),
    ]
    for _ in range(2):
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr[-3000:]
        assert digests(varied) == before
    assert "Nothing to be done" in done.stderr
    assert run_study(varied, cores=2).outcome == "idle"
    assert digests(varied) == before
    assert (varied / TABLE).stat().st_mtime_ns == dated


def test_the_books_tell_variants_apart(varied: Path) -> None:
    assert [entry["variant"] for entry in run_history(varied)] == [
        None,
        "narrow_range",
        "outliers_out",
        None,
    ]
    listed = CliRunner().invoke(cli, ["runs", str(varied)])
    assert "variant narrow_range" in listed.output
    checked = CliRunner().invoke(cli, ["verify", str(varied)])
    assert checked.exit_code == 0, checked.output
    behind = trace(varied, TABLE)
    assert not behind.broken
    assert {node.task for node in behind.nodes.values()} >= {
        "variants",
        "effects",
        "classes",
    }
    base, other = run_of(varied, None), run_of(varied, "narrow_range")
    found = compare(varied, base, other)
    assert any("is of the variant narrow_range" in note for note in found.notes)
    assert any("range" in difference.sentence() for difference in found.differences)
    assert found.unexplained == []


def test_a_changed_table_is_found_and_put_back(varied: Path) -> None:
    table = varied / TABLE
    whole = table.read_bytes()
    table.write_bytes(whole.replace(b"narrow_range", b"narrow_ranch"))
    assert any(broken.file == TABLE for broken in verify(varied).broken)
    assert trace(varied, TABLE).broken
    result = run_study(varied, cores=2)
    assert any("put back" in note for note in result.notes)
    assert table.read_bytes() == whole


def test_the_tracking_store_names_the_variant(varied: Path) -> None:
    from mlflow.tracking import MlflowClient

    from leafledger.ledger import tracking
    from leafledger.ledger.mlflow_runs import VARIANT_TAG

    client = MlflowClient(tracking_uri=tracking.store_address(varied))
    experiment = client.get_experiment_by_name(tracking.EXPERIMENT)
    runs = client.search_runs([experiment.experiment_id])
    tags = [run.data.tags for run in runs if "leafledger.run" in run.data.tags]
    assert Counter(tag.get(VARIANT_TAG) for tag in tags) == {
        None: 2,
        "narrow_range": 1,
        "outliers_out": 1,
    }


def test_one_that_fails_stops_no_other_and_leaves_with_its_name(varied: Path) -> None:
    path = varied / "study.yaml"
    stated, _, _ = path.read_text(encoding="utf-8").partition("variants:")
    with_it = (stated + VARIANTS).replace("variants:\n", "variants:\n" + TOO_STRICT)
    path.write_text(with_it, encoding="utf-8")
    said = CliRunner().invoke(cli, ["run", str(varied), "--variants", "--cores", "2"])
    assert said.exit_code == 1, said.output
    assert "Variant too_strict failed" in said.output
    assert "Variant outliers_out: holds as it was run before." in said.output
    last = BookView(varied).runs[-1]
    assert last.get("variant") is None and last["outcome"] == "done"
    done = {e["task"] for e in events_of(varied, last["run"]) if e["outcome"] == "done"}
    assert done == {"variants", "report"}  # a variant more runs nothing of the study again
    table = pd.read_csv(varied / TABLE).set_index("variant")
    assert "not run to its end" in table["reason"]["too_strict"]
    assert table["estimate"].notna().to_dict() == {
        "as_stated": True,
        "narrow_range": True,
        "outliers_out": True,
        "too_strict": False,
    }
    assert verify(varied).holds

    path.write_text(stated, encoding="utf-8")  # the study names no variants any more
    result = run_variants(varied, cores=2)
    assert result.exit_code == 0 and result.variants == []
    assert set(ran(result)) == {"report"}
    assert not (varied / TABLE).exists() and not (varied / RECORD).exists()
    page = (varied / "results/report.html").read_text(encoding="utf-8")
    assert "Under other settings" not in page
    assert verify(varied).holds


def test_a_table_of_other_results_is_not_shown(varied: Path, edit: Edit) -> None:
    edit(varied / "study.yaml", "interval: 0.95", "interval: 0.9")
    assert run_study(varied, cores=2).outcome == "done"
    page = (varied / "results/report.html").read_text(encoding="utf-8")
    assert "it was made before" in page and "changed. It is made anew by" in page


def test_a_crate_tells_results_of_variants_from_those_of_the_run(
    varied: Path, tmp_path: Path
) -> None:
    export(varied, tmp_path / "crate", snakefile())
    told = json.loads((tmp_path / "crate/ro-crate-metadata.json").read_text(encoding="utf-8"))
    graph = {entity["@id"]: entity for entity in told["@graph"]}
    read = [one["@id"] for one in graph["#task-variants"]["prov:used"]]
    assert len(read) == len(set(read)) and set(read) <= set(graph)
    narrow = BookView(varied).run(run_of(varied, "narrow_range"))
    effects = BookView(varied).records_of(narrow)["effects"]
    (made,) = [o["sha256"] for o in effects["outputs"] if o["path"] == "results/effects.csv"]
    assert {graph[name]["sha256"] for name in read if "effects.csv" in name} == {
        made,
        sha256_of_file(varied / "results/effects.csv"),
    }
    assert "results/effects.csv" in read


def test_naming_and_unnaming_a_variant_runs_nothing_of_the_study(varied: Path) -> None:
    path = varied / "study.yaml"
    named = path.read_text(encoding="utf-8")
    for text in (named + "  smoothed: {reflectance: {smoothing: {window_nm: 15, order: 2}}}\n",
                 named.replace("  outliers_out: {quality: {apply: faults_and_outliers}}\n", ""),
                 named.partition("variants:")[0]):  # fmt: skip
        assert text != named
        path.write_text(text, encoding="utf-8")
        study = read_study(varied)
        assert plan(study, FileDigests(study.folder)) == []
        assert run_study(varied, cores=2).outcome == "idle"
        assert (varied / TABLE).is_file()


def test_a_table_stands_when_the_kept_results_are_cleaned_away(varied: Path) -> None:
    cleaned = CliRunner().invoke(cli, ["clean", str(varied), "--store"])
    assert cleaned.exit_code == 0, cleaned.output
    assert not list((varied / "ledger/store").glob("??/*"))
    before = digests(varied)
    result = run_variants(varied, cores=2)
    assert [one.outcome for one in [*result.variants, result]] == ["idle"] * 3
    assert digests(varied) == before
    assert not trace(varied, TABLE).broken
    assert verify(varied).holds


def test_an_interrupted_run_of_a_variant_is_finished_by_the_next(varied: Path) -> None:
    before = digests(varied)
    path = varied / "study.yaml"
    named = path.read_text(encoding="utf-8")
    path.write_text(named + "  all_scans: {quality: {apply: none}}\n", encoding="utf-8")

    def stop(line: dict[str, Any]) -> None:
        if line.get("task") == "acceptance" and line.get("state") == "done":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_variants(varied, cores=2, listen=stop)
    cut = BookView(varied).runs[-1]
    assert (cut["variant"], cut["outcome"]) == ("all_scans", "killed")
    path.write_text(named, encoding="utf-8")
    result = run_study(varied, cores=2)
    assert result.outcome == "done"
    assert {event["outcome"] for event in result.tasks} == {"restored"}
    assert digests(varied) == before
    assert verify(varied).holds


def test_the_run_of_a_variant_is_rebuilt(varied: Path, tmp_path: Path) -> None:
    found = reproduce(varied, run_of(varied, "narrow_range"), tmp_path / "scratch", cores=2)
    assert found.outcome == "identical", (found.message, found.missing, found.differing)
    assert not (tmp_path / "scratch" / TABLE).exists()


def test_the_run_with_the_table_is_rebuilt(varied: Path, tmp_path: Path) -> None:
    found = reproduce(varied, "latest", tmp_path / "scratch", cores=2)
    assert found.outcome == "identical", (found.message, found.missing, found.differing)
    assert found.taken == [TABLE]

"""The Snakemake rules and the layout of the package must say the same files."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from leafledger.runner.shipped import snakefile
from leafledger.study.layout import LEVELS, RULES, Task, inputs, outputs, own_files, tasks
from leafledger.study.reading import read_study

ROOT = Path(__file__).parents[2]


def snakemake(study: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [
            sys.executable,
            *("-m", "snakemake", "--cores", "1", "--directory", str(study)),
            *("--snakefile", str(snakefile()), *arguments),
        ],
        capture_output=True,
        text=True,
        check=False,
    )


def test_rules_read_and_write_what_the_layout_says(small_study: Path) -> None:
    study = read_study(small_study)
    done = snakemake(small_study, "--dry-run", "--nocolor")
    assert done.returncode == 0, done.stderr
    found: dict[str, tuple[set[str], set[str]]] = {}
    for block in (done.stdout + done.stderr).split("\nrule ")[1:]:
        named = {
            line.strip().split(":", 1)[0]: {w.strip() for w in line.split(":", 1)[1].split(",")}
            for line in block.splitlines()
            if line.strip().startswith(("input:", "output:", "log:"))
        }
        if "output" in named:
            log = next(iter(named["log"])).removeprefix("logs/").removesuffix(".log")
            found[log] = (named.get("input", set()), named["output"])
    for task in tasks(study):
        told_in, told_out = found[task.name]
        expected_in = {*inputs(study, task).values()} - {*own_files(study, task)}
        assert told_in == expected_in, task.name
        assert told_out == {p.rstrip("/") for p in outputs(task).values()} | {task.record}


def test_every_rule_has_a_level_after_those_it_reads(small_study: Path) -> None:
    study = read_study(small_study)
    level = {rule: i for i, rules in enumerate(LEVELS) for rule in rules}
    assert set(level) == {rule.name for rule in RULES}
    writers = {path: t for t in tasks(study) for path in [*outputs(t).values(), t.record]}
    for task in tasks(study):
        for path in inputs(study, task).values():
            if path in writers:
                assert level[writers[path].rule] < level[task.rule], (task, path)


def test_lint_complains_of_nothing_but_the_container(small_study: Path) -> None:
    done = snakemake(small_study, "--lint")
    complaints = [line for line in done.stderr.splitlines() if line.strip().startswith("* ")]
    complaints += [line for line in done.stdout.splitlines() if line.strip().startswith("* ")]
    assert complaints, "the lint did not run"
    assert all("conda environment or container" in line for line in complaints), complaints


def test_rules_stand_in_the_order_of_the_data() -> None:
    text = (ROOT / "Snakefile").read_text(encoding="utf-8")
    stages = ["intake", "reflectance", "quality", "indices", "validation", "effects"]
    places = [text.index(f"rules/{stage}.smk") for stage in [*stages, "classes", "report"]]
    assert places == sorted(places)


def test_settings_by_config_are_refused(small_study: Path) -> None:
    done = snakemake(small_study, "--dry-run", "--config", "title=x")
    assert done.returncode != 0
    assert "study.yaml" in done.stdout + done.stderr


def test_a_task_is_named_as_its_record(small_study: Path) -> None:
    assert Task("reflectance", "day4").record == "records/reflectance.day4.json"
    assert Task("effects").record == "records/effects.json"


@pytest.mark.parametrize("rule", [rule.name for rule in RULES])
def test_every_rule_has_a_module_with_run(rule: str) -> None:
    import importlib

    module = next(r.module for r in RULES if r.name == rule)
    assert callable(importlib.import_module(module).run)

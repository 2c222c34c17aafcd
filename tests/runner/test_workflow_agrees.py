"""The registry of rules, and the Snakemake rules that are made of it."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from graphlib import CycleError
from pathlib import Path

import pytest

from leafledger.runner.workflow import MARKS, snakefile, workflow_texts
from leafledger.study.columns import Result
from leafledger.study.reading import read_study
from leafledger.study.rules import LEVELS, RULES, Rule, derive_levels, writers
from leafledger.study.settings import SECTIONS, settings_of
from leafledger.study.study import Task, inputs, outputs, own_files, tasks

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
    for block in re.split(r"\n *rule ", done.stdout + done.stderr)[1:]:
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
        assert told_in == expected_in | {f"{MARKS}/{task.name}"}, task.name
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


def test_the_rules_of_snakemake_are_those_of_the_registry() -> None:
    """Out of date? `make workflow`."""
    written = {path.name: path.read_text("utf-8") for path in (ROOT / "workflow/rules").iterdir()}
    assert written == workflow_texts()


def test_a_study_without_classes_has_no_rule_for_them(small_study: Path) -> None:
    path = small_study / "study.yaml"
    head, _, rest = path.read_text(encoding="utf-8").partition("\nclasses:\n")
    path.write_text(head + "\nreport:" + rest.partition("\nreport:")[2], encoding="utf-8")
    listed = snakemake(small_study, "--list-rules")
    assert "effects" in listed.stdout.split()
    assert not {"classes", "rivals"} & {*listed.stdout.split()}


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


def _written(role: str, path: str) -> Result:
    return Result(role, path, "", "", role=role)


def test_levels_follow_from_what_rules_read_as_late_as_can_be() -> None:
    assert LEVELS == (
        ("intake",),
        ("reflectance", "catalogue"),
        ("quality",),
        ("acceptance",),
        ("indices",),
        ("validation",),
        ("pigments",),
        ("unit_means", "traits"),
        ("classes", "effects", "leaf_model", "trait_effects", "rivals", "negative_controls"),
        ("report",),
    )
    a = Rule("a", "", "", "", writes=(_written("x", "x"),))
    b = Rule("b", "", "", "", writes=(_written("y", "y"),), reads=("x/*",))
    c = Rule("c", "", "", "", writes=(_written("z", "z"),), reads=("x", "y"))
    assert derive_levels((c, b, a)) == (("a",), ("b",), ("c",))
    with pytest.raises(CycleError):
        derive_levels((replace(a, reads=("z",)), b, c))


def test_two_rules_cannot_write_the_same() -> None:
    one = Rule("a", "", "", "", writes=(_written("x", "x.csv"),))
    with pytest.raises(ValueError, match="b and a: x"):
        writers((one, replace(one, name="b", writes=(_written("x", "y.csv"),))))
    with pytest.raises(ValueError, match="write x"):
        writers((one, replace(one, name="b", writes=(_written("y", "x.csv"),))))


def test_a_rule_sees_the_sections_that_it_declares_and_no_others(small_study: Path) -> None:
    """Each section of study.yaml is changed in turn, and only those rules see it that say so."""
    study = read_study(small_study)
    seen = {section for rule in RULES for section in rule.sees}
    assert seen == set(SECTIONS)
    given = study.definition
    changes = {
        "title": {"title": "another"},
        "question": {"question": "another"},
        "instrument": {
            "instrument": given.instrument.model_copy(update={"full_scale_counts": 4095})
        },
        "effects": {"effects": given.effects.model_copy(update={"alpha": 0.02})},
        "indices": {"indices": given.indices.model_copy(update={"use": ["NDVI"]})},
        "quality.apply": {"quality": given.quality.model_copy(update={"apply": "none"})},
    }
    for section, change in changes.items():
        other = replace(study, definition=given.model_copy(update=change))
        for task in tasks(study):
            same = settings_of(study, task.rule, task.session) == settings_of(
                other, task.rule, task.session
            )
            declared = {rule.name: rule.sees for rule in RULES}[task.rule]
            assert same == (section not in declared), (task, section)

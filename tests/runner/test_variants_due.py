"""Whether the table of the variants still holds, and why not, in words."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.ledger.book import close_run, open_run
from leafledger.ledger.variants_table import Settings, VariantsTable
from leafledger.records.digests import FileDigests, sha256_of_file
from leafledger.records.record import write_record
from leafledger.runner.run import table_of
from leafledger.study.reading import read_study, under_variant
from leafledger.study.settings import settings_of
from leafledger.study.study import Study, tasks
from leafledger.study.table_files import read_json

Edit = Callable[[Path, str, str], None]
TABLE = "results/variants.csv"
SEED = "  dealt: {classes: {seed: 12}}\n"


def status(study: Path) -> tuple[bool, str]:
    """Return whether there is a table, and why it is out of date."""
    done = CliRunner().invoke(cli, ["status", str(study), "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)["variants_table"]
    plain = CliRunner().invoke(cli, ["status", str(study)]).stdout
    for why in told["out_of_date"]:
        assert f"  - {why}\n" in plain
    assert (f"{TABLE} is up to date." in plain) == (told["made"] and not told["out_of_date"])
    assert (f"{TABLE} is out of date" in plain) == bool(told["out_of_date"])
    return told["made"], "; ".join(told["out_of_date"])


def enter_run(study: Study, run: str) -> None:
    """Enter a run in the book as if the study had come out alike under its settings."""
    records = {task.name: read_json(study.folder / task.record) for task in tasks(study)}
    for task in tasks(study):  # the report, which reads the records, comes last
        record = records[task.name] | {"settings": settings_of(study, task.rule, task.session)}
        for given in record["inputs"]:
            if given["path"].startswith("records/"):
                given["sha256"] = sha256_of_file(study.folder / given["path"])
        write_record(study.folder / task.record, record)
    open_run(study, run)
    close_run(study, run, "done", "")


@pytest.fixture
def varied(ran_study: Path) -> Path:
    """The small study with a variant that was run and a table of it."""
    path = ran_study / "study.yaml"
    path.write_text(path.read_text(encoding="utf-8") + "variants:\n" + SEED, encoding="utf-8")
    assert status(ran_study) == (False, "")
    study = read_study(ran_study)
    as_stated = {task: (ran_study / task.record).read_bytes() for task in tasks(study)}
    enter_run(under_variant(study, "dealt"), "r8")
    for task, text in as_stated.items():
        (ran_study / task.record).write_bytes(text)
    table_of(study, FileDigests(ran_study)).make()
    open_run(study, "r9")
    close_run(study, "r9", "done", "")
    return ran_study


def test_a_table_that_holds_is_told_to(varied: Path) -> None:
    assert status(varied) == (True, "")


def test_a_changed_definition_is_told(varied: Path, edit: Edit) -> None:
    changed = "  dealt: {quality: {apply: none}}\n  new: {classes: {seed: 13}}\n"
    edit(varied / "study.yaml", SEED, changed)
    made, why = status(varied)
    assert made
    assert "variant new is new in study.yaml" in why
    assert "variant dealt is now quality.apply: none (stated: faults)" in why
    assert "variant dealt must be run: acceptance: settings changed: quality.apply" in why
    assert "as stated" not in why


def test_what_changed_upstream_is_told(varied: Path) -> None:
    raw = varied / "raw/day0/p01_1.txt"
    raw.write_bytes(raw.read_bytes() + b"\n")
    _, why = status(varied)
    assert "the study as stated is not up to date (intake.day0: input changed: raw/day0" in why
    assert "variant dealt must be run: intake.day0: input changed: raw/day0/p01_1.txt" in why


def test_data_that_left_every_result_as_it_was_make_the_table_anew(varied: Path) -> None:
    table = table_of(read_study(varied), FileDigests(varied))
    assert table.is_current()
    stated, dealt = table.sets
    other = deepcopy(dict(dealt.records or {}))
    other["effects"]["inputs"][0]["sha256"] = "0" * 64
    changed = VariantsTable(varied, [stated, replace(dealt, records=other)])
    assert changed.key == table.key
    assert not changed.is_current()


def test_a_variant_without_a_result_does_not_make_the_table_anew(varied: Path) -> None:
    sets = [*table_of(read_study(varied), FileDigests(varied)).sets, Settings("lost", "", None)]
    VariantsTable(varied, sets).make()
    assert VariantsTable(varied, sets).is_current()


def test_a_variant_or_all_of_them_taken_out_is_told(varied: Path, edit: Edit) -> None:
    edit(varied / "study.yaml", "  dealt:", "  other:")
    _, why = status(varied)
    assert "variant dealt is no longer in study.yaml" in why
    assert "variant other must be run: not run yet" in why
    edit(varied / "study.yaml", "variants:\n  other: {classes: {seed: 12}}\n", "")
    assert status(varied) == (True, "study.yaml names no variants any more")


def test_a_table_changed_by_hand_is_told(varied: Path) -> None:
    table = varied / TABLE
    table.write_bytes(table.read_bytes() + b"\n")
    assert status(varied) == (True, "it was changed or removed after it was made")

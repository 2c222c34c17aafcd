"""Named before the data, or not: what the page, the terminal and the books say of the plan."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from test_same_bytes import digests

from leafledger.cli.main import cli
from leafledger.ledger.export import export
from leafledger.ledger.trace import trace
from leafledger.ledger.verify import verify
from leafledger.ledger.view import BookView
from leafledger.runner.reproduce import reproduce
from leafledger.runner.run import run_study, run_variants
from leafledger.runner.workflow import snakefile
from leafledger.study.written_plan import MARK_CHANGED, MARK_OTHER

pytestmark = pytest.mark.slow

Edit = Callable[[Path, str, str], None]
FILE, RECORD = "results/plan_history.json", "records/plan_history.json"
PRIMARY, OTHER = "primary: {index: CI_rededge", "primary: {index: NDVI"
NOT_PROVABLE = "is not provable"
FIXED = "was fixed before the data"


def command(*words: str) -> str:
    done = CliRunner().invoke(cli, list(words))
    assert done.exit_code == 0, (done.output, done.exception)
    return done.output


def run(study: Path) -> str:
    """Run the study and return what the terminal says."""
    return command("run", str(study), "--cores", "2")


def ran(study: Path) -> dict[str, str]:
    """What the newest run did: task -> outcome."""
    book = BookView(study)
    return {e["task"]: e["outcome"] for e in book.events(book.runs[-1]["run"])}


def page(study: Path) -> str:
    return (study / "results/report.html").read_text("utf-8")


def statement(study: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((study / FILE).read_text("utf-8"))
    return found


@pytest.fixture(scope="module")
def lodged_made(small_study_made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study whose plan was recorded before there were data, then run; not to be changed."""
    study = tmp_path_factory.mktemp("lodged") / "study"
    shutil.copytree(small_study_made, study)
    for name in ("raw", "scans.csv"):
        (study / name).rename(study.parent / name)
    command("plan", "record", str(study))
    for name in ("raw", "scans.csv"):
        (study.parent / name).rename(study / name)
    assert run_study(study, cores=2).outcome == "done"
    return study


@pytest.fixture
def fixed(lodged_made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(lodged_made, tmp_path / "study"))


def test_a_first_run_claims_nothing(ran_study: Path) -> None:
    assert not (ran_study / FILE).exists()
    said = run(ran_study)
    assert said.startswith("Up to date: nothing to run.")
    assert NOT_PROVABLE in said and NOT_PROVABLE in page(ran_study)
    for claim in ("before the data were seen", "tested once", "named in the settings"):
        assert claim not in page(ran_study) and claim not in said


def test_a_primary_contrast_changed_after_a_run_is_marked_and_undone(
    ran_study: Path, edit: Edit
) -> None:
    before = digests(ran_study)
    edit(ran_study / "study.yaml", PRIMARY, OTHER)
    status = command("status", str(ran_study))
    assert "runs     report" in status
    said = run(ran_study)
    first, second = (one["run"] for one in BookView(ran_study).runs)
    assert ran(ran_study) == {"effects": "done", "plan_history": "done", "report": "done"}
    for told in (said, page(ran_study)):
        assert "primary index CI_rededge -&gt; NDVI" in told.replace("->", "-&gt;")
        assert first in told and second in told
        assert MARK_CHANGED in told
    assert page(ran_study).count(MARK_CHANGED) >= 4, "finding, card, tables"
    assert NOT_PROVABLE not in page(ran_study)
    assert verify(ran_study).holds
    assert "Up to date" in command("status", str(ran_study))
    assert run(ran_study).startswith("Up to date: nothing to run.")
    assert statement(ran_study)["recorded"]["id"] == second, "an idle run says the same"

    edit(ran_study / "study.yaml", OTHER, PRIMARY)
    said = run(ran_study)
    assert ran(ran_study) == {"effects": "restored", "report": "restored"}
    assert digests(ran_study) == before
    assert NOT_PROVABLE in said and MARK_CHANGED not in said
    assert "In between another plan was in force" in said and second in said
    assert verify(ran_study).holds
    changed = command("runs", str(ran_study))
    assert "effects.primary.index: CI_rededge -> NDVI" in changed
    assert "plan_history" not in changed

    edit(ran_study / "study.yaml", PRIMARY, OTHER)
    said = run(ran_study)
    assert set(ran(ran_study).values()) == {"restored"}
    assert statement(ran_study)["recorded"]["id"] == second, "the first record of it counts"


def test_a_plan_recorded_before_the_data_is_said_to_be_fixed(fixed: Path, edit: Edit) -> None:
    facts = statement(fixed)
    digest = (fixed / "ledger/plans/001.json").read_text("utf-8")
    assert facts["statement"] == "fixed_before" and facts["plan_sha256"] in digest
    day = json.loads(digest)["recorded"][:10]
    said = run(fixed)
    assert said.startswith("Up to date: nothing to run.")
    for told in (said, page(fixed)):
        assert FIXED in told and day in told and facts["plan_sha256"] in told
        assert MARK_CHANGED not in told and NOT_PROVABLE not in told
    assert verify(fixed).holds
    assert "Up to date" in command("status", str(fixed))

    before = digests(fixed)
    edit(fixed / "study.yaml", "alpha: 0.05", "alpha: 0.1")
    said = run(fixed)
    assert "alpha 0.05 -> 0.1" in said and MARK_CHANGED in said
    assert FIXED not in page(fixed)
    edit(fixed / "study.yaml", "alpha: 0.1", "alpha: 0.05")
    said = run(fixed)
    assert FIXED in said and "In between another plan was in force" in said
    assert digests(fixed) == before
    assert set(ran(fixed).values()) == {"restored"}
    assert verify(fixed).holds


def test_a_title_changes_no_plan(fixed: Path, edit: Edit) -> None:
    kept = (fixed / FILE).read_bytes()
    edit(fixed / "study.yaml", "Iron chelate on", "Iron on")
    run(fixed)
    assert set(ran(fixed)) == {"report"}
    assert (fixed / FILE).read_bytes() == kept and FIXED in page(fixed)


def test_a_margin_changed_marks_equivalence_alone(fixed: Path, edit: Edit) -> None:
    edit(fixed / "study.yaml", "WI: 0.006", "WI: 0.007")
    said = run(fixed)
    assert FIXED in said and "margin of WI 0.006 -> 0.007" in said
    (equivalence,) = [x for x in said.splitlines() if "Index with a stated margin" in x]
    (primary,) = [x for x in said.splitlines() if "Primary contrast." in x]
    assert MARK_CHANGED in equivalence and "exploratory" not in primary


def test_what_lies_there_is_mended(fixed: Path) -> None:
    kept = (fixed / FILE).read_bytes()
    (fixed / FILE).write_bytes(kept.replace(b"fixed_before", b"not_provable"))
    assert any(broken.file == FILE for broken in verify(fixed).broken)
    assert "may run  report" in command("status", str(fixed))
    run(fixed)
    assert (fixed / FILE).read_bytes() == kept and FIXED in page(fixed)
    assert verify(fixed).holds
    shutil.rmtree(fixed / "ledger")
    run(fixed)
    assert not (fixed / FILE).exists() and not (fixed / RECORD).exists()
    assert NOT_PROVABLE in page(fixed), "a folder without its book shows nothing"


def test_plain_snakemake_shows_no_statement_of_another_plan(fixed: Path, edit: Edit) -> None:
    edit(fixed / "study.yaml", PRIMARY, OTHER)
    done = subprocess.run(
        [
            sys.executable,
            *("-m", "snakemake", "--cores", "2", "--directory", str(fixed)),
            *("--snakefile", str(snakefile())),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    assert FIXED not in page(fixed) and NOT_PROVABLE in page(fixed)
    said = run(fixed)
    assert MARK_CHANGED in said and MARK_CHANGED in page(fixed)


def test_another_plan_than_the_recorded_one_from_the_start(small_study: Path, edit: Edit) -> None:
    command("plan", "record", str(small_study))
    edit(small_study / "study.yaml", PRIMARY, OTHER)
    said = run(small_study)
    for told in (said, page(small_study)):
        assert MARK_OTHER in told and "plan 001" in told
        assert MARK_CHANGED not in told


def test_the_run_is_rebuilt_traced_and_handed_on(fixed: Path, tmp_path: Path) -> None:
    found = reproduce(fixed, "latest", tmp_path / "scratch", cores=2)
    assert found.outcome == "identical", (found.message, found.missing, found.differing)
    assert found.taken == [FILE]
    lineage = trace(fixed, "report.html")
    assert not lineage.broken and "plan_history" in lineage.nodes
    export(fixed, tmp_path / "crate", snakefile())
    methods = (tmp_path / "crate/methods.txt").read_text("utf-8")
    assert FIXED in methods and "tested once" not in methods
    text = (tmp_path / "crate/ledger/plans/001.txt").read_bytes()
    assert text == (fixed / "ledger/plans/001.txt").read_bytes()
    graph = json.loads((tmp_path / "crate/ro-crate-metadata.json").read_text("utf-8"))["@graph"]
    assert {FILE, "ledger/plans/001.txt"} <= {entity["@id"] for entity in graph}


def test_the_methods_of_a_changed_plan_carry_the_mark(
    fixed: Path, edit: Edit, tmp_path: Path
) -> None:
    edit(fixed / "study.yaml", PRIMARY, OTHER)
    run(fixed)
    export(fixed, tmp_path / "crate", snakefile())
    methods = (tmp_path / "crate/methods.txt").read_text("utf-8")
    assert f"The verdict on the primary outcome is {MARK_CHANGED}." in methods
    assert "primary index CI_rededge -> NDVI" in methods
    found = reproduce(fixed, "latest", tmp_path / "scratch", cores=2)
    assert found.outcome == "identical", (found.message, found.missing, found.differing)


def test_variants_leave_the_statement_as_it_is(fixed: Path) -> None:
    kept = (fixed / FILE).read_bytes()
    path = fixed / "study.yaml"
    path.write_text(path.read_text("utf-8") + "variants:\n  all: {quality: {apply: none}}\n")
    result = run_variants(fixed, cores=2)
    assert result.exit_code == 0, (result.message, result.failed_variants)
    assert (fixed / FILE).read_bytes() == kept
    assert FIXED in page(fixed)
    variant = next(one for one in BookView(fixed).runs if one.get("variant"))
    assert "plan_history" not in variant["records"] and "plan" not in variant
    assert run_variants(fixed, cores=2).outcome == "idle"
    assert verify(fixed).holds


def test_a_run_of_the_day_before_fixes_the_plan(small_study: Path, edit: Edit) -> None:
    """The first day is run alone, as it is measured; the after-session is named with its data."""
    study, whole = small_study / "study.yaml", (small_study / "study.yaml").read_text("utf-8")
    scans = (small_study / "scans.csv").read_text("utf-8")
    edit(study, ", session: day12}", "}")
    edit(study, "    - {session: day12, date: 2026-05-16, phase: after}\n", "")
    edit(study, "    day12: {form: parquet, quantity: counts, scan_column: label}\n", "")
    text = study.read_text("utf-8")
    head, _, rest = text.partition("classes:")
    study.write_text(head + "report:" + rest.partition("report:")[2], "utf-8")
    kept = [line for line in scans.splitlines(keepends=True) if "day12" not in line]
    (small_study / "scans.csv").write_text("".join(kept), "utf-8")
    run(small_study)
    assert not statement(small_study)["changed"]
    early = BookView(small_study).runs[-1]["run"]

    study.write_text(whole, "utf-8")
    (small_study / "scans.csv").write_text(scans, "utf-8")
    said = run(small_study)
    facts = statement(small_study)
    assert facts["statement"] == "fixed_before" and facts["session_left_open"]
    assert facts["recorded"]["id"] == early
    assert FIXED in said and early in said and "left open then" in page(small_study)
    assert verify(small_study).holds

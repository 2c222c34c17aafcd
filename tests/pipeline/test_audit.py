"""Audit of a study that was really run: verify, trace, compare and reproduce."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from leafledger.ledger.compare import compare, run_history
from leafledger.ledger.trace import trace
from leafledger.ledger.verify import verify
from leafledger.records import events
from leafledger.records.digests import Code
from leafledger.runner.reproduce import lines, reproduce
from leafledger.runner.run import run_study
from leafledger.runner.study_folder import study_lock

Edit = Callable[[Path, str, str], None]

KINDS = {
    "raw": "raw/day0/*.txt",
    "raw parquet": "raw/day12/*",
    "table": "results/effects.csv",
    "spectra": "results/reflectance/*.parquet",
    "model": "results/classes/model.skops",
    "figure": "results/figures/*.svg",
    "page": "results/report.html",
    "record": "records/effects.json",
    "event": "ledger/events/*/effects.json",
    "progress": "ledger/events/*/progress.jsonl",
    "run": "ledger/runs/*.json",
    "copy": "ledger/history/*/*",
    "kept result": "ledger/store/*/*/*",
    "kept record": "ledger/store/*/*/record.json",
    "artifact": "ledger/artifacts/*/artifacts/effects.csv",
    "artifact of the model": "ledger/artifacts/*/artifacts/classes/*/MLmodel",
    "artifact of a record": "ledger/artifacts/*/artifacts/records/effects.json",
    "decisions": "decisions.csv",
}


@contextmanager
def flipped(path: Path) -> Iterator[None]:
    """Change one byte in the middle of a file, for the block."""
    whole = path.read_bytes()
    middle = len(whole) // 2
    path.write_bytes(whole[:middle] + bytes([whole[middle] ^ 1]) + whole[middle + 1 :])
    try:
        yield
    finally:
        path.write_bytes(whole)


def test_files_are_hashed_once_sheets_twice_records_thrice(ran_study: Path, monkeypatch) -> None:
    """What a verification reads is in proportion to the study, however many tasks share a file."""
    from leafledger.ledger import verify as module

    times: Counter[Path] = Counter()
    digest_of = module.sha256_of_file

    def counted(path: Path) -> str:
        times[path] += 1
        return digest_of(path)

    monkeypatch.setattr(module, "sha256_of_file", counted)
    assert verify(ran_study).broken == []
    assert {*ran_study.glob("results/reflectance/*.parquet")} <= set(times)
    # A sheet is a raw file of the tasks that read it, and a sheet of the study.
    most = {"records": 3, ran_study.name: 2}
    often = {p: n for p, n in times.items() if n > most.get(p.parent.name, 1)}
    assert often == {}


def test_a_clean_study_holds_and_has_a_head(ran_study: Path) -> None:
    verdict = verify(ran_study)
    assert verdict.broken == []
    newest = list(events.runs(ran_study))[-1]
    assert verdict.n_runs == 1
    assert verify(ran_study, head=verdict.head).broken == []
    forged = verify(ran_study, head="0" * 64)
    assert [b.what for b in forged.broken] == ["chain"]
    assert newest["outcome"] == "done"


@pytest.mark.parametrize("kind", KINDS)
def test_one_byte_in_any_kind_of_file_is_named_and_nothing_else(ran_study: Path, kind: str) -> None:
    found = sorted(ran_study.glob(KINDS[kind]))
    path = found[len(found) // 2]
    with flipped(path):
        broken = verify(ran_study).broken
    assert [b.file for b in broken] == [path.relative_to(ran_study).as_posix()]
    assert verify(ran_study).holds


@pytest.mark.parametrize("kind", ["run", "event", "progress", "record", "decisions"])
def test_a_byte_anywhere_in_what_is_told_is_named_and_nothing_else(
    ran_study: Path, kind: str
) -> None:
    found = sorted(ran_study.glob(KINDS[kind]))[0]
    whole = found.read_bytes()
    for place in range(0, len(whole), max(1, len(whole) // 30)):
        found.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        told = [b.file for b in verify(ran_study).broken]
        assert told == [found.relative_to(ran_study).as_posix()], place


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_that_is_gone_is_named(ran_study: Path, kind: str) -> None:
    found = sorted(ran_study.glob(KINDS[kind]))
    path = found[len(found) // 2]
    path.unlink()
    broken = verify(ran_study).broken
    told = [b.file for b in broken]
    gone = path.relative_to(ran_study).as_posix()
    assert gone in told or kind == "kept record", told
    assert {b.what for b in broken if b.file == gone} <= {"missing", "changed"}


def test_a_raw_file_is_named_as_changed_since_the_run(ran_study: Path) -> None:
    (run,) = (r["run"] for r in events.runs(ran_study))
    with flipped(ran_study / "raw/day0/p01_1.txt"):
        (broken,) = verify(ran_study).broken
    assert (broken.file, broken.sentence) == ("raw/day0/p01_1.txt", f"changed since run {run}")


def test_files_that_nobody_made_are_orphans(ran_study: Path) -> None:
    for place in ("results/extra.csv", "records/extra.json", "ledger/events/x.json"):
        (ran_study / place).write_text("{}\n", encoding="utf-8")
    (run,) = (r["run"] for r in events.runs(ran_study))
    (ran_study / "ledger/events" / run / "odd.json").write_text("{}\n", encoding="utf-8")
    told = {b.file: b.what for b in verify(ran_study).broken}
    assert told == {
        "results/extra.csv": "orphan",
        "records/extra.json": "orphan",
        "ledger/events/x.json": "orphan",
        f"ledger/events/{run}/odd.json": "orphan",
    }


def test_a_moved_study_holds_and_asking_writes_nothing(ran_study: Path, tmp_path: Path) -> None:
    moved = ran_study.rename(tmp_path / "moved é 'x'")
    before = {p: p.stat().st_mtime_ns for p in moved.rglob("*")}
    assert verify(moved).broken == []
    lineage = trace(moved, "results/report.html")
    assert lineage.broken == []
    assert compare(moved, "latest", "latest").differences == []
    assert {p: p.stat().st_mtime_ns for p in moved.rglob("*")} == before


@pytest.mark.parametrize(
    "target", ["effects.csv", "report.html", "classes/model.skops", "figures/*.svg"]
)
def test_every_kind_of_result_is_traced_to_raw_files(ran_study: Path, target: str) -> None:
    path = sorted((ran_study / "results").glob(target))[0]
    lineage = trace(ran_study, path.relative_to(ran_study).as_posix())
    assert lineage.broken == []
    files = {given.path for node in lineage.nodes.values() for given in node.files}
    assert "raw/day12/counts.parquet" in files


def test_one_value_is_traced(ran_study: Path) -> None:
    asked = "effects.csv#index=CI_rededge,contrast=(day12-day0)@chelate-water,method=linear_model"
    (row,) = trace(ran_study, asked).target.rows
    assert row["primary"] == "true"
    assert row["estimate"] in (ran_study / "results/effects.csv").read_text("utf-8")


def test_the_numbers_of_the_book_are_those_of_the_tables(ran_study: Path) -> None:
    (entry,) = run_history(ran_study)
    asked = "effects.csv#index=CI_rededge,contrast=(day12-day0)@chelate-water,method=linear_model"
    (row,) = trace(ran_study, asked).target.rows
    assert entry["headline"]["effects.primary_estimate"] == float(row["estimate"])


def test_a_run_whose_raw_content_is_gone_is_not_rebuilt(ran_study: Path, tmp_path: Path) -> None:
    (ran_study / "raw/day0/p01_1.txt").write_text("other\n", encoding="utf-8")
    found = reproduce(ran_study, "latest", tmp_path / "scratch", cores=1)
    assert (found.outcome, found.exit_code) == ("impossible", 1)
    (told,) = found.missing
    assert told.startswith("missing content: raw/day0/p01_1.txt")


def test_a_run_of_other_code_is_not_rebuilt(
    ran_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from leafledger.runner import reproduce as module

    plain = module.code_of

    def other(name: str) -> Code:
        code = plain(name)
        return Code("0" * 64, code.libraries) if name == "leafledger.effects.stage" else code

    monkeypatch.setattr(module, "code_of", other)
    found = reproduce(ran_study, "latest", tmp_path / "scratch", cores=1)
    assert found.outcome == "impossible"
    assert [text.split(" (")[0] for text in found.missing] == [
        "other code: effects was made by another version"
    ]


@pytest.mark.slow
def test_an_old_run_is_reproduced_to_the_byte_after_later_changes(
    ran_study: Path, tmp_path: Path, edit: Edit
) -> None:
    (first,) = (run["run"] for run in events.runs(ran_study))
    edit(ran_study / "study.yaml", "n_draws: 99", "n_draws: 199")
    with (ran_study / "decisions.csv").open("a", encoding="utf-8") as file:
        file.write("d12-p01-1,exclude,leaf torn,A. Grower,2026-05-16T17:00:00\n")
    assert run_study(ran_study, cores=2).outcome == "done"
    (ran_study / "raw/day0/p01_1.txt").rename(ran_study / "raw/p01_1 moved.txt")
    before = {p: p.stat().st_mtime_ns for p in ran_study.rglob("*")}
    found = reproduce(ran_study, first, tmp_path / "scratch", cores=2)
    assert (found.outcome, found.differing) == ("identical", []), found
    assert found.n_files > 40
    assert {p: p.stat().st_mtime_ns for p in ran_study.rglob("*")} == before


@pytest.mark.slow
def test_another_kernel_of_linear_algebra_is_equal_within_tolerance(
    ran_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("OPENBLAS_CORETYPE", "Haswell")
    found = reproduce(ran_study, "latest", tmp_path / "scratch", cores=2)
    if found.kernels[0] == found.kernels[1]:
        pytest.skip(f"this machine knows one kernel of linear algebra only: {found.kernels[0]}")
    assert found.outcome in {"within_tolerance", "identical"}
    if found.differing:
        assert "equal within tolerance, not byte-identical" in next(lines(found))
        assert found.first == found.differing[0].task


@pytest.mark.slow
def test_a_result_that_was_recorded_otherwise_is_located(
    ran_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The recorded table is replaced, as a stage that depends on chance would have it."""
    from leafledger.runner import reproduce as module

    forged = tmp_path / "forged.csv"
    text = (ran_study / "results/effects.csv").read_text("utf-8")
    estimate = trace(ran_study, "effects.csv#primary=true").target.rows[0]["estimate"]
    forged.write_text(text.replace(estimate, str(float(estimate) * 1.01)), encoding="utf-8")
    plain = module.BookView.records_of

    def other(self: Any, run: Any) -> Any:
        records = plain(self, run)
        (output,) = (o for o in records["effects"]["outputs"] if o["role"] == "effects")
        output["sha256"] = "0" * 64
        return records

    monkeypatch.setattr(module.BookView, "records_of", other)
    monkeypatch.setattr(module.BookView, "content", lambda *_: forged)
    found = reproduce(ran_study, "latest", tmp_path / "scratch", cores=2)
    assert (found.outcome, found.exit_code, found.first) == ("differs", 1, "effects")
    (one,) = found.differing
    assert (one.path, one.match.column) == ("results/effects.csv", "estimate")


def ask(*arguments: str | Path) -> tuple[int, str]:
    """Return exit code and text of a command, in a process of its own."""
    command = [sys.executable, "-m", "leafledger.cli", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stdout + done.stderr


def test_the_commands_and_their_exit_codes(ran_study: Path) -> None:
    code, text = ask("verify", ran_study)
    assert (code, "All holds" in text, "Head of the chain: " in text) == (0, True, True)
    head = text.split("Head of the chain: ")[1].strip()
    assert ask("verify", ran_study, "--head", head)[0] == 0
    assert head in ask("runs", ran_study)[1]
    code, text = ask("trace", ran_study, "report.html", "--json")
    assert (code, json.loads(text)["broken"]) == (0, [])
    assert ask("compare", ran_study, "latest")[0] == 0
    with flipped(ran_study / "raw/day0/p01_1.txt"):
        code, text = ask("verify", ran_study, "--json")
        assert (code, [b["file"] for b in json.loads(text)["broken"]]) == (
            1,
            ["raw/day0/p01_1.txt"],
        )
        assert ask("trace", ran_study, "effects.csv")[0] == 1
        code, text = ask("reproduce", ran_study)
        assert (code, "missing content: raw/day0/p01_1.txt" in text) == (1, True)
    assert ask("trace", ran_study, "nothing.csv")[0] == 2
    assert ask("compare", ran_study, "x")[0] == 2
    assert ask("reproduce", ran_study, "--keep", ran_study)[0] == 2
    assert ask("export", ran_study, ran_study)[0] == 2


def test_a_study_without_a_book_is_told_so(small_study: Path) -> None:
    for command in (["verify"], ["trace", "effects.csv"], ["compare", "a"], ["reproduce"]):
        code, text = ask(command[0], small_study, *command[1:])
        assert (code, "no book of runs" in text) == (2, True)


def test_verify_waits_for_no_run_at_work(ran_study: Path) -> None:
    with study_lock(ran_study):
        code, text = ask("verify", ran_study)
    assert (code, "a run at work" in text) == (2, True)


def test_asking_loads_neither_mlflow_nor_snakemake(ran_study: Path) -> None:
    program = (
        "import sys; from leafledger.cli.main import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'mlflow', 'snakemake', 'great_expectations'} & set(sys.modules)\n"
        "sys.exit(3 if heavy else 0)"
    )
    for arguments in (["run"], ["verify"], ["trace", ".", "effects.csv"], ["runs"]):
        command = [sys.executable, "-c", program, *arguments]
        done = subprocess.run(command, cwd=ran_study, capture_output=True, check=False)
        assert done.returncode == 0, (arguments, done.stderr)

"""Whatever happened to a study: `status` says what a run does, and the run mends everything.

Stages are stubs that take no time (see ``stub_stages/sitecustomize.py``); records, digests, store,
book, levels and kills are real. Most histories do the tasks in this process, some by Snakemake.
"""

from __future__ import annotations

import importlib.util
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from generated import generator, shrink
from leafledger.records import events
from leafledger.records.digests import FileDigests
from leafledger.runner import execute, step
from leafledger.runner import run as run_module
from leafledger.runner.outdated import would_run
from leafledger.runner.run import RunResult, run_study
from leafledger.runner.study_check import checked_study
from leafledger.runner.workers import Workers
from leafledger.runner.workflow import snakefile
from leafledger.study.rules import PLAN_HISTORY, PLAN_HISTORY_FILE
from leafledger.study.study import Task

STUBS = Path(__file__).with_name("stub_stages")
OUTPUTS = ("results", "records")
N_EVENTS = 4


# --- runs ------------------------------------------------------------------------------------


def run_in_this_process(folder: Path, tasks: Iterable[Task], _cores: int) -> bool:
    """Do tasks one after the other as `run_tasks` lets Snakemake do them."""
    return all(step.main([t.rule, *([t.session] if t.session else [])]) == 0 for t in tasks)


class Child:
    """The child process of a run, in this process."""

    def __init__(self, command: list[str], cwd: Path, env: dict[str, str], **_: Any) -> None:
        before, environment, arguments = Path.cwd(), dict(os.environ), sys.argv
        os.environ.update(env)
        os.chdir(cwd)
        sys.argv = ["execute", command[-1]]
        try:
            self.returncode = execute.main()
        finally:
            os.chdir(before)
            os.environ.clear()
            os.environ.update(environment)
            sys.argv = arguments

    def poll(self) -> int:
        return self.returncode


@pytest.fixture
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    spec = importlib.util.spec_from_file_location("stub_stages", STUBS / "sitecustomize.py")
    assert spec is not None and spec.loader is not None
    stubs = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(stubs)
    monkeypatch.setattr(importlib, "import_module", stubs.stub_or_module)
    monkeypatch.setattr(step, "die_with_parent", lambda: None)
    monkeypatch.setattr(step.faulthandler, "enable", lambda: None)
    monkeypatch.setattr(execute, "die_with_parent", lambda: None)
    monkeypatch.setattr(execute, "run_tasks", run_in_this_process)
    ours = SimpleNamespace(**{**vars(subprocess), "Popen": Child})  # others start real processes
    monkeypatch.setattr(run_module, "subprocess", ours)
    monkeypatch.setattr(Workers, "start", lambda _: None)  # every step is in this process too


@pytest.fixture
def by_snakemake(monkeypatch: pytest.MonkeyPatch) -> None:
    given = os.environ.get("PYTHONPATH")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(STUBS), *([given] if given else [])]))
    monkeypatch.setenv("LEAFLEDGER_TEST_STUBS", "1")


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("made") / "tiny"
    generator().generate(
        out, seed=5, n_plants=8, n_leaves=1, n_sessions=2, n_pixels=128, fault_list="none"
    )
    shrink(out)
    return out


# --- what may happen to a study ----------------------------------------------------------------


def made_files(study: Path) -> list[Path]:
    below = [p for name in OUTPUTS for p in sorted((study / name).rglob("*"))]
    return [p for p in below if p.is_file() and not p.name.startswith(".")]


def edit_a_setting(study: Path, chance: random.Random) -> None:
    path = study / "study.yaml"
    pattern, values = chance.choice(
        [
            (r'(?m)^title: ".*"$', ['title: "One"', 'title: "Another"']),
            (r"margin_nm: \d+", ["margin_nm: 5", "margin_nm: 15"]),
            (r"R\(75\d\) - R", ["R(750) - R", "R(752) - R"]),
            (r'source: "\w+"', ['source: "ours"', 'source: "theirs"']),
            (r"n_permutations: \d+", ["n_permutations: 19", "n_permutations: 29"]),
            (r"lamp_lines: \w+", ["lamp_lines: true", "lamp_lines: false"]),
            (r"alpha: [\d.]+", ["alpha: 0.05", "alpha: 0.01"]),
            (r"smoothing: \w+", ["smoothing: none"]),
        ]
    )
    text, n = re.subn(pattern, chance.choice(values), path.read_text("utf-8"), count=1)
    assert n == 1, pattern
    path.write_text(text, encoding="utf-8")


def edit_a_raw_file(study: Path, chance: random.Random) -> None:
    raw = chance.choice(sorted(p for p in (study / "raw").rglob("*.txt")))
    lines = raw.read_text(encoding="utf-8").splitlines()
    wavelength, counts = lines[-1].split()
    lines[-1] = f"{wavelength}\t{float(counts) + chance.choice([-1, 1]):.1f}"
    raw.write_text("\n".join(lines) + "\n", encoding="utf-8")
    if chance.random() < 0.5:
        os.utime(raw, (1_000_000_000, 1_000_000_000))


def decide(study: Path, chance: random.Random) -> None:
    path = study / "decisions.csv"
    if path.exists() and chance.random() < 0.3:
        path.unlink()
        return
    scan = checked_study(study).samples("day12")[chance.randrange(3)].scan
    row = f"{scan},{chance.choice(['exclude', 'keep'])},seen,A. Grower,2026-05-16T18:00:00"
    path.write_text(f"scan,action,reason,by,when\n{row}\n", encoding="utf-8")


def flip_a_byte(study: Path, chance: random.Random) -> None:
    path = chance.choice(made_files(study))
    whole, dates = bytearray(path.read_bytes()), path.stat()
    whole[chance.randrange(len(whole))] ^= 1
    path.write_bytes(whole)
    if chance.random() < 0.5:
        os.utime(path, ns=(dates.st_atime_ns, dates.st_mtime_ns))


def edit_an_output(study: Path, chance: random.Random) -> None:
    path = chance.choice(made_files(study))
    path.write_bytes(path.read_bytes() + b"edited by hand\n")


def delete_an_output(study: Path, chance: random.Random) -> None:
    chance.choice(made_files(study)).unlink()


def delete_a_folder(study: Path, chance: random.Random) -> None:
    shutil.rmtree(study / chance.choice(["results/indices", "results/figures", "records"]))


def touch(study: Path, chance: random.Random) -> None:
    for path in chance.choices(made_files(study), k=3):
        when = time.time() + chance.choice([-1e8, -10, 0, 3600])
        os.utime(path, (when, when))


def shift_the_clock(study: Path, chance: random.Random) -> None:
    """All is dated an hour later, as if the clock had been set back since, or earlier."""
    shift = int(chance.choice([-3600e9, 3600e9]))
    for path in made_files(study):
        dates = path.stat()
        os.utime(path, ns=(dates.st_atime_ns + shift, dates.st_mtime_ns + shift))


def empty_the_store(study: Path, chance: random.Random) -> None:
    if (study / "ledger/store").is_dir():
        entries = sorted((study / "ledger/store").glob("??/*"))
        for entry in (
            entries if chance.random() < 0.3 else chance.sample(entries, len(entries) // 2)
        ):
            shutil.rmtree(entry)


def damage_the_store(study: Path, chance: random.Random) -> None:
    entries = sorted((study / "ledger/store").glob("??/*/*"))
    if entries:
        chance.choice(entries).write_bytes(b"damaged")


def lose_what_is_remembered(study: Path, chance: random.Random) -> None:
    shutil.rmtree(study / chance.choice([".snakemake", "ledger/cache", "logs"]), ignore_errors=True)


def kill_a_run(study: Path, chance: random.Random) -> None:
    """Kill a run at work, in this process at a random file, by Snakemake at a random moment."""
    if run_module.subprocess.Popen is Child:
        _kill_at_a_file(study, chance.randrange(1, 60))
    else:
        _kill_after(study, chance.uniform(0.3, 4.0))


def _kill_at_a_file(study: Path, n_files: int) -> None:
    pid = os.fork()
    if pid == 0:
        left, replace = [n_files], os.replace

        def replace_or_die(source: Any, target: Any, **options: Any) -> None:
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            replace(source, target, **options)

        os.replace = replace_or_die
        try:
            run_study(study, cores=1, into_tracking=False)
        finally:
            os._exit(0)
    os.waitpid(pid, 0)


def _kill_after(study: Path, seconds: float) -> None:
    words = "import sys; from pathlib import Path; from leafledger.runner.run import run_study; "
    words += "run_study(Path(sys.argv[1]), cores=2, into_tracking=False)"
    child = subprocess.Popen([sys.executable, "-c", words, str(study)], start_new_session=True)
    time.sleep(seconds)
    child.kill()
    child.wait()
    # Its own child ends with it, and every step: until then the lock is held by none of them.
    time.sleep(0.5)


EVENTS: tuple[Callable[[Path, random.Random], None], ...] = (
    *(edit_a_setting, edit_a_setting, edit_a_setting, edit_a_raw_file, decide),
    *(flip_a_byte, edit_an_output, delete_an_output, delete_a_folder, touch, shift_the_clock),
    *(empty_the_store, damage_the_store, lose_what_is_remembered, kill_a_run),
)


# --- what must hold ----------------------------------------------------------------------------


def run_as_status_says(study: Path) -> RunResult:
    """Run a study; status, the run's first judgement, levels and tasks must agree."""
    checked = checked_study(study)
    said = would_run(checked, FileDigests(checked.folder))
    named: list[str] = []

    def listen(line: dict[str, Any]) -> None:
        named.extend(line.get("planned", []))

    result = run_study(study, cores=1, listen=listen, into_tracking=False)
    assert result.exit_code == 0, (result.message, result.problems)
    assert named == [one.task.name for one in said], "the run's first judgement is that of status"
    ran = {event["task"] for event in result.tasks}
    must = {one.task.name for one in said if one.certain}
    assert must <= ran <= {*named}, (must - ran, ran - {*named})
    if result.run is not None:
        lines, _ = events.read_progress(study, result.run)
        at_levels = {task for line in lines for task in line.get("level", [])}
        assert ran - {PLAN_HISTORY.name} == at_levels, "a task that its level did not name"
    assert would_run(checked_study(study), FileDigests(study)) == []
    return result


def contents(study: Path) -> dict[str, Any]:
    """Return all results and records, but for what names a run of the book."""
    found: dict[str, Any] = {
        p.relative_to(study).as_posix(): p.read_bytes() for p in made_files(study)
    }
    report = json.loads(found.pop("records/report.json"))
    report["inputs"] = [one for one in report["inputs"] if one["role"] != PLAN_HISTORY.name]
    del report["key"]
    for name in (PLAN_HISTORY_FILE, f"records/{PLAN_HISTORY.name}.json"):
        found.pop(name, None)
    return {**found, "report": report}


def fresh(study: Path, to: Path) -> dict[str, Any]:
    """Return the contents of a run in a folder without any history."""
    left = shutil.ignore_patterns("results", "records", "ledger", "logs", ".snakemake")
    shutil.copytree(study, to, ignore=left)
    assert run_study(to, cores=1, into_tracking=False).outcome == "done"
    return contents(to)


def history(study: Path, seed: int, n_events: int = N_EVENTS) -> Iterator[str]:
    """Let things happen to a study, one or two between runs; yield what happened."""
    chance = random.Random(seed)
    run_as_status_says(study)
    for _ in range(n_events):
        for _ in range(chance.choice([1, 1, 2])):
            happens = chance.choice(EVENTS)
            if made_files(study) or happens in {edit_a_setting, kill_a_run}:
                yield happens.__name__
                happens(study, chance)
        run_as_status_says(study)


def holds(study: Path, seed: int, scratch: Path) -> None:
    happened: list[str] = []
    try:
        happened.extend(history(study, seed))
        assert contents(study) == fresh(study, scratch)
    except AssertionError as error:
        raise AssertionError(f"history {seed}: {', '.join(happened)}\n{error}") from error


@pytest.mark.parametrize("seed", [*range(12), 94])
def test_status_and_run_agree_whatever_happened(
    tiny: Path, tmp_path: Path, in_this_process: None, seed: int
) -> None:
    holds(Path(shutil.copytree(tiny, tmp_path / "study")), seed, tmp_path / "fresh")


@pytest.mark.slow
@pytest.mark.parametrize("tens", range(1, 11))
def test_a_hundred_histories(tiny: Path, tmp_path: Path, in_this_process: None, tens: int) -> None:
    for seed in range(10 * tens, 10 * tens + 10):
        study = Path(shutil.copytree(tiny, tmp_path / f"study{seed}"))
        holds(study, seed, tmp_path / f"fresh{seed}")
        shutil.rmtree(study)


@pytest.mark.slow
@pytest.mark.parametrize(
    "seed",
    # Minutes each: one in CI, the others by `make test-longest`.
    [500, *(pytest.param(seed, marks=pytest.mark.longest) for seed in (501, 502))],
)
def test_histories_of_runs_by_snakemake(
    tiny: Path, tmp_path: Path, by_snakemake: None, seed: int
) -> None:
    """The same with Snakemake doing the tasks; then plain Snakemake does no harm."""
    study = Path(shutil.copytree(tiny, tmp_path / "study"))
    holds(study, seed, tmp_path / "fresh")
    before = contents(study)
    plain_snakemake(study)
    assert contents(study) == before
    assert "Nothing to be done" in plain_snakemake(study)
    assert run_study(study, cores=1, into_tracking=False).outcome == "idle"
    chance = random.Random(seed)
    for happens in (edit_a_setting, flip_a_byte, delete_an_output, edit_a_raw_file):
        happens(study, chance)
        plain_snakemake(study)
        assert contents(study) == fresh(study, tmp_path / happens.__name__), happens


def plain_snakemake(study: Path) -> str:
    done = subprocess.run(
        [
            sys.executable,
            *("-m", "snakemake", "--cores", "2", "--directory", str(study), "--nocolor"),
            *("--snakefile", str(snakefile()), "--rerun-incomplete"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr

"""Profiles that cannot be used, what jobs ask for and are told, what SLURM says of their ends."""

from __future__ import annotations

import os
import platform
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from leafledger.cli.main import _guarded, cli
from leafledger.errors import InputFault
from leafledger.records import events
from leafledger.runner import step
from leafledger.runner.cluster import open_profile
from leafledger.runner.lease import take_lease, this_machine
from leafledger.runner.run import run_study
from leafledger.runner.scheduler import (
    JobEnd,
    cancel_jobs,
    ends_of,
    jobs_of_study,
    read_plugin_log,
    scheduler_problems,
    still_queued,
    why_all_wait,
)
from leafledger.runner.step import JOB_CONFIG, PARENT_VARIABLE, GivenRun, main
from leafledger.runner.workflow import SMALL, StudyWorkflow
from leafledger.study.reading import read_study
from leafledger.study.rules import BY_NAME, RULES, Needs
from leafledger.study.study import Task

Fake = Callable[[str, str], None]


@pytest.fixture
def fake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Fake:
    """Return a function that puts a command of SLURM in place; there is no other one."""
    place = tmp_path / "commands"
    place.mkdir()
    for name in ("bash", "env", "which"):
        (place / name).symlink_to(shutil.which(name) or name)
    monkeypatch.setenv("PATH", f"{place}:/nowhere")

    def put(name: str, script: str) -> None:
        path = place / name
        path.write_text(f"#!/bin/bash\n{script}\n", encoding="utf-8")
        path.chmod(0o755)

    return put


@pytest.fixture
def slurm_there(fake: Fake) -> None:
    for name in ("sbatch", "squeue", "scancel"):
        fake(name, "exit 0")


# --- profiles -------------------------------------------------------------------------------------


def refused(name: str | Path) -> str:
    with pytest.raises(InputFault) as fault:
        open_profile(str(name))
    (problem,) = fault.value.problems
    return problem.sentence()


def own(place: Path, text: str) -> Path:
    place.mkdir()
    (place / "config.yaml").write_text(text, encoding="utf-8")
    return place


def test_a_profile_that_is_not_there(tmp_path: Path) -> None:
    for name in ("slrum", "", "../slurm", str(tmp_path)):
        said = refused(name)
        assert f'found no profile "{name}"' in said
        assert "default, slurm" in said


def test_a_profile_that_cannot_be_read(tmp_path: Path) -> None:
    assert "config.yaml, row 2: found a profile that cannot be read (" in refused(
        own(tmp_path / "a", "executor: slurm\n\tjobs: 1\n")
    )
    assert "without options" in refused(own(tmp_path / "b", "slurm\n"))
    said = refused(own(tmp_path / "c", "executor: local\njbos: 3\n"))
    assert "Snakemake refuses: " in said
    assert "jbos" in said


def test_a_path_without_ordinary_commands_is_told_in_plain_words(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(InputFault) as fault:
        run_study(small_study, 1)
    (problem,) = fault.value.problems
    assert problem.found == "no command `bash`, `env`, `which` on the PATH"
    assert "export PATH=$PATH:/usr/bin:/bin" in problem.mend
    assert not (small_study / "results").exists() and not (small_study / events.RUNS).exists()
    assert "no command `bash`, `env`, `which` on the PATH" in refused("slurm")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("jobs: -3", "jobs: found -3; expected a whole number of at least 1"),
        ("jobs: 0", "jobs: found 0; expected a whole number of at least 1"),
        ("jobs: many", "Error parsing number of jobs"),
        ("cores: -2", "cores: found -2"),
        ("latency-wait: -4", "latency-wait: found -4; expected a whole number of at least 0"),
        ("delete-all-output: true", "something else than run the study"),
        ("touch: true", "something else than run the study"),
        ("dry-run: true", "dryrun: found an option by which"),
        ("set-resources:\n  - effect:mem_mb=400", '"effect", which is no rule of the workflow'),
        ("set-resources:\n  - classes:mem_mb=much", "found classes:mem_mb=much"),
        ("set-resources:\n  - classes:mem_mb=0", "found classes:mem_mb=0"),
        ("default-resources:\n  - runtime=tomorrow", "found runtime=tomorrow"),
        ("set-threads:\n  - classes=0", "found classes:threads=0"),
        ("group-components:\n  - measuring=-4", "COMPONENTS being a positive integer"),
    ],
)
def test_nonsense_in_a_profile_is_refused_before_anything_starts(
    slurm_there: None, tmp_path: Path, small_study: Path, text: str, said: str
) -> None:
    profile = own(tmp_path / "profile", f"executor: slurm\n{text}\n")
    assert said in refused(profile)
    with pytest.raises(InputFault):
        run_study(small_study, 1, profile=str(profile))
    assert not (small_study / "ledger").exists() and not (small_study / "results").exists()


@pytest.mark.parametrize(
    "text",
    [
        "jobs: unlimited",
        "default-resources:\n  - slurm_partition=main\n  - mem=4GB\n  - runtime=2h",
        "set-resources:\n  - classes:mem_mb=2000*attempt",
        "set-resources:\n  - intake:mem_mb=max(2*input.size_mb, 1000)",
        "set-threads:\n  - classes=2",
    ],
)
def test_what_a_profile_may_ask_for(slurm_there: None, tmp_path: Path, text: str) -> None:
    assert open_profile(str(own(tmp_path / "profile", f"executor: slurm\n{text}\n"))).is_slurm


def test_a_plugin_that_is_not_installed(tmp_path: Path) -> None:
    said = refused(own(tmp_path / "a", "executor: abacus\n"))
    assert "pip install snakemake-executor-plugin-abacus" in said


def test_no_slurm_and_one_that_does_not_answer(fake: Fake, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "found no sbatch on this machine" in refused("slurm")
    fake("sbatch", "exit 0")
    fake("scancel", "exit 0")
    fake("squeue", "echo 'slurm_load_jobs error: Unable to contact slurm controller' >&2; exit 1")
    (problem,) = scheduler_problems()
    assert problem.found == "a SLURM controller that does not answer"


def test_the_shipped_profiles_can_be_used(slurm_there: None) -> None:
    assert open_profile("slurm").is_slurm
    assert open_profile("default").is_local


def test_a_refused_profile_touches_nothing(small_study: Path) -> None:
    before = sorted(path.name for path in small_study.rglob("*"))
    command = ["run", str(small_study), "--profile", "slrum"]
    assert _guarded(lambda: cli(command, standalone_mode=False)) == 2
    assert sorted(path.name for path in small_study.rglob("*")) == before
    done = CliRunner().invoke(cli, [*command, "--json"])
    assert done.exit_code == 2
    assert "slrum" in done.stdout


# --- what jobs ask for ----------------------------------------------------------------------------


def test_needs_grow_with_values_and_with_attempts() -> None:
    needs = Needs(mb=100, mb_per_million=50, seconds=10, seconds_per_million=5)
    assert needs.memory_mb(0) == 800
    assert needs.memory_mb(4_000_000) == 600 + 2 * (100 + 200)
    assert needs.memory_mb(4_000_000, attempt=2) == 2 * needs.memory_mb(4_000_000)
    assert needs.runtime_minutes(0) == 6  # 300 s and six times 10 s
    assert needs.runtime_minutes(4_000_000, attempt=2) == 2 * 8
    assert needs.expected_seconds(4_000_000) == 30


@pytest.mark.parametrize(
    ("rule", "values", "measured_mb", "measured_s"),
    [
        # Measured, with that of an idle Python, on 20,000 scans of 500 values in 10 sessions.
        ("intake", 1_000_000, 227, 4.4),
        ("reflectance", 1_000_000, 279, 3.7),
        ("quality", 1_000_000, 299, 5.2),
        ("indices", 1_000_000, 317, 2.2),
        ("acceptance", 10_000_000, 321, 4.3),
        ("validation", 10_000_000, 467, 23.7),
        ("unit_means", 10_000_000, 354, 16.5),
        ("effects", 10_000_000, 519, 44.0),
        ("report", 10_000_000, 730, 85.6),
        # Alone in a process, 2,000 and 20,000 scans of ten classes, 999 permutations; traits with
        # 20 assays.
        ("classes", 1_000_000, 466, 40.8),
        ("classes", 10_000_000, 522, 35.6),
        ("rivals", 1_000_000, 460, 47.9),
        ("rivals", 10_000_000, 498, 48.0),
        ("traits", 1_100_000, 303, 4.2),
        ("traits", 11_000_000, 732, 15.3),
    ],
)
def test_jobs_ask_for_more_than_was_measured(
    rule: str, values: int, measured_mb: int, measured_s: float
) -> None:
    needs = BY_NAME[rule].needs
    assert needs.memory_mb(values) > 1.5 * measured_mb
    assert needs.runtime_minutes(values) * 60 > 4 * measured_s


def raw_file(folder: Path, session: str) -> Path:
    return folder / next(s.file for s in read_study(folder).scans if s.session == session)


def flow(study: Path, monkeypatch: pytest.MonkeyPatch) -> StudyWorkflow:
    monkeypatch.setenv(events.RUN_VARIABLE, "20260512-080000-abcd")
    return StudyWorkflow(study, {})


def test_a_job_asks_by_the_bytes_of_its_raw_files(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day0, all_days = SimpleNamespace(session="day0"), SimpleNamespace()
    before = flow(small_study, monkeypatch)
    asked = before.memory_mb("intake")(day0, 1)
    raw = raw_file(small_study, "day0")
    with raw.open("ab") as file:
        file.write(b"1.25,\n" * 5_000_000)
    after = flow(small_study, monkeypatch)
    per_million = BY_NAME["intake"].needs.mb_per_million * 2
    more = after.memory_mb("intake")(day0, 1) - asked
    assert more == pytest.approx(6 * per_million, abs=2)
    day12 = SimpleNamespace(session="day12")
    assert after.runtime("intake")(day12, 1) == before.runtime("intake")(day12, 1)
    assert after.runtime("effects")(all_days, 1) > before.runtime("effects")(all_days, 1)


def test_small_studies_are_one_job_and_large_ones_a_chain_for_each_session(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    small = flow(small_study, monkeypatch)
    assert {small.group(rule.name)(SimpleNamespace(session="day0")) for rule in RULES} == {SMALL}
    raw = raw_file(small_study, "day12")
    with raw.open("ab") as file:
        file.truncate(1_000_000_000)  # holes: no bytes on the disk
    large = flow(small_study, monkeypatch)

    def group(rule: str, session: str) -> str | None:
        return large.group(rule)(SimpleNamespace(session=session))

    assert group("intake", "day0") == group("quality", "day0") == "measuring"
    assert group("indices", "day0") == "indices"
    assert group("intake", "day12") is None, "it takes minutes by itself"
    assert group("classes", "") is None


# --- what jobs are told ---------------------------------------------------------------------------


def test_what_a_job_is_told_passes_every_shell() -> None:
    given = GivenRun("20260512-080000-abcd", "t1", "/data/a study's $HOME", 'no "day 4"', False)
    text = given.text()
    assert text.replace("-", "").replace("_", "").isalnum()
    assert GivenRun.of_text(text) == given
    assert GivenRun.of_text("title") is None
    assert GivenRun.of_text("") is None


def told(study: Path, **more: Any) -> dict[str, str]:
    given = GivenRun(**{"run": "r1", "token": "t1", "folder": str(study), **more})
    return {JOB_CONFIG: given.text()}


NODE, HEAD = SimpleNamespace(is_main_process=False), SimpleNamespace(is_main_process=True)


def test_a_job_takes_its_run_from_its_arguments_alone(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(events.RUN_VARIABLE, "another")
    monkeypatch.setenv(PARENT_VARIABLE, "1")
    lease = take_lease(small_study, this_machine(), alone_here=True)
    assert lease is not None
    config = told(small_study, token=lease.token, use_store=False)
    call = StudyWorkflow(small_study, config, NODE).step
    assert f"--run r1 --token {lease.token} --no-store" in call
    assert os.environ[events.RUN_VARIABLE] == "r1"
    assert PARENT_VARIABLE not in os.environ
    lease.release()
    with pytest.raises(SystemExit, match=r"\(r1\) no longer holds the study"):
        StudyWorkflow(small_study, config, NODE)


def test_a_job_that_does_not_see_the_study_says_so(small_study: Path, tmp_path: Path) -> None:
    with pytest.raises(SystemExit) as end:
        StudyWorkflow(tmp_path, told(small_study), NODE)
    assert f"{platform.node()} does not see the study folder {small_study}" in str(end.value)


def test_nobody_else_can_pass_a_run(small_study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(events.RUN_VARIABLE, raising=False)
    with pytest.raises(SystemExit, match="settings are read from study"):
        StudyWorkflow(small_study, told(small_study), HEAD)


def test_a_step_of_a_run_that_is_over_does_nothing(
    small_study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(small_study)
    monkeypatch.setenv(events.RUN_VARIABLE, "")
    assert main(["intake", "day0", "--run", "r1", "--token", "t1"]) == 1
    assert not (small_study / "results").exists()


def test_a_task_that_failed_by_its_data_is_not_tried_again(
    small_study: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(small_study)
    for name in (events.RUN_VARIABLE, PARENT_VARIABLE):
        monkeypatch.setenv(name, "")
        monkeypatch.delenv(name)
    raw = raw_file(small_study, "day0")
    raw.write_text("no spectrum", encoding="utf-8")
    lease = take_lease(small_study, this_machine(), alone_here=True)
    assert lease is not None
    arguments = ["intake", "day0", "--run", "r1", "--token", lease.token]
    assert main(arguments) == 2
    assert main(arguments) == 2
    lease.release()
    assert "intake.day0 has failed in this run and would fail again" in capfd.readouterr().err
    states = [line.get("state") for line in events.read_progress(small_study, "r1")[0]]
    assert states.count("started") == 1


@pytest.mark.parametrize(("ahead", "words"), [(-3600.0, "3600 s behind"), (90.0, "90 s ahead of")])
def test_a_node_with_another_clock_is_named(
    small_study: Path, monkeypatch: pytest.MonkeyPatch, ahead: float, words: str
) -> None:
    now = time.time
    monkeypatch.setattr(step.time, "time", lambda: now() + ahead)
    step.warn_of_clock(small_study, "r1", Task("effects"))
    (note,) = [
        line["note"] for line in events.read_progress(small_study, "r1")[0] if "note" in line
    ]
    assert f"the clock of {platform.node()} is {words}" in note
    monkeypatch.undo()
    step.warn_of_clock(small_study, "r2", Task("effects"))
    assert not [line for line in events.read_progress(small_study, "r2")[0] if "note" in line]


# --- what SLURM says ------------------------------------------------------------------------------


def test_jobs_of_a_study_and_of_no_other(fake: Fake, tmp_path: Path) -> None:
    fake(
        "squeue",
        f"""echo '17|RUNNING|leafledger_1|None|{tmp_path}'
            echo '18|PENDING|leafledger_1|Priority|{tmp_path}'
            echo '19|RUNNING|leafledger_2|None|{tmp_path}/other'
            echo '20|RUNNING|simulation|None|{tmp_path}'""",
    )
    assert [job.id for job in jobs_of_study(tmp_path)] == ["17", "18"]
    problem = still_queued(tmp_path)
    assert problem is not None
    assert problem.found == "2 jobs of a run that has died (1 at work, 1 waiting: 17 18)"
    assert "`scancel 17 18`" in problem.mend
    assert why_all_wait(tmp_path) is None
    fake("squeue", f"echo '18|PENDING|leafledger_1|ReqNodeNotAvail|{tmp_path}'")
    assert why_all_wait(tmp_path) == (
        "the cluster has not begun any of 1 jobs yet (ReqNodeNotAvail)"
    )
    fake("scancel", f'echo "$@" >> {tmp_path}/cancelled; rm {tmp_path}/commands/squeue')
    assert cancel_jobs(tmp_path) == ["18"]
    assert (tmp_path / "cancelled").read_text("utf-8") == "18\n"


STATES = [
    ("TIMEOUT", "killed for time (job 17 on n4 asked for 00:10:00)"),
    ("OUT_OF_MEMORY", "killed for memory (job 17 on n4 asked for 500 MB)"),
    ("NODE_FAIL", "lost with its node (job 17 on n4)"),
    ("CANCELLED", "cancelled from outside (scancel; job 17 on n4)"),
    ("PREEMPTED", "put aside for another job (preempted; job 17 on n4)"),
]


@pytest.mark.parametrize(("state", "words"), STATES)
def test_how_a_job_ended(fake: Fake, tmp_path: Path, state: str, words: str) -> None:
    """Fields as ``scontrol show job -o`` of SLURM 22.05 prints them."""
    fake(
        "scontrol",
        f"echo 'JobId=17 JobName=leafledger_1 UserId=root(0) JobState={state} Reason=x "
        "TimeLimit=00:10:00 NodeList=n4 MinCPUsNode=1 MinMemoryNode=500M Features=(null)'",
    )
    (end,) = ends_of(tmp_path, ["17", "17"])
    assert end.is_cut
    assert end.words() == words


@pytest.mark.parametrize(("state", "words"), STATES)
def test_how_a_job_ended_that_only_the_accounts_know(
    fake: Fake, tmp_path: Path, state: str, words: str
) -> None:
    fake("scontrol", "exit 1")
    by = " by 1000" if state == "CANCELLED" else ""
    fake("sacct", f"echo '{state}{by}|n4|500M|00:10:00'")
    (end,) = ends_of(tmp_path, ["17"])
    assert end.words() == words


def test_a_job_killed_for_memory_by_the_kernel_is_known_by_its_log(
    fake: Fake, tmp_path: Path
) -> None:
    """SLURM calls it failed; its own log holds the words of version 22.05."""
    fake("scontrol", "echo 'JobId=17 JobState=FAILED NodeList=n4 MinMemoryNode=2G TimeLimit=1:00'")
    log = tmp_path / "logs/slurm/group_small/17.log"
    log.parent.mkdir(parents=True)
    log.write_text("slurmstepd: error: Detected 1 oom_kill event in StepId=17.0.\n", "utf-8")
    (end,) = ends_of(tmp_path, ["17"])
    assert end.words() == "killed for memory (job 17 on n4 asked for 2048 MB)"


def test_a_failed_job_is_cut_only_if_it_left_no_trace() -> None:
    assert not JobEnd("17", "FAILED", "n4", log="an error of the task itself").is_cut
    unseen = JobEnd("17", "FAILED", "n4")
    assert unseen.is_cut
    assert "that node may not see the study folder" in unseen.words()


def test_what_the_plugin_wrote_of_jobs_that_were_not_taken() -> None:
    """The text of version 2.8.0."""
    said = (
        "SLURM sbatch failed. The error message was 'sbatch: error: invalid partition specified: x"
        "\nsbatch: error: Batch job submission failed: Invalid partition name specified'.\n"
        "    sbatch call:\n        sbatch --parsable\n"
    )
    log = read_plugin_log(said + said)
    assert log.refused == (
        "invalid partition specified: x Batch job submission failed: Invalid partition name "
        "specified",
    )
    assert log.failed == ()

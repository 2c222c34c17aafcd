"""A study on a real SLURM of two nodes, both on this machine: same bytes, kills, refusals.

The daemons are Debian's (slurmctld, slurmd, slurm-client, munge), started here without a service
manager. SLURM's jobs find their configuration in /etc/slurm/slurm.conf only, so these tests need a
machine of their own, such as the build server: they skip where such a file is there that they did
not write, and where the daemons or the right to start them are missing. With LEAFLEDGER_NEEDS_SLURM
set to 1 that is a failure.
"""

from __future__ import annotations

import os
import platform
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from test_same_bytes import digests

from leafledger.records import events
from leafledger.runner.workflow import snakefile

pytestmark = pytest.mark.slow

_CONFIGURATION = Path("/etc/slurm/slurm.conf")
_OURS = "# Written by the tests of leafledger.\n"
_DAEMONS = ("slurmctld", "slurmd", "munged", "sbatch", "squeue", "scancel", "scontrol", "unshare")
_TEXT = """\
ClusterName=leafledger
SlurmctldHost={host}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
MpiDefault=none
ReturnToService=2
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU_Memory
JobAcctGatherType=jobacct_gather/linux
JobAcctGatherFrequency=1
JobAcctGatherParams=OverMemoryKill
AccountingStorageType=accounting_storage/none
JobCompType=jobcomp/none
MinJobAge=300
KillWait=2
SchedulerParameters=sched_interval=1
StateSaveLocation={place}/state
SlurmdSpoolDir={place}/spool-%n
SlurmctldPidFile={place}/slurmctld.pid
SlurmdPidFile={place}/slurmd-%n.pid
SlurmctldLogFile={place}/slurmctld.log
SlurmdLogFile={place}/slurmd-%n.log
NodeName=east NodeHostname={host} NodeAddr=127.0.0.1 Port=17101 CPUs=2 RealMemory=6000
NodeName=west NodeHostname={host} NodeAddr=127.0.0.1 Port=17102 CPUs=2 RealMemory=6000
NodeName=blind NodeHostname={host} NodeAddr=127.0.0.1 Port=17103 CPUs=2 RealMemory=6000
PartitionName=main Nodes=east,west Default=YES MaxTime=INFINITE State=UP
PartitionName=far Nodes=blind MaxTime=INFINITE State=UP
"""


# --- a SLURM --------------------------------------------------------------------------------------


def _unusable() -> str:
    missing = [name for name in _DAEMONS if shutil.which(name) is None]
    if missing:
        return f"{missing[0]} is not installed"
    if os.geteuid():
        return "only root may start the daemons of SLURM"
    if _CONFIGURATION.is_file() and not _CONFIGURATION.read_text("utf-8").startswith(_OURS):
        return f"{_CONFIGURATION} belongs to somebody else"
    return ""


def _start_munge() -> subprocess.Popen[bytes] | None:
    if subprocess.run(["munge", "-n"], capture_output=True, check=False).returncode == 0:
        return None
    subprocess.run(
        ["install", "-d", "-o", "munge", "-g", "munge", "-m", "755", "/run/munge"], check=True
    )
    who = ["setpriv", "--reuid=munge", "--regid=munge", "--clear-groups"]
    return subprocess.Popen([*who, "munged", "--foreground"])


def until(true: Callable[[], Any], seconds: float, what: str) -> None:
    """Wait until something is true."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"{what}: not within {seconds} s"
        time.sleep(0.2)


def _idle_nodes() -> int:
    done = subprocess.run(
        ["sinfo", "-h", "-N", "-o", "%T"], capture_output=True, text=True, check=False
    )
    return done.stdout.split().count("idle")


@pytest.fixture(scope="module")
def blind_to(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder in which the node ``blind`` sees nothing."""
    return tmp_path_factory.mktemp("unseen")


@pytest.fixture(scope="module")
def slurm(tmp_path_factory: pytest.TempPathFactory, blind_to: Path) -> Iterator[Path]:
    """Run a SLURM of three nodes; return its folder of logs."""
    why = _unusable()
    if why and os.environ.get("LEAFLEDGER_NEEDS_SLURM") == "1":
        pytest.fail(f"LEAFLEDGER_NEEDS_SLURM is 1, but {why}")
    if why:
        pytest.skip(why)
    place = tmp_path_factory.mktemp("slurm")
    for name in ("state", "spool-east", "spool-west", "spool-blind"):
        (place / name).mkdir()
    _CONFIGURATION.parent.mkdir(exist_ok=True)
    host = platform.node().split(".")[0]
    _CONFIGURATION.write_text(_OURS + _TEXT.format(host=host, place=place), encoding="utf-8")
    started = [munge] if (munge := _start_munge()) else []
    until(
        lambda: not subprocess.run(["munge", "-n"], capture_output=True, check=False).returncode,
        20,
        "munge",
    )
    started.append(subprocess.Popen(["slurmctld", "-D"], stderr=subprocess.DEVNULL))
    hide = f'mount -t tmpfs none "{blind_to}"; exec slurmd -D -N blind'
    for command in (
        ["slurmd", "-D", "-N", "east"],
        ["slurmd", "-D", "-N", "west"],
        ["unshare", "--mount", "bash", "-c", hide],
    ):
        started.append(subprocess.Popen(command, stderr=subprocess.DEVNULL))
    try:
        until(lambda: _idle_nodes() == 3, 60, "three nodes")
        yield place
    finally:
        subprocess.run(["scancel", "--user", "root"], check=False)
        for process in reversed(started):
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(20)
            process.kill()
            process.wait()
        _CONFIGURATION.unlink()


# --- running on it --------------------------------------------------------------------------------


@pytest.fixture
def nothing_inherited(tmp_path: Path) -> dict[str, str]:
    """Return an environment whose ``sbatch`` hands nothing of the environment to jobs."""
    place = tmp_path / "bin"
    place.mkdir()
    script = place / "sbatch"
    script.write_text(
        "#!/bin/bash\n"
        'for word; do shift; set -- "$@" "${word/#--export=ALL/--export=NONE}"; done\n'
        f'exec {shutil.which("sbatch")} "$@"\n',
        encoding="utf-8",
    )
    script.chmod(0o755)
    inherited = {k: v for k, v in os.environ.items() if not k.startswith("LEAFLEDGER_")}
    return {**inherited, "PATH": f"{place}:{os.environ['PATH']}"}


def start(
    study: Path,
    profile: str | Path = "slurm",
    environment: Mapping[str, str] | None = None,
    *more: str,
) -> subprocess.Popen[str]:
    """Start a run on the cluster."""
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "leafledger.cli", "run", str(study)),
            *("--profile", str(profile), "--cores", "2", *more),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment,
    )


def end_of(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Return exit code and words of a run."""
    told, _ = process.communicate(timeout=540)
    assert "Traceback" not in told
    return process.returncode, told


def jobs(study: Path) -> list[str]:
    done = subprocess.run(
        ["squeue", "-h", "-o", "%i|%Z"], capture_output=True, text=True, check=True
    )
    lines = (line.strip().split("|") for line in done.stdout.splitlines())
    return [number for number, place in lines if place == str(study)]


def running(study: Path) -> dict[str, str]:
    """Return the jobs of a study that run -> their node."""
    done = subprocess.run(
        ["squeue", "-h", "-t", "R", "-o", "%i|%N|%Z"], capture_output=True, text=True, check=True
    )
    lines = (line.strip().split("|") for line in done.stdout.splitlines())
    return {number: node for number, node, place in lines if place == str(study)}


def lines_of_progress(study: Path) -> list[dict[str, Any]]:
    runs = sorted((study / events.EVENTS).glob("*"))
    return [line for run in runs for line in events.read_progress(study, run.name)[0]]


def begun(study: Path, task: str) -> int:
    """Return how often a task has begun in the newest run."""
    runs = sorted((study / events.EVENTS).glob("*"))
    lines = events.read_progress(study, runs[-1].name)[0] if runs else []
    return sum(line.get("task") == task and line.get("state") == "started" for line in lines)


def own_profile(place: Path, more: str) -> Path:
    """Return a profile like the one for SLURM, with more options."""
    text = (snakefile().parent / "workflow/profiles/slurm/config.yaml").read_text("utf-8")
    place.mkdir()
    (place / "config.yaml").write_text(f"{text}\n{more}\n", encoding="utf-8")
    return place


def same_results(study: Path, other: Path) -> None:
    assert digests(study) == digests(other)


def test_same_bytes_though_jobs_inherit_nothing(
    slurm: Path, small_study: Path, small_study_run: Path, nothing_inherited: dict[str, str]
) -> None:
    code, told = end_of(start(small_study, environment=nothing_inherited))
    assert code == 0, told
    assert "17 tasks ran" in told
    assert "[17/17]  report" in told, "progress comes from the nodes"
    same_results(small_study, small_study_run)
    logs = [path.name for path in (small_study / "logs/slurm").rglob("*.log")]
    assert len(logs) == 2, "all before the report is one job, the report another"
    assert not list((small_study / "ledger/lease").glob("job.*"))
    done = subprocess.run(
        [sys.executable, "-m", "leafledger.cli", "status", str(small_study)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "Up to date" in done.stdout


def test_a_job_cancelled_a_head_killed_and_what_the_next_one_does(
    slurm: Path, small_study: Path, small_study_run: Path
) -> None:
    run = start(small_study)
    # A job that somebody cancels is tried once more ...
    until(lambda: begun(small_study, "validation") == 1, 200, "validation begins")
    (number,) = jobs(small_study)
    subprocess.run(["scancel", number], check=True)
    until(
        lambda: any("note" in line for line in lines_of_progress(small_study)), 90, "it is noticed"
    )
    (note,) = [line["note"] for line in lines_of_progress(small_study) if "note" in line]
    assert note.startswith("validation: cancelled from outside (scancel; job ")
    assert note.endswith("; tried once more, asking for more")
    # ... and while it is at work, its run dies.
    until(lambda: begun(small_study, "validation") == 2, 200, "validation begins again")
    run.send_signal(signal.SIGKILL)
    run.wait()
    assert jobs(small_study), "the cluster knows nothing of that"
    code, told = end_of(start(small_study))
    assert code == 2
    assert "jobs at work whose run has died" in told or "1 job of a run that has died" in told
    assert "scancel" in told
    until(lambda: not jobs(small_study), 300, "the job ends")
    code, told = end_of(start(small_study))
    assert code == 0, told
    assert "was interrupted; what it had finished is used" in told
    same_results(small_study, small_study_run)
    ran = [line["task"] for line in lines_of_progress(small_study) if line.get("state") == "done"]
    assert ran.count("intake.day0") == 1, "what was finished is not computed anew"
    assert ran.count("classes") == 1


def test_jobs_cancelled_at_random_cost_no_result(
    slurm: Path,
    small_study: Path,
    small_study_run: Path,
    nothing_inherited: dict[str, str],
) -> None:
    """Somebody's ``scancel`` at any moment, of jobs that inherit nothing; then once more."""
    dice, cancelled, code, told = random.Random(19), 0, 1, ""
    for _ in range(4):
        run = start(small_study, environment=nothing_inherited)
        while run.poll() is None:
            here = running(small_study)
            if here and cancelled < 3:
                time.sleep(dice.uniform(0, 15))
                if now := running(small_study):
                    subprocess.run(["scancel", dice.choice(sorted(now))], check=False)
                    cancelled += 1
            time.sleep(0.5)
        code, ended = end_of(run)
        assert code in {0, 1}, ended
        told += ended
        if code == 0:
            break
        assert "cancelled from outside (scancel; job " in ended
    assert code == 0, told
    assert cancelled == 3
    assert "cancelled from outside (scancel; job " in told
    same_results(small_study, small_study_run)


def test_a_job_killed_for_time_is_named_and_tried_again(
    slurm: Path, ran_study: Path, edit: Callable[[Path, str, str], None]
) -> None:
    before = digests(ran_study)
    edit(ran_study / "study.yaml", "title: ", "title: Another ")
    run = start(ran_study)
    until(lambda: jobs(ran_study) and begun(ran_study, "report") == 1, 200, "the report begins")
    (number,) = jobs(ran_study)
    # What a limit of minutes does in minutes: the job's time is over now.
    subprocess.run(["scontrol", "update", f"JobId={number}", "EndTime=now"], check=True)
    code, told = end_of(run)
    assert code == 0, told
    assert f"report: killed for time (job {number} on " in told
    assert "; tried once more, asking for more" in told
    changed = {name for name, digest in digests(ran_study).items() if before.get(name) != digest}
    assert "results/report.html" in changed and "results/effects.csv" not in changed


def test_variants_run_on_the_cluster_too(slurm: Path, ran_study: Path) -> None:
    path = ran_study / "study.yaml"
    variants = "variants:\n  outliers_out: {quality: {apply: faults_and_outliers}}\n"
    path.write_text(path.read_text("utf-8") + variants, encoding="utf-8")
    before = digests(ran_study)
    code, told = end_of(start(ran_study, "slurm", None, "--variants"))
    assert code == 0, told
    assert "Variant outliers_out: " in told
    table = (ran_study / "results/variants.csv").read_text("utf-8")
    assert "outliers_out" in table and "as_stated" in table
    after = digests(ran_study)
    own = {name for name in before if name.endswith(".csv")} - {"results/variants.csv"}
    assert own and {n: after[n] for n in own} == {n: before[n] for n in own}, "as stated in the end"
    book = [run for run in events.runs(ran_study) if run["outcome"] == "done"]
    assert [run.get("variant") for run in book] == [None, "outliers_out", None]
    assert len(list((ran_study / "logs/slurm").rglob("*.log"))) > 0, "the last run was on it, too"


def test_ctrl_c_cancels_the_jobs(slurm: Path, small_study: Path) -> None:
    run = start(small_study)
    until(lambda: jobs(small_study), 60, "a job")
    run.send_signal(signal.SIGINT)
    code, told = end_of(run)
    assert code == 130
    assert "Interrupted" in told
    assert jobs(small_study) == []


def test_a_job_killed_for_memory_is_named_tried_again_and_ends_the_run(
    slurm: Path, ran_study: Path, edit: Callable[[Path, str, str], None], tmp_path: Path
) -> None:
    edit(ran_study / "study.yaml", "title: ", "title: Another ")
    little = own_profile(tmp_path / "little", "set-resources:\n  - report:mem_mb=90")
    code, told = end_of(start(ran_study, little))
    assert code == 1
    assert "report: killed for memory (job " in told
    assert "asked for 90 MB); tried once more" in told
    assert "at the second try as at the first" in told


def test_a_node_that_does_not_see_the_study_is_told(
    slurm: Path,
    small_study_run: Path,
    blind_to: Path,
    edit: Callable[[Path, str, str], None],
    tmp_path: Path,
) -> None:
    study = Path(shutil.copytree(small_study_run, blind_to / "study"))
    edit(study / "study.yaml", "title: ", "title: Another ")
    far = own_profile(tmp_path / "far", "default-resources:\n  - slurm_partition=far")
    code, told = end_of(start(study, far))
    assert code == 1
    assert "that node may not see the study folder" in told


def test_a_job_that_the_cluster_does_not_take_is_told(
    slurm: Path, ran_study: Path, edit: Callable[[Path, str, str], None], tmp_path: Path
) -> None:
    edit(ran_study / "study.yaml", "title: ", "title: Another ")
    huge = own_profile(tmp_path / "huge", "set-resources:\n  - report:mem_mb=900000")
    code, told = end_of(start(ran_study, huge))
    assert code == 1
    assert "the cluster does not take its jobs: " in told
    assert "tried once more" not in told

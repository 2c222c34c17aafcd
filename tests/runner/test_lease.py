"""The lease of a study: one run at a time over machines whose locks and clocks are not shared."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.runner import lease as leases
from leafledger.runner.lease import (
    FOLDER,
    JobAtWork,
    Lease,
    Machine,
    is_current,
    jobs_at_work,
    jobs_cut_off,
    take_lease,
    this_machine,
)
from leafledger.runner.study_folder import hold_study, is_held, study_lock

BEAT, STALE = 0.1, 1.0
EAST, WEST = Machine("east", "boot-east"), Machine("west", "boot-west")


def take(folder: Path, machine: Machine, alone_here: bool = False) -> Lease:
    lease = take_lease(folder, machine, alone_here=alone_here, beat_s=BEAT, stale_s=STALE)
    assert lease is not None
    return lease


def die(lease: Lease) -> None:
    """End a lease as kill -9 would: no sign of life any more, and its file stays."""
    lease.stop()


def test_a_second_machine_is_refused_while_the_first_gives_signs_of_life(tmp_path: Path) -> None:
    lease = take(tmp_path, EAST)
    lease.name_run("20260512-080000-abcd")
    with pytest.raises(InputFault, match=r"run 20260512-080000-abcd \(process \d+ on east, since"):
        take(tmp_path, WEST)
    lease.release()
    other = take(tmp_path, WEST)
    assert not is_current(tmp_path, lease.token)
    assert is_current(tmp_path, other.token)
    other.release()


def test_a_dead_owner_is_followed_after_it_was_silent_for_long_enough(tmp_path: Path) -> None:
    die(take(tmp_path, EAST))
    began = time.monotonic()
    other = take(tmp_path, WEST)
    assert STALE <= time.monotonic() - began < 5 * STALE
    other.release()


def test_a_dead_owner_of_this_machine_is_followed_at_once(tmp_path: Path) -> None:
    die(take(tmp_path, EAST))
    began = time.monotonic()
    take(tmp_path, EAST, alone_here=True).release()
    assert time.monotonic() - began < STALE / 2


@pytest.mark.parametrize("ahead_s", [-86_400.0, 86_400.0])
def test_a_clock_that_differs_by_a_day_neither_revives_nor_kills(
    tmp_path: Path, ahead_s: float
) -> None:
    """The date of the file says nothing; that it changes, or does not, says all."""
    lease = take(tmp_path, EAST)
    path = next(p for p in (tmp_path / FOLDER).iterdir() if p.name.isdigit())
    beat = os.utime

    def by_another_clock(target: Path) -> None:
        beat(target, (time.time() + ahead_s, time.time() + ahead_s))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(leases.os, "utime", by_another_clock)
        time.sleep(3 * BEAT)
        assert abs(path.stat().st_mtime - time.time() - ahead_s) < 60
        with pytest.raises(InputFault, match="another run"):
            take(tmp_path, WEST)
        die(lease)
        take(tmp_path, WEST).release()


def test_an_owner_that_stood_still_and_was_followed_notices(tmp_path: Path) -> None:
    lease = take(tmp_path, EAST)
    die(lease)  # stopped, as by a laptop that sleeps
    other = take(tmp_path, WEST)
    assert not lease.lost
    lease.beat()
    assert lease.lost
    lease.name_run("r1")
    lease.release()
    assert is_current(tmp_path, other.token), "it must not harm the one that followed"
    other.release()


def test_a_full_disk_has_room_for_giving_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lease = take(tmp_path, EAST)

    def full(*_: object, **__: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(leases.os, "write", full)
        lease.name_run("r1")
        assert take_lease(tmp_path, EAST, alone_here=True) is None, "room must be made somehow"
        lease.release()
    assert not [p for p in (tmp_path / FOLDER).iterdir() if p.name.startswith(".")]
    began = time.monotonic()
    take(tmp_path, WEST).release()
    assert time.monotonic() - began < STALE / 2


def test_a_file_system_without_hard_links_is_held_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(leases.os, "link", no_links)
    lease = take(tmp_path, EAST)
    with pytest.raises(InputFault, match="on east"):
        take(tmp_path, WEST)
    lease.release()


def test_a_number_made_late_is_withdrawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A slow process saw lease 1 dead; meanwhile 2 was taken, given up, and 3 taken."""
    die(take(tmp_path, EAST))
    made = leases._make
    later: list[Lease] = []

    def slow(path: Path, owner: leases.Owner) -> bool:
        if not later:
            later.append(take_in_between())
        return made(path, owner)

    def take_in_between() -> Lease:
        with monkeypatch.context() as patch:
            patch.setattr(leases, "_make", made)
            take(tmp_path, WEST).release()
            return take(tmp_path, WEST)

    monkeypatch.setattr(leases, "_make", slow)
    with pytest.raises(InputFault, match="on west"):
        take(tmp_path, EAST, alone_here=True)
    numbers = [p.name for p in (tmp_path / FOLDER).iterdir() if p.name.isdigit()]
    assert numbers == ["00000003"]
    later[0].release()


_CONTENDER = """
import sys, time
from pathlib import Path
from leafledger.errors import InputFault
from leafledger.runner.lease import Machine, take_lease
folder, name, until = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
while time.time() < until:
    pass
wins = 0
for _ in range(int(sys.argv[4])):
    try:
        lease = take_lease(
            folder, Machine(name, name), alone_here=False, beat_s=0.1, stale_s=float(sys.argv[5])
        )
    except InputFault:
        continue
    wins += 1
    mine = folder / f"inside.{name}"
    mine.touch()
    others = [p.name for p in folder.glob("inside.*") if p != mine]
    if sys.argv[6] == "until told":
        while not (folder / "stop").exists():
            time.sleep(0.05)
    others += [p.name for p in folder.glob("inside.*") if p != mine]
    mine.unlink()
    if others:
        print("TWO AT ONCE", name, others)
    lease.release()
print("wins", wins)
"""


def contend(folder: Path, n: int, rounds: int, stale: float, how: str) -> list[str]:
    """Let many processes, each on a machine of its own, try to hold a study at one moment.

    ``until told``: who holds it goes on until all others have given up.
    """
    until = time.time() + 2.5
    started = [
        subprocess.Popen(
            [
                *(sys.executable, "-c", _CONTENDER, str(folder), f"node{i}", str(until)),
                *(str(rounds), str(stale), how),
            ],
            stdout=subprocess.PIPE,
            text=True,
        )
        for i in range(n)
    ]
    patience = time.monotonic() + 60
    while sum(one.poll() is None for one in started) > 1 and time.monotonic() < patience:
        time.sleep(0.1)
    (folder / "stop").touch()
    return [process.communicate(timeout=120)[0] for process in started]


@pytest.mark.slow
def test_of_many_that_start_at_once_exactly_one_wins(tmp_path: Path) -> None:
    told = contend(tmp_path, n=8, rounds=1, stale=5.0, how="until told")
    assert "TWO" not in "".join(told)
    assert sorted(told) == ["wins 0\n"] * 7 + ["wins 1\n"]


@pytest.mark.slow
def test_of_many_that_take_over_from_a_dead_one_exactly_one_wins(tmp_path: Path) -> None:
    die(take(tmp_path, EAST))
    told = contend(tmp_path, n=12, rounds=1, stale=5.0, how="until told")
    assert sorted(told) == ["wins 0\n"] * 11 + ["wins 1\n"]


@pytest.mark.slow
def test_in_a_long_scramble_no_two_hold_the_study_at_once(tmp_path: Path) -> None:
    told = contend(tmp_path, n=8, rounds=60, stale=5.0, how="at once")
    assert "TWO" not in "".join(told), told
    assert sum(int(text.split()[1]) for text in told) >= 8


# --- jobs -----------------------------------------------------------------------------------------


@pytest.fixture
def sleeper() -> Iterator[subprocess.Popen[bytes]]:
    """A process of ours, as a task on this machine is one."""
    process = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)", "leafledger"])
    yield process
    process.kill()
    process.wait()


def job_file(folder: Path, token: str, machine: Machine, pid: int) -> Path:
    path = folder / FOLDER / f"job.{token}.classes"
    owner = {
        "host": machine.host,
        "machine": machine.identity,
        "pid": pid,
        "token": token,
        "started": "2026-05-12T08:00:00",
        "task": "classes",
        "cluster_job": "17",
    }
    path.write_text(json.dumps(owner), encoding="utf-8")
    return path


def test_jobs_that_outlive_their_run_are_named_with_how_to_end_them(
    tmp_path: Path, sleeper: subprocess.Popen[bytes]
) -> None:
    lease = take(tmp_path, this_machine())
    lease.name_run("r7")
    die(lease)
    job_file(tmp_path, lease.token, this_machine(), sleeper.pid)
    with pytest.raises(InputFault) as refused:
        take(tmp_path, this_machine(), alone_here=True)
    (problem,) = refused.value.problems
    assert problem.found.startswith("jobs at work whose run has died (run r7 (process")
    assert problem.found.endswith(f"classes on {this_machine().host}")
    assert "`scancel 17`" in problem.mend
    sleeper.kill()
    sleeper.wait()
    began = time.monotonic()
    take(tmp_path, this_machine(), alone_here=True).release()
    assert time.monotonic() - began < STALE / 2, "this machine knows at once"


def test_a_job_of_another_machine_is_known_by_its_heartbeat(tmp_path: Path) -> None:
    (tmp_path / FOLDER).mkdir(parents=True)
    path = job_file(tmp_path, "abc", WEST, 1)
    over = threading.Event()

    def beat() -> None:
        while not over.wait(BEAT):
            os.utime(path)

    beating = threading.Thread(target=beat)
    beating.start()
    assert [job.task for job in jobs_at_work(tmp_path, EAST, STALE)] == ["classes"]
    over.set()
    beating.join()
    assert jobs_at_work(tmp_path, EAST, STALE) == []
    assert not path.exists()


def test_a_job_that_ends_leaves_nothing_and_one_that_is_killed_its_name(tmp_path: Path) -> None:
    lease = take(tmp_path, this_machine())
    with JobAtWork(tmp_path, lease.token, "indices.day0"):
        assert [job.task for job in jobs_at_work(tmp_path, this_machine())] == []  # this is pytest
        with JobAtWork(tmp_path, lease.token, "effects", beat_s=BEAT):
            assert len(list((tmp_path / FOLDER).glob("job.*"))) >= 1
    assert not list((tmp_path / FOLDER).glob("job.*"))
    job_file(tmp_path, lease.token, WEST, 1)
    assert [job.task for job in jobs_cut_off(tmp_path, lease.token)] == ["classes"]
    assert not list((tmp_path / FOLDER).glob("job.*"))
    lease.release()


def test_a_job_waits_for_a_lease_that_its_machine_does_not_show_yet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A network file system may show the folder as it was, to a machine that looked before."""
    take(tmp_path, EAST).release()
    lease = take(tmp_path, EAST)
    shown, seen = leases._numbers, [[1], [1]]
    (tmp_path / FOLDER / "00000001").write_bytes(b"{")
    monkeypatch.setattr(leases, "_numbers", lambda place: seen.pop() if seen else shown(place))
    assert is_current(tmp_path, lease.token, patience_s=10)
    monkeypatch.undo()
    lease.release()
    began = time.monotonic()
    assert not is_current(tmp_path, lease.token, patience_s=10)
    assert time.monotonic() - began < 5, "one that was given up is not waited for"


# --- together with the lock of this machine -------------------------------------------------------


def test_this_machine_leaves_one_byte_and_waits_for_nothing(small_study: Path) -> None:
    began = time.monotonic()
    for _ in range(3):
        with study_lock(small_study) as held:
            assert held.token
            assert is_held(small_study)
        assert not is_held(small_study)
    assert time.monotonic() - began < 5
    (left,) = (small_study / FOLDER).iterdir()
    assert left.stat().st_size == 1


def test_another_machine_at_work_is_seen_and_refuses(
    small_study: Path,
) -> None:
    lease = take(small_study, WEST)
    assert is_held(small_study)
    with pytest.raises(InputFault, match="another run at work on this study: a leafledger process"):
        hold_study(small_study)
    lease.release()
    assert not is_held(small_study)
    hold_study(small_study).let_go()

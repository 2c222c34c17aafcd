"""Who holds a study, on whichever machine: the lease of a run, and what its jobs leave beside it.

The lock of a file holds one machine, as long as the process lives; many shared file systems keep
it from others. So whoever holds a study also writes a lease into it, which every machine sees.

The file with the highest number in ``ledger/lease`` is the lease. It names its owner, and the owner
gives it a new date every few seconds: the heartbeat. Nobody compares that date with a clock of his
own, which may differ. Another process looks whether the date changes while it waits.

1. A lease is taken by making the file with the next number. The file is written under another name
   and given its own by a hard link, which fails if the number is there: of many who try at once,
   on whatever machines, one wins.
2. The newest file is never removed, so that a number is never given twice. A lease is given up by
   cutting its file down to one byte, for which a full disk has room.
3. Whoever took a lease looks once more whether its number is the highest: a slow process may have
   made a number that was given up and removed meanwhile. It then withdraws.
4. Jobs on other machines carry the token of their lease. One that begins under a lease that is no
   more the newest does nothing. One at work leaves a file with a heartbeat of its own, so that a
   later run does not begin beside it even if the run that started it has died.
"""

from __future__ import annotations

import errno
import json
import os
import platform
import secrets
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import TracebackType

from leafledger.errors import InputFault, Problem
from leafledger.records.events import now
from leafledger.study.table_files import not_through_a_link, remove_file

FOLDER = "ledger/lease"
BEAT_S = 5.0
"""Seconds between two heartbeats."""
STALE_S = 30.0
"""Seconds without a heartbeat after which an owner or a job counts as dead."""
_LOOK_S = 0.25
_JOB = "job."
_GIVEN_UP = 1
"""Size in bytes of a lease that was given up."""
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT)

# --- who ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Machine:
    """One machine, as its processes see it.

    Attributes
    ----------
    host
        Its name, for a person.
    identity
        What no other machine has: the id of this start of the kernel and the space in which
        processes are numbered. Two machines may bear one name, and one a new name.
    """

    host: str
    identity: str


def this_machine() -> Machine:
    """Return the machine that this process runs on."""
    host = platform.node() or "unknown"
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return Machine(host, f"{boot} {Path('/proc/self/ns/pid').readlink()}")
    except (OSError, ValueError):
        return Machine(host, host)


@dataclass(frozen=True)
class Owner:
    """Who holds a study, or which job works on it.

    Attributes
    ----------
    host, machine
        Name and identity of the machine.
    pid
        Number of the process on it.
    token
        What its jobs carry: the number of the lease, and random digits.
    started
        When it began, by its own clock: for a person only.
    run
        Id of the run, once there is one.
    task
        Name of the task, for a job.
    cluster_job
        Id of the scheduler's job, for a job.
    """

    host: str
    machine: str
    pid: int
    token: str
    started: str
    run: str | None = None
    task: str | None = None
    cluster_job: str | None = None

    def words(self) -> str:
        """Return who it is, for a person."""
        run = f"run {self.run}" if self.run else "a leafledger process"
        return f"{run} (process {self.pid} on {self.host}, since {self.started[:19]})"


def new_owner(machine: Machine) -> Owner:
    """Return this process as an owner, with a new token."""
    return Owner(machine.host, machine.identity, os.getpid(), secrets.token_hex(6), now())


def _read(path: Path) -> Owner | None:
    """Return who wrote a file; ``None`` if it was given up, is gone or cannot be read."""
    try:
        value = json.loads(path.read_text(encoding="utf-8"))
        return Owner(**value)
    except (OSError, ValueError, TypeError):
        return None


def _text(owner: Owner) -> bytes:
    return json.dumps(asdict(owner), sort_keys=True).encode("utf-8") + b"\n"


# --- files with a heartbeat -----------------------------------------------------------------------


def _date(path: Path) -> tuple[int, int, int] | None:
    """Return what changes with a heartbeat, ``None`` if the file is gone.

    The file is opened first: only then does a network file system ask its server.
    """
    try:
        with path.open("rb") as file:
            seen = os.fstat(file.fileno())
    except OSError:
        return None
    return seen.st_mtime_ns, seen.st_size, seen.st_ino


def _silent(paths: Sequence[Path], seconds: float) -> list[Path]:
    """Return which of some files show no heartbeat for so long; ends early if all show one."""
    first = {path: _date(path) for path in paths}
    still = list(paths)
    until = time.monotonic() + seconds
    while still and time.monotonic() < until:
        time.sleep(min(_LOOK_S, seconds / 4))
        still = [path for path in still if _date(path) == first[path]]
    return still


class _Heartbeat:
    """Gives a file a new date every few seconds, from a thread, until it is stopped."""

    def __init__(self, path: Path, beat_s: float) -> None:
        self._path, self._beat_s = path, beat_s
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go_on, daemon=True, name="heartbeat")
        self._thread.start()

    def _go_on(self) -> None:
        while not self._over.wait(self._beat_s):
            # A file system that is away for a while is no reason to end: it is tried again.
            with suppress(OSError):
                self.beat()

    def beat(self) -> None:
        # Without a date of its own: a network file system then takes that of its server.
        os.utime(self._path)

    def stop(self) -> None:
        self._over.set()
        self._thread.join()


def _write_beside(path: Path, owner: Owner) -> Path:
    """Write a file under a name that nobody else uses, and return it."""
    temporary = not_through_a_link(path.with_name(f".{path.name}.{secrets.token_hex(6)}.tmp"))
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    try:
        os.write(handle, _text(owner))
        os.fsync(handle)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise
    finally:
        os.close(handle)
    return temporary


# --- the lease ------------------------------------------------------------------------------------


def _numbers(lease_folder: Path) -> list[int]:
    """Return the numbers of the leases that are there, the highest last."""
    try:
        names = [path.name for path in lease_folder.iterdir()]
    except OSError:
        return []
    return sorted(int(name) for name in names if name.isdigit())


def _path(lease_folder: Path, number: int) -> Path:
    return lease_folder / f"{number:08d}"


def _newest(lease_folder: Path) -> tuple[int, Owner | None]:
    """Return number and owner of the newest lease; 0 if there is none, no owner if given up."""
    numbers = _numbers(lease_folder)
    if not numbers:
        return 0, None
    path = _path(lease_folder, numbers[-1])
    seen = _date(path)
    if seen is None or seen[1] == _GIVEN_UP:
        return numbers[-1], None
    # A file without an owner that can be read is one that is being written, or was damaged.
    return numbers[-1], _read(path) or Owner("unknown", "unknown", 0, "", "an unknown time")


class Lease(_Heartbeat):
    """A study that is held; give it up with :meth:`release`.

    Parameters
    ----------
    place
        The folder of the leases.
    number
        Number of this one.
    owner
        Who holds it.
    beat_s
        Seconds between two heartbeats.
    """

    def __init__(
        self, lease_folder: Path, number: int, owner: Owner, beat_s: float = BEAT_S
    ) -> None:
        self._place, self._number, self.owner = lease_folder, number, owner
        self.lost = False
        super().__init__(_path(lease_folder, number), beat_s)

    @property
    def token(self) -> str:
        """What jobs carry that work under this lease."""
        return self.owner.token

    def beat(self) -> None:
        """Give a sign of life, unless somebody else has taken the study meanwhile."""
        if self.is_over():
            self.lost = True
            return
        super().beat()

    def is_over(self) -> bool:
        """Tell whether a later lease is there, as after this process stood still for long."""
        numbers = _numbers(self._place)
        return bool(numbers) and numbers[-1] > self._number

    def name_run(self, run: str) -> None:
        """Name the run for others; on a full disk the lease goes without."""
        if self.is_over():
            return
        named = replace(self.owner, run=run)
        with suppress(OSError):
            temporary = _write_beside(_path(self._place, self._number), named)
            temporary.replace(_path(self._place, self._number))
            self.owner = named

    def release(self) -> None:
        """Give the study up; what other machines read is one byte then."""
        self.stop()
        path = _path(self._place, self._number)
        with suppress(OSError, InputFault):
            owner = _read(path)
            if owner is not None and owner.token == self.token:
                os.truncate(not_through_a_link(path), _GIVEN_UP)


def take_lease(
    folder: Path,
    machine: Machine,
    *,
    alone_here: bool,
    beat_s: float = BEAT_S,
    stale_s: float = STALE_S,
    queued: Callable[[], Problem | None] = lambda: None,
) -> Lease | None:
    """Take the lease of a study.

    Parameters
    ----------
    folder
        The study folder.
    machine
        The machine that this process runs on.
    alone_here
        Whether the lock of the file is held, so that no other process of this machine holds the
        study: an owner of this machine is then dead.
    beat_s, stale_s
        Seconds between two heartbeats, and without one until an owner counts as dead.
    queued
        Asked after an owner that died: returns a problem if its jobs wait in a queue.

    Returns
    -------
    Lease or None
        ``None`` if the disk has no room for a lease: what frees room must work then.

    Raises
    ------
    InputFault
        If another process holds the study, has just taken it, or jobs are at work on it.
    OSError
        If the folder cannot be written to.
    """
    lease_folder = not_through_a_link(folder / FOLDER)
    owner = new_owner(machine)
    try:
        lease_folder.mkdir(parents=True, exist_ok=True)
        number, before = _wait_for_death(lease_folder, machine, alone_here, stale_s)
        if at_work := jobs_at_work(folder, machine, stale_s):
            raise InputFault(_jobs_go_on(before, at_work))
        if before is not None and (problem := queued()) is not None:
            raise InputFault(problem)
        owner = replace(owner, token=f"{number + 1}-{owner.token}")
        if not _make(_path(lease_folder, number + 1), owner):
            raise InputFault(_held(_newest(lease_folder)[1]))
    except OSError as error:
        if error.errno in _NO_ROOM:
            return None
        raise
    if _numbers(lease_folder)[-1] != number + 1:
        remove_file(_path(lease_folder, number + 1))
        raise InputFault(_held(_newest(lease_folder)[1]))
    _remove_older(lease_folder, number + 1)
    return Lease(lease_folder, number + 1, owner, beat_s)


def _wait_for_death(
    lease_folder: Path, machine: Machine, alone_here: bool, stale_s: float
) -> tuple[int, Owner | None]:
    """Return number and owner of a lease that nobody holds: given up, or of an owner that died.

    Raises
    ------
    InputFault
        If its owner gives a sign of life.
    """
    while True:
        number, owner = _newest(lease_folder)
        if owner is None or (alone_here and owner.machine == machine.identity):
            return number, owner
        silent = _silent([_path(lease_folder, number)], stale_s)
        again, now_there = _newest(lease_folder)
        if silent and again == number:
            return number, owner
        if not silent and now_there is not None:
            raise InputFault(_held(now_there))


def _make(path: Path, owner: Owner) -> bool:
    """Make a lease, and tell whether this process made it: nobody makes one that is there."""
    temporary = _write_beside(path, owner)
    try:
        os.link(temporary, not_through_a_link(path))
    except (FileExistsError, FileNotFoundError):
        return False
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        return _make_without_links(path, owner)
    finally:
        temporary.unlink(missing_ok=True)
    return True


def _make_without_links(path: Path, owner: Owner) -> bool:
    """Make a lease where the file system knows no hard links; empty, it counts as held."""
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    except FileExistsError:
        return False
    try:
        os.write(handle, _text(owner))
    finally:
        os.close(handle)
    return True


def _remove_older(lease_folder: Path, number: int) -> None:
    for other in _numbers(lease_folder):
        if other < number:
            remove_file(_path(lease_folder, other))


def _held(owner: Owner | None) -> Problem:
    who = "" if owner is None or not owner.token else f": {owner.words()}"
    return Problem(
        file=FOLDER,
        found=f"another run at work on this study{who}",
        expected="one run at a time",
        mend="Wait until it has ended, or end it where it runs (Ctrl-C, or kill with its number); "
        "`leafledger status` says whether it has ended.",
    )


def _jobs_go_on(before: Owner | None, jobs: Sequence[Owner]) -> Problem:
    """Say that the run has died and its jobs have not."""
    run = before.words() if before and before.token else "the run that started them"
    named = ", ".join(f"{job.task} on {job.host}" for job in jobs[:4])
    more = f" and {len(jobs) - 4} more" if len(jobs) > 4 else ""
    ids = " ".join(dict.fromkeys(job.cluster_job for job in jobs if job.cluster_job))
    end = f"`scancel {ids}`" if ids else "kill their processes where they run"
    return Problem(
        file=FOLDER,
        found=f"jobs at work whose run has died ({run}): {named}{more}",
        expected="no job at work on the study when a run begins",
        mend=f"Wait until they have ended: what they finish is used. Or end them: {end}. "
        "Then run again.",
    )


def holder_elsewhere(folder: Path, seconds: float = 1.5 * BEAT_S) -> Owner | None:
    """Return who holds a study on another machine, as far as a heartbeat shows within so long."""
    number, owner = _newest(folder / FOLDER)
    if owner is None or owner.machine == this_machine().identity:
        return None
    return None if _silent([_path(folder / FOLDER, number)], seconds) else owner


def is_current(folder: Path, token: str, patience_s: float = 0.0) -> bool:
    """Tell whether the lease with this token still is the newest: whether its run still holds.

    Parameters
    ----------
    folder, token
        The study folder, and the token.
    patience_s
        How long to wait for a lease that this machine does not see yet: a network file system
        shows a new file late to a machine that looked into the folder a moment ago.
    """
    until = time.monotonic() + patience_s
    while True:
        number, owner = _newest(folder / FOLDER)
        if owner is not None and owner.token == token:
            return True
        if number >= _number_of(token) or time.monotonic() >= until:
            return False
        time.sleep(_LOOK_S)


def _number_of(token: str) -> int:
    """Return the number of the lease that a token names."""
    number = token.partition("-")[0]
    return int(number) if number.isdigit() else 0


# --- jobs under a lease ---------------------------------------------------------------------------


class JobAtWork:
    """Says for the block that a job works on the study, on this machine, under a lease.

    Parameters
    ----------
    folder
        The study folder.
    token
        Token of the lease.
    task
        Name of the task.
    """

    def __init__(self, folder: Path, token: str, task: str, beat_s: float = BEAT_S) -> None:
        machine = this_machine()
        self._path = folder / FOLDER / f"{_JOB}{token}.{task}"
        self._owner = replace(
            new_owner(machine), token=token, task=task, cluster_job=os.environ.get("SLURM_JOB_ID")
        )
        self._beat_s = beat_s
        self._heart: _Heartbeat | None = None

    def __enter__(self) -> JobAtWork:
        # A disk that is full has no room for it; the task says so itself.
        with suppress(OSError):
            _write_beside(self._path, self._owner).replace(not_through_a_link(self._path))
            self._heart = _Heartbeat(self._path, self._beat_s)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._heart is not None:
            self._heart.stop()
            with suppress(OSError):
                remove_file(self._path)


def _job_files(folder: Path, token: str = "") -> list[Path]:
    return sorted((folder / FOLDER).glob(f"{_JOB}{token}*"))


def jobs_at_work(folder: Path, machine: Machine, stale_s: float = STALE_S) -> list[Owner]:
    """Return the jobs at work on a study; files of those that have died are removed.

    On this machine the system says whether a process lives; of others the heartbeat does.
    """
    unsure: list[Path] = []
    at_work: list[Owner] = []
    for path in _job_files(folder):
        job = _read(path)
        if job is None or job.machine != machine.identity or sys.platform != "linux":
            unsure.append(path)
        elif _is_alive(job.pid):
            at_work.append(job)
        else:
            remove_file(path)
    silent = _silent(unsure, stale_s) if unsure else []
    for path in unsure:
        job = _read(path)
        if path in silent:
            remove_file(path)
        elif job is not None:
            at_work.append(job)
    return sorted(at_work, key=lambda job: job.task or "")


def _is_alive(pid: int) -> bool:
    """Tell whether a process of ours has this number; Linux gives numbers anew."""
    try:
        return b"leafledger" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False


def jobs_cut_off(folder: Path, token: str) -> list[Owner]:
    """Return the jobs under a lease that left their file behind, and remove the files.

    Ask only when none of these jobs runs any more: each was killed in the middle of its task.
    """
    cut_jobs = []
    for path in _job_files(folder, token):
        job = _read(path)
        remove_file(path)
        if job is not None:
            cut_jobs.append(job)
    return cut_jobs

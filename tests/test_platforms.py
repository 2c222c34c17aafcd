"""What differs between the systems: locks, groups of processes, signals, memory, keys."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from leafledger import platforms
from leafledger.platforms import (
    CORES_VARIABLE,
    EndedBySignal,
    Keys,
    beside,
    cores_at_hand,
    end_group,
    ended_by_signals,
    keeping_sigterm,
    lock_file,
    peak_memory_bytes,
    start_apart,
)

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="calls of POSIX systems")


def hold(path: Path, seconds: float, ready: Any) -> None:
    with path.open("a+") as handle:
        lock_file(handle, wait=True)
        ready.set()
        time.sleep(seconds)


def test_a_lock_is_let_go_with_its_process(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    ready = multiprocessing.get_context("spawn").Event()
    other = multiprocessing.get_context("spawn").Process(target=hold, args=(path, 600, ready))
    other.start()
    assert ready.wait(60)
    with path.open("a+") as handle:
        with pytest.raises(BlockingIOError):
            lock_file(handle, wait=False)
        with pytest.raises(BlockingIOError):
            lock_file(handle, wait=False, shared=True)
        other.kill()
        lock_file(handle, wait=True)
    other.join()


@POSIX
def test_a_shared_lock_lets_others_share_it(tmp_path: Path) -> None:
    with (tmp_path / "lock").open("a+") as one, (tmp_path / "lock").open() as other:
        lock_file(one, wait=False, shared=True)
        lock_file(other, wait=False, shared=True)


PARENT = """
import subprocess, sys, time
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
print(child.pid, flush=True)
{more}
time.sleep(600)
"""


def is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


@POSIX
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")
@pytest.mark.parametrize(
    ("more", "patience_s", "code"),
    [
        ("", 0.0, -signal.SIGKILL),
        ("", 30.0, -signal.SIGTERM),
        ("import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN)", 1.0, -signal.SIGKILL),
    ],
    ids=["at once", "asked", "asked in vain"],
)
def test_a_group_ends_with_all_that_it_started(more: str, patience_s: float, code: int) -> None:
    command = [sys.executable, "-c", PARENT.format(more=more)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, **start_apart())
    assert process.stdout is not None
    child = int(process.stdout.readline())
    time.sleep(0.3)
    assert os.getpgid(process.pid) == process.pid != os.getpgid(0)
    end_group(process, patience_s)
    assert process.returncode == code
    until = time.monotonic() + 20
    while is_alive(child):
        assert time.monotonic() < until, "the child goes on"
        time.sleep(0.05)
    end_group(process)  # one that has ended already is no error
    process.stdout.close()


@POSIX
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_signal_becomes_an_exception_within_the_block_only(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    with pytest.raises(EndedBySignal) as ended, ended_by_signals():
        os.kill(os.getpid(), number)
        time.sleep(5)
    assert ended.value.exit_code == 128 + number
    assert signal.getsignal(number) == before


def test_what_a_library_sets_for_sigterm_is_put_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    with keeping_sigterm():
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
    assert signal.getsignal(signal.SIGTERM) == before


@pytest.mark.skipif(sys.platform != "linux", reason="the unit of Linux")
def test_memory_is_in_bytes() -> None:
    status = Path("/proc/self/status").read_text()
    peak = int(status.split("VmHWM:")[1].split()[0]) * 1024
    assert 0.9 * peak < peak_memory_bytes() < 1.1 * peak


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux ends a child with its parent")
def test_a_process_can_end_with_its_parent() -> None:
    code = (
        "import subprocess, sys, os, time\n"
        "from leafledger.platforms import start_apart\n"
        "child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(600)'],"
        " **start_apart(ends_with_parent=True))\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(600)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    until = time.monotonic() + 20
    while is_alive(child):
        assert time.monotonic() < until
        time.sleep(0.05)
    parent.stdout.close()


# The branches of Windows and macOS, with stand-ins for the libraries of these systems.
# ----------------------------------------------------------------------


class Locks:
    """Locks of bytes as Windows keeps them: one holder for a byte of a file, by its handle."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        self.held: dict[int, int] = {}
        self.tries = 0
        self.until_free = 10**9

    def locking(self, handle: int, mode: int, n_bytes: int) -> None:
        assert (mode, n_bytes) == (self.LK_NBLCK, 1)
        place = os.lseek(handle, 0, os.SEEK_CUR)
        self.tries += 1
        if self.tries > self.until_free:
            self.held.pop(place, None)
        if self.held.get(place, handle) != handle:
            raise PermissionError(13, "Permission denied")
        self.held[place] = handle


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> Locks:
    locks = Locks()
    keys = SimpleNamespace(kbhit=lambda: True, getwch=lambda: "a")
    library = SimpleNamespace(
        locking=locks.locking, LK_NBLCK=locks.LK_NBLCK, kbhit=keys.kbhit, getwch=keys.getwch
    )
    monkeypatch.setattr(platforms, "sys", SimpleNamespace(platform="win32", stdin=sys.stdin))
    monkeypatch.setattr(platforms.importlib, "import_module", lambda _name: library)
    return locks


def test_on_windows_a_byte_far_behind_the_text_is_locked(tmp_path: Path, windows: Locks) -> None:
    path = tmp_path / "lock"
    path.write_text("owner")
    with path.open("a+") as one, path.open("a+") as other:
        lock_file(one, wait=False)
        assert windows.held == {1 << 30: one.fileno()}
        with pytest.raises(BlockingIOError):
            lock_file(other, wait=False)
        other.seek(0)
        assert other.read() == "owner"  # the text stays readable
        windows.until_free = windows.tries + 3
        lock_file(other, wait=True)
        assert windows.held == {1 << 30: other.fileno()}
    assert path.read_text() == "owner"


def test_on_windows_a_group_is_ended_by_the_tree(
    windows: Locks, monkeypatch: pytest.MonkeyPatch
) -> None:
    commands = []
    monkeypatch.setattr(platforms.subprocess, "run", lambda command, **_: commands.append(command))
    waited = []
    process: Any = SimpleNamespace(pid=77, wait=lambda: waited.append(True))
    end_group(process, 2.0)
    assert commands == [["taskkill", "/F", "/T", "/PID", "77"]]
    assert waited == [True]
    assert start_apart(ends_with_parent=True) == {"creationflags": 0x200}
    assert peak_memory_bytes() == 0
    platforms.end_with_parent(at_once=True)  # nothing can be asked of the kernel there


def test_on_windows_keys_come_one_by_one(windows: Locks) -> None:
    with Keys() as keys:
        assert keys.next_key(0.1) == "a"


def test_macos_counts_memory_in_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    import resource

    monkeypatch.setattr(resource, "getrusage", lambda _who: SimpleNamespace(ru_maxrss=5000))
    monkeypatch.setattr(platforms, "sys", SimpleNamespace(platform="darwin"))
    assert peak_memory_bytes() == 5000
    monkeypatch.setattr(platforms, "sys", SimpleNamespace(platform="linux"))
    assert peak_memory_bytes() == 5000 * 1024
    assert "preexec_fn" in start_apart(ends_with_parent=True)


def test_only_one_module_knows_the_system() -> None:
    source = Path(platforms.__file__).parent
    calls = (
        "import fcntl",
        "import termios",
        "import resource",
        "import msvcrt",
        "killpg",
        "prctl(",
    )
    others = [
        f"{path.relative_to(source)}: {call}"
        for path in source.rglob("*.py")
        if path.name != "platforms.py"
        for call in calls
        if call in path.read_text(encoding="utf-8")
    ]
    assert others == []


# Work beside this process.
# ----------------------------------------------------------------------

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="work is forked on Linux only")


def fail() -> None:
    raise ValueError("no such leaf")


@LINUX
def test_work_beside_is_done_in_another_process_and_sees_what_is_here(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv(CORES_VARIABLE, "2")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})
    large = bytes(range(256)) * 4000  # more than a pipe holds
    found = beside(lambda: (os.getpid(), large), apart=True)
    here = beside(os.getpid, apart=False)
    assert found()[1] == large and found()[0] != os.getpid() == here()
    monkeypatch.setenv(CORES_VARIABLE, "1")
    assert beside(os.getpid, apart=True)() == os.getpid()


@LINUX
def test_what_went_wrong_beside_is_raised_here(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})
    monkeypatch.delenv(CORES_VARIABLE, raising=False)
    with pytest.raises(ValueError, match="no such leaf"):
        beside(fail, apart=True)()
    killed = beside(lambda: os.kill(os.getpid(), signal.SIGKILL), apart=True)
    with pytest.raises(ChildProcessError, match="ended with -9"):
        killed()


def test_no_more_cores_than_given_allowed_and_useful(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(16)), raising=False)
    monkeypatch.setattr(sys, "platform", "linux")
    found = []
    for given in ("3", "64", "", "many", "0"):
        monkeypatch.setenv(CORES_VARIABLE, given)
        found.append(cores_at_hand())
    assert found == [3, 4, 4, 4, 1]
    monkeypatch.setattr(sys, "platform", "darwin")
    assert cores_at_hand() == 1

"""Which calls of the operating system differ between Linux, macOS and Windows?

All of them stand here: locks of files, groups of processes and how they end, work beside this
process, signals, memory, and single keys of a terminal. Every other module is the same everywhere,
but for `runner/workers`: it works on Linux alone and does nothing elsewhere. The calls of Windows
are written after its documentation and tested with a stand-in for its library; nobody has run them
on a real Windows yet (`docs/your_system.md` says what is known to work where).
"""

from __future__ import annotations

import ctypes
import importlib
import os
import pickle
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from types import FrameType
from typing import IO, Any, NoReturn, TypeVar, cast

T = TypeVar("T")

# Locks of files: let go by the system when the process ends, however it ends.
# ----------------------------------------------------------------------

_PLACE = 1 << 30
"""Windows locks bytes, and locked bytes cannot be read by others: one far behind the text is."""
_RETRY_S = 0.1


def lock_file(handle: IO[Any], *, wait: bool, shared: bool = False) -> None:
    """Lock an open file until it is closed.

    Parameters
    ----------
    handle
        The open file.
    wait
        Whether to wait until another process lets it go.
    shared
        Whether others may hold it in the same way. Windows knows no such lock; it is held alone
        there.

    Raises
    ------
    BlockingIOError
        If another process holds it and `wait` is false.
    """
    if sys.platform == "win32":
        _lock_on_windows(handle, wait)
        return
    import fcntl

    kind = fcntl.LOCK_SH if shared else fcntl.LOCK_EX
    fcntl.flock(handle, kind if wait else kind | fcntl.LOCK_NB)


def _lock_on_windows(handle: IO[Any], wait: bool) -> None:
    library = importlib.import_module("msvcrt")
    before = handle.tell()
    try:
        while True:
            handle.seek(_PLACE)
            try:
                library.locking(handle.fileno(), library.LK_NBLCK, 1)
                return
            except OSError as error:
                if not wait:
                    raise BlockingIOError(error.errno, "another process holds the file") from error
                time.sleep(_RETRY_S)
    finally:
        handle.seek(before)


# Processes that are started apart, and how they end.
# ----------------------------------------------------------------------

_NEW_GROUP = 0x00000200
"""``CREATE_NEW_PROCESS_GROUP`` of Windows."""
_PR_SET_PDEATHSIG = 1
_LAST_MOMENTS_S = 1.0
"""Seconds to wait for the last processes of a group that was killed."""


def start_apart(*, ends_with_parent: bool = False) -> dict[str, Any]:
    """Return the arguments of ``Popen`` for a process with a group of its own.

    Ctrl-C at the terminal does not reach it; :func:`end_group` ends it with all that it started.

    Parameters
    ----------
    ends_with_parent
        Whether the kernel asks it to end when this process is killed (Linux only).
    """
    if sys.platform == "win32":
        return {"creationflags": _NEW_GROUP}
    arguments: dict[str, Any] = {"start_new_session": True}
    if ends_with_parent:
        arguments["preexec_fn"] = _ask_to_end_with_parent
    return arguments


def _ask_to_end_with_parent() -> None:
    end_with_parent(at_once=False)


def end_group(process: subprocess.Popen[bytes], patience_s: float = 0.0) -> None:
    """End a process that was started apart, and all that it started, and wait for its end.

    Parameters
    ----------
    process
        Started with :func:`start_apart`.
    patience_s
        Seconds in which it may end by itself once asked to; it is killed after them, or at once if
        zero. Windows cannot ask: there it is killed at once.
    """
    if sys.platform == "win32":
        # Windows keeps no groups that could be ended: its own program walks the tree of children.
        command = ["taskkill", "/F", "/T", "/PID", str(process.pid)]
        subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
        process.wait()
        return
    if patience_s:
        _signal_group(process.pid, signal.SIGTERM)
        with suppress(subprocess.TimeoutExpired):
            process.wait(patience_s)
    _signal_group(process.pid, signal.SIGKILL)
    process.wait()
    until = time.monotonic() + _LAST_MOMENTS_S
    while _is_there(process.pid) and time.monotonic() < until:
        time.sleep(_RETRY_S / 10)  # what it had started is ended, not gone yet


def _is_there(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass  # there, and another user's by now
    return True


def _signal_group(group: int, number: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, number)


def end_with_parent(*, at_once: bool) -> None:
    """Let the kernel end this process when the one that started it ends, killed or not.

    Only Linux can. Elsewhere nothing happens: a task of a run that was killed goes on to its end
    there, and the next run waits for nothing of it.

    Parameters
    ----------
    at_once
        Killed rather than asked to end.
    """
    if sys.platform == "linux":
        number = signal.SIGKILL if at_once else signal.SIGTERM
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, number)


# Work beside this process, in a fork of it.
# ----------------------------------------------------------------------

CORES_VARIABLE = "LEAFLEDGER_CORES"
"""Names the cores that a run may use, for the tasks that it starts."""
_MOST_CORES = 4


def cores_at_hand() -> int:
    """Return how many cores a task that has them to itself may use; 1 where work cannot be forked.

    Those that the run was given, else those that the system lets this process use; no more than
    four, beyond which our work beside gains nothing.
    """
    if sys.platform != "linux":
        return 1
    allowed = len(os.sched_getaffinity(0))
    given = os.environ.get(CORES_VARIABLE, "")
    return max(1, min(allowed, int(given) if given.isdigit() else allowed, _MOST_CORES))


def beside(work: Callable[[], T], *, apart: bool) -> Callable[[], T]:
    """Begin a piece of work in a fork of this process; return what waits for its result.

    The fork sees everything as it is now and changes nothing here; its result comes back through a
    pipe, pickled. It ends with this process, however that ends.

    Parameters
    ----------
    work
        Takes nothing, and returns what can be pickled.
    apart
        Whether to fork. If not, and where only one core is at hand, the work is done in this
        process when its result is first asked for.

    Returns
    -------
    callable
        Returns the result, the same each time. It raises what the work raised;
        ``ChildProcessError`` if the fork was ended from outside.

    Examples
    --------
    >>> total = beside(lambda: sum(range(5)), apart=True)
    >>> total()
    10
    """
    if not apart or cores_at_hand() == 1:
        return cache(work)
    reads, writes = os.pipe()
    sys.stdout.flush()
    sys.stderr.flush()
    parent = os.getpid()
    child = os.fork()
    if child == 0:
        os.close(reads)
        _answer(work, writes, parent)  # never comes back
    os.close(writes)

    @cache
    def wait() -> T:
        with os.fdopen(reads, "rb") as pipe:
            content = pipe.read()
        _, status = os.waitpid(child, 0)
        if status != 0:
            code = os.waitstatus_to_exitcode(status)
            raise ChildProcessError(0, f"a process that worked beside this one ended with {code}")
        done, result = pickle.loads(content)  # noqa: S301 - our own fork wrote it
        if not done:
            raise result
        return cast(T, result)

    return wait


def _answer(work: Callable[[], Any], writes: int, parent: int) -> NoReturn:
    """Do the work of a fork, send its result or what it raised, and end without any clean-up."""
    code = 1
    try:
        end_with_parent(at_once=True)
        if os.getppid() == parent:
            try:
                answer = pickle.dumps((True, work()))
            except Exception as error:  # noqa: BLE001  it is raised in the process that waits
                error.add_note(traceback.format_exc())
                answer = pickle.dumps((False, error))
            with os.fdopen(writes, "wb") as pipe:
                pipe.write(answer)
            code = 0
    finally:
        os._exit(code)


# Signals that ask this process to end.
# ----------------------------------------------------------------------


class EndedBySignal(Exception):
    """A signal other than Ctrl-C has asked this process to end."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number

    @property
    def exit_code(self) -> int:
        """The exit code by which a shell knows an end by this signal."""
        return 128 + self.number


@contextmanager
def ended_by_signals() -> Iterator[None]:
    """Turn the signals that end a command into :class:`EndedBySignal` within the block."""

    def end(number: int, _frame: FrameType | None) -> None:
        raise EndedBySignal(number)

    named = [getattr(signal, name, None) for name in ("SIGTERM", "SIGHUP")]  # no SIGHUP on Windows
    before = {number: signal.signal(number, end) for number in named if number is not None}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def keeping_sigterm() -> Iterator[None]:
    """Put back what SIGTERM does when the block ends: a library within it may set its own."""
    handler = signal.getsignal(signal.SIGTERM)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, handler)


# Memory.
# ----------------------------------------------------------------------


def peak_memory_bytes() -> int:
    """Return the most memory that this process held so far, bytes; 0 where it is not known.

    Linux says it in kibibytes and macOS in bytes (their manual pages of ``getrusage``). Windows
    has no such call in Python's library.
    """
    if sys.platform == "win32":
        return 0
    import resource

    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(most) if sys.platform == "darwin" else int(most) * 1024


# Single keys of a terminal.
# ----------------------------------------------------------------------


class Keys:
    """Single keys of the terminal, without Enter; the terminal is put back by the end of a block.

    Examples
    --------
    A loop that listens::

        with Keys() as keys:
            while going_on():
                key = keys.next_key(0.3)
    """

    def __init__(self) -> None:
        self._before: Any = None

    def __enter__(self) -> Keys:
        if sys.platform != "win32":
            import termios
            import tty

            self._before = termios.tcgetattr(sys.stdin.fileno())
            tty.setcbreak(sys.stdin.fileno())
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            import termios

            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)

    def next_key(self, seconds: float) -> str | None:
        """Return the key pressed within so many seconds; ``None`` for none, ``""`` at the end."""
        if sys.platform == "win32":
            return _key_on_windows(seconds)
        import select

        ready, _, _ = select.select([sys.stdin], [], [], seconds)
        return sys.stdin.read(1) if ready else None

    def asked(self, show: Callable[[], None]) -> str:
        """Return a line that a person types, shown while it is typed.

        Parameters
        ----------
        show
            Prints what is asked for.
        """
        if self._before is None:
            show()
            return sys.stdin.readline().strip()
        import termios

        handle = sys.stdin.fileno()
        single = termios.tcgetattr(handle)
        lines = termios.tcgetattr(handle)
        lines[3] |= termios.ICANON | termios.ECHO
        termios.tcsetattr(handle, termios.TCSADRAIN, lines)
        try:
            show()
            return sys.stdin.readline().strip()
        finally:
            termios.tcsetattr(handle, termios.TCSADRAIN, single)


def _key_on_windows(seconds: float) -> str | None:
    library = importlib.import_module("msvcrt")
    until = time.monotonic() + seconds
    while not library.kbhit():
        if time.monotonic() > until:
            return None
        time.sleep(_RETRY_S / 2)
    return str(library.getwch())

"""How does a further task of a run cost little: one process has imported once, and forks for each?

A task in a Python of its own imports NumPy, pandas, pyarrow and more before it does anything: 0.4
to 2 s of processor time, whatever it has to do. A run therefore keeps one *server*, a process that
imports what tasks need and runs none itself. The command of a rule is a small *client*, this file
run as a script, which imports nothing of the package. It hands its folder, its environment and its
standard streams to the server; the server forks a *worker*, which does the step as its own process
would, and reports how it ended. The client ends in the same way, by the same code or signal, so
that Snakemake sees no difference.

Each task keeps a process of its own, and what holds of it in the plain way holds here:

- A worker that is killed, or takes too much memory, ends alone; the client ends by the same signal.
- A client that is killed takes its worker with it: the server sees the connection end.
- A server that is killed takes its workers with it (the kernel ends them with their parent), and
  clients at work end with an error. Later ones find no server and take the plain way.
- The server ends with the run's child process, and that with the run.
- Nothing passes from one task to the next: the server has run no task, opened no file of the study
  and started no thread. It forks only while it has a single thread. Random numbers are seeded anew.
- The code that runs is the code on disk: the server refuses once a source file of the package, or
  what is installed beside it, is not what it was when the server began.

Whatever does not fit is refused, and the client then becomes a plain step. Only Linux ends a
process with its parent and names sockets without a file, so elsewhere all is done in the plain way;
so it is under plain Snakemake and on a cluster, where no server is named.

The socket has a name of Linux's abstract kind: it vanishes with the server, so that a killed run
leaves nothing behind, and the length of a path does not matter. Both ends ask the kernel for the
other's user and talk to their own alone.
"""

from __future__ import annotations

import os
import selectors
import signal
import socket
import sys
from functools import partial

TYPE_CHECKING = False  # the client does without the module `typing`
if TYPE_CHECKING:
    import subprocess
    from collections.abc import Callable, Iterable, Mapping

VARIABLE = "LEAFLEDGER_WORKERS"
"""Names the socket of the run's server, for the jobs that this process starts on this machine."""
_LIBRARIES = ("OPENBLAS", "OMP", "MKL", "GOTO", "NUMEXPR", "VECLIB_MAXIMUM")
THREADS = {f"{name}_THREADS" if "_" in name else f"{name}_NUM_THREADS": "1" for name in _LIBRARIES}
"""Linear algebra gets one thread, which must be said before Python loads it. Snakemake says the
same, under these names, to each of its jobs."""
STEP = "leafledger.runner.step"

_WITHOUT_THREADS = {"JE_ARROW_MALLOC_CONF": "background_thread:false"}
"""pyarrow brings an allocator that it does not use by default; as it is loaded it starts a thread
unless told not to, and a process with two threads must not be forked."""

_ACCEPTED, _REFUSED = b"a", b"r"
_STREAMS = (0, 1, 2)
_STATUS = 4
"""Bytes of how a worker ended, and of the length of a request."""
_CREDENTIALS = 12
"""Bytes of process, user and group of the other end (``struct ucred`` of Linux)."""


def step_command() -> list[str]:
    """Return the words of the command that does a step: a client where the run has a server."""
    if VARIABLE in os.environ:
        return [sys.executable, "-I", "-S", __file__]
    threads = [f"{name}={n}" for name, n in THREADS.items()]
    return ["env", *threads, sys.executable, "-m", STEP]


# The client: a few lines without any import of the package
# ----------------------------------------------------------------------


def client(arguments: list[str]) -> int:
    """Let the server do a step and return its exit code; become a plain step if it does not.

    Parameters
    ----------
    arguments
        Rule and session, as of the step.
    """
    answer = _answer_of_server(arguments)
    if answer is None:
        command = [sys.executable, "-m", STEP, *arguments]
        os.execve(sys.executable, command, {**os.environ, **THREADS})  # noqa: S606
    return _ended_as(answer)


def _answer_of_server(arguments: list[str]) -> bytes | None:
    """Return how the step ended; ``None`` if no worker has begun it."""
    with socket.socket(socket.AF_UNIX) as connection:
        try:
            connection.connect(_address(os.environ[VARIABLE]))
            if _user_of(connection) != os.getuid():
                return None
            _ask(connection, arguments)
            if connection.recv(1) != _ACCEPTED:
                return None
        except (OSError, KeyError):
            return None  # there is no server, or none any more
        try:
            answer = connection.recv(_STATUS, socket.MSG_WAITALL)
        except OSError:
            return b""
    return None if answer == _REFUSED else answer


def _address(name: str) -> str:
    return f"\0leafledger-{name}"


def _user_of(connection: socket.socket) -> int:
    """Return the user at the other end, by the word of the kernel."""
    credentials = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _CREDENTIALS)
    return int.from_bytes(credentials[4:8], sys.byteorder)


def _ask(connection: socket.socket, arguments: list[str]) -> None:
    """Send what makes this process: streams, folder, mask of new files, environment, arguments."""
    mask = os.umask(0)
    os.umask(mask)
    environment = [b"%b=%b" % pair for pair in os.environb.items()]
    fields = [b"%d" % mask, b"%d" % len(arguments), *map(os.fsencode, arguments), *environment]
    request = b"\0".join(fields)
    folder = os.open(".", os.O_RDONLY | os.O_DIRECTORY)
    socket.send_fds(connection, [len(request).to_bytes(_STATUS, "big")], [folder, *_STREAMS])
    os.close(folder)
    connection.sendall(request)


def _ended_as(answer: bytes) -> int:
    """End as the worker did: return its exit code, or end by the same signal."""
    if len(answer) < _STATUS:
        # Server and worker are both gone: each holds the connection as long as it lives.
        os.write(2, b"the process that forks the tasks of this run was ended, and this task too\n")
        return 1
    status = int.from_bytes(answer, "big")
    if not os.WIFSIGNALED(status):
        return os.waitstatus_to_exitcode(status)
    number = os.WTERMSIG(status)
    if number != signal.SIGKILL:
        signal.signal(number, signal.SIG_DFL)
    os.kill(os.getpid(), number)
    return 128 + number


# The server: it imports, forks and reports
# ----------------------------------------------------------------------

_ALWAYS = ("numpy", "pandas", "pyarrow.parquet", STEP)
_NEEDED = {
    "reflectance": ("scipy.special",),
    "quality": ("scipy.linalg", "scipy.ndimage", "scipy.optimize", "scipy.special"),
    "acceptance": ("scipy.ndimage", "scipy.special"),
    "indices": ("scipy.sparse",),
    "effects": ("scipy.stats",),
    "negative_controls": ("scipy.stats",),
    "classes": ("scipy.stats", "sklearn.cross_decomposition"),
    "rivals": ("scipy.stats", "sklearn.cross_decomposition"),
}
"""What tasks of a rule import inside functions, where several tasks do. What a single task of a run
needs, such as Matplotlib, stays with that task: the server would hold it for nothing."""
_OTHER_VARIABLES = frozenset({"_", "SHLVL", "PWD", "OLDPWD", "TMPDIR", "TEMPDIR", "TMP", "TEMP"})
_OURS = "LEAFLEDGER_"
"""Variables that may differ between server and client: they are read when they are used."""
_PATIENCE_S = 5.0


class Workers:
    """The server of one run, started when it is first wanted and ended with the block.

    Examples
    --------
    In the process that starts the tasks::

        with Workers() as workers:
            workers.start()
    """

    def __init__(self) -> None:
        self._server: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Start the server unless it has been; where there can be none, do nothing."""
        if self._server is not None or sys.platform != "linux" or not hasattr(os, "pidfd_open"):
            return
        import secrets
        import subprocess

        name = secrets.token_hex(16)
        try:
            with socket.socket(socket.AF_UNIX) as listening:
                listening.bind(_address(name))
                listening.listen()
                self._server = subprocess.Popen(
                    [sys.executable, "-m", __name__, str(listening.fileno()), installed_state()],
                    env={**os.environ, **THREADS, **_WITHOUT_THREADS},
                    stdin=subprocess.PIPE,
                    pass_fds=[listening.fileno()],
                )
        except OSError:
            return  # no such sockets, or no further process: every task is a Python of its own
        os.environ[VARIABLE] = name

    def stop(self) -> None:
        """End the server, with any worker that is still there."""
        server, self._server = self._server, None
        os.environ.pop(VARIABLE, None)
        if server is None:
            return
        import subprocess

        if server.stdin is not None:
            server.stdin.close()
        try:
            server.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


class Request:
    """What a client asks for.

    Attributes
    ----------
    mask
        Its mask of new files.
    arguments
        Rule and session.
    environment
        Its environment.
    descriptors
        Its folder and its three streams, open in this process.
    connection
        In a worker the connection to the client, held until the worker ends.
    """

    connection: socket.socket | None = None

    def __init__(self, text: bytes, descriptors: list[int]) -> None:
        mask, n_arguments, *fields = text.split(b"\0")
        n = int(n_arguments)
        self.mask = int(mask)
        self.arguments = [os.fsdecode(field) for field in fields[:n]]
        pairs = (field.partition(b"=") for field in fields[n:])
        self.environment = {os.fsdecode(k): os.fsdecode(value) for k, _, value in pairs}
        self.descriptors = descriptors

    def close(self) -> None:
        """Close what the client lent."""
        for descriptor in self.descriptors:
            os.close(descriptor)
        self.descriptors = []


def received(connection: socket.socket) -> Request | None:
    """Return what a client asks for, ``None`` if it ended before it had said all.

    Raises
    ------
    OSError
        If the client cannot be read.
    """
    head, descriptors, _, _ = socket.recv_fds(connection, _STATUS, 1 + len(_STREAMS))
    length, text = int.from_bytes(head, "big"), bytearray()
    while len(head) == _STATUS and len(text) < length:
        part = connection.recv(length - len(text))
        if not part:
            break
        text += part
    whole = len(head) == _STATUS and len(text) == length
    if whole and len(descriptors) == 1 + len(_STREAMS):
        return Request(bytes(text), descriptors)
    for descriptor in descriptors:
        os.close(descriptor)
    return None


class Server:
    """Takes requests, forks a worker for each, and tells each client how its worker ended.

    Parameters
    ----------
    listening
        The socket on which clients come in.
    state
        What was installed before this process imported anything of it.
    """

    def __init__(self, listening: socket.socket, state: str) -> None:
        self._state = state
        self._environment = {k: v for k, v in os.environ.items() if k not in _WITHOUT_THREADS}
        self._ready: set[str] = set()
        self._listening = listening
        self._waiting = selectors.DefaultSelector()
        self._workers: dict[int, tuple[socket.socket, int]] = {}
        """Process of a worker -> connection of its client, and the descriptor of the process."""
        self._waiting.register(listening, selectors.EVENT_READ, self._come_in)
        self._waiting.register(0, selectors.EVENT_READ, self._end)
        self._over = False
        self._worker: Request | None = None

    def serve(self) -> Request | None:
        """Serve until the run ends; in a worker, return what it has to do.

        Returns
        -------
        Request or None
            The request in a worker, a process of its own; ``None`` in the server, at its end.
        """
        self._import(_ALWAYS)
        while not self._over:
            for key, _ in self._waiting.select():
                key.data()
                if self._worker is not None:
                    return self._worker
        for process, (_, descriptor) in self._workers.items():
            signal.pidfd_send_signal(descriptor, signal.SIGKILL)
            os.waitpid(process, 0)
        return None

    def _end(self) -> None:
        """The process that started this one has ended, or wants no more."""
        self._over = True

    def _come_in(self) -> None:
        connection, _ = self._listening.accept()
        connection.settimeout(_PATIENCE_S)
        request: Request | None = None
        try:
            if _user_of(connection) != os.getuid():
                return connection.close()
            request = received(connection)
            if request is not None and not self._can_do(request):
                request.close()
                request = None
            # Once accepted, the client does not begin by itself any more.
            connection.sendall(_REFUSED if request is None else _ACCEPTED)
        except OSError:
            if request is not None:
                request.close()
            request = None
        if request is None:
            return connection.close()
        self._fork(request, connection)
        return None

    def _can_do(self, request: Request) -> bool:
        """Tell whether a worker forked from here is what a plain step would be."""
        if not self._same_environment(request.environment):
            return False
        if installed_state() != self._state or not self._prepared(request.arguments[0]):
            return False
        return len(os.listdir("/proc/self/task")) == 1  # noqa: PTH208

    def _same_environment(self, environment: Mapping[str, str]) -> bool:
        names = {*environment, *self._environment} - _OTHER_VARIABLES
        environment = {**environment, **THREADS}
        return all(
            environment.get(name) == self._environment.get(name)
            for name in names
            if not name.startswith(_OURS)
        )

    def _prepared(self, rule: str) -> bool:
        """Import what tasks of a rule need, and digest its code; tell whether that went well.

        What goes wrong is met again, and reported, by the plain step.
        """
        if rule in self._ready:
            return True
        from leafledger.records.digests import code_of
        from leafledger.study.rules import BY_NAME

        try:
            module = BY_NAME[rule].module
            self._import((module, *_NEEDED.get(rule, ())))
            code_of(module)
        except Exception:  # noqa: BLE001
            return False
        if installed_state() != self._state:  # changed while it was imported
            return False
        self._ready.add(rule)
        return True

    def _import(self, names: Iterable[str]) -> None:
        import gc
        import importlib

        for name in names:
            importlib.import_module(name)
        # What is loaded stays: no worker's collector need visit it, which would copy its memory.
        gc.collect()
        gc.freeze()

    def _fork(self, request: Request, connection: socket.socket) -> None:
        server = os.getpid()
        try:
            process = os.fork()
        except OSError:
            connection.sendall(_REFUSED)
            request.close()
            return connection.close()
        if process == 0:
            self._let_go()
            request.connection = connection
            become(request, server)
            self._worker = request
            return None
        request.close()
        descriptor = os.pidfd_open(process)
        self._workers[process] = connection, descriptor
        self._waiting.register(connection, selectors.EVENT_READ, partial(self._leave, process))
        self._waiting.register(descriptor, selectors.EVENT_READ, partial(self._report, process))
        return None

    def _let_go(self) -> None:
        """Close in a worker what is the server's."""
        self._waiting.close()
        self._listening.close()
        for connection, descriptor in self._workers.values():
            connection.close()
            os.close(descriptor)
        self._workers = {}

    def _leave(self, process: int) -> None:
        """End the worker of a client that has ended, and look at the connection no more."""
        if process in self._workers:
            connection, descriptor = self._workers[process]
            self._waiting.unregister(connection)
            signal.pidfd_send_signal(descriptor, signal.SIGKILL)

    def _report(self, process: int) -> None:
        connection, descriptor = self._workers.pop(process)
        if connection in self._waiting.get_map():
            self._waiting.unregister(connection)
        self._waiting.unregister(descriptor)
        _, status = os.waitpid(process, 0)
        os.close(descriptor)
        from contextlib import suppress

        with suppress(OSError):  # the client was killed, and its worker for it
            connection.sendall(status.to_bytes(_STATUS, "big"))
        connection.close()


def installed_state() -> str:
    """Return a digest of names, sizes and dates of all files of this package, and of its libraries.

    Of libraries the folders in which they are installed are looked at: installing, renewing or
    removing one changes their dates.
    """
    import hashlib
    from pathlib import Path

    digest = hashlib.sha256()
    for folder, below, names in os.walk(Path(__file__).resolve().parent.parent):
        below[:] = sorted(name for name in below if name != "__pycache__")
        for name in sorted(names):
            path = Path(folder) / name
            status = path.stat()
            digest.update(
                f"{path}\0{status.st_size}\0{status.st_mtime_ns}\0{status.st_ino}\0".encode()
            )
    for entry in sys.path:
        if Path(entry).name in {"site-packages", "dist-packages"} and Path(entry).is_dir():
            digest.update(f"{entry}\0{Path(entry).stat().st_mtime_ns}\0".encode())
    return digest.hexdigest()


def become(request: Request, server: int) -> None:
    """Give a worker, just forked, all that a process started by its client would have.

    Parameters
    ----------
    request
        What the client asks for.
    server
        The process that forked: the worker ends with it.
    """
    from leafledger.runner.step import PARENT_VARIABLE

    folder, *streams = request.descriptors
    os.fchdir(folder)
    for stream, descriptor in zip(_STREAMS, streams, strict=True):
        os.dup2(descriptor, stream)
    request.close()
    os.umask(request.mask)
    os.environ.clear()
    os.environ.update(request.environment | THREADS | {PARENT_VARIABLE: str(server)})
    sys.argv[1:] = request.arguments
    if "numpy.random" in sys.modules:
        sys.modules["numpy.random"].seed()  # Python's own numbers are seeded anew by its fork
    if "tempfile" in sys.modules:
        sys.modules["tempfile"].__dict__["tempdir"] = None  # where it is, is asked anew


def main(listening: int, state: str) -> int:
    """Serve until the run ends; in a worker, do its step and end the process.

    Parameters
    ----------
    listening
        Descriptor of the socket on which clients come in.
    state
        What was installed before this process began.
    """
    from leafledger.runner.step import die_with_parent
    from leafledger.runner.step import main as step

    die_with_parent()
    with socket.socket(fileno=listening) as listener:
        request = Server(listener, state).serve()
    if request is not None:
        _finish(step, request.arguments)
    return 0


def _finish(step: Callable[[list[str]], int], arguments: list[str]) -> None:
    """Do a step and end this process as Python ends one, without taking its modules apart.

    That would touch, and so copy, all the memory that the worker shares with the server: 0.1 s.
    """
    import atexit
    import threading
    import traceback

    code = 1
    try:
        code = step(arguments)
    except SystemExit as ended:
        if isinstance(ended.code, str):
            os.write(2, f"{ended.code}\n".encode())
        code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    except BaseException:  # noqa: BLE001  a worker ends here, whatever happened
        traceback.print_exc()
    threading._shutdown()  # type: ignore[attr-defined]
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), sys.argv[2]) if __package__ else client(sys.argv[1:]))

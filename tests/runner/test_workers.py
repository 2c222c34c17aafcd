"""Workers: each task a process of its own, as if started alone, and none that outlives its run."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from leafledger.runner import workers
from leafledger.runner.run import run_study
from leafledger.runner.workers import VARIABLE, Workers, installed_state, step_command
from leafledger.study.reading import read_study
from leafledger.study.rules import RULES
from leafledger.study.study import tasks

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere there are no workers")
SCRIPTS = Path(__file__).parent / "scripted_steps"
STUBS = Path(__file__).parent / "stub_stages"
SECONDS = 60.0
PYTEST = "PYTEST_CURRENT_TEST"
"""Another text in each part of a test, by which a client would have another environment."""

Start = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def environment(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Let steps, of workers and of plain processes, do what a test says."""
    monkeypatch.setenv("LEAFLEDGER_TEST_SCRIPTS", "1")
    monkeypatch.setenv("PYTHONPATH", str(SCRIPTS))
    monkeypatch.delenv("LEAFLEDGER_RUN", raising=False)
    monkeypatch.delenv("LEAFLEDGER_PARENT", raising=False)
    return monkeypatch


@contextmanager
def workers_started() -> Iterator[Workers]:
    os.environ.pop(PYTEST, None)
    with Workers() as running:
        running.start()
        yield running


@pytest.fixture
def run_workers(environment: pytest.MonkeyPatch) -> Iterator[Workers]:
    with workers_started() as running:
        yield running


def server_of(running: Workers) -> int:
    assert running._server is not None
    return running._server.pid


@pytest.fixture
def start(tmp_path: Path) -> Start:
    """Return a function that starts a step doing what a text says."""

    def one(text: str, **more: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [*step_command(), "catalogue", text],
            cwd=tmp_path,
            env={k: v for k, v in {**os.environ, **more}.items() if k != PYTEST},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    return one


def said(process: subprocess.Popen[str]) -> str:
    """Return what a step printed, once it has ended well."""
    out, err = process.communicate(timeout=SECONDS)
    assert process.returncode == 0, err
    return out.strip()


def wait_until(holds: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + SECONDS
    while not holds():
        assert time.monotonic() < until, what
        time.sleep(0.05)


def is_alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in {"Z", "X"}


PARENT = "import os; print(os.getppid())"
BEAT = """
import os, time, pathlib
pathlib.Path("worker").write_text(str(os.getpid()))
os.replace("worker", "process")
while True:
    pathlib.Path("beat").write_text(str(time.monotonic()))
    time.sleep(0.02)
"""


def process_in(folder: Path) -> int:
    wait_until((folder / "process").is_file, "the step did not begin")
    return int((folder / "process").read_text())


# A worker is what a plain step is
# ----------------------------------------------------------------------


def test_a_step_is_a_worker_of_the_server(run_workers: Workers, start: Start) -> None:
    assert int(said(start(PARENT))) == server_of(run_workers)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("import sys; sys.exit(3)", 3),
        ("import sys; sys.exit(0)", 0),
        ("import sys; sys.exit('words')", 1),
        ("1 / 0", 1),
        ("import os, signal; os.kill(os.getpid(), signal.SIGKILL)", -signal.SIGKILL),
        ("import os, signal; os.kill(os.getpid(), signal.SIGTERM)", -signal.SIGTERM),
        ("import os; os.abort()", -signal.SIGABRT),
    ],
)
def test_it_ends_as_a_plain_step_does(
    run_workers: Workers, start: Start, text: str, code: int
) -> None:
    one = start(text)
    out, err = one.communicate(timeout=SECONDS)
    plain = start(text, **{VARIABLE: "none"})
    plain_out, plain_err = plain.communicate(timeout=SECONDS)
    assert (one.returncode, plain.returncode) == (code, code)
    assert out == plain_out == ""
    if code != -signal.SIGABRT:  # Python tells then which modules were loaded: not the same ones
        assert err.splitlines()[-1:] == plain_err.splitlines()[-1:]
    assert said(start("print('the next')")) == "the next"


def test_it_has_folder_streams_mask_and_limits_of_its_client(
    run_workers: Workers, start: Start, tmp_path: Path
) -> None:
    text = (
        "import os, sys, resource, signal\n"
        "print(os.getcwd(), repr(sys.stdin.read()), file=sys.stderr)\n"
        "mask = os.umask(0)\n"
        "limits = [resource.getrlimit(n) for n in range(16)]\n"
        "handlers = [str(signal.getsignal(n)) for n in sorted(signal.valid_signals())]\n"
        "print(mask, limits, handlers, signal.pthread_sigmask(0, []), os.nice(0), sys.argv[1:])"
    )
    before = os.umask(0o027)
    try:
        one, plain = start(text), start(text, **{VARIABLE: "none"})
    finally:
        os.umask(before)
    out, err = one.communicate(timeout=SECONDS)
    assert (out, err) == plain.communicate(timeout=SECONDS)
    assert err == f"{tmp_path} ''\n"
    assert out.startswith(f"{0o027} [(")


def test_it_holds_no_file_of_the_server_or_of_another_task(
    run_workers: Workers, start: Start, tmp_path: Path
) -> None:
    other = start(BEAT)
    process_in(tmp_path)
    text = (
        "import os\n"
        "kinds = [os.readlink(f'/proc/self/fd/{n}').split(':')[0]"
        " for n in sorted(os.listdir('/proc/self/fd'), key=int)"
        " if os.path.lexists(f'/proc/self/fd/{n}')]\n"
        "print(kinds)"
    )
    held = said(start(text))
    other.kill()
    other.communicate()
    assert held == str(["/dev/null", "pipe", "pipe", "socket"]), "streams, and its own connection"


def test_nothing_passes_from_one_task_to_the_next(
    run_workers: Workers, start: Start, tmp_path: Path
) -> None:
    leave = (
        "import os, random, sys, tempfile, signal, decimal, warnings\n"
        "os.environ['LEFT'] = 'behind'; sys.left = 1; random.seed(1); os.umask(0o777)\n"
        "import numpy; numpy.random.seed(1); numpy.set_printoptions(precision=2)\n"
        "tempfile.tempdir = '/left'; signal.signal(signal.SIGTERM, signal.SIG_IGN)\n"
        "decimal.getcontext().prec = 3; warnings.simplefilter('error'); os.chdir('/')\n"
        "print(os.getppid())"
    )
    look = (
        "import os, random, sys, tempfile, signal, decimal, warnings, numpy\n"
        "print(os.environ.get('LEFT'), hasattr(sys, 'left'), tempfile.gettempdir(),"
        " decimal.getcontext().prec, numpy.get_printoptions()['precision'],"
        " signal.getsignal(signal.SIGTERM).name, os.getcwd())"
    )
    draw = "import random, numpy; print(random.random(), numpy.random.random())"
    assert int(said(start(leave))) == server_of(run_workers)
    found = said(start(look, TMPDIR=str(tmp_path))).split()
    assert found == ["None", "False", str(tmp_path), "28", "8", "SIG_DFL", str(tmp_path)]
    drawn = [number for _ in range(3) for number in said(start(draw)).split()]
    assert len(set(drawn)) == 6, "no task draws the numbers of another"


def test_the_environment_of_a_step_is_that_of_its_client(
    run_workers: Workers, start: Start
) -> None:
    text = "import os; print(os.environ.get('LEAFLEDGER_X'), os.environ['OPENBLAS_NUM_THREADS'])"
    assert said(start(text, LEAFLEDGER_X="of this one")) == "of this one 1"
    assert said(start(text)) == "None 1"
    assert said(start("import os; print('JE_ARROW_MALLOC_CONF' in os.environ)")) == "False"


def test_memory_is_that_of_the_task_alone(run_workers: Workers, start: Start) -> None:
    peak = "from leafledger.platforms import peak_memory_bytes as peak; print(peak())"
    small_first = int(said(start(peak)))
    big = int(said(start(f"x = bytearray(400_000_000)\nx[::4096] = x[::4096]\n{peak}")))
    small = int(said(start(peak)))
    assert big > 400_000_000
    assert small < small_first + 20_000_000 < 250_000_000


# When there is no worker: the plain way
# ----------------------------------------------------------------------


@pytest.mark.parametrize("name", ["PYTHONHASHSEED", "TZ", "LC_ALL", "LD_LIBRARY_PATH"])
def test_another_environment_is_a_plain_step(run_workers: Workers, start: Start, name: str) -> None:
    assert int(said(start(PARENT, **{name: "0"}))) == os.getpid()
    assert int(said(start(PARENT, TMPDIR="/tmp"))) == server_of(run_workers)


def test_changed_code_is_a_plain_step(
    environment: pytest.MonkeyPatch, start: Start, tmp_path: Path
) -> None:
    environment.setattr(workers, "installed_state", lambda: "as it was")
    with workers_started() as running:
        assert int(said(start(PARENT))) == os.getpid()
        assert running._server is not None and running._server.poll() is None


def test_installed_state_sees_every_file_of_the_package(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    package, libraries = tmp_path / "package", tmp_path / "site-packages"
    for folder in (package / "runner/__pycache__", package / "indices", libraries):
        folder.mkdir(parents=True)
    table = package / "indices/catalogue.csv"
    table.write_text("a")
    (package / "runner/workers.py").write_text("")
    monkeypatch.setattr(workers, "__file__", str(package / "runner/workers.py"))
    monkeypatch.setattr(sys, "path", [str(libraries), *sys.path])
    states = [installed_state()]
    (package / "runner/__pycache__/x.pyc").write_text("bytecode")
    assert installed_state() == states[0]
    table.write_text("b, longer")
    states.append(installed_state())
    (package / "indices/new.py").write_text("")
    states.append(installed_state())
    (package / "runner/workers.py").unlink()
    states.append(installed_state())
    (libraries / "numpy-99.dist-info").mkdir()
    states.append(installed_state())
    assert len(set(states)) == 5
    time.sleep(0.01)
    os.utime(table)
    assert installed_state() not in states


def test_a_server_with_a_second_thread_forks_nothing(
    environment: pytest.MonkeyPatch, start: Start
) -> None:
    environment.setenv("LEAFLEDGER_TEST_THREAD", "1")
    with workers_started():
        assert int(said(start(PARENT))) == os.getpid()


def test_without_such_sockets_every_step_is_plain(
    environment: pytest.MonkeyPatch, start: Start
) -> None:
    environment.setattr(workers, "_address", lambda _name: "/no/such/folder/socket")
    with workers_started():
        assert VARIABLE not in os.environ
        assert step_command()[0] == "env"
        assert int(said(start(PARENT))) == os.getpid()


def test_elsewhere_than_on_linux_every_step_is_plain(environment: pytest.MonkeyPatch) -> None:
    environment.setattr(sys, "platform", "darwin")
    with workers_started():
        assert VARIABLE not in os.environ


def test_the_server_of_another_user_is_not_spoken_to(
    environment: pytest.MonkeyPatch, start: Start
) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can be two users")
    code = (
        "import os, socket, sys, time\n"
        "os.setuid(65534)\n"
        "s = socket.socket(socket.AF_UNIX); s.bind('\\0leafledger-foreign'); s.listen()\n"
        "print('ready', flush=True)\n"
        "other, _ = s.accept()\n"
        "print(len(other.recv(10)), flush=True)\n"
    )
    command = [sys.executable, "-I", "-S", "-c", code]
    foreign = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert foreign.stdout is not None
    assert foreign.stdout.readline() == "ready\n"
    environment.setenv(VARIABLE, "foreign")
    assert int(said(start(PARENT))) == os.getpid()
    assert foreign.communicate(timeout=SECONDS)[0] == "0\n", "it was told nothing"


# Kills
# ----------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_client_that_is_killed_takes_its_worker_with_it(
    run_workers: Workers, start: Start, tmp_path: Path, number: int
) -> None:
    one = start(BEAT)
    worker = process_in(tmp_path)
    one.send_signal(number)
    assert one.wait(SECONDS) == -number
    wait_until(lambda: not is_alive(worker), "the worker goes on")
    last = (tmp_path / "beat").read_text()
    time.sleep(0.2)
    assert (tmp_path / "beat").read_text() == last
    assert said(start("print('the next')")) == "the next"


def test_a_worker_that_is_killed_ends_alone(
    run_workers: Workers, start: Start, tmp_path: Path
) -> None:
    one, other = start(BEAT), start("import time; time.sleep(1); print('done')")
    os.kill(process_in(tmp_path), signal.SIGKILL)
    assert one.wait(SECONDS) == -signal.SIGKILL
    assert said(other) == "done"


def test_a_server_that_is_killed_takes_its_workers_and_later_steps_are_plain(
    run_workers: Workers, start: Start, tmp_path: Path
) -> None:
    one = start(BEAT)
    worker = process_in(tmp_path)
    os.kill(server_of(run_workers), signal.SIGKILL)
    _, err = one.communicate(timeout=SECONDS)
    assert one.returncode == 1
    assert "this task too" in err
    assert not is_alive(worker), "a client that has ended has no worker"
    assert run_workers._server is not None
    run_workers._server.wait()
    assert int(said(start(PARENT))) == os.getpid()


def test_a_server_ends_with_the_block_and_its_workers_with_it(
    environment: pytest.MonkeyPatch, start: Start, tmp_path: Path
) -> None:
    with workers_started() as running:
        running.start()  # it has been
        server, one = server_of(running), start(BEAT)
        worker = process_in(tmp_path)
    assert not is_alive(server) and not is_alive(worker)
    assert one.wait(SECONDS) == 1
    assert VARIABLE not in os.environ


# In a run
# ----------------------------------------------------------------------


def test_what_all_rules_need_can_be_loaded_without_a_thread() -> None:
    code = (
        "import os, socket\n"
        "from leafledger.runner.workers import Server, installed_state\n"
        "from leafledger.study.rules import RULES\n"
        "server = Server(socket.socket(socket.AF_UNIX), installed_state())\n"
        "print([r.name for r in RULES if not server._prepared(r.name)],"
        " len(os.listdir('/proc/self/task')))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, **workers.THREADS, **workers._WITHOUT_THREADS},
        stdin=subprocess.PIPE,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[] 1"
    assert set(workers._NEEDED) <= {rule.name for rule in RULES}


@pytest.fixture
def stubs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """Let the stages of runs take no time; return the file into which each writes its parent."""
    monkeypatch.setenv("PYTHONPATH", str(STUBS))
    monkeypatch.setenv("LEAFLEDGER_TEST_STUBS", "1")
    monkeypatch.setenv("LEAFLEDGER_TEST_PARENTS", str(tmp_path / "parents"))
    return tmp_path / "parents"


def test_the_tasks_of_a_run_are_workers_of_one_server(small_study: Path, stubs: Path) -> None:
    result = run_study(small_study, cores=2, into_tracking=False)
    assert result.outcome == "done", (result.message, result.problems)
    parents = stubs.read_text().split()
    assert len(parents) == len(tasks(read_study(small_study)))
    assert len(set(parents)) == 1
    assert not is_alive(int(parents[0]))


def processes_in(folder: Path) -> list[str]:
    """Return the commands of the processes that work in a folder."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            if (place / "cwd").readlink() == folder and is_alive(int(place.name)):
                found.append((place / "cmdline").read_bytes().replace(b"\0", b" ").decode())
    return found


@pytest.mark.slow
@pytest.mark.parametrize("victim", ["leafledger.runner.execute", "leafledger.runner.workers"])
def test_nothing_outlives_a_process_of_the_run_that_is_killed(
    small_study: Path, small_study_run: Path, victim: str
) -> None:
    command = [sys.executable, "-m", "leafledger.cli", "run", str(small_study), "--quiet"]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)

    def killed() -> bool:
        if not list((small_study / "ledger/events").glob("*/intake.day0.json")):
            return False
        for place in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                words = (place / "cmdline").read_bytes().decode().split("\0")
                if (place / "cwd").readlink() == small_study and words[1:3] == ["-m", victim]:
                    os.kill(int(place.name), signal.SIGKILL)
                    return True
        return False

    wait_until(killed, "the run has no such process")
    out, _ = run.communicate(timeout=4 * SECONDS)
    wait_until(lambda: not processes_in(small_study), "a process of the run goes on")
    if victim.endswith("workers"):
        # What was at work is lost, or nothing was; what had not begun is done by plain steps.
        assert run.returncode == 0 or "was ended from outside" in out, out
    else:
        assert run.returncode == 1, out
    assert run_study(small_study, cores=2).outcome in {"done", "idle"}
    assert digests(small_study) == digests(small_study_run)


def digests(study: Path) -> dict[str, bytes]:
    return {
        path.relative_to(study).as_posix(): path.read_bytes()
        for place in ("results", "records")
        for path in sorted((study / place).rglob("*"))
        if path.is_file() and path.name != ".snakemake_timestamp"
    }

"""The wheel is whole: installed elsewhere it carries the workflow, the demo and the data files."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from generated import ROOT


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (path,) = out.glob("*.whl")
    return path


@pytest.fixture(scope="module")
def elsewhere(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the wheel unpacked, as an installer would lay it out."""
    site = tmp_path_factory.mktemp("elsewhere") / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    return site


def leafledger(site: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the unpacked package, with the libraries of this environment and not the checkout."""
    start = (
        f"import sys; sys.path[:0] = [{str(site)!r}, {sysconfig.get_path('purelib')!r}];"
        "from leafledger.cli.main import main; main()"
    )
    environment = {**os.environ, "PYTHONPATH": str(site)}
    return subprocess.run(
        [sys.executable, "-c", start, *arguments],
        cwd=site.parent,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_wheel_holds_every_data_file_of_the_package(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        held = set(archive.namelist())
    package = ROOT / "src"
    wanted = {
        path.relative_to(package).as_posix()
        for path in (package / "leafledger").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert wanted - held == set()
    shipped = "leafledger/shipped"
    rules = {p.name for p in (ROOT / "workflow" / "rules").iterdir()}
    assert {f"{shipped}/workflow/rules/{name}" for name in rules} <= held
    assert {f"{shipped}/Snakefile", f"{shipped}/demo/study.yaml"} <= held


@pytest.mark.slow
def test_a_study_runs_from_the_wheel_outside_the_checkout(
    elsewhere: Path, small_study: Path
) -> None:
    done = leafledger(elsewhere, "run", str(small_study), "--json", "--cores", "2")
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    assert told["outcome"] == "done"
    where = "import leafledger, pathlib; print(pathlib.Path(leafledger.__file__).parent)"
    used = subprocess.run(
        [sys.executable, "-c", where],
        env={**os.environ, "PYTHONPATH": str(elsewhere)},
        cwd=elsewhere.parent,
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(used.stdout.strip()) == elsewhere / "leafledger", "the checkout was tested instead"


@pytest.mark.longest
@pytest.mark.slow
def test_the_demo_runs_from_the_wheel_outside_the_checkout(elsewhere: Path) -> None:
    done = leafledger(elsewhere, "demo", "demo", "--cores", "2")
    assert done.returncode == 0, done.stdout + done.stderr
    assert (elsewhere.parent / "demo" / "results" / "report.html").is_file()

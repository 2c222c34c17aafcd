"""Bad input ends in a message that names what, where and how to mend it; never in a traceback."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest


def run_cli(study: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "leafledger.cli", *arguments, str(study)],
        capture_output=True,
        text=True,
        check=False,
    )


def refused(study: Path) -> list[dict[str, object]]:
    done = run_cli(study, "run", "--json", "--cores", "2")
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    problems: list[dict[str, object]] = json.loads(done.stdout)["problems"]
    assert problems
    assert all(p["file"] and p["found"] and p["expected"] and p["mend"] for p in problems)
    return problems


def first_text_leaf(study: Path) -> Path:
    from leafledger.study.reading import read_study

    return study / read_study(study).samples("day0")[0].file


def damage(text: str, row: int, new: str) -> str:
    lines = text.splitlines(keepends=True)
    data = next(i for i, line in enumerate(lines) if line[:1].isdigit())
    lines[data + row] = new
    return "".join(lines)


RAW_FAULTS: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda data: b"",
    "binary": lambda data: bytes(range(256)) * 40,
    "truncated": lambda data: data[: len(data) // 2],
    "header only": lambda data: data.split(b"\n", 8)[0] + b"\n",
    "text in a number": lambda data: damage(data.decode(), 20, "410.1\t12a4\r\n").encode(),
    "not a number": lambda data: damage(data.decode(), 20, "410.1\tNaN\r\n").encode(),
    "unsorted": lambda data: damage(data.decode(), 20, "900.5\t1000\r\n").encode(),
    "duplicated": lambda data: damage(data.decode(), 20, damage_source(data.decode(), 19)).encode(),
}


def damage_source(text: str, row: int) -> str:
    lines = text.splitlines(keepends=True)
    data = next(i for i, line in enumerate(lines) if line[:1].isdigit())
    return lines[data + row]


@pytest.mark.slow
def test_broken_raw_files_are_all_named_in_one_run(small_study: Path) -> None:
    from leafledger.study.reading import read_study

    leaves = read_study(small_study).samples("day0")
    broken: dict[str, str] = {}
    for scan, (name, spoil) in zip(leaves, RAW_FAULTS.items(), strict=False):
        path = small_study / scan.file
        path.write_bytes(spoil(path.read_bytes()))
        broken[scan.file] = name
    problems = refused(small_study)
    named = {p["file"] for p in problems}
    assert set(broken) <= named, {broken[f] for f in set(broken) - named}
    assert named <= set(broken), named - set(broken)
    assert not list((small_study / "results").rglob("day0*"))
    assert not list(small_study.rglob(".*.tmp"))


@pytest.mark.slow
def test_a_white_no_brighter_than_the_dark_is_refused(small_study: Path) -> None:
    from leafledger.study.reading import read_study

    scans = read_study(small_study).scans
    dark = next(s for s in scans if s.session == "day0" and s.role == "dark")
    for white in (s for s in scans if s.session == "day0" and s.role == "white"):
        (small_study / white.file).write_bytes((small_study / dark.file).read_bytes())
    sentences = json.dumps(refused(small_study))
    assert "white" in sentences
    assert "dark" in sentences


@pytest.mark.slow
def test_one_plant_of_a_treatment_is_described_not_tested(small_study: Path) -> None:
    from leafledger import Study

    path = small_study / "study.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.partition("\nclasses:")[0] + "\n", encoding="utf-8")
    units = small_study / "units.csv"
    rows = units.read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if "water" in row or row == rows[0]]
    kept.append(next(row for row in rows if "chelate" in row))
    units.write_text("\n".join(kept) + "\n", encoding="utf-8")
    ids = {row.split(",")[0] for row in kept}
    scans = small_study / "scans.csv"
    lines = scans.read_text(encoding="utf-8").splitlines()
    unit = lines[0].split(",").index("unit")
    lines = [line for line in lines if line.split(",")[unit] in ids | {""}]
    scans.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run_cli(small_study, "run", "--quiet")
    assert done.returncode == 0, done.stderr
    effects = Study.open(small_study).table("effects.csv")
    between = effects[effects["question"] == "difference_in_change"]
    assert set(between["verdict"]) == {"undefined"}
    assert between["reason"].str.len().min() > 10
    assert between["p"].isna().all()


@pytest.mark.slow
def test_a_study_with_no_after_session_says_so(small_study: Path) -> None:
    from leafledger import Study

    path = small_study / "study.yaml"
    text = path.read_text(encoding="utf-8").partition("\nclasses:")[0] + "\n"
    text = text.replace("phase: after", "phase: before")
    lines = [line for line in text.splitlines() if not line.startswith("  primary:")]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = run_cli(small_study, "run", "--quiet")
    assert done.returncode == 0, done.stderr
    effects = Study.open(small_study).table("effects.csv")
    assert effects["p"].isna().all()
    plan = json.loads((small_study / "results" / "effects.json").read_text("utf-8"))["plan"]
    assert "after" in " ".join(plan)


MUTATIONS = ("drop a column", "wrong unit", "passwd", "command", "twice", "ragged", "junk")


def mutate(study: Path, kind: str, draw: random.Random) -> None:
    path = study / draw.choice(["scans.csv", "units.csv"])
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    head = rows[0]
    at = draw.randrange(1, len(rows))
    if kind == "drop a column":
        needed = [c for c in ("scan", "file", "unit", "session", "treatment") if c in head]
        gone = head.index(draw.choice(needed))
        rows = [row[:gone] + row[gone + 1 :] for row in rows]
    elif kind == "wrong unit":
        samples = [i for i, row in enumerate(rows) if "sample" in row] or [at]
        rows[draw.choice(samples)][head.index("unit")] = draw.choice(["p99", "p 1", "=p01", ""])
    elif kind in {"passwd", "command"}:
        path = study / "scans.csv"
        rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
        column, value = {
            "passwd": ("file", draw.choice(["../../etc/passwd", "/etc/passwd", "raw/../../x"])),
            "command": ("session", draw.choice(["d0;touch PWNED", "$(touch PWNED)", "`id`"])),
        }[kind]
        rows[draw.randrange(1, len(rows))][rows[0].index(column)] = value
    elif kind == "twice":
        rows.append(rows[at])
    elif kind == "ragged":
        rows[at] = rows[at][:-1] if draw.random() < 0.5 else [*rows[at], "x", "y"]
    else:
        rows[at][0] = draw.choice(["\x1b[31m", "a" * 65, "é", "-1", "@x", "a b"])
    path.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")


@pytest.mark.parametrize("kind", MUTATIONS)
def test_mutated_sheets_are_refused_before_anything_runs(
    ran_study: Path, kind: str, tmp_path: Path
) -> None:
    """Thirty random mutations of each kind, judged by the same function as `leafledger run`."""
    from leafledger.errors import InputFault
    from leafledger.runner.study_check import checked_study

    originals = {n: (ran_study / n).read_bytes() for n in ("scans.csv", "units.csv")}
    before = {p: p.stat().st_mtime_ns for p in (ran_study / "results").rglob("*")}
    for seed in range(30):
        mutate(ran_study, kind, random.Random(f"{kind}-{seed}"))
        with pytest.raises(InputFault) as caught:
            checked_study(ran_study)
        assert all(p.file for p in caught.value.problems)
        assert any(p.row is not None or p.column for p in caught.value.problems)
        for name, data in originals.items():
            (ran_study / name).write_bytes(data)
    mutate(ran_study, kind, random.Random(kind))
    done = run_cli(ran_study, "run")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "\x1b" not in done.stderr
    assert "mend" in done.stderr
    assert {p: p.stat().st_mtime_ns for p in (ran_study / "results").rglob("*")} == before
    assert not list(Path(ran_study).rglob("PWNED"))


@pytest.mark.slow
def test_a_full_disk_ends_in_a_sentence_and_the_next_run_mends_it(
    ran_study: Path, edit: Callable[[Path, str, str], None]
) -> None:
    """A limit on file size stands in for the full disk: writing fails in the same way."""
    edit(ran_study / "study.yaml", "margin_nm: 5", "margin_nm: 6")
    program = (
        "import resource, runpy, sys\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1500, 1500))\n"
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "sys.argv = ['step', 'acceptance']\n"
        "runpy.run_module('leafledger.runner.step', run_name='__main__')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=ran_study,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    from leafledger.runner.run import run_study

    assert run_study(ran_study, cores=1).outcome == "done"
    assert not list(ran_study.rglob(".*.tmp"))


@pytest.mark.slow
def test_a_setting_that_only_a_stage_can_refuse_is_told_with_its_row_and_once_each(
    small_study: Path, edit: Callable[[Path, str, str], None]
) -> None:
    path = small_study / "study.yaml"
    edit(path, "{start_nm: 400, stop_nm: 1000, step_nm: 1}", "{start_nm: 100, stop_nm: 1000}")
    row = next(
        number
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if "start_nm: 100" in line
    )
    problems = refused(small_study)
    assert {(p["file"], p["row"]) for p in problems} == {("study.yaml", row)}
    sentences = [json.dumps(p, sort_keys=True) for p in problems]
    assert len(sentences) == len(set(sentences))

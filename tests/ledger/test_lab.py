"""Two copies of a study and the studies of a lab: where books part, joining them, the list."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.ledger import lab
from leafledger.ledger.book import PERSON
from leafledger.ledger.compare import compare, run_history
from leafledger.ledger.lab import compare_books, join, list_studies, study_folders
from leafledger.ledger.mlflow_runs import logged_run
from leafledger.ledger.trace import trace
from leafledger.ledger.tracking import sync_store
from leafledger.ledger.verify import verify
from leafledger.ledger.view import BRANCHES, JOINED_FILE, BookView, branch_places
from leafledger.records import events, store
from leafledger.records.digests import sha256_of_file
from leafledger.runner.outdated import keep_history
from leafledger.study.reading import read_study
from leafledger.study.study import Study

from .test_compare import whole

Entered = Callable[..., str]


@pytest.fixture
def copies(study: Study, whole_run: Entered, tmp_path: Path) -> tuple[Path, Path]:
    """Return two copies of a study with two runs in common; a has run once more, b twice."""
    whole_run("r1")
    whole_run("r2", said="more")
    other = Path(shutil.copytree(study.folder, tmp_path / "of_ben"))
    whole(study.folder, "a3")
    again(other, "b3", "ben")
    again(other, "b4", "ben again")
    return study.folder, other


def again(folder: Path, run: str, said: str) -> None:
    """Enter a further run of a copy, with results that say something else."""
    from leafledger.ledger import book
    from leafledger.study.study import tasks

    from .conftest import enact

    study = read_study(folder)
    book.open_run(study, run)
    for task in tasks(study):
        enact(study, task, run, said)
    book.close_run(study, run, "done", "")


def state(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): sha256_of_file(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and "/cache/" not in path.as_posix() and path.name != "lock"
    }


# Where they part
# ----------------------------------------------------------------------


def test_where_two_books_part_and_what_each_did_after(copies: tuple[Path, Path]) -> None:
    before = state(copies[0]), state(copies[1])
    compared = compare_books(*copies)
    assert (compared.n_common, compared.after, compared.joined) == (2, "r2", False)
    assert [run["run"] for run in compared.here] == ["a3"]
    assert [run["run"] for run in compared.there] == ["b3", "b4"]
    assert compared.as_dict()["part"] is True
    turned = compare_books(copies[1], copies[0])
    assert [run["run"] for run in turned.there] == ["a3"]
    assert (state(copies[0]), state(copies[1])) == before, "asking changes nothing"


def test_a_copy_that_only_went_on_does_not_part(
    study: Study, whole_run: Entered, tmp_path: Path
) -> None:
    whole_run("r1")
    other = Path(shutil.copytree(study.folder, tmp_path / "other"))
    same = compare_books(study.folder, other)
    assert (same.here, same.there, same.n_common) == ([], [], 1)
    assert "Both books are the same." in list(lab.compared_lines(same, "other"))
    again(other, "b2", "on")
    ahead = compare_books(study.folder, other)
    assert ahead.as_dict()["part"] is False
    assert [run["run"] for run in ahead.there] == ["b2"]


def test_the_command_says_it(copies: tuple[Path, Path]) -> None:
    command = ["ledger", "compare", str(copies[0]), str(copies[1])]
    done = CliRunner().invoke(cli, command)
    assert done.exit_code == 0, done.output
    assert "2 runs in common; the last is r2." in done.output
    assert "This study: 1 run after that:" in done.output
    assert "of_ben: 2 runs after that:" in done.output
    told = json.loads(CliRunner().invoke(cli, [*command, "--json"]).output)
    assert (told["after"], told["part"], len(told["there"])) == ("r2", True, 2)


# Joining
# ----------------------------------------------------------------------


def test_joining_takes_the_later_runs_and_rewrites_nothing(copies: tuple[Path, Path]) -> None:
    own, other = copies
    before, theirs = state(own), state(other)
    joined = join(own, other)
    assert (joined.runs, joined.after, joined.lost) == (["b3", "b4"], ["r2"], 0)
    after = state(own)
    assert {file: after[file] for file in before} == before, "nothing is rewritten"
    assert state(other) == theirs, "the other copy is only read"
    for run in ("r1", "r2", "b3", "b4"):
        file = f"{events.RUNS}/{run}.json"
        assert after[f"{BRANCHES}/b4/{file}"] == theirs[file], "the chain of each is as it was"
    kept = [file for file in theirs if file.startswith(("ledger/history/", "ledger/store/"))]
    assert kept and {file: after[file] for file in kept} == {file: theirs[file] for file in kept}
    verdict = verify(own)
    assert verdict.broken == []
    assert (verdict.n_runs, verdict.n_side_runs) == (3, 2)
    assert verify(other).broken == []
    assert compare_books(own, other).joined


def test_joining_twice_is_once(copies: tuple[Path, Path]) -> None:
    own, other = copies
    join(own, other)
    before = state(own)
    assert join(own, other).runs == []
    assert state(own) == before


def test_a_copy_that_went_on_is_joined_again(copies: tuple[Path, Path]) -> None:
    own, other = copies
    join(own, other)
    again(other, "b5", "ben once more")
    assert join(own, other).runs == ["b5"]
    assert [place.name for place in branch_places(own)] == ["b5"]
    assert not (own / BRANCHES / "b4").exists(), "the longer branch holds all of it"
    assert verify(own).broken == []
    assert [run["run"] for run in BookView(own).side_runs] == ["b3", "b4", "b5"]


def test_each_joins_the_other_and_a_third_copy_comes_along(
    copies: tuple[Path, Path], tmp_path: Path
) -> None:
    own, other = copies
    third = Path(shutil.copytree(other, tmp_path / "of_eve"))
    again(third, "c5", "eve")
    assert join(other, third).runs == ["c5"]
    assert join(other, own).runs == ["a3"]
    assert sorted(join(own, other).runs) == ["b3", "b4", "c5"]
    assert verify(own).broken == [] and verify(other).broken == []
    assert [run["run"] for run in BookView(own).side_runs] == ["b3", "b4", "c5"]


def test_runs_compare_and_trace_know_the_branch(copies: tuple[Path, Path]) -> None:
    own, other = copies
    join(own, other)
    listed = CliRunner().invoke(cli, ["runs", str(own)]).output
    assert "Another copy went on after r2" in listed
    lines = listed.splitlines()
    heads = [next(i for i, line in enumerate(lines) if line.strip().startswith(start))
             for start in ("a3 ", "Another copy went on", "b3 ")]  # fmt: skip
    assert heads == sorted(heads), listed
    assert f"Head of the chain: {sha256_of_file(own / events.RUNS / 'a3.json')}" in listed
    told = json.loads(CliRunner().invoke(cli, ["runs", str(own), "--json"]).output)
    found = [(run["run"], run["branch"]) for run in told]
    assert found == [("r1", None), ("r2", None), ("a3", None), ("b3", "b4"), ("b4", "b4")]
    beside = compare(own, "a3", "b4")
    assert (beside.before, beside.after) == ("a3", "b4")
    assert "effects" in beside.results.tasks
    assert not any("no longer kept" in text for text in beside.notes)
    of_ben = sha256_of_file(other / "results/effects.csv")
    assert of_ben != sha256_of_file(own / "results/effects.csv")
    assert trace(own, of_ben).target.path == "results/effects.csv"
    assert BookView(own).run("latest")["run"] == "a3", "the study's own newest run"
    assert [run["run"] for run in run_history(own)] == ["r1", "r2", "a3"]


def forward(folder: Path, run: str, said: str = "") -> None:
    """Enter a run with what the book says of the plan, as a run does before its report."""
    from leafledger.ledger import book
    from leafledger.study.study import tasks

    from .conftest import enact

    study = read_study(folder)
    book.open_run(study, run)
    for task in tasks(study):
        if task.name == "report":
            assert keep_history(study, run)
        enact(study, task, run, said)
    book.close_run(study, run, "done", "")


def test_what_the_book_says_of_the_plan_is_explained_across_a_branch(
    study: Study, edit: Callable[[Path, str, str], None], tmp_path: Path
) -> None:
    own, later = study.folder, tmp_path / "later"
    shutil.move(own / "raw/day12", later)
    forward(own, "r1")
    other = Path(shutil.copytree(own, tmp_path / "of_ben"))
    for folder, name in ((own, "a"), (other, "b")):
        edit(folder / "study.yaml", "alpha: 0.05", "alpha: 0.01")
        forward(folder, f"{name}2")
        shutil.copytree(later, folder / "raw/day12")
        forward(folder, f"{name}3", "" if name == "a" else "x")
    join(own, other)
    found = compare(own, "a3", "b3")
    assert "plan_history" in found.results.tasks
    assert found.unexplained == []
    (cause,) = [found.differences[n] for n in found.causes["plan_history"]]
    assert cause.sentence().startswith("what the book says of the plan: recorded in run a2 on "), (
        cause.sentence()
    )
    assert " -> recorded in run b2 on " in cause.sentence()
    assert cause.sentence().endswith(
        "(the runs were joined from two copies, which part after r1: each copy tells of its own "
        "runs)"
    )
    within = compare(own, "r1", "a3")
    (cause,) = [within.differences[n] for n in within.causes["plan_history"]]
    assert cause.sentence().endswith("(the plan itself differs)")
    assert within.unexplained == []


def test_the_next_run_covers_the_branch(copies: tuple[Path, Path]) -> None:
    own, other = copies
    join(own, other)
    again(own, "a4", "ann")
    entry = json.loads((own / events.RUNS / "a4.json").read_text())
    assert entry["branches"] == {"b4": sha256_of_file(other / events.RUNS / "b4.json")}
    assert entry["previous"]["run"] == "a3"
    assert verify(own).broken == []
    again(other, "b5", "on")
    join(own, other)
    assert verify(own).broken == [], "a longer branch holds the one that was named"
    shutil.rmtree(own / BRANCHES / "b5")
    broken = {one.file: one for one in verify(own).broken}
    assert "stood as a branch when run a4 began" in broken[f"{BRANCHES}/b4"].sentence


@pytest.mark.parametrize("gone", [f"{BRANCHES}/b4", BRANCHES])
def test_a_branch_taken_out_before_the_next_run_is_named(
    copies: tuple[Path, Path], gone: str
) -> None:
    own, other = copies
    join(own, other)
    shutil.rmtree(own / gone)
    (broken,) = verify(own).broken
    assert (broken.file, broken.what) == (f"{BRANCHES}/b4", "missing")
    assert "was joined as a branch" in broken.sentence
    assert join(own, other).runs == ["b3", "b4"]
    assert verify(own).broken == []
    (own / JOINED_FILE).write_text("{")
    assert [one.file for one in verify(own).broken] == [JOINED_FILE]


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        (f"{events.RUNS}/b3.json", '"outcome": "done"', '"outcome": "failed"'),
        (f"{events.RUNS}/r1.json", '"outcome": "done"', '"outcome": "failed"'),
        (f"{events.EVENTS}/b4/effects.json", "1.5", "2.5"),
        ("branch.json", '"sha256": "', '"sha256": "0'),
    ],
)
def test_a_branch_that_was_changed_is_named(
    copies: tuple[Path, Path], file: str, old: str, new: str
) -> None:
    join(*copies)
    path = copies[0] / BRANCHES / "b4" / file
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new, 1))
    assert any(one.file.startswith(f"{BRANCHES}/b4") for one in verify(copies[0]).broken)


def test_a_branch_is_logged_in_the_tracking_store(copies: tuple[Path, Path]) -> None:
    import sqlite3

    join(*copies)
    assert sync_store(copies[0], "Title") == []
    assert sync_store(copies[0], "Title") == []
    with sqlite3.connect(copies[0] / "ledger/ledger.sqlite") as database:
        rows = database.execute("SELECT value FROM tags WHERE key = 'leafledger.run'").fetchall()
        branch = database.execute(
            "SELECT value FROM tags WHERE key = 'leafledger.branch'"
        ).fetchall()
    assert sorted(name for (name,) in rows) == ["a3", "b3", "b4", "r1", "r2"]
    assert branch == [("b4",), ("b4",)]
    assert verify(copies[0]).broken == []


def test_large_tables_that_the_other_copy_keeps_in_place_come_along(
    study: Study, whole_run: Entered, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "_LARGE_BYTES", 0)
    monkeypatch.setattr(store, "_SPECTRA", ("results/effects",))
    whole_run("r1")
    other = Path(shutil.copytree(study.folder, tmp_path / "other"))
    again(other, "b2", "ben")
    made = (other / "results/effects.csv").read_bytes()
    (other / "results/effects.json").write_text("edited by hand")
    assert join(study.folder, other).runs == ["b2"]
    book = BookView(study.folder)
    effects = book.records_of(book.run("b2"))["effects"]
    place = book.content_at(effects, "results/effects.csv")
    assert place is not None and place.read_bytes() == made
    assert place.is_relative_to(study.folder / "ledger/store")
    assert book.content_at(effects, "results/effects.json") is None, "only what is as recorded"
    assert verify(study.folder).broken == []


# Refusals, each with nothing touched
# ----------------------------------------------------------------------


def refused(own: Path, other: Path) -> str:
    before = state(own)
    with pytest.raises(InputFault) as caught:
        join(own, other)
    assert state(own) == before
    with pytest.raises(InputFault):
        compare_books(own, other)
    return str(caught.value)


def test_books_without_a_common_beginning(
    copies: tuple[Path, Path], small_study_made: Path, tmp_path: Path
) -> None:
    stranger = Path(shutil.copytree(small_study_made, tmp_path / "stranger"))
    whole(stranger, "s1")
    assert "no run in common" in refused(copies[0], stranger)


def test_no_book_at_all(copies: tuple[Path, Path], small_study_made: Path) -> None:
    assert "no book of runs" in refused(copies[0], small_study_made)


@pytest.mark.parametrize("damaged", [0, 1])
def test_a_damaged_chain(copies: tuple[Path, Path], damaged: int) -> None:
    path = copies[damaged] / events.RUNS / "r2.json"
    path.write_text(path.read_text().replace('"outcome": "done"', '"outcome": "failed"'))
    assert "r2" in refused(*copies)


def test_a_run_taken_out_of_the_other_copy(copies: tuple[Path, Path]) -> None:
    (copies[1] / events.RUNS / "b3.json").unlink()
    assert "follows a run that was removed" in refused(*copies)


def test_an_event_of_the_other_copy_that_was_changed(copies: tuple[Path, Path]) -> None:
    path = copies[1] / events.EVENTS / "b4" / "effects.json"
    path.write_text(path.read_text().replace("1.5", "2.5"))
    assert "effects.json" in refused(*copies)


def test_a_run_rewritten_with_its_seal_is_not_the_same_run(copies: tuple[Path, Path]) -> None:
    own, other = copies
    (entry,) = [run for run in events.runs(other) if run["run"] == "r1"]
    events.write_run(other, entry | {"title": "another"})
    previous = "r1"
    for name in ("r2", "b3", "b4"):  # the whole chain anew, so that it fits
        (run,) = [r for r in events.runs(other) if r["run"] == name]
        link = {"run": previous, "sha256": sha256_of_file(other / events.RUNS / f"{previous}.json")}
        events.write_run(other, run | {"previous": link})
        previous = name
    assert verify(other).broken == []
    assert "another text of run r1" in refused(own, other)


def test_a_run_at_work_in_the_other_copy(copies: tuple[Path, Path]) -> None:
    from leafledger.ledger import book

    book.open_run(read_study(copies[1]), "b5")
    assert "at work" in refused(*copies)


def test_the_study_itself(copies: tuple[Path, Path]) -> None:
    with pytest.raises(InputFault, match="itself"):
        join(copies[0], copies[0])


def test_contents_that_the_other_copy_lost_are_counted(copies: tuple[Path, Path]) -> None:
    own, other = copies
    entry = json.loads((other / events.RUNS / "b4.json").read_text())
    digest = entry["records"]["effects"]
    (other / events.HISTORY / digest[:2] / digest).write_text("something else")
    joined = join(own, other)
    assert joined.lost == 1
    assert not (own / events.HISTORY / digest[:2] / digest).exists()


@pytest.mark.parametrize("after", [1, 30, 60, 100, 0])
def test_killed_in_the_middle_nothing_is_lost(copies: tuple[Path, Path], after: int) -> None:
    """The process is killed as it is about to write its file number `after`; 0: the last one."""
    own, other = copies
    before, theirs = state(own), state(other)
    code = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from leafledger.ledger import lab\n"
        "from leafledger.records import store\n"
        "write, n = lab.write_bytes, 0\n"
        "def killed(path, data):\n"
        "    global n\n"
        "    n += 1\n"
        f"    if n == {max(after, 1)}: os.kill(os.getpid(), signal.SIGKILL)\n"
        "    write(path, data)\n"
        f"setattr(lab, 'write_bytes' if {after} else 'write_json', killed)\n"
        "lab.join(Path(sys.argv[1]), Path(sys.argv[2]))\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(own), str(other)], check=False)
    assert done.returncode == -signal.SIGKILL, "it was to be killed before it was done"
    found = state(own)
    assert {file: found[file] for file in before} == before
    assert BookView(own).branches == []
    assert verify(own).broken == []
    assert join(own, other).runs == ["b3", "b4"]
    assert verify(own).broken == []
    assert state(other) == theirs


def test_the_command_joins_under_the_lock(copies: tuple[Path, Path]) -> None:
    from leafledger.runner.study_folder import study_lock

    command = ["ledger", "join", str(copies[0]), str(copies[1])]
    with study_lock(copies[0]):
        held = CliRunner().invoke(cli, command)
    assert isinstance(held.exception, InputFault) and branch_places(copies[0]) == []
    first = CliRunner().invoke(cli, command)
    assert first.exit_code == 0, first.output
    assert "Joined 2 runs, as a branch after r2." in first.output
    assert "Nothing to join" in CliRunner().invoke(cli, command).output


# Who ran it, with what, on what
# ----------------------------------------------------------------------


def test_who_ran_it_stands_in_the_book_and_the_tags_and_in_no_result(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("USER", "login-name")
    monkeypatch.setenv("LOGNAME", "login-name")
    monkeypatch.delenv(PERSON, raising=False)
    whole(study.folder, "r1")
    first = json.loads((study.folder / events.RUNS / "r1.json").read_text())
    assert first["about"] == {"treatment": "chelate, water"}
    monkeypatch.setenv(PERSON, "  Ann\tGrower ")
    again(study.folder, "r2", "ann")
    book = BookView(study.folder)
    tags = logged_run(book, book.run("r2")).tags
    assert (tags["person"], tags["treatment"]) == ("Ann Grower", "chelate, water")
    assert "person" not in logged_run(book, book.run("r1")).tags
    assert "by Ann Grower" in CliRunner().invoke(cli, ["runs", str(study.folder)]).output
    texts = b"".join(
        path.read_bytes()
        for place in ("results", "records", "ledger/runs")
        for path in (study.folder / place).rglob("*")
        if path.is_file()
    )
    assert b"login-name" not in texts
    in_results = [f for f in ("results", "records") for p in (study.folder / f).rglob("*")
                  if p.is_file() and b"Grower" in p.read_bytes()]  # fmt: skip
    assert in_results == []


def test_instruments_of_the_sheet_are_named(study: Study) -> None:
    sheet = study.folder / "scans.csv"
    head, *rows = sheet.read_text(encoding="utf-8").splitlines()
    lines = [f"{head},instrument", *(f"{row},{'A' if 'day0' in row else 'B'}-spec" for row in rows)]
    sheet.write_text("\n".join(lines) + "\n", encoding="utf-8")
    again(study.folder, "r1", "two instruments")
    entry = json.loads((study.folder / events.RUNS / "r1.json").read_text())
    assert entry["about"]["instrument"] == "A-spec, B-spec"


# The studies below a folder
# ----------------------------------------------------------------------


def never(_folder: Path) -> tuple[str, str]:
    return lab.UP_TO_DATE, ""


def test_the_studies_of_a_lab_are_listed(
    copies: tuple[Path, Path], small_study_made: Path, tmp_path: Path
) -> None:
    place = tmp_path / "lab"
    place.mkdir()
    shutil.move(copies[0], place / "2026 seedlings")
    shutil.copytree(small_study_made, place / "deep/er/never run")
    damaged = Path(shutil.move(copies[1], place / "damaged"))
    (damaged / events.RUNS / "b3.json").write_text("{")
    (place / "no study").mkdir()
    (place / "broken").mkdir()
    (place / "broken/study.yaml").write_text("title: [")
    (place / "gone\naway").mkdir()
    (place / "gone\naway/study.yaml").symlink_to("nowhere")
    (place / "link").symlink_to(place / "damaged")
    (place / "loop").symlink_to(place)
    (place / "2026 seedlings/raw/trap").mkdir()
    (place / "2026 seedlings/raw/trap/study.yaml").write_text("title: trap")
    done = CliRunner().invoke(cli, ["runs", "--all", str(place), "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.output)
    found = {entry["folder"]: entry for entry in told["studies"]}
    names = ["2026 seedlings", "broken", "damaged", "deep/er/never run", "gone\naway"]
    assert list(found) == names
    assert told["unreadable"] == []
    assert found["2026 seedlings"]["run"] == "a3" and found["2026 seedlings"]["n_runs"] == 3
    assert found["2026 seedlings"]["state"] == "up to date"
    assert found["broken"]["state"] == "at fault" and found["broken"]["reason"]
    assert found["gone\naway"]["state"] == "damaged" and "no file" in found["gone\naway"]["reason"]
    assert found["damaged"]["state"] == "damaged" and "b3" in found["damaged"]["reason"]
    assert found["deep/er/never run"]["state"] == "not run"
    text = CliRunner().invoke(cli, ["runs", "--all", str(place)]).output
    for name in names[:-1]:
        assert name in text
    assert "gone\naway" not in text, "a name stays on one line"
    assert "(no title)" in text


def test_the_primary_finding_is_listed(ran_study: Path) -> None:
    from leafledger.cli.ledger_commands import _state_of

    (entry,) = list_studies(ran_study.parent, _state_of).studies
    assert (entry.state, entry.reason, entry.n_runs) == ("up to date", "", 1)
    assert entry.found.startswith("CI_rededge ") and entry.verdict
    sheet = ran_study / "study.yaml"
    sheet.write_text(sheet.read_text().replace("alpha: 0.05", "alpha: 0.04"))
    (entry,) = list_studies(ran_study.parent, _state_of).studies
    assert entry.state == "unfinished"
    assert "alpha" in entry.reason


def test_folders_that_cannot_be_read_and_very_many(tmp_path: Path) -> None:
    for n in range(1500):
        (tmp_path / f"{n // 100}" / f"{n}").mkdir(parents=True)
    (tmp_path / "3/307/study.yaml").write_text("title: one of many")
    deep = tmp_path
    for _ in range(60):
        deep = deep / "d"
    deep.mkdir(parents=True)
    (deep / "study.yaml").write_text("")
    assert study_folders(tmp_path) == ([tmp_path / "3/307", deep], [])
    if os.geteuid() == 0:
        return  # root reads everything
    (tmp_path / "5").chmod(0)
    try:
        assert study_folders(tmp_path)[1] == [tmp_path / "5"]
    finally:
        (tmp_path / "5").chmod(0o755)


def test_a_folder_that_cannot_be_looked_into_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "closed").mkdir()
    scan = os.scandir

    def refusing(place: Path) -> object:
        if Path(place).name == "closed":
            raise PermissionError(13, "Permission denied")
        return scan(place)

    monkeypatch.setattr(lab.os, "scandir", refusing)
    listed = list_studies(tmp_path, never)
    assert (listed.studies, listed.unreadable) == ([], ["closed"])
    assert list(lab.lab_lines(listed))[-1] == "not looked into: closed"


def test_no_such_folder() -> None:
    done = CliRunner().invoke(cli, ["runs", "--all", "no/such/folder"])
    assert isinstance(done.exception, InputFault)
    assert "no folder" in str(done.exception)

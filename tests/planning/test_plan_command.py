"""``leafledger plan FOLDER``: flags, questions, pipes; refusals; the study that it writes."""

from __future__ import annotations

import csv
import errno
import hashlib
import json
import os
import pty
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from leafledger.cli.main import cli
from leafledger.errors import InputFault
from leafledger.planning import printed_sheets
from leafledger.study.definition_file import read_definition
from leafledger.study.reading import read_design

COMMAND = [sys.executable, "-m", "leafledger.cli"]
FLAGS = {
    "--treatments": "water,chelate",
    "--units": "24",
    "--blocks": "6",
    "--sessions": "day0,day4,day8,day12",
    "--start": "2026-05-04",
    "--leaves": "3",
    "--reference-every": "12",
    "--seed": "7",
}


def flags(**changed: str | None) -> list[str]:
    named = FLAGS | {f"--{name.replace('_', '-')}": value for name, value in changed.items()}
    return [
        word
        for flag, value in named.items()
        if value is not None
        for word in ([flag, value] if value else [flag])
    ]


def planned(folder: Path, *words: str, typed: str = "", **changed: str | None) -> Any:
    return CliRunner().invoke(cli, ["plan", str(folder), *flags(**changed), *words], input=typed)


def why(folder: Path, *words: str, **changed: str | None) -> str:
    """Return what a plan is refused with, on one line."""
    done = planned(folder, *words, **changed)
    assert not folder.exists(), "a refused plan leaves nothing behind"
    fault = done.exception
    assert isinstance(fault, InputFault), (done.output, fault)
    return " | ".join(problem.sentence() for problem in fault.problems)


def sheet(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("planned") / "study"
    done = planned(folder, difference="0.1", sd="0.08", correlation="0.6", title='Größe, "ρ"')
    assert done.exit_code == 0, (done.output, done.exception)
    return folder


# --- the study -----------------------------------------------------------------------------------


def test_the_study_is_complete_and_its_design_can_be_read(study: Path) -> None:
    read = read_design(study)
    design = read.definition.design
    assert design.levels == ["water", "chelate"]
    assert (design.control, design.block) == ("water", "block")
    assert [(s.session, s.phase, str(s.date)) for s in design.sessions] == [
        ("day0", "before", "2026-05-04"),
        ("day4", "after", "2026-05-08"),
        ("day8", "after", "2026-05-12"),
        ("day12", "after", "2026-05-16"),
    ]
    primary = read.definition.effects.primary
    assert primary is not None
    assert (primary.index, primary.session) == ("CI_rededge", "day12")
    assert read.definition.effects.margin == {"CI_rededge": 0.1}
    assert read.definition.title == 'Größe, "ρ"'
    assert len(read.units) == 24
    for name in ("day0", "day12"):
        assert (study / "raw" / name).is_dir()
        assert (study / f"plan/sheets/{name}.pdf").read_bytes().startswith(b"%PDF")
    text = (study / "study.yaml").read_text(encoding="utf-8")
    assert sum("#" in line for line in text.splitlines()) >= 8


def test_the_scan_sheet_is_in_measuring_order(study: Path) -> None:
    rows = sheet(study / "scans.csv")
    assert list(rows[0]) == [
        "scan", "file", "role", "session", "unit", "leaf", "replicate", "time", "note", "photo",
        "omitted",
    ]  # fmt: skip
    assert len(rows) == 4 * (72 + 7 * 6)
    treatment = {row["unit"]: row["treatment"] for row in sheet(study / "units.csv")}
    block = {row["unit"]: row["block"] for row in sheet(study / "units.csv")}
    for session in ("day0", "day4", "day8", "day12"):
        here = [row for row in rows if row["session"] == session]
        assert [row["role"] for row in here[:7]] == [*["dark"] * 3, *["white"] * 3, "sample"]
        assert [row["role"] for row in here[-3:]] == ["white"] * 3
        assert all(row["file"] == f"raw/{session}/{row['scan']}.txt" for row in here)
        assert not any(row[name] for row in here for name in ("time", "note", "photo", "omitted"))
        units = [row["unit"] for row in here if row["role"] == "sample"][::3]
        assert sorted(units) == sorted(treatment)
        # Each treatment equally often in each of the four places between references.
        for at in range(4):
            held = [treatment[unit] for unit in units[at::4]]
            assert held.count("water") == held.count("chelate") == 3
        assert [block[u] for u in units[::4]] == [block[u] for u in units[3::4]]


def test_the_plan_holds_answers_seed_and_digest(study: Path) -> None:
    plan = json.loads((study / "plan/plan.json").read_text(encoding="utf-8"))
    assert plan["seed"] == 7
    assert plan["answers"]["treatments"] == ["water", "chelate"]
    assert plan["answers"]["variation"]["sd"] == 0.08
    table = (study / "plan/allocation.csv").read_bytes()
    assert plan["allocation"]["sha256"] == hashlib.sha256(table).hexdigest()
    scans = [row for row in sheet(study / "scans.csv") if row["session"] == "day4"]
    order = "".join(f"{row['scan']}\n" for row in scans)
    assert plan["order_sha256"]["day4"] == hashlib.sha256(order.encode()).hexdigest()
    units = {row["unit"]: (row["block"], row["treatment"]) for row in sheet(study / "units.csv")}
    kept = {
        row["unit"]: (row["block"], row["treatment"])
        for row in sheet(study / "plan/allocation.csv")
    }
    assert units == kept


def test_no_sheet_or_label_shows_a_treatment(study: Path) -> None:
    for name in ("plan/sheets/day0.html", "plan/labels.html"):
        text = re.sub(r"<style>.*?</style>", "", (study / name).read_text(encoding="utf-8"),
                      flags=re.DOTALL)  # fmt: skip
        assert "chelate" not in text
        assert "water" not in text
    for pdf in ("plan/sheets/day0.pdf", "plan/labels.pdf"):
        text = text_of_pdf(study / pdf)
        assert "p01" in text
        assert "chelate" not in text
        assert "water" not in text


def text_of_pdf(path: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not there: what a PDF says cannot be read")
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
    )
    return done.stdout


def test_the_sheet_lists_every_step_and_the_cautions(study: Path) -> None:
    text = text_of_pdf(study / "plan/sheets/day0.pdf")
    scans = [row["scan"] for row in sheet(study / "scans.csv") if row["session"] == "day0"]
    found = re.findall(r"day0-\S+", text)
    assert [scan for scan in found if scan in set(scans)] == scans
    for word in ("warmed up", "bent", "clip closes", "Dark and white first", "Same leaf",
                 "Same time of day", "Never look into", "ltraviolet", "hot", "manual"):  # fmt: skip
        assert word in re.sub(r"\s+", " ", text), word
    assert 'Größe, "ρ"' in text
    html = (study / "plan/sheets/day0.html").read_text(encoding="utf-8")
    assert re.findall(r'class="scan">([^<]+)<', html) == scans
    assert not re.search(r"(src|href)=", html)


def test_the_code_of_a_label_is_that_of_segno_for_the_unit(study: Path) -> None:
    import segno

    html = (study / "plan/labels.html").read_text(encoding="utf-8")
    drawn = re.findall(r'<path[^>]* d="([^"]+)"', html)
    assert len(drawn) == 24
    for unit, path in (("p01", drawn[0]), ("p24", drawn[-1])):
        made = segno.make(unit, error="m", micro=False, boost_error=False)
        assert path in made.svg_inline(border=2, omitsize=True)
    assert drawn[0] != drawn[1]


def test_the_code_on_the_printed_label_is_that_of_its_unit(study: Path, tmp_path: Path) -> None:
    """Each module of the printed code is black or white as segno has it for the unit's id.

    Read besides by zbar, once: all 40 labels of a study of 40 pots at 150 dpi.
    """
    import segno
    from PIL import Image

    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not there: what a PDF shows cannot be seen")
    dpi = 300
    command = ["pdftoppm", "-r", str(dpi), "-gray", "-png", str(study / "plan/labels.pdf")]
    subprocess.run([*command, str(tmp_path / "labels")], check=True)
    pages = [Image.open(path).convert("L") for path in sorted(tmp_path.glob("labels*.png"))]
    units = [row["unit"] for row in sheet(study / "units.csv")]
    per_page = printed_sheets._LABEL_COLUMNS * printed_sheets._LABEL_ROWS
    assert len(pages) == -(-len(units) // per_page)
    for i, unit in enumerate(units):
        matrix = segno.make(unit, error="m", micro=False, boost_error=False).matrix
        row, column = divmod(i % per_page, printed_sheets._LABEL_COLUMNS)
        left = printed_sheets._MARGIN + column * printed_sheets._LABEL_WIDTH + 3.0
        top = printed_sheets._TOP + row * printed_sheets._LABEL_HEIGHT + 5.5
        size = 27.0 / (len(matrix) + 4)
        for r in range(-2, len(matrix) + 2):
            for c in range(-2, len(matrix) + 2):
                inside = 0 <= r < len(matrix) and 0 <= c < len(matrix)
                x, y = left + (c + 2.5) * size, top + (r + 2.5) * size
                grey = pages[i // per_page].getpixel((int(x * dpi / 25.4), int(y * dpi / 25.4)))
                assert (grey < 128) == bool(inside and matrix[r][c]), (unit, r, c)


def test_the_page_of_words_says_what_was_drawn(study: Path) -> None:
    text = (study / "plan/randomisation.html").read_text(encoding="utf-8")
    plan = json.loads((study / "plan/plan.json").read_text(encoding="utf-8"))
    for word in (plan["allocation"]["sha256"], "6 complete blocks of 4", "Latin square", "Seed",
                 "after every 4 plants (12 leaf scans)", "plan record"):  # fmt: skip
        assert word in text, word


def test_the_same_seed_gives_the_same_bytes_and_another_seed_another_study(tmp_path: Path) -> None:
    for name, seed in (("a", "7"), ("b", "7"), ("c", "8")):
        assert planned(tmp_path / name, seed=seed, units="12", blocks="3").exit_code == 0
    files = [
        {p.relative_to(root).as_posix(): p.read_bytes() for p in root.rglob("*") if p.is_file()}
        for root in (tmp_path / "a", tmp_path / "b", tmp_path / "c")
    ]
    assert files[0] == files[1]
    assert files[0]["scans.csv"] != files[2]["scans.csv"]
    assert files[0]["units.csv"] != files[2]["units.csv"]


def test_lots_may_be_left_for_later(tmp_path: Path) -> None:
    folder = tmp_path / "later"
    done = planned(folder, "--allocate-later", blocks=None, pairs="")
    assert done.exit_code == 0, done.exception
    assert "plan allocate" in done.output
    assert {row["treatment"] for row in sheet(folder / "units.csv")} == {""}
    definition, _ = read_definition(folder)
    assert definition.design.levels == ["water", "chelate"]
    assert definition.design.block is None
    assert not (folder / "plan/allocation.csv").exists()
    assert json.loads((folder / "plan/plan.json").read_text())["allocation"] is None


def test_reflectance_needs_no_references(tmp_path: Path) -> None:
    folder = tmp_path / "percent"
    assert planned(folder, "--quantity", "percent").exit_code == 0
    assert {row["role"] for row in sheet(folder / "scans.csv")} == {"sample"}
    assert "quantity: percent" in (folder / "study.yaml").read_text(encoding="utf-8")


# --- how many ------------------------------------------------------------------------------------


def test_the_number_is_computed_from_a_difference(tmp_path: Path) -> None:
    done = planned(tmp_path / "n", units=None, blocks=None, difference="0.1", sd="0.08",
                   correlation="0.6")  # fmt: skip
    assert done.exit_code == 0, done.exception
    n = len(sheet(tmp_path / "n" / "units.csv"))
    assert n == 18
    assert f"{n} plants" in done.output
    # ANCOVA by hand: n per arm ~ 2 (z.975 + z.80)^2 sd^2 (1 - r^2) / D^2 = 6.4, and 1 to 2 for t.
    assert 2 * 6.4 < n <= 2 * 9


def test_too_few_are_refused_unless_the_number_is_fixed(tmp_path: Path) -> None:
    few = {"units": "12", "blocks": "3", "difference": "0.05", "sd": "0.08", "correlation": "0.6"}
    told = why(tmp_path / "few", **few)
    assert re.search(r"power of 0\.\d\d only", told)
    assert "--fixed" in told
    done = planned(tmp_path / "few", "--fixed", **few)
    assert done.exit_code == 0
    assert "12 plants (6 under each treatment) find a difference of" in done.output
    assert re.search(r"would find it with a power of 0\.8", done.output)


def test_a_difference_out_of_reach_is_said_and_no_missing_flag(tmp_path: Path) -> None:
    small = {"units": None, "blocks": None, "sd": "0.08", "correlation": "0"}
    found = why(tmp_path / "refused", difference="1e-4", **small)
    assert "No number of units up to 2,000 of a treatment finds a difference of 0.0001" in found
    assert "no answer" not in found
    # 2 * 2 (1.96 + 0.8416)^2 (sd / D)^2 = 31.4 * 64 = 2009 units in all: more than a study has.
    found = why(tmp_path / "refused", difference="0.01", **small)
    assert re.search(r"a power of 0\.8 needs 20[01]\d plants", found)


def test_a_difference_without_a_variation_has_no_power_and_it_is_said(tmp_path: Path) -> None:
    done = planned(tmp_path / "n", difference="0.1")
    assert done.exit_code == 0, done.exception
    unknown = "The power for the stated difference of 0.1 is not known"
    assert unknown in done.output
    assert unknown in (tmp_path / "n" / "plan" / "randomisation.html").read_text(encoding="utf-8")


def test_the_answer_names_the_model_whose_scatter_another_study_knows(tmp_path: Path) -> None:
    """Here that of the change within blocks: not given the value before, and not between blocks."""
    results = tmp_path / "once" / "results"
    results.mkdir(parents=True)
    (results / "effects.csv").write_text("question\ndifference_in_change\n", encoding="utf-8")
    heading = "index,n_units,n_leaves,n_scans,sd_residual,covariates,reason\n"
    (results / "power.csv").write_text(f"{heading}CI_rededge,32,1,1,0.1,block,\n", "utf-8")
    other = {"from": str(tmp_path / "once"), "units": "24"}
    done = planned(tmp_path / "rows", **other)
    assert done.exit_code == 0, done.exception
    found = " ".join(done.output.split())
    assert "linear model of the change itself (the analysis adjusts for the value before" in found
    # 24 units less 2 treatments and 5 blocks.
    assert "17 degrees of freedom, residual standard deviation 0.1 (the variation in the change " \
           "itself that the study once found, given block)" in found  # fmt: skip
    assert "within its blocks only" not in found
    assert "--leaves 3 changes nothing" in found
    assert "Whether the results of the study once are those of its data is not known" in found
    done = planned(tmp_path / "free", blocks=None, **other)
    assert done.exit_code == 0, done.exception
    assert "The power is too hopeful" in " ".join(done.output.split())
    page = (tmp_path / "free" / "plan" / "randomisation.html").read_text(encoding="utf-8")
    assert "The power is too hopeful" in page


# --- refused -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"treatments": "water"}, "at least two treatments"),
        ({"treatments": "water,Water"}, "stands there twice"),
        ({"control": "salt"}, "one of the treatments"),
        ({"sd": "1", "from": "elsewhere"}, "one of the two"),
        ({"from": "elsewhere"}, "no results/power.csv"),
        ({"sd_leaves": "0.1"}, "expected --sd beside it"),
        ({"sd_scans": "0.1", "difference": "0.1"}, "expected --sd beside it"),
        ({"correlation": "0.5"}, "--correlation"),
        ({"sd_leaves": "0.1", "from": "elsewhere"}, "a part of --sd beside --from"),
        ({"units": "2", "blocks": None}, "one unit under a treatment"),
        ({"units": "10"}, "6 blocks"),
        ({"units": "26"}, "Plan 24 or 36"),
        ({"units": "9", "blocks": None, "pairs": ""}, "an odd number"),
        ({"treatments": "a,b,c", "blocks": None, "pairs": ""}, "a pair holds one unit of each"),
        ({"units": "6", "blocks": None}, "p can be no smaller than 0.1"),
        ({"units": "10", "blocks": None, "pairs": ""}, "0.0625"),
        ({"sessions": "day0"}, "no session after"),
        ({"sessions": "day0:after,day4:after"}, "no session before"),
        ({"sessions": "day4:after,day0:before"}, "before the treatment first"),
        ({"sessions": "day0,day0"}, "twice"),
        ({"sessions": "day0:2026-05-04,day4:2026-05-01"}, "dates that rise"),
        ({"sessions": "day/0,day4"}, "expected a session such as day0"),
        ({"difference": "0"}, "no study is large enough"),
        ({"correlation": "1", "difference": "0.1", "sd": "1"}, "0 to below 1"),
        ({"index": "CI_rededg"}, "CI_rededge"),
        ({"seed": "-1"}, "whole number"),
        ({"alpha": "5"}, "between 0 and 1"),
        ({"pairs": ""}, "one of the two"),
        ({"start": "4.5.2026"}, "2026-05-04"),
        ({"units": None}, "no answer"),
    ],
)
def test_a_design_that_cannot_answer_is_refused(
    tmp_path: Path, changed: dict[str, str | None], words: str
) -> None:
    assert words in why(tmp_path / "refused", **changed)


def test_all_problems_come_at_once(tmp_path: Path) -> None:
    told = why(tmp_path / "refused", sessions="day0:after", units="26")
    assert "no session before" in told
    assert "Plan 24 or 36" in told
    told = why(tmp_path / "refused", alpha="5", seed="x", sessions="day0,day0", leaves="0")
    assert all(f"--{flag}" in told for flag in ("alpha", "seed", "sessions", "leaves"))


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "notes.txt").write_text("mine")
    done = planned(tmp_path / "there")
    assert isinstance(done.exception, InputFault)
    assert "not empty" in str(done.exception)
    assert [p.name for p in (tmp_path / "there").iterdir()] == ["notes.txt"]
    (tmp_path / "empty").mkdir()
    assert planned(tmp_path / "empty").exit_code == 0
    again = planned(tmp_path / "empty")
    assert "a study already" in str(again.exception)


def test_a_long_session_is_warned_of_with_its_time(tmp_path: Path) -> None:
    done = planned(tmp_path / "long", "--seconds-per-scan", "60", leaves="15")
    assert done.exit_code == 0
    # 24 x 15 leaf scans; six references first, and after each plant.
    assert "To heed" in done.output
    assert re.search(r"510 scans: about 8\.5 hours", done.output)
    assert "references come after each plant" in done.output


# --- questions -----------------------------------------------------------------------------------

TYPED = [
    "Iron on beans", "water", "water,chelate", "salt", "water", "pot", "2026-05-04", "day0,day7",
    "CI_rededge", "2", "1", "0", "0.1", "0.07", "0.6", "pairs", "13", "", "12", "41",
]  # fmt: skip


def test_answers_may_be_piped_and_a_slip_is_asked_for_again(tmp_path: Path) -> None:
    folder = tmp_path / "piped"
    done = subprocess.run(
        [*COMMAND, "plan", str(folder)],
        input="\n".join(TYPED) + "\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "at least two treatments" in done.stderr
    assert "no study is large enough" in done.stderr
    assert "13 pots, an odd number" in done.stderr
    plan = json.loads((folder / "plan/plan.json").read_text(encoding="utf-8"))
    answers = plan["answers"]
    assert (answers["title"], answers["unit"], answers["layout"]) == (
        "Iron on beans", "pot", "pairs",
    )  # fmt: skip
    assert plan["seed"] == 41
    assert "pots" in done.stdout


def test_lots_for_later_may_be_asked_for_in_answers(tmp_path: Path) -> None:
    typed = [*TYPED[:12], "", "later", "12", "12", "3"]
    done = CliRunner().invoke(cli, ["plan", str(tmp_path / "asked")], input="\n".join(typed) + "\n")
    assert done.exit_code == 0, (done.output, done.exception)
    plan = json.loads((tmp_path / "asked/plan/plan.json").read_text(encoding="utf-8"))
    assert plan["answers"]["allocate_later"] is True
    assert plan["answers"]["layout"] == "pairs"


def test_a_pipe_that_ends_leaves_defaults_and_names_what_is_missing(tmp_path: Path) -> None:
    folder = tmp_path / "short"
    done = subprocess.run(
        [*COMMAND, "plan", str(folder)],
        input="\n".join(TYPED[:3]) + "\n",
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert "--sessions, --units" in done.stderr
    assert "Traceback" not in done.stderr
    assert not folder.exists()


def test_all_flags_and_no_terminal_ask_nothing(tmp_path: Path) -> None:
    read, write = os.pipe()  # a pipe that nobody writes to and nobody closes
    try:
        done = subprocess.run(
            [*COMMAND, "plan", str(tmp_path / "flags"), *flags()],
            stdin=read,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
    finally:
        os.close(read)
        os.close(write)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_a_terminal_asks_what_no_flag_says(tmp_path: Path) -> None:
    leader, follower = pty.openpty()
    words = [*COMMAND, "plan", str(tmp_path / "asked"), *flags()]
    with subprocess.Popen(words, stdin=follower, stdout=follower, stderr=follower) as process:
        os.close(follower)
        os.write(leader, b"\n" * 12)
        shown = b""
        while True:
            try:
                part = os.read(leader, 4096)
            except OSError:
                break
            if not part:
                break
            shown += part
    os.close(leader)
    assert process.returncode == 0, shown.decode()
    assert b"Title of the study" in shown
    assert b"Number of plants" not in shown
    assert (tmp_path / "asked" / "study.yaml").is_file()


# --- the group -----------------------------------------------------------------------------------


def test_a_folder_and_the_other_commands_live_together(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runner = CliRunner()
    monkeypatch.chdir(tmp_path)
    assert runner.invoke(cli, ["plan", "./record", *flags()]).exit_code == 0
    assert Path("record/study.yaml").is_file()
    assert runner.invoke(cli, ["plan", "record", "record"]).exit_code == 0
    assert Path("record/ledger/plans/001.json").is_file()
    assert runner.invoke(cli, ["plan", *flags(), "before"]).exit_code == 0
    assert Path("before/units.csv").is_file()
    slip = runner.invoke(cli, ["plan", "records"])
    assert slip.exit_code == 2
    assert "Did you mean record?" in slip.output
    assert not Path("records").exists()
    told = runner.invoke(cli, ["plan", "--help"]).output
    assert all(word in told for word in ("FOLDER", "record", "history", "allocate"))


def test_a_full_disk_leaves_nothing_of_a_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from leafledger.cli.main import main
    from leafledger.planning import planned_study

    write, written = planned_study.write_bytes, []

    def filling(path: Path, data: bytes) -> None:
        if len(written) == 4:
            raise OSError(errno.ENOSPC, "No space left on device")
        written.append(path)
        write(path, data)

    monkeypatch.setattr(planned_study, "write_bytes", filling)
    folder = tmp_path / "full"
    words = ["plan", str(folder), "--treatments", "water,chelate", "--units", "12", "--blocks", "3",
             "--sessions", "day0,day4", "--seed", "5"]  # fmt: skip
    monkeypatch.setattr(sys, "argv", ["leafledger", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    assert "No space left on device" in capsys.readouterr().err
    assert not folder.exists()
    assert len(written) == 4
    assert list(tmp_path.iterdir()) == []


def test_sessions_that_differ_in_capitals_only_are_refused(tmp_path: Path) -> None:
    assert 'session "Day0" stands there twice' in why(tmp_path / "alike", sessions="Day0,day0,day4")
    # Written by hand, `check` refuses them: on many disks their files would have one name.
    folder = tmp_path / "by hand"
    assert planned(folder).exit_code == 0
    text = (folder / "study.yaml").read_text(encoding="utf-8")
    (folder / "study.yaml").write_text(text.replace("session: day4", "session: DAY0"), "utf-8")
    done = CliRunner().invoke(cli, ["check", str(folder)])
    assert isinstance(done.exception, InputFault)
    assert 'session "DAY0", which differs from "day0" in capital letters only' in str(
        done.exception
    )

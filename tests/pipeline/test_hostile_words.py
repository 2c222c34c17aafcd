"""A study whose names and notes hold markup, formulas and what steers a terminal: text throughout.

acceptance.md, section 6, first check, against the program as a user starts it.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import threading
from pathlib import Path

import pytest
from playwright.sync_api import expect

from browser import Watched
from leafledger.review.review_session import ReviewSession, open_server
from terminal import at_a_terminal

MARKUP = "</script><img src=x onerror=alert(1)>"
FORMULA = '=HYPERLINK("x")'
MATHS = "$\\foo$"
RICH = "[/b]"
STEERING = "\x1b]0;owned\x07\x1b[31m"
LABELS = {
    "chelate": MARKUP,
    "water": FORMULA,
    "Kestrel": MATHS,
    "Plover": RICH,
    "A": "[red]A[/red]",
}
FILES = ("<img src=x onerror=alert(2)>.txt", "$foo$ [bold].txt", '=HYPERLINK("x").txt')

pytestmark = pytest.mark.slow


def _rows(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def _write(path: Path, rows: list[list[str]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def poison(study: Path) -> str:
    """Put hostile words wherever a study takes the user's own; return a scan with such a file."""
    head, *units = _rows(study / "units.csv")
    _write(study / "units.csv", [head, *([LABELS.get(c, c) for c in row] for row in units)])
    path = study / "study.yaml"
    text = path.read_text(encoding="utf-8")
    title, control = json.dumps(f"{MARKUP} {RICH} {MATHS}"), json.dumps(FORMULA)
    text = re.sub("title: .*", lambda _: f"title: {title}", text)
    text = re.sub("question: .*", lambda _: f"question: {control}", text, count=1)
    text = text.replace("control: water", f"control: {control}")
    path.write_text(text, encoding="utf-8")
    heads, *scans = _rows(study / "scans.csv")
    file, item, note, role = (heads.index(name) for name in ("file", "item", "note", "role"))
    leaves = [row for row in scans if row[role] == "sample"]
    for row in leaves:
        row[note] = f"{MARKUP}{STEERING}{RICH}=1+1"
    own = list(dict.fromkeys(row[file] for row in leaves if not row[item]))[: len(FILES)]
    for old, new in zip(own, FILES, strict=True):
        (study / old).rename(study / "raw/day0" / new)
        for row in scans:
            row[file] = f"raw/day0/{new}" if row[file] == old else row[file]
    _write(study / "scans.csv", [heads, *scans])
    scan = next(row[0] for row in leaves if row[file].endswith(FILES[0]))
    reason = f"{RICH} {MARKUP} {MATHS} {STEERING}"
    _write(
        study / "decisions.csv",
        [
            ["scan", "action", "reason", "by", "when"],
            [scan, "keep", reason, f"{FORMULA} {RICH}", ""],
        ],
    )
    return scan


def leafledger(*arguments: str) -> tuple[int, str]:
    return at_a_terminal("-m", "leafledger.cli", *arguments)


@pytest.fixture(scope="module")
def hostile(small_study_made: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Return the study, run once, and what the terminal was told."""
    study = tmp_path_factory.mktemp("hostile") / "study"
    shutil.copytree(small_study_made, study)
    poison(study)
    code, told = leafledger("run", str(study))
    assert code == 0, told
    return study, told


def test_the_terminal_stays_clean(hostile: tuple[Path, str]) -> None:
    study, told = hostile
    assert f"under {MARKUP}" in " ".join(told.split())
    for words in ("intake day", " %  ", " of ", " left"):
        assert words in told, "the bar shows stage, session, share done and time left"
    assert "owned" not in told
    assert "\x07" not in told
    asked = [
        ("check", str(study)),
        ("status", str(study)),
        ("runs", str(study)),
        ("verify", str(study)),
        ("trace", str(study), "accepted.csv", "--all"),
        ("trace", str(study), f"raw/day0/{FILES[2]}"),
        ("trace", str(study), f"raw/day0/{RICH}{STEERING}"),
    ]
    for arguments in asked:
        code, told = leafledger(*arguments)
        assert code in ({2} if STEERING in arguments[-1] else {0}), (arguments, told)
        assert told
        assert not set("\x1b\x07") & set(told), arguments
        assert "Traceback" not in told
    assert RICH in leafledger("trace", str(study), "accepted.csv", "--all")[1]


def test_a_file_name_that_steers_is_told_and_not_obeyed(small_study: Path) -> None:
    heads, first, *others = _rows(small_study / "scans.csv")
    first[heads.index("file")] = f"raw/{STEERING}.txt"
    _write(small_study / "scans.csv", [heads, first, *others])
    code, told = leafledger("check", str(small_study))
    assert code == 2
    assert "row 2, file" in told
    assert not set("\x1b\x07") & set(told)


def test_report_and_review_show_it_as_text(hostile: tuple[Path, str], watched: Watched) -> None:
    study, _ = hostile
    page = watched.open_file(study / "results/report.html")
    expect(page.locator("h1")).to_contain_text(f"{MARKUP} {RICH} {MATHS}")
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for words in (MARKUP, FORMULA, MATHS, RICH):
        assert page.get_by_text(words, exact=False).count() > 0, words
    assert page.locator("img[src='x']").count() == 0
    undrawn = "[...document.images].filter((i) => !i.complete || !i.naturalWidth).length"
    assert page.evaluate(undrawn) == 0
    assert page.locator("figure svg, figure img").count() > 5
    server, guard = open_server(ReviewSession(study), 0)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        watched.allow(guard.address.split("?")[0])
        page.goto(guard.address)
        expect(page.locator("#figures svg").first).to_be_visible()
        for k in range(page.locator("#groups button").count()):
            page.locator("#groups button").nth(k).click()
            expect(page.locator("#groups button").nth(k)).to_have_attribute("aria-current", "true")
        page.locator("#groups button", has_text="p04").first.click()
        expect(page.locator("#scans")).to_contain_text(FILES[0])
        assert page.locator("main img").count() == 0
    finally:
        server.shutdown()
        thread.join()
        server.server_close()

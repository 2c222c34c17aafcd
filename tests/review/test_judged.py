"""A decision notes the raw values that it judged; when they change, everybody is told."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

from leafledger.errors import InputFault
from leafledger.intake.stage import read_session
from leafledger.records.record import Outcome
from leafledger.review.review_session import ReviewSession
from leafledger.runner.step import job_of
from leafledger.runner.study_check import (
    check_raw_files,
    checked_study,
    digests_of_last_run,
    digests_of_raw_files,
)
from leafledger.study.rules import BY_NAME
from leafledger.study.scan_sheet import Decision, change_warnings, digest_changed
from leafledger.study.sheet_changes import DecisionRequest
from leafledger.study.study import Task

DIGEST = "ab" * 32


def up_to_acceptance(folder: Path) -> Outcome:
    """Run the rules up to acceptance and return what acceptance told."""
    study = checked_study(folder)
    tasks = [Task(r, s) for s in study.session_ids for r in ("intake", "reflectance", "quality")]
    for task in [Task("catalogue"), *tasks, Task("acceptance")]:
        job = job_of(study, task)
        for path in job.outputs.values():
            path.parent.mkdir(parents=True, exist_ok=True)
        outcome = importlib.import_module(BY_NAME[task.rule].module).run(job)
    return outcome


@pytest.mark.slow
def test_a_raw_file_that_changed_after_the_decision_is_told(small_study: Path) -> None:
    up_to_acceptance(small_study)
    sitting = ReviewSession(small_study)
    group = sitting.overview()["groups"][0]
    view = sitting.leaves(group["session"], group["name"])
    assert view is not None
    one = view["scans"][0]
    sitting.save(
        "A. Grower",
        [DecisionRequest(one["scan"], "exclude", "clip open", None, one["scan_sha256"])],
    )

    def words(texts: list[str]) -> list[str]:
        return [text for text in texts if "has changed since" in text]

    assert words(check_raw_files(checked_study(small_study)).warnings) == []
    assert words(up_to_acceptance(small_study).warnings) == []
    raw = small_study / one["file"]
    lines = raw.read_text(encoding="utf-8").splitlines()
    last = lines[-1].replace("\t", " ").split()
    assert float(last[-1]) >= 0
    lines[-1] = lines[-1].replace(last[-1], f"{float(last[-1]) + 7:g}")
    raw.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (told,) = words(check_raw_files(checked_study(small_study)).warnings)
    assert told.startswith(f"{one['scan']} has changed since A. Grower decided to exclude it (20")
    assert words(up_to_acceptance(small_study).warnings) == [told]
    again = sitting.leaves(group["session"], group["name"])
    assert again is not None
    assert [s["scan"] for s in again["scans"] if s["changed"]] == [one["scan"]]
    new = again["scans"][0]
    sitting.save(
        "B. Keeper",
        [DecisionRequest(one["scan"], "keep", "sound now", new["decision"], new["scan_sha256"])],
    )
    assert words(up_to_acceptance(small_study).warnings) == []


def test_what_is_read_now_has_the_digest_of_what_was_taken_in(small_study: Path) -> None:
    """The kept counts are float32: the same file must not look changed for that."""
    up_to_acceptance(small_study)
    study = checked_study(small_study)
    for session in study.session_ids:
        read = read_session(job_of(study, Task("intake", session)))
        taken_in = digests_of_last_run(study, session)
        assert digests_of_raw_files(study, session, read) == taken_in
        assert len(set(taken_in.values())) > 10


def decision(scan: str, digest: str = DIGEST) -> Decision:
    return Decision(scan, "keep", "pale, sound", "A", "", digest)


def test_a_row_by_hand_and_a_scan_that_is_gone_tell_nothing() -> None:
    rows = [decision("a"), decision("b", ""), decision("c"), decision("d")]
    assert digest_changed(rows, {"a": "cd" * 32, "b": DIGEST, "c": DIGEST}) == [rows[0]]


def test_many_changes_are_told_in_one_sentence() -> None:
    assert change_warnings([]) == []
    (told,) = change_warnings([decision(f"s{k}") for k in range(9)])
    assert told.startswith("9 scans have changed")
    assert "s5 (keep, A) and 3 more" in told


def test_a_digest_that_cannot_be_one_is_refused_with_its_row(small_study: Path) -> None:
    study = checked_study(small_study)
    scan = study.samples()[0].scan
    (small_study / "decisions.csv").write_text(
        f"scan,action,reason,by,when,scan_sha256\n{scan},keep,sound,A,,1.2E+34\n",
        encoding="utf-8",
    )
    with pytest.raises(InputFault) as caught:
        checked_study(small_study)
    (problem,) = caught.value.problems
    assert (problem.row, problem.column) == (2, "scan_sha256")

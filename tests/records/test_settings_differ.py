"""Differences of settings are told under the names that a person wrote."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from leafledger.records.record import settings_differ
from leafledger.study.reading import read_study
from leafledger.study.settings import settings_of
from leafledger.study.study import tasks
from leafledger.study.table_files import canonical_json


def settings(folder: Path) -> dict[str, dict[str, Any]]:
    """Return task -> what its record would say of its settings."""
    study = read_study(folder)
    return {
        task.name: {
            "rule": task.rule,
            "session": task.session,
            "settings": settings_of(study, task.rule, task.session),
        }
        for task in tasks(study)
    }


def swap_two_rows(text: str) -> str:
    lines = text.splitlines()
    places = [i for i, line in enumerate(lines) if line.startswith(("d0-p01-1,", "d0-p01-2,"))]
    lines[places[0]], lines[places[1]] = lines[places[1]], lines[places[0]]
    return "\n".join(lines) + "\n"


def without_a_leaf(text: str) -> str:
    kept = [line for line in text.splitlines() if not line.startswith("d0-p02-1,")]
    return "\n".join(kept) + "\n"


FORMULA = "indices.formulas.RE_contrast.formula"
FIRST_DARK = "scans.csv d0-dark12-1 time"
EDITS: list[tuple[str, Callable[[str], str], str]] = [
    ("units.csv", lambda t: t.replace("p01,chelate", "p01,water"), "units.csv p01 treatment"),
    ("scans.csv", swap_two_rows, "scans.csv order of the rows"),
    ("scans.csv", without_a_leaf, "scans.csv d0-p02-1"),
    ("scans.csv", lambda t: t.replace(",dark,day0,,,,2026", ",dark,day0,,,,2025", 1), FIRST_DARK),
    (
        "study.yaml",
        lambda t: t.replace("low_signal_to_noise: 20", "low_signal_to_noise: 30"),
        "quality.checks.low_signal_to_noise",
    ),
    ("study.yaml", lambda t: t.replace("R(705)) /", "R(710)) /"), FORMULA),
    ("study.yaml", lambda t: t.replace('title: "', 'title: "A '), "title"),
]


@pytest.mark.parametrize(("file", "change", "name"), EDITS)
def test_every_task_that_an_edit_reaches_is_told_why(
    small_study: Path, file: str, change: Callable[[str], str], name: str
) -> None:
    before = settings(small_study)
    path = small_study / file
    text = path.read_text(encoding="utf-8")
    path.write_text(change(text), encoding="utf-8")
    assert path.read_text(encoding="utf-8") != text
    after = settings(small_study)
    reached = [t for t in before if canonical_json(before[t]) != canonical_json(after[t])]
    assert reached
    for task in reached:
        assert name in [d.name for d in settings_differ(before[task], after[task])], task


def test_scans_that_other_sessions_name_are_told() -> None:
    def record(scans: list[str]) -> dict[str, Any]:
        told = {"form": {}, "scans": [], "elsewhere": {"raw/all.csv": scans}}
        return {"rule": "intake", "session": "day0", "settings": told}

    (found,) = settings_differ(record(["a"]), record(["a", "b"]))
    assert (found.name, found.before, found.after) == (
        "scans.csv other sessions' scans of raw/all.csv",
        "a",
        "a, b",
    )

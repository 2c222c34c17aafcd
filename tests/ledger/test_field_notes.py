"""Field notes, skipped sessions and omitted scans in the methods text and in the MIAPPE table."""

from __future__ import annotations

from typing import Any, cast

import pytest

from leafledger.ledger import export
from leafledger.ledger.crate import ExportedRun
from leafledger.report import methods_text

NOTES = {
    "sessions": {
        "day0": {"weather": "overcast, 18 C", "light": "greenhouse"},
        "day4": {"light": "lamps on"},
    },
    "scans": {
        "d0-p1-1": {"session": "day0", "note": "old leaf", "photo": "photos/p1.jpg"},
        "d0-p1-1b": {"session": "day0", "note": "bent"},
        "d0-white-1": {"session": "day0", "note": "panel wiped"},
    },
}
PLACES = {name: {"session": "day0", "unit": "p1", "leaf": "1"} for name in ("d0-p1-1", "d0-p1-1b")}
OMITTED = [
    {"scan": "a", "session": "day0", "role": "sample", "reason": "leaf fell"},
    {"scan": "b", "session": "day0", "role": "sample", "reason": "clip open"},
    {"scan": "c", "session": "day0", "role": "white", "reason": "clip open"},
]


class Recorded:
    """The settings that the rules of a run were given."""

    def __init__(self, **report: Any) -> None:
        self._settings = {"report": report, "unit_means": {"scans": PLACES}}

    def settings(self, rule: str) -> dict[str, Any]:
        return self._settings[rule]


def run(**report: Any) -> ExportedRun:
    return cast(ExportedRun, Recorded(**report))


def test_the_methods_name_weather_light_notes_and_reasons() -> None:
    told = list(methods_text._noted(run(field_notes=NOTES, omitted=OMITTED)))
    assert told == [
        "Noted at day0: weather overcast, 18 C; light greenhouse.",
        "Noted at day4: light lamps on.",
        "The scan sheet has 3 scans with a note and 1 scan with a photograph.",
        "3 scans of the sheet were omitted for a stated reason: leaf fell (1); clip open (2).",
    ]


def test_where_nobody_noted_anything_nothing_is_said() -> None:
    assert list(methods_text._noted(run())) == []


@pytest.mark.parametrize(
    ("sessions", "said"),
    [
        ([{"session": "d0"}], []),
        (
            [{"session": "d4", "skipped": "storm"}],
            ["Session d4 was planned and not measured: storm."],
        ),
        (
            [{"session": "d8", "to_come": True}],
            ["When this was computed, d8 was still to be measured."],
        ),
        (
            [{"session": "d8", "to_come": True}, {"session": "d12", "to_come": True}],
            ["When this was computed, d8 and d12 were still to be measured."],
        ),
    ],
)
def test_the_methods_name_sessions_without_scans(
    sessions: list[dict[str, Any]], said: list[str]
) -> None:
    assert list(methods_text._sessions_without_scans(sessions)) == said


def test_weather_and_light_are_environment_parameters_of_miappe() -> None:
    rows = list(export._environment(run(field_notes=NOTES)))
    assert rows == [
        ("DM-58", "weather", "weather"),
        ("DM-58", "light", "light"),
        ("DM-59", "weather, day0", "overcast, 18 C"),
        ("DM-59", "light, day0", "greenhouse"),
        ("DM-59", "light, day4", "lamps on"),
    ]
    assert list(export._environment(run())) == [("DM-58", "", ""), ("DM-59", "", "")]


def test_notes_and_photographs_describe_the_sample_that_they_belong_to() -> None:
    """A sample is a leaf: its scans share it. A note on a reference belongs to none."""
    assert export._noted(run(field_notes=NOTES)) == {
        ("day0", "p1", "1"): ["note: old leaf", "photograph: photos/p1.jpg", "note: bent"]
    }

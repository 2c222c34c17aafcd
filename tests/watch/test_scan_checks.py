"""What is said at once is what a run says later: planted faults, and clean sessions."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from leafledger.errors import InputFault
from leafledger.watch.scan_checks import AT_ONCE, OF_THE_GROUP, ScanChecks
from quality.simulated import MERCURY, TRI_BAND, Simulated, lamp

from .sessions import flags_of_a_run, judged_one_by_one, measured, settings

Plant = Callable[[Simulated, list[int], list[int], list[int]], int]


def dark(ms: float) -> float:
    return 900 + 4.0 * ms


def saturated(s: Simulated, leaves: list[int], _w: list[int], _d: list[int]) -> int:
    s.counts[leaves[5]][250:300] = 65535.0
    return leaves[5]


def too_dark(s: Simulated, leaves: list[int], _w: list[int], _d: list[int]) -> int:
    light = 0.02 * (s.counts[leaves[5]] - dark(18))
    s.counts[leaves[5]] = np.round(dark(18) + light + s.rng.normal(0, 8, len(s.axis)))
    return leaves[5]


def no_leaf(s: Simulated, leaves: list[int], whites: list[int], _d: list[int]) -> int:
    s.counts[leaves[5]] = np.round(dark(18) + 0.9 * (s.counts[whites[0]] - dark(12)))
    return leaves[5]


def above_one(s: Simulated, leaves: list[int], whites: list[int], _d: list[int]) -> int:
    light = s.counts[leaves[5]] - dark(18)
    light[450:] = 1.6 * (s.counts[whites[0]] - dark(12))[450:]
    s.counts[leaves[5]] = np.round(dark(18) + light)
    return leaves[5]


def room_light(s: Simulated, leaves: list[int], whites: list[int], _d: list[int]) -> int:
    white = 1.5 * (s.counts[whites[0]] - dark(12))
    s.counts[leaves[5]] += np.round(0.03 * white * lamp(s.axis, TRI_BAND, 1.5))
    return leaves[5]


def copied(s: Simulated, leaves: list[int], _w: list[int], _d: list[int]) -> int:
    s.counts[leaves[5]] = s.counts[leaves[1]].copy()
    return leaves[5]


def light_in_dark(s: Simulated, _l: list[int], whites: list[int], darks: list[int]) -> int:
    s.counts[darks[4]] += np.round(0.02 * (s.counts[whites[0]] - dark(12)))
    return darks[4]


def noisy_dark(s: Simulated, _l: list[int], _w: list[int], darks: list[int]) -> int:
    s.counts[darks[4]] = np.round(s.counts[darks[4]] + s.rng.normal(0, 60, len(s.axis)))
    return darks[4]


def low_white(s: Simulated, _l: list[int], whites: list[int], _d: list[int]) -> int:
    s.counts[whites[4]] = np.round(dark(12) + 0.9 * (s.counts[whites[4]] - dark(12)))
    return whites[4]


def tube_in_white(s: Simulated, _l: list[int], whites: list[int], _d: list[int]) -> int:
    light = s.counts[whites[4]] - dark(12)
    s.counts[whites[4]] += np.round(0.02 * light * lamp(s.axis, MERCURY, 1.5))
    return whites[4]


def full_white(s: Simulated, _l: list[int], whites: list[int], _d: list[int]) -> int:
    s.counts[whites[4]][:] = 65535.0
    return whites[4]


PLANTED: list[tuple[Plant, str, str]] = [
    (saturated, "saturated", "the detector was full"),
    (too_dark, "low_signal", "too dark"),
    (no_leaf, "no_leaf", "no leaf in the clip"),
    (above_one, "impossible_reflectance", "reflectance below 0 or above 1"),
    (room_light, "ambient_light", "room light in the clip"),
    (copied, "duplicate", "same scan twice"),
    (light_in_dark, "bad_dark", "dark out of line"),
    (noisy_dark, "dark_noise", "noise of the dark out of line"),
    (low_white, "reference_drift", "the white drifts"),
    (tube_in_white, "ambient_light", "room light in the white"),
    (full_white, "saturated", "the detector was full"),
]


def session_with(plant: Plant | None, seed: int = 7) -> tuple[Simulated, str]:
    session = Simulated(seed, n_units=5)
    roles = [[k for k, r in enumerate(session.rows) if r["role"] == role]
             for role in ("sample", "white", "dark")]  # fmt: skip
    at = plant(session, *roles) if plant else 0
    return session, session.rows[at]["scan"]


def faults(table: object) -> set[tuple[str, str]]:
    rows = table[table["severity"] == "fault"]  # type: ignore[index]
    return set(zip(rows["scan"], rows["check"], strict=True))


@pytest.mark.slow
@pytest.mark.parametrize(("plant", "check", "words"), PLANTED, ids=[p[0].__name__ for p in PLANTED])
def test_a_planted_fault_is_said_at_once_as_a_run_says_it(
    plant: Plant, check: str, words: str, tmp_path: Path
) -> None:
    session, guilty = session_with(plant)
    scans = measured(session)
    checks, at_once = judged_one_by_one(scans)
    later = faults(flags_of_a_run(scans, tmp_path))
    assert (guilty, check) in later
    said = {(s, f.check) for s, v in at_once.items() for f in v.flags if f.severity == "fault"}
    # At once and later are the same faults, but for the first of two copies, then sound.
    first = {(s.scan, "duplicate") for s in scans} if check == "duplicate" else set()
    missing = later - said - first
    assert said <= later and all(
        name == "low_signal" and "signal against noise" in at_once[scan].not_judged_yet
        for scan, name in missing
    )
    assert at_once[guilty].grade == "fault" and words in {
        at_once[guilty].reason,
        *(f"{words}" for f in at_once[guilty].flags if f.check == check),
    }
    assert {s for s, v in at_once.items() if v.grade in ("fault", "unclear")} == {guilty}
    kinds = {check for names in AT_ONCE.values() for check in names}
    assert {check for _, check in later} <= kinds
    # After the last step everything is judged by all, note for note.
    table = flags_of_a_run(scans, tmp_path)
    all_later = set(zip(table["scan"], table["check"], table["severity"], strict=True))
    mine = {(s.scan, f.check, f.severity) for s in scans for f in checks.flags_of(s.scan)}
    assert mine == all_later


def test_a_clean_session_is_good_from_the_first_scan_to_the_last(tmp_path: Path) -> None:
    session, _ = session_with(None, seed=11)
    scans = measured(session)
    _, at_once = judged_one_by_one(scans)
    assert {v.grade for v in at_once.values()} == {"good"}
    assert faults(flags_of_a_run(scans, tmp_path)) == set()


def test_what_needs_the_session_is_not_judged_yet() -> None:
    session, _ = session_with(None)
    scans = measured(session)
    checks = ScanChecks(settings())
    leaf = next(k for k, s in enumerate(scans) if s.role == "sample")
    only_darks = [*[s for s in scans[:leaf] if s.role == "dark"], scans[leaf]]
    checks.judge_all(only_darks)
    said = checks.verdict(scans[leaf].scan, complete=False, unit_complete=False)
    assert said.grade == "unjudged" and "no white" in said.reason
    assert {"signal", "room light", "clip moved"} <= set(said.not_judged_yet)
    checks.judge_all(scans[: leaf + 1])
    said = checks.verdict(scans[leaf].scan, complete=False, unit_complete=False)
    assert said.grade == "good"
    assert set(said.not_judged_yet) == {
        "exposure against the other leaves", "the white after it",
        "signal against noise", "likeness to the other leaves of its plant", "clip moved",
    }  # fmt: skip
    said = checks.verdict(scans[leaf].scan, complete=True)
    assert said.not_judged_yet == ()
    assert not set(OF_THE_GROUP) & {c for names in AT_ONCE.values() for c in names}


def test_of_two_whites_that_differ_none_is_blamed_yet() -> None:
    session, _ = session_with(None)
    scans = measured(session)[:4]
    scans[3].values[:] = np.round(dark(12) + 0.9 * (scans[3].values - dark(12)))
    checks = ScanChecks(settings())
    checks.judge_all(scans)
    said = checks.verdict(scans[3].scan, complete=False)
    assert (said.grade, said.reason) == ("unclear", "the white drifts: two that differ")
    assert "a third one tells" in said.action


def test_a_white_without_light_is_named_as_a_run_would_refuse_it(tmp_path: Path) -> None:
    session, _ = session_with(None)
    scans = measured(session)
    white = [s for s in scans if s.role == "white"][4]
    white.values[:] = np.round(dark(12) + session.rng.normal(0, 6.3, len(session.axis)))
    checks = ScanChecks(settings())
    checks.judge_all(scans)
    said = checks.verdict(white.scan, complete=False)
    assert (said.grade, said.reason) == ("fault", "no brighter than a dark")
    with pytest.raises(InputFault, match=f"white {white.scan} at"):
        flags_of_a_run(scans, tmp_path)
    # The leaves are judged by the other whites meanwhile.
    leaf = next(s.scan for s in scans if s.role == "sample")
    assert checks.verdict(leaf, complete=False).grade == "good"

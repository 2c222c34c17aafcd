"""The scan sheet: which scan was taken when, of what, into which file."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from seedlings.instrument import AVERAGES, LEAF_MS, WHITE_MS
from seedlings.scenario import Session, Unit, stream

REPEATS_OF_A_BLOCK = 3
LEAVES_PER_BLOCK = 40
_SECONDS = {"dark": 10, "white": 20, "sample": 30}
_ENDING = {"text": "txt", "jcamp_dx": "jdx"}
_ONE_FILE = {"wide_table": "counts.csv", "parquet": "counts.parquet"}


@dataclass(frozen=True)
class Scan:
    """One row of the scan sheet."""

    scan: str
    label: str
    session: Session
    role: str
    time: dt.datetime
    integration_ms: float
    averages: int = AVERAGES
    unit: str = ""
    leaf: str = ""
    replicate: str = ""
    note: str = ""

    @property
    def file(self) -> str:
        """Path of the raw file inside the study."""
        form = self.session.form
        name = _ONE_FILE.get(form) or f"{self.label}.{_ENDING[form]}"
        return f"raw/{self.session.session}/{name}"

    @property
    def item(self) -> str:
        """Name of the scan inside a file of many scans; empty for a file of its own."""
        return self.label if self.session.form in _ONE_FILE else ""


def scan_twice(units: list[Unit]) -> set[str]:
    """Return the plants whose first leaf is scanned twice: every fourth, arms in turn."""
    chosen = {4 * k + k % 2 for k in range((len(units) + 3) // 4)}
    return {units[i].unit for i in chosen if i < len(units)}


def session_scans(seed: int, session: Session, units: list[Unit], n_leaves: int) -> list[Scan]:
    """Return all scans of a day in the order they were taken.

    Plants come in an order drawn for the day, so that treatment is not tied to time. Darks (one
    set per integration time) and whites stand before, between and after the leaves.
    """
    samples = _leaf_visits(seed, session, units, n_leaves)
    n_gaps = max(2, -(-len(samples) // LEAVES_PER_BLOCK))
    cuts = {round(k * len(samples) / n_gaps) for k in range(n_gaps + 1)}
    clock = dt.datetime.fromisoformat(f"{session.date}T09:00:05")
    scans: list[Scan] = []
    block = 0
    for i in range(len(samples) + 1):
        if i in cuts:
            block += 1
            for label, role, integration_ms in _references(block):
                scans.append(_reference(session, label, role, integration_ms, clock))
                clock += dt.timedelta(seconds=_SECONDS[role])
        if i < len(samples):
            unit, leaf, replicate = samples[i]
            scans.append(_sample(session, unit, leaf, replicate, clock))
            clock += dt.timedelta(seconds=_SECONDS["sample"])
    return scans


def _leaf_visits(
    seed: int, session: Session, units: list[Unit], n_leaves: int
) -> list[tuple[str, int, int]]:
    order = stream(seed, "order", session.session).permutation(len(units))
    twice = scan_twice(units)
    visits = []
    for i in order:
        unit = units[i].unit
        for leaf in range(1, n_leaves + 1):
            visits.append((unit, leaf, 1))
            if leaf == 1 and unit in twice:
                visits.append((unit, leaf, 2))
    return visits


def _references(block: int) -> list[tuple[str, str, float]]:
    kinds = (
        ("dark12", "dark", WHITE_MS),
        ("dark18", "dark", LEAF_MS),
        ("white", "white", WHITE_MS),
    )
    first = (block - 1) * REPEATS_OF_A_BLOCK + 1
    return [
        (f"{name}_{first + k}", role, integration_ms)
        for name, role, integration_ms in kinds
        for k in range(REPEATS_OF_A_BLOCK)
    ]


def _reference(
    session: Session, label: str, role: str, integration_ms: float, clock: dt.datetime
) -> Scan:
    note = "panel A" if role == "white" else ""
    name = f"{session.prefix}-{label.replace('_', '-')}"
    return Scan(name, label, session, role, clock, integration_ms, note=note)


def _sample(session: Session, unit: str, leaf: int, replicate: int, clock: dt.datetime) -> Scan:
    again = replicate > 1
    label = f"{unit}_{leaf}" + (f"_{replicate}" if again else "")
    return Scan(
        scan=f"{session.prefix}-{label.replace('_', '-')}",
        label=label,
        session=session,
        role="sample",
        time=clock,
        integration_ms=LEAF_MS,
        unit=unit,
        leaf=str(leaf),
        replicate=str(replicate),
        note="same leaf again, clip set anew" if again else "",
    )

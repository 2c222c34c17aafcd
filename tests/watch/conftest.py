"""A finished session and the same one still to be measured, made once and copied for each test."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from leafledger.watch.measuring_session import MeasuringSession, Message
from leafledger.watch.saved_files import FinishedScans, ScriptedInstrument
from quality.simulated import Simulated

from .sessions import make_study


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FinishedScans]:
    folder = tmp_path_factory.mktemp("watch")
    session = Simulated(3, n_units=2)
    make_study(folder / "finished", session, measured=True)
    make_study(folder / "planned", session, measured=False)
    return folder / "planned", FinishedScans(folder / "finished", "day0")


@dataclass
class Bench:
    """A study on the bench, its watch and its instrument."""

    study: Path
    finished: FinishedScans
    said: list[Message] = field(default_factory=list)
    watches: list[MeasuringSession] = field(default_factory=list)

    def watch(self) -> MeasuringSession:
        watch = MeasuringSession(self.study, "day0", self.said.append)
        watch.files.settled_s = 0.01
        self.watches.append(watch)
        return watch

    def instrument(self, **options: object) -> ScriptedInstrument:
        return ScriptedInstrument(self.finished, self.study, "day0", **options)  # type: ignore[arg-type]

    def settle(self, watch: MeasuringSession, seconds: float = 5.0) -> None:
        """Look until nothing is being written."""
        until = time.monotonic() + seconds
        while watch.look() and time.monotonic() < until:
            time.sleep(0.02)

    def measure(self, watch: MeasuringSession, instrument: ScriptedInstrument, n: int) -> None:
        for _ in range(n):
            assert instrument.save_next() is not None
            self.settle(watch)

    def words(self) -> str:
        return "\n".join(message.text for message in self.said)

    def rows(self) -> dict[str, dict[str, str]]:
        import csv

        lines = (self.study / "scans.csv").read_text().splitlines()
        table = csv.DictReader([line for line in lines if not line.startswith("# ")])
        return {row["scan"]: row for row in table}


@pytest.fixture
def bench(made: tuple[Path, FinishedScans], tmp_path: Path) -> Iterator[Bench]:
    planned, finished = made
    one = Bench(Path(shutil.copytree(planned, tmp_path / "study")), finished)
    yield one
    for watch in one.watches:
        if not watch._held.closed:
            watch.close()


@pytest.fixture
def leaves(made: tuple[Path, FinishedScans]) -> list[str]:
    return [scan.scan for scan in made[1].scans if scan.role == "sample"]


Settle = Callable[[MeasuringSession], None]

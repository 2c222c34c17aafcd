"""How is the demo study lived forward: planned, measured day by day, run each evening?

The plan is drawn by the functions of `leafledger plan`. Its plants are those of the demo study by
block and treatment: each planned plant is played by one plant of the demo, whose raw files are
saved under the planned names. The first day is watched, the others are copied. Every step is done
once, so that a demo that was interrupted goes on from where it was.
"""

from __future__ import annotations

import datetime as dt
import shlex
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from leafledger.cli.run_commands import findings, report_failure, waiting, warnings
from leafledger.cli.terminal_text import say, say_indented
from leafledger.errors import StageFailure, input_fault
from leafledger.ledger.compare import tasks_ran
from leafledger.planning.design_questions import Source, ask
from leafledger.planning.planned_study import (
    SCAN_COLUMNS,
    PlannedStudy,
    files_of,
    plan_facts,
    plan_study,
    scan_rows,
    write_study,
)
from leafledger.planning.randomisation import DARK, SAMPLE, Allocation, Step, csv_text
from leafledger.runner.outdated import marked, record_plan, said_of_results
from leafledger.runner.workflow import demo_study
from leafledger.study.reading import read_study
from leafledger.study.sheet_changes import SheetCells, change_sheet
from leafledger.study.table_files import write_bytes
from leafledger.watch.saved_files import Fault, FinishedScans, ScriptedInstrument
from leafledger.watch.session_steps import MeasuringOrder, study_to_measure
from leafledger.words import counted

if TYPE_CHECKING:
    from leafledger.study.study import Study
    from leafledger.watch.measuring_session import MeasuringSession, Message
    from leafledger.watch.session_steps import Step as MeasuredStep

# The plan: flags of `leafledger plan`, and what a person adds for the demo's instrument.
# ----------------------------------------------------------------------

FLAGS: Mapping[str, str] = {
    "title": "Iron chelate on chlorotic soybean seedlings, lived forward",
    "treatments": "water,chelate",
    "control": "water",
    "units": "24",
    "blocks": "2",
    "sessions": "day0,day4,day8,day12",
    "start": "2026-05-04",
    "leaves": "3",
    "reference_every": "36",
    "index": "CI_rededge",
    "difference": "0.1",
    "sd": "0.08",
    "correlation": "0.6",
    "seed": "40",
}
FIRST = "day0"
DAYS = ("day4", "day8", "day12")
WHITE_MS, LEAF_MS = "12", "18"
"""Integration times of the demo's instrument; darks are taken at both."""
_MS_COLUMN, _AVERAGES_COLUMN = "integration_ms", "averages"
_AVERAGES = "10"
INSTRUMENT = """\
instrument:                        # of the demo: 16 bit; panel from its certificate
  full_scale_counts: 65535
  panel: {reflectance: 0.985, u_relative: 0.005}
"""
PLANTS_FILE = "plan/demo_plants.csv"
"""Which plant of the demo plays which planned one; a folder that holds it is an earlier demo."""
_BENCH = {"1": "A", "2": "B"}
"""Planned block -> bench of the demo."""


def plan_command(folder: Path) -> list[str]:
    """Return the words of the command that plans the study."""
    flags = [word for k, v in FLAGS.items() for word in (f"--{k.replace('_', '-')}", v)]
    return ["leafledger", "plan", str(folder), *flags]


def planned_demo() -> PlannedStudy:
    """Draw the plan of the flags; every group of references gets darks of both times."""
    answers = ask(FLAGS, Source(FLAGS, asking=False))
    if isinstance(answers, list):
        raise StageFailure(f"the flags of the demo cannot be meant: {answers[0].found}")
    planned = plan_study(answers)
    order = {session: tuple(_with_both_darks(steps)) for session, steps in planned.order.items()}
    return replace(planned, order=order)


def _with_both_darks(steps: Sequence[Step]) -> Iterator[Step]:
    """Yield the steps with each dark once for each integration time, numbered anew."""
    number = 0
    for step in steps:
        head, _, tail = step.scan.rpartition("-")
        times = (WHITE_MS, LEAF_MS) if step.role == DARK else ("",)
        for ms in times:
            number += 1
            scan = f"{head}-{ms}ms-{tail}" if ms else step.scan
            yield replace(step, number=number, scan=scan)


def integration_ms(step: Step) -> str:
    """Return the integration time of a step, as the sheet states it."""
    if step.role == DARK:
        return WHITE_MS if f"-{WHITE_MS}ms-" in step.scan else LEAF_MS
    return LEAF_MS if step.role == SAMPLE else WHITE_MS


# Which plant and scan of the demo is which planned one.
# ----------------------------------------------------------------------


def plants_of_demo(allocation: Allocation, demo: Study) -> dict[str, str]:
    """Return planned unit -> unit of the demo, of the same treatment and block.

    Within a cell of block and treatment the first planned plant is the first of the demo, and so
    on. The lots of the plan decide who gets what; the demo's data follow them.

    Raises
    ------
    StageFailure
        If a cell does not hold as many plants in the plan as in the demo.
    """
    planned, measured = defaultdict(list), defaultdict(list)
    for unit, treatment in allocation.treatment.items():
        planned[_BENCH[allocation.block[unit]], treatment].append(unit)
    for unit, labels in sorted(demo.units.items()):
        measured[labels["block"], labels["treatment"]].append(unit)
    sizes = [{cell: len(units) for cell, units in held.items()} for held in (planned, measured)]
    if sizes[0] != sizes[1]:
        raise StageFailure(f"plan and demo differ: {sizes[0]} and {sizes[1]}")
    pairs = [zip(planned[cell], measured[cell], strict=True) for cell in planned]
    demo_unit_of = dict(pair for cell in pairs for pair in cell)
    return {unit: demo_unit_of[unit] for unit in allocation.treatment}


def scans_of_demo(steps: Sequence[Step], plants: Mapping[str, str], demo: Study) -> dict[str, str]:
    """Return planned scan -> scan of the demo: the same plant and leaf, or the same reference.

    Parameters
    ----------
    steps
        Of one session.
    plants
        Planned unit -> unit of the demo.
    demo
        The demo study. Its second scans of a leaf are not used: the plan has one of each.

    Raises
    ------
    StageFailure
        If the demo lacks a scan that is planned.
    """
    (session,) = {step.session for step in steps}
    held: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for scan in demo.scans:
        if scan.session == session:
            ms = f"{scan.integration_ms:g}"
            held[scan.role, scan.unit or "", scan.leaf or "", ms].append(scan.scan)
    out, used = {}, dict.fromkeys(held, 0)
    for step in steps:
        unit = plants[step.unit] if step.unit else ""
        key = (step.role, unit, step.leaf, integration_ms(step))
        if used.get(key, 0) >= len(held.get(key, ())):
            raise StageFailure(f"the demo has no scan for {step.scan}")
        out[step.scan] = held[key][used[key]]
        used[key] += 1
    return out


@dataclass(frozen=True)
class ForwardDemo:
    """The plan and what of the demo stands behind it.

    Attributes
    ----------
    planned
        The plan.
    plants
        Planned unit -> unit of the demo.
    scans
        Session -> planned scan -> scan of the demo.
    times
        Scan of the demo -> its time.
    """

    planned: PlannedStudy
    plants: Mapping[str, str]
    scans: Mapping[str, Mapping[str, str]]
    times: Mapping[str, str]

    def files(self) -> dict[str, bytes]:
        """Return every file of the planned study, with the instrument and its times stated."""
        files = files_of(self.planned)
        rows = [
            [*row, integration_ms(step), _AVERAGES]
            for steps in self.planned.order.values()
            for step, row in zip(steps, scan_rows(steps), strict=True)
        ]
        heading = [*SCAN_COLUMNS, _MS_COLUMN, _AVERAGES_COLUMN]
        files["scans.csv"] = csv_text([heading, *rows]).encode()
        files[PLANTS_FILE] = self.plants_text().encode()
        files["study.yaml"] += INSTRUMENT.encode()
        return files

    def plants_text(self) -> str:
        """Return the table of plants: planned unit, unit of the demo."""
        return csv_text([["unit", "plant_of_demo"], *([*pair] for pair in self.plants.items())])


def forward_demo() -> ForwardDemo:
    """Return the plan of the demo that is lived forward, and its data."""
    demo, planned = read_study(demo_study()), planned_demo()
    if planned.allocation is None:
        raise StageFailure("the plan of the demo has no allocation")
    plants = plants_of_demo(planned.allocation, demo)
    scans = {
        session: scans_of_demo(steps, plants, demo) for session, steps in planned.order.items()
    }
    times = {scan.scan: str(scan.time) for scan in demo.scans}
    return ForwardDemo(planned, plants, scans, times)


# The steps: each prints what a person would type, what came of it, where to look.
# ----------------------------------------------------------------------


def play(folder: Path, cores: int, rhythm_s: float = 0.03) -> None:
    """Play the demo forward in a folder; what an earlier play has done is not done again.

    Parameters
    ----------
    folder
        New, empty, or an earlier play.
    cores
        Tasks side by side in a run.
    rhythm_s
        Seconds between two files of the scripted instrument.

    Raises
    ------
    InputFault
        If the folder holds something else.
    """
    demo = forward_demo()
    begun = is_own(folder, demo)
    say(
        "An invented study, played in the order in which a study is lived: plan, measure, conclude."
    )
    _plan(folder, demo, begun)
    _record(folder)
    _watch(folder, demo, rhythm_s)
    _run_evening(folder, cores, FIRST, done=_is_there(folder, DAYS[0]))
    for day, following in zip(DAYS, (*DAYS[1:], ""), strict=True):
        _copy_day(folder, demo, day)
        _run_evening(folder, cores, day, done=bool(following) and _is_there(folder, following))
    _end(folder)


def is_own(folder: Path, demo: ForwardDemo) -> bool:
    """Tell whether a folder holds an earlier play of the demo.

    Raises
    ------
    InputFault
        If it holds something else.
    """
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return False
    mark = folder / PLANTS_FILE
    if mark.is_file() and mark.read_bytes() == demo.plants_text().encode():
        return True
    raise input_fault(
        file=str(folder),
        found="a folder that holds something else",
        expected="a new or empty folder, or an earlier play of the forward demo",
        mend="Name another folder: leafledger demo --forward FOLDER",
    )


def _heading(title: str, *words: str) -> None:
    """Print the title of a step and what a person types for it."""
    say()
    click.secho(title, bold=True)
    say(f"   $ {' '.join(words)}")


def _typed(folder: Path) -> str:
    return shlex.quote(str(folder))


def _say_where_to_look(*places: str) -> None:
    for where in places:
        say(f"   Look: {where}")


def _say_result(*lines: str) -> None:
    for line in lines:
        say_indented(line, "   ")


def _plan(folder: Path, demo: ForwardDemo, begun: bool) -> None:
    _heading("Plan", shlex.join(plan_command(folder)))
    if begun:
        say("   Done before.")
        return
    write_study(folder, demo.files())
    _say_result(
        plan_facts(demo.planned)["size"][0],
        "Lots decided who gets what; each planned plant is played by one of the demo of the same "
        f"treatment and block ({PLANTS_FILE}).",
        f"Added by hand for this instrument: darks at {WHITE_MS} and {LEAF_MS} ms (column "
        f"{_MS_COLUMN} of scans.csv), and instrument: in study.yaml.",
    )
    _say_where_to_look(f"{folder}/plan/sheets/{FIRST}.pdf", f"{folder}/plan/randomisation.html")


def _record(folder: Path) -> None:
    _heading("Put the plan on record", "leafledger plan record", _typed(folder))
    recorded = record_plan(folder)
    entry = recorded.lodged.entry
    _say_result(
        f"Plan {entry['plan']}: the primary contrast and who gets what, before any scan."
        if recorded.lodged.is_new
        else f"Plan {entry['plan']} stands already.",
        f"SHA-256 {entry['sha256']}",
    )


# The first day, watched.
# ----------------------------------------------------------------------

FAULTS: Mapping[str, Fault] = {
    "d0-p05-2": "room_light",
    "d0-p10-1": "saturated",
    "d0-p17-3": "too_dark",
    "d0-p22-1": "room_light",
}
"""Scan of the demo -> what goes wrong when it is taken the first time."""
NOT_REPEATED = frozenset({"d0-p22-1"})
"""Scans that the person at the bench does not take again: the run has to find them."""
_START = dt.datetime(2026, 5, 4, 9, 0)
_SECONDS_PER_SCAN = 20
_PATIENCE_S = 120.0


class _Bench:
    """The person and the instrument of the first day: saves, and measures again what is asked."""

    def __init__(self, folder: Path, demo: ForwardDemo, rhythm_s: float) -> None:
        from leafledger.watch.measuring_session import MeasuringSession
        from leafledger.watch.watch_page import Watch

        self.measuring: MeasuringSession = MeasuringSession(folder, FIRST, self._hear)
        self.watch = Watch(self.measuring, polling=False, say=lambda _: None)
        self.instrument = ScriptedInstrument(
            FinishedScans(demo_study(), FIRST),
            folder,
            FIRST,
            rhythm_s=rhythm_s,
            faults=FAULTS,
            numbered=False,
            names=demo.scans[FIRST],
            clock=self._clock,
        )
        # What was done before an interruption has had its time already.
        self._done = sum(step.state != "open" for step in self.measuring.order.steps)
        self.repeated: list[str] = []

    def _hear(self, message: Message) -> None:
        if message.kind == "fault":
            _say_result(f"x {message.text}")

    def _clock(self, step: MeasuredStep) -> dt.datetime:
        """Return the time of a step: one scan after the other, from nine o'clock."""
        del step
        self._done += 1
        return _START + dt.timedelta(seconds=_SECONDS_PER_SCAN * self._done)

    def measure(self) -> None:
        """Measure step after step; references and the leaves of a plant come in one go."""
        while True:
            with self.measuring.lock:
                group = self._next_group()
            if not group:
                if not self._repeat_faults():
                    return
                continue
            for step in group:
                self.instrument.save(step)
                time.sleep(self.instrument.rhythm_s)
            self._until_done([step.scan.scan for step in group])
            self._repeat_faults()

    def _next_group(self) -> list[MeasuredStep]:
        steps = [step for step in self.measuring.order.steps if step.state == "open"]
        if not steps:
            return []
        first = steps[0].scan
        group = []
        for step in steps:
            if (step.scan.role, step.scan.unit) != (first.role, first.unit):
                break
            group.append(step)
        return group

    def _until_done(self, scans: Sequence[str]) -> None:
        until = time.monotonic() + _PATIENCE_S
        while True:
            with self.measuring.lock:
                states = {s.scan.scan: s.state for s in self.measuring.order.steps}
            if all(states[scan] != "open" for scan in scans):
                return
            if not self.watch.wait(0.02) or time.monotonic() > until:
                if self.watch.failure is not None:
                    raise self.watch.failure
                raise StageFailure(f"{scans[0]} was saved and did not become its step")

    def _repeat_faults(self) -> bool:
        """Ask for every fault to be measured again that can be; tell whether there was one."""
        with self.measuring.lock:
            again = [
                step.scan.scan
                for step in self.measuring.order.measured
                if step.scan.scan in self.measuring.verdicts
                and self.measuring.verdicts[step.scan.scan].grade == "fault"
                and not step.repeats
                and self.instrument.source_of(step) not in NOT_REPEATED
            ]
        for scan in again:
            self.measuring.again(scan, "")
            self.repeated.append(scan)
        return bool(again)


def _watch(folder: Path, demo: ForwardDemo, rhythm_s: float) -> None:
    _heading(f"{FIRST}: measure, watched", "leafledger watch", _typed(folder), FIRST)
    order = MeasuringOrder(study_to_measure(folder, FIRST), FIRST)
    if order.next is None:
        say("   Done before.")
        return
    if all(step.state == "open" for step in order.steps):
        # Files of a play that ended before its first scan was a step: they are saved again.
        for step in order.steps:
            (folder / step.scan.file).unlink(missing_ok=True)
    bench = _Bench(folder, demo, rhythm_s)
    try:
        guard = bench.watch.serve(0)
        _say_where_to_look(f"{guard.address} while it is measured")
        bench.watch.start()
        bench.measure()
        grades = [verdict.grade for verdict in bench.measuring.verdicts.values()]
    finally:
        bench.watch.stop()
    faults_left = sorted(
        step.scan.scan
        for step in bench.measuring.order.measured
        if bench.measuring.verdicts[step.scan.scan].grade == "fault"
    )
    _say_result(
        f"{counted(len(grades), 'scan')} take part. Measured again at once: "
        f"{', '.join(bench.repeated) or 'none'}. Faults left as they are: "
        f"{', '.join(faults_left) or 'none'}.",
        "Both files of a repeated scan are kept; scans.csv says which one takes part, and why.",
    )


# The evenings, the other days, the end.
# ----------------------------------------------------------------------


def _run_evening(folder: Path, cores: int, day: str, *, done: bool) -> None:
    from leafledger.cli.terminal_text import RunProgress
    from leafledger.runner.run import run_study

    _heading(f"{day}: the evening's run", "leafledger run", _typed(folder))
    if done:
        say("   Done before.")
        return
    here = folder.resolve()
    with RunProgress(quiet=not sys.stdout.isatty(), folder=here) as progress:
        result = run_study(here, cores, progress)
    if result.outcome not in {"done", "idle"}:
        report_failure(here, result)
        raise SystemExit(result.exit_code)
    facts, _ = said_of_results(here)
    primary = [f for f in marked(findings(here), facts) if f.get("id") == "primary"]
    heeded = warnings(here)
    _say_result(
        f"{tasks_ran(task['outcome'] for task in result.tasks)}.",
        *(str(finding["sentence"]) for finding in primary),
        *(waiting(here)[:3] if day == FIRST else ()),
        f"To heed: {counted(len(heeded), 'warning')}, in the report.",
    )
    _say_where_to_look(f"{folder}/results/report.html")


def _is_there(folder: Path, day: str) -> bool:
    session_folder = folder / "raw" / day
    return session_folder.is_dir() and any(session_folder.iterdir())


def _copy_day(folder: Path, demo: ForwardDemo, day: str) -> None:
    """Put the raw files of a day in place, whole, then their times into the sheet.

    The names are the planned ones. The plants of the demo were measured in an order of their own:
    the times say so, and the references before and after each leaf are found by them.
    """
    planned = f"raw/{day}"
    _heading(f"{day}: measure, copied", f"cp INSTRUMENT/{day}/*", f"{_typed(folder)}/{planned}/")
    here = folder.resolve()
    if _is_there(folder, day):
        say("   Done before.")
    else:
        finished = FinishedScans(demo_study(), day)
        hidden = here / f"raw/.{day}.part"
        hidden.mkdir(parents=True, exist_ok=True)
        for scan, source in demo.scans[day].items():
            write_bytes(hidden / f"{scan}.txt", finished.sound(source))
        hidden.replace(here / planned)
        _say_result(
            f"{counted(len(demo.scans[day]), 'file')}, and the time of each from the instrument's "
            "log in scans.csv."
        )

    def change(sheet: SheetCells) -> None:
        for scan, source in demo.scans[day].items():
            if not sheet.get(scan, "time"):
                sheet.set(scan, "time", demo.times[source])

    change_sheet(here, "scans.csv", change)


def _end(folder: Path) -> None:
    _heading("Was it planned before?", "leafledger plan history", _typed(folder))
    facts, of_plan = said_of_results(folder.resolve())
    _say_result(*of_plan, *(str(f["sentence"]) for f in marked(findings(folder), facts)[:3]))
    _say_where_to_look(f"{folder}/results/report.html", f"{folder}/{PLANTS_FILE}")
    say(f"   To throw it away, delete the folder {folder}.")

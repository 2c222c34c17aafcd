"""What is to be measured next, and what does the scan sheet say of each step?

The rows of a session, in their order, are the steps of measuring. The sheet and the files that it
names are the whole state: a step is done when its file is there, left out when column ``omitted``
gives a reason, open otherwise. So a watch that was killed goes on where the sheet is.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Literal

from leafledger.errors import InputFault, Problem, first_words, input_fault
from leafledger.study.checks import of_definition
from leafledger.study.definition import Definition
from leafledger.study.definition_file import definition_of, with_rows
from leafledger.study.scan_sheet import OPTIONAL, REQUIRED, Scan, ScanReader
from leafledger.study.sheet_changes import SheetCells, cell_text, change_sheet
from leafledger.study.sheets import (
    PathCheck,
    find_units,
    is_workbook,
    read_sheet,
    units_file,
    with_scan_sheet,
)
from leafledger.study.study import Study, sessions_of
from leafledger.study.table_files import not_through_a_link, write_bytes
from leafledger.study.table_sheet import is_spectra_table, rows_of

# A study whose session is being measured: its raw files need not be there yet.
# ----------------------------------------------------------------------

OMITTED = "omitted"
SUPERSEDED = "superseded by "
NOT_MEASURED = "not measured: "
TAKEN_BACK = "taken back: "
_NO_FILE = "no such file"


class _PlannedPaths(PathCheck):
    """Paths of files that may still be to come."""

    def why_refused(self, text: str) -> str | None:
        """Return what is wrong with a path; a file that is not there yet is none."""
        why = super().why_refused(text)
        return None if why == _NO_FILE else why


def study_to_measure(folder: Path, session: str) -> Study:
    """Read what a watch needs of a study: its settings and the session that is measured.

    Returns
    -------
    Study
        With the scans of all sessions, and neither labels of units nor decisions.

    Raises
    ------
    InputFault
        With every problem of ``study.yaml`` and of the sheet, or if there is no such session.
    """
    folder = folder.resolve()
    definition, text = definition_of(folder)
    problems: list[Problem] = of_definition(definition)
    definition = with_scan_sheet(folder, definition, problems)
    if problems:
        raise InputFault(with_rows(problems, text))
    sessions = [s.session for s in sessions_of(definition)]
    if session not in sessions:
        raise input_fault(
            "command line",
            f'session "{session}"',
            f"a session of study.yaml: {first_words(sessions)}",
            "Name the session that you measure now.",
        )
    scans = read_scans(folder, definition)
    return Study(folder, definition, tuple(scan for scan, _ in scans), {}, ())


def read_scans(
    folder: Path, definition: Definition, copy: Path | None = None
) -> list[tuple[Scan, dict[str, str]]]:
    """Return the scans of the study, files or not, each with the cells of its row.

    Parameters
    ----------
    folder, definition
        The study folder, and what study.yaml says.
    copy
        A copy of the scan sheet that is read in its place.

    Raises
    ------
    InputFault
        With every problem of the sheet.
    """
    intake, problems = definition.intake, list[Problem]()
    units: list[str] | None = None
    name = find_units(folder, problems) if definition.design.unit is not None else None
    if name is not None:
        sheet = read_sheet(folder / name, name, required=("unit",), called="units")
        units = [row.get("unit") for row in sheet.rows]
    sessions = [s.session for s in sessions_of(definition)]
    reader = ScanReader(
        shown="study.yaml" if intake.pattern else intake.sheet,
        sessions=sessions,
        units_known=units or None,
        unit_needed=definition.design.unit is not None,
        paths=_PlannedPaths(folder),
        units_file=units_file(folder),
    )
    cells: list[dict[str, str]] = []
    if intake.pattern:
        needed = ["session"] if len(sessions) > 1 else []
        needed += ["unit"] if definition.design.unit is not None else []
        rows, wrong = rows_of(folder, intake.pattern, "study.yaml", needed)
        # Of a session to come no file is there: that none fits is no fault yet.
        problems += [p for p in wrong if "fits at least one file" not in p.expected]
        for row, _ in rows:
            reader.add(row, {})
            cells.append(dict(row.cells))
    else:
        _refuse_other_sheets(folder, definition)
        needed = [*REQUIRED, *(["session"] if len(sessions) > 1 else [])]
        optional = [*OPTIONAL, OMITTED, "photo"]
        path = copy or folder / intake.sheet
        sheet = read_sheet(path, intake.sheet, required=needed, known=optional)
        reader.read(sheet)
        cells = [{name: row.get(name) for name in sheet.columns} for row in sheet.rows]
    problems += reader.problems
    if problems:
        raise InputFault(problems)
    return list(zip(reader.scans, cells, strict=True))


def _refuse_other_sheets(folder: Path, definition: Definition) -> None:
    """Refuse a scan sheet in which single cells cannot be written."""
    name = definition.intake.sheet
    path = folder / name
    form = definition.intake.forms.get("default")
    reason = ""
    if not path.is_file():
        reason = "no such sheet"
    elif is_workbook(path):
        reason = "a workbook"
    elif form is not None and is_spectra_table(path, form):
        reason = "a table of spectra that is its own scan sheet"
    if reason:
        raise input_fault(
            name,
            reason,
            "a scan sheet scans.csv with the rows of the session in the order of measuring",
            "Save the sheet as scans.csv (CSV, UTF-8, comma) and take the other one away, or let "
            "`leafledger plan` write it; a file name pattern (intake.pattern) serves too.",
        )


# The steps of a session.
# ----------------------------------------------------------------------

StepState = Literal["open", "measured", "omitted", "vanished"]


@dataclass(frozen=True)
class Step:
    """One row of the session.

    Attributes
    ----------
    scan
        The row, as the reader of sheets has it.
    state
        ``open``: to be measured; ``measured``: its file is there; ``omitted``: left out, with a
        reason; ``vanished``: it was measured and its file is not there any more.
    note, omitted
        Cells of these columns.
    repeats
        The scan that this one replaces; empty for a planned one.
    """

    scan: Scan
    state: StepState
    note: str = ""
    omitted: str = ""
    repeats: str = ""

    @property
    def source(self) -> tuple[str, str]:
        """File and item."""
        return self.scan.file, self.scan.item


class MeasuringOrder:
    """The steps of one session, read from the sheet and written to it.

    Parameters
    ----------
    study
        From :func:`study_to_measure`.
    session
        The session that is measured.
    remembering
        Whether the sheet is kept as it was read or written last (`ledger/watch.SESSION.csv`), and
        held against that copy at the beginning: an older one may have been saved over it while no
        watch was at work. Only who holds the session may ask for it.

    Attributes
    ----------
    steps
        In the order of the sheet.
    others
        (file, item) -> scan of all rows of other sessions.
    """

    def __init__(self, study: Study, session: str, *, remembering: bool = False) -> None:
        self.study, self.session = study, session
        self.by_pattern = bool(study.definition.intake.pattern)
        self._data, self._rows = b"", list[tuple[Scan, dict[str, str]]]()
        self.steps: list[Step] = []
        self.others: dict[tuple[str, str], str] = {}
        self._cells: dict[str, dict[str, str]] = {}
        self._lost, self._dated = "", (0, 0)
        self.to_say: list[str] = []
        """What another program did to the sheet, to be said once."""
        self._copy = study.folder / f"ledger/watch.{session}.csv" if remembering else None
        if self._copy is not None and not self.by_pattern:
            self._recall()
        self.refresh()

    def refresh(self, *, by_watch: bool = False) -> None:
        """Read the sheet and look which files are there.

        Rows that name a measured file and were read before are put back if another program saved
        an older copy of the sheet over them: the next file would become their step otherwise.

        Parameters
        ----------
        by_watch
            Whether the watch itself has just changed the sheet.

        Raises
        ------
        InputFault
            With every problem of the sheet, or if rows are lost and cannot be put back; the steps
            stay as they were.
        """
        rows = self._rows_of_sheet()
        if not by_watch and not self.by_pattern:
            if self._lost_steps(rows):
                self._restore_lost_steps(rows)
                rows = self._rows_of_sheet()
            self._lost = ""
            self._say_reopened(rows)
        self._set_steps(rows)
        self._remember()

    def _recall(self) -> None:
        """Begin with the sheet as the last watch of this session left it."""
        if self._copy is None or not self._copy.is_file():
            return
        not_through_a_link(self._copy)
        try:
            rows = read_scans(self.study.folder, self.study.definition, self._copy)
        except InputFault:  # of another definition of the study, or cut short: nothing is known
            return
        self._set_steps(rows)

    def _remember(self) -> None:
        """Keep the sheet as it is now, for the next watch of this session."""
        if self._copy is None or self.by_pattern:
            return
        if not self._copy.is_file() or self._copy.read_bytes() != self._data:
            write_bytes(not_through_a_link(self._copy), self._data)

    def _set_steps(self, rows: Sequence[tuple[Scan, dict[str, str]]]) -> None:
        """Take the rows of a sheet as the steps, and look which files are there."""
        self._cells = {scan.scan: cells for scan, cells in rows if scan.session == self.session}
        session_rows = [(scan, cells) for scan, cells in rows if scan.session == self.session]
        self.others = {
            (scan.file, scan.item): scan.scan for scan, _ in rows if scan.session != self.session
        }
        exists = {scan.file: (self.study.folder / scan.file).is_file() for scan, _ in session_rows}
        any_exists = any(exists.values())
        repeats: dict[str, str] = {}
        for scan, cells in session_rows:
            reason = cells.get(OMITTED, "")
            if reason.startswith(SUPERSEDED):
                successor = reason.removeprefix(SUPERSEDED).partition(":")[0].strip()
                repeats[successor] = scan.scan
        # A sheet made by hand may state planned times: before the first file they tell nothing.
        self.steps = [
            Step(
                scan,
                "omitted"
                if cells.get(OMITTED, "")
                else "measured"
                if exists[scan.file] and (scan.time is not None or self.by_pattern)
                else "vanished"
                if scan.time is not None and any_exists and not exists[scan.file]
                else "open",
                cells.get("note", ""),
                cells.get(OMITTED, ""),
                repeats.get(scan.scan, ""),
            )
            for scan, cells in session_rows
        ]

    def is_changed(self) -> bool:
        """Tell whether the sheet is another one than was read last, by size and date."""
        status = (self.study.folder / self.study.definition.intake.sheet).stat()
        now = (status.st_size, status.st_mtime_ns)
        changed, self._dated = now != self._dated, now
        return changed

    # --- an older copy of the sheet, saved over the rows of the watch ---------------------------

    def _lost_steps(self, rows: Sequence[tuple[Scan, dict[str, str]]]) -> list[Step]:
        """Return the steps whose file no row names any more, or whose time is gone.

        A row that names another file, one that is there and was no step before, was corrected by
        a person; so was one whose file is gone together with the row.
        """
        now = {scan.scan: scan for scan, _ in rows}
        named = {(scan.file, scan.item) for scan, _ in rows}
        known_sources = {step.source for step in self.steps if step.state != "open"}
        lost = []
        for step in self.steps:
            row = now.get(step.scan.scan)
            if step.state == "open" or step.scan.time is None:
                continue
            source = None if row is None else (row.file, row.item)
            if row is None:
                is_lost = step.source not in named and self._is_there(step.scan.file)
            elif step.source in named:
                is_lost = (
                    source == step.source and row.time is None and self._is_there(step.scan.file)
                )
            else:
                is_lost = (
                    source in known_sources or row.time is None or not self._is_there(row.file)
                )
            if is_lost:
                lost.append(step)
        return lost

    def _is_there(self, file: str) -> bool:
        return (self.study.folder / file).is_file()

    def _restore_lost_steps(self, rows: Sequence[tuple[Scan, dict[str, str]]]) -> None:
        """Write the cells of lost steps again, and rows that are gone where they were.

        Raises
        ------
        InputFault
            If they cannot be put back.
        """
        lost, sheet_name = self._lost_steps(rows), self.study.definition.intake.sheet
        row_ids = {scan.scan for scan, _ in rows}
        what = self._words_of_lost(lost)

        def change(sheet: SheetCells) -> None:
            self._refuse_moving(sheet)
            self._insert_lost_rows(sheet, row_ids)
            for step in lost:
                cells = self._cells[step.scan.scan]
                for column in ("file", "item", "time"):
                    sheet.set(step.scan.scan, column, cells.get(column, ""))
            self._restore_notes(sheet, row_ids)

        try:
            change_sheet(self.study.folder, sheet_name, change)
            if self._lost_steps(self._rows_of_sheet()):
                raise self.fault("rows of another file", "the rows of the watch", "Mend them.")
        except (InputFault, OSError) as error:
            why = error.strerror if isinstance(error, OSError) else error.problems[0].found
            self._say_lost(
                f"{what}. They cannot be put back ({(why or 'the disk').lower()}): no file is "
                "taken until these rows name their files again."
            )
            raise self.fault(
                what, "the rows that the watch has written", "Put these rows and their files back."
            ) from error
        self._say_lost(
            f"{what}. Put back by the watch. Close {sheet_name} in the other program without "
            "saving, and open it anew."
        )

    def _words_of_lost(self, lost: Sequence[Step]) -> str:
        """Name lost steps by their places, scans and files."""
        places = {step.scan.scan: k for k, step in enumerate(self.steps, start=1)}
        *numbers, last = [str(places[step.scan.scan]) for step in lost]
        head = f"steps {', '.join(numbers)} and {last}" if numbers else f"step {last}"
        parts = [
            f"{s.scan.scan} from {PurePosixPath(s.scan.file).name}"
            + (f" ({s.scan.item})" if s.scan.item else "")
            for s in lost
        ]
        return (
            f"{head}: {', '.join(parts)} {'are' if numbers else 'is'} no longer in "
            f"{self.study.definition.intake.sheet}: an older copy was saved over it"
        )

    def _insert_lost_rows(self, sheet: SheetCells, row_ids: set[str]) -> None:
        """Insert rows of the watch that the older copy has not, each after the one before it."""
        kept_ids = {s.scan.scan for s in self.steps if s.state != "open" or s.repeats}
        before = ""
        for scan, cells in self._cells.items():
            if scan in kept_ids - row_ids:
                if not before:
                    raise KeyError(scan)
                sheet.insert_after(before, {name: text for name, text in cells.items() if name})
            elif scan not in row_ids:
                continue
            before = scan

    def _restore_notes(self, sheet: SheetCells, row_ids: set[str]) -> None:
        """Write notes and reasons again that the older copy has not; other words stay."""
        for scan, cells in self._cells.items():
            for column in ("note", OMITTED):
                if scan in row_ids and cells.get(column) and not sheet.get(scan, column):
                    sheet.set(scan, column, cells[column])

    def _say_lost(self, words: str) -> None:
        if words != self._lost:
            self._lost = words
            self.to_say.append(words)

    def _say_reopened(self, rows: Sequence[tuple[Scan, dict[str, str]]]) -> None:
        """Say which steps left out take part again: by a person, or by an older copy."""
        now = {scan.scan: cells.get(OMITTED, "") for scan, cells in rows}
        for step in self.steps:
            if step.state == "omitted" and now.get(step.scan.scan) == "":
                self.to_say.append(
                    f"{step.scan.scan} takes part again: column {OMITTED} was emptied in another "
                    f'program (it said "{step.omitted}"). If nobody meant to, an older copy was '
                    "saved."
                )

    def _refuse_moving(self, sheet: SheetCells) -> None:
        """Refuse to change a sheet that is another one than was read."""
        if sheet.data() != self._data:
            raise self.fault(
                "a sheet that another program saves at this moment",
                "the sheet as it was read",
                "Try again.",
            )

    def _rewrite(self, change: Callable[[SheetCells], None]) -> None:
        """Change the sheet as it was read, and read it again."""

        def checked(sheet: SheetCells) -> None:
            self._refuse_moving(sheet)
            change(sheet)

        change_sheet(self.study.folder, self.study.definition.intake.sheet, checked)
        self.refresh(by_watch=True)

    def _rows_of_sheet(self) -> list[tuple[Scan, dict[str, str]]]:
        """Read the sheet, unless it is byte for byte that of the last time."""
        folder, intake = self.study.folder, self.study.definition.intake
        if self.by_pattern:
            return read_scans(folder, self.study.definition)
        data = (folder / intake.sheet).read_bytes() if (folder / intake.sheet).is_file() else b""
        if data != self._data or not data:
            self._rows = read_scans(folder, self.study.definition)
            self._data = data
        return self._rows

    # --- reading --------------------------------------------------------------------------------

    @property
    def next(self) -> Step | None:
        """The first open step, ``None`` if all are done."""
        return next((step for step in self.steps if step.state == "open"), None)

    @property
    def is_complete(self) -> bool:
        """Whether every planned step is done; names of files plan none."""
        return self.next is None and not self.by_pattern

    @property
    def measured(self) -> list[Step]:
        """Steps that take part and whose file is there, in the order of the sheet."""
        return [step for step in self.steps if step.state == "measured"]

    @property
    def last(self) -> Step | None:
        """The step measured last: by time, else by its place."""
        done = self.measured
        return max(done, key=lambda s: s.scan.time or "", default=None)

    def step(self, scan: str) -> Step:
        """Return a step by the id of its scan.

        Raises
        ------
        InputFault
            If the session has no such scan.
        """
        for step in self.steps:
            if step.scan.scan == scan:
                return step
        raise self.fault(f'scan "{scan}"', f"a scan of session {self.session}", "Name another.")

    def owner(self, file: str, item: str) -> str | None:
        """Return the scan that a raw scan is already listed as, open steps apart."""
        for step in self.steps:
            if step.source == (file, item) and step.state != "open":
                return step.scan.scan
        return self.others.get((file, item))

    def items_of(self, file: str) -> set[str]:
        """Return the items of a file that are listed already, open steps apart."""
        listed = {s.scan.item for s in self.steps if s.scan.file == file and s.state != "open"}
        return listed | {item for name, item in self.others if name == file}

    def step_for(self, file: str, item: str, *, on_request: bool = False) -> Step | str:
        """Return the step that a new raw scan is, or why it is none.

        Parameters
        ----------
        file, item
            Path in the study, and the name of the scan in the file.
        on_request
            Whether a person asked to take it as the next step, whatever its name.

        Notes
        -----
        A file of the name that a row plans is that row, endings apart; so is a scan of a file
        whose item is the id of a row. Otherwise it is the next open step, unless the files of this
        session so far all had the names of their rows: then another name is no step.
        """
        if not on_request:
            for step in self.steps:
                if step.state == "open" and _is_named(step, file, item):
                    return step
        following = self.next
        if following is None:
            return "no step of the order: all steps of this session are done"
        if on_request or following.repeats or not self._named_so_far():
            return following
        return (
            f"a name that no step plans (next is {PurePosixPath(following.scan.file).name}), while "
            "the files so far had the names of their rows"
        )

    def _named_so_far(self) -> bool:
        """Tell whether the files of the session so far all have the ids of their rows as names."""
        done = [s for s in self.measured if not s.repeats]
        names = [s.scan.item or PurePosixPath(s.scan.file).stem for s in done]
        pairs = zip(names, done, strict=True)
        return bool(done) and all(n.lower() == s.scan.scan.lower() for n, s in pairs)

    # --- writing --------------------------------------------------------------------------------

    def fault(self, found: str, expected: str, mend: str) -> InputFault:
        """Return a fault of the scan sheet."""
        return input_fault(self.study.definition.intake.sheet, found, expected, mend)

    def _change(self, *edits: tuple[str, str, str]) -> None:
        """Set cells (scan, column, text), all or none, and read the sheet again."""
        self._refuse_pattern()

        def change(sheet: SheetCells) -> None:
            for scan, column, text in edits:
                sheet.set(scan, column, text)

        self._rewrite(change)

    def _refuse_pattern(self) -> None:
        if self.by_pattern:
            raise self.fault(
                "a study whose scans are told by their file names (intake.pattern)",
                "a scan sheet, in which notes, repeats and steps left out can be written",
                "Scans are judged all the same. For a measuring order write scans.csv and take "
                "intake.pattern out of study.yaml.",
            )

    def record(self, step: Step, file: str, item: str, time: dt.datetime) -> None:
        """Write which file a step has become, and when it was saved.

        Parameters
        ----------
        step
            An open step.
        file, item
            Path in the study, and the name of the scan in the file.
        time
            Local wall clock.
        """
        scan = step.scan.scan
        edits = [(scan, "file", file), (scan, "time", time.isoformat(timespec="milliseconds"))]
        if item or step.scan.item:
            edits.append((scan, "item", item))
        self._change(*edits)

    def date_anew(self, scans: Sequence[str], time: dt.datetime) -> None:
        """Write when the file of these scans was saved anew; local wall clock."""
        self._change(*((scan, "time", time.isoformat(timespec="milliseconds")) for scan in scans))

    def repeat(self, scan: str, reason: str) -> Step:
        """Ask for a scan to be measured again, next; both files stay, the first is left out.

        Returns
        -------
        Step
            The new open step.
        """
        self._refuse_pattern()
        step = self.step(scan)
        if step.state not in ("measured", "vanished"):
            raise self.fault(
                f"{scan}, which is {_STATE_WORDS[step.state]}",
                "a scan that was measured and takes part",
                "Choose a measured scan; take back with undo.",
            )
        new = self._free_id(scan, "r")
        why = cell_text(reason, OMITTED) or "measured again"
        following = self.next
        file = self._free_file(new, step.scan.file)

        def change(sheet: SheetCells) -> None:
            cells = sheet.row(scan)
            cells |= {"scan": new, "file": file, "item": "", "time": "", "note": "", OMITTED: ""}
            sheet.set(scan, OMITTED, f"{SUPERSEDED}{new}: {why}")
            if following is not None:
                sheet.insert_before(following.scan.scan, cells)
            else:
                sheet.insert_after(self.steps[-1].scan.scan, cells)

        self._rewrite(change)
        return self.step(new)

    def cancel_repeat(self, step: Step) -> None:
        """Take a repeat that has not been measured back: the first scan takes part again."""
        first = self.step(step.repeats)

        def change(sheet: SheetCells) -> None:
            sheet.set(first.scan.scan, OMITTED, "")
            sheet.remove(step.scan.scan)

        self._rewrite(change)

    def skip(self, reason: str) -> Step:
        """Leave the next step out, with a reason; a repeat is taken back instead."""
        self._refuse_pattern()
        step = self.next
        if step is None:
            raise self.fault("no open step", "a step to skip", "All steps of the session are done.")
        if step.repeats:
            self.cancel_repeat(step)
            return step
        why = cell_text(reason, OMITTED)
        if not why:
            raise self.fault(
                "no reason",
                "why the step is not measured",
                "Give a reason: the report lists it.",
            )
        self._change((step.scan.scan, OMITTED, f"{NOT_MEASURED}{why}"))
        return step

    def take_up(self, scan: str) -> None:
        """Open a step again that was skipped."""
        self._change((scan, OMITTED, ""))

    def take_back(self, scan: str, reason: str) -> None:
        """Part a file from its step: the step is open again, the file stays in a row left out."""
        self._refuse_pattern()
        step = self.step(scan)
        new = self._free_id(scan, "x")
        file = self._free_file(scan, step.scan.file)

        def change(sheet: SheetCells) -> None:
            cells = sheet.row(scan)
            sheet.set(scan, "file", file)
            sheet.set(scan, "item", "")
            sheet.set(scan, "time", "")
            sheet.set(scan, "note", "")
            cells |= {"scan": new, OMITTED: f"{TAKEN_BACK}{reason}"}
            sheet.insert_before(scan, cells)

        self._rewrite(change)

    def note(self, scan: str, text: str) -> None:
        """Write a note beside a scan; an empty one takes it away."""
        self.step(scan)
        self._change((scan, "note", cell_text(text, "note")))

    def _free_id(self, scan: str, mark: str) -> str:
        """Return an id for a further row of a scan."""
        stem, _, number = scan.rpartition(f"-{mark}")
        stem = stem if stem and number.isdigit() else scan
        used = {s.scan for s in self.study.scans} | {s.scan.scan for s in self.steps}
        n = 2
        while f"{stem}-{mark}{n}" in used:
            n += 1
        return f"{stem}-{mark}{n}"

    def _free_file(self, scan: str, like: str) -> str:
        """Return a path for a file to come that neither a row nor a file has."""
        planned = PurePosixPath(like)
        used = {s.scan.file for s in self.steps}
        for n in range(1, 1000):
            name = scan if n == 1 else f"{scan}-{n}"
            file = (planned.parent / f"{name}{planned.suffix}").as_posix()
            if file not in used and not (self.study.folder / file).exists():
                return file
        raise self.fault(f"a thousand files named {scan}", "a free name", "Tidy raw/ up.")


_STATE_WORDS = {
    "open": "still to be measured",
    "omitted": "left out already",
    "measured": "measured",
    "vanished": "gone",
}


def _is_named(step: Step, file: str, item: str) -> bool:
    """Tell whether a raw scan has the name of a step, endings and case apart."""
    if item:
        return item in (step.scan.scan, step.scan.item)
    planned = PurePosixPath(step.scan.file)
    stem = PurePosixPath(file).stem.lower()
    return file == step.scan.file or stem in (planned.stem.lower(), step.scan.scan.lower())


def folder_of(steps: Iterable[Step], session: str) -> str:
    """Return the folder that the instrument saves into: that of all planned files, if it is one.

    Examples
    --------
    >>> folder_of([], "day0")
    'raw/day0'
    """
    parents = {PurePosixPath(step.scan.file).parent.as_posix() for step in steps}
    return parents.pop() if len(parents) == 1 else f"raw/{session}"


def step_words(step: Step, unit_word: str | None) -> str:
    """Return what a step is, for a person: role, or unit and leaf."""
    scan = step.scan
    if scan.role != "sample":
        return _ROLE_WORDS[scan.role]
    parts = [f"{unit_word or 'leaf'} {scan.unit or scan.scan}"]
    parts += [f"leaf {scan.leaf}"] if scan.leaf else []
    parts += [f"scan {scan.replicate}"] if scan.replicate not in ("", "1") else []
    return " · ".join(parts)


_ROLE_WORDS = {
    "white": "White reference",
    "dark": "Dark",
    "lamp": "Calibration lamp",
    "ambient": "Light of the room",
    "check": "Check tile",
}


def upcoming(steps: Sequence[Step]) -> list[Step]:
    """Return the open steps, in order."""
    return [step for step in steps if step.state == "open"]

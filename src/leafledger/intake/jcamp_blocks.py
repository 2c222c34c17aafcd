"""The labelled records of a JCAMP-DX file and the blocks they form."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from leafledger.errors import quoted
from leafledger.intake.faults import Faults

_LABEL = re.compile(r"\s*##([^=]{0,200})=(.*)", re.DOTALL)
_IGNORED = str.maketrans("", "", " -/_\t")
DATA_LABELS = ("XYDATA", "XYPOINTS")
_REFUSED = {
    "NTUPLES": "data of several variables (NTUPLES)",
    "PEAKTABLE": "a table of peaks",
    "PEAKASSIGNMENTS": "a table of peak assignments",
    "RADATA": "an interferogram (RADATA)",
}


@dataclass
class Record:
    """One labelled record: the text after ``=`` and the lines below, with their row numbers."""

    row: int
    value: str
    lines: list[tuple[int, str]] = field(default_factory=list)


@dataclass
class Block:
    """One block that holds data."""

    row: int
    records: dict[str, Record] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def title(self) -> str:
        """Text of ``##TITLE=``."""
        return self.text("TITLE")

    def text(self, label: str) -> str:
        """Return the text of a record, empty if it is not there."""
        record = self.records.get(label)
        return record.value if record else ""


def label_of(text: str) -> str:
    """Return a label as the standard compares it: no case, blanks, dashes, slashes, underscores.

    Examples
    --------
    >>> label_of("Data-Type"), label_of("x_units"), label_of("$My Label")
    ('DATATYPE', 'XUNITS', '$MYLABEL')
    """
    return text.translate(_IGNORED).upper()


def split_blocks(lines: Sequence[str], faults: Faults) -> list[Block]:
    """Return the blocks with data, in file order; problems of the structure go to ``faults``."""
    stack: list[Block] = []
    done: list[Block] = []
    record: Record | None = None
    for row, line in enumerate(lines, start=1):
        text = line.split("$$", 1)[0].rstrip()
        found = _LABEL.match(text)
        if found is None:
            if record is not None and text.strip():
                record.lines.append((row, text))
            continue
        label, record = label_of(found.group(1)), Record(row, found.group(2).strip())
        if label == "TITLE":
            stack.append(Block(row))
        if not stack:
            faults.add(
                quoted(text), "##TITLE= as the first label", "Export the file again.", row=row
            )
            return done
        if label == "END":
            _close(stack.pop(), done, faults)
            record = None
        elif label:
            _keep(stack[-1], label, record, faults)
    last = max((i for i, line in enumerate(lines, start=1) if line.strip()), default=1)
    _check_whole(stack, done, faults, last)
    return done


def _keep(block: Block, label: str, record: Record, faults: Faults) -> None:
    if label in block.records and not label.startswith("$"):
        if label in DATA_LABELS:
            faults.add(
                f"##{label}= twice in a block",
                "one table of data in a block",
                "Export each scan as a block of its own.",
                row=record.row,
            )
        return
    block.records[label] = record


def _close(block: Block, done: list[Block], faults: Faults) -> None:
    for label, words in _REFUSED.items():
        if label in block.records:
            faults.add(
                words,
                "one spectrum: ##XYDATA= or ##XYPOINTS=",
                "Export the scan as a plain spectrum.",
                row=block.records[label].row,
            )
            return
    if any(label in block.records for label in DATA_LABELS):
        done.append(block)
    elif label_of(block.text("DATATYPE")) != "LINK":
        faults.add(
            f"a block {quoted(block.title)} without data",
            "##XYDATA= or ##XYPOINTS=",
            "Export the scan again.",
            row=block.row,
        )


def _check_whole(stack: list[Block], done: list[Block], faults: Faults, last: int) -> None:
    for block in stack:
        faults.add(
            f"the end of the file inside the block that begins in row {block.row}",
            "##END=",
            "The file seems to be cut off: copy it again.",
            row=last,
        )
    if not done and not stack and not faults.problems:
        faults.add(
            "no ##TITLE= and no ##XYDATA=",
            "a JCAMP-DX file",
            "State the right `form:` for this session.",
        )

"""How does a decision get into decisions.csv, whole and never over another reviewer's?

All that stands in ``decisions.csv`` stays: rows, their order, comments, columns that have no
meaning here. New rows are added at the end, where the last row of a scan holds. A file without a
column for the digest of what was judged gets one at the right, empty in the rows that were there.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from leafledger.errors import InputFault, Problem, input_fault, quoted
from leafledger.platforms import lock_file
from leafledger.study.scan_sheet import (
    ACTIONS,
    COLUMNS,
    DECISIONS_FILE,
    SCAN_DIGEST,
    Decision,
    decisions_of,
    is_digest,
    standing,
)
from leafledger.study.sheets import Sheet, read_sheet
from leafledger.study.table_files import (
    FORMULA_SIGNS,
    not_through_a_link,
    refuse_links,
    write_bytes,
)

# A column added to a sheet, and nothing else touched in it
# ----------------------------------------------------------------------


def with_column(data: bytes, name: str) -> bytes:
    r"""Return a CSV with one more column at the right, empty in every row that is there.

    Comment lines, blank lines, quotes, line ends and a byte-order mark stay as they are.

    Parameters
    ----------
    data
        A sheet as :func:`leafledger.study.sheets.read_sheet` takes it, UTF-8, commas.
    name
        The heading, without comma or quote.

    Examples
    --------
    >>> with_column(b'# by hand\r\na,b\r\n1,"x\ny"\r\n\r\n', "c")
    b'# by hand\r\na,b,c\r\n1,"x\ny",\r\n\r\n'
    """
    lines = list(io.StringIO(data.decode("utf-8"), newline=""))
    reader = csv.reader(iter(lines), strict=True)
    heading = True
    for cells in reader:
        first = cells[0].lstrip("\ufeff").lstrip() if cells else ""
        if first.startswith("#") or not any(cell.strip("\ufeff \t") for cell in cells):
            continue
        line = lines[reader.line_num - 1]
        text = line.rstrip("\r\n")
        lines[reader.line_num - 1] = f"{text},{name if heading else ''}{line[len(text) :]}"
        heading = False
    return "".join(lines).encode("utf-8")


# Decisions added and taken back
# ----------------------------------------------------------------------

LOCK = "ledger/decisions.lock"
LONGEST_REASON = 500
LONGEST_NAME = 80
_NOT_FIRST = (*FORMULA_SIGNS, "#")


@dataclass(frozen=True)
class DecisionRequest:
    """A decision that a reviewer asks to write.

    Attributes
    ----------
    scan, action, reason
        What is decided.
    seen
        The decision that held when the reviewer looked; ``None`` if there was none.
    scan_sha256
        Digest of the raw values that the reviewer looked at.
    """

    scan: str
    action: str
    reason: str
    seen: Mapping[str, str] | None
    scan_sha256: str = ""


@dataclass(frozen=True)
class SaveResult:
    """What became of a save.

    Attributes
    ----------
    written
        Decisions now in the file.
    conflicts
        Scan -> the decision that another reviewer wrote since (``None``: took away); nothing was
        written for these, they are to be looked at again.
    lines
        The lines that were added, to take them back.
    """

    written: tuple[Decision, ...]
    conflicts: Mapping[str, Decision | None]
    lines: tuple[bytes, ...]


def save(
    folder: Path, samples: Collection[str], requests: Sequence[DecisionRequest], by: str, when: str
) -> SaveResult:
    """Add decisions to the file.

    Raises
    ------
    InputFault
        If a decision lacks its reason or name, names no leaf scan, or the file on disk is at
        fault; the file is untouched then.
    """
    problems = list(_problems(samples, requests, by))
    if problems:
        raise InputFault(problems)
    with _locked_file(folder) as path:
        sheet, now = _read(path, samples)
        conflicts = {
            request.scan: now.get(request.scan)
            for request in requests
            if _fields(now.get(request.scan)) != (dict(request.seen) if request.seen else None)
        }
        written = [
            Decision(
                request.scan,
                request.action,
                one_line(request.reason),
                one_line(by),
                when,
                request.scan_sha256,
            )
            for request in requests
            if request.scan not in conflicts
        ]
        columns = sheet.columns if sheet else COLUMNS
        if SCAN_DIGEST not in columns:
            columns = (*columns, SCAN_DIGEST)
        lines = tuple(_line(columns, decision) for decision in written)
        if lines:
            _add(path, sheet, lines)
    return SaveResult(tuple(written), conflicts, lines)


def remove_rows(folder: Path, lines: Sequence[bytes]) -> None:
    """Remove lines that a save added, all or none.

    Raises
    ------
    InputFault
        If one of them is not in the file any more as it was written.
    """
    with _locked_file(folder) as path:
        rows = path.read_bytes().splitlines(keepends=True) if path.is_file() else []
        for line in lines:
            same = [k for k, row in enumerate(rows) if row.rstrip(b"\r\n") == line]
            if not same:
                raise input_fault(
                    file=DECISIONS_FILE,
                    found="no row as it was saved here; it was changed since",
                    expected=quoted(line.decode("utf-8")),
                    mend="Decide about the scan anew, or edit the file by hand.",
                )
            del rows[same[-1]]
        write_bytes(path, b"".join(rows))


def current_decisions(folder: Path, samples: Collection[str]) -> dict[str, Decision]:
    """Return scan -> the decision that holds in the file now.

    Raises
    ------
    InputFault
        With every problem of the file.
    """
    return _read(folder / DECISIONS_FILE, samples)[1]


def one_line(text: str) -> str:
    """Return text on one line, without blanks around it.

    Examples
    --------
    >>> one_line("  clip\\n slipped ")
    'clip slipped'
    """
    return " ".join(text.split())


@contextmanager
def _locked_file(folder: Path) -> Iterator[Path]:
    """Hold the file of decisions, whose path is yielded, links within the study followed.

    Another reviewer's save takes a moment, so wait for it.

    Raises
    ------
    InputFault
        If a link leads out of the study.
    """
    refuse_links(folder)
    lock = not_through_a_link(folder.resolve() / LOCK)
    lock.parent.mkdir(parents=True, exist_ok=True)
    with lock.open("a+") as handle:
        lock_file(handle, wait=True)
        yield (folder / DECISIONS_FILE).resolve()


def _read(path: Path, samples: Collection[str]) -> tuple[Sheet | None, dict[str, Decision]]:
    if not path.is_file():
        return None, {}
    sheet = read_sheet(path, DECISIONS_FILE, required=COLUMNS, known=(SCAN_DIGEST,), comment="#")
    decisions, problems = decisions_of(sheet, samples)
    if problems:
        raise InputFault(problems)
    return sheet, standing(decisions)


def _fields(decision: Decision | None) -> dict[str, str] | None:
    return None if decision is None else asdict(decision)


def _line(columns: Sequence[str], decision: Decision) -> bytes:
    cells = asdict(decision)
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="").writerow([cells.get(name, "") for name in columns])
    return out.getvalue().encode("utf-8")


def _add(path: Path, sheet: Sheet | None, lines: Sequence[bytes]) -> None:
    data = path.read_bytes() if sheet else ",".join(COLUMNS).encode() + b"\n"
    if sheet is None or SCAN_DIGEST not in sheet.columns:
        data = with_column(data, SCAN_DIGEST)
    end = b"\r\n" if b"\r\n" in data else b"\n"
    if not data.endswith((b"\n", b"\r")):
        data += end
    mode = path.stat().st_mode if sheet else None
    write_bytes(path, data + b"".join(line + end for line in lines))
    if mode is not None:
        path.chmod(mode & 0o777)


def _problems(
    samples: Collection[str], requests: Sequence[DecisionRequest], by: str
) -> Iterator[Problem]:
    if not requests:
        yield _problem("scan", "no decision", "one decision or more", "Decide about a scan first.")
    yield from _word_problems("by", by, LONGEST_NAME, "the name of who decides")
    scans = [request.scan for request in requests]
    for request in requests:
        if request.scan not in samples:
            yield _problem(
                "scan",
                quoted(request.scan),
                "a leaf scan of the study",
                "A reference is left out by mending the scan sheet, not here.",
            )
        if scans.count(request.scan) > 1:
            yield _problem("scan", f"{quoted(request.scan)} twice", "once", "Decide once.")
        if request.scan_sha256 and not is_digest(request.scan_sha256):
            yield _problem(
                SCAN_DIGEST,
                quoted(request.scan_sha256),
                "64 hexadecimal digits",
                "Reload the page.",
            )
        if request.action not in ACTIONS:
            yield _problem(
                "action", quoted(request.action), "exclude or keep", "Choose one of them."
            )
        yield from _word_problems("reason", request.reason, LONGEST_REASON, "a reason in words")


def _word_problems(column: str, text: str, longest: int, expected: str) -> Iterator[Problem]:
    clean = one_line(text)
    if not clean:
        yield _problem(
            column,
            "an empty field",
            expected,
            "A decision without reason and name cannot be defended later; fill it in.",
        )
    elif len(clean) > longest:
        yield _problem(column, f"{len(clean)} characters", f"at most {longest}", "Shorten it.")
    elif not clean.isprintable():
        yield _problem(column, "a control character", "printable text", "Type it anew.")
    elif clean.startswith(_NOT_FIRST):
        # A spreadsheet would run it as a formula; after # the line would be a comment.
        yield _problem(column, quoted(clean), "text that begins with a word", "Begin with a word.")


def _problem(column: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=DECISIONS_FILE, column=column, found=found, expected=expected, mend=mend)

"""Can a recorded run be rebuilt from what was stored of it, in an empty folder, with every output?

Nothing is restored from the content store: every stage computes again. Sums of floating point
numbers come out in other last digits under another kernel of linear algebra. Tables may then differ
by 1e-9 of a value (weights of latent variables by 1e-6), spectra by one step of the 32-bit numbers
they are stored as. Comparing them is own code: what NumPy and pandas offer for testing says that
two tables differ, and not in which row and column they differ most.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem
from leafledger.ledger.view import BookView, in_data_order
from leafledger.records.digests import code_of, files_below, sha256_of_file
from leafledger.records.record import Record, read_record
from leafledger.runner.run import Listener, run_study
from leafledger.study.reading import examine_study
from leafledger.study.rules import BY_NAME, RECORDS
from leafledger.study.sheets import NO_SUCH_FILE, PICTURES, PathCheck
from leafledger.study.study import FROM_THE_BOOK
from leafledger.study.table_files import refuse_links

if TYPE_CHECKING:
    import pandas as pd


# Whether two files hold the same
# ----------------------------------------------------------------------

RELATIVE = 1e-9
_OF_TERMS = 1e-6
_TERMS = "spectra_terms.parquet"
_SINGLE = 2.0**-22
_ROUNDED = 2.0**-9
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class TableMatch:
    """How two versions of a file compare.

    Attributes
    ----------
    same
        ``bytes``, ``within_tolerance``, ``differs``, or ``not_compared`` for files that are no
        tables.
    column
        The first column (or place in a JSON value) that is not the same to the last digit.
    row
        Row of that column's largest difference, counted from 0.
    before, after
        The two values there.
    largest
        Largest relative difference of the file.
    """

    same: str
    column: str | None = None
    row: int | None = None
    before: str | None = None
    after: str | None = None
    largest: float | None = None


def compare_files(first: Path, second: Path, path: str) -> TableMatch:
    """Compare two versions of the file at ``path`` of a study.

    Parameters
    ----------
    one, other
        Where the two versions lie.
    path
        The file's path in the study, which tells what it is.
    """
    if first.read_bytes() == second.read_bytes():
        return TableMatch("bytes")
    suffix = Path(path).suffix
    if suffix == ".json":
        return _summed(_json_differences(_json(first), _json(second), ""), RELATIVE)
    if suffix not in {".csv", ".parquet"}:
        return TableMatch("not_compared")
    before, after = _columns(first, suffix), _columns(second, suffix)
    if list(before) != list(after):
        odd = next(iter(set(before) ^ set(after)), "the order of the columns")
        return TableMatch("differs", column=odd)
    tolerance = _OF_TERMS if path.endswith(_TERMS) else RELATIVE
    matches = [_column(name, before[name], after[name], tolerance) for name in before]
    return _worst([m for m in matches if m is not None])


def _worst(matches: list[TableMatch]) -> TableMatch:
    """Return the first column that differs, with the judgement of the worst one."""
    if not matches:
        return TableMatch("within_tolerance")
    first = next((m for m in matches if m.same == "differs"), matches[0])
    largest = max((m.largest for m in matches if m.largest is not None), default=None)
    return TableMatch(first.same, first.column, first.row, first.before, first.after, largest)


# Tables
# ----------------------------------------------------------------------


def _columns(path: Path, suffix: str) -> dict[str, Any]:
    if suffix == ".csv":
        import pandas as pd

        frame = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8")
        return {str(name): _numbers_or_text(frame[name]) for name in frame.columns}
    return _parquet_columns(path)


def _numbers_or_text(column: pd.Series[Any]) -> NDArray[Any]:
    import pandas as pd

    numbers = pd.to_numeric(column.replace("", None), errors="coerce")
    if (numbers.isna() == (column == "")).all():
        return np.asarray(numbers, dtype=np.float64)
    return np.asarray(column, dtype=object)


def _parquet_columns(path: Path) -> dict[str, Any]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pq.read_table(path)
    columns: dict[str, Any] = {}
    for name in table.column_names:
        column = table.column(name)
        if pa.types.is_fixed_size_list(column.type):
            flat = column.combine_chunks().flatten()
            columns[name] = flat.to_numpy(zero_copy_only=False).reshape(len(column), -1)
        elif pa.types.is_floating(column.type) or pa.types.is_integer(column.type):
            columns[name] = np.asarray(column.to_pandas(), dtype=np.float64)
        else:
            columns[name] = np.asarray([str(v) for v in column.to_pylist()], dtype=object)
    for name, value in (table.schema.metadata or {}).items():
        columns[f"metadata {name.decode()}"] = np.asarray([value.decode()], dtype=object)
    return columns


def _column(
    name: str, before: NDArray[Any], after: NDArray[Any], relative: float
) -> TableMatch | None:
    if before.shape != after.shape:
        words = f"{len(before)} rows", f"{len(after)} rows"
        return TableMatch("differs", name, None, *words)
    if before.dtype == object or after.dtype == object:
        odd = np.flatnonzero(before.astype(object) != after.astype(object))
        return _at(name, before, after, int(odd[0]), None, False) if odd.size else None
    if np.array_equal(before, after, equal_nan=True):
        return None
    if before.dtype == np.float32:
        relative = _ROUNDED if name.startswith("u_") else _SINGLE
    first, second = np.asarray(before, np.float64), np.asarray(after, np.float64)
    if (np.isnan(first) != np.isnan(second)).any():
        row = int(np.argwhere(np.isnan(first) != np.isnan(second))[0][0])
        return _at(name, first, second, row, None, False)
    difference = np.nan_to_num(np.abs(first - second))
    scale = np.fmax(np.abs(first), np.abs(second))
    # A value near nothing is judged by the size of its column.
    allowed = relative * np.nan_to_num(np.fmax(scale, 1e-3 * np.nanmax(scale, initial=0.0)))
    share = difference / np.where(allowed > 0, allowed / relative, 1.0)
    row = int(np.argmax(share.reshape(len(share), -1).max(axis=1)))
    within = bool((difference <= allowed).all())
    return _at(name, first, second, row, float(share.max()), within)


def _at(
    name: str,
    before: NDArray[Any],
    after: NDArray[Any],
    row: int,
    largest: float | None,
    within: bool,
) -> TableMatch:
    first, second = before[row], after[row]
    if isinstance(first, np.ndarray):
        pixel = int(np.argmax(np.abs(first - second)))
        first, second = first[pixel], second[pixel]
    same = "within_tolerance" if within else "differs"
    return TableMatch(same, name, row, str(first), str(second), largest)


# JSON
# ----------------------------------------------------------------------


def _json(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def _json_differences(
    before: Any, after: Any, key_path: str
) -> Iterator[tuple[str, str, str, float | None]]:
    """Yield place, both values and, of numbers, the relative difference."""
    if isinstance(before, dict) and isinstance(after, dict) and set(before) == set(after):
        for key in before:
            inner = f"{key_path}.{key}" if key_path else str(key)
            yield from _json_differences(before[key], after[key], inner)
    elif isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        for i, (first, second) in enumerate(zip(before, after, strict=True)):
            yield from _json_differences(first, second, f"{key_path}.{i}")
    elif isinstance(before, float) and isinstance(after, float):
        if before != after:
            relative = abs(before - after) / max(abs(before), abs(after))
            yield key_path, str(before), str(after), relative
    elif before != after and not _both_digests(before, after):
        yield key_path, str(before), str(after), None


def _both_digests(before: Any, after: Any) -> bool:
    """A digest of something that differs differs too and tells nothing more."""
    return all(isinstance(v, str) and _DIGEST.fullmatch(v) for v in (before, after))


def _summed(
    differences: Iterator[tuple[str, str, str, float | None]], relative: float
) -> TableMatch:
    return _worst(
        [
            TableMatch(
                "within_tolerance" if share is not None and share <= relative else "differs",
                *(key_path, None, before, after, share),
            )
            for key_path, before, after, share in differences
        ]
    )


# Rebuilding a run and comparing it
# ----------------------------------------------------------------------

_MADE = ("results/", "records/")


@dataclass(frozen=True)
class FileMatch:
    """One output of the recorded run beside what came out now."""

    task: str
    path: str
    match: TableMatch


@dataclass
class Reproduction:
    """What came of rebuilding a run.

    Attributes
    ----------
    run
        The run that was rebuilt.
    outcome
        ``identical``, ``within_tolerance``, ``differs``, ``failed`` (it did not run to its end)
        or ``impossible`` (something it needs is gone).
    missing
        What is gone or other than then, in words.
    differing
        The outputs that are not the same bytes, in the order of the data.
    first
        The first task that differs.
    n_files
        Outputs that were compared.
    kernels
        The kernels of linear algebra then and now.
    message
        Why it failed.
    taken
        Files that were taken as recorded: they are made of other runs, named here.
    """

    run: str
    outcome: str
    missing: list[str] = field(default_factory=list)
    differing: list[FileMatch] = field(default_factory=list)
    first: str | None = None
    n_files: int = 0
    kernels: tuple[str, str] = ("unknown", "unknown")
    message: str = ""
    taken: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 if the run was reproduced, within tolerance at least."""
        return 0 if self.outcome in {"identical", "within_tolerance"} else 1


def reproduce(
    folder: Path, run: str, scratch: Path, cores: int, listen: Listener | None = None
) -> Reproduction:
    """Rebuild a run of a study in the empty folder ``scratch`` and compare its outputs.

    Parameters
    ----------
    folder
        The study folder; it is read only.
    run
        The run's id, or how it begins, or ``latest``.
    scratch
        A folder that does not exist yet, or is empty.
    cores
        How many tasks may run side by side.
    listen
        Called with every line of progress.

    Raises
    ------
    InputFault
        If the run is not in the book or ended before it was done, or a link leads out of the study.
    """
    refuse_links(folder)
    book = BookView(folder)
    entry = book.run(run)
    records = _whole(book, entry)
    missing = [*_other_code(records), *_lay_out(book, entry, records, scratch)]
    if missing:
        return Reproduction(entry["run"], "impossible", missing)
    try:
        result = run_study(
            scratch,
            cores,
            listen,
            use_store=False,
            into_tracking=False,
            variant=entry.get("variant"),
            rebuilt=True,
        )
    except InputFault as fault:
        reasons = "; ".join(problem.sentence() for problem in fault.problems[:3])
        return Reproduction(entry["run"], "failed", message=reasons)
    if result.exit_code:
        return Reproduction(entry["run"], "failed", message=result.message)
    reproduction = _compared(book, entry["run"], records, scratch)
    reproduction.taken = list(entry.get("tables", {}))
    return reproduction


def _whole(book: BookView, entry: Mapping[str, Any]) -> dict[str, Record]:
    records = book.records_of(entry)
    if entry["outcome"] != "done" or not records or set(records) != set(entry["records"]):
        missing = ", ".join(sorted(set(entry["records"]) - set(records))[:3])
        reason = f"no whole record of {missing} is kept" if missing else f"{entry['outcome']}"
        raise InputFault(
            Problem(
                file=f"ledger/runs/{entry['run']}.json",
                found=f"a run that cannot be rebuilt: {reason}",
                expected="a run that ended well, with its records kept",
                mend="Choose another: `leafledger runs` lists them.",
            )
        )
    return records


def _other_code(records: Mapping[str, Record]) -> Iterator[str]:
    notes: dict[str, None] = {}
    for record in records.values():
        rule = record["rule"]
        if rule not in BY_NAME:
            notes[f"other code: the installed version knows no stage {rule}"] = None
            continue
        now = code_of(BY_NAME[rule].module)
        if now.sha256 != record["code"]["sha256"]:
            then = f"{record['code']['package']}, {record['code']['sha256'][:12]}..."
            notes[f"other code: {rule} was made by another version ({then})"] = None
        for name in sorted({*now.libraries, *record["libraries"]}):
            before, after = record["libraries"].get(name), now.libraries.get(name)
            if before != after:
                notes[f"other library: {name} was {before}, {after} is installed"] = None
    return iter(notes)


def _lay_out(
    book: BookView, entry: Mapping[str, Any], records: Mapping[str, Record], scratch: Path
) -> Iterator[str]:
    """Write the study as it was into ``scratch``; yield what is missing."""
    for name, digest in entry["study"].items():
        data = book.history(digest)
        if data is None:
            yield f"the copy of {name} as it was ({digest[:12]}...) is gone or was changed"
            continue
        (scratch / name).parent.mkdir(parents=True, exist_ok=True)
        (scratch / name).write_bytes(data)
    yield from _lay_out_tables(book, entry, scratch)
    raw = {
        given["path"]: given["sha256"]
        for record in records.values()
        for given in record["inputs"]
        if not given["path"].startswith(_MADE) and given["path"] not in entry["study"]
    }
    raw_files = _Raw(book.folder)
    for path, digest in raw.items():
        source = raw_files.of(path, digest)
        if source is None:
            yield f"missing content: {path} as it was read ({digest[:12]}...)"
            continue
        (scratch / path).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, scratch / path)
    _stand_in_for_pictures(scratch, entry.get("variant"))


def _stand_in_for_pictures(scratch: Path, variant: str | None) -> None:
    """Put an empty picture where the scan sheet names one: it must be there, and no task reads it.

    Whether the picture is still kept, or was changed, is nothing that a result rests on.
    """
    try:
        study = examine_study(scratch, variant).study
    except InputFault:
        return  # the run says what is wrong
    paths = PathCheck(scratch)
    for scan in (*study.scans, *study.planned, *study.omitted):
        picture = scratch / scan.photo
        if scan.photo and paths.why_refused(scan.photo) == NO_SUCH_FILE:
            picture.parent.mkdir(parents=True, exist_ok=True)
            picture.write_bytes(PICTURES.get(picture.suffix.lower(), b"RIFF\0\0\0\0WEBP"))


def _lay_out_tables(book: BookView, entry: Mapping[str, Any], scratch: Path) -> Iterator[str]:
    """Write the tables that were made of other runs, with their records."""
    owed = dict(entry.get("tables", {}))
    for task in FROM_THE_BOOK:
        if task.name in entry["records"]:
            owed[task.record] = entry["records"][task.name]
    for name, digest in owed.items():
        data = book.history(digest)
        if data is None:
            yield f"the copy of {name} as it was ({digest[:12]}...) is gone or was changed"
            continue
        (scratch / name).parent.mkdir(parents=True, exist_ok=True)
        (scratch / name).write_bytes(data)


class _Raw:
    """Raw content by digest, in its place or wherever it was moved below ``raw/``."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._elsewhere: dict[str, Path] | None = None

    def of(self, path: str, digest: str) -> Path | None:
        recorded_file = self.folder / path
        if recorded_file.is_file() and sha256_of_file(recorded_file) == digest:
            return recorded_file
        if self._elsewhere is None:
            root = self.folder / "raw"
            files = files_below(root) if root.is_dir() else []
            self._elsewhere = {sha256_of_file(file): file for file in files}
        return self._elsewhere.get(digest)


def _compared(
    book: BookView, run: str, records: Mapping[str, Record], scratch: Path
) -> Reproduction:
    reproduction = Reproduction(run, "identical", kernels=_kernels(book, records, scratch))
    for task in in_data_order(list(records)):
        if task in {book_task.name for book_task in FROM_THE_BOOK}:
            continue
        new_record = read_record(scratch / RECORDS / f"{task}.json")
        outputs = {o["path"]: o["sha256"] for o in new_record["outputs"]} if new_record else {}
        for output in records[task]["outputs"]:
            reproduction.n_files += 1
            if outputs.get(output["path"]) != output["sha256"]:
                how = _match(book, records[task], output, scratch)
                reproduction.differing.append(FileMatch(task, output["path"], how))
        for path in sorted(set(outputs) - {o["path"] for o in records[task]["outputs"]}):
            reproduction.differing.append(
                FileMatch(task, path, TableMatch("differs", column="a new file"))
            )
    if reproduction.differing:
        reproduction.first = reproduction.differing[0].task
        compared = [f.match.same for f in reproduction.differing if f.match.same != "not_compared"]
        # Pages, figures and the model are made from the tables: these decide.
        close = bool(compared) and set(compared) == {"within_tolerance"}
        reproduction.outcome = "within_tolerance" if close else "differs"
    return reproduction


def _match(book: BookView, record: Record, output: Mapping[str, Any], scratch: Path) -> TableMatch:
    now = scratch / output["path"]
    if not now.is_file():
        return TableMatch("differs", column="the file was not made")
    then = book.content(record, output)
    if then is None:
        return TableMatch("differs", column="unknown: the recorded content is no longer kept")
    return compare_files(then, now, output["path"])


def _kernels(book: BookView, records: Mapping[str, Record], scratch: Path) -> tuple[str, str]:
    then = {book.made.get(record["key"], {}).get("kernel") for record in records.values()}
    again = BookView(scratch)
    now = {event.get("kernel") for run in again.runs for event in again.events(run["run"])}
    words = [
        ", ".join(sorted(str(k) for k in kernels if k not in {None, "None"})) or "unknown"
        for kernels in (then, now)
    ]
    return words[0], words[1]


def as_json(reproduction: Reproduction) -> dict[str, Any]:
    """Return a reproduction as plain JSON values."""
    return asdict(reproduction) | {
        "kernels": dict(zip(("then", "now"), reproduction.kernels, strict=True))
    }


def lines(result: Reproduction) -> Iterator[str]:
    """Yield a reproduction line by line for a person to read."""
    if result.outcome == "impossible":
        yield f"Run {result.run} cannot be rebuilt here:"
        yield from (f"  - {text}" for text in result.missing[:20])
        if len(result.missing) > 20:
            yield f"  and {len(result.missing) - 20} more (all with --json)"
        return
    if result.outcome == "failed":
        yield f"Run {result.run} did not run to its end: {result.message}"
        return
    for path in result.taken:
        yield f"{path} was taken as recorded: it is made of other runs of the book."
    if result.outcome == "identical":
        yield f"Run {result.run} reproduced: all {result.n_files} outputs are byte-identical."
        return
    tables = [f for f in result.differing if f.match.same != "not_compared"]
    if result.outcome == "within_tolerance":
        yield f"Run {result.run}: equal within tolerance, not byte-identical."
    else:
        yield f"Run {result.run} was not reproduced."
    yield f"  {len(result.differing)} of {result.n_files} outputs have other bytes"
    yield f"  first stage that differs: {result.first}"
    if tables:
        yield from _first_table(tables[0])
    if result.kernels[0] != result.kernels[1]:
        yield f"  linear algebra kernel then {result.kernels[0]}, now {result.kernels[1]}"
    worst = [f for f in tables if f.match.same == "differs"]
    if worst and worst[0] != tables[0]:
        yield "  first beyond tolerance:"
        yield from _first_table(worst[0])


def _first_table(file_match: FileMatch) -> Iterator[str]:
    how = file_match.match
    yield f"  first table that differs: {file_match.path}, column {how.column}"
    if how.row is not None or how.before is not None:
        where = f"row {how.row}: " if how.row is not None else ""
        size = "" if how.largest is None else f" (largest relative difference {how.largest:.2g})"
        yield f"    {where}{how.before} -> {how.after}{size}"

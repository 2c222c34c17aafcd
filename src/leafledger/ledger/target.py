"""What ``trace`` was asked for: a file, a digest, or one value of a table."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.ledger.view import BookView
from leafledger.records.digests import sha256_of_file

if TYPE_CHECKING:
    import pandas as pd

_DIGEST = re.compile(r"(sha256:)?[0-9a-f]{8,64}")
_MOST_ROWS = 20


@dataclass(frozen=True)
class Target:
    """A file of the study at one content.

    Attributes
    ----------
    path
        Path in the study folder.
    sha256
        The content asked for.
    record
        Digest of the record that made it; ``None`` for a file that a person wrote.
    now
        Digest of what is at ``path`` now, ``None`` if nothing is.
    rows
        The rows asked for, if it was a value of a table.
    """

    path: str
    sha256: str
    record: str | None
    now: str | None
    rows: tuple[Mapping[str, Any], ...] = ()


def find_target(book: BookView, asked: str) -> Target:
    """Return what was asked for.

    Raises
    ------
    InputFault
        If no run of the book knows it, or the table has no such row.
    """
    name, _, wanted = asked.partition("#")
    if _DIGEST.fullmatch(name) and not (book.folder / name).exists():
        return _by_digest(book, name.removeprefix("sha256:"))
    target = _by_path(book, name)
    if not wanted:
        return target
    rows = _rows(book, target, wanted)
    return Target(target.path, target.sha256, target.record, target.now, rows)


def _by_path(book: BookView, name: str) -> Target:
    known: dict[str, tuple[str, str | None]] = {}
    for task, (_run, digest) in book.standing.items():
        record = book.record(digest)
        for given in record["inputs"] if record else []:
            known.setdefault(given["path"], (given["sha256"], None))
        known[f"records/{task}.json"] = (digest, digest)
    for _run, digest in book.standing.values():
        record = book.record(digest)
        for output in record["outputs"] if record else []:
            known[output["path"]] = (output["sha256"], digest)
    for sheet, (_run, digest) in book.sheets.items():
        known.setdefault(sheet, (digest, None))
    path = next((p for p in _possible(book.folder, name) if p in known), None)
    if path is None:
        raise InputFault(
            Problem(
                file=name,
                found="a file that no run of the book knows",
                expected="a result, a raw file, a sheet, a record, or a digest",
                mend=_close(name, list(known)),
            )
        )
    sha256, record_digest = known[path]
    place = book.folder / path
    return Target(path, sha256, record_digest, sha256_of_file(place) if place.is_file() else None)


def _close(name: str, known: list[str]) -> str:
    short = {path.removeprefix("results/"): path for path in known}
    found = get_close_matches(Path(name).as_posix().removeprefix("results/"), short, n=3)
    if found:
        return f"Is it {' or '.join(short[one] for one in found)}?"
    return "Name it by its path in the study folder, such as results/effects.csv."


def _possible(folder: Path, name: str) -> list[str]:
    plain = Path(name).as_posix()
    found = [plain, f"results/{plain}"]
    absolute = Path(name).resolve()
    if absolute.is_relative_to(folder):
        found.insert(0, absolute.relative_to(folder).as_posix())
    return found


def _by_digest(book: BookView, start: str) -> Target:
    """Return the newest content whose digest begins so: of an output, a record or an input."""
    for digest in reversed(list(book.versions)):
        record = book.record(digest)
        if record is None:
            continue
        if digest.startswith(start):
            task = record["rule"] + (f".{record['session']}" if record["session"] else "")
            return Target(
                f"records/{task}.json", digest, digest, _now(book, f"records/{task}.json")
            )
        for output in record["outputs"]:
            if output["sha256"].startswith(start):
                return Target(output["path"], output["sha256"], digest, _now(book, output["path"]))
        if record["key"].removeprefix("sha256:").startswith(start):
            first = record["outputs"][0]
            return Target(first["path"], first["sha256"], digest, _now(book, first["path"]))
        for given in record["inputs"]:
            raw = not given["path"].startswith(("results/", "records/"))
            if raw and given["sha256"].startswith(start):
                return Target(given["path"], given["sha256"], None, _now(book, given["path"]))
    if (sheet := _sheet_by_digest(book, start)) is not None:
        return sheet
    raise InputFault(
        Problem(
            file=start,
            found="a digest that no record of the book holds",
            expected="the SHA-256 of a result, raw file, sheet or record, or its first 8 digits",
            mend="`sha256sum FILE` prints the digest of a file.",
        )
    )


def _sheet_by_digest(book: BookView, start: str) -> Target | None:
    for run in reversed(book.runs):
        for name, digest in run["study"].items():
            if digest.startswith(start):
                return Target(name, digest, None, _now(book, name))
    return None


def _now(book: BookView, path: str) -> str | None:
    place = book.folder / path
    return sha256_of_file(place) if place.is_file() else None


def _rows(book: BookView, target: Target, wanted: str) -> tuple[Mapping[str, Any], ...]:
    record = book.record(target.record) if target.record else None
    place = book.content_at(record, target.path) if record else book.kept_sheet(target.sha256)
    if place is None or Path(target.path).suffix not in {".csv", ".parquet"}:
        raise InputFault(
            Problem(
                file=target.path,
                found="no table, or one whose recorded content is gone",
                expected="a CSV or Parquet table of results/, or a CSV sheet, as it was recorded",
                mend="Run the study again, or ask for the file without `#`.",
            )
        )
    table = _table(place, Path(target.path).suffix)
    for name, value in _pairs(target.path, wanted):
        if name not in table.columns:
            raise _no_such(target.path, name, quoted(name), nearest(name, list(table.columns)))
        values = table[name].astype(str)
        if not (values == value).any():
            raise _no_such(target.path, name, quoted(value), nearest(value, sorted(set(values))))
        table = table.loc[values == value]
    rows = table.head(_MOST_ROWS).to_dict(orient="records")
    return tuple({str(k): v for k, v in row.items() if v not in {"", None}} for row in rows)


def _pairs(path: str, wanted: str) -> list[tuple[str, str]]:
    """Return column and value of ``index=PRI,contrast=...``; a value may hold commas."""
    parts = re.split(r",(?=[A-Za-z_][A-Za-z_0-9]*=)", wanted)
    pairs = [tuple(part.split("=", 1)) for part in parts if "=" in part]
    if len(pairs) < len(parts):
        raise _no_such(path, None, quoted(wanted), "Write column=value, parted by commas.")
    return [(name, value) for name, value in pairs]


def _no_such(path: str, column: str | None, found: str, mend: str) -> InputFault:
    return InputFault(
        Problem(
            file=path,
            column=column,
            found=found,
            expected="column=value of rows that the table has",
            mend=mend or "Look into the table for its columns and values.",
        )
    )


def _table(place: Path, suffix: str) -> pd.DataFrame:
    """Return a table as text: what is written in the file, not a number read from it."""
    import pandas as pd

    if suffix == ".csv":
        return pd.read_csv(place, dtype=str, keep_default_na=False, encoding="utf-8")
    from leafledger.study.tables import read_parquet

    return read_parquet(place, with_spectra=False)

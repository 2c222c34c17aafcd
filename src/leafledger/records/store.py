"""What is kept by the key of what made it, so that it need not be made again?

The content store keeps results, so that going back costs nothing. An entry is a folder named by the
key; it is written under another name and renamed, so that it is whole or absent. Every file is
checked against its record before it is handed out. Parts of a result, such as the drawings of a
report, are kept by a key of their own, each with its digest.

Large tables of spectra are most of a study's results. They are not copied: the file in place is the
only one, and it moves into its entry when another version is to take its place, and back when it is
asked for again. A file that is no longer what its record says is not moved; it is computed anew.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from leafledger.errors import quoted
from leafledger.records.digests import sha256_of_bytes, sha256_of_file
from leafledger.records.record import Record, read_record, write_record
from leafledger.study.table_files import (
    canonical_json,
    not_through_a_link,
    remove_file,
    remove_folder,
    whole_file,
    write_bytes,
)

NO_STORE_VARIABLE = "LEAFLEDGER_NO_STORE"


def may_use_store() -> bool:
    """Tell whether what was kept earlier may be used in this process."""
    return not os.environ.get(NO_STORE_VARIABLE)


# Results of tasks.
# ----------------------------------------------------------------------

FOLDER = "ledger/store"
_RECORD = "record.json"
_ANYWHERE = ("results/",)
_SPECTRA = ("results/scans/", "results/reflectance/")
_LARGE_BYTES = 1_000_000


def stays_in_place(output: Mapping[str, Any]) -> bool:
    """Tell whether an output of a record is not copied into the store: a large table of spectra."""
    large = isinstance(output.get("bytes"), int) and output["bytes"] >= _LARGE_BYTES
    return large and str(output["path"]).startswith(_SPECTRA)


def _say_nothing(_words: str) -> None:
    pass


class ContentStore:
    """Results of earlier tasks of one study.

    Parameters
    ----------
    folder
        The study folder.
    """

    def __init__(self, folder: Path) -> None:
        self.study = folder
        self.root = folder / FOLDER

    def _entry(self, key: str) -> Path:
        digest = key.removeprefix("sha256:")
        return self.root / digest[:2] / digest

    def keeps(self, key: str) -> bool:
        """Tell whether there is an entry for ``key``; restoring shows whether it is whole."""
        return self._entry(key).is_dir()

    def restore(
        self,
        key: str,
        owed: Collection[str] = _ANYWHERE,
        say: Callable[[str], None] = _say_nothing,
    ) -> Record | None:
        """Put the outputs kept under ``key`` back in place.

        Parameters
        ----------
        key
            The key of the task's result.
        owed
            The paths that the task writes; one that ends in ``/`` is a folder. An entry that
            names any other, or lacks one, is damaged: it is not by its record that a file of
            another task, of a person, or outside the study is written over.
        say
            Called with words on a damaged entry.

        Returns
        -------
        Record or None
            The record of the task, or ``None`` if nothing whole is kept; a damaged entry is
            thrown away.
        """
        entry = self._entry(key)
        if not entry.is_dir():
            return None
        record = read_record(entry / _RECORD)
        why = _why_damaged(entry, key, record, owed)
        if record is None or why is not None:
            say(f"{FOLDER}/{entry.parent.name}/{entry.name}: {why}; ignored and made again")
            remove_folder(entry)
            return None
        moved = [output for output in record["outputs"] if stays_in_place(output)]
        if not all(self._is_whole(entry, output) for output in moved):
            remove_folder(entry)  # no fault: what was in place was removed or written over
            return None
        for output in record["outputs"]:
            kept, place = entry / output["sha256"], self.study / output["path"]
            if output not in moved:
                with whole_file(place) as temporary:
                    shutil.copyfile(kept, temporary)
            elif kept.is_file():
                not_through_a_link(place.parent).mkdir(parents=True, exist_ok=True)
                kept.replace(not_through_a_link(place))
        os.utime(not_through_a_link(entry))
        return record

    def _is_whole(self, entry: Path, output: Mapping[str, Any]) -> bool:
        """Tell whether a file that is not copied is in the entry or in place, as recorded."""
        return any(
            place.is_file() and sha256_of_file(place) == output["sha256"]
            for place in (entry / output["sha256"], self.study / output["path"])
        )

    def set_aside(self, record: Record) -> None:
        """Move what was not copied of a result into its entry, before another takes its place.

        Parameters
        ----------
        record
            The record of the result in place. Without an entry, or where a file is not what the
            record says, nothing is moved.
        """
        entry = self._entry(record["key"])
        for output in record["outputs"] if entry.is_dir() else ():
            kept, place = entry / output["sha256"], self.study / output["path"]
            if not stays_in_place(output) or kept.exists() or not place.is_file():
                continue
            if sha256_of_file(not_through_a_link(place)) == output["sha256"]:
                place.replace(not_through_a_link(kept))

    def hold_in_place(self, record: Record) -> None:
        """Give what was not copied of a result a second name in its entry; it stays in place.

        Snakemake removes what a task wrote before it runs the task anew, and may yet decide not to.
        Nothing is written into a result once it is whole, so that two names take no space and the
        kept one stays as it is. On a file system without hard links nothing is kept.

        Parameters
        ----------
        record
            The record of the result in place.
        """
        entry = self._entry(record["key"])
        for output in record["outputs"] if entry.is_dir() else ():
            kept, place = entry / output["sha256"], self.study / output["path"]
            if not stays_in_place(output) or kept.exists() or not place.is_file():
                continue
            if sha256_of_file(not_through_a_link(place)) == output["sha256"]:
                with suppress(OSError):
                    os.link(place, not_through_a_link(kept))

    def differs_from(self, key: str, record: Path) -> bool:
        """Tell whether the record kept under ``key`` is another text than the file ``record``."""
        try:
            return (self._entry(key) / _RECORD).read_bytes() != record.read_bytes()
        except OSError:
            return False

    def content(self, key: str, sha256: str) -> Path | None:
        """Return the file kept for an output of the task ``key``, or ``None`` if none is whole."""
        kept = self._entry(key) / sha256
        return kept if kept.is_file() and sha256_of_file(kept) == sha256 else None

    def keep(self, record: Record) -> None:
        """Keep the outputs that a record names."""
        entry = self._entry(record["key"])
        if entry.is_dir():
            for output in record["outputs"]:
                if stays_in_place(output):  # it was made again meanwhile
                    remove_file(entry / output["sha256"])
            return
        building = entry.with_name(f".{entry.name}.{os.getpid()}.tmp")
        not_through_a_link(building).mkdir(parents=True)
        try:
            for output in record["outputs"]:
                if not stays_in_place(output):
                    shutil.copyfile(self.study / output["path"], building / output["sha256"])
            write_record(building / _RECORD, record)
            building.rename(entry)
        finally:
            remove_folder(building)

    def copy_from(self, other: ContentStore, record: Record) -> bool:
        """Keep what another study has of a record's outputs; return whether there is an entry.

        A large table of spectra is taken from its store or from its results, whichever is whole.
        """
        key = record["key"]
        if self.keeps(key):
            return True
        source, entry = other._entry(key), self._entry(key)
        paths = [output["path"] for output in record["outputs"]]
        if not source.is_dir() or _why_damaged(source, key, read_record(source / _RECORD), paths):
            return False
        building = entry.with_name(f".{entry.name}.{os.getpid()}.tmp")
        not_through_a_link(building).mkdir(parents=True)
        try:
            for output in record["outputs"]:
                kept = source / output["sha256"]
                if stays_in_place(output) and not kept.is_file():
                    kept = other.study / output["path"]
                    if not kept.is_file() or sha256_of_file(kept) != output["sha256"]:
                        continue
                shutil.copyfile(kept, building / output["sha256"])
            shutil.copyfile(source / _RECORD, building / _RECORD)
            building.rename(entry)
        finally:
            remove_folder(building)
        return True

    def entries(self) -> list[tuple[Path, int, float]]:
        """Return folder, bytes and time of last use of every entry, the longest unused first."""
        found = []
        for entry in self.root.glob("??/*"):
            if entry.is_dir() and not entry.name.startswith("."):
                size = sum(path.stat().st_size for path in entry.iterdir())
                found.append((entry, size, entry.stat().st_mtime))
        return sorted(found, key=lambda item: item[2])

    def trim(self, most_bytes: int, last: Collection[str] = ()) -> dict[str, Any]:
        """Throw away the longest unused entries until at most ``most_bytes`` are taken.

        Parameters
        ----------
        most_bytes
            The bound.
        last
            Keys of entries that go only when all others are gone.

        Returns
        -------
        dict
            bytes and entries that are left, and how many were removed: in all, and of ``last``.
        """
        spared = {self._entry(key) for key in last}
        entries = sorted(self.entries(), key=lambda item: item[0] in spared)
        taken = sum(size for _, size, _ in entries)
        removed = []
        for entry, size, _ in entries:
            if taken <= most_bytes:
                break
            remove_folder(entry)
            taken -= size
            removed.append(entry)
        return {
            "bytes": taken,
            "removed": len(removed),
            "removed_last": sum(entry in spared for entry in removed),
            "entries": len(entries) - len(removed),
        }


def _why_damaged(entry: Path, key: str, record: Record | None, owed: Collection[str]) -> str | None:
    """Return what is wrong with an entry of the store, ``None`` if it may be put back."""
    if record is None:
        return "a damaged entry, whose record cannot be read or names a path outside results"
    if record["key"] != key:
        return "a damaged entry, whose record is that of another result"
    paths = {output["path"] for output in record["outputs"]}
    folders = tuple(path for path in owed if path.endswith("/"))
    strange = sorted(p for p in paths if p not in owed and not p.startswith(folders))
    if strange:
        return f"a damaged entry, which names a file of something else: {quoted(strange[0])}"
    if lacking := sorted({path for path in owed if path not in folders} - paths):
        return f"a damaged entry, without {lacking[0]}"
    for output in record["outputs"]:
        kept = entry / output["sha256"]
        if stays_in_place(output) and not kept.exists():
            continue
        if not kept.is_file() or sha256_of_file(kept) != output["sha256"]:
            return f"a damaged entry, whose copy of {output['path']} is gone or was changed"
    return None


# Parts of a result.
# ----------------------------------------------------------------------

PARTS = "ledger/cache/parts"
DRAWINGS = "drawings"
"""The kind of parts that figures are."""
MOST_PARTS_BYTES = 200_000_000
"""What a study keeps of each kind of parts; a report of 30 figures takes 6 MB."""


class KeptFiles:
    """Small sets of files of one study, such as a drawing in its forms, by the key of their maker.

    A set is one file: the digest of all after it, a line of JSON with key, names and sizes, and
    the files. One that was damaged, edited or put under another key is thrown away when it is asked
    for, and what it held is made again.

    Parameters
    ----------
    folder
        The study folder.
    kind
        What is kept, such as ``drawings``: the name of a folder of its own.
    """

    def __init__(self, folder: Path, kind: str) -> None:
        self.root = folder / PARTS / kind

    def _place(self, key: str) -> Path:
        return self.root / key[:2] / key

    def get(self, key: str) -> dict[str, bytes] | None:
        """Return name -> content of the files kept under ``key``, ``None`` if none are whole.

        Parameters
        ----------
        key
            A digest in hex.
        """
        place = self._place(key)
        try:
            found = _read_parts(place.read_bytes(), key)
        except OSError:
            return None
        with suppress(
            OSError
        ):  # what cannot be removed or dated is none the less not used, or used
            if found is None:
                remove_file(place)
            else:
                os.utime(not_through_a_link(place))
        return found

    def put(self, key: str, files: Mapping[str, bytes]) -> None:
        """Keep these files; a disk that is full keeps nothing, and what was made stays good."""
        head = {"key": key, "files": [[name, len(content)] for name, content in files.items()]}
        body = b"\n".join([canonical_json(head).encode(), b"".join(files.values())])
        with suppress(OSError):
            write_bytes(self._place(key), b"\n".join([sha256_of_bytes(body).encode(), body]))

    def trim(self, most_bytes: int = MOST_PARTS_BYTES) -> int:
        """Throw away the longest unused sets beyond so many bytes; return the bytes left."""
        found = []
        for path in self.root.glob("??/*"):
            with suppress(FileNotFoundError):  # another report of the study may trim, too
                found.append((path.stat().st_mtime, path.stat().st_size, path))
        taken = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if taken <= most_bytes:
                break
            remove_file(path)
            taken -= size
        return taken


def _read_parts(content: bytes, key: str) -> dict[str, bytes] | None:
    """Return the files of a set, ``None`` if it is not as it was written under this key."""
    digest, _, body = content.partition(b"\n")
    if digest != sha256_of_bytes(body).encode():
        return None
    head, _, blob = body.partition(b"\n")
    try:
        told = json.loads(head)
        sizes = [(str(name), int(size)) for name, size in told["files"]]
        whole = told["key"] == key and sum(size for _, size in sizes) == len(blob)
    except (ValueError, TypeError, KeyError):
        return None
    if not whole or any(size < 0 for _, size in sizes):
        return None
    files, start = {}, 0
    for name, size in sizes:
        files[name] = blob[start : start + size]
        start += size
    return files


def trim_parts(folder: Path, most_bytes: int) -> int:
    """Trim every kind of parts that a study keeps; return the bytes left.

    Parameters
    ----------
    folder
        The study folder.
    most_bytes
        Of each kind.
    """
    kinds = sorted(path.name for path in (folder / PARTS).glob("*") if path.is_dir())
    return sum(KeptFiles(folder, kind).trim(most_bytes) for kind in kinds)

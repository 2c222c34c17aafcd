"""The content store: results kept by the key of what made them, so that going back costs nothing.

An entry is a folder named by the key; it is written under another name and renamed, so that it
is whole or absent. Every file is checked against its record before it is handed out.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Collection
from pathlib import Path
from typing import Any

from leafledger.records.digests import sha256_of_file
from leafledger.records.record import Record, read_record, write_record
from leafledger.study.links import not_through_a_link, remove_folder
from leafledger.study.tables import whole_file

FOLDER = "ledger/store"
_RECORD = "record.json"


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

    def restore(self, key: str) -> Record | None:
        """Put the outputs kept under ``key`` back in place.

        Returns
        -------
        Record or None
            The record of the task, or ``None`` if nothing whole is kept; a damaged entry is
            thrown away.
        """
        entry = self._entry(key)
        record = read_record(entry / _RECORD)
        if record is None or record.get("key") != key:
            return None
        for output in record["outputs"]:
            kept = entry / output["sha256"]
            if not kept.is_file() or sha256_of_file(kept) != output["sha256"]:
                remove_folder(entry)
                return None
        for output in record["outputs"]:
            with whole_file(self.study / output["path"]) as temporary:
                shutil.copyfile(entry / output["sha256"], temporary)
        os.utime(not_through_a_link(entry))
        return record

    def tells_otherwise(self, key: str, record: Path) -> bool:
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
            return
        building = entry.with_name(f".{entry.name}.{os.getpid()}.tmp")
        not_through_a_link(building).mkdir(parents=True)
        try:
            for output in record["outputs"]:
                shutil.copyfile(self.study / output["path"], building / output["sha256"])
            write_record(building / _RECORD, record)
            building.rename(entry)
        finally:
            remove_folder(building)

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

"""SHA-256 of files, remembered by size and time so that an idle run need not read them again."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from leafledger.study.table_files import canonical_json, write_text

_REMEMBERED = "ledger/cache/digests.json"


def sha256_of_bytes(data: bytes) -> str:
    """Return the SHA-256 of ``data`` in hex."""
    return hashlib.sha256(data).hexdigest()


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's content in hex.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "abc"
    >>> _ = path.write_bytes(b"abc")
    >>> sha256_of_file(path)[:16]   # FIPS 180-4, appendix B.1
    'ba7816bf8f01cfea'
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def sha256_of_value(value: Any) -> str:
    """Return the SHA-256 of a value's canonical JSON, as ``sha256:<hex>``."""
    return "sha256:" + sha256_of_bytes(canonical_json(value).encode("utf-8"))


def inputs_digest(records: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the digest of all that the effects and the classifier read.

    Parameters
    ----------
    records
        Task -> record.
    """
    read = [
        [task, given["role"], given["sha256"]]
        for task in ("effects", "classes")
        if task in records
        for given in records[task]["inputs"]
    ]
    return sha256_of_value(sorted(read)).removeprefix("sha256:")


class FileDigests:
    """Digests of the files of a study, reread only when size or a time of the file has changed.

    Both the modification and the status-change time are compared, so a file replaced by an older
    one, or edited and given back its old date, is read again.

    Parameters
    ----------
    folder
        The study folder; what is remembered lies in its ``ledger/cache``.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._known: dict[str, list[Any]] = {}
        self._changed = False
        try:
            known = json.loads((folder / _REMEMBERED).read_text(encoding="utf-8"))
            if isinstance(known, dict):
                self._known = known
        except (OSError, ValueError):
            # Only a cache: without it every file is read once more.
            self._changed = True

    def of(self, path: str) -> str | None:
        """Return the digest of the file at ``path`` (relative to the study), ``None`` if none."""
        try:
            stat = (self.folder / path).stat()
        except OSError:
            return None
        state = [stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns]
        known = self._known.get(path)
        if isinstance(known, list) and known[:3] == state and len(known) == 4:
            return str(known[3])
        try:
            digest = sha256_of_file(self.folder / path)
        except OSError:
            return None
        self._known[path] = [*state, digest]
        self._changed = True
        return digest

    def save(self) -> None:
        """Remember the digests for the next run; a study that cannot be written to is no error."""
        if not self._changed:
            return
        try:
            write_text(self.folder / _REMEMBERED, canonical_json(self._known))
            self._changed = False
        except OSError:
            self._changed = True


def files_below(folder: Path) -> list[Path]:
    """Return all files below a folder in the order of their paths."""
    return sorted(path for path in folder.rglob("*") if path.is_file())

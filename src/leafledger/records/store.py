"""What is kept: results by the key of what made them, trained models in archives?

The content store keeps results, so that going back costs nothing. An entry is a folder named by the
key; it is written under another name and renamed, so that it is whole or absent. Every file is
checked against its record before it is handed out. Parts of a result, such as the drawings of a
report, are kept by a key of their own, each with its digest.

Large tables of spectra are most of a study's results. They are not copied: the file in place is the
only one, and it moves into its entry when another version is to take its place, and back when it is
asked for again. A file that is no longer what its record says is not moved; it is computed anew.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any, Final
from zipfile import ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from leafledger.errors import InputFault, Problem, quoted
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

# The content store
# ----------------------------------------------------------------------

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
            kept, target = entry / output["sha256"], self.study / output["path"]
            if output not in moved:
                with whole_file(target) as temporary:
                    shutil.copyfile(kept, temporary)
            elif kept.is_file():
                not_through_a_link(target.parent).mkdir(parents=True, exist_ok=True)
                kept.replace(not_through_a_link(target))
        os.utime(not_through_a_link(entry))
        return record

    def _is_whole(self, entry: Path, output: Mapping[str, Any]) -> bool:
        """Tell whether a file that is not copied is in the entry or in place, as recorded."""
        return any(
            path.is_file() and sha256_of_file(path) == output["sha256"]
            for path in (entry / output["sha256"], self.study / output["path"])
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
            kept, target = entry / output["sha256"], self.study / output["path"]
            if not stays_in_place(output) or kept.exists() or not target.is_file():
                continue
            if sha256_of_file(not_through_a_link(target)) == output["sha256"]:
                target.replace(not_through_a_link(kept))

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
        usage = []
        for entry in self.root.glob("??/*"):
            if entry.is_dir() and not entry.name.startswith("."):
                size = sum(path.stat().st_size for path in entry.iterdir())
                usage.append((entry, size, entry.stat().st_mtime))
        return sorted(usage, key=lambda item: item[2])

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
        n_bytes = sum(size for _, size, _ in entries)
        removed = []
        for entry, size, _ in entries:
            if n_bytes <= most_bytes:
                break
            remove_folder(entry)
            n_bytes -= size
            removed.append(entry)
        return {
            "bytes": n_bytes,
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
        path = self._place(key)
        try:
            files = _read_parts(path.read_bytes(), key)
        except OSError:
            return None
        with suppress(
            OSError
        ):  # what cannot be removed or dated is none the less not used, or used
            if files is None:
                remove_file(path)
            else:
                os.utime(not_through_a_link(path))
        return files

    def put(self, key: str, files: Mapping[str, bytes]) -> None:
        """Keep these files; a disk that is full keeps nothing, and what was made stays good."""
        head = {"key": key, "files": [[name, len(content)] for name, content in files.items()]}
        body = b"\n".join([canonical_json(head).encode(), b"".join(files.values())])
        with suppress(OSError):
            write_bytes(self._place(key), b"\n".join([sha256_of_bytes(body).encode(), body]))

    def trim(self, most_bytes: int = MOST_PARTS_BYTES) -> int:
        """Throw away the longest unused sets beyond so many bytes; return the bytes left."""
        kept_sets = []
        for path in self.root.glob("??/*"):
            with suppress(FileNotFoundError):  # another report of the study may trim, too
                kept_sets.append((path.stat().st_mtime, path.stat().st_size, path))
        n_bytes = sum(size for _, size, _ in kept_sets)
        for _, size, path in sorted(kept_sets):
            if n_bytes <= most_bytes:
                break
            remove_file(path)
            n_bytes -= size
        return n_bytes


def _read_parts(content: bytes, key: str) -> dict[str, bytes] | None:
    """Return the files of a set, ``None`` if it is not as it was written under this key."""
    digest, _, body = content.partition(b"\n")
    if digest != sha256_of_bytes(body).encode():
        return None
    head, _, blob = body.partition(b"\n")
    try:
        header = json.loads(head)
        sizes = [(str(name), int(size)) for name, size in header["files"]]
        whole = header["key"] == key and sum(size for _, size in sizes) == len(blob)
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


# Archives of trained models, read again from unfriendly hands
# ----------------------------------------------------------------------
# One canonical archive and its card: equal models give equal bytes. The archive and its card must
# belong together. Nothing is pickled. What may be loaded is a list in the module of the model, not
# the list in the card.

# Writing: an archive that depends on nothing but the model, sealed with the digest of its card.
# ----------------------------------------------------------------------

_SCHEMA = "schema.json"
_SEAL = "card.sha256"
_DATE = (1980, 1, 1, 0, 0, 0)


def canonical_archive(model: Any) -> bytes:
    """Return ``model`` as a skops archive that depends on nothing but the model.

    Parameters
    ----------
    model
        A fitted estimator.

    Returns
    -------
    bytes
        Members and ids renumbered by first appearance, dates 1980-01-01, schema keys sorted,
        nothing compressed.
    """
    from skops.io import dumps

    with ZipFile(io.BytesIO(dumps(model))) as original:
        schema = json.loads(original.read(_SCHEMA))
        ids: dict[int, int] = {}
        files: dict[str, str] = {}
        _renumber(schema, ids, files)
        members = {new: original.read(old) for old, new in files.items()}
    members[_SCHEMA] = json.dumps(schema, sort_keys=True, indent=1).encode()
    out = io.BytesIO()
    with ZipFile(out, "w", ZIP_STORED) as archive:
        for name in sorted(members):
            entry = ZipInfo(name, _DATE)
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, members[name])
    return out.getvalue()


def _renumber(node: Any, ids: dict[int, int], files: dict[str, str]) -> None:
    """Replace ids and member names in place, walking keys in sorted order."""
    if isinstance(node, list):
        for part in node:
            _renumber(part, ids, files)
        return
    if not isinstance(node, dict):
        return
    for key in sorted(node):
        value = node[key]
        if key == "__id__" and isinstance(value, int):
            node[key] = ids.setdefault(value, len(ids) + 1)
        elif key == "file" and isinstance(value, str):
            suffix = value.rpartition(".")[2]
            node[key] = files.setdefault(value, f"{len(files) + 1:03d}.{suffix}")
        else:
            _renumber(value, ids, files)


def sealed(archive: bytes, card: Mapping[str, Any]) -> tuple[bytes, dict[str, Any]]:
    """Bind a card to its archive: the archive keeps the card's digest, the card the archive's.

    Parameters
    ----------
    archive
        From :func:`canonical_archive`.
    card
        ``model.json`` without ``model_sha256``.

    Returns
    -------
    tuple
        The archive with a further member, and the card with ``model_sha256``.
    """
    out = io.BytesIO(archive)
    with ZipFile(out, "a", ZIP_STORED) as whole:
        entry = ZipInfo(_SEAL, _DATE)
        entry.create_system = 3
        entry.external_attr = 0o644 << 16
        whole.writestr(entry, card_digest(card))
    data = out.getvalue()
    return data, {**card, "model_sha256": hashlib.sha256(data).hexdigest()}


def card_digest(card: Mapping[str, Any]) -> str:
    """Return the SHA-256 of all that a card says but for the digest of its archive."""
    fields = {name: value for name, value in card.items() if name != "model_sha256"}
    return hashlib.sha256(canonical_json(fields).encode()).hexdigest()


def types_to_trust(data: bytes) -> list[str]:
    """Return the names of the types in an archive that skops does not trust by itself."""
    from skops.io import get_untrusted_types

    return sorted(get_untrusted_types(data=data))


def load_archive(data: bytes, trusted: Sequence[str]) -> Any:
    """Load a model from an archive.

    Parameters
    ----------
    data
        The archive.
    trusted
        The exact list of types that may be loaded, as written in ``model.json``.

    Returns
    -------
    object
        The estimator.

    Raises
    ------
    ValueError
        If the archive asks for any other type than those in the list.
    """
    from skops.io import loads

    needed = types_to_trust(data)
    if needed != sorted(trusted):
        raise ValueError(
            f"the model archive asks for the types {', '.join(needed) or 'none'}; "
            f"its card lists {', '.join(sorted(trusted)) or 'none'}"
        )
    return loads(data, trusted=list(trusted))


# Reading.
# ----------------------------------------------------------------------

MOST_BYTES = 512 * 1024 * 1024
CLASSES: Final = "classes"
TRAIT: Final = "trait"
_READ_BY: Final = {
    CLASSES: ("a model of classes", "leafledger identify"),
    TRAIT: ("a model of a trait", "leafledger estimate"),
}
"""What a model of each kind is called, and the command that reads it."""


def read_archive(
    path: Path,
    card_path: Path | None,
    types: Sequence[str],
    needed: Sequence[str],
    folder: str,
    kind: str = CLASSES,
) -> tuple[Any, dict[str, Any]]:
    """Return a model and its card, both as a run wrote them.

    Parameters
    ----------
    path
        The archive.
    card_path
        Its card; beside it, ending in ``.json``, if left out.
    types
        Types that the archive must ask for, and no others.
    needed
        Keys that the card must have.
    folder
        Where runs leave such models, for messages.
    kind
        Of the model that is asked for: ``CLASSES`` or ``TRAIT``.

    Raises
    ------
    InputFault
        If a file is missing or damaged, the card was edited, the archive is not the one that the
        card describes, it asks for another type, or it is a model of the other kind.
    """
    card_path = card_path or path.with_suffix(".json")
    data, card = _read(path, folder), _card(card_path, needed, kind)
    digest = hashlib.sha256(data).hexdigest()
    if digest != card["model_sha256"]:
        raise InputFault(
            _fault(path, f"an archive with SHA-256 {digest[:16]}...",
                   f"the one that {card_path.name} describes ({str(card['model_sha256'])[:16]}...)",
                   "It was changed after it was saved, or belongs to another card: take both files "
                   "from the run that made them.")
        )  # fmt: skip
    model = _load(path, data, types)
    _refuse_edited(path, card_path, data, card)
    return model, card


def unlike_its_card(path: Path, odd: Exception) -> InputFault:
    """Return the fault of an archive whose arrays do not fit its card."""
    return InputFault(
        _fault(path, f"contents that do not fit their card ({type(odd).__name__}: {odd})",
               "arrays of the shapes that the card tells", "Run the study again to save it.")
    )  # fmt: skip


def _refuse_edited(path: Path, card_path: Path, data: bytes, card: dict[str, Any]) -> None:
    """Refuse a card that is not, word for word, the one that the archive was saved with."""
    with ZipFile(BytesIO(data)) as archive:
        kept = archive.read(_SEAL).decode("ascii", "replace") if _SEAL in archive.namelist() else ""
    try:
        digest = card_digest(card)
    except ValueError:  # a value that no run writes: not a number, or endless
        digest = "none"
    if kept == digest:
        return
    if not kept:
        raise InputFault(
            _fault(path, "an archive without the digest of its card",
                   "a model saved by this version, whose card cannot be edited unnoticed",
                   "Run the study again to save it.")
        )  # fmt: skip
    raise InputFault(
        _fault(card_path, f"a card with SHA-256 {digest[:16]}...",
               f"the one that {path.name} was saved with ({kept[:16]}...)",
               "It was edited after it was saved (limits, classes, wavelengths ...): take both "
               "files from the run that made them.")
    )  # fmt: skip


def _read(path: Path, folder: str) -> bytes:
    if not path.is_file():
        raise InputFault(_fault(path, "no such file", "a model saved by a run", f"See {folder}."))
    if path.stat().st_size > MOST_BYTES:
        raise InputFault(_too_large(path))
    data = path.read_bytes()
    try:
        with ZipFile(BytesIO(data)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
    except (BadZipFile, NotImplementedError, ValueError) as odd:
        raise InputFault(
            _fault(path, f"no model archive ({odd})", "a model as a run wrote it, in one .skops",
                   _archive_beside(path) or f"Name an archive (.skops) in {folder} of a study.")
        ) from odd  # fmt: skip
    if unpacked > MOST_BYTES:
        raise InputFault(_too_large(path))
    return data


def _archive_beside(path: Path) -> str:
    """Return that the archive of a card should be named, if a card was; else nothing."""
    archive = path.with_suffix(".skops")
    if path.suffix.lower() != ".json" or not archive.is_file():
        return ""
    return f"This is the card of a model: name {archive.name}, beside it."


def _kind_of(card: Any) -> str:
    """Return the kind of the model that a card describes; empty if it describes none."""
    if not isinstance(card, dict):
        return ""
    return TRAIT if card.get("kind") == TRAIT else CLASSES if "classes" in card else ""


def _card(path: Path, needed: Sequence[str], kind: str) -> dict[str, Any]:
    if not path.is_file():
        raise InputFault(
            _fault(path, "no such file", "the card of the model, beside it",
                   f"Copy {path.name} together with {path.with_suffix('.skops').name}.")
        )  # fmt: skip
    if path.stat().st_size > MOST_BYTES:
        raise InputFault(_too_large(path))
    try:
        card: Any = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as odd:
        raise InputFault(
            _fault(path, f"no JSON ({odd})", "the card as a run wrote it", "Copy it again.")
        ) from odd
    other = _kind_of(card)
    if other and other != kind:
        (what, command), (expected, _) = _READ_BY[other], _READ_BY[kind]
        raise InputFault(
            _fault(path, f"the card of {what}", f"that of {expected}",
                   f"Use `{command}` with {path.with_suffix('.skops').name}, or name {expected}.")
        )  # fmt: skip
    missing = [name for name in needed if not isinstance(card, dict) or name not in card]
    if missing:
        raise InputFault(
            _fault(path, f"a card without {', '.join(missing)}", "the card as a run wrote it",
                   f"Copy {path.name} of the run again.")
        )  # fmt: skip
    return dict(card)


def _load(path: Path, data: bytes, types: Sequence[str]) -> Any:
    try:
        needed = types_to_trust(data)
    except Exception as odd:  # any damage inside the archive, whatever the library calls it
        raise InputFault(_damaged(path, odd)) from odd
    if needed != sorted(types):
        raise InputFault(
            _fault(path, f"an archive that asks for {quoted(', '.join(needed) or 'nothing', 200)}",
                   f"{', '.join(types)} and nothing else",
                   "Nothing was loaded. Use a model that this program saved.")
        )  # fmt: skip
    try:
        return load_archive(data, types)
    except Exception as odd:
        raise InputFault(_damaged(path, odd)) from odd


def _damaged(path: Path, odd: Exception) -> Problem:
    return _fault(
        path,
        f"a damaged archive ({type(odd).__name__})",
        f"{path.name} as a run wrote it",
        "Copy it again from the run that made it.",
    )


def _too_large(path: Path) -> Problem:
    return _fault(
        path, "more than 512 MB", "a model of at most 512 MB", "Use the model of a run as it is."
    )


def _fault(path: Path, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=path.name, found=found, expected=expected, mend=mend)

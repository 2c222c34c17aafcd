"""How is a trained model kept, and read again from unfriendly hands?

One canonical archive and its card: equal models give equal bytes. The archive and its card must
belong together. Nothing is pickled. What may be loaded is a list in the module of the model, not
the list in the card.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from io import BytesIO
from pathlib import Path
from typing import Any, Final
from zipfile import ZIP_STORED, BadZipFile, ZipFile, ZipInfo

from leafledger.errors import InputFault, Problem, quoted
from leafledger.study.table_files import canonical_json

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
    said = {name: value for name, value in card.items() if name != "model_sha256"}
    return hashlib.sha256(canonical_json(said).encode()).hexdigest()


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

    asked = types_to_trust(data)
    if asked != sorted(trusted):
        raise ValueError(
            f"the model archive asks for the types {', '.join(asked) or 'none'}; "
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
        (what, command), (asked, _) = _READ_BY[other], _READ_BY[kind]
        raise InputFault(
            _fault(path, f"the card of {what}", f"that of {asked}",
                   f"Use `{command}` with {path.with_suffix('.skops').name}, or name {asked}.")
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
        asked = types_to_trust(data)
    except Exception as odd:  # any damage inside the archive, whatever the library calls it
        raise InputFault(_damaged(path, odd)) from odd
    if asked != sorted(types):
        raise InputFault(
            _fault(path, f"an archive that asks for {quoted(', '.join(asked) or 'nothing', 200)}",
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

"""The saved model as one canonical archive: equal models, equal bytes.

The library's archive names its members after memory addresses and dates them; both are replaced
here. Nothing is pickled, and only types named in a list are loaded again.
"""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from typing import Any
from zipfile import ZIP_STORED, ZipFile, ZipInfo

_SCHEMA = "schema.json"
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

"""Scan ids for a table that names no scans: made from what a row says, never from its place."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence

_HEX_DIGITS = 12


def content_ids(rows: Sequence[str]) -> list[str]:
    """Return one id per row: ``s`` and the first 12 hex digits of the SHA-256 of its text.

    Rows that are equal to the last character get ``-2``, ``-3`` ... in file order; so an id
    stays with its row when other rows are added, left out or moved.

    Parameters
    ----------
    rows
        The rows as they stand in the file, decoded, each without its line ending; neither the
        heading nor blank lines.

    Returns
    -------
    list of str
        Ids in the order of ``rows``.

    Examples
    --------
    >>> content_ids(["abc", "b", "abc"])
    ['sba7816bf8f01', 's3e23e8160039', 'sba7816bf8f01-2']

    References
    ----------
    FIPS 180-4, Secure Hash Standard: SHA-256 of "abc" begins with ba7816bf 8f01cfea.
    """
    seen: Counter[str] = Counter()
    ids: list[str] = []
    for row in rows:
        digest = "s" + hashlib.sha256(row.encode("utf-8")).hexdigest()[:_HEX_DIGITS]
        seen[digest] += 1
        ids.append(digest if seen[digest] == 1 else f"{digest}-{seen[digest]}")
    return ids

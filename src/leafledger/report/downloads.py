"""Tables of the page as CSV, kept inside the page until a reader asks for one.

A table that stands in the results folder is given as that file, byte for byte. A table that the
page works out is written in the same way: whole numbers, empty for missing, and text that a
spreadsheet would run as a formula with an apostrophe before it; numbers are never altered.
"""

from __future__ import annotations

import base64
import csv
import gzip
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from leafledger.report.workbook import is_missing
from leafledger.study.tables import neutral

_LEVEL = 9


@dataclass(frozen=True)
class Download:
    """One table as CSV.

    Attributes
    ----------
    file
        Name of the file it is saved as.
    part
        Part of the page whose lineage it shares.
    text
        CSV: UTF-8, one line of headings.
    """

    file: str
    part: str
    text: str

    @property
    def n_rows(self) -> int:
        """Rows below the heading."""
        return max(0, sum(1 for _ in csv.reader(io.StringIO(self.text))) - 1)


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Return rows as CSV: shortest floats that read back the same, empty for missing.

    Examples
    --------
    >>> csv_text(["scan", "p"], [{"scan": "=a", "p": 0.1}, {"scan": "b", "p": float("nan")}])
    "scan,p\\n'=a,0.1\\nb,\\n"
    """
    out = io.StringIO()
    write = csv.writer(out, lineterminator="\n")
    write.writerow([neutral(name) for name in columns])
    for row in rows:
        write.writerow([_cell(row.get(name)) for name in columns])
    return out.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return neutral(value)
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, list | tuple | set):
        return neutral(", ".join(map(str, sorted(value) if isinstance(value, set) else value)))
    if is_missing(value):
        return ""
    return repr(value.item() if isinstance(value, np.generic) else value)


def packed(downloads: Mapping[str, Download]) -> str:
    """Return all texts as compressed JSON in base64: file name and text by name of the table.

    The same bytes every time, and free of anything that could end a script element.
    """
    values = {name: {"file": d.file, "text": d.text} for name, d in downloads.items()}
    text = json.dumps(values, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return base64.b64encode(gzip.compress(text.encode(), _LEVEL, mtime=0)).decode()

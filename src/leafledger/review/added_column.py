"""Adding a column to a sheet without touching anything else in it."""

from __future__ import annotations

import csv
import io


def with_column(data: bytes, name: str) -> bytes:
    r"""Return a CSV with one more column at the right, empty in every row that is there.

    Comment lines, blank lines, quotes, line ends and a byte-order mark stay as they are.

    Parameters
    ----------
    data
        A sheet as :func:`leafledger.study.sheets.read_sheet` takes it, UTF-8, commas.
    name
        The heading, without comma or quote.

    Examples
    --------
    >>> with_column(b'# by hand\r\na,b\r\n1,"x\ny"\r\n\r\n', "c")
    b'# by hand\r\na,b,c\r\n1,"x\ny",\r\n\r\n'
    """
    lines = list(io.StringIO(data.decode("utf-8"), newline=""))
    reader = csv.reader(iter(lines), strict=True)
    heading = True
    for cells in reader:
        first = cells[0].lstrip("\ufeff").lstrip() if cells else ""
        if first.startswith("#") or not any(cell.strip("\ufeff \t") for cell in cells):
            continue
        line = lines[reader.line_num - 1]
        text = line.rstrip("\r\n")
        lines[reader.line_num - 1] = f"{text},{name if heading else ''}{line[len(text) :]}"
        heading = False
    return "".join(lines).encode("utf-8")

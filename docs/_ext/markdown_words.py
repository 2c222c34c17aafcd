"""Small words of Markdown that the generated pages share."""

from __future__ import annotations

from collections.abc import Sequence


def code(text: str) -> str:
    """Return text set as code; safe inside a table."""
    return f"`{cell(text)}`"


def cell(text: str) -> str:
    """Return text that does not end its cell of a table."""
    return text.replace("|", "\\|").replace("\n", " ")


def table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a table, or nothing where there are no rows."""
    if not rows:
        return ""
    lines = [headings, ["---"] * len(headings), *rows]
    return "".join(f"| {' | '.join(line)} |\n" for line in lines)

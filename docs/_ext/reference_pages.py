"""Write the generated pages of ``docs/reference``: ``make reference``."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import commands_page
import study_file_page
import tables_page

FOLDER = Path(__file__).parent.parent / "reference"


def pages() -> dict[Path, str]:
    """Return path -> text of every generated page."""
    return {
        FOLDER / "study_file.md": study_file_page.page(),
        FOLDER / "tables.md": tables_page.page(),
        FOLDER / "commands.md": commands_page.page(),
    }


if __name__ == "__main__":
    for path, text in pages().items():
        path.write_text(text, encoding="utf-8")
